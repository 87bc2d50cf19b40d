"""Find and follow a lifter by the refiner alone.

It follows whom the landmarker found, nearer to the joints than the landmarker does. It also finds a lifter
where the landmarker sees nobody, or somebody dimly: from bench height the thighs hide the trunk, and in poor
light the limbs sink into the dark, but the refiner, which only has to be told where to look, still reads the
joints from the picture, and its own standard deviations tell when it does not. Nothing is taken from it that
it is not sure of.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import NothingToScreen
from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.pair import CORE, trunk_size
from asymscreen.landmarks.person import HANDS_FREE, SURE_HANDS, under_a_bar
from asymscreen.landmarks.refine import Refined, crop_side
from asymscreen.landmarks.skeleton import BLAZEPOSE, HIP_HABIT, JOINTS, PLACES

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
Look = Callable[[Image, FloatArray], Refined]
Shot = tuple[float, FloatArray]

SURE_SHARE = 0.04
"""Standard deviation of a joint, as a share of the crop's side, up to which it counts as seen. Lifters that
were read rightly had 0.033 at most in their worst joint (an elbow behind a knee, 16 px off of 960, 0.053); an
empty gym, somebody standing, a view from the side and a lifter in the dark 0.049 at least."""
ROUNDS = 3  # looks until the crop lies well around the joints
SETTLED = 0.02  # of the crop's side; joints that move less from one look to the next have come to rest
CENTRES = ((0.5, 0.5), (0.3, 0.5), (0.7, 0.5))
"""Where in the picture a lifter is looked for, shares of width and height."""
SHOULDERS = (0.1, 0.16)  # how wide the shoulders may be, shares of the picture's longer side
STICK = np.array(
    [(0.5, 0), (-0.5, 0), (0.9, -0.2), (-0.9, -0.2), (1, -0.9), (-1, -0.9), (0.35, 0.5), (-0.35, 0.5)]
)
"""Someone pressing, seen from the foot end: `JOINTS` in shoulder widths around the neck, y down."""
TRIALS = 3  # frames in which a lifter is looked for afresh before it is given up
SEEN_AGAIN = 0.6  # of the scout's frames; who is found in fewer is a chance find
AGREES = 0.4
"""Shoulder widths between landmark and refined joint, in the median, that are one joint seen twice: right
landmarks lie within 0.15, those of a lifter filmed from bench height were 1.2 off."""
APART = 1.0  # shoulder widths between the middles of two shoulder lines that are two people
STAYS = 0.6  # of the trunk's size; how far the lifter's trunk may lie from where it was


@dataclass(frozen=True)
class Sighting:
    """Joints read from one picture: (8, 2) pixels, and (8,) standard deviations in shares of the crop's
    side."""

    joints_px: FloatArray
    share: FloatArray

    @property
    def sure(self) -> bool:
        """Whether every joint is seen."""
        return bool(self.share.max() <= SURE_SHARE)

    @property
    def pose(self) -> Pose:
        """As landmarks: the eight joints, hips where the landmarker puts them, and nothing else; half
        visible at SURE_SHARE."""
        xy, visibility = np.full((len(BLAZEPOSE), 2), np.nan), np.zeros(len(BLAZEPOSE))
        joints = self.joints_px.copy()
        joints[6:] = (joints[6:] + HIP_HABIT * joints[:2]) / (1 + HIP_HABIT)
        xy[PLACES], visibility[PLACES] = joints, 1 / (1 + (self.share / SURE_SHARE) ** 2)
        return Pose(xy, visibility)


def read(look: Look, rgb: Image, guess: FloatArray, rounds: int = ROUNDS) -> Sighting | None:
    """The joints around a guess (8, 2) in pixels, looked at until they rest; None where there is nothing."""
    for _ in range(rounds):
        found = look(rgb, guess)
        if not np.isfinite(found.points_px).all():
            return None
        side = crop_side(found.points_px)
        moved = float(np.linalg.norm(found.points_px - guess, axis=1).max())
        guess = found.points_px
        if moved < SETTLED * side:
            break
    return Sighting(guess, found.sigma_px / side)


def confirmed(look: Look, rgb: Image, joints_px: FloatArray) -> Sighting | None:
    """What the refiner sees, told to look at these joints (8, 2), where it surely sees the arms' six about
    there; else None."""
    seen = read(look, rgb, joints_px)
    if seen is None or not seen.sure:
        return None
    away = np.linalg.norm(seen.joints_px[:6] - joints_px[:6], axis=1)
    agreed = np.median(away) <= AGREES * np.hypot(*(seen.joints_px[0] - seen.joints_px[1]))
    return seen if agreed else None


def find_aim(
    images: Sequence[Image], times: Sequence[float], look: Look, at: tuple[float, float] | None = None
) -> list[Shot] | None:
    """Where the lifter is in a few frames: (seconds, joints (8, 2) in pixels); None if nobody is surely seen.

    images  upright frames of one size, at `times` in seconds
    look    reads the joints of a picture around a guess (`Refiner.refine`)
    at      a point on the lifter, pixels, where somebody says who it is
    Raises NothingToScreen if two people could be the lifter.
    """
    middle = sorted(range(len(images)), key=lambda k: abs(k - len(images) // 2))
    for k in middle[:TRIALS]:
        found = _everybody(look, images[k], at)
        if len(found) > 1:
            raise NothingToScreen(
                "Two people in the picture could be the lifter: frame one of them only and film again."
            )
        if found:
            seen = [(t, read(look, rgb, found[0].joints_px)) for t, rgb in zip(times, images, strict=True)]
            shots = [(t, sighting) for t, sighting in seen if sighting is not None and sighting.sure]
            if len(shots) >= SEEN_AGAIN * len(images) and _presses(shots):
                return [(t, sighting.joints_px) for t, sighting in shots]
    return None


def _presses(shots: Sequence[tuple[float, Sighting]]) -> bool:
    return under_a_bar(np.array([sighting.pose.xy_px for _, sighting in shots])) > SURE_HANDS


def _everybody(look: Look, rgb: Image, at: tuple[float, float] | None) -> list[Sighting]:
    """Everybody who is surely seen from one of the places to look at, each once."""
    height, width = rgb.shape[:2]
    centres = [(x * width, y * height) for x, y in CENTRES] if at is None else [at]
    people: list[Sighting] = []
    for centre in centres:
        for wide in SHOULDERS:
            seen = read(look, rgb, STICK * wide * max(width, height) + np.array(centre))
            if seen is None or not seen.sure or under_a_bar(seen.pose.xy_px[None]) <= HANDS_FREE:
                continue
            if not any(_same(seen, other) for other in people):
                people.append(seen)
    return people


def _same(a: Sighting, b: Sighting) -> bool:
    middles, widths = zip(
        *((s.joints_px[:2].mean(axis=0), np.hypot(*(s.joints_px[0] - s.joints_px[1]))) for s in (a, b)),
        strict=True,
    )
    return bool(np.hypot(*(middles[0] - middles[1])) < APART * max(widths))


class AimedWatch:
    """The lifter frame by frame, each frame looked at where the lifter was two frames before, two side by
    side. Use with `with`.

    look     reads the joints of a picture around a guess, asked by two threads at a time
    shots    where the lifter is in a few frames
    rounds   looks at a frame at most
    """

    def __init__(self, look: Look, shots: Sequence[Shot], rounds: int = 1) -> None:
        self._look = look
        self._shots = shots
        self._rounds = rounds
        self._last: FloatArray | None = None
        self._threads = ThreadPoolExecutor(2, thread_name_prefix="aimed")

    def submit(self, time_s: float, rgb: Image) -> Future[Sighting | None]:
        """Begin on the next frame."""
        guess = self._known(time_s) if self._last is None else self._last
        return self._threads.submit(self._read, rgb, guess)

    def settle(self, time_s: float, rgb: Image, begun: Future[Sighting | None]) -> Pose | None:
        """The lifter in a frame that was begun on, or None where they are not surely where they were."""
        known = self._known(time_s)
        seen = begun.result()
        if not _settled(seen, known):
            seen = self._threads.submit(self._read, rgb, known).result()
        if seen is None or not _settled(seen, known):
            self._last = None
            return None
        self._last = seen.joints_px
        return seen.pose

    def _read(self, rgb: Image, guess: FloatArray) -> Sighting | None:
        return read(self._look, rgb, guess, self._rounds)

    def _known(self, time_s: float) -> FloatArray:
        return min(self._shots, key=lambda shot: abs(shot[0] - time_s))[1]

    def __enter__(self) -> AimedWatch:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._threads.shutdown()


def _settled(seen: Sighting | None, known: FloatArray) -> bool:
    """Whether the joints are mostly seen surely, where the lifter is known to be."""
    return seen is not None and float(np.median(seen.share)) <= SURE_SHARE and _stays(seen, known)


def _stays(seen: Sighting, known: FloatArray) -> bool:
    """Whether shoulders and hips lie about where the scout saw them (8, 2)."""
    pose, before = seen.pose, Sighting(known, np.zeros(len(JOINTS))).pose
    core = list(CORE)
    away = np.linalg.norm(pose.xy_px[core] - before.xy_px[core], axis=1).mean()
    return bool(away <= STAYS * max(trunk_size(pose), trunk_size(before)))
