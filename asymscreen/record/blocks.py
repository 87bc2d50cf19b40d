"""Corrective blocks: what is done, on which side, how much, on which days; and which re-screens are due."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from asymscreen.errors import RecordError
from asymscreen.record.lifters import get_lifter
from asymscreen.record.models import TEXT_LENGTH, Block, BlockDay, BlockDrill, StoredScreen
from asymscreen.record.shapes import BlockEntry, DrillDose, DueEntry
from asymscreen.record.store import Store

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
EARLY_DAYS = 3
"""A screen filmed up to this many days before a planned re-screen counts as it, days."""
LONGEST_DAYS = 366
"""Longest block, days: a longer one is a slip of the keyboard."""
SIDES = ("left", "right", "both", "none")


def add_block(
    store: Store,
    code: str,
    drills: Sequence[DrillDose],
    *,
    starts_on: date,
    ends_on: date,
    weekdays: Sequence[str] = WEEKDAYS,
    rescreen_on: date | None = None,
    notes: str = "",
) -> BlockEntry:
    """Add a block from `starts_on` to `ends_on`, both included; the re-screen is planned for its end.

    RecordError for days out of order, a block without drills, or a weekday that is none.
    """
    _check_days(starts_on, ends_on, rescreen_on)
    days = _weekdays(weekdays)
    if not drills:
        raise RecordError("block: expected at least one drill, got none; give --drill NAME:SIDE:DOSE")
    for drill in drills:
        if drill.side not in SIDES or not drill.drill.strip():
            raise RecordError(
                f"block: expected a drill and its side ({', '.join(SIDES)}), "
                f"got {drill.drill!r}, {drill.side!r}"
            )
    with store.writing() as session:
        lifter = get_lifter(session, code)
        block = Block(
            lifter_id=lifter.id, starts_on=starts_on, ends_on=ends_on, weekdays=days,
            rescreen_on=rescreen_on or ends_on, notes=notes[:TEXT_LENGTH],
        )  # fmt: skip
        session.add(block)
        session.flush()
        session.add_all(BlockDrill(block_id=block.id, **drill.model_dump()) for drill in drills)
        session.flush()
        return _entry(block, starts_on)


def list_blocks(store: Store, code: str, *, today: date | None = None) -> list[BlockEntry]:
    """A lifter's blocks, oldest first, with what was done of what was planned up to `today`."""
    today = today or date.today()
    with store.reading() as session:
        rows = session.scalars(
            select(Block)
            .where(Block.lifter_id == get_lifter(session, code).id)
            .order_by(Block.starts_on, Block.id)
        )
        return [_entry(block, today) for block in rows]


def log_day(
    store: Store, block_id: int, on: date, *, done: bool = True, notes: str = "", today: date | None = None
) -> BlockEntry:
    """Note that a day's work was done, or not; a second note of the same day replaces the first."""
    with store.writing() as session:
        block = _get(session, block_id)
        if not block.starts_on <= on <= block.ends_on:
            raise RecordError(
                f"block {block_id}: expected a day from {block.starts_on} to {block.ends_on}, got {on}"
            )
        day = next((d for d in block.days if d.on_date == on), None)
        if day is None:
            session.add(BlockDay(block_id=block.id, on_date=on, done=done, notes=notes[:TEXT_LENGTH]))
        else:
            day.done, day.notes = done, notes[:TEXT_LENGTH]
        session.flush()
        session.expire(block)
        return _entry(block, today or date.today())


def end_block(store: Store, block_id: int, on: date, *, rescreen_on: date | None = None) -> BlockEntry:
    """End a block on another day than was planned; the re-screen moves with it unless it is given."""
    with store.writing() as session:
        block = _get(session, block_id)
        _check_days(block.starts_on, on, rescreen_on)
        block.ends_on, block.rescreen_on = on, rescreen_on or on
        session.flush()
        return _entry(block, on)


def due_rescreens(store: Store, *, today: date | None = None) -> list[DueEntry]:
    """Every planned re-screen that is due and not filmed yet, the latest first.

    A usable screen filmed from three days before the planned day counts as it.
    """
    today = today or date.today()
    with store.reading() as session:
        rows = session.scalars(
            select(Block).where(Block.rescreen_on <= today).order_by(Block.rescreen_on, Block.id)
        )
        return [
            DueEntry(
                lifter=block.lifter.code,
                block=block.id,
                rescreen_on=block.rescreen_on,
                late_days=(today - block.rescreen_on).days,
            )
            for block in rows
            if not _filmed(session, block)
        ]


def _filmed(session: Session, block: Block) -> bool:
    filmed = session.scalars(
        select(StoredScreen.filmed_at).where(StoredScreen.lifter_id == block.lifter_id, StoredScreen.usable)
    )
    earliest = max(block.rescreen_on - timedelta(days=EARLY_DAYS), block.starts_on + timedelta(days=1))
    return any(at.date() >= earliest for at in filmed)


def _get(session: Session, block_id: int) -> Block:
    block = session.get(Block, block_id)
    if block is None:
        raise RecordError(
            f"block {block_id}: expected the number of a block in the record, got an unknown one"
        )
    return block


def _check_days(starts_on: date, ends_on: date, rescreen_on: date | None) -> None:
    if not starts_on <= ends_on <= starts_on + timedelta(days=LONGEST_DAYS):
        raise RecordError(
            f"block: expected an end from its start ({starts_on}) to {LONGEST_DAYS} days after, got {ends_on}"
        )
    if rescreen_on is not None and rescreen_on < starts_on:
        raise RecordError(f"block: expected a re-screen after the start ({starts_on}), got {rescreen_on}")


def _weekdays(given: Sequence[str]) -> list[str]:
    named = {day.strip().lower()[:3] for day in given}
    if not named or not named <= set(WEEKDAYS):
        raise RecordError(
            f"block: expected weekdays out of {', '.join(WEEKDAYS)}, got {', '.join(given) or 'none'}"
        )
    return [day for day in WEEKDAYS if day in named]


def _entry(block: Block, today: date) -> BlockEntry:
    planned = _planned(block, today)
    done = sum(day.done for day in block.days if day.on_date <= today)
    return BlockEntry(
        id=block.id, lifter=block.lifter.code, starts_on=block.starts_on, ends_on=block.ends_on,
        weekdays=block.weekdays, rescreen_on=block.rescreen_on, notes=block.notes,
        drills=[DrillDose.model_validate(d, from_attributes=True) for d in block.drills],
        planned=planned, done=done, adherence=min(done / planned, 1.0) if planned else None,
    )  # fmt: skip


def _planned(block: Block, today: date) -> int:
    """How many days of the block were planned up to `today`."""
    last = min(block.ends_on, today)
    days = (block.starts_on + timedelta(days=k) for k in range((last - block.starts_on).days + 1))
    return sum(WEEKDAYS[day.weekday()] in block.weekdays for day in days)
