"""Pinhole camera over a bench: where a point of the lifter frame lands in the picture.

Lifter frame: X to the lifter's left, Y towards the head, Z up (gravity), metres, origin midway between the
shoulders. A camera is a vector of seven numbers, so that the solver can vary it:

`cx, cy, cz`  lens position, metres
`yaw`         heading, radians; 0 looks along +Y (phone at the foot end), pi along -Y (head end)
`pitch`       downward tilt of the optical axis, radians; 0 level, pi/2 straight down
`roll`        radians; positive = the picture's content appears turned clockwise, so that a level bar seen
              from the foot end seems to hang low on the lifter's left by that angle
`log_f`       natural logarithm of the focal length in pixels
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

CAMERA_SIZE = 7  # numbers that describe a camera: place (3), yaw, pitch, roll, log focal length
NEAREST_M = 0.05
"""Depths are held above this, metres, so that a wild trial step of the solver stays finite."""


def rotation(camera: FloatArray) -> FloatArray:
    """(..., 3, 3) rows: picture right, picture down, optical axis, in lifter-frame coordinates."""
    yaw, pitch, roll = camera[..., 3], camera[..., 4], camera[..., 5]
    sy, cy, sp, cp = np.sin(yaw), np.cos(yaw), np.sin(pitch), np.cos(pitch)
    forward = np.stack([sy * cp, cy * cp, -sp], axis=-1)
    right = np.stack([cy, -sy, np.zeros_like(sy)], axis=-1)
    down = np.stack([-sy * sp, -cy * sp, -cp], axis=-1)
    sr, cr = np.sin(roll)[..., None], np.cos(roll)[..., None]
    return np.stack([cr * right - sr * down, sr * right + cr * down, forward], axis=-2)


def project(camera: FloatArray, points: FloatArray, center: tuple[float, float]) -> FloatArray:
    """Pixels (..., N, 2) of lifter-frame points (..., N, 3), metres; `center` is the principal point, pixels.

    `camera` is (..., 7) with the leading shape of `points` or broadcastable to it.
    """
    local = np.einsum("...ij,...nj->...ni", rotation(camera), points - camera[..., None, :3])
    depth = np.maximum(local[..., 2:], NEAREST_M)
    f = np.exp(camera[..., 6])[..., None, None]
    pixels: FloatArray = f * local[..., :2] / depth + np.asarray(center)
    return pixels


def ray(camera: FloatArray, pixels: FloatArray, center: tuple[float, float]) -> FloatArray:
    """Unit directions (..., 3) in the lifter frame of the rays through `pixels` (..., 2); `camera` is
    (7,)."""
    f = np.exp(camera[6])
    local = np.concatenate([(pixels - np.asarray(center)) / f, np.ones((*pixels.shape[:-1], 1))], axis=-1)
    direction: FloatArray = local @ rotation(camera)
    unit: FloatArray = direction / np.linalg.norm(direction, axis=-1, keepdims=True)
    return unit


def look_from(
    position: FloatArray,
    heading: float,
    pixel: tuple[float, float],
    center: tuple[float, float],
    focal_px: float,
) -> FloatArray:
    """A camera (7,) without roll at `position` (3,) that sees the origin of the lifter frame at `pixel`."""
    yaw = np.arctan2(-position[0], -position[1])
    if np.cos(yaw - heading) < 0:
        yaw = heading
    pitch = np.arctan2(position[2], np.hypot(position[0], position[1]))
    offset = (np.asarray(pixel) - np.asarray(center)) / focal_px
    yaw -= np.arctan(offset[0]) / max(np.cos(pitch), 0.2)
    pitch -= np.arctan(offset[1])
    return np.array([*position, yaw, pitch, 0.0, np.log(focal_px)])


def angles_over_chest(camera: FloatArray) -> tuple[float, float]:
    """(elevation, azimuth) in degrees of the lens as seen from the origin.

    Elevation 0 = level, 90 = overhead. Azimuth 0 = foot end, positive towards the lifter's left, 180 = head
    end.
    """
    x, y, z = camera[:3]
    elevation = np.degrees(np.arctan2(z, np.hypot(x, y)))
    return float(elevation), float(np.degrees(np.arctan2(x, -y)))


def off_middle_deg(azimuth_deg: float) -> float:
    """Degrees, 0 to 90, by which a lens stands off the bench's middle line, at whichever end."""
    turned = abs((azimuth_deg + 180.0) % 360.0 - 180.0)
    return min(turned, 180.0 - turned)
