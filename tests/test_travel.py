"""The bar's travel and the arms' bend."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_motion import off_line_loop
from set_maker import VIEWS, Beat, SetPlan, film

from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.motion.travel import FORE_TO_UPPER, LEAST_APART, Travel, _off_line, bar_travel

PLAN = SetPlan((Beat(), Beat()), racked=True)


def travel_of(view: str, noise_px: float = 0.0) -> tuple[Travel, list[float]]:
    """The travel of a racked set, and the heights on the rack, at lockout and at the bottom."""
    tracks, truth = film(PLAN, view, noise_px=noise_px)
    travel = bar_travel(tracks)
    assert travel is not None
    moments = (0.2, truth[0].start_s, truth[0].bottom_s)
    return travel, [float(np.interp(t, travel.time_s, travel.height)) for t in moments]


@pytest.mark.parametrize("view", list(VIEWS))
def test_the_bar_is_high_at_lockout_and_low_on_the_chest(view: str) -> None:
    travel, (_, lockout, bottom) = travel_of(view)
    assert lockout - bottom > 0.25
    assert travel.lockout == pytest.approx(lockout, abs=0.05 * (lockout - bottom))
    assert travel.seen.all()


@pytest.mark.parametrize("view", list(VIEWS))
def test_arms_bend_in_a_press_and_not_on_the_way_to_the_rack(view: str) -> None:
    tracks, truth = film(PLAN, view)
    travel = bar_travel(tracks)
    assert travel is not None
    at = [int(np.argmin(np.abs(travel.time_s - t))) for t in (0.2, truth[0].start_s, truth[0].bottom_s)]
    rack, lockout, bottom = travel.off_line[at]
    assert np.linalg.norm(bottom - lockout) > 3 * np.linalg.norm(rack - lockout)


def test_heights_are_in_shoulder_widths() -> None:
    _, (_, lockout, bottom) = travel_of("foot end level")
    height = 0.40  # metres of travel, seen square on; shoulders 0.36 m apart
    assert lockout - bottom == pytest.approx(height / 0.36, rel=0.1)


def test_what_nobody_saw_is_marked() -> None:
    tracks, _ = film(PLAN, "foot end 45")
    xy = tracks.xy_px.copy()
    gone = (tracks.time_s > 3.0) & (tracks.time_s < 4.2)
    xy[gone] = np.nan
    travel = bar_travel(replace(tracks, xy_px=xy))
    assert travel is not None
    unseen = travel.time_s[~travel.seen]
    assert unseen.min() == pytest.approx(3.25, abs=0.05)
    assert unseen.max() == pytest.approx(3.95, abs=0.05)


def test_no_arms_no_travel() -> None:
    tracks, _ = film(PLAN, "foot end 45")
    tiny = replace(tracks, xy_px=tracks.xy_px * 0.02)
    assert bar_travel(tiny) is None  # a shoulder width of three pixels
    xy = tracks.xy_px.copy()
    xy[:, JOINTS.index("left_shoulder")] = np.nan
    assert bar_travel(replace(tracks, xy_px=xy)) is None


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([60.0, 400.0]))
def test_the_way_off_the_line_equals_the_plain_loop(seed: int, apart: float) -> None:
    """Hands far apart are scaled to the bar's usual length, hands near each other (a side view) are not."""
    rng = np.random.default_rng(seed)
    joints = rng.normal(0, 20, (7, 6, 2)) + 300
    joints[:, 4, 0] += apart
    scale = 150.0
    hands = np.linalg.norm(joints[:, 4] - joints[:, 5], axis=1)
    usual = float(np.median(hands))
    for i in range(7):
        far = usual / max(hands[i], usual / 2) if usual > LEAST_APART * scale else 1.0
        for side in (0, 1):
            expected = off_line_loop(joints[i, side::2].tolist(), FORE_TO_UPPER, far)
            found = _off_line(joints, scale)[i, 2 * side : 2 * side + 2] * scale
            np.testing.assert_allclose(found, expected, atol=1e-9)
