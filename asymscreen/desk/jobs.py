"""The desk's jobs: clips screened one after the other, each in a process of its own.

What a job is and how far it came stands in the record, so that a desk that was cut off takes it up again. The
screens that come out go into the record in the transaction that ends their job: once.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from asymscreen.capture.sheet import Capture
from asymscreen.desk import worker
from asymscreen.desk.corrections import current_turn, draft, solve_with
from asymscreen.errors import AsymscreenError, RecordError
from asymscreen.motion.tracks import Tracks
from asymscreen.record import jobs as rows
from asymscreen.record.clips import clip_path, view_path
from asymscreen.record.corrections import TRACKS, correct, read_base, whole_tracks
from asymscreen.record.lifters import show_lifter
from asymscreen.record.screens import clip_file_of, screen_entry
from asymscreen.record.shapes import JobEntry
from asymscreen.record.sheets import sheet_of_document
from asymscreen.record.store import Store
from asymscreen.workers import ONE_THREAD

LONGEST_S = 3600.0
"""A screening that takes longer is given up, seconds."""
BROKE = "The screening ended without a result. Try it again; if it ends again, film the set anew."
TOO_LONG = "The screening took more than an hour and was given up; film a shorter clip."
LOCK_FILE = "desk.lock"


class Jobs:
    """The queue of one desk. `start` begins to work, `close` ends it; what ran is taken up at the next start.

    command   how a worker is started; the folder of the task is added to it
    """

    def __init__(self, store: Store, command: Sequence[str] = ()) -> None:
        self.store = store
        self._command = tuple(command) or (sys.executable, "-m", "asymscreen.desk.worker")
        self._wake = threading.Event()
        self._closing = threading.Event()
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._running = ""
        self._live: dict[str, tuple[str, float]] = {}
        self._thread: threading.Thread | None = None
        self._held: int | None = None

    def start(self) -> None:
        """Take up what was cut off and begin to work. RecordError where another desk works in this home."""
        self._held = _hold(self.store.home)
        for left in self.store.home.glob("screening-*"):
            shutil.rmtree(left, ignore_errors=True)
        rows.sweep_waiting(self.store)
        rows.resume_jobs(self.store)
        self._thread = threading.Thread(target=self._work, name="jobs", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the work; a clip that is being screened is taken up at the next start."""
        self._closing.set()
        self._wake.set()
        self._kill()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        if self._held is not None:
            os.close(self._held)
            self._held = None

    def submit(
        self,
        clip_path: Path,
        lifter_code: str,
        capture: Capture,
        *,
        clip_name: str = "",
        origin: str = "desk",
    ) -> str:
        """Take a copy of a clip in and screen it when its turn comes; the job's id.

        RecordError for an unknown lifter, a refusal to be filmed, or while a red flag stops the screen.
        """
        sheet = asdict(capture) | {"lifter": lifter_code}
        found = rows.add_job(self.store, clip_path, lifter_code, sheet, clip_name=clip_name, origin=origin)
        self._wake.set()
        return found.id

    def submit_person(self, screen_id: str, x: float, y: float, *, by: str) -> str:
        """Screen a kept clip again with the person at (x, y) pixels as the lifter; the id of the job.

        The result becomes a correction of that screen. RecordError where no clip was kept.
        """
        entry = screen_entry(self.store, screen_id)
        name = clip_file_of(self.store, screen_id)
        if not name or not clip_path(self.store, name).is_file():
            raise RecordError(
                f"screen {screen_id}: expected its kept clip to choose another person in, found none; "
                "hand the clip in again with the lifter alone in view"
            )
        base = read_base(self.store, screen_id)
        turned = current_turn(base)
        sheet = asdict(sheet_of_document(base.document)) | {"mirrored": turned}
        person = {"screen": screen_id, "by": by, "x": x, "y": y, "turned": turned}
        found = rows.add_job(
            self.store, clip_path(self.store, name), entry.lifter, sheet | {"person": person},
            clip_name=entry.clip_name, origin="correction",
        )  # fmt: skip
        self._wake.set()
        return found.id

    def status(self, job_id: str) -> JobEntry:
        """A job as it stands at this moment. RecordError for an unknown id."""
        found = rows.job_entry(self.store, job_id)
        live = self._live.get(job_id)
        if found.state == rows.RUNNING and live is not None:
            return found.model_copy(update={"stage": live[0], "share": live[1]})
        return found

    def ahead_of(self, job_id: str) -> int:
        """How many clips come before a waiting one."""
        waiting = [job for job in rows.list_jobs(self.store, ended=False)]
        ids = [job.id for job in reversed(waiting)]
        return ids.index(job_id) if job_id in ids else 0

    def stop(self, job_id: str, by: str = "coach") -> None:
        """Stop a job that waits or is being screened; one that has ended stays as it is."""
        rows.stop_job(self.store, job_id, by)
        with self._lock:
            if self._running == job_id:
                self._kill()

    def retry(self, job_id: str) -> None:
        """Screen the clip of a failed or stopped job again. RecordError where the clip is gone."""
        rows.retry_job(self.store, job_id)
        self._wake.set()

    def remove(self, job_id: str) -> None:
        """Remove a job that has ended, with its clip. RecordError while it runs."""
        rows.remove_job(self.store, job_id)

    def _kill(self) -> None:
        process = self._process
        if process is not None and process.poll() is None:
            process.kill()

    def _work(self) -> None:
        while not self._closing.is_set():
            self._wake.clear()
            try:
                claim = secrets.token_hex(8)
                job = rows.claim_job(self.store, claim)
                if job is not None:
                    self._do(job, claim)
                    continue
            except AsymscreenError:
                pass  # the record is busy or away: look again in a moment
            self._wake.wait(timeout=30.0)

    def _do(self, job: JobEntry, claim: str) -> None:
        folder = Path(tempfile.mkdtemp(prefix="screening-", dir=self.store.home))
        try:
            self._run(job, claim, folder)
            if self._closing.is_set():
                rows.put_back(self.store, job.id, claim)
            else:
                self._hand_in(job, claim, folder)
        except AsymscreenError as error:
            rows.fail_job(self.store, job.id, claim, str(error))
        finally:
            self._live.pop(job.id, None)
            shutil.rmtree(folder, ignore_errors=True)

    def _run(self, job: JobEntry, claim: str, folder: Path) -> None:
        """One worker from start to end, its progress noted on the way."""
        task = {
            "clip": str(rows.waiting_folder(self.store) / job.clip_file),
            "name": job.clip_name, "capture": job.capture,
            "keep": bool(show_lifter(self.store, job.lifter).consent_keep),
        }  # fmt: skip
        (folder / worker.TASK).write_text(json.dumps(task), encoding="utf-8")
        with (folder / "log.txt").open("wb") as log:
            process = subprocess.Popen(
                [*self._command, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log,
                env=dict.fromkeys(ONE_THREAD, "1") | os.environ,
            )  # fmt: skip
            with self._lock:
                self._process, self._running = process, job.id
            timer = threading.Timer(LONGEST_S, process.kill)
            timer.start()
            try:
                if self._closing.is_set() or rows.job_entry(self.store, job.id).state != rows.RUNNING:
                    process.kill()
                self._follow(process, job.id, claim)
            finally:
                timer.cancel()
                process.kill()
                process.wait()
                for stream in (process.stdin, process.stdout):
                    if stream is not None:
                        with contextlib.suppress(OSError):
                            stream.close()
                with self._lock:
                    self._process, self._running = None, ""

    def _follow(self, process: subprocess.Popen[bytes], job_id: str, claim: str) -> None:
        assert process.stdout is not None
        noted = ""
        for line in process.stdout:
            told = _told(line)
            if told is None:
                continue
            self._live[job_id] = told
            if told[0] != noted:
                noted = told[0]
                rows.note_stage(self.store, job_id, claim, *told)

    def _hand_in(self, job: JobEntry, claim: str, folder: Path) -> None:
        """The worker's result into the record, or the reason why there is none onto the job."""
        from asymscreen.document import read_document
        from asymscreen.record.packing import unpack_tracks

        if not (folder / worker.RESULT).is_file():
            fault = folder / worker.FAULT
            rows.fail_job(self.store, job.id, claim, fault.read_text("utf-8") if fault.is_file() else BROKE)
            return
        tracks = folder / worker.TRACKS
        images = folder / worker.IMAGES
        clip = next((file for file in folder.glob(f"{worker.CLIP}.*")), None)
        proxy = folder / "proxy.mp4"
        person = job.capture.get("person")
        if person is not None and tracks.is_file():
            self._correct(job, claim, person, unpack_tracks(tracks.read_bytes()), folder)
            return
        done = rows.finish_job(
            self.store, job.id, claim, read_document(folder / worker.RESULT),
            tracks=unpack_tracks(tracks.read_bytes()) if tracks.is_file() else None,
            images={file.name: file.read_bytes() for file in sorted(images.glob("*.jpg"))},
            clip=clip,
        )  # fmt: skip
        if done is not None and done.screen_id and proxy.is_file():
            os.replace(proxy, view_path(self.store, done.screen_id))

    def _correct(
        self, job: JobEntry, claim: str, person: dict[str, Any], tracks: Tracks, folder: Path
    ) -> None:
        """The tracks of another person as a correction of their screen."""
        from asymscreen.document import read_document

        screen_id = str(person["screen"])
        base = read_base(self.store, screen_id)
        details = {key: person[key] for key in ("x", "y", "turned")} | {TRACKS: whole_tracks(tracks)}
        document = read_document(folder / worker.RESULT)
        if not document.capture.usable:
            rows.refuse_job(self.store, job.id, claim, document.capture.reasons)
            return
        drafted = [*base.corrections, draft("person", details)]
        result = solve_with(self.store, screen_id, base, drafted)

        def instead(session: Any) -> str:
            correct(session, base, screen_id, "person", details, result, by=str(person["by"]))
            return screen_id

        rows.finish_job(self.store, job.id, claim, result[0], tracks=None, images={}, instead=instead)


def _told(line: bytes) -> tuple[str, float] | None:
    """(stage, share) out of a line of the worker's, or None for anything else."""
    try:
        said: Any = json.loads(line)
        return str(said["stage"])[:200], min(max(float(said["share"]), 0.0), 1.0)
    except (ValueError, KeyError, TypeError):
        return None


def _hold(home: Path) -> int | None:
    """Hold the home for this desk as long as the process lives; None where the system has no such lock."""
    try:
        import fcntl
    except ImportError:  # Windows
        return None
    handle = os.open(home / LOCK_FILE, os.O_CREAT | os.O_RDWR, 0o600)
    for _ in range(20):  # a desk that was just ended may need a moment to go
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return handle
        except BlockingIOError:
            time.sleep(0.1)
    os.close(handle)
    raise RecordError(
        f"{home}: expected no other desk on this record, got one that is running; use it, or end it first"
    )
