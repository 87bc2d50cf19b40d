"""A lifter erased: rows, tracks, key frames, kept clips and the index entries of backups, with a receipt."""

from __future__ import annotations

import hashlib
import uuid
from datetime import datetime

from sqlalchemy import Connection, delete, func, select, text
from sqlalchemy.orm import Session

from asymscreen.record.access import blank_lifter
from asymscreen.record.clips import discard_clip, sweep_orphans
from asymscreen.record.desk_models import HandIn, HandInLink
from asymscreen.record.jobs import drop_waiting
from asymscreen.record.lifters import get_lifter, now
from asymscreen.record.models import (
    Backup,
    BackupEntry,
    Block,
    BlockDay,
    BlockDrill,
    Caution,
    Correction,
    Erasure,
    Injury,
    Intake,
    Job,
    Lifter,
    StoredKeyFrame,
    StoredScreen,
    StoredTracks,
    Untouched,
    Visit,
    VisitStep,
)
from asymscreen.record.rows import desk_tables, tables
from asymscreen.record.shapes import Receipt
from asymscreen.record.store import Store

SERVER_NOTE = (
    "The server's own write-ahead log and its backups may hold old pages until they are recycled; "
    "ask whoever runs it."
)
BUSY_NOTE = "Another program was reading the record, so its log was not cleared: close it, then run `tidy`."
BACKUP_NOTE = "These backups were made while the lifter was in the record; delete them or make them anew."


def erase_lifter(store: Store, code: str, *, at: datetime | None = None) -> Receipt:
    """Remove all that the record holds about a lifter; RecordError for an unknown code.

    The receipt counts what went. The record keeps only that an erasure took place, without the code, and uses
    it to erase the lifter again should an older backup be restored.
    """
    at = at or now()
    receipt = str(uuid.uuid4())
    with store.writing() as session:
        lifter = get_lifter(session, code)
        rows = _counts(session, lifter.id)
        clips = [row.clip_file for row in lifter.screens if row.clip_file]
        waiting = list(session.scalars(select(Job.clip_file).where(Job.lifter_id == lifter.id)))
        backups = list(
            session.scalars(
                select(Backup.path)
                .join(BackupEntry, BackupEntry.backup_id == Backup.id)
                .where(BackupEntry.lifter_id == lifter.id)
                .order_by(Backup.made_at)
            )
        )
        remove_lifter(session, lifter.id)
        blank_lifter(session, code)
        session.add(
            Erasure(
                receipt=receipt,
                erased_at=at,
                mark=mark_of(receipt, code),
                rows=sum(rows.values()),
                files=len(clips),
            )
        )
    left = _remove_files(store, clips) + drop_waiting(store, waiting)
    notes = [*_clear_pages(store), *([BACKUP_NOTE] if backups else [])]
    return Receipt(
        receipt=receipt, code=code, erased_at=at, rows=rows, files=len(clips) - len(left), files_left=left,
        backups=backups, notes=notes,
    )  # fmt: skip


def remove_lifter(session: Session, lifter_id: int) -> None:
    """Delete the lifter's row; the database's own rules delete everything below it."""
    session.flush()
    session.execute(delete(Lifter).where(Lifter.id == lifter_id))


def mark_of(receipt: str, code: str) -> str:
    """What ties a receipt to a code without keeping the code: SHA-256 of both."""
    return hashlib.sha256(f"{receipt}\n{code}".encode()).hexdigest()


def erased_before(connection: Connection, code: str, added_at: datetime) -> bool:
    """True if a lifter of this code, added at that time, was erased later."""
    rows = connection.execute(select(Erasure.receipt, Erasure.mark).where(Erasure.erased_at >= added_at))
    return any(mark_of(receipt, code) == mark for receipt, mark in rows)


def _counts(session: Session, lifter_id: int) -> dict[str, int]:
    """Rows of the lifter by table."""
    screens = select(StoredScreen.id).where(StoredScreen.lifter_id == lifter_id)
    visits = select(Visit.id).where(Visit.lifter_id == lifter_id)
    blocks = select(Block.id).where(Block.lifter_id == lifter_id)
    wanted = [
        (Lifter, Lifter.id == lifter_id),
        *[(m, m.lifter_id == lifter_id) for m in (Intake, Injury, Caution, StoredScreen, Visit, Block)],
        *[(m, m.lifter_id == lifter_id) for m in (Job, HandIn, HandInLink)],
        (BackupEntry, BackupEntry.lifter_id == lifter_id),
        *[(m, m.screen_id.in_(screens)) for m in (StoredTracks, StoredKeyFrame, Untouched, Correction)],
        (VisitStep, VisitStep.visit_id.in_(visits)),
        *[(m, m.block_id.in_(blocks)) for m in (BlockDrill, BlockDay)],
    ]  # fmt: skip
    counts = {
        m.__tablename__: session.scalar(select(func.count()).select_from(m).where(w)) or 0 for m, w in wanted
    }
    return {table.name: counts[table.name] for table in [*tables(), *desk_tables()] if counts.get(table.name)}


def _remove_files(store: Store, clips: list[str]) -> list[str]:
    """Unlink the clips; the names of those that could not be."""
    left = []
    for name in clips:
        try:
            discard_clip(store, name)
        except OSError:
            left.append(name)
    sweep_orphans(store)
    return left


def tidy(store: Store) -> list[str]:
    """Sweep clip files that no screen names and clear deleted pages; what could not be done, if anything."""
    sweep_orphans(store)
    return _clear_pages(store)


def _clear_pages(store: Store) -> list[str]:
    """Make sure that what was deleted is not readable in the database's files; what could not be done."""
    if not store.is_sqlite:
        with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            for table in [*tables(), *desk_tables()]:
                connection.execute(text(f"VACUUM (FULL) {table.name}"))
        return [SERVER_NOTE]
    with store.engine.connect() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        busy = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
    return [BUSY_NOTE] if busy else []
