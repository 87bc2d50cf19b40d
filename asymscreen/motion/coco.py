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

from asymscreen.errors import TracksError
from asymscreen.motion.keypoints import LAYOUTS, canonical, tracks_of
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]


def read_coco(path: Path, image_size: tuple[int, int] | None, fps: float | None) -> Tracks:
    """Tracks of one person in a COCO file, one image a frame. TracksError says what is wrong with it.

    Frames are numbered by the images' `frame_id` (or `frame`, `frame_index`), else by the last number in
    their file names, else by their ids. Of several people in an image the one that goes on from the frame
    before is kept, at the start the one with the most labelled joints.
    """
    whole = _load(path)
    images = _images(whole, path)
    found = _by_image(whole, images, path)
    order = sorted(found, key=lambda i: images[i][0])
    if image_size is None and order:
        image_size = images[order[0]][1]
    layouts = _layouts(whole)
    people, last = [], None
    for image in order:
        last = _person([_points(a, layouts, path) for a in found[image]], last)
        people.append(last)
    names = tuple(dict.fromkeys(name for person in people for name in person))
    xyv = np.zeros((len(order), len(names), 3))
    for k, person in enumerate(people):
        for j, name in enumerate(names):
            xyv[k, j] = person.get(name, (0.0, 0.0, 0.0))
    rate = fps or _rate(whole)
    return tracks_of(xyv, names, np.array([images[i][0] for i in order], dtype=float), image_size, rate, path)


Person = dict[str, tuple[float, float, float]]
"""x, y in pixels and visibility of every joint by name."""


def _load(path: Path) -> dict[str, Any]:
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
    except OSError as exc:
        raise TracksError(
            f"{path}: expected a file of key points, could not read it ({exc.strerror})"
        ) from exc
    except (ValueError, RecursionError) as exc:
        raise TracksError(f"{path}: expected key points in COCO JSON, could not read it ({exc})") from exc
    if isinstance(whole, list):
        whole = {"annotations": whole}
    if not isinstance(whole, dict) or not isinstance(whole.get("annotations"), list):
        raise TracksError(f"{path}: expected key points in COCO JSON, found no annotations; correct the file")
    return whole


Images = dict[Any, tuple[float, tuple[int, int] | None]]
"""By image id: number of the frame, and (width, height) if told."""


def _images(whole: Mapping[str, Any], path: Path) -> Images:
    rows = [row for row in whole.get("images") or [] if isinstance(row, dict) and "id" in row]
    if not rows:
        ids = {a.get("image_id") for a in whole["annotations"] if isinstance(a, dict)} - {None}
        rows = [{"id": i} for i in ids]
    if len({row["video_id"] for row in rows if "video_id" in row}) > 1:
        raise TracksError(
            f"{path}: expected the frames of one clip, found several video_id; give one file a clip"
        )
    numbers = [_told(row) for row in rows]
    if None in numbers or len(set(numbers)) < len(numbers):
        numbers = [_last_number(row.get("file_name")) for row in rows]
    if None in numbers or len(set(numbers)) < len(numbers):
        numbers = [_last_number(row["id"]) for row in rows]
    if None in numbers or len(set(numbers)) < len(numbers):
        order = sorted(range(len(rows)), key=lambda k: str(rows[k].get("file_name", rows[k]["id"])))
        numbers = [float(order.index(k)) for k in range(len(rows))]
    return {row["id"]: (float(n or 0), _size(row)) for row, n in zip(rows, numbers, strict=True)}


def _told(row: Mapping[str, Any]) -> float | None:
    value = next((row[key] for key in ("frame_id", "frame", "frame_index") if key in row), None)
    return float(value) if isinstance(value, int | float) else None


def _last_number(word: Any) -> float | None:
    found = re.findall(r"\d+", str(word)) if word is not None else []
    return float(found[-1]) if found else None


def _size(row: Mapping[str, Any]) -> tuple[int, int] | None:
    width, height = row.get("width"), row.get("height")
    return (
        (int(width), int(height))
        if isinstance(width, int | float) and isinstance(height, int | float)
        else None
    )


def _by_image(whole: Mapping[str, Any], images: Images, path: Path) -> dict[Any, list[dict[str, Any]]]:
    found: dict[Any, list[dict[str, Any]]] = defaultdict(list)
    for a in whole["annotations"]:
        if isinstance(a, dict) and isinstance(a.get("keypoints"), list) and a.get("image_id") in images:
            found[a["image_id"]].append(a)
    if not found:
        raise TracksError(
            f"{path}: expected annotations with keypoints and image_id, found none; correct the file"
        )
    return found


def _layouts(whole: Mapping[str, Any]) -> dict[Any, list[str | None]]:
    """Names of the key points by category id; None for points that nobody here reads."""
    rows = [c for c in whole.get("categories") or [] if isinstance(c, dict) and c.get("keypoints")]
    return {c.get("id"): [canonical(str(name)) for name in c["keypoints"]] for c in rows}


def _points(a: Mapping[str, Any], layouts: Mapping[Any, Sequence[str | None]], path: Path) -> Person:
    try:
        flat = np.array(a["keypoints"], dtype=float).ravel()
    except (TypeError, ValueError) as exc:
        raise TracksError(f"{path}: expected numbers in keypoints, got others; correct the file") from exc
    names = layouts.get(a.get("category_id"))
    if names is None:
        names = next(iter(layouts.values()), None) or LAYOUTS.get(len(flat) // 3)
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


def _rate(whole: Mapping[str, Any]) -> float | None:
    """Frames a second as `info` or the first of `videos` tells."""
    videos = whole.get("videos") or [{}]
    for place in (whole.get("info") or {}, videos[0]):
        rate = place.get("fps") if isinstance(place, dict) else None
        if isinstance(rate, int | float):
            return float(rate)
    return None
