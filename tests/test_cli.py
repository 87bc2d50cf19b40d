"""The command line: what goes where, exit codes, and never a traceback."""

from __future__ import annotations

import base64
import gzip
import io
import json
import os
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import pytest
import record_makers as makers
import report_samples as samples
from click.testing import CliRunner, Result
from set_maker import Beat, SetPlan, film

import asymscreen
from asymscreen import cli as cli_module
from asymscreen import screen as screen_module
from asymscreen.cli import cli
from asymscreen.console import Bar, check_writable, write_text
from asymscreen.document import read_document
from asymscreen.errors import UsageError
from asymscreen.motion.tidy import write_tracks
from asymscreen.record.lifters import add_lifter, raise_caution
from asymscreen.record.screens import list_screens, read_screen, read_tracks_of
from asymscreen.record.store import open_store

SHEET = ["--view", "foot-end", "--camera-height", "2", "--camera-distance", "1.4", "--load", "80"]


def run(*arguments: object, **options: Any) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments], **options)


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A track file of two invented reps from the foot end."""
    made, _ = film(SetPlan((Beat(), Beat())), "foot end 45", noise_px=1.0)
    return write_tracks(made, tmp_path_factory.mktemp("tracks") / "set.csv.gz")


@pytest.fixture(scope="module")
def kept(tracks: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    """One screen of the tracks with everything asked for: files, summary, and the record of L-014."""
    place = tmp_path_factory.mktemp("kept")
    with open_store(place / "home") as store:
        add_lifter(store, "L-014")
        raise_caution(store, "L-014", "Sore left wrist.")
    result = run(
        "screen", "--tracks", tracks, "--image-size", "1280x720", *SHEET, "--one-rep-max", 100,
        "--grip", "ring finger on ring", "--filmed", "2026-03-09T18:30", "--lifter", "L-014",
        "--level", "100,300,1180,300", "--json", place / "a.json",
        "--out", place / "out", "--home", place / "home",
    )  # fmt: skip
    return result, place


# ---------------------------------------------------------------- one screen


def test_a_screen_writes_what_was_asked_for_and_prints_a_summary(kept: tuple[Result, Path]) -> None:
    result, place = kept
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    document = read_document(place / "a.json")
    assert document.summary
    assert " ".join(document.summary.split()[:4]) in result.stdout
    assert f"Report: {place / 'out' / 'report.html'}" in result.stdout
    assert {path.name for path in (place / "out").iterdir()} >= {
        "report.html",
        "screen.json",
        "tracks.csv.gz",
    }
    assert (place / "out" / "screen.json").read_text("utf-8") + "\n" == (place / "a.json").read_text("utf-8")


def test_the_capture_sheet_reaches_the_document(kept: tuple[Result, Path]) -> None:
    document = read_document(kept[1] / "a.json")
    sheet = document.sheet
    assert (sheet.lifter, sheet.load_kg, sheet.one_rep_max_kg) == ("L-014", 80, 100)
    assert (sheet.camera_height_m, sheet.camera_distance_m) == (2, 1.4)
    assert sheet.grip == "ring finger on ring"
    assert (document.capture.view, document.capture.view_source) == ("foot-end", "stated")
    assert document.capture.roll_source == "marked"


def test_the_screen_of_a_lifter_goes_into_the_record(kept: tuple[Result, Path]) -> None:
    result, place = kept
    with open_store(place / "home") as store:
        (entry,) = list_screens(store, "L-014")
        assert f"Kept as screen {entry.id} of lifter L-014." in result.stdout
        filmed = datetime(2026, 3, 9, 18, 30).astimezone()
        assert (entry.grip, entry.filmed_at) == ("ring finger on ring", filmed)
        bare, given = read_screen(store, entry.id), read_document(place / "a.json")
        assert bare.model_copy(update={"cautions": given.cautions}) == given
        assert read_tracks_of(store, entry.id) is not None


def test_the_lifters_cautions_stand_on_all_that_is_handed_out_and_not_in_what_is_kept(
    kept: tuple[Result, Path],
) -> None:
    result, place = kept
    assert "Sore left wrist." in read_document(place / "a.json").cautions
    assert "Sore left wrist." in (place / "out" / "report.html").read_text("utf-8")
    assert "Sore left wrist." in result.stdout
    with open_store(place / "home") as store:
        (entry,) = list_screens(store, "L-014")
        assert "Sore left wrist." not in read_screen(store, entry.id).cautions


def test_tracks_that_were_written_give_the_same_screen_again(kept: tuple[Result, Path]) -> None:
    _, place = kept
    again = run(
        "screen", "--tracks", place / "out" / "tracks.csv.gz", "--image-size", "1280x720", *SHEET,
        "--one-rep-max", 100, "--level", "100,300,1180,300", "--json", "-",
    )  # fmt: skip
    assert again.exit_code == 0
    assert (
        json.loads(again.stdout)["measures"] == json.loads((place / "a.json").read_text("utf-8"))["measures"]
    )


def test_quiet_prints_nothing_and_json_alone_on_standard_output(
    tracks: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = screen_module.screen_tracks(tracks, None, (1280, 720))
    monkeypatch.setattr(screen_module, "screen_tracks", lambda *_: found)
    assert run("screen", "--tracks", tracks, "--quiet").output == ""
    printed = run("screen", "--tracks", tracks, "--json", "-")
    assert json.loads(printed.stdout) == found.to_dict()
    assert printed.stderr == ""


def test_faces_are_blurred_in_all_that_is_written_where_it_is_asked(
    tracks: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    document = samples.crossed()
    found = screen_module.Screen(document, makers.tracks(400), samples.images(document))
    monkeypatch.setattr(screen_module, "screen_tracks", lambda *_: found)
    wanted = ["screen", "--tracks", tracks, "--image-size", "1280x720", "--quiet"]
    assert run(*wanted, "--out", tmp_path / "as-it-is").exit_code == 0
    assert run(*wanted, "--out", tmp_path / "blurred", "--blur").exit_code == 0
    for name, data in found.images.items():
        assert (tmp_path / "as-it-is" / name).read_bytes() == data
        blurred = (tmp_path / "blurred" / name).read_bytes()
        assert blurred != data
        assert base64.b64encode(data).decode() not in (tmp_path / "blurred" / "report.html").read_text(
            "utf-8"
        )
        assert base64.b64encode(blurred).decode() in (tmp_path / "blurred" / "report.html").read_text("utf-8")


# ---------------------------------------------------------------- wrong usage: 2, before any work


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ([], "expected one clip, or --tracks FILE"),
        (["a.mp4", "--tracks", "b.csv"], "expected one clip, or --tracks FILE"),
        (["--tracks", "b.csv"], "--image-size WxH"),
        (["--tracks", "b.csv", "--image-size", "wide"], "like 1280x720, got 'wide'"),
        (["--tracks", "gone.csv", "--image-size", "1280x720"], "gone.csv"),
        (["a.mp4", "--view", "above"], "'foot-end'"),
        (["a.mp4", "--camera-height", "200"], "camera_height_m: expected 0.2 to 4, got 200; check the unit"),
        (["a.mp4", "--camera-distance", "nan"], "camera_distance_m"),
        (["a.mp4", "--load", "-5"], "load_kg"),
        (["a.mp4", "--roll", "90"], "roll_deg"),
        (["a.mp4", "--level", "1,2,3"], "two points in pixels like 100,400,1180,402, got '1,2,3'"),
        (["a.mp4", "--level", "1,2,1,2"], "two points that differ"),
        (["a.mp4", "--level", "1,2,nan,4"], "two points in pixels"),
        (["a.mp4", "--grip", " "], "grip: expected a few words"),
        (["a.mp4", "--grip", "x" * 200], "grip: expected a few words"),
        (["a.mp4", "--filmed", "2026-03-09"], "expected a day of the past and --lifter CODE with it"),
        (["a.mp4", "--filmed", "2999-01-01", "--lifter", "L-014"], "expected a day of the past"),
        (["a.mp4", "--filmed", "yesterday"], "does not match"),
        (["a.mp4", "--lifter", "L-014", "--keep-clip", "--blur"], "a kept clip shows faces"),
        (["a.mp4", "--keep-clip"], "expected a clip and --lifter CODE"),
        (["a.mp4", "--json", "no/such/folder/a.json"], "expected a file in a folder that can be written to"),
        (["a.mp4", "--out", "README"], "could not make it"),
        (["a.mp4", "--nonsense"], "nonsense"),
    ],
)
def test_wrong_usage(
    arguments: list[str], sentence: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "README").touch()
    result = run("screen", *arguments)
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert result.stdout == ""


def test_an_unknown_lifter_is_told_before_the_work(tmp_path: Path) -> None:
    result = run("screen", "gone.mp4", "--lifter", "L-999", "--home", tmp_path)
    assert result.exit_code == 2
    assert "L-999" in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_a_refused_clip_of_a_lifter_is_kept_with_its_reasons(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = screen_module.Screen(samples.unusable())
    monkeypatch.setattr(cli_module, "_run", lambda *_: refused)
    with open_store(tmp_path) as store:
        add_lifter(store, "L-014", film=True, keep=True)
    clip = cli_module.DEMO / "demo.mp4"
    result = run("screen", clip, "--lifter", "L-014", "--keep-clip", "--home", tmp_path)
    assert result.exit_code == 3
    assert "nothing to screen" in result.stderr
    with open_store(tmp_path) as store:
        (entry,) = list_screens(store, "L-014")
        assert result.stdout == f"Kept as refused screen {entry.id} of lifter L-014.\n"
        assert (entry.usable, entry.clip_kept, entry.has_tracks) == (False, True, False)
        assert read_screen(store, entry.id).capture.reasons == samples.unusable().capture.reasons
    listed = run("screens", "L-014", "--home", tmp_path)
    assert listed.stdout.endswith("(refused)\n")


def test_a_clip_that_may_not_be_kept_is_told_before_the_work(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        add_lifter(store, "L-014", film=True)
    result = run("screen", "gone.mp4", "--lifter", "L-014", "--keep-clip", "--home", tmp_path)
    assert result.exit_code == 2
    assert "expected consent to keep clips, got none" in result.stderr


# ---------------------------------------------------------------- errors never reach a user raw


@pytest.fixture
def faulty(monkeypatch: pytest.MonkeyPatch) -> Any:
    def fail_with(error: BaseException) -> None:
        def fail(*_: object) -> None:
            raise error

        monkeypatch.setattr(cli_module, "_run", fail)

    return fail_with


def test_an_unexpected_fault_is_one_sentence(faulty: Any) -> None:
    faulty(RuntimeError("the\nsky fell"))
    result = run("screen", "a.mp4")
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert "unexpected fault" in line
    assert "RuntimeError: the sky fell" in line
    assert "ASYMSCREEN_DEBUG=1" in line


@pytest.mark.parametrize("way", [{"env": {"ASYMSCREEN_DEBUG": "1"}}, {}], ids=["variable", "option"])
def test_debugging_shows_the_traceback(faulty: Any, way: dict[str, Any]) -> None:
    faulty(RuntimeError("the sky fell"))
    result = run(*([] if way else ["--debug"]), "screen", "a.mp4", **way)
    assert result.exit_code == 1
    assert "Traceback (most recent call last)" in result.stderr


def test_a_missing_system_library_is_named_with_what_to_do(faulty: Any) -> None:
    faulty(ImportError("libGL.so.1: cannot open shared object file: No such file or directory"))
    result = run("screen", "a.mp4")
    assert "a system library is missing (libGL.so.1)" in result.stderr
    assert "apt-get install libegl1 libgles2 libgl1" in result.stderr


def test_memory_that_does_not_suffice(faulty: Any) -> None:
    faulty(MemoryError())
    assert "the memory of this machine did not suffice" in run("screen", "a.mp4").stderr


def test_a_missing_part_of_the_installation(faulty: Any) -> None:
    faulty(ModuleNotFoundError("No module named 'av'"))
    assert "install asymscreen again" in run("screen", "a.mp4").stderr


def test_ctrl_c_ends_with_130(faulty: Any) -> None:
    faulty(KeyboardInterrupt())
    result = run("screen", "a.mp4")
    assert result.exit_code == 130
    assert result.stderr.strip() == "asymscreen: stopped"


def test_writing_where_nothing_can_be_written(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="expected a file to write to, could not"):
        write_text(str(tmp_path), "text")
    with pytest.raises(UsageError, match="expected a file in a folder"):
        check_writable(str(tmp_path))
    check_writable("-")
    write_text(str(tmp_path / "a"), "ü\n")
    assert (tmp_path / "a").read_bytes() == "ü\n".encode()


# ---------------------------------------------------------------- the frame of it all


def test_help_is_fast() -> None:
    def once() -> float:
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-m", "asymscreen", "--help"], check=True, stdout=subprocess.DEVNULL)
        return time.perf_counter() - begun

    bare = min(timed_python() for _ in range(3))
    # 0.25 s on an idle machine; beside a bare start of Python, so that a busy one does not fail it
    assert min(once() for _ in range(5)) < max(0.25, 8 * bare)


def timed_python() -> float:
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    return time.perf_counter() - begun


def test_version_and_help() -> None:
    assert run("--version").stdout.split() == ["asymscreen", asymscreen.__version__]
    assert run("-h").exit_code == 0
    assert {"demo", "screen", "schema", "settings"} <= set(cli.list_commands(click.Context(cli)))


def test_settings_are_printed_one_a_line() -> None:
    lines = run("settings").stdout.splitlines()
    assert any(line.startswith("capture.clip.LONGEST_S = 180: seconds") for line in lines)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_bar_is_drawn_on_terminals_only() -> None:
    for stream, quiet, drawn in [
        (Terminal(), False, True),
        (Terminal(), True, False),
        (io.StringIO(), False, False),
    ]:
        with Bar(quiet, stream) as bar:
            bar("Solving the press", 0.5)
            bar("Done", 1.7)
        assert ("Solving the press" in stream.getvalue()) is drawn
        assert ("100 %" in stream.getvalue()) is drawn


# ---------------------------------------------------------------- the demo


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    home = tmp_path_factory.mktemp("home")
    return run("demo", "--home", home), home / "demo"


def test_the_demo_screens_its_clip_and_names_the_report(demo: tuple[Result, Path]) -> None:
    result, folder = demo
    assert result.exit_code == 0, result.output
    assert f"Report: {folder / 'report.html'}" in result.stdout
    document = read_document(folder / "screen.json")
    assert document.capture.usable
    assert document.clip.name == "demo.mp4"
    assert document.software.landmark_model is not None
    assert all((folder / frame.image).is_file() for frame in document.keyframes)
    assert (folder / "report.html").read_text("utf-8").startswith("<!")


def test_the_demos_saved_tracks_give_the_same_measures(demo: tuple[Result, Path]) -> None:
    _, folder = demo
    document = read_document(folder / "screen.json")
    size = (document.clip.width, document.clip.height)
    again = screen_module.screen_tracks(folder / "tracks.csv.gz", cli_module.demo_capture(), size)
    assert again.document.measures == document.measures
    assert gzip.decompress((folder / "tracks.csv.gz").read_bytes()).startswith(
        b"frame,time_s,landmark,x_px,y_px,visibility\n"
    )


def test_a_demo_that_is_not_there_is_one_clear_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cli_module.demo_capture, "__defaults__", (tmp_path,))
    result = run("demo", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "expected the demo clip and its capture sheet; reinstall asymscreen" in result.stderr


def test_the_help_names_the_records_commands_as_they_name_themselves() -> None:
    from asymscreen.console import Deferred
    from asymscreen.desk import commands as desk
    from asymscreen.record.commands import COMMANDS

    assert {c.name: c.get_short_help_str(80) for c in COMMANDS} == Deferred.RECORD
    assert {c.name: c.get_short_help_str(80) for c in desk.COMMANDS} == Deferred.DESK


def test_the_command_solves_on_one_thread_unless_told_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small matrices shared out over threads take a busy machine 40 times as long; OpenBLAS reads it."""
    seen: list[str | None] = []
    monkeypatch.setattr(cli_module, "cli", lambda **_: seen.append(os.environ.get("OPENBLAS_NUM_THREADS")))
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    cli_module.main()
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "3")
    cli_module.main()
    assert seen == ["1", "3"]
