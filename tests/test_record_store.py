"""The store: where it lives, its migrations, and that a kill loses nothing finished and leaves no half.

Outside sources: SQLite's own integrity and foreign-key checks, Alembic's comparison of models with tables,
the kernel's SIGKILL, PostgreSQL's server from Debian.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
import record_makers as makers
import report_samples as samples
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import func, select, text

from asymscreen.errors import DocumentError, RecordError
from asymscreen.record.lifters import add_lifter, list_lifters
from asymscreen.record.migrations import HEAD
from asymscreen.record.models import Base, StoredKeyFrame, StoredScreen, StoredTracks
from asymscreen.record.screens import add_screen, list_screens, read_images, read_screen, read_tracks_of
from asymscreen.record.store import DATABASE_NAME, Store, find_home, migrations_config, open_store

pytest_plugins = ["record_fixtures"]


def test_home_is_the_given_one_then_the_variable_then_the_users(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ASYMSCREEN_HOME", "/somewhere/named")
    assert find_home("/given") == Path("/given")
    assert find_home(None) == Path("/somewhere/named")
    monkeypatch.delenv("ASYMSCREEN_HOME")
    assert find_home(None).name == "asymscreen"


def test_a_new_record_is_private_and_in_write_ahead_mode(sqlite_store: Store) -> None:
    assert sqlite_store.database_file is not None
    assert stat.S_IMODE(sqlite_store.database_file.stat().st_mode) == 0o600
    with sqlite_store.reading() as session:
        found = {p: session.execute(text(f"PRAGMA {p}")).scalar() for p in (
            "journal_mode", "foreign_keys", "secure_delete", "synchronous")}  # fmt: skip
    assert found == {"journal_mode": "wal", "foreign_keys": 1, "secure_delete": 1, "synchronous": 2}


def test_the_newest_revision_is_the_one_that_the_store_asks_for() -> None:
    assert ScriptDirectory.from_config(migrations_config()).get_current_head() == HEAD


def test_the_migrations_make_exactly_the_models(store: Store) -> None:
    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_down_to_nothing_and_up_again(store: Store) -> None:
    from alembic import command

    config = migrations_config()
    with store.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
        assert MigrationContext.configure(connection).get_current_revision() is None
        command.upgrade(config, "head")
    assert list_lifters(store) == []


def test_a_record_of_a_newer_version_is_refused(sqlite_store: Store) -> None:
    with sqlite_store.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RecordError, match="install the newer asymscreen"):
        open_store(sqlite_store.home)


def test_a_file_that_is_no_record_is_refused(tmp_path: Path) -> None:
    (tmp_path / DATABASE_NAME).write_bytes(b"this is not a database, " * 400)
    with pytest.raises(RecordError, match="expected the record to answer, the database said"):
        open_store(tmp_path)


def test_a_home_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(RecordError, match="expected a folder for the record"):
        open_store(tmp_path / "file")


@pytest.mark.parametrize("url", ["nonsense", "mysql+nodriver://x/y", "sqlite:///other.db"])
def test_a_database_that_is_not_postgresql_is_refused(tmp_path: Path, url: str) -> None:
    with pytest.raises(RecordError, match=r"expected a (URL like postgresql|PostgreSQL URL)"):
        open_store(tmp_path, url)


def test_a_server_that_is_not_there_is_one_sentence_without_the_password(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="expected the record to answer") as caught:
        open_store(tmp_path, f"postgresql://coach:open-sesame@/record?host={tmp_path}")
    assert "open-sesame" not in str(caught.value)


def _delete_then_fail(store: Store) -> None:
    with store.writing() as session:
        session.execute(text("DELETE FROM lifter"))
        raise ZeroDivisionError


def test_an_error_inside_a_transaction_keeps_nothing(store: Store) -> None:
    add_lifter(store, "L-014")
    with pytest.raises(ZeroDivisionError):
        _delete_then_fail(store)
    assert [lifter.code for lifter in list_lifters(store)] == ["L-014"]


def test_a_database_error_never_shows_what_was_told(store: Store) -> None:
    with pytest.raises(RecordError, match="the database said") as caught, store.writing() as session:
        session.execute(text("INSERT INTO nowhere VALUES (:told)"), {"told": "a sore left shoulder"})
    assert "sore" not in str(caught.value)


def test_times_come_back_aware_and_the_same_moment(store: Store) -> None:
    told = datetime(2026, 3, 9, 23, 30, tzinfo=timezone(timedelta(hours=-5)))
    add_lifter(store, "L-014", film=True, at=told)
    found = list_lifters(store)[0]
    assert found.added_at == told
    assert found.added_at.utcoffset() == timedelta(0) == datetime.now(UTC).utcoffset()


def test_a_screen_was_filmed_when_its_clip_says_unless_one_knows_better(store: Store) -> None:
    add_lifter(store, "L-014")
    at, told = datetime(2026, 5, 1, tzinfo=UTC), datetime(2026, 4, 2, tzinfo=UTC)
    dated = makers.screen(clip={"recorded": "2026-03-09T10:11:12Z"})
    found = [
        add_screen(store, "L-014", dated, at=at),
        add_screen(store, "L-014", dated, filmed_at=told, at=at),
        add_screen(store, "L-014", samples.crossed(), at=at),
    ]
    assert [entry.filmed_at for entry in found] == [datetime(2026, 3, 9, 10, 11, 12, tzinfo=UTC), told, at]
    assert [entry.id[:8] for entry in found] == ["20260309", "20260402", "20260501"]


def test_many_writers_at_once_lose_nothing(store: Store) -> None:
    with ThreadPoolExecutor(6) as pool:
        list(pool.map(lambda k: add_lifter(store, f"L-{k:03d}"), range(30)))
    assert [lifter.code for lifter in list_lifters(store)] == [f"L-{k:03d}" for k in range(30)]


def test_two_processes_may_open_a_fresh_home_together(tmp_path: Path) -> None:
    """Four at once: one migrates, the others wait for it."""
    code = f"from asymscreen.record.store import open_store; open_store({str(tmp_path)!r})"
    command = [sys.executable, "-c", code]
    started = [subprocess.Popen(command, stderr=subprocess.PIPE, cwd=REPOSITORY) for _ in range(4)]
    said = [process.communicate(timeout=60)[1] for process in started]
    assert [process.returncode for process in started] == [0] * 4, said


KILLS = 8
REPOSITORY = Path(__file__).parent.parent
PARTS = (StoredScreen, StoredTracks, StoredKeyFrame)


def _killed_writer(home: Path, url: str | None, wait_s: float, first: int = 0) -> list[str]:
    """Start a writer, let it finish `first` screens and run on, kill it; the ids that it reported."""
    script = Path(__file__).parent / "record_writer.py"
    command = [sys.executable, str(script), str(home), *([url] if url else [])]
    path = {"PYTHONPATH": str(REPOSITORY)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ | path) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        done = [writer.stdout.readline().rstrip("\n") for _ in range(first)]
        time.sleep(wait_s)
        writer.send_signal(signal.SIGKILL)
        said = done + writer.stdout.read().split("\n")
    assert writer.returncode == -signal.SIGKILL
    return said[:-1]


def test_a_kill_at_any_moment_loses_no_finished_screen_and_leaves_none_half(store: Store) -> None:
    add_lifter(store, "L-014")
    url = None if store.is_sqlite else store.engine.url.render_as_string(hide_password=False)
    finished: list[str] = []
    for k in range(KILLS):
        finished += _killed_writer(store.home, url, 0.01 + 0.0137 * k, first=k % 2)
    assert len(finished) >= KILLS // 2
    kept = {entry.id: entry for entry in list_screens(store, "L-014")}
    assert set(finished) <= set(kept)
    expected = samples.crossed().to_json()
    for entry in kept.values():
        assert read_screen(store, entry.id).to_json() == expected
        assert len(read_images(store, entry.id)["bottom-1.jpg"]) == 200_003
        tracks = read_tracks_of(store, entry.id)
        assert tracks is not None
        assert len(tracks) == 300
    with store.reading() as session:
        counts = [session.scalar(select(func.count()).select_from(table)) for table in PARTS]
    assert counts == [len(kept)] * 3


def test_after_kills_sqlite_itself_finds_no_fault(sqlite_store: Store) -> None:
    add_lifter(sqlite_store, "L-014")
    for k in range(4):
        _killed_writer(sqlite_store.home, None, 0.02 + 0.03 * k)
    with sqlite3.connect(sqlite_store.home / DATABASE_NAME) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert plain.execute("PRAGMA foreign_key_check").fetchall() == []
    plain.close()


def test_a_screen_that_fails_on_its_last_part_leaves_nothing(store: Store) -> None:
    add_lifter(store, "L-014")
    images = {"a.jpg": b"\xff\xd8\xffok", "b.jpg": b"png"}
    with pytest.raises(DocumentError, match="expected JPEG bytes"):
        add_screen(store, "L-014", samples.crossed(), tracks=makers.tracks(), images=images)
    with store.reading() as session:
        counts = [session.scalar(select(func.count()).select_from(table)) for table in PARTS]
    assert counts == [0, 0, 0]


def test_postgresql_binaries_that_are_missing_are_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(Path, "glob", lambda self, pattern: iter(()))
    monkeypatch.setenv("PATH", os.fspath(tmp_path))
    with pytest.raises(FileNotFoundError, match="apt-get install postgresql"):
        makers._binary("initdb")
