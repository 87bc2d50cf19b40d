"""What is straight and what is upright in the picture: the bar's axis, and the camera's roll from true
verticals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.shaft import fit_shaft

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
OUTSIDE = 0.17
"""Where the two points lie, in wrist distances outside the wrists."""
LEAST_SPAN_PX, LEAST_ROWS = 40, 8
"""Wrists nearer than this, or a strip of fewer rows, show no bar; pixels, rows."""
HAND = 0.10
"""Half the stretch at each hand that hides the bar, in wrist distances."""
ABOVE, BAND = 0.07, 0.17
"""Bar axis over the line of the wrists, and half the height of the strip, in wrist distances."""
UPENDED = 0.5
"""A bar steeper than 60 deg in the picture; cosine."""
BAND_KNOWN = 0.06
"""Half the height of the strip when a guess of the axis is given."""


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
    hand. The bar is looked for twice: around the wrists or the guess, then closely around what was found.
    """
    span = right_wrist - left_wrist
    length = float(np.hypot(*span))
    if not np.isfinite(length) or length < LEAST_SPAN_PX:
        return None
    wrists = _Search.around(left_wrist, span / length, length)
    if guess is not None and np.isfinite(guess).all() and np.ptp(guess, axis=0).any():
        found = _look(rgb, wrists.on(guess))
    else:
        found = _look(rgb, wrists)
    return None if found is None else _look(rgb, wrists.on(found.points))


@dataclass(frozen=True)
class _Search:
    """Where the bar is looked for: `start` on the guessed axis beside the left wrist, unit vectors `along`
    it to the right hand and `normal` to it (up in the picture), the wrists' distance and half the strip's
    height, pixels."""

    start: FloatArray
    along: FloatArray
    normal: FloatArray
    length: float
    band: float
    narrow: bool = False

    @classmethod
    def around(cls, left_wrist: FloatArray, along: FloatArray, length: float) -> _Search:
        """The strip over the wrists, or to both sides of them where the bar stands on end in the picture."""
        normal = _normal(along)
        over, band = (ABOVE, BAND) if abs(along[0]) > UPENDED else (0.0, ABOVE + BAND)
        return cls(left_wrist + normal * over * length, along, normal, length, band * length)

    def on(self, axis: FloatArray) -> _Search:
        """A lower strip around `axis` (2, 2), two points outside the left and right hand."""
        along = axis[1] - axis[0]
        along = along / np.hypot(*along)
        if along @ self.along < 0:
            along = -along
        start = axis[0] + along * ((self.start - axis[0]) @ along)
        return _Search(start, along, _normal(along), self.length, BAND_KNOWN * self.length, True)


def _normal(along: FloatArray) -> FloatArray:
    normal = np.array([-along[1], along[0]])
    return -normal if normal[1] > 0 else normal


def _look(rgb: Image, search: _Search) -> BarLine | None:
    strip, step, rows = _strip(rgb, search)
    if len(strip) < LEAST_ROWS:
        return None
    width = max(BAR_DIAMETER_M / GRIP_M * search.length, 2.0) / rows.step
    found = fit_shaft(strip, width, _visible(step, search.length), search.narrow)
    if found is None:
        return None
    where = np.array([-OUTSIDE, 1 + OUTSIDE]) * search.length
    column = (where + BEYOND * search.length) / step
    height = rows.at(found.offset + found.slope * (column - STRIP_LENGTH / 2))
    points = search.start + where[:, None] * search.along + height[:, None] * search.normal
    return BarLine(points, found.share, found.scatter * rows.step)


@dataclass(frozen=True)
class _Rows:
    """Rows of the strip: `step` pixels apart, row `middle` on the guessed axis, counted downwards."""

    step: float
    middle: float

    def at(self, row: FloatArray) -> FloatArray:
        return (self.middle - row) * self.step


def _strip(rgb: Image, search: _Search) -> tuple[NDArray[np.float32], float, _Rows]:
    """Strip (rows, STRIP_LENGTH, 3) around the guessed axis, pixels a column, and its rows."""
    step = search.length * (1 + 2 * BEYOND) / STRIP_LENGTH
    row_step = min(1.0, search.band / 12)
    half = int(np.ceil(search.band / row_step))
    along, normal = search.along, search.normal
    origin = search.start - along * BEYOND * search.length + normal * half * row_step
    to_picture = np.column_stack([along * step, -normal * row_step, origin])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (STRIP_LENGTH, 2 * half + 1)
    strip = cv2.warpAffine(rgb, to_picture, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return strip.astype(np.float32), step, _Rows(row_step, float(half))


def _visible(step: float, length: float) -> NDArray[np.bool_]:
    """(STRIP_LENGTH,) columns that no hand hides."""
    place = (np.arange(STRIP_LENGTH) * step) / length - BEYOND
    seen: NDArray[np.bool_] = (np.abs(place) > HAND) & (np.abs(place - 1) > HAND)
    return seen


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

    Edges of the still part of `frames`, (H, W, 3) or grey (H, W), vote for a vanishing point below the
    picture's centre, over roll and pitch; lines along the floor converge above it and do not agree. Roll is
    positive as in `motion.camera`.
    """
    if not frames:
        return None
    grey = [frame if frame.ndim == 2 else cv2.cvtColor(frame, cv2.COLOR_RGB2GRAY) for frame in frames]
    still: Image = np.median(np.stack(grey), axis=0).astype(np.uint8)
    height, width = still.shape[:2]
    segments = _segments(still, LEAST_SEGMENT * min(height, width))
    if len(segments) < 2:
        return None
    centre = np.array([width / 2, height / 2])
    focal = FOCAL_SHARE * max(width, height)
    lengths = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1) / min(height, width)
    roll, pitch = np.meshgrid(ROLLS_DEG, PITCHES_DEG, indexing="ij")
    votes = _votes(segments, lengths, centre, focal, roll.ravel(), pitch.ravel(), 2 * EDGE_SD_DEG).reshape(
        roll.shape
    )
    votes[(pitch < NEAR_PARALLEL_DEG) & (np.abs(roll) > MOST_SLANT_DEG)] = 0.0
    k = np.unravel_index(int(np.argmax(votes)), votes.shape)
    if votes[np.abs(roll - roll[k]) > RIVAL_APART_DEG].max() > RIVAL_SHARE * votes[k]:
        return None
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


NEAR_PARALLEL_DEG, MOST_SLANT_DEG = 14.0, 3.0
"""Seen from less than 14 deg above level verticals look nearly parallel, and so do a rack's slanting foot and
the edges of a floor: there edges that slant more than 3 deg are not believed. Four rendered rooms filmed from
38 deg up had been given rolls of 4.5 to 11 deg by such edges, with a pitch of 4 to 8; now within 0.2."""
RIVAL_APART_DEG, RIVAL_SHARE = 2.0, 0.95
"""Another roll so far away that gets nearly as many votes leaves nothing to go by. In 29 rendered rooms whose
roll came out right it got 0.92 of the votes at most, in two that came out 5 and 8 deg wrong 0.97 and 0.98."""
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
