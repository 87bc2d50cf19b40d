"""A person says who the lifter is; the people are stick figures of `people.py`."""

from __future__ import annotations

import numpy as np
import pytest
from people import lifter, place, standing

from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.pair import Window
from asymscreen.landmarks.person import find_lifter, pick_lifter

PHASES = (1.0, 0.6, 0.0, 0.4, 1.0)
BLANK = np.zeros((720, 1280, 3), np.uint8)
IMAGES, TIMES = [BLANK] * len(PHASES), [0.5 * k for k in range(len(PHASES))]


class Scene:
    """People found frame by frame: in the whole picture first, then again in a part of it."""

    def __init__(self, *rows: list[Pose]) -> None:
        self.rows, self.looks = rows, 0

    def __call__(self, image: object, window: Window) -> list[Pose]:
        row = self.rows[self.looks % len(self.rows)]
        self.looks += 1
        inside = [pose for pose in row if window.left <= pose.xy_px[place("nose"), 0] <= window.right]
        return inside


def two_lifters() -> Scene:
    return Scene(*[[lifter(p, (350.0, 300.0)), lifter(p, (900.0, 300.0))] for p in PHASES])


@pytest.mark.parametrize(("at", "nose"), [((350.0, 320.0), 350.0), ((900.0, 320.0), 900.0)])
def test_of_two_lifters_the_marked_one_is_taken(at: tuple[float, float], nose: float) -> None:
    with pytest.raises(NothingToScreen, match="Two people"):
        find_lifter(IMAGES, TIMES, two_lifters())
    found = pick_lifter(IMAGES, TIMES, two_lifters(), at)
    assert {float(pose.xy_px[place("nose"), 0]) for _, _, pose in found.shots} == {nose}
    assert [time for time, _, _ in found.shots] == TIMES
    assert found.window.left < nose < found.window.right
    assert found.window.right - found.window.left < 1280


def test_someone_who_does_not_look_like_a_lifter_can_be_marked() -> None:
    scene = Scene(*[[lifter(p, (900.0, 300.0)), standing((250.0, 120.0))] for p in PHASES])
    found = pick_lifter(IMAGES, TIMES, scene, (250.0, 200.0))
    assert {float(pose.xy_px[place("nose"), 0]) for _, _, pose in found.shots} == {250.0}


def test_a_place_where_nobody_is_says_so() -> None:
    with pytest.raises(NothingToScreen, match="Nobody was found at the place that was marked"):
        pick_lifter(IMAGES, TIMES, two_lifters(), (640.0, 20.0))
