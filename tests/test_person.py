"""Who the lifter is, and which tracks show nobody to screen; the people are stick figures of `people.py`."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from people import lifter, place, standing, stick

from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.pair import Window
from asymscreen.landmarks.person import (
    Follower,
    Lifter,
    check_lifter,
    choose,
    find_lifter,
    hands_up,
    link,
    window_around,
)
from asymscreen.landmarks.skeleton import BLAZEPOSE
from asymscreen.motion.tracks import Tracks

PHASES = (1.0, 0.6, 0.0, 0.4, 1.0, 0.5, 0.0)
BLANK = np.zeros((720, 1280, 3), np.uint8)


def shifted(pose: Pose, dx: float, dy: float = 0.0) -> Pose:
    return Pose(pose.xy_px + np.array([dx, dy]), pose.visibility)


def test_hands_up_is_the_rise_of_the_lower_forearm() -> None:
    # forearms straight up in the picture give 1, hanging ones 0, one at 30 degrees above the level 0.5
    assert hands_up(stick(0.7).xy_px[None]) == pytest.approx(1.0)
    assert hands_up(standing().xy_px[None]) == 0.0
    one = stick(0.7).xy_px.copy()
    elbow = one[place("left_elbow")]
    one[place("left_wrist")] = elbow + 50 * np.array([np.cos(np.pi / 6), -np.sin(np.pi / 6)])
    assert hands_up(one[None]) == pytest.approx(0.5)


def test_people_are_linked_over_frames_whatever_their_order() -> None:
    scenes = [[lifter(p), standing((300.0, 120.0))] for p in PHASES]
    scenes[1].reverse()
    scenes[3] = scenes[3][:1]
    people = link(scenes)
    assert len(people) == 2
    assert [pose is not None for pose in people[1].poses] == [True, True, True, False, True, True, True]
    assert all(pose is not None and pose.xy_px[place("nose"), 0] == 640 for pose in people[0].poses)


def test_a_person_who_comes_later_is_a_candidate_of_their_own() -> None:
    scenes = [[lifter(p)] for p in PHASES]
    scenes[4].append(standing((1100.0, 120.0)))
    assert [len(person.seen) for person in link(scenes)] == [len(PHASES), 1]


@pytest.mark.parametrize("order", [1, -1])
def test_the_spotter_behind_is_not_the_lifter(order: int) -> None:
    scenes = [[lifter(p), standing((640.0, 100.0), scale=110.0)][::order] for p in PHASES]
    best = choose(link(scenes))
    assert best.xy_px[0, place("left_wrist"), 1] < best.xy_px[0, place("left_elbow"), 1]


def test_two_lifters_side_by_side_are_refused() -> None:
    scenes = [[lifter(p, (350.0, 300.0)), lifter(p, (900.0, 300.0))] for p in PHASES]
    with pytest.raises(NothingToScreen, match="Two people in the picture could be the lifter"):
        choose(link(scenes))


def test_a_much_larger_lifter_is_the_main_one() -> None:
    scenes = [[lifter(p, (350.0, 300.0), scale=50.0), lifter(p, (900.0, 300.0))] for p in PHASES]
    assert choose(link(scenes)).xy_px[0, place("nose"), 0] == 900.0


def look_at(scene: Pose, right_turn: int, calls: list[int]):  # type: ignore[no-untyped-def]
    """A detector that sees well only after `right_turn` quarter turns."""

    def look(image: np.ndarray, window: Window) -> list[Pose]:
        calls.append(window.turns)
        good = window.turns == right_turn
        return [Pose(scene.xy_px, scene.visibility * (1.0 if good else 0.4))]

    return look


@pytest.mark.parametrize("right_turn", [0, 1, 2, 3])
def test_the_quarter_turn_seen_best_is_kept(right_turn: int) -> None:
    calls: list[int] = []
    found = find_lifter([BLANK] * 6, [0.1 * k for k in range(6)], look_at(lifter(1.0), right_turn, calls))
    assert found.window.turns == right_turn
    # when the picture is seen well as it is, the other turns are not tried
    assert set(calls) == ({0} if right_turn == 0 else {0, 1, 2, 3})


def test_an_empty_gym_is_refused() -> None:
    with pytest.raises(NothingToScreen, match="No person was found in the clip"):
        find_lifter([BLANK] * 6, [0.0] * 6, lambda image, window: [])


def test_the_window_holds_the_lifter_with_room_and_stays_in_the_picture() -> None:
    person = link([[lifter(p)] for p in PHASES])[0]
    window = window_around(person, 1280, 720, 2)
    points = person.xy_px.reshape(-1, 2)
    assert (window.left, window.top) < tuple(points.min(axis=0))
    assert window.right > points[:, 0].max()
    assert window.bottom > points[:, 1].max()
    assert (window.left >= 0, window.top >= 0, window.right <= 1280, window.bottom <= 720) == (True,) * 4
    assert window.turns == 2


@given(
    turns=st.integers(0, 3),
    box=st.tuples(*[st.integers(0, 30)] * 2, *[st.integers(5, 40)] * 2),
    spot=st.tuples(st.floats(0, 0.99), st.floats(0, 0.99)),
)
def test_window_points_come_back_to_the_picture(
    turns: int, box: tuple[int, int, int, int], spot: tuple[float, float]
) -> None:
    """A marked pixel is found in the cut picture by looking, and its centre maps back to where it was."""
    left, top, width, height = box
    image = np.zeros((80, 80, 3), np.uint8)
    x, y = left + int(spot[0] * width), top + int(spot[1] * height)
    image[y, x] = 255
    window = Window(left, top, left + width, top + height, turns)
    row, column = np.argwhere(window.cut(image)[..., 0])[0]
    back = window.upright(np.array([column + 0.5, row + 0.5]))
    np.testing.assert_allclose(back, (x + 0.5, y + 0.5), atol=1e-12)


# ---------------------------------------------------------------- following


def test_follower_keeps_to_the_lifter_when_a_passer_by_crosses() -> None:
    follower = Follower(Lifter(Window(0, 0, 1280, 720), ((0.0, lifter(1.0)),)))
    for k in range(30):
        people = [standing((100.0 + 40 * k, 250.0)), shifted(lifter(0.5), 0.2 * k)]
        chosen = follower.pick(k / 30, people)
        assert chosen is people[1]


def test_follower_leaves_a_gap_rather_than_jump() -> None:
    follower = Follower(Lifter(Window(0, 0, 1280, 720), ((0.0, lifter(1.0)),)))
    assert follower.pick(0.0, [lifter(1.0)]) is not None
    assert follower.pick(0.1, [standing((1000.0, 200.0))]) is None
    assert follower.pick(0.2, []) is None
    assert follower.pick(0.3, [lifter(0.8)]) is not None


def test_follower_starts_again_from_the_scout_after_a_long_gap() -> None:
    moved = shifted(lifter(0.5), 300.0)
    follower = Follower(Lifter(Window(0, 0, 1280, 720), ((0.0, lifter(1.0)), (5.0, moved))))
    assert follower.pick(0.0, [lifter(1.0)]) is not None
    assert follower.pick(5.0, [moved]) is moved


# ---------------------------------------------------------------- tracks that show nobody to screen


def tracks_of(poses: list[Pose | None], size: tuple[int, int] = (1280, 720)) -> Tracks:
    xy = np.full((len(poses), len(BLAZEPOSE), 2), np.nan)
    visibility = np.zeros((len(poses), len(BLAZEPOSE)))
    for k, pose in enumerate(poses):
        if pose:
            xy[k], visibility[k] = pose.xy_px, pose.visibility
    return Tracks(np.arange(len(poses)) / 30, BLAZEPOSE, xy, visibility, size)


def test_a_pressing_lifter_passes() -> None:
    check_lifter(tracks_of([lifter(p) for p in PHASES] + [None] * 3))


def test_a_person_standing_is_refused() -> None:
    with pytest.raises(NothingToScreen, match="Nobody in the picture holds a bar over the chest"):
        check_lifter(tracks_of([standing()] * 20))


def test_a_lifter_found_too_rarely_is_refused() -> None:
    with pytest.raises(NothingToScreen, match="found in only 20% of the frames"):
        check_lifter(tracks_of([lifter(1.0)] * 4 + [None] * 16))


@pytest.mark.parametrize(
    ("dx", "dy", "parts"), [(0, 340, "hips"), (-620, 0, "shoulders and elbows and hips"), (570, 0, "elbows")]
)
def test_a_lifter_cut_off_by_the_frame_is_refused(dx: float, dy: float, parts: str) -> None:
    with pytest.raises(NothingToScreen, match=f"cuts off the lifter's {parts}: step back"):
        check_lifter(tracks_of([shifted(lifter(p), dx, dy) for p in PHASES]))


def test_all_reasons_come_together() -> None:
    with pytest.raises(NothingToScreen) as caught:
        check_lifter(tracks_of([shifted(standing(), 0, 500)] * 10))
    assert len(caught.value.reasons) == 2
