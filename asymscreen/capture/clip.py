"""Video clips: what a file holds, and its frames upright with the stream's own time stamps.

Times are seconds from the stream's first frame, taken from the presentation time stamps, so that clips of a
variable frame rate are right. A rotation or mirror flag of the file is applied; nobody further on sees it.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.sidedata.sidedata import Type
from av.video.reformatter import VideoReformatter
from numpy.typing import NDArray

from asymscreen.capture.opening import (
    READABLE_SHARE,
    FrameIndex,
    damaged,
    frame_index,
    open_clip,
    recorded_at,
    video_stream,
)
from asymscreen.motion.tracks import nearest
from asymscreen.whole import file_digest

Image = NDArray[np.uint8]

LONGEST_S = 180.0  # seconds; ten slow reps with the unrack take about 90
SEEK_GAP_S = 1.0  # seconds of unwanted frames that are skipped by seeking rather than by decoding
SEEKABLE = ("mov", "matroska")  # containers whose seeking lands exactly on the wanted key frame


@dataclass(frozen=True)
class ClipInfo:
    """What a clip holds.

    name          file name without its folder
    sha256        of the whole file
    width, height pixels of the upright picture
    fps           frames per second, the mean over the clip
    frames        frames that can be shown
    duration_s    seconds from the first frame to the end of the last
    rotation_deg  0, 90, 180 or 270, counter-clockwise, applied to the stored picture to make it upright
    codec         FFmpeg's name of the video codec
    stored_bytes  memory that one decoded frame takes as the clip stores it
    recorded      when the file says that it was filmed, UTC, or None
    """

    name: str
    sha256: str
    width: int
    height: int
    fps: float
    frames: int
    duration_s: float
    rotation_deg: int
    codec: str
    stored_bytes: int
    recorded: datetime | None = None


@dataclass(frozen=True)
class Frame:
    """One upright frame: its place in the clip, its time in seconds, (height, width, 3) uint8, red first."""

    index: int
    time_s: float
    rgb: Image


@dataclass(frozen=True)
class Stored:
    """One decoded frame as the clip stores it, in half the memory that the upright picture takes."""

    index: int
    time_s: float
    picture: Any
    posture: _Posture

    def shown(self) -> Frame:
        """The upright picture. Not for two threads at once."""
        return Frame(self.index, self.time_s, self.posture.apply(self.picture))


def probe(path: str | Path, limit_s: float = LONGEST_S) -> ClipInfo:
    """Look a clip over without decoding more than its first frame.

    Raises ClipError (one sentence) for no file, a folder, an empty, damaged or truncated file, a picture, a
    text, sound without video, too few frames, or a clip longer than `limit_s` seconds.
    """
    return look_over(path, limit_s)[0]


def look_over(path: str | Path, limit_s: float = LONGEST_S) -> tuple[ClipInfo, FrameIndex]:
    """What `probe` tells, and where the frames are. Raises as `probe`."""
    path = Path(path)
    with open_clip(path) as container:
        stream = video_stream(container, path)
        index = frame_index(container, stream, path, limit_s)
        _rewind(container, path, len(index))
        first = next(_decoded(container, stream), None)
        if first is None:
            raise damaged(path, 0, len(index))
        height, width = _posture(first, stream).apply(first).shape[:2]
        info = ClipInfo(
            name=path.name,
            sha256=file_digest(path),
            width=width,
            height=height,
            fps=1.0 / index.step_s,
            frames=len(index),
            duration_s=index.end_s,
            rotation_deg=round(first.rotation / 90) * 90 % 360,
            codec=str(stream.codec_context.name),
            stored_bytes=sum(plane.buffer_size for plane in first.planes),
            recorded=recorded_at(container, stream),
        )
        return info, index


def frames(
    path: str | Path,
    start_s: float | None = None,
    end_s: float | None = None,
    every_s: float | None = None,
    indexes: Collection[int] | None = None,
    mirrored: bool = False,
    limit_s: float = LONGEST_S,
) -> Iterator[Frame]:
    """Upright frames in order of time.

    start_s, end_s   only frames with start_s <= time <= end_s, seconds
    every_s          thin out: frames at least this far apart (a quarter frame short counts), seconds
    indexes          only frames with these places in the clip (0 is the first)
    mirrored         the clip is stored mirrored: turn every frame back
    Raises ClipError as `probe`, and after the last frame if too few of them could be decoded.
    """

    def chosen(index: FrameIndex) -> list[int]:
        places = range(len(index)) if indexes is None else indexes
        inside = [k for k in _there(places, index) if _within(index.time_s(k), start_s, end_s)]
        return inside if every_s is None else _thinned(index, inside, every_s)

    for stored in _stored(Path(path), chosen, mirrored, limit_s):
        yield stored.shown()


def stored_frames(path: str | Path, indexes: Collection[int], mirrored: bool = False) -> Iterator[Stored]:
    """`frames` with these places, each to be turned into a picture when one is wanted."""
    return _stored(Path(path), lambda index: _there(indexes, index), mirrored, LONGEST_S)


def _stored(
    path: Path, choose: Callable[[FrameIndex], list[int]], mirrored: bool, limit_s: float
) -> Iterator[Stored]:
    with open_clip(path) as container:
        stream = video_stream(container, path)
        index = frame_index(container, stream, path, limit_s)
        _rewind(container, path, len(index))
        yield from _pick(container, stream, index, choose(index), path, mirrored)


def _there(places: Collection[int], index: FrameIndex) -> list[int]:
    """Those of `places` that the clip has, each once, rising."""
    return sorted(set(places) & set(range(len(index))))


def times(path: str | Path) -> NDArray[np.float64]:
    """Time stamps in seconds of every frame that can be shown, (frames,). Raises ClipError as `probe`."""
    path = Path(path)
    with open_clip(path) as container:
        index = frame_index(container, video_stream(container, path), path, LONGEST_S)
    return index.times_s


def grab(path: str | Path, at_s: Sequence[float], mirrored: bool = False) -> list[Image]:
    """Upright pictures nearest to the given times in seconds, in the order asked for.

    mirrored   the clip is stored mirrored: turn every picture back
    Raises as `frames`.
    """
    path = Path(path)
    stamps = times(path)
    places = nearest(stamps, np.asarray(at_s, dtype=np.float64)).tolist()
    return in_order(places, frames(path, indexes=places, mirrored=mirrored), path)


def in_order(places: Sequence[int], shown: Iterable[Frame], path: Path) -> list[Image]:
    """The pictures of the frames at these places of the clip, out of those shown. ClipError if one is
    missing."""
    found = {frame.index: frame.rgb for frame in shown}
    if not set(places) <= set(found):
        raise damaged(path, len(found), len(set(places)))
    return [found[place] for place in places]


def _rewind(container: Any, path: Path, count: int) -> None:
    try:
        container.seek(0)
    except av.FFmpegError as exc:
        raise damaged(path, 0, count) from exc


def _within(time_s: float, start_s: float | None, end_s: float | None) -> bool:
    tiny = 1e-9  # seconds; stamps are fractions, limits are floats
    return (start_s is None or time_s >= start_s - tiny) and (end_s is None or time_s <= end_s + tiny)


def _thinned(index: FrameIndex, places: list[int], every_s: float) -> list[int]:
    chosen: list[int] = []
    for k in places:
        if not chosen or index.time_s(k) >= index.time_s(chosen[-1]) + every_s - index.step_s / 4:
            chosen.append(k)
    return chosen


def _pick(
    container: Any, stream: Any, index: FrameIndex, wanted: list[int], path: Path, mirrored: bool
) -> Iterator[Stored]:
    got = 0
    posture: _Posture | None = None
    seekable = any(name in container.format.name for name in SEEKABLE)
    for run in _runs(index, wanted, seekable):
        if run[0] and seekable:
            try:
                container.seek(_key_before(index, run[0]), stream=stream, backward=True)
            except av.FFmpegError:
                break  # what came until here is counted below
        todo = {index.pts[k]: k for k in run}
        for decoded in _decoded(container, stream):
            place = todo.pop(decoded.pts, None)
            if place is not None:
                got += 1
                if posture is None:
                    stored = _posture(decoded, stream)
                    posture = replace(stored, flip_x=stored.flip_x != mirrored)
                yield Stored(place, index.time_s(place), decoded, posture)
            if not todo:
                break
    if got < READABLE_SHARE * len(wanted):
        raise damaged(path, got, len(wanted))


def _runs(index: FrameIndex, wanted: list[int], seekable: bool) -> list[list[int]]:
    """Split the wanted frames where it pays to seek to a key frame."""
    runs: list[list[int]] = [wanted[:1]] if wanted else []
    for previous, k in pairwise(wanted):
        far = index.time_s(k) - index.time_s(previous) > SEEK_GAP_S
        if seekable and far and _key_before(index, k) > index.pts[previous]:
            runs.append([])
        runs[-1].append(k)
    return runs


def _key_before(index: FrameIndex, k: int) -> int:
    place = bisect.bisect_right(index.keys, index.pts[k])
    return index.keys[place - 1] if place else index.pts[0]


def _decoded(container: Any, stream: Any) -> Iterator[Any]:
    """Decoded frames; packets that can't be decoded are passed over (the caller counts what came)."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets, None)
        except av.FFmpegError:
            return  # the file ends in the middle of a packet
        if packet is None:
            return
        try:
            yield from packet.decode()
        except av.FFmpegError:
            continue


@dataclass(frozen=True)
class _Posture:
    """How a stored picture becomes the one that is meant to be shown.

    ratio            width to height of its pixels
    turned           rows and columns change places, before
    flip_x, flip_y   the picture is mirrored in x or y
    converter        makes red, green and blue of what is stored; set up once a clip
    """

    ratio: Fraction
    turned: bool
    flip_x: bool
    flip_y: bool
    converter: Any = field(default_factory=VideoReformatter, compare=False)

    def apply(self, decoded: Any) -> Image:
        width = round(decoded.width * self.ratio)
        shown = self.converter.reformat(decoded, width, decoded.height, "rgb24")
        rgb = shown.to_ndarray()
        rgb = rgb.transpose(1, 0, 2) if self.turned else rgb
        return np.ascontiguousarray(rgb[:: -1 if self.flip_y else 1, :: -1 if self.flip_x else 1])


def _posture(decoded: Any, stream: Any) -> _Posture:
    """Read it off one frame only: asking a frame for its side data keeps it alive in a reference cycle."""
    ratio = stream.sample_aspect_ratio or Fraction(1)
    matrix = decoded.side_data.get(Type.DISPLAYMATRIX)
    if matrix is None:
        return _Posture(ratio, False, False, False)
    # x' = a x + c y, y' = b x + d y; only signs matter: an odd angle is taken to the nearest quarter
    a, b, _, c, d = np.frombuffer(bytes(matrix), dtype="<i4")[:5].astype(float)
    if max(abs(a), abs(d)) < max(abs(b), abs(c)):
        return _Posture(ratio, True, c < 0, b < 0)
    return _Posture(ratio, False, a < 0, d < 0)
