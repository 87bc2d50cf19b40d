"""A measure over a lifter's screens, with its error band and the blocks in between."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from asymscreen.document import Part, ScreenDocument, TwoSided
from asymscreen.errors import RecordError
from asymscreen.record.blocks import list_blocks
from asymscreen.record.change import NeededChange, needed_change
from asymscreen.record.compare import Comparison, compare, why_not_comparable
from asymscreen.record.lifters import get_lifter
from asymscreen.record.models import StoredScreen
from asymscreen.record.screens import document_of, get_screen, screen_for_report
from asymscreen.record.shapes import BlockEntry
from asymscreen.record.store import Store

SCHEMA = "asymscreen.trend/1"


class TrendPoint(Part):
    """One screen: the signed number with its 95 % interval. `apart`: why it is not like the newest one."""

    screen: str
    filmed_at: datetime
    value: float | None
    low: float | None
    high: float | None
    noise_floor: float | None
    call: str
    load_kg: float | None
    apart: str = ""


class TrendBlock(Part):
    """A block on the time axis."""

    id: int
    starts_on: date
    ends_on: date
    label: str


class Trend(Part):
    """A measure over many screens, oldest first."""

    schema_: Annotated[Literal["asymscreen.trend/1"], Field(alias="schema")] = "asymscreen.trend/1"
    lifter: str
    measure: str
    unit: Literal["deg", "mm", "s"]
    two_sided: bool
    points: list[TrendPoint]
    blocks: list[TrendBlock]

    model_config = ConfigDict(extra="forbid", populate_by_name=True, allow_inf_nan=False)

    def to_json(self) -> str:
        """One UTF-8 JSON document."""
        return json.dumps(self.model_dump(mode="json", by_alias=True), ensure_ascii=False, indent=1)


Screens = Sequence[tuple[str, datetime, ScreenDocument]]
"""(id, when it was filmed, document) of a lifter's screens, oldest first."""


def build_trend(lifter: str, measure: str, screens: Screens, blocks: Sequence[BlockEntry] = ()) -> Trend:
    """The trend of one measure. RecordError where no screen has it.

    A screen that cannot be compared with the newest one that has the measure stays, marked with the reason.
    """
    having = [(i, at, d) for i, at, d in screens if measure in d.measures]
    if not having:
        known = sorted({name for _, _, d in screens for name in d.measures})
        raise RecordError(
            f"trend: expected a measure of {lifter}'s screens ({', '.join(known) or 'none yet'}), "
            f"got {measure[:60]!r}"
        )
    newest = having[-1][2]
    first = newest.measures[measure]
    return Trend(
        lifter=lifter, measure=measure, unit=first.unit, two_sided=isinstance(first, TwoSided),
        points=[_point(measure, i, at, d, newest) for i, at, d in having],
        blocks=[
            TrendBlock(id=b.id, starts_on=b.starts_on, ends_on=b.ends_on, label=_label(b)) for b in blocks
        ],
    )  # fmt: skip


def trend(store: Store, code: str, measure: str) -> Trend:
    """The trend of one measure over a lifter's screens in the record, with the lifter's blocks."""
    return build_trend(code, measure, lifter_screens(store, code), list_blocks(store, code))


def lifter_screens(store: Store, code: str) -> list[tuple[str, datetime, ScreenDocument]]:
    """(id, when filmed, document) of a lifter's screens, oldest first."""
    with store.reading() as session:
        rows: list[StoredScreen] = sorted(
            get_lifter(session, code).screens, key=lambda row: (row.filmed_at, row.added_at, row.id)
        )
        return [(row.id, row.filmed_at, document_of(row)) for row in rows]


def compare_screens(
    store: Store, earlier: str, later: str, *, needed: NeededChange = needed_change
) -> Comparison:
    """Compare two screens of the record by id. RecordError for two lifters: that is a slip."""
    with store.reading() as session:
        one, two = get_screen(session, earlier), get_screen(session, later)
        if one.lifter_id != two.lifter_id:
            raise RecordError(
                f"compare: expected two screens of one lifter, got {one.lifter.code} and {two.lifter.code}"
            )
        days = (f"{one.filmed_at:%Y-%m-%d}", f"{two.filmed_at:%Y-%m-%d}")
    return compare(
        screen_for_report(store, earlier), screen_for_report(store, later),
        needed=needed, ids=(earlier, later), filmed_on=days,
    )  # fmt: skip


def _point(
    name: str, screen: str, at: datetime, document: ScreenDocument, newest: ScreenDocument
) -> TrendPoint:
    measure = document.measures[name]
    number = measure.difference if isinstance(measure, TwoSided) else measure
    reasons = why_not_comparable(document, newest)
    return TrendPoint(
        screen=screen, filmed_at=at, value=number.value, low=number.low, high=number.high,
        noise_floor=measure.noise_floor, call=measure.call, load_kg=document.sheet.load_kg,
        apart=reasons[0] if reasons else "",
    )  # fmt: skip


def _label(block: BlockEntry) -> str:
    return ", ".join(dict.fromkeys(f"{d.drill} ({d.side})" for d in block.drills))
