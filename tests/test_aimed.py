"""Finding and following a lifter by the refiner alone: with a refiner that knows the truth of stick figures,
and with the real one on rendered clips that the landmarker is not asked about."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from threading import Barrier

import numpy as np
import pytest
from numpy.typing import NDArray
from people import lifter, place, standing

from asymscreen.capture.clip import Frame, frames, probe
from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.aimed import STICK, SURE_SHARE, AimedWatch, Look, confirmed, find_aim, read
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.refine import Refined, Refiner, crop_side
from asymscreen.landmarks.skeleton import PLACES

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]

CLIPS = Path(__file__).parents[1] / "fixtures" / "clips"
PICTURE = np.zeros((720, 1280, 3), np.uint8)
REACH = 1.0
"""Shoulder widths between a guess's and a person's middle from which the made-up refiner sees that person."""


def joints(pose: Pose) -> FloatArray:
    return pose.xy_px[PLACES]


def looking_at(people: Sequence[Pose], share: float = 0.01) -> Look:
    """A refiner that reads the person around whom the guess lies, as surely as `share` says, or guesses."""

    def look(rgb: Image, guess: FloatArray) -> Refined:
        def away(pose: Pose) -> float:
            return float(np.hypot(*(joints(pose).mean(axis=0) - guess.mean(axis=0)))) / 100

        near = min(people, key=away, default=None)
        if near is None or away(near) > REACH:
            return _refined(guess + 30.0, 0.12)
        return _refined(joints(near), share)

    return look


def _refined(points: FloatArray, share: float) -> Refined:
    sigma = np.full(8, share * crop_side(points))
    return Refined(points, sigma, points[4:6], sigma[:2])


def blind(rgb: Image, guess: FloatArray) -> Refined:
    return Refined(np.full((8, 2), np.nan), np.full(8, np.inf), np.full((2, 2), np.nan), np.full(2, np.inf))


SCOUT = ([PICTURE] * 5, [0.0, 1.0, 2.0, 3.0, 4.0])


def test_a_lifter_is_found_from_the_middle_of_the_picture() -> None:
    person = lifter(0.5, (660.0, 320.0))
    shots = find_aim(*SCOUT, looking_at([person]))
    assert shots is not None
    assert [time_s for time_s, _ in shots] == SCOUT[1]
    for _, found in shots:
        np.testing.assert_array_equal(found, joints(person))


def test_a_point_on_the_lifter_says_where_to_look() -> None:
    person = lifter(0.5, (200.0, 250.0))
    assert find_aim(*SCOUT, looking_at([person])) is None
    shots = find_aim(*SCOUT, looking_at([person]), at=(200.0, 300.0))
    assert shots is not None
    np.testing.assert_array_equal(shots[0][1], joints(person))


@pytest.mark.parametrize("look", [blind, looking_at([]), looking_at([lifter(0.5)], share=1.2 * SURE_SHARE)])
def test_where_the_refiner_is_not_sure_nobody_is_found(look: Look) -> None:
    assert find_aim(*SCOUT, look) is None


def test_somebody_who_stands_is_no_lifter_however_clearly_seen() -> None:
    assert find_aim(*SCOUT, looking_at([standing((640.0, 250.0))])) is None


def test_two_who_press_side_by_side_are_two() -> None:
    two = [lifter(0.5, (384.0, 330.0)), lifter(0.5, (896.0, 330.0))]
    with pytest.raises(NothingToScreen, match="Two people in the picture could be the lifter"):
        find_aim(*SCOUT, looking_at(two))


def test_whoever_is_seen_in_too_few_frames_is_a_chance_find() -> None:
    person = lifter(0.5)
    sure, unsure = looking_at([person]), looking_at([])
    bright = np.full_like(PICTURE, 255)

    def look(rgb: Image, guess: FloatArray) -> Refined:
        return (sure if rgb[0, 0, 0] == 0 else unsure)(rgb, guess)

    assert find_aim([PICTURE, bright, PICTURE, bright, PICTURE], SCOUT[1], look) is not None  # 3 of 5
    assert find_aim([PICTURE, bright, PICTURE, bright, bright], SCOUT[1], look) is None


def test_a_joint_at_the_limit_is_half_visible_and_hips_lie_where_the_landmarker_puts_them() -> None:
    person = lifter(0.5)
    seen = read(looking_at([person], SURE_SHARE), PICTURE, joints(person))
    assert seen is not None
    assert seen.pose.visibility[PLACES] == pytest.approx(0.5)
    assert np.isnan(np.delete(seen.pose.xy_px, PLACES, axis=0)).all()
    hip, shoulder = seen.pose.xy_px[place("left_hip")], joints(person)[0]
    np.testing.assert_allclose(hip + 0.12 * (hip - shoulder), joints(person)[6])  # skeleton.HIP_HABIT
    np.testing.assert_array_equal(seen.pose.xy_px[place("left_wrist")], joints(person)[4])


def test_landmarks_are_confirmed_where_the_refiner_sees_the_same_joints() -> None:
    person = lifter(0.5)
    look = looking_at([person])
    seen = confirmed(look, PICTURE, joints(person) + 8.0)
    assert seen is not None
    np.testing.assert_array_equal(seen.joints_px, joints(person))
    assert confirmed(look, PICTURE, joints(person) + np.array([0.0, 60.0])) is None  # 0.6 shoulder widths off
    assert confirmed(blind, PICTURE, joints(person)) is None
    assert confirmed(looking_at([person], 2 * SURE_SHARE), PICTURE, joints(person)) is None


def test_the_lifter_is_followed_and_lost_and_found_again() -> None:
    shots = [(0.0, joints(lifter(0.5))), (4.0, joints(lifter(0.5)))]
    people = [lifter(phase) for phase in (0.0, 0.3, 0.6, 1.0)]
    now: list[Pose] = []
    with AimedWatch(lambda rgb, guess: looking_at(now)(rgb, guess), shots) as watch:
        for k, pose in enumerate(people):
            now[:] = [pose]
            found = settled(watch, 0.1 * k)
            assert found is not None
            np.testing.assert_array_equal(found.xy_px[PLACES][:6], joints(pose)[:6])
        now[:] = []
        assert settled(watch, 0.5) is None
        now[:] = [lifter(0.2, (700.0, 300.0))]
        assert settled(watch, 0.6) is not None


def settled(watch: AimedWatch, time_s: float) -> Pose | None:
    return watch.settle(time_s, PICTURE, watch.submit(time_s, PICTURE))


def test_the_next_frame_is_begun_on_before_the_last_one_is_settled() -> None:
    """The guess is the lifter of two frames before, at first where the scout saw them."""
    start = lifter(0.5)
    guesses: list[FloatArray] = []

    def look(rgb: Image, guess: FloatArray) -> Refined:
        guesses.append(guess)
        return looking_at([lifter(float(rgb[0, 0, 0]) / 100)])(rgb, guess)

    pictures = [np.full_like(PICTURE, shade) for shade in (20, 30, 40)]
    with AimedWatch(look, [(0.0, joints(start))]) as watch:
        first = watch.submit(0.0, pictures[0])
        second = watch.submit(0.2, pictures[1])
        assert watch.settle(0.0, pictures[0], first) is not None
        third = watch.submit(0.4, pictures[2])
        for k, begun in ((1, second), (2, third)):
            found = watch.settle(0.2 * k, pictures[k], begun)
            assert found is not None
            np.testing.assert_array_equal(found.xy_px[PLACES][:6], joints(lifter(0.2 + 0.1 * k))[:6])
    np.testing.assert_array_equal(guesses[0], joints(start))
    np.testing.assert_array_equal(guesses[1], joints(start))
    np.testing.assert_array_equal(guesses[2], joints(lifter(0.2)))


def test_two_frames_are_in_work_at_once() -> None:
    """Neither look comes back before the other has begun."""
    both = Barrier(2, timeout=30)
    person = lifter(0.5)

    def look(rgb: Image, guess: FloatArray) -> Refined:
        both.wait()
        return looking_at([person])(rgb, guess)

    with AimedWatch(look, [(0.0, joints(person))]) as watch:
        begun = [watch.submit(time_s, PICTURE) for time_s in (0.0, 0.1)]
        found = [watch.settle(0.1 * k, PICTURE, future) for k, future in enumerate(begun)]
    assert all(pose is not None for pose in found)


def test_a_lifter_who_jumps_is_looked_for_where_the_scout_saw_them() -> None:
    near, far = lifter(0.5), lifter(0.5, (900.0, 300.0))
    shots = [(0.0, joints(near)), (10.0, joints(far))]
    now = [near]
    with AimedWatch(lambda rgb, guess: looking_at(now)(rgb, guess), shots) as watch:
        assert settled(watch, 0.0) is not None
        now[:] = [far]
        found = settled(watch, 10.0)
        assert found is not None
        np.testing.assert_array_equal(found.xy_px[PLACES][:6], joints(far)[:6])


def test_nobody_far_from_the_scouts_lifter_is_followed() -> None:
    look = looking_at([lifter(0.5, (720.0, 420.0))])
    with AimedWatch(look, [(0.0, joints(lifter(0.5)))]) as watch:
        assert settled(watch, 0.0) is None


# ---------------------------------------------------------------- with the real refiner


def some_frames(name: str, count: int) -> tuple[list[Image], list[float]]:
    last = probe(CLIPS / name).frames - 1
    shown = list(frames(CLIPS / name, indexes=[round(x) for x in np.linspace(0.2 * last, 0.8 * last, count)]))
    return [frame.rgb for frame in shown], [frame.time_s for frame in shown]


def test_the_refiner_finds_a_rendered_lifter_unaided() -> None:
    images, times = some_frames("foot-30.mp4", 3)
    shots = find_aim(images, times, Refiner().refine)
    assert shots is not None
    truth = np.load(CLIPS / "foot-30.truth.npz")
    width = images[0].shape[1]
    for time_s, found in shots:
        true = truth["points_px"][np.argmin(np.abs(truth["time_s"] - time_s))]
        assert np.linalg.norm(found - true, axis=1).max() < 0.012 * width


def in_a_row(name: str, count: int) -> tuple[list[Frame], FloatArray]:
    """Frames one after the other from a moving part of a rendered clip, and their true joints (T, 8, 2)."""
    truth = np.load(CLIPS / f"{name}.truth.npz")
    wrists = truth["points_px"][:, 4:6, 1].mean(axis=1)
    start = int(np.argmax(np.abs(wrists[count:] - wrists[:-count])))
    shown = list(frames(CLIPS / f"{name}.mp4", indexes=range(start, start + count)))
    near = [int(np.argmin(np.abs(truth["time_s"] - frame.time_s))) for frame in shown]
    return shown, truth["points_px"][near]


def test_two_frames_side_by_side_are_read_as_one_after_the_other() -> None:
    """While the bar travels; shoulders are some 90 px apart."""
    shown, true = in_a_row("foot-30", 10)
    assert np.ptp(true[:, 4, 1]) > 15.0  # the hands do move
    shots = [(shown[0].time_s, true[0])]
    with AimedWatch(Refiner().glance, shots) as watch:
        alone = [watch.settle(f.time_s, f.rgb, watch.submit(f.time_s, f.rgb)) for f in shown]
    with AimedWatch(Refiner().glance, shots) as watch:
        beside: list[Pose | None] = []
        begun = watch.submit(shown[0].time_s, shown[0].rgb)
        for before, frame in pairwise(shown):
            after = watch.submit(frame.time_s, frame.rgb)
            beside.append(watch.settle(before.time_s, before.rgb, begun))
            begun = after
        beside.append(watch.settle(shown[-1].time_s, shown[-1].rgb, begun))
    for one, two, joints_px in zip(alone, beside, true, strict=True):
        assert one is not None
        assert two is not None
        np.testing.assert_allclose(two.xy_px[PLACES], one.xy_px[PLACES], atol=3.0)
        for pose in (one, two):
            assert np.linalg.norm(pose.xy_px[PLACES[:6]] - joints_px[:6], axis=1).max() < 8.0


def test_the_refiner_loses_a_lifter_behind_a_dark_picture_and_finds_them_again() -> None:
    shown, true = in_a_row("foot-30", 8)
    shots = [(shown[0].time_s, true[0])]
    dark = range(3, 6)
    with AimedWatch(Refiner().glance, shots) as watch:
        pictures = [np.zeros_like(f.rgb) if k in dark else f.rgb for k, f in enumerate(shown)]
        found = [
            watch.settle(f.time_s, rgb, watch.submit(f.time_s, rgb))
            for f, rgb in zip(shown, pictures, strict=True)
        ]
    assert [k for k, pose in enumerate(found) if pose is None] == list(dark)
    for pose, joints_px in zip(found, true, strict=True):
        if pose is not None:
            assert np.linalg.norm(pose.xy_px[PLACES[:6]] - joints_px[:6], axis=1).max() < 8.0


@pytest.mark.parametrize("name", ["empty-gym.mp4", "side.mp4", "dark.mp4", "standing.mp4"])
def test_the_refiner_finds_nobody_where_nobody_can_be_screened(name: str) -> None:
    images, times = some_frames(name, 2)
    assert find_aim(images, times, Refiner().refine) is None


def test_the_stick_is_somebody_pressing() -> None:
    assert (STICK[0::2, 0] > 0).all()
    np.testing.assert_allclose(STICK[1::2], STICK[0::2] * (-1, 1))
    assert STICK[4, 1] < STICK[2, 1] <= STICK[0, 1] < STICK[6, 1]
