"""Stick people in pixels, for the tests of choosing the lifter: their truth can be worked out by head."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.skeleton import BLAZEPOSE

FloatArray = NDArray[np.float64]


def place(name: str) -> int:
    return BLAZEPOSE.index(name)


def stick(
    hands: float, centre: tuple[float, float] = (640.0, 300.0), scale: float = 100.0, seen: float = 0.95
) -> Pose:
    """Seen from the feet; shoulders `scale` pixels apart, hips 90 below, elbows out, hands above the elbows.

    hands   height of the wrists over the elbows in shoulder widths; negative = hanging
    """
    points = {
        "nose": (0.0, -0.4), "shoulder": (0.5, 0.0), "elbow": (0.8, 0.2), "wrist": (0.8, 0.2 - hands),
        "hip": (0.3, 0.9), "knee": (0.4, 1.4), "ankle": (0.4, 2.0),
    }  # fmt: skip
    xy = np.zeros((len(BLAZEPOSE), 2))
    for k, name in enumerate(BLAZEPOSE):
        part = next((part for part in points if part in name), "nose")
        if "heel" in name or "foot" in name:
            part = "ankle"
        if name.endswith(("pinky", "index", "thumb")) and "foot" not in name:
            part = "wrist"
        x, y = points[part]
        xy[k] = (x if name.startswith("left") else -x, y)
    return Pose(np.array(centre) + scale * xy, np.full(len(BLAZEPOSE), seen))


def lifter(phase: float, centre: tuple[float, float] = (640.0, 300.0), scale: float = 100.0) -> Pose:
    """Hands go up and down with the bar; phase 0 = bottom, 1 = lockout."""
    return stick(0.6 + 0.4 * phase, centre, scale)


def standing(centre: tuple[float, float] = (640.0, 150.0), scale: float = 100.0) -> Pose:
    return stick(-0.6, centre, scale)
