"""An invented lifter of sticks whose joints are known exactly: plain 3-D geometry, no picture.

Lifter frame as in measurement: X left, Y head, Z up, metres. Elbows are set by their swivel about the
shoulder-wrist axis, so that no pose is impossible.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from asymscreen.motion.camera import look_from, project
from asymscreen.motion.tracks import Tracks

ORDER = (
    "left_shoulder",
    "right_shoulder",
    "left_elbow",
    "right_elbow",
    "left_wrist",
    "right_wrist",
    "left_hip",
    "right_hip",
)


@dataclass(frozen=True)
class Sticks:
    """One lifter, one set. Angles in degrees, lengths in metres, left before right."""

    upper_arm: float = 0.29
    forearm: float = 0.255
    shoulder_half: float = 0.18
    hip_half: float = 0.10
    trunk: float = 0.50
    grip_half: float = 0.30
    swivel_deg: tuple[float, float] = (45.0, 45.0)
    tilt_deg: float = 0.0
    yaw_deg: float = 0.0
    shoulder_up: tuple[float, float] = (0.0, 0.0)
    shift: float = 0.0
    bottom: tuple[float, float] = (-0.13, 0.13)
    lockout_y: float = -0.02
    lockout_flexion_deg: float = 12.0
    reps: int = 2
    fps: float = 30.0
    rep_s: float = 2.6
    rest_s: float = 0.6
    camera: np.ndarray = field(default_factory=lambda: camera_at(45.0))


def camera_at(
    elevation_deg: float, azimuth_deg: float = 0.0, distance: float = 2.3, roll_deg: float = 0.0,
    focal_px: float = 950.0, aim: tuple[float, float] = (640.0, 300.0), size: tuple[int, int] = (1280, 720),
) -> np.ndarray:  # fmt: skip
    e, a = np.radians(elevation_deg), np.radians(azimuth_deg)
    position = distance * np.array([np.sin(a) * np.cos(e), -np.cos(a) * np.cos(e), np.sin(e)])
    heading = 0.0 if abs(azimuth_deg) <= 90 else np.pi
    camera = look_from(position, heading, aim, (size[0] / 2, size[1] / 2), focal_px)
    camera[5] = np.radians(roll_deg)
    return camera


def elbow(
    shoulder: np.ndarray, wrist: np.ndarray, a: float, b: float, swivel_deg: float, side: float
) -> np.ndarray:
    """Elbow at `swivel_deg` from the foot-side-down direction, turned outwards; side +1 left, -1 right."""
    axis = wrist - shoulder
    d = min(float(np.linalg.norm(axis)), (a + b) * 0.9995)
    axis = axis / np.linalg.norm(axis)
    along = (a * a - b * b + d * d) / (2 * d)
    radius = np.sqrt(max(a * a - along * along, 0.0))
    foot = np.array([0.0, -1.0, -0.6])
    u = foot - axis * (foot @ axis)
    u /= np.linalg.norm(u)
    out = np.array([side, 0.0, -0.3])
    v = out - axis * (out @ axis) - u * (out @ u)
    v /= np.linalg.norm(v)
    s = np.radians(swivel_deg)
    return shoulder + axis * along + radius * (np.cos(s) * u + np.sin(s) * v)


def height_share(t: np.ndarray, lifter: Sticks) -> np.ndarray:
    """Bar travel from 1 (lockout) to 0 (bottom) at times `t`, seconds."""
    cycle = lifter.rep_s + lifter.rest_s
    phase = np.clip(((t - lifter.rest_s) % cycle) / lifter.rep_s, 0, 1)
    inside = (t >= lifter.rest_s) & (t < lifter.rest_s + lifter.reps * cycle)
    return np.where(inside, 0.5 + 0.5 * np.cos(2 * np.pi * phase), 1.0)


def lockout_height(lifter: Sticks) -> float:
    """Bar height at which the arms are `lockout_flexion_deg` short of straight, metres."""
    a, b = lifter.upper_arm, lifter.forearm
    reach = np.sqrt(a * a + b * b + 2 * a * b * np.cos(np.radians(lifter.lockout_flexion_deg)))
    lateral = lifter.grip_half - lifter.shoulder_half
    return float(np.sqrt(max(reach**2 - lateral**2 - lifter.lockout_y**2, 0.01)))


def joints(lifter: Sticks, t: np.ndarray) -> np.ndarray:
    """(T, 8, 3) joints in ORDER at times `t`."""
    share = height_share(t, lifter)[:, None]
    tilt, yaw = np.radians(lifter.tilt_deg), np.radians(lifter.yaw_deg)
    half = lifter.grip_half * np.array([np.cos(tilt) * np.cos(yaw), np.sin(yaw), -np.sin(tilt)])
    centre = share * np.array([0, lifter.lockout_y, lockout_height(lifter)]) + (1 - share) * np.array(
        [0, *lifter.bottom]
    )
    centre = centre + np.array([lifter.shift, 0, 0])
    shoulders = [
        np.array([s * lifter.shoulder_half, 0, up]) for s, up in zip((1, -1), lifter.shoulder_up, strict=True)
    ]
    out = np.empty((len(t), 8, 3))
    for side, sign in enumerate((1.0, -1.0)):
        out[:, side] = shoulders[side]
        out[:, 4 + side] = centre + sign * half
        out[:, 6 + side] = (sign * lifter.hip_half, -lifter.trunk, 0.0)
        for i in range(len(t)):
            out[i, 2 + side] = elbow(
                out[i, side],
                out[i, 4 + side],
                lifter.upper_arm,
                lifter.forearm,
                lifter.swivel_deg[side],
                sign,
            )
    return out


def times(lifter: Sticks) -> np.ndarray:
    n = int((lifter.rest_s + lifter.reps * (lifter.rep_s + lifter.rest_s)) * lifter.fps)
    return np.arange(n) / lifter.fps


def tracks(
    lifter: Sticks, noise_px: float = 0.0, seed: int = 0, size: tuple[int, int] = (1280, 720)
) -> Tracks:
    """The lifter's joints as seen by its camera, with white noise of `noise_px`."""
    t = times(lifter)
    points = joints(lifter, t)
    xy = project(lifter.camera, points, (size[0] / 2, size[1] / 2))
    xy = xy + np.random.default_rng(seed).normal(0, noise_px, xy.shape) if noise_px else xy
    return Tracks(t, ORDER, xy, np.ones(xy.shape[:2]), size)
