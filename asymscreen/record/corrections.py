"""What a person corrected of a screen: kept with who and when, beside the result as the program made it.

The screen of the record is always the corrected one, so that trend, comparison and report follow; the
untouched one is kept at the first correction and comes back, byte for byte, when all are taken back.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from asymscreen.document import ScreenDocument
from asymscreen.errors import DocumentError, RecordError
from asymscreen.motion.tracks import Tracks
from asymscreen.record.lifters import now
from asymscreen.record.models import Correction, StoredKeyFrame, StoredScreen, StoredTracks, Untouched
from asymscreen.record.packing import pack_tracks, unpack_tracks
from asymscreen.record.screens import document_of, get_screen
from asymscreen.record.shapes import CorrectionEntry
from asymscreen.record.store import Store

TRACKS = "tracks"
"""Key of a correction's details under which whole new tracks lie, base64 of their npz bytes."""


@dataclass(frozen=True)
class Base:
    """A screen before any correction, and its corrections that count, in their order.

    `tracks` is None for a refused clip in which no lifter was found: only another person can be chosen there.
    """

    document: ScreenDocument
    tracks: Tracks | None
    corrections: tuple[CorrectionEntry, ...]


def list_corrections(store: Store, screen_id: str) -> list[CorrectionEntry]:
    """All corrections of a screen, oldest first, also those that were taken back; without whole tracks."""
    with store.reading() as session:
        get_screen(session, screen_id)
        return [_entry(row, whole=False) for row in _rows(session, screen_id)]


def read_base(store: Store, screen_id: str) -> Base:
    """What a screen is solved from again. RecordError for an unknown id, or where no tracks were kept."""
    with store.reading() as session:
        row = get_screen(session, screen_id)
        before = session.get(Untouched, screen_id)
        document = document_of(row) if before is None else _read(before)
        npz = _npz(row) if before is None else before.npz
        if not npz and document.capture.usable:
            raise RecordError(
                f"screen {screen_id}: expected kept tracks to solve it again, found none; screen it anew"
            )
        still = [_entry(c) for c in _rows(session, screen_id) if c.taken_back_at is None]
        return Base(document, unpack_tracks(npz) if npz else None, tuple(still))


def read_untouched(store: Store, screen_id: str) -> ScreenDocument:
    """The document as the program made it; RecordError for an unknown id."""
    with store.reading() as session:
        row = get_screen(session, screen_id)
        before = session.get(Untouched, screen_id)
        return document_of(row) if before is None else _read(before)


def correct(
    session: Session,
    base: Base,
    screen_id: str,
    kind: str,
    details: Mapping[str, Any],
    result: tuple[ScreenDocument, Tracks, Mapping[str, bytes]],
    *,
    by: str,
    at: datetime | None = None,
) -> None:
    """Note a correction and put its result in place, in a transaction of the caller's.

    result   the corrected document, tracks, and images by the names that it gives to new key frames
    RecordError where somebody else corrected the screen since `base` was read.
    """
    row = _unchanged(session, base, screen_id)
    if session.get(Untouched, screen_id) is None:
        session.add(Untouched(screen_id=screen_id, document=row.document, npz=_npz(row)))
    session.add(
        Correction(
            screen_id=screen_id, kind=kind, details=dict(details), made_at=at or now(), made_by=by,
            taken_back_at=None, taken_back_by="",
        )
    )  # fmt: skip
    _put(session, row, *result)


def take_back(
    session: Session,
    base: Base,
    screen_id: str,
    number: int,
    result: tuple[ScreenDocument, Tracks, Mapping[str, bytes]] | None,
    *,
    by: str,
    at: datetime | None = None,
) -> None:
    """Take a correction back, in a transaction of the caller's; `result` is that of those that are left.

    None as a result brings the untouched screen back. RecordError for a correction that does not count.
    """
    row = _unchanged(session, base, screen_id)
    found = session.get(Correction, number)
    if found is None or found.screen_id != screen_id or found.taken_back_at is not None:
        raise RecordError(f"correction {number}: expected one of screen {screen_id} that counts, got another")
    found.taken_back_at, found.taken_back_by = at or now(), by
    if result is not None:
        _put(session, row, *result)
        return
    before = session.get(Untouched, screen_id)
    assert before is not None
    _put(session, row, _read(before), None, {})
    row.document = before.document
    if row.tracks is not None and before.npz:
        row.tracks.npz = before.npz
    elif row.tracks is not None:
        session.delete(row.tracks)


def whole_tracks(tracks: Tracks) -> str:
    """Tracks as text, for the details of a correction that brings whole ones."""
    return base64.b64encode(pack_tracks(tracks)).decode("ascii")


def brought_tracks(correction: CorrectionEntry) -> Tracks | None:
    """The whole tracks that a correction brought, or None."""
    text = correction.details.get(TRACKS)
    return None if text is None else unpack_tracks(base64.b64decode(str(text)))


def _put(
    session: Session, row: StoredScreen, document: ScreenDocument, tracks: Tracks | None,
    images: Mapping[str, bytes],
) -> None:  # fmt: skip
    """The corrected result in place of the one before; pictures that it does not name are kept.

    None as tracks leaves those that are there.
    """
    row.document, row.summary = document.to_json(), document.summary
    row.view, row.usable = document.capture.view, document.capture.usable
    row.complete_reps = sum(rep.complete for rep in document.reps)
    if tracks is not None and row.tracks is None:
        row.tracks = StoredTracks(screen_id=row.id, npz=pack_tracks(tracks))
    elif tracks is not None and row.tracks is not None:
        row.tracks.npz = pack_tracks(tracks)
    have = {frame.name for frame in row.keyframes}
    for name, jpeg in images.items():
        if name not in have:
            session.add(StoredKeyFrame(screen_id=row.id, name=name, jpeg=jpeg))
    session.flush()


def _npz(row: StoredScreen) -> bytes:
    """The tracks of a row as they are stored; empty where there are none."""
    return b"" if row.tracks is None else row.tracks.npz


def _unchanged(session: Session, base: Base, screen_id: str) -> StoredScreen:
    row = get_screen(session, screen_id)
    still = [c.id for c in _rows(session, screen_id) if c.taken_back_at is None]
    if still != [c.id for c in base.corrections]:
        raise RecordError(
            f"screen {screen_id}: expected it as you saw it, somebody corrected it meanwhile; "
            "look at it again, then correct it"
        )
    return row


def _rows(session: Session, screen_id: str) -> list[Correction]:
    query = select(Correction).where(Correction.screen_id == screen_id).order_by(Correction.id)
    return list(session.scalars(query))


def _read(before: Untouched) -> ScreenDocument:
    try:
        return ScreenDocument.model_validate_json(before.document)
    except ValueError as error:
        raise DocumentError(
            f"screen {before.screen_id}: expected the untouched document, got a damaged one"
        ) from error


def _entry(row: Correction, whole: bool = True) -> CorrectionEntry:
    found = CorrectionEntry.model_validate(row, from_attributes=True)
    if whole:
        return found
    return found.model_copy(update={"details": {k: v for k, v in found.details.items() if k != TRACKS}})
