"""Many clips: every one screened once, bad ones listed with the reason, stopped and gone on with."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pyarrow.parquet
import pytest
from click.testing import CliRunner, Result
from report_tree import read_page
from set_maker import Beat, SetPlan, film

from asymscreen import batch as batch_module
from asymscreen.batch import CLIPS, NOTE, Drawer, batch, find_items, stem_of
from asymscreen.batch_item import Item, screen_item
from asymscreen.batch_item import Result as ItemResult
from asymscreen.batch_table import Row, write_tables
from asymscreen.cli import cli
from asymscreen.document import TwoSided, read_document
from asymscreen.errors import UsageError
from asymscreen.motion.tidy import write_tracks
from asymscreen.workers import Lost

DATA = Path(__file__).parent / "data"
SHEET = {"view": "foot-end", "camera_height_m": 2.0, "camera_distance_m": 1.4, "image_size": [1280, 720]}


def run(*arguments: object, **options: Any) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments], **options)


def make_folder(place: Path) -> Path:
    """Four sets to screen, one view that cannot be, and three files that are no clips."""
    (place / "monday").mkdir(parents=True)
    for k in range(2):
        tracks, _ = film(SetPlan((Beat(), Beat(down=1.1 + k / 10))), "foot end 45", noise_px=1.0)
        write_tracks(tracks, place / f"set-{k}.tracks.csv.gz")
        write_tracks(tracks, place / "monday" / f"set-{k}.csv")
    side, _ = film(SetPlan((Beat(), Beat())), "side", noise_px=1.0)
    write_tracks(side, place / "side.csv")
    (place / "notes.mp4").write_text("three reps, felt heavy on the left\n", encoding="utf-8")
    (place / "garbled.csv").write_text("frame,time_s\n0,0\n", encoding="utf-8")
    (place / "strange.csv").write_bytes((place / "side.csv").read_bytes())
    (place / "strange.sheet.json").write_text('{"camera_height_m": 200}', encoding="utf-8")
    (place / "readme.txt").write_text("no clip", encoding="utf-8")
    (place / ".hidden.mp4").write_bytes(b"0")
    (place / "link.csv").symlink_to(place / "side.csv")
    (place / "sheet.json").write_text(json.dumps(SHEET), encoding="utf-8")
    (place / "monday" / "sheet.json").write_text(json.dumps({**SHEET, "load_kg": 80}), encoding="utf-8")
    (place / "monday" / "set-1.sheet.json").write_text('{"lifter": "L-014"}', encoding="utf-8")
    return place


NAMES = [
    "garbled.csv",
    "monday/set-0.csv",
    "monday/set-1.csv",
    "notes.mp4",
    "set-0.tracks.csv.gz",
    "set-1.tracks.csv.gz",
    "side.csv",
    "strange.csv",
]
DONE_BY_WORKERS = [name for name in NAMES if name != "strange.csv"]
GOOD = ["monday/set-0.csv", "monday/set-1.csv", "set-0.tracks.csv.gz", "set-1.tracks.csv.gz"]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path, Path]:
    """One batch, killed in the middle and run again to the end: (result, folder, out)."""
    place = tmp_path_factory.mktemp("batch")
    folder, out = make_folder(place / "in"), place / "out"
    command = [sys.executable, "-m", "asymscreen", "batch", str(folder), "--out", str(out), "--workers", "2"]
    process = subprocess.Popen(command)
    # two of the four that take time are done, so one or two more are under way
    while len(finished(out, GOOD)) < 2:
        assert process.poll() is None
        time.sleep(0.01)
    process.kill()
    process.wait()
    before = finished(out, DONE_BY_WORKERS)
    assert len(before) < len(DONE_BY_WORKERS)
    result = run("batch", folder, "--out", out, "--workers", 2)
    after = finished(out, DONE_BY_WORKERS)
    assert {name: after[name] for name in before} == before
    return result, folder, out


def finished(out: Path, names: Sequence[str]) -> dict[str, tuple[int, int]]:
    """What is written of each item that is done: the file's own number and when it was written."""
    notes = {name: out / "screens" / name / NOTE for name in names}
    return {name: (n.stat().st_ino, n.stat().st_mtime_ns) for name, n in notes.items() if n.exists()}


# ---------------------------------------------------------------- one batch from end to end


def test_after_a_kill_it_goes_on_and_repeats_nothing(whole: tuple[Result, Path, Path]) -> None:
    result, _, out = whole
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    assert set(finished(out, NAMES)) == set(NAMES)
    assert not list(out.rglob(".draft"))


def test_what_was_not_screened_is_listed_with_the_reason(whole: tuple[Result, Path, Path]) -> None:
    lines = whole[0].stdout.splitlines()
    assert lines[0].startswith("8 clips, ")
    assert lines[0].endswith("4 screened.")
    listed = {line.split(": ")[0]: line for line in lines[1:-3]}
    assert set(listed) == set(NAMES) - set(GOOD)
    assert "not readable. notes.mp4: expected a video clip, got a text file" in listed["notes.mp4"]
    assert "column landmark" in listed["garbled.csv"]
    assert "side.csv: nothing to screen. " in listed["side.csv"]
    assert "camera_height_m: expected 0.2 to 4, got 200" in listed["strange.csv"]
    assert [line.split(":")[0] for line in lines[-3:]] == ["Table", "Table", "Page"]


def test_every_clip_has_its_files_and_its_own_sheet(whole: tuple[Result, Path, Path]) -> None:
    _, _, out = whole
    for name in GOOD:
        made = {path.name for path in (out / "screens" / name).iterdir()}
        assert made == {"report.html", "screen.json", "tracks.csv.gz", NOTE}
    sheets = {name: read_document(out / "screens" / name / "screen.json").sheet for name in GOOD}
    assert sheets["set-0.tracks.csv.gz"].camera_height_m == 2.0
    assert (sheets["monday/set-0.csv"].load_kg, sheets["monday/set-0.csv"].lifter) == (80, None)
    assert (sheets["monday/set-1.csv"].load_kg, sheets["monday/set-1.csv"].lifter) == (80, "L-014")
    # refused, but the document and its reasons are there
    assert not read_document(out / "screens" / "side.csv" / "screen.json").capture.usable
    assert {path.name for path in (out / "screens" / "notes.mp4").iterdir()} == {NOTE}


def test_the_table_says_what_the_documents_say(whole: tuple[Result, Path, Path]) -> None:
    _, _, out = whole
    with (out / "screens.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["clip"]: row for row in csv.DictReader(file)}
    assert list(rows) == NAMES
    document = read_document(out / "screens" / "set-1.tracks.csv.gz" / "screen.json")
    row = rows["set-1.tracks.csv.gz"]
    seen = {name: m for name, m in document.measures.items() if m.call != "not-measurable"}
    assert len(seen) >= 3
    for name, m in seen.items():
        told = m.difference if isinstance(m, TwoSided) else m
        value = row[f"{name}.difference" if isinstance(m, TwoSided) else f"{name}.value"]
        assert (float(value), float(row[f"{name}.low"])) == (told.value, told.low)
        assert (row[f"{name}.call"], float(row[f"{name}.noise_floor"])) == (m.call, m.noise_floor)
    assert row["full_reps"] == "2"
    assert rows["notes.mp4"]["tuck_bottom.left"] == ""
    table = pyarrow.parquet.read_table(out / "screens.parquet").to_pylist()
    assert [line["clip"] for line in table] == NAMES
    assert all(table[5][f"{name}.low"] == float(row[f"{name}.low"]) for name in seen)
    assert table[0]["reason"] == rows["garbled.csv"]["reason"]


def test_the_page_links_every_report_and_carries_no_script(whole: tuple[Result, Path, Path]) -> None:
    _, _, out = whole
    text = (out / "index.html").read_text(encoding="utf-8")
    tree = read_page(text)
    links = [node.attrs["href"] for node in tree.all("a") if not node.attrs["href"].startswith("#")]
    assert len(links) == 5
    assert all((out / link).is_file() for link in links)
    assert "<script" not in text
    assert "licensed clinician" in text
    assert "got a text file" in text


def test_a_third_run_finds_all_of_it_done_and_says_the_same_as_json(whole: tuple[Result, Path, Path]) -> None:
    _, folder, out = whole
    before = finished(out, GOOD)
    again = run("batch", folder, "--out", out, "--json")
    assert again.exit_code == 0
    assert again.stderr == ""
    told = json.loads(again.stdout)
    assert told["done_now"] == 0
    assert [clip["clip"] for clip in told["clips"]] == NAMES
    assert finished(out, GOOD) == before
    assert run("batch", folder, "--out", out, "--quiet").output == ""


# ---------------------------------------------------------------- with a stand-in for the screen


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Every run is noted with the items it was given; each is "screened" at once, or as its name says."""
    runs: list[list[str]] = []

    def run_jobs(work: Any, items: Sequence[Item], workers: int, limit_s: float) -> Iterator[tuple[int, Any]]:
        runs.append([item.name for item in items])
        for k in reversed(range(len(items))):
            name = items[k].name
            if "lost" in name:
                yield k, Lost("its worker was killed (SIGKILL), 2 times")
            elif "old" in name:
                yield k, ItemResult("screened", version="0.0.1")
            else:
                yield k, ItemResult("nothing to screen", "nobody there", 0.1)

    monkeypatch.setattr(batch_module, "run_jobs", run_jobs)
    return runs


def clips(folder: Path, *names: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_bytes(name.encode())
    return folder


def test_only_what_changed_is_done_again(tmp_path: Path, quick: list[list[str]]) -> None:
    folder, out = clips(tmp_path / "in", "a.mp4", "b.mov", "c.MP4"), tmp_path / "out"
    batch(folder, out, workers=1)
    batch(folder, out, workers=1)
    assert quick == [["a.mp4", "b.mov", "c.MP4"]]
    (folder / "a.mp4").write_bytes(b"another")
    os.utime(folder / "b.mov")  # a new date alone is no change, and a clock set back does not matter
    assert batch(folder, out, workers=1).done_now == 1
    (folder / "c.sheet.json").write_text('{"mirrored": true}', encoding="utf-8")
    batch(folder, out, workers=1)
    (out / "screens" / "b.mov" / NOTE).write_text("{", encoding="utf-8")
    batch(folder, out, workers=1)
    assert quick[1:] == [["a.mp4"], ["c.MP4"], ["b.mov"]]


@pytest.mark.parametrize("part", ["landmark_model", "error_model", "version"])
def test_another_instrument_screens_again(
    part: str, tmp_path: Path, quick: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, out = clips(tmp_path / "in", "a.mp4"), tmp_path / "out"
    batch(folder, out, workers=1)
    made_by = batch_module._made_by() | {part: "another"}
    monkeypatch.setattr(batch_module, "_made_by", lambda: made_by)
    batch(folder, out, workers=1)
    assert quick == [["a.mp4"], ["a.mp4"]]


def test_what_failed_is_tried_again_by_the_next_run(tmp_path: Path, quick: list[list[str]]) -> None:
    folder, out = clips(tmp_path / "in", "a.mp4", "lost.mp4", "old.mp4"), tmp_path / "out"
    found = batch(folder, out, workers=1)
    assert {row.clip: row.status for row in found.rows} == {
        "a.mp4": "nothing to screen", "lost.mp4": "failed", "old.mp4": "failed"
    }  # fmt: skip
    assert found.rows[1].reason == "its worker was killed (SIGKILL), 2 times"
    assert "another version" in found.rows[2].reason
    batch(folder, out, workers=1)
    assert quick[1] == ["lost.mp4", "old.mp4"]


def test_progress_counts_what_was_done_before_too(tmp_path: Path, quick: list[list[str]]) -> None:
    folder, out = clips(tmp_path / "in", "a.mp4", "b.mp4"), tmp_path / "out"
    batch(folder, out, workers=1)
    clips(folder, "c.mp4", "d.mp4")
    told: list[tuple[str, float]] = []
    batch(folder, out, workers=1, progress=lambda stage, share: told.append((stage, share)))
    assert told == [("3 of 4 clips", 0.75), ("4 of 4 clips", 1.0)]
    assert quick[1] == ["c.mp4", "d.mp4"]


def test_results_inside_the_folder_are_no_clips(tmp_path: Path, quick: list[list[str]]) -> None:
    folder = clips(tmp_path / "in", "a.mp4")
    (folder / "out" / "screens" / "x").mkdir(parents=True)
    (folder / "out" / "screens" / "x" / "tracks.csv.gz").touch()
    batch(folder, folder / "out", workers=1)
    assert quick == [["a.mp4"]]


def test_tracks_without_a_picture_size_say_what_is_missing(tmp_path: Path, quick: list[list[str]]) -> None:
    folder = clips(tmp_path / "in", "a.csv")
    found = batch(folder, tmp_path / "out", workers=1)
    assert "--image-size" in found.rows[0].reason
    assert quick == []
    batch(folder, tmp_path / "out", workers=1, image_size=(1280, 720))
    assert quick == [["a.csv"]]


def test_a_sheet_for_all(tmp_path: Path, quick: list[list[str]]) -> None:
    (tmp_path / "mine.json").write_text('{"image_size": [640, 480], "view": "head-end"}', encoding="utf-8")
    folder = clips(tmp_path / "in", "a.csv")
    batch(folder, tmp_path / "out", workers=1, sheet=tmp_path / "mine.json")
    note = json.loads((tmp_path / "out" / "screens" / "a.csv" / NOTE).read_text("utf-8"))
    assert (note["sheet"]["view"], note["sheet"]["image_size"]) == ("head-end", [640, 480])


# ---------------------------------------------------------------- what stops a batch: one sentence


def test_a_folder_without_clips(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="expected a folder of clips, found none"):
        find_items(tmp_path / "gone")
    with pytest.raises(UsageError, match="found none; name another folder"):
        find_items(clips(tmp_path / "in", "notes.txt", ".a.mp4"))


def test_wrong_numbers_of_workers(tmp_path: Path) -> None:
    folder = clips(tmp_path / "in", "a.mp4")
    result = run("batch", folder, "--out", tmp_path / "out", "--workers", 0)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "workers: expected 1 or more, got 0" in result.stderr


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    folder = clips(tmp_path / "in", "a.mp4")
    result = run("batch", folder, "--out", folder / "a.mp4")
    assert result.exit_code == 2
    assert "expected to write results there" in result.stderr


def test_two_batches_do_not_share_a_folder(tmp_path: Path) -> None:
    code = "import sys, pathlib\nfrom asymscreen.batch import Drawer\n"
    code += "with Drawer(pathlib.Path(sys.argv[1])):\n print('held', flush=True)\n sys.stdin.read()"
    command = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(UsageError, match="another batch is at work there"), Drawer(tmp_path):
            pass
        other.kill()
    with Drawer(tmp_path):  # the lock went with its process
        pass


def test_a_damaged_model_stops_the_batch_rather_than_every_clip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from asymscreen.errors import ModelError
    from asymscreen.landmarks import model

    def changed(*_: object) -> None:
        raise ModelError("the landmark model was changed; reinstall asymscreen")

    monkeypatch.setattr(model, "verified_bundle", changed)
    result = run("batch", clips(tmp_path / "in", "a.mp4"), "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert result.stderr.strip().endswith("reinstall asymscreen")


# ---------------------------------------------------------------- one item, names, table


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [(MemoryError(), "failed", "memory"), (KeyError("x"), "failed", "KeyError: 'x'")],
)
def test_a_fault_in_a_worker_is_the_items_result(
    error: Exception, status: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from asymscreen import batch_item

    def fail(_: Item) -> None:
        raise error

    monkeypatch.setattr(batch_item, "_screen", fail)
    found = screen_item(Item("a.mp4", "a.mp4"))
    assert found.status == status
    assert said in found.reason


@pytest.mark.parametrize(
    ("name", "stem"),
    [("a/b.MP4", "b"), ("b.tracks.csv.gz", "b"), ("b.csv.gz", "b"), ("b.c.mov", "b.c"), ("b.parquet", "b")],
)
def test_the_stem_names_the_sheet(name: str, stem: str) -> None:
    assert stem_of(name) == stem


def test_kinds_of_clips_that_phones_write_are_taken() -> None:
    # MP4 and QuickTime (ISO/IEC 14496-14, Apple QTFF), 3GPP (TS 26.244), Matroska/WebM (RFC 9559)
    assert {".mp4", ".mov", ".3gp", ".mkv", ".webm"} <= set(CLIPS)


def test_text_that_a_spreadsheet_would_run_is_made_harmless(tmp_path: Path) -> None:
    rows = [Row("=HYPERLINK(1).mp4", "failed", "+1"), Row("b\udcff.mp4", "screened", "", {"finding": "-"})]
    csv_file, parquet = write_tables(rows, tmp_path)
    lines = csv_file.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "clip,status,reason,finding"
    assert lines[1] == "'=HYPERLINK(1).mp4,failed,'+1,"
    assert lines[2] == "b?.mp4,screened,,'-"
    assert pyarrow.parquet.read_table(parquet)["clip"].to_pylist() == ["=HYPERLINK(1).mp4", "b?.mp4"]


def test_a_table_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "screens.csv").mkdir()
    with pytest.raises(UsageError, match="expected to write the table there"):
        write_tables([Row("a", "failed")], tmp_path)
