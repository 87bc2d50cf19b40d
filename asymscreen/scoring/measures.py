"""The measures of a solved press: what each side does, rep by rep, and the error that the fit itself states.

Every measure is computed on the solution and on the draws from its uncertainty, so that one formula gives
the value and its standard deviation. Signs and frames as in `motion.camera`: differences are left minus
right; positive one-value measures mean the lifter's left end lower, or a shift to the lifter's left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from asymscreen.motion.press import Press
from asymscreen.motion.reps import RepSpan
from asymscreen.scoring.angles import flexion, forearm_lean, line_tilt, tuck

FloatArray = NDArray[np.float64]
Unit = Literal["deg", "mm", "s"]

SHOULDER_OVER_BENCH_MM = 85.0
"""Mean height of the COCO shoulder points over the pad; only left against right is measured, this places the
pair."""
LOCKOUT_BAND_DEG = 5.0
"""An elbow has locked out when its flexion is within this of its own smallest of the rep, degrees."""
GRID = 101
"""Points of a cycle on which curves and timings are read."""


@dataclass(frozen=True)
class Measured:
    """One measure of a clip before any call.

    sides       (R, 2) left and right of every rep, or (R, 1) for a one-value measure; NaN where a rep has
                none
    fit_sd      standard deviation of the mean difference (or of the mean value) that the fit states
    side_sd     standard deviation of one side's mean that the fit states
    """

    name: str
    unit: Unit
    sides: FloatArray
    fit_sd: float
    side_sd: float

    @property
    def two_sided(self) -> bool:
        return bool(self.sides.shape[1] == 2)


@dataclass(frozen=True)
class Moments:
    """Seconds of the events of one rep: where the measures are read."""

    lockout: FloatArray
    bottom: float
    mid_ascent: float
    grid: FloatArray
    ascent_from: float


def measure(press: Press, reps: Sequence[RepSpan]) -> dict[str, Measured]:
    """All measures by name, over the reps that were solved. Incomplete reps count where the event was
    reached."""
    values: dict[str, list[FloatArray]] = {name: [] for name in RULES}
    draws: dict[str, list[FloatArray]] = {name: [] for name in RULES}
    for k, rep in enumerate(reps):
        at = _moments(press, k, rep)
        times = np.concatenate([[at.bottom, at.mid_ascent], at.lockout, at.grid])
        solved, drawn = press.joints(k, times), press.joint_draws(k, times)
        for name, (_, rule) in RULES.items():
            values[name].append(_read(solved, at, rule))
            draws[name].append(_read(drawn, at, rule))
    return {name: _over_reps(name, RULES[name][0], values[name], draws[name]) for name in RULES}


def _moments(press: Press, k: int, rep: RepSpan) -> Moments:
    grid = np.linspace(rep.start_s, rep.end_s, GRID)
    height = press.joints(k, grid)[:, 4:6, 2].mean(axis=1)
    low = float(np.interp(rep.bottom_s, grid, height))
    after = grid >= rep.bottom_s
    half = (low + height[after].max()) / 2 if after.any() else low
    above = np.flatnonzero(after & (height >= half))
    mid = float(grid[above[0]]) if len(above) else rep.end_s
    ends = np.array([rep.start_s, rep.end_s]) if rep.complete else np.array([rep.start_s])
    return Moments(ends, rep.bottom_s, mid, grid, rep.bottom_s + rep.pause_s / 2)


Rule = Callable[[FloatArray, FloatArray, FloatArray, FloatArray, Moments], FloatArray]
"""(bottom (..., 8, 3), mid-ascent (..., 8, 3), lockouts (..., L, 8, 3), cycle (..., GRID, 8, 3), moments) ->
(..., 1 or 2)."""


def _both(function: Callable[..., FloatArray], j: FloatArray, a: int, b: int, c: int) -> FloatArray:
    """`function` of three joints on the left and on the right; joints are given by their left index."""
    sides = [function(j[..., a + s, :], j[..., b + s, :], j[..., c + s, :]) for s in (0, 1)]
    return np.stack(sides, axis=-1)


def _flexion(j: FloatArray) -> FloatArray:
    return _both(flexion, j, 0, 2, 4)


def _tuck(j: FloatArray) -> FloatArray:
    return _both(tuck, j, 0, 2, 6)


def _lean(j: FloatArray) -> FloatArray:
    left = forearm_lean(j[..., 2, :], j[..., 4, :], "left")
    return np.stack([left, forearm_lean(j[..., 3, :], j[..., 5, :], "right")], axis=-1)


def _shoulder_mm(j: FloatArray) -> FloatArray:
    z = j[..., 0:2, 2]
    return np.asarray((z - z.mean(axis=-1, keepdims=True)) * 1000 + SHOULDER_OVER_BENCH_MM)


def _tilt(j: FloatArray, left: int, right: int) -> FloatArray:
    return np.asarray(line_tilt(j[..., left, :], j[..., right, :]))[..., None]


def _shift_mm(j: FloatArray) -> FloatArray:
    return ((j[..., 4, :1] + j[..., 5, :1]) - (j[..., 0, :1] + j[..., 1, :1])) * 500


def _lockout_time(cycle: FloatArray, at: Moments) -> FloatArray:
    """Seconds from the end of the pause until each elbow has locked out; NaN where it never does."""
    later = at.grid >= at.ascent_from
    bend = _flexion(cycle)[..., later, :]
    smallest = bend.min(axis=-2, keepdims=True)
    reached = bend <= smallest + LOCKOUT_BAND_DEG
    first = np.argmax(reached, axis=-2)
    times = at.grid[later]
    before = np.maximum(first - 1, 0)
    b1 = np.take_along_axis(bend, first[..., None, :], axis=-2)[..., 0, :]
    b0 = np.take_along_axis(bend, before[..., None, :], axis=-2)[..., 0, :]
    goal = smallest[..., 0, :] + LOCKOUT_BAND_DEG
    share = np.where(b0 > b1, (b0 - goal) / np.where(b0 > b1, b0 - b1, 1), 1.0)
    return np.asarray(times[before] + np.clip(share, 0, 1) * (times[first] - times[before]) - at.ascent_from)


RULES: dict[str, tuple[Unit, Rule]] = {
    "tuck_bottom": ("deg", lambda b, m, lock, c, at: _tuck(b)),
    "tuck_mid_ascent": ("deg", lambda b, m, lock, c, at: _tuck(m)),
    "elbow_flexion_bottom": ("deg", lambda b, m, lock, c, at: _flexion(b)),
    "elbow_flexion_lockout": ("deg", lambda b, m, lock, c, at: _flexion(lock).mean(axis=-2)),
    "forearm_lean_bottom": ("deg", lambda b, m, lock, c, at: _lean(b)),
    "shoulder_height_bottom": ("mm", lambda b, m, lock, c, at: _shoulder_mm(b)),
    "lockout_time": ("s", lambda b, m, lock, c, at: _lockout_time(c, at)),
    "bar_tilt_bottom": ("deg", lambda b, m, lock, c, at: _tilt(b, 4, 5)),
    "bar_tilt_mid_ascent": ("deg", lambda b, m, lock, c, at: _tilt(m, 4, 5)),
    "bar_tilt_lockout": ("deg", lambda b, m, lock, c, at: _tilt(lock, 4, 5).mean(axis=-2)),
    "shoulder_line_bottom": ("deg", lambda b, m, lock, c, at: _tilt(b, 0, 1)),
    "bar_shift_bottom": ("mm", lambda b, m, lock, c, at: _shift_mm(b)),
}
"""Every measure: its unit and its rule."""


def _over_reps(name: str, unit: Unit, values: list[FloatArray], draws: list[FloatArray]) -> Measured:
    sides, spread = np.stack(values), np.mean(np.stack(draws), axis=0)
    pair = spread[:, 0] - spread[:, 1] if spread.shape[1] == 2 else spread[:, 0]
    return Measured(name, unit, sides, float(np.std(pair)), float(np.mean(np.std(spread, axis=0))))


def _read(j: FloatArray, at: Moments, rule: Rule) -> FloatArray:
    """One rule on joints (..., 2 + L + GRID, 8, 3) at bottom, mid-ascent, lockouts and grid."""
    n = 2 + len(at.lockout)
    return rule(j[..., 0, :, :], j[..., 1, :, :], j[..., 2:n, :, :], j[..., n:, :, :], at)
