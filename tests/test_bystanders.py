"""Faces of everybody in a picture: what is taken for a person, where the face is, and two real pictures.

The pictures are of rendered people (tests/data); where their heads are was read off them by eye.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from asymscreen.landmarks.bystanders import FACE, FACE_REACH, disc_around, faces_in, find_faces
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.skeleton import BLAZEPOSE

DATA = Path(__file__).parent / "data"
Image = NDArray[np.uint8]


def figure(x: float, y: float, scale: float = 100.0) -> Pose:
    """A person whose nose is at (x, y), with shoulders `scale` pixels apart."""
    xy = np.tile([x, y + 1.5 * scale], (len(BLAZEPOSE), 1))
    for name in FACE:
        xy[BLAZEPOSE.index(name)] = (x + (0.2 * scale if name == "left_ear" else 0), y)
    xy[BLAZEPOSE.index("left_shoulder")] = (x + scale / 2, y + scale / 2)
    xy[BLAZEPOSE.index("right_shoulder")] = (x - scale / 2, y + scale / 2)
    return Pose(xy, np.ones(len(BLAZEPOSE)))


class Eye:
    """A look that finds one person painted as a white spot at the nose, in every picture or only in some."""

    def __init__(self, again: bool = True, scale: float = 100.0) -> None:
        self.again, self.scale, self.looks = again, scale, 0

    def __call__(self, picture: Image) -> Sequence[Pose]:
        self.looks += 1
        spot = np.argwhere(picture[..., 0] > 200)
        whole = picture.shape[1] in (600, 300, 240)
        if not len(spot) or not (whole or self.again):
            return []
        y, x = spot.mean(axis=0)
        return [figure(float(x), float(y), self.scale)]


def room(x: int = 400, y: int = 100) -> Image:
    picture = np.zeros((400, 600, 3), np.uint8)
    picture[y, x] = 255
    return picture


def test_a_face_is_found_once_however_many_windows_show_it() -> None:
    eye = Eye()
    (disc,) = faces_in(room(), eye)
    # ten landmarks on the nose and one 20 px to the left of it
    assert disc[:2] == (pytest.approx(400 + 20 / 11), 100)
    assert disc[2] == pytest.approx(FACE_REACH * 100)
    assert eye.looks > 7


def test_what_is_not_found_again_close_up_is_no_person() -> None:
    assert faces_in(room(), Eye(again=False)) == []
    assert faces_in(np.zeros((400, 600, 3), np.uint8), Eye()) == []


def test_a_tiny_picture_is_not_looked_into_deeper() -> None:
    assert faces_in(np.zeros((20, 20, 3), np.uint8), Eye()) == []


def test_the_disc_reaches_over_all_landmarks_and_half_the_shoulders() -> None:
    face = np.array([[0.0, 0.0], [40.0, 0.0]])
    assert disc_around(face, 10.0) == (20.0, 0.0, pytest.approx(1.7 * 20))
    assert disc_around(face, 200.0)[2] == pytest.approx(FACE_REACH * 200)


def scene(place: tuple[int, int], width: int) -> Image:
    """A lifter under the bar, and a standing person pasted in at `place` as large as `width` pixels."""
    lifter = cv2.resize(cv2.imread(str(DATA / "press-foot.jpg")), (740, 494))
    person = cv2.imread(str(DATA / "standing.jpg"))[60:330, 60:340]
    person = cv2.resize(person, (width, round(width * 270 / 280)))
    picture = np.full((720, 1280, 3), 90, np.uint8)
    picture[226:, 270:1010] = lifter
    x, y = place
    picture[y : y + person.shape[0], x : x + width] = person
    return np.ascontiguousarray(picture[..., ::-1])


# where the pasted head's middle is: 0.49 of the width from its left edge, 0.145 of it from its upper one
@pytest.mark.parametrize(("place", "width"), [((520, 0), 233), ((20, 200), 420), ((1000, 100), 280)])
def test_a_spotter_and_a_bystander_are_found_and_hands_are_not(place: tuple[int, int], width: int) -> None:
    (found,) = find_faces([scene(place, width)])
    head = np.array(place) + np.array([0.49, 0.145]) * width
    hits = [disc for disc in found if np.hypot(*(np.array(disc[:2]) - head)) < 0.06 * width]
    assert len(hits) == 1
    assert 0.08 * width < hits[0][2] < 0.3 * width
    hands = np.array([[440, 330], [835, 325]])
    for disc in found:
        assert (np.hypot(*(hands - disc[:2]).T) > disc[2]).all()
