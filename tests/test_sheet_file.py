"""Capture sheets as files beside the clips."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from asymscreen.capture.sheet import Capture
from asymscreen.capture.sheet_file import LARGEST_BYTES, SheetFile, as_capture, read_sheet, sheet_for
from asymscreen.cli import DEMO, demo_capture
from asymscreen.errors import SettingsError, UsageError


def write(path: Path, value: Any) -> Path:
    path.write_text(value if isinstance(value, str) else json.dumps(value), encoding="utf-8")
    return path


def test_every_field_of_the_capture_sheet_can_be_said(tmp_path: Path) -> None:
    told = {
        "view": "foot-end", "camera_height_m": 2, "camera_distance_m": 1.3, "mirrored": True, "load_kg": 80,
        "one_rep_max_kg": 100.5, "lifter": "L-014", "grip": "ring finger on ring",
        "level_marks": [[1, 2.5], [300, 4]], "roll_deg": -2,
    }  # fmt: skip
    sheet = read_sheet(write(tmp_path / "sheet.json", told | {"image_size": [1280, 720]}))
    assert sheet.image_size == (1280, 720)
    assert as_capture(sheet) == Capture(**told | {"level_marks": ((1.0, 2.5), (300.0, 4.0))})
    # no field of the sheet is forgotten here when one is added
    assert set(told) == set(Capture.__dataclass_fields__)


def test_the_demos_sheet_is_one() -> None:
    assert as_capture(read_sheet(DEMO / "sheet.json")).view == demo_capture().view


def test_a_clips_own_sheet_goes_over_its_folders_over_the_one_for_all(tmp_path: Path) -> None:
    write(tmp_path / "sheet.json", {"view": "foot-end", "load_kg": 60, "mirrored": True})
    write(tmp_path / "a.sheet.json", {"load_kg": 80, "mirrored": False})
    base = SheetFile(view="head-end", camera_height_m=1.5)
    own, other = (sheet_for(tmp_path / f"{name}.mp4", name, base) for name in ("a", "b"))
    assert (own.view, own.load_kg, own.mirrored, own.camera_height_m) == ("foot-end", 80, False, 1.5)
    assert (other.view, other.load_kg, other.mirrored) == ("foot-end", 60, True)


@pytest.mark.parametrize(
    ("value", "sentence"),
    [
        ("", "expected a capture sheet"),
        ("{", "expected a capture sheet"),
        ("[]", "sheet: Input should be"),
        ("[" * 100_000, "expected a"),
        ({"camera_hight_m": 2}, "camera_hight_m: Extra inputs"),
        ({"camera_height_m": "2"}, "camera_height_m: Input should be a valid number"),
        ({"camera_height_m": 200}, "camera_height_m: expected 0.2 to 4, got 200"),
        ('{"load_kg": NaN}', "load_kg"),
        ('{"roll_deg": Infinity}', "roll_deg"),
        ({"view": "above"}, "view: Input should be 'foot-end'"),
        ({"level_marks": [[1, 2], [1, 2]]}, "two points that differ"),
        ({"level_marks": [[1, 1e9], [1, 2]]}, "level_marks.0.1"),
        ({"level_marks": [[1, 2]]}, "level_marks"),
        ({"image_size": [0, 720]}, "image_size.0"),
        ({"image_size": [10**9, 720]}, "image_size.0"),
        ({"lifter": "L" * 100}, "lifter"),
        (dict.fromkeys("abcdefgh", 1), "and 3 more"),
        (" " * (LARGEST_BYTES + 1), "got 100001 bytes"),
    ],
)
def test_what_is_no_sheet_names_file_and_fault(value: Any, sentence: str, tmp_path: Path) -> None:
    file = write(tmp_path / "sheet.json", value)
    with pytest.raises(SettingsError) as caught:
        read_sheet(file)
    assert sentence in str(caught.value)
    assert str(caught.value).count("sheet.json") == 1


def test_a_sheet_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"could not read it \(No such file"):
        read_sheet(tmp_path / "gone.json")
    with pytest.raises(SettingsError, match="Is a directory"):
        read_sheet(tmp_path)


def test_marks_are_checked_wherever_a_sheet_comes_from() -> None:
    with pytest.raises(UsageError, match="two points that differ"):
        as_capture(SheetFile(level_marks=((1.0, 2.0), (1.0, 2.0))))
