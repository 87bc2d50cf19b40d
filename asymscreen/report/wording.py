"""The report's words: titles, numbers with their units, and calls, each said in one place.

The report and the terminal's summary both read this, so that they never say one thing in two ways.
"""

from __future__ import annotations

from collections.abc import Iterable

from asymscreen.capture.advice import advise_again
from asymscreen.document import CapturePart, Interval, OneValue, Sheet, TwoSided

Measure = TwoSided | OneValue

MINUS = "\u2212"
NOTHING = "\u2013"

DECIMALS = {"deg": 1, "mm": 0, "s": 2}
"""Digits after the point by unit: a tenth of a degree, a millimetre and a hundredth of a second are all below
the noise floor of one phone, so no digit that matters is lost."""

_MEASURES: dict[str, tuple[str, str]] = {
    "elbow_flexion": ("Elbow flexion", "the bend at the elbow; 0 is a straight arm"),
    "tuck": (
        "Tuck",
        "the angle between upper arm and trunk; small is tucked to the ribs, 90 is flared square",
    ),
    "forearm_lean": ("Forearm lean", "the forearm against the vertical; + is the wrist outside the elbow"),
    "shoulder_height": (
        "Shoulder height",
        "how high each shoulder lies; only left against right is measured",
    ),
    "lockout_time": ("Lockout time", "seconds from the end of the pause until each elbow has locked out"),
    "bar_tilt": ("Bar tilt", "the bar against the horizontal; + is the lifter's left end lower"),
    "shoulder_line": ("Shoulder line", "the line through both shoulders; + is the lifter's left lower"),
    "bar_shift": ("Bar shift", "how far the bar's middle sits to one side; + is to the lifter's left"),
}
_MOMENTS = {"bottom": "bottom", "lockout": "lockout", "mid_ascent": "mid-ascent"}

VIEWS = {
    "foot-end": "from the foot end",
    "head-end": "from the head end",
    "overhead": "from overhead",
    "side": "from the side",
}

ROLL_SOURCES = {
    "uprights": "from uprights in the picture",
    "marked": "from two points that were marked as level",
    "stated": "as stated",
    "none": "no level reference in the picture",
}


def title(name: str) -> str:
    """`tuck_bottom` gives "Tuck, bottom"; a name that is not known is written out as it stands."""
    stem, moment = _split(name)
    words = _MEASURES[stem][0] if stem in _MEASURES else stem.replace("_", " ").strip().capitalize()
    return f"{words}, {_MOMENTS[moment]}" if moment else words


def meanings(names: Iterable[str]) -> list[tuple[str, str]]:
    """(title, one plain phrase for what is measured), once for every known kind of measure."""
    stems = dict.fromkeys(_split(name)[0] for name in names)
    return [_MEASURES[stem] for stem in stems if stem in _MEASURES]


def _split(name: str) -> tuple[str, str]:
    if name in _MEASURES:
        return name, ""
    for moment in _MOMENTS:
        if name.endswith("_" + moment):
            return name.removesuffix("_" + moment), moment
    return name, ""


def number(value: float | None, unit: str, *, signed: bool = False) -> str:
    """A value in the digits of its unit, with a true minus sign; a dash for None, never "-0.0"."""
    if value is None:
        return NOTHING
    digits = DECIMALS.get(unit, 2)
    rounded = round(value, digits) + 0.0
    text = f"{abs(rounded):.{digits}f}"
    if rounded < 0:
        return MINUS + text
    return "+" + text if signed and rounded > 0 else text


def with_error(interval: Interval, unit: str) -> str:
    """ "+12.3 ± 2.6" for an interval; with both its ends where it is lopsided by more than the last digit."""
    value, low, high = interval.value, interval.low, interval.high
    if value is None:
        return NOTHING
    text = number(value, unit, signed=True)
    if low is None or high is None:
        return text
    step = 10.0 ** -DECIMALS.get(unit, 2)
    if abs((high - value) - (value - low)) > 2 * step:
        return f"{text} ({number(low, unit, signed=True)} to {number(high, unit, signed=True)})"
    return f"{text} ± {number((high - low) / 2, unit)}"


def interval_of(measure: Measure) -> Interval:
    """The measure's signed number with its ends: left minus right, or the one value."""
    if isinstance(measure, TwoSided):
        return measure.difference
    return Interval(value=measure.value, low=measure.low, high=measure.high)


def call_words(measure: Measure) -> str:
    """The call as a coach would say it: "right, more tucked"; "even within 3.1 deg"; or why there is none."""
    if measure.call == "not-measurable":
        return f"not measurable: {measure.reason.strip() or 'this view does not show it'}"
    direction = measure.direction.strip()
    if measure.call == "even":
        return direction if direction.startswith("even") else _even(measure)
    side, join = ("both sides", ": ") if measure.call == "both" else (measure.call, ", ")
    return f"{side}{join}{direction}" if direction else side


def _even(measure: Measure) -> str:
    """For a document that does not say within what: within the noise floor."""
    if measure.noise_floor is None:
        return "even"
    return f"even within {number(measure.noise_floor, measure.unit)} {measure.unit}"


def load_words(sheet: Sheet) -> str:
    """ "80 kg, 80 % of the one-rep maximum"; empty where no load was noted."""
    if sheet.load_kg is None:
        return ""
    words = f"{sheet.load_kg:g} kg"
    if sheet.one_rep_max_kg:
        share = 100.0 * sheet.load_kg / sheet.one_rep_max_kg
        words += f", {share:.0f} % of a one-rep maximum of {sheet.one_rep_max_kg:g} kg"
    return words


def view_words(capture: CapturePart) -> str:
    """ "from the foot end, 45 deg over the chest"; says when the view is the screen's own estimate."""
    words = VIEWS.get(capture.view, capture.view)
    if capture.elevation_deg is not None:
        words += f", {capture.elevation_deg:.0f} deg over the chest"
    return words + (" (estimated)" if capture.view_source == "estimated" else "")


def again(capture: CapturePart) -> list[str]:
    """How to film the next clip: the screen's own advice; for a refused clip without any, by its reasons."""
    return capture.advice or ([] if capture.usable else advise_again(capture.reasons))


def headline(summary: str, usable: bool) -> str:
    """The screen's own sentence; where it wrote none, a plain one that claims nothing."""
    if summary.strip():
        return summary.strip()
    return "This clip was screened." if usable else "This clip could not be screened."


def counted(count: int, word: str) -> str:
    """ "no rep", "1 rep", "2 reps"."""
    if count == 0:
        return f"no {word}"
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def plain(text: str) -> str:
    """The text without control characters, direction overrides or broken surrogates, on one line."""
    kept = "".join(" " if c in "\t\r\n\u2028\u2029" else c for c in text if c not in _HIDDEN)
    return kept.encode("utf-8", "replace").decode("utf-8")


_HIDDEN = frozenset(
    [chr(c) for c in range(32) if chr(c) not in "\t\r\n"]
    + [chr(c) for c in range(0x7F, 0xA0)]
    + [chr(c) for c in (*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F, 0xFEFF)]
)
