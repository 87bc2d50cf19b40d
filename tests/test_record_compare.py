"""The comparison of two screens.

Outside sources: Holm 1979 (Scand J Stat 6:65-70) by a plain twin; false alarms of uncorrected looks at eight
measures, 33.66 %, by 1 - 0.95^8; scipy's normal quantile; Weir 2005 for the quadrature of re-tests.
"""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
import record_makers as makers
import reference_record as twin
import report_samples as samples
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import validate
from scipy.stats import norm

from asymscreen.document import Interval
from asymscreen.record.change import (
    family_factor,
    half_width,
    needed_change,
    needed_together,
)
from asymscreen.record.compare import Comparison, align, compare
from asymscreen.scoring.retest import load_retest

VERDICTS = {"changed", "no change that we can see", "not comparable"}
sizes = st.floats(0.1, 20)
moves = st.floats(-40, 40)


def test_the_same_screen_twice_shows_no_change() -> None:
    found = compare(samples.crossed(), samples.crossed())
    assert found.comparable
    assert {c.verdict for c in found.measures.values()} == {"no change that we can see"}
    assert all(c.change == 0 for c in found.measures.values())
    assert "Both screens are of the same clip." in found.notes
    assert found.summary == "Of 12 measures: 0 changed, 12 without a change that we can see."


def test_a_change_beyond_the_re_test_error_is_seen_and_named() -> None:
    later = makers.shifted(54.0, -0.3)
    found = compare(samples.crossed(), later, needed=lambda *_: 1.5)
    tuck, tilt = found.measures["tuck_bottom"], found.measures["bar_tilt_bottom"]
    assert tuck.before == pytest.approx(12.3)
    assert tuck.after == pytest.approx(1.1)
    assert tuck.change == pytest.approx(-11.2)
    assert (tuck.verdict, tuck.direction) == ("changed", "smaller")
    assert tuck.right is not None
    assert tuck.right.change == pytest.approx(11.2)
    assert tuck.left is not None
    assert tuck.left.change == 0
    assert (tilt.verdict, tilt.direction) == ("changed", "smaller")
    assert tilt.left is None
    assert found.summary == "Of 12 measures: 2 changed, 10 without a change that we can see."


def test_a_change_within_the_re_test_error_is_not_a_change() -> None:
    found = compare(samples.crossed(), makers.shifted(45.5, 2.0))
    assert {c.verdict for c in found.measures.values()} == {"no change that we can see"}
    assert found.measures["tuck_bottom"].direction == ""


def test_a_difference_that_goes_over_to_the_other_side_is_said() -> None:
    found = compare(samples.crossed(), makers.shifted(68.0, -2.4))
    assert found.measures["tuck_bottom"].direction == "went over to the other side"
    assert compare(samples.crossed(), makers.shifted(25.0, 2.4)).measures["tuck_bottom"].direction == "larger"


def test_the_other_side_is_not_named_while_the_later_screen_is_unsure_of_it() -> None:
    # 55.1 - 56.6 = -1.5 with an error of 2.6: that is even, not the other side
    found = compare(samples.crossed(), makers.shifted(56.6, 2.4)).measures["tuck_bottom"]
    assert (found.verdict, found.direction) == ("changed", "smaller")


@given(sizes, sizes)
def test_what_is_needed_is_both_errors_and_the_re_set_in_quadrature(first: float, second: float) -> None:
    one, two = (samples.two(50, 40, error, 99, "left") for error in (first, second))
    table = load_retest().measures["tuck_bottom"]
    expected = twin.needed((table.kept * first, table.kept * second), table.reset95)
    assert needed_change("tuck_bottom", one, two) == pytest.approx(expected)
    assert needed_change("tuck_bottom", one, two) >= table.kept * math.sqrt(2) * min(first, second) - 1e-9
    bare = one.model_copy(update={"difference": one.difference.model_copy(update={"low": None})})
    assert half_width(bare) == 99


def test_without_a_stated_error_nothing_is_claimed() -> None:
    bare = samples.crossed()
    unsure = {"noise_floor": None, "difference": Interval(value=12.3, low=None, high=None)}
    measure = bare.measures["tuck_bottom"].model_copy(update=unsure)
    later = bare.model_copy(update={"measures": bare.measures | {"tuck_bottom": measure}})
    found = compare(bare, later).measures["tuck_bottom"]
    assert (found.verdict, found.needed) == ("not comparable", None)
    assert found.reason == "one of the two clips states no error"


def test_the_family_factor_is_bonferronis() -> None:
    for m in (1, 2, 8, 12):
        assert family_factor(m) == pytest.approx(norm.ppf(1 - 0.025 / m) / norm.ppf(0.975), rel=1e-9)
    assert family_factor(1) == pytest.approx(1)


@given(st.lists(st.tuples(moves, sizes), min_size=1, max_size=12))
def test_the_verdicts_are_those_of_holm(pairs: list[tuple[float, float]]) -> None:
    """Against the plain step-down on p values; pairs within a hair of the limit are left to either."""
    changes = {str(k): pair for k, pair in enumerate(pairs)}
    limits = needed_together(changes)
    got = [abs(change) > limits[name] for name, (change, _) in changes.items()]
    p = [twin.two_sided_p(*pair) for pair in pairs]
    close = any(abs(a / (0.05 / k) - 1) < 1e-6 for a in p for k in range(1, len(p) + 1))
    ties = len({round(v, 12) for v in p}) < len(p) and any(v > 1e-12 for v in p)
    if not close and not ties:
        assert got == twin.holm_rejects(p)


def test_an_unchanged_lifter_is_called_changed_in_5_percent_not_in_a_third() -> None:
    rng = np.random.default_rng(8)
    z = rng.normal(size=(4000, 8))
    alone = float(norm.ppf(0.975))
    uncorrected = (np.abs(z) > alone).any(axis=1).mean()
    assert uncorrected == pytest.approx(1 - 0.95**8, abs=0.02)
    false = 0
    for row in z:
        limits = needed_together({str(k): (v, alone) for k, v in enumerate(row)})
        false += any(abs(v) > limits[str(k)] for k, v in enumerate(row))
    assert 0.035 < false / len(z) < 0.06


def test_a_caller_may_bring_its_own_re_test_error() -> None:
    found = compare(samples.crossed(), makers.shifted(44.0, 2.4), needed=lambda n, a, b: 1.0, together=False)
    assert found.measures["tuck_bottom"].needed == 1.0
    assert found.measures["tuck_bottom"].verdict == "changed"


@pytest.mark.parametrize(
    ("part", "changes", "said"),
    [
        ("capture", {"view": "head-end"}, "Filmed from another view: foot-end before, head-end after."),
        ("sheet", {"load_kg": 84.5}, "Another load: 80 kg before, 84.5 kg after; more than 5 % apart."),
        ("sheet", {"load_kg": 75.5}, "Another load"),
        ("sheet", {"grip": "wide"}, "Another grip: narrow before, wide after."),
        (
            "sheet",
            {"camera_height_m": 1.75},
            "The phone stood at another height: 2.00 m before, 1.75 m after.",
        ),
        ("clip", {"mirrored": True}, "Only the later clip is stored mirrored"),
        ("sheet", {"lifter": "L-021"}, "Two different lifters: L-014 and L-021."),
        ("capture", {"usable": False}, "The later clip could not be screened."),
    ],
)
def test_what_cannot_be_compared_says_why_and_shows_no_change(
    part: str, changes: dict[str, Any], said: str
) -> None:
    base = {"sheet": {"grip": "narrow", "camera_height_m": 2.0}}
    earlier = makers.screen(**base)
    later = makers.screen(**(base | {part: base.get(part, {}) | changes}))
    found = compare(earlier, later)
    assert not found.comparable
    assert said in found.reasons[0]
    assert {c.verdict for c in found.measures.values()} == {"not comparable"}
    assert all(c.change is None and c.needed is None and c.reason for c in found.measures.values())
    assert found.curves == {}
    assert found.measures["tuck_bottom"].before == pytest.approx(12.3)


@pytest.mark.parametrize(
    ("part", "changes"),
    [("sheet", {"load_kg": 84.0}), ("sheet", {"load_kg": 76.0}), ("sheet", {"load_kg": None}),
     ("sheet", {"grip": " Narrow "}), ("sheet", {"grip": None}), ("sheet", {"camera_height_m": 2.2}),
     ("sheet", {"camera_height_m": None}), ("capture", {"height_m": 2.3})],
)  # fmt: skip
def test_small_or_unknown_differences_of_the_set_up_are_compared(part: str, changes: dict[str, Any]) -> None:
    base = {"sheet": {"grip": "narrow", "camera_height_m": 2.0}}
    later = makers.screen(**(base | {part: base.get(part, {}) | changes}))
    assert compare(makers.screen(**base), later).comparable


def test_without_any_height_the_elevation_is_held_against() -> None:
    bare = {"capture": {"height_m": None}}
    earlier = makers.screen(**bare)
    assert compare(earlier, makers.screen(capture={"height_m": None, "elevation_deg": 50.0})).comparable
    found = compare(earlier, makers.screen(capture={"height_m": None, "elevation_deg": 30.0}))
    assert found.reasons == ["The phone looked down at another angle: 44 deg before, 30 deg after."]


def test_what_was_noted_once_or_never_is_a_note() -> None:
    notes = compare(makers.screen(sheet={"load_kg": None}), makers.screen()).notes
    assert "The load was noted for one screen only." in notes
    assert "The grip was not noted for either screen." in notes


def test_another_version_or_number_of_reps_is_a_note() -> None:
    reps = [r.model_dump() for r in samples.crossed().reps[:2]]
    notes = compare(makers.screen(), makers.screen(software={"version": "9.9"}, reps=reps)).notes
    assert any("two versions (0.1.0, 9.9)" in note for note in notes)
    assert "Not the same number of full reps: 3 before, 2 after." in notes


def test_a_measure_that_one_clip_does_not_show_is_not_comparable() -> None:
    found = compare(samples.crossed(), samples.not_measurable())
    measures = samples.not_measurable().measures
    later = compare(samples.crossed(), samples.crossed().model_copy(update={"measures": measures}))
    assert not found.comparable
    tuck = later.measures["tuck_bottom"]
    assert tuck.reason.startswith("not measurable in the later clip: the phone stood too low")
    assert later.measures["lockout_time"].reason == "the later screen does not have this measure"
    assert later.measures["elbow_flexion_bottom"].verdict in VERDICTS


def test_to_compare_the_other_way_round_turns_every_sign() -> None:
    one, two = samples.crossed(), makers.shifted(52.0, 0.4)
    there, back = compare(one, two), compare(two, one)
    for name, change in there.measures.items():
        assert change.change == pytest.approx(-(back.measures[name].change or 0))
        assert change.verdict == back.measures[name].verdict


def test_the_document_follows_its_schema_and_comes_back() -> None:
    found = compare(
        samples.crossed(), makers.shifted(52.0, 0.4), ids=("a", "b"), filmed_on=("2026-03-09", "2026-04-06")
    )
    raw = json.loads(found.to_json())
    validate(raw, Comparison.model_json_schema(by_alias=True))
    assert raw["schema"] == "asymscreen.comparison/1"
    assert raw["earlier"]["id"] == "a"
    assert raw["later"]["filmed_on"] == "2026-04-06"
    assert Comparison.model_validate(raw) == found
    assert found.bottoms == {"earlier": "bottom-1.jpg", "later": "bottom-1.jpg"}


def test_documents_by_path_know_their_day_where_the_clip_tells_it() -> None:
    dated = makers.screen(clip={"recorded": "2026-03-09T10:11:12Z"})
    found = compare(dated, samples.crossed())
    assert (found.earlier.filmed_on, found.later.filmed_on) == ("2026-03-09", None)


def test_curves_are_aligned_so_that_the_bottoms_meet() -> None:
    later = makers.screen()
    curve = later.curves["tuck"].model_copy(update={"bottom_percent": 40.0})
    later = later.model_copy(update={"curves": later.curves | {"tuck": curve}})
    found = compare(samples.crossed(), later).curves["tuck"]
    assert found.bottom_percent == 47.0
    assert curve.left is not None
    assert found.after["left"][47] == pytest.approx(curve.left.mean[40], abs=1e-9)
    assert found.before["left"][47] == pytest.approx(samples.crossed().curves["tuck"].left.mean[54], abs=1e-9)
    assert (found.after["left"][0], found.after["left"][100]) == (curve.left.mean[0], curve.left.mean[100])


@given(
    st.lists(st.one_of(st.none(), st.floats(-100, 100)), min_size=2, max_size=40),
    st.integers(5, 95),
    st.integers(5, 95),
)
def test_alignment_matches_the_plain_twin(mean: list[float | None], bottom: int, to: int) -> None:
    got, expected = align(mean, float(bottom), float(to)), twin.align(mean, float(bottom), float(to))
    assert len(got) == 101
    for a, b in zip(got, expected, strict=True):
        if a is not None and b is not None:
            assert a == pytest.approx(b, abs=1e-6)
    assert sum((a is None) != (b is None) for a, b in zip(got, expected, strict=True)) <= len(mean)
