"""A shaft in a strip: where its middle runs, on strips drawn by formula."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_motion import sheared_loop
from scipy.special import ndtr

from asymscreen.capture.shaft import Line, _sheared, fit_shaft

ROWS, COLUMNS = 61, 480
ALL = np.ones(COLUMNS, dtype=bool)


def strip(
    offset: float, slope: float, width: float = 10.0, contrast: float = 60.0, noise: float = 4.0
) -> np.ndarray:
    """A bright shaft whose middle is at row `offset` in the middle of the strip, edges blurred by a row."""
    x = np.arange(COLUMNS) - COLUMNS / 2
    away = np.arange(ROWS)[:, None] - (offset + slope * x)
    shaft = contrast * (ndtr(away + width / 2) - ndtr(away - width / 2))
    grain = np.random.default_rng(0).normal(0, noise, (ROWS, COLUMNS, 3))
    return (90 + shaft[..., None] + grain).astype(np.float32)


def fitted(image: np.ndarray, narrow: bool, width: float = 10.0, visible: np.ndarray = ALL) -> Line:
    line = fit_shaft(image, width, visible, narrow)
    assert line is not None
    return line


@pytest.mark.parametrize("narrow", [True, False])
@pytest.mark.parametrize("offset", [25.0, 30.3, 34.6])
@pytest.mark.parametrize("slope", [-0.02, 0.003, 0.015])
def test_the_middle_is_read_to_a_fraction_of_a_row(offset: float, slope: float, narrow: bool) -> None:
    line = fitted(strip(offset, slope), narrow)
    assert line.offset == pytest.approx(offset, abs=0.3)
    assert line.slope == pytest.approx(slope, abs=0.0012)  # 0.07 deg
    assert line.share > 0.9


def test_steep_shafts_are_found_by_the_wide_look() -> None:
    line = fitted(strip(30.0, 0.08, contrast=90.0), narrow=False)
    assert line.slope == pytest.approx(0.08, abs=0.003)


@pytest.mark.parametrize("contrast", [-60.0, 25.0])
def test_dark_and_faint_shafts(contrast: float) -> None:
    assert fitted(strip(30.0, 0.01, contrast=contrast), True).offset == pytest.approx(30.0, abs=0.4)


@pytest.mark.parametrize("width", [6.5, 14.0])
def test_the_expected_width_may_be_a_third_off(width: float) -> None:
    assert fitted(strip(30.0, 0.01, width=width), True).offset == pytest.approx(30.0, abs=0.6)


def test_hidden_columns_do_not_matter() -> None:
    image, visible = strip(30.0, 0.01), ALL.copy()
    image[:, 100:170] = 255.0
    image[20:, 300:360] = 0.0
    visible[100:170] = visible[300:360] = False
    line = fitted(image, True, visible=visible)
    assert (line.offset, line.slope) == pytest.approx((30.0, 0.01), abs=0.3)


def test_light_and_shade_on_a_shaft_do_not_turn_the_line() -> None:
    both = strip(27.5, 0.012, width=5) + strip(32.5, 0.012, width=5, contrast=-45.0) - 90
    line = fitted(both, True)
    assert line.slope == pytest.approx(0.012, abs=0.0015)


@pytest.mark.parametrize("narrow", [True, False])
def test_noise_and_nothing_are_no_shaft(narrow: bool) -> None:
    assert fit_shaft(strip(30.0, 0.0, contrast=0.0), 10.0, ALL, narrow) is None
    assert fit_shaft(np.full((ROWS, COLUMNS, 3), 90, np.float32), 10.0, ALL, narrow) is None


def test_a_single_edge_is_no_shaft() -> None:
    image = strip(30.0, 0.01, contrast=0.0)
    edge = np.arange(ROWS)[:, None] > 30 + 0.01 * (np.arange(COLUMNS) - COLUMNS / 2)
    assert fit_shaft(image + 60 * edge[..., None].astype(np.float32), 10.0, ALL, True) is None


@settings(max_examples=40, deadline=None)
@given(st.integers(3, 20), st.integers(2, 30), st.floats(-1, 1), st.integers(0, 1000))
def test_sheared_means_equal_the_plain_loop(rows: int, columns: int, rise: float, seed: int) -> None:
    part = np.random.default_rng(seed).random((rows, columns)).astype(np.float32)
    x = np.arange(columns) - columns / 2 + 0.25
    slope = rise * rows / columns
    np.testing.assert_allclose(
        _sheared(part, x, np.array([slope]))[0], sheared_loop(part.tolist(), x.tolist(), slope), atol=1e-5
    )
