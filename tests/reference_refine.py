"""Plain-loop twins of the refiner's arithmetic, written from its description and not from its code."""

from __future__ import annotations

import cmath
import math

import numpy as np


def decode_slowly(maps: np.ndarray, stride: int) -> tuple[np.ndarray, np.ndarray]:
    """Softmax mean of every score map, and sqrt(3) times exp of the softmax-weighted spread map."""
    batch, channels, rows, columns = maps.shape
    count = channels // 2
    points, sigma = np.zeros((batch, count, 2)), np.zeros((batch, count))
    for b in range(batch):
        for c in range(count):
            total = x_sum = y_sum = s_sum = 0.0
            top = float(maps[b, c].max())
            for y in range(rows):
                for x in range(columns):
                    weight = math.exp(float(maps[b, c, y, x]) - top)
                    total += weight
                    x_sum += weight * (x * stride + stride / 2)
                    y_sum += weight * (y * stride + stride / 2)
                    s_sum += weight * float(maps[b, count + c, y, x])
            points[b, c] = x_sum / total, y_sum / total
            sigma[b, c] = math.sqrt(3) * math.exp(s_sum / total)
    return points, sigma


def crop_slowly(joints: np.ndarray, place: np.ndarray, side: float, margin: float) -> tuple[float, float]:
    """Where a picture point lands in the crop, by complex numbers: -i times "up" and "across" both mean 1."""
    z = [complex(x, y) for x, y in joints]
    across = sum(z[k] - z[k + 1] for k in (0, 2, 4, 6))
    up = (z[0] + z[1]) / 2 - (z[6] + z[7]) / 2
    turn = cmath.exp(-1j * cmath.phase(across + 2 * (1j * up)))
    turned = [turn * q for q in z]
    left, right = min(q.real for q in turned), max(q.real for q in turned)
    top, bottom = min(q.imag for q in turned), max(q.imag for q in turned)
    scale = side / (margin * max(right - left, bottom - top))
    middle = complex((left + right) / 2, (top + bottom) / 2)
    landed = (turn * complex(*place) - middle) * scale + complex(side / 2, side / 2)
    return landed.real, landed.imag
