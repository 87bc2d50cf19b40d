"""Taking a clip in: size, time, number, first bytes, names. Each test breaks one bound.

Outside sources: FFmpeg, through PyAV, writes the containers whose first bytes are judged; hashlib; the
signatures of other files are those of the IANA media-type registrations and of the `file` program's database.
"""

from __future__ import annotations

import asyncio
import hashlib
import io
import shutil
import stat
import time
import zipfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import NamedTuple

import clips
import pytest

from asymscreen.desk import uploads
from asymscreen.desk.uploads import (
    SNIFFED,
    STALE_S,
    Limits,
    Received,
    Slots,
    UploadError,
    arriving,
    receive,
    sniff,
)
from asymscreen.record.store import Store

pytest_plugins = ["record_fixtures"]
HEAD = b"\x00\x00\x00\x20ftypisom\x00\x00\x02\x00isomiso2avc1mp41" + bytes(64)


async def pieces(data: bytes, size: int = 1000, wait_s: float = 0.0) -> AsyncIterator[bytes]:
    for at in range(0, len(data), size):
        if wait_s:
            await asyncio.sleep(wait_s)
        yield data[at : at + size]


def taken(store: Store, data: bytes, declared: int | None = None, **limits: float) -> Received:
    bounds = Limits(**({"spare_bytes": 0} | limits))  # type: ignore[arg-type]
    return asyncio.run(receive(pieces(data), declared, store, bounds))


def left(store: Store) -> list[str]:
    return [file.name for file in (store.home / uploads.FOLDER).iterdir()]


def test_a_clip_lies_under_a_name_of_ours_and_is_private(sqlite_store: Store) -> None:
    data = HEAD + bytes(50_000)
    found = taken(sqlite_store, data, len(data))
    assert found.path.read_bytes() == data
    assert (found.size, found.sha256) == (len(data), hashlib.sha256(data).hexdigest())
    assert found.path.parent == sqlite_store.home / "arriving"
    assert len(found.path.stem) == 32
    assert set(found.path.stem) <= set("0123456789abcdef")
    assert found.path.suffix == ".mp4"
    assert stat.S_IMODE(found.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(found.path.parent.stat().st_mode) == 0o700


def test_the_same_clip_twice_gets_two_names(sqlite_store: Store) -> None:
    assert taken(sqlite_store, HEAD).path != taken(sqlite_store, HEAD).path


def refused(store: Store, data: bytes, status: int, said: str, **options: float) -> None:
    with pytest.raises(UploadError, match=said) as error:
        taken(store, data, **options)  # type: ignore[arg-type]
    assert error.value.status == status
    assert left(store) == []


def test_a_clip_that_is_announced_too_large_is_refused_at_once(sqlite_store: Store) -> None:
    arriving(sqlite_store)
    refused(sqlite_store, HEAD, 413, "larger than 1 MB", declared=(1 << 20) + 1, most_bytes=1 << 20)


def test_a_clip_that_grows_too_large_is_refused_on_the_way(sqlite_store: Store) -> None:
    refused(sqlite_store, HEAD + bytes(1 << 20), 413, "larger than 1 MB", most_bytes=1 << 20)
    refused(sqlite_store, HEAD + bytes(1 << 20), 413, "larger than 1 MB", declared=100, most_bytes=1 << 20)


def test_a_clip_that_ends_early_is_refused(sqlite_store: Store) -> None:
    refused(sqlite_store, HEAD, 400, "did not arrive whole", declared=len(HEAD) + 1)


def test_a_sender_who_stops_sending_is_cut_off(sqlite_store: Store) -> None:
    started = time.monotonic()
    with pytest.raises(UploadError, match="took too long") as error:
        asyncio.run(receive(pieces(HEAD, 64, 5.0), None, sqlite_store, Limits(idle_s=0.1, spare_bytes=0)))
    assert error.value.status == 408
    assert time.monotonic() - started < 3
    assert left(sqlite_store) == []


def test_a_sender_who_trickles_is_cut_off(sqlite_store: Store) -> None:
    limits = Limits(longest_s=0.3, idle_s=10.0, spare_bytes=0)
    with pytest.raises(UploadError, match="took too long"):
        asyncio.run(receive(pieces(HEAD, 1, 0.05), None, sqlite_store, limits))
    assert left(sqlite_store) == []


class Disk(NamedTuple):
    total: int
    used: int
    free: int


def test_a_full_disk_is_said_before_anything_is_written(
    sqlite_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Disk(10**12, 10**12, 1500))
    arriving(sqlite_store)
    refused(sqlite_store, HEAD, 507, "no room", declared=len(HEAD), spare_bytes=2000)


def zipped() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr("zeros", bytes(1 << 22))
    return out.getvalue()


NO_VIDEO = {
    "empty": b"", "short": b"\x00\x00", "text": b"a set of three reps, 80 kg\n" * 4, "zip": zipped(),
    "gzip": b"\x1f\x8b\x08" + bytes(80), "program": b"\x7fELF" + bytes(80), "page": b"<!doctype html>" * 9,
    "png": b"\x89PNG\r\n\x1a\n" + bytes(80), "jpeg": b"\xff\xd8\xff\xe0" + bytes(80),
    "svg": b"<svg xmlns='http://www.w3.org/2000/svg'>" * 3, "playlist": b"#EXTM3U\n#EXT-X-VERSION:3\n" * 4,
    "concat": b"ffconcat version 1.0\nfile /etc/passwd\n" * 3,
    "wave": b"RIFF\x24\x08\x00\x00WAVEfmt " + bytes(80),
    "heic": b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(80),
    "song": b"\x00\x00\x00\x18ftypM4A \x00\x00\x00\x00M4A " + bytes(80),
    "late": bytes(100) + HEAD,
}  # fmt: skip


@pytest.mark.parametrize("kind", sorted(NO_VIDEO))
def test_what_does_not_begin_like_a_video_is_refused(sqlite_store: Store, kind: str) -> None:
    refused(sqlite_store, NO_VIDEO[kind], 415, "not a video clip")


@pytest.mark.parametrize(
    ("suffix", "kind"), [("mp4", ".mp4"), ("mov", ".mp4"), ("mkv", ".mkv"), ("avi", ".avi")]
)
def test_what_ffmpeg_writes_is_known(tmp_path: Path, suffix: str, kind: str) -> None:
    place = clips.write_clip(tmp_path / f"clip.{suffix}", clips.grey_ramp(20), codec="mpeg4")
    assert sniff(place.read_bytes()[:SNIFFED]) == kind


def test_a_large_file_of_the_wrong_kind_is_refused_early(sqlite_store: Store) -> None:
    read = 0

    async def counted() -> AsyncIterator[bytes]:
        nonlocal read
        for _ in range(1000):
            read += 1
            yield bytes(1000)

    with pytest.raises(UploadError, match="not a video"):
        asyncio.run(receive(counted(), None, sqlite_store, Limits(spare_bytes=0)))
    assert read < 3


def test_only_so_many_clips_come_in_at_a_time() -> None:
    slots = Slots(per_sender=1, together=2)
    with slots.hold("a"):
        with pytest.raises(UploadError, match="Another clip is on its way") as error, slots.hold("a"):
            pass
        assert error.value.status == 429
        with slots.hold("b"), pytest.raises(UploadError), slots.hold("c"):
            pass
        with slots.hold("c"):
            pass
    with slots.hold("a"), slots.hold("b"):
        pass


def test_what_a_broken_upload_left_is_removed_later(sqlite_store: Store) -> None:
    import os

    old, young = arriving(sqlite_store) / "old.part", arriving(sqlite_store) / "young.part"
    for file in (old, young):
        file.write_bytes(b"x")
    os.utime(old, (time.time() - STALE_S - 60,) * 2)
    arriving(sqlite_store)
    assert left(sqlite_store) == ["young.part"]


def test_a_sender_who_goes_away_leaves_nothing(sqlite_store: Store) -> None:
    async def broken() -> AsyncIterator[bytes]:
        yield HEAD
        raise UploadError("gone", 400)

    with pytest.raises(UploadError, match="gone"):
        asyncio.run(receive(broken(), None, sqlite_store, Limits(spare_bytes=0)))
    assert left(sqlite_store) == []
