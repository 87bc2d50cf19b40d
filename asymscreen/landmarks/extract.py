"""From a clip to landmark tracks: the lifter's 33 points in every analysed frame.

The landmarker says in a few frames who the lifter is. Where the refiner surely sees the same joints there, it
follows them through the clip; where the landmarker sees nobody, or somebody dimly, or joints that the refiner
does not see, the refiner looks for a lifter unaided; and where it sees none, the landmarker follows. Two
frames are in work at a time, the next is decoded meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.clip import ClipInfo, Frame
from asymscreen.capture.reel import Reel
from asymscreen.errors import DimlySeen
from asymscreen.landmarks.aimed import AimedWatch, Look, Shot, confirmed, find_aim
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.follow import Watch
from asymscreen.landmarks.pair import MirrorPair
from asymscreen.landmarks.person import Lifter, find_lifter, pick_lifter
from asymscreen.landmarks.refine import Refiner
from asymscreen.landmarks.skeleton import BLAZEPOSE, PLACES
from asymscreen.landmarks.usable import check_aimed, check_height, check_lifter
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
Observe = Callable[[Frame, FloatArray], None]
Progress = Callable[[int, int], None]

HIGHEST_RATE = 31.0  # analysed frames a second at most; a press has nothing above 6 Hz
SCOUT_FRAMES = 9  # frames looked at to find the lifter
CONFIRMING, AGREEING = 3, 2
"""Of them, the frames that the refiner is asked about, and in how many it must surely see the same joints."""
FOLLOWED_SHARE = 0.8
"""Of the frames, in which the refiner must have kept to the lifter; else the landmarker is asked."""
SCOUT_SPAN = (0.05, 0.95)  # of the clip; its very ends are often a hand at the phone


def extract(
    reel: Reel,
    *,
    step_s: float | None = None,
    progress: Progress | None = None,
    observe: Observe | None = None,
    lifter_at: tuple[float, float] | None = None,
) -> Tracks:
    """Landmark tracks of the lifter in a clip.

    step_s    seconds between analysed frames; by default every frame, at most about 30 a second
    progress  called with (frames done, frames in all); from the start again on a second look
    observe   called for every analysed frame, in order, with the frame and the lifter's (33, 2) pixels
              (NaN where the lifter was not found)
    lifter_at a point (x, y) on the lifter, pixels, where a person says who it is; else the lifter is found
    Raises ClipError if the clip cannot be decoded, NothingToScreen if it shows no lifter to screen.
    """
    plan = _Plan(reel, _stride(reel.info, step_s), lifter_at)
    tell = _Teller(len(plan.places), progress, observe)
    with MirrorPair() as pair:
        try:
            lifter = _scout(plan, pair)
        except DimlySeen:
            aimed = _aimed(plan, tell)
            if aimed is None:
                raise
            return aimed
        pair.rest()
        tracks = _confirmed(plan, tell, lifter)
        if tracks is None:
            tracks = _aimed(plan, tell)
        if tracks is None:
            with Watch(pair, lifter) as watch:
                tell.begin()
                tracks = _followed(plan, tell, watch)
    check_lifter(tracks)
    return tracks


@dataclass(frozen=True)
class _Plan:
    """Which frames of which clip are looked at, and who is the lifter, if a person said so."""

    reel: Reel
    stride: int
    at: tuple[float, float] | None

    @property
    def places(self) -> range:
        return range(0, self.reel.info.frames, self.stride)

    def frames(self) -> Iterator[Frame]:
        return self.reel.frames(self.places)

    def scout(self) -> tuple[list[Image], list[float]]:
        """A few pictures spread over the clip, and their times in seconds."""
        shown = list(self.reel.frames(self.reel.spread(np.linspace(*SCOUT_SPAN, SCOUT_FRAMES))))
        return [frame.rgb for frame in shown], [frame.time_s for frame in shown]


class _Teller:
    """Hands frames and landmarks on as they come, each frame once, and keeps them."""

    def __init__(self, total: int, progress: Progress | None, observe: Observe | None) -> None:
        self._total, self._progress, self._observe = total, progress, observe
        self._observed = 0
        self.begin()

    def begin(self) -> None:
        self.times: list[float] = []
        self.found: list[Pose | None] = []

    def add(self, frame: Frame, pose: Pose | None) -> None:
        self.times.append(frame.time_s)
        self.found.append(pose)
        if self._observe and len(self.found) > self._observed:
            self._observe(frame, pose.xy_px if pose else np.full((len(BLAZEPOSE), 2), np.nan))
            self._observed = len(self.found)
        if self._progress:
            self._progress(len(self.found), self._total)

    def tracks(self, info: ClipInfo) -> Tracks:
        return _tracks(self.times, self.found, (info.width, info.height))


def _confirmed(plan: _Plan, tell: _Teller, lifter: Lifter) -> Tracks | None:
    """Tracks of the scout's lifter by the refiner, or None where it does not surely see them."""
    few = lifter.shots[:: max(1, len(lifter.shots) // CONFIRMING)][:CONFIRMING]
    refiner = Refiner()
    ask = partial(_ask, refiner.refine)
    with ThreadPoolExecutor(AGREEING) as pool:
        shots = [shot for shot in pool.map(ask, few[:AGREEING]) if shot is not None]
    if len(shots) < AGREEING:
        shots += [shot for shot in map(ask, few[AGREEING:]) if shot is not None]
    if len(shots) < AGREEING:
        return None
    tell.begin()
    with AimedWatch(refiner.glance, shots) as watch:
        tracks = _followed(plan, tell, watch)
    found = np.isfinite(tracks.points("left_shoulder")[:, 0, 0])
    return tracks if found.mean() >= FOLLOWED_SHARE else None


def _ask(look: Look, shot: tuple[float, Image, Pose]) -> Shot | None:
    """The joints in one of the scout's shots, where the refiner surely sees them too."""
    time_s, rgb, pose = shot
    sighting = confirmed(look, rgb, pose.xy_px[PLACES])
    return None if sighting is None else (time_s, sighting.joints_px)


def _aimed(plan: _Plan, tell: _Teller) -> Tracks | None:
    """Tracks of a lifter whom only the refiner sees; None where it sees nobody. NothingToScreen as of
    `check_aimed`."""
    look = Refiner().refine
    shots = find_aim(*plan.scout(), look, plan.at)
    if shots is None:
        return None
    check_height(np.array([joints for _, joints in shots]))
    tell.begin()
    with AimedWatch(look, shots, rounds=2) as watch:
        tracks = _followed(plan, tell, watch)
    check_aimed(tracks)
    return tracks


def _stride(info: ClipInfo, step_s: float | None) -> int:
    if step_s is None:
        return max(1, math.ceil(info.fps / HIGHEST_RATE))
    return max(1, round(step_s * info.fps))


def _scout(plan: _Plan, pair: MirrorPair) -> Lifter:
    images, moments = plan.scout()
    if plan.at is None:
        return find_lifter(images, moments, pair.people)
    return pick_lifter(images, moments, pair.people, plan.at)


def _followed(plan: _Plan, tell: _Teller, watch: Watch | AimedWatch) -> Tracks:
    """The clip looked through; each frame is decoded and begun on while the one before is in work."""
    before: tuple[Frame, Any] | None = None
    for frame in plan.frames():
        begun = watch.submit(frame.time_s, frame.rgb)
        if before:
            tell.add(before[0], watch.settle(before[0].time_s, before[0].rgb, before[1]))
        before = (frame, begun)
    if before:
        tell.add(before[0], watch.settle(before[0].time_s, before[0].rgb, before[1]))
    return tell.tracks(plan.reel.info)


def _tracks(times: list[float], found: list[Pose | None], size: tuple[int, int]) -> Tracks:
    xy = np.full((len(found), len(BLAZEPOSE), 2), np.nan)
    visibility = np.zeros((len(found), len(BLAZEPOSE)))
    for k, pose in enumerate(found):
        if pose is not None:
            xy[k], visibility[k] = pose.xy_px, pose.visibility
    return Tracks(np.array(times), BLAZEPOSE, xy, visibility, size)
