"""A clip looked through: the lifter's landmarks over all of it, a closer look at the reps, key frames."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from asymscreen.motion.press_input import solved_times
from asymscreen.motion.tidy import as_written
from asymscreen.motion.tracks import Tracks
from asymscreen.scoring.look import press_reps

if TYPE_CHECKING:
    from asymscreen.capture.reel import Reel

Progress = Callable[[str, float], None]
"""Called with the stage in plain words and the share of it that is done, 0 to 1."""

JPEG_QUALITY = 82  # 0 to 100; OpenCV's scale
COARSE_STEP_S = 0.2
"""Seconds between the frames in which lifter and reps are looked for; the bar moves below 1 Hz. Of every
second of frames 0.1 s apart the same reps were found, bottoms 0.04 s (rms) away, in 124 clips. The
validation's tracks are kept at this step (`fixtures/pack.py`): after a change see `tests/test_drift.py`."""


def tracks_of_clip(reel: Reel, tell: Progress, lifter_at: tuple[float, float] | None = None) -> Tracks:
    """The lifter's landmarks over the clip, with refined joints and the bar's axis in the reps.

    lifter_at   a point (x, y) on the lifter, pixels of the upright picture, where a person says who it is
    Raises NothingToScreen if the clip shows no lifter to screen, ClipError if it cannot be decoded.
    """
    from asymscreen.landmarks.detail import Stills, add_detail
    from asymscreen.landmarks.extract import extract

    def teller(stage: str) -> Callable[[int, int], None]:
        tell(stage, 0.0)
        return lambda done, of: tell(stage, done / max(of, 1))

    stills = Stills()
    coarse = extract(
        reel,
        step_s=COARSE_STEP_S,
        observe=stills.observe,
        lifter_at=lifter_at,
        progress=teller("Looking for the lifter"),
    )
    wanted = solved_times(press_reps(coarse)[1])
    if not len(wanted):
        return as_written(coarse)
    told = teller("Looking closely at the reps")
    fine = add_detail(reel, coarse, wanted.tolist(), stills, told)
    return as_written(fine)


def key_pictures(reel: Reel, at_s: Sequence[float]) -> list[bytes]:
    """JPEG bytes of the frames nearest to these times, seconds. Raises as `Reel.pictures`."""
    return [_jpeg(rgb) for rgb in reel.pictures(at_s)]


def _jpeg(rgb: Any) -> bytes:
    import cv2

    _, data = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    )
    return bytes(data)
