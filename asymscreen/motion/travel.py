"""The bar's travel over a clip, read from the arms in the picture, from any view.

Two things come out. `off_line` tells how the arms differ from straight ones; no straight-armed move of the
bar (unracking, racking) changes it. `height` is the way of the hands along the direction in which they move
while the arms bend and straighten; so it also works from overhead, where the bar comes nearer instead of
rising.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.skeleton import JOINTS, REFINED
from asymscreen.motion.filter import lowpass
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

RATE_HZ = 60.0
"""Rate on which the travel is analysed, whatever the clip's own."""
SMOOTH_HZ = 2.0
"""Low-pass of hands and elbows; the bar of a controlled rep moves below 1 Hz."""
BODY_HZ = 1.0
"""Low-pass of the shoulders, which hardly move."""
SHORTEST_S = 0.6
"""A clip that shows the arms for less holds no rep; seconds."""
LEAST_PX = 8.0
"""Shoulders that look narrower than this are too small to follow, pixels."""
ARM_TO_SHOULDERS = 0.66
"""Shoulder width over arm length to the wrist, 0.36 m over 0.545 m (Drillis & Contini 1966 for a stature of
1.65 m): from the side the shoulders cover each other, and the arm gives the scale."""
FORE_TO_UPPER = 0.88
"""Length from elbow to wrist over shoulder to elbow, between the COCO points; 0.84 to 0.93 in rendered
lifters."""
LEAST_APART = 0.8
"""Hands that look nearer to each other than this, shoulder widths, are seen from the side."""
WORK_S = 0.5
"""The arms are at work where they bend or straighten within this time to both sides, seconds."""
WORK_SHARE, FASTEST = 0.45, 95.0
"""At work means a change, in that time, of this share of the clip's fast ones; their percentile, which a few
wrong frames do not lift. Leading the bar from the rack gives up to 0.43 of the fastest."""
LOCKOUT_PERCENTILE = 92.0
"""Of the heights at work; the rest is the start of a way to the rack."""
SEEN_S = 0.25
"""Seconds from the nearest frame with a hand beyond which the travel is a guess."""


@dataclass(frozen=True)
class Travel:
    """Bar travel on an even time grid (n,).

    height    shoulder widths along the bar's way, high at lockout
    off_line  (n, 4) left then right hand from where it would be in line with the upper arm, shoulder widths
    lockout   height at which the arms come to rest straight
    seen      whether shoulders and a hand were seen within 0.25 s of that moment
    """

    time_s: FloatArray
    height: FloatArray
    off_line: FloatArray
    lockout: float
    seen: Mask


def bar_travel(tracks: Tracks) -> Travel | None:
    """The bar's travel; None where the arms are seen in too little of the clip, or do not move."""
    joints, seen = _arms(tracks)
    t = tracks.time_s[seen]
    if len(t) < 8 or t[-1] - t[0] < SHORTEST_S or np.isnan(joints[seen]).any():
        return None
    grid = np.arange(t[0], t[-1], 1 / RATE_HZ)
    even = np.stack([np.interp(grid, t, joints[seen, k, i]) for k in range(6) for i in range(2)], axis=1)
    smooth = lowpass(even, RATE_HZ, SMOOTH_HZ).reshape(len(grid), 6, 2)
    chest = lowpass(even[:, 0:4].reshape(-1, 2, 2).mean(axis=1), RATE_HZ, BODY_HZ)
    scale = _scale(smooth)
    if scale < LEAST_PX:
        return None
    off = _off_line(smooth, scale)
    work = _work(off)
    if not work.any():
        return None
    height = _way((smooth[:, 4:6] - chest[:, None]).reshape(len(grid), 4) / (scale * np.sqrt(2.0)), work)
    before = np.clip(np.searchsorted(t, grid, side="right") - 1, 0, len(t) - 2)
    nearest = np.minimum(np.abs(grid - t[before]), np.abs(t[before + 1] - grid))
    return Travel(
        grid, height, off, float(np.percentile(height[work], LOCKOUT_PERCENTILE)), nearest <= SEEN_S
    )


def _arms(tracks: Tracks) -> tuple[FloatArray, Mask]:
    """(T, 6, 2) arm joints and (T,) whether both shoulders and a hand are seen.

    Refined joints where there are, else coarse ones, moved by what lies between the two. A hidden hand
    follows the other one, for both hold one bar; shoulders and elbows hidden for a time are read between.
    """
    fine, coarse = tracks.points(*REFINED)[:, :6], tracks.points(*JOINTS)[:, :6]
    joints = np.where(np.isnan(fine), coarse + _median(fine - coarse), fine)
    grip = _between(tracks.time_s, joints[:, 4] - joints[:, 5])
    left, right = joints[:, 4].copy(), joints[:, 5].copy()
    joints[:, 4] = np.where(np.isnan(left), right + grip, left)
    joints[:, 5] = np.where(np.isnan(right), left - grip, right)
    seen = ~np.isnan(joints[:, [0, 1, 4, 5]]).any(axis=(1, 2))
    for k in range(4):
        joints[:, k] = _between(tracks.time_s, joints[:, k])
    return joints, np.asarray(seen)


def _median(offset: FloatArray) -> FloatArray:
    """(6, 2) median of offsets (T, 6, 2) where both are seen, else 0."""
    out = np.zeros(offset.shape[1:])
    for k in range(offset.shape[1]):
        known = offset[~np.isnan(offset[:, k]).any(axis=1), k]
        if len(known):
            out[k] = np.median(known, axis=0)
    return out


def _between(time_s: FloatArray, xy: FloatArray) -> FloatArray:
    """`xy` (T, 2) with its unseen frames read between the seen ones; as it is where none is seen."""
    seen = ~np.isnan(xy).any(axis=1)
    if not seen.any():
        return xy
    return np.stack([np.interp(time_s, time_s[seen], xy[seen, i]) for i in range(2)], axis=1)


def _scale(joints: FloatArray) -> float:
    """A shoulder width in pixels."""
    shoulder, elbow, wrist = joints[:, 0:2], joints[:, 2:4], joints[:, 4:6]
    arms = np.linalg.norm(elbow - shoulder, axis=2) + np.linalg.norm(wrist - elbow, axis=2)
    shoulders = float(np.median(np.linalg.norm(joints[:, 0] - joints[:, 1], axis=1)))
    return max(shoulders, ARM_TO_SHOULDERS * float(np.percentile(arms.mean(axis=1), 90)))


def _off_line(joints: FloatArray, scale: float) -> FloatArray:
    """(n, 4) how far both hands are from the lines of their upper arms. The bar keeps its length, so how
    long it looks tells how near it is: nearer hands are drawn larger, also on straight arms."""
    shoulder, elbow, wrist = joints[:, 0:2], joints[:, 2:4], joints[:, 4:6]
    apart = np.linalg.norm(wrist[:, 0] - wrist[:, 1], axis=1)
    usual = float(np.median(apart))
    far = usual / np.maximum(apart, 0.5 * usual) if usual > LEAST_APART * scale else np.ones(len(apart))
    off = (wrist - elbow) * far[:, None, None] - FORE_TO_UPPER * (elbow - shoulder)
    return np.asarray(off.reshape(len(joints), 4) / scale)


def _work(off: FloatArray) -> Mask:
    """(n,) moments around which the arms bend or straighten."""
    half = min(round(WORK_S * RATE_HZ), (len(off) - 1) // 2)
    padded = np.pad(off, ((half, half), (0, 0)), mode="edge")
    change = np.linalg.norm(padded[2 * half :] - padded[: len(off)], axis=1)
    return np.asarray(change > WORK_SHARE * np.percentile(change, FASTEST))


def _way(hands: FloatArray, work: Mask) -> FloatArray:
    """(n,) where the hands (n, 4) are along the direction of their motion during work, growing towards
    lockout: there they are higher in the picture, and seem further apart where the phone is above them."""
    centred = hands - hands[work].mean(axis=0)
    way = np.linalg.svd(centred[work], full_matrices=False)[2][0]
    apart = np.linalg.norm(hands[:, :2] - hands[:, 2:], axis=1)
    up = apart - (hands[:, 1] + hands[:, 3])
    height = centred @ way
    return np.asarray(height if float(height[work] @ (up[work] - up[work].mean())) > 0 else -height)
