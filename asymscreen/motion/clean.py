"""Cleaning of tracks: what is not believed is dropped, short gaps are filled, jitter is filtered out."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.skeleton import EDGE_POINTS, REFINED
from asymscreen.motion.filter import lowpass
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]

LEAST_VISIBILITY = 0.15
"""The landmarker's own word that a landmark is hidden; below this its place is a guess."""
LEAST_TRUST = 0.0005
"""The same for a refined joint: its own word says a standard deviation of over 130 px at 720 lines."""
LONGEST_GAP_S = 0.20  # seconds; longer gaps stay open
CUTOFF_HZ = 6.0
"""Usual for lifting at these speeds: Winter, Biomechanics and Motor Control, 4th ed.; the bar moves below 1
Hz."""
OUTLIER_SHARE = 0.12
"""A landmark this far from the median of its five-frame surroundings has jumped, in picture heights over
ten."""
WINDOW = 5  # frames looked at to tell a jump


def clean(tracks: Tracks) -> Tracks:
    """Tracks with hidden and jumping landmarks dropped, gaps up to 0.2 s filled and a 6 Hz zero-lag low-pass.

    The clip's own time stamps are kept. Longer gaps stay NaN; nothing is invented. Edge points keep their
    noise.
    """
    xy = tracks.xy_px.copy()
    least = np.array([LEAST_TRUST if name in REFINED else LEAST_VISIBILITY for name in tracks.names])
    xy[tracks.visibility < least] = np.nan
    xy[_jumps(xy, OUTLIER_SHARE * 0.1 * max(tracks.image_size))] = np.nan
    for k, name in enumerate(tracks.names):
        if name not in EDGE_POINTS:
            xy[:, k] = _smooth(tracks.time_s, _fill(tracks.time_s, xy[:, k]))
    visibility = np.where(np.isnan(xy[..., 0]), 0.0, tracks.visibility)
    return replace(tracks, xy_px=xy, visibility=visibility)


def _jumps(xy: FloatArray, limit_px: float) -> NDArray[np.bool_]:
    """(T, N) landmarks that lie further than `limit_px` from the median of the frames around them."""
    half = WINDOW // 2
    padded = np.pad(xy, ((half, half), (0, 0), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, WINDOW, axis=0)
    seen = ~np.isnan(windows)
    filled = np.where(seen, windows, np.inf)
    count = seen.sum(axis=-1)
    ordered = np.sort(filled, axis=-1)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0)[..., None] // 2, axis=-1)[..., 0]
    middle = np.where(count > 0, middle, np.nan)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.hypot(*np.moveaxis(xy - middle, -1, 0)) > limit_px)


def _fill(time_s: FloatArray, xy: FloatArray) -> FloatArray:
    """Fill gaps of at most LONGEST_GAP_S between two seen frames, linearly."""
    out = xy.copy()
    seen = np.flatnonzero(~np.isnan(xy[:, 0]))
    for a, b in pairwise(seen):
        if b > a + 1 and time_s[b] - time_s[a] <= LONGEST_GAP_S + 1e-9:
            share = (time_s[a + 1 : b] - time_s[a]) / (time_s[b] - time_s[a])
            out[a + 1 : b] = xy[a] + share[:, None] * (xy[b] - xy[a])
    return out


def _smooth(time_s: FloatArray, xy: FloatArray) -> FloatArray:
    """Low-pass every unbroken stretch on an even grid at its median rate, read back at the clip's own
    times."""
    out = xy.copy()
    seen = ~np.isnan(xy[:, 0])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        t = time_s[start:stop]
        rate = 1.0 / float(np.median(np.diff(t))) if len(t) > 1 else 0.0
        if len(t) < 10 or rate <= 2.2 * CUTOFF_HZ:
            continue
        grid = np.linspace(t[0], t[-1], round((t[-1] - t[0]) * rate) + 1)
        even = np.stack([np.interp(grid, t, xy[start:stop, i]) for i in (0, 1)], axis=1)
        even = lowpass(even, (len(grid) - 1) / (t[-1] - t[0]), CUTOFF_HZ)
        out[start:stop] = np.stack([np.interp(t, grid, even[:, i]) for i in (0, 1)], axis=1)
    return out
