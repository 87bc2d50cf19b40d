"""A small H.264 copy of a clip that browsers do not play (HEVC and the like), made with PyAV.

`python -m asymscreen.desk.proxy SOURCE TARGET` makes one in a process of its own.
"""

from __future__ import annotations

import os
import sys
from fractions import Fraction
from pathlib import Path

from asymscreen.errors import ClipError

PLAYED = frozenset({"h264", "vp9", "av1", "vp8"})
"""Video codecs that Chromium and Firefox play without help."""
LONG_SIDE = 960
"""Longest side of the copy, pixels: enough to see where an elbow is on a laptop."""
QUALITY = "25"
"""x264's constant rate factor; 18 looks lossless, 28 looks poor."""


def playable(clip: Path) -> bool:
    """True where browsers play the clip as it is."""
    import av

    with av.open(str(clip), mode="r") as read:
        video = read.streams.video[0]
        return video.codec_context.name in PLAYED and "10" not in str(video.codec_context.pix_fmt)


def make_proxy(source: Path, target: Path) -> Path:
    """Write the copy: upright, every frame at its own time, no sound. ClipError where it cannot be made.

    The file is complete or absent.
    """
    import av

    from asymscreen.capture.clip import frames, probe

    info = probe(source)
    scale = min(1.0, LONG_SIDE / max(info.width, info.height))
    width, height = (max(2, round(side * scale / 2) * 2) for side in (info.width, info.height))
    draft = target.with_name(f".{target.name}.part")
    clock = Fraction(1, 90000)  # seconds; the usual clock of video streams
    try:
        with av.open(str(draft), mode="w", format="mp4", options={"movflags": "+faststart"}) as written:
            stream = written.add_stream("libx264", rate=Fraction(round(info.fps * 1000), 1000))
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            stream.time_base = stream.codec_context.time_base = clock
            stream.options = {"crf": QUALITY, "preset": "veryfast", "bf": "0", "g": "15"}
            for frame in frames(source):
                picture = av.VideoFrame.from_ndarray(frame.rgb, format="rgb24")
                picture = picture.reformat(width=width, height=height, format="yuv420p")
                picture.pts, picture.time_base = round(frame.time_s / clock), clock
                written.mux(stream.encode(picture))
            written.mux(stream.encode(None))
        os.replace(draft, target)
    except (av.FFmpegError, OSError) as error:
        draft.unlink(missing_ok=True)
        raise ClipError(
            f"{source.name}: expected a clip that can be copied for viewing, got: {error}"
        ) from error
    return target


if __name__ == "__main__":
    make_proxy(Path(sys.argv[1]), Path(sys.argv[2]))
