"""What is fitted in the picture around the coarse landmarks: refined joints, the bar's axis, true verticals.

The coarse pass (`extract`) looks at some five frames a second and hands them to `Stills.observe`; once the
reps are known, `add_detail` looks closely at the frames that the solver will use and joins what it found
to the tracks, as the extra names of `skeleton.REFINED` and `skeleton.EDGE_POINTS`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

import cv2
import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.clip import Frame
from asymscreen.capture.level import Upright, bar_line, upright
from asymscreen.capture.reel import Reel
from asymscreen.landmarks.refine import Refined, Refiner
from asymscreen.landmarks.skeleton import BLAZEPOSE, EDGE_POINTS, HIP_HABIT, PLACES, REFINED
from asymscreen.landmarks.usable import check_height
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
Found = tuple[FloatArray, FloatArray]

STILLS = 9
"""Frames whose still part is searched for verticals."""
STILL_EVERY = 3
"""Observed frames between two such frames, at first; doubled whenever twice STILLS have come together."""
DOUBT_PX = 3.0
"""Standard deviation at which a refined joint counts half, at 1280 pixels; scaled with the picture."""
BAR_SHARE_FULL = 0.8
"""Share of the bar's columns that agree with the line when the line is beyond doubt."""
THREADS = 2  # look closely at frames side by side
AHEAD = 4
"""Decoded frames that may wait for a thread."""

_WRISTS = [BLAZEPOSE.index("left_wrist"), BLAZEPOSE.index("right_wrist")]


class Stills:
    """Keeps a few pictures spread over the clip, grey (H, W), while it is looked through."""

    def __init__(self) -> None:
        self.pictures: list[Image] = []
        self._every = STILL_EVERY
        self._count = 0

    def observe(self, frame: Frame, xy_px: FloatArray) -> None:
        """Take one frame; frames come in order."""
        if self._count % self._every == 0:
            self.pictures.append(np.asarray(cv2.cvtColor(frame.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8))
            if len(self.pictures) >= 2 * STILLS:
                self.pictures = self.pictures[::2]
                self._every *= 2
        self._count += 1


def add_detail(
    reel: Reel,
    coarse: Tracks,
    wanted_s: Sequence[float],
    stills: Stills,
    progress: Callable[[int, int], None] | None = None,
) -> Tracks:
    """`coarse` with refined joints and the bar's axis in the frames nearest to `wanted_s`, and the clip's
    verticals.

    The tracks returned have a row for every frame that either pass looked at; what a pass did not look at is
    NaN.
    `progress` is called with (frames done, frames in all).
    Raises NothingToScreen where the refined joints were filmed from bench height (`usable.check_height`).
    """
    places = np.unique(reel.nearest(wanted_s)).tolist()
    guess = _between(coarse, reel.time_s[places])
    refiner = Refiner()
    found: list[Found] = []
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        vertical = pool.submit(upright, stills.pictures)
        waiting: list[Future[Found]] = []
        for k, frame in enumerate(reel.frames(places)):
            waiting.append(pool.submit(_read, refiner, frame.rgb, guess[k]))
            while len(waiting) > AHEAD:
                found.append(waiting.pop(0).result())
                if progress:
                    progress(len(found), len(places))
        found += [future.result() for future in waiting]
    joined = _joined(coarse, reel.time_s[places[: len(found)]], found, vertical.result())
    check_height(joined.points(*REFINED))
    return joined


def _read(refiner: Refiner, rgb: Image, xy_px: FloatArray) -> Found:
    """(10, 2) refined joints and bar points of one picture, and how far each is to be trusted, 0 to 1."""
    points, trust = np.full((10, 2), np.nan), np.zeros(10)
    if not np.isfinite(xy_px[_WRISTS]).all():
        return points, trust
    refined = refiner.refine(rgb, _without_habit(xy_px))
    points[:8] = refined.points_px
    scale = max(rgb.shape[:2]) / 1280
    trust[:8] = 1 / (1 + (refined.sigma_px / (DOUBT_PX * scale)) ** 2)
    line = _bar(rgb, refined, xy_px)
    if line is not None:
        points[8:], share = line
        trust[8:] = min(share / BAR_SHARE_FULL, 1.0)
    return points, trust


def _between(coarse: Tracks, at_s: FloatArray) -> FloatArray:
    """(n, 33, 2) coarse landmarks at times between the frames that were looked at; NaN more than a step
    away."""
    out = np.full((len(at_s), len(BLAZEPOSE), 2), np.nan)
    for k in range(len(BLAZEPOSE)):
        seen = ~np.isnan(coarse.xy_px[:, k, 0])
        if seen.sum() < 2:
            continue
        t = coarse.time_s[seen]
        near = np.abs(t[np.clip(np.searchsorted(t, at_s), 0, len(t) - 1)] - at_s) < NEAR_S
        for axis in (0, 1):
            out[near, k, axis] = np.interp(at_s[near], t, coarse.xy_px[seen, k, axis])
    return out


NEAR_S = 0.35
"""A coarse landmark further away in time than this is no guess for a frame."""


def _joined(coarse: Tracks, at_s: FloatArray, found: list[Found], vertical: Upright | None) -> Tracks:
    names = BLAZEPOSE + REFINED + EDGE_POINTS
    stamps = np.union1d(coarse.time_s, at_s)
    xy = np.full((len(stamps), len(names), 2), np.nan)
    trust = np.zeros((len(stamps), len(names)))
    first, n = np.searchsorted(stamps, coarse.time_s), len(BLAZEPOSE)
    xy[first, :n], trust[first, :n] = coarse.xy_px, coarse.visibility
    for row, (points, sure) in zip(np.searchsorted(stamps, at_s), found, strict=True):
        xy[row, n : n + 10], trust[row, n : n + 10] = points, sure
    if vertical is not None:
        xy[:, n + 10 :], trust[:, n + 10 :] = vertical.points, 1 / (1 + vertical.sd_deg**2)
    return Tracks(stamps, names, xy, trust, coarse.image_size)


def _without_habit(xy_px: FloatArray) -> FloatArray:
    """(8, 2) coarse joints with the hips where the COCO points are."""
    joints = xy_px[PLACES].copy()
    joints[6:] += HIP_HABIT * (joints[6:] - joints[:2])
    return joints


def _bar(rgb: Image, refined: Refined, coarse: FloatArray) -> tuple[FloatArray, float] | None:
    """The bar's axis around the refined hands, guided by the refiner's bar points; else around the coarse
    hands."""
    wrists: FloatArray = refined.points_px[4:6]
    guess: FloatArray | None = refined.bar_px
    if not np.isfinite(wrists).all() or not np.isfinite(refined.bar_px).all():
        wrists, guess = coarse[_WRISTS], None
    line = bar_line(rgb, wrists[0], wrists[1], guess)
    if line is None and guess is not None:
        line = bar_line(rgb, wrists[0], wrists[1])
    return None if line is None else (line.points, line.share)
