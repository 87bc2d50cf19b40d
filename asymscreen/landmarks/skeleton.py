"""Landmark names, left-right pairs, and the points the press solver uses.

Names are BlazePose's 33 (Apache-2.0 model card). Besides them a track file may carry the *edge points*:
two image points on the bar's axis and two on a long vertical (a rack upright), fitted in the picture.
"""

from __future__ import annotations

BLAZEPOSE: tuple[str, ...] = (
    "nose",
    "left_eye_inner", "left_eye", "left_eye_outer",
    "right_eye_inner", "right_eye", "right_eye_outer",
    "left_ear", "right_ear", "mouth_left", "mouth_right",
    "left_shoulder", "right_shoulder", "left_elbow", "right_elbow", "left_wrist", "right_wrist",
    "left_pinky", "right_pinky", "left_index", "right_index", "left_thumb", "right_thumb",
    "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle",
    "left_heel", "right_heel", "left_foot_index", "right_foot_index",
)  # fmt: skip

EDGE_POINTS: tuple[str, ...] = ("left_bar", "right_bar", "upright_low", "upright_high")
"""Bar axis outside the lifter's left and right hand; lower and upper end of a vertical, all in pixels."""

JOINTS: tuple[str, ...] = (
    "left_shoulder", "right_shoulder", "left_elbow", "right_elbow",
    "left_wrist", "right_wrist", "left_hip", "right_hip",
)  # fmt: skip
"""The eight joints that the press solver reads, left before right."""
PLACES = [BLAZEPOSE.index(name) for name in JOINTS]
"""Where they are among BLAZEPOSE."""


REFINED: tuple[str, ...] = tuple(f"refined_{name}" for name in JOINTS)
"""The same eight joints as the refiner places them; a track file may lack them."""


def mirror_name(name: str) -> str:
    """The landmark on the other side: `left_elbow` gives `right_elbow`, `nose` gives `nose`."""
    if "left" in name:
        return name.replace("left", "right")
    return name.replace("right", "left")


MIRROR: dict[str, str] = {name: mirror_name(name) for name in BLAZEPOSE + EDGE_POINTS + REFINED}

KNOWN: tuple[str, ...] = BLAZEPOSE + EDGE_POINTS + REFINED
"""Every landmark name that a track file may carry."""

HIP_HABIT = 0.12
"""Share of the shoulder-hip distance by which the landmarker puts a lying lifter's hips towards the shoulders
from the COCO point, the same on both sides; mean over rendered lifters, 64 mm of 0.55 m."""
