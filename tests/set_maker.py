"""Invented sets of presses with known times: a bar that is led from point to point, seen by a pinhole camera.

Plain 3-D geometry in the lifter frame of measurement (X left, Y head, Z up, metres), joints as in
`press_maker`. The bar moves between resting points along minimum-jerk paths (Flash & Hogan 1985), so the
moments at which it leaves lockout, reaches the bottom, leaves it and is back are exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from press_maker import ORDER, Sticks, camera_at, elbow, lockout_height

from asymscreen.motion.camera import project
from asymscreen.motion.tracks import Tracks

RACK_Y = 0.27
"""The pins are this far behind the shoulder line, metres, and as high as straight arms reach."""

VIEWS: dict[str, np.ndarray] = {
    "foot end 45": camera_at(45.0),
    "foot end 30": camera_at(30.0, distance=2.8),
    "foot end level": camera_at(3.0, distance=2.6, focal_px=900.0, aim=(640.0, 400.0)),
    "head end 35": camera_at(35.0, azimuth_deg=180.0, distance=2.6),
    "oblique": camera_at(35.0, azimuth_deg=25.0, distance=2.6),
    "overhead": camera_at(87.0, distance=2.2),
    "side": camera_at(20.0, azimuth_deg=85.0, distance=2.6),
}


@dataclass(frozen=True)
class Beat:
    """One rep: rest before it, seconds down, at the bottom and up, share of full depth, share of the way
    back up."""

    rest: float = 0.7
    down: float = 1.3
    pause: float = 0.3
    up: float = 1.1
    depth: float = 1.0
    back: float = 1.0


@dataclass(frozen=True)
class Times:
    """True times of a rep, seconds."""

    start_s: float
    down_s: float
    up_s: float
    end_s: float

    @property
    def bottom_s(self) -> float:
        return (self.down_s + self.up_s) / 2


@dataclass(frozen=True)
class SetPlan:
    """A set: who, the reps, whether the bar is unracked and racked in the picture, seconds still at the
    end."""

    beats: tuple[Beat, ...]
    lifter: Sticks = field(default_factory=Sticks)
    racked: bool = False
    tail: float = 0.8


def min_jerk(u: np.ndarray) -> np.ndarray:
    u = np.clip(u, 0.0, 1.0)
    return u**3 * (10 - 15 * u + 6 * u * u)


def bar_path(plan: SetPlan) -> tuple[list[tuple[float, np.ndarray]], list[Times]]:
    """Resting points (seconds, place) that the bar is led through, and the true times of the reps."""
    low, high = (
        np.array([0.0, *plan.lifter.bottom]),
        np.array([0.0, plan.lifter.lockout_y, lockout_height(plan.lifter)]),
    )
    pins = np.array([0.0, RACK_Y, rack_height(plan.lifter)])
    now, here = 0.0, pins if plan.racked else high
    way, reps = [(now, here)], []

    def lead(seconds: float, to: np.ndarray) -> float:
        nonlocal now, here
        now, here = now + seconds, to
        way.append((now, here))
        return now

    if plan.racked:
        lead(0.5, here)
        lead(1.0, high)
    for beat in plan.beats:
        start = lead(beat.rest, here)
        bottom = high + beat.depth * (low - high)
        down = lead(beat.down, bottom)
        up = lead(beat.pause, bottom)
        reps.append(Times(start, down, up, lead(beat.up, bottom + beat.back * (high - bottom))))
    lead(plan.tail, here)
    if plan.racked:
        lead(0.9, pins)
        lead(0.5, here)
    return way, reps


def rack_height(lifter: Sticks) -> float:
    """Height at which straight arms hold the bar on the pins, metres."""
    reach, lateral = lifter.upper_arm + lifter.forearm, lifter.grip_half - lifter.shoulder_half
    return float(np.sqrt((0.999 * reach) ** 2 - lateral**2 - RACK_Y**2))


def bar_at(way: list[tuple[float, np.ndarray]], t: np.ndarray) -> np.ndarray:
    """(T, 3) the bar's centre at times `t`."""
    stops = np.array([moment for moment, _ in way])
    places = np.stack([place for _, place in way])
    k = np.clip(np.searchsorted(stops, t, side="right") - 1, 0, len(way) - 2)
    share = min_jerk((t - stops[k]) / np.maximum(stops[k + 1] - stops[k], 1e-9))
    return places[k] + share[:, None] * (places[k + 1] - places[k])


def pose(lifter: Sticks, centre: np.ndarray) -> np.ndarray:
    """(T, 8, 3) joints in press_maker.ORDER for a bar whose centre is `centre` (T, 3)."""
    tilt, yaw = np.radians(lifter.tilt_deg), np.radians(lifter.yaw_deg)
    half = lifter.grip_half * np.array([np.cos(tilt) * np.cos(yaw), np.sin(yaw), -np.sin(tilt)])
    out = np.empty((len(centre), 8, 3))
    for side, sign in enumerate((1.0, -1.0)):
        out[:, side] = (sign * lifter.shoulder_half, 0, lifter.shoulder_up[side])
        out[:, 4 + side] = centre + sign * half
        out[:, 6 + side] = (sign * lifter.hip_half, -lifter.trunk, 0.0)
        for i in range(len(centre)):
            wrist = out[i, 4 + side]
            arm = (lifter.upper_arm, lifter.forearm, lifter.swivel_deg[side], sign)
            out[i, 2 + side] = elbow(out[i, side], wrist, *arm)
    return out


def film(
    plan: SetPlan, view: str, fps: float = 30.0, noise_px: float = 0.0, seed: int = 0
) -> tuple[Tracks, list[Times]]:
    """Tracks of the set from one of VIEWS, white noise of `noise_px` on every landmark, and the true
    times."""
    way, reps = bar_path(plan)
    t = np.arange(int(way[-1][0] * fps)) / fps
    xy = project(VIEWS[view], pose(plan.lifter, bar_at(way, t)), (640.0, 360.0))
    xy = xy + np.random.default_rng(seed).normal(0.0, noise_px, xy.shape)
    return Tracks(t, ORDER, xy, np.ones(xy.shape[:2]), (1280, 720)), reps


def random_plan(seed: int, reps: int | None = None, racked: bool | None = None) -> SetPlan:
    """A set drawn at random: tempo, pauses, one to ten reps, uneven arms, racked or not."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 11)) if reps is None else reps
    beats = tuple(
        Beat(
            rest=rng.uniform(0.3, 1.2),
            down=rng.uniform(0.7, 2.2),
            pause=float(rng.choice([0.0, rng.uniform(0.1, 1.0)])),
            up=rng.uniform(0.6, 2.4),
            depth=rng.uniform(0.95, 1.0),
        )
        for _ in range(n)
    )
    grip = rng.uniform(0.22, 0.37)
    lifter = Sticks(
        grip_half=grip,
        swivel_deg=(rng.uniform(25, 65), rng.uniform(25, 65)),
        tilt_deg=rng.uniform(-3, 3),
        yaw_deg=rng.uniform(-2, 2),
        shift=rng.uniform(-0.03, 0.03),
        bottom=(rng.uniform(-0.18, -0.08), rng.uniform(0.08, 0.16)),
    )
    return SetPlan(beats, lifter, bool(rng.random() < 0.5) if racked is None else racked)
