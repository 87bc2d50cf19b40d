"""The closed chain of a lifter under a bar, written as residuals.

Common unknowns: the camera, the lifter's build, the wrist-to-bar offset and, for every landmark, how it leans
away from its joint in the picture: over the whole clip, and more so as the arm bends (the landmarker follows
a sinking shoulder by half only). Own unknowns of a frame: six joints, (6, 3)
metres, in the order left/right shoulder, left/right elbow, left/right wrist. Everything that is known of a
press enters as a residual divided by its standard deviation, so that one cost weighs pictures, lengths and
priors alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from asymscreen.motion.arrow import Mirror
from asymscreen.motion.camera import CAMERA_SIZE, project

FloatArray = NDArray[np.float64]

CAM = slice(0, CAMERA_SIZE)
BUILD = slice(7, 10)  # upper arm, forearm, half grip
BAR_YAW = 10  # clip mean, radians
SHOULDER = slice(11, 14)  # half vector from the right to the left shoulder, clip mean
HIP_MID = slice(14, 16)  # y, z of the hip midpoint; its x is 0: that defines the Y axis
HIP_HALF = slice(16, 19)  # half vector from the right to the left hip
BAR_PART = 19  # half of how much farther the bar runs from the left wrist than from the right, metres
BAR_OFFSET = slice(20, 22)  # y, z from wrist joint to bar axis, both sides alike, mean over the cycle
LEAN = slice(22, 38)  # what bends the landmarks away from the joints, in units of its standard deviation
ARM_PART = slice(38, 40)  # half of how much longer the left upper arm and forearm are
ARM_SLIDE = slice(40, 42)  # change of the upper arm's and forearm's bend shortening against the mean habit
BEND_LEAN = slice(42, 54)  # how the leans of the arms' landmarks change as an arm bends, likewise
COMMON_SIZE = 54  # unknowns of the whole clip
MEAN_BEND = 0.4
"""Mean over a cycle of (1 - cos flexion) / 2."""
SIDES = np.array([1.0, -1.0])  # left, right
RESIDUALS = 35  # of one frame
OWN_SIZE = 18  # unknowns of one frame: six joints of three coordinates


@dataclass(frozen=True)
class Priors:
    """Means and standard deviations, metres and radians. Sources beside each."""

    upper_arm: tuple[float, float] = (
        0.285,
        0.032,
    )  # 0.186 of stature, Drillis & Contini 1966, less the COCO offset
    arm_ratio: tuple[float, float] = (
        0.93,
        0.055,
    )  # forearm to upper arm between COCO points, arm straight; measured
    fore_shortening: float = (
        0.165  # share lost at full flexion between COCO points (the elbow point slides); measured
    )
    half_grip: tuple[float, float] = (0.31, 0.08)
    shoulder_ratio: tuple[float, float] = (
        0.585,
        0.05,
    )  # half shoulder width to upper arm, COCO points; measured
    shoulder_half_skew: tuple[float, float] = (0.003, 0.003)  # y, z differences left to right (half)
    shoulder_drop: float = 0.043  # how far a shoulder point sinks from straight arm to full flexion; measured
    trunk_ratio: tuple[float, float] = (
        1.92,
        0.13,
    )  # shoulder midpoint to hip midpoint, to upper arm; measured
    hip_rise: tuple[float, float] = (0.035, 0.03)  # hips over the mean shoulder height
    hip_ratio: tuple[float, float] = (0.367, 0.032)  # half hip width to upper arm, COCO points; measured
    hip_half_skew: tuple[float, float] = (0.004, 0.004)
    trunk_equal: float = 0.007  # left and right shoulder-hip length alike
    bar_offset: tuple[float, float, float, float] = (
        0.005,
        0.03,
        0.075,
        0.03,
    )  # y mean, sd, z mean, sd; wrist to bar
    bar_part: float = 0.002  # see BAR_PART; measured 0.0012
    arm_part: float = 0.001  # see ARM_PART; measured 0.001
    arm_slide: tuple[float, float] = (0.025, 0.015)  # see ARM_SLIDE; measured 0.024, 0.011
    length: float = 0.005  # segments keep their length
    grip: float = 0.004  # the hands do not slide on the bar
    shoulder_move: tuple[float, float, float] = (0.006, 0.007, 0.008)  # both shoulders together over a set
    shoulder_part: tuple[float, float, float] = (0.004, 0.0035, 0.0035)  # one against the other
    bar_yaw: float = 0.018  # a bar is hardly ever 3 deg askew; common practice, no source
    bar_yaw_move: float = 0.006
    # The metres from here on are those of a lifter whose upper arm has the mean length.
    bottom_height: tuple[float, float] = (0.132, 0.03)  # wrists over the shoulders with the bar on the chest
    bottom_footward: tuple[float, float] = (-0.165, 0.05)
    bottom_fore: tuple[float, float] = (
        0.035,
        0.05,
    )  # wrists headward of the elbows at the bottom, mean of both
    lockout_footward: tuple[float, float] = (-0.05, 0.04)
    lockout_straight: tuple[float, float] = (0.987, 0.012)  # shoulder-wrist over arm length, mean of both


@dataclass(frozen=True)
class Seen:
    """What the pictures say, for the frames that the solver uses.

    xy (F, 6, 2) pixels, NaN unseen; hips (2, 2) pixels; bar (F, 2, 2) two points on the bar axis or NaN;
    bottom, lockout (F,) how much a frame speaks for the habits at the bottom and at lockout; squares sum to
    one. sigma_px (F, 6) random error; lean_px (8, 2, 16) pixels by which one unit of each LEAN unknown moves
    each landmark over the whole clip; bend_lean_px (6, 2, 12) the same of BEND_LEAN for an arm that goes from
    straight to folded, and bend_habit_px (6, 2) what is so in every clip; hip_sigma_px; bar_sigma_px of both
    wrists' mean distance from the bar's line and of half the difference of the two; px_per_m picture scale at
    the shoulders.
    """

    xy: FloatArray
    sigma_px: FloatArray
    hips: FloatArray
    hip_sigma_px: float
    bar: FloatArray
    bar_sigma_px: tuple[float, float]
    px_per_m: float
    lean_px: FloatArray
    bend_lean_px: FloatArray
    bend_habit_px: FloatArray
    center: tuple[float, float]
    bottom: FloatArray
    lockout: FloatArray


@dataclass(frozen=True)
class CameraPrior:
    """Mean and standard deviation of the camera's seven numbers; inf = not known."""

    mean: FloatArray
    sd: FloatArray


@dataclass(frozen=True)
class PressModel:
    """Residuals of one clip. `robust_px` is the Cauchy scale of image residuals in standard deviations."""

    seen: Seen
    camera: CameraPrior
    priors: Priors = field(default_factory=Priors)
    robust: float = 2.5

    def frames(self, common: FloatArray, own: FloatArray) -> FloatArray:
        """(..., F, R) residuals of frames; the first 12 are image residuals of the six joints."""
        p = own.reshape(*own.shape[:-1], 6, 3)
        cam = common[..., None, CAM]
        bend = _bend(p)
        parts = [
            self._image(common, cam, p, bend),
            self._bar(common, cam, p),
            self._chain(common, p, bend),
            self._pose(common, p),
        ]
        return np.concatenate(parts, axis=-1)

    def _image(self, common: FloatArray, cam: FloatArray, p: FloatArray, bend: FloatArray) -> FloatArray:
        lean = self._leans(common)[..., None, :6, :] + self._bend_leans(common, bend)
        xy, share = self._told
        off = (project(cam, p, self.seen.center) + lean - xy) * share
        return off.reshape(*off.shape[:-2], 12)

    @cached_property
    def _told(self) -> tuple[FloatArray, FloatArray]:
        """(F, 6, 2) where the joints are seen, and what a pixel off counts; both 0 where they are not."""
        unseen = np.isnan(self.seen.xy)
        return np.where(unseen, 0.0, self.seen.xy), np.where(unseen, 0.0, 1 / self.seen.sigma_px[..., None])

    @cached_property
    def _bar_normal(self) -> FloatArray:
        """(F, 2) unit normals of the bar's line."""
        along = self.seen.bar[:, 1] - self.seen.bar[:, 0]
        along = along / np.maximum(np.linalg.norm(along, axis=-1, keepdims=True), 1e-9)
        return np.stack([-along[:, 1], along[:, 0]], axis=-1)

    def _leans(self, common: FloatArray) -> FloatArray:
        """(..., 8, 2) pixels by which every landmark is off over the whole clip."""
        lean = common[..., LEAN] @ self.seen.lean_px.reshape(16, 16).T
        return np.asarray(lean.reshape(*common.shape[:-1], 8, 2))

    def _bend_leans(self, common: FloatArray, bend: FloatArray) -> FloatArray:
        """(..., F, 6, 2) pixels by which the landmarks of an arm are off in a frame because it is bent."""
        each = common[..., BEND_LEAN] @ self.seen.bend_lean_px.reshape(12, 12).T
        change = each.reshape(*common.shape[:-1], 6, 2) + self.seen.bend_habit_px
        beyond = np.tile(bend - MEAN_BEND, 3)  # left, right of shoulders, elbows, wrists
        return np.asarray(beyond[..., None] * change[..., None, :, :])

    def lean_slopes(self, own: FloatArray) -> FloatArray:
        """(F, R, 28) slopes of the residuals in the unknowns LEAN and BEND_LEAN, in which they are linear."""
        p = own.reshape(-1, 6, 3)
        bend = np.tile(_bend(p) - MEAN_BEND, 3)
        always = np.broadcast_to(self.seen.lean_px[:6], (len(p), 6, 2, 16))
        image = np.concatenate([always, bend[..., None, None] * self.seen.bend_lean_px], axis=-1)
        image = np.where(np.isnan(self.seen.xy)[..., None], 0.0, image / self.seen.sigma_px[..., None, None])
        out = np.zeros((len(p), RESIDUALS, image.shape[-1]))
        out[:, :12] = image.reshape(len(p), 12, -1)
        return out

    def _bar(self, common: FloatArray, cam: FloatArray, p: FloatArray) -> FloatArray:
        """Distance in the picture from the bar axis to the fitted line: mean of the hands, half their
        difference.

        Wrists bend as the bar comes down, both alike, so the mean says little; the difference says how the
        bar slants.
        """
        offset = np.concatenate([np.zeros_like(common[..., :1]), common[..., BAR_OFFSET]], axis=-1)
        axis = project(cam, p[..., 4:6, :] + offset[..., None, None, :], self.seen.center)
        distance = np.einsum("...fni,fi->...fn", axis - self.seen.bar[:, None, 0], self._bar_normal)
        mean = distance.mean(axis=-1) / self.seen.bar_sigma_px[0]
        half = (distance[..., 0] - distance[..., 1]) / 2 + common[..., None, BAR_PART] * self.seen.px_per_m
        both = np.stack([mean, half / self.seen.bar_sigma_px[1]], axis=-1)
        return np.where(np.isnan(both), 0.0, both)

    def _chain(self, common: FloatArray, p: FloatArray, bend: FloatArray) -> FloatArray:
        """Segments keep their length, hands their distance; shoulders stay near their clip mean.

        Errors count in parts of the lifter's size: in metres, a lifter solved too small would fit better.
        """
        q = self.priors
        upper = np.linalg.norm(p[..., 0:2, :] - p[..., 2:4, :], axis=-1)
        fore = np.linalg.norm(p[..., 4:6, :] - p[..., 2:4, :], axis=-1)
        grip = np.linalg.norm(p[..., 4, :] - p[..., 5, :], axis=-1)
        build = common[..., None, BUILD]
        size = build[..., 0:1] / q.upper_arm[0]
        slide, part = common[..., None, ARM_SLIDE], common[..., None, ARM_PART, None] * SIDES
        upper_now = build[..., 0:1] * (1 + slide[..., 0:1] * (bend - MEAN_BEND)) + part[..., 0, :]
        fore_now = build[..., 1:2] * (1 - (q.fore_shortening + slide[..., 1:2]) * bend) + part[..., 1, :]
        lengths = np.concatenate([upper - upper_now, fore - fore_now], axis=-1) / (size * q.length)
        held = (grip - 2 * build[..., 2]) / (size[..., 0] * q.grip)
        sink = q.shoulder_drop * (bend[..., None] - MEAN_BEND) * np.array([0.0, 0.0, 1.0])
        half = common[..., None, None, SHOULDER] * np.array([[1.0], [-1.0]])
        moves = (p[..., 0:2, :] - half) / size[..., None] + sink
        together = (moves[..., 0, :] + moves[..., 1, :]) / (np.sqrt(2) * np.asarray(q.shoulder_move))
        apart = (moves[..., 0, :] - moves[..., 1, :]) / (np.sqrt(2) * np.asarray(q.shoulder_part))
        return np.concatenate([lengths, held[..., None], together, apart], axis=-1)

    def _pose(self, common: FloatArray, p: FloatArray) -> FloatArray:
        """Weak priors on the pose and the one-sided rules that shut out mirror solutions."""
        span = p[..., 4, :] - p[..., 5, :]
        yaw = (
            span[..., 1:2] / (2 * common[..., None, 9:10]) - common[..., None, BAR_YAW : BAR_YAW + 1]
        ) / self.priors.bar_yaw_move
        above_bar = np.maximum(p[..., 2:4, 2] - p[..., 4:6, 2] + 0.03, 0.0) / 0.02
        to_head = np.maximum(p[..., 2:4, 1] - p[..., 0:2, 1] - 0.02, 0.0) / 0.03
        return np.concatenate([yaw, above_bar, to_head, self._habits(common, p)], axis=-1)

    def _habits(self, common: FloatArray, p: FloatArray) -> FloatArray:
        """What both arms together do in any press; the difference between them is left free."""
        q, seen = self.priors, self.seen
        hands = p[..., 4:6, :].mean(axis=-2) - p[..., 0:2, :].mean(axis=-2)
        fore = (p[..., 4:6, 1] - p[..., 2:4, 1]).mean(axis=-1)
        size = common[..., None, 7] / q.upper_arm[0]
        hands, fore = hands / size[..., None], fore / size
        reach = np.linalg.norm(p[..., 4:6, :] - p[..., 0:2, :], axis=-1).mean(axis=-1)
        straight = reach / (common[..., None, 7] + common[..., None, 8])
        low = [
            (hands[..., 2] - q.bottom_height[0]) / q.bottom_height[1],
            (hands[..., 1] - q.bottom_footward[0]) / q.bottom_footward[1],
            (fore - q.bottom_fore[0]) / q.bottom_fore[1],
        ]
        high = [
            (hands[..., 1] - q.lockout_footward[0]) / q.lockout_footward[1],
            (straight - q.lockout_straight[0]) / q.lockout_straight[1],
        ]
        return np.stack([r * seen.bottom for r in low] + [r * seen.lockout for r in high], axis=-1)

    def clip(self, common: FloatArray) -> FloatArray:
        """(..., C) residuals of the common unknowns: priors, hips, camera."""
        q = self.priors
        cam = (common[..., CAM] - self.camera.mean) / self.camera.sd
        upper, fore, grip = common[..., 7], common[..., 8], common[..., 9]
        s, h = common[..., SHOULDER], common[..., HIP_HALF]
        bar_y, bar_z = np.moveaxis(common[..., BAR_OFFSET], -1, 0)
        mid = np.concatenate([np.zeros_like(common[..., :1]), common[..., HIP_MID]], axis=-1)
        left, right = mid + h, mid - h
        trunk = np.linalg.norm(left - s, axis=-1) - np.linalg.norm(right + s, axis=-1)
        scalars = [
            (upper - q.upper_arm[0]) / q.upper_arm[1],
            (fore / upper - q.arm_ratio[0]) / q.arm_ratio[1],
            (grip - q.half_grip[0]) / q.half_grip[1],
            common[..., BAR_YAW] / q.bar_yaw,
            (s[..., 0] / upper - q.shoulder_ratio[0]) / q.shoulder_ratio[1],
            s[..., 1] / q.shoulder_half_skew[0],
            s[..., 2] / q.shoulder_half_skew[1],
            (-mid[..., 1] / upper - q.trunk_ratio[0]) / q.trunk_ratio[1],
            (mid[..., 2] - q.hip_rise[0]) / q.hip_rise[1],
            (h[..., 0] / upper - q.hip_ratio[0]) / q.hip_ratio[1],
            h[..., 1] / q.hip_half_skew[0],
            h[..., 2] / q.hip_half_skew[1],
            trunk / q.trunk_equal,
            common[..., BAR_PART] / q.bar_part,
            *np.moveaxis(common[..., ARM_PART] / q.arm_part, -1, 0),
            *np.moveaxis(common[..., ARM_SLIDE] / np.asarray(q.arm_slide), -1, 0),
            (bar_y - q.bar_offset[0]) / q.bar_offset[1],
            (bar_z - q.bar_offset[2]) / q.bar_offset[3],
        ]
        hips = project(common[..., CAM], np.stack([left, right], axis=-2), self.seen.center)
        hips = (hips + self._leans(common)[..., 6:8, :] - self.seen.hips) / self.seen.hip_sigma_px
        hips = np.where(np.isnan(hips), 0.0, hips).reshape(*common.shape[:-1], 4)
        return np.concatenate(
            [cam, np.stack(scalars, axis=-1), hips, common[..., LEAN], common[..., BEND_LEAN]], axis=-1
        )

    def weights(self, residuals: FloatArray) -> FloatArray:
        """Cauchy weights of image and bar residuals, one for the rest."""
        w = np.ones_like(residuals)
        pairs = residuals[:, :12].reshape(-1, 6, 2)
        norm2 = (pairs**2).sum(-1, keepdims=True)
        w[:, :12] = np.broadcast_to(1 / (1 + norm2 / (2 * self.robust**2)), pairs.shape).reshape(-1, 12)
        w[:, 12:14] = 1 / (1 + residuals[:, 12:14] ** 2 / self.robust**2)
        return w


def _bend(p: FloatArray) -> FloatArray:
    """(..., 2) how far each arm of joints (..., 6, 3) is bent: (1 - cos flexion) / 2, 0 straight, 1
    folded."""
    to_shoulder, to_wrist = p[..., 0:2, :] - p[..., 2:4, :], p[..., 4:6, :] - p[..., 2:4, :]
    lengths = np.linalg.norm(to_shoulder, axis=-1) * np.linalg.norm(to_wrist, axis=-1)
    return np.asarray(0.5 + 0.5 * (to_shoulder * to_wrist).sum(axis=-1) / np.maximum(lengths, 1e-9))


def mirror() -> Mirror:
    """What becomes of the unknowns when the picture is mirrored and left and right change names."""
    common = np.ones(COMMON_SIZE)
    common[[0, 3, 5]] = -1  # camera: x, yaw, roll
    common[[BAR_YAW, BAR_PART]] = -1
    common[SHOULDER], common[HIP_HALF] = [1, -1, -1], [1, -1, -1]
    common[ARM_PART] = -1
    common[LEAN], common[BEND_LEAN] = np.tile([1, 1, -1, -1], 4), np.tile([1, 1, -1, -1], 3)
    place = np.arange(OWN_SIZE).reshape(3, 2, 3)[:, ::-1].ravel()  # left and right of every pair of joints
    return Mirror(common, place, np.tile([-1.0, 1.0, 1.0], 6))


def hip_points(common: FloatArray) -> FloatArray:
    """(..., 2, 3) left and right hip of common unknowns (..., G)."""
    mid = np.concatenate([np.zeros_like(common[..., :1]), common[..., HIP_MID]], axis=-1)
    half = common[..., HIP_HALF]
    return np.stack([mid + half, mid - half], axis=-2)
