"""Every short clip in `fixtures/clips` has a truth file that fits it, and a recipe that makes it again."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from asymscreen.capture.clip import probe
from asymscreen.scoring.measures import RULES
from asymscreen.validation.truth import read_truth
from fixtures.rig.press import frame_times
from fixtures.rig.truth import SCHEMA, measures_of, plan_of

ROOT = Path(__file__).parents[1]
CLIPS = sorted((ROOT / "fixtures" / "clips").glob("*.mp4"))
LARGEST = 300_000  # bytes of a clip in the repository
PRESSED = [clip for clip in CLIPS if clip.with_suffix(".truth.npz").exists()]
NAMES = {
    "crossed", "even", "spotter", "foot-30", "head-30", "portrait-flagged", "standing", "lying-still", "side",
    "two-lifters", "cut-off", "dark", "empty-gym",
}  # fmt: skip


def truth_of(clip: Path) -> dict[str, Any]:
    return dict(json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8")))


def recipes() -> dict[str, list[str]]:
    lines = (ROOT / "fixtures" / "clips" / "recipes").read_text(encoding="utf-8").splitlines()
    words = [shlex.split(line) for line in lines if line and not line.startswith("#")]
    return {name: options for name, *options in words}


def test_the_clips_are_there_and_each_has_a_recipe() -> None:
    names = {clip.stem for clip in CLIPS}
    assert names >= NAMES
    assert names <= set(recipes())


@pytest.mark.parametrize("clip", CLIPS, ids=lambda c: c.stem)
def test_a_clip_is_small_and_is_what_its_truth_says(clip: Path) -> None:
    told, found = truth_of(clip), probe(clip)
    assert clip.stat().st_size < LARGEST
    assert told["schema"] == SCHEMA
    assert told["clip"] == clip.name
    assert told["image_size"] == [found.width, found.height]
    assert told["frames"] == found.frames
    assert found.fps == pytest.approx(told["fps"], rel=0.01)
    assert (found.rotation_deg != 0) == (told["stored_quarter_turns"] != 0)


@pytest.mark.parametrize("clip", CLIPS, ids=lambda c: c.stem)
def test_a_truth_file_names_the_command_of_the_recipe(clip: Path) -> None:
    assert shlex.split(truth_of(clip)["command"])[2:] == recipes()[clip.stem]


@pytest.mark.parametrize("clip", PRESSED, ids=lambda c: c.stem)
def test_measures_follow_from_the_true_joints(clip: Path) -> None:
    told, points = truth_of(clip), np.load(clip.with_suffix(".truth.npz"))
    plan = plan_of(told)
    times = frame_times(plan, told["fps"])
    assert points["time_s"] == pytest.approx(times, abs=1e-4)
    found = measures_of(points["points_3d"].astype(float), times, plan)
    assert set(told["measures"]) == set(RULES) == set(found)
    for name, measure in found.items():
        key = "value" if "value" in measure else "difference"
        assert told["measures"][name][key] == pytest.approx(measure[key], abs=0.01), name


@pytest.mark.parametrize("clip", PRESSED, ids=lambda c: c.stem)
def test_an_even_lifter_is_even_to_the_hundredth(clip: Path) -> None:
    told = truth_of(clip)
    sizes = [abs(m.get("value", m.get("difference"))) for m in told["measures"].values()]
    assert (max(sizes) < 0.01) == told["even"]


def test_the_crossed_clip_is_low_on_the_left_and_tucks_the_right_elbow() -> None:
    measures = truth_of(ROOT / "fixtures" / "clips" / "crossed.mp4")["measures"]
    assert measures["bar_tilt_bottom"]["value"] == pytest.approx(3, abs=0.5)
    assert measures["tuck_bottom"]["difference"] == pytest.approx(12, abs=1.5)


@pytest.mark.parametrize("clip", CLIPS, ids=lambda c: c.stem)
def test_validate_reads_the_truth_file(clip: Path) -> None:
    told, read = truth_of(clip), read_truth(clip.with_suffix(".truth.json"))
    assert read.view == told["view"]
    assert set(read.measures) == set(told["measures"])
    assert [rep.bottom_s for rep in read.reps] == [rep["bottom_s"] for rep in told["reps"]]


def test_the_demo_has_its_truth_and_its_recipe() -> None:
    demo, clip = ROOT / "fixtures" / "demo", ROOT / "asymscreen" / "demo" / "demo.mp4"
    told = json.loads((demo / "demo.truth.json").read_text(encoding="utf-8"))
    assert told["frames"] == probe(clip).frames
    recipe = (demo / "recipe").read_text(encoding="utf-8").splitlines()[-1]
    assert shlex.split(told["command"])[2:] == shlex.split(recipe)
    sheet = json.loads((clip.parent / "sheet.json").read_text(encoding="utf-8"))
    for key in ("camera_height_m", "camera_distance_m"):
        assert sheet[key] == pytest.approx(told["capture"][key], abs=0.005)
    # the bar hangs low on the left, the right elbow is the more tucked one
    assert told["measures"]["bar_tilt_bottom"]["value"] > 3
    assert told["measures"]["tuck_bottom"]["difference"] > 12
