"""The arrow-shaped least squares against `scipy.optimize.least_squares`, on an invented bending problem."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from asymscreen.motion import arrow

FloatArray = NDArray[np.float64]
BASIS = np.random.default_rng(3).normal(size=(2, 6, 3))
SEEN = np.random.default_rng(4).normal(size=(12, 4))


def frames(common: FloatArray, own: FloatArray) -> FloatArray:
    """Residuals (..., 12, 6) of own (..., 12, 2) seen through common (..., 2), and a pull to nought."""
    a, b = common[..., None, :1], common[..., None, 1:2]
    x, y = own[..., :1], own[..., 1:]
    shown = np.concatenate([a * x, b + y, x * y, np.sin(x) + a], axis=-1)
    return np.concatenate([shown - SEEN, 0.3 * own], axis=-1)


def clip(common: FloatArray) -> FloatArray:
    return np.asarray(common - np.array([1.0, 0.5]))


def test_it_finds_the_minimum_that_scipy_finds() -> None:
    problem = arrow.Problem(frames, clip, np.ones_like, BASIS)
    start_common, start_own = np.array([0.8, 0.2]), np.full((2, 3, 2), 0.1)

    def flat(v: FloatArray) -> FloatArray:
        common, own = v[:2], v[2:].reshape(2, 3, 2)
        return np.concatenate([frames(common, problem.spread(own)).ravel(), clip(common)])

    expected = least_squares(flat, np.concatenate([start_common, start_own.ravel()]), xtol=1e-12, ftol=1e-12)
    found = arrow.solve(problem, start_common, start_own, iterations=200, tolerance=1e-12)
    assert np.isclose(found.cost, expected.cost, rtol=1e-6)
    np.testing.assert_allclose(found.common, expected.x[:2], atol=1e-3)
    np.testing.assert_allclose(found.own.ravel(), expected.x[2:], atol=1e-3)


def test_the_draws_spread_as_the_inverse_of_the_normal_matrix() -> None:
    """[G] the covariance of least squares with unit residuals is the inverse of J^T J, here written out."""
    problem = arrow.Problem(frames, clip, np.ones_like, BASIS)
    common, own = np.array([0.8, 0.2]), np.full((2, 3, 2), 0.1)
    lin = arrow.linearize(problem, common, own, np.ones(2, bool))
    whole = np.zeros((14, 14))
    whole[:2, :2] = lin.C
    for b in range(2):
        at = slice(2 + 6 * b, 8 + 6 * b)
        whole[at, at], whole[at, :2], whole[:2, at] = lin.A[b], lin.B[b], lin.B[b].T
    expected = np.linalg.inv(whole)
    mirror = arrow.Mirror(np.array([1.0, -1.0]), np.array([1, 0]), np.array([-1.0, 1.0]))
    d_common, d_own = arrow.sample(lin, 20_000, np.random.default_rng(7), mirror)
    drawn = np.cov(np.concatenate([d_common, d_own.reshape(len(d_own), -1)], axis=1).T)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert np.abs((drawn - expected) / scale).max() < 0.03


def test_stiff_coefficients_cost_what_they_say() -> None:
    """With the second differences as residuals of their own, scipy finds the same minimum."""
    bend = np.diff(np.eye(3), n=2, axis=0) / 2.0
    problem = arrow.Problem(frames, clip, np.ones_like, BASIS, bend.T @ bend)
    start_common, start_own = np.array([0.8, 0.2]), np.full((2, 3, 2), 0.1)

    def flat(v: FloatArray) -> FloatArray:
        common, own = v[:2], v[2:].reshape(2, 3, 2)
        return np.concatenate(
            [frames(common, problem.spread(own)).ravel(), clip(common), (bend @ own).ravel()]
        )

    expected = least_squares(flat, np.concatenate([start_common, start_own.ravel()]), xtol=1e-12, ftol=1e-12)
    found = arrow.solve(problem, start_common, start_own, iterations=200, tolerance=1e-12)
    assert np.isclose(found.cost, expected.cost, rtol=1e-6)
    np.testing.assert_allclose(found.own.ravel(), expected.x[2:], atol=1e-3)
