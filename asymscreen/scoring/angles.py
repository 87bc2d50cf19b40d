"""Angles of the press from points in the lifter frame: X to the lifter's left, Y towards the head, Z up.

Every function takes arrays of points (..., 3) in any length unit, broadcasts them, and gives degrees (...).
A missing point (NaN) or a segment without length gives NaN, never a warning.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
Side = Literal["left", "right"]


def included_angle(a: ArrayLike, b: ArrayLike, c: ArrayLike) -> FloatArray:
    """Angle at `b` between the lines to `a` and to `c`, 0 to 180 degrees, (...) from points (..., 3).

    By arctangent of cross and dot product, exact near 0 and 180 where the arccosine is not.
    """
    u, v = _segment(b, a), _segment(b, c)
    x = u[..., 1] * v[..., 2] - u[..., 2] * v[..., 1]
    y = u[..., 2] * v[..., 0] - u[..., 0] * v[..., 2]
    z = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    dot = (u * v).sum(axis=-1)
    return np.asarray(np.degrees(np.arctan2(np.sqrt(x * x + y * y + z * z), dot)))


def flexion(shoulder: ArrayLike, elbow: ArrayLike, wrist: ArrayLike) -> FloatArray:
    """Elbow flexion, degrees: 0 = straight, rising as the elbow bends (ISB, Wu et al. 2005)."""
    return np.asarray(180.0 - included_angle(shoulder, elbow, wrist))


def tuck(shoulder: ArrayLike, elbow: ArrayLike, hip: ArrayLike) -> FloatArray:
    """Upper arm against trunk (same-side shoulder to hip), degrees: small = tucked, 90 = flared square."""
    return included_angle(elbow, shoulder, hip)


def line_tilt(left: ArrayLike, right: ArrayLike) -> FloatArray:
    """Angle of the line from a left to a right point to the horizontal, degrees; positive = left lower."""
    d = _segment(left, right)
    return np.asarray(np.degrees(np.arctan2(d[..., 2], np.hypot(d[..., 0], d[..., 1]))))


def forearm_lean(elbow: ArrayLike, wrist: ArrayLike, side: Side) -> FloatArray:
    """Forearm to the vertical in the frontal plane (X, Z), degrees; positive = wrist outside the elbow."""
    d = _segment(elbow, wrist)
    outward = d[..., 0] if side == "left" else 0.0 - d[..., 0]
    flat = (d[..., 0] == 0) & (d[..., 2] == 0)
    return np.asarray(np.degrees(np.arctan2(outward, np.where(flat, np.nan, d[..., 2]))))


def _segment(start: ArrayLike, end: ArrayLike) -> FloatArray:
    """Vector (..., 3) from start to end; NaN throughout where it has no length or a point is missing."""
    d = np.asarray(end, dtype=np.float64) - np.asarray(start, dtype=np.float64)
    length = np.abs(d).max(axis=-1, keepdims=True)
    return np.where(length > 0, d, np.nan)
