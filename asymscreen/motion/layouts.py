"""The common layouts of key points, names however they are written, and tracks made of either."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import TracksError
from asymscreen.landmarks.skeleton import BLAZEPOSE
from asymscreen.motion.tidy import LEAST_FRAMES
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]

COCO_17 = (
    "nose", "left_eye", "right_eye", "left_ear", "right_ear", "left_shoulder", "right_shoulder",
    "left_elbow", "right_elbow", "left_wrist", "right_wrist", "left_hip", "right_hip", "left_knee",
    "right_knee", "left_ankle", "right_ankle",
)  # fmt: skip
"""Order of the COCO key points (Lin et al. 2014)."""
BODY_13 = ("nose", *COCO_17[5:])
"""Head, then left and right shoulder, elbow, wrist, hip, knee, ankle; the head stands for the nose."""
LAYOUTS = {13: BODY_13, 17: COCO_17}
ARMS = tuple(f"{side}_{joint}" for joint in ("shoulder", "elbow", "wrist") for side in ("left", "right"))
"""Joints without which nothing can be screened; a layout must name them all."""
USUAL_FPS = 30.0
"""Frames a second where the file does not tell."""
OCCLUDED = 0.5
"""Visibility of a joint that is labelled but hidden (COCO's 1 of 2)."""
NO_TIMES = "These tracks carry no time stamps: {fps:g} frames a second were taken, so times are only as good."
ELSEWHERE = (
    "The joints were not placed by this program, and how far such joints are off was not measured: the "
    "errors stated are those of its own landmarks."
)


def canonical(name: str) -> str | None:
    """BlazePose's name of a joint however it is written ("L Shoulder", "lwrist", "head"); None if unknown."""
    plain = re.sub(r"[^a-z]+", "_", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name.strip()).lower()).strip("_")
    if plain in ("head", "face", "nose"):
        return "nose"
    if plain in BLAZEPOSE:
        return plain
    for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle"):
        if joint in plain:
            side = plain.replace(joint, "").replace("_", "")
            found = {"l": "left", "left": "left", "r": "right", "right": "right"}.get(side)
            return f"{found}_{joint}" if found else None
    return None


def tracks_of(
    xyv: FloatArray,
    names: Sequence[str],
    frames: FloatArray,
    image_size: tuple[int, int] | None,
    fps: float | None,
    source: object,
    time_s: FloatArray | None = None,
) -> Tracks:
    """Tracks of key points (F, N, 3): x, y in pixels and visibility (0 or not finite = not labelled).

    `frames` (F,) are frame numbers, rising; `time_s` (F,) their seconds if the file tells. TracksError where
    arms are missing from the layout, frames do not rise or are too few, or the picture size is unknown.
    """
    missing = [n.replace("_", " ") for n in ARMS if n not in names]
    if missing:
        raise TracksError(
            f"{source}: expected key points of both arms, {', '.join(missing)} missing; add them"
        )
    if image_size is None or min(image_size) < 1:
        raise TracksError(f"{source}: expected the picture size with these key points; give --image-size WxH")
    if len(frames) < LEAST_FRAMES:
        raise TracksError(
            f"{source}: expected at least {LEAST_FRAMES} frames, got {len(frames)}; give the whole set"
        )
    if (np.diff(frames) <= 0).any() or (time_s is not None and (np.diff(time_s) <= 0).any()):
        raise TracksError(f"{source}: expected frames that follow one another, got some twice; correct them")
    rate = fps or USUAL_FPS
    if not 1 <= rate <= 1000:
        raise TracksError(f"{source}: expected 1 to 1000 frames a second, got {rate:g}; correct it")
    notes = [ELSEWHERE] + ([NO_TIMES.format(fps=rate)] if time_s is None else [])
    seconds = (frames - frames[0]) / rate if time_s is None else time_s - time_s[0]
    xy, visibility = xyv[..., :2].astype(float), shared_scale(xyv[..., 2])
    open_ = (visibility <= 0) | ~np.isfinite(xy).all(axis=2) | (xy == 0).all(axis=2)
    xy[open_], visibility[open_] = np.nan, 0.0
    return Tracks(seconds, tuple(names), xy, visibility, image_size, tuple(notes))


def shared_scale(v: FloatArray) -> FloatArray:
    """Visibility (F, N) as 0 to 1: COCO's 0, 1, 2 become 0, 0.5, 1; scores and yes-or-no stay."""
    v = np.nan_to_num(np.asarray(v, dtype=float))
    if v.size and v.max() > 1:
        v = np.where(v >= 2, 1.0, np.where(v > 0, OCCLUDED, 0.0))
    return np.asarray(np.clip(v, 0.0, 1.0))
