"""Damaged input of every kind, and a machine that fails: one sentence, nothing half done, nothing outside.

The cases of `python -m fixtures.faults` run here in small; its README says how to run all of them.
"""

from __future__ import annotations

import ctypes
import json
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from record_makers import DAY, screen
from set_maker import Beat, SetPlan, film

from asymscreen.cli import cli
from asymscreen.document import read_document
from asymscreen.motion.tidy import write_tracks
from asymscreen.record.lifters import add_lifter
from asymscreen.record.screens import add_screen, list_screens
from asymscreen.record.store import open_store
from fixtures.faults import damage
from fixtures.faults.__main__ import run_cases
from fixtures.faults.watch import Watch

CASES, SEED = 200, 11
DROP_CAPABILITY, OVERRIDE = 24, 1  # prctl(2) PR_CAPBSET_DROP and capabilities(7) CAP_DAC_OVERRIDE


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def asymscreen(
    *arguments: object, before: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    """The command as a process of its own; `before` runs in it first."""
    command = [sys.executable, "-m", "asymscreen", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, preexec_fn=before, timeout=120)


def one_sentence(done: subprocess.CompletedProcess[str], code: int = 2) -> str:
    assert done.returncode == code, done.stderr
    (line,) = done.stderr.splitlines()
    assert line.startswith("asymscreen: ")
    return line


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made, _ = film(SetPlan((Beat(), Beat())), "foot end 45", noise_px=1.0)
    return write_tracks(made, tmp_path_factory.mktemp("tracks") / "set.csv.gz")


# ---------------------------------------------------------------- damaged files


def test_two_hundred_damaged_files_are_taken_or_refused_in_time_and_inside_the_folders() -> None:
    met = list(run_cases(range(CASES), SEED, workers=2))
    assert [m for m in met if m.word not in ("taken", "refused")] == []
    assert sorted(m.number for m in met) == list(range(CASES))
    assert len({m.kind for m in met}) == 10
    assert sum(m.word == "refused" for m in met) > CASES / 2  # the damage does reach the readers


def test_the_watch_sees_a_write_outside(tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    watch = Watch()
    watch.allowed = (str((tmp_path / "home").resolve()) + os.sep,)
    try:
        (tmp_path / "home" / "fine").write_text("")
        assert watch.outside == []
        (tmp_path / "home" / ".." / "evil").write_text("")
        (tmp_path / "folder").mkdir()
        sqlite3.connect(tmp_path / "evil.sqlite3").close()
        assert [line.split()[0] for line in watch.outside] == ["open", "os.mkdir", "sqlite3.connect"]
    finally:
        watch.allowed = None


def test_damage_changes_the_file_and_follows_from_its_seed() -> None:
    data = bytes(range(256)) * 8
    once = [damage.damage_bytes(data, random.Random(k)) for k in range(50)]
    assert once == [damage.damage_bytes(data, random.Random(k)) for k in range(50)]
    assert sum(d != data for d in once) >= 48
    assert len(set(once)) >= 45


# each was found by fuzzing: the guard that it tests is named by what it would raise
def test_a_damaged_gzip_of_tracks(tracks: Path, tmp_path: Path) -> None:
    data = bytearray(tracks.read_bytes())
    data[40:60] = b"\xff" * 20  # zlib.error
    (tmp_path / "t.csv.gz").write_bytes(bytes(data))
    result = run("screen", "--tracks", tmp_path / "t.csv.gz", "--image-size", "1280x720")
    assert result.exit_code == 2
    assert "t.csv.gz: expected a table" in result.stderr


def test_a_document_of_a_hundred_thousand_brackets(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text("[" * 100_000, encoding="utf-8")  # RecursionError
    result = run("compare", tmp_path / "a.json", tmp_path / "a.json", "--home", tmp_path)
    assert result.exit_code == 2
    assert "a.json: expected a result document" in result.stderr


# ---------------------------------------------------------------- a disk that is full


def full_disk(limit: int) -> Callable[[], None]:
    """No file may grow beyond `limit` bytes: writing ends in an error, as on a full disk."""

    def apply() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    return apply


def test_a_full_disk_leaves_nothing_half_written(tracks: Path, tmp_path: Path) -> None:
    done = asymscreen(
        "screen", "--tracks", tracks, "--image-size", "1280x720", "--out", tmp_path / "out", "--quiet",
        before=full_disk(100_000),
    )  # fmt: skip
    assert "out" in one_sentence(done)
    assert list((tmp_path / "out").iterdir()) == []


def test_a_full_disk_and_a_batch_that_goes_on_later(tracks: Path, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "bad.mp4").write_text("no clip at all", encoding="utf-8")
    command = ("batch", tmp_path / "in", "--out", tmp_path / "out", "--workers", 1)
    assert "what is finished is kept" in one_sentence(asymscreen(*command, before=full_disk(50)))
    assert not list((tmp_path / "out" / "screens").iterdir())
    assert asymscreen(*command).returncode == 0


def test_a_full_disk_and_the_record(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        add_lifter(store, "L-014")
    done = asymscreen("lifter", "add", "L-015", "--home", tmp_path, before=full_disk(8192))
    assert "record.sqlite3: expected the record to answer" in one_sentence(done)
    with open_store(tmp_path) as store:  # and all is as it was
        add_lifter(store, "L-999")


# ---------------------------------------------------------------- a home that cannot be written


def not_almighty() -> None:
    """Even the superuser minds the permissions of files from here on."""
    ctypes.CDLL(None).prctl(DROP_CAPABILITY, OVERRIDE)


def test_a_read_only_home(tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "home").chmod(0o500)
    try:
        done = asymscreen("lifter", "add", "L-014", "--home", tmp_path / "home", before=not_almighty)
        assert "choose another with --home" in one_sentence(done)
        done = asymscreen("lifter", "list", "--home", tmp_path / "home" / "in" / "it", before=not_almighty)
        assert "could not make it" in one_sentence(done)
    finally:
        (tmp_path / "home").chmod(0o700)


def test_a_read_only_record(tmp_path: Path) -> None:
    with open_store(tmp_path / "home") as store:
        add_lifter(store, "L-014")
    for path in (tmp_path / "home").iterdir():
        path.chmod(0o400)
    (tmp_path / "home").chmod(0o500)
    try:
        done = asymscreen("lifter", "add", "L-015", "--home", tmp_path / "home", before=not_almighty)
        assert "record.sqlite3: expected the record to answer" in one_sentence(done)
    finally:
        (tmp_path / "home").chmod(0o700)


# ---------------------------------------------------------------- killed, at any moment

KILLED = """
import os, signal, sys
from asymscreen import screen as whole
from asymscreen.cli import cli
stage, ended = sys.argv[1], whole.{name}
def stop(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)
if stage == "file":
    import asymscreen.motion.tidy as module
    module.write_tracks = stop
elif stage == "record":
    from sqlalchemy.orm import Session
    Session.commit = stop
else:
    import asymscreen.console as console
    console.Bar.__call__ = lambda self, told, share: stop() if told == stage else None
cli(sys.argv[2:])
"""


@pytest.mark.parametrize("stage", ["Reading the tracks", "Solving the press", "Done", "file", "record"])
def test_killed_in_a_stage_nothing_is_half_there_and_the_next_run_works(
    stage: str, tracks: Path, tmp_path: Path
) -> None:
    home, out = tmp_path / "home", tmp_path / "out"
    with open_store(home) as store:
        add_lifter(store, "L-014")
    command = [
        "screen", "--tracks", str(tracks), "--image-size", "1280x720", "--lifter", "L-014", "--quiet",
        "--home", str(home), "--out", str(out),
    ]  # fmt: skip
    code = KILLED.format(name="screen_tracks")
    done = subprocess.run([sys.executable, "-c", code, stage, *command], capture_output=True, timeout=120)
    assert done.returncode == -signal.SIGKILL
    with open_store(home) as store:
        assert list_screens(store, "L-014") == []
    whole = {p.name for p in out.iterdir() if p.is_file()} if out.exists() else set()
    assert whole == {"file": {"report.html"}, "record": {"report.html", "tracks.csv.gz", "screen.json"}}.get(
        stage, set()
    )
    assert run(*command).exit_code == 0
    with open_store(home) as store:
        assert len(list_screens(store, "L-014")) == 1
    assert read_document(out / "screen.json").capture.usable


CLIP_STAGES = ["Opening the clip", "Looking for the lifter", "Looking closely at the reps"]


@pytest.mark.parametrize("stage", CLIP_STAGES)
def test_killed_while_a_clip_is_looked_at(stage: str, tmp_path: Path) -> None:
    clip = Path(__file__).parent.parent / "asymscreen" / "demo" / "demo.mp4"
    code = KILLED.format(name="screen")
    command = ["screen", str(clip), "--out", str(tmp_path / "out"), "--home", str(tmp_path / "home")]
    done = subprocess.run([sys.executable, "-c", code, stage, *command], capture_output=True, timeout=240)
    assert done.returncode == -signal.SIGKILL
    assert list((tmp_path / "out").iterdir()) == []


# ---------------------------------------------------------------- two processes, strange clock, little memory


def test_two_processes_on_one_record_lose_nothing(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom asymscreen.record.store import open_store\n"
        "from asymscreen.record.lifters import add_lifter\n"
        "for k in range(20):\n"
        "    with open_store(sys.argv[1]) as store:\n        add_lifter(store, f'{sys.argv[2]}-{k:03d}')\n"
    )
    both = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path), name]) for name in ("L", "R")]
    assert [process.wait(timeout=120) for process in both] == [0, 0]
    listed = json.loads(run("lifter", "list", "--json", "--home", tmp_path).stdout)
    assert len(listed) == 40


def test_a_clock_set_back_keeps_screens_apart_and_in_order_of_filming(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        add_lifter(store, "L-014", at=DAY)
        first = add_screen(store, "L-014", screen(), filmed_at=DAY, at=DAY)
        # the clock went back a year: lifter and first screen are of a day to come now
        back = add_screen(store, "L-014", screen(), at=DAY - timedelta(days=365))
        same = add_screen(store, "L-014", screen(), at=DAY - timedelta(days=365))
        assert next(entry.id for entry in list_screens(store, "L-014")) == first.id
        assert len({first.id, back.id, same.id}) == 3
    for question in (
        ["lifter", "show", "L-014"],
        ["due"],
        ["trend", "L-014", "tuck_bottom"],
        ["compare", back.id, first.id],
    ):
        result = run(*question, "--home", tmp_path)
        assert result.exit_code == 0, result.output


def test_a_batch_does_not_go_by_the_clock(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    clip = tmp_path / "in" / "bad.mp4"
    clip.write_text("no clip at all", encoding="utf-8")
    assert "1 of them done now" in run("batch", tmp_path / "in", "--out", tmp_path / "out").stdout
    os.utime(clip, (time.time() - 10**9, time.time() - 10**9))
    assert "0 of them done now" in run("batch", tmp_path / "in", "--out", tmp_path / "out").stdout


def test_a_changed_model_file_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from asymscreen.landmarks import model
    from asymscreen.landmarks.detector import Detector

    path, _ = model.verified_bundle()
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "changed.task").write_bytes(bytes(data))
    from asymscreen.errors import ModelError

    with pytest.raises(ModelError):
        Detector(model=tmp_path / "changed.task")


def test_too_little_memory_is_one_sentence(tmp_path: Path) -> None:
    lines = ["frame,time_s,landmark,x_px,y_px,visibility\n"]
    lines += [f"{k},{k / 30:.4f},left_wrist,{k % 700}.5,300.25,0.9\n" for k in range(60_000)]
    (tmp_path / "long.csv").write_text("".join(lines), encoding="utf-8")
    code = (
        "import resource, sys\nimport asymscreen.screen, asymscreen.motion.keypoints\n"
        "from asymscreen.cli import cli\n"
        "used = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
        "resource.setrlimit(resource.RLIMIT_AS, (used + 4_000_000,) * 2)\n"
        "cli(sys.argv[1:], prog_name='asymscreen')"
    )
    command = ["screen", "--tracks", str(tmp_path / "long.csv"), "--image-size", "1280x720"]
    done = subprocess.run([sys.executable, "-c", code, *command], capture_output=True, text=True, timeout=120)
    assert "memory" in done.stderr or "expected a table" in done.stderr
    assert done.returncode in (1, 2)
    assert "Traceback" not in done.stderr
