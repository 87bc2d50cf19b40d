"""Keep to the lifter through the clip.

The network looks where it saw the lifter in the frame before, which is steadier than a new search in every
frame: a search is led astray by a spotter, and by legs that leave the picture, as in the steep foot-end
view. Where following goes wrong, which shows as a frame and its mirror image that disagree, the frame is
searched as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from asymscreen.landmarks.detector import Pose
from asymscreen.landmarks.pair import GREY, MirrorPair, Pending, Window, distance
from asymscreen.landmarks.person import Lifter, window_around
from asymscreen.landmarks.skeleton import BLAZEPOSE

Image = NDArray[np.uint8]

SAME_TRACK = 0.6  # of the trunk's size; how far the lifter's trunk may lie from where it was
MEMORY_S = 0.5  # seconds after which a lost lifter is expected where the scout saw them
DOUBTFUL = 0.6  # trust below which a frame is also searched
LOST = 0.3  # trust below which following starts anew
LEG_ROOM = 0.25  # of the picture's height or width, grey, added where the legs leave the picture

_LEGS = [k for k, name in enumerate(BLAZEPOSE) if name.endswith(("knee", "ankle", "heel", "foot_index"))]
_ARMS = [k for k, name in enumerate(BLAZEPOSE) if name.endswith(("shoulder", "elbow", "wrist"))]


class Watch:
    """The lifter of a clip, frame by frame. Use with `with`.

    searcher   detectors that search whole pictures, as the scout used them; they rest until a frame is unsure
    lifter     the scout's result
    """

    def __init__(self, searcher: MirrorPair, lifter: Lifter) -> None:
        self._searcher = searcher
        self._window = lifter.window
        self._shots = [(time_s, pose) for time_s, _, pose in lifter.shots]  # no pictures: 6 MB each
        self._last: tuple[float, Pose] | None = None
        searcher.rest()
        self._follower = MirrorPair(poses=1, follow=True)
        self._view = view_of(lifter)
        _, image, pose = max(lifter.shots, key=lambda shot: trust(shot[2]))
        self._begin(image, pose)

    def submit(self, time_s: float, rgb: Image) -> Pending:
        """Begin on the next frame."""
        return self._follower.submit(rgb, self._view)

    def settle(self, time_s: float, rgb: Image, pending: Pending) -> Pose | None:
        """The lifter in a frame that was begun on, or None."""
        chosen = self._nearest(time_s, pending.people())
        followed = trust(chosen)
        if followed < DOUBTFUL:
            searched = self._nearest(time_s, self._searcher.people(rgb, self._window))
            chosen = max(chosen, searched, key=trust)
        if chosen is None:
            return None
        self._last = (time_s, chosen)
        if followed < LOST < trust(chosen):
            self._begin(rgb, chosen)
        return chosen

    def _nearest(self, time_s: float, people: Sequence[Pose]) -> Pose | None:
        reference = self._reference(time_s)
        near = min(people, key=lambda pose: distance(reference, pose), default=None)
        return near if near is not None and distance(reference, near) <= SAME_TRACK else None

    def _reference(self, time_s: float) -> Pose:
        if self._last and time_s - self._last[0] <= MEMORY_S:
            return self._last[1]
        return min(self._shots, key=lambda shot: abs(shot[0] - time_s))[1]

    def _begin(self, rgb: Image, pose: Pose) -> None:
        """Show the follower the lifter alone: everything away from them is grey."""
        height, width = rgb.shape[:2]
        part = window_around(pose.xy_px[None], Window(0, 0, width, height))
        alone = np.full_like(rgb, GREY)
        inside = (slice(part.top, part.bottom), slice(part.left, part.right))
        alone[inside] = rgb[inside]
        self._follower.forget(rgb, self._view)
        self._follower.people(alone, self._view)

    def __enter__(self) -> Watch:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._follower.close()


def trust(pose: Pose | None) -> float:
    """0 to 1: mean visibility of shoulders, elbows and wrists; 0 for nobody."""
    return 0.0 if pose is None else float(pose.visibility[_ARMS].mean())


def view_of(lifter: Lifter) -> Window:
    """The whole picture, with grey leg room on each side where the lifter's legs leave it."""
    height, width = lifter.shots[0][1].shape[:2]
    legs = np.median([pose.xy_px[_LEGS] for _, _, pose in lifter.shots], axis=0)
    room_x, room_y = round(LEG_ROOM * width), round(LEG_ROOM * height)
    return Window(
        left=-room_x if legs[:, 0].min() < 0 else 0,
        top=-room_y if legs[:, 1].min() < 0 else 0,
        right=width + (room_x if legs[:, 0].max() > width else 0),
        bottom=height + (room_y if legs[:, 1].max() > height else 0),
    )
