"""Do tracks show somebody to screen? What is wrong is said in one sentence each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import DimlySeen, NothingToScreen
from asymscreen.landmarks.person import wrist_rise
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]

FOUND_SHARE = 0.3  # of the frames; below it the tracks are too thin for a set
OUTSIDE_SHARE = 0.5  # of the frames in which a joint lies outside the picture
HIDDEN = 0.3  # median sight of shoulders, elbows and wrists; lifters who can be screened had 0.45 or more
SURE = 0.5  # median sight of an arm's joint that was found without the landmarker: `aimed.SURE_SHARE`
LEAST_TRUNK = 0.3
"""From shoulders to hips in the picture, square to the shoulder line, in shoulder widths. 15 lifters filmed
from bench height had 0.16 at most, 140 filmed from 20 deg up or higher 0.47 at least (true joints)."""
LEAST_SHOULDERS = 0.35
"""Shoulder line over trunk, as long as they look. Filmed within 50 deg of the bench's middle it is 0.45 or
more whatever the elevation; 80 deg off it is 0.13 from level, 0.28 from 20 deg up (shoulders 0.36 m, trunk
0.5 m; geometry)."""
TRUNK_SEEN = 0.5  # mean sight of shoulders and hips from which their places tell where the phone stood
LEVEL_WORDS = (
    "The phone stood at bench height: from there the thighs hide the trunk, and how far the arms bend cannot "
    "be told from how far they lean; film from the foot end, the phone about 2 m up."
)
SIDE_WORDS = (
    "The phone stood at the side: one arm hides the other there, so left and right cannot be compared; film "
    "from the foot end, centred and from above."
)
HANDS_DOWN = -0.2  # trunk sizes from elbow to wrist in the median; below it the hands hang


def check_lifter(tracks: Tracks) -> None:
    """Refuse tracks that show nobody under a bar. NothingToScreen says what is wrong, one sentence each;
    DimlySeen where the lifter is hardly seen at all.

    Judged: whether the lifter was found in enough frames and is in plain sight, lies inside the picture, and
    holds the hands up.
    """
    found = np.isfinite(tracks.points("left_shoulder")[:, 0, 0])
    if found.mean() < FOUND_SHARE:
        raise DimlySeen(
            f"The lifter was found in only {found.mean():.0%} of the frames: film with more light and closer."
        )
    if from_the_side(tracks):
        raise NothingToScreen(SIDE_WORDS)
    arms = [f"{side}_{part}" for part in ("shoulder", "elbow", "wrist") for side in ("left", "right")]
    if np.median(tracks.seen(*arms)[found].mean(axis=1)) < HIDDEN:
        raise DimlySeen(
            "The lifter's arms are hidden or too dark to see: film with a free view and more light."
        )
    reasons = [*_cut_off(tracks, found), *_hands_down(tracks, found)]
    if reasons:
        raise NothingToScreen(*reasons)


def from_the_side(tracks: Tracks) -> bool:
    """Whether shoulders and hips are seen, and the shoulders lie almost behind one another."""
    names = ("left_shoulder", "right_shoulder", "left_hip", "right_hip")
    ls, rs, lh, rh = tracks.points(*names).swapaxes(0, 1)
    trunk = np.linalg.norm((ls + rs - lh - rh) / 2, axis=1)
    plain = (tracks.seen(*names).mean(axis=1) >= TRUNK_SEEN) & (trunk > 0)
    if plain.mean() < FOUND_SHARE:
        return False
    return float(np.median(np.linalg.norm(ls - rs, axis=1)[plain] / trunk[plain])) < LEAST_SHOULDERS


def check_height(joints_px: FloatArray) -> None:
    """NothingToScreen where joints (T, 8, 2), in pixels and rightly placed, were filmed from bench height.

    Seen so flat, a trunk does not tell how high the phone stood, and every angle at the elbow depends on
    that.
    """
    across = joints_px[:, 0] - joints_px[:, 1]
    trunk = (joints_px[:, 6:8] - joints_px[:, :2]).mean(axis=1)
    width = np.linalg.norm(across, axis=1)
    along = np.abs(across[:, 0] * trunk[:, 1] - across[:, 1] * trunk[:, 0]) / np.maximum(width, 1.0) ** 2
    known = along[np.isfinite(along)]
    if len(known) and float(np.median(known)) < LEAST_TRUNK:
        raise NothingToScreen(LEVEL_WORDS)


def check_aimed(tracks: Tracks) -> None:
    """Refuse tracks of `landmarks.aimed` as `check_lifter` does, and any in which a joint of the arms is not
    surely seen most of the time: NothingToScreen names it."""
    check_lifter(tracks)
    check_height(tracks.points(*JOINTS))
    found = np.isfinite(tracks.points("left_shoulder")[:, 0, 0])
    unsure = [
        part
        for part in ("shoulder", "elbow", "wrist")
        if np.median(tracks.seen(f"left_{part}", f"right_{part}")[found].min(axis=1)) < SURE
    ]
    if unsure:
        parts = " and ".join(f"{part}s" for part in unsure)
        raise NothingToScreen(
            f"The lifter's {parts} cannot be told apart from what hides them: film from higher, the phone "
            "about 2 m up, with more light."
        )


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
