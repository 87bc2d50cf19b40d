"""A clip for several who look through it one after the other: decoded once, where it fits into memory.

Decoding a clip takes about as long as looking at it. A short clip is decoded as soon as it is opened, on a
thread of its own, and its frames are kept as the file stores them; a long one is decoded anew for each look.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.clip import (
    ClipInfo,
    Frame,
    Image,
    Stored,
    frames,
    in_order,
    look_over,
    stored_frames,
)
from asymscreen.capture.opening import READABLE_SHARE, damaged
from asymscreen.motion.tracks import nearest

FloatArray = NDArray[np.float64]

MOST_KEPT = 200e6  # bytes of frames; a set of 9 s at 720p takes 190e6
WIDEST_STEP_S = 0.07
"""Seconds between kept frames at most, where not all fit; a press moves by some 3 cm in that time."""


class Reel:
    """The upright frames of a clip. Use with `with`.

    info      what the clip holds
    time_s    (frames,) time stamps in seconds of all frames
    Raises ClipError for a file that is no usable clip, as `capture.clip.probe`.
    """

    def __init__(self, path: str | Path, mirrored: bool = False) -> None:
        """`mirrored` says that the clip is stored mirrored: every frame is turned back."""
        self.info, index = look_over(path)
        self.time_s, self._keys = index.times_s, index.key_places
        self._path, self._mirrored = Path(path), mirrored
        every = _every(self.info)
        self._places = np.arange(0, self.info.frames, every or 1)
        self._kept: dict[int, Stored] = {}
        self._error: Exception | None = None
        self._over = False
        self._news = threading.Condition()
        self._showing = threading.Lock()
        self._decoder = threading.Thread(target=self._decode, name="decoder", daemon=True) if every else None
        if self._decoder:
            self._decoder.start()

    def nearest(self, at_s: Sequence[float] | FloatArray) -> NDArray[np.intp]:
        """(n,) places in the clip of the frames nearest to times in seconds, of those that are to be had."""
        at = np.asarray(at_s, dtype=np.float64)
        return np.asarray(self._places[nearest(self.time_s[self._places], at)], dtype=np.intp)

    def spread(self, shares: FloatArray) -> list[int]:
        """Places in the clip at rising shares of it (n > 1,), or near them where that spares decoding."""
        places = np.round(shares * (self.info.frames - 1)).astype(int)
        if self._decoder is None:
            near = self._keys[np.abs(self._keys - places[:, None]).argmin(axis=1)]
            places = np.where(np.abs(near - places) < np.diff(places).min() / 2, near, places)
        return [int(place) for place in np.unique(places)]

    def frames(self, indexes: Iterable[int]) -> Iterator[Frame]:
        """The frames to be had that are nearest to these places in the clip, each once, in order of time.

        Raises ClipError after the last of them if too few could be decoded.
        """
        asked = [place for place in indexes if 0 <= place < self.info.frames]
        wanted = np.unique(self.nearest(self.time_s[asked])).tolist()
        if self._decoder is None:
            yield from frames(self._path, indexes=wanted, mirrored=self._mirrored)
            return
        missing = 0
        for place in wanted:
            stored = self._wait(place)
            if stored is None:
                missing += 1
                continue
            with self._showing:
                frame = stored.shown()
            yield frame
        if self._error is not None:
            raise self._error
        if missing > (1 - READABLE_SHARE) * len(wanted):
            raise damaged(self._path, len(wanted) - missing, len(wanted))

    def pictures(self, at_s: Sequence[float]) -> list[Image]:
        """Upright pictures nearest to times in seconds, in the order asked for. Raises as `frames`."""
        places = self.nearest(at_s).tolist()
        return in_order(places, self.frames(places), self._path)

    def _wait(self, place: int) -> Stored | None:
        with self._news:
            self._news.wait_for(lambda: place in self._kept or self._over)
            return self._kept.get(place)

    def _decode(self) -> None:
        try:
            for stored in stored_frames(self._path, indexes=self._places.tolist(), mirrored=self._mirrored):
                with self._news:
                    if self._over:
                        return
                    self._kept[stored.index] = stored
                    self._news.notify_all()
        except Exception as error:  # handed on to whoever looks through the clip
            self._error = error
        finally:
            with self._news:
                self._over = True
                self._news.notify_all()

    def __enter__(self) -> Reel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._news:
            self._over = True
            self._kept.clear()
        if self._decoder:
            self._decoder.join()


def _every(info: ClipInfo) -> int:
    """Every how many frames one is kept, so that all of them fit; 0 where they would not."""
    every = max(1, int(np.ceil(info.frames * info.stored_bytes / MOST_KEPT)))
    return every if every == 1 or every <= WIDEST_STEP_S * info.fps else 0
