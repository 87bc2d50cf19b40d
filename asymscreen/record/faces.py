"""Faces blurred in key frames: the lifter's, placed by the tracks, and those of everybody else in them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from asymscreen.document import KeyFrame, ScreenDocument
from asymscreen.errors import DocumentError
from asymscreen.landmarks.bystanders import FACE, Disc, disc_around, find_faces
from asymscreen.motion.tracks import Tracks

NEAR_S = 0.5
"""Landmarks this near in time stand in for those of the key frame, seconds."""
REMEMBERED = 512
"""Pictures whose faces are remembered while the program runs."""
_KNOWN: dict[bytes, list[Disc]] = {}
MOSAIC = 10
"""The disc is first reduced to this many blocks across, so that nothing can be sharpened out of it."""

FloatArray = NDArray[np.float64]
Image = NDArray[np.uint8]
FindFaces = Callable[[Sequence[bytes]], list[list[Disc]]]


def blur_faces(
    document: ScreenDocument,
    images: Mapping[str, bytes],
    tracks: Tracks | None,
    others: FindFaces | None = None,
) -> dict[str, bytes]:
    """Every key frame with all faces blurred: name to JPEG bytes.

    The lifter's is where the landmarks say, else beyond the shoulders seen from the hips. Where neither is
    known the picture is left out: a face that cannot be found cannot be hidden. Those of spotters and
    bystanders are where `others` (JPEG bytes to discs in each) finds them, by default `faces_of_all`.
    """
    frames = {frame.image: frame for frame in document.keyframes}
    size = (document.clip.width, document.clip.height)
    discs = {name: face_disc(frames[name], tracks, size) for name in images if name in frames}
    kept = {name: disc for name, disc in discs.items() if disc is not None}
    everybody = (others or faces_of_all)([images[name] for name in kept])
    blurred = {}
    for (name, disc), found in zip(kept.items(), everybody, strict=True):
        height, width = _decoded(images[name], name).shape[:2]
        sx, sy = width / size[0], height / size[1]
        own = (disc[0] * sx, disc[1] * sy, disc[2] * max(sx, sy))
        blurred[name] = blur_discs(images[name], [own, *found], name)
    return blurred


def faces_of_all(images: Sequence[bytes]) -> list[list[Disc]]:
    """(x, y, radius) of the faces of everybody in each JPEG, in its own pixels; remembered by picture."""
    keys = [hashlib.sha256(data).digest() for data in images]
    new = {key: data for key, data in zip(keys, images, strict=True) if key not in _KNOWN}
    if new:
        while len(_KNOWN) > REMEMBERED:
            _KNOWN.pop(next(iter(_KNOWN)))
        found = find_faces([_decoded(data, "key frame")[..., ::-1] for data in new.values()])
        _KNOWN.update(zip(new, found, strict=True))
    return [_KNOWN[key] for key in keys]


def face_disc(frame: KeyFrame, tracks: Tracks | None, size: tuple[int, int]) -> Disc | None:
    """(x, y, radius) in pixels of the clip's picture that covers the face; None where nothing tells."""
    near = _near(frame, tracks, FACE)
    shoulders = _shoulders(frame, tracks)
    width = None if shoulders is None else float(np.linalg.norm(shoulders[0] - shoulders[1]))
    if len(near):
        return disc_around(near, width or 0.1 * size[0])
    hips = _pair(frame, tracks, "hip")
    if shoulders is None or hips is None or width is None:
        return None
    up = shoulders.mean(axis=0) - hips.mean(axis=0)
    length = float(np.linalg.norm(up))
    if length < 1:
        return None
    middle = shoulders.mean(axis=0) + 0.7 * width * up / length
    return (float(middle[0]), float(middle[1]), 1.2 * width)


def blur_discs(data: bytes, discs: Sequence[Disc], name: str = "key frame") -> bytes:
    """A JPEG with discs (x, y, radius), in its own pixels, made unreadable.

    DocumentError for bytes that are no picture. The new JPEG carries no metadata.
    """
    import cv2

    image = _decoded(data, name)
    for x, y, radius in discs:
        image = _hidden(image, (x, y), max(radius, 2.0))
    return bytes(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes())


def _decoded(data: bytes, name: str) -> Image:
    import cv2

    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if image is None:
        raise DocumentError(f"{name}: expected a JPEG picture, got {len(data)} bytes of something else")
    return image.astype(np.uint8)


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
