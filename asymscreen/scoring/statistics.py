"""Reliability and agreement statistics: how far numbers can be trusted.

Sources: Shrout & Fleiss 1979 (Psychol Bull 86:420-428) and McGraw & Wong 1996 (Psychol Methods 1:30-46)
for the intraclass correlations and their intervals; Weir 2005 (JSCR 19:231-240) for the standard error of
measurement and the minimal detectable change; Bland & Altman 1986 (Lancet 327:307-310) and 1999 (Stat
Methods Med Res 8:135-160) for the limits of agreement; Clopper & Pearson 1934 (Biometrika 26:404-413) for
proportions.

Intervals are two-sided. Wrong shapes and missing numbers raise UsageError.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from asymscreen.errors import UsageError

FloatArray = NDArray[np.float64]
IccForm = Literal["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]
ICC_FORMS: tuple[IccForm, ...] = get_args(IccForm)
Z95 = 1.959963984540054
"""Two-sided 95 % point of the normal distribution."""


@dataclass(frozen=True)
class Estimate:
    """A value with its confidence interval; NaN throughout where the data leave it undefined."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Agreement:
    """Two methods on the same things: bias (first minus second), SD, and the 95 % limits of agreement."""

    n: int
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate


@dataclass(frozen=True)
class MeanSquares:
    """Two-way analysis of variance of a table (n subjects, k trials) without replication."""

    n: int
    k: int
    between: float
    within: float
    trials: float
    error: float


# ---- quantiles, from scipy.special because scipy.stats takes 0.5 s to import


def _special() -> Any:
    """`scipy.special`, asked for when it is needed: it takes 0.1 s to import."""
    from scipy import special

    return special


def t_quantile(p: float, df: float) -> float:
    """Quantile of Student's t; df may be infinite (normal)."""
    return float(_special().ndtri(p)) if np.isinf(df) else float(_special().stdtrit(df, p))


def t_two_sided(t: float, df: float) -> float:
    """Two-sided p value of a t statistic; df may be infinite (normal)."""
    tail = _special().ndtr(-abs(t)) if np.isinf(df) else _special().stdtr(df, -abs(t))
    return float(2 * tail)


def _f_quantile(p: float, df1: float, df2: float) -> float:
    return float(_special().fdtri(df1, df2, p))


# ---- intraclass correlation


def mean_squares(table: ArrayLike) -> MeanSquares:
    """Mean squares of a table (n subjects, k trials), n and k at least 2, no gaps."""
    x = np.asarray(table, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise UsageError(
            f"reliability table: expected at least 2 subjects by 2 trials without gaps, got shape {x.shape} "
            f"with {int((~np.isfinite(x)).sum())} gaps; drop subjects that miss a trial"
        )
    n, k = x.shape
    rows, columns, grand = x.mean(axis=1), x.mean(axis=0), x.mean()
    within = ((x - rows[:, None]) ** 2).sum()
    trials = n * ((columns - grand) ** 2).sum()
    between = k * ((rows - grand) ** 2).sum()
    residual = ((x - rows[:, None] - columns + grand) ** 2).sum()
    return MeanSquares(
        n,
        k,
        float(between / (n - 1)),
        float(within / (n * (k - 1))),
        float(trials / (k - 1)),
        float(residual / ((n - 1) * (k - 1))),
    )


def icc(table: ArrayLike, form: IccForm, confidence: float = 0.95) -> Estimate:
    """Intraclass correlation of a table (n subjects, k trials) in one of the six forms of Shrout & Fleiss.

    First figure: 1 one-way, 2 two-way random (agreement), 3 two-way mixed (consistency); second: one trial
    or the mean of k. A table without any spread has none: NaN; so are the ends where the published interval
    breaks down (2,1 and 2,k far below 0). Read the interval, not the point (Koo & Li 2016, J Chiropr Med
    15:155-163).
    """
    if form not in ICC_FORMS:
        raise UsageError(f"ICC form: expected one of {'; '.join(ICC_FORMS)}, got {form!r}")
    ms = mean_squares(table)
    if not (ms.between > 0 or ms.within > 0):
        return Estimate(np.nan, np.nan, np.nan)
    upper = 1 - (1 - confidence) / 2
    single = _icc_agreement(ms, upper) if form[0] == "2" else _icc_ratio(ms, form[0] == "3", upper)
    if form.endswith("k"):
        k = ms.k
        return Estimate(*(_stepped_up(v, k) for v in (single.value, single.low, single.high)))
    return single


def icc_forms(table: ArrayLike, confidence: float = 0.95) -> dict[IccForm, Estimate]:
    """All six forms of one table."""
    return {form: icc(table, form, confidence) for form in ICC_FORMS}


def icc_band(found: Estimate) -> str:
    """What an ICC is worth, read on its interval, not on its point (Koo & Li 2016): "good", or "moderate to
    excellent" where the interval spans bands; empty where there is no interval."""
    if not np.isfinite([found.low, found.high]).all():
        return ""
    low, high = (
        BAND_WORDS[int(np.searchsorted(BAND_ENDS, v, side="right"))] for v in (found.low, found.high)
    )
    return low if low == high else f"{low} to {high}"


BAND_ENDS = (0.5, 0.75, 0.9)
"""Ends of the bands of an ICC (Koo & Li 2016, J Chiropr Med 15:155-163)."""
BAND_WORDS = ("poor", "moderate", "good", "excellent")


def _icc_ratio(ms: MeanSquares, mixed: bool, upper: float) -> Estimate:
    """ICC(1,1) or ICC(3,1) and the interval of its F ratio."""
    noise = ms.error if mixed else ms.within
    df1, df2 = ms.n - 1, (ms.n - 1) * (ms.k - 1) if mixed else ms.n * (ms.k - 1)
    if noise <= 0:
        return Estimate(1.0, 1.0, 1.0)
    f = ms.between / noise
    low, high = f / _f_quantile(upper, df1, df2), f * _f_quantile(upper, df2, df1)
    return Estimate(*((v - 1) / (v + ms.k - 1) for v in (f, low, high)))


def _icc_agreement(ms: MeanSquares, upper: float) -> Estimate:
    """ICC(2,1) with the interval of McGraw & Wong 1996, table 7 (Satterthwaite degrees of freedom)."""
    n, k, b, e, j = ms.n, ms.k, ms.between, ms.error, ms.trials
    value = (b - e) / (b + (k - 1) * e + k * (j - e) / n)
    if e <= 0:
        # no residual: the trials differ by constant shifts only, and the ratio of trials to error is infinite
        return Estimate(value, np.nan, np.nan) if j > 0 else Estimate(1.0, 1.0, 1.0)
    ratio, rest = j / e, n * (1 + (k - 1) * value) - k * value
    df = (n - 1) * (k - 1) * (k * value * ratio + rest) ** 2
    df /= (n - 1) * (k * value * ratio) ** 2 + rest**2
    f_low, f_high = _f_quantile(upper, n - 1, df), _f_quantile(upper, df, n - 1)
    spread = k * j + (k * n - k - n) * e
    low = n * (b - f_low * e) / (f_low * spread + n * b)
    high = n * (f_high * b - e) / (spread + n * f_high * b)
    if not low <= value <= high:
        return Estimate(value, np.nan, np.nan)  # the approximation breaks down far below 0
    return Estimate(value, low, high)


ROUNDING = 1e-12
"""A denominator of numbers near 1 below this is 0 but for rounding; no unit."""


def _stepped_up(single: float, k: int) -> float:
    """Spearman-Brown: from one trial to the mean of k; -inf where one trial is as bad as it can be."""
    below = 1 + (k - 1) * single
    return -np.inf if below <= ROUNDING * k else k * single / below


# ---- error of measurement and detectable change


def sem(table: ArrayLike, confidence: float = 0.95) -> Estimate:
    """Standard error of measurement: root of the two-way error mean square (Weir 2005), chi2 interval."""
    ms = mean_squares(table)
    df = (ms.n - 1) * (ms.k - 1)
    return Estimate(float(np.sqrt(ms.error)), *chi2_interval(df * ms.error, df, confidence))


def chi2_interval(total: float, df: int, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of an SD from a sum of squares `total` with `df` degrees of freedom."""
    tail = (1 - confidence) / 2
    low, high = (float(np.sqrt(total / _special().chdtri(df, p))) for p in (tail, 1 - tail))
    return low, high


def minimal_detectable_change(sem_one: float, k: int = 1, setup_sem: float = 0.0) -> float:
    """Smallest change that is not noise at 95 %: 1.96 * sqrt(2) * SEM (Weir 2005), same unit as the SEM.

    With the mean of k reps the SEM shrinks with sqrt(k); the error of setting the camera up again does not.
    """
    if k < 1 or sem_one < 0 or setup_sem < 0:
        raise UsageError(
            f"detectable change: expected SEM >= 0 and k >= 1, got {sem_one}, {setup_sem}, k = {k}"
        )
    return float(Z95 * np.sqrt(2 * (sem_one**2 / k + setup_sem**2)))


# ---- agreement with a truth or with another method


def limits_of_agreement(first: ArrayLike, second: ArrayLike, confidence: float = 0.95) -> Agreement:
    """Bias and limits (bias -+ 1.96 SD) of pairs (n,), n >= 3, with intervals (Bland & Altman 1999)."""
    d = _differences(first, second, 3)
    n, sd = len(d), float(d.std(ddof=1))
    bias, t = float(d.mean()), t_quantile(1 - (1 - confidence) / 2, n - 1)
    about_bias = t * sd / np.sqrt(n)
    about_limit = t * sd * np.sqrt(1 / n + Z95**2 / (2 * (n - 1)))

    def around(value: float, half: float) -> Estimate:
        return Estimate(value, float(value - half), float(value + half))

    low, high = bias - Z95 * sd, bias + Z95 * sd
    return Agreement(n, around(bias, about_bias), sd, around(low, about_limit), around(high, about_limit))


def bias(estimate: ArrayLike, truth: ArrayLike, confidence: float = 0.95) -> Estimate:
    """Mean of estimate minus truth, t interval."""
    return _mean(_differences(estimate, truth, 2), confidence)


def mean_absolute_error(estimate: ArrayLike, truth: ArrayLike, confidence: float = 0.95) -> Estimate:
    """Mean of the absolute error, t interval (never below 0)."""
    got = _mean(np.abs(_differences(estimate, truth, 2)), confidence)
    return Estimate(got.value, max(got.low, 0.0), got.high)


def proportion(hits: int, n: int, confidence: float = 0.95) -> Estimate:
    """Share of hits with the exact binomial interval of Clopper & Pearson."""
    if n < 1 or not 0 <= hits <= n:
        raise UsageError(f"proportion: expected 0 <= hits <= n and n >= 1, got {hits} of {n}")
    tail = (1 - confidence) / 2
    low = float(_special().betaincinv(hits, n - hits + 1, tail)) if hits > 0 else 0.0
    high = float(_special().betaincinv(hits + 1, n - hits, 1 - tail)) if hits < n else 1.0
    return Estimate(hits / n, low, high)


def coverage(low: ArrayLike, high: ArrayLike, truth: ArrayLike, confidence: float = 0.95) -> Estimate:
    """Share of the intervals [low, high] (n,) that hold the truth (n,), ends included."""
    a, b, x = (np.asarray(v, dtype=np.float64).ravel() for v in (low, high, truth))
    if not len(a) == len(b) == len(x) or not np.isfinite([a, b, x]).all():
        raise UsageError(f"coverage: expected equal lengths without gaps, got {len(a)}, {len(b)}, {len(x)}")
    return proportion(int(((a <= x) & (x <= b)).sum()), len(x), confidence)


def _differences(first: ArrayLike, second: ArrayLike, at_least: int) -> FloatArray:
    a, b = (np.asarray(v, dtype=np.float64).ravel() for v in (first, second))
    if len(a) != len(b) or len(a) < at_least or not np.isfinite([a, b]).all():
        raise UsageError(
            f"paired values: expected at least {at_least} pairs without gaps, got {len(a)} and {len(b)}; "
            "drop incomplete pairs"
        )
    return a - b


def _mean(d: FloatArray, confidence: float) -> Estimate:
    half = t_quantile(1 - (1 - confidence) / 2, len(d) - 1) * d.std(ddof=1) / np.sqrt(len(d))
    return Estimate(float(d.mean()), float(d.mean() - half), float(d.mean() + half))
