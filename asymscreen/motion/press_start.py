"""Where the press solver starts: a camera guess and joints laid along their rays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.sheet import Capture
from asymscreen.motion.camera import look_from, ray, rotation
from asymscreen.motion.press_input import from_head_end
from asymscreen.motion.press_model import BAR_OFFSET, COMMON_SIZE, CameraPrior, Priors, Seen

FloatArray = NDArray[np.float64]

SHOULDER_OVER_FLOOR_M = 0.53
"""Bench height (0.42-0.45 m, IPF rule book) plus the shoulder joint over the pad, metres."""
TRUNK_M = 0.50
"""From the hips to the shoulders along the bench, metres: the sheet's distance is taken from the hips."""
HEIGHT_SD_M, DISTANCE_SD_M = 0.07, 0.12
"""How well people judge the height of a phone and its distance, with the spread of benches and bodies;
metres."""
FOCAL_SHARE = 0.76
"""Focal length over the picture's long side of a phone's main lens filming video (26 mm equivalent,
cropped)."""
FOCAL_LIMITS = (0.58, 1.1)
"""Least and greatest focal length over the long side that a start may take."""
SHOULDER_WIDTH_M = 0.35  # metres between the shoulder joints, roughly: only where the search starts
GRIPS_M = np.arange(0.36, 0.90, 0.02)
"""Trial distances between the wrists, metres; the rule books allow 0.81 between the forefingers."""
START_ELEVATIONS_DEG = (20.0, 32.0, 45.0, 60.0, 80.0)
"""Trial elevations of the lens over the chest when the sheet does not tell."""
WIDE_SD = np.array([1.0, 1.5, 1.0, 1.0, 1.0, 0.05, 0.12])
"""Standard deviations of the camera numbers when nothing was said: metres, radians, log focal length."""


@dataclass(frozen=True)
class Start:
    """One start of the solver: unknowns, the camera prior that goes with it, and how badly its chain
    closes."""

    common: FloatArray
    own: FloatArray
    prior: CameraPrior
    misfit: float


def starts(
    seen: Seen,
    capture: Capture,
    image_size: tuple[int, int],
    roll: tuple[float, float] | None,
    priors: Priors,
) -> list[Start]:
    """Starts, the best closing first. From the head end the hips stand above the shoulders in the picture."""
    head_end = from_head_end(np.nanmedian(seen.xy[:, :2], axis=0), seen.hips, capture)
    stated = stated_elevation(capture, head_end)
    elevations = START_ELEVATIONS_DEG if stated is None else tuple(stated + off for off in (0.0, -9.0, 9.0))
    if capture.view == "overhead":
        elevations = (85.0, 75.0)
    prior = camera_prior(
        camera_start(seen, elevations[0], head_end, capture, max(image_size)), max(image_size), capture, roll
    )
    found = []
    for elevation in elevations:
        camera = camera_start(seen, elevation, head_end, capture, max(image_size))
        camera[5] = prior.mean[5]
        common, own, misfit = joints_start(seen, camera, priors)
        found.append(Start(common, own, prior, misfit))
    return sorted(found, key=lambda start: start.misfit)


def stated_elevation(capture: Capture, head_end: bool) -> float | None:
    """Degrees over the shoulders that the sheet's height and distance say; None unless it gives both."""
    if capture.camera_height_m is None or capture.camera_distance_m is None:
        return None
    floor = capture.camera_distance_m + (-TRUNK_M if head_end else TRUNK_M)
    return float(np.degrees(np.arctan2(capture.camera_height_m - SHOULDER_OVER_FLOOR_M, max(floor, 0.05))))


def camera_start(
    seen: Seen, elevation_deg: float, head_end: bool, capture: Capture, long_side: float
) -> FloatArray:
    """A camera (7,) at `elevation_deg` over the shoulders.

    Its distance follows from the sheet, else from the shoulder width in the picture and a phone's usual lens.
    """
    shoulders = np.nanmedian(seen.xy[:, :2], axis=0)
    focal = FOCAL_SHARE * long_side
    width = max(float(np.hypot(*(shoulders[0] - shoulders[1]))), 10.0)
    distance = float(np.clip(focal * SHOULDER_WIDTH_M / width, 0.8, 6.0))
    stated = stated_elevation(capture, head_end)
    if stated is not None and capture.camera_height_m is not None:
        distance = (capture.camera_height_m - SHOULDER_OVER_FLOOR_M) / max(
            float(np.sin(np.radians(stated))), 0.05
        )
        distance = float(np.clip(distance, 0.8, 6.0))
        low, high = FOCAL_LIMITS
        focal = float(np.clip(width * distance / SHOULDER_WIDTH_M, low * long_side, high * long_side))
    e = np.radians(elevation_deg)
    position = distance * np.array([0.0, np.cos(e) if head_end else -np.cos(e), np.sin(e)])
    middle = shoulders.mean(axis=0)
    return look_from(
        position, np.pi if head_end else 0.0, (float(middle[0]), float(middle[1])), seen.center, focal
    )


def camera_prior(
    start: FloatArray, long_side: float, capture: Capture, roll: tuple[float, float] | None
) -> CameraPrior:
    """What is known of the camera before the press is looked at.

    `roll` is (radians, standard deviation) from uprights, marks or the sheet; None leaves a hand-held 3 deg.
    """
    mean, sd = start.copy(), WIDE_SD.copy()
    head_end = start[1] > 0
    if capture.camera_height_m is not None:
        mean[2], sd[2] = capture.camera_height_m - SHOULDER_OVER_FLOOR_M, HEIGHT_SD_M
    if capture.camera_distance_m is not None:
        floor = capture.camera_distance_m + (-TRUNK_M if head_end else TRUNK_M)
        mean[1], sd[1] = (floor if head_end else -floor), DISTANCE_SD_M
    mean[5], sd[5] = roll if roll is not None else (0.0, WIDE_SD[5])
    mean[6] = np.log(FOCAL_SHARE * long_side)
    return CameraPrior(mean, sd)


def joints_start(seen: Seen, camera: FloatArray, priors: Priors) -> tuple[FloatArray, FloatArray, float]:
    """(common (G,), own (F, 18), misfit) of the grip width at which the arms close best over all frames.

    For a trial grip the hands' depth follows from their distance in the picture; the elbow is where its ray
    meets the sphere of the upper arm; of its two places the one that closes the forearm with the more upright
    forearm.
    """
    xy = _filled(seen.xy)
    F = len(xy)
    half = priors.upper_arm[0] * priors.shoulder_ratio[0]
    shoulders = np.tile(np.array([[half, 0.0, 0.0], [-half, 0.0, 0.0]]), (F, 1, 1))
    rays = ray(camera, xy, seen.center)
    forward = rotation(camera)[2]
    upper = priors.upper_arm[0]
    fore = upper * priors.arm_ratio[0]
    best: tuple[float, float, FloatArray, FloatArray] | None = None
    for grip in GRIPS_M:
        wrists = _wrists(camera[:3], rays[:, 4:6], forward, grip)
        elbows, misfit = _elbows(camera[:3], rays[:, 2:4], shoulders, wrists, upper, fore)
        if best is None or misfit < best[0]:
            best = (misfit, grip, wrists, elbows)
    assert best is not None
    misfit, grip, wrists, elbows = best
    common = np.zeros(COMMON_SIZE)
    common[:7] = camera
    common[7:10] = upper, fore, grip / 2
    common[11] = half
    common[14:16] = -priors.upper_arm[0] * priors.trunk_ratio[0], priors.hip_rise[0]
    common[16] = priors.upper_arm[0] * priors.hip_ratio[0]
    common[BAR_OFFSET] = priors.bar_offset[0], priors.bar_offset[2]
    return common, np.concatenate([shoulders, elbows, wrists], axis=1).reshape(F, 18), misfit


def _filled(xy: FloatArray) -> FloatArray:
    """Unseen joints start at their clip median, unseen throughout at the picture's other joints' mean."""
    median = np.nanmedian(xy, axis=0)
    median = np.where(np.isnan(median), np.nanmean(median, axis=0), median)
    return np.where(np.isnan(xy), median, xy)


def _wrists(lens: FloatArray, rays: FloatArray, forward: FloatArray, grip: float) -> FloatArray:
    """(F, 2, 3) hands `grip` metres apart, both at the same depth."""
    flat = rays / (rays @ forward)[..., None]
    apart = np.maximum(np.linalg.norm(flat[:, 0] - flat[:, 1], axis=-1), 1e-3)
    return np.asarray(lens + flat * (grip / apart)[:, None, None])


def _elbows(
    lens: FloatArray, rays: FloatArray, shoulders: FloatArray, wrists: FloatArray, upper: float, fore: float
) -> tuple[FloatArray, float]:
    """Elbows (F, 2, 3) and the mean misfit of the chain over frames."""
    to = lens - shoulders
    b = np.einsum("fsi,fsi->fs", to, rays)
    c = np.einsum("fsi,fsi->fs", to, to) - upper**2
    short = b * b - c
    root = np.sqrt(np.maximum(short, 0.0))
    places = np.stack([lens + rays * (-b - root)[..., None], lens + rays * (-b + root)[..., None]])
    miss = np.sqrt(np.maximum(-short, 0.0)) / 0.03
    length = (np.linalg.norm(places - wrists, axis=-1) - fore) / 0.03
    lean = (places[..., 1] - wrists[..., 1]) / 0.12
    above = np.maximum(places[..., 2] - wrists[..., 2] + 0.03, 0) / 0.03
    head = np.maximum(places[..., 1] - 0.03, 0) / 0.03
    bad = np.minimum(length**2, 25) + lean**2 + above**2 + head**2 + miss**2
    pick = np.argmin(bad, axis=0)
    elbows = np.take_along_axis(places, pick[None, ..., None], axis=0)[0]
    return elbows, float(np.minimum(bad.min(axis=0), 50).mean())


def mirrored_elbows(common: FloatArray, joints: FloatArray, sides: tuple[int, ...]) -> FloatArray:
    """Joints (F, 18) with the elbows of `sides` (0 left, 1 right) at the other place on their rays.

    The two places at which a ray meets the sphere of the upper arm lie alike about the foot of the
    perpendicular.
    """
    p = joints.reshape(-1, 6, 3).copy()
    lens = common[:3]
    for side in sides:
        elbow, shoulder = p[:, 2 + side], p[:, side]
        ray_ = elbow - lens
        ray_ /= np.linalg.norm(ray_, axis=-1, keepdims=True)
        foot = lens + ray_ * np.einsum("fi,fi->f", shoulder - lens, ray_)[:, None]
        p[:, 2 + side] = 2 * foot - elbow
    return p.reshape(joints.shape)
