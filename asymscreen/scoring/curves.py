"""Curves of a solved press over the cycle: 0 % the start of a rep, 100 % its end, every rep and their
mean."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from asymscreen.document import Curve, CurvePair
from asymscreen.motion.press import Press
from asymscreen.motion.reps import RepSpan
from asymscreen.scoring.angles import flexion, line_tilt, tuck

FloatArray = NDArray[np.float64]

POINTS = 101  # 0 to 100 % of the cycle
DECIMALS = 2  # digits kept in the document


def cycle_curves(press: Press, reps: Sequence[RepSpan]) -> dict[str, CurvePair]:
    """Elbow flexion and tuck of each side and bar tilt, degrees, on 101 points; complete reps only, if there
    are any."""
    chosen = [(k, rep) for k, rep in enumerate(reps) if rep.complete] or list(enumerate(reps))
    joints = [press.joints(k, np.linspace(rep.start_s, rep.end_s, POINTS)) for k, rep in chosen]
    bottom = float(np.mean([(r.bottom_s - r.start_s) / (r.end_s - r.start_s) for _, r in chosen]) * 100)

    def of(values: list[FloatArray]) -> Curve:
        stack = np.stack(values)
        sd = stack.std(axis=0, ddof=1) if len(stack) > 1 else np.zeros(POINTS)
        return Curve(
            mean=_rounded(stack.mean(axis=0)), sd=_rounded(sd), reps=[_rounded(row) for row in stack]
        )

    def pair(j: FloatArray, s: int, kind: str) -> FloatArray:
        if kind == "elbow_flexion":
            return flexion(j[:, s], j[:, 2 + s], j[:, 4 + s])
        return tuck(j[:, s], j[:, 2 + s], j[:, 6 + s])

    curves = {
        kind: CurvePair(
            unit="deg",
            bottom_percent=round(bottom, 1),
            left=of([pair(j, 0, kind) for j in joints]),
            right=of([pair(j, 1, kind) for j in joints]),
        )
        for kind in ("elbow_flexion", "tuck")
    }
    tilt = of([line_tilt(j[:, 4], j[:, 5]) for j in joints])
    return curves | {"bar_tilt": CurvePair(unit="deg", bottom_percent=round(bottom, 1), value=tilt)}


def _rounded(values: FloatArray) -> list[float | None]:
    return [float(v) if np.isfinite(v) else None for v in np.round(values, DECIMALS)]
