"""What is fitted in the picture around the coarse landmarks: refined joints, the bar's axis, true verticals.

`Detail.observe` is handed every analysed frame while the landmarks are extracted; `Detail.add_to` then joins
what it found to the tracks, as the extra names of `skeleton.REFINED` and `skeleton.EDGE_POINTS`.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.clip import Frame
from asymscreen.capture.level import bar_line, upright
from asymscreen.landmarks.refine import Refined, Refiner
from asymscreen.landmarks.skeleton import BLAZEPOSE, EDGE_POINTS, REFINED
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]

STILLS = 9
"""Frames whose still part is searched for verticals."""
STILL_EVERY = 20
"""Analysed frames between two such frames, at first; doubled whenever twice STILLS have come together."""
DOUBT_PX = 3.0
"""Standard deviation at which a refined joint counts half."""
BAR_SHARE_FULL = 0.8
"""Share of the bar's columns that agree with the line when the line is beyond doubt."""

_WRISTS = [BLAZEPOSE.index("left_wrist"), BLAZEPOSE.index("right_wrist")]


class Detail:
    """Collects refined joints, bar lines and still pictures; a context manager, one for each clip."""

    def __init__(self) -> None:
        self._refiner = Refiner()
        self._pool = ThreadPoolExecutor(max_workers=1)
        self._found: list[Future[tuple[FloatArray, FloatArray]]] = []
        self._stills: list[Image] = []
        self._every = STILL_EVERY

    def __enter__(self) -> Detail:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(cancel_futures=True)

    def observe(self, frame: Frame, xy_px: FloatArray) -> None:
        """Take one frame and the lifter's coarse landmarks (33, 2) in it; frames come in order."""
        if len(self._found) % self._every == 0:
            self._keep_still(frame.rgb)
        self._found.append(self._pool.submit(self._read, frame.rgb, xy_px))

    def _keep_still(self, rgb: Image) -> None:
        self._stills.append(rgb)
        if len(self._stills) >= 2 * STILLS:
            self._stills = self._stills[::2]
            self._every *= 2

    def _read(self, rgb: Image, xy_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(10, 2) refined joints and bar points, and how far each is to be trusted, 0 to 1."""
        points, trust = np.full((10, 2), np.nan), np.zeros(10)
        if not np.isfinite(xy_px).any():
            return points, trust
        refined = self._refiner.refine(rgb, xy_px)
        points[:8] = refined.points_px
        scale = max(rgb.shape[:2]) / 1280
        trust[:8] = 1 / (1 + (refined.sigma_px / (DOUBT_PX * scale)) ** 2)
        found = _bar(rgb, refined, xy_px)
        if found is not None:
            points[8:], share = found
            trust[8:] = min(share / BAR_SHARE_FULL, 1.0)
        return points, trust

    def add_to(self, tracks: Tracks) -> Tracks:
        """`tracks` of the observed frames with what was found in them."""
        T = len(tracks)
        points, trust = np.full((T, 12, 2), np.nan), np.zeros((T, 12))
        for k, future in enumerate(self._found[:T]):
            points[k, :10], trust[k, :10] = future.result()
        vertical = upright(self._stills)
        if vertical is not None:
            points[:, 10:], trust[:, 10:] = vertical.points, 1 / (1 + vertical.sd_deg**2)
        return replace(
            tracks,
            names=tracks.names + REFINED + EDGE_POINTS,
            xy_px=np.concatenate([tracks.xy_px, points], axis=1),
            visibility=np.concatenate([tracks.visibility, trust], axis=1),
        )


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
