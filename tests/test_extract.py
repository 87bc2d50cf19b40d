"""From a clip to tracks. The flow is tested with a network that reads a stick lifter off the frame's number;
the real network is tested on rendered pictures."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import av
import numpy as np
import pytest
from clips import corners, grey_ramp, ramp_place, write_clip
from numpy.typing import NDArray
from people import lifter, place, standing

import asymscreen
from asymscreen.capture.clip import Frame
from asymscreen.capture.reel import Reel
from asymscreen.errors import ClipError, NothingToScreen
from asymscreen.landmarks import extract as extract_module
from asymscreen.landmarks import follow as follow_module
from asymscreen.landmarks.aimed import AimedWatch, Look, Shot, Sighting, confirmed
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.extract import extract
from asymscreen.landmarks.pair import SWAP, MirrorPair, Window
from asymscreen.landmarks.person import Lifter
from asymscreen.landmarks.refine import Refined
from asymscreen.landmarks.skeleton import BLAZEPOSE, PLACES

IMAGE = NDArray[np.uint8]
SIZE = (192, 160)
See = Callable[[IMAGE], list[Pose]]
Network = Callable[[See], None]
CENTRE = (96.0, 45.0)


def people_in(image: IMAGE) -> list[Pose]:
    """A lifter whose bar height follows the frame's brightness."""
    return [lifter(abs(np.sin(ramp_place(image) / 8)), CENTRE, 40.0)]


class FakePair:
    """Stands in for `MirrorPair`: the same calls, no network."""

    def __init__(self, see: See, poses: int = 3, follow: bool = False) -> None:
        self.see = see

    def __enter__(self) -> FakePair:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def rest(self) -> None:
        return None

    def close(self) -> None:
        return None

    def forget(self, rgb: IMAGE, window: Window) -> None:
        return None

    def people(self, rgb: IMAGE, window: Window) -> list[Pose]:
        return self.see(rgb)

    def submit(self, rgb: IMAGE, window: Window) -> FakePending:
        return FakePending(self.see(rgb))


class FakePending:
    def __init__(self, found: list[Pose]) -> None:
        self.found = found

    def people(self) -> list[Pose]:
        return self.found


@pytest.fixture
def network(monkeypatch: pytest.MonkeyPatch) -> Network:
    def use(see: See) -> None:
        for module in (extract_module, follow_module):
            monkeypatch.setattr(module, "MirrorPair", partial(FakePair, see))
        monkeypatch.setattr(extract_module, "Refiner", Blind)

    return use


class Blind:
    """A refiner that sees nothing."""

    def refine(self, rgb: IMAGE, joints_px: NDArray[np.float64]) -> Refined:
        return Refined(
            np.full((8, 2), np.nan), np.full(8, np.inf), np.full((2, 2), np.nan), np.full(2, np.inf)
        )


class Sharp:
    """A refiner that sees the lifter of `people_in`, moved, wherever it is told to look."""

    moved = np.array([0.0, 10.0])

    def refine(self, rgb: IMAGE, joints_px: NDArray[np.float64]) -> Refined:
        at = people_in(rgb)[0].xy_px[PLACES] + self.moved
        return Refined(at, np.full(8, 0.5), at[4:6], np.full(2, 0.5))

    glance = refine


class Glancing(Sharp):
    """The same; at a glance it sees everything 2 px off."""

    def glance(self, rgb: IMAGE, joints_px: NDArray[np.float64]) -> Refined:
        seen = self.refine(rgb, joints_px)
        return Refined(seen.points_px + 2.0, seen.sigma_px, seen.bar_px, seen.bar_sigma_px)


class Forgetful(Sharp):
    """A refiner as `Sharp`, who loses the lifter in all frames after the thirtieth that are glanced at."""

    def glance(self, rgb: IMAGE, joints_px: NDArray[np.float64]) -> Refined:
        look = Blind().refine if ramp_place(rgb) > 30 else self.refine
        return look(rgb, joints_px)


def ramp(count: int) -> list[IMAGE]:
    return grey_ramp(count, *SIZE)


def test_tracks_follow_the_lifter_at_the_clips_own_times(tmp_path: Path, network: Network) -> None:
    network(people_in)
    path = write_clip(tmp_path / "set.mp4", ramp(50), rate=25)
    tracks = extract(Reel(path))
    assert tracks.names == BLAZEPOSE
    assert tracks.image_size == SIZE
    np.testing.assert_allclose(tracks.time_s, np.arange(50) / 25, atol=2e-5)
    for k in range(50):
        np.testing.assert_array_equal(tracks.xy_px[k], people_in(ramp(50)[k])[0].xy_px)
    assert tracks.visibility.min() == pytest.approx(0.95)


@pytest.mark.parametrize(
    ("rate", "step_s", "stride"), [(24, None, 1), (30, None, 1), (60, None, 2), (240, None, 8), (60, 0.1, 6)]
)
def test_fast_clips_are_thinned(
    tmp_path: Path, network: Network, rate: int, step_s: float | None, stride: int
) -> None:
    network(people_in)
    path = write_clip(tmp_path / "set.mp4", ramp(50), rate=rate)
    expected = np.arange(0, 50, stride) / rate
    np.testing.assert_allclose(extract(Reel(path), step_s=step_s).time_s, expected, atol=2e-5)


def test_a_frame_without_the_lifter_is_a_row_of_nan(tmp_path: Path, network: Network) -> None:
    network(lambda image: [] if ramp_place(image) in (7, 8, 30) else people_in(image))
    tracks = extract(Reel(write_clip(tmp_path / "set.mp4", ramp(40))))
    assert len(tracks) == 40
    assert np.flatnonzero(np.isnan(tracks.xy_px).all(axis=(1, 2))).tolist() == [7, 8, 30]
    assert (tracks.visibility[[7, 8, 30]] == 0).all()
    assert np.isfinite(np.delete(tracks.xy_px, [7, 8, 30], axis=0)).all()


def test_observer_and_progress_hear_of_every_frame_in_order(tmp_path: Path, network: Network) -> None:
    network(lambda image: [] if ramp_place(image) == 5 else people_in(image))
    heard: list[tuple[int, int, bool]] = []
    done: list[tuple[int, int]] = []

    def observe(frame: Frame, xy_px: NDArray[np.float64]) -> None:
        heard.append((frame.index, ramp_place(frame.rgb), bool(np.isfinite(xy_px).all())))

    path = write_clip(tmp_path / "set.mp4", ramp(20))
    extract(Reel(path), observe=observe, progress=lambda now, total: done.append((now, total)))
    assert heard == [(k, k, k != 5) for k in range(20)]
    assert done == [(k + 1, 20) for k in range(20)]


def test_a_clip_stored_mirrored_is_turned_back(tmp_path: Path, network: Network) -> None:
    seen: list[IMAGE] = []

    def see(image: IMAGE) -> list[Pose]:
        seen.append(image)
        return [lifter(1.0, CENTRE, 40.0)]

    network(see)
    path = write_clip(tmp_path / "selfie.mp4", [corners(*SIZE)] * 16)
    extract(Reel(path, mirrored=True))
    turned = seen.copy()
    seen.clear()
    extract(Reel(path))
    assert len(turned) == len(seen) > 16
    for a, b in zip(turned, seen, strict=True):
        np.testing.assert_array_equal(a, b[:, ::-1])


def test_the_spotter_does_not_enter_the_tracks(tmp_path: Path, network: Network) -> None:
    def see(image: IMAGE) -> list[Pose]:
        people = [standing((96.0, 15.0), 40.0), *people_in(image)]
        return people[:: 1 if ramp_place(image) % 2 else -1]

    network(see)
    tracks = extract(Reel(write_clip(tmp_path / "set.mp4", ramp(40))))
    assert (tracks.xy_px[:, place("nose"), 1] > 20).all()


@pytest.mark.parametrize("seen", ["nobody", "somebody else"])
def test_where_the_landmarker_errs_the_refiner_says_where_the_lifter_is(
    seen: str, tmp_path: Path, network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    network(lambda image: [] if seen == "nobody" else [lifter(0.5, (150.0, 45.0), 40.0)])
    monkeypatch.setattr(extract_module, "Refiner", Sharp)
    heard: list[int] = []
    path = write_clip(tmp_path / "set.mp4", ramp(40))
    tracks = extract(Reel(path), observe=lambda frame, _: heard.append(frame.index))
    assert heard == list(range(40))
    for k, image in enumerate(ramp(40)):
        expected = people_in(image)[0].xy_px[place("left_wrist")] + Sharp.moved
        np.testing.assert_allclose(tracks.xy_px[k, place("left_wrist")], expected)
    assert np.isnan(tracks.points("nose")).all()


def test_the_refiner_follows_whom_the_landmarker_found(
    tmp_path: Path, network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A quarter of a shoulder width apart the two still mean the same joints."""
    network(people_in)
    monkeypatch.setattr(extract_module, "Refiner", Sharp)
    tracks = extract(Reel(write_clip(tmp_path / "set.mp4", ramp(40))))
    for k, image in enumerate(ramp(40)):
        expected = people_in(image)[0].xy_px[PLACES[:6]] + Sharp.moved
        np.testing.assert_allclose(tracks.xy_px[k, PLACES[:6]], expected)
    assert np.isnan(tracks.points("nose")).all()


@pytest.mark.parametrize(
    ("agrees", "finds", "expected"),
    [
        (True, True, ["glance"]),
        (True, False, ["glance"]),
        (False, True, ["refine"]),
        (False, False, ["watch"]),
    ],
)
def test_who_follows_is_the_first_who_sees_the_lifter(
    agrees: bool,
    finds: bool,
    expected: list[str],
    tmp_path: Path,
    network: Network,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The refiner where it confirms the landmarker, else where it finds somebody; else the landmarker."""
    network(people_in)
    followers: list[str] = []

    def aimed(look: Look, shots: list[Shot], rounds: int = 1) -> AimedWatch:
        followers.append(look.__name__)
        return AimedWatch(look, shots, rounds)

    def watch(pair: MirrorPair, found: Lifter) -> follow_module.Watch:
        followers.append("watch")
        return follow_module.Watch(pair, found)

    monkeypatch.setattr(extract_module, "AimedWatch", aimed)
    monkeypatch.setattr(extract_module, "Watch", watch)
    monkeypatch.setattr(extract_module, "Refiner", Glancing)
    if not agrees:
        monkeypatch.setattr(extract_module, "confirmed", lambda *_: None)
    if not finds:
        monkeypatch.setattr(extract_module, "find_aim", lambda *_: None)
    tracks = extract(Reel(write_clip(tmp_path / "set.mp4", ramp(40))))
    assert followers == expected
    shift = {"glance": Glancing.moved + 2.0, "refine": Glancing.moved, "watch": 0.0}[expected[0]]
    for k, image in enumerate(ramp(40)):
        wrist = people_in(image)[0].xy_px[place("left_wrist")] + shift
        np.testing.assert_allclose(tracks.xy_px[k, place("left_wrist")], wrist)


@pytest.mark.parametrize(
    ("first", "last", "by_refiner"),
    [(0, 40, True), (0, 20, True), (10, 40, True), (0, 10, False), (22, 40, False)],
)
def test_two_of_three_pictures_confirm_the_landmarker(
    first: int, last: int, by_refiner: bool, tmp_path: Path, network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked about are pictures near the clip's beginning, middle and end; it agrees in those from `first` to
    `last`."""
    network(people_in)
    asked: list[int] = []

    def agreed(look: Look, rgb: IMAGE, joints_px: NDArray[np.float64]) -> Sighting | None:
        asked.append(ramp_place(rgb))
        return confirmed(look, rgb, joints_px) if first <= asked[-1] <= last else None

    monkeypatch.setattr(extract_module, "Refiner", Sharp)
    monkeypatch.setattr(extract_module, "confirmed", agreed)
    monkeypatch.setattr(extract_module, "find_aim", lambda *_: None)
    tracks = extract(Reel(write_clip(tmp_path / "set.mp4", ramp(40))))
    assert np.isnan(tracks.points("nose")).all() == by_refiner
    assert len(set(asked)) == len(asked) <= extract_module.CONFIRMING


@pytest.mark.parametrize(("frames", "by_refiner"), [(36, True), (48, False)])
def test_a_refiner_that_loses_the_lifter_gives_way_to_the_landmarker(
    frames: int, by_refiner: bool, tmp_path: Path, network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of all frames it may lose a fifth; nobody is found by it unaided here."""
    network(people_in)
    monkeypatch.setattr(extract_module, "Refiner", Forgetful)
    monkeypatch.setattr(extract_module, "find_aim", lambda *_: None)
    heard: list[int] = []
    path = write_clip(tmp_path / "set.mp4", ramp(frames))
    tracks = extract(Reel(path), observe=lambda frame, _: heard.append(frame.index))
    assert heard == list(range(frames))  # each once, also where the clip is looked through again
    assert np.isnan(tracks.points("nose")).all() == by_refiner
    assert np.isfinite(tracks.points("left_wrist")[:, 0, 0]).mean() == (31 / 36 if by_refiner else 1.0)


def test_nobody_seen_and_a_bad_file(tmp_path: Path, network: Network) -> None:
    network(lambda image: [])
    with pytest.raises(NothingToScreen, match="No person was found"):
        extract(Reel(write_clip(tmp_path / "empty.mp4", ramp(20))))
    with pytest.raises(ClipError, match="found no such file"):
        Reel(tmp_path / "gone.mp4")


# ---------------------------------------------------------------- with the real network

STANDING = Path(__file__).parent / "data" / "standing.jpg"


def standing_clip(path: Path, dim: float = 1.0) -> Path:
    with av.open(str(STANDING)) as container:
        image = next(container.decode(video=0)).to_ndarray(format="rgb24")
    return write_clip(path, [(dim * np.roll(image, k % 4, axis=1)).astype(np.uint8) for k in range(16)])


def test_a_person_standing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NothingToScreen, match="Nobody in the picture holds a bar over the chest"):
        extract(Reel(standing_clip(tmp_path / "standing.mp4")))


def test_a_nearly_black_clip_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NothingToScreen, match=r"No person was found in the clip.* in enough light"):
        extract(Reel(standing_clip(tmp_path / "dark.mp4", dim=0.02)))


def test_an_empty_gym_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NothingToScreen, match="No person was found"):
        extract(Reel(write_clip(tmp_path / "empty.mp4", [corners(320, 240)] * 16)))


DEMO = Path(asymscreen.__file__).parent / "demo" / "demo.mp4"


def test_a_mirrored_clip_gives_the_mirrored_tracks() -> None:
    """With the real network on a real clip, following and searching and all."""
    plain = extract(Reel(DEMO), step_s=0.5)
    turned = extract(Reel(DEMO, mirrored=True), step_s=0.5)
    xy_px = turned.xy_px[:, SWAP].copy()
    xy_px[..., 0] = plain.image_size[0] - xy_px[..., 0]
    assert len(plain) > 10
    assert np.isfinite(plain.xy_px[:, PLACES]).all()
    np.testing.assert_allclose(xy_px, plain.xy_px, atol=0.3)  # crops are cut to a fraction of a pixel
    np.testing.assert_allclose(turned.visibility[:, SWAP], plain.visibility, atol=0.01)


def test_the_demos_lifter_is_found_in_every_frame_and_presses() -> None:
    tracks = extract(Reel(DEMO), step_s=0.2)
    wrists = tracks.points("left_wrist", "right_wrist")[..., 1]
    shoulders = tracks.points("left_shoulder", "right_shoulder")
    width = float(np.median(np.linalg.norm(shoulders[:, 0] - shoulders[:, 1], axis=1)))
    # both hands travel together, by more than half a shoulder width in the picture
    assert (np.ptp(wrists, axis=0) > 0.5 * width).all()
    assert np.corrcoef(wrists.T)[0, 1] > 0.9
    # seen from the front, the lifter's left is on the right of the picture
    assert (shoulders[:, 0, 0] > shoulders[:, 1, 0]).all()
    assert np.median(tracks.seen("left_elbow", "right_elbow", "left_wrist", "right_wrist")) > 0.7
