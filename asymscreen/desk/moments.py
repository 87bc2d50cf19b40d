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
MOST_GAP_S = 0.25
"""Joints are drawn at most so far from a frame in which they were seen, seconds; they are looked for every
0.1 s."""


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

    Some frames carry landmarks and others refined joints only. A landmark is moved by what its refined
    neighbours in time differ from it, so that the drawn arm does not jump.
    """
    out = np.full((len(tracks), len(DRAWN), 2), np.nan)
    for k, name in enumerate(DRAWN):
        rough, fine = (tracks.points(n)[:, 0] for n in (name, f"refined_{name}"))
        for axis in (0, 1):
            out[:, k, axis] = _drawn(tracks.time_s, rough[:, axis], fine[:, axis])
    return out


def _drawn(time_s: FloatArray, rough: FloatArray, fine: FloatArray) -> FloatArray:
    """(T,) one coordinate: `fine` where it is known, else `rough` between its samples and moved along."""
    seen, known = np.isfinite(rough), np.isfinite(fine)
    if not seen.any():
        return fine
    between = np.interp(time_s, time_s[seen], rough[seen])
    away = np.abs(time_s[:, None] - time_s[seen][None]).min(axis=1)
    if known.any():
        between = between + np.interp(time_s, time_s[known], fine[known] - between[known])
    return np.where(known, fine, np.where(away <= MOST_GAP_S, between, np.nan))


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
