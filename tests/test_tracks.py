"""The track type: points and visibility by name."""

from __future__ import annotations

import numpy as np

from asymscreen.motion.tracks import Tracks


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
