"""Open a file as a video, or say in one sentence what it is instead.

Only the containers in `FORMATS` are opened and only from the disk, so that a file that lists other files or
addresses (a playlist, a concat script) is refused and never followed.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import ClipError

MIN_FRAMES = 15  # half a second at 30 fps; the shortest press takes longer
READABLE_SHARE = 0.98  # of the declared frames; below it the clip counts as damaged
LARGEST_SIDE = 8192  # pixels; phones film up to 7680
FORMATS = "mov,matroska,webm,avi,mpegts,mpeg,ogg,flv,asf"  # FFmpeg's names
MOMENTS = ("com.apple.quicktime.creationdate", "creation_time", "date", "DATE_RECORDED")
"""Names under which containers keep the moment of filming, the most exact first."""
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
"""A clock that was never set says 1904 or 1970."""
HEAD = 4096  # bytes looked at before a file is opened

_PICTURES = {
    b"\x89PNG": "PNG", b"\xff\xd8\xff": "JPEG", b"GIF8": "GIF", b"BM": "BMP",
    b"II*\x00": "TIFF", b"MM\x00*": "TIFF",
}  # fmt: skip
_BOXED_PICTURES = {b"ftyphei": "HEIC", b"ftypmif": "HEIC", b"ftypavif": "AVIF"}  # from byte 4 on


@dataclass(frozen=True)
class FrameIndex:
    """Presentation time stamps of a stream's frames, rising, those of its key frames, and the unit of both.

    declared_frames, declared_s   what the file's header promises; 0 where it promises nothing
    """

    pts: list[int]
    keys: list[int]
    time_base: Fraction
    declared_frames: int
    declared_s: float

    def __len__(self) -> int:
        return len(self.pts)

    def time_s(self, k: int) -> float:
        """Seconds from the first frame to frame `k` (negative `k` counts from the end)."""
        return float((self.pts[k] - self.pts[0]) * self.time_base)

    @property
    def times_s(self) -> NDArray[np.float64]:
        """(frames,) seconds from the first frame to every frame."""
        return np.array([self.time_s(k) for k in range(len(self))])

    @property
    def key_places(self) -> NDArray[np.intp]:
        """Places in the clip of the key frames, which are decoded without others, rising."""
        return np.searchsorted(self.pts, self.keys)

    @property
    def step_s(self) -> float:
        """Mean seconds between frames."""
        return self.time_s(-1) / max(1, len(self) - 1)

    @property
    def end_s(self) -> float:
        """Seconds to the end of the last frame."""
        return self.time_s(-1) + self.step_s


def open_clip(path: Path) -> Any:
    """An open PyAV container. ClipError if the file is missing, not a video, or damaged beyond opening."""
    _refuse_by_content(path)
    options = {"format_whitelist": FORMATS, "protocol_whitelist": "file"}
    try:
        return av.open(f"file:{path.resolve()}", options=options)
    except (av.FFmpegError, ValueError) as exc:
        reason = str(getattr(exc, "strerror", None) or exc).strip().rstrip(".").lower()
        got = f"a file that is damaged, cut short or of another kind ({reason})"
        raise _unlike(path, got, "copy it again from the phone") from exc


def video_stream(container: Any, path: Path) -> Any:
    """The container's video track. ClipError if it has none, or one of an absurd size."""
    covers = av.stream.Disposition.attached_pic
    videos = [s for s in container.streams.video if not s.disposition & covers]
    if not videos:
        got = "sound without video" if container.streams.audio else "a file without a video track"
        raise _unlike(path, got, "hand in the video itself")
    if videos[0].codec_context is None:
        raise _unlike(path, "a video track of no known kind", "hand in the video as the phone wrote it")
    width, height = videos[0].codec_context.width, videos[0].codec_context.height
    if not 0 < max(width, height) <= LARGEST_SIDE:
        raise _unlike(path, f"a picture of {width} x {height} pixels", "film at 1080p")
    videos[0].thread_type = "AUTO"
    return videos[0]


def frame_index(container: Any, stream: Any, path: Path, limit_s: float) -> FrameIndex:
    """Where the frames are, without decoding any. ClipError if the clip is too long, too short or damaged."""
    declared_s = _declared_s(container, stream)
    _refuse_long(declared_s, limit_s, path)
    index = _walk(container, stream, declared_s)
    if len(index) < MIN_FRAMES and index.declared_frames in range(MIN_FRAMES) and len(index):
        got = f"{len(index)} frame{'s' * (len(index) > 1)}"
        raise _unlike(path, got, f"film a whole rep, which takes at least {MIN_FRAMES} frames")
    if len(index) < 2:
        raise damaged(path, len(index), index.declared_frames)
    _refuse_long(index.end_s, limit_s, path)
    declared = index.declared_frames or round(declared_s / index.step_s)
    # an edit list hides frames on purpose: then they are fewer than declared, but reach the declared end
    short = len(index) < READABLE_SHARE * declared and index.end_s < READABLE_SHARE * declared_s
    if short or len(index) < MIN_FRAMES:
        raise damaged(path, len(index), declared)
    return index


def recorded_at(container: Any, stream: Any) -> datetime | None:
    """When the file says that it was filmed, UTC in whole seconds; None where it says nothing believable.

    Nothing else of what a phone writes beside the picture (place, device, owner) is looked at.
    """
    for said in (container.metadata, stream.metadata):
        for key in MOMENTS:
            with contextlib.suppress(ValueError):
                moment = datetime.fromisoformat(said.get(key, ""))
                moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
                if EARLIEST <= moment <= datetime.now(UTC) + timedelta(days=1):
                    return moment.astimezone(UTC).replace(microsecond=0)
    return None


def damaged(path: Path, got: int, declared: int) -> ClipError:
    """The error for a clip of which only `got` of `declared` frames could be read (0 declared = unknown)."""
    count = f"only {got} of {declared} frames" if declared else f"only {got} frames"
    return ClipError(f"{path.name}: the clip is damaged: {count} could be read; copy it again from the phone")


def _unlike(path: Path, got: str, advice: str) -> ClipError:
    return ClipError(f"{path.name}: expected a video clip, got {got}; {advice}")


def _refuse_by_content(path: Path) -> None:
    if path.is_dir():
        raise _unlike(path, "a folder", "name one file in it")
    if not path.exists():
        raise ClipError(f"{path}: expected a video clip, found no such file; check the name")
    if not path.is_file():
        raise _unlike(path, "something that is not a plain file", "hand in the video itself")
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD)
    except OSError as exc:
        raise _unlike(path, f"a file that can't be opened ({exc.strerror})", "check who may read it") from exc
    if not head:
        raise _unlike(path, "an empty file (0 bytes)", "copy it again from the phone")
    kind = _picture_kind(head)
    if kind:
        raise _unlike(path, f"a picture ({kind})", "hand in the video itself")
    if _is_text(head):
        raise _unlike(path, "a text file", "hand in the video itself")


def _picture_kind(head: bytes) -> str | None:
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WebP"
    for mark, name in _BOXED_PICTURES.items():
        if head[4:].startswith(mark):
            return name
    return next((name for mark, name in _PICTURES.items() if head.startswith(mark)), None)


def _is_text(head: bytes) -> bool:
    # the last bytes of a full read may hold half a character
    whole = head if len(head) < HEAD else head[:-4]
    try:
        text = whole.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return all(char.isprintable() or char in "\r\n\t\f\ufeff" for char in text)


def _refuse_long(seconds: float, limit_s: float, path: Path) -> None:
    if seconds > limit_s:
        raise ClipError(
            f"{path.name}: expected one set of at most {limit_s:.0f} s, got a clip of {seconds:.0f} s; "
            "cut it to the set that you want to screen"
        )


def _declared_s(container: Any, stream: Any) -> float:
    if stream.duration:
        return float(stream.duration * stream.time_base)
    # a container's duration is that of its longest track: it tells about the video where that is alone
    if len(container.streams) > 1 or not container.duration:
        return 0.0
    # Matroska counts from zero, not from its first frame
    late = (container.start_time or 0) if "matroska" in container.format.name else 0
    return float((container.duration - late) / av.time_base)


def _walk(container: Any, stream: Any, declared_s: float) -> FrameIndex:
    shown: set[int] = set()
    keys: set[int] = set()
    try:
        for packet in container.demux(stream):
            stamp = packet.pts if packet.pts is not None else packet.dts
            if stamp is None or not packet.size or packet.is_corrupt or packet.is_discard:
                continue
            shown.add(stamp)
            if packet.is_keyframe:
                keys.add(stamp)
    except av.FFmpegError:
        pass  # a cut file ends in an error: what was read up to there is compared with what was declared
    return FrameIndex(sorted(shown), sorted(keys), stream.time_base, int(stream.frames), declared_s)
