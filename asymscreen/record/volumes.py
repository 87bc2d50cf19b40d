"""Joint tracks as C3D for labs, through ezc3d (extra `export`).

One phone is not a calibrated lab: image tracks are marked "px/uncalibrated"; only what the press solver
placed in space carries "mm".
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import asymscreen
from asymscreen.errors import RecordError
from asymscreen.motion.tracks import Tracks, nearest

PIXELS = "px/uncalibrated"
EVEN = 0.02
"""Frame times that differ from an even rate by no more than this share of a frame are taken as even."""

FloatArray = NDArray[np.float64]


def write_c3d(tracks: Tracks, path: Path) -> Path:
    """Image tracks: x right, y up (turned over: C3D has y up), z 0, pixels; marked as uncalibrated."""
    points = np.zeros((*tracks.xy_px.shape[:2], 3))
    points[..., :2] = tracks.xy_px
    points[..., 1] = tracks.image_size[1] - points[..., 1]
    points[np.isnan(points).any(axis=-1)] = np.nan
    return write_points(path, tracks.time_s, tracks.names, points, PIXELS)


def write_points(
    path: Path, time_s: FloatArray, names: tuple[str, ...], points: FloatArray, units: str, axes: str = ""
) -> Path:
    """Points (T, N, 3) at times (T,) seconds, as C3D; NaN is a point that was not seen (residual -1).

    C3D knows one even frame rate: a clip whose frames came unevenly is read at the mean rate, each frame from
    the nearest one in time. `axes` says in words where the axes point. RecordError for shapes that do not
    fit, or without the export extra.
    """
    if points.shape != (len(time_s), len(names), 3) or not len(time_s):
        raise RecordError(f"C3D: expected points ({len(time_s)}, {len(names)}, 3), got {points.shape}")
    try:
        import ezc3d
    except ImportError as error:
        raise RecordError(
            "C3D: expected the export extra, found none; pip install 'asymscreen[export]'"
        ) from error
    rate, nearest = even_frames(time_s)
    placed = points[nearest].transpose(2, 1, 0)
    file = ezc3d.c3d()
    file["parameters"]["POINT"]["UNITS"]["value"] = [units]
    file["parameters"]["POINT"]["RATE"]["value"] = [rate]
    file["parameters"]["POINT"]["LABELS"]["value"] = list(names)
    file.add_parameter("ASYMSCREEN", "VERSION", [asymscreen.__version__])
    file.add_parameter("ASYMSCREEN", "CALIBRATED", ["no" if units == PIXELS else "solved from one camera"])
    if axes:
        file.add_parameter("ASYMSCREEN", "AXES", [axes])
    missing = np.isnan(placed).any(axis=0)
    file["data"]["points"] = np.concatenate([placed, np.ones((1, *placed.shape[1:]))])
    file["data"]["meta_points"]["residuals"] = np.where(missing, -1.0, 0.0)[None]
    try:
        path.touch()
        file.write(str(path))
    except (OSError, RuntimeError) as error:
        raise RecordError(f"{path}: expected to write C3D there, got: {error}") from error
    return path


def even_frames(time_s: FloatArray) -> tuple[float, NDArray[np.int64]]:
    """(frames a second, which frame stands at each even time); the frames themselves where they are even."""
    count = len(time_s)
    if count < 2:
        return 30.0, np.arange(count, dtype=np.int64)
    step = float(time_s[-1] - time_s[0]) / (count - 1)
    grid = time_s[0] + step * np.arange(count)
    if np.abs(time_s - grid).max() <= EVEN * step:
        return 1 / step, np.arange(count, dtype=np.int64)
    return 1 / step, nearest(time_s, grid).astype(np.int64)
