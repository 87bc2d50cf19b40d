"""Key points in COCO JSON: `images`, `annotations` with `keypoints`, and `categories` that name them."""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from asymscreen.errors import TracksError
from asymscreen.motion.layouts import LAYOUTS, canonical, tracks_of
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]
Id = int | str
LARGEST_FRAME = 1e7  # a greater number in a name is no frame's: four days at 30 a second


class _Lenient(BaseModel):
    """Base of every part: what is not named here is ignored."""

    model_config = ConfigDict(extra="ignore", frozen=True)


class Image(_Lenient):
    id: Id
    file_name: str | None = None
    width: float | None = Field(default=None, ge=1, le=1e5)
    height: float | None = Field(default=None, ge=1, le=1e5)
    video_id: Id | None = None
    frame_id: float | None = Field(default=None, ge=0, le=LARGEST_FRAME)
    frame: float | None = Field(default=None, ge=0, le=LARGEST_FRAME)
    frame_index: float | None = Field(default=None, ge=0, le=LARGEST_FRAME)

    @property
    def number(self) -> float | None:
        """The number of the frame, where the file tells."""
        return next((n for n in (self.frame_id, self.frame, self.frame_index) if n is not None), None)

    @property
    def size(self) -> tuple[int, int] | None:
        return (int(self.width), int(self.height)) if self.width and self.height else None


class Annotation(_Lenient):
    image_id: Id | None = None
    category_id: Id | None = None
    keypoints: list[float | None] | None = None


class Category(_Lenient):
    id: Id | None = None
    keypoints: list[str] | None = None


class Rate(_Lenient):
    fps: float | None = Field(default=None, gt=0, le=1000)


class CocoFile(_Lenient):
    """What is read of a file."""

    images: list[Image] | None = None
    annotations: list[Annotation]
    categories: list[Category] | None = None
    info: Rate | None = None
    videos: list[Rate] | None = None


Person = dict[str, tuple[float, float, float]]
"""x, y in pixels and visibility of every joint by name."""


def read_coco(path: Path, image_size: tuple[int, int] | None, fps: float | None) -> Tracks:
    """Tracks of one person in a COCO file, one image a frame. TracksError says what is wrong with it.

    Frames are numbered by the images' `frame_id` (or `frame`, `frame_index`), else by the last number in
    their file names, else by their ids. Of several people in an image the one that goes on from the frame
    before is kept, at the start the one with the most labelled joints.
    """
    whole = _load(path)
    images = whole.images or [
        Image(id=i) for i in dict.fromkeys(a.image_id for a in whole.annotations) if i is not None
    ]
    frames = _frames(images, path)
    found = _by_image(whole, frames, path)
    order = sorted(found, key=lambda i: frames[i])
    image_size = image_size or next((image.size for image in images if image.size), None)
    layouts = {c.id: [canonical(name) for name in c.keypoints] for c in whole.categories or [] if c.keypoints}
    people: list[Person] = []
    for image in order:
        people.append(
            _person([_points(a, layouts, path) for a in found[image]], people[-1] if people else None)
        )
    names = tuple(dict.fromkeys(name for person in people for name in person))
    xyv = np.zeros((len(order), len(names), 3))
    for k, person in enumerate(people):
        for j, name in enumerate(names):
            xyv[k, j] = person.get(name, (0.0, 0.0, 0.0))
    told = [rate.fps for rate in (whole.info, *(whole.videos or [])) if rate and rate.fps]
    numbers = np.array([frames[i] for i in order], dtype=float)
    return tracks_of(xyv, names, numbers, image_size, fps or (told[0] if told else None), path)


def _load(path: Path) -> CocoFile:
    try:
        raw: Any = json.loads(path.read_text(encoding="utf-8"))
        return CocoFile.model_validate({"annotations": raw} if isinstance(raw, list) else raw)
    except OSError as exc:
        raise TracksError(
            f"{path}: expected a file of key points, could not read it ({exc.strerror})"
        ) from exc
    except ValidationError as exc:
        first = exc.errors()[0]
        place = ".".join(map(str, first["loc"])) or "file"
        raise TracksError(
            f"{path}: expected key points in COCO JSON, got {place}: {first['msg']}; correct it"
        ) from exc
    except (ValueError, RecursionError) as exc:
        raise TracksError(f"{path}: expected key points in COCO JSON, could not read it ({exc})") from exc


def _frames(images: Sequence[Image], path: Path) -> dict[Id, float]:
    """By image id the number of its frame: told, or in the file names, or in the ids, else their order."""
    if len({image.video_id for image in images} - {None}) > 1:
        raise TracksError(
            f"{path}: expected the frames of one clip, found several video_id; give one file a clip"
        )
    for numbers in (
        [image.number for image in images],
        [_last_number(image.file_name) for image in images],
        [_last_number(image.id) for image in images],
    ):
        known = [n for n in numbers if n is not None]
        if len(set(known)) == len(images):
            return {image.id: n for image, n in zip(images, known, strict=True)}
    names = sorted(range(len(images)), key=lambda k: str(images[k].file_name or images[k].id))
    return {images[k].id: float(place) for place, k in enumerate(names)}


def _last_number(word: Id | None) -> float | None:
    found = re.findall(r"\d+", str(word)) if word is not None else []
    return float(found[-1]) if found and len(found[-1]) < 300 and float(found[-1]) <= LARGEST_FRAME else None


def _by_image(whole: CocoFile, frames: Mapping[Id, float], path: Path) -> dict[Id, list[Annotation]]:
    found: dict[Id, list[Annotation]] = defaultdict(list)
    for a in whole.annotations:
        if a.keypoints and a.image_id is not None and a.image_id in frames:
            found[a.image_id].append(a)
    if not found:
        raise TracksError(
            f"{path}: expected annotations with keypoints and image_id, found none; correct the file"
        )
    return found


def _points(a: Annotation, layouts: Mapping[Id | None, Sequence[str | None]], path: Path) -> Person:
    flat = np.array([np.nan if v is None else v for v in a.keypoints or []], dtype=float)
    names = layouts.get(a.category_id) or next(iter(layouts.values()), None) or LAYOUTS.get(len(flat) // 3)
    if names is None or len(flat) != 3 * len(names):
        raise TracksError(
            f"{path}: expected 13 or 17 key points of x, y, visibility each, got {len(flat)} numbers; "
            "name them in categories"
        )
    rows = flat.reshape(-1, 3)
    return {name: (x, y, v) for name, (x, y, v) in zip(names, rows.tolist(), strict=True) if name}


def _person(people: Sequence[Person], last: Person | None) -> Person:
    """The person to follow: nearest to where the last one was, else the one with the most joints."""
    if last is None or len(people) == 1:
        return max(people, key=lambda p: sum(v > 0 for _, _, v in p.values()))
    return min(people, key=lambda p: _apart(p, last))


def _apart(one: Person, other: Person) -> float:
    """Median distance of the joints that both have, pixels; infinite where they share none."""
    shared = [n for n in one if n in other and one[n][2] > 0 and other[n][2] > 0]
    if not shared:
        return float("inf")
    return float(np.median([np.hypot(one[n][0] - other[n][0], one[n][1] - other[n][1]) for n in shared]))
