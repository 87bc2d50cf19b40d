"""Do tracks show somebody to screen? What is wrong is said in one sentence each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.person import wrist_rise
from asymscreen.landmarks.skeleton import BLAZEPOSE
from asymscreen.motion.tracks import Tracks

FOUND_SHARE = 0.3  # of the frames; below it the tracks are too thin for a set
OUTSIDE_SHARE = 0.5  # of the frames in which a joint lies outside the picture
HIDDEN = 0.3  # median sight of shoulders, elbows and wrists; lifters who can be screened had 0.45 or more
HANDS_DOWN = -0.2  # trunk sizes from elbow to wrist in the median; below it the hands hang


def check_lifter(tracks: Tracks) -> None:
    """Refuse tracks that show nobody under a bar. NothingToScreen says what is wrong, one sentence each.

    Judged: whether the lifter was found in enough frames and is in plain sight, lies inside the picture, and
    holds the hands up.
    """
    found = np.isfinite(tracks.points("left_shoulder")[:, 0, 0])
    if found.mean() < FOUND_SHARE:
        raise NothingToScreen(
            f"The lifter was found in only {found.mean():.0%} of the frames: film with more light and closer."
        )
    arms = [f"{side}_{part}" for part in ("shoulder", "elbow", "wrist") for side in ("left", "right")]
    if np.median(tracks.seen(*arms)[found].mean(axis=1)) < HIDDEN:
        raise NothingToScreen(
            "The lifter's arms are hidden or too dark to see: film with a free view and more light."
        )
    reasons = [*_cut_off(tracks, found), *_hands_down(tracks, found)]
    if reasons:
        raise NothingToScreen(*reasons)


def _cut_off(tracks: Tracks, found: NDArray[np.bool_]) -> list[str]:
    size = np.array(tracks.image_size, dtype=np.float64)
    parts = []
    for part in ("shoulder", "elbow", "hip"):
        xy = tracks.points(f"left_{part}", f"right_{part}")[found]
        outside = ((xy < 0) | (xy > size)).any(axis=(1, 2))
        if outside.mean() > OUTSIDE_SHARE:
            parts.append(f"{part}s")
    if not parts:
        return []
    return [f"The picture cuts off the lifter's {' and '.join(parts)}: step back until all are in it."]


def _hands_down(tracks: Tracks, found: NDArray[np.bool_]) -> list[str]:
    if np.median(wrist_rise(tracks.points(*BLAZEPOSE)[found])) > HANDS_DOWN:
        return []
    return ["Nobody in the picture holds a bar over the chest: film the set from the unrack to the rack."]
