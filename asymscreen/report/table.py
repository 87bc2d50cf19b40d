"""The table of measures: its rows in words, and the dot-and-interval drawing in each row."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from asymscreen.document import Rep, ScreenDocument, TwoSided
from asymscreen.report.wording import (
    NOTHING,
    Measure,
    call_words,
    interval_of,
    number,
    title,
    with_error,
)

GROUPS = {"deg": "Angles, in degrees", "mm": "Heights and shifts, in millimetres", "s": "Timing, in seconds"}
ROOM = 1.08
"""The drawing's axis reaches this much farther than the farthest end of an interval."""
LEAST_REACH = {"deg": 5.0, "mm": 20.0, "s": 0.1}
"""The axis never reaches less far than this, so that a tiny difference looks tiny."""


@dataclass(frozen=True)
class Drawing:
    """A difference on its axis, all in percent of the axis: 50 is zero, more is to the left side's end.

    `dot`, `low` and `high` are None where there is no number; `zone` is the noise floor's half-width.
    """

    dot: float | None
    low: float | None
    high: float | None
    zone: float | None


@dataclass(frozen=True)
class Row:
    """One measure. `left` and `right` are None for a measure with one signed number."""

    key: str
    title: str
    band: str
    left: str | None
    right: str | None
    difference: str
    floor: str
    call: str
    words: str
    remark: str
    drawing: Drawing


@dataclass(frozen=True)
class Group:
    """Measures of one unit on one axis; `ticks` are (percent, label)."""

    unit: str
    title: str
    ticks: tuple[tuple[float, str], ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class RepLine:
    """One measure's numbers rep by rep: a cell is ("L", "R") texts, or one text."""

    title: str
    unit: str
    cells: tuple[tuple[str, ...], ...]


def groups(measures: Mapping[str, Measure]) -> list[Group]:
    """The measures by unit, two-sided ones before those with one number, in the document's order."""
    found = []
    for unit, name in GROUPS.items():
        chosen = {key: measure for key, measure in measures.items() if measure.unit == unit}
        if not chosen:
            continue
        reach = axis_reach(chosen.values(), unit)
        two_sided_first = sorted(chosen.items(), key=lambda item: not isinstance(item[1], TwoSided))
        rows = tuple(_row(key, measure, reach) for key, measure in two_sided_first)
        found.append(Group(unit, name, _ticks(reach), rows))
    return found


def axis_reach(measures: Iterable[Measure], unit: str) -> float:
    """How far the axis goes to both sides of zero: every interval and noise floor fits, whatever the unit."""
    ends = [LEAST_REACH[unit]]
    for measure in measures:
        interval = interval_of(measure)
        ends += [
            abs(v)
            for v in (interval.value, interval.low, interval.high, measure.noise_floor)
            if v is not None
        ]
    return ROOM * max(ends)


def drawing(measure: Measure, reach: float) -> Drawing:
    """Where the dot, the interval and the noise floor's zone lie on an axis from -reach to +reach."""
    interval = interval_of(measure)
    if measure.call == "not-measurable":
        return Drawing(None, None, None, None)
    ends = (interval.value, interval.low, interval.high)
    value, low, high = (None if v is None else 50.0 + 50.0 * v / reach for v in ends)
    zone = None if measure.noise_floor is None else 50.0 * measure.noise_floor / reach
    return Drawing(value, low, high, zone)


def _ticks(reach: float) -> tuple[tuple[float, str], ...]:
    """Zero and a round number to each side: the largest of 1, 2, 5 times a power of ten within 0.85 reach."""
    power = 10.0 ** math.floor(math.log10(0.85 * reach))
    step = max(k * power for k in (1, 2, 5) if k * power <= 0.85 * reach)
    at = 50.0 * step / reach
    return ((50.0 - at, f"\u2212{step:g}"), (50.0, "0"), (50.0 + at, f"+{step:g}"))


def _row(key: str, measure: Measure, reach: float) -> Row:
    unit = measure.unit
    band = measure.reference_band
    return Row(
        key=key,
        title=title(key),
        band="" if band is None else f"reference band {band[0]:g} to {band[1]:g} {unit}",
        left=number(measure.left, unit) if isinstance(measure, TwoSided) else None,
        right=number(measure.right, unit) if isinstance(measure, TwoSided) else None,
        difference=with_error(interval_of(measure), unit),
        floor=number(measure.noise_floor, unit),
        call=measure.call,
        words=call_words(measure),
        remark="" if measure.call == "not-measurable" else measure.reason.strip(),
        drawing=drawing(measure, reach),
    )


def rep_lines(document: ScreenDocument) -> list[RepLine]:
    """Every measure that was taken, rep by rep in the order of `document.reps`."""
    numbers = [rep.number for rep in document.reps]
    lines = []
    for key, measure in document.measures.items():
        cells = _cells(measure)
        if cells:
            lines.append(RepLine(title(key), measure.unit, tuple(cells.get(n, (NOTHING,)) for n in numbers)))
    return lines


def _cells(measure: Measure) -> dict[int, tuple[str, ...]]:
    if measure.call == "not-measurable":
        return {}
    unit = measure.unit
    if isinstance(measure, TwoSided):
        return {r.number: (number(r.left, unit), number(r.right, unit)) for r in measure.reps}
    return {r.number: (number(r.value, unit, signed=True),) for r in measure.reps}


def at_bottom(document: ScreenDocument, rep: int) -> list[tuple[str, str, tuple[str, ...]]]:
    """What was measured at the bottom of one rep: (title, unit, texts), for the lines under its picture."""
    lines: list[tuple[str, str, tuple[str, ...]]] = []
    for key in ("tuck_bottom", "elbow_flexion_bottom", "bar_tilt_bottom"):
        measure = document.measures.get(key)
        if measure is not None and rep in (cells := _cells(measure)):
            lines.append((title(key).removesuffix(", bottom"), measure.unit, cells[rep]))
    return lines


def rep_rows(reps: Iterable[Rep]) -> list[tuple[str, ...]]:
    """The table of reps: number; start, bottom, end, descent, pause, ascent in seconds; full or half rep."""
    return [
        (
            str(r.number),
            *(number(v, "s") for v in (r.start_s, r.bottom_s, r.end_s, r.descent_s, r.pause_s, r.ascent_s)),
            "full" if r.complete else "half rep",
        )
        for r in reps
    ]
