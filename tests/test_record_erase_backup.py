"""Erasure with its receipt; backup and restore.

Outside sources: the bytes of every file of the home folder are searched for what was erased; SQLite's own
integrity check; the kernel's SIGKILL; hashlib for the digests.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import sqlite3
import stat
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest
import record_makers as makers
import report_samples as samples
from record_makers import DAY, later
from sqlalchemy import select

from asymscreen.errors import RecordError
from asymscreen.record.backup import backup, restore
from asymscreen.record.blocks import list_blocks
from asymscreen.record.clips import sweep_orphans
from asymscreen.record.considerations import copy_rules
from asymscreen.record.erase import erase_lifter, mark_of, tidy
from asymscreen.record.intake import read_intake
from asymscreen.record.lifters import add_lifter, list_lifters, show_lifter, take_intake
from asymscreen.record.models import BackupEntry, Erasure, StoredScreen
from asymscreen.record.screens import add_screen, list_screens, read_images, read_screen
from asymscreen.record.store import Store, open_store
from asymscreen.record.visit import list_visits
from asymscreen.whole import file_digest

pytest_plugins = ["record_fixtures"]
MARK = "a-word-that-only-this-lifter-said"


@pytest.fixture
def two(store: Store) -> Store:
    """L-014 with the whole story, a kept clip and a telling note; L-021 with one screen."""
    ids = makers.story(store)
    take_intake(store, "L-014", read_intake({"notes": MARK}), at=later(70))
    with store.writing() as session:
        session.get_one(StoredScreen, ids[0]).clip_file = f"{ids[0]}.mp4"
    store.clips.mkdir(exist_ok=True)
    (store.clips / f"{ids[0]}.mp4").write_bytes(MARK.encode() * 1000)
    add_lifter(store, "L-021", at=DAY)
    add_screen(store, "L-021", samples.even(), images=samples.images(samples.even()), filmed_at=DAY)
    return store


def holding(folder: Path, mark: str) -> list[str]:
    return [str(f) for f in folder.rglob("*") if f.is_file() and mark.encode() in f.read_bytes()]


def test_an_erased_lifter_is_gone_and_the_others_are_not(two: Store) -> None:
    receipt = erase_lifter(two, "L-014", at=later(80))
    assert [lifter.code for lifter in list_lifters(two)] == ["L-021"]
    assert len(list_screens(two, "L-021")) == 1
    for ask in (show_lifter, list_screens, list_blocks, list_visits):
        with pytest.raises(RecordError, match="expected a code in the record"):
            ask(two, "L-014")
    expected = {
        "lifter": 1, "intake": 2, "injury": 1, "caution": 1, "screen": 4, "tracks": 4,
        "keyframe": 20, "visit": 1, "visit_step": 7, "block": 1, "block_drill": 3, "block_day": 9,
    }  # fmt: skip
    assert receipt.rows == expected
    assert (receipt.files, receipt.files_left, receipt.backups) == (1, [], [])
    assert list(two.clips.iterdir()) == []


def test_nothing_of_an_erased_lifter_is_left_in_any_file(tmp_path: Path) -> None:
    with open_store(tmp_path / "home") as store:
        add_lifter(store, "L-014", at=DAY)
        take_intake(store, "L-014", read_intake({"notes": MARK * 20}))
        add_screen(
            store, "L-014", makers.screen(summary=MARK), images={"a": b"\xff\xd8\xff" + MARK.encode() * 9000}
        )
        assert holding(store.home, MARK)
        receipt = erase_lifter(store, "L-014")
        assert receipt.notes == []
        assert holding(store.home, MARK) == []
        assert holding(store.home, "L-014") == []


def test_a_reader_in_the_way_is_told_and_tidy_clears_up(tmp_path: Path) -> None:
    with open_store(tmp_path / "home") as store:
        add_lifter(store, "L-014", at=DAY)
        take_intake(store, "L-014", read_intake({"notes": MARK}))
        assert store.database_file is not None
        reader = sqlite3.connect(store.database_file, isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM intake").fetchall()
        with store.engine.connect() as connection:
            connection.connection.driver_connection.execute("PRAGMA busy_timeout=50")  # type: ignore[union-attr]
        receipt = erase_lifter(store, "L-014")
        assert len(receipt.notes) == 1
        assert "tidy" in receipt.notes[0]
        reader.close()
        assert tidy(store) == []
        assert holding(store.home, MARK) == []


def test_the_record_keeps_that_it_erased_but_not_whom(two: Store) -> None:
    receipt = erase_lifter(two, "L-014", at=later(80))
    with two.reading() as session:
        row = session.scalars(select(Erasure)).one()
    assert row.receipt == receipt.receipt
    assert (
        row.mark
        == mark_of(receipt.receipt, "L-014")
        == hashlib.sha256(f"{row.receipt}\nL-014".encode()).hexdigest()
    )
    assert (row.rows, row.files) == (sum(receipt.rows.values()), 1)
    assert "L-014" not in json.dumps([row.receipt, row.mark])


def test_backups_that_hold_the_lifter_are_named_and_their_index_entries_go(
    two: Store, tmp_path: Path
) -> None:
    backup(two, tmp_path / "one.zip", at=later(75))
    receipt = erase_lifter(two, "L-014", at=later(80))
    assert receipt.backups == [str(tmp_path / "one.zip")]
    assert receipt.rows["backup_entry"] == 1
    assert any("delete them or make them anew" in note for note in receipt.notes)
    with two.reading() as session:
        assert len(session.scalars(select(BackupEntry)).all()) == 1


def test_an_unknown_code_erases_nothing(two: Store) -> None:
    with pytest.raises(RecordError, match="expected a code in the record"):
        erase_lifter(two, "L-404")
    assert len(list_lifters(two)) == 2


def test_orphan_clips_go_once_they_are_old(sqlite_store: Store) -> None:
    sqlite_store.clips.mkdir()
    young, old = sqlite_store.clips / "young.mp4", sqlite_store.clips / "old.mp4"
    for file in (young, old):
        file.write_bytes(b"x")
    os.utime(old, (time.time() - 7200,) * 2)
    assert sweep_orphans(sqlite_store) == 1
    assert young.exists()
    assert not old.exists()


def whole(store: Store) -> dict[str, object]:
    """All that a record holds, as plain data."""
    found: dict[str, object] = {}
    for lifter in list_lifters(store):
        found[lifter.code] = {
            "card": show_lifter(store, lifter.code).to_dict(),
            "blocks": [b.to_dict() for b in list_blocks(store, lifter.code, today=DAY.date())],
            "visits": [v.to_dict() for v in list_visits(store, lifter.code)],
            "screens": [
                (s.to_dict(), read_screen(store, s.id).to_json(), read_images(store, s.id))
                for s in list_screens(store, lifter.code)
            ],
        }
    return found


def test_a_backup_brings_everything_back(two: Store, tmp_path: Path) -> None:
    copy_rules(two.home)
    before = whole(two)
    report = backup(two, tmp_path / "all.zip", at=later(75))
    assert (report.lifters, report.screens) == (2, 5)
    assert report.sha256 == hashlib.sha256((tmp_path / "all.zip").read_bytes()).hexdigest()
    assert stat.S_IMODE((tmp_path / "all.zip").stat().st_mode) == 0o600
    with open_store(tmp_path / "new") as fresh:
        restored = restore(fresh, tmp_path / "all.zip")
        assert (restored.lifters, restored.screens, restored.clips, restored.left_erased) == (2, 5, 1, 0)
        assert whole(fresh) == before
        assert [f.read_bytes() for f in fresh.clips.iterdir()] == [MARK.encode() * 1000]
        assert (fresh.home / "considerations.toml").exists()
        add_lifter(fresh, "L-099")


def test_a_backup_of_sqlite_goes_into_postgresql_and_on_from_there(
    sqlite_store: Store, postgres_url: str, tmp_path: Path
) -> None:
    makers.story(sqlite_store)
    backup(sqlite_store, tmp_path / "all.zip")
    with open_store(tmp_path / "server-home", postgres_url) as server:
        restore(server, tmp_path / "all.zip")
        assert whole(server) == whole(sqlite_store)
        add_lifter(server, "L-099")
        take_intake(server, "L-099", read_intake({"pain_now": 1}))


def test_a_record_with_lifters_is_replaced_only_on_demand(two: Store, tmp_path: Path) -> None:
    backup(two, tmp_path / "all.zip", at=later(75))
    add_lifter(two, "L-050")
    with pytest.raises(RecordError, match="got 3 lifters; back it up, then restore with --replace"):
        restore(two, tmp_path / "all.zip")
    restore(two, tmp_path / "all.zip", replace=True)
    assert [lifter.code for lifter in list_lifters(two)] == ["L-014", "L-021"]


def test_a_lifter_erased_since_is_not_brought_back(two: Store, tmp_path: Path) -> None:
    backup(two, tmp_path / "all.zip", at=later(75))
    erase_lifter(two, "L-014", at=later(80))
    report = restore(two, tmp_path / "all.zip", replace=True)
    assert (report.lifters, report.left_erased) == (1, 1)
    assert [lifter.code for lifter in list_lifters(two)] == ["L-021"]
    assert list(two.clips.iterdir()) == []


def test_a_new_lifter_with_an_erased_ones_code_stays(two: Store, tmp_path: Path) -> None:
    erase_lifter(two, "L-014", at=later(80))
    add_lifter(two, "L-014", at=later(90))
    backup(two, tmp_path / "all.zip", at=later(91))
    report = restore(two, tmp_path / "all.zip", replace=True)
    assert report.left_erased == 0
    assert [lifter.code for lifter in list_lifters(two)] == ["L-014", "L-021"]


def test_after_a_restore_the_backups_are_still_known(two: Store, tmp_path: Path) -> None:
    backup(two, tmp_path / "one.zip", at=later(75))
    backup(two, tmp_path / "two.zip", at=later(76))
    restore(two, tmp_path / "one.zip", replace=True)
    named = erase_lifter(two, "L-014", at=later(80)).backups
    assert named == [str(tmp_path / "one.zip"), str(tmp_path / "two.zip")]


def test_a_backup_never_overwrites(two: Store, tmp_path: Path) -> None:
    (tmp_path / "all.zip").write_bytes(b"mine")
    with pytest.raises(RecordError, match="expected a new file"):
        backup(two, tmp_path / "all.zip")
    assert (tmp_path / "all.zip").read_bytes() == b"mine"
    with pytest.raises(RecordError, match="expected to write the backup there"):
        backup(two, tmp_path / "all.zip" / "inside.zip")


def damaged(path: Path, how: str) -> None:
    """Write a backup that is not whole."""
    if how == "no zip":
        path.write_bytes(b"nothing")
        return
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    manifest = json.loads(parts["manifest.json"])
    if how == "flipped byte":
        parts["record.sqlite3"] = bytes([parts["record.sqlite3"][0] ^ 1]) + parts["record.sqlite3"][1:]
    elif how == "missing file":
        del parts["record.sqlite3"]
    elif how == "climbing name":
        parts["../evil"] = b"x"
        manifest["files"]["../evil"] = hashlib.sha256(b"x").hexdigest()
    elif how == "other schema":
        manifest["schema"] = "other/1"
    elif how == "no database":
        parts["record.sqlite3"] = b"text" * 1000
        manifest["files"]["record.sqlite3"] = hashlib.sha256(parts["record.sqlite3"]).hexdigest()
    parts["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(path, "w") as packed:
        for name, data in parts.items():
            packed.writestr(name, data)


@pytest.mark.parametrize(
    "how", ["no zip", "flipped byte", "missing file", "climbing name", "other schema", "no database"]
)
def test_a_damaged_backup_changes_nothing(sqlite_store: Store, tmp_path: Path, how: str) -> None:
    makers.story(sqlite_store)
    backup(sqlite_store, tmp_path / "all.zip")
    before = whole(sqlite_store)
    damaged(tmp_path / "all.zip", how)
    with pytest.raises(RecordError, match="expected a whole backup of a record"):
        restore(sqlite_store, tmp_path / "all.zip", replace=True)
    assert whole(sqlite_store) == before
    assert not (tmp_path.parent / "evil").exists()
    with pytest.raises(RecordError, match="found none"):
        restore(sqlite_store, tmp_path / "nowhere.zip", replace=True)


def test_a_kill_while_backing_up_or_restoring_leaves_a_whole_record(tmp_path: Path) -> None:
    """Killed at many moments: the record is always whole, and a backup is whole or absent."""
    home, repository = tmp_path / "home", Path(__file__).parent.parent
    with open_store(home) as store:
        makers.story(store)
        backup(store, tmp_path / "all.zip")
        before = whole(store)
    code = (
        "import sys; from pathlib import Path; from asymscreen.record.store import open_store;"
        "from asymscreen.record.backup import backup, restore; store = open_store(sys.argv[1]);"
        "sys.stdout.write('ready\\n'); sys.stdout.flush();"
        "one, more = Path(sys.argv[2]), sys.argv[3];"
        "[(restore(store, one, replace=True), backup(store, Path(more + str(k)))) for k in range(99)]"
    )
    arguments = [str(home), str(tmp_path / "all.zip"), str(tmp_path / "more")]
    for wait_s in (0.03, 0.09, 0.15, 0.22):
        with subprocess.Popen(
            [sys.executable, "-c", code, *arguments], stdout=subprocess.PIPE, text=True, cwd=repository
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            time.sleep(wait_s)
            process.send_signal(signal.SIGKILL)
        for made in tmp_path.glob("more*"):
            with zipfile.ZipFile(made) as packed:
                assert packed.testzip() is None
            made.unlink()
        with open_store(home) as store:
            assert whole(store) == before
    assert file_digest(tmp_path / "all.zip")
