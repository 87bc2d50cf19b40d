"""The coach's summary of a lifter over all visits: one self-contained page."""

from __future__ import annotations

from datetime import date
from typing import Any

from asymscreen.record.blocks import list_blocks
from asymscreen.record.compare import Comparison
from asymscreen.record.figures import trend_figure
from asymscreen.record.lifters import show_lifter
from asymscreen.record.pages import long_day, render
from asymscreen.record.screens import list_screens
from asymscreen.record.shapes import CautionEntry, LifterCard, ScreenEntry
from asymscreen.record.store import Store
from asymscreen.record.trend import Screens, Trend, build_trend, compare_screens, lifter_screens
from asymscreen.record.visit import list_visits
from asymscreen.report import wording

TRENDS_SHOWN = 8
"""Most trends on a summary: those of measures that were ever called."""
ALWAYS_SHOWN = ("tuck_bottom", "bar_tilt_bottom")
"""Trends that are shown even if every screen called them even."""


def coach_summary(store: Store, code: str, *, today: date | None = None) -> str:
    """The page: cautions, screens, trends with blocks drawn in, first against newest, blocks, visits."""
    today = today or date.today()
    card, entries = show_lifter(store, code), list_screens(store, code)
    blocks = list_blocks(store, code, today=today)
    screens = lifter_screens(store, code)
    trends = [build_trend(code, name, screens, blocks) for name in _trended(screens)]
    figures = {f"trend-{k}": trend_figure(t) for k, t in enumerate(trends)}
    comparison = _first_and_newest(store, entries)
    open_now = [c for c in card.cautions if c.lifted_at is None]
    return render(
        "record-summary.html", card=card, day=long_day(today), counts=_counts(card), facts=_facts(card),
        stops=[_caution(c) for c in open_now if c.stops],
        cautions=[_caution(c) for c in open_now if not c.stops],
        lifted=[_caution(c) for c in card.cautions if c.lifted_at is not None],
        screens=[_screen(e) for e in entries], blocks=blocks, visits=list_visits(store, code),
        trends=[_trend(k, t) for k, t in enumerate(trends)], figures=figures,
        comparison=comparison, changed=_changed(comparison), document=None,
    )  # fmt: skip


def _trended(screens: Screens) -> list[str]:
    """Measures worth a chart: called at least once, or always shown; two points at least."""
    called: dict[str, int] = {}
    for _, _, document in screens:
        for name, measure in document.measures.items():
            if measure.call != "not-measurable":
                named = measure.call in ("left", "right", "both") or name in ALWAYS_SHOWN
                called[name] = called.get(name, 0) + (1000 if named else 0) + 1
    enough = [name for name, score in called.items() if score > 1000 and score % 1000 > 1]
    return sorted(enough, key=lambda n: -called[n])[:TRENDS_SHOWN]


def _first_and_newest(store: Store, entries: list[ScreenEntry]) -> Comparison | None:
    usable = [e for e in entries if e.usable]
    return compare_screens(store, usable[-1].id, usable[0].id) if len(usable) > 1 else None


def _counts(card: LifterCard) -> str:
    parts = ((card.screens, "screen"), (card.blocks, "block"), (card.visits, "visit"))
    return ", ".join(wording.counted(n, word) for n, word in parts)


def _facts(card: LifterCard) -> list[tuple[str, str]]:
    told = card.intakes[-1] if card.intakes else None
    consent = [w for w, given in (("film", card.consent_film), ("keep clips", card.consent_keep)) if given]
    facts = [("Consent", "to " + " and to ".join(consent) if consent else "none noted")]
    if told is not None:
        best = "" if told.one_rep_max_kg is None else f"{told.one_rep_max_kg:g} kg"
        still = "" if told.stalled_weeks is None else f", unchanged for {told.stalled_weeks} weeks"
        pain = "" if told.pain_now is None else f"{told.pain_now} of 10 on {told.taken_at:%Y-%m-%d}"
        facts += [
            ("One-rep maximum", best + (still if best else "")), ("Grip", told.grip),
            ("Usual cues", told.usual_cues), ("Pain", pain), ("Provoked by", told.provokes),
        ]  # fmt: skip
    return [(name, words) for name, words in facts if words]


def _caution(caution: CautionEntry) -> dict[str, Any]:
    words = f"raised {caution.raised_at:%Y-%m-%d} by {caution.raised_by}"
    if caution.lifted_at is not None:
        words += f", lifted {caution.lifted_at:%Y-%m-%d} by {caution.lifted_by}"
        words += f" ({caution.lifted_why})" if caution.lifted_why else ""
    return {"text": caution.text, "words": words}


def _screen(entry: ScreenEntry) -> dict[str, str]:
    held = " (held back)" if entry.held_back else ""
    return {
        "day": f"{entry.filmed_at:%Y-%m-%d}", "id": entry.id, "view": entry.view,
        "load": wording.NOTHING if entry.load_kg is None else f"{entry.load_kg:g}",
        "summary": wording.headline(entry.summary, entry.usable) + held,
    }  # fmt: skip


def _trend(k: int, trend: Trend) -> dict[str, str]:
    points = [p for p in trend.points if p.value is not None]
    numbers = "; ".join(
        f"{p.filmed_at:%Y-%m-%d} {wording.number(p.value, trend.unit, signed=True)}" for p in points
    )
    title = wording.title(trend.measure)
    return {
        "key": f"trend-{k}",
        "title": title,
        "unit": trend.unit,
        "label": f"{title} over time: {numbers} {trend.unit}",
    }


def _changed(comparison: Comparison | None) -> list[str]:
    """What changed, in the coach's words with its numbers."""
    if comparison is None or not comparison.comparable:
        return []
    lines = []
    for name, change in comparison.measures.items():
        if change.verdict == "changed":
            before, after = (
                wording.number(v, change.unit, signed=True) for v in (change.before, change.after)
            )
            needed = wording.number(change.needed, change.unit)
            lines.append(
                f"{wording.title(name)}: {before} to {after} {change.unit}, "
                f"{change.direction} (needed {needed})."
            )
    return lines
