"""How large a change between two screens has to be before it is more than noise."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from statistics import NormalDist

from asymscreen.document import OneValue, TwoSided
from asymscreen.scoring.retest import load_retest

Measure = TwoSided | OneValue
NeededChange = Callable[[str, Measure, Measure], float | None]
"""(name, earlier, later) to the 95 % change that a measure needs by itself, in its unit; None if unknown."""

FALSE_CHANGE_RATE = 0.05
"""Chance that a comparison of an unchanged lifter calls any change at all, over all its measures together."""


def needed_change(name: str, earlier: Measure, later: Measure) -> float | None:
    """95 % change that a measure needs by itself: both clips' errors and the camera's re-set in quadrature.

    sqrt(kept^2 (error1^2 + error2^2) + reset^2), in the measure's unit, each at 95 % (Weir 2005, JSCR
    19:231-240, for two measurements alike). `kept` is below 1 where a part of both errors is the lifter's
    build, the same in both clips; the re-set does not shrink with reps. Both come from `scoring.retest`,
    measured or assumed as it says there.
    None where a clip states no error.
    """
    errors = half_width(earlier), half_width(later)
    if errors[0] is None or errors[1] is None:
        return None
    table = load_retest()
    kept = table.kept(name)
    return math.hypot(kept * errors[0], kept * errors[1], table.reset95(name, later.unit))


def half_width(measure: Measure) -> float | None:
    """Half the 95 % interval of the signed number; the noise floor where there is no interval.

    The noise floor itself is wider: it already allows for all measures of its clip together, and a comparison
    does that once, for the changes.
    """
    number = measure.difference if isinstance(measure, TwoSided) else measure
    if number.low is None or number.high is None:
        return measure.noise_floor
    return (number.high - number.low) / 2


def one_sided(measure: Measure) -> bool:
    """True where the 95 % interval lies on one side of zero: the clip is sure which side is larger."""
    number = measure.difference if isinstance(measure, TwoSided) else measure
    return number.low is not None and number.high is not None and number.low * number.high > 0


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
