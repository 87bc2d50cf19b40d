"""All lifters at a glance: what a coach looks at first."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from asymscreen.record.blocks import due_rescreens
from asymscreen.record.models import Caution, Job, Lifter, StoredScreen, Visit
from asymscreen.record.shapes import Shape
from asymscreen.record.store import Store


class LifterLine(Shape):
    """One lifter: screens, the newest one, what stops or has to be said, what is due or under way."""

    code: str
    screens: int
    newest: str | None
    newest_at: datetime | None
    newest_summary: str
    newest_usable: bool
    stops: int
    cautions: int
    due_on: date | None
    late_days: int
    visit: int | None
    under_way: int


def all_lifters(store: Store, *, today: date | None = None) -> list[LifterLine]:
    """Every lifter by code, in a fixed number of queries however many there are."""
    due = {entry.lifter: entry for entry in due_rescreens(store, today=today)}
    with store.reading() as session:
        newest = _newest(session)
        counts = _counted(session, StoredScreen.lifter_id)
        stops = _counted(session, Caution.lifter_id, Caution.lifted_at.is_(None), Caution.stops)
        cautions = _counted(session, Caution.lifter_id, Caution.lifted_at.is_(None), ~Caution.stops)
        under_way = _counted(session, Job.lifter_id, Job.state.in_(("waiting", "running")))
        visits = {
            row.lifter_id: row.id for row in session.scalars(select(Visit).where(Visit.ended_at.is_(None)))
        }
        lines = []
        for row in session.scalars(select(Lifter).order_by(Lifter.code)):
            screen, late = newest.get(row.id), due.get(row.code)
            lines.append(
                LifterLine(
                    code=row.code, screens=counts.get(row.id, 0),
                    newest=screen.id if screen else None, newest_at=screen.filmed_at if screen else None,
                    newest_summary=screen.summary if screen else "",
                    newest_usable=bool(screen and screen.usable),
                    stops=stops.get(row.id, 0), cautions=cautions.get(row.id, 0),
                    due_on=late.rescreen_on if late else None, late_days=late.late_days if late else 0,
                    visit=visits.get(row.id), under_way=under_way.get(row.id, 0),
                )
            )  # fmt: skip
        return lines


def _newest(session: Session) -> dict[int, StoredScreen]:
    """Each lifter's newest screen, without its document."""
    query = select(StoredScreen).order_by(StoredScreen.filmed_at, StoredScreen.added_at, StoredScreen.id)
    return {row.lifter_id: row for row in session.scalars(query)}


def _counted(session: Session, owner: object, *conditions: object) -> dict[int, int]:
    query = select(owner, func.count()).where(*conditions).group_by(owner)  # type: ignore[call-overload]
    return {int(number): int(count) for number, count in session.execute(query)}
