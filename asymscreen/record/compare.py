"""The re-screen: what changed from an earlier screen to a later one, and what cannot be compared.

Reads result documents only. A difference of differences is "later minus earlier"; signs are those of the
measures (left minus right; positive = left end lower, or shifted to the left).
"""

from __future__ import annotations

import json
from typing import Annotated, Literal

import numpy as np
from pydantic import ConfigDict, Field

from asymscreen.document import CurvePair, Part, ScreenDocument, TwoSided
from asymscreen.record.change import Measure, NeededChange, needed_change, needed_together, one_sided
from asymscreen.scoring.retest import load_retest

SCHEMA = "asymscreen.comparison/1"
Verdict = Literal["changed", "no change that we can see", "not comparable"]

LOAD_TOLERANCE = 0.05
"""Loads further apart than this share of the earlier one are not compared."""
PHONE_HEIGHT_TOLERANCE_M = 0.2
"""Stated phone heights further apart are not compared, metres. Common practice, no source."""
SOLVED_HEIGHT_TOLERANCE_M = 0.35
"""The same for heights that the screen solved, which are less sure, metres."""
ELEVATION_TOLERANCE_DEG = 8.0
"""Where no height is known: camera elevations further apart are not compared, degrees."""


class ScreenFacts(Part):
    """What the comparison says of each of its two screens."""

    id: str | None = None
    filmed_on: str | None = None
    lifter: str | None
    clip: str
    sha256: str
    view: str
    load_kg: float | None
    grip: str | None
    phone_height_m: float | None
    usable: bool
    complete_reps: int


class SideChange(Part):
    """One side of a two-sided measure."""

    before: float | None
    after: float | None
    change: float | None


class Change(Part):
    """One measure before and after; `needed` is the smallest change that is more than noise here.

    For a two-sided measure before, after and change are those of the difference left minus right.
    """

    unit: Literal["deg", "mm", "s"]
    before: float | None
    after: float | None
    change: float | None
    needed: float | None
    verdict: Verdict
    direction: str
    reason: str
    left: SideChange | None = None
    right: SideChange | None = None


class AlignedCurve(Part):
    """Mean curves of both screens on 101 points, stretched so that both bottoms lie at `bottom_percent`."""

    unit: Literal["deg", "mm"]
    bottom_percent: float
    before: dict[str, list[float | None]]
    after: dict[str, list[float | None]]


class Comparison(Part):
    """Two screens compared. `reasons` say why nothing can be compared; `notes` what to keep in mind."""

    schema_: Annotated[Literal["asymscreen.comparison/1"], Field(alias="schema")] = "asymscreen.comparison/1"
    earlier: ScreenFacts
    later: ScreenFacts
    comparable: bool
    reasons: list[str]
    notes: list[str]
    measures: dict[str, Change]
    curves: dict[str, AlignedCurve] = Field(default_factory=dict)
    bottoms: dict[str, str] = Field(default_factory=dict)
    cautions: list[str] = Field(default_factory=list)
    summary: str

    model_config = ConfigDict(extra="forbid", populate_by_name=True, allow_inf_nan=False)

    def to_json(self) -> str:
        """One UTF-8 JSON document."""
        return json.dumps(self.model_dump(mode="json", by_alias=True), ensure_ascii=False, indent=1)


def compare(
    earlier: ScreenDocument,
    later: ScreenDocument,
    *,
    needed: NeededChange = needed_change,
    together: bool = True,
    ids: tuple[str, str] | None = None,
    filmed_on: tuple[str, str] | None = None,
) -> Comparison:
    """Compare two screens of a lifter.

    `needed` gives the 95 % change that a measure needs alone. With `together` the chance of any false change
    over all measures is held at 5 %; without, at 5 % each. `ids` and `filmed_on` name the screens.
    """
    reasons = why_not_comparable(earlier, later)
    names = [name for name in earlier.measures if name in later.measures]
    names += [n for n in (*earlier.measures, *later.measures) if n not in names]
    changes = {n: _first_look(earlier.measures.get(n), later.measures.get(n), reasons) for n in names}
    alone = {}
    for name, change in changes.items():
        if change.change is None or change.verdict == "not comparable":
            continue
        need = needed(name, earlier.measures[name], later.measures[name])
        if need is None:
            changes[name] = _without(change, "one of the two clips states no error")
        else:
            alone[name] = (change.change, need)
    limits = needed_together(alone) if together else {name: need for name, (_, need) in alone.items()}
    for name, limit in limits.items():
        sided = one_sided(earlier.measures[name]) and one_sided(later.measures[name])
        changes[name] = _judged(changes[name], limit, sided)
    ids, filmed_on = ids or ("", ""), filmed_on or ("", "")
    return Comparison(
        earlier=_facts(earlier, ids[0], filmed_on[0]), later=_facts(later, ids[1], filmed_on[1]),
        comparable=not reasons, reasons=reasons, notes=_notes(earlier, later), measures=changes,
        curves={} if reasons else aligned_curves(earlier, later), bottoms=_bottoms(earlier, later),
        cautions=list(dict.fromkeys([*later.cautions])), summary=_summary(changes, reasons),
    )  # fmt: skip


def why_not_comparable(earlier: ScreenDocument, later: ScreenDocument) -> list[str]:
    """Reasons that forbid comparing anything: one sentence each, empty where there is none."""
    reasons = []
    for name, document in (("earlier", earlier), ("later", later)):
        if not document.capture.usable:
            reasons.append(f"The {name} clip could not be screened.")
    one, two = earlier.sheet.lifter, later.sheet.lifter
    if one and two and one != two:
        reasons.append(f"Two different lifters: {one} and {two}.")
    if earlier.capture.view != later.capture.view:
        reasons.append(
            f"Filmed from another view: {earlier.capture.view} before, {later.capture.view} after."
        )
    if earlier.clip.mirrored != later.clip.mirrored:
        which = "earlier" if earlier.clip.mirrored else "later"
        reasons.append(
            f"Only the {which} clip is stored mirrored; left and right may have been taken for each other."
        )
    return reasons + _other_load(earlier, later) + _other_grip(earlier, later) + _other_height(earlier, later)


def _other_load(earlier: ScreenDocument, later: ScreenDocument) -> list[str]:
    before, after = earlier.sheet.load_kg, later.sheet.load_kg
    if before is None or after is None or abs(after - before) <= LOAD_TOLERANCE * before + 1e-9:
        return []
    return [f"Another load: {before:g} kg before, {after:g} kg after; more than 5 % apart."]


def _other_grip(earlier: ScreenDocument, later: ScreenDocument) -> list[str]:
    before, after = (" ".join((d.sheet.grip or "").casefold().split()) for d in (earlier, later))
    return [f"Another grip: {before} before, {after} after."] if before and after and before != after else []


def _other_height(earlier: ScreenDocument, later: ScreenDocument) -> list[str]:
    stated = earlier.sheet.camera_height_m, later.sheet.camera_height_m
    solved = earlier.capture.height_m, later.capture.height_m
    for (before, after), limit in ((stated, PHONE_HEIGHT_TOLERANCE_M), (solved, SOLVED_HEIGHT_TOLERANCE_M)):
        if before is not None and after is not None:
            if abs(after - before) <= limit + 1e-9:
                return []
            return [f"The phone stood at another height: {before:.2f} m before, {after:.2f} m after."]
    before, after = earlier.capture.elevation_deg, later.capture.elevation_deg
    if before is None or after is None or abs(after - before) <= ELEVATION_TOLERANCE_DEG:
        return []
    return [f"The phone looked down at another angle: {before:.0f} deg before, {after:.0f} deg after."]


def _first_look(earlier: Measure | None, later: Measure | None, reasons: list[str]) -> Change:
    """The numbers of one measure, and whether they may be compared at all."""
    given = later or earlier
    assert given is not None
    change = Change(
        unit=given.unit, before=_signed(earlier), after=_signed(later), change=None, needed=None,
        verdict="not comparable", direction="", reason="", left=_side(earlier, later, "left"),
        right=_side(earlier, later, "right"),
    )  # fmt: skip
    if reasons:
        return _without(change, reasons[0])
    for name, measure in (("earlier", earlier), ("later", later)):
        if measure is None:
            return _without(change, f"the {name} screen does not have this measure")
        if measure.call == "not-measurable" or _signed(measure) is None:
            return _without(
                change, f"not measurable in the {name} clip: {measure.reason or 'no reason given'}"
            )
    if change.before is None or change.after is None or type(earlier) is not type(later):
        return _without(change, "the two screens state this measure in different ways")
    moved = change.after - change.before
    return change.model_copy(update={"change": moved, "verdict": "no change that we can see"})


def _without(change: Change, reason: str) -> Change:
    return change.model_copy(update={"verdict": "not comparable", "change": None, "reason": reason})


def _judged(change: Change, needed: float, sided: bool) -> Change:
    """The verdict for a needed change; a change of exactly that size is not seen."""
    changed = change.change is not None and abs(change.change) > needed
    verdict: Verdict = "changed" if changed else "no change that we can see"
    return change.model_copy(
        update={
            "needed": needed,
            "verdict": verdict,
            "direction": _direction(change, sided) if changed else "",
        }
    )


def _direction(change: Change, sided: bool) -> str:
    """In words; the other side is only named where both screens were sure of theirs (`sided`)."""
    before, after = change.before or 0.0, change.after or 0.0
    if sided and before * after < 0:
        return "went over to the other side"
    return "smaller" if abs(after) < abs(before) else "larger"


def _signed(measure: Measure | None) -> float | None:
    if measure is None:
        return None
    return measure.difference.value if isinstance(measure, TwoSided) else measure.value


def _side(
    earlier: Measure | None, later: Measure | None, side: Literal["left", "right"]
) -> SideChange | None:
    if not isinstance(earlier, TwoSided) and not isinstance(later, TwoSided):
        return None
    before, after = (getattr(m, side) if isinstance(m, TwoSided) else None for m in (earlier, later))
    return SideChange(
        before=before, after=after, change=None if before is None or after is None else after - before
    )


def _facts(document: ScreenDocument, screen_id: str, filmed_on: str) -> ScreenFacts:
    height, recorded = document.sheet.camera_height_m, document.clip.recorded
    day = filmed_on or (f"{recorded:%Y-%m-%d}" if recorded else None)
    return ScreenFacts(
        id=screen_id or None, filmed_on=day, lifter=document.sheet.lifter,
        clip=document.clip.name, sha256=document.clip.sha256, view=document.capture.view,
        load_kg=document.sheet.load_kg,
        grip=document.sheet.grip, phone_height_m=document.capture.height_m if height is None else height,
        usable=document.capture.usable, complete_reps=sum(rep.complete for rep in document.reps),
    )  # fmt: skip


def _notes(earlier: ScreenDocument, later: ScreenDocument) -> list[str]:
    """What does not forbid a comparison but belongs beside it."""
    notes = []
    if earlier.clip.sha256 == later.clip.sha256:
        notes.append("Both screens are of the same clip.")
    for what, before, after in (
        ("load", earlier.sheet.load_kg, later.sheet.load_kg),
        ("grip", earlier.sheet.grip, later.sheet.grip),
    ):
        if (before is None or before == "") and (after is None or after == ""):
            notes.append(f"The {what} was not noted for either screen.")
        elif before in (None, "") or after in (None, ""):
            notes.append(f"The {what} was noted for one screen only.")
    if earlier.software.version != later.software.version:
        notes.append(
            f"Screened by two versions ({earlier.software.version}, {later.software.version}); "
            "screen both again if in doubt."
        )
    before, after = (sum(rep.complete for rep in d.reps) for d in (earlier, later))
    if before != after:
        notes.append(f"Not the same number of full reps: {before} before, {after} after.")
    return notes + _assumed([name for name in earlier.measures if name in later.measures])


def _assumed(shared: list[str]) -> list[str]:
    """A note where the error of setting the phone up anew was never measured for some of the measures."""
    table = load_retest()
    assumed = [name for name in shared if table.assumed(name)]
    if not assumed:
        return []
    some = "" if len(assumed) == len(shared) else f" of {len(assumed)} of {len(shared)} measures"
    return [f"How much a new set-up of the phone changes the numbers{some} was assumed, not measured."]


def aligned_curves(earlier: ScreenDocument, later: ScreenDocument) -> dict[str, AlignedCurve]:
    """The mean curves that both screens have, aligned by the cycle: both ends and both bottoms coincide."""
    return {
        name: _aligned(pair, later.curves[name])
        for name, pair in earlier.curves.items()
        if name in later.curves and later.curves[name].unit == pair.unit
    }


def _aligned(before: CurvePair, after: CurvePair) -> AlignedCurve:
    middle = (before.bottom_percent + after.bottom_percent) / 2
    return AlignedCurve(
        unit=before.unit,
        bottom_percent=middle,
        before=_stretched(before, middle),
        after=_stretched(after, middle),
    )


def _stretched(pair: CurvePair, bottom: float) -> dict[str, list[float | None]]:
    """Every mean of a pair on 0-100 %, its bottom moved to `bottom` %; descent and ascent each linearly."""
    sides = {"left": pair.left, "right": pair.right, "value": pair.value}
    return {side: align(c.mean, pair.bottom_percent, bottom) for side, c in sides.items() if c is not None}


def align(mean: list[float | None], bottom: float, to: float) -> list[float | None]:
    """A curve over 0-100 % (2 points or more) on 101 points, its event at `bottom` % moved to `to` %.

    Linear within descent and ascent; a gap stays a gap, nothing is extrapolated.
    """
    if len(mean) < 2 or not (0 < bottom < 100 and 0 < to < 100):
        return list(mean)
    grid = np.linspace(0, 100, 101)
    source = np.interp(grid, [0, to, 100], [0, bottom, 100])
    values = np.array([np.nan if v is None else v for v in mean], dtype=np.float64)
    got = np.interp(source, np.linspace(0, 100, len(mean)), values)
    return [None if np.isnan(v) else float(v) for v in got]


def _bottoms(earlier: ScreenDocument, later: ScreenDocument) -> dict[str, str]:
    """The key frame of the first rep's bottom in each screen, by name of its picture."""
    found = {}
    for name, document in (("earlier", earlier), ("later", later)):
        frames = sorted((f for f in document.keyframes if f.event == "bottom"), key=lambda f: f.rep)
        if frames:
            found[name] = frames[0].image
    return found


def _summary(changes: dict[str, Change], reasons: list[str]) -> str:
    if reasons:
        return "These two screens cannot be compared. " + " ".join(reasons)
    if not changes:
        return "Neither screen has a measure to compare."
    count = {v: sum(c.verdict == v for c in changes.values()) for v in ("changed", "not comparable")}
    same = len(changes) - sum(count.values())
    parts = [f"{count['changed']} changed", f"{same} without a change that we can see"]
    if count["not comparable"]:
        parts.append(f"{count['not comparable']} not comparable")
    return f"Of {len(changes)} measures: {', '.join(parts)}."
