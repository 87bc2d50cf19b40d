"""Who is the lifter, which way up the network sees them best, and where in the picture they are.

A few frames spread over the clip are looked at first (the *scout*). The lifter is the person whose hands are
apart, level with each other and held up; a spotter's hands hang or rest. Where the picture as it is does not
show such a person well, quarter turns and parts of the picture are tried.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import DimlySeen, NothingToScreen
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.pair import Window, distance, trunk_size
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
Look = Callable[[Image, Window], list[Pose]]

CLEAR = 0.7  # score of a lifter above which no other turn or part of the picture is tried
TRIAL_FRAMES = 3  # frames on which the quarter turns and parts are tried
SAME_TRACK = 0.6  # of the trunk's size; how far a trunk may move between two scout frames
RIVAL = 0.6
"""Of the best score; a second person above it could be a second lifter. Two alike side by side came out as
far apart as 0.61 and 0.85; a spotter, whose hands hang, scores 0.25 at most."""
FAINT = 0.4  # score; a lifter behind a spotter's back had 0.26, five of 62 in plain sight fewer than 0.55
GHOST = 0.05  # score; in an empty gym somebody was seen with 0.03, people who stand there had 0.1 or more
HANDS_FREE = 0.2  # mark of being under a bar; at or below it nobody is hidden, somebody does something else
SURE_HANDS = 0.8
"""The same mark; above it a poorly seen lifter is still one (62 of 62 had 1.0, that one 0.45)."""
SEPARATE = 1.0  # trunk sizes between the middles of two trunks that are two people
MAIN_SIZE = 1.33  # a lifter so many times larger than another is the one that was filmed
ROOM = 0.3  # of the larger side of the box around the joints, on each side of the window
PARTS = ((0.0, 0.0, 1.0, 1.25), (0.0, 0.35, 1.0, 1.0), (0.15, 0.25, 0.85, 1.0), (0.2, 0.0, 0.8, 0.75))
"""Parts of the picture that are tried: left, top, right, bottom as shares. The first adds grey for legs that
leave the picture below; the next two cut a spotter off."""
# each mark of someone under a bar runs from 0 at the first value to 1 at the second
HANGING, HELD = -0.3, 0.1  # rise of the wrists over the elbows, trunk sizes
TWISTED, PARALLEL = 40.0, 10.0  # angle between the lines of wrists and shoulders, degrees
CLOSE, APART = 0.8, 1.3  # distance of the wrists, shoulder widths

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

    @property
    def score(self) -> float:
        """0 to 1: how well this person is seen, and how much they look like someone under a bar."""
        share = len(self.seen) / len(self.poses)
        return share * self.sight * (0.25 + 0.75 * under_a_bar(self.xy_px))

    @property
    def sight(self) -> float:
        """0 to 1: mean visibility of the joints where this person is seen."""
        return float(np.mean([pose.visibility[_JOINTS] for pose in self.seen]))


@dataclass(frozen=True)
class Lifter:
    """The scout's result.

    window   where and which way up the lifter is found best
    shots    the lifter in the scout frames: (time in seconds, frame, pose)
    """

    window: Window
    shots: tuple[tuple[float, Image, Pose], ...]


def wrist_rise(xy_px: FloatArray) -> FloatArray:
    """(T,) how far the wrists lie above the elbows in the picture, the lesser side, in trunk sizes.

    xy_px   (T, 33, 2) pixels
    """
    sizes = np.array([trunk_size(Pose(xy, np.ones(len(xy)))) for xy in xy_px])
    rise: FloatArray = (xy_px[:, _ELBOWS, 1] - xy_px[:, _WRISTS, 1]).min(axis=1) / np.maximum(sizes, 1.0)
    return rise


def under_a_bar(xy_px: FloatArray) -> float:
    """0 to 1: hands not hanging, apart, and on a line with the shoulders; (T, 33, 2) pixels.

    Hanging hands lie about 0.4 trunk sizes below the elbows; a lifter's, from any view, at -0.1 or more in
    the median over a set. A bar holds the hands apart and nearly parallel to the shoulders.
    """
    shoulders = xy_px[:, _SHOULDERS[0]] - xy_px[:, _SHOULDERS[1]]
    wrists = xy_px[:, _WRISTS[0]] - xy_px[:, _WRISTS[1]]
    cross = shoulders[:, 0] * wrists[:, 1] - shoulders[:, 1] * wrists[:, 0]
    angle = np.degrees(np.abs(np.arctan2(cross, (shoulders * wrists).sum(axis=1))))
    apart = np.linalg.norm(wrists, axis=1) / np.maximum(np.linalg.norm(shoulders, axis=1), 1.0)
    marks = (
        _ramp(float(np.median(wrist_rise(xy_px))), HANGING, HELD),
        _ramp(float(np.median(angle)), TWISTED, PARALLEL),
        _ramp(float(np.median(apart)), CLOSE, APART),
    )
    return float(np.prod(marks))


def _ramp(value: float, zero: float, one: float) -> float:
    return float(np.clip((value - zero) / (one - zero), 0.0, 1.0))


def find_lifter(images: Sequence[Image], times: Sequence[float], look: Look) -> Lifter:
    """Look over a few frames and settle on the lifter.

    images  upright frames of one size, at `times` in seconds; where every second one shows one person who is
            plainly a lifter, the others are left alone
    look    finds people in a window of a picture (`MirrorPair.people`)
    Raises DimlySeen if nobody is found or the lifter is hidden, NothingToScreen if two people could be the
    lifter.
    """
    height, width = images[0].shape[:2]
    whole = Window(0, 0, width, height)

    @cache
    def looked(k: int, window: Window) -> list[Pose]:
        return look(images[k], window)

    def scout(window: Window, every: int = 1) -> list[Candidate]:
        return link([looked(k, window) for k in range(0, len(images), every)])

    people = scout(whole, every=2)
    if len(people) == 1 and people[0].score >= CLEAR:
        return _settled(whole, times[::2], images[::2], people[0])
    window, people = whole, scout(whole)
    if _best(people) < CLEAR:
        few = max(1, len(images) // TRIAL_FRAMES)
        others = [_part(whole, shares) for shares in PARTS] + [_turned(whole, turns) for turns in (1, 2, 3)]
        other = _first_clear(others, lambda window: _best(scout(window, few)))
        again = scout(other)
        if _best(again) > _best(people):
            window, people = other, again
    if _best(people) < GHOST:
        raise DimlySeen("No person was found in the clip: film one lifter on the bench, in enough light.")
    best = choose(people)
    if best.score < FAINT and HANDS_FREE < under_a_bar(best.xy_px) < SURE_HANDS:
        raise DimlySeen(
            "The lifter is hidden or too dark to see: film with nobody in between and with more light."
        )
    if len(people) > 1 or best.score < CLEAR:
        tight = window_around(best.xy_px, whole, window.turns)
        again = scout(tight)
        if _best(again) > best.score:
            window, best = tight, choose(again)
    return _settled(window, times, images, best)


def pick_lifter(
    images: Sequence[Image], times: Sequence[float], look: Look, at: tuple[float, float]
) -> Lifter:
    """The person at a point (x, y) in pixels, whom somebody named as the lifter; otherwise as `find_lifter`.

    Raises DimlySeen if nobody is found near that point.
    """
    height, width = images[0].shape[:2]
    whole = Window(0, 0, width, height)
    chosen = _nearest(link([look(image, whole) for image in images]), at)
    window = window_around(chosen.xy_px, whole)
    closer = _nearest(link([look(image, window) for image in images]), at)
    if len(closer.seen) >= len(chosen.seen):
        chosen = closer
    else:
        window = whole
    return _settled(window, times, images, chosen)


def _settled(window: Window, times: Sequence[float], images: Sequence[Image], chosen: Candidate) -> Lifter:
    shots = zip(times, images, chosen.poses, strict=True)
    return Lifter(window, tuple((t, image, pose) for t, image, pose in shots if pose is not None))


def _nearest(people: Sequence[Candidate], at: tuple[float, float]) -> Candidate:
    """Whose joints lie nearest to a point, within a trunk's size."""

    def away(person: Candidate) -> float:
        ways = np.linalg.norm(person.xy_px[:, _JOINTS] - np.array(at), axis=2).min(axis=1)
        return float(np.median(ways)) / person.size_px

    near = [person for person in people if away(person) < 1.0]
    if not near:
        raise DimlySeen("Nobody was found at the place that was marked: mark the lifter's chest.")
    return min(near, key=away)


def _best(people: Sequence[Candidate]) -> float:
    return max((person.score for person in people), default=0.0)


def _first_clear(windows: Sequence[Window], score: Callable[[Window], float]) -> Window:
    """The first window that scores enough, else the best of them."""
    scores: list[float] = []
    for window in windows:
        scores.append(score(window))
        if scores[-1] >= CLEAR:
            return window
    return windows[int(np.argmax(scores))]


def _turned(window: Window, turns: int) -> Window:
    return Window(window.left, window.top, window.right, window.bottom, turns)


def _part(whole: Window, shares: tuple[float, float, float, float]) -> Window:
    sizes = (whole.right, whole.bottom, whole.right, whole.bottom)
    left, top, right, bottom = (round(share * size) for share, size in zip(shares, sizes, strict=True))
    return Window(left, top, right, bottom)


def window_around(xy_px: FloatArray, whole: Window, turns: int = 0) -> Window:
    """The part of the picture that holds someone's joints, (T, 33, 2) pixels, with room to move."""
    points = xy_px[:, _JOINTS].reshape(-1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    room = ROOM * float((high - low).max())
    left, top = np.maximum(np.floor(low - room), 0).astype(int)
    right, bottom = np.minimum(np.ceil(high + room), (whole.right, whole.bottom)).astype(int)
    return Window(int(left), int(top), int(right), int(bottom), turns)


def link(frames: Sequence[list[Pose]]) -> list[Candidate]:
    """Join the people of successive frames into candidates: nearest trunks first, nobody moves far."""
    chains: list[list[Pose | None]] = []
    for k, people in enumerate(frames):
        ends = [next(pose for pose in reversed(chain) if pose is not None) for chain in chains]
        pairs = sorted(
            (distance(end, pose), i, j) for i, end in enumerate(ends) for j, pose in enumerate(people)
        )
        taken: dict[int, int] = {}
        for apart, i, j in pairs:
            if apart <= SAME_TRACK and i not in taken and j not in taken.values():
                taken[i] = j
        for i, chain in enumerate(chains):
            chain.append(people[taken[i]] if i in taken else None)
        chains += [[None] * k + [pose] for j, pose in enumerate(people) if j not in taken.values()]
    return [Candidate(tuple(chain)) for chain in chains]


def choose(people: Sequence[Candidate]) -> Candidate:
    """The lifter among the people of the scout frames. NothingToScreen if two could be."""
    best = max(people, key=lambda person: person.score)
    rivals = [person for person in people if _may_press(person, best) and _beside(person, best)]
    if not rivals:
        return best
    first, second = sorted([best, *rivals], key=lambda person: person.size_px, reverse=True)[:2]
    if first.size_px < MAIN_SIZE * second.size_px:
        raise NothingToScreen(
            "Two people in the picture could be the lifter: frame one of them only and film again."
        )
    return first


def _may_press(person: Candidate, best: Candidate) -> bool:
    """Whether this could be a lifter too: scores nearly as well, or holds a bar most of the time, however
    dimly seen (the second of two lifters had 0.27, the first 0.63)."""
    often = 2 * len(person.seen) > len(person.poses)
    return person.score > RIVAL * best.score or (often and under_a_bar(person.xy_px) > SURE_HANDS)


def _beside(a: Candidate, b: Candidate) -> bool:
    """Whether these are two people, and not one lifter seen in two ways."""
    trunks = [person.xy_px[:, _SHOULDERS + _HIPS].mean(axis=(0, 1)) for person in (a, b)]
    return float(np.linalg.norm(trunks[0] - trunks[1])) > SEPARATE * max(a.size_px, b.size_px)
