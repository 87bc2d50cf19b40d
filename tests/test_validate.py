"""`asymscreen validate` on a few of the shipped screens with known truth (rendered lifters)."""

from __future__ import annotations

import gzip
import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from asymscreen.capture.sheet import Capture
from asymscreen.cli import cli
from asymscreen.errors import SettingsError
from asymscreen.motion.tracks import Tracks
from asymscreen.report.validation import headline, render_validation, write_validation
from asymscreen.scoring.noise import load_error_model
from asymscreen.validate import report_of, validate, validation_text
from asymscreen.validation.cases import TRACK_ENDS, mirror_image, read_cases, screen_file
from asymscreen.validation.readings import READINGS, inputs_digest, read_readings, write_readings
from asymscreen.validation.truth import TRUTH, read_truth, truth_schema_text

SHIPPED = Path(__file__).parent.parent / "fixtures" / "validation"
NAMES = tuple(sorted(f.name.removesuffix(TRUTH) for f in SHIPPED.glob(f"*{TRUTH}")))[:40:10]


def _copy(folder: Path, names: tuple[str, ...]) -> Path:
    folder.mkdir()
    for name in names:
        shutil.copy(SHIPPED / (name + TRUTH), folder)
        shutil.copy(screen_file(SHIPPED / (name + TRUTH)), folder)
    return folder


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _copy(tmp_path_factory.mktemp("few") / "screens", NAMES)


@pytest.fixture(scope="module")
def out(few: Path) -> Path:
    """The results of `validate` on the few, two of them mirrored too, on two processes."""
    folder = few.parent / "out"
    validate(few, folder, workers=2, mirrored=2)
    return folder


@pytest.fixture(scope="module")
def found(out: Path) -> dict[str, Any]:
    return dict(json.loads((out / "validation.json").read_text(encoding="utf-8")))


def test_known_lifters_come_out_near_their_truth(found: dict[str, Any]) -> None:
    assert found["screens"] == len(NAMES)
    assert found["refused"] == {}
    assert found["reps_right"]["right"] >= found["reps_right"]["of"] - 1
    assert found["measures"]["tuck_bottom"]["mean_absolute_error"] < 5.0
    assert found["measures"]["bar_tilt_bottom"]["mean_absolute_error"] < 1.5
    assert set(found["points"]["tuck_bottom"][0]) != {0.0}
    assert "tuck_bottom" in validation_text(found)


def test_a_mirrored_screen_gives_the_same_numbers_with_sides_swapped(found: dict[str, Any]) -> None:
    fair = found["fairness"]
    assert (fair["screens"], fair["one_refused"]) == (2, [])
    units = {name: m["unit"] for name, m in found["measures"].items()}
    limit = {"deg": 0.1, "mm": 0.5, "s": 0.005}
    assert {n: v for n, v in fair["largest"].items() if v > limit[units[n]]} == {}


def test_the_readings_give_the_report_again_without_solving(
    few: Path, out: Path, found: dict[str, Any]
) -> None:
    kept = read_readings(out / READINGS, few)
    assert kept.inputs == inputs_digest(few)
    again = report_of(kept, load_error_model(), found["command"])
    assert json.loads(json.dumps(again)) == found
    assert write_readings(kept, out / "again").read_bytes() == (out / READINGS).read_bytes()
    broken = out / "broken.json.gz"
    broken.write_bytes(gzip.compress(b'{"schema": "another"}'))
    with pytest.raises(SettingsError, match="run validate again"):
        read_readings(broken, few)


def test_a_truth_that_is_wrong_shows(few: Path, out: Path, tmp_path: Path) -> None:
    lying = Path(shutil.copytree(few, tmp_path / "lying"))
    for file in lying.glob(f"*{TRUTH}"):
        truth = json.loads(file.read_text(encoding="utf-8"))
        truth["measures"]["tuck_bottom"]["left"] += 30.0
        file.write_text(json.dumps(truth), encoding="utf-8")
    wrong = report_of(read_readings(out / READINGS, lying), load_error_model())
    assert wrong["measures"]["tuck_bottom"]["mean_absolute_error"] > 20.0
    assert wrong["measures"]["tuck_bottom"]["coverage"] < 0.5
    assert inputs_digest(lying) != inputs_digest(few)


# ---- the page


def test_the_page_stands_alone_and_every_picture_has_its_numbers(out: Path, found: dict[str, Any]) -> None:
    page = (out / "validation.html").read_text(encoding="utf-8")
    assert page == render_validation(found)
    body = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert not re.findall(r"(?:src|href)=[\"'](?!#|data:)", body)
    assert "default-src &#39;none&#39;" in body
    figures = re.findall(r"<figure.*?</figure>", body, re.DOTALL)
    assert len(figures) >= 3
    for figure in figures:
        assert 'role="img" aria-label="' in figure
        assert len(re.findall("<tr>", figure)) >= 2
    data = json.loads(re.search(r'id="chart-data">(.*?)</script>', page, re.DOTALL)[1])  # type: ignore[index]
    assert data["config"]["showSendToCloud"] is False
    assert data["config"]["displaylogo"] is False
    assert len(data["figures"]) == len(figures)
    assert found["command"] in page
    assert headline(found) in page


def test_the_page_tells_reasons_and_escapes_them(found: dict[str, Any], tmp_path: Path) -> None:
    told = found | {"refused": {"<b>x</b>": "no <press> found"}, "should_be_refused": ["ghost"]}
    told |= {"measures": {}, "hit_rates": {}, "points": {}, "sensitivity": {}, "views": {}}
    page = write_validation(told, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "no &lt;press&gt; found" in page
    assert "<b>x</b>" not in page
    assert "ghost" in page
    assert "chart-data" not in page


def test_every_view_and_hardship_has_its_line(found: dict[str, Any]) -> None:
    group = next(iter(found["views"].values()))
    page = render_validation(found | {"conditions": {"loose shirt": group, "gloves": group}})
    assert "By view and by what made it harder" in page
    assert page.count('<th scope="row">loose shirt</th>') == 1
    assert page.count('<th scope="row">gloves</th>') == 1
    one = {"conditions": {}, "views": {"foot-end": group}}
    assert "what made it harder" not in render_validation(found | one)


def test_retest_pairs_stand_on_the_page(found: dict[str, Any]) -> None:
    row = {"unit": "deg", "lifters": 21, "pairs": 22, "sem": 1.234, "sem_interval": [1.0, 1.6], "sd": 1.7,
           "mdc95": 3.4, "mean_change": 0.0, "stated95": 5.0, "beyond": 1, "reset95": 0.4,
           "kept": 1.0, "needed95": 5.02}  # fmt: skip
    assert "No lifter was filmed twice" in render_validation(found)
    page = render_validation(found | {"retest": {"tuck_bottom": row}})
    assert "1.2 (1.0 to 1.6)" in page
    assert "1 of 22" in page


# ---- truth files


def test_the_truth_files_schema_takes_the_shipped_ones_and_extra_keys() -> None:
    schema = json.loads(truth_schema_text())
    check = Draft202012Validator(schema)
    for name in NAMES:
        raw = json.loads((SHIPPED / (name + TRUTH)).read_text(encoding="utf-8"))
        check.validate(raw | {"laboratory": "ours", "weather": [1, 2]})
    assert not check.is_valid({"schema": "asymscreen.truth/2"})


def test_what_a_truth_file_may_say(tmp_path: Path) -> None:
    file = tmp_path / f"a{TRUTH}"
    whole = {
        "schema": "asymscreen.truth/1", "own": 1, "lifter": "L-014", "session": 2, "conditions": ["gloves"],
        "capture": {"view": "foot-end", "camera_height_m": 2.0, "focal_px": 900, "azimuth_deg": -3.0},
        "measures": {"tuck_bottom": {"left": 60, "right": 52, "unit": 1}, "bar_tilt_bottom": {"value": 1.5},
                     "lockout_time": {"left": None, "right": None}},
    }  # fmt: skip
    file.write_text(json.dumps(whole), encoding="utf-8")
    truth = read_truth(file)
    assert truth.capture.sheet() == Capture(view="foot-end", camera_height_m=2.0)
    assert truth.place == {"elevation_deg": None, "azimuth_deg": -3.0, "distance_m": None}
    assert [m.signed for m in truth.measures.values()] == [8.0, 1.5]
    assert truth.measures["bar_tilt_bottom"].sides is None


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"schema": "asymscreen.truth/9"}, "schema"),
        ({"measures": {"tuck_bottom": {"left": 60}}}, "left and right, or one value"),
        ({"capture": {"camera_height_m": 300}}, "check the unit"),
        ({"reps": [{"number": 1}]}, "bottom_s"),
        ({"image_size": [1280]}, "image_size"),
    ],
)
def test_a_faulty_truth_names_its_fault(tmp_path: Path, change: dict[str, Any], word: str) -> None:
    file = tmp_path / f"a{TRUTH}"
    file.write_text(json.dumps({"schema": "asymscreen.truth/1"} | change), encoding="utf-8")
    with pytest.raises(SettingsError, match=word):
        read_truth(file)


def test_a_folder_without_truth_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="found none"):
        validate(tmp_path, tmp_path / "out")


def test_a_damaged_or_lonely_truth_is_refused_before_any_work(few: Path, tmp_path: Path) -> None:
    bad = Path(shutil.copytree(few, tmp_path / "bad"))
    (bad / (NAMES[-1] + TRUTH)).write_text("{", encoding="utf-8")
    with pytest.raises(SettingsError, match="truth file"):
        validate(bad, tmp_path / "out", workers=1)
    shutil.copy(few / (NAMES[-1] + TRUTH), bad)
    (bad / (NAMES[-1] + TRACK_ENDS[0])).unlink()
    with pytest.raises(SettingsError, match="beside it"):
        validate(bad, tmp_path / "out", workers=1)


# ---- screens


def test_what_cannot_be_screened_stays_in_the_report_with_its_reason(tmp_path: Path) -> None:
    """A clip that is none, a track file without picture size, and a lifter who lies still."""
    folder = tmp_path / "odd"
    folder.mkdir()
    still = ["frame,time_s,landmark,x_px,y_px,visibility"]
    still += [f"{k},{k / 30:.4f},left_shoulder,{500 + k % 2},300,1" for k in range(60)]
    (folder / "still.tracks.csv").write_text("\n".join(still), encoding="utf-8")
    (folder / "sizeless.tracks.csv").write_text("\n".join(still), encoding="utf-8")
    (folder / "noise.mp4").write_bytes(b"this is no film" * 40)
    for name, size in (("still", [1280, 720]), ("sizeless", None), ("noise", None)):
        told = {"schema": "asymscreen.truth/1", "image_size": size, "measures": {}}
        (folder / f"{name}{TRUTH}").write_text(json.dumps(told), encoding="utf-8")
    cases = {case.name: case for case in read_cases(folder, workers=1)}
    assert all(case.solved is None for case in cases.values())
    assert "image_size" in cases["sizeless"].reason
    assert "noise.mp4" in cases["noise"].reason
    assert "No press was found" in cases["still"].reason


def test_a_mirror_image_twice_is_the_same_picture() -> None:
    rng = np.random.default_rng(1)
    names = ("left_wrist", "right_wrist", "upright_low", "refined_left_hip", "refined_right_hip", "nose")
    tracks = Tracks(np.arange(3.0), names, rng.uniform(0, 700, (3, 6, 2)), np.ones((3, 6)), (1280, 720))
    capture = Capture(level_marks=((10.0, 20.0), (900.0, 25.0)), roll_deg=2.0)
    once = mirror_image(tracks, capture)
    assert once[0].names == (
        "right_wrist", "left_wrist", "upright_low", "refined_right_hip", "refined_left_hip", "nose"
    )  # fmt: skip
    assert once[0].points("right_wrist")[:, 0, 0] == pytest.approx(
        1280 - tracks.points("left_wrist")[:, 0, 0]
    )
    assert once[1].level_marks == ((380.0, 25.0), (1270.0, 20.0))
    twice = mirror_image(*once)
    assert twice[0].names == names
    assert twice[0].xy_px == pytest.approx(tracks.xy_px)
    assert twice[1] == capture


def test_the_command_prints_json_alone_and_progress_counts_up(
    few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[int, int]] = []
    one = _copy(tmp_path / "one", NAMES[:1])
    validate(one, tmp_path / "out", progress=lambda done, of: seen.append((done, of)), workers=1, mirrored=0)
    assert seen == [(1, 1)]
    args = [
        "validate",
        str(one),
        "--out",
        str(tmp_path / "again"),
        "--json",
        "--workers",
        "1",
        "--mirrored",
        "0",
    ]
    ran = CliRunner().invoke(cli, args)
    assert ran.exit_code == 0, ran.output
    assert json.loads(ran.stdout)["screens"] == 1
    assert (tmp_path / "again" / "validation.html").exists()


def test_a_clip_is_screened_and_its_tracks_are_kept(
    few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import asymscreen.screen as composer
    from asymscreen.motion.tidy import read_tracks

    folder = tmp_path / "clips"
    folder.mkdir()
    told = json.loads((few / (NAMES[0] + TRUTH)).read_text(encoding="utf-8"))
    for name in ("filmed", "empty"):
        (folder / f"{name}{TRUTH}").write_text(json.dumps(told), encoding="utf-8")
        (folder / f"{name}.mp4").write_bytes(b"a film")
    tracks = read_tracks(screen_file(few / (NAMES[0] + TRUTH)), SIZE)
    nobody = composer.screen_tracks(
        Tracks(np.arange(20) / 30, (), np.zeros((20, 0, 2)), np.zeros((20, 0)), SIZE)
    )

    def film(path: Path, capture: Capture) -> composer.Screen:
        assert capture.camera_height_m == told["capture"]["camera_height_m"]
        return composer.Screen(nobody.document, tracks if "filmed" in path.name else None)

    monkeypatch.setattr(composer, "screen", film)
    cases = {case.name: case for case in read_cases(folder, workers=1, mirrored=0, keep=tmp_path)}
    assert cases["filmed"].solved
    assert "No press was found" in cases["empty"].reason
    assert read_tracks(tmp_path / f"filmed{TRACK_ENDS[0]}", SIZE).names == tracks.names


SIZE = (1280, 720)
