"""The tables of the record, as typed models. A lifter owns all below: deleting that row deletes the rest."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    DateTime,
    ForeignKey,
    LargeBinary,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

CODE_LENGTH = 64
"""Longest lifter code, characters."""
TEXT_LENGTH = 4000
"""Longest free text, characters; checked where a person types it."""


class UtcDateTime(TypeDecorator[datetime]):
    """An aware time stamp, kept as UTC; SQLite has no zones and stores it without one."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Base of every table; constraints get names by rule, so that migrations can speak of them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {datetime: UtcDateTime(), dict[str, Any]: JSON(), list[str]: JSON(), str: Text()}  # noqa: RUF012


def _owner() -> Mapped[int]:
    return mapped_column(ForeignKey("lifter.id", ondelete="CASCADE"), index=True)


class Lifter(Base):
    """A person, known by a code only. Consents: True given, False refused, None not asked."""

    __tablename__ = "lifter"

    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(String(CODE_LENGTH), unique=True)
    added_at: Mapped[datetime]
    consent_film: Mapped[bool | None]
    consent_keep: Mapped[bool | None]
    consent_at: Mapped[datetime | None]

    intakes: Mapped[list[Intake]] = relationship(passive_deletes=True, order_by="Intake.id")
    injuries: Mapped[list[Injury]] = relationship(passive_deletes=True, order_by="Injury.id")
    cautions: Mapped[list[Caution]] = relationship(passive_deletes=True, order_by="Caution.id")
    screens: Mapped[list[StoredScreen]] = relationship(passive_deletes=True, back_populates="lifter")
    visits: Mapped[list[Visit]] = relationship(
        passive_deletes=True, order_by="Visit.id", back_populates="lifter"
    )
    blocks: Mapped[list[Block]] = relationship(
        passive_deletes=True, order_by="Block.id", back_populates="lifter"
    )


class Intake(Base):
    """What a lifter told on one day; the newest counts, the older ones stay."""

    __tablename__ = "intake"

    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owner()
    taken_at: Mapped[datetime]
    taken_by: Mapped[str]
    one_rep_max_kg: Mapped[float | None]
    stalled_weeks: Mapped[int | None]
    grip: Mapped[str]
    usual_cues: Mapped[str]
    pain_now: Mapped[int | None]
    pain_side: Mapped[str]
    provokes: Mapped[str]
    red_flags: Mapped[list[str]]
    sudden: Mapped[bool]
    notes: Mapped[str]


class Injury(Base):
    """An injury that the lifter named; `on_date` as exact as told: "2024", "2024-03" or "2024-03-09"."""

    __tablename__ = "injury"

    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owner()
    side: Mapped[str]
    kind: Mapped[str]
    on_date: Mapped[str]
    notes: Mapped[str]


class Caution(Base):
    """Said on every report until lifted. `stops` true: no screen at all until it is lifted."""

    __tablename__ = "caution"

    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owner()
    topic: Mapped[str]
    text: Mapped[str]
    stops: Mapped[bool]
    raised_at: Mapped[datetime]
    raised_by: Mapped[str]
    lifted_at: Mapped[datetime | None]
    lifted_by: Mapped[str]
    lifted_why: Mapped[str]


class StoredScreen(Base):
    """A finished screen: its document as it was written, and a few of its facts to list it by."""

    __tablename__ = "screen"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    lifter_id: Mapped[int] = _owner()
    filmed_at: Mapped[datetime] = mapped_column(index=True)
    added_at: Mapped[datetime]
    document: Mapped[str] = mapped_column(Text(), deferred=True)
    clip_name: Mapped[str]
    clip_sha256: Mapped[str]
    clip_file: Mapped[str]
    view: Mapped[str]
    usable: Mapped[bool]
    load_kg: Mapped[float | None]
    grip: Mapped[str]
    complete_reps: Mapped[int]
    summary: Mapped[str]

    lifter: Mapped[Lifter] = relationship(back_populates="screens")
    tracks: Mapped[StoredTracks | None] = relationship(passive_deletes=True, uselist=False)
    keyframes: Mapped[list[StoredKeyFrame]] = relationship(passive_deletes=True, order_by="StoredKeyFrame.id")


class StoredTracks(Base):
    """Landmark tracks of a screen as compressed npz bytes, in a table of their own."""

    __tablename__ = "tracks"

    screen_id: Mapped[str] = mapped_column(ForeignKey("screen.id", ondelete="CASCADE"), primary_key=True)
    npz: Mapped[bytes] = mapped_column(LargeBinary)


class StoredKeyFrame(Base):
    """One JPEG of a screen."""

    __tablename__ = "keyframe"
    __table_args__ = (UniqueConstraint("screen_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    screen_id: Mapped[str] = mapped_column(ForeignKey("screen.id", ondelete="CASCADE"), index=True)
    name: Mapped[str]
    jpeg: Mapped[bytes] = mapped_column(LargeBinary)


class Visit(Base):
    """A screening visit. `stopped_why` is set where it ended early."""

    __tablename__ = "visit"

    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owner()
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    stopped_why: Mapped[str]
    one_rep_max_kg: Mapped[float]
    target_kg: Mapped[float]
    reps: Mapped[int]
    hold_back: Mapped[bool]

    lifter: Mapped[Lifter] = relationship(back_populates="visits")
    steps: Mapped[list[VisitStep]] = relationship(passive_deletes=True, order_by="VisitStep.id")


class VisitStep(Base):
    """A step of a visit that was done, with its answers; a screen that is deleted leaves the step."""

    __tablename__ = "visit_step"

    id: Mapped[int] = mapped_column(primary_key=True)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"), index=True)
    step: Mapped[str]
    done_at: Mapped[datetime]
    screen_id: Mapped[str | None] = mapped_column(ForeignKey("screen.id", ondelete="SET NULL"), index=True)
    answers: Mapped[dict[str, Any]]


class Block(Base):
    """A corrective block: `starts_on` to `ends_on`, both included, on the given weekdays ("mon" ...)."""

    __tablename__ = "block"

    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owner()
    starts_on: Mapped[date]
    ends_on: Mapped[date]
    weekdays: Mapped[list[str]]
    rescreen_on: Mapped[date]
    notes: Mapped[str]

    lifter: Mapped[Lifter] = relationship(back_populates="blocks")
    drills: Mapped[list[BlockDrill]] = relationship(passive_deletes=True, order_by="BlockDrill.id")
    days: Mapped[list[BlockDay]] = relationship(passive_deletes=True, order_by="BlockDay.on_date")


class BlockDrill(Base):
    """A drill of a block with its side and dose."""

    __tablename__ = "block_drill"

    id: Mapped[int] = mapped_column(primary_key=True)
    block_id: Mapped[int] = mapped_column(ForeignKey("block.id", ondelete="CASCADE"), index=True)
    drill: Mapped[str]
    side: Mapped[str]
    dose: Mapped[str]


class BlockDay(Base):
    """A day on which the block's work was done, or not."""

    __tablename__ = "block_day"
    __table_args__ = (UniqueConstraint("block_id", "on_date"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    block_id: Mapped[int] = mapped_column(ForeignKey("block.id", ondelete="CASCADE"), index=True)
    on_date: Mapped[date]
    done: Mapped[bool]
    notes: Mapped[str]


class Backup(Base):
    """A backup that was written: where, when, and its digest."""

    __tablename__ = "backup"

    id: Mapped[int] = mapped_column(primary_key=True)
    made_at: Mapped[datetime]
    path: Mapped[str]
    sha256: Mapped[str]


class BackupEntry(Base):
    """Which lifters a backup holds; erasing a lifter removes these."""

    __tablename__ = "backup_entry"

    backup_id: Mapped[int] = mapped_column(ForeignKey("backup.id", ondelete="CASCADE"), primary_key=True)
    lifter_id: Mapped[int] = mapped_column(
        ForeignKey("lifter.id", ondelete="CASCADE"), primary_key=True, index=True
    )


class Erasure(Base):
    """That an erasure took place. Holds no code: `mark` is the digest of receipt and code together."""

    __tablename__ = "erasure"

    receipt: Mapped[str] = mapped_column(String(40), primary_key=True)
    erased_at: Mapped[datetime]
    mark: Mapped[str]
    rows: Mapped[int]
    files: Mapped[int]


class Job(Base):
    """A clip handed to the desk. `state`: waiting, running, done, unusable, failed or stopped; `claim`
    is the run that works on it; `clip_file` lies in the folder of waiting clips until the job has ended."""

    __tablename__ = "job"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    lifter_id: Mapped[int] = _owner()
    state: Mapped[str] = mapped_column(String(16), index=True)
    clip_file: Mapped[str]
    clip_name: Mapped[str]
    capture: Mapped[dict[str, Any]]
    origin: Mapped[str]
    submitted_at: Mapped[datetime]
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    attempts: Mapped[int]
    claim: Mapped[str]
    stage: Mapped[str]
    share: Mapped[float]
    message: Mapped[str]
    screen_id: Mapped[str | None] = mapped_column(ForeignKey("screen.id", ondelete="SET NULL"), index=True)


class Untouched(Base):
    """A screen as the program made it, kept when a person corrects that screen for the first time."""

    __tablename__ = "untouched"

    screen_id: Mapped[str] = mapped_column(ForeignKey("screen.id", ondelete="CASCADE"), primary_key=True)
    document: Mapped[str] = mapped_column(Text(), deferred=True)
    npz: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)


class Correction(Base):
    """What a person changed of a screen, and who; one that was taken back stays, with who took it back."""

    __tablename__ = "correction"

    id: Mapped[int] = mapped_column(primary_key=True)
    screen_id: Mapped[str] = mapped_column(ForeignKey("screen.id", ondelete="CASCADE"), index=True)
    kind: Mapped[str] = mapped_column(String(32))
    details: Mapped[dict[str, Any]]
    made_at: Mapped[datetime]
    made_by: Mapped[str]
    taken_back_at: Mapped[datetime | None]
    taken_back_by: Mapped[str]


TABLES: tuple[type[Base], ...] = (
    Lifter, Intake, Injury, Caution, StoredScreen, StoredTracks, StoredKeyFrame,
    Visit, VisitStep, Block, BlockDrill, BlockDay, Backup, BackupEntry, Erasure,
    Job, Untouched, Correction,
)  # fmt: skip
"""Every table, parents before children."""
