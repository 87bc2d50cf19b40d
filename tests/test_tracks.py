"""The track type: points and visibility by name."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from reference_motion import nearest_loop

from asymscreen.motion.tracks import Tracks, nearest


def small() -> Tracks:
    xy = np.arange(12, dtype=float).reshape(3, 2, 2)
    xy[1, 0] = np.nan
    seen = np.array([[0.9, 0.8], [0.0, 0.7], [0.6, 0.5]])
    return Tracks(np.array([0.0, 0.1, 0.2]), ("left_wrist", "nose"), xy, seen, (640, 480))


def test_length_is_the_number_of_frames() -> None:
    assert len(small()) == 3


def test_points_come_in_the_order_asked_for() -> None:
    found = small().points("nose", "left_wrist")
    assert found.shape == (3, 2, 2)
    np.testing.assert_array_equal(found[:, 0], [[2, 3], [6, 7], [10, 11]])
    assert np.isnan(found[1, 1]).all()


def test_a_landmark_that_is_not_there_is_unseen_throughout() -> None:
    tracks = small()
    assert np.isnan(tracks.points("right_wrist")).all()
    np.testing.assert_array_equal(tracks.seen("right_wrist", "nose"), [[0, 0.8], [0, 0.7], [0, 0.5]])


def test_what_points_gives_can_be_changed_without_changing_the_tracks() -> None:
    tracks = small()
    tracks.points("nose")[:] = -1
    tracks.seen("nose")[:] = -1
    assert tracks.xy_px[0, 1, 0] == 2
    assert tracks.visibility[0, 1] == 0.8


def test_the_nearest_time_and_the_earlier_one_halfway() -> None:
    times = np.array([0.0, 1.0, 2.0, 5.0])
    wanted = np.array([-3.0, 0.4, 0.5, 0.6, 3.5, 3.6, 99.0])
    assert nearest(times, wanted).tolist() == [0, 0, 0, 1, 2, 3, 3]
    assert nearest(np.array([7.0]), wanted).tolist() == [0] * 7
    assert nearest(times, np.array([])).tolist() == []


# whole numbers: halves and differences are exact, so the loop and the search may not differ by rounding
@given(st.sets(st.integers(0, 50), min_size=1).map(sorted), st.lists(st.integers(-5, 110), max_size=9))
def test_the_nearest_time_is_that_of_a_plain_loop(times: list[int], halves: list[int]) -> None:
    wanted = [half / 2 for half in halves]
    found = nearest(np.array(times, dtype=float), np.array(wanted, dtype=float))
    assert found.tolist() == nearest_loop(times, wanted)
