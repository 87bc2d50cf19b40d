"""What the screen page's script needs: reps, curves, and the joints of every frame as they are drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from asymscreen.document import CurvePair, ScreenDocument
from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.motion.tracks import Tracks
from asymscreen.report import wording

FloatArray = NDArray[np.float64]

DRAWN = (*JOINTS, "left_bar", "right_bar")
CURVES = ("elbow_flexion", "tuck", "bar_tilt")
"""The curves of the page, in their order."""


def moments(document: ScreenDocument, tracks: Tracks | None) -> dict[str, Any]:
    """Plain data for the script. Times in seconds of the clip, pixels of the upright picture."""
    clip = document.clip
    return {
        "size": [clip.width, clip.height],
        "duration": clip.duration_s,
        "step": 1.0 / clip.fps,
        "mirrored": clip.mirrored,
        "reps": [rep.model_dump() for rep in document.reps],
        "curves": [_curve(name, document) for name in CURVES if name in document.curves],
        "names": list(DRAWN),
        "times": [] if tracks is None else [round(float(t), 3) for t in tracks.time_s],
        "points": [] if tracks is None else _points(drawn_points(tracks)),
    }


def drawn_points(tracks: Tracks) -> FloatArray:
    """(T, 10, 2) pixels of DRAWN: the refined joints, between them the landmarks moved along; NaN unseen.

    Only some frames are refined. In the others a landmark is moved by what its refined neighbours in time
    were moved by, so that the drawn arm does not jump.
    """
    out = tracks.points(*DRAWN)
    for k, name in enumerate(JOINTS):
        fine = tracks.points(f"refined_{name}")[:, 0]
        have = np.isfinite(fine).all(axis=1) & np.isfinite(out[:, k]).all(axis=1)
        if have.any():
            for axis in (0, 1):
                moved = fine[have, axis] - out[have, k, axis]
                out[:, k, axis] += np.interp(tracks.time_s, tracks.time_s[have], moved)
    return out


def _points(xy: FloatArray) -> list[list[float | None]]:
    """One flat list x, y, x, y ... a frame; None where unseen."""
    flat = np.round(xy.reshape(len(xy), -1), 1)
    return [[float(v) if np.isfinite(v) else None for v in row] for row in flat]


def _curve(name: str, document: ScreenDocument) -> dict[str, Any]:
    """A curve's lines, a rep each: `left` and `right`, or `value`; the reps that they belong to."""
    pair: CurvePair = document.curves[name]
    sides = {side: line for side in ("left", "right", "value") if (line := getattr(pair, side)) is not None}
    numbers = [rep.number for rep in document.reps if rep.complete] or [rep.number for rep in document.reps]
    return {
        "name": name,
        "title": wording.title(name),
        "unit": pair.unit,
        "reps": numbers,
        "lines": {side: curve.reps for side, curve in sides.items()},
    }
