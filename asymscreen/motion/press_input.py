"""What the press solver reads: frames of every rep, their landmarks and edges, and how far each is to be
trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.sheet import Capture
from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.skeleton import HIP_HABIT, JOINTS, REFINED
from asymscreen.motion.press_model import SIDES, Seen
from asymscreen.motion.reps import RepSpan
from asymscreen.motion.tracks import Tracks, nearest

FloatArray = NDArray[np.float64]

MOMENTS = np.array([0, 2, 5, 8, 11, 14, 16, 18, 20, 22, 25, 28, 30, 32, 34, 35, 36, 37, 38, 39]) / 39
"""Where in a rep, from its start (0) to its end (1) with the margins, it is looked at closely and solved:
most where the arms lock out, whose time is measured. With twice as many the tuck difference erred by 1.2
instead of 1.3 deg, in twice the time."""
ROUGH_MOMENTS = 13
"""How many of them serve while the way is looked for."""
LEAST_FRAMES = 20
"""A set in which the arms are seen in fewer frames is not solved."""
COEFFICIENTS = 12
"""Cubic B-spline coefficients a joint coordinate has over a cycle: about one every 0.25 s."""
MARGIN_S = 0.10
"""Seconds before the start and after the end of a rep that are solved with it."""
SHOULDER_WIDTH_M = 0.35
"""Between the COCO shoulder points of an adult, for the scale of errors only; metres."""


Plane = tuple[float, float]  # in the picture: outward from the middle of the body, and towards the feet


@dataclass(frozen=True)
class Source:
    """Error of one kind of landmark seen from one end, as measured on rendered lifters: millimetres at the
    lifter.

    Every row has four entries: shoulders, elbows, wrists, hips; the `bend` rows have no hips.
    noise_mm  random from frame to frame
    habit_mm  where the landmark sits off the joint in every clip, the same on both sides, mirrored
    alike_mm  what varies from clip to clip but is the same on both sides, mirrored (standard deviation)
    apart_mm  half the difference between the sides (standard deviation)
    bend_...  the same three of what is added as the arm goes from straight to folded
    """

    name: str
    noise_mm: tuple[float, float, float, float]
    habit_mm: tuple[Plane, Plane, Plane, Plane]
    alike_mm: tuple[Plane, Plane, Plane, Plane]
    apart_mm: tuple[Plane, Plane, Plane, Plane]
    bend_habit_mm: tuple[Plane, Plane, Plane]
    bend_alike_mm: tuple[Plane, Plane, Plane]
    bend_apart_mm: tuple[Plane, Plane, Plane]


COARSE = Source(
    "landmarker",
    noise_mm=(8.0, 8.0, 8.0, 8.0),
    habit_mm=((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0)),
    alike_mm=((9.0, 15.0), (5.0, 9.0), (4.0, 11.0), (10.0, 30.0)),
    apart_mm=((5.0, 3.0), (3.5, 3.0), (3.0, 2.5), (4.0, 2.0)),
    bend_habit_mm=((0.0, 0.0), (0.0, 0.0), (0.0, 0.0)),
    bend_alike_mm=((15.0, 15.0), (15.0, 22.0), (8.0, 12.0)),
    bend_apart_mm=((7.0, 6.0), (6.0, 9.0), (5.0, 9.0)),
)
FINE = Source(
    "refined",
    noise_mm=(4.0, 4.0, 4.0, 4.0),
    habit_mm=((-1.5, -1.3), (0.6, 0.9), (0.6, 1.3), (0.5, 2.5)),
    alike_mm=((5.0, 4.0), (2.0, 2.7), (1.0, 2.2), (5.5, 5.0)),
    apart_mm=((1.6, 1.2), (1.0, 1.2), (0.6, 0.7), (1.6, 2.2)),
    bend_habit_mm=((-3.0, -14.0), (-1.5, -3.5), (-1.6, -4.0)),
    bend_alike_mm=((7.0, 9.0), (6.0, 9.0), (2.0, 4.5)),
    bend_apart_mm=((3.6, 3.4), (3.0, 4.5), (1.3, 2.3)),
)
FINE_HEAD = Source(
    "refined, from the head end",
    noise_mm=(4.0, 4.0, 4.0, 4.0),
    habit_mm=((5.0, 0.4), (1.5, 0.5), (0.4, -1.0), (1.6, -0.6)),
    alike_mm=((4.0, 2.5), (2.0, 3.0), (1.0, 2.2), (4.0, 4.5)),
    apart_mm=((1.6, 1.1), (1.2, 1.3), (0.6, 0.7), (3.0, 1.5)),
    bend_habit_mm=((-0.5, 2.4), (-1.2, 4.0), (-1.9, 2.4)),
    bend_alike_mm=((7.0, 7.0), (6.7, 12.0), (2.0, 3.0)),
    bend_apart_mm=((4.3, 3.0), (4.5, 6.0), (1.3, 2.5)),
)
EVENT_S = 0.12
"""Width of the window around an event in which the habits of that event hold, seconds."""
BAR_MM = (12.0, 1.2)
"""How far the bar's line may run from where the wrists put it in one frame, millimetres at the lifter: both
hands together (the wrists bend), and half the difference between them."""
FLOOR_PX = 0.6
"""No landmark is trusted below this, pixels."""
BAR_FLOOR_PX = 0.2
"""The bar's line is not trusted below this at a hand, pixels."""
LEAN_FLOOR_PX = 0.3
"""No landmark's standing error is held to be less than this, pixels."""


@dataclass(frozen=True)
class PressInput:
    """`seen` and `basis` for the solver; `spans` (B, 2) seconds that position 0 and 1 of every rep mean."""

    seen: Seen
    basis: FloatArray
    spans: FloatArray
    source: Source


def solved_times(reps: Sequence[RepSpan]) -> FloatArray:
    """(B * M,) seconds of the M moments of each of `reps` that the solver will look at."""
    spans = np.array([(r.start_s - MARGIN_S, r.end_s + MARGIN_S) for r in reps]).reshape(-1, 2)
    return (spans[:, :1] + np.diff(spans, axis=1) * MOMENTS).ravel()


def source_of(tracks: Tracks, capture: Capture) -> Source:
    """What kind of landmarks the tracks carry, seen from which end."""
    trunk = tracks.points(*REFINED)[:, [0, 1, 6, 7]]
    seen = np.isfinite(trunk[..., 0]).any(axis=0)
    if not seen.all():
        return FINE if seen.any() else COARSE
    middles = np.nanmedian(trunk, axis=0)
    return FINE_HEAD if from_head_end(middles[:2], middles[2:], capture) else FINE


def from_head_end(shoulders: FloatArray, hips: FloatArray, capture: Capture) -> bool:
    """Whether the phone stands at the head end: the sheet's word, else hips (2, 2) above shoulders (2, 2)."""
    if capture.view == "foot-end" or capture.view == "head-end":
        return capture.view == "head-end"
    return bool(hips[:, 1].mean() < shoulders[:, 1].mean())


def gather(tracks: Tracks, reps: Sequence[RepSpan], source: Source) -> PressInput:
    """Frames of all `reps`. NothingToScreen when a joint is hardly ever seen in them."""
    names = JOINTS if source is COARSE else REFINED
    spans = np.array([(r.start_s - MARGIN_S, r.end_s + MARGIN_S) for r in reps])
    looked = np.flatnonzero(~np.isnan(tracks.points(*names)[:, :6]).all(axis=(1, 2)))
    if len(looked) < LEAST_FRAMES:
        raise NothingToScreen(
            "The arms are seen in too few frames; film again with both arms in view all the time."
        )
    wanted = solved_times(reps).reshape(len(reps), len(MOMENTS))
    index = looked[nearest(tracks.time_s[looked], wanted.ravel())].reshape(wanted.shape)
    position = np.clip((tracks.time_s[index] - spans[:, :1]) / (spans[:, 1:] - spans[:, :1]), 0, 1)
    flat = index.ravel()
    joints = tracks.points(*names)[flat]
    if source is COARSE:
        joints[:, 6:] += HIP_HABIT * (joints[:, 6:] - joints[:, :2])
    hidden = [
        n for n, share in zip(JOINTS, np.isnan(joints[..., 0]).mean(axis=0), strict=True) if share > 0.5
    ]
    if hidden:
        raise NothingToScreen(
            f"The lifter's {' and '.join(n.replace('_', ' ') for n in hidden)} is hidden or out of the "
            f"picture for "
            "most of the set; film again with hips, shoulders, elbows and hands all in view."
        )
    scale = pixels_per_metre(joints) / 1000
    sigma = np.maximum(np.repeat(source.noise_mm, 2)[:6] * scale, FLOOR_PX)
    plane = _plane(joints)
    joints = joints - _habit(source.habit_mm, scale, plane)
    width, height = tracks.image_size
    seen = Seen(
        xy=joints[:, :6],
        sigma_px=np.tile(sigma, (len(flat), 1)),
        hips=np.nanmedian(joints[:, 6:], axis=0),
        hip_sigma_px=FLOOR_PX,
        bar=tracks.points("left_bar", "right_bar")[flat],
        bar_sigma_px=(max(BAR_MM[0] * scale, FLOOR_PX), max(BAR_MM[1] * scale, BAR_FLOOR_PX)),
        px_per_m=1000 * scale,
        lean_px=_leans(source.alike_mm, source.apart_mm, scale, plane),
        bend_lean_px=_leans(source.bend_alike_mm, source.bend_apart_mm, scale, plane),
        bend_habit_px=_habit(source.bend_habit_mm, scale, plane),
        center=(width / 2, height / 2),
        bottom=_weight(tracks.time_s[index], np.array([[r.bottom_s] for r in reps])),
        lockout=_weight(tracks.time_s[index], np.array([[r.start_s, r.end_s] for r in reps])),
    )
    return PressInput(seen, cycle_basis(position, COEFFICIENTS), spans, source)


def thinned(data: PressInput) -> PressInput:
    """The same input on ROUGH_MOMENTS of each rep: for finding the way, not for the result."""
    blocks, frames = data.basis.shape[:2]
    keep = np.linspace(0, frames - 1, ROUGH_MOMENTS).round().astype(int)
    step = frames / ROUGH_MOMENTS
    index = (np.arange(blocks)[:, None] * frames + keep).ravel()
    seen = data.seen
    fewer = replace(
        seen,
        xy=seen.xy[index],
        sigma_px=seen.sigma_px[index] / np.sqrt(step),
        bar=seen.bar[index],
        bar_sigma_px=(seen.bar_sigma_px[0] / np.sqrt(step), seen.bar_sigma_px[1] / np.sqrt(step)),
        bottom=seen.bottom[index] / max(float(np.linalg.norm(seen.bottom[index])), 1e-9),
        lockout=seen.lockout[index] / max(float(np.linalg.norm(seen.lockout[index])), 1e-9),
    )
    return replace(data, seen=fewer, basis=data.basis[:, keep])


def _weight(times: FloatArray, events: FloatArray) -> FloatArray:
    """(B*M,) weights around `events` (B, E) seconds of each block; their squares sum to one over the clip."""
    near = np.exp(-0.5 * ((times[:, :, None] - events[:, None, :]) / EVENT_S) ** 2).sum(axis=2).ravel()
    return np.asarray(near / max(float(np.linalg.norm(near)), 1e-9))


def _plane(joints: FloatArray) -> FloatArray:
    """(2, 2) unit vectors in the picture: from the right to the left shoulder, and square to it, to the
    feet."""
    across = np.nanmedian(joints[:, 0] - joints[:, 1], axis=0)
    outward = across / max(float(np.hypot(*across)), 1e-9)
    return np.stack([outward, [-outward[1], outward[0]]])


def _habit(mm: Sequence[Plane], scale: float, plane: FloatArray) -> FloatArray:
    """(2 K, 2) pixels by which the left and right landmark of each of K pairs sit off their joints."""
    both = np.repeat(np.asarray(mm), 2, axis=0) * scale  # (2 K, 2) outward, footward
    both[:, 0] *= np.tile(SIDES, len(mm))
    return np.asarray(both @ plane)


def _leans(
    alike_mm: Sequence[Plane], apart_mm: Sequence[Plane], scale: float, plane: FloatArray
) -> FloatArray:
    """(2 K, 2, 4 K) pixels: for every pair of joints outward alike, footward alike, outward apart,
    footward apart.

    The landmarker looks at a lifter's two sides with the same eyes (`landmarks.pair`), so what it gets wrong
    is mostly the same on both.
    """
    pairs = len(alike_mm)
    alike, apart = (np.maximum(np.asarray(mm) * scale, LEAN_FLOOR_PX) for mm in (alike_mm, apart_mm))
    lean = np.zeros((2 * pairs, 2, 4 * pairs))
    for pair in range(pairs):
        for side, sign in enumerate(SIDES, start=2 * pair):
            lean[side, :, 4 * pair] = sign * alike[pair, 0] * plane[0]
            lean[side, :, 4 * pair + 1] = alike[pair, 1] * plane[1]
            lean[side, :, 4 * pair + 2] = apart[pair, 0] * plane[0]
            lean[side, :, 4 * pair + 3] = sign * apart[pair, 1] * plane[1]
    return lean


def pixels_per_metre(joints: FloatArray) -> float:
    """Picture scale at the shoulders from joints (F, 8, 2) in pixels."""
    width = np.hypot(*(joints[:, 0] - joints[:, 1]).T)
    return max(float(np.nanmedian(width)) / SHOULDER_WIDTH_M, 20.0)


SAME_KNOT = 1e-12  # knots nearer than this coincide; the spline between them is 0


def cycle_basis(position: FloatArray, coefficients: int) -> FloatArray:
    """(B, M, N) cubic B-splines at `position` (B, M) of each block, 0 at its start and 1 at its end.

    By the recursion of de Boor, A Practical Guide to Splines, 1978, ch. IX; the same as
    `scipy.interpolate.BSpline.design_matrix`, whose import takes longer than the solver.
    """
    knots = np.concatenate([np.zeros(3), np.linspace(0, 1, coefficients - 2), np.ones(3)])
    at = np.clip(position, 0.0, 1.0)[..., None]
    inside = np.clip(np.searchsorted(knots, at, side="right") - 1, 3, coefficients - 1)
    basis = (np.arange(len(knots) - 1) == inside).astype(np.float64)
    for degree in (1, 2, 3):
        rise = knots[degree:-1] - knots[: -degree - 1], at - knots[: -degree - 1]
        fall = knots[degree + 1 :] - knots[1:-degree], knots[degree + 1 :] - at
        up, down = (np.divide(part, np.maximum(wide, SAME_KNOT)) for wide, part in (rise, fall))
        basis = up * basis[..., :-1] + down * basis[..., 1:]
    return np.asarray(basis)
