"""Tables of the desk: who may log in, the links of remote clients, what they handed in, who did what."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from asymscreen.record.models import CODE_LENGTH, Base

NAME_LENGTH = 64
"""Longest name of an account, characters."""


class Account(Base):
    """Somebody who may log in to the desk; `password_hash` is Argon2's own text form."""

    __tablename__ = "account"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(NAME_LENGTH), unique=True)
    password_hash: Mapped[str]
    made_at: Mapped[datetime]
    changed_at: Mapped[datetime]


class Login(Base):
    """A session: `key` is the digest of the token in the browser's cookie, never the token."""

    __tablename__ = "login"

    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id", ondelete="CASCADE"), index=True)
    made_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    ends_at: Mapped[datetime]


class HandInLink(Base):
    """A link for one lifter, good until `ends_at` and for `most_clips` clips, unless taken back."""

    __tablename__ = "hand_in_link"

    id: Mapped[str] = mapped_column(String(24), primary_key=True)
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifter.id", ondelete="CASCADE"), index=True)
    made_at: Mapped[datetime]
    made_by: Mapped[str]
    ends_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]
    most_clips: Mapped[int]


class HandIn(Base):
    """What one client told and sent. `state`: told, stopped, described, checking, taken or again.

    link_id   the link it came through, empty for the inbox; not a foreign key: links may be cleared away
    told      pain, red flags and consents before the set; `felt` pain and feel after it
    sheet     the capture sheet
    reasons   why the clip has to be filmed again; `advice` what would make the next one better
    """

    __tablename__ = "hand_in"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(32), unique=True)
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifter.id", ondelete="CASCADE"), index=True)
    link_id: Mapped[str] = mapped_column(String(24), index=True)
    begun_at: Mapped[datetime]
    sent_at: Mapped[datetime | None]
    state: Mapped[str] = mapped_column(String(16))
    told: Mapped[dict[str, Any]]
    sheet: Mapped[dict[str, Any]]
    felt: Mapped[dict[str, Any]]
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    job: Mapped[str] = mapped_column(String(32))
    reasons: Mapped[list[str]]
    advice: Mapped[list[str]]
    screen_id: Mapped[str | None] = mapped_column(ForeignKey("screen.id", ondelete="SET NULL"), index=True)


class AuditLine(Base):
    """Who saw or changed what. `lifter` is blanked when that lifter is erased; the line itself stays."""

    __tablename__ = "audit_line"

    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime] = mapped_column(index=True)
    who: Mapped[str]
    address: Mapped[str]
    did: Mapped[str] = mapped_column(Text())
    lifter: Mapped[str] = mapped_column(String(CODE_LENGTH), index=True)
    about: Mapped[str]


OF_LIFTERS: tuple[type[Base], ...] = (HandIn,)
"""Go with the lifter into backups and exports."""
OF_THIS_DESK: tuple[type[Base], ...] = (Account, Login, HandInLink, AuditLine)
"""Stay where they are: a restored backup must not bring back a password or a link that was taken back."""
