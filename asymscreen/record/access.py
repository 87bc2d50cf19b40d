"""Who may log in to the desk, their sessions, and the log of who saw or changed what."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from asymscreen.errors import RecordError
from asymscreen.record.desk_models import NAME_LENGTH, Account, AuditLine, Login
from asymscreen.record.lifters import now
from asymscreen.record.shapes import Shape
from asymscreen.record.store import Store

NAME_RULE = re.compile(r"[^\W_][\w .@-]*")
AUDIT_DAYS = 730
"""Lines of the audit log are kept so long, days; ours, no source."""
SEEN_STEP_S = 60.0
"""A session's last use is written at most so often, seconds: reading a page should not write a row."""


class AccountEntry(Shape):
    """Somebody who may log in."""

    name: str
    made_at: datetime
    changed_at: datetime


class AuditEntry(Shape):
    """`who` did what, from which network address; `lifter` is empty where none was concerned or erased."""

    at: datetime
    who: str
    address: str
    did: str
    lifter: str
    about: str


def add_account(store: Store, name: str, password_hash: str, *, at: datetime | None = None) -> AccountEntry:
    """Add an account. RecordError for a name that is taken or unusable."""
    if len(name) > NAME_LENGTH or not NAME_RULE.fullmatch(name):
        raise RecordError(
            f"account: expected a name of 1 to {NAME_LENGTH} letters, digits, spaces, dots, dashes or @, "
            f"got {name[:80]!r}"
        )
    at = at or now()
    with store.writing() as session:
        if _find(session, name) is not None:
            raise RecordError(f"account {name}: expected a new name, got one that is taken; choose another")
        row = Account(name=name, password_hash=password_hash, made_at=at, changed_at=at)
        session.add(row)
        return _entry(row)


def list_accounts(store: Store) -> list[AccountEntry]:
    """All accounts by name."""
    with store.reading() as session:
        return [_entry(row) for row in session.scalars(select(Account).order_by(Account.name))]


def password_hash_of(store: Store, name: str) -> str | None:
    """The hash of an account's password, or None where there is no such account."""
    with store.reading() as session:
        row = _find(session, name)
        return None if row is None else row.password_hash


def change_password(
    store: Store, name: str, password_hash: str, *, keep_logins: bool = False, at: datetime | None = None
) -> AccountEntry:
    """Put another password hash in place; every session of the account ends unless they are kept."""
    with store.writing() as session:
        row = _get(session, name)
        row.password_hash, row.changed_at = password_hash, at or now()
        if not keep_logins:
            session.execute(delete(Login).where(Login.account_id == row.id))
        return _entry(row)


def remove_account(store: Store, name: str) -> None:
    """Remove an account with its sessions. RecordError where there is none."""
    with store.writing() as session:
        session.delete(_get(session, name))


def add_login(store: Store, name: str, key: str, ends_at: datetime, *, at: datetime | None = None) -> None:
    """Note a session by the digest of its token; sessions that have ended are cleared on the way."""
    at = at or now()
    with store.writing() as session:
        session.execute(delete(Login).where(Login.ends_at <= at))
        account = _get(session, name)
        session.add(Login(key=key, account_id=account.id, made_at=at, seen_at=at, ends_at=ends_at))


def login_name(store: Store, key: str, idle: timedelta, *, at: datetime | None = None) -> str | None:
    """Whose session it is, or None where it is unknown, has ended, or was idle for longer than `idle`."""
    at = at or now()
    query = select(Login, Account.name).join(Account, Account.id == Login.account_id).where(Login.key == key)
    with store.reading() as session:
        found = session.execute(query).one_or_none()
    if found is None or at >= found[0].ends_at or at - found[0].seen_at > idle:
        return None
    if (at - found[0].seen_at).total_seconds() >= SEEN_STEP_S:
        with store.writing() as session:
            session.execute(update(Login).where(Login.key == key).values(seen_at=at))
    return str(found[1])


def end_login(store: Store, key: str) -> None:
    """End a session; nothing where there is none."""
    with store.writing() as session:
        session.execute(delete(Login).where(Login.key == key))


def note(
    store: Store, who: str, did: str, *, lifter: str = "", about: str = "", address: str = "",
    at: datetime | None = None,
) -> None:  # fmt: skip
    """Add a line to the audit log. `about` names a screen, job or the like by its id, never a lifter."""
    line = AuditLine(
        at=at or now(), who=who[:200], address=address[:64], did=did[:200], lifter=lifter[:64],
        about=about[:200],
    )  # fmt: skip
    with store.writing() as session:
        session.add(line)


def read_audit(store: Store, *, lifter: str | None = None, most: int = 200) -> list[AuditEntry]:
    """The newest lines of the audit log, newest first, of one lifter or of all."""
    query = select(AuditLine).order_by(AuditLine.at.desc(), AuditLine.id.desc()).limit(most)
    if lifter is not None:
        query = query.where(AuditLine.lifter == lifter)
    with store.reading() as session:
        return [AuditEntry.model_validate(row, from_attributes=True) for row in session.scalars(query)]


def clear_old_audit(store: Store, *, at: datetime | None = None) -> int:
    """Delete lines older than AUDIT_DAYS; how many there were."""
    limit = (at or now()) - timedelta(days=AUDIT_DAYS)
    with store.writing() as session:
        old = list(session.scalars(select(AuditLine.id).where(AuditLine.at < limit)))
        session.execute(delete(AuditLine).where(AuditLine.at < limit))
    return len(old)


def blank_lifter(session: Session, code: str) -> None:
    """Take an erased lifter's code and what points at the lifter out of the log; the lines stay."""
    session.execute(update(AuditLine).where(AuditLine.lifter == code).values(lifter="", about=""))


def _find(session: Session, name: str) -> Account | None:
    return session.scalars(select(Account).where(Account.name == name)).one_or_none()


def _get(session: Session, name: str) -> Account:
    row = _find(session, name)
    if row is None:
        raise RecordError(f"account {name[:80]!r}: expected one that exists; list them with account list")
    return row


def _entry(row: Account) -> AccountEntry:
    return AccountEntry.model_validate(row, from_attributes=True)
