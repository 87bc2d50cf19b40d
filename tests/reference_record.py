"""Plain-loop twins of the record's numbers."""

from __future__ import annotations

import math


def needed(floors: tuple[float, float], reset: float) -> float:
    """Two noise floors and the camera's re-set in quadrature."""
    total = 0.0
    for part in (*floors, reset):
        total += part * part
    return math.sqrt(total)


def normal_quantile(p: float) -> float:
    """Normal quantile by bisection of the error function."""
    low, high = -10.0, 10.0
    for _ in range(200):
        middle = (low + high) / 2
        if 0.5 * (1 + math.erf(middle / math.sqrt(2))) < p:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def holm_rejects(p_values: list[float], alpha: float = 0.05) -> list[bool]:
    """Holm 1979: reject from the smallest p up while p(k) <= alpha / (m - k)."""
    m = len(p_values)
    order = sorted(range(m), key=lambda i: p_values[i])
    rejected = [False] * m
    for k, i in enumerate(order):
        if p_values[i] >= alpha / (m - k):
            break
        rejected[i] = True
    return rejected


def two_sided_p(change: float, alone: float) -> float:
    """p of a change whose 95 % limit is `alone`."""
    z = abs(change) / (alone / normal_quantile(0.975))
    return math.erfc(z / math.sqrt(2))


def align(mean: list[float | None], bottom: float, to: float) -> list[float | None]:
    """Piecewise linear re-timing, point by point."""
    out: list[float | None] = []
    for percent in range(101):
        source = (
            percent * bottom / to if percent <= to else bottom + (percent - to) * (100 - bottom) / (100 - to)
        )
        place = source / 100 * (len(mean) - 1)
        below = min(math.floor(place + 1e-12), len(mean) - 1)
        above = min(below + 1, len(mean) - 1)
        share = place - below
        a, b = mean[below], mean[above]
        if a is None or (b is None and share > 1e-9):
            out.append(None)
        else:
            out.append(a if share <= 1e-9 or b is None else a + share * (b - a))
    return out
