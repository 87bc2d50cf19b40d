"""Plan, camera and truth of the rendered lifters, which need NumPy only."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from asymscreen.motion.camera import project
from asymscreen.scoring.measures import RULES
from fixtures.rig.camera import STANDS, Camera, Wishes, rows_towards, set_up
from fixtures.rig.plan import (
    HALF_SHARE,
    UNRACK_S,
    Plan,
    Timing,
    draw_plan,
    duration,
    ease,
    frame_times,
    height_share,
    rack_share,
    rep_noise,
    reps_of,
    side_shares,
    with_reps,
)
from fixtures.rig.truth import Filmed, at_times, measures_of, write_truth

TIMING = (Timing(0.5, 1.0, 0.4, 1.2), Timing(0.6, 1.5, 0.0, 1.0))
UNEVEN = ("swivel_difference", "tilt", "yaw", "shift", "shrug_difference", "blade_difference")


def plain_plan(**changes: object) -> Plan:
    plan = Plan(1, True, {}, TIMING, np.zeros((2, 4)))
    return replace(plan, **changes)  # type: ignore[arg-type]


def press_joints(times: np.ndarray, plan: Plan, low_left: float = 0.0) -> np.ndarray:
    """(T, 8, 3): shoulders level at the origin, elbows square out at the bottom, wrists straight above them
    that rise 0.3 m; `low_left` lowers the left wrist, metres."""
    shares = height_share(times, reps_of(plan))
    joints = np.zeros((len(times), 8, 3))
    for k, sign in ((0, 1.0), (1, -1.0)):
        joints[:, k, 0] = 0.2 * sign
        joints[:, 2 + k] = [0.5 * sign, 0.0, 0.0]
        joints[:, 4 + k] = [0.5 * sign, 0.0, 0.3]
        joints[:, 4 + k, 2] += 0.3 * shares
        joints[:, 6 + k] = [0.1 * sign, -0.5, 0.0]
    joints[:, 6:8, 0] = [0.2, -0.2]
    joints[:, 4, 2] -= low_left
    return joints


def test_a_seed_is_always_the_same_lifter_and_the_splits_share_none() -> None:
    assert draw_plan(5).body == draw_plan(5).body
    assert draw_plan(5, "tune").body != draw_plan(5, "test").body


@pytest.mark.parametrize("seed", range(8))
def test_an_even_plan_has_no_difference_of_any_kind(seed: int) -> None:
    plan = draw_plan(seed, even=True)
    assert [getattr(plan, name) for name in UNEVEN] == [0] * len(UNEVEN)
    assert not plan.noise[:, 2:].any()


def test_some_lifters_are_even_and_the_others_lean_both_ways() -> None:
    plans = [draw_plan(seed) for seed in range(200)]
    assert 0.2 < np.mean([p.even for p in plans]) < 0.4
    tilts = np.array([p.tilt for p in plans])
    assert (tilts > 0.8).sum() > 20
    assert (tilts < -0.8).sum() > 20


def test_the_timetable_adds_up_by_hand() -> None:
    first, second = reps_of(plain_plan())
    assert (first.start_s, first.down_s, first.up_s, first.end_s) == pytest.approx((0.5, 1.5, 1.9, 3.1))
    assert first.bottom_s == pytest.approx(1.7)
    assert (second.start_s, second.bottom_s, second.end_s) == pytest.approx((3.7, 5.2, 6.2))
    assert duration(plain_plan()) == pytest.approx(6.7)
    assert len(frame_times(plain_plan(), 10.1)) == 67  # 6.7 s, rounded down


def test_ease_is_a_step_of_minimum_jerk() -> None:
    # Flash and Hogan 1985: 10 u^3 - 15 u^4 + 6 u^5
    u = np.linspace(0, 1, 50)
    assert ease(u) == pytest.approx(10 * u**3 - 15 * u**4 + 6 * u**5)
    assert ease(np.array([-1.0, 2.0])).tolist() == [0, 1]


def test_the_bar_is_at_lockout_between_reps_and_on_the_chest_at_the_bottom() -> None:
    times = np.array([0.2, 0.5, 1.7, 3.1, 3.4, 5.2, 6.5])
    assert height_share(times, reps_of(plain_plan())) == pytest.approx([1, 1, 0, 1, 1, 0, 1])


def test_a_half_rep_turns_half_way() -> None:
    plan = plain_plan(half_reps=(2,))
    share = height_share(np.linspace(0, duration(plan), 2000), reps_of(plan))
    half = share[1100:]
    assert half.min() == pytest.approx(HALF_SHARE, abs=1e-4)
    assert share[:1000].min() == 0


def test_a_late_side_follows_the_other_by_that_time() -> None:
    times = np.linspace(0, 6.7, 671)
    left, right = side_shares(times, plain_plan(late_s=0.1)).T
    rising = (times > 1.9) & (times < 3.3)
    assert (right - left)[rising].max() > 0.1
    assert left[rising] == pytest.approx(np.interp(times[rising] - 0.1, times, right), abs=0.002)
    down = (times > 0.5) & (times < 1.5)
    assert left[down].tolist() == right[down].tolist()


def test_unrack_and_rerack_are_the_same_backwards_and_no_rep() -> None:
    plan = plain_plan(unrack=True)
    times = np.linspace(0, duration(plan), 999)
    over, down = rack_share(times, plan)
    assert (over[0], down[0], over[-1], down[-1]) == (1, 1, 1, 1)
    assert over == pytest.approx(over[::-1])
    assert not over[(times > sum(UNRACK_S)) & (times < duration(plan) - sum(UNRACK_S))].any()
    assert reps_of(plan)[0].start_s == pytest.approx(sum(UNRACK_S) + 0.5)


def test_noise_belongs_to_its_rep_and_never_jumps() -> None:
    plan = plain_plan(noise=np.array([[1.0, 0, 0, 0], [-1.0, 0, 0, 0]]))
    noise = rep_noise(np.linspace(0, 6.7, 671), plan)[:, 0]
    assert noise[:311].tolist() == [1] * 311
    assert noise[371:] == pytest.approx(-1)
    assert np.abs(np.diff(noise)).max() < 0.08


def test_more_reps_repeat_the_own_ones() -> None:
    assert with_reps(plain_plan(), 5).timing == (*TIMING, *TIMING, TIMING[0])
    assert reps_of(with_reps(plain_plan(), 0)) == []


def test_pictures_fall_where_the_product_says() -> None:
    # the product's own camera: roll positive = content turned clockwise
    place, roll = np.array([0.1, -2.0, 1.5]), 4.0
    rows = rows_towards(-place, (0.0, 0.0, 1.0), roll)[None]
    camera = Camera(rows, place[None], 900.0, (1280, 720), roll)
    yaw, pitch = np.arctan2(-place[0], -place[1]), np.arctan2(place[2], np.hypot(*place[:2]))
    vector = np.array([*place, yaw, pitch, np.radians(roll), np.log(900.0)])
    points = np.random.default_rng(2).normal(0, 0.3, (1, 8, 3))
    assert camera.project(points) == pytest.approx(project(vector, points, (640, 360)), abs=1e-6)


def test_a_shaken_camera_stays_a_camera_and_near_its_stand() -> None:
    args = (STANDS["recommended"], Wishes(shake=True), np.array([0, -0.5, 0]), -0.6, (640, 360), 90)
    camera = set_up(np.random.default_rng(1), *args)
    turned = np.einsum("tij,tkj->tik", camera.rows, camera.rows)
    assert turned == pytest.approx(np.repeat(np.eye(3)[None], 90, axis=0), abs=1e-9)
    assert 0.001 < np.abs(camera.place - camera.place.mean(axis=0)).max() < 0.05
    assert np.abs(np.diff(camera.place, axis=0)).max() < 0.01


def test_points_between_frames_lie_on_straight_lines() -> None:
    joints = np.arange(48, dtype=float).reshape(2, 8, 3)
    middle = at_times(joints, np.array([0.0, 1.0]), np.array([0.5]))[0]
    assert middle == pytest.approx((joints[0] + joints[1]) / 2)


def test_measures_of_a_press_worked_out_by_hand() -> None:
    plan = plain_plan()
    times = frame_times(plan, 60)
    found = measures_of(press_joints(times, plan), times, plan)
    assert set(found) == set(RULES)
    tuck, bend = found["tuck_bottom"], found["elbow_flexion_bottom"]
    assert (tuck["left"], tuck["right"], tuck["difference"]) == pytest.approx((90, 90, 0))
    assert (bend["left"], bend["right"]) == pytest.approx((90, 90))
    assert found["bar_tilt_bottom"]["value"] == pytest.approx(0)
    assert [row["number"] for row in tuck["reps"]] == [1, 2]


def test_a_bar_that_is_low_on_the_left_has_a_positive_tilt() -> None:
    plan = plain_plan()
    times = frame_times(plan, 60)
    found = measures_of(press_joints(times, plan, low_left=0.05), times, plan)
    # 5 cm over the 1 m between the wrists
    assert found["bar_tilt_bottom"]["value"] == pytest.approx(np.degrees(np.arctan(0.05)))
    assert found["bar_tilt_lockout"]["value"] == pytest.approx(np.degrees(np.arctan(0.05)))


def test_half_reps_count_in_no_measure() -> None:
    plan = plain_plan(half_reps=(2,))
    times = frame_times(plan, 60)
    found = measures_of(press_joints(times, plan), times, plan)
    assert [row["number"] for row in found["tuck_bottom"]["reps"]] == [1]
    assert measures_of(press_joints(times, plan), times, replace(plan, half_reps=(1, 2))) == {}


def filmed(plan: Plan) -> Filmed:
    times = frame_times(plan, 30)
    joints, place = press_joints(times, plan), np.array([0.0, -2.0, 1.4])
    rows = np.repeat(rows_towards(-place, (0.0, 0.0, 1.0), 0.0)[None], len(times), axis=0)
    camera = Camera(rows, np.repeat(place[None], len(times), axis=0), 500.0, (640, 360), 0.0)
    bar = joints[:, 4:6].mean(axis=1)
    axis = np.repeat([[1.0, 0.0, 0.0]], len(times), axis=0)
    grip = np.full(len(times), 0.5)
    return Filmed(plan, times, joints, bar, axis, grip, camera, STANDS["recommended"], -0.6, True)


def test_the_truth_file_tells_camera_reps_and_points(tmp_path: Path) -> None:
    clip = tmp_path / "a.mp4"
    write_truth(clip, filmed(plain_plan()), {"fps": 30})
    told = json.loads((tmp_path / "a.truth.json").read_text())
    assert told["schema"] == "asymscreen.truth/1"
    assert told["capture"]["camera_height_m"] == pytest.approx(2.0)
    assert told["capture"]["camera_distance_m"] == pytest.approx(1.5)
    assert [rep["complete"] for rep in told["reps"]] == [True, True]
    points = np.load(tmp_path / "a.truth.npz")
    assert points["points_px"].shape == (len(points["time_s"]), 8, 2)
    assert (points["points_px"][:, 4, 0] > points["points_px"][:, 5, 0]).all()  # left is right, from the feet


def test_a_mirrored_clip_shows_the_left_wrist_on_the_other_side(tmp_path: Path) -> None:
    write_truth(tmp_path / "a.mp4", filmed(plain_plan()), {})
    write_truth(tmp_path / "b.mp4", filmed(plain_plan()), {}, mirrored=True)
    a, b = (np.load(tmp_path / f"{name}.truth.npz")["points_px"] for name in "ab")
    assert a[..., 0] + b[..., 0] == pytest.approx(np.full(a.shape[:2], 640.0), abs=1e-3)
