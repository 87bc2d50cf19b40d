"""Keeping to the lifter. The network is a stand-in that says what it is told; people are stick figures."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from people import lifter, standing

from asymscreen.landmarks import follow as module
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.follow import LEG_ROOM, Watch, trust, view_of
from asymscreen.landmarks.pair import Window
from asymscreen.landmarks.person import Lifter

IMAGE = NDArray[np.uint8]
BLANK = np.zeros((720, 1280, 3), np.uint8)
WHOLE = Window(0, 0, 1280, 720)


def dimmer(pose: Pose, factor: float) -> Pose:
    return Pose(pose.xy_px, factor * pose.visibility)


def moved(pose: Pose, dx: float, dy: float = 0.0) -> Pose:
    return Pose(pose.xy_px + np.array([dx, dy]), pose.visibility)


class Script:
    """A pair of detectors that says what it is told to; keeps the pictures it was shown."""

    def __init__(self, answer: Callable[[], list[Pose]]) -> None:
        self.answer = answer
        self.shown: list[IMAGE] = []
        self.forgotten = 0

    def people(self, rgb: IMAGE, window: Window) -> list[Pose]:
        self.shown.append(rgb)
        return self.answer()

    def submit(self, rgb: IMAGE, window: Window) -> Script:
        return self

    def forget(self, rgb: IMAGE, window: Window) -> None:
        self.forgotten += 1

    def rest(self) -> None:
        return None

    def close(self) -> None:
        return None


class Answer:
    def __init__(self, people: list[Pose]) -> None:
        self._people = people

    def people(self) -> list[Pose]:
        return self._people


@pytest.fixture
def begin(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Watch, Script]]:
    def start(searched: list[Pose], *poses: tuple[float, Pose]) -> tuple[Watch, Script]:
        follower = Script(list)
        monkeypatch.setattr(module, "MirrorPair", lambda poses, follow: follower)
        shots = tuple((t, BLANK, pose) for t, pose in poses or ((0.0, lifter(1.0)),))
        return Watch(Script(lambda: searched), Lifter(WHOLE, shots)), follower  # type: ignore[arg-type]

    return start


def test_the_lifter_is_kept_when_a_passer_by_crosses(begin: Callable[..., tuple[Watch, Script]]) -> None:
    watch, _ = begin([])
    for k in range(30):
        people = [standing((100.0 + 40 * k, 250.0)), moved(lifter(0.5), 0.2 * k)]
        assert watch.settle(k / 30, BLANK, Answer(people)) is people[1]  # type: ignore[arg-type]


def test_a_frame_without_the_lifter_is_a_gap_and_not_a_jump(
    begin: Callable[..., tuple[Watch, Script]],
) -> None:
    watch, _ = begin([standing((1000.0, 200.0))])
    assert watch.settle(0.0, BLANK, Answer([lifter(1.0)])) is not None  # type: ignore[arg-type]
    assert watch.settle(0.1, BLANK, Answer([standing((1000.0, 200.0))])) is None  # type: ignore[arg-type]
    assert watch.settle(0.2, BLANK, Answer([])) is None  # type: ignore[arg-type]
    assert watch.settle(0.3, BLANK, Answer([lifter(0.8)])) is not None  # type: ignore[arg-type]


def test_after_a_long_gap_the_lifter_is_expected_where_the_scout_saw_them(
    begin: Callable[..., tuple[Watch, Script]],
) -> None:
    later = moved(lifter(0.5), 300.0)
    watch, _ = begin([], (0.0, lifter(1.0)), (5.0, later))
    assert watch.settle(0.0, BLANK, Answer([lifter(1.0)])) is not None  # type: ignore[arg-type]
    assert watch.settle(5.0, BLANK, Answer([later])) is later  # type: ignore[arg-type]


def test_a_doubtful_frame_is_searched_and_the_surer_look_kept(
    begin: Callable[..., tuple[Watch, Script]],
) -> None:
    sure = lifter(0.5)
    watch, follower = begin([sure])
    before = follower.forgotten
    for factor, expected in ((0.7, 0.7 * 0.95), (0.5, 0.95)):
        chosen = watch.settle(0.0, BLANK, Answer([dimmer(sure, factor)]))  # type: ignore[arg-type]
        assert trust(chosen) == pytest.approx(expected)
    assert follower.forgotten == before


def test_following_starts_anew_on_the_lifter_alone_when_lost(
    begin: Callable[..., tuple[Watch, Script]],
) -> None:
    found = lifter(0.5)
    watch, follower = begin([found])
    assert (follower.forgotten, len(follower.shown)) == (1, 1)
    bright = np.full_like(BLANK, 250)
    assert watch.settle(0.0, bright, Answer([])) is found  # type: ignore[arg-type]
    assert (follower.forgotten, len(follower.shown)) == (2, 2)
    inside = follower.shown[1][:, :, 0] == 250
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    # shoulders, elbows, wrists and hips of the stick lifter, and some room; legs and everything else are grey
    assert rows[0] <= 220 <= 390 <= rows[-1] < 500
    assert 450 < columns[0] <= 560 <= 720 <= columns[-1] < 830
    assert set(np.unique(follower.shown[1])) == {128, 250}


def test_leg_room_is_added_only_where_legs_leave_the_picture() -> None:
    inside = Lifter(WHOLE, ((0.0, BLANK, lifter(1.0)),))
    assert view_of(inside) == WHOLE
    below = Lifter(WHOLE, ((0.0, BLANK, moved(lifter(1.0), 0.0, 250.0)),))
    assert view_of(below) == Window(0, 0, 1280, 720 + round(LEG_ROOM * 720))
    left = Lifter(WHOLE, ((0.0, BLANK, moved(lifter(1.0), -610.0)),))
    assert view_of(left) == Window(-round(LEG_ROOM * 1280), 0, 1280, 720)


def test_trust_is_the_mean_sight_of_the_arms() -> None:
    assert trust(None) == 0.0
    assert trust(dimmer(lifter(0.0), 0.5)) == pytest.approx(0.475)
