"""Invented screens of known truth for tests: no solving, only numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from asymscreen.scoring.measures import Measured
from asymscreen.scoring.noise import ClipContext
from asymscreen.validation.cases import Case, Solved
from asymscreen.validation.figures import Pairing
from asymscreen.validation.truth import Truth


def truth(measures: Mapping[str, Any] | None = None, **more: Any) -> Truth:
    """A truth file with a tuck of 60 deg on both sides unless told otherwise."""
    known = {"tuck_bottom": {"left": 60.0, "right": 60.0}} if measures is None else measures
    whole = {"schema": "asymscreen.truth/1", "image_size": [1280, 720], "measures": known, **more}
    return Truth.model_validate(whole)


def solved(tuck: float = 0.0, tilt: float = 0.0, fit_sd: float = 0.5, elevation: float = 42.0) -> Solved:
    """A solved screen of two reps with this tuck difference and bar tilt, degrees."""
    sides = np.array([[60 + tuck / 2, 60 - tuck / 2]] * 2)
    readings = {
        "tuck_bottom": Measured("tuck_bottom", "deg", sides, fit_sd, fit_sd),
        "bar_tilt_bottom": Measured("bar_tilt_bottom", "deg", np.full((2, 1), tilt), 0.1, 0.1),
    }
    context = ClipContext("foot-end", elevation, 720, refined=True, px_per_m=400.0)
    return Solved(readings, context, (1, 2), (1.5, 4.5), 1.0, 2.2)


def pairing(error: float, true: float = 0.0, half: float = 3.0, call: str = "even", **about: Any) -> Pairing:
    """A tuck difference that is off by `error`; `about` goes into the truth file."""
    case = Case(about.pop("name", "a"), truth(**about), solved())
    value = true + error
    return Pairing(
        case, "tuck_bottom", "deg", value, value - half, value + half, 1.2 * half, call, true, None, None
    )
