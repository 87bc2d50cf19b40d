"""Who is the lifter, which way up the network sees them best, and where in the picture they are.

A few frames spread over the clip are looked at first (the *scout*). The lifter is the person whose hands are
held up above their elbows, who moves them, and who is large and well seen; a spotter's hands hang or rest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.pair import Window, distance, trunk_size
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
Look = Callable[[Image, Window], list[Pose]]

CLEARLY_UPRIGHT = 0.75  # score of the picture as it is, above which no quarter turn is tried
SAME_TRACK = 0.6  # of the trunk's size; how far a trunk may move between two scout frames
RIVAL = 0.6  # of the best score; a second person above it is a second lifter
MEMORY_S = 0.5  # seconds after which a lost lifter is looked for where the scout saw them
FOUND_SHARE = 0.3  # of the frames; below it the tracks are too thin for a set
OUTSIDE_SHARE = 0.5  # of the frames in which a joint lies outside the picture
HANDS_DOWN = 0.0  # median share of the forearms' length that points up; at or below it no bar is held up
MARGIN = 0.25  # of the larger side of the box around the lifter, added on each side of the window

_J = {name: BLAZEPOSE.index(name) for name in BLAZEPOSE}
_JOINTS = [_J[name] for name in JOINTS]
_SHOULDERS, _ELBOWS, _WRISTS, _HIPS = (
    [_J[f"left_{part}"], _J[f"right_{part}"]] for part in ("shoulder", "elbow", "wrist", "hip")
)


@dataclass(frozen=True)
class Candidate:
    """One person over the scout frames: `poses[k]` is None where frame k did not show them."""

    poses: tuple[Pose | None, ...]

    @property
    def seen(self) -> list[Pose]:
        return [pose for pose in self.poses if pose is not None]

    @property
    def xy_px(self) -> FloatArray:
        """(frames seen, 33, 2) pixels."""
        return np.array([pose.xy_px for pose in self.seen])

    @property
    def size_px(self) -> float:
        return float(np.median([trunk_size(pose) for pose in self.seen]))

    def score(self) -> float:
        """0 to 1: how much this person looks like someone pressing a bar."""
        share = len(self.seen) / len(self.poses)
        sight = float(np.mean([pose.visibility[_JOINTS] for pose in self.seen]))
        return share * sight * (0.25 + 0.75 * hands_up(self.xy_px))


@dataclass(frozen=True)
class Lifter:
    """The scout's result: where to look, and the poses to start from (time in seconds, pose)."""

    window: Window
    start: tuple[tuple[float, Pose], ...]


def hands_up(xy_px: FloatArray) -> float:
    """0 to 1: share of the forearms' length that points up in the picture, (T, 33, 2) pixels.

    Someone under a bar holds both forearms up, seen from the feet or from the head; hanging hands give 0.
    """
    rise = xy_px[:, _ELBOWS, 1] - xy_px[:, _WRISTS, 1]
    length = np.linalg.norm(xy_px[:, _ELBOWS] - xy_px[:, _WRISTS], axis=-1)
    return float(np.clip(np.median((rise / np.maximum(length, 1e-6)).min(axis=1)), 0.0, 1.0))


def find_lifter(images: Sequence[Image], times: Sequence[float], look: Look) -> Lifter:
    """Look over a few frames and settle on the lifter.

    images  upright frames of one size, at `times` in seconds
    look    finds people in a window of a picture (`MirrorPair.people`)
    Raises NothingToScreen if nobody is found, or if two people could be the lifter.
    """
    height, width = images[0].shape[:2]
    turns = _best_turns(images[:: max(1, len(images) // 3)], width, height, look)
    window = Window(0, 0, width, height, turns)
    people = link([look(image, window) for image in images])
    if not people:
        raise NothingToScreen(
            "No person was found in the clip: film one lifter on the bench, in enough light."
        )
    best = choose(people)
    start = tuple((t, pose) for t, pose in zip(times, best.poses, strict=True) if pose is not None)
    return Lifter(window_around(best, width, height, turns), start)


def _best_turns(images: Sequence[Image], width: int, height: int, look: Look) -> int:
    scores = []
    for turns in range(4):
        people = link([look(image, Window(0, 0, width, height, turns)) for image in images])
        scores.append(max((person.score() for person in people), default=0.0))
        if scores[0] > CLEARLY_UPRIGHT:
            break
    return int(np.argmax(scores))


def link(frames: Sequence[list[Pose]]) -> list[Candidate]:
    """Join the people of successive frames into candidates: nearest trunks first, nobody moves far."""
    chains: list[list[Pose | None]] = []
    for k, people in enumerate(frames):
        free = list(people)
        ends = [next(pose for pose in reversed(chain) if pose is not None) for chain in chains]
        pairs = sorted(
            ((distance(end, pose), i, j) for i, end in enumerate(ends) for j, pose in enumerate(free)),
        )
        taken: dict[int, int] = {}
        for apart, i, j in pairs:
            if apart <= SAME_TRACK and i not in taken and j not in taken.values():
                taken[i] = j
        for i, chain in enumerate(chains):
            chain.append(free[taken[i]] if i in taken else None)
        chains += [[None] * k + [pose] for j, pose in enumerate(free) if j not in taken.values()]
    return [Candidate(tuple(chain)) for chain in chains]


def choose(people: Sequence[Candidate]) -> Candidate:
    """The lifter among the people of the scout frames. NothingToScreen if two could be."""
    largest = max(person.size_px for person in people)
    ranked = sorted(people, key=lambda p: p.score() * p.size_px / largest, reverse=True)
    best = ranked[0]
    for other in ranked[1:]:
        ratio = other.score() * other.size_px / (best.score() * best.size_px + 1e-9)
        if ratio > RIVAL and len(other.seen) * 2 > len(other.poses):
            raise NothingToScreen(
                "Two people in the picture could be the lifter: frame one of them only and film again."
            )
    return best


def window_around(person: Candidate, width: int, height: int, turns: int) -> Window:
    """The part of the picture that holds the lifter in all scout frames, with room to move."""
    points = person.xy_px.reshape(-1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    room = MARGIN * float((high - low).max())
    left, top = np.floor(low - room)
    right, bottom = np.ceil(high + room)
    return Window(
        int(max(0, left)), int(max(0, top)), int(min(width, right)), int(min(height, bottom)), turns
    )


class Follower:
    """Keeps to the lifter from frame to frame: the person whose trunk stayed where it was."""

    def __init__(self, lifter: Lifter) -> None:
        self._start = lifter.start
        self._last: tuple[float, Pose] | None = None

    def pick(self, time_s: float, people: Sequence[Pose]) -> Pose | None:
        """The lifter among the people of the frame at `time_s`, or None."""
        if not people:
            return None
        reference = self._reference(time_s)
        nearest = min(people, key=lambda pose: distance(reference, pose))
        if distance(reference, nearest) > SAME_TRACK:
            return None
        self._last = (time_s, nearest)
        return nearest

    def _reference(self, time_s: float) -> Pose:
        if self._last and time_s - self._last[0] <= MEMORY_S:
            return self._last[1]
        return min(self._start, key=lambda item: abs(item[0] - time_s))[1]


def check_lifter(tracks: Tracks) -> None:
    """Refuse tracks that show nobody under a bar. NothingToScreen says what is wrong, one sentence each.

    Judged: whether the lifter was found in enough frames, lies inside the picture, and holds the hands up.
    """
    found = np.isfinite(tracks.points("left_shoulder")[:, 0, 0])
    if found.mean() < FOUND_SHARE:
        raise NothingToScreen(
            f"The lifter was found in only {found.mean():.0%} of the frames: film with more light and closer."
        )
    reasons = [*_cut_off(tracks, found), *_not_under_a_bar(tracks, found)]
    if reasons:
        raise NothingToScreen(*reasons)


def _cut_off(tracks: Tracks, found: NDArray[np.bool_]) -> list[str]:
    size = np.array(tracks.image_size, dtype=np.float64)
    parts = []
    for part in ("shoulder", "elbow", "hip"):
        xy = tracks.points(f"left_{part}", f"right_{part}")[found]
        outside = ((xy < 0) | (xy > size)).any(axis=(1, 2))
        if outside.mean() > OUTSIDE_SHARE:
            parts.append(f"{part}s")
    if not parts:
        return []
    return [f"The picture cuts off the lifter's {' and '.join(parts)}: step back until all are in it."]


def _not_under_a_bar(tracks: Tracks, found: NDArray[np.bool_]) -> list[str]:
    points = tracks.points(*BLAZEPOSE)[found]
    if hands_up(points) > HANDS_DOWN:
        return []
    return ["Nobody in the picture holds a bar over the chest: film the set from the unrack to the rack."]
