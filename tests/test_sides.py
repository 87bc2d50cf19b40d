"""Whether "left" is the lifter's left, told from the body: invented lifters seen from everywhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from press_maker import ORDER, Sticks, camera_at
from set_maker import VIEWS, Beat, SetPlan, bar_at, bar_path, film, pose

from asymscreen.motion.camera import project
from asymscreen.motion.sides import LEAST_TURN, SWAPPED, UNSURE, settle_sides, swapped, trunk_turn
from asymscreen.motion.tracks import Tracks

CLEAR = [name for name in VIEWS if name not in ("foot end level", "side")]
NOTED = ("from elsewhere",)


def _seen(camera: np.ndarray, turned_deg: float = 0.0) -> Tracks:
    """Tracks of a rep through `camera`, the picture turned in its plane."""
    plan = SetPlan((Beat(),), Sticks(swivel_deg=(30.0, 55.0), tilt_deg=2.0))
    way, _ = bar_path(plan)
    t = np.arange(int(way[-1][0] * 15)) / 15
    xy = project(camera, pose(plan.lifter, bar_at(way, t)), (640.0, 360.0))
    a = np.radians(turned_deg)
    xy = (xy - (640, 360)) @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + (640, 360)
    return Tracks(t, ORDER, xy, np.ones(xy.shape[:2]), (1280, 720), NOTED)


@given(
    st.floats(15, 85),
    st.one_of(st.floats(-45, 45), st.floats(135, 225)),
    st.floats(0, 360),
    st.floats(1.8, 3.5),
)
def test_the_turn_of_the_trunk_knows_left_from_everywhere_above(
    elevation: float, azimuth: float, turned: float, distance: float
) -> None:
    # [G] from above the bench the front of a lying lifter is seen, however the camera stands or is turned
    tracks = _seen(camera_at(elevation, azimuth, distance), turned)
    turn = trunk_turn(tracks)
    assert turn is not None
    assert turn > 0
    other = swapped(tracks)
    assert trunk_turn(other) == pytest.approx(-turn)
    assert settle_sides(tracks) == tracks
    back = settle_sides(other)
    assert back.names == ORDER
    assert back.notes == (*NOTED, SWAPPED, SWAPPED)


def test_the_turn_of_a_trunk_seen_from_five_degrees() -> None:
    # [G] trunk 0.5 m over shoulders of 0.36 m, far away: sin(5 deg) * 0.5 / 0.36 = 0.121
    assert np.sin(np.radians(5)) * 0.5 / 0.36 == pytest.approx(LEAST_TURN, abs=0.005)
    far = trunk_turn(_seen(camera_at(20.0, distance=400.0, focal_px=190_000.0)))
    assert far == pytest.approx(np.sin(np.radians(20)) * 0.5 / 0.36, rel=0.02)


@pytest.mark.parametrize("view", CLEAR)
def test_a_mirrored_picture_with_mirrored_names_is_left_alone(view: str) -> None:
    tracks, _ = film(SetPlan((Beat(),)), view)
    mirrored = replace(swapped(tracks), xy_px=(1280.0, 0.0) + tracks.xy_px * (-1, 1), notes=())
    assert settle_sides(mirrored) == mirrored


def test_end_on_the_sheet_decides_and_without_it_doubt_is_told() -> None:
    level = _seen(camera_at(1.0, distance=3.0))
    assert trunk_turn(level) is None
    assert settle_sides(level).notes == (*NOTED, UNSURE)
    assert settle_sides(level, "foot-end") == level
    assert settle_sides(swapped(level), "foot-end").names == ORDER
    assert settle_sides(swapped(level), "head-end").names == swapped(level).names
    own = replace(level, notes=())
    assert settle_sides(own) == own


def test_where_body_and_sheet_disagree_nothing_is_changed_and_it_is_said() -> None:
    # [G] a phone on the floor sees the trunk from below, as a mirror would: only the sheet can know
    floor = _seen(camera_at(-20.0, distance=2.6))
    turn = trunk_turn(floor)
    assert turn is not None
    assert turn < 0
    own = replace(floor, notes=())
    assert settle_sides(own, "foot-end") == replace(own, notes=(UNSURE,))
    above = replace(_seen(camera_at(40.0)), notes=())
    assert settle_sides(above, "foot-end") == above
    assert settle_sides(above, "head-end").notes == (UNSURE,)
    assert settle_sides(swapped(above), "foot-end").names == ORDER


def test_hidden_hips_leave_it_to_the_knees_and_hidden_shoulders_to_the_elbows() -> None:
    tracks = swapped(_seen(camera_at(40.0)))
    hips = [tracks.names.index(n) for n in ("left_hip", "right_hip")]
    names = list(tracks.names)
    for k in hips:
        names[k] = names[k].replace("hip", "knee")
    legs = replace(tracks, names=tuple(names))
    assert settle_sides(legs).notes[-1] == SWAPPED
    bare = tracks.xy_px.copy()
    bare[:, [tracks.names.index(n) for n in ("left_shoulder", "right_shoulder")]] = np.nan
    turn = trunk_turn(replace(tracks, xy_px=bare))
    assert turn is not None
    assert turn < 0
    bare[:, hips] = np.nan
    assert trunk_turn(replace(tracks, xy_px=bare)) is None


def test_places_of_joints_that_are_said_to_be_hidden_do_not_count() -> None:
    tracks = swapped(_seen(camera_at(40.0)))
    at = [tracks.names.index(n) for n in ("left_shoulder", "right_shoulder")]
    places, seen = tracks.xy_px.copy(), tracks.visibility.copy()
    places[:, at], seen[:, at] = 1.0, 0.0
    turn = trunk_turn(replace(tracks, xy_px=places, visibility=seen))
    assert turn is not None
    assert turn < 0


def test_frames_that_disagree_say_nothing() -> None:
    tracks = _seen(camera_at(40.0))
    mixed = tracks.xy_px.copy()
    half = slice(0, None, 2)
    mixed[half] = mixed[half][:, [1, 0, 3, 2, 5, 4, 7, 6]]
    assert trunk_turn(replace(tracks, xy_px=mixed)) is None
    assert UNSURE in settle_sides(replace(tracks, xy_px=mixed)).notes


def test_a_swap_takes_the_bar_along_and_leaves_the_upright() -> None:
    names = ("left_bar", "right_bar", "upright_low", "upright_high", "refined_left_hip", "nose")
    tracks = Tracks(np.arange(2.0), names, np.zeros((2, 6, 2)), np.ones((2, 6)), (10, 10))
    want = ("right_bar", "left_bar", "upright_low", "upright_high", "refined_right_hip", "nose")
    assert swapped(tracks).names == want
