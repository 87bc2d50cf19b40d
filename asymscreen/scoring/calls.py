"""From readings to calls: which differences are real, and which side is named.

A clip has a dozen measures, many of them alike; at 5 % each, one lifter in three would be called uneven for
nothing. The 5 % are therefore shared out over all measures together, by Holm's step-down with unequal
shares (Holm 1979, Scand J Stat 6:65-70): valid however the errors of the measures hang together, which a
rule from their correlations would not be, and exact p values are not needed. What this gives away where
measures are alike is won back by `family_scale`, which is measured on screens with known truth. Steps:
every measure gets its share of 5 %; those whose difference exceeds the floor that follows are called; their
shares go to the others, and so on.

The printed noise floor is the one used for the call, so a side is named if and only if the printed difference
exceeds the printed floor. It is never inside the 95 % half-width. The interval is the plain 95 % one.

Which side: the one farther from the middle of the reference band. (Outside the band that is the side
farther from the band; inside, both are unremarkable alone and the one nearer an edge is named.) Both, if
they are equally far. Where only the difference is measured (shoulder height, lockout time) or only one
direction is a fault (lockout flexion), the band has no say: the lower shoulder, the later elbow, the elbow
less straight. One-value measures name the side that is lower or to which the bar is shifted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from asymscreen.document import Call, Interval, OneValue, SideRep, TwoSided, ValueRep
from asymscreen.errors import UsageError
from asymscreen.scoring.noise import (
    ClipContext,
    ErrorModel,
    MeasureError,
    Reading,
    Spread,
    corrected_sides,
    interval,
    noise_floor,
    spread,
)
from asymscreen.scoring.rules import EVEN_TIE, FALSE_CALLS, RULES, SHARES, MeasureRule

FloatArray = NDArray[np.float64]
Measure = TwoSided | OneValue
Bands = Mapping[str, tuple[float, float] | None]

DECIMALS = 3
"""Numbers enter the document, and the decision, rounded to this many decimals."""
SHOWN = {"deg": 1, "mm": 0, "s": 2}
"""Decimals in words."""


def call_all(
    readings: Sequence[Reading],
    model: ErrorModel,
    context: ClipContext,
    bands: Bands | None = None,
    numbers: Sequence[int] | None = None,
) -> dict[str, Measure]:
    """Every reading of a clip as its part of the document, in the order given.

    `bands` replaces default reference bands by measure; `numbers` are the reps' numbers (else 1, 2, ...).
    UsageError for a measure or a band that has no rule.
    """
    for name in [r.name for r in readings] + list(bands or {}):
        if name not in RULES:
            raise UsageError(f"measure: expected one of {', '.join(RULES)}, got {name!r}")
    errors = {r.name: model.find(context.view, r.name) for r in readings}
    found, refused = _sort_out(readings, errors, context)
    floors = decide(found, model.family_scale)
    out: dict[str, Measure] = {}
    for r in readings:
        count = numbers or range(1, len(r.sides) + 1)
        error = errors[r.name]
        if r.name in refused or error is None:
            out[r.name] = not_measurable(r, refused[r.name], count)
            continue
        band = (bands or {}).get(r.name, RULES[r.name].band)
        sides = _possible(corrected_sides(r.sides, error, context.elevation_deg), RULES[r.name])
        build = _two_sided if r.sides.shape[1] == 2 else _one_value
        out[r.name] = build(r, sides, found[r.name], floors[r.name], band, count)
    return out


def decide(
    found: Mapping[str, Spread], family_scale: float = 1.0, shares: Mapping[str, float] = SHARES
) -> dict[str, float]:
    """Noise floor of every measure; calling all |value| > floor keeps false calls at 5 % together."""
    floors: dict[str, float] = {}
    left = dict(found)
    while left:
        total = sum(shares[name] for name in left)
        step = {
            name: _rounded(noise_floor(s, FALSE_CALLS * shares[name] / total, family_scale))
            for name, s in left.items()
        }
        real = [name for name, s in left.items() if abs(_rounded(s.value)) > step[name]]
        if not real:
            return floors | step
        floors |= {name: step[name] for name in real}
        left = {name: s for name, s in left.items() if name not in real}
    return floors


# ---- what cannot be measured


def _sort_out(
    readings: Sequence[Reading], errors: Mapping[str, MeasureError | None], context: ClipContext
) -> tuple[dict[str, Spread], dict[str, str]]:
    """(spreads of what is measurable, reasons of what is not)."""
    found: dict[str, Spread] = {}
    refused: dict[str, str] = {}
    for r in readings:
        error = errors[r.name]
        got = spread(r, error, context) if error else None
        reason = _reason(r, error, got, context)
        if reason or got is None:
            refused[r.name] = reason
        else:
            found[r.name] = got
    return found, refused


def _reason(r: Reading, error: MeasureError | None, got: Spread | None, context: ClipContext) -> str:
    """Why a reading is not measurable, to stand after a colon; empty if it is."""
    rule = RULES[r.name]
    if context.view == "side":
        return "a side view hides one arm behind the other; film from the foot end"
    if error is None:
        return f"its error is not known for the {context.view} view"
    if got is None:
        return "no rep shows this moment clearly on both sides"
    half = got.sharpness
    if half > rule.limit:
        return (
            f"this clip shows it only to ±{amount(half, r.unit)}, "
            f"and beyond ±{amount(rule.limit, r.unit)} that says nothing"
        )
    if rule.possible:
        sides = corrected_sides(r.sides, error, context.elevation_deg)
        worst = float(np.nanmax(sides))
        if worst > rule.possible[1]:
            return (
                f"the solved angle, {amount(worst, r.unit)}, is more than a joint can do: the fit went wrong"
            )
    return ""


def not_measurable(r: Reading, reason: str, numbers: Sequence[int]) -> Measure:
    """A reading as `not-measurable`: its reason, and no number."""
    if r.sides.shape[1] == 1:
        return OneValue(
            unit=r.unit, value=None, low=None, high=None, noise_floor=None, call="not-measurable",
            direction="", reason=reason, reps=[ValueRep(number=n, value=None) for n in numbers],
        )  # fmt: skip
    return TwoSided(
        unit=r.unit, left=None, right=None, difference=Interval(value=None, low=None, high=None),
        noise_floor=None, call="not-measurable", direction="", reason=reason,
        reps=[SideRep(number=n, left=None, right=None) for n in numbers],
    )  # fmt: skip


def _possible(sides: FloatArray, rule: MeasureRule) -> FloatArray:
    """Sides moved up together where the correction of their level took one below what is possible."""
    if rule.possible is None:
        return sides
    return np.asarray(sides + max(rule.possible[0] - float(np.nanmin(sides)), 0.0))


# ---- the document's parts


def _two_sided(
    r: Reading,
    sides: FloatArray,
    found: Spread,
    floor: float,
    band: tuple[float, float] | None,
    numbers: Sequence[int],
) -> TwoSided:
    middle = float(np.nanmean(sides.mean(axis=1)))
    value = _rounded(found.value)
    left, right = middle + value / 2, middle - value / 2
    low, high = interval(found)
    call: Call = "even"
    direction = even_words(low, high, r.unit)
    if abs(value) > floor:
        call = name_side(left, right, RULES[r.name], band, EVEN_TIE * floor)
        direction = _direction(call, value, RULES[r.name])
    return TwoSided(
        unit=r.unit,
        left=_rounded(left),
        right=_rounded(right),
        difference=Interval(value=value, low=_rounded(low), high=_rounded(high)),
        noise_floor=floor,
        call=call,
        direction=direction,
        reference_band=band,
        reason="",
        reps=[
            SideRep(number=n, left=_finite(s[0]), right=_finite(s[1]))
            for n, s in zip(numbers, sides, strict=True)
        ],
    )


def _one_value(
    r: Reading,
    sides: FloatArray,
    found: Spread,
    floor: float,
    band: tuple[float, float] | None,
    numbers: Sequence[int],
) -> OneValue:
    value = _rounded(found.value)
    low, high = interval(found)
    real = abs(value) > floor
    call: Call = ("left" if value > 0 else "right") if real else "even"
    return OneValue(
        unit=r.unit,
        value=value,
        low=_rounded(low),
        high=_rounded(high),
        noise_floor=floor,
        call=call,
        direction=RULES[r.name].high if real else even_words(low, high, r.unit),
        reference_band=band,
        reason="",
        reps=[ValueRep(number=n, value=_finite(s[0])) for n, s in zip(numbers, sides, strict=True)],
    )


def name_side(
    left: float, right: float, rule: MeasureRule, band: tuple[float, float] | None, tie: float
) -> Call:
    """Which of two sides that differ is named; `both` if about equally far (`tie`) from the band's middle."""
    higher: Call = "left" if left > right else "right"
    if rule.named == "higher":
        return higher
    if rule.named == "lower":
        return "right" if higher == "left" else "left"
    if band is None:
        return "both"
    middle = (band[0] + band[1]) / 2
    farther = abs(left - middle) - abs(right - middle)
    if abs(farther) <= tie:
        return "both"
    return "left" if farther > 0 else "right"


def _direction(call: Call, difference: float, rule: MeasureRule) -> str:
    """Words for the named side; for both, one after the other."""
    left, right = (rule.high, rule.low) if difference > 0 else (rule.low, rule.high)
    if call == "both":
        return f"left {left}, right {right}"
    return left if call == "left" else right


# ---- numbers in words


def amount(value: float, unit: str) -> str:
    """A number as a coach reads it: 12.3 deg, 14 mm, 0.18 s."""
    return f"{value:.{SHOWN[unit]}f} {unit}"


def even_words(low: float, high: float, unit: str) -> str:
    """ "even within X": no larger true difference is compatible with the 95 % interval; X is rounded up."""
    step = 10.0 ** SHOWN[unit]
    return f"even within {amount(math.ceil(max(abs(low), abs(high)) * step - 1e-9) / step, unit)}"


def _rounded(value: float) -> float:
    return round(float(value), DECIMALS)


def _finite(value: float) -> float | None:
    return _rounded(value) if np.isfinite(value) else None
