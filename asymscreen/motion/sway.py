"""A phone held in the hand: the picture sways, and the hips, which lie still on the bench, show by how much.

The solver holds the camera still over a clip. Small turns of a hand-held phone move the whole picture by much
the same pixels, so what the hips do is taken off all landmarks, if the shoulders do it too: hips that lift
off the bench alone are no sway.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.skeleton import REFINED
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]

SWAY_MM = 8.0
"""Spread of the hips over a clip, millimetres at the lifter, from which the phone may have moved. Rendered
lifters filmed from a stand show 2 to 4, hand-held 12 to 30."""
TOGETHER = 0.5
"""Least correlation of the shoulders' movement with the hips' for both to be the phone's."""
LEAST_FRAMES = 20
"""With hips and shoulders in fewer frames nothing is said of the phone."""


@dataclass(frozen=True)
class Sway:
    """`shift_px` (T, 2) by which the picture is off at `time_s` (T,) seconds; empty where it stands still."""

    time_s: FloatArray
    shift_px: FloatArray

    def at(self, time_s: float) -> FloatArray:
        """(2,) pixels to add to what was found in the steadied picture."""
        if not len(self.time_s):
            return np.zeros(2)
        return np.array([np.interp(time_s, self.time_s, axis) for axis in self.shift_px.T])


STILL = Sway(np.empty(0), np.empty((0, 2)))


def steadied(tracks: Tracks, px_per_m: float) -> tuple[Tracks, Sway]:
    """`tracks` with the sway of the phone taken off, and the sway; unchanged where it stood still.

    `px_per_m` is the picture's scale at the lifter. Only refined landmarks are sharp enough to tell.
    """
    points = tracks.points(*REFINED)
    hips, shoulders = points[:, 6:].mean(axis=1), points[:, :2].mean(axis=1)
    seen = np.isfinite(hips[:, 0]) & np.isfinite(shoulders[:, 0])
    if seen.sum() < LEAST_FRAMES:
        return tracks, STILL
    moved = hips[seen] - np.median(hips[seen], axis=0)
    follows = shoulders[seen] - np.median(shoulders[seen], axis=0)
    spread_mm = 1000 * float(np.sqrt((moved**2).mean(axis=0).sum())) / px_per_m
    alike = float((moved * follows).sum() / max(np.linalg.norm(moved) * np.linalg.norm(follows), 1e-9))
    if spread_mm < SWAY_MM or alike < TOGETHER:
        return tracks, STILL
    sway = Sway(tracks.time_s[seen], moved)
    shift = np.stack([np.interp(tracks.time_s, sway.time_s, axis) for axis in moved.T], axis=1)
    return replace(tracks, xy_px=tracks.xy_px - shift[:, None]), sway
