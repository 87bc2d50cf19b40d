"""How the error grows with where the phone stands, and the filming advice that follows from it.

Screens are put into bins of one condition at a time. The conditions hang together (who stands higher stands
nearer), so that a bin tells what was seen there, not what the one condition alone would do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from asymscreen.motion.camera import off_middle_deg
from asymscreen.validation.cases import Case
from asymscreen.validation.figures import Pairing, rounded

BINS: Mapping[str, tuple[float, ...]] = {
    "elevation_deg": (0, 10, 20, 25, 30, 35, 40, 45, 50, 55, 60, 70, 90),
    "azimuth_deg": (0, 2, 4, 6, 8, 10, 15, 20, 30, 50),
    "distance_m": (0, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 8.0),
    "short_side_px": (0, 300, 440, 600, 900, 1500, 3000),
}
"""Ends of the bins of every condition; `azimuth_deg` counts degrees off the bench's middle line."""
HEADLINE = ("tuck_bottom", "elbow_flexion_bottom", "bar_tilt_bottom")
"""The measures on which a coach acts, and on which the advice rests."""
LEAST_SCREENS = 8
"""Screens that a bin needs before any advice may rest on it."""
GOOD_SHARE = 1.3
"""A bin is good where its error is within this of the best bin's; common sense, no source."""


@dataclass(frozen=True)
class Range:
    """Advice for one condition, from the good bins around the best one; in the condition's unit.

    low, high   ends of the good bins
    worse_below, worse_above   whether screens beyond that end were worse; else nobody filmed there
    best        mean error of the best bin over all headline measures, relative to that of all screens
    outside     the same for the screens outside the range; None if there are too few
    screens     screens inside
    """

    condition: str
    low: float
    high: float
    worse_below: bool
    worse_above: bool
    best: float
    outside: float | None
    screens: int


def conditions_of(case: Case) -> dict[str, float | None]:
    """Where one screen was filmed from, and how large its picture's shorter side is."""
    place = case.place
    if place["azimuth_deg"] is not None:
        place["azimuth_deg"] = off_middle_deg(place["azimuth_deg"])
    size = case.truth.image_size or (case.solved.context.short_side_px,) * 2 if case.solved else None
    return {**place, "short_side_px": float(min(size)) if size else None}


def sensitivity(cases: Sequence[Case], found: Sequence[Pairing]) -> dict[str, list[dict[str, Any]]]:
    """By condition, one entry a bin: screens, how many were refused, and figures by measure.

    Every measure's entry: `error` (mean absolute), `p95`, `half_width` (median stated), `measurable` of `of`.
    """
    by_screen: dict[str, dict[str, Pairing]] = {}
    for p in found:
        by_screen.setdefault(p.case.name, {})[p.name] = p
    where = [(case, conditions_of(case)) for case in cases if case.truth.measures]
    out: dict[str, list[dict[str, Any]]] = {}
    for name, ends in BINS.items():
        bins = []
        for low, high in pairwise(ends):
            here = [case for case, at in where if (v := at[name]) is not None and low <= v < high]
            if here:
                bins.append({"from": low, "to": high, **_bin(here, by_screen)})
        out[name] = bins
    return out


def _bin(here: Sequence[Case], by_screen: Mapping[str, Mapping[str, Pairing]]) -> dict[str, Any]:
    solved = [case for case in here if case.solved]
    names = dict.fromkeys(name for case in here for name in case.truth.measures)
    measures = {}
    for name in names:
        known = [case for case in solved if name in case.truth.measures]
        got = [p for case in known if (p := by_screen.get(case.name, {}).get(name))]
        if not got:
            measures[name] = {"measurable": 0, "of": len(known)}
            continue
        errors = np.abs([p.error for p in got])
        measures[name] = {
            "measurable": len(got),
            "of": len(known),
            "error": rounded(float(errors.mean())),
            "p95": rounded(float(np.percentile(errors, 95))),
            "half_width": rounded(float(np.median([(p.high - p.low) / 2 for p in got]))),
        }
    return {"screens": len(here), "refused": len(here) - len(solved), "measures": measures}


# ---- advice


def filming_advice(bins: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[Range]:
    """The range of every condition in which the headline measures come out about as well as anywhere.

    Takes what `sensitivity` gives. A condition of which fewer than two bins hold `LEAST_SCREENS` screens
    gives no advice: it was not varied enough to say anything.
    """
    found = (_range(name, list(entries)) for name, entries in bins.items())
    return [advice for advice in found if advice]


def _range(name: str, entries: Sequence[Mapping[str, Any]]) -> Range | None:
    """Good bins around the best one; a bin with too few screens neither ends the range nor counts in it."""
    usual = _usual(entries)
    costs = [_cost(entry, usual) for entry in entries]
    known = [k for k, (entry, cost) in enumerate(zip(entries, costs, strict=True)) if _counts(entry, cost)]
    if len(known) < 2:
        return None
    place = min(range(len(known)), key=lambda i: costs[known[i]])
    first = last = place
    limit = GOOD_SHARE * costs[known[place]]
    while first > 0 and costs[known[first - 1]] <= limit:
        first -= 1
    while last < len(known) - 1 and costs[known[last + 1]] <= limit:
        last += 1
    inside, others = known[first : last + 1], known[:first] + known[last + 1 :]
    weights = [entries[k]["screens"] for k in others]
    return Range(
        condition=name,
        low=float(entries[inside[0]]["from"]),
        high=float(entries[inside[-1]]["to"]),
        worse_below=first > 0,
        worse_above=last < len(known) - 1,
        best=round(costs[known[place]], 2),
        outside=round(float(np.average([costs[k] for k in others], weights=weights)), 2) if others else None,
        screens=sum(entries[k]["screens"] for k in inside),
    )


def _counts(entry: Mapping[str, Any], cost: float) -> bool:
    return entry["screens"] >= LEAST_SCREENS and bool(np.isfinite(cost))


def _usual(entries: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """Mean error of every headline measure over all bins."""
    usual = {}
    for name in HEADLINE:
        cells = [e["measures"].get(name, {}) for e in entries]
        errors = [(c["error"], c["measurable"]) for c in cells if c.get("error") is not None]
        if errors:
            values, weights = zip(*errors, strict=True)
            usual[name] = max(float(np.average(values, weights=weights)), 1e-6)
    return usual


def _cost(entry: Mapping[str, Any], usual: Mapping[str, float]) -> float:
    """Mean over the headline measures of error over usual error; what gave no number counts twice as bad."""
    costs = []
    for name, typical in usual.items():
        cell = entry["measures"].get(name, {})
        tried = cell.get("of", 0) + entry["refused"]
        if not tried:
            continue
        got = cell.get("measurable", 0)
        error = cell.get("error", 0.0) / typical if got else 0.0
        costs.append((got * error + (tried - got) * MISSING_COST) / tried)
    return float(np.mean(costs)) if costs else np.inf


MISSING_COST = 2.0
"""What a screen without a number costs, in usual errors."""
UNITS = {
    "elevation_deg": ("deg", "over the chest"),
    "azimuth_deg": ("deg", "off the bench's middle"),
    "distance_m": ("m", "from chest to phone"),
    "short_side_px": ("px", "of the picture's shorter side"),
}


def advice_words(found: Sequence[Range]) -> list[str]:
    """One sentence for every range, with what it rests on; plain where no difference was seen."""
    out = []
    for r in found:
        unit, place = UNITS[r.condition]
        span = f"{r.low:g} to {r.high:g} {unit} {place}"
        if r.outside is None:
            out.append(
                f"From {span} the error was about the same ({r.screens} screens); too few others were filmed."
            )
            continue
        where = {(True, True): "below and above", (True, False): "below", (False, True): "above"}
        out.append(
            f"Best from {span} ({r.screens} screens): {where[r.worse_below, r.worse_above]} that the error "
            f"was {r.outside / r.best:.1f} times that of the best screens."
        )
    return out
