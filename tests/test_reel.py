"""A clip looked through several times: the frames are those of `frames`, decoded once where they fit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from clips import corner_names, corners, grey_ramp, ramp_place, write_clip

from asymscreen.capture import reel as reel_module
from asymscreen.capture.clip import frames, probe, stored_frames
from asymscreen.capture.reel import Reel
from asymscreen.errors import ClipError


@pytest.fixture
def decodings(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many frames each decoding for the reel's own keep was asked for."""
    asked: list[int] = []

    def counted(*args: Any, **kwargs: Any) -> Any:
        asked.append(len(kwargs["indexes"]))
        return stored_frames(*args, **kwargs)

    monkeypatch.setattr(reel_module, "stored_frames", counted)
    return asked


def keep(monkeypatch: pytest.MonkeyPatch, path: Path, count: int) -> None:
    """Let so many frames of the clip fit into memory."""
    monkeypatch.setattr(reel_module, "MOST_KEPT", count * probe(path).stored_bytes)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("room", [60, 1])
def test_frames_are_the_clips_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int, mirrored: bool
) -> None:
    images = [np.roll(corners(), 2 * k, axis=1) for k in range(50)]
    path = write_clip(tmp_path / "a.mp4", images)
    keep(monkeypatch, path, room)
    wanted = [3, 17, 18, 49]
    with Reel(path, mirrored) as reel:
        found = list(reel.frames([49, 18, 3, 17, 18, -1, 50]))
    expected = list(frames(path, indexes=wanted, mirrored=mirrored))
    assert [frame.index for frame in found] == wanted
    for one, other in zip(found, expected, strict=True):
        assert one.time_s == other.time_s
        np.testing.assert_array_equal(one.rgb, other.rgb)


def test_a_short_clip_is_decoded_once_however_often_it_is_looked_through(
    tmp_path: Path, decodings: list[int]
) -> None:
    with Reel(write_clip(tmp_path / "a.mp4", grey_ramp(50))) as reel:
        for _ in range(3):
            assert [ramp_place(frame.rgb) for frame in reel.frames(range(0, 50, 7))] == list(range(0, 50, 7))
        assert [ramp_place(image) for image in reel.pictures([1.0, 0.1, 0.1, 9.0])] == [30, 3, 3, 49]
    assert decodings == [50]


@pytest.mark.parametrize(("room", "every"), [(50, 1), (49, 2), (25, 2), (24, 0), (10, 0)])
def test_frames_are_kept_as_close_together_as_memory_allows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, decodings: list[int], room: int, every: int
) -> None:
    """At 30 frames a second every second one may be left out (0.067 s), not two of three (0.1 s)."""
    path = write_clip(tmp_path / "a.mp4", grey_ramp(50))
    keep(monkeypatch, path, room)
    with Reel(path) as reel:
        shown = [frame.index for frame in reel.frames(range(50))]
        assert shown == list(range(0, 50, every or 1))
        nearest = [28, 30] if every == 2 else [29, 30]
        assert reel.nearest([0.967 - 0.001, 1.0]).tolist() == nearest
    assert decodings == ([len(shown)] if every else [])


def test_a_clip_that_ends_too_early_is_refused_after_its_last_frame(tmp_path: Path) -> None:
    whole = write_clip(
        tmp_path / "a.mp4", [np.roll(corners(), 3 * k, axis=0) for k in range(60)], faststart=True
    )
    cut = tmp_path / "cut.mp4"
    data = bytearray(whole.read_bytes())
    data[len(data) // 2 :] = bytes(len(data) - len(data) // 2)
    cut.write_bytes(data)
    with Reel(cut) as reel:
        shown: list[int] = []
        with pytest.raises(ClipError, match=r"cut\.mp4: the clip is damaged: only \d+ of \d+ frames"):
            shown.extend(frame.index for frame in reel.frames(range(60)))
        assert 0 < len(shown) < 60
        with pytest.raises(ClipError, match="damaged"):
            reel.pictures([1.9])


def test_what_is_no_clip_is_refused_at_once(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").write_text("a text")
    with pytest.raises(ClipError, match="a text file"):
        Reel(tmp_path / "a.mp4")


def test_a_fault_in_the_decoder_reaches_the_one_who_looks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: Any, **kwargs: Any) -> Any:
        raise MemoryError("no room")

    monkeypatch.setattr(reel_module, "stored_frames", broken)
    with Reel(write_clip(tmp_path / "a.mp4", grey_ramp(20))) as reel, pytest.raises(MemoryError):
        list(reel.frames([3]))


def test_a_reel_that_nobody_looks_through_stops_decoding(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", [corners()] * 400)
    with Reel(path) as reel:
        decoder = reel._decoder
    assert decoder is not None
    assert not decoder.is_alive()
    assert not reel._kept


def test_a_spread_of_a_long_clip_takes_key_frames_nearby(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_clip(tmp_path / "a.mp4", grey_ramp(50), options={"g": "10", "sc_threshold": "0"})
    shares = np.array([0.06, 0.5, 0.93])
    with Reel(path) as reel:
        assert reel.spread(shares) == [3, 24, 46]
    keep(monkeypatch, path, 1)
    with Reel(path) as reel:
        assert reel.spread(shares) == [0, 20, 40]
        assert [ramp_place(frame.rgb) for frame in reel.frames(reel.spread(shares))] == [0, 20, 40]
    one_key = write_clip(tmp_path / "b.mp4", grey_ramp(50), options={"g": "250", "sc_threshold": "0"})
    with Reel(one_key) as reel:
        assert reel.spread(shares) == [0, 24, 46]


def test_deep_colour_counts_for_as_much_as_it_takes(tmp_path: Path) -> None:
    plain, deep = (
        probe(write_clip(tmp_path / f"{pixels}.mp4", grey_ramp(20, 640, 360), pixels=pixels))
        for pixels in ("yuv420p", "yuv420p10le")
    )
    assert plain.stored_bytes >= 1.5 * 640 * 360
    assert deep.stored_bytes >= 1.9 * plain.stored_bytes


def test_a_turned_clip_is_upright(tmp_path: Path) -> None:
    with Reel(write_clip(tmp_path / "a.mp4", [corners()] * 20), mirrored=True) as reel:
        assert corner_names(next(reel.frames([5])).rgb) == ("green", "red", "white", "blue")
