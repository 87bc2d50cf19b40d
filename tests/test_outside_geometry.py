"""Angles and projection against values that were worked out outside this project.

[G] marks pure geometry, confirmed numerically before it came here;
published sources are named where used.
"""

from __future__ import annotations

import cv2
import kineticstoolkit.geometry as ktk
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from reference_scoring import forearm_lean_loop, included_angle_loop, line_tilt_loop
from scipy.spatial.transform import Rotation

from asymscreen.motion.camera import project, rotation
from asymscreen.scoring.angles import flexion, forearm_lean, included_angle, line_tilt, tuck

MIRROR = np.array([-1.0, 1.0, 1.0])
points = arrays(
    np.float64, (4, 3), elements=st.floats(-2, 2, allow_subnormal=False).map(lambda v: round(v, 6))
)


def camera(
    yaw: float = 0, pitch: float = 0, roll: float = 0, at: tuple[float, float, float] = (0, -3, 0)
) -> np.ndarray:
    return np.array([*at, np.radians(yaw), np.radians(pitch), np.radians(roll), np.log(1000.0)])


def flat(cam: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Parallel projection: picture right and up of the points, on a plane (third coordinate 0)."""
    q = p @ rotation(cam).T
    return np.stack([q[..., 0], -q[..., 1], 0 * q[..., 0]], axis=-1)


def apart(p: np.ndarray) -> None:
    gaps = [np.linalg.norm(p[i] - p[j]) for i in range(4) for j in range(i)]
    assume(min(gaps) > 0.05)


# ---- flexion


def test_flexion_of_a_known_triangle() -> None:
    # [G] sides 0.30 and 0.26, shoulder to wrist 0.40: included 90.8815, flexion 89.1185
    turn = np.arccos((0.30**2 + 0.26**2 - 0.40**2) / (2 * 0.30 * 0.26))
    shoulder, elbow = np.array([0.30, 0, 0]), np.zeros(3)
    wrist = 0.26 * np.array([np.cos(turn), np.sin(turn), 0])
    assert np.linalg.norm(wrist - shoulder) == pytest.approx(0.40)
    assert included_angle(shoulder, elbow, wrist) == pytest.approx(90.8815, abs=5e-5)
    assert flexion(shoulder, elbow, wrist) == pytest.approx(89.1185, abs=5e-5)


def test_straight_arm_is_zero_and_bending_is_positive() -> None:
    # ISB, Wu et al. 2005, J Biomech 38:981-992: elbow flexion positive, 0 = straight
    shoulder, elbow = np.array([0, 0, -1.0]), np.zeros(3)
    bends = np.array([0.0, 1e-7, 30, 90, 150])
    wrist = np.stack([np.sin(np.radians(bends)), 0 * bends, np.cos(np.radians(bends))], axis=-1)
    assert flexion(shoulder, elbow, wrist) == pytest.approx(bends, abs=1e-9)


# ---- one arm seen from three sides

UPPER = np.array([np.cos(np.radians(20)) * np.sin(np.radians(60)), -np.sin(np.radians(20)), 0])
UPPER[2] = np.cos(np.radians(20)) * np.cos(np.radians(60))


def lifter(x: float, up: float, feet: float) -> np.ndarray:
    """The oracle's axes (x lateral, y up, z to the feet) in the lifter frame (X left, Y head, Z up)."""
    return np.array([x, -feet, up])


SHOULDER = np.zeros(3)
ELBOW = lifter(*UPPER)
WRIST = ELBOW + lifter(0, 1, 0)
HIP = lifter(0, 0, 1)
FOOT_END, OVERHEAD, SIDE = camera(), camera(pitch=90), camera(yaw=90)


def test_the_oracle_arm_in_space() -> None:
    # [G] upper arm (cos20 sin60, -sin20, cos20 cos60), forearm up, trunk to the feet: 110 and 61.976
    assert flexion(SHOULDER, ELBOW, WRIST) == pytest.approx(110.0, abs=1e-9)
    assert tuck(SHOULDER, ELBOW, HIP) == pytest.approx(61.976, abs=5e-4)


@pytest.mark.parametrize(
    ("cam", "included", "tucked"),
    [(FOOT_END, 67.204, np.nan), (OVERHEAD, np.nan, 60.000), (SIDE, 53.948, 36.052)],
)
def test_the_oracle_arm_in_the_picture(cam: np.ndarray, included: float, tucked: float) -> None:
    # [G] the same arm flattened: trunk (foot end) or forearm (overhead) point at the lens and give no angle
    s, e, w, h = (np.round(flat(cam, p), 12) for p in (SHOULDER, ELBOW, WRIST, HIP))
    assert included_angle(s, e, w) == pytest.approx(included, abs=5e-4, nan_ok=True)
    assert tuck(s, e, h) == pytest.approx(tucked, abs=5e-4, nan_ok=True)


@pytest.mark.parametrize(("pitch", "expected"), [(0, (64.59, 68.83)), (20, (53.74, 63.97))])
def test_a_turned_camera_makes_even_arms_look_uneven(pitch: float, expected: tuple[float, float]) -> None:
    # [G] mirror-symmetric lifter, both arms 70 deg included, yaw 10 (and pitch 20)
    cam = camera(yaw=10, pitch=pitch)
    arm = np.stack([SHOULDER, ELBOW, WRIST])
    seen = [float(included_angle(*flat(cam, arm * side))) for side in (MIRROR, np.ones(3))]
    true = [float(included_angle(*(arm * side))) for side in (MIRROR, np.ones(3))]
    assert true == pytest.approx([70, 70], abs=1e-9)
    assert seen == pytest.approx(expected, abs=5e-3)


# ---- the bar

BAR = np.array([[1.1, 0, 0], [-1.1, 0, 0]])


def picture_tilt(ends: np.ndarray) -> float:
    """Tilt of the bar's picture (2, 2) in pixels, y down; seen from the feet, left is on the right."""
    d = ends[0] - ends[1]
    return float(np.degrees(np.arctan2(d[1], d[0])))


def test_a_level_bar_looks_tilted_to_a_turned_camera() -> None:
    # [G] yaw 10, pitch 20, parallel projection: 3.451 deg
    q = BAR @ rotation(camera(yaw=10, pitch=20)).T
    assert abs(picture_tilt(q[:, :2])) == pytest.approx(3.451, abs=5e-4)


def test_a_level_bar_looks_tilted_through_a_pinhole() -> None:
    # [G] bar 2.2 m, camera 3 m away and 0.5 m above, yaw 10: 1.683 deg; here the bar is turned
    turned = BAR @ Rotation.from_euler("z", 10, degrees=True).as_matrix().T
    ends = project(camera(at=(0, -3, 0.5)), turned, (640, 360))
    assert abs(picture_tilt(ends)) == pytest.approx(1.683, abs=5e-4)


@given(st.floats(-40, 40), st.floats(-5, 5), st.floats(0, 60))
def test_camera_roll_adds_to_the_bars_tilt_and_leaves_angles_alone(
    roll: float, tilt: float, pitch: float
) -> None:
    # [G] to 1e-9; a positive roll turns the picture clockwise: the left end looks lower by that much
    bar = BAR @ Rotation.from_euler("y", tilt, degrees=True).as_matrix().T
    plain, rolled = camera(pitch=pitch), camera(pitch=pitch, roll=roll)
    before, after = (picture_tilt((bar @ rotation(c).T)[:, :2]) for c in (plain, rolled))
    assert after - before == pytest.approx(roll, abs=1e-9)
    arm = np.stack([SHOULDER, ELBOW, WRIST])
    assert included_angle(*flat(rolled, arm)) == pytest.approx(
        float(included_angle(*flat(plain, arm))), abs=1e-9
    )


def test_bar_tilt_sign_in_space_and_in_the_picture() -> None:
    left_low = np.array([[1.0, 0, -0.05], [-1.0, 0, 0.05]])
    assert line_tilt(*left_low) == pytest.approx(np.degrees(np.arctan(0.05)))
    assert picture_tilt((left_low @ rotation(FOOT_END).T)[:, :2]) == pytest.approx(
        np.degrees(np.arctan(0.05))
    )


# ---- references: OpenCV, scipy, Kinetics Toolkit


@given(
    st.floats(-30, 30),
    st.floats(0, 60),
    st.floats(-10, 10),
    arrays(np.float64, (8, 3), elements=st.floats(-0.6, 0.6)),
)
def test_projection_agrees_with_opencv(yaw: float, pitch: float, roll: float, p: np.ndarray) -> None:
    # cv2.projectPoints, no distortion
    cam = camera(yaw, pitch, roll, at=(0.2, -2.0, 1.4))
    R = rotation(cam)
    K = np.array([[1000.0, 0, 640], [0, 1000.0, 360], [0, 0, 1]])
    expected, _ = cv2.projectPoints(p, cv2.Rodrigues(R)[0], -R @ cam[:3], K, None)
    deep = (p - cam[:3]) @ R[2] > 0.1
    assert project(cam, p, (640, 360))[deep] == pytest.approx(expected[deep, 0], abs=1e-6)


def test_camera_of_known_points_is_found_again_by_opencv() -> None:
    # cv2.solvePnP recovers the pose that drew the points, so the projection's signs are the common ones
    cam = camera(12, 40, 3, at=(0.2, -1.4, 1.3))
    p = np.random.default_rng(5).uniform(-0.5, 0.5, (9, 3))
    K = np.array([[1000.0, 0, 640], [0, 1000.0, 360], [0, 0, 1]])
    ok, turn, move = cv2.solvePnP(p, project(cam, p, (640, 360)), K, None)
    assert ok
    assert cv2.Rodrigues(turn)[0] == pytest.approx(rotation(cam), abs=1e-6)
    assert (-cv2.Rodrigues(turn)[0].T @ move).ravel() == pytest.approx(cam[:3], abs=1e-6)


@given(st.floats(1, 150), st.floats(-180, 180), st.floats(-60, 60))
def test_flexion_agrees_with_kinetics_toolkit(bend: float, spin: float, rise: float) -> None:
    # kineticstoolkit.geometry: elbow angle as the Euler angle of the forearm's frame in the upper arm's frame
    upper = ktk.create_transform_series(angles=[[spin, rise, 20.0]], seq="ZYX", degrees=True)
    fore = ktk.matmul(upper, ktk.create_transform_series(angles=[bend], seq="z", degrees=True))
    along = np.array([[1.0, 0, 0, 0]])
    u, f = (ktk.get_global_coordinates(along, frame)[0, :3] for frame in (upper, fore))
    angles = ktk.get_angles(ktk.get_local_coordinates(fore, upper), "ZYX", degrees=True)
    assert flexion(np.zeros(3), 0.3 * u, 0.3 * u + 0.26 * f) == pytest.approx(angles[0, 0], abs=1e-6)


@given(points)
def test_angle_agrees_with_scipys_rotation_between_the_segments(p: np.ndarray) -> None:
    # scipy.spatial.transform: the rotation by that angle carries one segment onto the other
    apart(p)
    assume(1 < included_angle(*p[:3]) < 179)
    u, v = p[0] - p[1], p[2] - p[1]
    axis = np.cross(u, v) / np.linalg.norm(np.cross(u, v))
    turned = Rotation.from_rotvec(np.radians(float(included_angle(*p[:3]))) * axis).apply(u)
    assert turned / np.linalg.norm(turned) == pytest.approx(v / np.linalg.norm(v), abs=1e-9)


# ---- properties


@given(points)
def test_angles_agree_with_the_plain_loops(p: np.ndarray) -> None:
    apart(p)
    assert included_angle(*p[:3]) == pytest.approx(included_angle_loop(*p[:3]), abs=1e-4)
    assert flexion(*p[:3]) == pytest.approx(180 - included_angle_loop(*p[:3]), abs=1e-4)
    assert tuck(p[0], p[1], p[2]) == pytest.approx(included_angle_loop(p[1], p[0], p[2]), abs=1e-4)
    assert line_tilt(p[0], p[1]) == pytest.approx(line_tilt_loop(p[0], p[1]), abs=1e-4)


def turn(a: float, b: float) -> float:
    """From `b` to `a` in degrees, -180 to 180: straight down is both 180 and -180."""
    return (a - b + 180) % 360 - 180


@given(points)
def test_forearm_lean_agrees_with_the_plain_loop_and_swaps_in_the_mirror(p: np.ndarray) -> None:
    assume(np.hypot(*(p[1] - p[0])[[0, 2]]) > 0.05)
    lean = float(forearm_lean(p[0], p[1], "left"))
    assert turn(lean, forearm_lean_loop(p[0], p[1], "left")) == pytest.approx(0, abs=1e-4)
    mirrored = forearm_lean(p[0] * MIRROR, p[1] * MIRROR, "right")
    assert turn(float(mirrored), lean) == pytest.approx(0, abs=1e-12)


@given(points, st.integers(0, 10_000), st.floats(0.01, 100), arrays(np.float64, 3, elements=st.floats(-5, 5)))
def test_rotation_scale_and_place_leave_joint_angles_alone(
    p: np.ndarray, seed: int, scale: float, move: np.ndarray
) -> None:
    apart(p)
    moved = scale * Rotation.random(random_state=seed).apply(p) + move
    assert flexion(*moved[:3]) == pytest.approx(float(flexion(*p[:3])), abs=1e-5)
    assert tuck(moved[0], moved[1], moved[3]) == pytest.approx(float(tuck(p[0], p[1], p[3])), abs=1e-5)


@given(points)
def test_mirror_keeps_joint_angles_and_negates_tilt(p: np.ndarray) -> None:
    apart(p)
    q = p * MIRROR
    assert flexion(*q[:3]) == pytest.approx(float(flexion(*p[:3])), abs=1e-12)
    assert line_tilt(q[1], q[0]) == pytest.approx(-float(line_tilt(p[0], p[1])), abs=1e-12)


def test_forearm_lean_signs() -> None:
    elbow = np.array([[0.4, 0, -0.1], [-0.4, 0, -0.1]])
    outside = np.array([[0.5, 0.3, 0.0], [-0.5, 0.3, 0.0]])
    assert forearm_lean(elbow[0], outside[0], "left") == pytest.approx(45)
    assert forearm_lean(elbow[1], outside[1], "right") == pytest.approx(45)
    assert forearm_lean(elbow[0], [0.3, 0, 0], "left") == pytest.approx(-45)


def test_missing_points_give_nan_without_a_warning_and_arrays_broadcast() -> None:
    p = np.random.default_rng(1).normal(size=(7, 5, 3, 3))
    p[2, 3, 1, 0] = np.nan
    got = included_angle(p[..., 0, :], p[..., 1, :], p[..., 2, :])
    assert got.shape == (7, 5)
    assert np.isnan(got).sum() == 1
    assert np.isnan(got[2, 3])
    assert np.isnan(included_angle([0, 0, 0], [0, 0, 0], [1, 0, 0]))
    assert np.isnan(forearm_lean([0, 0, 0], [0, 1, 0], "left"))
    assert tuck(np.zeros(3), p[0, :, 0], [0, -1, 0]).shape == (5,)
