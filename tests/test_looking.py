"""Which moments of a set are looked at closely, and the pictures of its key frames."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from clips import corners, write_clip

from asymscreen.capture.reel import Reel
from asymscreen.looking import key_pictures
from asymscreen.motion.press_input import MARGIN_S, solved_times
from asymscreen.motion.reps import RepSpan


def rep(number: int, start_s: float) -> RepSpan:
    return RepSpan(number, start_s, start_s + 1.4, start_s + 3.0, 1.2, 0.2, 1.6, True)


def test_the_moments_span_each_rep_and_are_closest_at_its_lockout() -> None:
    reps = [rep(1, 1.0), rep(2, 5.0)]
    for k, one in enumerate(solved_times(reps).reshape(2, -1)):
        assert one[0] == pytest.approx(reps[k].start_s - MARGIN_S)
        assert one[-1] == pytest.approx(reps[k].end_s + MARGIN_S)
        gaps = np.diff(one)
        assert (gaps > 0).all()
        # 40 moments over 3.2 s; at most two of them together are passed over, none at the lockout
        assert gaps.max() == pytest.approx(3 * 3.2 / 39)
        assert gaps[-5:].max() == pytest.approx(3.2 / 39)


def test_key_pictures_are_the_frames_nearest_to_the_times(tmp_path: Path) -> None:
    images = [np.full_like(corners(), 10 * k) for k in range(20)]
    path = write_clip(tmp_path / "a.mp4", images, rate=10)
    with Reel(path) as reel:
        jpegs = key_pictures(reel, [1.52, 0.31])
        assert key_pictures(reel, []) == []
    found = [cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) for data in jpegs]
    assert [round(float(image.mean()) / 10) for image in found] == [15, 3]
