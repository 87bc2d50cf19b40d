"""Cleaning of tracks: what cannot be is dropped, short gaps filled, jitter taken out, nothing invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_motion import fill_loop, jumps_loop
from set_maker import Beat, SetPlan, film

from asymscreen.landmarks.skeleton import EDGE_POINTS, JOINTS, REFINED
from asymscreen.motion.clean import (
    FASTEST_TURN,
    GAP_SLACK_S,
    JUMP_ROUNDS,
    JUMP_SHARE,
    LONGEST_GAP_S,
    _fill,
    _jumps,
    clean,
)
from asymscreen.motion.tracks import Tracks

PLAN = SetPlan((Beat(), Beat(pause=0.0)))
WRIST, ELBOW = JOINTS.index("left_wrist"), JOINTS.index("left_elbow")


def one(xy: np.ndarray, time_s: np.ndarray | None = None, name: str = "nose") -> Tracks:
    """A single landmark at 30 frames a second, fully visible where it is a number."""
    t = np.arange(len(xy)) / 30 if time_s is None else time_s
    seen = np.where(np.isnan(xy[:, 0]), 0.0, 1.0)
    return Tracks(t, (name,), xy[:, None], seen[:, None], (1280, 720))


def glide(frames: int = 90) -> np.ndarray:
    """A way of the kind that hands go: 60 px within a second and a half, to and fro."""
    t = np.arange(frames) / 30
    return np.stack([300 + 20 * t, 400 + 60 * np.sin(2 * np.pi * t / 3)], axis=1)


def test_white_noise_shrinks_and_the_way_stays() -> None:
    truth, _ = film(PLAN, "foot end 45")
    noisy, _ = film(PLAN, "foot end 45", noise_px=4.0, seed=1)
    error = clean(noisy).xy_px - truth.xy_px
    assert np.sqrt(np.mean(error**2)) < 0.7 * 4.0  # 6 of 15 Hz are left: sqrt(0.4) = 0.63
    assert np.abs(clean(truth).xy_px - truth.xy_px).max() < 1.0


@pytest.mark.parametrize("fps", [10.0, 29.97, 60.0, 240.0])
def test_nothing_of_a_press_is_taken_for_a_jump(fps: float) -> None:
    fast = SetPlan((Beat(down=0.6, pause=0.0, up=0.6),))
    for view in ("foot end 45", "side", "overhead"):
        tracks, _ = film(fast, view, fps=fps)
        assert not np.isnan(clean(tracks).xy_px).any()


def test_hidden_landmarks_are_dropped() -> None:
    tracks, _ = film(PLAN, "foot end 45")
    seen = tracks.visibility.copy()
    seen[20:60, WRIST] = 0.1
    cleaned = clean(replace(tracks, visibility=seen))
    assert np.isnan(cleaned.xy_px[20:60, WRIST]).all()
    assert (cleaned.visibility[20:60, WRIST] == 0).all()
    assert not np.isnan(np.delete(cleaned.xy_px, WRIST, axis=1)).any()


def test_refined_joints_are_trusted_on_their_own_scale() -> None:
    low = one(glide(), name=REFINED[0])
    low.visibility[:] = (
        0.01  # a standard deviation of 30 px: worth something, where 0.01 of a landmark is nothing
    )
    assert not np.isnan(clean(low).xy_px).any()
    coarse = one(glide(), name=JOINTS[0])
    coarse.visibility[:] = 0.01
    assert np.isnan(clean(coarse).xy_px).all()


@pytest.mark.parametrize("length", [1, 2, 3])
@pytest.mark.parametrize("jump", [(60.0, 0.0), (-40.0, 45.0)])
def test_jumps_of_a_few_frames_are_taken_out_and_bridged(length: int, jump: tuple[float, float]) -> None:
    way = glide()
    spoiled = way.copy()
    spoiled[40 : 40 + length] += jump
    found = clean(one(spoiled)).xy_px[:, 0]
    assert np.abs(found - way).max() < 3.0


def test_a_landmark_that_moves_house_for_good_keeps_both_places() -> None:
    way = glide()
    way[45:] += (150.0, 0.0)
    found = clean(one(way)).xy_px[:, 0]
    far = np.abs(np.arange(90) - 45) > 8
    np.testing.assert_allclose(found[far], way[far], atol=3.0)


def test_a_wrist_on_somebody_elses_arm_is_dropped() -> None:
    tracks, _ = film(PLAN, "foot end 45")
    xy = tracks.xy_px.copy()
    xy[30:70, WRIST] += (0.0, -330.0)  # over twice the upper arm and forearm away for more than a second
    cleaned = clean(replace(tracks, xy_px=xy))
    assert np.isnan(cleaned.xy_px[36:64, WRIST]).all()
    assert not np.isnan(cleaned.xy_px[:, ELBOW]).any()


@pytest.mark.parametrize(("missing", "filled"), [(1, True), (5, True), (6, False), (30, False)])
def test_gaps_are_filled_up_to_a_fifth_of_a_second(missing: int, filled: bool) -> None:
    way = glide()
    spoiled = way.copy()
    spoiled[40 : 40 + missing] = np.nan
    found = clean(one(spoiled)).xy_px[:, 0]
    if filled:
        np.testing.assert_allclose(found, way, atol=2.5)
    else:
        assert np.isnan(found[40 : 40 + missing]).all()
        assert not np.isnan(np.delete(found, range(40, 40 + missing), axis=0)).any()


def test_a_missing_frame_of_ten_a_second_is_filled_at_the_rates_of_phones() -> None:
    stamps = np.arange(60) * 3 / 29.97
    way = glide(60)
    way[30] = np.nan
    assert not np.isnan(clean(one(way, stamps)).xy_px).any()


def test_nothing_is_invented_before_the_first_and_after_the_last_frame() -> None:
    way = glide()
    way[:4] = np.nan
    way[-3:] = np.nan
    found = clean(one(way)).xy_px[:, 0, 0]
    np.testing.assert_array_equal(np.isnan(found), [*[True] * 4, *[False] * 83, *[True] * 3])


def test_stretches_are_filtered_apart() -> None:
    way = np.full((90, 2), 100.0)
    way[40:50] = np.nan
    way[50:] = 500.0
    found = clean(one(way)).xy_px[:, 0]
    np.testing.assert_allclose(found[:40], 100.0, atol=1e-9)
    np.testing.assert_allclose(found[50:], 500.0, atol=1e-9)


def test_uneven_time_stamps_are_kept_and_honoured() -> None:
    rng = np.random.default_rng(5)
    stamps = np.cumsum(rng.uniform(0.02, 0.047, 150))
    way = np.stack([300 + 80 * np.sin(2 * np.pi * 0.7 * stamps), 50 * stamps], axis=1)
    cleaned = clean(one(way + rng.normal(0, 3, way.shape), stamps))
    np.testing.assert_array_equal(cleaned.time_s, stamps)
    assert np.sqrt(np.mean((cleaned.xy_px[:, 0] - way) ** 2)) < 2.4


def test_edge_points_keep_their_noise() -> None:
    way = glide() + np.random.default_rng(0).normal(0, 2, (90, 2))
    for name in EDGE_POINTS:
        np.testing.assert_array_equal(clean(one(way, name=name)).xy_px[:, 0], way)


def test_tracks_without_anything_seen_stay_so() -> None:
    tracks = one(np.full((40, 2), np.nan))
    cleaned = clean(tracks)
    assert np.isnan(cleaned.xy_px).all()
    assert (cleaned.visibility == 0).all()


def test_the_tracks_given_are_not_changed() -> None:
    tracks, _ = film(PLAN, "foot end 45", noise_px=5.0)
    before = tracks.xy_px.copy()
    clean(tracks)
    np.testing.assert_array_equal(tracks.xy_px, before)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.5, 2.0), st.floats(-200, 200), st.integers(0, 1000))
def test_scale_shift_and_time_shift_change_nothing_else(scale: float, shift: float, seed: int) -> None:
    tracks, _ = film(SetPlan((Beat(),)), "foot end 45", noise_px=3.0, seed=seed)
    moved = Tracks(
        tracks.time_s + 7.25,
        tracks.names,
        tracks.xy_px * scale + shift,
        tracks.visibility,
        (round(1280 * scale), round(720 * scale)),
    )
    np.testing.assert_allclose(clean(moved).xy_px, clean(tracks).xy_px * scale + shift, atol=1e-6)


stamps_strategy = st.lists(st.floats(0.01, 0.25), min_size=3, max_size=40)


@settings(max_examples=60, deadline=None)
@given(stamps_strategy, st.integers(0, 10_000))
def test_jumps_equal_the_plain_loop(steps: list[float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(steps)
    xy = np.cumsum(rng.normal(0, 6, (len(t), 2)), axis=0)
    xy[rng.random(len(t)) < 0.2] += 80.0
    gap = LONGEST_GAP_S + GAP_SLACK_S
    places = [tuple(p) for p in xy]
    expected = jumps_loop(list(t), places, JUMP_SHARE * 1280, FASTEST_TURN * 1280, gap, JUMP_ROUNDS)
    np.testing.assert_array_equal(_jumps(t, xy, 1280.0), expected)


@settings(max_examples=60, deadline=None)
@given(stamps_strategy, st.integers(0, 10_000))
def test_filled_gaps_equal_the_plain_loop(steps: list[float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(steps)
    xy = rng.normal(0, 100, (len(t), 2))
    xy[rng.random(len(t)) < 0.5] = np.nan
    places = [None if np.isnan(p).any() else tuple(p) for p in xy]
    expected = fill_loop(list(t), places, LONGEST_GAP_S + GAP_SLACK_S)
    nothing = (np.nan, np.nan)
    np.testing.assert_allclose(
        _fill(t, xy), [nothing if p is None else p for p in expected], atol=1e-9, equal_nan=True
    )
