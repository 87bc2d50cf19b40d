"""The rendered clips of bad input, through the command line and the real network: exit code and reason.

Exit 3 (readable, nothing to screen) writes the document all the same, with `usable` false and the reasons; so
says the result contract. What each clip shows is told by its truth file and its recipe in `fixtures/clips`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from asymscreen.cli import cli
from asymscreen.document import ScreenDocument, read_document

CLIPS = Path(__file__).parents[1] / "fixtures" / "clips"
SHORT_S = 4.5
BOTTOM_S = 0.1
"""A bottom found within this of the true one is right, seconds (the project's own goal)."""


def truth_of(name: str) -> dict[str, Any]:
    return dict(json.loads((CLIPS / f"{name}.truth.json").read_text(encoding="utf-8")))


def screened(name: str, folder: Path) -> tuple[Result, ScreenDocument]:
    out = folder / "screen.json"
    result = CliRunner().invoke(cli, ["screen", str(CLIPS / f"{name}.mp4"), "--json", str(out), "--quiet"])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result, read_document(out)


def refused(name: str, sentence: str, folder: Path) -> None:
    told = truth_of(name)
    assert told["frames"] / told["fps"] < SHORT_S
    result, document = screened(name, folder)
    assert result.exit_code == 3, result.output
    (line,) = result.stderr.splitlines()
    assert sentence in line
    assert document.capture.usable is False
    assert document.capture.reasons
    assert document.measures == {}


def test_an_empty_gym(tmp_path: Path) -> None:
    refused("empty-gym", "No person was found in the clip", tmp_path)


def test_somebody_who_stands(tmp_path: Path) -> None:
    refused("standing", "Nobody in the picture holds a bar over the chest", tmp_path)


def test_a_lifter_who_lies_still(tmp_path: Path) -> None:
    refused("lying-still", "No press was found", tmp_path)


def test_a_press_from_the_side(tmp_path: Path) -> None:
    refused("side", "The phone stood at the side", tmp_path)


def test_a_lifter_whom_the_frame_cuts_off(tmp_path: Path) -> None:
    refused("cut-off", "The picture cuts off the lifter's", tmp_path)


def test_a_nearly_black_clip(tmp_path: Path) -> None:
    refused("dark", "in enough light", tmp_path)


def test_two_lifters_side_by_side(tmp_path: Path) -> None:
    refused("two-lifters", "Two people in the picture could be the lifter", tmp_path)


def test_an_upright_clip_stored_on_its_side(tmp_path: Path) -> None:
    """The flag is heeded: the reps are where they truly are, and nothing is named on an even lifter."""
    told = truth_of("portrait-flagged")
    result, document = screened("portrait-flagged", tmp_path)
    assert result.exit_code == 0, result.output
    assert [document.clip.width, document.clip.height] == told["image_size"]
    assert document.clip.rotation_deg != 0
    found = [rep.bottom_s for rep in document.reps]
    assert found == pytest.approx([rep["bottom_s"] for rep in told["reps"]], abs=BOTTOM_S)
    assert told["even"]
    assert not [name for name, m in document.measures.items() if m.call in ("left", "right", "both")]
