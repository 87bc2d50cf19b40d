"""Plain-loop twins of the validation's figures: slow, obvious, and written without looking at the arrays."""

from __future__ import annotations

import math
from collections.abc import Sequence


def error_figures(values: Sequence[float], truths: Sequence[float]) -> dict[str, float]:
    """Bias, mean absolute error, SD of the error and the 95 % limits, one number after the other."""
    n = len(values)
    errors = [v - t for v, t in zip(values, truths, strict=True)]
    bias = sum(errors) / n
    sd = math.sqrt(sum((e - bias) ** 2 for e in errors) / (n - 1))
    return {
        "bias": bias,
        "mean_absolute_error": sum(abs(e) for e in errors) / n,
        "sem": sd,
        "low": bias - 1.959963984540054 * sd,
        "high": bias + 1.959963984540054 * sd,
    }


def within_sd(groups: Sequence[Sequence[float]]) -> float:
    """Root of the mean square within groups."""
    total, df = 0.0, 0
    for group in groups:
        mean = sum(group) / len(group)
        for value in group:
            total += (value - mean) ** 2
        df += len(group) - 1
    return math.sqrt(total / df)


def reset(stated: Sequence[tuple[float, float, float]], cover: float = 0.95) -> float:
    """The smallest re-set, on a fine grid, that leaves at most the allowed number of pairs beyond."""
    allowed = len(stated) - min(math.ceil((len(stated) + 1) * cover), len(stated))
    step, value = 0.0005, 0.0
    while sum(d * d > a * a + b * b + value * value + 1e-12 for d, a, b in stated) > allowed:
        value += step
    return value


def binned(values: Sequence[float], ends: Sequence[float]) -> list[int]:
    """How many values lie in each bin, lower end included."""
    counts = [0] * (len(ends) - 1)
    for value in values:
        for k in range(len(counts)):
            if ends[k] <= value < ends[k + 1]:
                counts[k] += 1
    return counts
