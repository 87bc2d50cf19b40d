"""Tracks, readings, error model, re-test table and the README's table belong together, or a test here fails.

After a change of the solver, of the tracks or of the fit:
`asymscreen validate fixtures/validation --out DIR --fit`, then copy `error_model.json` and `retest.json` to
`asymscreen/scoring/` and `readings.json.gz` to `fixtures/validation/`; then `asymscreen validate
fixtures/heldout --out DIR`, copy its `readings.json.gz` to `fixtures/heldout/` and run
`tests/readme_accuracy.py`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from readme_accuracy import BEGIN, END, HELD_OUT, README, SHIPPED, accuracy, shipped_report, with_accuracy

from asymscreen.scoring.calibration import error_model_text
from asymscreen.scoring.measures import Measured
from asymscreen.scoring.noise import load_error_model
from asymscreen.scoring.retest import load_retest
from asymscreen.validate import fitted_model, fitted_retest
from asymscreen.validation.cases import read_cases, screen_file, solve_file
from asymscreen.validation.readings import READINGS, Readings, as_kept, inputs_digest, read_readings
from asymscreen.validation.truth import TRUTH

SAMPLE = 5
"""Screens that are solved anew, spread over the folder."""
CLOSE = {"deg": 0.1, "mm": 0.5, "s": 0.005}
"""How far a number may be from the kept one: other machines round otherwise."""


@pytest.fixture(scope="module")
def kept() -> Readings:
    return read_readings(SHIPPED / READINGS, SHIPPED)


@pytest.mark.parametrize("folder", [SHIPPED, HELD_OUT], ids=lambda f: str(f.name))
def test_the_readings_are_those_of_the_tracks_that_are_there(folder: Path) -> None:
    found = read_readings(folder / READINGS, folder)
    assert found.inputs == inputs_digest(folder)
    assert [case.name for case in found.cases] == [
        f.name.removesuffix(TRUTH) for f in sorted(folder.glob(f"*{TRUTH}"))
    ]
    assert found.sheet


def test_no_lifter_of_the_held_out_screens_served_the_fit(kept: Readings) -> None:
    held_out = {case.truth.lifter for case in read_readings(HELD_OUT / READINGS, HELD_OUT).cases}
    assert None not in held_out
    assert held_out.isdisjoint({case.truth.lifter for case in kept.cases})


def test_todays_solver_reads_held_out_screens_the_same() -> None:
    found = read_readings(HELD_OUT / READINGS, HELD_OUT).cases
    for case in found[SAMPLE :: len(found) // 2][:2]:
        again = as_kept(solve_file(HELD_OUT / (case.name + TRUTH)))
        assert again.solved
        assert case.solved
        assert apart(again.solved.readings, case.solved.readings) == {}, case.name


def test_todays_solver_still_reads_the_same(kept: Readings) -> None:
    step = max(len(kept.cases) // SAMPLE, 1)
    for case in kept.cases[step // 2 :: step][:SAMPLE]:
        again = as_kept(solve_file(SHIPPED / (case.name + TRUTH)))
        assert (again.solved is None) == (case.solved is None), case.name
        if again.solved and case.solved:
            assert apart(again.solved.readings, case.solved.readings) == {}, case.name


def apart(one: Mapping[str, Measured], other: Mapping[str, Measured]) -> dict[str, float]:
    """Measures whose numbers differ by more than is allowed, and by how much."""
    found = {}
    for name in one.keys() | other.keys():
        a, b = one[name], other[name]
        off = (
            float(np.nanmax(np.abs(a.sides - b.sides), initial=0.0))
            if a.sides.shape == b.sides.shape
            else np.inf
        )
        if off > CLOSE[a.unit] or not np.isclose(a.fit_sd, b.fit_sd, rtol=0.05, equal_nan=True):
            found[name] = off
    return found


def test_the_shipped_error_model_is_the_one_that_the_readings_give(kept: Readings) -> None:
    fitted = json.loads(error_model_text(fitted_model(kept.cases)))
    shipped = json.loads(load_error_model().model_dump_json(by_alias=True))
    assert {k: v for k, v in shipped.items() if k != "views"} == {
        k: v for k, v in fitted.items() if k != "views"
    }
    assert shipped["views"].keys() == fitted["views"].keys()
    for view, measures in shipped["views"].items():
        assert measures.keys() == fitted["views"][view].keys(), view
        for name, error in measures.items():
            for key, value in error.items():
                assert fitted["views"][view][name][key] == pytest.approx(value, rel=0.02, abs=1e-3), (
                    view,
                    name,
                    key,
                )


def test_the_shipped_re_test_table_is_the_one_that_the_readings_give(kept: Readings) -> None:
    fitted, shipped = fitted_retest(kept.cases, load_error_model()), load_retest()
    for name, m in shipped.measures.items():
        assert fitted.measures[name].pairs == m.pairs, name
        assert fitted.measures[name].reset95 == pytest.approx(m.reset95, rel=0.05, abs=0.02), name


def test_a_drift_would_be_seen(kept: Readings) -> None:
    case = next(c for c in kept.cases if c.solved)
    assert case.solved
    readings = dict(case.solved.readings)
    tuck = readings["tuck_bottom"]
    readings["tuck_bottom"] = replace(tuck, sides=tuck.sides + 0.2)
    assert set(apart(readings, case.solved.readings)) == {"tuck_bottom"}
    readings["tuck_bottom"] = replace(tuck, fit_sd=tuck.fit_sd * 1.2)
    assert set(apart(readings, case.solved.readings)) == {"tuck_bottom"}


def test_the_readmes_table_is_that_of_the_readings() -> None:
    # else: python tests/readme_accuracy.py
    text = README.read_text(encoding="utf-8")
    assert text.count(BEGIN) == text.count(END) == 1
    found = shipped_report()
    assert with_accuracy(text, found) == text
    for filmed in found["presets"].values():
        assert str(filmed["screens"]) in accuracy(found)


def test_one_screen_alone_is_read_as_among_all(
    kept: Readings, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("one")
    name = kept.cases[0].name
    for file in (SHIPPED / (name + TRUTH), screen_file(SHIPPED / (name + TRUTH))):
        (folder / file.name).write_bytes(file.read_bytes())
    (case,) = read_cases(folder, workers=1, mirrored=0)
    alone = solve_file(SHIPPED / (name + TRUTH))
    assert case.solved
    assert alone.solved
    assert apart(case.solved.readings, alone.solved.readings) == {}
