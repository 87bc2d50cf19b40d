"""The record's commands: what they print, `--json` alone on standard output, exit code 2 and no traceback."""

from __future__ import annotations

import base64
import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
import record_makers as makers
import report_samples as samples
from click.testing import CliRunner, Result

from asymscreen.console import Guarded
from asymscreen.document import ScreenDocument, read_document
from asymscreen.record.commands import COMMANDS
from asymscreen.record.commands.examples import AGAIN, EXAMPLES, FIRST, LATER
from asymscreen.record.packing import unpack_tracks
from asymscreen.record.screens import add_screen
from asymscreen.record.store import open_store

pytest_plugins = ["record_fixtures"]
Run = Callable[..., Result]
DESK = Path(__file__).parent / "data" / "desk"


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run a command in a home of its own; by default it has to succeed."""
    root = Guarded("asymscreen", commands={c.name: c for c in COMMANDS if c.name})

    def call(*words: object, code: int = 0) -> Result:
        home = ("--home", tmp_path / "home")
        found = CliRunner().invoke(root, [str(word) for word in (*words, *home)])
        assert found.exit_code == code, (found.output, found.exception)
        assert "Traceback" not in found.output
        return found

    return call


def read(found: Result) -> Any:
    """The one JSON document on standard output."""
    assert found.stderr == ""
    return json.loads(found.stdout)


def keep(tmp_path: Path, document: ScreenDocument, day: float = 0) -> str:
    with open_store(tmp_path / "home") as store:
        return add_screen(store, "L-014", document, images=makers.pictures(), filmed_at=makers.later(day)).id


@pytest.fixture
def told(run: Run, tmp_path: Path) -> list[str]:
    """L-014 with two screens four weeks apart."""
    run("lifter", "add", "L-014", "--consent-film")
    return [keep(tmp_path, samples.crossed()), keep(tmp_path, makers.shifted(54, 0.2), 28)]


def test_lifters_from_first_to_last(run: Run) -> None:
    assert (
        "Consent to film: given; to keep clips: refused."
        in run("lifter", "add", "L-014", "--consent-film", "--no-consent-keep").stdout
    )
    assert read(run("lifter", "list", "--json"))[0]["code"] == "L-014"
    taken = run("lifter", "intake", "L-014", "--one-rep-max", 100, "--pain", 2, "--pain-side", "left",
                "--injury", "left:strained shoulder:2023-05", "--json")  # fmt: skip
    assert read(taken)["cautions"][0]["text"].startswith("Pain before the set: 2 of 10")
    shown = run("lifter", "show", "L-014").stdout
    assert "One-rep maximum 100 kg. Pain 2 of 10." in shown
    assert "injury: left, strained shoulder 2023-05" in shown
    run("lifter", "caution", "L-014", "--add", "Sore wrist.", "--stops", "--by", "coach K")
    found = read(run("lifter", "caution", "L-014", "--json"))
    assert [c["text"] for c in found["stops"]] == ["Sore wrist."]
    number = found["stops"][0]["id"]
    run("lifter", "caution", "L-014", "--lift", number, "--by", "coach K", "--why", "gone", code=0)
    assert read(run("lifter", "caution", "L-014", "--json"))["stops"] == []
    run("lifter", "erase", "L-014", code=2)
    receipt = read(run("lifter", "erase", "L-014", "--yes", "--json"))
    assert receipt["rows"]["lifter"] == 1
    assert run("lifter", "list").stdout == "No lifter yet.\n"


def test_screens_and_their_comparison(run: Run, told: list[str], tmp_path: Path) -> None:
    found = read(run("screens", "L-014", "--json"))
    assert [s["id"] for s in found] == told[::-1]
    comparison = read(run("compare", *told, "--json"))
    assert comparison["schema"] == "asymscreen.comparison/1"
    assert comparison["measures"]["tuck_bottom"]["verdict"] == "changed"
    spoken = run("compare", *told, "--out", tmp_path / "both.html").stdout
    changed = sum(m["verdict"] == "changed" for m in comparison["measures"].values())
    assert spoken.startswith(f"Of 12 measures: {changed} changed")
    assert "tuck_bottom: +12.30 to +1.10 deg, smaller" in spoken
    assert (tmp_path / "both.html").stat().st_size > 100_000
    assert "+12.30 deg (+9.70 to +14.90)" in run("trend", "L-014", "tuck_bottom").stdout
    assert len(read(run("trend", "L-014", "tuck_bottom", "--json"))["points"]) == 2


def test_documents_are_compared_by_path(run: Run, tmp_path: Path) -> None:
    for name, document in (("a", samples.crossed()), ("b", makers.screen(sheet={"load_kg": 100}))):
        (tmp_path / f"{name}.json").write_text(document.to_json())
    found = read(run("compare", tmp_path / "a.json", tmp_path / "b.json", "--json"))
    assert not found["comparable"]
    assert run("compare", tmp_path / "a.json", "20260309-aaaaaa", code=2).stdout == ""
    run("compare", tmp_path / "none.json", tmp_path / "a.json", code=2)


def test_what_to_look_at_next(run: Run, told: list[str]) -> None:
    run("lifter", "intake", "L-014", "--injury", "left:strain")
    found = read(run("suggest", told[0], "--json"))
    assert (found[0]["rule"], found[0]["side"]) == ("crossed", "left")
    assert any("on record for the left side" in text for text in found[0]["cautions"])
    assert "[common practice, no source]" in run("suggest", told[0]).stdout


def test_drills_of_the_coach(run: Run, tmp_path: Path) -> None:
    run("drill", "add", "wall-slide", "--name", "Wall slide", "--how", "Slide.", "--dose", "2 x 8", "--sided")
    assert "wall-slide" in [d["id"] for d in read(run("drill", "list", "--json"))]
    run("drill", "add", "Wall Slide", "--name", "x", "--how", "x", "--dose", "x", code=2)
    run("drill", "edit", code=2)
    (tmp_path / "home" / "considerations.toml").unlink()
    assert run("drill", "edit").stdout.strip().endswith("considerations.toml")


def test_a_visit_step_by_step(run: Run, tmp_path: Path) -> None:
    run("lifter", "add", "L-014")
    number = read(run("visit", "start", "L-014", "--one-rep-max", 100, "--json"))["id"]
    assert "Next, working-set: Film 3 reps at about 80 kg" in run("visit", "step", number, "look").stdout
    run("visit", "step", number, "drill", "--drill", "x", code=2)
    run("visit", "step", number, "working-set", "--screen", keep(tmp_path, samples.crossed()))
    run("visit", "step", number, "felt-before", "--pain", 1, "--words", "fine")
    run("lifter", "page", "L-014", "--out", tmp_path / "page.html", code=2)
    run("visit", "step", number, "drill", "--drill", "offset-breathing", "--side", "left")
    run("visit", "step", number, "re-test", "--screen", keep(tmp_path, makers.shifted(45, 2)))
    run("visit", "step", number, "felt-after", "--pain", 1)
    assert "Ended." in run("visit", "step", number, "comparison").stdout
    assert len(read(run("visit", "list", "L-014", "--json"))[0]["steps"]) == 7
    assert read(run("visit", "show", number, "--json"))["next_step"] == ""
    second = read(run("visit", "start", "L-014", "--one-rep-max", 100, "--json"))["id"]
    assert "the bench is taken" in run("visit", "stop", second, "--why", "the bench is taken").stdout


def test_blocks_and_what_is_due(run: Run) -> None:
    run("lifter", "add", "L-014")
    made = read(run("block", "add", "L-014", "--drill", "pinned-reach:left:2 x 8", "--start", "2026-03-09",
                    "--end", "2026-03-20", "--days", "mon,wed,fri", "--json"))  # fmt: skip
    assert made["drills"] == [{"drill": "pinned-reach", "side": "left", "dose": "2 x 8"}]
    run("block", "log", made["id"], "--on", "2026-03-09")
    assert "1 of" in run("block", "list", "L-014").stdout
    run("block", "log", made["id"], "--on", "2026-04-30", code=2)
    run("block", "end", made["id"], "--on", "2026-03-13")
    assert read(run("due", "--json"))[0]["rescreen_on"] == "2026-03-13"
    assert "L-014: re-screen of block" in run("due").stdout
    run("block", "add", "L-014", "--drill", "x:left", "--end", "soon", code=2)


def test_pages_are_written(run: Run, told: list[str], tmp_path: Path) -> None:
    assert run("lifter", "page", "L-014", "--out", tmp_path / "page.html").stdout.strip() == str(
        tmp_path / "page.html"
    )
    run("lifter", "summary", "L-014", "--out", tmp_path / "summary.html")
    assert "For the coach" in (tmp_path / "summary.html").read_text()


def test_the_whole_record_out_and_in(run: Run, told: list[str], tmp_path: Path) -> None:
    assert read(run("export", tmp_path / "out", "--json"))["screens"] == 2
    run("export", tmp_path / "out", code=2)
    assert read(run("backup", tmp_path / "all.zip", "--json"))["lifters"] == 1
    run("restore", tmp_path / "all.zip", code=2)
    assert "Restored 1 lifter with" in run("restore", tmp_path / "all.zip", "--replace").stdout
    run("import", tmp_path / "out", code=2)
    run("lifter", "erase", "L-014", "--yes")
    assert read(run("import", tmp_path / "out", "--json"))["lifters"] == 1
    assert run("tidy").stdout == "All clear.\n"


@pytest.mark.parametrize(
    "words",
    ["lifter show L-404", "lifter erase L-404 --yes", "screens L-404", "block list L-404",
     "visit start L-404",
     "visit show 7", "compare 1 2", "suggest 1", "trend L-404 tuck_bottom", "lifter add a/b",
     "restore nowhere.zip",
     "import nowhere", "lifter page L-404", "block log 9", "lifter intake L-404", "lifter caution L-404",
     "export out --lifter L-404", "lifter nonsense", "lifter add", "visit step 1 nonsense"],
)  # fmt: skip
def test_what_is_unknown_or_wrong_ends_in_one_sentence_and_code_2(
    run: Run, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    found = run(*words.split(), code=2)
    assert found.stdout == ""
    assert len(found.stderr.strip().splitlines()) <= 6


def test_every_command_has_help_and_takes_a_home() -> None:
    def leaves(command: click.Command) -> list[click.Command]:
        if isinstance(command, click.Group):
            return [leaf for child in command.commands.values() for leaf in leaves(child)]
        return [command]

    for command in (leaf for one in COMMANDS for leaf in leaves(one)):
        assert command.help
        options = {o for p in command.params for o in p.opts}
        assert "--home" in options, command.name
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                assert parameter.help, (command.name, parameter.name)


# ---- examples and JSON of every command


def leaves() -> dict[str, click.Command]:
    """Every command of the record by its words."""
    found = {}
    for command in COMMANDS:
        inner = command.commands.values() if isinstance(command, click.Group) else [command]
        for one in inner:
            found[str(one.name) if one is command else f"{command.name} {one.name}"] = one
    return found


def test_every_command_has_an_example_and_every_example_its_command() -> None:
    assert set(EXAMPLES) == set(leaves())
    for name, command in leaves().items():
        assert "For example:" in (command.epilog or ""), name
        assert all(line.startswith(name) for line in EXAMPLES[name])


def test_every_command_has_json_and_home() -> None:
    for name, command in leaves().items():
        assert {"home", "as_json"} <= {parameter.name for parameter in command.params}, name


def test_the_examples_are_a_story_that_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order in which they stand, with the ids of real screens; --json gives one document each."""
    root = Guarded("asymscreen", commands={c.name: c for c in COMMANDS if c.name})
    monkeypatch.chdir(tmp_path)

    def call(line: str) -> Any:
        words = shlex.split(line.replace("\\\n", " "))
        found = CliRunner().invoke(root, words if "--json" in words else [*words, "--json"])
        assert found.exit_code == 0, (line, found.output, found.exception)
        return read(found)

    ids: dict[str, str] = {}
    for name, lines in EXAMPLES.items():
        if name == "visit step":
            ids = {FIRST: keep(tmp_path, samples.crossed()), AGAIN: keep(tmp_path, makers.shifted(44.5, 2.2))}
            ids[LATER] = keep(tmp_path, makers.shifted(53.5, 0.2), 28)
        if name == "visit stop":
            call(EXAMPLES["visit start"][0])
        if name == "joints":
            with open_store(tmp_path / "home") as store:
                solved = add_screen(
                    store, "L-014", read_document(DESK / "screen.json"),
                    tracks=unpack_tracks((DESK / "tracks.npz").read_bytes()),
                ).id  # fmt: skip
            call(lines[0].replace(FIRST, solved))
            continue
        if name == "compare":
            for folder in ("before", "after"):
                (tmp_path / folder).mkdir()
                (tmp_path / folder / "screen.json").write_text(samples.crossed().to_json())
        for line in lines:
            for example, real in ids.items():
                line = line.replace(example, real)
            call(line)
    written = {path.name for path in tmp_path.iterdir()}
    assert {
        "report.pdf",
        "joints.c3d",
        "comparison.html",
        "L-014.pdf",
        "L-014-summary.html",
        "everything",
    } <= written
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    assert call("lifter list") == []


def test_a_report_is_written_again_with_the_cautions_of_today(
    run: Run, told: list[str], tmp_path: Path
) -> None:
    run("lifter", "caution", "L-014", "--add", "Sore wrist.", "--by", "coach K")
    number = read(run("lifter", "caution", "L-014", "--json"))["cautions"][0]["id"]
    place = tmp_path / "again.html"
    assert run("report", told[0], "--out", place).stdout.strip() == str(place)
    assert "Sore wrist." in place.read_text("utf-8")
    run("lifter", "caution", "L-014", "--lift", number, "--by", "coach K")
    assert read(run("report", told[0], "--out", place, "--json")) == {"file": str(place)}
    assert "Sore wrist." not in place.read_text("utf-8")
    run("report", "20260309-aaaaaa", "--out", place, code=2)


def test_joints_that_cannot_be_written_are_one_sentence(run: Run, told: list[str], tmp_path: Path) -> None:
    place = tmp_path / "joints.c3d"
    for words, said in (
        ([told[0]], "got one without tracks"),
        ([keep(tmp_path, samples.unusable())], "got a refused one"),
        ([told[0], "--picture"], "expected kept tracks, found none"),
        (["20260309-aaaaaa"], "expected the id of a screen in the record"),
    ):
        (line,) = run("joints", *words, "--out", place, code=2).stderr.splitlines()
        assert said in line
    assert not place.exists()


def test_a_screen_is_removed_only_with_yes_and_by_its_own_lifter(run: Run, told: list[str]) -> None:
    run("lifter", "add", "L-021")
    assert "without --yes" in run("screens", "L-014", "--remove", told[0], code=2).stderr
    assert "got one of L-014" in run("screens", "L-021", "--remove", told[0], "--yes", code=2).stderr
    assert [s["id"] for s in read(run("screens", "L-014", "--remove", told[0], "--yes", "--json"))] == told[
        1:
    ]


def test_a_consent_is_taken_back_without_losing_the_intake(run: Run) -> None:
    run("lifter", "add", "L-014", "--consent-film", "--consent-keep")
    run("lifter", "intake", "L-014", "--one-rep-max", 100)
    assert "to keep clips: refused" in run("lifter", "consent", "L-014", "--no-keep").stdout
    card = read(run("lifter", "show", "L-014", "--json"))
    assert (card["consent_film"], card["consent_keep"]) == (True, False)
    assert card["intakes"][-1]["one_rep_max_kg"] == 100


def test_documents_bring_the_pictures_that_lie_beside_them(run: Run, tmp_path: Path) -> None:
    document = samples.crossed()
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "screen.json").write_text(document.to_json())
    name, data = next(iter(samples.images(document).items()))
    (tmp_path / "a" / name).write_bytes(data)
    both = tmp_path / "a" / "screen.json", tmp_path / "b" / "screen.json"
    run("compare", *both, "--out", tmp_path / "both.html")
    assert base64.b64encode(data).decode() in (tmp_path / "both.html").read_text("utf-8")
    run("compare", *both, "--out", tmp_path / "both.html", "--blur")
    assert base64.b64encode(data).decode() not in (tmp_path / "both.html").read_text("utf-8")
