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


def filled(times: list[float], rough: list[float], fine: list[float]) -> list[float]:
    """`fine` where it is known; elsewhere `rough` moved by what its known neighbours were moved by."""
    known = [k for k, value in enumerate(fine) if not math.isnan(value)]
    out = []
    for k, value in enumerate(rough):
        before = [j for j in known if j <= k]
        after = [j for j in known if j >= k]
        if not before or not after:
            j = (before or after)[-1 if before else 0]
            out.append(value + fine[j] - rough[j])
            continue
        a, b = before[-1], after[0]
        share = 0.0 if a == b else (times[k] - times[a]) / (times[b] - times[a])
        moved = (1 - share) * (fine[a] - rough[a]) + share * (fine[b] - rough[b])
        out.append(value + moved)
    return out
