"""The zero-lag low-pass and the time-normalised cycle against printed values and plain-loop twins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_motion import cycle_loop, lowpass_loop
from scipy.signal import butter, sosfiltfilt

from asymscreen.errors import UsageError
from asymscreen.motion.filter import DUAL_PASS, cycle, design_frequency, lowpass


def gain_and_phase(frequency: float, fs: float, fc: float) -> tuple[float, float]:
    """What the whole filter does to a long cosine, read by projection on its middle."""
    t = np.arange(int(20 * fs)) / fs
    y = lowpass(np.cos(2 * np.pi * frequency * t), fs, fc)[int(5 * fs) : int(15 * fs)]
    z = np.exp(-2j * np.pi * frequency * t[int(5 * fs) : int(15 * fs)])
    answer = 2 * np.mean(y * z)
    return float(abs(answer)), float(np.degrees(np.angle(answer)))


def test_dual_pass_correction_is_winters() -> None:
    # Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69: C = (2^(1/2) - 1)^(1/4)
    assert pytest.approx(0.802243, abs=5e-7) == DUAL_PASS


@pytest.mark.parametrize(("fs", "expected"), [(30, 7.02753), (60, 7.34954), (120, 7.44541)])
def test_design_frequency_is_corrected_on_the_warped_axis(fs: float, expected: float) -> None:
    # the same page, applied to the warped frequency and recomputed independently
    assert design_frequency(fs, 6.0) == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize(("frequency", "gain"), [(3.0, 0.9771), (6.0, 0.7071), (9.0, 0.2853)])
def test_gain_of_both_passes_together(frequency: float, gain: float) -> None:
    # geometry of the Butterworth response squared; 0.5 at 6 Hz would mean that the correction is missing
    found, phase = gain_and_phase(frequency, 60.0, 6.0)
    assert found == pytest.approx(gain, abs=1e-4)
    assert phase == pytest.approx(0.0, abs=1e-3)


def test_gain_at_the_cutoff_at_thirty_frames_a_second() -> None:
    # 0.779 here would mean that hertz were divided by 0.802 instead of the warped frequency
    assert gain_and_phase(6.0, 30.0, 6.0)[0] == pytest.approx(1 / math.sqrt(2), abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(-500, 500), min_size=10, max_size=70),
    st.sampled_from([25.0, 30.0, 59.94, 120.0, 240.0]),
    st.floats(1.0, 8.0),
)
def test_lowpass_equals_the_printed_recursion(x: list[float], fs: float, fc: float) -> None:
    np.testing.assert_allclose(lowpass(x, fs, fc), lowpass_loop(x, fs, fc), atol=1e-6)


@pytest.mark.parametrize(
    ("n", "fs", "fc"), [(10, 30.0, 6.0), (11, 60.0, 1.0), (400, 60.0, 2.0), (90, 25.0, 9.0)]
)
def test_lowpass_is_that_of_scipy(n: int, fs: float, fc: float) -> None:
    x = np.random.default_rng(n).normal(size=(n, 3, 2)).cumsum(axis=0)
    sos = butter(2, design_frequency(fs, fc), fs=fs, output="sos")
    pad = min(3 * int(np.ceil(fs / fc)), n - 1)
    np.testing.assert_allclose(lowpass(x, fs, fc), sosfiltfilt(sos, x, axis=0, padlen=pad), atol=1e-9)


def test_lowpass_leaves_constants_and_straight_lines_alone() -> None:
    line = np.stack([np.full(50, 3.0), np.arange(50) * 0.5 - 4], axis=1)
    np.testing.assert_allclose(lowpass(line, 30.0, 6.0), line, atol=0.02)
    np.testing.assert_allclose(lowpass(line, 30.0, 6.0)[:, 0], 3.0, atol=1e-12)


def test_lowpass_is_the_same_backwards() -> None:
    x = np.random.default_rng(3).normal(size=200)
    middle = slice(40, 160)  # the passes start at different ends
    np.testing.assert_allclose(lowpass(x[::-1], 60, 6)[::-1][middle], lowpass(x, 60, 6)[middle], atol=1e-4)


def test_a_series_too_short_to_filter_comes_back_as_it_is() -> None:
    x = np.array([1.0, 5.0, 2.0])
    found = lowpass(x, 30.0, 6.0)
    np.testing.assert_array_equal(found, x)
    assert found is not x


@pytest.mark.parametrize("fc", [0.0, -1.0, 15.0, 40.0])
def test_cutoff_outside_half_the_rate_is_refused(fc: float) -> None:
    with pytest.raises(UsageError, match="half the rate"):
        lowpass(np.zeros(40), 30.0, fc)


def test_cycle_of_the_published_example() -> None:
    # tnorma (PyPI), the same convention: 101 points, no extrapolation
    found = cycle([5, 4, 10, 8, 1, 10, 2, 7, 1, 3])
    assert found.shape == (101,)
    assert (found[0], found[50], found[100]) == (5.0, 5.5, 3.0)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-1e4, 1e4), min_size=2, max_size=60), st.integers(2, 150))
def test_cycle_equals_the_plain_loop(x: list[float], points: int) -> None:
    np.testing.assert_allclose(cycle(x, points), cycle_loop(x, points), atol=1e-8)


def test_cycle_keeps_the_other_axes() -> None:
    x = np.random.default_rng(0).normal(size=(17, 3, 2))
    found = cycle(x, 33)
    assert found.shape == (33, 3, 2)
    np.testing.assert_array_equal(found[[0, -1]], x[[0, -1]])
    np.testing.assert_allclose(found[:, 2, 1], cycle_loop(list(x[:, 2, 1]), 33), atol=1e-12)


def test_cycle_of_one_sample_is_refused() -> None:
    with pytest.raises(UsageError, match="at least 2 samples"):
        cycle([1.0])
