"""Plain-loop twins of the desk's numbers."""

from __future__ import annotations

import math

Row = list[list[float]]


def dragged(
    times: list[float], points: list[Row], column: int, frame: int, to: list[float], reach: float
) -> list[Row]:
    """Points (frames, landmarks, 2) after a drag: the shift fades linearly with the time from `frame`."""
    shift = [to[axis] - points[frame][column][axis] for axis in (0, 1)]
    out = [[list(point) for point in row] for row in points]
    for k, row in enumerate(out):
        away = abs(times[k] - times[frame])
        weight = 1.0 - away / reach if away < reach else 0.0
        for axis in (0, 1):
            row[column][axis] += weight * shift[axis]
    return out


def mirrored(names: list[str], points: list[Row], width: int) -> list[Row]:
    """The same points of the picture turned left for right, under the names of the other side."""
    out = []
    for row in points:
        turned = []
        for name in names:
            other = name.replace("left", "right") if "left" in name else name.replace("right", "left")
            source = row[names.index(other)] if other in names else row[names.index(name)]
            turned.append([width - 1 - source[0], source[1]])
        out.append(turned)
    return out


def between(times: list[float], values: list[float], at: float) -> float:
    """The value at a time on the line through its known neighbours; the end's beyond the ends."""
    known = [(t, v) for t, v in zip(times, values, strict=True) if not math.isnan(v)]
    before = [(t, v) for t, v in known if t <= at]
    after = [(t, v) for t, v in known if t >= at]
    if not before or not after:
        return known[0][1] if not before else known[-1][1]
    (t0, v0), (t1, v1) = before[-1], after[0]
    return v0 if t1 == t0 else v0 + (at - t0) / (t1 - t0) * (v1 - v0)


def filled(times: list[float], rough: list[float], fine: list[float], gap: float) -> list[float]:
    """`fine` where it is known; elsewhere `rough` moved by what `fine` differs from it around that time."""
    lines = [between(times, rough, t) for t in times]
    moves = [f - line if not math.isnan(f) else math.nan for f, line in zip(fine, lines, strict=True)]
    seen = [t for t, value in zip(times, rough, strict=True) if not math.isnan(value)]
    out = []
    for k, t in enumerate(times):
        if not math.isnan(fine[k]):
            out.append(fine[k])
        elif min(abs(t - s) for s in seen) > gap:
            out.append(math.nan)
        else:
            out.append(lines[k] + between(times, moves, t))
    return out
