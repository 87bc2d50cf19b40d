"""Reliability statistics against published worked examples, pingouin, scipy.stats and plain loops."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from reference_scoring import icc_loop, limits_loop, mean_squares_loop
from scipy import stats

from asymscreen.errors import UsageError
from asymscreen.scoring.statistics import (
    ICC_FORMS,
    Estimate,
    bias,
    chi2_interval,
    coverage,
    icc,
    icc_band,
    icc_forms,
    limits_of_agreement,
    mean_absolute_error,
    mean_squares,
    minimal_detectable_change,
    proportion,
    sem,
    t_quantile,
    t_two_sided,
)

# Shrout & Fleiss 1979, Psychol Bull 86(2):420-428: six subjects, four judges
JUDGES = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
# Weir 2005, JSCR 19(1):231-240: eight subjects, two trials
WEIR = np.array([[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218]]).T
# Bland & Altman 1986, Lancet 327:307-310: peak flow by two meters
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

tables = st.tuples(st.integers(2, 8), st.integers(2, 5)).flatmap(
    lambda shape: arrays(np.float64, shape, elements=st.integers(-50, 50).map(float))
)


@pytest.mark.parametrize(
    ("form", "published"),
    [
        ("1,1", 0.165742),
        ("2,1", 0.289764),
        ("3,1", 0.714841),
        ("1,k", 0.442797),
        ("2,k", 0.620051),
        ("3,k", 0.909316),
    ],
)
def test_icc_of_shrout_and_fleiss(form: str, published: float) -> None:
    assert icc(JUDGES, form).value == pytest.approx(published, abs=5e-7)


LABELS = {  # pingouin 0.5 and 0.7 name the forms differently
    "ICC1": "1,1", "ICC2": "2,1", "ICC3": "3,1", "ICC1k": "1,k", "ICC2k": "2,k", "ICC3k": "3,k",
    "ICC(1,1)": "1,1", "ICC(A,1)": "2,1", "ICC(C,1)": "3,1",
    "ICC(1,k)": "1,k", "ICC(A,k)": "2,k", "ICC(C,k)": "3,k",
}  # fmt: skip


@pytest.mark.parametrize("seed", range(6))
def test_icc_agrees_with_pingouin(seed: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what pingouin and its imports warn of is not ours
        import pingouin

        rng = np.random.default_rng(seed)
        n, k = int(rng.integers(4, 12)), int(rng.integers(2, 5))
        table = (
            rng.normal(0, 3, (n, 1)) + rng.normal(0, 1, (1, k)) + rng.normal(0, rng.uniform(0.5, 4), (n, k))
        )
        cells = [(i, j, table[i, j]) for i in range(n) for j in range(k)]
        frame = pd.DataFrame(cells, columns=["subject", "trial", "value"])
        theirs = pingouin.intraclass_corr(frame, targets="subject", raters="trial", ratings="value")
    interval = "CI95" if "CI95" in theirs else "CI95%"
    ours = icc_forms(table)
    assert {LABELS[t] for t in theirs["Type"]} == set(ICC_FORMS)
    for _, row in theirs.iterrows():
        got = ours[LABELS[row["Type"]]]
        assert got.value == pytest.approx(row["ICC"], abs=1e-9)
        assert [got.low, got.high] == pytest.approx(list(row[interval]), abs=0.0051)  # theirs has 2 decimals


@given(tables)
def test_icc_and_mean_squares_agree_with_the_plain_loops(table: np.ndarray) -> None:
    ms = mean_squares(table)
    assert [ms.between, ms.within, ms.trials, ms.error] == pytest.approx(mean_squares_loop(table), abs=1e-9)
    assume(ms.between > 0.1 and ms.error > 0.1)
    for form in ("1,1", "2,1", "3,1", "2,k", "1,k", "3,k"):
        got = icc(table, form)
        if np.isfinite(got.value):
            assert got.value == pytest.approx(icc_loop(table, form), rel=1e-6, abs=1e-9)


@given(tables, st.floats(0.1, 10), st.floats(-100, 100))
def test_icc_ignores_unit_and_origin_and_lies_in_its_interval(table: np.ndarray, a: float, b: float) -> None:
    ms = mean_squares(table)
    assume(ms.between > 0.1 and ms.error > 0.1)
    for form in ICC_FORMS:
        got, moved = icc(table, form), icc(a * table + b, form)
        assert moved.value == pytest.approx(got.value, rel=1e-6, abs=1e-6)
        if form[0] == "2" and got.value < 0:
            continue  # McGraw & Wong's approximation may break down there, and then gives no interval
        assert got.low <= got.value + 1e-12
        assert got.value <= got.high + 1e-12


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.10, 0.49, "poor"), (0.50, 0.74, "moderate"), (0.76, 0.89, "good"), (0.91, 0.99, "excellent"),
        (0.83, 0.93, "good to excellent"), (-0.2, 0.95, "poor to excellent"), (np.nan, np.nan, ""),
    ],
)  # fmt: skip
def test_icc_bands_are_read_on_the_interval(low: float, high: float, words: str) -> None:
    # Koo & Li 2016, J Chiropr Med 15(2):155-163: below 0.5, to 0.75, to 0.9, above
    assert icc_band(Estimate((low + high) / 2, low, high)) == words


@pytest.mark.parametrize("seed", range(4))
def test_sem_and_intervals_agree_with_pingouin_and_scipy(seed: int) -> None:
    """The error mean square is that of pingouin's repeated-measures analysis of variance."""
    rng = np.random.default_rng(100 + seed)
    n, k = int(rng.integers(5, 15)), int(rng.integers(2, 5))
    table = rng.normal(40, 6, (n, 1)) + rng.normal(0, 2, (n, k))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what pingouin and its imports warn of is not ours
        import pingouin

        cells = [(i, j, table[i, j]) for i in range(n) for j in range(k)]
        frame = pd.DataFrame(cells, columns=["subject", "trial", "value"])
        theirs = pingouin.rm_anova(frame, dv="value", within="trial", subject="subject", detailed=True)
    error = theirs.loc[theirs["Source"] == "Error"].iloc[0]
    got = sem(table)
    assert got.value == pytest.approx(np.sqrt(float(error["MS"])), abs=2e-3)
    df = (n - 1) * (k - 1)
    ends = [np.sqrt(df * got.value**2 / stats.chi2.ppf(p, df)) for p in (0.975, 0.025)]
    assert chi2_interval(df * got.value**2, df) == pytest.approx(ends)
    assert minimal_detectable_change(got.value) == pytest.approx(stats.norm.ppf(0.975) * 2**0.5 * got.value)


def test_icc_of_tables_without_noise() -> None:
    same = np.array([[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]])
    assert icc(same, "1,1").value == icc(same, "2,1").value == icc(same, "3,k").value == 1.0
    assert np.isnan(icc(np.ones((3, 2)), "2,1").value)
    shifted = icc(same + np.array([0.0, 1.0]), "2,1")
    assert shifted.value < 1
    assert np.isnan(shifted.low)
    assert np.isnan(icc(same + np.array([0.0, 1.0]), "2,k").low)


def test_sem_and_detectable_change_of_weir() -> None:
    # Weir 2005: error mean square 57.1071, SEM 7.5569, minimal difference 20.947, ICC(3,1) 0.947016
    assert mean_squares(WEIR).error == pytest.approx(57.1071, abs=5e-5)
    assert sem(WEIR).value == pytest.approx(7.5569, abs=5e-5)
    assert minimal_detectable_change(sem(WEIR).value) == pytest.approx(20.947, abs=1e-3)
    assert icc(WEIR, "3,1").value == pytest.approx(0.947016, abs=5e-7)
    # SD * sqrt(1 - ICC) is not the same thing: 7.308 with ICC(3,1), 7.101 with ICC(2,1)
    by_icc = [WEIR.std(ddof=1) * np.sqrt(1 - icc(WEIR, form).value) for form in ("3,1", "2,1")]
    assert by_icc == pytest.approx([7.308, 7.101], abs=5e-4)


def test_sem_interval_holds_the_true_sem() -> None:
    # scipy.stats.chi2 gives the ends; over 800 tables the interval must hold the truth
    df, total = 7, 7 * mean_squares(WEIR).error
    ends = [np.sqrt(total / stats.chi2.ppf(p, df)) for p in (0.975, 0.025)]
    assert [sem(WEIR).low, sem(WEIR).high] == pytest.approx(ends)
    rng = np.random.default_rng(3)
    found = [sem(rng.normal(0, 5, (8, 1)) + rng.normal(0, 2, (8, 2))) for _ in range(800)]
    assert 0.93 <= np.mean([e.low <= 2 <= e.high for e in found]) <= 0.97


def test_mean_of_k_reps_and_the_camera_set_up_again() -> None:
    # [G] SEM 2 deg: 5.544 for one, 2.479 for five; the error of setting the camera up again does not shrink
    assert minimal_detectable_change(2) == pytest.approx(5.544, abs=5e-4)
    assert minimal_detectable_change(2, 5) == pytest.approx(2.479, abs=5e-4)
    assert minimal_detectable_change(2, 10**9, 1.5) == pytest.approx(minimal_detectable_change(1.5), abs=1e-3)


def test_false_changes_of_unchanged_pairs() -> None:
    # [G] |d| > 1.96 sqrt2 SEM happens in 5.0 % of unchanged pairs, and in any of 8 measures in 33.66 %
    rng = np.random.default_rng(11)
    pairs = rng.normal(0, 2, (2, 60_000, 8))
    beyond = np.abs(pairs[0] - pairs[1]) > minimal_detectable_change(2)
    assert beyond.mean() == pytest.approx(0.050, abs=0.001)
    assert beyond.any(axis=1).mean() == pytest.approx(0.3366, abs=0.006)


def test_limits_of_bland_and_altman() -> None:
    # Bland & Altman 1986: bias -2.1176, SD 38.7651, limits -78.0973 and 73.8620
    got = limits_of_agreement(LARGE, MINI)
    assert got.n == 17
    assert got.bias.value == pytest.approx(-2.1176, abs=5e-5)
    assert got.sd == pytest.approx(38.7651, abs=5e-5)
    assert got.lower.value == pytest.approx(-78.0973, abs=2e-3)
    assert got.upper.value == pytest.approx(73.8620, abs=2e-3)
    # the paper's interval of the bias, -22.0 to 17.8 (from memory), and scipy's t interval
    assert [got.bias.low, got.bias.high] == pytest.approx([-22.0, 17.8], abs=0.06)
    d = np.subtract(LARGE, MINI)
    assert [got.bias.low, got.bias.high] == pytest.approx(
        stats.t.interval(0.95, 16, d.mean(), stats.sem(d)), abs=1e-9
    )


def test_interval_of_the_limits_holds_the_true_limit() -> None:
    rng = np.random.default_rng(8)
    hits = []
    for _ in range(1500):
        got = limits_of_agreement(rng.normal(1, 2, 40), np.zeros(40))
        hits.append(got.upper.low <= 1 + 1.959964 * 2 <= got.upper.high)
    assert 0.93 <= np.mean(hits) <= 0.97


pairs = st.integers(3, 20).flatmap(lambda n: arrays(np.float64, (2, n), elements=st.floats(-100, 100)))


@given(pairs)
def test_agreement_and_its_plain_loop_and_swapping_methods(x: np.ndarray) -> None:
    got, swapped = limits_of_agreement(*x), limits_of_agreement(x[1], x[0])
    found = (got.bias.value, got.sd, got.lower.value, got.upper.value)
    assert found == pytest.approx(limits_loop(*x), abs=1e-4)
    assert swapped.bias.value == pytest.approx(-got.bias.value, abs=1e-9)
    assert swapped.upper.value == pytest.approx(-got.lower.value, abs=1e-9)
    assert bias(*x).value == pytest.approx(got.bias.value)
    assert mean_absolute_error(*x).value == pytest.approx(
        sum(abs(a - b) for a, b in x.T.tolist()) / x.shape[1], abs=1e-9
    )
    assert mean_absolute_error(*x).value >= abs(bias(*x).value) - 1e-9


@given(st.integers(1, 300), st.data())
def test_proportion_agrees_with_scipys_exact_interval(n: int, data: st.DataObject) -> None:
    hits = data.draw(st.integers(0, n))
    got = proportion(hits, n)
    theirs = stats.binomtest(hits, n).proportion_ci(0.95, method="exact")
    assert [got.low, got.high] == pytest.approx([theirs.low, theirs.high], abs=1e-9)


def test_proportion_of_newcombe() -> None:
    # Newcombe 1998, Stat Med 17:857-872, Clopper-Pearson column (from memory): 81/263 and 15/148
    assert [proportion(81, 263).low, proportion(81, 263).high] == pytest.approx([0.2527, 0.3676], abs=5e-5)
    assert [proportion(15, 148).low, proportion(15, 148).high] == pytest.approx([0.0578, 0.1617], abs=5e-5)


def test_coverage_counts_the_ends_in() -> None:
    got = coverage([0, 0, 0, 0], [1, 1, 1, 1], [0, 1, 0.5, 1.1])
    assert got.value == 0.75
    assert got.low < 0.75 < got.high


@given(st.floats(0.001, 0.999), st.floats(1, 200))
def test_t_distribution_agrees_with_scipy_stats(p: float, df: float) -> None:
    assert t_quantile(p, df) == pytest.approx(stats.t.ppf(p, df), rel=1e-6, abs=1e-8)
    assert t_two_sided(t_quantile(p, df), df) == pytest.approx(2 * min(p, 1 - p), rel=1e-6)


def test_t_with_infinite_df_is_normal() -> None:
    assert t_quantile(0.975, np.inf) == pytest.approx(1.959964, abs=1e-6)
    assert t_two_sided(1.959964, np.inf) == pytest.approx(0.05, abs=1e-6)


def test_wrong_input_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match="at least 2 subjects by 2 trials"):
        icc([[1.0, 2.0]], "1,1")
    with pytest.raises(UsageError, match="1 gaps; drop subjects"):
        mean_squares([[1.0, 2.0], [np.nan, 1.0]])
    with pytest.raises(UsageError, match="ICC form: expected one of"):
        icc(JUDGES, "4,1")
    with pytest.raises(UsageError, match="at least 3 pairs"):
        limits_of_agreement([1, 2], [1, 2])
    with pytest.raises(UsageError, match="drop incomplete pairs"):
        bias([1, 2, 3], [1, 2])
    with pytest.raises(UsageError, match="0 <= hits <= n"):
        proportion(3, 2)
    with pytest.raises(UsageError, match="equal lengths without gaps"):
        coverage([0], [1], [np.nan])
    with pytest.raises(UsageError, match="SEM >= 0 and k >= 1"):
        minimal_detectable_change(1, 0)
