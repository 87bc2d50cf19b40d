"""Links for remote clients, and what comes in through them or through the inbox."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from asymscreen.errors import RecordError
from asymscreen.record.desk_models import AuditLine, HandIn, HandInLink
from asymscreen.record.lifters import get_lifter, now
from asymscreen.record.models import Job, Lifter, StoredScreen
from asymscreen.record.shapes import Shape
from asymscreen.record.store import Store

TOLD, STOPPED, DESCRIBED = "told", "stopped", "described"
CHECKING, TAKEN, AGAIN = "checking", "taken", "again"
LINK_DAYS = (1, 90)
"""A link may be made for so many days; ours, no source."""
MOST_CLIPS = (1, 50)
"""A link may be made for so many clips; ours, no source."""
NEW_DAYS = 30
"""A clip that came in is shown as new for at most so long, days; ours, no source."""
SAW_SCREEN = "saw /screens/{screen}"
"""The line of the audit log that says that somebody opened a screen."""


class LinkEntry(Shape):
    """A link: `open` until it ends or is taken back; `used` counts the clips that came through it."""

    id: str
    lifter: str
    made_at: datetime
    made_by: str
    ends_at: datetime
    revoked_at: datetime | None
    most_clips: int
    used: int
    open: bool


class HandInEntry(Shape):
    """What one client told and sent; the fields are those of the table."""

    name: str
    lifter: str
    link_id: str
    begun_at: datetime
    sent_at: datetime | None
    state: str
    told: dict[str, Any]
    sheet: dict[str, Any]
    felt: dict[str, Any]
    sha256: str
    job: str
    reasons: list[str]
    advice: list[str]
    screen_id: str | None


class NewClip(Shape):
    """A clip that came in and was screened, and whose screen nobody has opened at the desk yet."""

    lifter: str
    sent_at: datetime
    screen_id: str
    by_link: bool
    pain: int | None
    words: str


def new_clips(store: Store, *, at: datetime | None = None) -> list[NewClip]:
    """Clips of the last NEW_DAYS days that came in by themselves, not seen yet, newest first."""
    since = (at or now()) - timedelta(days=NEW_DAYS)
    seen = select(AuditLine.about).where(AuditLine.did == SAW_SCREEN, AuditLine.at >= since)
    query = (
        select(HandIn, Lifter.code, StoredScreen.id)
        .join(Lifter, Lifter.id == HandIn.lifter_id)
        .join(Job, Job.id == HandIn.job)
        .join(StoredScreen, StoredScreen.id == Job.screen_id)
        .where(HandIn.sent_at >= since, StoredScreen.usable, StoredScreen.id.not_in(seen))
        .order_by(HandIn.sent_at.desc(), HandIn.id.desc())
    )
    with store.reading() as session:
        return [
            NewClip(
                lifter=code, sent_at=row.sent_at or row.begun_at, screen_id=screen, by_link=bool(row.link_id),
                pain=row.felt.get("pain"), words=str(row.felt.get("words") or ""),
            )
            for row, code, screen in session.execute(query)
        ]  # fmt: skip


def add_link(
    store: Store, code: str, link_id: str, *, days: int, most_clips: int, by: str, at: datetime | None = None
) -> LinkEntry:
    """Note a link for a lifter. RecordError for an unknown code, or days or clips out of range."""
    for what, value, (low, high) in (("days", days, LINK_DAYS), ("clips", most_clips, MOST_CLIPS)):
        if not low <= value <= high:
            raise RecordError(f"link: expected {low} to {high} {what}, got {value}")
    at = at or now()
    with store.writing() as session:
        lifter = get_lifter(session, code)
        row = HandInLink(
            id=link_id, lifter_id=lifter.id, made_at=at, made_by=by, ends_at=at + timedelta(days=days),
            revoked_at=None, most_clips=most_clips,
        )  # fmt: skip
        session.add(row)
        session.flush()
        return _link_entry(session, row, code, at)


def list_links(store: Store, code: str | None = None, *, at: datetime | None = None) -> list[LinkEntry]:
    """Links of one lifter or of all, newest first."""
    query = select(HandInLink, Lifter.code).join(Lifter, Lifter.id == HandInLink.lifter_id)
    if code is not None:
        query = query.where(Lifter.code == code)
    with store.reading() as session:
        rows = session.execute(query.order_by(HandInLink.made_at.desc(), HandInLink.id)).all()
        return [_link_entry(session, row, owner, at or now()) for row, owner in rows]


def link_entry(store: Store, link_id: str, *, at: datetime | None = None) -> LinkEntry | None:
    """One link, or None where the record does not know it."""
    with store.reading() as session:
        row = session.get(HandInLink, link_id)
        return None if row is None else _link_entry(session, row, _code(session, row.lifter_id), at or now())


def revoke_link(store: Store, link_id: str, *, at: datetime | None = None) -> LinkEntry:
    """Take a link back at once. RecordError where there is none; one taken back stays as it is."""
    at = at or now()
    with store.writing() as session:
        row = session.get(HandInLink, link_id)
        if row is None:
            raise RecordError(f"link {link_id[:40]!r}: expected one of the record; list them with link list")
        row.revoked_at = row.revoked_at or at
        return _link_entry(session, row, _code(session, row.lifter_id), at)


def begin_hand_in(
    store: Store, code: str, *, link_id: str = "", told: Mapping[str, Any], state: str = TOLD,
    at: datetime | None = None,
) -> HandInEntry:  # fmt: skip
    """Note what a client told before the set; the new hand-in gets a name that cannot be guessed."""
    with store.writing() as session:
        row = HandIn(
            name=secrets.token_hex(12), lifter_id=get_lifter(session, code).id, link_id=link_id,
            begun_at=at or now(), sent_at=None, state=state, told=dict(told), sheet={}, felt={}, sha256="",
            job="", reasons=[], advice=[], screen_id=None,
        )  # fmt: skip
        session.add(row)
        session.flush()
        return _entry(session, row)


def change_hand_in(store: Store, name: str, **changes: Any) -> HandInEntry:
    """Change fields of a hand-in; the names are those of `HandInEntry`."""
    unknown = set(changes) - (set(HandInEntry.model_fields) - {"name", "lifter", "link_id"})
    if unknown:
        raise RecordError(f"hand-in: expected its fields, got {', '.join(sorted(unknown))}")
    with store.writing() as session:
        row = _get(session, name)
        for key, value in changes.items():
            setattr(row, key, value)
        session.flush()
        return _entry(session, row)


def hand_in(store: Store, name: str, *, link_id: str | None = None) -> HandInEntry:
    """One hand-in. RecordError where there is none, or where it did not come through that link."""
    with store.reading() as session:
        row = _get(session, name)
        if link_id is not None and row.link_id != link_id:
            raise _unknown(name)
        return _entry(session, row)


def list_hand_ins(
    store: Store, code: str | None = None, *, link_id: str | None = None, most: int = 200
) -> list[HandInEntry]:
    """Hand-ins, newest first, of one lifter, of one link, or of all."""
    query = select(HandIn).order_by(HandIn.begun_at.desc(), HandIn.id.desc()).limit(most)
    if code is not None:
        query = query.join(Lifter, Lifter.id == HandIn.lifter_id).where(Lifter.code == code)
    if link_id is not None:
        query = query.where(HandIn.link_id == link_id)
    with store.reading() as session:
        return [_entry(session, row) for row in session.scalars(query)]


def seen_before(store: Store, code: str, sha256: str) -> bool:
    """True if this lifter handed this very clip in before, or has a screen of it."""
    with store.reading() as session:
        lifter = get_lifter(session, code)
        sent = select(HandIn.id).where(HandIn.lifter_id == lifter.id, HandIn.sha256 == sha256)
        screened = select(StoredScreen.id).where(
            StoredScreen.lifter_id == lifter.id, StoredScreen.clip_sha256 == sha256
        )
        return session.scalar(sent.limit(1)) is not None or session.scalar(screened.limit(1)) is not None


def clips_through(store: Store, link_id: str, *, since: datetime | None = None) -> int:
    """How many clips came through a link, ever or since a moment; refused ones count as well."""
    query = select(func.count()).select_from(HandIn).where(HandIn.link_id == link_id)
    query = query.where(HandIn.sent_at.is_not(None))
    if since is not None:
        query = query.where(HandIn.sent_at >= since)
    with store.reading() as session:
        return int(session.scalar(query) or 0)


def open_hand_in(store: Store, link_id: str, *, since: datetime) -> HandInEntry | None:
    """The newest hand-in of a link that is still being filled in or checked, if it began after `since`."""
    query = (
        select(HandIn)
        .where(HandIn.link_id == link_id, or_(HandIn.begun_at >= since, HandIn.state == CHECKING))
        .order_by(HandIn.id.desc())
        .limit(1)
    )
    with store.reading() as session:
        row = session.scalars(query).one_or_none()
        return None if row is None else _entry(session, row)


def _get(session: Session, name: str) -> HandIn:
    row = session.scalars(select(HandIn).where(HandIn.name == name)).one_or_none()
    if row is None:
        raise _unknown(name)
    return row


def _unknown(name: str) -> RecordError:
    return RecordError(f"hand-in {name[:40]!r}: expected one that was begun through this link, got none")


def _code(session: Session, lifter_id: int) -> str:
    return session.get_one(Lifter, lifter_id).code


def _link_entry(session: Session, row: HandInLink, code: str, at: datetime) -> LinkEntry:
    query = select(func.count()).select_from(HandIn)
    used = session.scalar(query.where(HandIn.link_id == row.id, HandIn.sent_at.is_not(None))) or 0
    still = row.revoked_at is None and at < row.ends_at
    return LinkEntry(
        id=row.id, lifter=code, made_at=row.made_at, made_by=row.made_by, ends_at=row.ends_at,
        revoked_at=row.revoked_at, most_clips=row.most_clips, used=used, open=still,
    )  # fmt: skip


def _entry(session: Session, row: HandIn) -> HandInEntry:
    plain = {name: getattr(row, name) for name in HandInEntry.model_fields if name != "lifter"}
    return HandInEntry(lifter=_code(session, row.lifter_id), **plain)
