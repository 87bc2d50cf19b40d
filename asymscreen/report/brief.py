"""The screen in plain text, one terminal page."""

from __future__ import annotations

import textwrap

from asymscreen.document import ScreenDocument, TwoSided
from asymscreen.report.wording import (
    Measure,
    again,
    call_words,
    counted,
    headline,
    interval_of,
    load_words,
    number,
    plain,
    title,
    view_words,
    with_error,
)

WIDTH = 88  # columns of a terminal page
_NAME, _SIDE, _DIFFERENCE, _FLOOR = 30, 7, 14, 7
_CALL_AT = _NAME + 2 * _SIDE + _DIFFERENCE + _FLOOR + 2


def text_summary(document: ScreenDocument) -> str:
    """The screen as plain text: sentence, facts, table of measures, patterns, advice and cautions.

    At most 88 columns, a long unbroken word excepted; ends without a line break.
    """
    capture = document.capture
    parts = [_wrap(headline(document.summary, capture.usable)), _facts(document)]
    if not capture.usable:
        parts.append(_listed("What was wrong", capture.reasons))
        parts.append(_listed("How to film it again", again(capture)))
    elif document.measures:
        parts.extend(_measures(document.measures))
    parts.append(_listed("Patterns", [f"{p.name}: {p.text}" for p in document.patterns]))
    if capture.usable:
        parts.append(_listed("What limits this screen", capture.reasons))
        parts.append(_listed("For the next clip", capture.advice))
    parts.append(_listed("Cautions", document.cautions))
    return "\n\n".join(part for part in parts if part)


def _wrap(text: str, *, first: str = "", rest: str = "") -> str:
    return textwrap.fill(
        plain(text), WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False
    )


def _facts(document: ScreenDocument) -> str:
    sheet = document.sheet
    facts = [
        f"lifter {sheet.lifter}" if sheet.lifter else "",
        load_words(sheet),
        counted(len(document.reps), "rep"),
        view_words(document.capture),
        document.clip.name,
    ]
    return _wrap("; ".join(fact for fact in facts if fact))


def _listed(name: str, lines: list[str]) -> str:
    if not lines:
        return ""
    return "\n".join([name, *(_wrap(line, first="  - ", rest="    ") for line in lines)])


def _measures(measures: dict[str, Measure]) -> list[str]:
    """The table of what was measured, and the list of what was not."""
    taken = {key: measure for key, measure in measures.items() if measure.call != "not-measurable"}
    missing = [f"{title(key)}: {m.reason}" for key, m in measures.items() if m.call == "not-measurable"]
    return [_table(taken) if taken else "", _listed("Not measurable in this clip", missing)]


def _table(measures: dict[str, Measure]) -> str:
    sides = f"{'left':>{_SIDE}}{'right':>{_SIDE}}"
    head = f"{'':{_NAME}}{sides}{'difference':>{_DIFFERENCE}}{'floor':>{_FLOOR}}  call"
    lines = [head, *(_line(key, measure) for key, measure in measures.items())]
    return "\n".join(
        [*lines, "difference: left minus right, 95 %; floor: the least difference this clip can show"]
    )


def _line(key: str, measure: Measure) -> str:
    unit = measure.unit
    name = textwrap.shorten(plain(f"{title(key)} ({unit})"), _NAME, placeholder="...")
    left = right = ""
    if isinstance(measure, TwoSided):
        left, right = number(measure.left, unit), number(measure.right, unit)
    numbers = f"{left:>{_SIDE}}{right:>{_SIDE}}{with_error(interval_of(measure), unit):>{_DIFFERENCE}}"
    start = f"{name:{_NAME}}{numbers}{number(measure.noise_floor, unit):>{_FLOOR}}  "
    return _wrap(call_words(measure), first=start, rest=" " * _CALL_AT)
