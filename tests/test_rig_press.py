"""Press plans of the rendered lifters: seeds, evenness, timing, motion. Numpy only."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.rig.press import (
    LATE_FROM,
    Plan,
    Rack,
    Rep,
    bar_y,
    ease,
    frame_times,
    motion,
    sample_plan,
    schedule,
)

BODY = {"gender": 0.5}
APART = (
    "swivel_apart",
    "shrug_apart",
    "blades_back_apart",
    "tilt",
    "tilt_lockout",
    "yaw",
    "bar_shift",
    "grip_shift",
    "late_s",
)


def plan(**changes: object) -> Plan:
    return Plan(1, False, BODY, {}).edited(**changes)


def test_a_seed_is_one_lifter_and_splits_share_none() -> None:
    assert sample_plan(7) == sample_plan(7)
    assert sample_plan(7) != sample_plan(7, "test")
    assert sample_plan(7) != sample_plan(7, tries=1)


def test_even_lifters_differ_in_nothing_and_others_in_something() -> None:
    plans = [sample_plan(seed) for seed in range(300)]
    for p in plans:
        uneven = (
            any(getattr(p, name) for name in APART) or any(p.drift) or any(r[1] or r[2] for r in p.of_rep)
        )
        assert uneven is not p.even
        assert p.even or p.swivel_apart or p.tilt
        assert abs(p.swivel_apart) <= 18
        assert abs(p.tilt) <= 4
    # a third of 300 lifters, binomial standard deviation 8.2
    assert 75 <= sum(p.even for p in plans) <= 125


def test_sets_have_two_to_four_full_reps_and_a_tempo_of_their_own() -> None:
    plans = [sample_plan(seed) for seed in range(300)]
    counts = [sum(rep.depth == 1 for rep in p.reps) for p in plans]
    assert set(counts) == {2, 3, 4}
    # reps vary within a tenth of the lifter's own tempo, lifters by a factor of two
    for p in plans:
        full = [rep.descent for rep in p.reps if rep.depth == 1]
        assert max(full) / min(full) < 1.1 / 0.9
    firsts = [p.reps[0].descent for p in plans]
    assert max(firsts) / min(firsts) > 2


def test_evenness_can_be_asked_for() -> None:
    assert all(sample_plan(seed, even=True).even for seed in range(20))
    assert not any(sample_plan(seed, even=False).even for seed in range(20))


def test_an_even_lifter_moves_both_sides_alike_throughout() -> None:
    for seed in range(20):
        p = sample_plan(seed, even=True)
        m = motion(p, frame_times(p, 30))
        for pair in (m.height, m.swivel, m.blades_back):
            np.testing.assert_array_equal(pair[:, 0], pair[:, 1])
        np.testing.assert_array_equal(m.tilt, 0)


def test_the_schedule_adds_up() -> None:
    p = plan(reps=(Rep(0.5, 1.0, 0.2, 1.3), Rep(0.4, 1.1, 0.0, 0.9)), tail=0.6)
    events, end = schedule(p)
    first, second = events
    assert (first.start, first.touch, first.leave, first.end) == pytest.approx((0.5, 1.5, 1.7, 3.0))
    assert second.start == pytest.approx(3.4)
    assert second.bottom == pytest.approx(4.5)
    assert end == pytest.approx(3.0 + 0.4 + 1.1 + 0.9 + 0.6)
    assert len(frame_times(p, 60)) == int(end * 60)


def test_the_bar_is_down_at_the_bottom_and_up_at_both_ends() -> None:
    p = plan(reps=(Rep(0.5, 1.0, 0.2, 1.3), Rep(0.5, 1.0, 0.0, 1.0, depth=0.4)))
    events, _ = schedule(p)
    at = motion(p, np.array([t for e in events for t in (e.start, e.bottom, e.end)])).height
    np.testing.assert_allclose(at[:, 0], [1, 0, 1, 1, 0.6, 1], atol=1e-12)
    assert [e.complete for e in events] == [True, False]


def test_minimum_jerk_is_flash_and_hogans() -> None:
    # Flash & Hogan 1985, J Neurosci 5:1688: x(t) = 10 t^3 - 15 t^4 + 6 t^5; peak speed 1.875 at the middle
    t = np.linspace(0, 1, 2001)
    np.testing.assert_allclose(ease(t), 10 * t**3 - 15 * t**4 + 6 * t**5, atol=1e-12)
    assert np.gradient(ease(t), t).max() == pytest.approx(1.875, abs=1e-3)


@pytest.mark.parametrize("late", [0.2, -0.2])
def test_a_late_side_reaches_lockout_later_by_just_that(late: float) -> None:
    p = plan(late_s=late, reps=(Rep(0.5, 1.0, 0.2, 1.2),))
    event = schedule(p)[0][0]
    times = np.arange(event.leave, event.end + 0.3, 0.001)
    height = motion(p, times).height
    reached = times[np.argmax(height >= 1 - 1e-9, axis=0)]
    assert reached[0] - reached[1] == pytest.approx(late, abs=0.005)
    early = times < event.leave + LATE_FROM * 0.8 * (event.end - event.leave)
    np.testing.assert_allclose(height[early, 0], height[early, 1], atol=1e-12)


def test_left_is_first_and_apart_is_left_minus_right() -> None:
    p = plan(
        swivel=50,
        swivel_apart=12,
        blades_back=8,
        blades_back_apart=4,
        of_rep=((1.0, 2.0, 0.5), (0, 0, 0)),
        tilt=3,
    )
    m = motion(p, np.array([schedule(p)[0][0].bottom]))
    np.testing.assert_allclose(m.swivel, [[58, 44]])
    np.testing.assert_allclose(m.blades_back, [[10, 6]])
    np.testing.assert_allclose(m.tilt, [3.5])


def test_drift_grows_from_rep_to_rep() -> None:
    p = plan(reps=(Rep(0.5, 1, 0, 1),) * 3, drift=(0.0, 2.0, 0.5))
    m = motion(p, np.array([e.bottom for e in schedule(p)[0]]))
    np.testing.assert_allclose(m.swivel[:, 0] - m.swivel[:, 1], [0, 2, 4])
    np.testing.assert_allclose(m.tilt, [0, 0.5, 1.0])


def test_tilt_levels_out_towards_lockout() -> None:
    p = plan(tilt=4.0, tilt_lockout=1.0)
    e = schedule(p)[0][0]
    np.testing.assert_allclose(motion(p, np.array([e.start, e.bottom, e.end])).tilt, [1, 4, 1])


def test_the_bar_comes_off_the_pins_and_goes_back() -> None:
    rack = Rack(hold=0.4, lift=0.5, carry=0.8)
    p = plan(rack=rack)
    events, end = schedule(p)
    m = motion(p, np.array([0.0, 0.9, events[0].start, events[-1].end, end - 0.01]))
    np.testing.assert_allclose(m.racked, [1, 1, 0, 0, 1], atol=1e-9)
    np.testing.assert_allclose(m.drop, [1, 0, 0, 0, 1], atol=1e-6)
    assert events[0].start == pytest.approx(0.4 + 0.5 + 0.8 + p.reps[0].rest)
    away = plan(rack=Rack(back=False))
    assert motion(away, np.array([schedule(away)[1]])).racked[0] == 0


def test_the_bar_curves_towards_the_head_early_in_the_ascent() -> None:
    # experts' bars stay nearer the shoulders (Madsen & McLaughlin 1984, Med Sci Sports Exerc 16:376)
    p = plan(touch_y=-0.15, lockout_y=0.0)
    low, half, top = bar_y(p, np.array([0.0, 0.5, 1.0]))
    assert (low, top) == (-0.15, 0.0)
    assert half > -0.075
