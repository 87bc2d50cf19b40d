"""The press cycle: which stretches of a clip are reps, and when each starts, turns and ends.

Everything is read from landmarks in the picture, from any view. The bar's travel is the first principal
component of where the hands are seen from the shoulders and how far apart they look, so that it also works
from overhead, where the bar comes nearer instead of rising. Unracking and racking move the bar with straight
arms and are not reps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.skeleton import JOINTS, REFINED
from asymscreen.motion.filter import lowpass
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]

RATE_HZ = 60.0
"""Rate on which the travel is analysed, whatever the clip's own."""
SMOOTH_HZ = 3.0
"""Low-pass of the travel; the bar of a controlled rep moves below 1 Hz."""
LEAST_TRAVEL = 0.22
"""Smallest bar travel in the picture that is a rep, in shoulder widths; lying still jitters by under 0.05."""
LEAST_S, LONGEST_S = 0.6, 15.0
"""A rep shorter than this is a twitch, one longer two reps; seconds."""
MOVING_SHARE = 0.07
"""The bar moves when its speed exceeds this share of the fastest of that descent or ascent."""
PAUSE_LEAST_S = 0.12  # seconds; a shorter stop is the turn of the bar, no pause
TOUCH_SHARES, TOUCH_BACK = (0.10, 0.30), 1.4
"""A smooth start from rest passes 10 % of the way 1.4 times as long after it as it then takes to 30 %
(minimum jerk
1.59, sine 1.25): so the moment of rest is read from fast, noise-proof parts of the motion."""
FULL_SHARE = 0.6
"""A rep less deep than this share of the deepest is a half rep; so is one that comes back less than this
far."""
ROSE_SHARE = 0.6
"""Share of the highest point beside a valley that the bar must have reached before it can have come to
rest."""


@dataclass(frozen=True)
class RepSpan:
    """One rep. Seconds of the clip; `bottom_s` is the middle of the pause; `complete` false for a half
    rep."""

    number: int
    start_s: float
    bottom_s: float
    end_s: float
    descent_s: float
    pause_s: float
    ascent_s: float
    complete: bool


@dataclass(frozen=True)
class Travel:
    """Bar travel on an even time grid: `height` in shoulder widths, high at lockout."""

    time_s: FloatArray
    height: FloatArray


def find_reps(tracks: Tracks) -> list[RepSpan]:
    """All reps of a clip in order, numbered from 1; an empty list where nobody presses."""
    travel = bar_travel(tracks)
    if travel is None:
        return []
    lows = _lows(travel.height)
    walls = [0, *lows, len(travel.height) - 1]
    found = [
        rep for k, low in enumerate(lows) if (rep := _rep(travel, low, walls[k], walls[k + 2])) is not None
    ]
    if not found:
        return []
    deepest = max(rep.depth for rep in found)
    spans: list[RepSpan] = []
    for rep in _apart(found):
        full = rep.depth >= FULL_SHARE * deepest and rep.back >= FULL_SHARE * rep.depth and rep.filmed
        spans.append(rep.span(len(spans) + 1, full))
    return spans


def bar_travel(tracks: Tracks) -> Travel | None:
    """The bar's travel; None where arms and shoulders are seen in too little of the clip."""
    t, joints = _seen(tracks)
    if len(t) < 8 or t[-1] - t[0] < LEAST_S:
        return None
    grid = np.arange(t[0], t[-1], 1 / RATE_HZ)
    j = np.stack([np.interp(grid, t, joints[:, k, i]) for k in range(6) for i in range(2)], axis=1)
    j = lowpass(j, RATE_HZ, SMOOTH_HZ).reshape(len(grid), 6, 2)
    width = float(np.median(np.linalg.norm(j[:, 0] - j[:, 1], axis=1)))
    if width < 5.0:
        return None
    hands = (j[:, 4:6].mean(axis=1) - j[:, 0:2].mean(axis=1)) / width
    apart = np.linalg.norm(j[:, 4] - j[:, 5], axis=1)
    features = np.column_stack([hands, apart / width])
    features = features - features.mean(axis=0)
    axis = np.linalg.svd(features, full_matrices=False)[2][0]
    height = features @ axis
    if (
        axis[2] - axis[1] < 0
    ):  # towards lockout the hands rise in the picture and come nearer to a raised phone
        height = -height
    return Travel(grid, height)


def _seen(tracks: Tracks) -> tuple[FloatArray, FloatArray]:
    """Times and arm joints (n, 6, 2) of the frames that show both arms, the refined joints where they are."""
    fine, coarse = tracks.points(*REFINED)[:, :6], tracks.points(*JOINTS)[:, :6]
    joints = np.where(np.isnan(fine), coarse, fine) if np.isnan(coarse).mean() < 1 else fine
    whole = ~np.isnan(joints).any(axis=(1, 2))
    return tracks.time_s[whole], joints[whole]


@dataclass(frozen=True)
class _Found:
    """A valley of the travel: grid times, depth below the start, how far it came back."""

    start: float
    bottom: float
    end: float
    pause: float
    depth: float
    back: float
    filmed: bool

    def span(self, number: int, complete: bool) -> RepSpan:
        half = self.pause / 2
        return RepSpan(
            number=number,
            start_s=self.start,
            bottom_s=self.bottom,
            end_s=self.end,
            descent_s=max(self.bottom - half - self.start, 0.0),
            pause_s=self.pause,
            ascent_s=max(self.end - self.bottom - half, 0.0),
            complete=complete,
        )


def _lows(height: FloatArray) -> NDArray[np.intp]:
    from scipy.signal import find_peaks

    reach = float(np.ptp(height))
    lows, _ = find_peaks(
        -np.pad(height, 1, constant_values=height.max()), prominence=max(0.3 * reach, LEAST_TRAVEL)
    )
    return np.asarray(lows - 1)


def _rep(travel: Travel, low: int, before: int, after: int) -> _Found | None:
    t, h = travel.time_s, travel.height
    speed = np.gradient(h, t)
    end = low + _rest(h[low : after + 1], speed[low : after + 1])
    start = low - _rest(h[before : low + 1][::-1], -speed[before : low + 1][::-1])
    depth, back = float(h[start] - h[low]), float(h[end] - h[low])
    lasts = t[end] - t[start]
    if max(depth, back) < LEAST_TRAVEL or not LEAST_S <= lasts <= LONGEST_S:
        return None
    down = t[low] - _touch(t[low] - t[start : low + 1][::-1], h[start : low + 1][::-1])
    up = t[low] + _touch(t[low : end + 1] - t[low], h[low : end + 1])
    bottom, pause = float(down + up) / 2, max(float(up - down), 0.0)
    filmed = depth >= FULL_SHARE * back
    return _Found(
        float(t[start]),
        bottom,
        float(t[end]),
        pause if pause >= PAUSE_LEAST_S else 0.0,
        depth,
        back,
        bool(filmed),
    )


def _rest(height: FloatArray, speed: FloatArray) -> int:
    """Steps from a valley (index 0) until the rise that follows has come to rest; `speed` is positive in the
    rise."""
    top = int(np.argmax(height))
    peak = int(np.argmax(speed[: top + 1]))
    high = height >= height[0] + ROSE_SHARE * (height[top] - height[0])
    slow = np.flatnonzero((speed < MOVING_SHARE * speed[peak]) & high & (np.arange(len(height)) >= peak))
    return int(slow[0]) if len(slow) else top


def _touch(t: FloatArray, h: FloatArray) -> float:
    """When the bar left the bottom, seconds from the valley (`t` 0): read where it passes 10 and 30 % of the
    depth."""
    low, high = (h[0] + share * (h.max() - h[0]) for share in TOUCH_SHARES)
    first, later = (float(np.interp(level, *_rising(h, t, level))) for level in (low, high))
    return first - TOUCH_BACK * (later - first)


def _rising(h: FloatArray, t: FloatArray, level: float) -> tuple[list[float], list[float]]:
    """The two samples around the first passage of `level`, as (heights, times)."""
    k = max(int(np.argmax(h >= level)), 1)
    return [float(h[k - 1]), float(h[k])], [float(t[k - 1]), float(t[k])]


def _apart(found: list[_Found]) -> list[_Found]:
    """Valleys in order; of two that share time the deeper one."""
    kept: list[_Found] = []
    for rep in sorted(found, key=lambda r: r.bottom):
        if kept and rep.start < kept[-1].bottom:
            if rep.depth > kept[-1].depth:
                kept[-1] = rep
            continue
        kept.append(rep)
    return kept
