"""Landmarks of a picture and of its mirror image, averaged, so that neither side is favoured.

The network leans to one side: on a mirror-symmetric lifter it sees a difference. Averaging what it says of
the picture with what it says of the mirror image (left and right names swapped back) removes that lean: a
mirrored clip gives the mirrored tracks and nothing else.

Coordinates are continuous pixels: (0, 0) is the picture's upper left corner, (width, height) its lower right.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.detector import MAX_POSES, Detector, Pose
from asymscreen.landmarks.skeleton import BLAZEPOSE, MIRROR

Image = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

SWAP = np.array([BLAZEPOSE.index(MIRROR[name]) for name in BLAZEPOSE])
"""(33,) place of each landmark's namesake on the other side."""

CORE = tuple(BLAZEPOSE.index(f"{side}_{part}") for part in ("shoulder", "hip") for side in ("left", "right"))
GREY = 128  # fills a window beyond the picture; black and the picture's own edge gave worse landmarks
SAME_PERSON = 0.3  # of the trunk's size; nearer trunks are one person (swapped sides are about 0.5 apart)
END_ON = 0.05  # trunk length times width in squared trunk sizes; below it front and back look alike
DISAGREEMENT = 0.1  # of the trunk's size between the two looks at a landmark: its visibility is halved
BEHIND = 0.25  # visibility is multiplied by this for somebody upright who is seen from behind
ONE_SIDED = 0.25  # visibility is multiplied by this where only one of picture and mirror image saw someone


@dataclass(frozen=True)
class Window:
    """A part of the upright picture, given to the network after `turns` quarter turns counter-clockwise.

    left, top, right, bottom   pixels of the upright picture, right and bottom just outside the part; where it
                               reaches over the picture's edge it is filled with grey
    """

    left: int
    top: int
    right: int
    bottom: int
    turns: int = 0

    def cut(self, rgb: Image) -> Image:
        height, width = rgb.shape[:2]
        inside = rgb[max(0, self.top) : self.bottom, max(0, self.left) : self.right]
        over = (
            (max(0, -self.top), max(0, self.bottom - height)),
            (max(0, -self.left), max(0, self.right - width)),
        )
        if any(map(any, over)):
            inside = np.pad(inside, (*over, (0, 0)), constant_values=GREY)
        return np.ascontiguousarray(np.rot90(inside, self.turns))

    def upright(self, xy: FloatArray) -> FloatArray:
        """(…, 2) points of the cut picture to points of the upright picture."""
        x, y = xy[..., 0], xy[..., 1]
        width, height = self.right - self.left, self.bottom - self.top
        back = {0: (x, y), 1: (width - y, x), 2: (width - x, height - y), 3: (y, height - x)}
        points: FloatArray = np.stack(back[self.turns % 4], axis=-1) + np.array([self.left, self.top])
        return points


@dataclass(frozen=True)
class Pending:
    """A picture that the two detectors are at work on."""

    plain: Future[list[Pose]]
    mirrored: Future[list[Pose]]
    window: Window
    cut_width: int

    def people(self) -> list[Pose]:
        """People in the window, mirror-averaged, in pixels of the upright picture."""
        plain = [from_the_front(pose) for pose in self.plain.result()]
        others = [from_the_front(unmirrored(pose, self.cut_width)) for pose in self.mirrored.result()]
        merged = merge(plain, others)
        return [Pose(self.window.upright(pose.xy_px), pose.visibility) for pose in merged]


def unmirrored(pose: Pose, width: int) -> Pose:
    """What was found in the mirror image of a picture `width` pixels wide, put back into the picture."""
    xy = pose.xy_px[SWAP].copy()
    xy[:, 0] = width - xy[:, 0]
    return Pose(xy, pose.visibility[SWAP])


def from_the_front(pose: Pose) -> Pose:
    """The same points with left and right named as of a body seen from its front.

    A lifter lies on the back and every view that is screened is from above, so the front is what shows. Seen
    from the head end the network at times takes it for a back and swaps the sides. A trunk seen end on (too
    short in the picture to tell) is left as it is. A back with the hips below it in the picture is somebody
    standing between the camera and the lifter: the sight of them counts for little.
    """
    ls, rs, lh, rh = pose.xy_px[list(CORE)]
    trunk = (lh + rh - ls - rs) / 2
    across = (ls - rs, lh - rh)
    size = trunk_size(pose)
    # x right, y down: a front seen upright has the hips below (0, 1) and the left on the right (1, 0)
    backs = [trunk[0] * side[1] - trunk[1] * side[0] > END_ON * size * size for side in across]
    if not all(backs):
        return pose
    standing = trunk[1] > abs(trunk[0])
    return Pose(pose.xy_px[SWAP], (BEHIND if standing else 1.0) * pose.visibility[SWAP])


def merge(plain: list[Pose], mirrored: list[Pose]) -> list[Pose]:
    """Average the people of both lists that are the same person; keep those seen once, with less visibility.

    The nearest two trunks are joined first, so that the order of the lists plays no part.
    """
    left, right = list(plain), list(mirrored)
    merged: list[Pose] = []
    while left and right:
        apart = np.array([[distance(a, b) for b in right] for a in left])
        i, j = np.unravel_index(int(np.argmin(apart)), apart.shape)
        if apart[i, j] > SAME_PERSON:
            break
        a, b = left.pop(int(i)), right.pop(int(j))
        merged.append(_average(a, b))
    return merged + [Pose(pose.xy_px, ONE_SIDED * pose.visibility) for pose in left + right]


def _average(a: Pose, b: Pose) -> Pose:
    """Mean of two looks at one person; a landmark that they place differently is seen less well."""
    apart = np.linalg.norm(a.xy_px - b.xy_px, axis=1) / max(trunk_size(a), trunk_size(b), 1.0)
    trust = 1.0 / (1.0 + (apart / DISAGREEMENT) ** 2)
    return Pose((a.xy_px + b.xy_px) / 2, trust * (a.visibility + b.visibility) / 2)


def distance(a: Pose, b: Pose) -> float:
    """How far apart two trunks lie: mean distance of shoulders and hips over the larger trunk's size."""
    size = max(trunk_size(a), trunk_size(b), 1.0)
    return float(np.linalg.norm(a.xy_px[list(CORE)] - b.xy_px[list(CORE)], axis=1).mean()) / size


def trunk_size(pose: Pose) -> float:
    """Root of the summed squares of shoulder width, hip width and trunk length, pixels."""
    ls, rs, lh, rh = pose.xy_px[list(CORE)]
    parts = (ls - rs, lh - rh, (ls + rs - lh - rh) / 2)
    return float(np.sqrt(sum(float(part @ part) for part in parts)))


class MirrorPair:
    """Two detectors, each on its own thread, for a picture and for its mirror image. Use with `with`.

    poses, follow   as in `Detector`
    """

    def __init__(self, poses: int = MAX_POSES, follow: bool = False) -> None:
        self._kind = (poses, follow)
        self._threads = tuple(ThreadPoolExecutor(1, thread_name_prefix="landmarks") for _ in range(2))
        self._detectors: tuple[Detector, ...] = ()
        self._load(2)

    def submit(self, rgb: Image, window: Window) -> Pending:
        """Begin on a picture, after those begun before; `Pending.people()` waits for what was found."""
        import cv2  # not needed to judge tracks, for which this module is imported too

        self._load(2 if self._kind[1] else 1)
        cut = window.cut(rgb)
        looks = (cut, np.asarray(cv2.flip(cut, 1), dtype=np.uint8))
        last = len(self._detectors) - 1
        plain, mirrored = (
            self._threads[k].submit(self._detectors[k].detect, look)
            for k, look in zip((0, last), looks, strict=True)
        )
        return Pending(plain, mirrored, window, cut.shape[1])

    def people(self, rgb: Image, window: Window) -> list[Pose]:
        """People in the window, mirror-averaged, in pixels of the upright picture."""
        return self.submit(rgb, window).people()

    def forget(self, rgb: Image, window: Window) -> None:
        """Lose whoever is being followed in that window."""
        height, width = window.cut(rgb).shape[:2]
        for thread, detector in zip(self._threads, self._detectors, strict=False):
            thread.submit(detector.forget, height, width)

    def rest(self) -> None:
        """Free the networks, 150 MB each, once they have seen what was begun. The next picture loads one that
        looks at the mirror image too, with the same result in twice the time; followers begin anew."""
        for thread, detector in zip(self._threads, self._detectors, strict=False):
            thread.submit(detector.close).result()
        self._detectors = ()

    def close(self) -> None:
        self.rest()
        for thread in self._threads:
            thread.shutdown()

    def _load(self, count: int) -> None:
        if not self._detectors:
            made = [thread.submit(Detector, *self._kind) for thread in self._threads[:count]]
            self._detectors = tuple(future.result() for future in made)

    def __enter__(self) -> MirrorPair:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
