"""The bar's line and the camera's roll, found in painted pictures whose geometry is known exactly.

Goals: bar angle within 0.2 deg a picture in the median, roll within 0.3 deg where posts are seen.
"""

from __future__ import annotations

import time
from dataclasses import replace

import cv2
import numpy as np
import pytest
from picture_maker import Gym, Image, paint

from asymscreen.capture.level import FOCAL_SHARE, BarLine, Upright, bar_line, upright
from asymscreen.capture.sheet import Capture
from asymscreen.motion.roll import camera_roll
from asymscreen.motion.tracks import Tracks

WRIST_NOISE_PX = 4.0


def random_gym(seed: int) -> Gym:
    rng = np.random.default_rng(seed)
    shaft = [(205, 120), (120, 40), (230, 190), (70, 45)][seed % 4]
    return Gym(
        elevation_deg=rng.uniform(18, 52),
        azimuth_deg=rng.normal(0, 4) + (180 if seed % 3 == 2 else 0),
        roll_deg=rng.uniform(-5, 5),
        distance=rng.uniform(2.0, 3.0),
        crossbar=seed % 2 == 0,
        shaft=shaft,
        wall=int(rng.integers(90, 200)),
        bar_z=rng.uniform(0.12, 0.5),
        tilt_deg=rng.uniform(-4, 4),
        yaw_deg=rng.uniform(-3, 3),
        seed=seed,
    )


def seen_wrists(gym: Gym) -> np.ndarray:
    return gym.wrists + np.random.default_rng(gym.seed).normal(0, WRIST_NOISE_PX, (2, 2))


def angle_error(line: BarLine, gym: Gym) -> float:
    left, right = line.points
    found = np.degrees(np.arctan2(left[1] - right[1], left[0] - right[0]))
    return float((found - gym.bar_angle_deg + 180) % 360 - 180)


def distance(line: BarLine, gym: Gym) -> float:
    """Pixels between the middle of what was found and the true axis."""
    left, right = gym.see(gym.on_bar(0.31, -0.31))
    along = (right - left) / np.hypot(*(right - left))
    off = line.points.mean(axis=0) - left
    return float(abs(along[0] * off[1] - along[1] * off[0]))


def test_bars_are_found_to_a_fraction_of_a_degree() -> None:
    errors, offsets = [], []
    for seed in range(32):
        gym = random_gym(seed)
        line = bar_line(paint(gym), *seen_wrists(gym))
        assert line is not None, seed
        errors.append(abs(angle_error(line, gym)))
        offsets.append(distance(line, gym))
    assert np.median(errors) < 0.08
    assert np.percentile(errors, 95) < 0.3
    assert np.median(offsets) < 2.0
    assert np.percentile(offsets, 95) < 6.0  # half a shaft; a rail close by may be taken into it


def test_the_points_lie_outside_the_hands_left_first() -> None:
    for gym in (Gym(), Gym(azimuth_deg=180.0)):
        line = bar_line(paint(gym), *gym.wrists)
        assert line is not None
        length = float(np.hypot(*(gym.wrists[1] - gym.wrists[0])))
        for point, wrist in zip(line.points, gym.wrists, strict=True):
            assert 0.1 * length < np.hypot(*(point - wrist)) < 0.25 * length
        assert np.hypot(*(line.points[1] - line.points[0])) > length


def test_a_guess_is_followed_and_refined() -> None:
    rng = np.random.default_rng(1)
    for seed in range(8):
        gym = random_gym(seed)
        guess = gym.see(gym.on_bar(0.42, -0.42)) + rng.normal(0, 4, (2, 2))
        line = bar_line(paint(gym), *seen_wrists(gym), guess)
        assert line is not None, seed
        assert abs(angle_error(line, gym)) < 0.3


@pytest.mark.parametrize("guess", [np.full((2, 2), np.nan), np.full((2, 2), 300.0)])
def test_a_guess_that_says_nothing_is_passed_over(guess: np.ndarray) -> None:
    gym = Gym()
    found, plain = bar_line(paint(gym), *gym.wrists, guess), bar_line(paint(gym), *gym.wrists)
    assert found is not None
    assert plain is not None
    np.testing.assert_array_equal(found.points, plain.points)


@pytest.mark.parametrize("size", [(640, 360), (854, 480), (1920, 1080)])
def test_other_picture_sizes(size: tuple[int, int]) -> None:
    for seed in range(4):
        gym = replace(random_gym(seed), size=size)
        line = bar_line(paint(gym), *gym.wrists)
        assert line is not None
        assert abs(angle_error(line, gym)) < 0.35


def test_camera_roll_adds_to_the_bars_angle_degree_for_degree() -> None:
    # pure geometry: rolling the camera turns the whole picture, and nothing else, where the bar is symmetric
    def tilt(roll_deg: float) -> float:
        gym = Gym(roll_deg=roll_deg)
        line = bar_line(paint(gym), *gym.wrists)
        assert line is not None
        left, right = line.points
        return float(np.degrees(np.arctan2(left[1] - right[1], left[0] - right[0])))

    for roll in (-4.0, -1.5, 2.0, 5.0):
        assert tilt(roll) - tilt(0.0) == pytest.approx(roll, abs=0.15)


def test_the_mirrored_picture_gives_the_mirrored_line() -> None:
    gym = random_gym(5)
    image, wrists = paint(gym), seen_wrists(gym)
    line = bar_line(image, *wrists)
    flip, shift = np.array([-1, 1]), np.array([image.shape[1] - 1, 0])
    mirrored = bar_line(np.ascontiguousarray(image[:, ::-1]), *(wrists[::-1] * flip + shift))
    assert line is not None
    assert mirrored is not None
    np.testing.assert_allclose(mirrored.points[::-1] * flip + shift, line.points, atol=0.5)


def test_a_bar_that_stands_on_end_in_the_picture_is_found() -> None:
    gym = Gym(tilt_deg=1.5)
    image = np.ascontiguousarray(np.rot90(paint(gym)))
    wrists = np.stack([gym.wrists[:, 1], 1279 - gym.wrists[:, 0]], axis=1)
    line = bar_line(image, *wrists)
    assert line is not None
    left, right = line.points
    turned = np.degrees(np.arctan2(left[1] - right[1], left[0] - right[0]))
    assert (turned + 90 - gym.bar_angle_deg + 180) % 360 - 180 == pytest.approx(0.0, abs=0.2)


def flat() -> Image:
    return np.full((720, 1280, 3), 90, np.uint8)


def snow() -> Image:
    return np.random.default_rng(0).integers(0, 255, (720, 1280, 3), dtype=np.uint8)


@pytest.mark.parametrize("image", [flat(), snow(), paint(Gym(bar=False, posts=False))])
def test_where_there_is_no_bar_none_is_made_up(image: Image) -> None:
    rng = np.random.default_rng(2)
    gym = Gym()
    found = [bar_line(image, *(gym.wrists + rng.normal(0, 30, 2))) for _ in range(6)]
    assert [line for line in found if line is not None] == []


@pytest.mark.parametrize(
    "wrists", [np.full((2, 2), np.nan), np.full((2, 2), 300.0), np.array([[300.0, 300], [320, 300]])]
)
def test_wrists_that_say_nothing_give_nothing(wrists: np.ndarray) -> None:
    assert bar_line(paint(Gym()), *wrists) is None


def test_wrists_at_and_over_the_edge_of_the_picture() -> None:
    gym = Gym()
    image = paint(gym)
    for shift in ((-620.0, 0.0), (0.0, -400.0), (5000.0, 5000.0)):
        line = bar_line(image, *(gym.wrists + shift))
        assert line is None or np.isfinite(line.points).all()


def test_one_bar_takes_a_few_milliseconds() -> None:
    gym = Gym()
    image, wrists = paint(gym), gym.wrists
    bar_line(image, *wrists)
    start = time.thread_time()
    for _ in range(20):
        bar_line(image, *wrists)
    assert (time.thread_time() - start) / 20 < 0.020  # 5 ms on an idle core


# ---- roll ---------------------------------------------------------------------------------------------


def test_rolls_are_found_from_the_posts() -> None:
    errors, scaled = [], []
    for seed in range(24):
        gym = replace(random_gym(seed), roll_deg=float(np.random.default_rng(seed).uniform(-8, 8)))
        found = upright([paint(replace(gym, seed=seed + k)) for k in (0, 100, 200)])
        if found is None:
            continue
        errors.append(abs(found.roll_deg - gym.roll_deg))
        scaled.append((found.roll_deg - gym.roll_deg) / found.sd_deg)
    assert len(errors) >= 20
    assert np.median(errors) < 0.1
    assert max(errors) < 0.3
    assert np.sqrt(np.mean(np.square(scaled))) < 1.5  # the stated spread is no understatement


def tracks_of(found: Upright, size: tuple[int, int] = (1280, 720)) -> Tracks:
    xy = np.tile(found.points, (3, 1, 1))
    return Tracks(np.arange(3) / 30, ("upright_low", "upright_high"), xy, np.ones((3, 2)), size)


@pytest.mark.parametrize("roll", [-6.0, -0.7, 0.0, 3.3])
def test_the_two_points_carry_the_roll_through_the_pictures_centre(roll: float) -> None:
    found = upright([paint(Gym(roll_deg=roll))])
    assert found is not None
    low, high = found.points
    np.testing.assert_allclose((low + high) / 2, (640, 360), atol=1e-9)
    assert low[1] > high[1]
    known = camera_roll(tracks_of(found), Capture())
    assert known is not None
    assert known.source == "uprights"
    assert np.degrees(known.roll) == pytest.approx(roll, abs=0.3)


def test_the_points_lie_towards_the_vanishing_point_of_verticals() -> None:
    gym = Gym(roll_deg=4.0)
    found = upright([paint(gym)])
    assert found is not None
    (a, b), (c, d) = (gym.see(np.array([[x, 0.3, -0.5], [x, 0.3, 0.9]])) for x in (0.6, -0.6))
    meet = a + np.linalg.solve(np.column_stack([b - a, c - d]), c - a)[0] * (b - a)
    to_meet, along = meet - (640, 360), found.points[0] - found.points[1]
    cosine = to_meet @ along / np.hypot(*to_meet) / np.hypot(*along)
    assert np.degrees(np.arccos(min(cosine, 1.0))) < 0.3


def test_grey_pictures_say_the_same() -> None:
    picture = paint(Gym(roll_deg=2.0))
    coloured, grey = upright([picture]), upright([cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)])
    assert coloured is not None
    assert grey is not None
    np.testing.assert_array_equal(coloured.points, grey.points)


def test_without_verticals_nothing_is_said() -> None:
    for seed in range(8):
        gym = replace(random_gym(seed), posts=False)
        assert upright([paint(gym)]) is None


@pytest.mark.parametrize("frames", [[], [flat()], [snow()]])
def test_pictures_that_show_nothing_say_nothing(frames: list[Image]) -> None:
    assert upright(frames) is None


def test_what_moves_in_front_of_the_room_does_not_matter() -> None:
    gym = Gym(roll_deg=2.0)
    frames = []
    for k in range(5):
        image = paint(replace(gym, seed=k)).copy()
        image[:, 80 + 230 * k : 240 + 230 * k] = 30  # a person who walks by, all straight edges
        frames.append(image)
    found = upright(frames)
    assert found is not None
    assert found.roll_deg == pytest.approx(2.0, abs=0.3)


def test_two_rolls_that_as_many_edges_speak_for_are_none() -> None:
    image = np.full((720, 1280, 3), 150, np.uint8)
    for sign in (1, -1):
        for x in (150, 500, 800, 1100):
            start, end = (640 + sign * (x - 640), 60), (640 + sign * (x - 60 - 640), 640)
            cv2.line(image, start, end, (40, 40, 40), 5, cv2.LINE_AA)
    assert upright([image]) is None


def posts_and_slants() -> Image:
    """Posts seen from 40 deg up with a roll of 1 deg, and longer parallels that slant by 5 deg."""
    image = np.full((720, 1280, 3), 150, np.uint8)
    turn = np.radians(1.0)
    away = FOCAL_SHARE * 1280 / np.tan(np.radians(40.0))
    meet = np.array([640.0, 360.0]) + away * np.array([-np.sin(turn), np.cos(turn)])
    tops = [np.array([x, 60.0]) for x in (250, 330, 950, 1030)]
    lines = [(top, top + 0.25 * (meet - top)) for top in tops]
    slant = 500 * np.array([np.sin(np.radians(5.0)), -np.cos(np.radians(5.0))])
    lines += [(np.array([x, 690.0]), np.array([x, 690.0]) + slant) for x in (460, 520, 760, 820)]
    for start, end in lines:
        ends = [(round(float(x)), round(float(y))) for x, y in (start, end)]
        cv2.line(image, ends[0], ends[1], (40, 40, 40), 9, cv2.LINE_AA)
    return image


@pytest.mark.parametrize(("mirrored", "roll_deg"), [(False, 1.0), (True, -1.0)])
def test_slanting_parallels_are_not_taken_for_the_posts(mirrored: bool, roll_deg: float) -> None:
    """The feet of a rack lie side by side, aslant in the picture, and may be longer than its posts."""
    image = posts_and_slants()
    found = upright([np.ascontiguousarray(image[:, ::-1]) if mirrored else image])
    assert found is not None
    assert found.roll_deg == pytest.approx(roll_deg, abs=0.3)


@pytest.mark.parametrize(("roll_deg", "believed"), [(5.0, True), (-6.5, True), (9.0, False), (-12.0, False)])
def test_edges_too_askew_are_not_taken_for_uprights(roll_deg: float, believed: bool) -> None:
    """A slanting edge of the rack that passes for an upright would tilt every bar by its slant."""
    turned = np.radians(roll_deg)
    low = np.array([480.0, 540.0])
    high = low + 540 * np.array([np.sin(turned), -np.cos(turned)])
    tracks = Tracks(
        np.arange(3) / 30,
        ("upright_low", "upright_high"),
        np.tile([low, high], (3, 1, 1)),
        np.ones((3, 2)),
        (960, 540),
    )
    known = camera_roll(tracks, Capture())
    assert (known is not None) == believed
    if known is not None:
        assert np.degrees(known.roll) == pytest.approx(roll_deg)
