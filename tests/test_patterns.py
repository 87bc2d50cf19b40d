"""Patterns, the one sentence on top, and the cautions: from invented calls, word for word."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screens_maker import NAMES, reading

from asymscreen.scoring.calls import Measure, call_all
from asymscreen.scoring.noise import ClipContext, load_error_model
from asymscreen.scoring.patterns import CLAUSES, ORDER, cautions, find_patterns, summary
from asymscreen.scoring.rules import RULES

MODEL, CLIP = (
    load_error_model(Path(__file__).parent / "data" / "error-model-wide.json"),
    ClipContext("foot-end", 45.0, 720, refined=True),
)
MIDDLE = {"elbow_flexion_lockout": 12.0, "lockout_time": 0.9, "shoulder_height_bottom": 85.0}
REAL = {"deg": 15.0, "mm": 60.0, "s": 0.7}


def called(reps: int = 2, **d: float | list[float]) -> dict[str, Measure]:
    """All twelve measures; those named differ by `d`, the others by nothing."""
    readings = []
    for name in NAMES:
        value = d.get(name, 0.0)
        each = value if isinstance(value, list) else [value] * reps
        readings.append(reading(name, each, 0.1 * NAMES[name][2], MIDDLE.get(name, 52.0)))
    return call_all(readings, MODEL, CLIP)


def names(measures: dict[str, Measure]) -> list[str]:
    return [p.name for p in find_patterns(measures)]


# ---- patterns


def test_crossed_needs_the_low_bar_and_the_other_elbow() -> None:
    # low left (tilt positive), right elbow more tucked (left minus right positive); then the mirror of it
    pattern = find_patterns(called(bar_tilt_bottom=5.0, tuck_bottom=15.0))[0]
    assert (pattern.name, pattern.because) == ("crossed", ["bar_tilt_bottom", "tuck_bottom"])
    assert "low on the left and the right elbow is tucked more" in pattern.text
    assert "left shoulder girdle" in pattern.text
    mirrored = find_patterns(called(bar_tilt_bottom=-5.0, tuck_bottom=-15.0))[0]
    assert "low on the right and the left elbow is tucked more" in mirrored.text
    assert names(called(bar_tilt_bottom=5.0, tuck_bottom=-15.0)) == []
    assert names(called(bar_tilt_bottom=5.0)) == []
    assert names(called(tuck_bottom=15.0)) == []


def test_crossed_on_the_way_up_says_where_it_was_seen() -> None:
    pattern = find_patterns(called(bar_tilt_mid_ascent=5.0, tuck_mid_ascent=15.0))[0]
    assert pattern.because == ["bar_tilt_mid_ascent", "tuck_mid_ascent"]


def test_a_shoulder_low_under_the_low_bar() -> None:
    low = "low shoulder under a low bar"
    assert names(called(bar_tilt_bottom=5.0, shoulder_line_bottom=12.0)) == [low]
    # heights are left minus right: a negative difference is a low left shoulder
    found = find_patterns(called(bar_tilt_bottom=5.0, shoulder_height_bottom=-60.0))
    assert (found[0].name, found[0].because) == (low, ["bar_tilt_bottom", "shoulder_height_bottom"])
    assert names(called(bar_tilt_bottom=5.0, shoulder_height_bottom=60.0)) == []
    assert names(called(bar_tilt_bottom=5.0, shoulder_line_bottom=-12.0)) == []


def test_other_combinations() -> None:
    assert names(called(bar_shift_bottom=60.0, forearm_lean_bottom=15.0)) == ["off-centre grip"]
    assert names(called(bar_tilt_mid_ascent=5.0, lockout_time=0.7)) == ["one side lags"]
    assert names(called(bar_tilt_mid_ascent=5.0, lockout_time=-0.7)) == []
    assert names(called(bar_tilt_bottom=-5.0, elbow_flexion_bottom=-15.0)) == ["bent more under the low end"]
    assert names(called(bar_tilt_bottom=-5.0, elbow_flexion_bottom=15.0)) == []


findings = st.fixed_dictionaries({}, optional={n: st.sampled_from([-1, 1]) for n in NAMES})


@given(findings)
def test_patterns_rest_on_real_calls_and_swap_with_the_sides(signs: dict[str, int]) -> None:
    d = {n: s * (5.0 if n.startswith("bar_tilt") else REAL[NAMES[n][0]]) for n, s in signs.items()}
    here, there = called(**d), called(**{n: -v for n, v in d.items()})
    found, mirrored = find_patterns(here), find_patterns(there)
    assert [p.because for p in found] == [p.because for p in mirrored]
    for p, q in zip(found, mirrored, strict=True):
        assert all(here[n].call in ("left", "right", "both") for n in p.because)
        swapped = re.sub("left|right", lambda m: {"left": "right", "right": "left"}[m[0]], p.text)
        assert swapped == q.text


# ---- the sentence


def test_the_sentence_of_a_crossed_clip() -> None:
    text = summary(called(tuck_bottom=[11.0, 13.0], bar_tilt_bottom=2.4))
    assert re.fullmatch(
        r"The right elbow tucks 12 deg more than the left at the bottom \(±\d\.\d\), in both reps, "
        r"and the bar hangs 2\.4 deg low on the left\.",
        text,
    ), text


@pytest.mark.parametrize(
    ("d", "text"),
    [
        ({"tuck_mid_ascent": -15.0}, "The left elbow tucks 15 deg more than the right halfway up"),
        ({"bar_tilt_lockout": -5.0}, "The bar hangs 5.0 deg low on the right at lockout"),
        ({"elbow_flexion_bottom": 15.0}, "The right elbow is bent 15 deg less than the left at the bottom"),
        ({"elbow_flexion_lockout": 15.0}, "The left elbow is bent 15 deg more than the right at lockout"),
        ({"lockout_time": -0.7}, "The right elbow locks out 0.70 s after the left"),
        ({"shoulder_height_bottom": 60.0}, "The right shoulder lies 60 mm lower than the left at the bottom"),
        ({"shoulder_line_bottom": 12.0}, "The shoulder line is 12 deg low on the left at the bottom"),
        ({"forearm_lean_bottom": 15.0}, "The left forearm leans 15 deg further out than the right"),
        ({"bar_shift_bottom": -60.0}, "The bar sits 60 mm off the middle, to the right at the bottom"),
    ],
)
def test_the_sentence_of_one_finding(d: dict[str, float], text: str) -> None:
    got = summary(called(**d))
    assert got.startswith(text)
    assert got.endswith("), in both reps.")


def test_the_sentence_says_in_how_many_reps_and_what_more_there_is() -> None:
    assert ", in all 3 reps." in summary(called(3, tuck_bottom=15.0))
    assert ", in 5 of 6 reps." in summary(called(tuck_bottom=[16.0, 16.0, 16.0, 16.0, 16.0, -0.5]))
    assert "reps" not in summary(called(1, tuck_bottom=15.0))
    lost = call_all([reading("tuck_bottom", 0.0, 99.0)], MODEL, CLIP)
    three = summary(called(tuck_bottom=15.0, bar_tilt_bottom=5.0, lockout_time=0.7))
    assert three.endswith("; 1 more measure differs.")
    kin = summary(called(shoulder_height_bottom=-60.0, shoulder_line_bottom=12.0))
    assert kin.endswith("; 1 more measure differs.")
    assert "shoulder line" not in kin
    low = summary({n: m for n, m in called(bar_tilt_bottom=5.0).items() if not n.startswith("tuck")} | lost)
    assert low.endswith(", in both reps; this clip cannot show tuck.")
    up = summary(called(tuck_bottom=15.0, bar_tilt_mid_ascent=5.0))
    assert "and the bar hangs 5.0 deg low on the left halfway up" in up


def test_the_sentence_of_sides_that_press_alike() -> None:
    text = summary(called())
    assert re.fullmatch(
        r"Both sides press alike within what this clip can show \(tuck within \d\.\d deg, "
        r"elbow flexion within \d\.\d deg, bar tilt within \d\.\d deg\)\.",
        text,
    ), text
    some = call_all([reading("tuck_bottom", 0.0), reading("shoulder_height_bottom", 0.0, 99.0)], MODEL, CLIP)
    assert summary(some).endswith("deg); it cannot show shoulder height.")
    lost = called() | call_all([reading("tuck_bottom", 0.0, 99.0)], MODEL, CLIP)
    assert summary(lost).endswith("deg); it cannot show tuck at the bottom.")


def test_the_sentence_where_nothing_can_be_told() -> None:
    low = call_all([reading("tuck_bottom", 3.0, 9.0)], MODEL, CLIP)
    got = summary(low)
    assert got.startswith(
        "This clip cannot tell left from right in any measure: this clip shows it only to ±"
    )
    assert summary({}) == "This clip cannot tell left from right in any measure."
    assert summary({}, False, ["No press was found."]) == "This clip cannot be screened: no press was found."
    assert summary({}, False, ["L-014 is cut off"]) == "This clip cannot be screened: L-014 is cut off."
    assert summary({}, False) == "This clip cannot be screened."


@given(findings, st.integers(1, 3))
def test_the_sentence_is_one_sentence_that_swaps_with_the_sides(signs: dict[str, int], reps: int) -> None:
    d = {n: s * (5.0 if n.startswith("bar_tilt") else REAL[NAMES[n][0]]) for n, s in signs.items()}
    text = summary(called(reps, **d))
    assert text[0].isupper()
    assert text.endswith(".")
    assert not re.search(r"\.\s|  | ,|\{", text)
    other = summary(called(reps, **{n: -v for n, v in d.items()}))
    assert re.sub("left|right", "*", text) == re.sub("left|right", "*", other)


def test_every_measure_has_its_words() -> None:
    assert set(ORDER) == set(RULES)
    assert all(any(name.startswith(kind) for kind in CLAUSES) for name in RULES)


# ---- cautions


def test_cautions_that_always_stand() -> None:
    # red flags and referral: Mitchell et al., BMJ 2005;331:1124-8
    for out in (cautions({}, reps=0, level=False), cautions(called(), reps=3, level=True)):
        assert "not a diagnosis" in out[0]
        assert "licensed clinician" in out[1]
        assert any("check L and R" in c for c in out)


def test_cautions_that_a_clip_asks_for() -> None:
    def has(words: str, **kind: bool | int) -> bool:
        told = {"reps": 2, "level": True} | kind
        return any(words in c for c in cautions(called(tuck_bottom=15.0), **told))

    assert has("which way is level", level=False)
    assert not has("which way is level")
    assert has("Only one rep", reps=1)
    assert not has("Only one rep")
    assert has("stored mirrored", mirrored=True)
    assert has("front cameras often mirror")
    assert has("provisional", provisional=True)
    assert not has("provisional")
    assert has("Even means")
    only = call_all([reading("tuck_bottom", [15.0, 15.0])], MODEL, CLIP)
    assert not any("Even means" in c or "level" in c for c in cautions(only, reps=2, level=False))


@given(findings)
def test_no_verdict_words(signs: dict[str, int]) -> None:
    d = {n: s * REAL[NAMES[n][0]] for n, s in signs.items()}
    measures = called(**d)
    told = [summary(measures), *(p.text for p in find_patterns(measures))]
    words = re.findall(r"[a-z]+", " ".join(told).lower())
    assert not {"score", "grade", "injury", "weak", "imbalance", "dysfunction", "symmetry", "percent"} & set(
        words
    )
