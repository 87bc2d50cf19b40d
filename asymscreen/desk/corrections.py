"""A person's corrections applied to a screen: its tracks, its sheet and its reps, and the press solved again.

Every kind of correction is a few plain numbers, kept in the record. A screen is always solved again from its
untouched tracks with all corrections that count, in the order in which they were made.

level      two points on something level in the picture
not-a-rep  the rep that holds a moment is none
bottom     the rep that holds a moment has its bottom at another one
swapped    left and right are swapped: the clip is stored mirrored
landmark   a landmark of a frame lies elsewhere
person     another person is the lifter; brings whole tracks of its own
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from asymscreen.capture.sheet import Capture
from asymscreen.document import KeyFrame, ScreenDocument
from asymscreen.errors import RecordError, UsageError
from asymscreen.landmarks.skeleton import JOINTS, MIRROR
from asymscreen.motion.reps import RepSpan
from asymscreen.motion.tracks import Tracks
from asymscreen.record.clips import clip_path
from asymscreen.record.corrections import Base, brought_tracks, correct, read_base, take_back
from asymscreen.record.lifters import now
from asymscreen.record.screens import clip_file_of, read_images
from asymscreen.record.shapes import CorrectionEntry
from asymscreen.record.sheets import sheet_of_document
from asymscreen.record.store import Store
from asymscreen.screen import screen_again

DRAG_REACH_S = 0.25
"""A dragged landmark draws its neighbours in time along, less and less up to this far, seconds: the
landmarker errs in stretches, and the press moves below 1 Hz. Ours, no source."""
MARKS_APART = 0.1
"""Two level marks lie at least so far apart, share of the picture's width: closer ones tell no angle."""
STEEPEST_DEG = 45.0
"""Marks steeper than this are not of something level."""
BOTTOM_ROOM = 0.05
"""A bottom lies at least so far inside its rep, share of the rep."""

WORDS = {
    "level": "Level marked in the picture",
    "not-a-rep": "A rep marked as none",
    "bottom": "The bottom of a rep moved",
    "swapped": "Left and right swapped (mirrored clip)",
    "landmark": "A landmark moved",
    "person": "Another person chosen as the lifter",
}

Result = tuple[ScreenDocument, Tracks, dict[str, bytes]]
Change = Callable[[Sequence[RepSpan]], Sequence[RepSpan]]


@dataclass(frozen=True)
class State:
    """What a screen is solved from, after some corrections."""

    tracks: Tracks
    capture: Capture
    changes: tuple[Change, ...] = ()


def add_correction(store: Store, screen_id: str, kind: str, details: Mapping[str, Any], *, by: str) -> None:
    """Correct a screen, solve it again. UsageError for details that do not fit; RecordError as `correct`."""
    if kind not in WORDS or kind == "person":
        raise UsageError(f"correction: expected one of {', '.join(WORDS)}, got {kind[:40]!r}")
    base = read_base(store, screen_id)
    told = dict(details) | {"turned": current_turn(base)}
    new = draft(kind, told)
    result = solve_with(store, screen_id, base, [*base.corrections, new])
    with store.writing() as session:
        correct(session, base, screen_id, kind, told, result, by=by)


def remove_correction(store: Store, screen_id: str, number: int, *, by: str) -> None:
    """Take one correction back and solve the screen again with those that are left."""
    base = read_base(store, screen_id)
    left = [c for c in base.corrections if c.id != number]
    result = solve_with(store, screen_id, base, left) if left else None
    with store.writing() as session:
        take_back(session, base, screen_id, number, result, by=by)


def solve_with(store: Store, screen_id: str, base: Base, corrections: Sequence[CorrectionEntry]) -> Result:
    """The screen solved again from its untouched tracks. UsageError where nothing is left to screen."""
    document, tracks = solve_again(base, corrections)
    return _with_pictures(store, screen_id, base, document, tracks)


def solve_again(base: Base, corrections: Sequence[CorrectionEntry]) -> tuple[ScreenDocument, Tracks]:
    """(document, tracks) after the corrections. UsageError where nothing is left to screen."""
    tracks = base.tracks
    if tracks is None:  # a refused clip: what a chosen person brings is all there is
        tracks = next((brought for c in corrections if (brought := brought_tracks(c)) is not None), None)
    if tracks is None:
        raise UsageError(
            "correction: expected another person to be chosen first, as no lifter was found in this clip"
        )
    state = State(tracks, sheet_of_document(base.document))
    for correction in corrections:
        state = apply(state, correction)

    def change(reps: Sequence[RepSpan]) -> Sequence[RepSpan]:
        for one in state.changes:
            reps = one(reps)
        return reps

    found = screen_again(base.document, state.tracks, state.capture, change)
    if not found.usable:
        raise UsageError(
            "correction: expected a press that can still be screened, got none: "
            + " ".join(found.document.capture.reasons)
        )
    return found.document, state.tracks


def apply(state: State, correction: CorrectionEntry) -> State:
    """The state after one correction. UsageError for details that do not fit the kind."""
    details = dict(correction.details)
    turned = bool(details.get("turned", state.capture.mirrored)) != state.capture.mirrored
    try:
        return _KINDS[correction.kind](state, details, correction, turned)
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(
            f"correction: expected the numbers of a {correction.kind}, got others ({error})"
        ) from error


def current_turn(base: Base) -> bool:
    """Whether the picture that a person sees now is the stored one turned."""
    swaps = sum(c.kind == "swapped" for c in base.corrections)
    return base.document.clip.mirrored != bool(swaps % 2)


def mirror_tracks(tracks: Tracks) -> Tracks:
    """Tracks of the same clip turned left for right: x becomes width - 1 - x, and names change sides."""
    width = tracks.image_size[0]
    xy = tracks.xy_px.copy()
    xy[..., 0] = width - 1 - xy[..., 0]
    order = [
        tracks.names.index(MIRROR[n]) if MIRROR[n] in tracks.names else k for k, n in enumerate(tracks.names)
    ]
    return replace(tracks, xy_px=xy[:, order], visibility=tracks.visibility[:, order])


def drag(tracks: Tracks, name: str, time_s: float, x: float, y: float) -> Tracks:
    """Tracks in which a joint of the frame nearest to `time_s` lies at (x, y) pixels.

    Its neighbours in time move along, linearly less up to DRAG_REACH_S away; the refined point moves with it.
    """
    if name not in JOINTS:
        raise ValueError(f"a joint, one of {', '.join(JOINTS)}")
    width, height = tracks.image_size
    if not (0 <= x <= width and 0 <= y <= height):
        raise ValueError(f"a place in the picture of {width} x {height}")
    frame = int(np.argmin(np.abs(tracks.time_s - time_s)))
    names = [n for n in (f"refined_{name}", name) if n in tracks.names]
    columns = [tracks.names.index(n) for n in names]
    seen = [k for k in columns if np.isfinite(tracks.xy_px[frame, k]).all()]
    xy, visibility = tracks.xy_px.copy(), tracks.visibility.copy()
    if not seen:
        xy[frame, columns[-1]], visibility[frame, columns[-1]] = (x, y), 1.0
        return replace(tracks, xy_px=xy, visibility=visibility)
    shift = np.array([x, y]) - xy[frame, seen[0]]
    weight = np.clip(1 - np.abs(tracks.time_s - tracks.time_s[frame]) / DRAG_REACH_S, 0.0, 1.0)
    for k in seen:
        xy[:, k] += weight[:, None] * shift
        visibility[frame, k] = 1.0
    return replace(tracks, xy_px=xy, visibility=visibility)


def draft(kind: str, details: Mapping[str, Any]) -> CorrectionEntry:
    """A correction that is not in the record yet."""
    return CorrectionEntry(
        id=0, screen_id="", kind=kind, details=dict(details), made_at=now(), made_by="",
        taken_back_at=None, taken_back_by="",
    )  # fmt: skip


def _level(state: State, told: dict[str, Any], _: CorrectionEntry, turned: bool) -> State:
    width = state.tracks.image_size[0]
    (ax, ay), (bx, by) = ((float(x), float(y)) for x, y in told["points"])
    if turned:
        ax, bx = width - 1 - ax, width - 1 - bx
    if not all(map(math.isfinite, (ax, ay, bx, by))) or abs(bx - ax) < MARKS_APART * width:
        raise ValueError("two points that lie further apart")
    if abs(math.degrees(math.atan2(by - ay, bx - ax)) % 180.0 - 90.0) < 90.0 - STEEPEST_DEG:
        raise ValueError("two points on something level")
    return replace(state, capture=replace(state.capture, level_marks=((ax, ay), (bx, by)), roll_deg=None))


def _not_a_rep(state: State, told: dict[str, Any], _: CorrectionEntry, turned: bool) -> State:
    moment = float(told["time_s"])

    def change(reps: Sequence[RepSpan]) -> Sequence[RepSpan]:
        wrong = rep_at(reps, moment)
        left = [rep for rep in reps if rep is not wrong]
        if not left:
            raise UsageError(
                "correction: expected another rep in the set, this is the only one; film it again"
            )
        return [replace(rep, number=k) for k, rep in enumerate(left, start=1)]

    return replace(state, changes=(*state.changes, change))


def _bottom(state: State, told: dict[str, Any], _: CorrectionEntry, turned: bool) -> State:
    moment, bottom = float(told["time_s"]), float(told["bottom_s"])

    def change(reps: Sequence[RepSpan]) -> Sequence[RepSpan]:
        wrong = rep_at(reps, moment)
        return [moved(rep, bottom) if rep is wrong else rep for rep in reps]

    return replace(state, changes=(*state.changes, change))


def rep_at(reps: Sequence[RepSpan], moment: float) -> RepSpan:
    """The rep whose bottom is nearest among those that hold a moment. UsageError where none does."""
    held = [rep for rep in reps if rep.start_s - 0.05 <= moment <= rep.end_s + 0.05]
    if not held:
        raise UsageError(
            f"correction: expected a moment inside a rep, got {moment:.2f} s; choose the rep again"
        )
    return min(held, key=lambda rep: abs(rep.bottom_s - moment))


def moved(rep: RepSpan, bottom_s: float) -> RepSpan:
    """A rep with its bottom at another moment; its pause keeps its length where there is room for it."""
    room = BOTTOM_ROOM * (rep.end_s - rep.start_s)
    if not rep.start_s + room <= bottom_s <= rep.end_s - room:
        raise UsageError(
            f"correction: expected a bottom inside the rep, {rep.start_s:.2f} to {rep.end_s:.2f} s, "
            f"got {bottom_s:.2f} s"
        )
    pause = min(rep.pause_s, 2 * (bottom_s - rep.start_s), 2 * (rep.end_s - bottom_s))
    return replace(
        rep, bottom_s=bottom_s, pause_s=pause,
        descent_s=bottom_s - pause / 2 - rep.start_s, ascent_s=rep.end_s - bottom_s - pause / 2,
    )  # fmt: skip


def _swapped(state: State, told: dict[str, Any], _: CorrectionEntry, turned: bool) -> State:
    capture, width = state.capture, state.tracks.image_size[0]
    marks = capture.level_marks
    if marks is not None:
        marks = tuple((width - 1 - x, y) for x, y in marks)  # type: ignore[assignment]
    roll = None if capture.roll_deg is None else -capture.roll_deg
    turned_sheet = replace(capture, mirrored=not capture.mirrored, level_marks=marks, roll_deg=roll)
    return replace(state, tracks=mirror_tracks(state.tracks), capture=turned_sheet)


def _landmark(state: State, told: dict[str, Any], _: CorrectionEntry, turned: bool) -> State:
    name, x = str(told["name"]), float(told["x"])
    if turned:
        name, x = MIRROR[name], state.tracks.image_size[0] - 1 - x
    return replace(state, tracks=drag(state.tracks, name, float(told["time_s"]), x, float(told["y"])))


def _person(state: State, told: dict[str, Any], made: CorrectionEntry, turned: bool) -> State:
    tracks = brought_tracks(made)
    if tracks is None:
        raise RecordError(
            "correction: expected the tracks of the other person, found none; choose them again"
        )
    return replace(state, tracks=mirror_tracks(tracks) if turned else tracks, changes=())


_Kind = Callable[[State, dict[str, Any], CorrectionEntry, bool], State]
_KINDS: dict[str, _Kind] = {
    "level": _level, "not-a-rep": _not_a_rep, "bottom": _bottom,
    "swapped": _swapped, "landmark": _landmark, "person": _person,
}  # fmt: skip


def _with_pictures(
    store: Store, screen_id: str, base: Base, document: ScreenDocument, tracks: Tracks
) -> Result:
    """The document with a picture for every key frame that can have one: kept, turned, or taken anew."""
    kept = read_images(store, screen_id)
    before = {(frame.rep, frame.event): frame for frame in base.document.keyframes}
    by_time = {round(frame.time_s, 3): frame for frame in before.values() if frame.image in kept}
    turned = document.clip.mirrored != base.document.clip.mirrored
    frames: list[KeyFrame] = []
    images: dict[str, bytes] = {}
    for frame in document.keyframes:
        old = by_time.get(round(frame.time_s, 3))
        name = f"rep-{frame.event}-{round(frame.time_s * 1000)}{'-turned' if turned else ''}.jpg"
        if old is not None and not turned:
            name = old.image
        elif name not in kept:
            jpeg = _turn(kept[old.image]) if old is not None else _take(store, screen_id, frame, document)
            if jpeg is None:
                continue
            images[name] = jpeg
        frames.append(frame.model_copy(update={"image": name}))
    return document.model_copy(update={"keyframes": frames}), tracks, images


def _turn(jpeg: bytes) -> bytes:
    import cv2

    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return bytes(cv2.imencode(".jpg", cv2.flip(picture, 1), [cv2.IMWRITE_JPEG_QUALITY, 85])[1])


def _take(store: Store, screen_id: str, frame: KeyFrame, document: ScreenDocument) -> bytes | None:
    """A picture out of the kept clip, or None where no clip was kept."""
    import cv2

    from asymscreen.capture.clip import grab

    name = clip_file_of(store, screen_id)
    if not name or not clip_path(store, name).is_file():
        return None
    rgb = grab(clip_path(store, name), [frame.time_s], mirrored=document.clip.mirrored)[0]
    return bytes(cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 82])[1])
