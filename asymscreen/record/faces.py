"""Faces blurred in key frames, placed by the landmarks of nose, eyes and ears."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from asymscreen.document import KeyFrame, ScreenDocument
from asymscreen.errors import DocumentError
from asymscreen.motion.tracks import Tracks

FACE = (
    "nose", "left_eye", "right_eye", "left_eye_inner", "right_eye_inner", "left_eye_outer",
    "right_eye_outer", "left_ear", "right_ear", "mouth_left", "mouth_right",
)  # fmt: skip
FACE_REACH = 0.55
"""Least radius of the blurred disc as a share of the shoulders' width: a head is about as wide as that."""
FACE_MARGIN = 1.7
"""The disc's radius over the farthest face landmark's distance from the middle."""
NEAR_S = 0.5
"""Landmarks this near in time stand in for those of the key frame, seconds."""
MOSAIC = 10
"""The disc is first reduced to this many blocks across, so that nothing can be sharpened out of it."""

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
Disc = tuple[float, float, float]


def blur_faces(
    document: ScreenDocument, images: Mapping[str, bytes], tracks: Tracks | None
) -> dict[str, bytes]:
    """Every key frame with the lifter's face blurred: name to JPEG bytes.

    The face is where the landmarks say, else beyond the shoulders seen from the hips. Where neither is known
    the picture is left out: a face that cannot be found cannot be hidden. Other people are not looked for.
    """
    frames = {frame.image: frame for frame in document.keyframes}
    size = (document.clip.width, document.clip.height)
    blurred = {}
    for name, data in images.items():
        frame = frames.get(name)
        disc = None if frame is None else face_disc(frame, tracks, size)
        if disc is not None:
            blurred[name] = blur_disc(data, disc, size, name)
    return blurred


def face_disc(frame: KeyFrame, tracks: Tracks | None, size: tuple[int, int]) -> Disc | None:
    """(x, y, radius) in pixels of the clip's picture that covers the face; None where nothing tells."""
    near = _near(frame, tracks, FACE)
    shoulders = _shoulders(frame, tracks)
    width = None if shoulders is None else float(np.linalg.norm(shoulders[0] - shoulders[1]))
    if len(near):
        middle = near.mean(axis=0)
        reach = FACE_MARGIN * float(np.linalg.norm(near - middle, axis=1).max())
        return (float(middle[0]), float(middle[1]), max(reach, FACE_REACH * (width or 0.1 * size[0])))
    hips = _pair(frame, tracks, "hip")
    if shoulders is None or hips is None or width is None:
        return None
    up = shoulders.mean(axis=0) - hips.mean(axis=0)
    length = float(np.linalg.norm(up))
    if length < 1:
        return None
    middle = shoulders.mean(axis=0) + 0.7 * width * up / length
    return (float(middle[0]), float(middle[1]), 1.2 * width)


def blur_disc(data: bytes, disc: Disc, size: tuple[int, int], name: str = "key frame") -> bytes:
    """A JPEG with a disc made unreadable; `disc` in pixels of a picture of `size`, scaled to this one.

    DocumentError for bytes that are no picture. The new JPEG carries no metadata.
    """
    import cv2

    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if image is None:
        raise DocumentError(f"{name}: expected a JPEG picture, got {len(data)} bytes of something else")
    height, width = image.shape[:2]
    sx, sy = width / size[0], height / size[1]
    radius = max(disc[2] * max(sx, sy), 2.0)
    out = _hidden(image.astype(np.uint8), (disc[0] * sx, disc[1] * sy), radius)
    return bytes(cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes())


def _hidden(image: Image, middle: tuple[float, float], radius: float) -> Image:
    import cv2

    height, width = image.shape[:2]
    blocks = max(1, round(MOSAIC * width / (2 * radius))), max(1, round(MOSAIC * height / (2 * radius)))
    coarse = cv2.resize(image, blocks, interpolation=cv2.INTER_AREA)
    soft = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
    y, x = np.ogrid[:height, :width]
    inside = (x - middle[0]) ** 2 + (y - middle[1]) ** 2 <= radius**2
    return np.where(inside[..., None], soft, image).astype(np.uint8)


def _near(frame: KeyFrame, tracks: Tracks | None, names: tuple[str, ...]) -> FloatArray:
    """(K, 2) median places of the named landmarks near the key frame's time; those unseen left out."""
    if tracks is None or not len(tracks):
        return np.empty((0, 2))
    close = np.abs(tracks.time_s - frame.time_s) <= NEAR_S
    nearest = np.abs(tracks.time_s - frame.time_s) <= np.abs(tracks.time_s - frame.time_s).min() + 1e-9
    for chosen in (nearest, close):
        points = tracks.points(*names)[chosen]
        seen = ~np.isnan(points[..., 0])
        kept = [np.median(points[seen[:, k], k], axis=0) for k in range(len(names)) if seen[:, k].any()]
        if kept:
            return np.array(kept, dtype=np.float64)
    return np.empty((0, 2))


def _shoulders(frame: KeyFrame, tracks: Tracks | None) -> FloatArray | None:
    return _pair(frame, tracks, "shoulder")


def _pair(frame: KeyFrame, tracks: Tracks | None, joint: str) -> FloatArray | None:
    """(2, 2) both sides of a joint: as solved in the key frame, else as tracked near it."""
    names = (f"left_{joint}", f"right_{joint}")
    if all(name in frame.points for name in names):
        return np.array([frame.points[name] for name in names], dtype=np.float64)
    found = _near(frame, tracks, names)
    return found if len(found) == 2 else None
