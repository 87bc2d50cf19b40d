"""Lifters and what they told: codes, consent, intake, injuries, and the cautions that follow."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from asymscreen.errors import RecordError
from asymscreen.record.intake import Finding, IntakeSheet, findings
from asymscreen.record.models import CODE_LENGTH, Caution, Injury, Intake, Lifter
from asymscreen.record.shapes import (
    CautionEntry,
    InjuryEntry,
    IntakeEntry,
    LifterCard,
    LifterEntry,
    Standing,
)
from asymscreen.record.store import Store

CODE_RULE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def now() -> datetime:
    """This moment in UTC, whole seconds."""
    return datetime.now(UTC).replace(microsecond=0)


def add_lifter(
    store: Store,
    code: str,
    *,
    film: bool | None = None,
    keep: bool | None = None,
    at: datetime | None = None,
) -> LifterEntry:
    """Add a lifter. `film`, `keep`: consent to film, to keep clips; None where it was not asked.

    RecordError for a code that is taken or that is not letters, digits, dot, dash and underscore.
    """
    if len(code) > CODE_LENGTH or not CODE_RULE.fullmatch(code):
        raise RecordError(
            f"lifter code: expected 1 to {CODE_LENGTH} letters, digits, dots, dashes or underscores, "
            f"got {code[:80]!r}; use a code like L-014, never a name"
        )
    at = at or now()
    with store.writing() as session:
        if _find(session, code) is not None:
            raise RecordError(f"lifter {code}: expected a new code, got one that is taken; choose another")
        row = Lifter(code=code, added_at=at)
        _consent(row, film, keep, at)
        session.add(row)
        session.flush()
        return lifter_entry(row)


def list_lifters(store: Store) -> list[LifterEntry]:
    """All lifters by code."""
    with store.reading() as session:
        return [lifter_entry(row) for row in session.scalars(select(Lifter).order_by(Lifter.code))]


def set_consent(
    store: Store, code: str, *, film: bool | None = None, keep: bool | None = None, at: datetime | None = None
) -> LifterEntry:
    """Give (True) or take back (False) a consent; None leaves it. What is kept already stays until erased."""
    at = at or now()
    with store.writing() as session:
        row = get_lifter(session, code)
        _consent(row, film, keep, at)
        session.flush()
        return lifter_entry(row)


def take_intake(
    store: Store, code: str, sheet: IntakeSheet, *, by: str = "coach", at: datetime | None = None
) -> Standing:
    """Keep an intake with its injuries; red flags and lesser findings become cautions at once.

    A topic that has an open caution is not raised again; its words are brought up to date.
    """
    at = at or now()
    with store.writing() as session:
        lifter = get_lifter(session, code)
        session.add(_intake_row(lifter.id, sheet, by, at))
        known = {(i.side, i.kind, i.on_date) for i in lifter.injuries}
        for injury in sheet.injuries:
            if (injury.side, injury.kind, injury.on_date) not in known:
                session.add(Injury(lifter_id=lifter.id, **injury.model_dump()))
        _consent(lifter, sheet.consent_film, sheet.consent_keep, at)
        for finding in findings(sheet, at.date()):
            _raise(session, lifter, finding, by, at)
        session.flush()
        session.expire(lifter)
        return standing_of(lifter)


def raise_caution(
    store: Store,
    code: str,
    text: str,
    *,
    topic: str = "coach",
    stops: bool = False,
    by: str = "coach",
    at: datetime | None = None,
) -> CautionEntry:
    """Raise a caution by hand; `stops` true stops every screen until it is lifted."""
    if not text.strip():
        raise RecordError("caution: expected what has to be said, got no text; write one sentence")
    with store.writing() as session:
        lifter = get_lifter(session, code)
        row = _new_caution(lifter.id, Finding(topic, text.strip(), stops), by, at or now())
        session.add(row)
        session.flush()
        return caution_entry(row)


def lift_caution(
    store: Store, code: str, caution: int, *, by: str, why: str = "", at: datetime | None = None
) -> CautionEntry:
    """Lift a caution; who and when are kept. A caution that stops screens needs a reason why."""
    if not by.strip():
        raise RecordError("lift a caution: expected who lifts it, got no one; name the person with --by")
    with store.writing() as session:
        lifter = get_lifter(session, code)
        row = next((c for c in lifter.cautions if c.id == caution), None)
        if row is None or row.lifted_at is not None:
            open_ones = ", ".join(str(c.id) for c in lifter.cautions if c.lifted_at is None) or "none"
            raise RecordError(f"caution {caution}: expected an open one of {code} ({open_ones} open)")
        if row.stops and not why.strip():
            raise RecordError(
                f"caution {caution} stops screens: expected why it is lifted, got no reason; "
                "say with --why what the licensed clinician advised"
            )
        row.lifted_at, row.lifted_by, row.lifted_why = at or now(), by.strip(), why.strip()
        session.flush()
        return caution_entry(row)


def standing(store: Store, code: str) -> Standing:
    """What must be said of this lifter now: `stops` forbid a screen, `cautions` go on every report."""
    with store.reading() as session:
        return standing_of(get_lifter(session, code))


def check_may_keep(store: Store, code: str) -> None:
    """RecordError where the lifter did not agree that clips are kept."""
    with store.reading() as session:
        if not get_lifter(session, code).consent_keep:
            raise RecordError(
                f"lifter {code}: expected consent to keep clips, got none; ask the lifter or leave it out"
            )


def check_may_screen(store: Store, code: str) -> Standing:
    """The lifter's standing; RecordError with the advice where a red flag stops the screen."""
    found = standing(store, code)
    refuse_stopped(code, found)
    return found


def refuse_stopped(code: str, found: Standing) -> None:
    """RecordError with the advice where something stops the screen."""
    if found.stops:
        raise RecordError(f"lifter {code}: no screen. " + " ".join(c.text for c in found.stops))


def show_lifter(store: Store, code: str) -> LifterCard:
    """Everything that was told and raised about a lifter; screens, visits and blocks are listed elsewhere."""
    with store.reading() as session:
        row = get_lifter(session, code)
        return LifterCard(
            **lifter_entry(row).model_dump(),
            intakes=[_intake_entry(i) for i in row.intakes],
            injuries=[InjuryEntry.model_validate(i, from_attributes=True) for i in row.injuries],
            cautions=[caution_entry(c) for c in row.cautions],
            screens=len(row.screens),
            visits=len(row.visits),
            blocks=len(row.blocks),
        )


def get_lifter(session: Session, code: str) -> Lifter:
    """The row of a code; RecordError where nobody has it."""
    row = _find(session, code)
    if row is None:
        raise RecordError(
            f"lifter {code[:80]}: expected a code in the record, got an unknown one; add it first"
        )
    return row


def lifter_entry(row: Lifter) -> LifterEntry:
    return LifterEntry.model_validate(row, from_attributes=True)


def caution_entry(row: Caution) -> CautionEntry:
    return CautionEntry.model_validate(row, from_attributes=True)


def standing_of(row: Lifter) -> Standing:
    """Open stops and open cautions of a lifter, oldest first."""
    still = [caution_entry(c) for c in row.cautions if c.lifted_at is None]
    return Standing(
        code=row.code, stops=[c for c in still if c.stops], cautions=[c for c in still if not c.stops]
    )


def newest_intake(row: Lifter) -> IntakeEntry | None:
    """What the lifter told last, or None."""
    return _intake_entry(row.intakes[-1]) if row.intakes else None


def raise_findings(session: Session, lifter: Lifter, sheet: IntakeSheet, by: str, at: datetime) -> None:
    """Raise what a sheet holds as cautions, inside a transaction of the caller's."""
    for finding in findings(sheet, at.date()):
        _raise(session, lifter, finding, by, at)
    session.flush()
    session.expire(lifter)


def _find(session: Session, code: str) -> Lifter | None:
    return session.scalars(select(Lifter).where(Lifter.code == code)).one_or_none()


def _consent(row: Lifter, film: bool | None, keep: bool | None, at: datetime) -> None:
    if film is not None:
        row.consent_film = film
    if keep is not None:
        row.consent_keep = keep
    if film is not None or keep is not None:
        row.consent_at = at


def _intake_row(lifter_id: int, sheet: IntakeSheet, by: str, at: datetime) -> Intake:
    told = sheet.model_dump(exclude={"injuries", "consent_film", "consent_keep"})
    return Intake(lifter_id=lifter_id, taken_at=at, taken_by=by, **told)


def _intake_entry(row: Intake) -> IntakeEntry:
    return IntakeEntry.model_validate(row, from_attributes=True)


def _raise(session: Session, lifter: Lifter, finding: Finding, by: str, at: datetime) -> None:
    for caution in lifter.cautions:
        if caution.topic == finding.topic and caution.lifted_at is None:
            caution.text, caution.stops = finding.text, caution.stops or finding.stops
            return
    session.add(_new_caution(lifter.id, finding, by, at))


def _new_caution(lifter_id: int, finding: Finding, by: str, at: datetime) -> Caution:
    return Caution(
        lifter_id=lifter_id, topic=finding.topic, text=finding.text, stops=finding.stops,
        raised_at=at, raised_by=by, lifted_at=None, lifted_by="", lifted_why="",
    )  # fmt: skip
