"""Painted gyms: a bar, hands, rack posts, a floor with boards, seen by a pinhole camera whose roll is known.

Lifter frame as in `asymscreen.motion.camera`, metres; the floor lies FLOOR under the shoulders. Plain
polygons with noise and blur over them: enough edges to get lost in, and a truth that is exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from press_maker import camera_at

from asymscreen.motion.camera import project

Image = NDArray[np.uint8]
FLOOR = -0.55
SHAFT_RADIUS = 0.014
GRAIN = 6.0  # grey values, standard deviation of the picture's noise


@dataclass(frozen=True)
class Gym:
    """What is painted. `bar_y`, `bar_z` the bar's centre; `tilt_deg`, `yaw_deg` as in measurement."""

    elevation_deg: float = 35.0
    azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    distance: float = 2.5
    size: tuple[int, int] = (1280, 720)
    bar: bool = True
    posts: bool = True
    crossbar: bool = False
    shaft: tuple[int, int] = (205, 120)
    """Grey of the shaft's lighter upper and darker lower half."""
    wall: int = 95
    bar_y: float = -0.1
    bar_z: float = 0.30
    tilt_deg: float = 0.0
    yaw_deg: float = 0.0
    seed: int = 0

    @property
    def camera(self) -> NDArray[np.float64]:
        focal = 0.74 * self.size[0]
        middle = (self.size[0] / 2, 0.45 * self.size[1])
        return camera_at(
            self.elevation_deg, self.azimuth_deg, self.distance, self.roll_deg, focal, middle, self.size
        )

    def see(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 2) pixels of (N, 3) metres."""
        return project(self.camera, points[None], (self.size[0] / 2, self.size[1] / 2))[0]

    def on_bar(self, *places: float) -> NDArray[np.float64]:
        """(N, 3) points on the bar's axis, `places` metres to the lifter's left of its middle."""
        tilt, yaw = np.radians(self.tilt_deg), np.radians(self.yaw_deg)
        along = np.array([np.cos(tilt) * np.cos(yaw), np.sin(yaw), -np.sin(tilt)])
        return np.array([0.0, self.bar_y, self.bar_z]) + np.asarray(places)[:, None] * along

    @property
    def wrists(self) -> NDArray[np.float64]:
        """(2, 2) pixels of the left and right wrist, 5 cm under the bar."""
        return self.see(self.on_bar(0.31, -0.31) - np.array([0.0, 0.0, 0.05]))

    @property
    def bar_angle_deg(self) -> float:
        """Angle of the bar's axis in the picture, from the right hand to the left."""
        left, right = self.see(self.on_bar(0.31, -0.31))
        return float(np.degrees(np.arctan2(left[1] - right[1], left[0] - right[0])))


def paint(gym: Gym) -> Image:
    """(H, W, 3) picture of the gym."""
    rng = np.random.default_rng(gym.seed)
    width, height = gym.size
    image = np.full((height, width, 3), gym.wall, np.float32)
    image += cv2.resize(
        rng.normal(0, 9, (12, 20, 3)).astype(np.float32), gym.size, interpolation=cv2.INTER_CUBIC
    )
    for y in np.arange(-2.2, 1.3, 0.35):  # boards across the floor
        board = np.array([[-1.6, y, FLOOR], [1.6, y, FLOOR], [1.6, y + 0.35, FLOOR], [-1.6, y + 0.35, FLOOR]])
        _fill(image, gym, board, tuple(rng.uniform(60, 150, 3)))
    bench = np.array([[0.15, -0.9, -0.1], [0.15, 0.3, -0.1], [-0.15, 0.3, -0.1], [-0.15, -0.9, -0.1]])
    _fill(image, gym, bench, (50, 52, 60))
    if gym.posts:
        _posts(image, gym)
    if gym.crossbar:
        rail = np.array([[0.6, 0.35, 0.42], [-0.6, 0.35, 0.42], [-0.6, 0.35, 0.36], [0.6, 0.35, 0.36]])
        _fill(image, gym, rail, (150, 40, 40))
    if gym.bar:
        _bar(image, gym)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    grainy = image + GRAIN * rng.standard_normal(image.shape, dtype=np.float32)
    return np.clip(grainy, 0, 255).astype(np.uint8)


def _posts(image: NDArray[np.float32], gym: Gym) -> None:
    for x in (0.62, -0.62):
        for shade, dy in ((70.0, 0.0), (105.0, 0.06)):
            y, sides = 0.3 + dy, (x - 0.03, x + 0.03)
            foot, top = ([[side, y, z] for side in sides] for z in (FLOOR, 0.9))
            post = np.array([*foot, *top[::-1]])
            _fill(image, gym, post, (shade, shade * 0.8, 40.0))


def _bar(image: NDArray[np.float32], gym: Gym) -> None:
    """The shaft as two bands, light and dark; hands and a head in front of it."""
    ends = gym.on_bar(0.65, -0.65)
    eye = gym.camera[:3]
    toward = (ends.mean(axis=0) - eye) / np.linalg.norm(ends.mean(axis=0) - eye)
    across = np.cross(toward, ends[0] - ends[1])
    across *= SHAFT_RADIUS / np.linalg.norm(across) * (1 if across[2] > 0 else -1)
    for shade, (a, b) in zip(gym.shaft, ((across, 0 * across), (0 * across, -across)), strict=True):
        _fill(
            image, gym, np.array([ends[0] + a, ends[1] + a, ends[1] + b, ends[0] + b]), (shade, shade, shade)
        )
    px = float(np.hypot(*(gym.wrists[0] - gym.wrists[1]))) / 0.62
    for left in gym.see(gym.on_bar(0.31, -0.31)):
        cv2.ellipse(image, (tuple(left.tolist()), (0.095 * px, 0.12 * px), gym.roll_deg), (170, 130, 115), -1)
    head = gym.see(np.array([[0.0, 0.2, 0.05]]))[0]
    cv2.circle(image, tuple(int(v) for v in head), int(0.09 * px), (160, 120, 100), -1, cv2.LINE_AA)


def _fill(
    image: NDArray[np.float32], gym: Gym, corners: NDArray[np.float64], colour: tuple[float, ...]
) -> None:
    """A flat polygon of 3-D corners, edges to a sixteenth of a pixel."""
    pixels = np.round(gym.see(corners) * 16).astype(np.int32)
    cv2.fillPoly(image, [pixels], colour, cv2.LINE_AA, shift=4)
