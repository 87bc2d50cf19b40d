"""Key frames for the report: the picture, cut to the lifter, with arms, bar and letters to draw over it."""

from __future__ import annotations

import base64
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from asymscreen.document import KeyFrame, Point
from asymscreen.errors import DocumentError

SIDES = (("left", "L"), ("right", "R"))
MARGIN = 0.22
"""Room around the lifter's joints, as a share of the longer side of their box."""
LETTER = 0.04
"""Radius of the letter's disc as a share of the drawn width."""
LEAST = 0.45
"""The cut never shows less than this share of the picture's width or height."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Arm:
    """One side's arm in picture pixels: `path` an SVG polyline, `letter_at` the centre of its letter.

    The path is empty where the elbow is missing: shoulder to wrist is no limb.
    """

    side: str
    letter: str
    path: str
    joints: tuple[Point, ...]
    letter_at: Point


@dataclass(frozen=True)
class Picture:
    """One key frame ready to draw. `source` is a data address, or None where the picture was not kept."""

    frame: KeyFrame
    source: str | None
    size: tuple[int, int]
    box: Box
    arms: tuple[Arm, ...]
    bar: tuple[Point, Point] | None
    radius: float

    @property
    def placement(self) -> str:
        """Style of the whole image inside a frame that shows `box` only; percent of the frame."""
        x, y, width, height = self.box
        full_width, full_height = self.size
        return (
            f"width:{100 * full_width / width:.3f}%;height:{100 * full_height / height:.3f}%;"
            f"left:{-100 * x / width:.3f}%;top:{-100 * y / height:.3f}%"
        )


def pictures(
    frames: Sequence[KeyFrame], images: Mapping[str, bytes], clip_size: tuple[int, int]
) -> list[Picture]:
    """Every key frame as a `Picture`, all cut alike so that reps can be compared by eye.

    Points are pixels of the key frame's own image; `clip_size` stands in where the image was not kept.
    Raises DocumentError for bytes that are no JPEG.
    """
    sizes = [jpeg_size(images[f.image], f.image) if f.image in images else clip_size for f in frames]
    boxes = {size: _cut([f for f, s in zip(frames, sizes, strict=True) if s == size], size) for size in sizes}
    return [
        _picture(f, images.get(f.image), size, boxes[size]) for f, size in zip(frames, sizes, strict=True)
    ]


def jpeg_size(data: bytes, name: str) -> tuple[int, int]:
    """(width, height) in pixels from a JPEG's frame header (ITU-T T.81, B.2.2); else DocumentError."""
    place = 2
    while data[:2] == b"\xff\xd8" and place + 9 <= len(data) and data[place] == 0xFF:
        marker = data[place + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height, width = struct.unpack(">HH", data[place + 5 : place + 9])
            if width and height:
                return width, height
            break
        place += 2 + int.from_bytes(data[place + 2 : place + 4], "big")
    raise DocumentError(
        f"{name}: expected a JPEG picture, got {len(data)} bytes of something else; screen again"
    )


def _picture(frame: KeyFrame, data: bytes | None, size: tuple[int, int], box: Box) -> Picture:
    source = None if data is None else "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")
    points = {name: _held(point, size) for name, point in frame.points.items()}
    bar = None if frame.bar is None else (_held(frame.bar[0], size), _held(frame.bar[1], size))
    radius = LETTER * box[2]
    return Picture(frame, source, size, box, _arms(points, box, radius), bar, radius)


def _held(point: Point, size: tuple[int, int]) -> Point:
    """A point no farther from the picture than the picture is large, so that no number runs wild."""
    x, y = (min(max(value, -edge), 2.0 * edge) for value, edge in zip(point, size, strict=True))
    return (x, y)


def _cut(frames: Sequence[KeyFrame], size: tuple[int, int]) -> Box:
    """The part of the picture that holds every joint of all frames, with room around them."""
    points = [_held(p, size) for f in frames for p in f.points.values()]
    if not points:
        return (0.0, 0.0, float(size[0]), float(size[1]))
    spans = []
    reach = MARGIN * max(max(c) - min(c) for c in zip(*points, strict=True))
    for values, edge in zip(zip(*points, strict=True), size, strict=True):
        low, high = max(min(values) - reach, 0.0), min(max(values) + reach, float(edge))
        short = LEAST * edge - (high - low)
        if short > 0:
            low = min(max(low - short / 2, 0.0), (1 - LEAST) * edge)
            high = low + LEAST * edge
        spans.append((low, high))
    (left, right), (top, bottom) = spans
    return (left, top, right - left, bottom - top)


def _arms(points: Mapping[str, Point], box: Box, radius: float) -> tuple[Arm, ...]:
    places = {side: _letter_place(points, side, box, radius) for side, _ in SIDES}
    places["right"] = _apart(places["left"], places["right"], box, radius)
    arms = []
    for side, letter in SIDES:
        joints = tuple(points[f"{side}_{joint}"] for joint in _ARM if f"{side}_{joint}" in points)
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in joints) if f"{side}_elbow" in points else ""
        place = places[side]
        if place:
            arms.append(Arm(side, letter, path, joints, place))
    return tuple(arms)


def _apart(left: Point | None, right: Point | None, box: Box, radius: float) -> Point | None:
    """The right letter's place, moved below the left one (or above it) where they would touch."""
    if left is None or right is None or max(abs(left[0] - right[0]), abs(left[1] - right[1])) > 2.2 * radius:
        return right
    below = left[1] + 2.4 * radius
    room = below + 1.25 * radius <= box[1] + box[3]
    return (right[0], below if room else left[1] - 2.4 * radius)


_ARM = ("shoulder", "elbow", "wrist")


def _letter_place(points: Mapping[str, Point], side: str, box: Box, radius: float) -> Point | None:
    """Beside the elbow (or the wrist, or the shoulder), on the side away from the other arm."""
    other = "right" if side == "left" else "left"
    for joint in ("elbow", "wrist", "shoulder"):
        here, there = points.get(f"{side}_{joint}"), points.get(f"{other}_{joint}")
        if here is None:
            continue
        away = 1.0 if (here[0] >= there[0] if there else here[0] >= box[0] + box[2] / 2) else -1.0
        x = _inside(here[0] + 2.0 * away * radius, box[0], box[2], radius)
        return (x, _inside(here[1] + 1.1 * radius, box[1], box[3], radius))
    return None


def _inside(value: float, start: float, length: float, radius: float) -> float:
    return min(max(value, start + 1.25 * radius), start + length - 1.25 * radius)
