"""Jobs of the desk: once into the record, whatever is interrupted; stopped, broken, unusable, tried again."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from asymscreen.capture.sheet import Capture
from asymscreen.desk.jobs import Jobs
from asymscreen.errors import RecordError
from asymscreen.record import jobs as rows
from asymscreen.record.erase import erase_lifter
from asymscreen.record.lifters import add_lifter, now, raise_caution
from asymscreen.record.screens import list_screens, read_images, read_screen, read_tracks_of
from asymscreen.record.store import Store, open_store

WORKER = Path(__file__).parent / "desk_worker.py"
CLIP = Path(__file__).parent.parent / "asymscreen" / "demo" / "demo.mp4"
SHEET = Capture(view="foot-end", load_kg=80.0)
PATIENCE_S = 60.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "home") as opened:
        add_lifter(opened, "L-014", film=True, keep=True)
        add_lifter(opened, "L-021", film=True)
        yield opened


@contextmanager
def working(store: Store, how: str) -> Iterator[Jobs]:
    jobs = Jobs(store, (sys.executable, str(WORKER), how))
    jobs.start()
    try:
        yield jobs
    finally:
        jobs.close()


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def ended(jobs: Jobs, job: str) -> str:
    until(lambda: jobs.status(job).state in rows.ENDED)
    return jobs.status(job).state


def test_a_clip_becomes_a_screen_with_its_tracks_pictures_and_clip(store: Store) -> None:
    with working(store, "done") as jobs:
        job = jobs.submit(CLIP, "L-014", SHEET, clip_name="set 1.mp4")
        assert ended(jobs, job) == rows.DONE
        found = jobs.status(job)
    (entry,) = list_screens(store, "L-014")
    assert found.screen_id == entry.id
    assert entry.clip_name == "set 1.mp4"
    assert entry.clip_kept
    assert (store.clips / f"{entry.id}.mp4").read_bytes() == CLIP.read_bytes()
    assert read_tracks_of(store, entry.id) is not None
    assert set(read_images(store, entry.id)) == set(entry.keyframes) != set()
    assert list(rows.waiting_folder(store).iterdir()) == []
    assert list(store.home.glob("screening-*")) == []


def test_without_consent_to_keep_no_clip_stays(store: Store) -> None:
    with working(store, "done") as jobs:
        assert ended(jobs, jobs.submit(CLIP, "L-021", SHEET)) == rows.DONE
    (entry,) = list_screens(store, "L-021")
    assert not entry.clip_kept
    assert not store.clips.exists() or list(store.clips.iterdir()) == []


def test_clips_are_screened_in_their_order_one_at_a_time(store: Store) -> None:
    jobs = Jobs(store, (sys.executable, str(WORKER), "done"))
    names = ["one.mp4", "two.mp4", "three.mp4"]
    ids = [jobs.submit(CLIP, "L-014", SHEET, clip_name=name) for name in names]
    assert [jobs.ahead_of(job) for job in ids] == [0, 1, 2]
    jobs.start()
    assert [ended(jobs, job) for job in ids] == [rows.DONE] * 3
    jobs.close()
    assert (store.home / "begun.txt").read_text().split() == names


def test_progress_is_told_by_stage(store: Store) -> None:
    with working(store, "slow") as jobs:
        job = jobs.submit(CLIP, "L-014", SHEET)
        until(lambda: jobs.status(job).stage == "Looking for the lifter")
        assert jobs.status(job).share == 0.5
        until(lambda: rows.job_entry(store, job).stage == "Looking for the lifter")  # noted a moment later


def test_a_stopped_job_leaves_nothing_and_can_be_tried_again(store: Store) -> None:
    with working(store, "once") as jobs:
        job = jobs.submit(CLIP, "L-014", SHEET)
        until(lambda: jobs.status(job).stage != "")
        jobs.stop(job, by="coach K")
        assert jobs.status(job).message == "Stopped by coach K."
        assert list_screens(store, "L-014") == []
        until(lambda: list(store.home.glob("screening-*")) == [])
        jobs.retry(job)
        assert ended(jobs, job) == rows.DONE
    assert len(list_screens(store, "L-014")) == 1


def test_a_waiting_job_can_be_stopped_before_its_turn(store: Store) -> None:
    jobs = Jobs(store, (sys.executable, str(WORKER), "done"))
    job = jobs.submit(CLIP, "L-014", SHEET)
    jobs.stop(job)
    jobs.start()
    time.sleep(0.3)
    jobs.close()
    assert jobs.status(job).state == rows.STOPPED
    assert not (store.home / "begun.txt").exists()


def test_a_broken_and_an_unusable_clip_end_with_a_sentence(store: Store) -> None:
    with working(store, "breaks") as jobs:
        job = jobs.submit(CLIP, "L-014", SHEET)
        assert ended(jobs, job) == rows.FAILED
        assert "ended without a result" in jobs.status(job).message
    with working(store, "unusable") as jobs:
        again = jobs.submit(CLIP, "L-014", SHEET)
        assert ended(jobs, again) == rows.UNUSABLE
        assert jobs.status(again).message == "No press was found: film a whole set."
        (refused,) = list_screens(store, "L-014")
        assert jobs.status(again).screen_id == refused.id
        assert (refused.usable, refused.clip_kept, refused.clip_name) == (False, True, CLIP.name)
        assert read_screen(store, refused.id).capture.reasons == ["No press was found: film a whole set."]
        with pytest.raises(RecordError, match="expected one that failed or was stopped"):
            jobs.retry(again)
        jobs.remove(again)
    with pytest.raises(RecordError, match="unknown one"):
        jobs.status(again)
    assert [screen.id for screen in list_screens(store, "L-014")] == [refused.id]


def test_a_desk_that_closes_takes_its_job_up_at_the_next_start(store: Store) -> None:
    with working(store, "slow") as jobs:
        job = jobs.submit(CLIP, "L-014", SHEET)
        until(lambda: jobs.status(job).state == rows.RUNNING)
    assert (rows.job_entry(store, job).state, rows.job_entry(store, job).attempts) == (rows.WAITING, 0)
    with working(store, "done") as jobs:
        assert ended(jobs, job) == rows.DONE
    assert len(list_screens(store, "L-014")) == 1


def desk_process(home: Path, how: str) -> subprocess.Popen[bytes]:
    """A desk's queue in a process of its own, to be cut off like by a power cut."""
    code = (
        "import sys, time; from pathlib import Path; from asymscreen.desk.jobs import Jobs;"
        "from asymscreen.record.store import open_store;"
        f"jobs = Jobs(open_store(Path(sys.argv[1])), (sys.executable, {str(WORKER)!r}, {how!r}));"
        "jobs.start(); time.sleep(600)"
    )
    return subprocess.Popen([sys.executable, "-c", code, str(home)], start_new_session=True)


def cut_off(process: subprocess.Popen[bytes]) -> None:
    os.kill(process.pid, signal.SIGKILL)
    process.wait()


def test_after_a_power_cut_a_clip_is_taken_up_again_and_screened_once(store: Store) -> None:
    job = Jobs(store).submit(CLIP, "L-014", SHEET, clip_name="cut.mp4")
    process = desk_process(store.home, "once")
    until(lambda: rows.job_entry(store, job).stage != "")
    cut_off(process)
    assert rows.job_entry(store, job).state == rows.RUNNING
    with working(store, "once") as jobs:
        assert ended(jobs, job) == rows.DONE
        assert jobs.status(job).attempts == 2
    assert len(list_screens(store, "L-014")) == 1
    assert (store.home / "begun.txt").read_text().split() == ["cut.mp4", "cut.mp4"]
    with working(store, "done"):
        time.sleep(0.3)
    assert len(list_screens(store, "L-014")) == 1


def test_a_clip_that_cuts_the_desk_off_twice_is_not_begun_a_third_time(store: Store) -> None:
    job = Jobs(store).submit(CLIP, "L-014", SHEET)
    for _ in range(2):
        process = desk_process(store.home, "slow")
        until(lambda: rows.job_entry(store, job).stage != "")
        cut_off(process)
        rows_before = rows.job_entry(store, job)
        assert rows_before.state == rows.RUNNING
        if rows_before.attempts == 1:
            rows.note_stage(store, job, _claim(store, job), "", 0.0)
    with working(store, "done") as jobs:
        assert ended(jobs, job) == rows.FAILED
        assert jobs.status(job).message == rows.INTERRUPTED


def _claim(store: Store, job: str) -> str:
    from asymscreen.record.models import Job

    with store.reading() as session:
        row = session.get(Job, job)
        assert row is not None
        return row.claim


def test_a_run_that_was_overtaken_cannot_hand_its_result_in(store: Store) -> None:
    from asymscreen.document import read_document

    document = read_document(WORKER.parent / "data" / "desk" / "screen.json")
    job = Jobs(store).submit(CLIP, "L-014", SHEET)
    assert rows.claim_job(store, "first") is not None
    assert rows.claim_job(store, "second") is None
    assert rows.resume_jobs(store) == [job]
    assert rows.claim_job(store, "second") is not None
    assert rows.finish_job(store, job, "first", document, tracks=None, images={}) is None
    assert rows.fail_job(store, job, "first", "late") is None
    assert rows.finish_job(store, job, "second", document, tracks=None, images={}) is not None
    assert rows.finish_job(store, job, "second", document, tracks=None, images={}) is None
    assert len(list_screens(store, "L-014")) == 1


def test_what_stops_a_screen_stops_a_clip(store: Store) -> None:
    jobs = Jobs(store)
    with pytest.raises(RecordError, match="unknown one"):
        jobs.submit(CLIP, "L-404", SHEET)
    with pytest.raises(RecordError, match="expected a clip to take in"):
        jobs.submit(CLIP.with_name("gone.mp4"), "L-014", SHEET)
    add_lifter(store, "L-030", film=False)
    with pytest.raises(RecordError, match="expected consent to film"):
        jobs.submit(CLIP, "L-030", SHEET)
    raise_caution(store, "L-014", "The shoulder slips.", stops=True)
    with pytest.raises(RecordError, match=r"no screen\. The shoulder slips"):
        jobs.submit(CLIP, "L-014", SHEET)
    assert list(rows.waiting_folder(store).iterdir()) == []


def test_a_name_of_a_user_never_becomes_a_path(store: Store) -> None:
    job = Jobs(store).submit(CLIP, "L-014", SHEET, clip_name="../../../etc/passwd")
    found = rows.job_entry(store, job)
    assert found.clip_file == f"{job}.mp4"
    assert [file.name for file in rows.waiting_folder(store).iterdir()] == [f"{job}.mp4"]


def test_a_second_desk_on_the_same_record_is_refused(store: Store) -> None:
    with working(store, "done"), pytest.raises(RecordError, match="expected no other desk on this record"):
        Jobs(store).start()


def test_an_erased_lifter_takes_jobs_and_waiting_clips_along(store: Store) -> None:
    job = Jobs(store).submit(CLIP, "L-014", SHEET)
    receipt = erase_lifter(store, "L-014")
    assert receipt.rows["job"] == 1
    assert list(rows.waiting_folder(store).iterdir()) == []
    with pytest.raises(RecordError, match="unknown one"):
        rows.job_entry(store, job)


def test_clips_that_nobody_needs_are_swept_in_time(store: Store) -> None:
    jobs = Jobs(store)
    kept, stopped = (jobs.submit(CLIP, "L-014", SHEET) for _ in range(2))
    jobs.stop(stopped)
    stray = rows.waiting_folder(store) / "stray.mp4"
    stray.write_bytes(b"x")
    names = {file.name for file in rows.waiting_folder(store).iterdir()}
    for name in names:
        os.utime(rows.waiting_folder(store) / name, (0, 0))
    assert rows.sweep_waiting(store) == 1  # the stray one
    assert rows.sweep_waiting(store, at=now() + timedelta(days=rows.WAITING_DAYS + 1)) == 1
    assert [file.name for file in rows.waiting_folder(store).iterdir()] == [f"{kept}.mp4"]


def test_a_job_whose_clip_lies_in_another_home_is_left_alone(store: Store) -> None:
    job = Jobs(store).submit(CLIP, "L-014", SHEET)
    (rows.waiting_folder(store) / f"{job}.mp4").unlink()
    assert rows.claim_job(store, "here") is None


def test_after_a_restored_backup_a_job_without_its_clip_says_so(store: Store) -> None:
    job = Jobs(store).submit(CLIP, "L-014", SHEET)
    (rows.waiting_folder(store) / f"{job}.mp4").unlink()
    assert rows.resume_jobs(store) == []
    assert rows.job_entry(store, job).message == rows.CLIP_GONE
    assert rows.job_entry(store, job).state == rows.FAILED
