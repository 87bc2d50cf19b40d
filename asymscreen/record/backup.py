"""Backup and restore: the whole record in one file, checked before anything is replaced.

The file is a zip of one SQLite database, the kept clips, the coach's rules and a manifest with the digest of
each; it is the same whether the record lies in SQLite or on a server.
"""

from __future__ import annotations

import json
import os
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, delete, select

import asymscreen
from asymscreen.errors import RecordError
from asymscreen.record.clips import discard_clip
from asymscreen.record.considerations import FILE as RULES
from asymscreen.record.erase import erased_before
from asymscreen.record.lifters import now
from asymscreen.record.models import Backup, BackupEntry, Erasure, Lifter, StoredScreen
from asymscreen.record.packing import DAMAGED_ZIP
from asymscreen.record.rows import clear_all, copy_all, count_all, desk_tables, reset_counters
from asymscreen.record.shapes import BackupReport, RestoreReport
from asymscreen.record.store import DATABASE_NAME, SQLITE, Store, open_store
from asymscreen.whole import file_digest

SCHEMA = "asymscreen.backup/1"
MANIFEST = "manifest.json"
PIECE = 1 << 20
"""Bytes read at a time."""


def backup(store: Store, path: Path, *, at: datetime | None = None) -> BackupReport:
    """Write the whole record into one new file; it is complete or absent. RecordError if it exists already.

    The record notes which lifters the file holds, so that an erasure can name it.
    """
    if path.exists():
        raise RecordError(
            f"{path}: expected a new file for the backup, got one that exists; choose another name"
        )
    at = at or now()
    draft = path.with_name(f".{path.name}.part")
    try:
        with tempfile.TemporaryDirectory(prefix="backup-") as folder:
            snapshot = Path(folder) / DATABASE_NAME
            _snapshot(store, snapshot)
            _fill(draft, snapshot, store, at)
        os.replace(draft, path)
    except OSError as error:
        raise RecordError(f"{path}: expected to write the backup there, got {error.strerror}") from error
    finally:
        if draft.exists():
            draft.unlink()
    digest = file_digest(path)
    _note(store, path, digest, at)
    with store.engine.connect() as connection:
        rows = count_all(connection)
    return BackupReport(
        file=str(path), sha256=digest, made_at=at, lifters=rows["lifter"], screens=rows["screen"]
    )


def restore(store: Store, path: Path, *, replace: bool = False) -> RestoreReport:
    """Put a backup in place of the record, in one transaction. RecordError for a damaged or foreign file.

    A record that holds lifters is only replaced with `replace`. Lifters that were erased since the backup was
    made are not brought back, and what is known of other backups is kept.
    """
    with store.engine.connect() as connection:
        held = count_all(connection)["lifter"]
    if held and not replace:
        raise RecordError(
            f"record: expected an empty one to restore into, got {held} lifters; "
            "back it up, then restore with --replace"
        )
    with tempfile.TemporaryDirectory(prefix="restore-") as folder:
        _unpack(path, Path(folder))
        with open_store(folder, SQLITE) as kept:
            clips = _take_clips(kept, store)
            with kept.engine.connect() as source:
                counts, dropped = _replace_rows(store, source)
        rules = Path(folder) / RULES
        if rules.exists():
            os.replace(_copied(rules, store.home / f".{RULES}.part"), store.home / RULES)
    _drop_strange_clips(store)
    return RestoreReport(
        file=str(path),
        lifters=counts["lifter"] - dropped,
        screens=_screens(store),
        clips=clips,
        left_erased=dropped,
    )


def _snapshot(store: Store, place: Path) -> None:
    """One consistent copy of the database as an SQLite file without a log."""
    if store.is_sqlite:
        with store.engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert raw is not None
            target = sqlite3.connect(place)
            try:
                raw.backup(target)
                target.execute("PRAGMA secure_delete=ON")
                for table in reversed(desk_tables()):
                    target.execute(f"DELETE FROM {table.name}")
                target.commit()
                target.execute("PRAGMA journal_mode=DELETE")
            finally:
                target.close()
        return
    with open_store(place.parent, SQLITE) as empty:
        snapshot = store.engine.execution_options(isolation_level="REPEATABLE READ")
        with (
            snapshot.connect() as source,
            empty.engine.execution_options(asymscreen_write=True).begin() as target_rows,
        ):
            copy_all(source, target_rows)
    with sqlite3.connect(place) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        plain.execute("PRAGMA journal_mode=DELETE")
    plain.close()


def _fill(draft: Path, snapshot: Path, store: Store, at: datetime) -> None:
    """The zip with its manifest; only clips that the snapshot names go in."""
    files = {DATABASE_NAME: snapshot}
    with sqlite3.connect(snapshot) as plain:
        named = [row[0] for row in plain.execute("SELECT clip_file FROM screen WHERE clip_file != ''")]
    plain.close()
    files |= {f"clips/{name}": store.clips / name for name in named if (store.clips / name).is_file()}
    if (store.home / RULES).is_file():
        files[RULES] = store.home / RULES
    draft.parent.mkdir(parents=True, exist_ok=True)
    os.close(os.open(draft, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600))
    with zipfile.ZipFile(draft, "w", zipfile.ZIP_STORED) as packed:
        digests = {}
        for name, file in files.items():
            packed.write(file, name, zipfile.ZIP_DEFLATED if file.suffix in (".sqlite3", ".toml") else None)
            digests[name] = file_digest(file)
        manifest = {
            "schema": SCHEMA, "version": asymscreen.__version__, "made_at": at.isoformat(), "files": digests
        }  # fmt: skip
        packed.writestr(MANIFEST, json.dumps(manifest, indent=1))
    with draft.open("rb+") as file_to_sync:
        os.fsync(file_to_sync.fileno())


def _note(store: Store, path: Path, digest: str, at: datetime) -> None:
    with store.writing() as session:
        row = Backup(made_at=at, path=str(path.absolute()), sha256=digest)
        session.add(row)
        session.flush()
        ids = session.scalars(select(Lifter.id).where(Lifter.added_at <= at))
        session.add_all(BackupEntry(backup_id=row.id, lifter_id=lifter) for lifter in ids)


def _unpack(path: Path, folder: Path) -> None:
    """Check every digest, then lay the files out in `folder`; names that are not ours are refused."""
    try:
        with zipfile.ZipFile(path) as packed:
            manifest = json.loads(packed.read(MANIFEST))
            digests: dict[str, str] = manifest["files"]
            if manifest["schema"] != SCHEMA or DATABASE_NAME not in digests:
                raise ValueError(f"not a {SCHEMA}")
            for name, digest in digests.items():
                place = _place_of(name, folder)
                place.parent.mkdir(parents=True, exist_ok=True)
                with packed.open(name) as source, place.open("wb") as target:
                    _pour(source.read, target.write)
                if file_digest(place) != digest:
                    raise ValueError(f"{name} is damaged")
        with sqlite3.connect(folder / DATABASE_NAME) as plain:
            if plain.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                raise ValueError("its database is damaged")
        plain.close()
    except FileNotFoundError as error:
        raise RecordError(f"{path}: expected a backup file, found none") from error
    except (
        OSError,
        EOFError,
        ValueError,
        LookupError,
        TypeError,
        AttributeError,
        RecursionError,
        sqlite3.Error,
        *DAMAGED_ZIP,
    ) as error:
        raise RecordError(
            f"{path}: expected a whole backup of a record, got something else ({error})"
        ) from error


def _place_of(name: str, folder: Path) -> Path:
    plain = Path(name).name
    if name not in (DATABASE_NAME, RULES, f"clips/{plain}") or plain.startswith("."):
        raise ValueError(f"a file of the name {name[:60]!r}")
    return folder / name


def _pour(read: Callable[[int], bytes], write: Callable[[bytes], Any]) -> None:
    while piece := read(PIECE):
        write(piece)


def _take_clips(kept: Store, store: Store) -> int:
    """Copy the backup's clips into the clips folder before any row names them."""
    names = sorted(file.name for file in kept.clips.iterdir()) if kept.clips.is_dir() else []
    store.clips.mkdir(parents=True, exist_ok=True, mode=0o700)
    for name in names:
        os.replace(_copied(kept.clips / name, store.clips / f".{name}.part"), store.clips / name)
    return len(names)


def _copied(source: Path, draft: Path) -> Path:
    """A synced copy beside its final place; RecordError where the disk refuses."""
    try:
        with source.open("rb") as read, draft.open("wb") as written:
            _pour(read.read, written.write)
            written.flush()
            os.fsync(written.fileno())
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise RecordError(f"{draft.parent}: expected to write there, got {error.strerror}") from error
    return draft


def _replace_rows(store: Store, source: Connection) -> tuple[dict[str, int], int]:
    """Everything of the record replaced in one transaction; counts, and how many lifters stay erased."""
    with store.engine.execution_options(asymscreen_write=True).begin() as target:
        erasures = [dict(row) for row in target.execute(select(Erasure.__table__)).mappings()]
        known = _backups(target)
        clear_all(target)
        counts = copy_all(source, target)
        have = set(target.scalars(select(Erasure.receipt)))
        missing = [row for row in erasures if row["receipt"] not in have]
        if missing:
            target.execute(Erasure.__table__.insert(), missing)  # type: ignore[attr-defined]
        dropped = _erase_again(target)
        reset_counters(target)
        _add_backups(target, known)
    return counts, dropped


def _erase_again(target: Connection) -> int:
    rows = target.execute(select(Lifter.id, Lifter.code, Lifter.added_at)).all()
    gone = [number for number, code, added in rows if erased_before(target, code, added)]
    if gone:
        target.execute(delete(Lifter).where(Lifter.id.in_(gone)))
    return len(gone)


def _backups(connection: Connection) -> list[tuple[dict[str, Any], list[str]]]:
    """What the record knows of its backups: (row without number, codes of the lifters inside)."""
    found = []
    for row in connection.execute(select(Backup.__table__)).mappings().all():
        codes = connection.scalars(
            select(Lifter.code)
            .join(BackupEntry, BackupEntry.lifter_id == Lifter.id)
            .where(BackupEntry.backup_id == row["id"])
        )
        found.append(({k: v for k, v in row.items() if k != "id"}, list(codes)))
    return found


def _add_backups(target: Connection, known: list[tuple[dict[str, Any], list[str]]]) -> None:
    have = set(target.scalars(select(Backup.path)))
    ids = {code: number for number, code in target.execute(select(Lifter.id, Lifter.code))}
    for row, codes in known:
        if row["path"] in have:
            continue
        made = target.execute(Backup.__table__.insert().values(**row))  # type: ignore[attr-defined]
        number = made.inserted_primary_key
        assert number is not None
        entries = [{"backup_id": number[0], "lifter_id": ids[code]} for code in codes if code in ids]
        if entries:
            target.execute(BackupEntry.__table__.insert(), entries)  # type: ignore[attr-defined]


def _screens(store: Store) -> int:
    with store.engine.connect() as connection:
        return count_all(connection)["screen"]


def _drop_strange_clips(store: Store) -> None:
    """Clips of the record that was replaced, and of lifters that stay erased."""
    with store.reading() as session:
        named = set(session.scalars(select(StoredScreen.clip_file)))
    for file in store.clips.iterdir():
        if file.name not in named and not file.name.startswith("."):
            discard_clip(store, file.name)
