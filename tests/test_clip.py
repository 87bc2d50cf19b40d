"""Clip reading: orientation, time stamps, and one clear sentence for every file that is not a usable clip.

The truth of each file is known because it is written here, frame by frame (FFmpeg's encoders by way of PyAV).
"""

from __future__ import annotations

import hashlib
import itertools
import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from clips import corner_names, corners, grey_ramp, ramp_place, write_clip, write_sound

from asymscreen.capture.clip import frames, grab, probe
from asymscreen.capture.opening import MIN_FRAMES
from asymscreen.errors import ClipError

UPRIGHT = ("red", "green", "blue", "white")


def test_probe_tells_what_the_file_holds(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "set one.mp4", grey_ramp(30), rate=Fraction(30000, 1001), sound=True)
    info = probe(path)
    assert (info.name, info.width, info.height, info.frames) == ("set one.mp4", 96, 64, 30)
    assert info.fps == pytest.approx(30000 / 1001, abs=1e-4)
    assert info.duration_s == pytest.approx(30 * 1001 / 30000, abs=1e-4)
    assert (info.codec, info.rotation_deg) == ("h264", 0)
    assert info.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("rate", [24, 25, Fraction(30000, 1001), 60, 120, 240])
def test_times_come_from_the_stream_at_every_rate(tmp_path: Path, rate: Fraction | int) -> None:
    path = write_clip(tmp_path / "clip.mp4", grey_ramp(40), rate=rate)
    seen = list(frames(path))
    np.testing.assert_allclose([f.time_s for f in seen], np.arange(40) / float(rate), atol=2e-5)
    assert [ramp_place(f.rgb) for f in seen] == list(range(40)) == [f.index for f in seen]


@pytest.mark.parametrize(
    ("tags", "moment"),
    [
        ({"creation_time": "2026-03-09T10:11:12.000000Z"}, "2026-03-09T10:11:12+00:00"),
        # with the phone's zone, which would tell about where it was: kept as UTC
        ({"com.apple.quicktime.creationdate": "2026-03-09T11:11:12+0100"}, "2026-03-09T10:11:12+00:00"),
        ({"creation_time": "1904-01-01T00:00:00Z"}, None),
        ({"creation_time": "2099-01-01T00:00:00Z"}, None),
        ({"date": "in spring"}, None),
        ({}, None),
    ],
)
def test_when_it_was_filmed_if_the_file_tells_that(
    tmp_path: Path, tags: dict[str, str], moment: str | None
) -> None:
    path = write_clip(tmp_path / "a.mp4", grey_ramp(20), tags=tags)
    found = probe(path).recorded
    assert (None if found is None else found.isoformat()) == moment


def test_nothing_else_of_what_a_phone_writes_is_read(tmp_path: Path) -> None:
    tags = {"location": "+48.1234+011.5678/", "make": "PhoneMaker", "creation_time": "2026-03-09T10:11:12Z"}
    said = repr(probe(write_clip(tmp_path / "a.mp4", grey_ramp(20), tags=tags)))
    assert "2026, 3, 9, 10, 11, 12" in said
    assert "48.1234" not in said
    assert "PhoneMaker" not in said


def test_variable_frame_rate_keeps_its_own_times(tmp_path: Path) -> None:
    steps = [33, 33, 50, 17, 33, 100] * 6
    stamps = [0, *itertools.accumulate(steps)]
    path = write_clip(tmp_path / "vfr.mp4", grey_ramp(len(stamps)), stamps=stamps)
    np.testing.assert_allclose([f.time_s for f in frames(path)], np.array(stamps) / 1000, atol=1e-4)
    assert probe(path).fps == pytest.approx(36 / (stamps[-1] / 1000), rel=1e-3)


def test_times_start_at_the_first_frame(tmp_path: Path) -> None:
    stamps = [2000 + 40 * k for k in range(20)]
    path = write_clip(tmp_path / "late.mkv", grey_ramp(20), stamps=stamps)
    assert next(iter(frames(path))).time_s == 0.0
    assert probe(path).duration_s == pytest.approx(0.8, abs=1e-3)


# the sense of a rotation flag: this many degrees counter-clockwise make the picture upright
@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_rotation_flag_gives_the_upright_picture(tmp_path: Path, degrees: int) -> None:
    stored = np.ascontiguousarray(np.rot90(corners(), -degrees // 90))
    path = write_clip(tmp_path / "turned.mp4", [stored] * 16, setup=lambda s: s.set_display_rotation(degrees))
    info = probe(path)
    assert (info.width, info.height, info.rotation_deg) == (96, 64, degrees)
    assert corner_names(next(iter(frames(path))).rgb) == UPRIGHT
    assert grab(path, [0.2])[0].shape == (64, 96, 3)


def test_mirror_flag_is_applied(tmp_path: Path) -> None:
    stored = np.ascontiguousarray(corners()[:, ::-1])
    path = write_clip(
        tmp_path / "mirrored.mp4", [stored] * 16, setup=lambda s: s.set_display_rotation(0, hflip=True)
    )
    assert corner_names(next(iter(frames(path))).rgb) == UPRIGHT


@pytest.mark.parametrize("codec", ["libx264", "libx265", "mpeg4"])
def test_codecs(tmp_path: Path, codec: str) -> None:
    quiet = {"x265-params": "log-level=none"} if codec == "libx265" else None
    path = write_clip(tmp_path / "clip.mov", [corners()] * 16, codec=codec, options=quiet)
    assert corner_names(list(frames(path))[-1].rgb) == UPRIGHT


def test_odd_sizes_and_portrait(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "odd.mp4", [corners(53, 97)] * 16, pixels="yuv444p")
    assert (probe(path).width, probe(path).height) == (53, 97)
    assert corner_names(next(iter(frames(path))).rgb) == UPRIGHT


def test_pixels_that_are_not_square_are_stretched(tmp_path: Path) -> None:
    def anamorphic(stream: object) -> None:
        stream.codec_context.sample_aspect_ratio = Fraction(4, 3)  # type: ignore[attr-defined]

    path = write_clip(tmp_path / "wide.mp4", [corners()] * 16, setup=anamorphic)
    assert (probe(path).width, probe(path).height) == (128, 64)
    assert next(iter(frames(path))).rgb.shape == (64, 128, 3)


def test_span_thinning_and_places(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", grey_ramp(50), rate=60)
    assert [f.index for f in frames(path, start_s=0.1, end_s=0.2)] == list(range(6, 13))
    assert [f.index for f in frames(path, every_s=1 / 30)] == list(range(0, 50, 2))
    assert [f.index for f in frames(path, every_s=0.1, start_s=0.2)] == list(range(12, 50, 6))
    assert [(f.index, ramp_place(f.rgb)) for f in frames(path, indexes=[7, 3, 99, 49])] == [
        (3, 3),
        (7, 7),
        (49, 49),
    ]


def test_grab_seeks_to_the_nearest_frames_in_the_order_asked(tmp_path: Path) -> None:
    images = [image for image in grey_ramp(50) for _ in range(4)]
    path = write_clip(tmp_path / "long.mp4", images, rate=25, options={"g": "20", "bf": "2"})
    times = [6.9, 0.0, 3.01, 7.96, 100.0]
    assert [ramp_place(image) for image in grab(path, times)] == [43, 0, 18, 49, 49]


def test_seeking_gives_the_same_frames_as_reading_through(tmp_path: Path) -> None:
    images = [image for image in grey_ramp(50) for _ in range(4)]
    path = write_clip(tmp_path / "long.mp4", images, rate=25, options={"g": "20", "bf": "2"})
    through = {f.index: f for f in frames(path)}
    for frame in frames(path, indexes=[5, 60, 61, 140, 199]):
        assert frame.time_s == through[frame.index].time_s
        np.testing.assert_array_equal(frame.rgb, through[frame.index].rgb)


def test_a_clip_stored_mirrored_is_turned_back(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "selfie.mp4", [corners()] * 16)
    turned = ("green", "red", "white", "blue")
    assert corner_names(next(iter(frames(path, mirrored=True))).rgb) == turned
    assert corner_names(grab(path, [0.3], mirrored=True)[0]) == turned


# ---------------------------------------------------------------- files that are no usable clip


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="found no such file; check the name"):
        probe(tmp_path / "gone.mp4")


def test_folder(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="got a folder; name one file in it"):
        probe(tmp_path)


def test_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "empty.mp4"
    path.touch()
    with pytest.raises(ClipError, match=r"got an empty file \(0 bytes\)"):
        probe(path)


@pytest.mark.parametrize("kind", ["png", "mjpeg"])
def test_picture_even_under_a_video_name(tmp_path: Path, kind: str) -> None:
    encoder = av.CodecContext.create(kind, "w")
    encoder.width, encoder.height, encoder.time_base = 96, 64, Fraction(1, 1)
    encoder.pix_fmt = "rgb24" if kind == "png" else "yuvj420p"
    picture = av.VideoFrame.from_ndarray(corners(), format="rgb24").reformat(format=encoder.pix_fmt)
    path = tmp_path / "picture.mp4"
    path.write_bytes(b"".join(bytes(p) for p in [*encoder.encode(picture), *encoder.encode(None)]))
    with pytest.raises(ClipError, match=r"expected a video clip, got a picture \((PNG|JPEG)\)"):
        probe(path)


def test_text_renamed_to_mp4(tmp_path: Path) -> None:
    path = tmp_path / "notes.mp4"
    path.write_text("Bench: 3 × 2 at 80 %\n" * 500, encoding="utf-8")
    with pytest.raises(ClipError, match="got a text file"):
        probe(path)


def test_playlist_is_not_followed(tmp_path: Path) -> None:
    write_clip(tmp_path / "real.mp4", grey_ramp(20))
    path = tmp_path / "list.mp4"
    path.write_text("ffconcat version 1.0\nfile real.mp4\n\x7f")
    with pytest.raises(ClipError, match="expected a video clip, got a file that is damaged"):
        probe(path)


def test_bytes_that_are_no_video(tmp_path: Path) -> None:
    path = tmp_path / "noise.mp4"
    path.write_bytes(np.random.default_rng(1).bytes(20000))
    with pytest.raises(ClipError, match="damaged, cut short or of another kind"):
        probe(path)


def test_sound_only(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="got sound without video"):
        probe(write_sound(tmp_path / "voice.mp4"))


@pytest.mark.parametrize(("count", "words"), [(1, "got 1 frame;"), (MIN_FRAMES - 1, "got 14 frames;")])
def test_too_few_frames(tmp_path: Path, count: int, words: str) -> None:
    with pytest.raises(ClipError, match=words):
        probe(write_clip(tmp_path / "short.mp4", grey_ramp(count)))


def test_shortest_clip_is_read(tmp_path: Path) -> None:
    assert probe(write_clip(tmp_path / "short.mp4", grey_ramp(MIN_FRAMES))).frames == MIN_FRAMES


def test_ten_minutes_are_refused_before_decoding(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "long.mp4", [corners(16, 16)] * 61, stamps=[10_000 * k for k in range(61)])
    with pytest.raises(ClipError, match=r"at most 180 s, got a clip of 6\d\d s; cut it to the set"):
        probe(path)
    with pytest.raises(ClipError, match="at most 180 s"):
        next(iter(frames(path)))
    assert probe(path, limit_s=1000).frames == 61


def noisy(count: int) -> list[np.ndarray]:
    rng = np.random.default_rng(7)
    return [rng.integers(0, 255, (64, 96, 3), dtype=np.uint8) for _ in range(count)]


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_truncated_tail_says_how_many_frames_are_left(tmp_path: Path, share: float) -> None:
    whole = write_clip(tmp_path / "whole.mp4", noisy(60), faststart=True).read_bytes()
    path = tmp_path / "cut.mp4"
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(
        ClipError, match=r"the clip is damaged: only \d+ of 60 frames could be read"
    ) as caught:
        probe(path)
    got = int(str(caught.value).split("only ")[1].split()[0])
    assert got == pytest.approx(60 * share, abs=6)


def test_truncated_matroska(tmp_path: Path) -> None:
    whole = write_clip(tmp_path / "whole.mkv", noisy(60)).read_bytes()
    path = tmp_path / "cut.mkv"
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ClipError, match=r"only \d+ of 60 frames"):
        probe(path)


def test_truncated_before_its_index(tmp_path: Path) -> None:
    whole = write_clip(tmp_path / "whole.mp4", noisy(60)).read_bytes()
    path = tmp_path / "cut.mp4"
    path.write_bytes(whole[: len(whole) * 4 // 5])
    with pytest.raises(ClipError, match="damaged, cut short or of another kind"):
        probe(path)


def test_frames_that_do_not_decode_are_counted(tmp_path: Path) -> None:
    data = bytearray(write_clip(tmp_path / "whole.mp4", noisy(40), options={"g": "1"}).read_bytes())
    start = data.index(b"mdat")
    size = struct.unpack(">I", data[start - 4 : start])[0]
    middle = start + size // 2
    data[middle : start + size - 4] = bytes(start + size - 4 - middle)
    path = tmp_path / "holes.mp4"
    path.write_bytes(data)
    with pytest.raises(ClipError, match=r"only \d+ of 40 frames could be read"):
        list(frames(path))


def test_a_trimmed_clip_is_not_called_damaged(tmp_path: Path) -> None:
    """An edit list that starts later (as phones write when a clip is trimmed) hides frames on purpose."""
    data = bytearray(
        write_clip(tmp_path / "whole.mp4", grey_ramp(50), options={"bf": "0", "g": "10"}).read_bytes()
    )
    entry = (
        data.index(b"elst") + 12
    )  # version and flags, entry count, then the entry's duration and media time
    duration, media_time = struct.unpack(">Ii", data[entry : entry + 8])
    scale = struct.unpack(">I", data[data.index(b"mdhd") + 16 : data.index(b"mdhd") + 20])[0]
    data[entry : entry + 8] = struct.pack(">Ii", duration * 3 // 5, media_time + 2 * scale // 3)
    path = tmp_path / "trimmed.mp4"
    path.write_bytes(data)
    seen = list(frames(path))
    assert [ramp_place(f.rgb) for f in seen] == list(range(20, 50))
    assert seen[0].time_s == 0.0
    assert seen[-1].time_s == pytest.approx(29 / 30, abs=1e-3)


def test_absurd_size_is_refused(tmp_path: Path) -> None:
    path = write_clip(
        tmp_path / "huge.mp4", [np.zeros((16, 8208, 3), np.uint8)] * 16, options={"preset": "ultrafast"}
    )
    with pytest.raises(ClipError, match="8208 x 16 pixels"):
        probe(path)


def test_a_damaged_clip_prints_nothing(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    whole = write_clip(tmp_path / "whole.mp4", noisy(60), faststart=True).read_bytes()
    path = tmp_path / "cut.mp4"
    path.write_bytes(whole[: len(whole) // 2])
    capfd.readouterr()
    with pytest.raises(ClipError):
        probe(path)
    assert capfd.readouterr() == ("", "")
