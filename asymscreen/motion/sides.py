"""Is "left" the lifter's left? Told from the body: on its back and seen from above it shows its front.

People who click joints often name them by the picture: "left" is the left of the picture. In every view from
above the bench the front of the trunk is seen, and there the turn from the shoulder line (left to right) to
the trunk (shoulders to hips) goes one way only, wherever the camera stands around the bench and however it is
turned. Labels by the picture turn it the other way when filmed from the foot end.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.sheet import View
from asymscreen.landmarks.skeleton import BLAZEPOSE, EDGE_POINTS, MIRROR, REFINED
from asymscreen.motion.clean import LEAST_VISIBILITY
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]

LEAST_TURN = 0.12
"""Trunk across the shoulder line over the shoulder width, median over the clip: nearer to end on than this
the picture does not tell. A trunk of 0.5 m, shoulders of 0.36 m, from 5 deg up: 0.12 (geometry)."""
LEAST_AGREE = 0.8
"""Share of the frames that must agree."""
LEAST_FRAMES = 5  # frames that show shoulders and hips, before they say anything

SWAPPED = (
    'These tracks named "left" what is left in the picture, which here is the right side of the lifter. Left '
    "and right were swapped: what is said means the lifter's own."
)
UNSURE = (
    "The picture does not show whether these tracks name left and right as the lifter's own or as the "
    "picture's: check it before a side is believed."
)
ACROSS = ("shoulder", "elbow", "wrist")
"""Pairs of joints whose line stands for the shoulder line, the first that is seen."""


def settle_sides(tracks: Tracks, view: View | None = None) -> Tracks:
    """Tracks whose left is the lifter's left, with a note where that was not so, or cannot be told.

    `view` is what the capture sheet says: from the foot end the lifter's left is on the picture's right.
    Where hips are hidden knees count. Nothing is changed without clear evidence: where body and sheet
    disagree (a phone below the bench, a wrong sheet) the names stay and the note says so; where nothing
    tells, doubt is told only of joints from elsewhere.
    """
    turn, across = trunk_turn(tracks), _left_on_the_right(tracks)
    words = [turn > 0] if turn is not None else []
    if across is not None and view in ("foot-end", "head-end"):
        words.append(across == (view == "foot-end"))
    if len(set(words)) == 1:
        return tracks if words[0] else swapped(tracks)
    return replace(tracks, notes=(*tracks.notes, UNSURE)) if words or tracks.notes else tracks


def trunk_turn(tracks: Tracks) -> float | None:
    """Positive where left and right are the lifter's own, negative where they are swapped, None if unsure.

    Its size is the trunk's part across the shoulder line over the shoulder width, median over the frames.
    """
    for far in ("hip", "knee"):
        turns = _turns(tracks, far)
        if len(turns) < LEAST_FRAMES:
            continue
        middle = float(np.median(turns))
        agree = float((np.sign(turns) == np.sign(middle)).mean())
        if abs(middle) >= LEAST_TURN and agree >= LEAST_AGREE:
            return middle
    return None


def _turns(tracks: Tracks, far: str) -> FloatArray:
    """(k,) signed turn of every frame that shows a line across the body and `far` joints."""
    line = _line(tracks)
    middle = (line[:, 0] + line[:, 1]) / 2
    ends = _believed(tracks, far)
    seen = np.asarray(np.isfinite(ends).all(axis=2))
    count = seen.sum(axis=1)
    low = np.where(seen[..., None], ends, 0.0).sum(axis=1) / np.maximum(count, 1)[:, None]
    trunk, side = low - middle, line[:, 0] - line[:, 1]
    width2 = (side**2).sum(axis=1)
    cross = side[:, 0] * trunk[:, 1] - side[:, 1] * trunk[:, 0]
    good = (count > 0) & np.isfinite(cross) & (width2 > 0)
    return np.asarray(cross[good] / width2[good])


def _line(tracks: Tracks) -> FloatArray:
    """(T, 2, 2) left and right end of the line across the body: shoulders, else elbows, else wrists."""
    line = np.full((len(tracks), 2, 2), np.nan)
    for joint in ACROSS:
        points = _believed(tracks, joint)
        use = np.isnan(line).any(axis=(1, 2)) & np.isfinite(points).all(axis=(1, 2))
        line[use] = points[use]
    return line


def _believed(tracks: Tracks, joint: str) -> FloatArray:
    """(T, 2, 2) left and right of a joint, open where its own word is that it is hidden."""
    names = (f"left_{joint}", f"right_{joint}")
    return np.where(tracks.seen(*names)[..., None] >= LEAST_VISIBILITY, tracks.points(*names), np.nan)


def _left_on_the_right(tracks: Tracks) -> bool | None:
    """Whether "left" lies on the right of the picture, as it does from the foot end; None if hardly seen."""
    line = _line(tracks)
    across = line[:, 0, 0] - line[:, 1, 0]
    across = across[np.isfinite(across)]
    if len(across) < LEAST_FRAMES or abs(np.median(np.sign(across))) < 1:
        return None
    return bool(np.median(across) > 0)


def swapped(tracks: Tracks) -> Tracks:
    """The same tracks with the names of both sides exchanged, and a note that says so."""
    other = {name: MIRROR[name] for name in BLAZEPOSE + REFINED}
    other |= {name: MIRROR[name] for name in EDGE_POINTS if name.endswith("_bar")}
    names = tuple(other.get(name, name) for name in tracks.names)
    return replace(tracks, names=names, notes=(*tracks.notes, SWAPPED))
