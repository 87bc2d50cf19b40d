"""From findings to what a coach may look at next, by a table that a coach can read and edit.

The table is TOML: the package's own, then the copy in the home folder, which replaces, adds and switches off
by id. Suggestions only; nothing here diagnoses.
"""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError, model_validator

from asymscreen.document import Call, OneValue, ScreenDocument, TwoSided
from asymscreen.errors import SettingsError
from asymscreen.record.shapes import Shape

FILE = "considerations.toml"
SCHEMA = "asymscreen.considerations/1"
Side = Literal["left", "right", "both", "none"]
OTHER: dict[str, Side] = {"left": "right", "right": "left", "both": "both", "none": "none"}
ALWAYS = (
    "Suggestions, not a diagnosis. Stop at pain; have a licensed clinician look at a shoulder that hurts."
)
Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
Line = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid")

    id: Id
    off: bool = False


class Drill(_Row):
    """A drill in our own words. `sided`: it is done on one side."""

    name: Line
    how: Line
    dose: Line
    sided: bool = False
    cautions: list[Line] = []
    grounds: Line = "common practice, no source"


class Rule(_Row):
    """One row of the table; looks at a pattern, or at a measure with its call and direction."""

    pattern: str = ""
    measure: str = ""
    calls: list[Call] = ["left", "right", "both"]
    direction: str = ""
    side: Literal["low", "high", "called", "other", "both", "none"]
    look: Line
    drills: list[Id] = []
    cautions: list[Line] = []
    grounds: Line

    @model_validator(mode="after")
    def _one_finding(self) -> Rule:
        if bool(self.pattern) == bool(self.measure):
            raise ValueError("expected either a pattern or a measure")
        for text in (self.look, *self.cautions):
            try:
                text.format(side="left", other="right", called="left")
            except (KeyError, IndexError, ValueError) as error:
                raise ValueError(f"expected {{side}}, {{other}} or {{called}} only, got {error}") from None
        return self


class _Off(BaseModel):
    """A row that switches one of ours off."""

    model_config = ConfigDict(extra="ignore")

    id: Id
    off: Literal[True]


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid")

    schema_: Literal["asymscreen.considerations/1"]
    rule: list[_Off | Rule] = []
    drill: list[_Off | Drill] = []

    @model_validator(mode="before")
    @classmethod
    def _named(cls, raw: Any) -> Any:
        return {("schema_" if key == "schema" else key): value for key, value in dict(raw).items()}


@dataclass(frozen=True)
class RuleTable:
    """Rules and drills by id, in the order of the file."""

    rules: dict[str, Rule]
    drills: dict[str, Drill]


class DrillAdvice(Shape):
    """A drill with the side that it is done on."""

    id: str
    name: str
    how: str
    dose: str
    side: Side
    cautions: list[str]
    grounds: str


class Consideration(Shape):
    """One suggestion: what to look at, on which side the work goes, why, and on which grounds."""

    rule: str
    side: Side
    look: str
    because: list[str]
    drills: list[DrillAdvice]
    cautions: list[str]
    grounds: str


def load_rules(home: Path | None = None) -> RuleTable:
    """The package's table with the home folder's over it. SettingsError names every fault with its place."""
    ours = _read(resources.files("asymscreen.record").joinpath(FILE).read_text("utf-8"), FILE)
    tables = [ours]
    if home is not None and (home / FILE).exists():
        try:
            tables.append(_read((home / FILE).read_text("utf-8"), str(home / FILE)))
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{home / FILE}: expected a readable UTF-8 file, got {error}") from error
    rules: dict[str, Rule] = {}
    drills: dict[str, Drill] = {}
    for table in tables:
        _lay_over(rules, table.rule)
        _lay_over(drills, table.drill)
    for rule in rules.values():
        missing = [drill for drill in rule.drills if drill not in drills]
        if missing and not set(missing) <= _switched_off(tables):
            raise SettingsError(f"rule {rule.id}: expected drills that exist, got {', '.join(missing)}")
    return RuleTable(rules, drills)


def copy_rules(home: Path) -> Path:
    """Put an editable copy of the table into the home folder. SettingsError where there is one already."""
    place = home / FILE
    text = resources.files("asymscreen.record").joinpath(FILE).read_text("utf-8")
    try:
        with place.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise SettingsError(f"{place}: expected no copy yet, got one; edit it or move it away") from None
    except OSError as error:
        raise SettingsError(f"{place}: expected to write there, got {error.strerror}") from error
    return place


def add_drill(home: Path, drill: Drill) -> Path:
    """Add a drill of the coach's own to the home folder's table. SettingsError for an id that is taken."""
    if drill.id in load_rules(home).drills:
        raise SettingsError(f"drill {drill.id}: expected a new id, got one that is taken")
    place = home / FILE
    before = place.read_text("utf-8") if place.exists() else f"schema = {_toml(SCHEMA)}\n"
    lines = [f"{key} = {_toml(value)}" for key, value in drill.model_dump(exclude={"off"}).items()]
    text = before.rstrip("\n") + "\n\n[[drill]]\n" + "\n".join(lines) + "\n"
    _read(text, str(place))
    draft = place.with_suffix(".part")
    try:
        draft.write_text(text, encoding="utf-8")
        os.replace(draft, place)
    except OSError as error:
        raise SettingsError(f"{place}: expected to write there, got {error.strerror}") from error
    return place


def consider(document: ScreenDocument, table: RuleTable, injured: Iterable[str] = ()) -> list[Consideration]:
    """What a coach may look at next, in the order of the table; empty for a clip that was not usable.

    A rule on a measure that a fired pattern stands on is left out: the pattern says it better. `injured` are
    sides ("left", "right", "both") with an injury or pain on record: work on them gets a caution.
    """
    if not document.capture.usable:
        return []
    covered: set[str] = set()
    found = []
    for rule in sorted(table.rules.values(), key=lambda r: not r.pattern):
        because = _because(document, rule)
        side = _side(document, rule) if because else None
        if side is None or (rule.measure and rule.measure in covered):
            continue
        if rule.pattern:
            covered |= set(because)
        found.append(_suggest(document, table, rule, side, because, set(injured)))
    return found


def _because(document: ScreenDocument, rule: Rule) -> list[str]:
    """The measures that let the rule fire; empty where it does not."""
    if rule.pattern:
        return next((p.because or [p.name] for p in document.patterns if p.name == rule.pattern), [])
    measure = document.measures.get(rule.measure)
    if measure is None or measure.call not in rule.calls or rule.direction not in measure.direction:
        return []
    return [rule.measure]


def _side(document: ScreenDocument, rule: Rule) -> Side | None:
    """Where the work goes; None where the screen does not tell."""
    if rule.side in ("both", "none"):
        return "both" if rule.side == "both" else "none"
    if rule.side in ("low", "high"):
        low = low_side(document)
        return low if low is None or rule.side == "low" else OTHER[low]
    called = _called(document, rule)
    return called if called is None or rule.side == "called" else OTHER[called]


def low_side(document: ScreenDocument) -> Side | None:
    """The end of the bar that was called lower at the bottom; None where no side was called."""
    tilt = document.measures.get("bar_tilt_bottom")
    if not isinstance(tilt, OneValue) or tilt.call not in ("left", "right") or tilt.value is None:
        return None
    return "left" if tilt.value > 0 else "right"


def _called(document: ScreenDocument, rule: Rule) -> Side | None:
    measure = document.measures.get(rule.measure)
    call = measure.call if isinstance(measure, TwoSided | OneValue) else None
    return call if call in ("left", "right", "both") else None


def _suggest(
    document: ScreenDocument, table: RuleTable, rule: Rule, side: Side, because: list[str], injured: set[str]
) -> Consideration:
    words = {"side": side, "other": OTHER[side], "called": _called(document, rule) or side}
    cautions = [text.format(**words) for text in rule.cautions]
    hurt = injured & ({"left", "right", "both"} if side in ("both", "none") else {side, "both"})
    if hurt:
        where = "both sides" if side in ("both", "none") else f"the {side} side"
        cautions.append(f"Pain or an injury is on record for {where}: leave the drills out or go very light.")
    drills = [table.drills[name] for name in rule.drills if name in table.drills]
    return Consideration(
        rule=rule.id, side=side, look=rule.look.format(**words), because=because,
        drills=[advice(drill, side) for drill in drills], cautions=[*cautions, ALWAYS], grounds=rule.grounds,
    )  # fmt: skip


def advice(drill: Drill, side: Side) -> DrillAdvice:
    """A drill with the side that it is done on: both, where it is not done on one."""
    told = drill.model_dump(exclude={"off", "sided"})
    return DrillAdvice(side=side if drill.sided else "both", **told)


def _lay_over(kept: dict[str, Any], rows: list[Any]) -> None:
    for row in rows:
        if row.off:
            kept.pop(row.id, None)
        else:
            kept[row.id] = row


def _switched_off(tables: list[_File]) -> set[str]:
    return {row.id for table in tables for row in table.drill if row.off}


def _read(text: str, name: str) -> _File:
    try:
        table = _File.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name}: expected TOML, got a fault: {error}") from None
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()[:8]]
        raise SettingsError(
            f"{name}: expected a table of rules and drills ({SCHEMA}); {'; '.join(faults)}"
        ) from None
    for rows in (table.rule, table.drill):
        ids = [row.id for row in rows]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise SettingsError(f"{name}: expected each id once, got {', '.join(twice)} twice")
    return table


def _toml(value: Any) -> str:
    """A string, boolean or list of strings as TOML."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
