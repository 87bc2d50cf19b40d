"""Kept clips: copied without sound, place, device or any other metadata, under names of ours."""

from __future__ import annotations

import os
import time
from pathlib import Path

from sqlalchemy import select

from asymscreen.errors import ClipError, RecordError
from asymscreen.record.models import StoredScreen
from asymscreen.record.store import Store

MP4_CODECS = frozenset({"h264", "hevc", "mpeg4", "vp9", "av1"})
"""Codecs that an MP4 file may carry here; others go into Matroska."""
VIEW_SUFFIX = ".view.mp4"
"""A copy for browsers of the clip ID.mp4 or ID.mkv is ID.view.mp4; it can be made again at any time."""
ORPHAN_AGE_S = 3600.0
"""A clip file that no screen names is removed once this old, seconds: a younger one may be on its way in."""


def strip_clip(source: Path, folder: Path, stem: str) -> Path:
    """Copy the picture stream of a clip into `folder`, without re-encoding, as `stem`.mp4 (or .mkv).

    Only the packets, their times and the rotation are taken over: no sound, no place, no device, no dates,
    no other streams. The file is complete or absent. ClipError for a source that cannot be read; RecordError
    where the folder cannot be written.
    """
    import av
    from av.error import FFmpegError

    draft = folder / f".{stem}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with av.open(str(source), mode="r") as read:
            if not read.streams.video:
                raise ClipError(
                    f"{source.name}: expected a clip with a picture, got none; choose another file"
                )
            video = read.streams.video[0]
            suffix = ".mp4" if video.codec_context.name in MP4_CODECS else ".mkv"
            container = "mp4" if suffix == ".mp4" else "matroska"
            options = {"fflags": "+bitexact"}
            with av.open(str(draft), mode="w", format=container, options=options) as written:
                stream = written.add_stream_from_template(video)
                stream.metadata.clear()
                for packet in read.demux(video):
                    if packet.dts is not None:
                        packet.stream = stream
                        written.mux(packet)
        _sync(draft)
        os.replace(draft, folder / (stem + suffix))
    except FFmpegError as error:
        draft.unlink(missing_ok=True)
        raise ClipError(
            f"{source.name}: expected a clip that can be copied, got: {error.strerror}"
        ) from error
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise RecordError(f"{folder}: expected to keep the clip there, got {error.strerror}") from error
    return folder / (stem + suffix)


def keep_clip(store: Store, source: Path, screen_id: str) -> str:
    """Keep a clip for a screen; the name of its file in the clips folder. Sweeps old orphans on the way."""
    sweep_orphans(store)
    return strip_clip(source, store.clips, screen_id).name


def clip_path(store: Store, name: str) -> Path:
    """Where a kept clip lies; RecordError for a name that is not a plain file name of ours."""
    if not name or Path(name).name != name or name.startswith("."):
        raise RecordError(f"clip {name[:80]!r}: expected a file name of the clips folder")
    return store.clips / name


def view_path(store: Store, screen_id: str) -> Path:
    """Where the copy of a screen's clip that browsers play lies, if one was made."""
    return store.clips / f"{screen_id}{VIEW_SUFFIX}"


def discard_clip(store: Store, name: str) -> bool:
    """Overwrite nothing, unlink the file and its copy for browsers; True if there was one."""
    if not name:
        return False
    path = clip_path(store, name)
    found = path.exists()
    path.unlink(missing_ok=True)
    view_path(store, path.name.partition(".")[0]).unlink(missing_ok=True)
    return found


def sweep_orphans(store: Store, older_than_s: float = ORPHAN_AGE_S) -> int:
    """Remove clip files that no screen names and that are older than `older_than_s`; how many there were."""
    if not store.clips.is_dir():
        return 0
    with store.reading() as session:
        known = set(session.scalars(select(StoredScreen.clip_file).where(StoredScreen.clip_file != "")))
    known |= {name.partition(".")[0] + VIEW_SUFFIX for name in known}
    swept = 0
    for path in store.clips.iterdir():
        if path.name not in known and time.time() - path.stat().st_mtime > older_than_s:
            path.unlink(missing_ok=True)
            swept += 1
    return swept


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
