"""The result document: the contract between the screen and everything that reads one.

Pydantic models of the published JSON (`asymscreen.screen/1`). Keys are only ever added. The report, the
record, the desk and the re-screen read this and nothing else.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from asymscreen.errors import DocumentError

SCHEMA: Final = "asymscreen.screen/1"
Call = Literal["left", "right", "both", "even", "not-measurable"]
Point = tuple[float, float]


class Part(BaseModel):
    """Base of every part of the document: unknown keys are an error, so that a misspelt one is found."""

    model_config = ConfigDict(extra="forbid", ser_json_inf_nan="null", allow_inf_nan=False)


class LandmarkModel(Part):
    name: str
    sha256: str


class Software(Part):
    version: str
    landmark_model: LandmarkModel | None = None
    error_model: str | None = None


class ClipPart(Part):
    """The clip. `recorded`: when its file says that it was filmed, UTC; place and device are never read."""

    name: str
    sha256: str
    width: int
    height: int
    fps: float
    frames: int
    duration_s: float
    rotation_deg: int = 0
    mirrored: bool = False
    recorded: AwareDatetime | None = None


class CapturePart(Part):
    """How the clip was filmed, stated or solved. `usable` false always comes with `reasons`."""

    view: str
    view_source: Literal["stated", "estimated"]
    elevation_deg: float | None = None
    azimuth_deg: float | None = None
    roll_deg: float | None = None
    roll_source: Literal["uprights", "marked", "stated", "none"] = "none"
    distance_m: float | None = None
    height_m: float | None = None
    usable: bool
    reasons: list[str] = []
    advice: list[str] = []


class Sheet(Part):
    """What the capture sheet said, kept for the record."""

    lifter: str | None = None
    load_kg: float | None = None
    one_rep_max_kg: float | None = None
    camera_height_m: float | None = None
    camera_distance_m: float | None = None
    grip: str | None = None
    level_marks: tuple[Point, Point] | None = None
    roll_deg: float | None = None


class Rep(Part):
    number: int
    start_s: float
    bottom_s: float
    end_s: float
    descent_s: float
    pause_s: float
    ascent_s: float
    complete: bool


class Interval(Part):
    """A value with its 95 % interval."""

    value: float | None
    low: float | None
    high: float | None


class SideRep(Part):
    number: int
    left: float | None
    right: float | None


class ValueRep(Part):
    number: int
    value: float | None


class TwoSided(Part):
    """A measure with one number a side; `difference` is left minus right."""

    unit: Literal["deg", "mm", "s"]
    left: float | None
    right: float | None
    difference: Interval
    noise_floor: float | None
    call: Call
    direction: str
    reference_band: tuple[float, float] | None = None
    reason: str
    reps: list[SideRep]


class OneValue(Part):
    """A measure with one signed number; positive = the lifter's left end lower, or shifted to the left."""

    unit: Literal["deg", "mm", "s"]
    value: float | None
    low: float | None
    high: float | None
    noise_floor: float | None
    call: Call
    direction: str
    reference_band: tuple[float, float] | None = None
    reason: str
    reps: list[ValueRep]


class Pattern(Part):
    name: str
    text: str
    because: list[str]


class Fit(Part):
    """How well the solved press agrees with what was seen in the picture."""

    rms_px: float
    frames: int
    focal_px: float


class Curve(Part):
    """Mean and standard deviation between reps on 101 points of the cycle (0-100 %), and each rep."""

    mean: list[float | None]
    sd: list[float | None]
    reps: list[list[float | None]]


class CurvePair(Part):
    """`left` and `right` for a two-sided angle; `value` for one-value measures (bar tilt)."""

    unit: Literal["deg", "mm"]
    bottom_percent: float
    left: Curve | None = None
    right: Curve | None = None
    value: Curve | None = None


class KeyFrame(Part):
    """One picture for the report: `points` are the solved joints projected into it, `bar` its two ends."""

    rep: int
    event: Literal["bottom", "lockout", "mid-ascent"]
    time_s: float
    image: str
    points: dict[str, Point]
    bar: tuple[Point, Point] | None = None


class ScreenDocument(Part):
    schema_: Annotated[Literal["asymscreen.screen/1"], Field(alias="schema")] = SCHEMA
    software: Software
    clip: ClipPart
    capture: CapturePart
    reps: list[Rep]
    measures: dict[str, TwoSided | OneValue]
    patterns: list[Pattern]
    cautions: list[str]
    summary: str = ""
    sheet: Sheet = Sheet()
    fit: Fit | None = None
    curves: dict[str, CurvePair] = {}
    keyframes: list[KeyFrame] = []

    model_config = ConfigDict(extra="forbid", populate_by_name=True, allow_inf_nan=False)

    def to_json(self) -> str:
        """One UTF-8 JSON document, keys in contract order."""
        return json.dumps(self.model_dump(mode="json", by_alias=True), ensure_ascii=False, indent=1)


def read_document(path: Path) -> ScreenDocument:
    """Read a result document. DocumentError names every fault with its place in the file."""
    try:
        raw: Any = json.loads(Path(path).read_text(encoding="utf-8"))
        return ScreenDocument.model_validate(raw)
    except OSError as exc:
        raise DocumentError(
            f"{path}: expected a result document, could not read it ({exc.strerror})"
        ) from exc
    except (ValueError, RecursionError) as exc:
        raise DocumentError(f"{path}: expected a result document ({SCHEMA}); {_faults(exc)}") from exc


def _faults(exc: ValueError | RecursionError) -> str:
    if isinstance(exc, ValidationError):
        lines = [f"{'.'.join(map(str, e['loc'])) or 'document'}: {e['msg']}" for e in exc.errors()[:8]]
        return "; ".join(lines)
    return str(exc)
