"""The error of setting the phone up anew: pairs of sessions, the shipped table, and what reads it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import reference_validation as twin
from hypothesis import given
from hypothesis import strategies as st
from validation_makers import pairing

from asymscreen.errors import SettingsError
from asymscreen.scoring.retest import RETEST_FILE, load_retest, retest_text
from asymscreen.scoring.rules import RULES
from asymscreen.validation.retest import (
    LEAST_KEPT,
    LEAST_PAIRS,
    needed_reset,
    retest,
    retest_table,
    share_kept,
)

LIFTER = [146, 148, 170, 90, 157, 156, 176, 205]
AGAIN = [140, 152, 152, 99, 145, 153, 167, 218]


def _pairs(errors: list[tuple[float, ...]], half: float = 3.0) -> list:
    return [
        pairing(e, half=half, name=f"{k}-{s}", lifter=f"L-{k:03d}", session=s)
        for k, row in enumerate(errors)
        for s, e in enumerate(row)
    ]


def test_sd_of_a_change_on_the_table_of_weir() -> None:
    # Weir 2005, JSCR 19:231-240: T1, T2 of eight subjects; SD of the differences by numpy. Within subjects
    # the mean square is half the mean squared difference (one-way); the paper's SEM of 7.557 takes the mean
    # difference of the trials off first
    got = retest(_pairs(list(zip(LIFTER, AGAIN, strict=True))))["tuck_bottom"]
    d = np.subtract(AGAIN, LIFTER)
    assert (got["lifters"], got["pairs"]) == (8, 8)
    assert got["sem"] == pytest.approx(np.sqrt((d**2).mean() / 2), abs=6e-4)
    assert got["sd"] == pytest.approx(np.sqrt((d**2).mean()), abs=6e-4)
    assert got["mdc95"] == pytest.approx(1.959964 * got["sd"], abs=2e-3)
    assert got["mean_change"] == pytest.approx(d.mean(), abs=6e-4)
    residual = np.sqrt(((d - d.mean()) ** 2).sum() / 7 / 2)
    assert residual == pytest.approx(7.5569, abs=5e-5)


@given(st.lists(st.lists(st.floats(-9, 9), min_size=2, max_size=4), min_size=2, max_size=8))
def test_within_lifters_agrees_with_the_plain_loop(errors: list[list[float]]) -> None:
    got = retest(_pairs([tuple(e) for e in errors]))["tuck_bottom"]
    assert got["sem"] == pytest.approx(twin.within_sd(errors), abs=6e-4)
    assert got["pairs"] == sum(len(e) * (len(e) - 1) // 2 for e in errors)


def test_a_lifter_filmed_once_or_without_a_code_is_no_pair() -> None:
    assert retest([pairing(1.0, lifter="L-001", session=1), pairing(2.0), pairing(1.0, session=2)]) == {}
    twice_the_same = [pairing(1.0, lifter="L-001", session=1), pairing(2.0, lifter="L-001", session=1)]
    assert retest(twice_the_same) == {}
    other_way = [pairing(1.0, lifter="L-001", session=1, preset="a"), pairing(2.0, lifter="L-001", session=2)]
    assert retest(other_way) == {}


def test_a_changed_truth_is_no_change_of_the_instrument() -> None:
    found = [pairing(0.5, 4.0, lifter="L-001", session=1), pairing(0.5, 9.0, lifter="L-001", session=2)]
    assert retest(found)["tuck_bottom"]["sem"] == 0.0


widths = st.floats(0.1, 4)


@given(st.lists(st.tuples(st.floats(-12, 12), widths, widths), min_size=1, max_size=40))
def test_the_re_set_is_the_smallest_that_holds_enough_pairs(stated: list[tuple[float, float, float]]) -> None:
    assert needed_reset(stated) == pytest.approx(twin.reset(stated), abs=1e-3)


def test_with_the_re_set_five_of_a_hundred_unchanged_pairs_lie_beyond() -> None:
    # [G] changes of SD s need 1.96 s; what both clips state explains a part of it
    rng = np.random.default_rng(5)
    learned = [(float(d), 2.0, 2.0) for d in rng.normal(0, 2.5, 4000)]
    found = needed_reset(learned)
    assert np.sqrt(8 + found**2) == pytest.approx(1.959964 * 2.5, rel=0.03)
    fresh = np.abs(rng.normal(0, 2.5, 4000)) > np.sqrt(8 + found**2)
    assert 0.035 <= fresh.mean() <= 0.065
    assert needed_reset([(float(d), 4.0, 4.0) for d in rng.normal(0, 1.0, 400)]) == 0.0


@given(st.lists(st.tuples(st.floats(-12, 12), widths, widths), min_size=1, max_size=40))
def test_the_share_kept_is_the_smallest_that_holds_enough_pairs(
    stated: list[tuple[float, float, float]],
) -> None:
    allowed = len(stated) - min(math.ceil((len(stated) + 1) * 0.95), len(stated))
    kept = share_kept(stated)
    assert LEAST_KEPT <= kept <= 1.0
    beyond = sum(abs(d) > (kept + 1e-9) * math.hypot(a, b) for d, a, b in stated)
    assert beyond <= allowed or kept == 1.0
    if kept > LEAST_KEPT:
        assert sum(abs(d) > (kept - 1e-6) * math.hypot(a, b) for d, a, b in stated) > allowed


def test_errors_that_both_clips_share_do_not_count_against_a_change() -> None:
    # [G] each clip is 2.0 off at 95 %, nearly all of it alike in both: changes of SD 0.5 need 0.98, not 2.83
    rng = np.random.default_rng(6)
    stated = [(float(d), 2.0, 2.0) for d in rng.normal(0, 0.5, 4000)]
    assert share_kept(stated) * math.sqrt(8) == pytest.approx(1.959964 * 0.5, rel=0.03)
    found = retest(_pairs([tuple(rng.normal(0, 0.5, 2)) for _ in range(60)], half=2.0))["tuck_bottom"]
    assert found["reset95"] == 0.0
    assert found["needed95"] == pytest.approx(found["kept"] * math.sqrt(8), rel=1e-3)
    assert found["needed95"] < found["stated95"]


def test_the_shipped_table_names_every_measure_and_says_what_is_assumed() -> None:
    table = load_retest()
    assert set(table.measures) == set(RULES)
    for name, m in table.measures.items():
        assert table.reset95(name, m.unit) == m.reset95
        assert m.assumed == (m.pairs == 0)
        assert m.assumed == (m.sd is None)
        assert table.assumed(name) == m.assumed
    assert table.reset95("another", "mm") == table.by_unit["mm"]
    assert table.assumed("another")


def test_a_comparison_says_that_the_re_set_was_assumed(monkeypatch: pytest.MonkeyPatch) -> None:
    import report_samples as samples

    from asymscreen.record import compare as module

    table = load_retest()
    some = {n: m.model_copy(update={"pairs": 30 * (n != "tuck_bottom")}) for n, m in table.measures.items()}
    none = {n: m.model_copy(update={"pairs": 30}) for n, m in table.measures.items()}
    for measures, said in ((some, "changes the numbers of 1 of "), (none, "")):
        other = table.model_copy(update={"measures": measures})
        monkeypatch.setattr(module, "load_retest", lambda other=other: other)
        notes = " ".join(module.compare(samples.crossed(), samples.crossed()).notes)
        assert ("assumed, not measured" in notes) == bool(said)
        assert said in notes


def test_measured_pairs_replace_what_was_assumed_and_too_few_do_not() -> None:
    before = load_retest()
    rng = np.random.default_rng(2)
    many = _pairs([tuple(rng.normal(0, 2.0, 2)) for _ in range(LEAST_PAIRS)], half=1.0)
    after = retest_table(retest(many), before, "9", "the command")
    measured = after.measures["tuck_bottom"]
    assert (measured.pairs, measured.assumed, after.version) == (LEAST_PAIRS, False, "9")
    assert measured.reset95 > 2.0
    assert after.measures["bar_tilt_bottom"] == before.measures["bar_tilt_bottom"]
    few = retest_table(retest(many[: 2 * (LEAST_PAIRS - 1)]), before, "9", "the command")
    assert few.measures["tuck_bottom"] == before.measures["tuck_bottom"]


def test_the_table_is_written_as_it_is_read(tmp_path: Path) -> None:
    table = load_retest()
    file = tmp_path / "retest.json"
    file.write_text(retest_text(table), encoding="utf-8")
    assert load_retest(file) == table
    assert RETEST_FILE.read_text(encoding="utf-8") == retest_text(table)
    file.write_text(json.dumps({"schema": "asymscreen.retest/1"}), encoding="utf-8")
    with pytest.raises(SettingsError, match="expected a re-test table"):
        load_retest(file)
    with pytest.raises(SettingsError, match="expected a re-test table"):
        load_retest(tmp_path / "gone.json")
