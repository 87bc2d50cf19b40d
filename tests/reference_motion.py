"""Plain-loop twins of the track arithmetic: one sample at a time, from the printed recipes and not from the
code."""

from __future__ import annotations

import math
from collections.abc import Sequence

Point = tuple[float, float] | None


def lowpass_loop(x: Sequence[float], fs: float, fc: float) -> list[float]:
    """Second-order Butterworth, forth and back, by the coefficients printed in Winter, Biomechanics and
    Motor Control of Human Movement, 4th ed., p. 69-70. The ends are continued by three cut-off periods,
    turned about the end point, and the filter starts as if the first sample had always been there.
    """
    warped = math.tan(math.pi * fc / fs) / (math.sqrt(2.0) - 1.0) ** 0.25
    k1, k2 = math.sqrt(2.0) * warped, warped * warped
    a0 = k2 / (1 + k1 + k2)
    k3 = 2 * a0 / k2
    b1, b2 = -2 * a0 + k3, 1 - 2 * a0 - k3
    pad = min(3 * math.ceil(fs / fc), len(x) - 1)
    series = [2 * x[0] - x[i] for i in range(pad, 0, -1)] + list(x)
    series += [2 * x[-1] - x[len(x) - 1 - i] for i in range(1, pad + 1)]
    for _ in range(2):
        out: list[float] = []
        x1 = x2 = y1 = y2 = series[0]
        for value in series:
            y = a0 * (value + 2 * x1 + x2) + b1 * y1 + b2 * y2
            out.append(y)
            x1, x2, y1, y2 = value, x1, y, y1
        series = out[::-1]
    return series[pad : pad + len(x)]


def cycle_loop(x: Sequence[float], points: int = 101) -> list[float]:
    """Linear reading at even places from the first to the last sample."""
    out = []
    for i in range(points):
        place = i * (len(x) - 1) / (points - 1)
        k = min(int(place), len(x) - 2)
        out.append(x[k] + (place - k) * (x[k + 1] - x[k]))
    return out


def fill_loop(times: Sequence[float], places: Sequence[Point], longest_s: float) -> list[Point]:
    """Points on the straight line between two seen ones that are at most `longest_s` apart."""
    out = list(places)
    last: int | None = None
    for i, place in enumerate(places):
        if place is None:
            continue
        if last is not None and i > last + 1 and times[i] - times[last] <= longest_s:
            start = places[last]
            assert start is not None
            for j in range(last + 1, i):
                share = (times[j] - times[last]) / (times[i] - times[last])
                out[j] = tuple(a + share * (b - a) for a, b in zip(start, place, strict=True))  # type: ignore[assignment]
        last = i
    return out


def jumps_loop(
    times: Sequence[float],
    places: Sequence[tuple[float, float]],
    still_px: float,
    turn_px_s2: float,
    gap_s: float,
    rounds: int,
) -> list[bool]:
    """Places further from the line between their neighbours than `still_px` and half of `turn_px_s2` times
    both waiting times, unless a neighbour is further off its own line or further away in time than `gap_s`;
    taken out round by round."""
    kept = list(range(len(places)))
    for _ in range(rounds):
        off, limit = {}, {}
        for i in range(1, len(kept) - 1):
            (t0, p0), (t1, p1), (t2, p2) = ((times[kept[j]], places[kept[j]]) for j in (i - 1, i, i + 1))
            share = (t1 - t0) / (t2 - t0)
            line = [a + share * (b - a) for a, b in zip(p0, p2, strict=True)]
            off[i] = math.dist(p1, line)
            limit[i] = still_px + turn_px_s2 / 2 * (t1 - t0) * (t2 - t1)
            if max(t1 - t0, t2 - t1) > gap_s:
                limit[i] = math.inf
        out = [
            i for i in off if off[i] > limit[i] and off[i] >= max(off.get(i - 1, 0.0), off.get(i + 1, 0.0))
        ]
        if not out:
            break
        kept = [k for i, k in enumerate(kept) if i not in out]
    return [k not in kept for k in range(len(places))]


def sheared_loop(part: Sequence[Sequence[float]], x: Sequence[float], slope: float) -> list[float]:
    """For every row, the mean brightness along the line through it at x 0; nothing lies outside the strip."""
    out = []
    for row in range(len(part)):
        total = 0.0
        for column, place in enumerate(x):
            at = row + round(slope * place)
            total += part[at][column] if 0 <= at < len(part) else 0.0
        out.append(total / len(x))
    return out


def off_line_loop(arm: Sequence[Sequence[float]], fore_to_upper: float, far: float) -> tuple[float, float]:
    """Way from where the hand of a straight arm would be to the hand, `far` times nearer than it looks;
    `arm` is shoulder, elbow, wrist."""
    (sx, sy), (ex, ey), (wx, wy) = arm
    return (wx - ex) * far - fore_to_upper * (ex - sx), (wy - ey) * far - fore_to_upper * (ey - sy)


def nearest_loop(times: Sequence[float], wanted: Sequence[float]) -> list[int]:
    """For each wanted time the first of the times that lies nearest."""
    return [min(range(len(times)), key=lambda k: (abs(times[k] - at), k)) for at in wanted]
