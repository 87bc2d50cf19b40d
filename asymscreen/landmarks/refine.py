"""Sharpen the lifter's joints on the picture: a small network of our own, trained on rendered lifters.

The coarse landmarks say only where to look. What comes back is read from the picture alone, so that it does
not inherit their lean towards the symmetric pose. How the network came to be: fixtures/refiner/README.md.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import ModelError, UsageError
from asymscreen.landmarks.skeleton import BLAZEPOSE, JOINTS

Image = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

FOLDER = Path(__file__).parent / "model"
MODEL = FOLDER / "refiner.onnx"
DIGEST = FOLDER / "refiner.sha256"

SIDE = 320  # crop pixels each way, as trained
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
    """The refiner network on the processor. One per thread.

    model   ONNX file to load, the shipped one by default
    Raises ModelError if the file is missing, changed or cannot be run.
    """

    def __init__(self, model: Path = MODEL, digest: Path = DIGEST) -> None:
        self._net: Any = _load(model, digest)

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
        if not np.isfinite(coarse).all() or float(np.ptp(coarse, axis=0).max()) < SMALLEST:
            return _nothing()
        found, sigma = self._read(rgb, crop_map(coarse))
        if _badly_cut(coarse, found[:8]):
            found, sigma = self._read(rgb, crop_map(found[:8]))
        gap = np.linalg.norm(found[:8] - coarse, axis=1)
        far = gap > FAR * crop_side(coarse)
        sigma[:8] = np.where(far, np.maximum(sigma[:8], gap), sigma[:8])
        return Refined(found[:8], sigma[:8], found[8:], sigma[8:])

    def _read(self, rgb: Image, to_crop: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ten points (10, 2) and their sigmas (10,) in picture pixels, read from one crop."""
        points, sigma = self._look(_cut(rgb, to_crop))
        linear = to_crop[:, :2]
        found = np.linalg.solve(linear, (points - to_crop[:, 2]).T).T
        return found.astype(np.float64), np.maximum(sigma * _finer(to_crop), LEAST_SIGMA)

    def _look(self, crop: Image) -> tuple[FloatArray, FloatArray]:
        """Ten points and their sigmas in crop pixels, from the crop and its mirror image."""
        both = np.stack([crop, crop[:, ::-1]]).astype(np.float32) / 127.5 - 1.0
        self._net.setInput(np.ascontiguousarray(both.transpose(0, 3, 1, 2)))
        points, sigma = decode(self._net.forward())
        turned = points[1, PAIRS] * (-1.0, 1.0) + (SIDE, 0.0)
        apart = np.linalg.norm(points[0] - turned, axis=1) / 2
        spread = np.sqrt((sigma[0] ** 2 + sigma[1, PAIRS] ** 2) / 2 + apart**2)
        return (points[0] + turned) / 2, spread


def crop_map(joints_px: FloatArray) -> FloatArray:
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
    scale = SIDE / (float((high - low).max()) * MARGIN)
    shift = SIDE / 2 - scale * (low + high) / 2
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


def _badly_cut(coarse: FloatArray, found: FloatArray) -> bool:
    """True where the joints found would have asked for quite another crop than the coarse ones did."""
    asked, right = crop_map(coarse), crop_map(found)
    zoom = _finer(right) / _finer(asked)
    turn = np.arctan2(asked[0, 1], asked[0, 0]) - np.arctan2(right[0, 1], right[0, 0])
    turn = abs(float(np.arctan2(np.sin(turn), np.cos(turn))))
    centre = asked[:, :2] @ np.linalg.solve(right[:, :2], SIDE / 2 - right[:, 2]) + asked[:, 2]
    shift = float(np.abs(centre / SIDE - 0.5).max())
    return not (1 / MOST_ZOOM < zoom < MOST_ZOOM) or turn > MOST_TURN or shift > MOST_SHIFT


def _cut(rgb: Image, to_crop: FloatArray) -> Image:
    """The crop (SIDE, SIDE, 3); black outside the picture; averaged down where the picture is finer."""
    times = int(np.clip(np.ceil(_finer(to_crop) - 0.2), 1, 4))
    matrix = to_crop * times
    matrix[:, 2] += matrix[:, :2] @ (0.5, 0.5) - 0.5  # OpenCV counts from a pixel's middle
    wide = SIDE * times
    cut = cv2.warpAffine(rgb, matrix, (wide, wide), flags=cv2.INTER_LINEAR)
    if times > 1:
        cut = cv2.resize(cut, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    return np.asarray(cut, dtype=np.uint8)


def _joints(rgb: Image, xy_px: FloatArray) -> FloatArray:
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise UsageError(f"expected a picture (height, width, 3) of uint8, got {rgb.shape} of {rgb.dtype}")
    xy = np.asarray(xy_px, dtype=np.float64)
    if xy.shape == (len(BLAZEPOSE), 2):
        return xy[[BLAZEPOSE.index(name) for name in JOINTS]]
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
        return cv2.dnn.readNetFromONNX(np.frombuffer(data, dtype=np.uint8))
    except cv2.error as exc:
        raise ModelError(
            f"{model}: the refiner network could not be loaded ({exc}); reinstall asymscreen"
        ) from exc
