"""Small video files made on the fly, so that the tests of clip reading need no recorded footage."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
CORNERS = {"red": (230, 20, 20), "green": (20, 200, 20), "blue": (20, 20, 230), "white": (240, 240, 240)}


def corners(width: int = 96, height: int = 64) -> Image:
    """Red top left, green top right, blue bottom left, white bottom right."""
    image = np.zeros((height, width, 3), np.uint8)
    image[: height // 2, : width // 2] = CORNERS["red"]
    image[: height // 2, width // 2 :] = CORNERS["green"]
    image[height // 2 :, : width // 2] = CORNERS["blue"]
    image[height // 2 :, width // 2 :] = CORNERS["white"]
    return image


def corner_names(image: Image) -> tuple[str, str, str, str]:
    """Colours found top left, top right, bottom left, bottom right."""
    height, width = image.shape[:2]
    spots = [image[y, x] for y in (height // 4, 3 * height // 4) for x in (width // 4, 3 * width // 4)]
    names = [min(CORNERS, key=lambda n: float(np.abs(np.subtract(CORNERS[n], s)).sum())) for s in spots]
    return (names[0], names[1], names[2], names[3])


def grey_ramp(count: int, width: int = 96, height: int = 64) -> list[Image]:
    """Frame k is a flat grey of 20 + 4 k, so that a frame can be told by its brightness."""
    return [np.full((height, width, 3), 20 + 4 * k, np.uint8) for k in range(count)]


def ramp_place(image: Image) -> int:
    return round((float(image.mean()) - 20) / 4)


def write_clip(
    path: Path,
    images: Iterable[Image],
    rate: Fraction | int = 30,
    stamps: Sequence[int] | None = None,
    codec: str = "libx264",
    pixels: str = "yuv420p",
    setup: Callable[[Any], None] | None = None,
    sound: bool = False,
    faststart: bool = False,
    options: dict[str, str] | None = None,
    tags: dict[str, str] | None = None,
) -> Path:
    """Encode `images`; `stamps` are presentation times in units of 1/1000 s, else frames follow at `rate`.

    `tags` is what a phone would write beside the picture.
    """
    flags = {"movflags": "faststart"} if faststart else {"movflags": "use_metadata_tags"} if tags else {}
    images = list(images)
    with av.open(str(path), "w", options=flags) as container:
        container.metadata.update(tags or {})
        stream = container.add_stream(codec, rate=rate, options=options or {})
        stream.height, stream.width = images[0].shape[:2]
        stream.pix_fmt = pixels
        if stamps is not None:
            stream.codec_context.time_base = Fraction(1, 1000)
        if setup:
            setup(stream)
        tone = _add_tone(container) if sound else None
        for k, image in enumerate(images):
            frame = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame.pts = k if stamps is None else stamps[k]
            frame.time_base = 1 / Fraction(rate) if stamps is None else Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
        if tone is not None:
            container.mux(tone.encode())
    return path


def write_sound(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        tone = _add_tone(container)
        container.mux(tone.encode())
    return path


def _add_tone(container: Any) -> Any:
    tone = container.add_stream("aac", rate=16000)
    tone.layout = "mono"
    for k in range(16):
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate, frame.pts = 16000, 1024 * k
        container.mux(tone.encode(frame))
    return tone
