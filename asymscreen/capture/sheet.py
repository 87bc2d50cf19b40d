"""The capture sheet: what the person who filmed tells us. Every field may be unknown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from asymscreen.errors import UsageError

View = Literal["foot-end", "head-end", "overhead", "side"]
GRIP_LENGTH = 120  # letters; a sentence
VIEWS: tuple[View, ...] = ("foot-end", "head-end", "overhead", "side")


@dataclass(frozen=True)
class Capture:
    """Answers of the capture sheet; None or the default means "not said".

    view              where the phone stood
    camera_height_m   height of the lens over the floor, metres
    camera_distance_m floor distance from the lens to the hips, metres
    mirrored          the clip is stored mirrored (a front-camera clip)
    load_kg, one_rep_max_kg, lifter   noted in the document
    grip              where the hands were, in the coach's words ("ring finger on the ring"); noted too
    level_marks       two points (x, y) in pixels that a person marked on something level, or None
    roll_deg          camera roll that the person states (recorded gravity), positive = picture turned
                      clockwise
    """

    view: View | None = None
    camera_height_m: float | None = None
    camera_distance_m: float | None = None
    mirrored: bool = False
    load_kg: float | None = None
    one_rep_max_kg: float | None = None
    lifter: str | None = None
    level_marks: tuple[tuple[float, float], tuple[float, float]] | None = None
    roll_deg: float | None = None
    grip: str | None = None

    def __post_init__(self) -> None:
        if self.view is not None and self.view not in VIEWS:
            raise UsageError(
                f"view: expected one of {', '.join(VIEWS)}, got {self.view!r}; leave it out if unsure"
            )
        if self.grip is not None and not 0 < len(self.grip.strip()) <= GRIP_LENGTH:
            raise UsageError(
                f"grip: expected a few words of at most {GRIP_LENGTH} letters, "
                f"got {self.grip[:40]!r}; leave it out if unsure"
            )
        limits = {
            "camera_height_m": (0.2, 4.0), "camera_distance_m": (0.0, 8.0),
            "load_kg": (0.0, 600.0), "one_rep_max_kg": (1.0, 600.0), "roll_deg": (-45.0, 45.0),
        }  # fmt: skip
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise UsageError(f"{name}: expected {low:g} to {high:g}, got {value:g}; check the unit")
