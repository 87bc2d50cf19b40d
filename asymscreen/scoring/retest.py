"""How much a measure changes when nothing but the phone's place changed: the shipped table of re-set errors.

`retest.json` beside this module is read by whoever compares two screens. `asymscreen validate --fit` writes
it from lifters filmed twice; a measure of which no pairs were filmed keeps what was assumed, and says so.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from asymscreen.errors import SettingsError

RETEST_FILE = Path(__file__).with_name("retest.json")
SCHEMA = "asymscreen.retest/1"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class Reset(_Part):
    """One measure filmed again with the phone set up anew, in its unit.

    reset95   95 % change that setting up anew makes beyond what both clips state as their own error
    kept      share of those errors that a change still carries: what a lifter's build does to both clips
              alike drops out; 1 where `reset95` is above 0
    pairs     pairs of screens behind it; 0 = assumed, never measured
    sd        SD of the change between two screens of one unchanged lifter
    mdc95     change beyond which an unchanged lifter comes in 5 of 100 pairs
    """

    unit: Literal["deg", "mm", "s"]
    reset95: float = Field(ge=0)
    kept: float = Field(default=1.0, gt=0, le=1)
    pairs: int = Field(default=0, ge=0)
    sd: float | None = Field(default=None, ge=0)
    mdc95: float | None = Field(default=None, ge=0)

    @property
    def assumed(self) -> bool:
        return self.pairs == 0


class Retest(_Part):
    """The table: measures, and what holds for a measure that it does not name (`by_unit`)."""

    schema_: Literal["asymscreen.retest/1"] = Field(alias="schema")
    version: str
    command: str
    measures: dict[str, Reset]
    by_unit: dict[Literal["deg", "mm", "s"], float]

    def reset95(self, name: str, unit: Literal["deg", "mm", "s"]) -> float:
        """95 % change of the re-set of a measure, in its unit."""
        known = self.measures.get(name)
        return known.reset95 if known else self.by_unit[unit]

    def kept(self, name: str) -> float:
        """Share of both clips' own errors that a change of a measure still carries."""
        known = self.measures.get(name)
        return known.kept if known else 1.0

    def assumed(self, name: str) -> bool:
        """Whether no pairs stand behind what is said of a measure."""
        known = self.measures.get(name)
        return known is None or known.assumed


def load_retest(path: Path = RETEST_FILE) -> Retest:
    """The shipped table, or another. SettingsError where it cannot be read."""
    return _load(path, path.stat().st_mtime_ns if path.exists() else 0)


@functools.lru_cache(maxsize=4)
def _load(path: Path, _written: int) -> Retest:
    try:
        return Retest.model_validate(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError) as exc:
        fault = exc.errors()[0]["msg"] if isinstance(exc, ValidationError) else exc
        raise SettingsError(f"{path}: expected a re-test table, got {fault}; reinstall asymscreen") from exc


def retest_text(table: Retest) -> str:
    """The table as the text of `retest.json`: one line a measure."""
    whole = table.model_dump(mode="json", by_alias=True)
    lines = ",\n".join(f"  {json.dumps(n)}: {json.dumps(m)}" for n, m in whole.pop("measures").items())
    return json.dumps(whole, indent=1)[:-2] + f',\n "measures": {{\n{lines}\n }}\n}}\n'
