"""How large a change between two screens has to be before it is more than noise."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from statistics import NormalDist

from asymscreen.document import OneValue, TwoSided

Measure = TwoSided | OneValue
NeededChange = Callable[[str, Measure, Measure], float | None]
"""(name, earlier, later) to the 95 % change that a measure needs by itself, in its unit; None if unknown."""

CAMERA_RESET_95: Mapping[str, float] = {
    "tuck_bottom": 2.0, "tuck_mid_ascent": 2.0, "elbow_flexion_bottom": 2.0, "elbow_flexion_lockout": 2.0,
    "forearm_lean_bottom": 1.5, "shoulder_height_bottom": 8.0, "lockout_time": 0.03,
    "bar_tilt_bottom": 0.5, "bar_tilt_mid_ascent": 0.5, "bar_tilt_lockout": 0.5,
    "shoulder_line_bottom": 1.0, "bar_shift_bottom": 8.0,
}  # fmt: skip
"""95 % change that setting the camera up again makes by itself; deg, mm or s as the measure. Assumed, until
it is fitted on pairs of clips of one lifter filmed twice."""
CAMERA_RESET_95_BY_UNIT: Mapping[str, float] = {"deg": 2.0, "mm": 8.0, "s": 0.03}
"""The same for a measure that the table does not name."""
FALSE_CHANGE_RATE = 0.05
"""Chance that a comparison of an unchanged lifter calls any change at all, over all its measures together."""


def needed_change(name: str, earlier: Measure, later: Measure) -> float | None:
    """95 % change that a measure needs by itself: both clips' errors and the camera's re-set in quadrature.

    Noise does not shrink by looking twice: sqrt(error1^2 + error2^2 + reset^2), in the measure's unit, each
    at 95 % (Weir 2005, JSCR 19:231-240, for two measurements alike); the re-set does not shrink with reps.
    None where a clip states no error.
    """
    errors = half_width(earlier), half_width(later)
    if errors[0] is None or errors[1] is None:
        return None
    reset = CAMERA_RESET_95.get(name, CAMERA_RESET_95_BY_UNIT[later.unit])
    return math.hypot(errors[0], errors[1], reset)


def half_width(measure: Measure) -> float | None:
    """Half the 95 % interval of the signed number; the noise floor where there is no interval.

    The noise floor itself is wider: it already allows for all measures of its clip together, and a comparison
    does that once, for the changes.
    """
    number = measure.difference if isinstance(measure, TwoSided) else measure
    if number.low is None or number.high is None:
        return measure.noise_floor
    return (number.high - number.low) / 2


def family_factor(measures: int) -> float:
    """By how much a 95 % limit grows so that `measures` of them together are wrong in 5 % (Bonferroni)."""
    normal = NormalDist()
    alone = normal.inv_cdf(1 - FALSE_CHANGE_RATE / 2)
    return normal.inv_cdf(1 - FALSE_CHANGE_RATE / (2 * max(measures, 1))) / alone


def needed_together(changes: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    """What each measure needs when all are looked at together (Holm 1979, Scand J Stat 6:65-70).

    `changes` maps a name to (change, 95 % change needed alone). The clearest change is held against all
    measures, the next against one fewer, and so on until one falls short; what follows needs as much as that
    one. The chance of any false change then stays at 5 % at most.
    """
    order = sorted(changes, key=lambda n: _ratio(*changes[n]), reverse=True)
    needed, left, failed = {}, len(order), False
    for name in order:
        factor = family_factor(left)
        needed[name] = factor * changes[name][1]
        failed = failed or abs(changes[name][0]) <= needed[name]
        if not failed:
            left -= 1
    return needed


def _ratio(change: float, alone: float) -> float:
    return abs(change) / alone if alone > 0 else math.inf
