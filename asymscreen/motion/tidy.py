"""The tidy track file: one row a frame and landmark, `frame,time_s,landmark,x_px,y_px,visibility`.

CSV, CSV.GZ, or Parquet where pyarrow is installed. The only place where a track file enters or leaves.
"""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import TracksError
from asymscreen.landmarks.skeleton import KNOWN
from asymscreen.motion.tracks import Tracks
from asymscreen.whole import whole_file

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("frame", "time_s", "landmark", "x_px", "y_px", "visibility")
NUMBERS = ("frame", "time_s", "x_px", "y_px", "visibility")
LEAST_FRAMES = 10
"""Fewer frames cannot hold a rep."""
MOST_ROWS = 3_000_000
"""About 25 minutes of 33 landmarks at 60 frames a second; a larger file is refused before it fills the
memory."""
LARGEST = 1e5
"""Pixels and seconds beyond this are a fault of the file."""
SAME_S = 1e-9  # seconds; times of one frame that differ by more are two times
MOST_NAMED = 5  # unknown names that a message lists
PX_DECIMALS, TIME_DECIMALS = 4, 6  # digits kept of pixels and of seconds


def write_tracks(tracks: Tracks, path: Path) -> Path:
    """Write `tracks`; a frame in which nothing was seen keeps its rows, with empty places. TracksError if it
    cannot."""
    try:
        with whole_file(path) as draft:
            if _kind(path) == "parquet":
                _write_parquet(tracks, draft)
            elif str(path).endswith(".gz"):
                draft.write_bytes(gzip.compress(_csv(tracks), mtime=1))
            else:
                draft.write_bytes(_csv(tracks))
    except OSError as exc:
        raise TracksError(
            f"{path}: expected a place to write tracks, got {exc.strerror}; choose another"
        ) from exc
    except ImportError as exc:
        raise TracksError(
            f"{path}: Parquet needs the export extra; install asymscreen[export] or write .csv.gz"
        ) from exc
    return path


def _columns(tracks: Tracks) -> list[NDArray[Any]]:
    """The table's columns, in the order of COLUMNS, with the digits that are kept."""
    T, N = len(tracks), len(tracks.names)
    kept = as_written(tracks)
    places = (kept.xy_px[..., 0].ravel(), kept.xy_px[..., 1].ravel(), kept.visibility.ravel())
    return [np.repeat(np.arange(T), N), np.repeat(kept.time_s, N), np.tile(kept.names, T), *places]


def _csv(tracks: Tracks) -> bytes:
    """Not by pandas, whose import takes longer than the writing."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    columns = [column.tolist() for column in _columns(tracks)]
    writer.writerows(["" if value != value else value for value in row] for row in zip(*columns, strict=True))
    return text.getvalue().encode("utf-8")


def _write_parquet(tracks: Tracks, path: Path) -> None:
    import pandas as pd

    pd.DataFrame(dict(zip(COLUMNS, _columns(tracks), strict=True))).to_parquet(path, index=False)


def as_written(tracks: Tracks) -> Tracks:
    """`tracks` with the digits that a track file keeps, so that screening the file again gives the same
    numbers."""
    return Tracks(
        np.round(tracks.time_s, TIME_DECIMALS),
        tracks.names,
        np.round(tracks.xy_px, PX_DECIMALS),
        np.round(tracks.visibility, PX_DECIMALS),
        tracks.image_size,
    )


def read_tracks(path: Path, image_size: tuple[int, int]) -> Tracks:
    """Read a track file of pictures of `image_size` (width, height). TracksError names every fault of the
    file."""
    if min(image_size) < 1:
        raise TracksError(
            f"picture size: expected pixels above 0, got {image_size[0]}x{image_size[1]}; correct it"
        )
    table = _load(Path(path))
    faults = _faults(table)
    if faults:
        raise TracksError(
            f"{path}: expected rows of {','.join(COLUMNS)}; "
            + "; ".join(faults)
            + "; correct the file and try again"
        )
    frames = np.sort(table["frame"].unique())
    row = np.searchsorted(frames, table["frame"].to_numpy())
    there = set(table["landmark"].unique())
    names = tuple(name for name in KNOWN if name in there)
    column = table["landmark"].map({name: k for k, name in enumerate(names)}).to_numpy()
    xy = np.full((len(frames), len(names), 2), np.nan)
    visibility = np.zeros((len(frames), len(names)))
    time_s = np.zeros(len(frames))
    time_s[row] = table["time_s"].to_numpy(dtype=float)
    xy[row, column, 0], xy[row, column, 1] = table["x_px"], table["y_px"]
    xy[np.isnan(xy).any(axis=2)] = np.nan
    visibility[row, column] = table["visibility"].fillna(0.0)
    return Tracks(time_s, names, xy, visibility, image_size)


def _kind(path: Path) -> str:
    return "parquet" if str(path).endswith((".parquet", ".pq")) else "csv"


def _load(path: Path) -> pd.DataFrame:
    import pandas as pd

    try:
        if _kind(path) == "parquet":
            return pd.read_parquet(path)
        packed: Literal["gzip"] | None = "gzip" if str(path).endswith(".gz") else None
        return pd.read_csv(path, nrows=MOST_ROWS + 1, compression=packed, low_memory=False)
    except ImportError as exc:
        raise TracksError(
            f"{path}: Parquet needs the export extra; install asymscreen[export] or give .csv.gz"
        ) from exc
    except OSError as exc:
        raise TracksError(
            f"{path}: expected a track file, could not read it ({exc.strerror or exc})"
        ) from exc
    except (ValueError, EOFError, MemoryError, OverflowError, zlib.error) as exc:
        first = str(exc).splitlines()[0] if str(exc) else type(exc).__name__
        raise TracksError(
            f"{path}: expected a table of {','.join(COLUMNS)} as CSV, could not read it ({first})"
        ) from exc


def _faults(table: pd.DataFrame) -> list[str]:
    """What is wrong with a table, one phrase each; turns its number columns into numbers."""
    missing = [name for name in COLUMNS if name not in table.columns]
    if missing:
        return [f"column {', '.join(missing)} missing"]
    if len(table) > MOST_ROWS:
        return [f"more than {MOST_ROWS} rows; cut the clip to the set"]
    faults = [fault for name in NUMBERS for fault in _number_faults(table, name)]
    unknown = sorted({str(n) for n in table["landmark"].unique()} - set(KNOWN))
    if unknown:
        faults.append(f"unknown landmark {', '.join(unknown[:MOST_NAMED])}")
    if table.duplicated(["frame", "landmark"]).any():
        faults.append("a frame has a landmark twice")
    return faults + _time_faults(table)


def _number_faults(table: pd.DataFrame, name: str) -> list[str]:
    import pandas as pd

    values = pd.to_numeric(table[name], errors="coerce").astype(float)
    garbled = values.isna() & table[name].notna()
    table[name] = values
    if garbled.any() or (name in ("frame", "time_s") and values.isna().any()):
        return [f"{name} has entries that are no numbers"]
    if (values.abs() > LARGEST).any():
        return [f"{name} has entries beyond {LARGEST:g}"]
    if name == "visibility" and ((values < 0) | (values > 1)).any():
        return ["visibility has entries outside 0 to 1"]
    return []


def _time_faults(table: pd.DataFrame) -> list[str]:
    """Faults of the frames' times; what is no number was named before."""
    faults = []
    times = table.dropna(subset=["frame", "time_s"]).groupby("frame")["time_s"].agg(["min", "max"])
    if (times["max"] - times["min"] > SAME_S).any():
        faults.append("a frame has two times")
    if (np.diff(times["min"]) <= 0).any():
        faults.append("time_s does not rise from frame to frame")
    if len(times) < LEAST_FRAMES:
        faults.append(f"{len(times)} frames, at least {LEAST_FRAMES} needed")
    return faults
