"""Faces of everybody in a picture, the lifter or not, so that they can be hidden.

The landmarker finds one or two large people; a spotter behind the bar or somebody by the wall is found by
looking through windows as well. What looks like a person only once is none: a hand at the bar often does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.detector import Detector, Pose
from asymscreen.landmarks.skeleton import BLAZEPOSE

Image = NDArray[np.uint8]
FloatArray = NDArray[np.float64]
Disc = tuple[float, float, float]
Look = Callable[[Image], Sequence[Pose]]

FACE = (
    "nose", "left_eye", "right_eye", "left_eye_inner", "right_eye_inner", "left_eye_outer",
    "right_eye_outer", "left_ear", "right_ear", "mouth_left", "mouth_right",
)  # fmt: skip
FACE_REACH = 0.55
"""Least radius of a face's disc as a share of the shoulders' width: a head is about as wide as that."""
FACE_MARGIN = 1.7
"""The disc's radius over the farthest face landmark's distance from the middle."""
WINDOWS = ((1.0, 1.0, 1), (0.5, 1.0, 3), (0.4, 0.55, 3))
"""Parts that are looked through: width and height as shares of the picture, and how many side by side, all
from the picture's upper edge."""
AROUND = 0.25
"""Room left around a person for the second look, as a share of the person's size."""
AGREE = 0.6
"""The second look has to find the nose this near to the first, as a share of the face's reach."""
LEAST_PX = 24
"""No window smaller than this is looked at, pixels."""

_FACE = [BLAZEPOSE.index(name) for name in FACE]
_SHOULDERS = [BLAZEPOSE.index("left_shoulder"), BLAZEPOSE.index("right_shoulder")]
_BODY = [k for k, name in enumerate(BLAZEPOSE) if not name.endswith(("knee", "ankle", "heel", "foot_index"))]


def find_faces(pictures: Sequence[Image]) -> list[list[Disc]]:
    """For every picture (height, width, 3), red first: (x, y, radius) in pixels of each face in it.

    Finds people of whom head and trunk are seen; a face alone, cut off or very small may be missed.
    ModelError if the landmark model is damaged or the system libraries that it needs are missing.
    """
    with Detector() as detector:
        return [faces_in(picture, detector.detect) for picture in pictures]


def faces_in(picture: Image, look: Look) -> list[Disc]:
    """(x, y, radius) in pixels of the faces that `look` finds in a picture and finds again close up."""
    found: list[Disc] = []
    for window, (x, y) in _windows(picture):
        for pose in look(window):
            disc = face_disc(pose)
            if _found_again(window, pose, look):
                found.append((disc[0] + x, disc[1] + y, disc[2]))
    return _apart(found)


def face_disc(pose: Pose) -> Disc:
    """(x, y, radius) that covers a person's face, pixels."""
    face, width = pose.xy_px[_FACE], float(np.linalg.norm(np.subtract(*pose.xy_px[_SHOULDERS])))
    return disc_around(face, width)


def disc_around(face: FloatArray, shoulders_px: float) -> Disc:
    """(x, y, radius) that covers a face of which landmarks (K, 2) are known, pixels."""
    middle = face.mean(axis=0)
    reach = FACE_MARGIN * float(np.linalg.norm(face - middle, axis=1).max())
    return float(middle[0]), float(middle[1]), max(reach, FACE_REACH * shoulders_px)


def _windows(picture: Image) -> Iterator[tuple[Image, tuple[int, int]]]:
    height, width = picture.shape[:2]
    for across, down, count in WINDOWS:
        w, h = round(across * width), round(down * height)
        if min(w, h) >= LEAST_PX:
            for x in np.linspace(0, width - w, count).astype(int):
                yield np.ascontiguousarray(picture[:h, x : x + w]), (int(x), 0)


def _found_again(picture: Image, pose: Pose, look: Look) -> bool:
    """True if a look at this person alone finds the face in the same place."""
    body, face = pose.xy_px[_BODY], pose.xy_px[_FACE]
    room = AROUND * np.ptp(body, axis=0)
    low = np.maximum(body.min(axis=0) - room, 0).astype(int)
    high = np.minimum(body.max(axis=0) + room, picture.shape[1::-1]).astype(int)
    if (high - low).min() < LEAST_PX:
        return False
    reach = float(np.linalg.norm(face - face.mean(axis=0), axis=1).max())
    closer = look(np.ascontiguousarray(picture[low[1] : high[1], low[0] : high[0]]))
    return any(np.linalg.norm(other.xy_px[0] + low - pose.xy_px[0]) <= AGREE * reach for other in closer)


def _apart(discs: list[Disc]) -> list[Disc]:
    """One disc for each face: of those whose middles lie in one another, the largest."""
    kept: list[Disc] = []
    for disc in sorted(discs, key=lambda d: -d[2]):
        if all(np.hypot(disc[0] - d[0], disc[1] - d[1]) > d[2] / 2 for d in kept):
            kept.append(disc)
    return kept
