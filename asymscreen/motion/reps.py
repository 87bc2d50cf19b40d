"""The press cycle: which stretches of a clip are reps, and when each starts, turns and ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from asymscreen.motion.tracks import Tracks
from asymscreen.motion.travel import Travel, bar_travel

FloatArray = NDArray[np.float64]

LEAST_TRAVEL = 0.22
"""Smallest bar travel in the picture that is a rep, in shoulder widths; lying still jitters by under 0.05."""
LEAST_S, LONGEST_S = 0.6, 15.0
"""A rep shorter than this is a twitch, one longer two reps; seconds."""
LEAST_BEND, BEND_SHARE = 0.15, 0.35
"""Smallest bend of the arms in a rep: shoulder widths that the hand leaves the line of the upper arm, and
share of the clip's largest. On sets of known geometry straight arms stay under 0.14, the worst view of a
full rep shows 0.27."""
MOST_BEND = 1.3
"""No arm bends more, shoulder widths; a larger bend is a landmark elsewhere."""
LEAST_BEND_CUT = 0.3
"""The same where only one half of a rep was filmed, which could as well be a bar that leaves the rack."""
MOVING_SHARE = 0.07
"""The bar moves when its speed exceeds this share of the fastest of that descent or ascent."""
PAUSE_LEAST_S = 0.12  # seconds; a shorter stop is the turn of the bar, no pause
LEVELS = np.linspace(0.10, 0.55, 10)
"""Shares of the way at which the passage of the bar is timed, to tell when it left its rest."""
START_POWER = 0.47
"""Near rest the time since the start goes with the way to this power: minimum jerk (Flash & Hogan 1985)
1/3, a sine 1/2."""
PAST_SHARE = 0.25
"""Share of the way by which the bar may pass lockout and still be at lockout."""
DEEP_SHARE = 0.7
"""A rep less deep than this share of the deepest is a half rep."""
BACK_SHARE = 0.7
"""So is one that comes back less than this share of its depth, or of which so little was filmed."""
ROSE_SHARE = 0.6
"""Share of the way to lockout that the bar must have risen before it can have come to rest."""


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


def find_reps(tracks: Tracks) -> list[RepSpan]:
    """All reps of a clip in order, numbered from 1; an empty list where nobody presses.

    Unracking and racking, in which the arms stay straight, are no reps. A rep is not `complete` that turns
    well above the others' bottom, that does not come back to lockout, or whose start, bottom or end was not
    filmed.
    """
    travel = bar_travel(tracks)
    if travel is None:
        return []
    lows = _lows(travel)
    walls = [0, *lows, len(travel.height) - 1]
    tried = (_rep(travel, low, walls[k], walls[k + 2]) for k, low in enumerate(lows))
    found = [rep for rep in tried if rep is not None]
    most = min(max((rep.bend for rep in found), default=0.0), MOST_BEND)
    found = [rep for rep in found if rep.bend >= max(rep.least_bend, BEND_SHARE * most)]
    if not found:
        return []
    deepest = max(min(rep.depth, rep.back) for rep in found)
    return [rep.span(number, deepest) for number, rep in enumerate(_apart(found), start=1)]


@dataclass(frozen=True)
class _Found:
    """A valley of the travel: seconds of its start, of reaching and leaving the bottom, of its end; how far
    it went down, came back and how far the arms bent, shoulder widths; whether the arms were in view."""

    start: float
    reached: float
    left: float
    end: float
    depth: float
    back: float
    bend: float
    seen: bool

    @property
    def bottom(self) -> float:
        return (self.reached + self.left) / 2

    @property
    def whole(self) -> bool:
        return min(self.depth, self.back) >= BACK_SHARE * max(self.depth, self.back)

    @property
    def least_bend(self) -> float:
        return LEAST_BEND if self.whole else LEAST_BEND_CUT

    def span(self, number: int, deepest: float) -> RepSpan:
        pause = self.left - self.reached  # below 0 where the bar turns at once and the two cross
        pause = pause if pause >= PAUSE_LEAST_S else 0.0
        deep = max(self.depth, self.back) >= DEEP_SHARE * deepest
        return RepSpan(
            number=number,
            start_s=self.start,
            bottom_s=self.bottom,
            end_s=self.end,
            descent_s=max(self.bottom - pause / 2 - self.start, 0.0),
            pause_s=pause,
            ascent_s=max(self.end - self.bottom - pause / 2, 0.0),
            complete=bool(deep and self.whole and self.seen),
        )


def _lows(travel: Travel) -> list[int]:
    """Valleys of the travel, also at both ends of the clip."""
    reach = travel.lockout - float(travel.height.min())
    padded = np.pad(travel.height, 1, constant_values=travel.lockout)
    return [k - 1 for k in valleys(padded, max(0.3 * reach, LEAST_TRAVEL))]


def valleys(height: FloatArray, depth: float) -> list[int]:
    """Places of the valleys of a series (T,) that one climbs at least `depth` out of, to either side, before
    it goes lower still or ends; of a level floor its middle. As `scipy.signal.find_peaks` finds them by
    prominence, whose import takes half a second."""
    edges = np.flatnonzero(np.diff(height, prepend=np.nan, append=np.nan) != 0)  # where level stretches begin
    level = height[edges[:-1]]
    found = []
    for k in range(1, len(level) - 1):
        if level[k] < min(level[k - 1], level[k + 1]):
            lower = level < level[k]
            left = level[np.max(np.flatnonzero(lower[:k]), initial=-1) + 1 : k].max()
            right = level[k + 1 : np.min(np.flatnonzero(lower[k:]) + k, initial=len(level))].max()
            if min(left, right) - level[k] >= depth:
                found.append(int(edges[k] + edges[k + 1] - 1) // 2)
    return found


def _rep(travel: Travel, low: int, before: int, after: int) -> _Found | None:
    """The rep around the valley `low` between the neighbouring valleys, or None where it is none."""
    t, h = travel.time_s, travel.height
    first = low - _rest(h[before : low + 1][::-1], travel.lockout)
    last = low + _rest(h[low : after + 1], travel.lockout)
    depth, back = float(h[first] - h[low]), float(h[last] - h[low])
    if max(depth, back) < LEAST_TRAVEL:
        return None
    bend = _bend(travel, first, low, last)
    left, end = _passages(t[low : last + 1] - t[low], h[low : last + 1])
    reached, start = _passages(t[low] - t[first : low + 1][::-1], h[first : low + 1][::-1])
    moments = np.clip(t[low] + np.array([-start, -reached, left, end]), t[0], t[-1])
    seen = bool(travel.seen[first : last + 1].all())
    start, reached, left, end = (float(moment) for moment in moments)
    found = _Found(start, reached, left, end, depth, back, bend, seen)
    return found if LEAST_S <= found.end - found.start <= LONGEST_S else None


def _bend(travel: Travel, first: int, low: int, last: int) -> float:
    """How far the arms are bent in the lower half of a rep, shoulder widths against both rests; a bar that
    is led to the rack leaves them straight."""
    h, off = travel.height[first : last + 1], travel.off_line[first : last + 1]
    lower = off[h <= (h[low - first] + h.max()) / 2]
    ways = np.linalg.norm(lower[:, None] - off[[0, -1]], axis=2) / np.sqrt(2.0)
    return float(np.median(ways, axis=0).max())


def _rest(height: FloatArray, lockout: float) -> int:
    """Steps from a valley (index 0) until the rise that follows has come to rest, or is slowest near lockout
    where the bar is led on to the rack at once."""
    way = min(float(height.max()), lockout) - height[0]
    if len(height) < 3 or way <= 0:
        return int(np.argmax(height))
    share = (height - height[0]) / way
    above = np.flatnonzero(share > 1 + PAST_SHARE)
    share = share[: above[0]] if len(above) else share
    speed = np.gradient(height)[: len(share)]
    peak = int(np.argmax(speed[: int(np.argmax(share >= min(1.0, share.max()))) + 1]))
    rests = (speed < MOVING_SHARE * speed[peak]) & (share >= ROSE_SHARE) & (np.arange(len(share)) >= peak)
    if rests.any():
        return int(np.argmax(rests))
    if not len(above):
        return int(np.argmax(share))
    near = np.flatnonzero(share >= 1 - PAST_SHARE)
    return int(near[np.argmin(speed[near])])


def _passages(t: FloatArray, h: FloatArray) -> tuple[float, float]:
    """When a rise from h[0] to h[-1] began and when it was over, seconds; both 0 where there is no rise."""
    way = h[-1] - h[0]
    if len(h) < 3 or way <= 0:
        return 0.0, float(t[-1])
    share = (h - h[0]) / way
    began = _left_rest(t, share)
    over = t[-1] - _left_rest(t[-1] - t[::-1], 1 - share[::-1])
    return began, max(float(over), began)


def _left_rest(t: FloatArray, share: FloatArray) -> float:
    """When `share`, which goes from 0 to 1, left 0: a line through its passages of LEVELS over the way to the
    power START_POWER, read at 0."""
    passed = np.array([_crossing(t, share, level) for level in LEVELS])
    _, at_rest = np.polyfit(LEVELS**START_POWER, passed, 1)
    return float(at_rest)


def _crossing(t: FloatArray, share: FloatArray, level: float) -> float:
    """The first time at which `share` passes `level`, between two samples."""
    k = max(int(np.argmax(share >= level)), 1)
    step = share[k] - share[k - 1]
    return float(t[k] if step <= 0 else t[k - 1] + (t[k] - t[k - 1]) * (level - share[k - 1]) / step)


def _apart(found: list[_Found]) -> list[_Found]:
    """Reps in order; of two that share a bottom the deeper one."""
    kept: list[_Found] = []
    for rep in found:
        if kept and rep.start < kept[-1].bottom:
            if rep.depth > kept[-1].depth:
                kept[-1] = rep
            continue
        kept.append(rep)
    return kept
