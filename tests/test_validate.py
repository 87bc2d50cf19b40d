"""`asymscreen validate` on a few of the shipped screens with known truth (rendered lifters)."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from asymscreen.errors import SettingsError
from asymscreen.validate import TRACKS, TRUTH, validate, validation_text

SHIPPED = Path(__file__).parent.parent / "fixtures" / "validation"
NAMES = ("foot-45-003", "foot-45-010", "foot-45-026", "foot-45-033")


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("few")
    for name in NAMES:
        for end in (TRACKS, TRUTH):
            shutil.copy(SHIPPED / (name + end), folder / (name + end))
    return folder


def test_known_lifters_come_out_near_their_truth(few: Path, tmp_path: Path) -> None:
    found = validate(few, tmp_path)
    assert found["screens"] == len(NAMES)
    assert found["refused"] == {}
    assert found["reps_right"] == {"right": 8, "of": 8}
    assert found["even_with_a_side_named"] == 0
    assert found["measures"]["tuck_bottom"]["mean_absolute_error"] < 4.0
    assert found["measures"]["bar_tilt_bottom"]["mean_absolute_error"] < 1.5
    assert json.loads((tmp_path / "validation.json").read_text(encoding="utf-8")) == found
    assert "tuck_bottom" in validation_text(found)


def test_a_truth_that_is_wrong_shows(few: Path, tmp_path: Path) -> None:
    lying = tmp_path / "lying"
    shutil.copytree(few, lying)
    for file in lying.glob(f"*{TRUTH}"):
        truth = json.loads(file.read_text(encoding="utf-8"))
        truth["measures"]["tuck_bottom"]["left"] += 30.0
        file.write_text(json.dumps(truth), encoding="utf-8")
    found = validate(lying, tmp_path / "out")
    assert found["measures"]["tuck_bottom"]["mean_absolute_error"] > 20.0
    assert found["measures"]["tuck_bottom"]["coverage"] < 0.5


def test_a_folder_without_truth_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="found none"):
        validate(tmp_path, tmp_path / "out")


def test_a_damaged_truth_is_refused(few: Path, tmp_path: Path) -> None:
    shutil.copytree(few, tmp_path / "bad")
    (tmp_path / "bad" / (NAMES[0] + TRUTH)).write_text("{", encoding="utf-8")
    with pytest.raises(SettingsError, match="truth file"):
        validate(tmp_path / "bad", tmp_path / "out")
