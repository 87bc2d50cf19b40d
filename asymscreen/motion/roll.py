"""The camera's roll: from a person's marks or word, or from the room's verticals that the tracks carry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from asymscreen.capture.sheet import Capture
from asymscreen.motion.tracks import Tracks

UPRIGHTS_SD_DEG = 0.3
"""Verticals found in the picture: rolls of rendered rooms came out within 0.04 deg in the median, 0.15 at
worst."""
MOST_ROLL_DEG = 7.0
"""Nobody films more askew than this without seeing it, degrees; common practice, no source. Long edges that
would say so are not upright."""
MARKED_SD_DEG = 0.5
"""Two points that a person marks on something level, some 600 pixels apart, 3 pixels off each."""
STATED_SD_DEG = 0.7
"""Gravity as a phone records it."""


@dataclass(frozen=True)
class Roll:
    """Camera roll and its standard deviation, radians; positive = the picture's content appears turned
    clockwise."""

    roll: float
    sd: float
    source: Literal["uprights", "marked", "stated"]


def camera_roll(tracks: Tracks, capture: Capture) -> Roll | None:
    """The best known roll: marks before a stated roll before uprights; None where nothing level is known.

    Edges that would have the phone held more than MOST_ROLL_DEG askew are not believed to be upright.
    """
    if capture.level_marks is not None:
        (ax, ay), (bx, by) = sorted(capture.level_marks)
        return Roll(float(np.arctan2(by - ay, bx - ax)), np.radians(MARKED_SD_DEG), "marked")
    if capture.roll_deg is not None:
        return Roll(float(np.radians(capture.roll_deg)), np.radians(STATED_SD_DEG), "stated")
    ends = tracks.points("upright_low", "upright_high")
    if np.isnan(ends).all():
        return None
    dx, dy = np.nanmedian(ends[:, 0], axis=0) - np.nanmedian(ends[:, 1], axis=0)
    roll = float(np.arctan2(-dx, dy))
    if abs(roll) > np.radians(MOST_ROLL_DEG):
        return None
    return Roll(roll, np.radians(UPRIGHTS_SD_DEG), "uprights")
