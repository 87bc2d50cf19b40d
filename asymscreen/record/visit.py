"""The screening visit as a guided sequence: what comes next, and nothing out of order.

Empty-bar look, working sets of two or three reps at about 80 % of the one-rep maximum, what the lifter felt,
the drill, the same load and reps again, what the lifter felt, the comparison. Common practice, no source.
The findings can be held back from the lifter until the visit ends, so that nobody is biased.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from asymscreen.errors import RecordError
from asymscreen.record.intake import PAIN_RISE_STOPS, PAIN_STOPS, SEE_CLINICIAN, IntakeSheet, read_intake
from asymscreen.record.lifters import (
    get_lifter,
    newest_intake,
    now,
    raise_findings,
    refuse_stopped,
    standing_of,
)
from asymscreen.record.models import Visit, VisitStep
from asymscreen.record.screens import get_screen
from asymscreen.record.shapes import IntakeEntry, StepEntry, VisitEntry
from asymscreen.record.store import Store

STEPS = ("look", "working-set", "felt-before", "drill", "re-test", "felt-after", "comparison")
"""The steps in their order; a working set may be repeated before the next step."""
WORKING_SHARE = 0.8
"""Load of the working sets as a share of the one-rep maximum. Common practice, no source."""
PLATE_STEP_KG = 2.5
"""The target load is rounded to this, kg: the smallest pair of common plates."""
LOAD_TOLERANCE = 0.05
"""The re-test repeats the load within this share of it."""
WORKING_REPS = (2, 3)
"""Reps of a working set. Common practice, no source."""


def start_visit(
    store: Store,
    code: str,
    *,
    one_rep_max_kg: float | None = None,
    reps: int = 3,
    hold_back: bool = True,
    at: datetime | None = None,
) -> VisitEntry:
    """Start a visit; the one-rep maximum comes from the newest intake where it is not given.

    RecordError while a red flag stops the screen, without a one-rep maximum, or with a visit still open.
    """
    if reps not in WORKING_REPS:
        raise RecordError(f"visit: expected working sets of two or three reps, got {reps}")
    with store.writing() as session:
        lifter = get_lifter(session, code)
        refuse_stopped(code, standing_of(lifter))
        still_open = [visit.id for visit in lifter.visits if visit.ended_at is None]
        if still_open:
            raise RecordError(
                f"lifter {code}: expected no open visit, got visit {still_open[0]}; end or stop it"
            )
        told = newest_intake(lifter)
        best = one_rep_max_kg or (told.one_rep_max_kg if told else None)
        if best is None or not 1 <= best <= 600:
            raise RecordError(
                f"lifter {code}: expected a one-rep maximum of 1 to 600 kg, got {best}; note it at intake"
            )
        visit = Visit(
            lifter_id=lifter.id, started_at=at or now(), ended_at=None, stopped_why="", one_rep_max_kg=best,
            target_kg=target_load(best), reps=reps, hold_back=hold_back,
        )  # fmt: skip
        session.add(visit)
        session.flush()
        return _entry(session, visit)


def target_load(one_rep_max_kg: float) -> float:
    """About 80 % of the one-rep maximum, on the plates: kg, rounded to 2.5."""
    return max(round(WORKING_SHARE * one_rep_max_kg / PLATE_STEP_KG), 1) * PLATE_STEP_KG


def do_step(
    store: Store,
    visit_id: int,
    step: str,
    *,
    screen: str | None = None,
    answers: dict[str, Any] | None = None,
    by: str = "coach",
    at: datetime | None = None,
) -> VisitEntry:
    """Do the next step of a visit.

    working-set and re-test need a `screen`; felt-before and felt-after need answers `pain` (0-10), may have
    `words` and `red_flags`; drill needs `drill`, may have `side` and `dose`; look and comparison may have
    `words`. Pain that stops a screen, or a red flag, ends the visit with advice. RecordError out of order.
    """
    told = dict(answers or {})
    with store.writing() as session:
        visit = _open_visit(session, visit_id)
        if step not in _allowed(visit):
            raise RecordError(
                f"visit {visit_id}: expected the step {' or '.join(_allowed(visit))}, got {step[:40]!r}"
            )
        check = _CHECKS.get(step)
        if check is not None:
            check(session, visit, screen, told)
        elif screen is not None:
            raise RecordError(f"visit {visit_id}: expected no screen with {step}, got {screen}")
        at = at or now()
        session.add(VisitStep(visit_id=visit.id, step=step, done_at=at, screen_id=screen, answers=told))
        if step.startswith("felt"):
            _heed(session, visit, told, by, at)
        if step == "comparison":
            visit.ended_at = at
        session.flush()
        session.expire(visit)
        return _entry(session, visit)


def stop_visit(store: Store, visit_id: int, why: str, *, at: datetime | None = None) -> VisitEntry:
    """End a visit early; what was done stays."""
    if not why.strip():
        raise RecordError(f"visit {visit_id}: expected why it stops, got no reason")
    with store.writing() as session:
        visit = _open_visit(session, visit_id)
        visit.ended_at, visit.stopped_why = at or now(), why.strip()
        return _entry(session, visit)


def show_visit(store: Store, visit_id: int) -> VisitEntry:
    """A visit with what was done and what comes next."""
    with store.reading() as session:
        return _entry(session, _get(session, visit_id))


def list_visits(store: Store, code: str) -> list[VisitEntry]:
    """A lifter's visits, oldest first."""
    with store.reading() as session:
        return [_entry(session, visit) for visit in get_lifter(session, code).visits]


def visit_screens(visit: VisitEntry) -> tuple[str, str] | None:
    """The ids of the last working set and of the re-test, or None before both are done."""
    done = {step.step: step.screen_id for step in visit.steps}
    before, after = done.get("working-set"), done.get("re-test")
    return (before, after) if before and after else None


def _get(session: Session, visit_id: int) -> Visit:
    visit = session.get(Visit, visit_id)
    if visit is None:
        raise RecordError(
            f"visit {visit_id}: expected the number of a visit in the record, got an unknown one"
        )
    return visit


def _open_visit(session: Session, visit_id: int) -> Visit:
    visit = _get(session, visit_id)
    if visit.ended_at is not None:
        raise RecordError(f"visit {visit_id}: expected an open visit, got one that ended; start a new one")
    return visit


def _allowed(visit: Visit) -> list[str]:
    if visit.ended_at is not None:
        return []
    last = visit.steps[-1].step if visit.steps else None
    following = STEPS[0] if last is None else STEPS[STEPS.index(last) + 1]
    return [following, last] if last == "working-set" else [following]


def _check_screen(session: Session, visit: Visit, screen: str | None, told: dict[str, Any]) -> None:
    if screen is None:
        raise RecordError(
            f"visit {visit.id}: expected the id of the set's screen, got none; screen the clip first"
        )
    row = get_screen(session, screen)
    if row.lifter_id != visit.lifter_id:
        raise RecordError(f"screen {screen}: expected one of this visit's lifter, got another lifter's")
    if not row.usable:
        raise RecordError(f"screen {screen}: expected a set that was screened, got a refused one")
    if any(step.screen_id == screen for step in visit.steps):
        raise RecordError(f"screen {screen}: expected a new set, got one that this visit has already")


def _check_retest(session: Session, visit: Visit, screen: str | None, told: dict[str, Any]) -> None:
    _check_screen(session, visit, screen, told)
    before_id = next(step.screen_id for step in reversed(visit.steps) if step.step == "working-set")
    if before_id is None or screen is None:
        return
    before, after = get_screen(session, before_id), get_screen(session, screen)
    if before.complete_reps != after.complete_reps:
        raise RecordError(
            f"screen {screen}: expected {before.complete_reps} full reps as before the drill, "
            f"got {after.complete_reps}; repeat the set or stop the visit"
        )
    if (
        before.load_kg
        and after.load_kg
        and abs(after.load_kg - before.load_kg) > LOAD_TOLERANCE * before.load_kg
    ):
        raise RecordError(
            f"screen {screen}: expected {before.load_kg:g} kg as before the drill, got {after.load_kg:g} kg"
        )


def _check_felt(session: Session, visit: Visit, screen: str | None, told: dict[str, Any]) -> None:
    if screen is not None:
        raise RecordError(f"visit {visit.id}: expected no screen with what the lifter felt, got {screen}")
    if told.get("pain") is None:
        raise RecordError(f"visit {visit.id}: expected pain from 0 to 10 with what the lifter felt, got none")
    _felt_sheet(told, None)


def _check_drill(session: Session, visit: Visit, screen: str | None, told: dict[str, Any]) -> None:
    if screen is not None:
        raise RecordError(f"visit {visit.id}: expected no screen with the drill, got {screen}")
    if not str(told.get("drill") or "").strip():
        raise RecordError(f"visit {visit.id}: expected which drill was done, got none; name it with --drill")


_Check = Callable[[Session, Visit, "str | None", dict[str, Any]], None]
_CHECKS: dict[str, _Check] = {
    "working-set": _check_screen, "re-test": _check_retest, "drill": _check_drill,
    "felt-before": _check_felt, "felt-after": _check_felt,
}  # fmt: skip


def _felt_sheet(told: dict[str, Any], start: IntakeEntry | None) -> IntakeSheet:
    """What was felt as a sheet; where it hurts and what provokes it are as told at the intake."""
    raw = {"pain_now": told["pain"], "red_flags": told.get("red_flags") or [], "sudden": True}
    if start is not None and start.pain_now:
        raw |= {"pain_side": start.pain_side, "provokes": start.provokes}
    return read_intake(raw)


def _heed(session: Session, visit: Visit, told: dict[str, Any], by: str, at: datetime) -> None:
    """Raise what was felt as cautions; end the visit where the screen has to stop."""
    lifter = visit.lifter
    start = newest_intake(lifter)
    sheet = _felt_sheet(told, start)
    raise_findings(session, lifter, sheet, by, at)
    before = [step.answers.get("pain") for step in visit.steps if step.step == "felt-before"]
    first = before[0] if before else (start.pain_now if start else None)
    rise = int(told["pain"]) - int(first or 0)
    if sheet.red_flags or told["pain"] >= PAIN_STOPS or rise >= PAIN_RISE_STOPS:
        visit.ended_at = at
        visit.stopped_why = f"Stopped: pain {told['pain']} of 10. {SEE_CLINICIAN}"
        if sheet.red_flags:
            visit.stopped_why = " ".join(c.text for c in standing_of(lifter).stops)


def _entry(session: Session, visit: Visit) -> VisitEntry:
    session.flush()
    steps = [StepEntry.model_validate(step, from_attributes=True) for step in visit.steps]
    following = (_allowed(visit) or [""])[0]
    return VisitEntry(
        id=visit.id, lifter=visit.lifter.code, started_at=visit.started_at, ended_at=visit.ended_at,
        stopped_why=visit.stopped_why, one_rep_max_kg=visit.one_rep_max_kg, target_kg=visit.target_kg,
        reps=visit.reps, hold_back=visit.hold_back, steps=steps, next_step=following,
        next_words=_words(visit, following),
    )  # fmt: skip


def _words(visit: Visit, step: str) -> str:
    """What the coach does next, in a sentence or two."""
    last = next((s for s in reversed(visit.steps) if s.step == "working-set" and s.screen_id), None)
    hold = " Say nothing yet of what the first screen found." if visit.hold_back else ""
    return {
        "": "",
        "look": "Have the lifter press the empty bar for a few reps and look; note what you see.",
        "working-set": f"Film {visit.reps} reps at about {visit.target_kg:g} kg "
        f"(80 % of {visit.one_rep_max_kg:g} kg) and screen the clip.",
        "felt-before": f"Ask what the lifter felt, and how much it hurts from 0 to 10.{hold}",
        "drill": f"Do one drill; note which, on which side and how much.{hold}",
        "re-test": f"Film the same load and the same reps again, the phone where it stood"
        f"{f' (as in {last.screen_id})' if last else ''}, and screen the clip.{hold}",
        "felt-after": f"Ask again what the lifter felt, and how much it hurts from 0 to 10.{hold}",
        "comparison": "Compare both screens, and now tell the lifter what was seen.",
    }[step]
