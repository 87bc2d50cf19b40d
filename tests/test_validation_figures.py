"""Figures of `asymscreen validate` against plain loops, published statistics and invented screens."""

from __future__ import annotations

import numpy as np
import pytest
import reference_validation as twin
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from validation_makers import pairing, solved, truth

from asymscreen.scoring.noise import load_error_model
from asymscreen.validation import figures
from asymscreen.validation.cases import Case
from asymscreen.validation.sensitivity import (
    LEAST_SCREENS,
    advice_words,
    conditions_of,
    filming_advice,
    sensitivity,
)

numbers = st.lists(st.tuples(st.floats(-30, 30), st.floats(-9, 9)), min_size=3, max_size=25)


@given(numbers)
def test_figures_agree_with_the_plain_loop(rows: list[tuple[float, float]]) -> None:
    found = [pairing(error, true) for true, error in rows]
    got = figures.of_measure(found, len(found) + 2)
    want = twin.error_figures([p.value for p in found], [p.truth for p in found])
    assert (got["measurable"], got["of"]) == (len(found), len(found) + 2)
    for key in ("bias", "mean_absolute_error", "sem"):
        assert got[key] == pytest.approx(want[key], abs=6e-4)
    assert got["limits_of_agreement"] == pytest.approx([want["low"], want["high"]], abs=2e-3)
    # Weir 2005: MDC95 = 1.96 sqrt2 SEM; one screen against even needs 1.96 SEM
    assert got["mdc95"] == pytest.approx(1.959964 * 2**0.5 * want["sem"], abs=2e-3)
    assert got["difference95"] == pytest.approx(1.959964 * want["sem"], abs=2e-3)
    assert got["coverage"] == pytest.approx(np.mean([abs(p.error) <= 3 + 1e-9 for p in found]), abs=2e-3)


def test_two_screens_give_no_figure() -> None:
    assert figures.of_measure([pairing(1.0), pairing(2.0)], 5) == {"measurable": 2, "of": 5}


def test_alike_truths_have_no_icc_and_different_ones_do() -> None:
    assert figures.of_measure([pairing(e) for e in (1.0, -1.0, 0.5)], 3)["icc"] is None
    apart = [pairing(0.01 * k, 10.0 * k) for k in range(5)]
    assert figures.of_measure(apart, 5)["icc"] == pytest.approx(1.0, abs=1e-3)


def test_even_lifters_have_figures_of_their_own() -> None:
    errors = (0.5, -1.0, 0.25)
    found = [pairing(e, even=True) for e in errors] + [pairing(9.0, 5.0)] * 4
    got = figures.of_measure(found, len(found))
    assert (got["even_screens"], got["even_largest"]) == (3, 1.0)
    assert got["even_sd"] == pytest.approx(np.std(errors, ddof=1), abs=6e-4)
    assert "even_sd" not in figures.of_measure(found[2:], 5)


def test_hit_rates_count_only_the_right_side() -> None:
    named = [
        pairing(0.5, 9.0, call="left"),
        pairing(0.5, -9.0, call="both"),
        pairing(-20.0, 9.0, call="right"),
        pairing(0.0, 10.0),
    ]
    (step,) = figures.hit_rates(named)
    assert step["error"] == pytest.approx((0.5 + 0.5 + 20.0 + 0.0) / 4)
    assert (step["from"], step["to"], step["of"], step["right"], step["wrong"]) == (8.0, 12.0, 4, 2, 1)
    # Clopper & Pearson 1934 by scipy
    theirs = stats.binomtest(2, 4).proportion_ci(0.95, method="exact")
    assert step["interval"] == pytest.approx([theirs.low, theirs.high], abs=6e-4)
    assert figures.tuck_named(named) == {"right": 2, "wrong": 1, "of": 4}
    assert figures.hit_rates([]) == []


def test_even_lifters_count_once_whatever_measures_name_them() -> None:
    cases = [
        Case("loud", truth(even=True), solved(tuck=40.0, tilt=9.0)),
        Case("still", truth(even=True), solved()),
        Case("uneven", truth(), solved(tuck=40.0)),
        Case("gone", truth(even=True), None, "no press"),
    ]
    found = figures.named_of_even(cases, figures.call_cases(cases, load_error_model()))
    assert (found["named"], found["of"], found["screens"]) == (1, 2, ["loud"])
    assert found["by"] == {"tuck_bottom": 1, "bar_tilt_bottom": 1}


def test_refusals_are_told_apart() -> None:
    cases = [
        Case("empty", truth({}), None, "nobody"),
        Case("ghost", truth({}), solved()),
        Case("lost", truth(), None, "nobody"),
        Case("good", truth(), solved()),
    ]
    found = figures.refusals(cases)
    assert found["refused"] == {"empty": "nobody", "lost": "nobody"}
    assert (found["rightly"], found["should_be_refused"]) == (["empty"], ["ghost"])
    assert found["reasons"] == {"nobody": 2}


def test_reps_are_right_within_a_tenth_of_a_second() -> None:
    reps = [{"bottom_s": 1.58}, {"bottom_s": 4.7}, {"bottom_s": 8.0}]
    found = figures.reps_right([Case("a", truth(reps=reps), solved())])
    assert found == {"right": 1, "of": 3, "found": 2}


def test_fairness_finds_a_mirror_image_that_differs() -> None:
    model = load_error_model()
    fair = Case("fair", truth(), solved(12.0, 2.0), mirror=solved(-12.0, -2.0), mirror_tried=True)
    unfair = Case("unfair", truth(), solved(40.0), mirror=solved(40.0), mirror_tried=True)
    half = Case("half", truth(), solved(), mirror=None, mirror_tried=True)
    untried = Case("untried", truth(), solved())
    cases = [fair, unfair, half, untried]
    found = figures.fairness(cases, figures.call_cases(cases, model), model)
    assert (found["screens"], found["one_refused"]) == (3, ["half"])
    assert found["other_calls"] == ["unfair tuck_bottom"]
    assert found["largest"]["tuck_bottom"] > 70
    alone = figures.fairness([fair], figures.call_cases([fair], model), model)
    assert alone["largest"] == {"tuck_bottom": 0.0, "bar_tilt_bottom": 0.0}


# ---- where the phone stood


def _filmed(error_at: dict[float, float], each: int) -> tuple[list[Case], list[figures.Pairing]]:
    found = []
    for elevation, error in error_at.items():
        for k in range(each):
            name = f"{elevation:g}-{k}"
            found.append(
                pairing(error if k % 2 else -error, name=name, elevation_deg=elevation, azimuth_deg=178.0)
            )
    return [p.case for p in found], found


def test_bins_hold_every_screen_once_and_its_error() -> None:
    cases, found = _filmed({12.0: 6.0, 33.0: 3.0, 47.0: 1.0}, 4)
    bins = sensitivity(cases, found)
    counts = [e["screens"] for e in bins["elevation_deg"]]
    assert counts == [
        n for n in twin.binned([12.0] * 4 + [33.0] * 4 + [47.0] * 4, (0, 10, 20, 25, 30, 35, 40, 45, 50)) if n
    ]
    assert [e["measures"]["tuck_bottom"]["error"] for e in bins["elevation_deg"]] == [6.0, 3.0, 1.0]
    # from the head end 178 deg is 2 deg off the middle
    assert [(e["from"], e["screens"]) for e in bins["azimuth_deg"]] == [(2, 12)]
    assert [(e["from"], e["screens"]) for e in bins["short_side_px"]] == [(600, 12)]


def test_advice_follows_the_error_and_needs_enough_screens() -> None:
    cases, found = _filmed({12.0: 8.0, 33.0: 1.1, 37.0: 1.0, 47.0: 5.0}, LEAST_SCREENS)
    (advice,) = filming_advice(sensitivity(cases, found))
    assert (advice.condition, advice.low, advice.high) == ("elevation_deg", 30.0, 40.0)
    assert advice.screens == 2 * LEAST_SCREENS
    assert advice.outside is not None
    assert advice.outside > 4 * advice.best
    assert (advice.worse_below, advice.worse_above) == (True, True)
    assert "Best from 30 to 40 deg over the chest (16 screens): below and above" in advice_words([advice])[0]
    few = _filmed({12.0: 8.0, 33.0: 1.1, 37.0: 1.0}, LEAST_SCREENS - 1)
    assert filming_advice(sensitivity(*few)) == []


def test_a_bin_in_which_nothing_could_be_measured_is_not_advised() -> None:
    cases, found = _filmed({33.0: 1.0, 37.0: 1.0}, LEAST_SCREENS)
    lost = [Case(f"lost-{k}", truth(elevation_deg=42.0), None, "hidden") for k in range(LEAST_SCREENS)]
    (advice,) = filming_advice(sensitivity(cases + lost, found))
    assert advice.high == 40.0
    assert "above that the error" in advice_words([advice])[0]


def test_where_nothing_was_worse_the_advice_says_so_and_thin_bins_do_not_cut_it() -> None:
    thick = _filmed({33.0: 1.0, 47.0: 1.1}, LEAST_SCREENS)
    thin = _filmed({42.0: 9.0}, 2)
    (advice,) = filming_advice(sensitivity(thick[0] + thin[0], thick[1] + thin[1]))
    assert (advice.low, advice.high, advice.outside) == (30.0, 50.0, None)
    assert "about the same (16 screens)" in advice_words([advice])[0]


def test_the_solved_place_serves_where_the_truth_has_none() -> None:
    at = conditions_of(Case("a", truth(), solved(elevation=31.0)))
    assert at == {"elevation_deg": 31.0, "azimuth_deg": 1.0, "distance_m": 2.2, "short_side_px": 720.0}
    inner = conditions_of(Case("a", truth(capture={"elevation_deg": 50.0, "extra": 1}), solved()))
    assert inner["elevation_deg"] == 50.0
