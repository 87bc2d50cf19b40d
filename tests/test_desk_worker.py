"""The worker that screens a clip in a process of its own, and what the desk makes of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from asymscreen.capture.sheet import Capture
from asymscreen.cli import demo_capture
from asymscreen.desk import worker
from asymscreen.desk.jobs import Jobs
from asymscreen.errors import UsageError
from asymscreen.record import jobs as rows
from asymscreen.record.corrections import list_corrections, read_untouched
from asymscreen.record.lifters import add_lifter
from asymscreen.record.screens import list_screens, read_images, read_screen, read_tracks_of
from asymscreen.record.store import open_store

CLIP = Path(__file__).parent.parent / "asymscreen" / "demo" / "demo.mp4"
PATIENCE_S = 420.0


def task(folder: Path, clip: Path, **capture: Any) -> Path:
    folder.mkdir(exist_ok=True)
    told = {"clip": str(clip), "name": "set 1.mp4", "capture": capture, "keep": True}
    (folder / worker.TASK).write_text(json.dumps(told), encoding="utf-8")
    return folder


@contextmanager
def begun(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A worker at work on a task; the desk's end of its input stays open until the test is over."""
    with subprocess.Popen(
        [sys.executable, "-m", "asymscreen.desk.worker", str(folder)],
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        yield process
        process.kill()


def test_a_file_that_is_no_clip_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "clip.mp4").write_bytes(b"no clip at all")
    with begun(task(tmp_path / "job", tmp_path / "clip.mp4")) as process:
        assert process.wait(60) == 1
    said = (tmp_path / "job" / worker.FAULT).read_text(encoding="utf-8")
    assert said.startswith("set 1.mp4: expected a video clip")
    assert "Traceback" not in said


def test_a_fault_of_ours_is_one_sentence_too(tmp_path: Path) -> None:
    with begun(task(tmp_path / "job", CLIP, level_marks="nonsense")) as process:
        assert process.wait(60) == 1
    said = (tmp_path / "job" / worker.FAULT).read_text(encoding="utf-8")
    assert said.startswith("The screening broke off (")


def test_the_worker_ends_with_the_desk(tmp_path: Path) -> None:
    with begun(task(tmp_path / "job", CLIP)) as process:
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(60) == 3
    assert not (tmp_path / "job" / worker.RESULT).exists()


def test_the_sheet_out_of_plain_types() -> None:
    raw = {"view": "foot-end", "level_marks": [[1, 2], [3, 4]], "person": {"x": 1}, "load_kg": 80}
    assert worker.sheet_of(raw) == Capture(view="foot-end", level_marks=((1, 2), (3, 4)), load_kg=80)
    with pytest.raises(UsageError, match="camera_height_m: expected"):
        worker.sheet_of({"camera_height_m": 40.0})


def test_the_demo_clip_is_screened_for_real_and_then_with_the_lifter_marked_by_hand(tmp_path: Path) -> None:
    with open_store(tmp_path / "home") as store:
        add_lifter(store, "L-014", film=True, keep=True)
        jobs = Jobs(store)
        jobs.start()
        try:
            stages = ended(jobs, jobs.submit(CLIP, "L-014", demo_capture()))
            long = ["Looking for the lifter", "Looking closely at the reps"]
            assert [stage for stage in stages if stage in long] == long
            shown = resources.files("asymscreen.desk").joinpath("templates/job.html").read_text("utf-8")
            assert [stage for stage in stages if f'"{stage}"' not in shown and stage != "Done"] == []
            (entry,) = list_screens(store, "L-014")
            before = read_screen(store, entry.id)
            assert (entry.usable, entry.clip_kept) == (True, True)
            assert set(read_images(store, entry.id)) == {frame.image for frame in before.keyframes} != set()
            x, y = before.keyframes[0].points["left_shoulder"]
            again = jobs.submit_person(entry.id, x, y, by="coach K")
            ended(jobs, again)
            assert jobs.status(again).screen_id == entry.id
        finally:
            jobs.close()
        (made,) = list_corrections(store, entry.id)
        assert (made.kind, made.made_by) == ("person", "coach K")
        assert read_untouched(store, entry.id) == before
        after = read_screen(store, entry.id)
        # the same person: the same bottoms, and numbers within what the clip can tell
        for one, two in zip(before.reps, after.reps, strict=True):
            assert two.bottom_s == pytest.approx(one.bottom_s, abs=0.1)
        assert read_tracks_of(store, entry.id) is not None
        assert [s.id for s in list_screens(store, "L-014")] == [entry.id]


def test_a_clip_in_which_nobody_is_found_is_kept_as_refused_with_its_clip(tmp_path: Path) -> None:
    clip = tmp_path / "grey.mp4"
    make = ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "color=gray:s=320x180:d=2:r=10", str(clip)]
    subprocess.run(make, check=True)
    with open_store(tmp_path / "home") as store:
        add_lifter(store, "L-014", film=True, keep=True)
        jobs = Jobs(store)
        jobs.start()
        try:
            job = jobs.submit(clip, "L-014", demo_capture())
            ended(jobs, job, rows.UNUSABLE)
        finally:
            jobs.close()
        (entry,) = list_screens(store, "L-014")
        assert (entry.usable, entry.clip_kept, entry.has_tracks) == (False, True, False)
        assert jobs.status(job).screen_id == entry.id
        assert "No person was found" in jobs.status(job).message


def ended(jobs: Jobs, job: str, state: str = rows.DONE) -> list[str]:
    """The stages that a job went through until it was done."""
    stages: list[str] = []
    end = time.monotonic() + PATIENCE_S
    while (found := jobs.status(job)).state not in rows.ENDED:
        assert time.monotonic() < end, "not done in time"
        if found.stage and found.stage not in stages:
            stages.append(found.stage)
        time.sleep(0.05)
    assert found.state == state, found.message
    return stages


def test_a_worker_that_is_killed_leaves_a_job_that_failed(tmp_path: Path) -> None:
    with open_store(tmp_path / "home") as store:
        add_lifter(store, "L-014", film=True)
        jobs = Jobs(store)
        job = jobs.submit(CLIP, "L-014", Capture())
        jobs.start()
        try:
            end = time.monotonic() + 60
            while jobs._process is None:
                assert time.monotonic() < end
                time.sleep(0.02)
            os.kill(jobs._process.pid, signal.SIGKILL)
            while jobs.status(job).state == rows.RUNNING:
                assert time.monotonic() < end
                time.sleep(0.02)
            assert jobs.status(job).state == rows.FAILED
        finally:
            jobs.close()
