"""Landmark tracks as compressed npz bytes, and back."""

from __future__ import annotations

import io
import zipfile
import zlib

import numpy as np

from asymscreen.errors import TracksError
from asymscreen.motion.tracks import Tracks

DAMAGED_ZIP = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, IndexError)
"""What reading a damaged zip raises, beside the usual."""


def pack_tracks(tracks: Tracks) -> bytes:
    """Compressed npz: times in seconds (float64), pixels and visibility (float32, 1e-4 px at 4096)."""
    out = io.BytesIO()
    np.savez_compressed(
        out,
        time_s=tracks.time_s.astype(np.float64),
        names=np.array(tracks.names),
        xy_px=tracks.xy_px.astype(np.float32),
        visibility=tracks.visibility.astype(np.float32),
        image_size=np.array(tracks.image_size),
    )
    return out.getvalue()


def unpack_tracks(data: bytes) -> Tracks:
    """Tracks from `pack_tracks`; never runs what it reads. TracksError where the bytes are damaged."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            width, height = (int(v) for v in kept["image_size"])
            tracks = Tracks(
                time_s=kept["time_s"].astype(np.float64),
                names=tuple(str(name) for name in kept["names"]),
                xy_px=kept["xy_px"].astype(np.float64),
                visibility=kept["visibility"].astype(np.float64),
                image_size=(width, height),
            )
    except (OSError, EOFError, ValueError, KeyError, TypeError, *DAMAGED_ZIP) as error:
        raise TracksError(f"tracks: expected the record's npz bytes, got damaged ones ({error})") from error
    shape = (len(tracks.time_s), len(tracks.names))
    if tracks.xy_px.shape != (*shape, 2) or tracks.visibility.shape != shape:
        raise TracksError(f"tracks: expected {shape} landmarks over time, got {tracks.xy_px.shape}")
    return tracks
