"""Figures of screens with known truth: by measure, over all measures together, by size of the truth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from asymscreen.document import Interval, OneValue, TwoSided
from asymscreen.scoring.noise import ErrorModel
from asymscreen.scoring.statistics import (
    Z95,
    Estimate,
    coverage,
    icc,
    icc_band,
    limits_of_agreement,
    mean_absolute_error,
    minimal_detectable_change,
    proportion,
)
from asymscreen.validation.cases import Case

FloatArray = NDArray[np.float64]
Measure = TwoSided | OneValue

LEAST = 3
"""Screens that a figure needs at least; a table of two has no error."""
REAL_DEG = 8.0
"""A true tuck difference from this on should be named, degrees."""
BOTTOM_S = 0.1
"""A bottom found within this of the true one is right, seconds."""
DECIMALS = 3  # digits kept in the figures
STEPS = {"deg": (0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 16.0), "mm": (0.0, 5.0, 10.0, 20.0, 30.0, 45.0)}
STEPS |= {"s": (0.0, 0.02, 0.05, 0.1, 0.2, 0.3)}
"""True differences are counted between these, by unit; the last step has no end."""
NAMED = ("left", "right", "both")


@dataclass(frozen=True)
class Pairing:
    """One measure of one screen beside its truth, all signed: left minus right, or the one value.

    `low` and `high` are the stated 95 % interval, `floor` the noise floor; `sides` and `true_sides` the two
    numbers of a two-sided measure, else None. In the unit of the measure.
    """

    case: Case
    name: str
    unit: str
    value: float
    low: float
    high: float
    floor: float
    call: str
    truth: float
    sides: tuple[float, float] | None
    true_sides: tuple[float, float] | None

    @property
    def error(self) -> float:
        return self.value - self.truth

    @property
    def named_rightly(self) -> bool:
        """A side was named, and the difference has the sign of the true one."""
        return self.call in NAMED and self.value * self.truth > 0


Called = Mapping[str, Mapping[str, Measure]]
"""Calls of every solved screen by its name, then by measure."""


def call_cases(cases: Iterable[Case], model: ErrorModel) -> dict[str, dict[str, Measure]]:
    """What `model` says of every screen that was solved."""
    return {case.name: case.solved.call(model) for case in cases if case.solved}


def pairings(cases: Sequence[Case], called: Called) -> list[Pairing]:
    """Every measure that a screen gave a number for, beside its truth."""
    out = []
    for case in cases:
        for name, m in called.get(case.name, {}).items():
            true, number = case.truth.measures.get(name), signed_number(m)
            floor = m.noise_floor
            ends = (number.value, number.low, number.high)
            if true is None or floor is None or None in ends:
                continue
            value, low, high = (float(v) for v in ends if v is not None)
            both = isinstance(m, TwoSided) and m.left is not None and m.right is not None
            sides = (m.left, m.right) if both and isinstance(m, TwoSided) else None
            out.append(
                Pairing(case, name, m.unit, value, low, high, floor, m.call, true.signed, sides, true.sides)  # type: ignore[arg-type]
            )
    return out


def signed_number(m: Measure) -> Interval:
    """Left minus right with its interval, or the one value with its."""
    return m.difference if isinstance(m, TwoSided) else Interval(value=m.value, low=m.low, high=m.high)


# ---- one measure


def of_measure(found: Sequence[Pairing], of: int) -> dict[str, Any]:
    """Figures of one measure from its pairings; `of` is how many screens were solved and have a truth.

    sem       SD of estimate minus truth: the truth has no error, so all of it is the instrument's
    difference95   1.96 SEM, the smallest difference that a screen tells from even
    mdc95     1.96 sqrt2 SEM (Weir 2005), the smallest change between two screens, each with the whole error
    icc       of estimate and truth, two-way random, agreement (Shrout & Fleiss 2,1)
    even_sd, even_largest   of the error on even lifters alone: what a noise floor has to stay above
    """
    out: dict[str, Any] = {"measurable": len(found), "of": of}
    if len(found) < LEAST:
        return out
    estimate, truth = (np.array([getattr(p, name) for p in found]) for name in ("value", "truth"))
    error = np.abs(estimate - truth)
    agreement = limits_of_agreement(estimate, truth)
    held = coverage([p.low for p in found], [p.high for p in found], truth)
    out |= {
        "unit": found[0].unit,
        "bias": agreement.bias.value,
        "bias_interval": _ends(agreement.bias),
        "mean_absolute_error": mean_absolute_error(estimate, truth).value,
        "p95": float(np.percentile(error, 95)),
        "limits_of_agreement": [agreement.lower.value, agreement.upper.value],
        "sem": agreement.sd,
        "difference95": Z95 * agreement.sd,
        "mdc95": minimal_detectable_change(agreement.sd),
        **_icc(estimate, truth),
        "half_width": float(np.median([(p.high - p.low) / 2 for p in found])),
        "noise_floor": float(np.median([p.floor for p in found])),
        "coverage": held.value,
        "coverage_interval": _ends(held),
    }
    sides = [
        s - t for p in found if p.sides and p.true_sides for s, t in zip(p.sides, p.true_sides, strict=True)
    ]
    out |= _of_even(found)
    if sides:
        out["side_mean_absolute_error"] = float(np.abs(sides).mean())
        out["side_bias"] = float(np.mean(sides))
    return {key: rounded(v) for key, v in out.items()}


def _of_even(found: Sequence[Pairing]) -> dict[str, Any]:
    """The error on even lifters alone; empty where there are too few."""
    even = np.array([p.error for p in found if p.case.truth.even])
    if len(even) < LEAST:
        return {}
    return {
        "even_screens": len(even),
        "even_sd": float(even.std(ddof=1)),
        "even_largest": float(abs(even).max()),
    }


def _icc(estimate: FloatArray, truth: FloatArray) -> dict[str, Any]:
    """ICC(2,1) with its interval; None where all truths are alike, which leaves it undefined."""
    if float(np.ptp(truth)) <= 0:
        return {"icc": None, "icc_interval": None, "icc_band": ""}
    got = icc(np.stack([estimate, truth], axis=1), "2,1")
    return {"icc": got.value, "icc_interval": _ends(got), "icc_band": icc_band(got)}


def _ends(e: Estimate) -> list[float] | None:
    return [e.low, e.high] if np.isfinite([e.low, e.high]).all() else None


def by_measure(cases: Sequence[Case], called: Called) -> dict[str, dict[str, Any]]:
    """Figures of every measure that has a truth, over the screens that were solved."""
    found: dict[str, list[Pairing]] = defaultdict(list)
    for p in pairings(cases, called):
        found[p.name].append(p)
    names = dict.fromkeys(name for measures in called.values() for name in measures)
    known = {n: sum(n in c.truth.measures for c in cases if c.solved) for n in names}
    return {name: of_measure(found[name], known[name]) for name in names if known[name]}


# ---- all measures together


def named_of_even(cases: Sequence[Case], called: Called) -> dict[str, Any]:
    """Even lifters with any side named, over all measures together, and which measures named it."""
    even = [case.name for case in cases if case.truth.even and case.name in called]
    by: dict[str, int] = defaultdict(int)
    named = []
    for name in even:
        calls = [key for key, m in called[name].items() if m.call in NAMED]
        named += [name] if calls else []
        for key in calls:
            by[key] += 1
    return {
        "named": len(named),
        "of": len(even),
        **_share(len(named), len(even)),
        "by": dict(by),
        "screens": named,
    }


def hit_rates(found: Sequence[Pairing]) -> list[dict[str, Any]]:
    """The power curve of one measure: by size of the true difference, how many screens named it rightly,
    and their mean absolute error.

    `wrong` are screens that named a side whose difference has the other sign than the true one.
    """
    if not found:
        return []
    steps = [*STEPS[found[0].unit], np.inf]
    out = []
    for low, high in pairwise(steps):
        here = [p for p in found if low <= abs(p.truth) < high]
        if not here:
            continue
        hits = sum(p.named_rightly for p in here)
        wrong = sum(p.call in NAMED and not p.named_rightly for p in here)
        end = None if np.isinf(high) else high
        error = rounded(float(np.mean([abs(p.error) for p in here])))
        out.append(
            {
                "from": low,
                "to": end,
                "of": len(here),
                "right": hits,
                "wrong": wrong,
                "error": error,
                **_share(hits, len(here)),
            }
        )
    return out


def tuck_named(found: Sequence[Pairing]) -> dict[str, int]:
    """Of the true tuck differences of 8 deg or more: how many were named with the true sign."""
    real = [p for p in found if p.name == "tuck_bottom" and abs(p.truth) >= REAL_DEG]
    right = sum(p.named_rightly for p in real)
    return {"right": right, "wrong": sum(p.call in NAMED for p in real) - right, "of": len(real)}


def pooled_coverage(found: Sequence[Pairing]) -> dict[str, Any]:
    """Of all stated intervals of all measures: how many hold the truth. Its own interval takes the measures
    of one screen as independent, which they are not quite."""
    held = sum(p.low <= p.truth <= p.high for p in found)
    return {"held": held, "of": len(found), **_share(held, len(found))}


def reps_right(cases: Sequence[Case]) -> dict[str, int]:
    """Reps whose bottom was found within 0.1 s of the true one, and how many were found in all."""
    right = total = found = 0
    for case in cases:
        if case.solved is None or not case.truth.measures:
            continue
        total, found = total + len(case.truth.reps), found + len(case.solved.bottoms_s)
        right += sum(
            any(abs(b - rep.bottom_s) <= BOTTOM_S for b in case.solved.bottoms_s) for rep in case.truth.reps
        )
    return {"right": right, "of": total, "found": found}


def refusals(cases: Sequence[Case]) -> dict[str, Any]:
    """Screens that gave nothing, with their reasons; and those that should have given nothing but did."""
    return {
        "refused": {c.name: c.reason for c in cases if c.solved is None},
        "rightly": sorted(c.name for c in cases if c.solved is None and not c.truth.measures),
        "should_be_refused": sorted(c.name for c in cases if c.solved and not c.truth.measures),
        "reasons": _counted(c.reason for c in cases if c.solved is None),
    }


def fairness(cases: Sequence[Case], called: Called, model: ErrorModel) -> dict[str, Any]:
    """Screens beside their own mirror images: same numbers, sides swapped.

    `largest` is the greatest difference by measure between a number and its mirrored one after the swap.
    """
    largest: dict[str, float] = defaultdict(float)
    other_calls, halves = [], []
    tried = [case for case in cases if case.mirror_tried]
    for case in tried:
        if (case.solved is None) != (case.mirror is None):
            halves.append(case.name)
        if case.solved is None or case.mirror is None:
            continue
        image = case.mirror.call(model)
        for name, m in called[case.name].items():
            own, other = signed_number(m).value, signed_number(image[name]).value
            if own is not None and other is not None:
                largest[name] = max(largest[name], abs(own + other))
            if _swapped(m.call) != image[name].call:
                other_calls.append(f"{case.name} {name}")
    apart = {name: rounded(v) for name, v in largest.items()}
    return {"screens": len(tried), "one_refused": halves, "other_calls": other_calls, "largest": apart}


def _swapped(call: str) -> str:
    return {"left": "right", "right": "left"}.get(call, call)


def _share(hits: int, of: int) -> dict[str, Any]:
    """Share with its exact 95 % interval; None where there is nothing to share."""
    if not of:
        return {"share": None, "interval": None}
    got = proportion(hits, of)
    return {
        "share": round(got.value, DECIMALS),
        "interval": [round(got.low, DECIMALS), round(got.high, DECIMALS)],
    }


def _counted(words: Iterable[str]) -> dict[str, int]:
    counts: dict[str, int] = defaultdict(int)
    for word in words:
        counts[word] += 1
    return dict(sorted(counts.items(), key=lambda item: -item[1]))


def rounded(value: Any) -> Any:
    """The same with every float rounded to `DECIMALS`; None for what is not finite."""
    if isinstance(value, float):
        return round(value, DECIMALS) if np.isfinite(value) else None
    if isinstance(value, dict):
        return {k: rounded(v) for k, v in value.items()}
    return [rounded(v) for v in value] if isinstance(value, list | tuple) else value
