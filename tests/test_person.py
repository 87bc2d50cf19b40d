"""Who the lifter is, and which tracks show nobody to screen; the people are stick figures of `people.py`."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from people import lifter, place, standing, stick

from asymscreen.errors import DimlySeen, NothingToScreen
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.pair import Window
from asymscreen.landmarks.person import (
    choose,
    find_lifter,
    link,
    under_a_bar,
    wrist_rise,
)
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS
from asymscreen.landmarks.usable import check_aimed, check_height, check_lifter
from asymscreen.motion.tracks import Tracks

PHASES = (1.0, 0.6, 0.0, 0.4, 1.0, 0.5, 0.0)
BLANK = np.zeros((720, 1280, 3), np.uint8)


def shifted(pose: Pose, dx: float, dy: float = 0.0) -> Pose:
    return Pose(pose.xy_px + np.array([dx, dy]), pose.visibility)


def test_wrist_rise_is_that_of_the_lower_hand_in_trunk_sizes() -> None:
    # shoulders 100 px apart, hips 60, trunk 90: size = root of 10000 + 3600 + 8100; the hands 70 px up
    size = 21700**0.5
    assert wrist_rise(stick(0.7).xy_px[None]) == pytest.approx(70 / size)
    assert wrist_rise(standing().xy_px[None]) == pytest.approx(-60 / size)
    one = stick(0.7).xy_px.copy()
    one[place("left_wrist"), 1] += 50
    assert wrist_rise(one[None]) == pytest.approx(20 / size)


def test_someone_under_a_bar_holds_the_hands_up_apart_and_level() -> None:
    xy = np.array([lifter(p).xy_px for p in PHASES])
    assert under_a_bar(xy) == 1.0
    assert under_a_bar(standing().xy_px[None]) == 0.0
    crossed = xy.copy()
    crossed[:, [place("left_wrist"), place("right_wrist")], 0] = 640.0
    assert under_a_bar(crossed) == 0.0
    # 25 degrees between the lines, half way from 10 to 40, takes half the mark; the lower hand takes the rest
    askew = stick(0.7).xy_px.copy()
    askew[place("left_wrist"), 1] += 160 * np.tan(np.radians(25.0))
    assert under_a_bar(askew[None]) == pytest.approx(
        0.5 * ((wrist_rise(askew[None])[0] + 0.3) / 0.4), abs=1e-9
    )


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
    # no turn is tried beyond the first that shows the lifter well
    assert set(calls) == set(range(right_turn + 1))


def test_an_empty_gym_is_refused() -> None:
    with pytest.raises(NothingToScreen, match="No person was found in the clip"):
        find_lifter([BLANK] * 6, [0.0] * 6, lambda image, window: [])


def test_the_lifter_is_looked_for_in_parts_of_the_picture() -> None:
    """Behind the whole picture's spotter the lifter shows only where the spotter is cut off."""

    def look(image: np.ndarray, window: Window) -> list[Pose]:
        return [lifter(0.5)] if window.top > 100 else [standing((640.0, 100.0))]

    found = find_lifter([BLANK] * 6, [0.1 * k for k in range(6)], look)
    assert found.window.top > 100
    assert found.window.bottom >= 500
    assert wrist_rise(found.shots[0][2].xy_px[None])[0] > 0


def test_a_spotter_in_the_picture_makes_the_window_tight_only_if_it_helps() -> None:
    both = [lifter(0.5), standing((640.0, 100.0))]
    found = find_lifter([BLANK] * 6, [0.0] * 6, lambda image, window: both)
    assert found.window == Window(0, 0, 1280, 720)

    def better(image: np.ndarray, window: Window) -> list[Pose]:
        poorly = Pose(both[0].xy_px, 0.85 * both[0].visibility)
        return [both[0]] if window.right < 1280 else [poorly, both[1]]

    found = find_lifter([BLANK] * 6, [0.0] * 6, better)
    points = lifter(0.5).xy_px[
        [place(f"{side}_{part}") for side in ("left", "right") for part in ("elbow", "hip")]
    ]
    assert (points > (found.window.left, found.window.top)).all()
    assert (points < (found.window.right, found.window.bottom)).all()
    assert found.window.right < 1280


def test_a_guess_at_a_hidden_lifter_is_refused_but_a_dim_one_is_kept() -> None:
    """Behind a back the network guesses: poorly seen, and the hands not quite as under a bar."""
    dim = Pose(lifter(0.5).xy_px, np.full(33, 0.3))
    assert len(find_lifter([BLANK] * 6, [0.0] * 6, lambda image, window: [dim]).shots) == 6
    guess = Pose(dim.xy_px.copy(), dim.visibility)
    guess.xy_px[place("left_wrist"), 1] += 160 * np.tan(np.radians(25.0))
    with pytest.raises(NothingToScreen, match="The lifter is hidden or too dark to see"):
        find_lifter([BLANK] * 6, [0.0] * 6, lambda image, window: [guess])


def test_one_lifter_seen_in_two_ways_is_not_two_lifters() -> None:
    ghost = Pose(lifter(0.5).xy_px + np.array([70.0, 30.0]), np.full(33, 0.7))
    people = link([[lifter(0.5), ghost]] * 6)
    assert len(people) == 2
    np.testing.assert_array_equal(choose(people).xy_px[0], lifter(0.5).xy_px)


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
    assert window.cut(image).shape[:2] == ((height, width) if turns % 2 == 0 else (width, height))
    row, column = np.argwhere(window.cut(image)[..., 0])[0]
    back = window.upright(np.array([column + 0.5, row + 0.5]))
    np.testing.assert_allclose(back, (x + 0.5, y + 0.5), atol=1e-12)


def test_a_window_beyond_the_picture_is_grey_there() -> None:
    image = np.full((10, 20, 3), 7, np.uint8)
    cut = Window(-5, -3, 22, 16).cut(image)
    assert cut.shape == (19, 27, 3)
    assert (cut[3:13, 5:25] == 7).all()
    assert (cut[:3] == 128).all()
    assert (cut[13:] == 128).all()
    assert (cut[:, :5] == 128).all()
    assert (cut[:, 25:] == 128).all()
    np.testing.assert_array_equal(Window(-5, -3, 22, 16).upright(np.array([5.0, 3.0])), [0.0, 0.0])


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


def test_a_lifter_behind_somebody_is_refused() -> None:
    dim = [Pose(lifter(p).xy_px, np.full(33, 0.25)) for p in PHASES]
    with pytest.raises(NothingToScreen, match="arms are hidden or too dark to see"):
        check_lifter(tracks_of(dim))


def test_a_lifter_seen_from_the_side_is_told_so_however_hidden_the_arms() -> None:
    def beside(pose: Pose, seen: float) -> Pose:
        xy = pose.xy_px.copy()
        xy[:, 0] = 640 + 0.2 * (xy[:, 0] - 640)  # shoulders 20 px apart over a trunk of 90
        visibility = np.full(33, 0.05)
        visibility[
            [place(f"{side}_{part}") for side in ("left", "right") for part in ("shoulder", "hip")]
        ] = seen
        return Pose(xy, visibility)

    with pytest.raises(NothingToScreen, match="The phone stood at the side"):
        check_lifter(tracks_of([beside(lifter(p), 0.7) for p in PHASES]))
    with pytest.raises(DimlySeen, match="hidden or too dark"):  # where the trunk is dim too nothing is known
        check_lifter(tracks_of([beside(lifter(p), 0.2) for p in PHASES]))


def joints_with_trunk(share: float) -> np.ndarray:
    xy = np.array([lifter(p).xy_px[[place(name) for name in JOINTS]] for p in PHASES])
    xy[:, 6:, 1] = xy[:, :2, 1] + share * 100  # shoulders are 100 px apart
    return xy


@pytest.mark.parametrize(
    ("share", "level"), [(0.0, True), (0.16, True), (-0.06, True), (0.47, False), (1.2, False)]
)
@pytest.mark.parametrize("turns", [0, 1, 2])
def test_a_trunk_seen_flat_tells_of_a_phone_at_bench_height(share: float, level: bool, turns: int) -> None:
    """Trunks over shoulder widths of rendered lifters: bench height 0.16 at most, 20 deg up 0.47 at least."""
    turn = np.linalg.matrix_power(np.array([[0.0, -1.0], [1.0, 0.0]]), turns)
    xy = joints_with_trunk(share) @ turn.T
    if not level:
        check_height(xy)
        return
    with pytest.raises(NothingToScreen, match="The phone stood at bench height"):
        check_height(xy)


def test_nothing_seen_says_nothing_of_the_height() -> None:
    check_height(np.full((5, 8, 2), np.nan))


def test_a_joint_that_is_not_surely_seen_without_the_landmarker_is_named() -> None:
    poses = [Pose(lifter(p).xy_px, np.full(33, 0.9)) for p in PHASES]
    check_aimed(tracks_of(list(poses)))
    for pose in poses:
        pose.visibility[place("left_elbow")] = 0.45
    with pytest.raises(NothingToScreen, match="The lifter's elbows cannot be told apart"):
        check_aimed(tracks_of(list(poses)))


def test_all_reasons_come_together() -> None:
    with pytest.raises(NothingToScreen) as caught:
        check_lifter(tracks_of([shifted(standing(), 0, 500)] * 10))
    assert len(caught.value.reasons) == 2
