"""How far off a measure of this clip may be: the error model, the interval and the noise floor.

The error of a clip's difference has three parts:

* what differs from frame to frame and rep to rep: the larger of the fit's own standard error (times a
  measured factor) and the spread between reps over sqrt(k). Few reps say little about their spread, so it is
  pooled with the usual spread of the measure, as in moderated variances (Smyth 2004, Stat Appl Genet Mol Biol
  3:3);
* what all reps of a clip share, and no number of reps takes away: where the camera was thought to be, and the
  habit of landmarks to lean towards the even pose. Its size by view, elevation and picture size is measured
  on lifters with known truth and lies in `error_model.json`. It grows off the middle of the bench;
* what grows with the difference itself: a lifter held to be longer in the arm than he is has all differences
  too small. It widens the interval of a difference but not the noise floor, which asks what an even lifter
  would show.

The sum has heavy tails: intervals use Student's t. No standard error is smaller than what landmark noise
through plain geometry leaves (`geometric_sd`).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from asymscreen.errors import SettingsError
from asymscreen.scoring.statistics import t_quantile

FloatArray = NDArray[np.float64]
MODEL_SCHEMA = "asymscreen.error-model/1"

LANDMARK_PX = 3.0
"""Random error of one landmark in one frame, pixels (median of rendered lifters)."""
LOOKS_PER_REP = 6.0
"""Independent looks at one event of one rep: about 0.3 s of frames, neighbours alike."""
PX_PER_M_OF_SHORT_SIDE = 0.6
"""Pixels a metre at the chest over the short side in pixels, where the solver gave none: 2 m, phone lens."""
OUTSIDE_GROWTH_DEG = 20.0
"""Outside the elevations that were validated the shared error doubles every this many degrees (linear)."""

LEAST_LEFT = 0.04
"""Keeps the noise floor finite where nearly all of a difference could be its own error."""


class Reading(Protocol):
    """What a measure must offer: see `scoring.measures.Measured`."""

    @property
    def name(self) -> str: ...
    @property
    def unit(self) -> Literal["deg", "mm", "s"]: ...
    @property
    def sides(self) -> FloatArray: ...
    @property
    def fit_sd(self) -> float: ...


@dataclass(frozen=True)
class ClipContext:
    """What the error of a clip depends on.

    view           "foot-end", "head-end", "overhead" or "side"
    elevation_deg  of the lens over the chest, 0 level, 90 overhead
    short_side_px  shorter side of the picture
    refined        landmarks were refined on the picture
    px_per_m       pixels a metre at the chest, or None where unknown
    fps            frames a second
    landmark_px    random error of one landmark in one frame, pixels
    looks_per_rep  independent looks at one event of a rep
    off_middle_deg of the lens from the bench's middle line, 0 to 90
    """

    view: str
    elevation_deg: float
    short_side_px: int
    refined: bool = False
    px_per_m: float | None = None
    fps: float = 30.0
    landmark_px: float = LANDMARK_PX
    looks_per_rep: float = LOOKS_PER_REP
    off_middle_deg: float = 0.0


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class MeasureError(_Part):
    """Error of one measure in one view; SDs in the measure's unit, of the difference (or of the one value).

    bias        of the difference: 0 by left-right fairness
    side_bias   of each side's own value, the same on both: one for all elevations, or one for each of these
    slope       truth over estimate: above 1 where landmarks lean towards the even pose
    elevation_deg, sd          SD of the shared error at these elevations, 720 px, refined landmarks
    short_side_px, resolution  factors of that SD at these picture sizes
    off_middle_deg, azimuth    factors of that SD at these angles off the bench's middle line
    unrefined   factor of that SD without refined landmarks
    share       SD of what grows with the difference, as a share of it
    fit_scale   factor of the fit's standard error
    rep_sd, rep_df   usual SD between reps, and how many degrees of freedom this knowledge is worth
    df          degrees of freedom of the whole error (tails)
    scale       factor of the whole, so that 95 % intervals hold the truth in 95 of 100 screens
    rows        screens behind it; 0 = set by hand
    """

    bias: float = 0.0
    side_bias: tuple[float, ...] = (0.0,)
    slope: float = Field(default=1.0, gt=0)
    elevation_deg: tuple[float, ...] = Field(min_length=1)
    sd: tuple[float, ...] = Field(min_length=1)
    short_side_px: tuple[float, ...] = (480.0, 720.0, 1080.0)
    resolution: tuple[float, ...] = (1.2, 1.0, 1.0)
    off_middle_deg: tuple[float, ...] = (0.0, 90.0)
    azimuth: tuple[float, ...] = (1.0, 1.0)
    unrefined: float = Field(default=1.3, gt=0)
    share: float = Field(default=0.0, ge=0, lt=0.4)
    fit_scale: float = Field(default=1.0, gt=0)
    rep_sd: float = Field(gt=0)
    rep_df: float = Field(gt=0)
    df: float = Field(gt=2)
    scale: float = Field(default=1.0, gt=0)
    rows: int = Field(default=0, ge=0)

    @model_validator(mode="after")
    def _knots(self) -> MeasureError:
        for at, value in (
            (self.elevation_deg, self.sd),
            (self.short_side_px, self.resolution),
            (self.off_middle_deg, self.azimuth),
        ):
            if len(at) != len(value) or list(at) != sorted(set(at)) or min(value) <= 0:
                raise ValueError(f"expected rising knots with one positive value each, got {at} and {value}")
        if len(self.side_bias) not in (1, len(self.elevation_deg)):
            raise ValueError(f"side_bias: expected one number, or one an elevation, got {self.side_bias}")
        return self

    @field_validator("side_bias", mode="before")
    @classmethod
    def _one_for_all(cls, value: object) -> object:
        return (value,) if isinstance(value, int | float) else value


class ErrorModel(_Part):
    """The shipped error model: view, then measure. `family_scale` sets calls so that false ones stay rare."""

    schema_: str = Field(alias="schema", pattern="^asymscreen\\.error-model/1$")
    version: str
    provisional: bool
    command: str
    family_scale: float = Field(default=1.0, gt=0)
    views: dict[str, dict[str, MeasureError]]

    def find(self, view: str, measure: str) -> MeasureError | None:
        """Error of a measure in a view; None where it was never validated."""
        return self.views.get(view, {}).get(measure)


@dataclass(frozen=True)
class Spread:
    """A clip's measure, corrected, with the scale and the degrees of freedom of its error (Student's t).

    sd     scale of the error had there been no difference
    share  of the difference that is added to it (as variances add)
    """

    value: float
    sd: float
    df: float
    share: float = 0.0

    @property
    def whole_sd(self) -> float:
        """Scale of the error of this difference."""
        return float(np.hypot(self.sd, self.share * self.value))

    def half_width(self, alpha: float = 0.05) -> float:
        """Half of the two-sided 1 - alpha interval."""
        return t_quantile(1 - alpha / 2, self.df) * self.whole_sd

    @property
    def sharpness(self) -> float:
        """Half of the 95 % interval had there been no difference: how much this clip can show."""
        return t_quantile(0.975, self.df) * self.sd


def load_error_model(path: Path | None = None) -> ErrorModel:
    """The error model of a file, or the one that the package ships. SettingsError names every fault."""
    source = path or Path(__file__).with_name("error_model.json")
    try:
        return ErrorModel.model_validate(json.loads(source.read_text(encoding="utf-8")))
    except OSError as exc:
        raise SettingsError(
            f"{source.name}: expected an error model, could not read it ({exc.strerror})"
        ) from exc
    except ValidationError as exc:
        faults = "; ".join(f"{'.'.join(map(str, e['loc'])) or 'file'}: {e['msg']}" for e in exc.errors()[:8])
        raise SettingsError(f"{source.name}: expected an error model ({MODEL_SCHEMA}); {faults}") from exc
    except ValueError as exc:
        raise SettingsError(f"{source.name}: expected an error model ({MODEL_SCHEMA}); {exc}") from exc


# ---- plain geometry


def joint_angle_noise_deg(px: float, first: float, second: float, angle_deg: float = 90.0) -> float:
    """SD in degrees of the angle between two picture segments of these lengths (px) that share a landmark.

    Every landmark is off by `px` in each direction, independently; small errors. 3 px, 150 and 130 px at
    90 deg: 2.474.
    """
    a, b, cosine = 1 / first, 1 / second, np.cos(np.radians(angle_deg))
    return float(np.degrees(px * np.sqrt(2 * a * a + 2 * b * b - 2 * a * b * cosine)))


def line_noise_deg(px: float, length: float) -> float:
    """SD in degrees of the direction of a picture line (px long) between two landmarks. 3, 120 px: 2.03."""
    return float(np.degrees(px * np.sqrt(2) / length))


ELBOW = (0.29, 0.25)
"""Upper arm and forearm, metres: 0.186 and 0.146 of stature (Drillis & Contini 1966), 1.7 m, rounded down."""
ARMPIT = (0.29, 0.50)
"""Upper arm and shoulder to hip, metres."""
LINES = {"bar_tilt": 0.70, "shoulder_line": 0.36, "forearm_lean": 0.25}
"""Grip, shoulder width and forearm, metres: the lines whose direction is measured."""


def geometric_sd(name: str, context: ClipContext, reps: int) -> float:
    """Smallest SD that landmark noise leaves to a measure's difference (or value), in the measure's unit."""
    looks = np.sqrt(context.looks_per_rep * max(reps, 1))
    scale = context.px_per_m or PX_PER_M_OF_SHORT_SIDE * context.short_side_px
    px = context.landmark_px / looks
    if name == "lockout_time":
        return float(np.sqrt(2 / 12) / context.fps / np.sqrt(max(reps, 1)))
    if name == "bar_shift_bottom":
        return float(1000 * px / scale)
    if name == "shoulder_height_bottom":
        return float(1000 * np.sqrt(2) * px / scale)
    for kind, length in LINES.items():
        if name.startswith(kind):
            both_sides = np.sqrt(2) if kind == "forearm_lean" else 1.0
            return float(both_sides * line_noise_deg(px, length * scale))
    first, second = ARMPIT if name.startswith("tuck") else ELBOW
    return float(np.sqrt(2) * joint_angle_noise_deg(px, first * scale, second * scale))


# ---- the clip's own error


def differences(reading: Reading) -> FloatArray:
    """Left minus right of every rep that has both (or the one value), (k,)."""
    d = reading.sides[:, 0] - reading.sides[:, 1] if reading.sides.shape[1] == 2 else reading.sides[:, 0]
    return d[np.isfinite(d)]


def shared_sd(error: MeasureError, context: ClipContext) -> float:
    """SD of what all reps of a clip share, by elevation, picture size and refinement."""
    at = error.elevation_deg
    sd = float(np.interp(context.elevation_deg, at, error.sd))
    beyond = max(at[0] - context.elevation_deg, context.elevation_deg - at[-1], 0.0)
    sizes = np.log(error.short_side_px)
    sd *= float(np.interp(np.log(context.short_side_px), sizes, error.resolution))
    sd *= max(error.short_side_px[0] / context.short_side_px, 1.0)
    sd *= float(np.interp(context.off_middle_deg, error.off_middle_deg, error.azimuth))
    return sd * (1 + beyond / OUTSIDE_GROWTH_DEG) * (1.0 if context.refined else error.unrefined)


def rep_error(d: FloatArray, error: MeasureError) -> tuple[float, float]:
    """(standard error of the mean of reps `d` (k,), its degrees of freedom), pooled with the usual spread."""
    own = float(((d - d.mean()) ** 2).sum())
    df = error.rep_df + len(d) - 1
    variance = (error.rep_df * error.rep_sd**2 + own) / df
    return float(np.sqrt(variance / len(d))), df


def spread(reading: Reading, error: MeasureError, context: ClipContext) -> Spread | None:
    """The corrected value of a measure with its error; None where no rep has it or the fit gave no error."""
    d = error.slope * differences(reading) - error.bias
    if not len(d) or not np.isfinite(reading.fit_sd):
        return None
    between, between_df = rep_error(d, error)
    fit = error.fit_scale * reading.fit_sd
    own = max(fit, between)
    sd = float(np.hypot(own, shared_sd(error, context)))
    df = error.df if fit >= between else min(error.df, between_df * (sd / between) ** 4)
    floor = geometric_sd(reading.name, context, len(d))
    share = error.scale * error.share
    return Spread(float(d.mean()), max(error.scale * sd, floor), float(df), share)


def interval(found: Spread, alpha: float = 0.05) -> tuple[float, float]:
    """Two-sided 1 - alpha interval of the corrected value."""
    half = found.half_width(alpha)
    return found.value - half, found.value + half


def noise_floor(found: Spread, alpha: float = 0.05, family_scale: float = 1.0) -> float:
    """Smallest difference that can be told from even at level alpha, whose own 95 % interval leaves 0 out."""
    left = (
        1 - (t_quantile(0.975, found.df) * found.share) ** 2
    )  # of a difference's square, less what its size adds to the error
    clear = found.sharpness / np.sqrt(max(left, LEAST_LEFT))
    return float(max(family_scale * t_quantile(1 - alpha / 2, found.df) * found.sd, clear))


def corrected_sides(sides: FloatArray, error: MeasureError, elevation_deg: float) -> FloatArray:
    """(R, 2) or (R, 1), corrected: mean of both sides less its bias, difference times slope."""
    if sides.shape[1] == 1:
        return np.asarray(error.slope * sides - error.bias)
    knots = error.elevation_deg if len(error.side_bias) > 1 else (0.0,)
    middle = sides.mean(axis=1) - float(np.interp(elevation_deg, knots, error.side_bias))
    half = (error.slope * (sides[:, 0] - sides[:, 1]) - error.bias) / 2
    return np.stack([middle + half, middle - half], axis=1)
