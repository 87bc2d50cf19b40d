"""From screens with known truth to the error model of `scoring.noise`.

Per view and measure: the slope of truth on estimate, then the scale of what is left, by maximum likelihood of
a Student t whose scale is built as `noise.spread` builds it; then one factor, found on folds that were not
used in the fit, that makes the 95 % intervals hold the truth in 95 of 100 new screens (split-conformal
quantile, Lei et al. 2018, JASA 113:1094-1111). Last, over all measures together, the factor on calls that
surely keeps a side from being named in more than `FALSE_CALLS` of the screens of even lifters.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from asymscreen.errors import SettingsError
from asymscreen.scoring.noise import (
    MODEL_SCHEMA,
    ClipContext,
    ErrorModel,
    MeasureError,
    Reading,
    differences,
    spread,
)
from asymscreen.scoring.rules import FALSE_CALLS, SHARES
from asymscreen.scoring.statistics import proportion, t_quantile

FloatArray = NDArray[np.float64]

LEAST_ROWS = 30
"""Fewer screens than this of a measure in a view give no model: the measure is not measurable there."""
KNOTS_DEG = (0.0, 10.0, 20.0, 30.0, 45.0, 60.0, 75.0, 90.0)
"""Elevations at which the shared error may differ; only those that the screens reach are used."""
SIZES_PX = (480.0, 720.0, 1080.0)  # short sides of the picture, pixels, that share an error
OFF_MIDDLE_DEG = (6.0, 14.0, 22.0)  # angles off the bench's middle line, likewise; the first is filmed well
STEADY_ROWS = 1.5
"""How firmly the bias of each side is held alike at neighbouring elevations: the root of so many rows."""
FOLDS = 5  # parts of the cross-validation
COVER = 0.95  # share of true values that an interval should hold
SURE = 0.95
"""Confidence with which no more than FALSE_CALLS of even screens name a side: one-sided, Clopper & Pearson
1934."""
LEAST_EVEN = 100
"""Screens of even lifters with which calls are set by them alone; else by all screens, whose errors are
larger, since they grow with the differences."""
FAMILY_RANGE = (0.85, 2.5)  # least and greatest factor on all errors of a clip
SLOPE_RANGE = (1.0, 2.0)
"""Landmarks lean towards the even pose, which a slope above 1 undoes. A slope below 1 would only say how
uneven the lifters of the validation happened to be, and would shrink a real difference of the next one: it
is not used."""


@dataclass(frozen=True)
class ValidationRow:
    """One measure of one screen with known truth; `reading` is what the solver gave, before any correction.

    truth        mean over the same reps: left minus right, or the one value
    side_truth   (left, right), or None for a one-value measure
    even         the lifter of the screen presses alike on both sides
    """

    clip: str
    context: ClipContext
    reading: Reading
    truth: float
    side_truth: tuple[float, float] | None = None
    even: bool = False


@dataclass(frozen=True)
class _Sample:
    """Rows of one measure in one view as arrays (n,)."""

    estimate: FloatArray
    truth: FloatArray
    fit: FloatArray
    reps: FloatArray
    within: FloatArray
    elevation: FloatArray
    size: FloatArray
    off_middle: FloatArray
    unrefined: FloatArray

    def take(self, keep: NDArray[np.bool_]) -> _Sample:
        return _Sample(*(v[keep] for v in self.__dict__.values()))


@dataclass(frozen=True)
class _LeftOut:
    """Absolute error of one measure of one clip in standard errors, by a model fitted without it.

    t      in those that the clip states
    even   in those of a lifter whose true difference is known: what an even lifter would give
    """

    clip: str
    measure: str
    t: float
    even: float
    df: float


def fit_error_model(
    rows: Sequence[ValidationRow], *, version: str, command: str, shares: Mapping[str, float] = SHARES
) -> dict[str, Any]:
    """The error model, ready for JSON, of screens with known truth.

    `shares` is what each measure may use up of the false calls. Rows without a
    finite estimate, truth or fit error are left out. SettingsError if no measure has enough rows.
    """
    groups: dict[tuple[str, str], list[ValidationRow]] = defaultdict(list)
    for row in rows:
        if len(differences(row.reading)) and np.isfinite(row.reading.fit_sd) and np.isfinite(row.truth):
            groups[row.context.view, row.reading.name].append(row)
    views: dict[str, dict[str, Any]] = {}
    left_out: list[_LeftOut] = []
    for (view, name), group in sorted(groups.items()):
        if len(group) >= LEAST_ROWS:
            views.setdefault(view, {})[name], errors = _fit_measure(group)
            left_out += errors
    if not views:
        raise SettingsError(f"error model: expected {LEAST_ROWS} or more screens of a measure in a view")
    out = {
        "schema": MODEL_SCHEMA, "version": version, "provisional": False, "command": command,
        "family_scale": _family_scale(left_out, shares, {row.clip for row in rows if row.even}),
        "views": views,
    }  # fmt: skip
    ErrorModel.model_validate(out)
    return out


def error_model_text(model: Mapping[str, Any]) -> str:
    """The model as the text of `error_model.json`: one line a measure, so that changes can be read."""
    views = {
        view: ",\n".join(f"   {json.dumps(name)}: {json.dumps(error)}" for name, error in measures.items())
        for view, measures in model["views"].items()
    }
    head = json.dumps({k: v for k, v in model.items() if k != "views"}, indent=1)[:-2]
    body = ",\n".join(f"  {json.dumps(view)}: {{\n{lines}\n  }}" for view, lines in views.items())
    return f'{head},\n "views": {{\n{body}\n }}\n}}\n'


# ---- one measure in one view


def _sample(group: Sequence[ValidationRow]) -> _Sample:
    reps = [differences(r.reading) for r in group]
    return _Sample(
        np.array([d.mean() for d in reps]),
        np.array([r.truth for r in group]),
        np.array([r.reading.fit_sd for r in group]),
        np.array([float(len(d)) for d in reps]),
        np.array([((d - d.mean()) ** 2).sum() for d in reps]),
        np.array([r.context.elevation_deg for r in group]),
        np.array([float(r.context.short_side_px) for r in group]),
        np.array([r.context.off_middle_deg for r in group]),
        np.array([0.0 if r.context.refined else 1.0 for r in group]),
    )


def _fit_measure(group: Sequence[ValidationRow]) -> tuple[dict[str, Any], list[_LeftOut]]:
    """The measure's part of the model, and every row's error by a model that never saw it."""
    sample = _sample(group)
    fold = np.random.default_rng(0).permutation(len(group)) % FOLDS
    parts = [_fit(sample.take(fold != k)) for k in range(FOLDS)]
    left_out = [_standardised(row, parts[k]) for row, k in zip(group, fold, strict=True)]
    # the factor makes the rank-th smallest of the left-out errors the end of the interval
    rank = min(int(np.ceil((len(left_out) + 1) * COVER)), len(left_out))
    in_half_widths = sorted(e.t / t_quantile((1 + COVER) / 2, e.df) for e in left_out)
    factor = float(np.clip(in_half_widths[rank - 1], 0.5, 3.0))
    fitted = _fit(sample)
    part = _as_json(fitted, factor, _side_bias(group, fitted.elevation_deg), len(group))
    return part, [replace(e, even=e.even / factor) for e in left_out]


def _standardised(row: ValidationRow, error: MeasureError) -> _LeftOut:
    found = spread(row.reading, error, row.context)
    if found is None:
        return _LeftOut(row.clip, row.reading.name, 0.0, 0.0, np.inf)
    off = abs(row.truth - found.value)
    even = off / float(np.hypot(found.sd, found.share * row.truth))
    return _LeftOut(row.clip, row.reading.name, off / found.whole_sd, even, found.df)


def _as_json(error: MeasureError, factor: float, side_bias: Sequence[float], n: int) -> dict[str, Any]:
    return {
        "bias": 0.0,
        "side_bias": [_round(v) for v in side_bias],
        "slope": _round(error.slope),
        "elevation_deg": list(error.elevation_deg),
        "sd": [_round(v) for v in error.sd],
        "short_side_px": list(error.short_side_px),
        "resolution": [_round(v) for v in error.resolution],
        "off_middle_deg": list(error.off_middle_deg),
        "azimuth": [_round(v) for v in error.azimuth],
        "unrefined": _round(error.unrefined),
        "share": _round(error.share),
        "fit_scale": _round(error.fit_scale),
        "rep_sd": _round(error.rep_sd),
        "rep_df": _round(error.rep_df),
        "df": _round(error.df),
        "scale": _round(factor),
        "rows": n,
    }


def _round(value: float) -> float:
    """Four significant figures: the file stays readable, the intervals do not move."""
    return float(f"{value:.4g}")


def _side_bias(group: Sequence[ValidationRow], knots: Sequence[float]) -> list[float]:
    """Medians at elevations `knots` of (mean of both sides, estimated minus true), straight lines between
    them; 0 for one-value measures. Least absolute deviations by weights (Schlossmacher 1973, JASA 68:857)."""
    rows = [(r, r.side_truth) for r in group if r.side_truth is not None]
    if not rows:
        return [0.0]
    off = np.array([float(np.nanmean(r.reading.sides)) - sum(true) / 2 for r, true in rows])
    design = _weights(np.array([r.context.elevation_deg for r, _ in rows]), knots)
    firm = STEADY_ROWS * np.diff(np.eye(len(knots)), axis=0)
    found = np.full(len(knots), float(np.median(off)))
    for _ in range(60):
        w = 1 / np.sqrt(np.maximum(np.abs(off - design @ found), 1e-3))
        left = np.concatenate([design * w[:, None], firm * np.median(w)])
        found = np.linalg.lstsq(left, np.concatenate([off * w, np.zeros(len(firm))]), rcond=None)[0]
    return [float(v) for v in found]


def _fit(s: _Sample) -> MeasureError:
    """Slope, spread between reps, then the scale of the error by penalised maximum likelihood."""
    slope = _slope(s.estimate, s.truth)
    rep_sd, rep_df = _usual_rep_spread(slope**2 * s.within, s.reps)
    between = np.sqrt((rep_df * rep_sd**2 + slope**2 * s.within) / (rep_df + s.reps - 1) / s.reps)
    off = s.truth - slope * s.estimate
    knots = _knots(s.elevation)
    typical = max(float(np.median(np.abs(off))) / 0.6745, 1e-6)
    start = np.concatenate([np.full(len(knots), np.log(typical)), _PRIOR])
    bounds = [(np.log(typical) - 4, np.log(typical) + 3)] * len(knots) + _BOUNDS
    design = _Design(
        s.truth,
        s.fit,
        between,
        _weights(s.elevation, knots),
        _weights(np.log(s.size), np.log(SIZES_PX)),
        _weights(s.off_middle, OFF_MIDDLE_DEG),
        s.unrefined,
    )
    n = len(knots)
    apart, own = start.copy(), start.copy()
    apart[-1], own[:n] = np.log(LARGE_SHARE), start[:n] - SMALL_SHARED
    tried = (
        optimize.minimize(_minus_log_likelihood, begin, args=(off, design), method="L-BFGS-B", bounds=bounds)
        for begin in (start, apart, own)
    )
    best = min(tried, key=lambda found: float(found.fun)).x
    small, large, aside, far_aside, unrefined, fit_scale, df, share = np.exp(best[n:]).tolist()
    return MeasureError(
        slope=slope,
        elevation_deg=tuple(knots),
        sd=tuple(np.exp(best[:n])),
        short_side_px=SIZES_PX,
        resolution=(small, 1.0, large),
        off_middle_deg=OFF_MIDDLE_DEG,
        azimuth=(1.0, aside, far_aside),
        unrefined=unrefined,
        share=share,
        fit_scale=fit_scale,
        rep_sd=rep_sd,
        rep_df=rep_df,
        df=df,
    )


@dataclass(frozen=True)
class _Design:
    """What the scale of a row's error is made of: true difference, standard errors of fit and reps, all
    (n,), and its weights on knots, (n, K). Not the estimate: a large one is large by its error too."""

    truth: FloatArray
    fit: FloatArray
    between: FloatArray
    elevation: FloatArray
    size: FloatArray
    off_middle: FloatArray
    unrefined: FloatArray


# factors at 480 and 1080 px, at the outer two angles off the middle, of unrefined landmarks and of the fit
# error, degrees of freedom and the share of a difference: logarithms of what is believed before any screen,
# how firmly, and the limits
_PRIOR = np.log([1.2, 1.0, 1.3, 1.6, 1.3, 1.0, 6.0, 0.03])
_FIRM = np.array([0.2, 0.1, 0.4, 0.5, 0.3, 0.7, 0.5, 1.0])
_BOUNDS = [
    (-1.0, 1.5), (-1.0, 1.0), (-0.3, 2.0), (-0.3, 2.5), (-0.5, 1.5), (np.log(0.2), np.log(6.0)),
    (np.log(2.6), np.log(40.0)), (np.log(0.002), np.log(0.25)),
]  # fmt: skip
LARGE_SHARE, SMALL_SHARED = 0.2, 3.0
"""The likelihood has more than one summit: the search also begins where an error grows much with the
difference, and where nearly all of it is the clip's own (the shared error's logarithm so much smaller)."""
_STEP = 0.3
"""How much the logarithm of the shared error is believed to change from one elevation knot to the next."""


def _minus_log_likelihood(p: FloatArray, off: FloatArray, design: _Design) -> float:
    n = design.elevation.shape[1]
    small, large, aside, far_aside, unrefined, fit_scale, df, share = np.exp(p[n:])
    shared = (
        (design.elevation @ np.exp(p[:n]))
        * (design.size @ np.array([small, 1.0, large]))
        * (design.off_middle @ np.array([1.0, aside, far_aside]))
        * unrefined**design.unrefined
    )
    own = np.maximum(fit_scale * design.fit, design.between)
    sd = np.sqrt(own**2 + shared**2 + (share * design.truth) ** 2)
    u2 = (off / sd) ** 2
    per_row = special.gammaln((df + 1) / 2) - special.gammaln(df / 2) - 0.5 * np.log(df)
    log_likelihood = (per_row - np.log(sd) - (df + 1) / 2 * np.log1p(u2 / df)).sum()
    penalty = (((p[n:] - _PRIOR) / _FIRM) ** 2).sum() + ((np.diff(p[:n]) / _STEP) ** 2).sum()
    return float(0.5 * penalty - log_likelihood)


def _knots(elevation: FloatArray) -> list[float]:
    """Knots around the elevations that occur (5th to 95th percentile)."""
    low, high = np.percentile(elevation, [5, 95])
    inside = [k for k in KNOTS_DEG if low - 5 <= k <= high + 5]
    return inside or [float(round(np.median(elevation)))]


def _weights(x: FloatArray, knots: Sequence[float] | FloatArray) -> FloatArray:
    """(n, K) weights of linear interpolation at x (n,) between knots (K,), held at the ends."""
    return np.stack([np.interp(x, knots, row) for row in np.eye(len(knots))], axis=1)


def _slope(estimate: FloatArray, truth: FloatArray) -> float:
    """Truth over estimate through 0 (fairness), by Huber weights; 1 unless clearly different."""
    slope, error = 1.0, np.inf
    for _ in range(30):
        off = truth - slope * estimate
        scale = max(float(np.median(np.abs(off))) / 0.6745, 1e-9)
        w = 1 / np.maximum(np.abs(off) / (1.345 * scale), 1)
        power = float((w * estimate**2).sum())
        if power <= 0:
            return 1.0
        slope = float((w * estimate * truth).sum()) / power
        error = scale / np.sqrt(power)
    return float(np.clip(slope, *SLOPE_RANGE)) if abs(slope - 1) > 2 * error else 1.0


def _usual_rep_spread(within: FloatArray, reps: FloatArray) -> tuple[float, float]:
    """Usual SD between reps and its degrees of freedom, by the moments of log variances (Smyth 2004)."""
    df = reps - 1
    use = (df > 0) & (within > 0)
    if use.sum() < 10:
        return max(float(np.sqrt(within.sum() / max(df.sum(), 1))), 1e-3), 4.0
    half = df[use] / 2
    e = np.log(within[use] / df[use]) - special.digamma(half) + np.log(half)
    excess = float(e.var(ddof=1) - special.polygamma(1, half).mean())
    prior = 2 * _inverse_trigamma(excess) if excess > 0.05 else 40.0
    prior = float(np.clip(prior, 1.0, 40.0))
    return float(np.exp((e.mean() + special.digamma(prior / 2) - np.log(prior / 2)) / 2)), prior


def _inverse_trigamma(value: float) -> float:
    """x with trigamma(x) = value > 0, by bisection of the logarithm."""
    return float(np.exp(optimize.brentq(lambda v: special.polygamma(1, np.exp(v)) - value, -6.0, 12.0)))


# ---- all measures together


def _family_scale(left_out: Sequence[_LeftOut], shares: Mapping[str, float], even: Set[str]) -> float:
    """Least factor on call limits with which surely no more than FALSE_CALLS of even screens name a side.

    even   names of the even lifters' screens; where they are too few every screen serves, whatever its truth:
           estimate minus truth is then taken for what an even lifter would give
    """
    clips: dict[str, list[_LeftOut]] = defaultdict(list)
    for e in left_out:
        clips[e.clip].append(e)
    if len(even & clips.keys()) >= LEAST_EVEN:
        clips = {name: clips[name] for name in even & clips.keys()}
    # a screen names a side as soon as the scale is below the largest of error over limit
    needed = []
    for measured in clips.values():
        total = sum(shares[e.measure] for e in measured)
        limits = [t_quantile(1 - FALSE_CALLS * shares[e.measure] / total / 2, e.df) for e in measured]
        needed.append(max(e.even / limit for e, limit in zip(measured, limits, strict=True)))
    most = [proportion(k, len(needed), 2 * SURE - 1).high for k in range(len(needed))]  # one-sided at SURE
    allowed = sum(high <= FALSE_CALLS for high in most) - 1
    return _round(float(np.clip(sorted(needed, reverse=True)[max(allowed, 0)], *FAMILY_RANGE)))
