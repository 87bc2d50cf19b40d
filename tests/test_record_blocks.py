"""Corrective blocks: days, adherence, due re-screens. Outside source: the calendar (9 March 2026, Monday)."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
import record_makers as makers
from hypothesis import given
from hypothesis import strategies as st
from record_makers import later

from asymscreen.errors import RecordError
from asymscreen.record.blocks import (
    WEEKDAYS,
    _planned,
    add_block,
    due_rescreens,
    end_block,
    list_blocks,
    log_day,
)
from asymscreen.record.lifters import add_lifter
from asymscreen.record.models import Block
from asymscreen.record.screens import add_screen
from asymscreen.record.shapes import BlockEntry, DrillDose
from asymscreen.record.store import Store

pytest_plugins = ["record_fixtures"]
MONDAY = date(2026, 3, 9)
REACH = DrillDose(drill="pinned-reach", side="left", dose="2 x 8")


def day(number: int) -> date:
    return MONDAY + timedelta(days=number)


def block(store: Store, **changes: Any) -> BlockEntry:
    """Four weeks from Monday on, Monday, Wednesday and Friday."""
    given_: dict[str, Any] = {"starts_on": MONDAY, "ends_on": day(27), "weekdays": ["mon", "wed", "fri"]}
    return add_block(store, "L-014", [REACH], **(given_ | changes))


@pytest.fixture
def lifter(store: Store) -> Store:
    add_lifter(store, "L-014")
    return store


def test_a_block_is_kept_with_its_drills(lifter: Store) -> None:
    made = block(lifter, notes="before the press", weekdays=["Friday", "MON", "wed"])
    found = list_blocks(lifter, "L-014", today=day(100))[0]
    assert found.drills == [REACH]
    assert found.weekdays == ["mon", "wed", "fri"]
    assert (found.id, found.rescreen_on, found.notes) == (made.id, day(27), "before the press")
    assert (found.planned, found.done, found.adherence) == (12, 0, 0.0)


@pytest.mark.parametrize(("today", "planned"), [(-1, 0), (0, 1), (1, 1), (2, 2), (6, 3), (27, 12), (60, 12)])
def test_planned_days_count_up_to_today(lifter: Store, today: int, planned: int) -> None:
    block(lifter)
    found = list_blocks(lifter, "L-014", today=day(today))[0]
    assert found.planned == planned
    assert (found.adherence is None) == (planned == 0)


def test_adherence_is_done_over_planned(lifter: Store) -> None:
    number = block(lifter).id
    for k, done in ((0, True), (2, False), (4, True), (5, True)):
        log_day(lifter, number, day(k), done=done)
    found = log_day(lifter, number, day(2), done=True, notes="made up for", today=day(9))
    assert (found.planned, found.done) == (5, 4)
    assert found.adherence == pytest.approx(0.8)


@given(
    st.dates(date(2020, 1, 1), date(2030, 1, 1)),
    st.integers(0, 366),
    st.integers(-5, 400),
    st.sets(st.sampled_from(WEEKDAYS), min_size=1),
)
def test_planned_days_match_a_count_by_hand(start: date, length: int, today: int, days: set[str]) -> None:
    made = Block(starts_on=start, ends_on=start + timedelta(days=length), weekdays=sorted(days))
    count = 0
    for k in range(length + 1):
        now = start + timedelta(days=k)
        if k <= today and now.strftime("%a").lower() in days:
            count += 1
    assert _planned(made, start + timedelta(days=today)) == count


@pytest.mark.parametrize(
    ("changes", "said"),
    [({"ends_on": day(-1)}, "expected an end from its start"), ({"ends_on": day(400)}, "366 days after"),
     ({"rescreen_on": day(-1)}, "a re-screen after the start"), ({"weekdays": ["moonday"]}, "out of mon"),
     ({"weekdays": []}, "got none")],
)  # fmt: skip
def test_days_that_do_not_fit_are_refused(lifter: Store, changes: dict[str, Any], said: str) -> None:
    with pytest.raises(RecordError, match=said):
        block(lifter, **changes)
    assert list_blocks(lifter, "L-014") == []


def test_a_block_needs_drills_with_sides(lifter: Store) -> None:
    with pytest.raises(RecordError, match="at least one drill"):
        add_block(lifter, "L-014", [], starts_on=MONDAY, ends_on=day(7))
    with pytest.raises(RecordError, match="expected a drill and its side"):
        add_block(
            lifter, "L-014", [DrillDose(drill="x", side="up", dose="")], starts_on=MONDAY, ends_on=day(7)
        )


def test_only_days_of_the_block_are_logged(lifter: Store) -> None:
    number = block(lifter).id
    for outside in (-1, 28):
        with pytest.raises(RecordError, match="expected a day from 2026-03-09 to 2026-04-05"):
            log_day(lifter, number, day(outside))
    with pytest.raises(RecordError, match="block 99: expected the number of a block"):
        log_day(lifter, 99, MONDAY)


def test_a_re_screen_is_due_until_it_is_filmed(lifter: Store) -> None:
    number = block(lifter).id
    add_screen(lifter, "L-014", makers.screen(), filmed_at=later(0))
    assert due_rescreens(lifter, today=day(26)) == []
    found = due_rescreens(lifter, today=day(30))
    assert [(d.lifter, d.block, d.rescreen_on, d.late_days) for d in found] == [("L-014", number, day(27), 3)]
    unusable = makers.screen(capture={"usable": False, "reasons": ["from the side"]})
    add_screen(lifter, "L-014", unusable, filmed_at=later(28))
    assert len(due_rescreens(lifter, today=day(30))) == 1
    add_screen(lifter, "L-014", makers.screen(), filmed_at=later(24))
    assert due_rescreens(lifter, today=day(30)) == []


def test_the_screen_before_a_short_block_is_not_its_re_screen(lifter: Store) -> None:
    block(lifter, ends_on=day(1))
    add_screen(lifter, "L-014", makers.screen(), filmed_at=later(0))
    assert len(due_rescreens(lifter, today=day(1))) == 1


def test_a_block_may_end_earlier(lifter: Store) -> None:
    number = block(lifter).id
    assert end_block(lifter, number, day(13)).rescreen_on == day(13)
    assert list_blocks(lifter, "L-014", today=day(40))[0].planned == 6
    with pytest.raises(RecordError, match="expected an end"):
        end_block(lifter, number, day(-3))
