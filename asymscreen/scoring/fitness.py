"""Is the solved press to be believed, and from where was it seen?"""

from __future__ import annotations

from asymscreen.capture.sheet import Capture
from asymscreen.errors import NothingToScreen
from asymscreen.motion.press import Press

OVERHEAD_FROM_DEG = 72.0
"""Elevation over the chest from which a view is called overhead."""
SIDE_FROM_DEG = 50.0
"""Azimuth from the foot or head end beyond which a view is from the side."""
WORST_MISFIT = 6.0
"""Chi-square per degree of freedom of the image residuals beyond which no closed chain explains the
picture."""


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
        raise NothingToScreen(
            "The phone stood at the side: one arm hides the other there, so left and right cannot be "
            "compared; "
            "film from the foot end, centred and from above."
        )
    if press.misfit > WORST_MISFIT:
        raise NothingToScreen(
            "The landmarks do not fit a lifter pressing a straight bar: somebody or something may hide the "
            "arms; "
            "film again with both arms and the bar in full view."
        )
