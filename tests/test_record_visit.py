"""The screening visit: its order, its loads, what stops it, and that findings are held back until it ends."""

from __future__ import annotations

import itertools
from datetime import timedelta
from typing import Any

import pytest
import record_makers as makers
import report_samples as samples
from hypothesis import given
from hypothesis import strategies as st
from record_makers import DAY, later

from asymscreen.errors import RecordError
from asymscreen.record.intake import read_intake
from asymscreen.record.lifters import add_lifter, standing, take_intake
from asymscreen.record.pages import lifter_page
from asymscreen.record.screens import (
    HELD_BACK,
    add_screen,
    fresh_for_report,
    remove_screen,
    screen_entry,
    screen_for_report,
)
from asymscreen.record.store import Store
from asymscreen.record.visit import (
    STEPS,
    do_step,
    list_visits,
    show_visit,
    start_visit,
    stop_visit,
    target_load,
    visit_screens,
)

pytest_plugins = ["record_fixtures"]
FELT = {"pain": 0, "words": "left arm does more"}
DRILL = {"drill": "slow-lowering", "side": "left", "dose": "2 x 8"}


@pytest.fixture
def started(store: Store) -> int:
    """A visit of L-014 who presses 100 kg once."""
    add_lifter(store, "L-014", film=True)
    take_intake(store, "L-014", read_intake({"one_rep_max_kg": 100}), at=DAY)
    return start_visit(store, "L-014", at=DAY).id


def new_screen(store: Store, **sheet: Any) -> str:
    return add_screen(store, "L-014", makers.screen(sheet=sheet), filmed_at=DAY).id


def walk(store: Store, visit: int, until: str) -> None:
    """Do every step before `until` in order."""
    for step in itertools.takewhile(lambda s: s != until, STEPS):
        screen = new_screen(store) if step in ("working-set", "re-test") else None
        answers = FELT if step.startswith("felt") else DRILL if step == "drill" else {}
        do_step(store, visit, step, screen=screen, answers=answers, at=DAY)


def test_the_whole_visit_in_its_order(store: Store, started: int) -> None:
    assert show_visit(store, started).next_step == "look"
    walk(store, started, "comparison")
    before = show_visit(store, started)
    assert before.next_step == "comparison"
    done = do_step(store, started, "comparison", at=later(0.1))
    assert [step.step for step in done.steps] == list(STEPS)
    assert done.next_step == done.next_words == done.stopped_why == ""
    assert done.ended_at == later(0.1)
    assert visit_screens(done) == (done.steps[1].screen_id, done.steps[4].screen_id)
    assert list_visits(store, "L-014") == [done]


@pytest.mark.parametrize("step", STEPS)
def test_no_step_out_of_its_order(store: Store, started: int, step: str) -> None:
    walk(store, started, step)
    for wrong in set(STEPS) - {step} - ({"working-set"} if step == "felt-before" else set()):
        with pytest.raises(RecordError, match=f"expected the step {step}"):
            do_step(store, started, wrong, screen=None, answers=FELT | DRILL)
    assert show_visit(store, started).next_step == step


def test_a_working_set_may_be_repeated_and_the_last_counts(store: Store, started: int) -> None:
    walk(store, started, "working-set")
    first, second = new_screen(store), new_screen(store)
    do_step(store, started, "working-set", screen=first)
    do_step(store, started, "working-set", screen=second)
    do_step(store, started, "felt-before", answers=FELT)
    do_step(store, started, "drill", answers=DRILL)
    visit = do_step(store, started, "re-test", screen=new_screen(store))
    assert visit_screens(visit) == (second, visit.steps[-1].screen_id)


def test_the_target_is_about_80_percent_of_the_maximum(store: Store, started: int) -> None:
    visit = show_visit(store, started)
    assert visit.target_kg == 80
    walk(store, started, "working-set")
    assert "3 reps at about 80 kg (80 % of 100 kg)" in show_visit(store, started).next_words


@given(st.floats(20, 400))
def test_the_target_lies_on_the_plates_and_close(best: float) -> None:
    target = target_load(best)
    assert target % 2.5 == 0
    assert abs(target - 0.8 * best) <= 1.25 + 1e-9


def test_a_visit_needs_a_maximum_two_or_three_reps_and_no_open_one(store: Store) -> None:
    add_lifter(store, "L-014")
    with pytest.raises(RecordError, match="expected a one-rep maximum of 1 to 600 kg, got None"):
        start_visit(store, "L-014")
    with pytest.raises(RecordError, match="two or three reps, got 5"):
        start_visit(store, "L-014", one_rep_max_kg=100, reps=5)
    first = start_visit(store, "L-014", one_rep_max_kg=100, reps=2)
    with pytest.raises(RecordError, match=f"expected no open visit, got visit {first.id}"):
        start_visit(store, "L-014", one_rep_max_kg=100)
    stopped = stop_visit(store, first.id, "the bench was needed", at=later(1))
    assert (stopped.stopped_why, stopped.ended_at) == ("the bench was needed", later(1))
    start_visit(store, "L-014", one_rep_max_kg=100)


def test_a_red_flag_forbids_the_visit(store: Store) -> None:
    add_lifter(store, "L-014")
    take_intake(store, "L-014", read_intake({"red_flags": ["slips"]}))
    with pytest.raises(RecordError, match="licensed clinician"):
        start_visit(store, "L-014", one_rep_max_kg=100)


@pytest.mark.parametrize("felt", [{"pain": 7}, {"pain": 3}, {"pain": 0, "red_flags": ["numb-or-weak"]}])
def test_pain_or_a_red_flag_ends_the_visit_with_advice(
    store: Store, started: int, felt: dict[str, Any]
) -> None:
    walk(store, started, "felt-before")
    visit = do_step(store, started, "felt-before", answers=felt, at=DAY)
    assert visit.ended_at == DAY
    assert "licensed clinician" in visit.stopped_why
    found = standing(store, "L-014")
    assert len(found.stops + found.cautions) == 1
    with pytest.raises(RecordError, match="expected an open visit"):
        do_step(store, started, "drill", answers=DRILL)


def test_a_little_pain_goes_on_as_a_caution(store: Store, started: int) -> None:
    walk(store, started, "felt-before")
    visit = do_step(store, started, "felt-before", answers={"pain": 2})
    assert visit.next_step == "drill"
    assert [c.topic for c in standing(store, "L-014").cautions] == ["pain"]


def test_pain_that_rises_over_the_drill_ends_the_visit(store: Store, started: int) -> None:
    walk(store, started, "felt-before")
    do_step(store, started, "felt-before", answers={"pain": 2})
    do_step(store, started, "drill", answers=DRILL)
    do_step(store, started, "re-test", screen=new_screen(store))
    assert "pain 5 of 10" in do_step(store, started, "felt-after", answers={"pain": 5}).stopped_why


@pytest.mark.parametrize(
    ("step", "answers", "said"),
    [("felt-before", {}, "expected pain from 0 to 10"), ("felt-before", {"pain": 12}, "pain_now"),
     ("drill", {"drill": " "}, "expected which drill was done"),
     ("working-set", {}, "expected the id of the set's screen")],
)  # fmt: skip
def test_a_step_without_its_answers_is_refused(
    store: Store, started: int, step: str, answers: dict[str, Any], said: str
) -> None:
    walk(store, started, step)
    with pytest.raises(RecordError, match=said):
        do_step(store, started, step, answers=answers)
    assert show_visit(store, started).next_step == step


def test_the_re_test_repeats_load_and_reps(store: Store, started: int) -> None:
    walk(store, started, "re-test")
    with pytest.raises(RecordError, match="expected 80 kg as before the drill, got 90 kg"):
        do_step(store, started, "re-test", screen=new_screen(store, load_kg=90))
    two_reps = makers.screen(reps=[r.model_dump() for r in makers.screen().reps[:2]])
    shorter = add_screen(store, "L-014", two_reps).id
    with pytest.raises(RecordError, match="expected 3 full reps as before the drill, got 2"):
        do_step(store, started, "re-test", screen=shorter)
    do_step(store, started, "re-test", screen=new_screen(store, load_kg=82.5))


def test_screens_of_others_or_of_this_visit_again_are_refused(store: Store, started: int) -> None:
    add_lifter(store, "L-021")
    other = add_screen(store, "L-021", makers.screen()).id
    walk(store, started, "working-set")
    with pytest.raises(RecordError, match="got another lifter's"):
        do_step(store, started, "working-set", screen=other)
    refused = add_screen(store, "L-014", samples.unusable()).id
    with pytest.raises(RecordError, match="got a refused one"):
        do_step(store, started, "working-set", screen=refused)
    own = new_screen(store)
    do_step(store, started, "working-set", screen=own)
    with pytest.raises(RecordError, match="got one that this visit has already"):
        do_step(store, started, "working-set", screen=own)
    with pytest.raises(RecordError, match="expected no screen with"):
        do_step(store, started, "felt-before", screen=other, answers=FELT)


def test_findings_are_held_back_until_the_visit_ends(store: Store, started: int) -> None:
    walk(store, started, "felt-before")
    screen = show_visit(store, started).steps[1].screen_id
    assert screen is not None
    assert "Say nothing yet" in show_visit(store, started).next_words
    assert screen_entry(store, screen).held_back
    stop_visit(store, started, "enough")
    assert not screen_entry(store, screen).held_back


def test_a_screen_of_the_visit_is_held_back_before_any_step_names_it(store: Store, started: int) -> None:
    walk(store, started, "working-set")
    screen = new_screen(store)
    assert screen_entry(store, screen).held_back
    assert screen_for_report(store, screen).cautions[0] == HELD_BACK
    assert HELD_BACK in fresh_for_report(store, "L-014", makers.screen()).cautions
    with pytest.raises(RecordError, match="held-back ones"):
        lifter_page(store, "L-014", screen)
    stop_visit(store, started, "enough")
    assert not screen_entry(store, screen).held_back
    assert HELD_BACK not in screen_for_report(store, screen).cautions
    assert HELD_BACK not in fresh_for_report(store, "L-014", makers.screen()).cautions


def test_pain_felt_in_a_visit_keeps_where_it_is_and_what_provokes_it(store: Store, started: int) -> None:
    told = {"one_rep_max_kg": 100, "pain_now": 2, "pain_side": "left", "provokes": "a wide grip"}
    take_intake(store, "L-014", read_intake(told), at=DAY)
    walk(store, started, "felt-before")
    do_step(store, started, "felt-before", answers={"pain": 1}, at=DAY)
    (caution,) = standing(store, "L-014").cautions
    assert caution.text.startswith("Pain before the set: 1 of 10, left side; provoked by a wide grip.")


def test_an_older_screen_and_other_lifters_are_not_held_back(store: Store, started: int) -> None:
    add_lifter(store, "L-021")
    other = add_screen(store, "L-021", makers.screen()).id
    before = show_visit(store, started).started_at - timedelta(days=1)
    older = add_screen(store, "L-014", makers.screen(), at=before).id
    assert not screen_entry(store, other).held_back
    assert not screen_entry(store, older).held_back


def test_nothing_is_held_back_where_the_coach_does_not_want_it(store: Store) -> None:
    add_lifter(store, "L-014")
    visit = start_visit(store, "L-014", one_rep_max_kg=100, hold_back=False).id
    walk(store, visit, "felt-before")
    found = show_visit(store, visit)
    assert "Say nothing yet" not in found.next_words
    assert not screen_entry(store, found.steps[1].screen_id or "").held_back


def test_a_removed_screen_leaves_the_step(store: Store, started: int) -> None:
    walk(store, started, "felt-before")
    screen = show_visit(store, started).steps[1].screen_id
    remove_screen(store, screen or "")
    assert [s.screen_id for s in show_visit(store, started).steps] == [None, None]


def test_an_unknown_visit_is_named(store: Store) -> None:
    with pytest.raises(RecordError, match="visit 77: expected the number of a visit"):
        show_visit(store, 77)
    with pytest.raises(RecordError, match="expected why it stops"):
        stop_visit(store, 77, " ")
