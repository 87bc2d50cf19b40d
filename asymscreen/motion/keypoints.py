"""Joints from elsewhere, clicked by people or found by another network: the common 13- and 17-point layouts.

Read are COCO JSON (annotations with `keypoints`), CSV with one row a frame (`left_elbow_x`, `left_elbow_y`,
and `left_elbow_v` if there is a word on visibility) or one row a joint (`frame,joint,x,y,visible`), and NPZ
with (frames, 13 or 17, 3) arrays. Everything becomes `Tracks` here and nowhere else; the tidy track file is
read by `motion.tidy`. Joints that are not labelled (visible 0, or at 0, 0) are left open.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from asymscreen.errors import TracksError
from asymscreen.landmarks.skeleton import BLAZEPOSE
from asymscreen.motion.coco import read_coco
from asymscreen.motion.layouts import ARMS, LAYOUTS, canonical, tracks_of
from asymscreen.motion.tidy import COLUMNS, MOST_ROWS, read_tracks
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]


def load_tracks(path: Path, image_size: tuple[int, int] | None = None, fps: float | None = None) -> Tracks:
    """Read a tidy track file or key points. TracksError says what is wrong with the file.

    image_size  (width, height) in pixels; needed where the file does not tell
    fps         frames a second, where the file has frames but no times; else its own word, else 30
    `FILE.npz#NAME` picks one of several sequences in an NPZ file.
    """
    file, _, sequence = str(path).partition("#")
    if file.lower().endswith(".json"):
        return read_coco(Path(file), image_size, fps)
    if file.lower().endswith(".npz"):
        return _read_npz(Path(file), sequence, image_size, fps)
    table = None if file.lower().endswith((".parquet", ".pq")) else _keypoint_table(Path(file))
    if table is not None:
        return _from_table(table, Path(file), image_size, fps)
    if image_size is None:
        raise TracksError(f"{path}: expected the picture size with a track file; give --image-size WxH")
    return read_tracks(path, image_size)


# ---- NPZ


def _read_npz(path: Path, sequence: str, size: tuple[int, int] | None, fps: float | None) -> Tracks:
    arrays = _arrays(path)
    stacks = {
        key: a for key, a in arrays.items() if a.ndim == 3 and a.shape[1] in LAYOUTS and a.shape[2] in (2, 3)
    }
    wanted = {key: a for key, a in stacks.items() if not sequence or _stem(key) == sequence}
    if len(wanted) != 1:
        known = ", ".join(sorted(map(_stem, stacks))[:MOST_NAMED]) or "none"
        raise TracksError(
            f"{path}: expected one (frames, 13 or 17, 3) array of key points, found {len(wanted)} ({known}); "
            f"name one as {path.name}#NAME"
        )
    ((key, xyv),) = wanted.items()
    stem = _stem(key)
    if xyv.shape[2] == 2:
        xyv = np.concatenate([xyv, np.ones((*xyv.shape[:2], 1))], axis=2)
    told = {
        name: arrays[k] for name in ("hw", "fps", "time_s") for k in (f"{stem}_{name}", name) if k in arrays
    }
    if size is None and "hw" in told and told["hw"].size == 2:
        size = (int(told["hw"].ravel()[1]), int(told["hw"].ravel()[0]))
    rate = fps or (float(told["fps"].ravel()[0]) if "fps" in told else None)
    times = told["time_s"].astype(float).ravel() if "time_s" in told else None
    if times is not None and len(times) != len(xyv):
        raise TracksError(
            f"{path}: expected one time a frame, got {len(times)} for {len(xyv)}; correct time_s"
        )
    names = LAYOUTS[xyv.shape[1]]
    return tracks_of(xyv.astype(float), names, np.arange(len(xyv), dtype=float), size, rate, path, times)


MOST_NAMED = 5  # sequences that a message lists


def _stem(key: str) -> str:
    return re.sub(r"_?(xyv|xy|keypoints|key_points|joints)$", "", key)


def _arrays(path: Path) -> dict[str, NDArray[np.float64]]:
    try:
        with np.load(path, allow_pickle=False) as kept:
            return {key: kept[key] for key in kept.files if kept[key].dtype.kind in "fiub"}
    except OSError as exc:
        raise TracksError(
            f"{path}: expected a file of key points, could not read it ({exc.strerror or exc})"
        ) from exc
    except (ValueError, EOFError, KeyError, zipfile.BadZipFile, zlib.error, NotImplementedError) as exc:
        raise TracksError(f"{path}: expected a file of key points (NPZ), could not read it ({exc})") from exc


# ---- CSV


def _keypoint_table(path: Path) -> pd.DataFrame | None:
    """The table of a CSV file of key points; None where it is a tidy track file, or nothing that we know."""
    try:
        head = pd.read_csv(path, nrows=0)
        if set(COLUMNS[2:4]) <= {str(c).strip() for c in head.columns}:
            return None
        table = pd.read_csv(path, nrows=MOST_ROWS, low_memory=False)
    except (OSError, ValueError, EOFError, MemoryError, zlib.error):
        return None  # the reader of track files says what is wrong with it
    table.columns = pd.Index([str(c).strip() for c in table.columns])
    wide = _wide_columns(table.columns)
    return table if len({name for name, _ in wide}) >= len(ARMS) or _joint_column(table) else None


def _from_table(table: pd.DataFrame, path: Path, size: tuple[int, int] | None, fps: float | None) -> Tracks:
    lower = {str(c).lower(): str(c) for c in table.columns}
    joint = _joint_column(table)
    rows = _long(table, joint, lower, path) if joint else _wide(table)
    if "frame" in lower:
        frame = _numbers(table[lower["frame"]], "frame", path)
    elif joint:
        raise TracksError(f"{path}: expected a column frame, found none; add it")
    else:
        frame = np.arange(len(table), dtype=float)
    stamp = next((lower[c] for c in ("time_s", "time", "seconds") if c in lower), None)
    seconds = None if stamp is None else _numbers(table[stamp], stamp, path)
    frames, first, place = np.unique(frame, return_index=True, return_inverse=True)
    names = tuple(n for n in BLAZEPOSE if n in rows)
    xyv = np.full((len(frames), len(names), 3), np.nan)
    for k, name in enumerate(names):
        own, values = rows[name]
        if len(np.unique(place[own])) < len(own):
            raise TracksError(
                f"{path}: expected {name.replace('_', ' ')} once a frame, got it twice; correct it"
            )
        xyv[place[own], k] = values
    return tracks_of(xyv, names, frames, size, fps, path, None if seconds is None else seconds[first])


Rows = dict[str, tuple[NDArray[np.intp], FloatArray]]
"""By joint: places of its rows in the table, and x, y, visibility of each (n, 3)."""


def _long(table: pd.DataFrame, joint: str, lower: Mapping[str, str], path: Path) -> Rows:
    """Rows of a table with one row a joint."""
    x, y = (next((lower[c] for c in (a, f"{a}_px") if c in lower), None) for a in "xy")
    if x is None or y is None:
        raise TracksError(f"{path}: expected columns x and y beside {joint}; add them")
    seen = next((lower[c] for c in SEEN if c in lower), None)
    shown = table[seen] if seen else pd.Series(1.0, index=table.index)
    values = np.stack([pd.to_numeric(c, errors="coerce") for c in (table[x], table[y], shown)], axis=1)
    named = table[joint].map(lambda word: canonical(str(word)))
    return {
        str(name): (np.flatnonzero(named == name), values[np.flatnonzero(named == name)])
        for name in named.dropna().unique()
    }


SEEN = ("visibility", "visible", "v", "score", "confidence", "likelihood")


def _wide(table: pd.DataFrame) -> Rows:
    """Rows of a table with one row a frame."""
    found = _wide_columns(table.columns)
    whole = np.arange(len(table))
    out: Rows = {}
    for name in {name for name, _ in found}:
        columns = [table[found[name, part]] if (name, part) in found else None for part in "xyv"]
        numbers = [np.ones(len(table)) if c is None else pd.to_numeric(c, errors="coerce") for c in columns]
        out[name] = (whole, np.stack(numbers, axis=1).astype(float))
    return out


def _wide_columns(columns: Sequence[str] | pd.Index) -> dict[tuple[str, str], str]:
    """(joint, "x", "y" or "v") -> column, for joints that have an x and a y."""
    found: dict[tuple[str, str], str] = {}
    for column in map(str, columns):
        match = re.fullmatch(
            r"(.+)[_. ](x|y|v|vis|visible|visibility|score|confidence|likelihood)", column, re.I
        )
        name = canonical(match[1].removesuffix("_px")) if match else None
        if match and name:
            part = match[2].lower()
            found.setdefault((name, part if part in "xy" else "v"), column)
    both = {name for name, part in found if part == "x"} & {name for name, part in found if part == "y"}
    return {key: column for key, column in found.items() if key[0] in both}


def _joint_column(table: pd.DataFrame) -> str | None:
    words = ("joint", "keypoint", "key_point", "landmark", "point", "name")
    return next(
        (c for c in table.columns if c.lower() in words and not set(COLUMNS[2:3]) >= {c.lower()}), None
    )


def _numbers(column: pd.Series, name: str, path: Path) -> FloatArray:
    values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
    if not np.isfinite(values).all():
        raise TracksError(f"{path}: expected numbers in {name}, got others; correct them")
    return np.asarray(values)
