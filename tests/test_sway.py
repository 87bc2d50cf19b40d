"""Hand-held clips: what moves the whole picture is taken off, what moves the hips alone is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_press import LEVEL, SHEET, STICK, UNEVEN, seen, sides, solved, spans

from asymscreen.landmarks.skeleton import REFINED
from asymscreen.motion.press import solve
from asymscreen.motion.sway import STILL, steadied
from asymscreen.motion.tracks import Tracks

PX_PER_M = 400.0


def swayed(tracks: Tracks, px: float = 12.0) -> tuple[Tracks, np.ndarray]:
    """The picture carried about by `px` on two slow waves, as a hand does, and by how much, (T, 2)."""
    t = tracks.time_s
    shift = px * np.stack([np.sin(2 * np.pi * 0.4 * t), np.cos(2 * np.pi * 0.27 * t + 1)], axis=1)
    return replace(tracks, xy_px=tracks.xy_px + shift[:, None]), shift


def test_a_hand_held_clip_gives_what_a_still_one_gives() -> None:
    still = seen(UNEVEN)
    held, shift = swayed(still)
    one, other = solved(still), solved(held)
    for name in ("tuck_bottom", "elbow_flexion_bottom"):
        assert sides(other, name) == pytest.approx(sides(one, name), abs=1.0)
    at = spans(UNEVEN)[0].bottom_s
    frame = int(np.argmin(np.abs(still.time_s - at)))
    drawn = other.pixels(0, at) - one.pixels(0, at)
    hips = np.median(shift, axis=0)
    assert drawn == pytest.approx(np.tile(shift[frame] - hips, (8, 1)), abs=4.0)


def test_without_it_the_same_clip_goes_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    held, _ = swayed(seen(UNEVEN))
    monkeypatch.setattr("asymscreen.motion.press.steadied", lambda tracks, scale: (tracks, STILL))
    wrong = solve(held, spans(UNEVEN), SHEET, LEVEL, STICK)
    right = solved(seen(UNEVEN))
    assert np.abs(sides(wrong, "tuck_bottom") - sides(right, "tuck_bottom")).max() > 3.0


def test_a_phone_on_a_stand_is_left_alone() -> None:
    still = seen(UNEVEN)
    assert steadied(still, PX_PER_M) == (still, STILL)
    assert STILL.at(1.0).tolist() == [0.0, 0.0]


def test_hips_that_lift_off_the_bench_are_no_sway() -> None:
    still = seen(UNEVEN)
    lifted = still.xy_px.copy()
    wave = 12 * np.sin(2 * np.pi * 0.4 * still.time_s)
    for name in REFINED[6:]:
        lifted[:, still.names.index(name), 1] += wave
    moved = replace(still, xy_px=lifted)
    assert steadied(moved, PX_PER_M) == (moved, STILL)


def test_hips_that_are_hardly_ever_seen_tell_nothing() -> None:
    held, _ = swayed(seen(UNEVEN))
    hidden = held.xy_px.copy()
    hidden[15:, [held.names.index(name) for name in REFINED[6:]]] = np.nan
    unseen = replace(held, xy_px=hidden)
    assert steadied(unseen, PX_PER_M) == (unseen, STILL)
