"""Published asymmetry indices: worked examples, swapping sides, and why degrees come first."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_scoring import symmetry_angle_loop

from asymscreen.scoring.indices import (
    INDICES,
    bilateral_asymmetry,
    bilateral_asymmetry_doubled,
    indices,
    limb_symmetry_index,
    symmetry_angle,
    symmetry_index,
)

SIGNED = ("symmetry_index", "symmetry_angle", "bilateral_asymmetry", "bilateral_asymmetry_doubled")
sides = st.floats(0.5, 200)


def test_worked_examples() -> None:
    # left 20, right 25, recomputed from the papers: Robinson, Herzog & Nigg 1987; Zifchock et al. 2008, Gait
    # Posture 27(4):622-627; Bishop et al. 2016, SCJ 38(6):27-32
    assert symmetry_index(20, 25) == pytest.approx(22.2222, abs=5e-5)
    assert limb_symmetry_index(20, 25) == pytest.approx(80)
    assert limb_symmetry_index(25, 20) == pytest.approx(125)
    assert symmetry_angle(20, 25) == pytest.approx(7.0447, abs=5e-5)
    assert bilateral_asymmetry(20, 25) == pytest.approx(11.1111, abs=5e-5)
    assert bilateral_asymmetry_doubled(20, 25) == pytest.approx(22.2222, abs=5e-5)


def test_no_ratio_near_zero() -> None:
    # Herzog et al. 1989, MSSE 21(1):110-114: ratios have no meaning there
    assert set(indices(0, 0).values()) == {None}
    both = indices(-1, 1)
    assert [both[n] for n in ("symmetry_index", "bilateral_asymmetry", "bilateral_asymmetry_doubled")] == [
        None
    ] * 3
    assert limb_symmetry_index(3, 0) is None
    assert symmetry_index(0.4, -0.1, floor=0.6) is None
    assert symmetry_angle(0.4, 0.3, floor=0.6) is None
    assert symmetry_index(0.01, -0.009) == pytest.approx(-3800)
    assert set(indices(None, 4).values()) == {None}
    assert indices(float("nan"), 1.0)["symmetry_index"] is None


def test_the_same_elbows_have_two_ratios_but_one_difference() -> None:
    # [G] flexion 95 and 100 are included angles 85 and 80
    assert symmetry_index(95, 100) == pytest.approx(5.1, abs=0.05)
    assert symmetry_index(85, 80) == pytest.approx(-6.1, abs=0.05)
    assert abs(95 - 100) == abs(85 - 80)


@given(sides, sides)
def test_swapping_sides(left: float, right: float) -> None:
    # Parkinson et al. 2021, JSSM 20:594-617: few indices survive the swap; the limb index is inverted by it
    here, there = indices(left, right), indices(right, left)
    for name in SIGNED:
        assert here[name] == pytest.approx(-there[name], abs=1e-9)
    assert here["limb_symmetry_index"] == pytest.approx(1e4 / there["limb_symmetry_index"])


@given(sides, st.floats(0.01, 100))
def test_alike_is_zero_and_the_unit_does_not_matter(value: float, scale: float) -> None:
    for name in SIGNED:
        assert indices(value, value)[name] == pytest.approx(0, abs=1e-9)
    for name, rule in INDICES.items():
        assert indices(scale * value, scale * 2 * value)[name] == pytest.approx(rule(value, 2 * value)), name


@given(st.floats(-200, 200), sides)
def test_symmetry_angle_agrees_with_the_printed_formula(left: float, right: float) -> None:
    assert symmetry_angle(left, right) == pytest.approx(symmetry_angle_loop(left, right), abs=1e-9)
