"""Plain-loop twins of the scoring functions: one number at a time, by the textbook formula, no arrays."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

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


def mean_squares_loop(table: Sequence[Sequence[float]]) -> tuple[float, float, float, float]:
    """Between-subject, within-subject, trial and error mean squares, summed cell by cell."""
    n, k = len(table), len(table[0])
    grand = sum(sum(row) for row in table) / (n * k)
    rows = [sum(row) / k for row in table]
    columns = [sum(table[i][j] for i in range(n)) / n for j in range(k)]
    between = within = trials = error = 0.0
    for i in range(n):
        for j in range(k):
            between += (rows[i] - grand) ** 2
            within += (table[i][j] - rows[i]) ** 2
            trials += (columns[j] - grand) ** 2
            error += (table[i][j] - rows[i] - columns[j] + grand) ** 2
    return between / (n - 1), within / (n * (k - 1)), trials / (k - 1), error / ((n - 1) * (k - 1))


def icc_loop(table: Sequence[Sequence[float]], form: str) -> float:
    """The six formulas as printed in Shrout & Fleiss 1979."""
    n, k = len(table), len(table[0])
    b, w, j, e = mean_squares_loop(table)
    return {
        "1,1": lambda: (b - w) / (b + (k - 1) * w),
        "2,1": lambda: (b - e) / (b + (k - 1) * e + k * (j - e) / n),
        "3,1": lambda: (b - e) / (b + (k - 1) * e),
        "1,k": lambda: (b - w) / b,
        "2,k": lambda: (b - e) / (b + (j - e) / n),
        "3,k": lambda: (b - e) / b,
    }[form]()


def limits_loop(first: Sequence[float], second: Sequence[float]) -> tuple[float, float, float, float]:
    """Bias, SD, lower and upper 95 % limit of agreement."""
    d = [a - b for a, b in zip(first, second, strict=True)]
    bias = sum(d) / len(d)
    sd = math.sqrt(sum((x - bias) ** 2 for x in d) / (len(d) - 1))
    return bias, sd, bias - 1.959964 * sd, bias + 1.959964 * sd


def symmetry_angle_loop(left: float, right: float) -> float:
    """As printed in Zifchock et al. 2008: (45 - arctan(left / right)) / 90, minus 180 where it passes 90."""
    slope = math.degrees(math.atan(left / right))
    angle = 45 - slope
    if angle > 90:
        angle -= 180
    return angle / 90 * 100


def angle_noise_by_drawing(
    px: float, first: float, second: float, angle: float, draws: int = 200_000
) -> float:
    """SD of a drawn angle whose three landmarks are shaken, by brute force."""
    rng = np.random.default_rng(0)
    a = np.array([first, 0.0]) + rng.normal(0, px, (draws, 2))
    b = rng.normal(0, px, (draws, 2))
    c = second * np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    c = c + rng.normal(0, px, (draws, 2))
    u, v = a - b, c - b
    turn = np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(axis=1))
    return float(np.degrees(np.std(turn)))


def interpolate_loop(x: float, at: Sequence[float], values: Sequence[float]) -> float:
    """Straight lines between knots, held at the ends."""
    if x <= at[0]:
        return values[0]
    for k in range(1, len(at)):
        if x <= at[k]:
            share = (x - at[k - 1]) / (at[k] - at[k - 1])
            return values[k - 1] + share * (values[k] - values[k - 1])
    return values[-1]


def spread_loop(
    d: Sequence[float], fit_sd: float, error: dict[str, float], shared: float
) -> tuple[float, float]:
    """(value, SD) of a clip's measure from its reps' differences, one step at a time, no geometric floor."""
    d = [error["slope"] * x for x in d]
    k = len(d)
    mean = sum(d) / k
    own = sum((x - mean) ** 2 for x in d)
    between = math.sqrt(
        (error["rep_df"] * error["rep_sd"] ** 2 + own) / (error["rep_df"] + k - 1)
    ) / math.sqrt(k)
    larger = max(error["fit_scale"] * fit_sd, between)
    return mean, error["scale"] * math.sqrt(larger**2 + shared**2)


def holm_loop(p: dict[str, float], shares: dict[str, float], alpha: float = 0.05) -> set[str]:
    """Weighted Holm as printed: smallest p over share first, stop at the first that fails."""
    left, called = sorted(p, key=lambda n: p[n] / shares[n]), set()
    while left:
        name = left[0]
        if p[name] >= alpha * shares[name] / sum(shares[n] for n in left):
            break
        called.add(left.pop(0))
    return called
