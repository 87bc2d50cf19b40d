"""From a clip to landmark tracks: the lifter's 33 points in every analysed frame.

Every frame is looked at twice, as it is and mirrored, on two threads; the next frame is decoded and begun on
meanwhile. A clip in which the landmarker sees nobody, or somebody dimly, or the lifter where the refiner does
not, is looked at once more by the refiner.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.clip import ClipInfo, Frame, frames, probe
from asymscreen.capture.sheet import Capture
from asymscreen.errors import DimlySeen
from asymscreen.landmarks.aimed import AimedWatch, confirms, find_aim
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.follow import LOST, Watch
from asymscreen.landmarks.pair import MirrorPair, Pending
from asymscreen.landmarks.person import Lifter, find_lifter, pick_lifter
from asymscreen.landmarks.refine import Refiner
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS
from asymscreen.landmarks.usable import check_aimed, check_height, check_lifter
from asymscreen.motion.tracks import Tracks, nearest

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
Shot = tuple[float, Image]
Observe = Callable[[Frame, FloatArray], None]
Progress = Callable[[int, int], None]

HIGHEST_RATE = 31.0  # analysed frames a second at most; a press has nothing above 6 Hz
SCOUT_FRAMES = 9  # frames looked at to find the lifter
CONFIRMING = 3  # of them, on which the refiner is asked whether the landmarks are right
LOST_SHARE = 0.1
"""Of the frames that show the arms dimly (`follow.LOST`), above which the landmarks are not relied on: 16 of
351 rendered sets; one of them had joints 30 to 100 px off in such frames, and a side named wrongly."""
SCOUT_SPAN = (0.05, 0.95)  # of the clip; its very ends are often a hand at the phone


def extract(
    path: str | Path,
    capture: Capture | None = None,
    *,
    step_s: float | None = None,
    progress: Progress | None = None,
    observe: Observe | None = None,
    lifter_at: tuple[float, float] | None = None,
) -> Tracks:
    """Landmark tracks of the lifter in a clip.

    capture   only `mirrored` is read: a clip stored mirrored is turned back, so that sides are true
    step_s    seconds between analysed frames; by default every frame, at most about 30 a second
    progress  called with (frames done, frames in all); from the start again on a second look
    observe   called for every analysed frame, in order, with the frame and the lifter's (33, 2) pixels
              (NaN where the lifter was not found)
    lifter_at a point (x, y) on the lifter, pixels, where a person says who it is; else the lifter is found
    Raises ClipError if the file is no usable clip, NothingToScreen if it shows no lifter to screen.
    """
    info = probe(path)
    plan = _Plan(path, info, capture is not None and capture.mirrored, _stride(info, step_s), lifter_at)
    tell = _Teller(len(plan.places), progress, observe)
    try:
        tracks, pictures = _landmarked(plan, tell)
        check_lifter(tracks)
    except DimlySeen:
        aimed = _aimed(plan, tell)
        if aimed is None:
            raise
        return aimed
    if _confirmed(tracks, pictures):
        return tracks
    aimed = _aimed(plan, tell)
    return tracks if aimed is None else aimed


@dataclass(frozen=True)
class _Plan:
    """Which frames of which clip are looked at, and who is the lifter, if a person said so."""

    path: str | Path
    info: ClipInfo
    flip: bool
    stride: int
    at: tuple[float, float] | None

    @property
    def places(self) -> range:
        return range(0, self.info.frames, self.stride)

    def frames(self) -> Iterator[Frame]:
        return frames(self.path, indexes=self.places, mirrored=self.flip)

    def scout(self) -> tuple[list[Image], list[float]]:
        """A few pictures spread over the clip, and their times in seconds."""
        low, high = (share * (self.info.frames - 1) for share in SCOUT_SPAN)
        places = np.unique(np.linspace(low, high, SCOUT_FRAMES).round())
        wanted = [int(place) for place in places]
        shown = list(frames(self.path, indexes=wanted, mirrored=self.flip))
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


def _landmarked(plan: _Plan, tell: _Teller) -> tuple[Tracks, list[Shot]]:
    """The landmarker's tracks, and a few of the scout's pictures with their times in seconds."""
    with MirrorPair() as pair:
        lifter = _scout(plan, pair)
        few = lifter.shots[:: max(1, len(lifter.shots) // CONFIRMING)]
        pictures = [(time_s, rgb) for time_s, rgb, _ in few]
        with Watch(pair, lifter) as watch:
            del lifter, few
            for frame, pending in _ahead(plan.frames(), watch):
                tell.add(frame, watch.settle(frame.time_s, frame.rgb, pending))
    return tell.tracks(plan.info), pictures


def _confirmed(tracks: Tracks, pictures: list[Shot]) -> bool:
    """Whether the arms are in sight nearly always, and the refiner surely sees the lifter where the landmarks
    are in each of a few pictures."""
    joints = tracks.points(*JOINTS)
    seen = np.flatnonzero(~np.isnan(joints).any(axis=(1, 2)))
    sight = tracks.seen(*JOINTS[:6])[seen].mean(axis=1)
    if np.mean(sight < LOST) > LOST_SHARE:
        return False
    at = seen[nearest(tracks.time_s[seen], np.array([time_s for time_s, _ in pictures]))]
    look = Refiner().refine
    return all(confirms(look, rgb, joints[k]) for (_, rgb), k in zip(pictures, at, strict=True))


def _aimed(plan: _Plan, tell: _Teller) -> Tracks | None:
    """Tracks of a lifter whom only the refiner sees; None where it sees nobody. NothingToScreen as of
    `check_aimed`."""
    look = Refiner().refine
    shots = find_aim(*plan.scout(), look, plan.at)
    if shots is None:
        return None
    check_height(np.array([joints for _, joints in shots]))
    tell.begin()
    watch = AimedWatch(look, shots)
    for frame in plan.frames():
        tell.add(frame, watch.settle(frame.time_s, frame.rgb))
    tracks = tell.tracks(plan.info)
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


def _ahead(stream: Iterator[Frame], watch: Watch) -> Iterator[tuple[Frame, Pending]]:
    """Each frame with its look under way; the next frame is decoded while the network works."""
    before: tuple[Frame, Pending] | None = None
    for frame in stream:
        if before:
            yield before
        before = (frame, watch.submit(frame.rgb))
    if before:
        yield before


def _tracks(times: list[float], found: list[Pose | None], size: tuple[int, int]) -> Tracks:
    xy = np.full((len(found), len(BLAZEPOSE), 2), np.nan)
    visibility = np.zeros((len(found), len(BLAZEPOSE)))
    for k, pose in enumerate(found):
        if pose is not None:
            xy[k], visibility[k] = pose.xy_px, pose.visibility
    return Tracks(np.array(times), BLAZEPOSE, xy, visibility, size)
