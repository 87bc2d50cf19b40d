"""A long thin straight shaft in a strip of a picture: where its middle runs, from the edges along both sides.

Rows are counted downwards, columns along the strip; x is a column's place from the strip's middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Strip = NDArray[np.float32]

MOST_SLOPE = 0.09
"""Largest slope of the bar against the line of the wrists (5 deg)."""
WIDTHS = (0.6, 0.8, 1.0, 1.25, 1.5)
"""Thickness of the shaft that is looked for, in shares of the expected one: grips are 0.45 to 0.9 m apart."""
THICKEST_SHARE = 0.6
"""Light and shade on a shaft look like thinner shafts: the thickest with this share of the best's contrast is
the bar."""
SLOPE_ROWS, BLOCK = 2.0, 4
"""Rows at the ends from one slope that is tried to the next, and columns taken together while trying."""
NARROW_SLOPE, NARROW_SLOPES = 0.03, 31
"""Largest slope in the second look, and slopes tried: one row at the ends from one to the next."""
WIDE_REACHES, NARROW_REACHES = (4.0, 2.5, 1.5), (2.0, 1.5, 1.5)
"""Rows within which the ridge pulls the line, round by round."""
STRONGEST = 95.0
"""Percentile of the changes from row to row at which they are held down."""
STRONG_SHARE, LEAST_COLUMNS, AGREE_ROWS = 0.25, 12, 0.5
"""A column speaks from this share of the median ridge on; so many must; agreeing is within so many rows."""
LEAST_CONTRAST = 1.4
"""Brightness of the best row over the mean of the strip's rows: noise reaches 1.25, a bar is seldom under
1.9."""
STRETCHES, LEAST_EDGE = 10, 0.85
"""Stretches of a shaft in which both sides must be edges, and how strong in the median, in robust standard
deviations of the strip's changes. Clutter reaches 0.8, one bar in fifty is under 1.3 (rendered lifters)."""
LEAST_SHARE = 0.45
"""Share of the visible columns that must agree with the line: clutter reaches 0.5 now and then, a bar 0.9."""


@dataclass(frozen=True)
class Line:
    """A line in a strip: row at its middle, rows a column, share of the columns that agree, their scatter in
    rows."""

    offset: float
    slope: float
    share: float
    scatter: float


def fit_shaft(strip: Strip, width: float, visible: NDArray[np.bool_], narrow: bool) -> Line | None:
    """The shaft about `width` rows thick that stands out most from a strip (rows, columns, colours), read
    from the `visible` (columns,) ones; None where none does. A `narrow` strip holds the shaft already,
    nearly level."""
    gradients = _gradients(strip)
    halves = _halves(width, len(strip))
    parts = [_ridge(gradients, half)[:, visible] for half in halves]
    gradients = [gradient[:, visible] for gradient in gradients]
    x: FloatArray = np.flatnonzero(visible) - strip.shape[1] / 2
    if not narrow:
        part = np.max(parts, axis=0)
        slope, score = _shear(part, x)
        return _refine(part, x, float(np.argmax(score)), slope, WIDE_REACHES) if _stands_out(score) else None
    slope = _direction(gradients, x)
    k, score = _thickest(parts, x, slope)
    if not _stands_out(score):
        return None
    line = _refine(parts[k], x, float(np.argmax(score)), slope, NARROW_REACHES)
    return line if line is not None and _two_sided(gradients, x, line, halves[k]) else None


def _stands_out(score: FloatArray) -> bool:
    return bool(score.max() >= LEAST_CONTRAST * score.mean())


def _gradients(strip: Strip) -> list[Strip]:
    """Change from row to row of each colour, (rows, cols); the strongest are held down, so that no single
    edge outvotes a long one."""
    smooth = cv2.GaussianBlur(strip, (0, 0), 1.0)
    change = np.zeros_like(smooth)
    change[1:-1] = (smooth[2:] - smooth[:-2]) / 2
    most = float(np.percentile(np.abs(change[::2, ::4]), STRONGEST)) + 1e-6
    return [np.ascontiguousarray(plane) for plane in np.moveaxis(np.clip(change, -most, most), 2, 0)]


def _halves(width: float, rows: int) -> list[int]:
    """Half the thicknesses, in rows, of the shafts that are looked for in a strip of `rows`."""
    return sorted({min(max(round(width * share / 2), 1), (rows - 3) // 2) for share in WIDTHS})


def _ridge(gradients: list[Strip], half: int) -> Strip:
    """How much each place (rows, cols) looks like the middle of a shaft of twice `half` rows: two edges of
    opposite sign."""
    best = np.zeros_like(gradients[0])
    middle = best[half:-half]
    for gradient in gradients:
        above, below = gradient[: -2 * half], gradient[2 * half :]
        np.maximum(middle, np.minimum(above, -below), out=middle)
        np.maximum(middle, np.minimum(-above, below), out=middle)
    return best


def _refine(
    part: Strip, x: FloatArray, offset: float, slope: float, reaches: tuple[float, ...]
) -> Line | None:
    """The line `offset + slope * x` drawn to the ridge of each column, robustly. None where too few columns
    agree."""
    for reach in reaches:
        predicted = offset + slope * x
        window = predicted[None] + np.arange(-5, 6)[:, None]
        index = np.clip(np.round(window).astype(int), 0, len(part) - 1)
        value = part[index, np.arange(len(x))] * (np.abs(window - predicted) <= reach + 1)
        mass = value.sum(axis=0)
        centre = (index * value).sum(axis=0) / np.maximum(mass, 1e-9)
        strong = mass > STRONG_SHARE * np.median(mass[mass > 0]) if (mass > 0).any() else mass > 0
        weight = strong / (1 + ((centre - predicted) / reach) ** 2)
        if weight.sum() < LEAST_COLUMNS:
            return None
        slope, offset = np.polyfit(x, centre, 1, w=np.sqrt(weight + 1e-12))
    residual = centre - (offset + slope * x)
    agree = strong & (np.abs(residual) < AGREE_ROWS)
    share = float(agree.mean())
    if share < LEAST_SHARE:
        return None
    return Line(float(offset), float(slope), share, float(np.std(residual[agree])))


def _blocks(part: Strip, x: FloatArray) -> tuple[Strip, FloatArray]:
    """Means of BLOCK columns of `part` (rows, columns at `x`), and where they are."""
    blocks = len(x) // BLOCK
    cut = part[:, : blocks * BLOCK].reshape(len(part), blocks, BLOCK).mean(axis=2)
    return cut, x[: blocks * BLOCK].reshape(blocks, BLOCK).mean(axis=1)


def _sheared(part: Strip, x: FloatArray, slopes: FloatArray) -> FloatArray:
    """(slopes, rows) mean of `part` (rows, columns at `x`) along every line, by slope and row at x 0; lines
    rise or fall by no more than the rows there are to either side."""
    rows, columns = part.shape
    padded = np.pad(part, ((rows, rows), (0, 0))).ravel()
    place = (rows + np.arange(rows)[:, None]) * columns + np.arange(columns)
    shift = np.round(slopes[:, None] * x).astype(int) * columns
    return np.stack([padded[place + row].mean(axis=1) for row in shift])


def _shear(part: Strip, x: FloatArray) -> tuple[float, FloatArray]:
    """Slope of the line on which `part` (rows, columns at `x`) is brightest in the mean, and (rows,) how
    bright it is along that slope by row at x 0."""
    columns = 2 * float(np.abs(x).max())
    most = min(MOST_SLOPE, len(part) / columns)
    slopes = np.linspace(-most, most, max(int(2 * most * columns / SLOPE_ROWS), 3))
    score = _sheared(*_blocks(part, x), slopes)
    k = int(np.argmax(score.max(axis=1)))
    return float(slopes[k]), score[k]


def _direction(gradients: list[Strip], x: FloatArray) -> float:
    """Slope along which the edges in the strip are sharpest: both sides of a shaft and all light and shade on
    it run alike, whichever of them stands out."""
    blocks = [_blocks(gradient, x) for gradient in gradients]
    edges = np.max([np.abs(part) for part, _ in blocks], axis=0)
    slopes = np.linspace(-NARROW_SLOPE, NARROW_SLOPE, NARROW_SLOPES)
    sharp = (_sheared(edges, blocks[0][1], slopes) ** 2).sum(axis=1)
    k = int(np.clip(np.argmax(sharp), 1, len(slopes) - 2))
    before, top, after = sharp[k - 1 : k + 2]
    bend = before - 2 * top + after
    shift = 0.0 if bend >= 0 else float(np.clip((before - after) / (2 * bend), -1, 1))
    return float(slopes[k] + shift * (slopes[1] - slopes[0]))


def _thickest(parts: list[Strip], x: FloatArray, slope: float) -> tuple[int, FloatArray]:
    """The thickest shaft that stands out nearly as much as any along `slope`: which of `parts` shows it, and
    (rows,) how bright it is there."""
    scores = [_sheared(part, x, np.array([slope]))[0] for part in parts]
    least = THICKEST_SHARE * max(float(score.max()) for score in scores)
    k = max(k for k, score in enumerate(scores) if score.max() >= least)
    return k, scores[k]


def _two_sided(gradients: list[Strip], x: FloatArray, line: Line, half: int) -> bool:
    """Whether both sides of the shaft are edges, over most of its length: in the means of long stretches, in
    which the other side of a single edge, being noise, fades."""
    planes, columns = np.stack(gradients), np.arange(len(x))
    rows = np.round(line.offset + line.slope * x)
    starts = np.linspace(0, len(x), STRETCHES, endpoint=False).astype(int)
    lengths = np.diff(np.append(starts, len(x)))
    upper, lower = (
        np.add.reduceat(
            planes[:, np.clip(rows + side, 0, planes.shape[1] - 1).astype(int), columns], starts, axis=1
        )
        / lengths
        for side in (-half, half)
    )
    found = np.maximum(np.minimum(upper, -lower), np.minimum(-upper, lower)).max(axis=0)
    usual = 1.48 * float(np.median(np.abs(planes[:, :, ::4]))) + 1e-6
    return bool(np.median(found) >= LEAST_EDGE * usual)
