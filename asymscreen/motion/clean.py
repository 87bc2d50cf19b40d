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
JUMP_SHARE = 0.012
"""A landmark this far from the line between its neighbours in time has jumped, in picture widths; three times
the scatter of a landmark (measurement: about 5 px of 1280)."""
FASTEST_TURN = 2.6
"""Picture widths a second squared: 8 m/s2 at 400 px a metre, a bar that turns at the chest in 0.6 s each way.
Neighbours further away in time allow for that much bending of the way."""
JUMP_ROUNDS = 4  # a jump of several frames is taken off from its ends
LIMB_LIMIT, LIMB_SHOULDERS = 1.5, 1.5
"""An arm's part that looks longer than 1.5 times its usual longest, and 1.5 shoulder widths (0.54 m), has a
wrong end."""
GAP_SLACK_S = 0.01
"""Frames never come exactly on time."""


def clean(tracks: Tracks) -> Tracks:
    """Tracks with hidden, jumping and impossible landmarks dropped, gaps up to 0.2 s filled and a 6 Hz
    zero-lag low-pass.

    The clip's own time stamps are kept. Longer gaps stay NaN; nothing is invented. Edge points keep their
    noise.
    """
    xy = tracks.xy_px.copy()
    least = np.array([LEAST_TRUST if name in REFINED else LEAST_VISIBILITY for name in tracks.names])
    xy[tracks.visibility < least] = np.nan
    moving = [k for k, name in enumerate(tracks.names) if name not in EDGE_POINTS]
    for k in moving:
        seen = np.flatnonzero(~np.isnan(xy[:, k]).any(axis=1))
        xy[seen[_jumps(tracks.time_s[seen], xy[seen, k], float(max(tracks.image_size)))], k] = np.nan
    for prefix in ("", "refined_"):
        _drop_long_limbs(xy, tracks.names, prefix)
    for k in moving:
        xy[:, k] = _smooth(tracks.time_s, _fill(tracks.time_s, xy[:, k]))
    visibility = np.where(np.isnan(xy[..., 0]), 0.0, tracks.visibility)
    return replace(tracks, xy_px=xy, visibility=visibility)


def _jumps(time_s: FloatArray, xy: FloatArray, width_px: float) -> NDArray[np.bool_]:
    """(n,) places (n, 2) that no body reaches between its neighbours' times; the worst of neighbours
    first."""
    kept = np.arange(len(xy))
    for _ in range(JUMP_ROUNDS):
        if len(kept) < 3:
            break
        t, p = time_s[kept], xy[kept]
        before, after = t[1:-1] - t[:-2], t[2:] - t[1:-1]
        line = p[:-2] + (before / (before + after))[:, None] * (p[2:] - p[:-2])
        off = np.zeros(len(p) + 2)
        off[2:-2] = np.hypot(*(p[1:-1] - line).T)
        limit = width_px * (JUMP_SHARE + FASTEST_TURN / 2 * before * after)
        limit[np.maximum(before, after) > LONGEST_GAP_S + GAP_SLACK_S] = (
            np.inf
        )  # beside a gap nothing is known
        worst = (off[2:-2] >= off[1:-3]) & (off[2:-2] >= off[3:-1])
        out = np.flatnonzero((off[2:-2] > limit) & worst) + 1
        if not len(out):
            break
        kept = np.delete(kept, out)
    jumped = np.ones(len(xy), dtype=bool)
    jumped[kept] = False
    return jumped


def _drop_long_limbs(xy: FloatArray, names: tuple[str, ...], prefix: str) -> None:
    """Drop in `xy` (T, N, 2) the far end of upper arms and forearms that look longer than an arm can."""
    parts = [prefix + side + part for part in ("shoulder", "elbow", "wrist") for side in ("left_", "right_")]
    if not set(parts) <= set(names):
        return
    at = [names.index(part) for part in parts]
    with np.errstate(invalid="ignore"):
        widths = np.linalg.norm(xy[:, at[0]] - xy[:, at[1]], axis=1)
    if np.isnan(widths).all():
        return
    for near, far in ((0, 2), (2, 4)):
        ends = [(at[near + side], at[far + side]) for side in (0, 1)]
        lengths = np.stack([np.linalg.norm(xy[:, a] - xy[:, b], axis=1) for a, b in ends])
        if np.isnan(lengths).all():
            continue
        usual = max(LIMB_LIMIT * np.nanpercentile(lengths, 90), LIMB_SHOULDERS * np.nanmedian(widths))
        for side, (_, b) in enumerate(ends):
            xy[lengths[side] > usual, b] = np.nan


def _fill(time_s: FloatArray, xy: FloatArray) -> FloatArray:
    """Fill gaps of at most LONGEST_GAP_S between two seen frames, linearly."""
    out = xy.copy()
    seen = np.flatnonzero(~np.isnan(xy[:, 0]))
    for a, b in pairwise(seen):
        if b > a + 1 and time_s[b] - time_s[a] <= LONGEST_GAP_S + GAP_SLACK_S:
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
