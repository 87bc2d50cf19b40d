"""What is straight and what is upright in the picture: the bar's axis, and the camera's roll from true
verticals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]

BAR_DIAMETER_M = 0.028
"""Shaft of a bench-press bar, metres (IPF rule book: 28 to 29 mm)."""
GRIP_M = 0.62
"""Usual distance between the wrists, metres; sets the scale of the search only."""
STRIP_LENGTH = 480
"""Samples along the strip that is searched."""
BEYOND = 0.40
"""How far the strip reaches beyond each hand, in wrist distances: to the inner collar."""
HAND = 0.10
"""Half the stretch at each hand that hides the bar, in wrist distances."""
ABOVE, BAND = 0.07, 0.17
"""Bar axis over the line of the wrists, and half the height of the strip, in wrist distances."""
BAND_KNOWN = 0.05
"""Half the height of the strip when a guess of the axis is given."""
MOST_SLOPE = 0.09
"""Largest slope of the bar against the line of the wrists (5 deg)."""
LEAST_SHARE = 0.35
"""Share of the visible columns that must agree with the line."""


@dataclass(frozen=True)
class BarLine:
    """Two points (2, 2) on the bar's axis just outside the lifter's left and right hand, pixels; `share`
    that agrees."""

    points: FloatArray
    share: float
    scatter_px: float


def bar_line(
    rgb: Image, left_wrist: FloatArray, right_wrist: FloatArray, guess: FloatArray | None = None
) -> BarLine | None:
    """Fit the bar's axis between and beyond the hands; None where no thin straight bar is found.

    rgb (H, W, 3); wrists (2,) pixels; `guess` (2, 2) two points of a coarse axis outside the left and right
    hand.
    """
    span = right_wrist - left_wrist
    length = float(np.hypot(*span))
    if not np.isfinite(length) or length < 40:
        return None
    along = span / length
    normal = np.array([-along[1], along[0]])
    if normal[1] > 0:
        normal = -normal
    start, band = left_wrist + normal * ABOVE * length, BAND * length
    if guess is not None and np.isfinite(guess).all():
        offset = (guess - left_wrist) @ normal
        place = (guess - left_wrist) @ along
        slope = (offset[1] - offset[0]) / (place[1] - place[0])
        start, band = left_wrist + normal * (offset[0] - slope * place[0]), BAND_KNOWN * length
        along = along + slope * normal
        along /= np.hypot(*along)
        normal = np.array([-along[1], along[0]]) * np.sign(-along[0] if along[0] else 1.0)
    strip, step, rows = _strip(rgb, start, along, normal, length, band)
    if strip is None:
        return None
    width = max(BAR_DIAMETER_M / GRIP_M * length, 2.0) / rows.step
    found = _fit(_ridge(strip, width), _visible(step, length))
    if found is None:
        return None
    offset, slope, share, scatter = found
    where = np.array([-0.17, 1.17]) * length
    column = (where + BEYOND * length) / step
    height = rows.at(offset + slope * (column - STRIP_LENGTH / 2))
    points = start + where[:, None] * along + height[:, None] * normal
    return BarLine(points, share, scatter * rows.step)


@dataclass(frozen=True)
class _Rows:
    """Rows of the strip: `step` pixels apart, row `middle` on the guessed axis, counted downwards."""

    step: float
    middle: float

    def at(self, row: FloatArray) -> FloatArray:
        return (self.middle - row) * self.step


def _strip(
    rgb: Image, start: FloatArray, along: FloatArray, normal: FloatArray, length: float, band: float
) -> tuple[FloatArray | None, float, _Rows]:
    """Grey strip (rows, STRIP_LENGTH) around the guessed axis, pixels a column, and its rows."""
    step = length * (1 + 2 * BEYOND) / STRIP_LENGTH
    row_step = min(1.0, band / 12)
    half = int(np.ceil(band / row_step))
    rows = _Rows(row_step, float(half))
    origin = start - along * BEYOND * length + normal * half * row_step
    to_picture = np.array(
        [
            [along[0] * step, -normal[0] * row_step, origin[0]],
            [along[1] * step, -normal[1] * row_step, origin[1]],
        ]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    grey = cv2.warpAffine(
        rgb, to_picture, (STRIP_LENGTH, 2 * half + 1), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    strip: FloatArray = grey.astype(np.float32)
    return (strip if strip.shape[0] >= 8 else None), step, rows


def _visible(step: float, length: float) -> NDArray[np.bool_]:
    """(STRIP_LENGTH,) columns that no hand hides."""
    place = (np.arange(STRIP_LENGTH) * step) / length - BEYOND
    seen: NDArray[np.bool_] = (np.abs(place) > HAND) & (np.abs(place - 1) > HAND)
    return seen


def _ridge(strip: FloatArray, width: float) -> FloatArray:
    """How much each place looks like the middle of a shaft `width` rows thick: two edges of opposite sign.
    (rows, cols)."""
    best = np.zeros(strip.shape[:2], dtype=np.float32)
    smooth = cv2.GaussianBlur(strip, (0, 0), 1.0)
    gradient = np.gradient(smooth, axis=0)
    for share in (0.7, 1.0, 1.35):
        half = max(round(width * share / 2), 1)
        up, down = np.roll(gradient, half, axis=0), np.roll(gradient, -half, axis=0)
        pair = np.minimum(np.abs(up), np.abs(down)) * (np.sign(up) != np.sign(down))
        pair[:half], pair[-half:] = 0, 0
        best = np.maximum(best, pair.max(axis=2) if pair.ndim == 3 else pair)
    return np.minimum(best, np.percentile(best, 99) + 1e-6)


def _fit(ridge: FloatArray, visible: NDArray[np.bool_]) -> tuple[float, float, float, float] | None:
    """(row at mid strip, slope rows a column, share, scatter rows): exhaustive shear search, then refined by
    columns."""
    rows, cols = ridge.shape
    columns = np.flatnonzero(visible)
    x = columns - cols / 2
    part = ridge[:, columns]
    steps = np.linspace(-1, 1, 37) * min(MOST_SLOPE, rows / cols)
    best = (-1.0, 0, 0.0)
    for slope in steps:
        shift = np.round(slope * x).astype(int)
        index = np.arange(rows)[:, None] + shift
        inside = (index >= 0) & (index < rows)
        score = np.where(inside, part[np.clip(index, 0, rows - 1), np.arange(len(columns))], 0).mean(axis=1)
        top = int(np.argmax(score))
        if score[top] > best[0]:
            best = (float(score[top]), top, float(slope))
    _, row, slope = best
    offset = float(row)
    weight = np.ones(len(x))
    for reach in (4.0, 2.5, 1.5):
        predicted = offset + slope * x
        window = predicted[None] + np.arange(-5, 6)[:, None]
        index = np.clip(np.round(window).astype(int), 0, rows - 1)
        value = part[index, np.arange(len(x))] * (np.abs(window - predicted) <= reach + 1)
        mass = value.sum(axis=0)
        centre = (index * value).sum(axis=0) / np.maximum(mass, 1e-9)
        strong = mass > 0.25 * np.median(mass[mass > 0]) if (mass > 0).any() else mass > 0
        weight = strong / (1 + ((centre - predicted) / reach) ** 2)
        if weight.sum() < 12:
            return None
        slope, offset = np.polyfit(x, centre, 1, w=np.sqrt(weight + 1e-12))
    residual = centre - (offset + slope * x)
    agree = strong & (np.abs(residual) < 1.5)
    share = float(agree.mean())
    if share < LEAST_SHARE:
        return None
    return float(offset), float(slope), share, float(np.std(residual[agree]))


# ---- true verticals -----------------------------------------------------------------------------------

LEAST_SEGMENT = 0.06
"""Shortest straight edge that votes, in picture heights."""
ROLLS_DEG = np.arange(-12.0, 12.01, 0.25)
PITCHES_DEG = np.array([4, 8, 12, 16, 20, 24, 28, 32, 36, 40, 44, 48, 52, 56, 60, 66, 72], dtype=float)
FOCAL_SHARE = 0.76  # of the picture's long side; a phone's main lens filming video (26 mm equivalent)
EDGE_SD_DEG = 0.6
"""How exactly an edge of a true vertical points to the vertical vanishing point, degrees."""
LEAST_VOTE = 0.8
"""Total length of agreeing edges, in picture heights, below which nothing is said."""


@dataclass(frozen=True)
class Upright:
    """Two points (2, 2), lower and upper, on the picture's own vertical through the principal point, pixels.

    The camera's roll is the turn of that line against the picture's columns: the direction from the
    principal point to the vanishing point of true verticals. `sd_deg` is its standard deviation.
    """

    points: FloatArray
    roll_deg: float
    sd_deg: float


def upright(frames: Sequence[Image]) -> Upright | None:
    """Camera roll from the long straight verticals of a room (rack posts, door frames); None where too few
    agree.

    Edges of the still part of `frames` (H, W, 3) vote for a vanishing point below the picture's centre, over
    roll and pitch; lines along the floor converge above it and do not agree. Roll is positive as in
    `motion.camera`.
    """
    if not frames:
        return None
    still = np.median(np.stack(frames), axis=0).astype(np.uint8)
    height, width = still.shape[:2]
    segments = _segments(cv2.cvtColor(still, cv2.COLOR_RGB2GRAY), LEAST_SEGMENT * min(height, width))
    if len(segments) < 2:
        return None
    centre = np.array([width / 2, height / 2])
    focal = FOCAL_SHARE * max(width, height)
    lengths = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1) / min(height, width)
    roll, pitch = np.meshgrid(ROLLS_DEG, PITCHES_DEG, indexing="ij")
    votes = _votes(segments, lengths, centre, focal, roll.ravel(), pitch.ravel(), 2 * EDGE_SD_DEG).reshape(
        roll.shape
    )
    k = np.unravel_index(int(np.argmax(votes)), votes.shape)
    fine_roll = roll[k] + np.arange(-0.6, 0.61, 0.05)
    fine_pitch = pitch[k] + np.arange(-4, 4.1, 0.5)
    fr, fp = np.meshgrid(fine_roll, np.clip(fine_pitch, 2, 80), indexing="ij")
    fine = _votes(segments, lengths, centre, focal, fr.ravel(), fp.ravel(), EDGE_SD_DEG).reshape(fr.shape)
    profile = fine.max(axis=1)
    best = int(np.argmax(profile))
    chosen = fp[best, int(np.argmax(fine[best]))]
    if profile[best] < LEAST_VOTE or not _both_sides(
        segments, lengths, centre, focal, fine_roll[best], chosen
    ):
        return None
    peak = np.exp((profile - profile[best]) * VOTE_SHARPNESS)
    mean = float((fine_roll * peak).sum() / peak.sum())
    sd = float(np.sqrt(((fine_roll - mean) ** 2 * peak).sum() / peak.sum()))
    turn = np.radians(mean)
    down = np.array([-np.sin(turn), np.cos(turn)]) * height / 2
    return Upright(np.stack([centre + down, centre - down]), mean, max(sd, 0.1))


VOTE_SHARPNESS = 6.0
"""How strongly a vote in picture heights counts in the spread of the roll; set so that stated and true
spread agree."""


def _segments(grey: Image, shortest: float) -> FloatArray:
    """(n, 2, 2) straight edges at least `shortest` pixels long and within 50 deg of the picture's columns."""
    detector = cv2.createLineSegmentDetector()
    lines = detector.detect(cv2.GaussianBlur(grey, (0, 0), 1.0))[0]
    if lines is None:
        return np.zeros((0, 2, 2))
    segments: FloatArray = np.asarray(lines, dtype=float).reshape(-1, 2, 2)
    d = segments[:, 1] - segments[:, 0]
    keep = (np.hypot(d[:, 0], d[:, 1]) >= shortest) & (np.abs(d[:, 0]) < 1.2 * np.abs(d[:, 1]))
    return segments[keep]


def _deviation(
    segments: FloatArray, centre: FloatArray, focal: float, roll: FloatArray, pitch: FloatArray
) -> FloatArray:
    """(hypotheses, n) degrees between each edge and the direction from its middle to the vanishing point."""
    away = focal / np.tan(np.radians(pitch))
    point = centre + away[:, None] * np.stack([-np.sin(np.radians(roll)), np.cos(np.radians(roll))], axis=1)
    middle = segments.mean(axis=1)
    d = segments[:, 1] - segments[:, 0]
    to = point[:, None] - middle[None]
    cross = d[None, :, 0] * to[..., 1] - d[None, :, 1] * to[..., 0]
    dot = d[None, :, 0] * to[..., 0] + d[None, :, 1] * to[..., 1]
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, np.abs(dot)))))


def _votes(
    segments: FloatArray,
    lengths: FloatArray,
    centre: FloatArray,
    focal: float,
    roll: FloatArray,
    pitch: FloatArray,
    sd: float,
) -> FloatArray:
    deviation = _deviation(segments, centre, focal, roll, pitch)
    return np.asarray((lengths * np.exp(-0.5 * (deviation / sd) ** 2)).sum(axis=1))


def _both_sides(
    segments: FloatArray, lengths: FloatArray, centre: FloatArray, focal: float, roll: float, pitch: float
) -> bool:
    """Verticals must agree left and right of the centre: one near the middle also fits a line along the
    floor."""
    deviation = _deviation(segments, centre, focal, np.array([roll]), np.array([pitch]))[0]
    agree = deviation < 2 * EDGE_SD_DEG
    side = segments.mean(axis=1)[:, 0] - centre[0]
    far = np.abs(side) > 0.08 * 2 * centre[0]
    left = float(lengths[agree & far & (side < 0)].sum())
    right = float(lengths[agree & far & (side > 0)].sum())
    return min(left, right) > 0.15
