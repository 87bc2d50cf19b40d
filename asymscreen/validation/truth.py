"""The truth file: what is known of a lifter in front of the lens, from a renderer or a motion laboratory.

One `NAME.truth.json` stands beside every `NAME.tracks.csv.gz`, `NAME.tracks.csv` or clip `NAME.mp4`. Keys
that are not named here are ignored, so that a laboratory may keep its own beside them.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from asymscreen.capture.sheet import Capture, View
from asymscreen.errors import SettingsError, UsageError

SCHEMA = "asymscreen.truth/1"
TRUTH = ".truth.json"
"""How the name of a truth file ends."""
MOST_FAULTS = 5  # faults of a file that a message lists


class _Lenient(BaseModel):
    """Base of every part: keys that are not known are ignored."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False, populate_by_name=True)


class TruthRep(_Lenient):
    """One rep: its number and the middle of its pause at the chest, seconds of the clip."""

    number: int = 0
    bottom_s: float


class TruthMeasure(_Lenient):
    """Mean over the reps: `left` and `right`, or one signed `value`; deg, mm or s as the measure."""

    left: float | None = None
    right: float | None = None
    value: float | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> TruthMeasure:
        pair = self.left is not None and self.right is not None
        if pair == (self.value is not None):
            raise ValueError("expected left and right, or one value")
        return self

    @property
    def signed(self) -> float:
        """Left minus right, or the one value."""
        if self.left is not None and self.right is not None:
            return self.left - self.right
        return float(self.value or 0.0)

    @property
    def sides(self) -> tuple[float, float] | None:
        """(left, right), or None for a one-value measure."""
        return (self.left, self.right) if self.left is not None and self.right is not None else None


class TruthCapture(_Lenient):
    """What the person who filmed would have said (the capture sheet), and where the camera truly stood.

    The screen is told the sheet only: view, camera_height_m, camera_distance_m, mirrored, level_marks.
    """

    view: View | None = None
    camera_height_m: float | None = Field(default=None, description="Lens over the floor, metres.")
    camera_distance_m: float | None = Field(default=None, description="Hips to lens along the floor, metres.")
    mirrored: bool = False
    level_marks: tuple[tuple[float, float], tuple[float, float]] | None = None
    elevation_deg: float | None = Field(
        default=None, description="True elevation of the lens over the chest."
    )
    azimuth_deg: float | None = Field(
        default=None, description="True angle off the bench's middle, 0 = foot end."
    )
    distance_m: float | None = Field(default=None, description="True distance from lens to chest, metres.")

    def sheet(self) -> Capture:
        """The capture sheet, without what only the truth knows."""
        return Capture(
            view=self.view,
            camera_height_m=self.camera_height_m,
            camera_distance_m=self.camera_distance_m,
            mirrored=self.mirrored,
            level_marks=self.level_marks,
        )


class Truth(_Lenient):
    """One truth file. Without `measures` the screen should be refused."""

    schema_: Annotated[Literal["asymscreen.truth/1"], Field(alias="schema")]
    image_size: tuple[int, int] | None = Field(
        default=None, description="Width, height; needed with track files."
    )
    view: str | None = Field(None, description="Where the camera truly stood, as in the capture sheet.")
    even: bool = Field(False, description="Both sides press alike: a named side is a false call.")
    elevation_deg: float | None = None
    azimuth_deg: float | None = None
    distance_m: float | None = None
    capture: TruthCapture = Field(default_factory=TruthCapture)
    reps: tuple[TruthRep, ...] = ()
    measures: dict[str, TruthMeasure] = {}
    lifter: str | None = Field(
        default=None, description="Code of the lifter; two sessions of one are a re-test."
    )
    session: int | None = Field(default=None, description="Number of the set-up of the phone.")
    preset: str = Field(
        default="", description="Name of the set-up aimed at; the sessions of a pair share it."
    )
    hard: str = Field(default="", description="One more condition.")
    conditions: tuple[str, ...] = Field(
        default=(), description="What made it harder, for example 'loose shirt'."
    )

    @field_validator("measures", mode="before")
    @classmethod
    def _told(cls, measures: Any) -> Any:
        """A measure whose numbers are all null was not known: left out."""
        if not isinstance(measures, dict):
            return measures
        names = ("left", "right", "value")
        unknown = [n for n, m in measures.items() if isinstance(m, dict) and _all_null(m, names)]
        return {name: m for name, m in measures.items() if name not in unknown}

    @property
    def hardships(self) -> tuple[str, ...]:
        """All that made it harder."""
        return (*self.conditions, *([self.hard] if self.hard else []))

    @property
    def place(self) -> dict[str, float | None]:
        """True elevation (deg), angle off the middle (deg) and distance (m), None where not told."""
        names = ("elevation_deg", "azimuth_deg", "distance_m")
        return {n: v if (v := getattr(self, n)) is not None else getattr(self.capture, n) for n in names}


def read_truth(path: Path) -> Truth:
    """Read a truth file. SettingsError names every fault with its place."""
    try:
        raw: Any = json.loads(path.read_text(encoding="utf-8"))
        truth = Truth.model_validate(raw)
        truth.capture.sheet()
    except OSError as exc:
        raise SettingsError(f"{path}: expected a truth file, could not read it ({exc.strerror})") from exc
    except (ValueError, UsageError) as exc:
        raise SettingsError(
            f"{path}: expected a truth file ({SCHEMA}), got {_faults(exc)}; correct it, the README says how"
        ) from exc
    return truth


def truth_schema_text() -> str:
    """The JSON Schema (2020-12) of a truth file, as indented JSON."""
    schema = Truth.model_json_schema(by_alias=True)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": SCHEMA}
    return json.dumps({**head, **{k: v for k, v in schema.items() if k != "title"}}, indent=1) + "\n"


def _all_null(measure: dict[str, Any], names: tuple[str, ...]) -> bool:
    given = [measure[name] for name in names if name in measure]
    return bool(given) and all(v is None for v in given)


def _faults(exc: Exception) -> str:
    if isinstance(exc, ValidationError):
        faults = exc.errors()[:MOST_FAULTS]
        return "; ".join(f"{'.'.join(map(str, e['loc'])) or 'file'}: {e['msg']}" for e in faults)
    return str(exc)
