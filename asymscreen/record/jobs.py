"""Clips that wait to be screened, are being screened, or were: rows and files that outlive the desk.

A job's clip lies in the folder of waiting clips under a name of ours. The result goes into the record in the
same transaction that ends the job, so that a clip is screened into the record once, whatever was interrupted.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from asymscreen.document import ScreenDocument
from asymscreen.errors import RecordError
from asymscreen.motion.tracks import Tracks
from asymscreen.record.lifters import get_lifter, now, refuse_stopped, standing_of
from asymscreen.record.models import Job, Lifter, StoredScreen
from asymscreen.record.screens import ID_LETTERS, new_row, put_screen
from asymscreen.record.shapes import JobEntry
from asymscreen.record.store import Store

WAITING, RUNNING, DONE = "waiting", "running", "done"
UNUSABLE, FAILED, STOPPED = "unusable", "failed", "stopped"
ENDED = (DONE, UNUSABLE, FAILED, STOPPED)
MOST_ATTEMPTS = 2
"""A clip whose screening was interrupted is taken up again once; one that breaks the desk is not."""
WAITING_DAYS = 14
"""The clip of a job that failed or was stopped is removed after so many days; ours, no source."""
SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".3gp"})
"""File endings that are kept; anything else becomes .clip. The content is judged, never the ending."""
CLIP_GONE = "Its clip is no longer here; hand it in again."
INTERRUPTED = "The screening was interrupted twice, so it was not begun a third time; try it again by hand."


def waiting_folder(store: Store) -> Path:
    """Where the clips of jobs lie, made if need be."""
    folder = store.home / "waiting"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder


def add_job(
    store: Store,
    clip: Path,
    code: str,
    capture: Mapping[str, Any],
    *,
    clip_name: str = "",
    origin: str = "desk",
    at: datetime | None = None,
) -> JobEntry:
    """Take a clip in: it is copied under a name of ours, then the job is noted.

    capture   the capture sheet as plain JSON types; origin says where the clip came from.
    RecordError for an unknown code, a refusal to be filmed, a red flag, or a clip that cannot be read.
    """
    at = at or datetime.now(UTC)  # to the microsecond: clips are screened in the order in which they came
    number = f"{at:%Y%m%d}-" + "".join(secrets.choice(ID_LETTERS) for _ in range(8))
    suffix = clip.suffix.lower()
    place = waiting_folder(store) / (number + (suffix if suffix in SUFFIXES else ".clip"))
    with store.reading() as session:
        _check(get_lifter(session, code))
    try:
        shutil.copyfile(clip, place)
        with store.writing() as session:
            lifter = get_lifter(session, code)
            _check(lifter)
            row = Job(
                id=number, lifter_id=lifter.id, state=WAITING, clip_file=place.name,
                clip_name=(clip_name or clip.name)[:200], capture=dict(capture), origin=origin,
                submitted_at=at, started_at=None, ended_at=None, attempts=0, claim="", stage="",
                share=0.0, message="", screen_id=None,
            )  # fmt: skip
            session.add(row)
            session.flush()
            return _entry(row, code)
    except OSError as error:
        place.unlink(missing_ok=True)
        raise RecordError(
            f"{clip.name}: expected a clip to take in, could not copy it ({error.strerror})"
        ) from error
    except BaseException:
        place.unlink(missing_ok=True)
        raise


def job_entry(store: Store, job_id: str) -> JobEntry:
    """One job; RecordError where there is none."""
    with store.reading() as session:
        row = _get(session, job_id)
        return _entry(row, _code(session, row))


def list_jobs(store: Store, code: str | None = None, *, ended: bool = True) -> list[JobEntry]:
    """Jobs of one lifter or of all, newest first; `ended` False leaves those that have ended out."""
    query = select(Job, Lifter.code).join(Lifter, Lifter.id == Job.lifter_id)
    if code is not None:
        query = query.where(Lifter.code == code)
    if not ended:
        query = query.where(Job.state.in_((WAITING, RUNNING)))
    query = query.order_by(Job.submitted_at.desc(), Job.id.desc())
    with store.reading() as session:
        return [_entry(row, owner) for row, owner in session.execute(query)]


def claim_job(store: Store, claim: str, *, at: datetime | None = None) -> JobEntry | None:
    """Take the oldest waiting job whose clip lies in this home; None where there is none."""
    here = {file.name for file in waiting_folder(store).iterdir()}
    with store.writing() as session:
        waiting = select(Job).where(Job.state == WAITING).order_by(Job.submitted_at, Job.id)
        row = next((job for job in session.scalars(waiting) if job.clip_file in here), None)
        if row is None:
            return None
        row.state, row.claim, row.attempts = RUNNING, claim, row.attempts + 1
        row.started_at, row.stage, row.share, row.message = at or now(), "", 0.0, ""
        session.flush()
        return _entry(row, _code(session, row))


def note_stage(store: Store, job_id: str, claim: str, stage: str, share: float) -> None:
    """Note how far a running job is; nothing where it is no longer this run's."""
    with store.writing() as session:
        mine = (Job.id == job_id, Job.claim == claim, Job.state == RUNNING)
        session.execute(update(Job).where(*mine).values(stage=stage[:200], share=share))


def resume_jobs(store: Store) -> list[str]:
    """After a start: jobs that were running when the desk ended wait again, once; ids of those that do.

    On a record of one machine a job whose clip is gone, as after a restored backup, ends with a sentence; on
    a server it may be another desk's.
    """
    here = {file.name for file in waiting_folder(store).iterdir()}
    again = []
    with store.writing() as session:
        for row in session.scalars(select(Job).where(Job.state.in_((WAITING, RUNNING)))):
            if row.clip_file not in here:
                if store.is_sqlite:
                    _end(row, FAILED, CLIP_GONE)
                continue
            if row.state == WAITING:
                continue
            if row.attempts >= MOST_ATTEMPTS:
                _end(row, FAILED, INTERRUPTED)
            else:
                row.state, row.claim, row.stage, row.share = WAITING, "", "", 0.0
                again.append(row.id)
    return again


def put_back(store: Store, job_id: str, claim: str) -> None:
    """The desk closes in good order: its running job waits again, and the attempt does not count."""
    with store.writing() as session:
        row = _get(session, job_id)
        if row.claim == claim and row.state == RUNNING:
            row.state, row.claim, row.stage, row.share = WAITING, "", "", 0.0
            row.attempts -= 1


def finish_job(
    store: Store,
    job_id: str,
    claim: str,
    document: ScreenDocument,
    *,
    tracks: Tracks | None,
    images: Mapping[str, bytes],
    clip: Path | None = None,
    filmed_at: datetime | None = None,
    instead: Callable[[Session], str] | None = None,
    at: datetime | None = None,
) -> JobEntry | None:
    """The screen goes into the record and the job ends, together; None where the job is no longer this run's.

    `clip` is a copy without metadata, kept if the lifter agreed. A refused screen is kept as well, and ends
    the job with its reasons. `instead` puts the result elsewhere and gives the id of its screen.
    """
    at = at or now()
    kept: list[Path] = []
    try:
        with store.writing() as session:
            row = _get(session, job_id)
            if row.claim != claim or row.state != RUNNING:
                return None
            code = _code(session, row)
            if instead is not None:
                row.screen_id = instead(session)
            else:
                screen = new_row(document, at, filmed_at, row.submitted_at)
                if clip is not None and get_lifter(session, code).consent_keep:
                    kept.append(_keep(store, clip, screen))
                put_screen(session, code, screen, tracks, images)
                row.screen_id = screen.id
            state = DONE if document.capture.usable else UNUSABLE
            _end(row, state, " ".join(document.capture.reasons), at)
            entry = _entry(row, code)
    except BaseException:
        for place in kept:
            place.unlink(missing_ok=True)
        raise
    drop_waiting(store, [entry.clip_file])
    return entry


def fail_job(store: Store, job_id: str, claim: str, message: str) -> JobEntry | None:
    """End a job that broke, with one sentence; None where it is no longer this run's."""
    return _close(store, job_id, lambda row: row.claim == claim and row.state == RUNNING, FAILED, message)


def refuse_job(store: Store, job_id: str, claim: str, reasons: Sequence[str]) -> JobEntry | None:
    """End a job whose clip holds nothing to screen, and keep nothing; None where it is not this run's."""
    done = _close(
        store, job_id, lambda row: row.claim == claim and row.state == RUNNING, UNUSABLE, " ".join(reasons)
    )
    if done is not None:
        drop_waiting(store, [done.clip_file])
    return done


def stop_job(store: Store, job_id: str, by: str = "coach") -> JobEntry | None:
    """Stop a job that waits or runs; None where it has ended."""
    return _close(store, job_id, lambda row: row.state not in ENDED, STOPPED, f"Stopped by {by}.")


def retry_job(store: Store, job_id: str) -> JobEntry:
    """Let a failed or stopped job wait again. RecordError where its clip is gone, or it did not fail."""
    with store.writing() as session:
        row = _get(session, job_id)
        if row.state not in (FAILED, STOPPED) or not (waiting_folder(store) / row.clip_file).is_file():
            raise RecordError(
                f"job {job_id}: expected one that failed or was stopped and still has its clip; "
                "hand the clip in again"
            )
        row.state, row.claim, row.attempts, row.message = WAITING, "", 0, ""
        row.stage, row.share, row.started_at, row.ended_at = "", 0.0, None, None
        return _entry(row, _code(session, row))


def remove_job(store: Store, job_id: str) -> None:
    """Remove a job that has ended, with its clip; a screen that it made stays. RecordError while it runs."""
    with store.writing() as session:
        row = _get(session, job_id)
        if row.state not in ENDED:
            raise RecordError(f"job {job_id}: expected an ended one, got one {row.state}; stop it first")
        name = row.clip_file
        session.delete(row)
    drop_waiting(store, [name])


def drop_waiting(store: Store, names: list[str]) -> list[str]:
    """Remove waiting clips by name; the names of those that could not be."""
    left = []
    for name in names:
        if not name or Path(name).name != name:
            continue
        try:
            (waiting_folder(store) / name).unlink(missing_ok=True)
        except OSError:
            left.append(name)
    return left


def sweep_waiting(store: Store, *, at: datetime | None = None) -> int:
    """Remove clips that no job needs any more; how many there were."""
    at = at or now()
    with store.reading() as session:
        rows = list(session.scalars(select(Job)))
    fresh = at - timedelta(days=WAITING_DAYS)
    needed = {
        row.clip_file
        for row in rows
        if row.state in (WAITING, RUNNING)
        or (row.state in (FAILED, STOPPED) and (row.ended_at or at) > fresh)
    }
    young = at.timestamp() - 3600
    old = [
        file.name
        for file in waiting_folder(store).iterdir()
        if file.name not in needed and file.is_file() and file.stat().st_mtime < young
    ]
    drop_waiting(store, old)
    return len(old)


def _close(
    store: Store, job_id: str, mine: Callable[[Job], bool], state: str, message: str
) -> JobEntry | None:
    with store.writing() as session:
        row = _get(session, job_id)
        if not mine(row):
            return None
        _end(row, state, message)
        session.flush()
        return _entry(row, _code(session, row))


def _end(row: Job, state: str, message: str, at: datetime | None = None) -> None:
    row.state, row.message, row.ended_at, row.claim = state, message[:2000], at or now(), ""
    if state == DONE:
        row.share = 1.0


def _keep(store: Store, clip: Path, screen: StoredScreen) -> Path:
    """The clip into the clips folder under the screen's id."""
    store.clips.mkdir(parents=True, exist_ok=True, mode=0o700)
    place = store.clips / (screen.id + clip.suffix)
    os.replace(clip, place)
    screen.clip_file = place.name
    return place


def _check(lifter: Lifter) -> None:
    refuse_stopped(lifter.code, standing_of(lifter))
    if lifter.consent_film is False:
        raise RecordError(f"lifter {lifter.code}: expected consent to film, got a refusal; ask the lifter")


def _get(session: Session, job_id: str) -> Job:
    row = session.get(Job, job_id)
    if row is None:
        raise RecordError(f"job {job_id[:80]}: expected the id of a job in the record, got an unknown one")
    return row


def _code(session: Session, row: Job) -> str:
    return session.scalars(select(Lifter.code).where(Lifter.id == row.lifter_id)).one()


def _entry(row: Job, code: str) -> JobEntry:
    return JobEntry(
        id=row.id, lifter=code, state=row.state, clip_file=row.clip_file, clip_name=row.clip_name,
        capture=row.capture, origin=row.origin, submitted_at=row.submitted_at, started_at=row.started_at,
        ended_at=row.ended_at, attempts=row.attempts, stage=row.stage, share=row.share, message=row.message,
        screen_id=row.screen_id,
    )  # fmt: skip
