"""From a clip to landmark tracks: the lifter's 33 points in every analysed frame.

Every frame is looked at twice, as it is and mirrored, on two threads; the next frame is decoded and begun on
meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.clip import ClipInfo, Frame, frames, probe
from asymscreen.capture.sheet import Capture
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.follow import Watch
from asymscreen.landmarks.pair import MirrorPair, Pending
from asymscreen.landmarks.person import Lifter, find_lifter, pick_lifter
from asymscreen.landmarks.skeleton import BLAZEPOSE
from asymscreen.landmarks.usable import check_lifter
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]
Observe = Callable[[Frame, FloatArray], None]
Progress = Callable[[int, int], None]

HIGHEST_RATE = 31.0  # analysed frames a second at most; a press has nothing above 6 Hz
SCOUT_FRAMES = 9  # frames looked at to find the lifter
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
    progress  called with (frames done, frames in all)
    observe   called for every analysed frame, in order, with the frame and the lifter's (33, 2) pixels
              (NaN where the lifter was not found)
    lifter_at a point (x, y) on the lifter, pixels, where a person says who it is; else the lifter is found
    Raises ClipError if the file is no usable clip, NothingToScreen if it shows no lifter to screen.
    """
    info = probe(path)
    flip = capture is not None and capture.mirrored
    stride = _stride(info, step_s)
    places = range(0, info.frames, stride)
    found: list[Pose | None] = []
    times: list[float] = []
    with MirrorPair() as pair, Watch(pair, _scout(path, info, flip, pair, lifter_at)) as watch:
        for frame, pending in _ahead(frames(path, indexes=places, mirrored=flip), watch):
            pose = watch.settle(frame.time_s, frame.rgb, pending)
            found.append(pose)
            times.append(frame.time_s)
            if observe:
                observe(frame, pose.xy_px if pose else np.full((len(BLAZEPOSE), 2), np.nan))
            if progress:
                progress(len(found), len(places))
    tracks = _tracks(times, found, (info.width, info.height))
    check_lifter(tracks)
    return tracks


def _stride(info: ClipInfo, step_s: float | None) -> int:
    if step_s is None:
        return max(1, math.ceil(info.fps / HIGHEST_RATE))
    return max(1, round(step_s * info.fps))


def _scout(
    path: str | Path, info: ClipInfo, flip: bool, pair: MirrorPair, at: tuple[float, float] | None
) -> Lifter:
    low, high = SCOUT_SPAN
    places = np.unique(np.linspace(low * (info.frames - 1), high * (info.frames - 1), SCOUT_FRAMES).round())
    wanted = [int(place) for place in places]
    shown = list(frames(path, indexes=wanted, mirrored=flip))
    images, moments = [frame.rgb for frame in shown], [frame.time_s for frame in shown]
    return (
        find_lifter(images, moments, pair.people)
        if at is None
        else pick_lifter(images, moments, pair.people, at)
    )


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
