"""Screens in the record: document, tracks and key frames go in together, in one transaction."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from asymscreen.document import ScreenDocument
from asymscreen.errors import DocumentError, RecordError
from asymscreen.motion.tracks import Tracks
from asymscreen.record.clips import discard_clip, keep_clip
from asymscreen.record.lifters import check_may_keep, get_lifter, now, refuse_stopped, standing_of
from asymscreen.record.models import Lifter, StoredKeyFrame, StoredScreen, StoredTracks, Visit, VisitStep
from asymscreen.record.packing import pack_tracks, unpack_tracks
from asymscreen.record.shapes import ScreenEntry
from asymscreen.record.store import Store

HELD_BACK = "Findings are held back: say nothing of them to the lifter before the visit ends."
"""Said on every report while a visit holds its findings back, so that the re-test is not biased."""
ID_LETTERS = "23456789abcdefghjkmnpqrstuvwxyz"
"""Letters of a screen's id: no 0, 1, i, l, o, that a person may misread."""


def add_screen(
    store: Store,
    code: str,
    document: ScreenDocument,
    *,
    tracks: Tracks | None = None,
    images: Mapping[str, bytes] | None = None,
    clip: Path | None = None,
    filmed_at: datetime | None = None,
    at: datetime | None = None,
) -> ScreenEntry:
    """Keep a finished screen: its document, tracks and key frames (name to JPEG bytes) in one transaction.

    `clip` keeps the clip as well, without its metadata and sound; it needs the lifter's consent to keep.
    `filmed_at` is when the clip says that it was recorded, where it is not given, else now.
    RecordError for an unknown code, a refusal to be filmed, or while a red flag stops the screen.
    """
    at = at or now()
    row = new_row(document, at, filmed_at)
    if clip is not None:
        check_may_keep(store, code)
        row.clip_file = keep_clip(store, clip, row.id)
    try:
        with store.writing() as session:
            put_screen(session, code, row, tracks, images or {})
            return entry_of(session, row)
    except BaseException:
        discard_clip(store, row.clip_file)
        raise


def put_screen(
    session: Session, code: str, row: StoredScreen, tracks: Tracks | None, images: Mapping[str, bytes]
) -> None:
    """Add a row made by `new_row` with its tracks and key frames, inside a transaction of the caller's.

    RecordError for an unknown code, a refusal to be filmed, or while a red flag stops the screen.
    """
    lifter = get_lifter(session, code)
    refuse_stopped(code, standing_of(lifter))
    if lifter.consent_film is False:
        raise RecordError(f"lifter {code}: expected consent to film, got a refusal; ask the lifter")
    row.lifter_id = lifter.id
    session.add(row)
    session.flush()
    if tracks is not None:
        session.add(StoredTracks(screen_id=row.id, npz=pack_tracks(tracks)))
    for name, jpeg in images.items():
        session.add(StoredKeyFrame(screen_id=row.id, name=name, jpeg=_jpeg(name, jpeg)))
    session.flush()


def list_screens(store: Store, code: str) -> list[ScreenEntry]:
    """A lifter's screens, newest first."""
    with store.reading() as session:
        lifter = get_lifter(session, code)
        rows = session.scalars(
            select(StoredScreen)
            .where(StoredScreen.lifter_id == lifter.id)
            .order_by(StoredScreen.filmed_at.desc(), StoredScreen.added_at.desc(), StoredScreen.id.desc())
        )
        return [entry_of(session, row) for row in rows]


def screen_entry(store: Store, screen_id: str) -> ScreenEntry:
    """The facts of one screen."""
    with store.reading() as session:
        return entry_of(session, get_screen(session, screen_id))


def read_screen(store: Store, screen_id: str) -> ScreenDocument:
    """The document of a screen exactly as it was kept."""
    with store.reading() as session:
        return document_of(get_screen(session, screen_id))


def screen_for_report(store: Store, screen_id: str) -> ScreenDocument:
    """The document with the cautions of today: those that are open are in, those that were lifted are out.

    While its findings are held back from the lifter, a caution says so.
    """
    with store.reading() as session:
        row = get_screen(session, screen_id)
        return _cautioned(document_of(row), row.lifter, is_held_back(session, screen_id))


def fresh_for_report(store: Store, code: str, document: ScreenDocument) -> ScreenDocument:
    """The same for a document that is not in the record, of a lifter who is."""
    with store.reading() as session:
        lifter = get_lifter(session, code)
        return _cautioned(document, lifter, _holding(session, lifter.id, now()))


def _cautioned(document: ScreenDocument, lifter: Lifter, held: bool) -> ScreenDocument:
    open_now = [c.text for c in lifter.cautions if c.lifted_at is None]
    lifted = {c.text for c in lifter.cautions if c.lifted_at is not None} - set(open_now)
    kept = [text for text in document.cautions if text not in lifted]
    cautions = ([HELD_BACK] if held else []) + kept + [text for text in open_now if text not in kept]
    return document.model_copy(update={"cautions": cautions})


def read_tracks_of(store: Store, screen_id: str) -> Tracks | None:
    """The landmark tracks of a screen, or None where none were kept."""
    with store.reading() as session:
        row = get_screen(session, screen_id)
        return None if row.tracks is None else unpack_tracks(row.tracks.npz)


def read_images(store: Store, screen_id: str) -> dict[str, bytes]:
    """The key frames of a screen: name to JPEG bytes."""
    with store.reading() as session:
        return {frame.name: frame.jpeg for frame in get_screen(session, screen_id).keyframes}


def clip_file_of(store: Store, screen_id: str) -> str:
    """Name of a screen's kept clip in the clips folder; empty where none was kept."""
    with store.reading() as session:
        return get_screen(session, screen_id).clip_file


def remove_screen(store: Store, screen_id: str) -> None:
    """Remove one screen with its tracks, key frames and kept clip."""
    with store.writing() as session:
        row = get_screen(session, screen_id)
        clip_file = row.clip_file
        session.delete(row)
    discard_clip(store, clip_file)


def get_screen(session: Session, screen_id: str) -> StoredScreen:
    """The row of an id; RecordError where there is none."""
    row = session.get(StoredScreen, screen_id)
    if row is None:
        raise RecordError(
            f"screen {screen_id[:80]}: expected the id of a screen in the record; list them with screens CODE"
        )
    return row


def document_of(row: StoredScreen) -> ScreenDocument:
    """The document of a row; DocumentError where what is stored is damaged."""
    try:
        return ScreenDocument.model_validate_json(row.document)
    except ValueError as error:
        raise DocumentError(f"screen {row.id}: expected a result document, got a damaged one") from error


def entry_of(session: Session, row: StoredScreen) -> ScreenEntry:
    """A row as it is listed."""
    names = session.scalars(
        select(StoredKeyFrame.name).where(StoredKeyFrame.screen_id == row.id).order_by(StoredKeyFrame.id)
    )
    has_tracks = session.scalar(select(StoredTracks.screen_id).where(StoredTracks.screen_id == row.id))
    return ScreenEntry(
        id=row.id, lifter=get_code(session, row), filmed_at=row.filmed_at, added_at=row.added_at,
        view=row.view, usable=row.usable, load_kg=row.load_kg, grip=row.grip, complete_reps=row.complete_reps,
        summary=row.summary, clip_name=row.clip_name, clip_kept=bool(row.clip_file),
        has_tracks=has_tracks is not None, keyframes=list(names), held_back=is_held_back(session, row.id),
    )  # fmt: skip


def get_code(session: Session, row: StoredScreen) -> str:
    session.flush()
    session.refresh(row, ["lifter"])
    return row.lifter.code


def is_held_back(session: Session, screen_id: str) -> bool:
    """True while a visit that holds its findings back is under way and this screen belongs to it.

    A screen that came in since the visit began belongs to it before any step names it.
    """
    row = get_screen(session, screen_id)
    named = (
        select(Visit.id)
        .join(VisitStep, VisitStep.visit_id == Visit.id)
        .where(VisitStep.screen_id == screen_id, Visit.hold_back, Visit.ended_at.is_(None))
    )
    return session.scalar(named) is not None or _holding(session, row.lifter_id, row.added_at)


def _holding(session: Session, lifter_id: int, since: datetime) -> bool:
    """True if an open visit of the lifter that holds findings back had begun by `since`."""
    begun = select(Visit.id).where(
        Visit.lifter_id == lifter_id, Visit.hold_back, Visit.ended_at.is_(None), Visit.started_at <= since
    )
    return session.scalar(begun) is not None


def new_row(
    document: ScreenDocument,
    at: datetime,
    filmed_at: datetime | None = None,
    else_at: datetime | None = None,
) -> StoredScreen:
    """A screen's row with a new id, without its lifter; `put_screen` adds it.

    It was filmed when `filmed_at` says, else when the clip itself does, else at `else_at` or now (`at`).
    """
    filmed_at = filmed_at or document.clip.recorded or else_at or at
    return StoredScreen(
        id=_new_id(filmed_at), filmed_at=filmed_at, added_at=at, document=document.to_json(),
        clip_name=document.clip.name, clip_sha256=document.clip.sha256, clip_file="",
        view=document.capture.view, usable=document.capture.usable, load_kg=document.sheet.load_kg,
        grip=document.sheet.grip or "", complete_reps=sum(rep.complete for rep in document.reps),
        summary=document.summary,
    )  # fmt: skip


def _new_id(filmed_at: datetime) -> str:
    """The day, then six random letters (887 million a day): unique even where records are joined."""
    return f"{filmed_at:%Y%m%d}-" + "".join(secrets.choice(ID_LETTERS) for _ in range(6))


def _jpeg(name: str, data: bytes) -> bytes:
    if not name or not data.startswith(b"\xff\xd8\xff"):
        raise DocumentError(f"key frame {name!r}: expected JPEG bytes, got {data[:4].hex() or 'nothing'}")
    return data


def digest(data: bytes) -> str:
    """SHA-256 as hex."""
    return hashlib.sha256(data).hexdigest()
