"""The inbox: whose a clip is, what is put aside, never a half-copied file, no clip twice.

Outside sources: hashlib; the file system's own links and time stamps.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from desk_visits import CLIP, PASSWORD

from asymscreen.capture.sheet import Capture
from asymscreen.cli import cli
from asymscreen.desk import inbox as module
from asymscreen.desk.inbox import GIVE_UP_S, KNOWN, NO_CLIP, NOBODY, SETTLE_S, Inbox, match
from asymscreen.desk.jobs import Jobs
from asymscreen.desk.sandbox import Look
from asymscreen.desk.uploads import Limits
from asymscreen.errors import ClipError, UsageError
from asymscreen.record.access import list_accounts, read_audit
from asymscreen.record.hand_ins import list_hand_ins, list_links
from asymscreen.record.jobs import list_jobs
from asymscreen.record.lifters import add_lifter, raise_caution, set_consent
from asymscreen.record.store import Store

pytest_plugins = ["record_fixtures"]
DATA = CLIP.read_bytes()


class Watched:
    """A folder beside a record with L-014 and L-021, and a clock that a test moves."""

    def __init__(self, store: Store, folder: Path) -> None:
        for code in ("L-014", "L-021"):
            add_lifter(store, code)
        self.store, self.folder, self.time = store, folder, 1e9
        folder.mkdir()
        self.jobs = Jobs(store)
        self.inbox = Inbox(store, folder, self.submit, clock=lambda: self.time)

    def submit(self, clip: Path, code: str, sheet: Capture, name: str) -> str:
        return self.jobs.submit(clip, code, sheet, clip_name=name, origin="inbox")

    def lay(self, name: str, data: bytes = DATA) -> Path:
        place = self.folder / name
        place.parent.mkdir(exist_ok=True)
        place.write_bytes(data)
        os.utime(place, (self.time, self.time))
        return place

    def pass_by(self) -> list[tuple[str, str, str]]:
        """Two looks, far enough apart: (file, outcome, lifter or reason)."""
        first = self.inbox.look()
        self.time += SETTLE_S
        found = first + self.inbox.look()
        return [(one.file, one.outcome, one.lifter or one.said) for one in found]

    def files(self) -> list[str]:
        return sorted(str(f.relative_to(self.folder)) for f in self.folder.rglob("*") if f.is_file())


@pytest.fixture
def watched(sqlite_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Watched:
    monkeypatch.setattr(module, "look_at", lambda _: Look(1280, 720, 30.0, 225, 7.5, "h264"))
    return Watched(sqlite_store, tmp_path / "arrivals")


@pytest.mark.parametrize(
    ("place", "code"),
    [("L-014.mp4", "L-014"), ("L-014 set 2.mp4", "L-014"), ("l-014_set.mov", "L-014"),
     ("L-014/clip.mp4", "L-014"), ("L-021/L-014.mp4", "L-021"), ("L-0142.mp4", None), ("xL-014.mp4", None),
     ("set L-014.mp4", None), ("L-01-4.mp4", "L-01"), ("L-01.mp4", "L-01"), ("unknown/L-014.mp4", None),
     ("mp4", None), ("A+B.mp4", None), ("a.b.mp4", "a.b"), ("aXb.mp4", None)],
)  # fmt: skip
def test_whose_a_clip_is(place: str, code: str | None) -> None:
    assert match(Path(place), ["L-01", "L-014", "L-021", "a.b"]) == code


def test_codes_that_differ_in_capitals_are_told_apart_as_written() -> None:
    assert match(Path("AB.mp4"), ["ab", "AB"]) == "AB"
    assert match(Path("Ab.mp4"), ["ab", "AB"]) is None
    assert match(Path("ab/x.mp4"), ["ab", "AB"]) == "ab"


def test_a_clip_is_taken_for_its_lifter(watched: Watched) -> None:
    watched.lay("L-014 set.mp4")
    assert watched.pass_by() == [("L-014 set.mp4", "taken", "L-014")]
    job = list_jobs(watched.store)[0]
    assert (job.lifter, job.clip_name, job.origin) == ("L-014", "L-014 set.mp4", "inbox")
    assert watched.files() == ["taken/L-014 set.mp4"]
    assert [(h.lifter, h.state, h.job) for h in list_hand_ins(watched.store)] == [
        ("L-014", "checking", job.id)
    ]
    assert [(a.who, a.lifter) for a in read_audit(watched.store)] == [("inbox", "L-014")]
    assert watched.pass_by() == []


def test_a_clip_in_a_folder_is_taken_with_its_sheet(watched: Watched) -> None:
    watched.lay("L-021/clip.mp4")
    sheet = {"view": "head-end", "load_kg": 60.0, "lifter": "L-014"}
    (watched.folder / "L-021" / "clip.sheet.json").write_text(json.dumps(sheet))
    assert watched.pass_by() == [("L-021/clip.mp4", "taken", "L-021")]
    job = list_jobs(watched.store)[0]
    assert (job.lifter, job.capture["view"], job.capture["load_kg"]) == ("L-021", "head-end", 60.0)
    assert job.capture["lifter"] == "L-021"
    assert watched.files() == ["taken/clip.mp4", "taken/clip.sheet.json"]


def test_a_clip_of_nobody_is_put_aside_with_the_reason(watched: Watched) -> None:
    watched.lay("holiday.mp4")
    assert watched.pass_by() == [("holiday.mp4", "aside", NOBODY)]
    assert watched.files() == ["aside/holiday.mp4", "aside/holiday.mp4.why.txt"]
    assert (watched.folder / "aside/holiday.mp4.why.txt").read_text() == NOBODY + "\n"
    assert list_jobs(watched.store) == []


def test_what_is_no_clip_or_a_bad_sheet_is_put_aside(watched: Watched) -> None:
    watched.lay("L-014.mp4", b"%PDF-1.7" + bytes(99))
    watched.lay("L-021.mp4")
    (watched.folder / "L-021.sheet.json").write_text('{"view": "moon"}')
    found = watched.pass_by()
    assert found[0] == ("L-014.mp4", "aside", NO_CLIP)
    assert found[1][:2] == ("L-021.mp4", "aside")
    assert "expected a capture sheet" in found[1][2]
    assert list_jobs(watched.store) == []


def test_a_clip_that_is_too_large_is_put_aside(watched: Watched) -> None:
    watched.inbox.limits = Limits(most_bytes=1 << 10)
    watched.lay("L-014.mp4")
    assert "larger than" in watched.pass_by()[0][2]


def test_a_red_flag_or_a_refusal_is_heeded(watched: Watched) -> None:
    raise_caution(watched.store, "L-014", "The shoulder slips.", stops=True)
    set_consent(watched.store, "L-021", film=False)
    watched.lay("L-014.mp4")
    watched.lay("L-021.mp4", DATA + b"1")
    found = watched.pass_by()
    assert [one[1] for one in found] == ["aside", "aside"]
    assert "The shoulder slips." in found[0][2]
    assert "consent to film" in found[1][2]


def test_no_clip_is_taken_twice(watched: Watched) -> None:
    watched.lay("L-014 a.mp4")
    watched.pass_by()
    watched.lay("L-014 b.mp4")
    watched.lay("L-014/L-014 a.mp4")
    assert {one[1:] for one in watched.pass_by()} == {("aside", KNOWN)}
    assert len(list_jobs(watched.store)) == 1
    # another lifter's clip of the same content is theirs to hand in: a shared bench, a wrong folder
    watched.lay("L-021.mp4")
    assert watched.pass_by()[0][1:] == ("taken", "L-021")


def test_two_copies_that_arrive_together_are_taken_once(watched: Watched) -> None:
    watched.lay("L-014 a.mp4")
    watched.lay("L-014 b.mp4")
    assert [one[1] for one in watched.pass_by()] == ["taken", "aside"]


def test_a_file_that_still_grows_is_left(watched: Watched) -> None:
    watched.lay("L-014.mp4", DATA[:1000])
    for size in (2000, 3000, len(DATA)):
        assert watched.inbox.look() == []
        watched.time += SETTLE_S
        watched.lay("L-014.mp4", DATA[:size])
    assert watched.inbox.look() == []
    watched.time += SETTLE_S - 0.1
    assert watched.inbox.look() == []
    watched.time += 0.1
    assert [one.outcome for one in watched.inbox.look()] == ["taken"]


def test_a_copy_that_paused_is_waited_for(watched: Watched, monkeypatch: pytest.MonkeyPatch) -> None:
    def cut(_: Path) -> Look:
        raise ClipError("the clip is damaged")

    monkeypatch.setattr(module, "look_at", cut)
    watched.lay("L-014.mp4", DATA[: len(DATA) // 3])
    assert watched.pass_by() == []
    assert watched.files() == ["L-014.mp4"]
    watched.time += GIVE_UP_S
    assert watched.inbox.look()[0].said == "the clip is damaged"


def test_a_cut_clip_is_seen_by_the_real_look(sqlite_store: Store, tmp_path: Path) -> None:
    watched = Watched(sqlite_store, tmp_path / "arrivals")
    place = watched.lay("L-014.mp4", DATA[: len(DATA) // 3])
    os.utime(place, (watched.time - GIVE_UP_S,) * 2)
    assert "damaged" in watched.pass_by()[0][2]


@pytest.mark.parametrize("name", [".L-014.mp4", "L-014.mp4.part", "L-014.mp4.crdownload", "L-014.mp4~"])
def test_names_of_half_copied_files_are_left(watched: Watched, name: str) -> None:
    watched.lay(name)
    assert watched.pass_by() == []
    assert watched.files() == [name]


def test_links_lead_nowhere(watched: Watched, tmp_path: Path) -> None:
    secret = tmp_path / "secret.mp4"
    secret.write_bytes(DATA)
    (tmp_path / "elsewhere").mkdir()
    shutil.copy(secret, tmp_path / "elsewhere" / "clip.mp4")
    (watched.folder / "L-014.mp4").symlink_to(secret)
    (watched.folder / "L-021").symlink_to(tmp_path / "elsewhere")
    assert watched.pass_by() == []
    assert secret.exists()


def test_what_was_put_aside_is_not_looked_at_again_and_nothing_is_overwritten(watched: Watched) -> None:
    for _ in range(2):
        watched.lay("holiday.mp4")
        assert len(watched.pass_by()) == 1
    assert [f for f in watched.files() if f.endswith(".mp4")] == ["aside/holiday-2.mp4", "aside/holiday.mp4"]
    assert watched.pass_by() == []


def test_a_file_that_goes_away_in_between_does_no_harm(watched: Watched) -> None:
    place = watched.lay("L-014.mp4")
    watched.inbox.look()
    place.unlink()
    watched.time += SETTLE_S
    assert watched.inbox.look() == []
    assert watched.inbox.waiting == 0


def test_the_record_itself_is_no_inbox(watched: Watched, tmp_path: Path) -> None:
    home = watched.store.home
    (home / "clips").mkdir()
    for folder in (home, home / "clips", home.parent):
        with pytest.raises(UsageError, match="apart from the record's own"):
            Inbox(watched.store, folder, watched.submit)
    with pytest.raises(UsageError, match="expected a folder to watch, got none"):
        Inbox(watched.store, tmp_path / "gone", watched.submit)
    with pytest.raises(UsageError, match="got a file"):
        Inbox(watched.store, watched.lay("x.mp4"), watched.submit)


# -- the commands ------------------------------------------------------------------------------------------


def run(store: Store, *words: str, typed: str = "") -> str:
    done = CliRunner().invoke(cli, [*words, "--home", str(store.home)], input=typed)
    assert done.exit_code == 0, done.output
    return done.stdout


def test_the_command_goes_through_the_folder_once(watched: Watched, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "SETTLE_S", 0.1)
    monkeypatch.setattr(Jobs, "start", lambda self: None)
    monkeypatch.setattr("asymscreen.desk.client_commands._wait", lambda *_: None)
    watched.lay("L-014.mp4")
    watched.lay("holiday.mp4")
    found = json.loads(run(watched.store, "inbox", str(watched.folder), "--once", "--json"))
    assert [(one["file"], one["outcome"], one["lifter"]) for one in found] == [
        ("L-014.mp4", "taken", "L-014"), ("holiday.mp4", "aside", "")
    ]  # fmt: skip
    assert found[0]["state"] == "waiting"
    assert run(watched.store, "inbox", str(watched.folder), "--once") == "No clip to take in.\n"


def test_links_are_made_listed_and_taken_back_by_commands(watched: Watched) -> None:
    made = json.loads(
        run(
            watched.store,
            "link",
            "make",
            "L-014",
            "--days",
            "3",
            "--address",
            "https://desk.example/",
            "--json",
        )
    )
    assert made["address"].startswith("https://desk.example/hand-in/" + made["id"])
    assert [one["id"] for one in json.loads(run(watched.store, "link", "list", "--json"))] == [made["id"]]
    assert "open until" in run(watched.store, "link", "list", "L-014")
    run(watched.store, "link", "take-back", made["id"])
    assert not list_links(watched.store)[0].open


def test_accounts_are_made_changed_and_removed_by_commands(watched: Watched) -> None:
    said = run(watched.store, "desk", "account", "add", "coach", typed=f"{PASSWORD}\n{PASSWORD}\n")
    assert PASSWORD not in said
    run(watched.store, "desk", "account", "password", "coach", "--stdin", typed="other words every night\n")
    assert "coach  added" in run(watched.store, "desk", "account", "list")
    assert "coach" in run(watched.store, "desk", "account", "remove", "coach")
    assert list_accounts(watched.store) == []


def test_a_desk_for_others_does_not_start_without_an_account(watched: Watched) -> None:
    for words in (["--host", "0.0.0.0"], ["--name", "desk.example"]):
        done = CliRunner().invoke(cli, ["desk", *words, "--no-open", "--home", str(watched.store.home)])
        assert done.exit_code == 2
        assert "desk account add NAME first" in done.stderr


def test_the_log_is_shown_by_a_command(watched: Watched) -> None:
    watched.lay("L-014.mp4")
    watched.pass_by()
    assert "inbox  took a clip in  L-014" in run(watched.store, "desk", "log", "--lifter", "L-014")
    assert run(watched.store, "desk", "log", "--lifter", "L-021") == "Nothing yet.\n"
