"""Sharpen the lifter's joints on the picture: a small network of our own, trained on rendered lifters.

The coarse landmarks say only where to look. What comes back is read from the picture alone, so that it does
not inherit their lean towards the symmetric pose. How the network came to be: fixtures/refiner/README.md.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import ModelError, UsageError
from asymscreen.landmarks.quiet import quiet
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS, PLACES

Image = NDArray[np.uint8]
FloatArray = NDArray[np.float64]
Look = Callable[[Image], tuple[FloatArray, FloatArray]]

FOLDER = Path(__file__).parent / "model"
MODEL = FOLDER / "refiner.onnx"
DIGEST = FOLDER / "refiner.sha256"

INPUT = "crops"  # name of the network's input: (count, 3, rows, columns), -1 to 1
SIDE = 320  # crop pixels each way, as trained
GLANCE_SIDE = 224
"""The same for a glance, which takes half the time: elbows 0.05 shoulder widths off instead of 0.03 (rms, 60
frames of six rendered clips); with 192 they are 0.11 off."""
GLANCE_SLACK = 2.0  # so many times worse may a glance's crop be cut before a second one is
STRIDE = 4  # crop pixels per cell of the network's maps
MARGIN = 1.45  # crop side over the joints' extent, as trained
SMALLEST = 24.0  # px; joints closer together than this are no lifter to refine
FAR = 0.08  # of the crop's side; a joint that moves farther from its coarse place is doubted by that much
MOST_ZOOM, MOST_TURN, MOST_SHIFT = (
    1.12,
    0.14,
    0.06,
)  # ratio, radians, share of the side; beyond: a second look
LEAST_SIGMA = 0.3  # px; the network never claims more than this
SPREAD = (
    3.0**0.5
)  # standard deviation a coordinate of the trained error law, density ~ exp(-distance / spread)
PAIRS = np.array([1, 0, 3, 2, 5, 4, 7, 6, 9, 8])  # each point's twin on the other side


@dataclass(frozen=True)
class Refined:
    """The joints read from one picture.

    points_px     (8, 2) pixels, in the order of `JOINTS`; NaN where there was nothing to go by
    sigma_px      (8,) standard deviation of each coordinate, pixels; inf where points are NaN
    bar_px        (2, 2) points on the bar's axis about 10 cm outside the left and the right hand
    bar_sigma_px  (2,) the same for the bar's points; mostly error along the bar, little across it
    """

    points_px: FloatArray
    sigma_px: FloatArray
    bar_px: FloatArray
    bar_sigma_px: FloatArray


class Refiner:
    """The refiner network on the processor. Threads may share one; each look keeps one core busy.

    model   ONNX file to load, the shipped one by default
    Raises ModelError if the file is missing, changed or cannot be run.
    """

    def __init__(self, model: Path = MODEL, digest: Path = DIGEST) -> None:
        self._network: Any = _load(model, digest)

    def refine(self, rgb: Image, xy_px: FloatArray) -> Refined:
        """Where the joints are, going by the picture.

        rgb     (height, width, 3) uint8, red first, the lifter either way up
        xy_px   (33, 2) coarse BlazePose landmarks of the lifter, or (8, 2) in the order of `JOINTS`, pixels
        The picture and its mirror image are both looked at and averaged, so a mirrored picture gives the
        mirrored answer. Where the joints turn out to lie otherwise in the crop than the coarse ones said,
        a second crop is cut round them and looked at instead. A joint that lands far from its coarse place
        keeps its place but gets that distance as its sigma: the caller decides which of the two to believe.
        Raises UsageError on arrays of another shape.
        """
        coarse = _joints(rgb, xy_px)
        read = self._around(rgb, coarse, self._both, SIDE, 1.0)
        if read is None:
            return _nothing()
        found, sigma = read
        gap = np.linalg.norm(found[:8] - coarse, axis=1)
        far = gap > FAR * crop_side(coarse)
        sigma[:8] = np.where(far, np.maximum(sigma[:8], gap), sigma[:8])
        return Refined(found[:8], sigma[:8], found[8:], sigma[8:])

    def glance(self, rgb: Image, xy_px: FloatArray) -> Refined:
        """As `refine` in a quarter of the time: one coarser look, and no doubt where a joint has moved.

        For following a lifter from frame to frame. A crop is looked at as it is or mirrored, the brighter
        half on the left, so here too a mirrored picture gives the mirrored answer.
        """
        read = self._around(rgb, _joints(rgb, xy_px), self._one, GLANCE_SIDE, GLANCE_SLACK)
        if read is None:
            return _nothing()
        found, sigma = read
        return Refined(found[:8], sigma[:8], found[8:], sigma[8:])

    def _around(
        self, rgb: Image, coarse: FloatArray, look: Look, side: int, slack: float
    ) -> tuple[FloatArray, FloatArray] | None:
        """Ten points (10, 2) and their sigmas (10,) in picture pixels, looked for around coarse joints."""
        if not np.isfinite(coarse).all() or float(np.ptp(coarse, axis=0).max()) < SMALLEST:
            return None
        found, sigma = _read(rgb, crop_map(coarse, side), look, side)
        if _badly_cut(coarse, found[:8], slack):
            found, sigma = _read(rgb, crop_map(found[:8], side), look, side)
        return found, sigma

    def _both(self, crop: Image) -> tuple[FloatArray, FloatArray]:
        """Ten points and their sigmas in crop pixels, from the crop and its mirror image."""
        points, sigma = self._forward(crop, crop[:, ::-1])
        turned, other = _turned(points[1], sigma[1], SIDE)
        apart = np.linalg.norm(points[0] - turned, axis=1) / 2
        spread = np.sqrt((sigma[0] ** 2 + other**2) / 2 + apart**2)
        return (points[0] + turned) / 2, spread

    def _one(self, crop: Image) -> tuple[FloatArray, FloatArray]:
        """The same from the crop or its mirror image, whichever is brighter on the left."""
        half = GLANCE_SIDE // 2
        turn = int(crop[:, :half].sum(dtype=np.int64)) < int(crop[:, half:].sum(dtype=np.int64))
        points, sigma = self._forward(crop[:, ::-1] if turn else crop)
        return _turned(points[0], sigma[0], GLANCE_SIDE) if turn else (points[0], sigma[0])

    def _forward(self, *crops: Image) -> tuple[FloatArray, FloatArray]:
        batch = np.stack(crops).astype(np.float32) / 127.5 - 1.0
        (maps,) = self._network.run(None, {INPUT: np.ascontiguousarray(batch.transpose(0, 3, 1, 2))})
        return decode(maps)


def _read(rgb: Image, to_crop: FloatArray, look: Look, side: int) -> tuple[FloatArray, FloatArray]:
    """Ten points (10, 2) and their sigmas (10,) in picture pixels, read from one crop."""
    points, sigma = look(_cut(rgb, to_crop, side))
    linear = to_crop[:, :2]
    found = np.linalg.solve(linear, (points - to_crop[:, 2]).T).T
    return found.astype(np.float64), np.maximum(sigma * _finer(to_crop), LEAST_SIGMA)


def _turned(points: FloatArray, sigma: FloatArray, side: int) -> tuple[FloatArray, FloatArray]:
    """What was found in the mirror image of a crop, put back into the crop."""
    return points[PAIRS] * (-1.0, 1.0) + (side, 0.0), sigma[PAIRS]


def crop_map(joints_px: FloatArray, side: int = SIDE) -> FloatArray:
    """(2, 3) map from picture to crop: turns the lifter head up, left side on the right; centres and scales.

    joints_px   (8, 2) in the order of `JOINTS`; both spaces in pixels, a pixel's middle at +0.5
    """
    left, right = joints_px[0::2], joints_px[1::2]
    across = (left - right).sum(axis=0)
    up = joints_px[:2].mean(axis=0) - joints_px[6:].mean(axis=0)
    # a quarter turn takes "up" on the screen to where "across" should point
    angle = np.arctan2(across[1] + 2 * up[0], across[0] - 2 * up[1])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    turned = joints_px @ turn.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    scale = side / (float((high - low).max()) * MARGIN)
    shift = side / 2 - scale * (low + high) / 2
    return np.column_stack([turn * scale, shift])


def decode(maps: NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
    """Network maps (B, 20, h, w) -> points (B, 10, 2) and standard deviations (B, 10), crop pixels.

    The point is the mean place under the softmax of its score map; the spread map, averaged under the same
    weights, is the logarithm of the error law's spread.
    """
    batch, channels, rows, columns = maps.shape
    scores, spread = np.split(maps.reshape(batch, channels, -1).astype(np.float64), 2, axis=1)
    weight = np.exp(scores - scores.max(axis=2, keepdims=True))
    weight /= weight.sum(axis=2, keepdims=True)
    y, x = np.divmod(np.arange(rows * columns), columns)
    places = (np.column_stack([x, y]) + 0.5) * STRIDE
    return weight @ places, SPREAD * np.exp((weight * spread).sum(axis=2))


def _finer(to_crop: FloatArray) -> float:
    """Picture pixels a crop pixel."""
    return 1.0 / float(np.hypot(to_crop[0, 0], to_crop[0, 1]))


def crop_side(joints_px: FloatArray) -> float:
    """Side of the crop round these joints (8, 2), picture pixels."""
    return SIDE * _finer(crop_map(joints_px))


def _badly_cut(coarse: FloatArray, found: FloatArray, slack: float) -> bool:
    """True where the joints found would have asked for quite another crop than the coarse ones did."""
    asked, right = crop_map(coarse), crop_map(found)
    zoom = _finer(right) / _finer(asked)
    turn = np.arctan2(asked[0, 1], asked[0, 0]) - np.arctan2(right[0, 1], right[0, 0])
    turn = abs(float(np.arctan2(np.sin(turn), np.cos(turn))))
    centre = asked[:, :2] @ np.linalg.solve(right[:, :2], SIDE / 2 - right[:, 2]) + asked[:, 2]
    shift = float(np.abs(centre / SIDE - 0.5).max())
    return (
        bool(abs(np.log(zoom)) > slack * np.log(MOST_ZOOM))
        or turn > slack * MOST_TURN
        or shift > slack * MOST_SHIFT
    )


def _cut(rgb: Image, to_crop: FloatArray, side: int) -> Image:
    """The crop (side, side, 3); black outside the picture; averaged down where the picture is finer."""
    times = int(np.clip(np.ceil(_finer(to_crop) - 0.2), 1, 4))
    matrix = to_crop * times
    matrix[:, 2] += matrix[:, :2] @ (0.5, 0.5) - 0.5  # OpenCV counts from a pixel's middle
    wide = side * times
    cut = cv2.warpAffine(rgb, matrix, (wide, wide), flags=cv2.INTER_LINEAR)
    if times > 1:
        cut = cv2.resize(cut, (side, side), interpolation=cv2.INTER_AREA)
    return np.asarray(cut, dtype=np.uint8)


def _joints(rgb: Image, xy_px: FloatArray) -> FloatArray:
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise UsageError(f"expected a picture (height, width, 3) of uint8, got {rgb.shape} of {rgb.dtype}")
    xy = np.asarray(xy_px, dtype=np.float64)
    if xy.shape == (len(BLAZEPOSE), 2):
        return xy[PLACES]
    if xy.shape != (len(JOINTS), 2):
        raise UsageError(f"expected 33 landmarks or 8 joints (x, y) in pixels, got an array {xy.shape}")
    return xy


def _nothing() -> Refined:
    return Refined(np.full((8, 2), np.nan), np.full(8, np.inf), np.full((2, 2), np.nan), np.full(2, np.inf))


def _load(model: Path, digest: Path) -> Any:
    try:
        data = model.read_bytes()
        expected = digest.read_text(encoding="ascii").split()[0]
    except (OSError, ValueError, IndexError) as exc:
        raise ModelError(
            f"{model}: expected the refiner network and its digest, could not read them; reinstall asymscreen"
        ) from exc
    if hashlib.sha256(data).hexdigest() != expected:
        raise ModelError(
            f"{model}: the refiner network is damaged (not the shipped sha256); reinstall asymscreen"
        )
    try:
        with quiet():
            return _session(data)
    except Exception as exc:  # what the library raises has no type of its own
        raise ModelError(
            f"{model}: the refiner network could not be loaded ({exc}); reinstall asymscreen"
        ) from exc


def _session(data: bytes) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1  # pictures share the cores out
    options.log_severity_level = 3  # errors
    return onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
