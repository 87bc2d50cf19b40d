"""Invented sets as people would have clicked them: the 13- and 17-point layouts, in their files' shapes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from set_maker import SetPlan, film, random_plan

from asymscreen.motion.layouts import BODY_13, COCO_17
from asymscreen.motion.tracks import Tracks


def clicked(
    seed: int = 3,
    view: str = "foot end 30",
    fps: float = 30.0,
    noise_px: float = 2.0,
    plan: SetPlan | None = None,
) -> np.ndarray:
    """(F, 13, 3) x, y, visible of a set of one rep with the lifter's own left and right; head, knees and
    ankles are not clicked."""
    tracks, _ = film(plan or random_plan(seed, reps=1, racked=False), view, fps, noise_px, seed)
    return layout(tracks)


def layout(tracks: Tracks) -> np.ndarray:
    """(F, 13, 3) of tracks; joints that the tracks lack are not visible, at pixel 1, 1."""
    xyv = np.zeros((len(tracks), 13, 3))
    xyv[..., :2] = 1.0
    for k, name in enumerate(BODY_13):
        if name in tracks.names:
            xyv[:, k, :2] = tracks.points(name)[:, 0]
            xyv[:, k, 2] = 1.0
    return xyv


def by_picture(xyv: np.ndarray) -> np.ndarray:
    """The same with left and right exchanged, as who names them by the picture does from the foot end."""
    out = xyv.copy()
    out[:, 1::2], out[:, 2::2] = xyv[:, 2::2], xyv[:, 1::2]
    return out


def coco(xyv: np.ndarray, path: Path, points: int = 17, **whole: Any) -> Path:
    """A COCO file of one person, frames from 1 in the file names, with ids that say nothing of the order."""
    images, annotations = [], []
    order = np.random.default_rng(0).permutation(len(xyv))
    names = COCO_17 if points == 17 else BODY_13
    for number, k in enumerate(order):
        image = {"id": 900 + number, "file_name": f"set/{k + 1:06d}.jpg", "width": 1280, "height": 720}
        flat: list[float] = []
        for name in names:
            x, y, v = xyv[k, BODY_13.index(name)] if name in BODY_13 else (0.0, 0.0, 0.0)
            flat += [round(float(x), 2), round(float(y), 2), 2 if v else 0] if v else [0, 0, 0]
        images.append(image)
        annotations.append({"id": number, "image_id": 900 + number, "category_id": 1, "keypoints": flat})
    told: dict[str, Any] = {"images": images, "annotations": annotations}
    if points == 17:
        told["categories"] = [{"id": 1, "name": "person", "keypoints": list(names)}]
    path.write_text(json.dumps(told | whole), encoding="utf-8")
    return path


def wide_csv(xyv: np.ndarray, path: Path, form: str = "{name}_{part}") -> Path:
    """A CSV file with one row a frame."""
    head = [form.format(name=name, part=part) for name in BODY_13 for part in ("x", "y", "visible")]
    lines = [",".join(["frame", *head])]
    lines += [",".join([str(k), *(f"{v:g}" for v in row.ravel())]) for k, row in enumerate(xyv)]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def long_csv(xyv: np.ndarray, path: Path) -> Path:
    """A CSV file with one row a joint; joints that were not clicked have no row."""
    lines = ["frame,joint,x,y,visible"]
    for k, row in enumerate(xyv):
        lines += [f"{k},{n},{x:.2f},{y:.2f},1" for n, (x, y, v) in zip(BODY_13, row, strict=True) if v]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path
