"""Landmark tracks: where every landmark is in every frame, in pixels of the upright picture.

One file format enters and leaves here (the tidy table of the result contract); one type is used inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Tracks:
    """Landmark positions over a clip.

    time_s      (T,) seconds from the stream's first frame, strictly rising
    names       N landmark names (BlazePose names, then edge points)
    xy_px       (T, N, 2) pixels, x right, y down, upright picture; NaN where unseen
    visibility  (T, N) 0 to 1; 0 where unseen
    image_size  (width, height) in pixels
    notes       what must be said of these tracks beside every screen of them; not kept in a track file
    """

    time_s: FloatArray
    names: tuple[str, ...]
    xy_px: FloatArray
    visibility: FloatArray
    image_size: tuple[int, int]
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.time_s)

    def points(self, *names: str) -> FloatArray:
        """(T, len(names), 2) pixels; a landmark that the tracks lack is NaN throughout."""
        out = np.full((len(self), len(names), 2), np.nan)
        for k, name in enumerate(names):
            if name in self.names:
                out[:, k] = self.xy_px[:, self.names.index(name)]
        return out

    def seen(self, *names: str) -> FloatArray:
        """(T, len(names)) visibility; 0 for a landmark that the tracks lack."""
        out = np.zeros((len(self), len(names)))
        for k, name in enumerate(names):
            if name in self.names:
                out[:, k] = self.visibility[:, self.names.index(name)]
        return out


def nearest(times_s: FloatArray, wanted_s: FloatArray) -> NDArray[np.intp]:
    """Place in rising `times_s` (T > 0,) nearest to each of `wanted_s`; of two as near, the earlier."""
    if len(times_s) == 1:
        return np.zeros(np.shape(wanted_s), dtype=np.intp)
    right = np.clip(np.searchsorted(times_s, wanted_s), 1, len(times_s) - 1)
    left = right - 1
    return np.where(wanted_s - times_s[left] <= times_s[right] - wanted_s, left, right)
