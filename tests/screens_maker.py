"""Invented screens with known truth and known, heavy-tailed, correlated errors: numbers only, no picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asymscreen.scoring.calibration import ValidationRow
from asymscreen.scoring.noise import ClipContext

NAMES = {
    "tuck_bottom": ("deg", 2, 2.0),
    "tuck_mid_ascent": ("deg", 2, 2.4),
    "elbow_flexion_bottom": ("deg", 2, 2.0),
    "elbow_flexion_lockout": ("deg", 2, 2.6),
    "forearm_lean_bottom": ("deg", 2, 1.8),
    "shoulder_height_bottom": ("mm", 2, 8.0),
    "lockout_time": ("s", 2, 0.04),
    "bar_tilt_bottom": ("deg", 1, 0.45),
    "bar_tilt_mid_ascent": ("deg", 1, 0.5),
    "bar_tilt_lockout": ("deg", 1, 0.5),
    "shoulder_line_bottom": ("deg", 1, 1.6),
    "bar_shift_bottom": ("mm", 1, 9.0),
}
"""Unit, sides and SD of the shared error of the twelve measures."""


@dataclass(frozen=True)
class Numbers:
    """A reading without a solver behind it."""

    name: str
    unit: str
    sides: np.ndarray
    fit_sd: float


def reading(name: str, d: object, fit_sd: float = 0.3, middle: float = 55.0) -> Numbers:
    """A reading whose reps differ by `d` (k,), left minus right, about `middle`."""
    unit, sides, _ = NAMES[name]
    d = np.atleast_1d(np.asarray(d, dtype=float))
    both = d[:, None] if sides == 1 else np.stack([middle + d / 2, middle - d / 2], axis=1)
    return Numbers(name, unit, both, fit_sd)


def shared_errors(rng: np.random.Generator, n: int, df: float = 4.0, alike: float = 0.6) -> np.ndarray:
    """(n, 12) Student t errors of unit SD: one common part a clip, tilts and tucks alike among themselves."""
    group = np.array([0, 0, 1, 1, 2, 3, 4, 5, 5, 5, 3, 6])
    common = rng.normal(size=(n, 7))[:, group]
    own = rng.normal(size=(n, 12))
    z = np.sqrt(alike) * common + np.sqrt(1 - alike) * own
    tail = np.sqrt(rng.chisquare(df, (n, 1)) / df)
    return z / tail * np.sqrt((df - 2) / df)


def screens(
    seed: int, n: int, *, true_sd: float = 4.0, df: float = 4.0, lean: float = 1.0, view: str = "foot-end"
) -> list[ValidationRow]:
    """Rows of n screens, twelve measures each. Truth spreads by `true_sd` error SDs; estimates lean even."""
    rng = np.random.default_rng(seed)
    errors = shared_errors(rng, n, df)
    rows = []
    for i in range(n):
        elevation = rng.uniform(20, 60)
        size = int(rng.choice([480, 720, 1080]))
        context = ClipContext(view, float(elevation), size, bool(rng.random() < 0.7))
        hard = 1 + ((elevation - 45) / 30) ** 2
        hard *= (1.3 if size == 480 else 1.0) * (1.0 if context.refined else 1.5)
        for k, (name, (_, sides, sd)) in enumerate(NAMES.items()):
            reps = int(rng.integers(1, 5))
            fit = sd * rng.uniform(0.2, 1.0)
            truth = sd * true_sd * rng.normal()
            clip_error = sd * hard * errors[i, k] + 1.4 * fit * rng.normal()
            d = (truth + clip_error + 0.4 * sd * rng.normal(size=reps)) / lean
            middle = rng.normal(55, 10)
            side_truth = None if sides == 1 else (middle + truth / 2, middle - truth / 2)
            rows.append(
                ValidationRow(f"{view}-{i}", context, reading(name, d, fit, middle + 3.0), truth, side_truth)
            )
    return rows
