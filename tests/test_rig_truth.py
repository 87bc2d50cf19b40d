"""What the measures of the rendered lifters mean, on arms whose angles can be worked out by head."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.motion.camera import project
from asymscreen.scoring import angles
from fixtures.rig import truth
from fixtures.rig.camera import AIM, STANDS, VIEWS, Camera, Shot, look, place, shake
from fixtures.rig.press import Event

FloatArray = NDArray[np.float64]
FLIP = (-1, 1, 1)
SWAP = [1, 0, 3, 2, 5, 4, 7, 6]
COS40, SIN40 = np.cos(np.radians(40)), np.sin(np.radians(40))
EVENT = Event(1.0, 2.0, 2.4, 3.6, 1.0)


def points(**moved: tuple[float, float, float]) -> FloatArray:
    """Shoulders 0.4 apart, hips 0.5 below, elbows 0.3 straight out, wrists 0.25 straight up from them."""
    at = {
        "shoulder": (0.2, 0.0, 0.0), "elbow": (0.5, 0.0, 0.0),
        "wrist": (0.5, 0.0, 0.25), "hip": (0.2, -0.5, 0.0),
    }  # fmt: skip
    out = {
        f"{s}_{n}": np.array(p) * (FLIP if s == "right" else 1)
        for n, p in at.items()
        for s in ("left", "right")
    }
    out |= {name: np.array(p) for name, p in moved.items()}
    return np.stack([out[name] for name in truth.JOINTS])


def test_the_joints_are_those_of_the_product_in_its_order() -> None:
    assert truth.JOINTS == JOINTS


def test_angles_by_head() -> None:
    p = points(
        left_elbow=(0.2 + 0.3 * SIN40, -0.3 * COS40, 0.0), left_wrist=(0.2 + 0.3 * SIN40, -0.3 * COS40, 0.25)
    )
    np.testing.assert_allclose(truth.tuck(p), [40, 90])
    np.testing.assert_allclose(truth.flexion(p), [90, 90])
    straight = points(left_wrist=(0.8, 0.0, 0.0))
    np.testing.assert_allclose(truth.flexion(straight), [0, 90], atol=1e-9)


def test_lean_is_positive_where_the_wrist_is_outside_the_elbow() -> None:
    p = points(left_wrist=(0.5 + 0.1, 0, 0.1), right_wrist=(-0.5 + 0.1, 0, 0.1))
    np.testing.assert_allclose(truth.forearm_lean(p), [45, -45])


def test_tilt_is_positive_where_left_is_lower() -> None:
    p = points(left_wrist=(0.5, 0.0, 0.2), right_wrist=(-0.5, 0.0, 0.2 + np.tan(np.radians(3))))
    assert truth.line_tilt(p, truth.WRIST) == pytest.approx(3)


def test_heights_and_shift_in_millimetres() -> None:
    p = points(left_shoulder=(0.2, 0, 0.01), left_wrist=(0.54, 0, 0.25))
    np.testing.assert_allclose(truth.shoulder_height_mm(p, -0.1), [110, 100])
    assert truth.bar_shift_mm(p) == pytest.approx(20)


def test_the_same_as_the_product_measures_on_random_points() -> None:
    p = np.random.default_rng(3).normal(0, 0.3, (200, 8, 3))
    s, e, w, h = (p[:, k : k + 2] for k in (truth.SHOULDER, truth.ELBOW, truth.WRIST, truth.HIP))
    np.testing.assert_allclose(truth.flexion(p), angles.flexion(s, e, w), atol=1e-9)
    np.testing.assert_allclose(truth.tuck(p), angles.tuck(s, e, h), atol=1e-9)
    np.testing.assert_allclose(truth.line_tilt(p, 4), angles.line_tilt(p[:, 4], p[:, 5]), atol=1e-9)
    lean = [angles.forearm_lean(e[:, k], w[:, k], side) for k, side in enumerate(("left", "right"))]
    np.testing.assert_allclose(truth.forearm_lean(p), np.stack(lean, 1), atol=1e-9)


def rising(times: FloatArray) -> FloatArray:
    """Wrists that rise evenly from 0.1 to 0.5 during the ascent."""
    share = np.clip((np.asarray(times) - EVENT.leave) / (EVENT.end - EVENT.leave), 0, 1)
    out = np.repeat(points()[None], len(times), axis=0)
    out[:, 4:6, 2] = 0.1 + 0.4 * share[:, None]
    return out


def arm(times: FloatArray) -> FloatArray:
    """Elbows at the side, each forearm turning from 90 deg of flexion to 0: the left one twice as fast."""
    share = np.clip((np.asarray(times) - EVENT.leave) / (EVENT.end - EVENT.leave), 0, 1)
    out = np.repeat(points()[None], len(times), axis=0)
    for k, (sign, bend) in enumerate(((1, np.maximum(90 - 180 * share, 0)), (-1, 90 - 90 * share))):
        b = np.radians(bend)
        out[:, 4 + k] = out[:, 2 + k] + 0.25 * np.stack([sign * np.cos(b), np.zeros(len(b)), np.sin(b)], 1)
    return out


def test_lockout_times_by_head() -> None:
    # flexion falls by 180 (90) deg in 1.2 s; within 5 deg of 0 after 85 deg
    np.testing.assert_allclose(truth.lockout_times(arm, EVENT), [85 / 150, 85 / 75], atol=1e-6)


def test_mid_ascent_is_half_way_up() -> None:
    assert truth.mid_ascent(rising, EVENT) == pytest.approx((EVENT.leave + EVENT.end) / 2, abs=1e-6)


def test_mirrored_points_swap_sides_and_negate_values() -> None:
    def odd(times: FloatArray) -> FloatArray:
        wobble = np.random.default_rng(5).normal(0, 0.02, (8, 3))
        return arm(times) + wobble

    def mirrored(times: FloatArray) -> FloatArray:
        return np.asarray(odd(times)[:, SWAP] * FLIP)

    there, back = (truth.measures(f, [EVENT], -0.1) for f in (odd, mirrored))
    for name in truth.TWO_SIDED:
        assert back[name]["left"] == pytest.approx(there[name]["right"], abs=2e-3)
        assert back[name]["difference"] == pytest.approx(-there[name]["difference"], abs=2e-3)
    for name in truth.ONE_VALUE:
        assert back[name]["value"] == pytest.approx(-there[name]["value"], abs=2e-3)


def test_means_are_over_complete_reps() -> None:
    half = Event(4.0, 5.0, 5.0, 6.0, 0.5)

    def joints(times: FloatArray) -> FloatArray:
        late = np.asarray(times) > 3.8
        out = arm(times)
        out[late] = points(left_elbow=(0.2 + 0.3 * SIN40, -0.3 * COS40, 0.0))
        out[late, 4:6, 2] += np.asarray(times)[late, None] * 0.1
        return out

    got = truth.measures(joints, [EVENT, half], -0.1)["tuck_bottom"]
    assert got["left"] == pytest.approx(90)
    assert [r["left"] for r in got["reps"]] == pytest.approx([90, 40])
    assert [r["complete"] for r in truth.rep_rows([EVENT, half])] == [True, False]


# ---- camera


def camera(**changes: object) -> Camera:
    told = {
        "centre": np.array([0.0, -2.0, 1.5]),
        "focal_px": 900.0,
        "size": (1280, 720),
        "roll_deg": 0.0,
    } | changes
    turned = look(told["centre"], np.array(AIM), np.array([0.0, 0.0, 1.0]), told["roll_deg"])
    return Camera(rotation=turned, **told)


def test_the_target_is_in_the_middle_and_left_is_on_the_right() -> None:
    c = camera()
    np.testing.assert_allclose(c.project(np.array(AIM)), [640, 360], atol=1e-9)
    assert c.project(np.array([0.3, 0, 0]))[0] > 640
    assert c.project(np.array([0, 0, 0.3]))[1] < c.project(np.zeros(3))[1]


def test_the_matrix_projects_like_the_camera() -> None:
    c = camera(roll_deg=4.0)
    p = np.random.default_rng(1).normal(0, 0.3, (50, 3))
    h = np.c_[p, np.ones(50)] @ c.matrix().T
    np.testing.assert_allclose(h[:, :2] / h[:, 2:], c.project(p), atol=1e-9)


@pytest.mark.parametrize(("x", "y"), [(0.4, -2.0), (-0.3, 2.2)])
def test_it_projects_like_the_products_camera(x: float, y: float) -> None:
    c = camera(centre=np.array([x, y, 1.5]), roll_deg=5.0)
    ahead = c.rotation[2]
    yaw, pitch = np.arctan2(ahead[0], ahead[1]), -np.arcsin(ahead[2])
    same = np.array([*c.centre, yaw, pitch, np.radians(5.0), np.log(c.focal_px)])
    p = np.random.default_rng(4).normal(0, 0.3, (50, 3))
    np.testing.assert_allclose(c.project(p), project(same, p, (640, 360)), atol=1e-8)


@pytest.mark.parametrize("view", VIEWS)
def test_cameras_stand_where_their_view_says(view: str) -> None:
    hips, floor = np.array([0.0, -0.5, -0.05]), -0.55
    for seed in range(20):
        c = place(Shot(view), np.random.default_rng(seed), hips, floor)
        height, flat = c.centre[2] - floor, np.hypot(*(c.centre - hips)[:2])
        if view.startswith("foot"):
            heights, distances = STANDS[view]
            assert heights[0] <= height <= heights[1]
            assert distances[0] <= flat <= distances[1]
            assert abs(c.azimuth_deg) < 15
        if view == "head-high":
            assert abs(c.azimuth_deg) > 165
        if view == "overhead":
            assert c.elevation_deg > 75
        if view == "side":
            assert 60 < abs(c.azimuth_deg) < 120


def test_the_recommended_view_looks_down_about_45_deg() -> None:
    hips, floor = np.array([0.0, -0.5, -0.05]), -0.55
    seen = [place(Shot(), np.random.default_rng(s), hips, floor).elevation_deg for s in range(20)]
    assert min(seen) > 36
    assert max(seen) < 50


def test_distortion_pulls_points_inwards() -> None:
    straight, bent = camera(), camera(k1=-0.06)
    p = np.array([0.9, 0.0, 0.3])
    middle = np.array([640, 360])
    far, near = (np.linalg.norm(c.project(p) - middle) for c in (straight, bent))
    assert 0.9 * far < near < far


def test_a_shaking_hand_moves_a_little_around_its_place() -> None:
    c, times = camera(), np.arange(0, 6, 1 / 30)
    many = shake(c, np.random.default_rng(2), times, 1.0)
    shift = np.array([k.project(np.zeros(3)) for k in many]) - c.project(np.zeros(3))
    assert 1 < np.abs(shift).max() < 80
    assert np.abs(np.diff(shift, axis=0)).max() < 8
    np.testing.assert_allclose(many[3].rotation @ many[3].rotation.T, np.eye(3), atol=1e-12)
