"""Camera, truth and populations of the rendered lifters, as far as they need NumPy only."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from asymscreen.motion.camera import project
from asymscreen.scoring.measures import RULES
from fixtures.rig.camera import STANDS, Camera, Wishes, rows_towards, set_up
from fixtures.rig.press import Plan, Rack, Rep, frame_times, motion
from fixtures.rig.truth import Filmed, at_times, measures_of, plan_of, write_truth

REPS = (Rep(0.5, 1.0, 0.4, 1.2), Rep(0.6, 1.5, 0.0, 1.0))


def plain_plan(**changes: object) -> Plan:
    return Plan(1, True, {}, {}, reps=REPS).edited(**changes)


def press_joints(times: np.ndarray, plan: Plan, low_left: float = 0.0) -> np.ndarray:
    """(T, 8, 3): shoulders level at the origin, elbows square out at the bottom, wrists straight above them
    that rise 0.3 m; `low_left` lowers the left wrist, metres."""
    shares = motion(plan, times).height
    joints = np.zeros((len(times), 8, 3))
    for k, sign in ((0, 1.0), (1, -1.0)):
        joints[:, k, 0] = 0.2 * sign
        joints[:, 2 + k] = [0.5 * sign, 0.0, 0.0]
        joints[:, 4 + k] = [0.5 * sign, 0.0, 0.3]
        joints[:, 4 + k, 2] += 0.3 * shares[:, k]
        joints[:, 6 + k] = [0.2 * sign, -0.5, 0.0]
    joints[:, 4, 2] -= low_left
    return joints


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
    half = Rep(0.6, 1.5, 0.0, 1.0, depth=0.5)
    plan = plain_plan(reps=(REPS[0], half))
    times = frame_times(plan, 60)
    found = measures_of(press_joints(times, plan), times, plan)
    assert [row["number"] for row in found["tuck_bottom"]["reps"]] == [1]
    assert measures_of(press_joints(times, plan), times, plain_plan(reps=(half,))) == {}


def filmed(plan: Plan) -> Filmed:
    times = frame_times(plan, 30)
    joints, place = press_joints(times, plan), np.array([0.0, -2.0, 1.4])
    rows = np.repeat(rows_towards(-place, (0.0, 0.0, 1.0), 0.0)[None], len(times), axis=0)
    camera = Camera(rows, np.repeat(place[None], len(times), axis=0), 500.0, (640, 360), 0.0)
    axis = np.repeat([[1.0, 0.0, 0.0]], len(times), axis=0)
    return Filmed(plan, times, joints, axis, joints[:, 4:6], camera, STANDS["recommended"], -0.6, True)


def test_the_truth_file_tells_camera_reps_and_points(tmp_path: Path) -> None:
    clip = tmp_path / "a.mp4"
    write_truth(clip, filmed(plain_plan()), {"fps": 30})
    told = json.loads((tmp_path / "a.truth.json").read_text())
    assert told["schema"] == "asymscreen.truth/1"
    assert told["capture"]["camera_height_m"] == pytest.approx(2.0)
    assert told["capture"]["camera_distance_m"] == pytest.approx(1.5)
    assert [rep["complete"] for rep in told["reps"]] == [True, True]
    assert [rep["bottom_s"] for rep in told["reps"]] == pytest.approx([1.7, 5.2])
    points = np.load(tmp_path / "a.truth.npz")
    assert points["points_px"].shape == (len(points["time_s"]), 8, 2)
    assert (points["points_px"][:, 4, 0] > points["points_px"][:, 5, 0]).all()  # left is right, from the feet


def test_a_mirrored_clip_shows_the_left_wrist_on_the_other_side(tmp_path: Path) -> None:
    write_truth(tmp_path / "a.mp4", filmed(plain_plan()), {})
    write_truth(tmp_path / "b.mp4", filmed(plain_plan()), {}, mirrored=True)
    a, b = (np.load(tmp_path / f"{name}.truth.npz")["points_px"] for name in "ab")
    assert a[..., 0] + b[..., 0] == pytest.approx(np.full(a.shape[:2], 640.0), abs=1e-3)


def test_distortion_pulls_points_inwards_by_the_polynomial() -> None:
    # Brown 1971: r' = r (1 + k1 r^2); a point at 0.5 of the optical axis, k1 -0.1: 2.5 % nearer
    rows, place = np.eye(3)[None], np.zeros((1, 3))
    point = np.array([[[0.5, 0.0, 1.0]]])
    straight = Camera(rows, place, 1000.0, (1280, 720), 0.0).project(point)[0, 0]
    bent = Camera(rows, place, 1000.0, (1280, 720), 0.0, k1=-0.1).project(point)[0, 0]
    assert straight - 640 == pytest.approx([500, -280])
    assert bent[0] - 640 == pytest.approx(500 * 0.975)


def camera_of(view: str, seed: int, anew: int | None = None) -> Camera:
    again = None if anew is None else np.random.default_rng(anew)
    hips = np.array([0.0, -0.5, -0.05])
    rng = np.random.default_rng(seed)
    return set_up(rng, STANDS[view], Wishes(), hips, -0.55, (640, 360), 2, 30.0, again)


@pytest.mark.parametrize("view", STANDS)
def test_a_camera_stands_where_its_view_says(view: str) -> None:
    stand = STANDS[view]
    for seed in range(20):
        x, y, z = camera_of(view, seed).place[0]
        azimuth = abs(np.degrees(np.arctan2(x, -y)))
        assert stand.height[0] - 1e-9 <= z + 0.55 <= stand.height[1] + 1e-9
        if stand.view == "foot-end":
            low, high = stand.azimuth or (0, 16)
            # the azimuth is about the hips, so it looks smaller from the shoulders
            assert 0.6 * low <= azimuth <= high
        elif stand.view == "head-end":
            assert azimuth > 164
        elif stand.view == "side":
            assert 60 < azimuth < 120


def test_a_phone_set_up_anew_is_near_and_turned_a_little() -> None:
    for seed in range(50):
        first, second = camera_of("recommended", seed), camera_of("recommended", seed, anew=seed)
        assert 0 < np.linalg.norm(second.place[0] - first.place[0]) <= 0.15
        assert 0 < abs(second.roll_deg - first.roll_deg) <= 2
        assert second.focal_px == first.focal_px


def test_the_plan_comes_back_out_of_a_truth_file(tmp_path: Path) -> None:
    plan = plain_plan(rack=Rack(), drift=(0.5, -1.0, 0.0), of_rep=((1.0, 0.0, 0.0), (0.0, 2.0, 0.0)))
    write_truth(tmp_path / "a.mp4", filmed(plan), {})
    assert plan_of(json.loads((tmp_path / "a.truth.json").read_text())) == plan


def test_a_truth_file_is_whole_or_not_there(tmp_path: Path) -> None:
    write_truth(tmp_path / "a.mp4", filmed(plain_plan()), {})
    assert {path.name for path in tmp_path.iterdir()} == {"a.truth.json", "a.truth.npz"}
