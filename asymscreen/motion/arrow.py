"""Least squares for problems in which many blocks share a few common unknowns.

The press has some 50 unknowns for the whole clip; the joints of one rep follow curves of their own
(B-splines over
the cycle), so a rep's residuals depend on the common unknowns and on that rep's curve coefficients only. The
normal matrix then has the shape of an arrow and is solved by its Schur complement. Levenberg-Marquardt with
iteratively re-weighted residuals. Checked against `scipy.optimize.least_squares` in the tests.

Shapes: B blocks (reps), M frames a block, N curve coefficients, K joint coordinates of a frame, G common
unknowns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

STEP = 1e-6
"""Forward-difference step; unknowns are metres, radians, or scaled to about one."""
RIDGE = 1e-6
"""Added to the diagonal, so that a coefficient no frame reaches stays put."""

LEAST_DAMPING = 1e-7
"""Share of the curvature that a step is held back by at least."""
TRIES = 12
"""Times that the damping of a step grows sixfold before the search ends: from the least to about 200."""


@dataclass(frozen=True)
class Problem:
    """Residual functions, each already divided by its standard deviation.

    frames(common (..., G), own (..., B*M, K)) -> (..., B*M, R)
    clip(common (..., G)) -> (..., C)
    weights(residuals (B*M, R)) -> (B*M, R) robust weights, 1 for a trusted residual
    basis (B, M, N) a frame's joints are the basis times the block's coefficients (B, N, K)
    stiff         (N, N) coefficients x of one coordinate of one block cost x^T stiff x / 2 besides, or None
    known         (G,) common unknowns in which the frames' residuals are linear with slopes that cost little
    slopes(own (B*M, K)) -> (B*M, R, known) those slopes
    """

    frames: Callable[[FloatArray, FloatArray], FloatArray]
    clip: Callable[[FloatArray], FloatArray]
    weights: Callable[[FloatArray], FloatArray]
    basis: FloatArray
    stiff: FloatArray | None = None
    known: NDArray[np.bool_] | None = None
    slopes: Callable[[FloatArray], FloatArray] | None = None

    @cached_property
    def pairs(self) -> FloatArray:
        """(B, N*N, M) a frame's weight in each pair of its block's coefficients."""
        blocks, M, N = self.basis.shape
        return np.asarray(np.einsum("bmn,bmo->bnom", self.basis, self.basis).reshape(blocks, N * N, M))

    def spread(self, own: FloatArray) -> FloatArray:
        """Joints (B*M, K) of coefficients (B, N, K)."""
        return np.asarray((self.basis @ own).reshape(-1, own.shape[-1]))

    def pull(self, own: FloatArray) -> FloatArray:
        """(B, N, K) slope of what the coefficients' own stiffness costs."""
        return np.zeros_like(own) if self.stiff is None else np.asarray(self.stiff @ own)


@dataclass(frozen=True)
class Linear:
    """Weighted normal equations: blocks A (B, N*K, N*K), B (B, N*K, G), C (G, G), gradients and cost, and the
    residuals' weights (B*M, R)."""

    A: FloatArray
    B: FloatArray
    C: FloatArray
    own_gradient: FloatArray
    common_gradient: FloatArray
    cost: float
    weights: FloatArray

    @cached_property
    def common_information(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The blocks' matrices A, A^-1 B, and the inverse covariance (G, G) of the common unknowns, whatever
        the blocks' own; unit residual variance."""
        A = _ridged(self.A, 0.0)
        AinvB = np.linalg.solve(A, self.B)
        S = self.C + RIDGE * np.eye(self.C.shape[0]) - (np.swapaxes(self.B, 1, 2) @ AinvB).sum(axis=0)
        return A, np.asarray(AinvB), np.asarray(S)


@dataclass(frozen=True)
class Solution:
    """`own` are the blocks' coefficients (B, N, K)."""

    common: FloatArray
    own: FloatArray
    cost: float
    iterations: int


def cost(problem: Problem, common: FloatArray, own: FloatArray, weights: FloatArray) -> float:
    """Half the weighted sum of squares."""
    r = problem.frames(common, problem.spread(own))
    c = problem.clip(common)
    return 0.5 * float((weights * r * r).sum() + (c * c).sum() + (own * problem.pull(own)).sum())


def jacobians(problem: Problem, common: FloatArray, joints: FloatArray) -> tuple[FloatArray, ...]:
    """(frames (F, R), clip (C,), d frames/d joints (F, R, K), d frames/d common (F, R, G), d clip/d common
    (C, G))."""
    G, K = common.size, joints.shape[1]
    r0, c0 = problem.frames(common, joints), problem.clip(common)
    moved_joints = joints + STEP * np.eye(K)[:, None, :]
    d_own = (problem.frames(np.broadcast_to(common, (K, G)), moved_joints) - r0) / STEP
    moved = common + STEP * np.eye(G)
    known = np.zeros(G, bool) if problem.known is None else problem.known
    d_common = np.empty((*r0.shape, G))
    tried = moved[~known]
    slow = problem.frames(tried, np.broadcast_to(joints, (len(tried), *joints.shape)))
    d_common[..., ~known] = np.moveaxis((slow - r0) / STEP, 0, -1)
    if problem.slopes is not None:
        d_common[..., known] = problem.slopes(joints)
    d_clip = (problem.clip(moved) - c0) / STEP
    return r0, c0, d_own.transpose(1, 2, 0), d_common, d_clip.T


def linearize(problem: Problem, common: FloatArray, own: FloatArray, free: NDArray[np.bool_]) -> Linear:
    """Normal equations at (common, own); common unknowns that are not `free` are held."""
    r, c, Jx, Jg, Jc = jacobians(problem, common, problem.spread(own))
    w = problem.weights(r)
    Jg, Jc = Jg * free, Jc * free
    blocks, M, N = problem.basis.shape
    K, G = own.shape[-1], common.size
    WJx = np.swapaxes(Jx * w[..., None], 1, 2)
    frame_A = (WJx @ Jx).reshape(blocks, M, K * K)
    A = (
        (problem.pairs @ frame_A)
        .reshape(blocks, N, N, K, K)
        .transpose(0, 1, 3, 2, 4)
        .reshape(blocks, N * K, N * K)
    )
    if problem.stiff is not None:
        A = A + np.kron(problem.stiff, np.eye(K))
    transposed = np.swapaxes(problem.basis, 1, 2)
    B = (transposed @ (WJx @ Jg).reshape(blocks, M, K * G)).reshape(blocks, N * K, G)
    pull = problem.pull(own)
    own_gradient = (transposed @ (WJx @ r[..., None]).reshape(blocks, M, K) + pull).reshape(blocks, N * K)
    flat = Jg.reshape(-1, G)
    C = (flat * w.reshape(-1, 1)).T @ flat + Jc.T @ Jc
    common_gradient = flat.T @ (w * r).ravel() + Jc.T @ c
    value = 0.5 * float((w * r * r).sum() + (c * c).sum() + (own * pull).sum())
    return Linear(A, B, C, own_gradient, common_gradient, value, w)


def _step(lin: Linear, damping: float, free: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Damped Gauss-Newton step (d common (G,), d own (B, N*K)) by the Schur complement."""
    G = lin.C.shape[0]
    A = _ridged(lin.A, damping)
    C = lin.C + np.diag(damping * np.diag(lin.C) + np.where(free, RIDGE, 1.0))
    solved = np.linalg.solve(A, np.concatenate([lin.B, lin.own_gradient[..., None]], axis=2))
    AinvB, Ainvg = solved[..., :G], solved[..., G]
    Bt = np.swapaxes(lin.B, 1, 2)
    S = C - (Bt @ AinvB).sum(axis=0)
    rhs = lin.common_gradient - (Bt @ Ainvg[..., None]).sum(axis=0)[:, 0]
    d_common = -np.linalg.solve(S, rhs)
    return d_common, -Ainvg - AinvB @ d_common


def _ridged(A: FloatArray, damping: float) -> FloatArray:
    out = A.copy()
    index = np.arange(A.shape[1])
    out[:, index, index] *= 1 + damping
    out[:, index, index] += RIDGE
    return out


def solve(
    problem: Problem,
    common: FloatArray,
    own: FloatArray,
    free: NDArray[np.bool_] | None = None,
    iterations: int = 40,
    tolerance: float = 1e-5,
) -> Solution:
    """Minimise from (common, own). Stops when the relative gain of an accepted step falls below
    `tolerance`."""
    free = np.ones(common.size, bool) if free is None else free
    damping = 1e-3
    lin = linearize(problem, common, own, free)
    for _done in range(1, iterations + 1):
        gain = 0.0
        for _ in range(TRIES):
            d_common, d_own = _step(lin, damping, free)
            trial_own = own + d_own.reshape(own.shape)
            trial = cost(problem, common + d_common, trial_own, lin.weights)
            if np.isfinite(trial) and trial < lin.cost:
                gain = (lin.cost - trial) / max(lin.cost, 1e-12)
                common, own, damping = common + d_common, trial_own, max(damping / 5, LEAST_DAMPING)
                lin = linearize(problem, common, own, free)
                break
            damping *= 6
        if gain < tolerance:
            break
    return Solution(common, own, lin.cost, _done)


@dataclass(frozen=True)
class Mirror:
    """What a mirror does to the unknowns: signs of the common ones (G,), and for a frame's joint coordinates
    which one takes the place of each (K,) and with what sign (K,)."""

    common: FloatArray
    place: NDArray[np.intp]
    sign: FloatArray


def sample(
    lin: Linear, pairs: int, rng: np.random.Generator, mirror: Mirror
) -> tuple[FloatArray, FloatArray]:
    """2 `pairs` draws of (d common (S, G), d own (S, B, N*K)) from the Gauss-Newton covariance, unit residual
    variance.

    Every draw has a twin whose random numbers are its mirror image, and roots are symmetric, so that the
    mirror image of a problem gives the mirror images of the same draws.
    """
    A, AinvB, S = lin.common_information
    white = rng.standard_normal((S.shape[0], pairs))
    d_common = (_inverse_root(S) @ np.concatenate([white, mirror.common[:, None] * white], axis=1)).T
    blocks, size = A.shape[:2]
    white = rng.standard_normal((blocks, size // len(mirror.place), len(mirror.place), pairs))
    twin = mirror.sign[:, None] * white[:, :, mirror.place]
    both = np.concatenate([white, twin], axis=-1).reshape(blocks, size, 2 * pairs)
    alone = (_inverse_root(A) @ both).transpose(2, 0, 1)
    d_own: FloatArray = alone - np.einsum("bkg,sg->sbk", AinvB, d_common)
    return d_common.astype(float), d_own


def _inverse_root(matrix: FloatArray) -> FloatArray:
    """Symmetric inverse square roots of positive definite matrices (..., n, n)."""
    values, vectors = np.linalg.eigh((matrix + np.swapaxes(matrix, -1, -2)) / 2)
    return np.asarray((vectors / np.sqrt(values)[..., None, :]) @ np.swapaxes(vectors, -1, -2))
