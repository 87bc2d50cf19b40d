"""Plain-loop twins of the scoring functions: one number at a time, by the textbook formula, no arrays."""

from __future__ import annotations

import math
from collections.abc import Sequence

Vector = Sequence[float]


def included_angle_loop(a: Vector, b: Vector, c: Vector) -> float:
    """Law of cosines on the three sides of the triangle; less exact near 0 and 180 than the package's way."""
    p, q, r = math.dist(a, b), math.dist(b, c), math.dist(a, c)
    cosine = (p * p + q * q - r * r) / (2 * p * q)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def line_tilt_loop(left: Vector, right: Vector) -> float:
    """Rise over length, by the arcsine."""
    return math.degrees(math.asin((right[2] - left[2]) / math.dist(left, right)))


def forearm_lean_loop(elbow: Vector, wrist: Vector, side: str) -> float:
    """Complex argument of the forearm in the frontal plane, turned so that up is 0."""
    outward = (wrist[0] - elbow[0]) * (1 if side == "left" else -1)
    up = wrist[2] - elbow[2]
    length = math.hypot(outward, up)
    lean = math.degrees(math.acos(max(-1.0, min(1.0, up / length))))
    return lean if outward >= 0 else -lean
