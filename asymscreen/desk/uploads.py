"""Taking a clip in: bounded in size, time and number, judged by its first bytes, stored under a name of ours.

Nothing that the sender says of the file is used: neither its name, nor its ending, nor its type.
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import secrets
import shutil
import threading
import time
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from asymscreen.errors import AsymscreenError
from asymscreen.record.store import Store

FOLDER = "arriving"
SNIFFED = 64  # bytes that tell what a file is
BUSY = "Another clip is on its way in. Wait until it is there, then try again."
SLOW = "The clip took too long to arrive. Try again with a better connection."
STALE_S = 3600.0
"""What is left of a broken upload is removed once this old, seconds."""

_VIDEO_BRANDS = (
    b"isom", b"iso2", b"iso3", b"iso4", b"iso5", b"iso6", b"mp41", b"mp42", b"avc1", b"qt  ", b"M4V ",
    b"MSNV", b"3gp4", b"3gp5", b"3gp6", b"3g2a", b"hvc1", b"dash", b"f4v ", b"mmp4",
)  # fmt: skip
_QUICKTIME_ATOMS = (b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")


class UploadError(AsymscreenError):
    """A clip that was not taken; `status` is the HTTP status that says so."""

    def __init__(self, said: str, status: int) -> None:
        super().__init__(said)
        self.status = status


@dataclass(frozen=True)
class Limits:
    """Bounds on one clip.

    most_bytes         size; three minutes of 1080p are about 400 MB on a phone
    longest_s          from the first byte to the last, seconds
    idle_s             longest silence of the sender, seconds
    spare_bytes        what has to stay free on the disk
    """

    most_bytes: int = 800 << 20
    longest_s: float = 1800.0
    idle_s: float = 60.0
    spare_bytes: int = 1 << 30


@dataclass(frozen=True)
class Received:
    """A clip on the disk under a name of ours, its size in bytes and its SHA-256."""

    path: Path
    size: int
    sha256: str


class Slots:
    """How many clips may be on their way in at a time: by sender, and all together."""

    def __init__(self, per_sender: int = 1, together: int = 4) -> None:
        self._per_sender, self._together = per_sender, together
        self._held: Counter[str] = Counter()
        self._lock = threading.Lock()

    @contextmanager
    def hold(self, sender: str) -> Iterator[None]:
        """Hold a slot; UploadError where there is none left."""
        with self._lock:
            if self._held[sender] >= self._per_sender or self._held.total() >= self._together:
                raise UploadError(BUSY, 429)
            self._held[sender] += 1
        try:
            yield
        finally:
            with self._lock:
                self._held[sender] -= 1
                self._held += Counter()


def sniff(head: bytes) -> str:
    """What kind of video a file's first bytes promise, as a file ending; empty where they promise none."""
    if head[4:8] == b"ftyp":
        brands = [head[8:12], *(head[k : k + 4] for k in range(16, min(len(head), SNIFFED) - 3, 4))]
        return ".mp4" if any(brand in _VIDEO_BRANDS for brand in brands) else ""
    if head[4:8] in _QUICKTIME_ATOMS:
        return ".mov"
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return ".webm" if b"webm" in head else ".mkv"
    return ".avi" if head[:4] == b"RIFF" and head[8:12] == b"AVI " else ""


def kind_of(file: BinaryIO) -> str:
    """The ending for an open file, by its first bytes; it is read from its start again afterwards.

    UploadError where they promise no video.
    """
    file.seek(0)
    head = file.read(SNIFFED)
    file.seek(0)
    return _kind(head)


async def receive(
    chunks: AsyncIterator[bytes], declared: int | None, store: Store, limits: Limits | None = None
) -> Received:
    """Write a clip to the disk as it comes. UploadError, and nothing left, where it breaks a bound.

    declared   the size that the sender announced, bytes, or None
    """
    limits = limits or Limits()
    _check_size(declared or 0, limits)
    folder = arriving(store)
    if shutil.disk_usage(folder).free < (declared or 0) + limits.spare_bytes:
        raise UploadError("The desk has no room for the clip at the moment. Tell your coach.", 507)
    draft = folder / f"{secrets.token_hex(16)}.part"
    try:
        size, digest, suffix = await _write(chunks, draft, limits)
        if declared is not None and size != declared:
            raise UploadError("The clip did not arrive whole. Send it again.", 400)
        place = draft.with_suffix(suffix)
        os.replace(draft, place)
        return Received(place, size, digest)
    finally:
        draft.unlink(missing_ok=True)


def arriving(store: Store) -> Path:
    """Where clips lie while they come in and are looked at, made if need be; old leftovers are removed."""
    folder = store.home / FOLDER
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    for file in folder.iterdir():
        if time.time() - file.stat().st_mtime > STALE_S:
            file.unlink(missing_ok=True)
    return folder


async def _write(chunks: AsyncIterator[bytes], draft: Path, limits: Limits) -> tuple[int, str, str]:
    """Size, digest and kind of what was written."""
    digest, size, head, suffix = hashlib.sha256(), 0, b"", ""
    end = time.monotonic() + limits.longest_s
    with os.fdopen(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
        while (chunk := await _next(chunks, min(limits.idle_s, end - time.monotonic()))) is not None:
            size += len(chunk)
            _check_size(size, limits)
            if not suffix:
                head += chunk[:SNIFFED]
                suffix = _kind(head) if len(head) >= SNIFFED else ""
            digest.update(chunk)
            file.write(chunk)
        file.flush()
        await asyncio.to_thread(os.fsync, file.fileno())  # a slow disk must not hold other pages up
    return size, digest.hexdigest(), suffix or _kind(head)


async def _next(chunks: AsyncIterator[bytes], wait_s: float) -> bytes | None:
    try:
        return await asyncio.wait_for(anext(chunks), max(wait_s, 0.001))
    except StopAsyncIteration:
        return None
    except TimeoutError:
        raise UploadError(SLOW, 408) from None


def _check_size(size: int, limits: Limits) -> None:
    if size > limits.most_bytes:
        raise UploadError(
            f"The clip is larger than {limits.most_bytes >> 20} MB. Film one set of two or three reps.",
            413,
        )


def _kind(head: bytes) -> str:
    suffix = sniff(head)
    if not suffix:
        raise UploadError("This file is not a video clip. Choose the video of your set.", 415)
    return suffix
