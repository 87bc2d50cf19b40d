"""Zero-lag low-pass filter of biomechanics, and time-normalised cycles."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from asymscreen.errors import UsageError

FloatArray = NDArray[np.float64]

DUAL_PASS = (2.0**0.5 - 1.0) ** 0.25
"""Cut-off correction of a second-order Butterworth filter that runs forth and back, 0.802243.

Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69: (2^(1/p) - 1)^(1/4), p = 2 passes.
"""


def design_frequency(fs: float, fc: float) -> float:
    """Cut-off in Hz to design the single pass with, so that both passes together are at -3 dB at `fc`.

    The correction is applied to the warped frequency: (fs/pi) * atan(tan(pi*fc/fs) / 0.802243); fs 30, fc 6
    -> 7.0275. UsageError unless 0 < fc < fs/2.
    """
    if not 0 < fc < fs / 2:
        raise UsageError(
            f"cut-off: expected between 0 and half the rate of {fs:g} Hz, got {fc:g} Hz; lower it"
        )
    return float(fs / np.pi * np.arctan(np.tan(np.pi * fc / fs) / DUAL_PASS))


def lowpass(x: ArrayLike, fs: float, fc: float) -> FloatArray:
    """Zero-lag Butterworth low-pass (second order, forth and back) along the first axis.

    `x` (T, ...) evenly sampled at `fs` Hz without NaN; `fc` Hz is where the whole filter has gain 0.7071.
    A series too short to filter (under 10 samples) comes back as it is.
    """
    values = np.asarray(x, dtype=np.float64)
    if len(values) < 10:
        return values.copy()
    warped = float(np.tan(np.pi * design_frequency(fs, fc) / fs))
    pad = min(3 * int(np.ceil(fs / fc)), len(values) - 1)
    flat = values.reshape(len(values), -1)
    before, after = 2 * flat[0] - flat[pad:0:-1], 2 * flat[-1] - flat[-2 : -pad - 2 : -1]
    forth = _pass(np.concatenate([before, flat, after]), warped)
    both = _pass(forth[::-1], warped)[::-1]
    return np.ascontiguousarray(both[pad : pad + len(flat)]).reshape(values.shape)


def _pass(x: FloatArray, warped: float) -> FloatArray:
    """`x` (T, n) through the second-order Butterworth filter of that warped frequency, begun at rest at x[0].

    The bilinear transform's coefficients: Winter, 4th ed., p. 69; the same as `scipy.signal.butter`, whose
    import takes half a second.
    """
    scale = 1 / (1 + 2**0.5 * warped + warped**2)
    b = warped**2 * scale
    a1, a2 = 2 * b - 2 * scale, 1 - 2 * 2**0.5 * warped * scale
    out = np.empty_like(x)
    first, second = (1 - b) * x[0], (b - a2) * x[0]
    for k, value in enumerate(b * x):
        out[k] = y = value + first
        first, second = 2 * value - a1 * y + second, value - a2 * y
    return out


def cycle(x: ArrayLike, points: int = 101) -> FloatArray:
    """`x` (T, ...) on `points` even points from its first to its last sample, linear, no extrapolation."""
    values = np.asarray(x, dtype=np.float64)
    if len(values) < 2:
        raise UsageError(f"cycle: expected at least 2 samples, got {len(values)}; take a longer stretch")
    flat = values.reshape(len(values), -1)
    at = np.linspace(0, len(values) - 1, points)
    out = np.stack([np.interp(at, np.arange(len(values)), column) for column in flat.T], axis=1)
    return out.reshape(points, *values.shape[1:])
