"""Pages of the record: one for the lifter, a summary for the coach, and two screens compared.

Each is one self-contained HTML text: nothing is fetched, and only its own scripts may run. They are printed
through `asymscreen.record.pdf`.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from datetime import date
from typing import Any

from jinja2 import Environment, PackageLoader

from asymscreen.document import ScreenDocument
from asymscreen.errors import RecordError
from asymscreen.record import plain
from asymscreen.record.blocks import list_blocks
from asymscreen.record.compare import Change, Comparison
from asymscreen.record.considerations import DrillAdvice, RuleTable, advice, load_rules
from asymscreen.record.faces import blur_faces
from asymscreen.record.figures import curve_figures
from asymscreen.record.lifters import standing
from asymscreen.record.screens import (
    list_screens,
    read_images,
    read_tracks_of,
    screen_entry,
    screen_for_report,
)
from asymscreen.record.shapes import BlockEntry, ScreenEntry
from asymscreen.record.store import Store
from asymscreen.record.trend import compare_screens
from asymscreen.report import html, wording
from asymscreen.report.pictures import Picture, pictures

DRILLS_SHOWN = 4
"""A page for the lifter shows no more drills than this: it has to fit on one sheet."""


def lifter_page(
    store: Store,
    code: str,
    screen_id: str | None = None,
    *,
    blur: bool = True,
    today: date | None = None,
) -> str:
    """One sheet for the lifter about a screen: what was seen, what to do, when again.

    By default about the newest that was not refused. Faces are blurred unless `blur` is False. RecordError
    for a lifter without screens, another lifter's screen, or while a visit holds the findings back.
    """
    today = today or date.today()
    entry = _chosen(store, code, screen_id)
    if entry.held_back:
        raise RecordError(
            f"screen {entry.id}: expected findings that the lifter may see, got held-back ones; "
            "end the visit first"
        )
    document = screen_for_report(store, entry.id)
    before = _earlier(store, code, entry)
    changes = plain.changed(compare_screens(store, before.id, entry.id)) if before else []
    block = _current_block(store, code, today)
    return render(
        "record-lifter.html", code=code, day=long_day(entry.filmed_at.date()), load=_load(document),
        headline=plain.headline(document), seen=plain.seen(document),
        shown=_bottom(document, pictures_of(store, entry.id, document, blur)),
        changes=changes, since=long_day(before.filmed_at.date()) if before else "",
        drills=_drills(block, load_rules(store.home)), rhythm=_rhythm(block),
        again=_again(block, today), cautions=_cautions(store, code), document=document, at_bottom=_nothing,
    )  # fmt: skip


def comparison_page(
    comparison: Comparison,
    earlier: tuple[ScreenDocument, Mapping[str, bytes]],
    later: tuple[ScreenDocument, Mapping[str, bytes]],
) -> str:
    """Two screens side by side, each given as its document and key frames (name to JPEG bytes)."""
    figures: dict[str, dict[str, Any]] = {}
    curves = []
    for k, (name, curve) in enumerate(comparison.curves.items()):
        keys = (f"before-{k}", f"after-{k}")
        figures |= dict(zip(keys, curve_figures(name, curve), strict=True))
        words = [f"{wording.title(name)} {when} the re-screen" for when in ("before", "at")]
        curves.append(
            {"title": wording.title(name), "unit": curve.unit, "places": list(zip(keys, words, strict=True))}
        )
    sets = [
        ("Before", comparison.earlier, _bottom(*earlier)),
        ("After", comparison.later, _bottom(*later)),
    ]
    return render(
        "record-comparison.html", c=comparison, sets=sets, curves=curves, figures=figures,
        rows=[_row(name, change) for name, change in comparison.measures.items()],
        document=later[0], at_bottom=_nothing,
    )  # fmt: skip


def stored_comparison_page(store: Store, earlier: str, later: str, *, blur: bool = False) -> str:
    """The comparison page of two screens of the record, faces blurred if asked."""
    sides = []
    for screen_id in (earlier, later):
        document = screen_for_report(store, screen_id)
        sides.append((document, pictures_of(store, screen_id, document, blur)))
    return comparison_page(compare_screens(store, earlier, later), sides[0], sides[1])


def pictures_of(store: Store, screen_id: str, document: ScreenDocument, blur: bool) -> dict[str, bytes]:
    """The key frames of a screen, with faces blurred if asked."""
    images = read_images(store, screen_id)
    return blur_faces(document, images, read_tracks_of(store, screen_id)) if blur else images


def long_day(day: date) -> str:
    """9 March 2026."""
    return f"{day.day} {day:%B %Y}"


@functools.cache
def _templates() -> Environment:
    return html.environment(PackageLoader("asymscreen.record"))


def render(template: str, *, figures: Mapping[str, dict[str, Any]] | None = None, **context: Any) -> str:
    """A page as text; plotly goes in only where something is drawn."""
    scripts = html.chart_scripts() if figures else ()
    data = html.figure_data(figures or {})
    return (
        _templates()
        .get_template(template)
        .render(scripts=scripts, policy=html.policy(scripts), chart_data=data, **context)
    )


def _nothing(*_: object) -> list[object]:
    """No numbers under a picture."""
    return []


def _chosen(store: Store, code: str, screen_id: str | None) -> ScreenEntry:
    if screen_id is None:
        found = list_screens(store, code)
        if not found:
            raise RecordError(
                f"lifter {code}: expected a screen to write about, got none; screen a clip first"
            )
        return next((one for one in found if one.usable), found[0])
    entry = screen_entry(store, screen_id)
    if entry.lifter != code:
        raise RecordError(f"screen {screen_id}: expected one of {code}, got one of {entry.lifter}")
    return entry


def _earlier(store: Store, code: str, entry: ScreenEntry) -> ScreenEntry | None:
    """The first usable screen of an earlier day, against which a lifter's page tells what changed."""
    before = [
        s for s in list_screens(store, code) if s.usable and s.filmed_at.date() < entry.filmed_at.date()
    ]
    return before[-1] if before and entry.usable else None


def _current_block(store: Store, code: str, today: date) -> BlockEntry | None:
    """The block that runs today, else the one that starts next."""
    blocks = [b for b in list_blocks(store, code, today=today) if b.ends_on >= today]
    running = [b for b in blocks if b.starts_on <= today]
    return running[-1] if running else (blocks[0] if blocks else None)


def _drills(block: BlockEntry | None, rules: RuleTable) -> list[DrillAdvice]:
    """The block's drills with how they are done; a drill that the table lacks is shown by its name."""
    found = []
    for dose in (block.drills if block else [])[:DRILLS_SHOWN]:
        known = rules.drills.get(dose.drill)
        side: Any = dose.side
        if known is None:
            found.append(
                DrillAdvice(
                    id=dose.drill, name=dose.drill, how="", dose=dose.dose, side=side, cautions=[], grounds=""
                )
            )
        else:
            told = advice(known, side).model_copy(update={"side": side, "dose": dose.dose or known.dose})
            found.append(told)
    return found


def _rhythm(block: BlockEntry | None) -> str:
    if block is None:
        return ""
    days = ", ".join(_DAY_NAMES[day] for day in block.weekdays)
    on = "Every day" if len(block.weekdays) == 7 else f"On {days}"
    return f"{on}, from {long_day(block.starts_on)} to {long_day(block.ends_on)}."


_DAY_NAMES = {
    "mon": "Monday", "tue": "Tuesday", "wed": "Wednesday", "thu": "Thursday", "fri": "Friday",
    "sat": "Saturday", "sun": "Sunday",
}  # fmt: skip


def _again(block: BlockEntry | None, today: date) -> str:
    if block is None:
        return "Your coach will give you a day."
    return f"On {long_day(block.rescreen_on)}." if block.rescreen_on >= today else "As soon as you can."


def _cautions(store: Store, code: str) -> list[str]:
    found = standing(store, code)
    return [c.text for c in (*found.stops, *found.cautions)]


def _load(document: ScreenDocument) -> str:
    return "" if document.sheet.load_kg is None else f"{document.sheet.load_kg:g} kg"


def _bottom(document: ScreenDocument, images: Mapping[str, bytes]) -> Picture | None:
    """The first rep's bottom that has its picture."""
    frames = [f for f in document.keyframes if f.event == "bottom" and f.image in images]
    frames.sort(key=lambda f: f.rep)
    size = (document.clip.width, document.clip.height)
    return pictures(frames[:1], images, size)[0] if frames else None


def _row(name: str, change: Change) -> dict[str, str]:
    signed = functools.partial(wording.number, unit=change.unit, signed=True)
    return {
        "title": wording.title(name), "unit": change.unit, "before": signed(change.before),
        "after": signed(change.after), "change": signed(change.change),
        "needed": wording.number(change.needed, change.unit), "verdict": change.verdict,
        "direction": change.direction, "reason": change.reason,
    }  # fmt: skip
