"""Is the solved press to be believed, and from where was it seen?"""

from __future__ import annotations

import numpy as np

from asymscreen.capture.sheet import Capture
from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.usable import LEAST_SHOULDERS
from asymscreen.landmarks.usable import SIDE_WORDS as SIDE_WORDS
from asymscreen.motion.press import Press
from asymscreen.motion.tracks import Tracks

OVERHEAD_FROM_DEG = 72.0
"""Elevation over the chest from which a view is called overhead."""
SIDE_FROM_DEG = 50.0
"""Azimuth from the foot or head end beyond which a view is from the side."""
WORST_MISFIT = 6.0
"""Chi-square per degree of freedom of the image residuals beyond which no closed chain explains the
picture."""


def refuse_side(tracks: Tracks, capture: Capture) -> None:
    """NothingToScreen where the sheet says "side", or the shoulders lie almost behind one another.

    The solver must not be asked: from there it finds an oblique view that explains the picture as well.
    """
    left, right = tracks.points("left_shoulder", "right_shoulder").swapaxes(0, 1)
    hips = tracks.points("left_hip", "right_hip").mean(axis=1)
    shoulders = np.linalg.norm(left - right, axis=-1)
    trunk = np.linalg.norm((left + right) / 2 - hips, axis=-1)
    seen = np.isfinite(shoulders) & np.isfinite(trunk) & (trunk > 0)
    narrow = seen.any() and float(np.median(shoulders[seen] / trunk[seen])) < LEAST_SHOULDERS
    if capture.view == "side" or narrow:
        raise NothingToScreen(SIDE_WORDS)


def view_of(press: Press, capture: Capture) -> str:
    """`foot-end`, `head-end`, `overhead` or `side`: as solved; the sheet's word where the two ends are
    meant."""
    if press.elevation_deg >= OVERHEAD_FROM_DEG:
        return "overhead"
    off = abs(press.azimuth_deg)
    if SIDE_FROM_DEG < off < 180 - SIDE_FROM_DEG:
        return "side"
    return "foot-end" if off <= SIDE_FROM_DEG else "head-end"


def judge(press: Press, capture: Capture) -> None:
    """NothingToScreen where the press does not explain the picture, or the view cannot tell left from
    right."""
    if capture.view == "side" or view_of(press, capture) == "side":
        raise NothingToScreen(SIDE_WORDS)
    if press.misfit > WORST_MISFIT:
        raise NothingToScreen(
            "The landmarks do not fit a lifter pressing a straight bar: somebody or something may hide "
            "the arms; film again with both arms and the bar in full view."
        )
