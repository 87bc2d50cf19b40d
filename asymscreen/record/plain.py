"""Findings in the lifter's words: no trade words, no alarm, the size with its unit."""

from __future__ import annotations

from collections.abc import Iterable

from asymscreen.document import ScreenDocument, TwoSided
from asymscreen.record.change import Measure
from asymscreen.record.compare import Change, Comparison
from asymscreen.report.wording import number

MOST = 4
"""A page for the lifter says no more findings than this."""
UNITS = {"deg": "degrees", "mm": "mm", "s": "seconds"}
WHEN = {"bottom": "With the bar at your chest", "mid_ascent": "Halfway up", "lockout": "At the top"}
ORDER = (
    "bar_tilt_bottom", "tuck_bottom", "elbow_flexion_bottom", "bar_tilt_mid_ascent", "tuck_mid_ascent",
    "lockout_time", "elbow_flexion_lockout", "shoulder_height_bottom", "bar_tilt_lockout",
    "shoulder_line_bottom", "forearm_lean_bottom", "bar_shift_bottom",
)  # fmt: skip
"""What a lifter would notice first."""
SAID: dict[str, tuple[str, str]] = {
    "tuck": (
        "your left elbow was further from your ribs than your right one",
        "your right elbow was further from your ribs than your left one",
    ),
    "elbow_flexion": ("your left elbow was bent more", "your right elbow was bent more"),
    "forearm_lean": ("your left forearm leaned out more", "your right forearm leaned out more"),
    "shoulder_height": ("your left shoulder lay higher", "your right shoulder lay higher"),
    "shoulder_line": ("your left shoulder lay lower", "your right shoulder lay lower"),
    "bar_tilt": ("the left end of the bar was lower", "the right end of the bar was lower"),
    "bar_shift": ("the bar sat to your left", "the bar sat to your right"),
    "lockout_time": (
        "your left arm was straight later than your right one",
        "your right arm was straight later than your left one",
    ),
}  # fmt: skip
"""Words by measure where the number is above zero and below zero."""
THINGS = {
    "tuck": "how far each elbow stays from the ribs", "elbow_flexion": "how much each elbow bends",
    "forearm_lean": "how the forearms lean", "shoulder_height": "how high each shoulder lies",
    "shoulder_line": "how level the shoulders lie", "bar_tilt": "how level the bar is",
    "bar_shift": "where the bar sits", "lockout_time": "when each arm is straight",
}  # fmt: skip
ALIKE = "Both sides worked alike, as far as one phone can see."
UNSEEN = "This film could not show enough to compare your two sides. Film it again as your coach tells you."


def seen(document: ScreenDocument) -> list[str]:
    """What was seen, in at most four sentences, each thing once at its first moment; never empty."""
    if not document.capture.usable:
        return [UNSEEN]
    named = ("left", "right", "both")
    called = [n for n in _ordered(document.measures) if document.measures[n].call in named]
    called = _first_of_each(called)
    sentences = [_sentence(name, document.measures[name]) for name in called]
    found = [sentence for sentence in sentences if sentence]
    if found:
        return found[:MOST]
    measured = any(m.call != "not-measurable" for m in document.measures.values())
    return [ALIKE if measured else UNSEEN]


def headline(document: ScreenDocument) -> str:
    """One calm sentence over the page."""
    sentences = seen(document)
    if sentences[0] in (ALIKE, UNSEEN):
        return sentences[0]
    ways = ("one way", "two ways", "three ways", "four ways")[len(sentences) - 1]
    return f"Your left and your right side differ in {ways}."


def changed(comparison: Comparison) -> list[str]:
    """What changed since the earlier screen; says so where nothing did, or why nothing can be said."""
    if not comparison.comparable:
        return ["The two films were made too differently to be compared."]
    names = [n for n in _ordered(comparison.measures) if comparison.measures[n].verdict == "changed"]
    names = _first_of_each(names)
    said = [_changed(name, comparison.measures[name]) for name in names]
    found = [sentence for sentence in said if sentence]
    return found[:MOST] or ["No change that one phone could see."]


def _ordered(names: Iterable[str]) -> list[str]:
    given = list(names)
    return [n for n in ORDER if n in given] + [n for n in given if n not in ORDER]


def split(name: str) -> tuple[str, str]:
    """`tuck_bottom` gives ("tuck", "bottom"); `lockout_time` stays whole."""
    for moment in WHEN:
        if name.endswith("_" + moment):
            return name.removesuffix("_" + moment), moment
    return name, ""


def _sentence(name: str, measure: Measure) -> str:
    value = measure.difference.value if isinstance(measure, TwoSided) else measure.value
    stem, moment = split(name)
    if value is None or stem not in SAID:
        return ""
    words = SAID[stem][0 if value > 0 else 1]
    start = f"{WHEN[moment]}, {words}" if moment else words[0].upper() + words[1:]
    return f"{start}, by about {_size(value, measure.unit)}."


def _changed(name: str, change: Change) -> str:
    stem, moment = split(name)
    if stem not in THINGS or change.before is None or change.after is None:
        return ""
    when = f"{WHEN[moment].lower()}, " if moment else ""
    before, after = _size(change.before, change.unit), _size(change.after, change.unit)
    if change.direction == "went over to the other side":
        return f"{_capital(when + THINGS[stem])}: the difference went over to the other side."
    start = _capital(when + THINGS[stem])
    return f"{start}: the difference is {change.direction} now, about {after} instead of {before}."


def _size(value: float, unit: str) -> str:
    """A size without sign in the lifter's units; a degree and a millimetre whole, where it is not small."""
    size = abs(value)
    text = f"{size:.0f}" if unit == "mm" or (unit == "deg" and size >= 9.5) else number(size, unit)
    one = unit == "deg" and text in ("1", "1.0")
    return f"{text} {'degree' if one else UNITS[unit]}"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _first_of_each(names: list[str]) -> list[str]:
    """One moment of each thing: a lifter reads the bar's tilt once, not three times."""
    kept: dict[str, str] = {}
    for name in names:
        kept.setdefault(split(name)[0], name)
    return list(kept.values())
