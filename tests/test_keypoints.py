"""Key points from elsewhere: COCO JSON, CSV and NPZ in 13- and 17-point layouts, noisy and with gaps."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import keypoint_maker as maker
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from set_maker import Beat, SetPlan, film

from asymscreen.capture.sheet import Capture
from asymscreen.cli import cli
from asymscreen.errors import TracksError
from asymscreen.motion.hidden import why_no_press
from asymscreen.motion.keypoints import load_tracks
from asymscreen.motion.layouts import BODY_13, COCO_17, canonical, shared_scale, tracks_of
from asymscreen.motion.sides import SWAPPED, settle_sides
from asymscreen.motion.tidy import write_tracks
from asymscreen.motion.tracks import Tracks
from asymscreen.screen import screen_tracks
from asymscreen.validation.cases import solve_tracks

ARMS = BODY_13[1:9]
SIZE = (1280, 720)


def test_the_layouts_are_the_published_ones() -> None:
    # Lin et al. 2014, COCO: 17 points, nose first, left before right; the 13-point layout is its body
    assert (len(COCO_17), len(BODY_13)) == (17, 13)
    assert COCO_17[5:9] == ("left_shoulder", "right_shoulder", "left_elbow", "right_elbow")
    assert BODY_13[0] == "nose"
    assert BODY_13[1:] == COCO_17[5:]


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("left_shoulder", "left_shoulder"), ("LShoulder", "left_shoulder"), ("R Elbow", "right_elbow"),
        ("wrist_left", "left_wrist"), ("rhip", "right_hip"), ("Head", "nose"), ("nose", "nose"),
        ("rightKnee", "right_knee"), ("neck", None), ("shoulder", None), ("tail", None), ("", None),
    ],
)  # fmt: skip
def test_names_are_known_however_they_are_written(word: str, name: str | None) -> None:
    assert canonical(word) == name


@pytest.mark.parametrize("kind", ["coco-17", "coco-13", "wide", "long", "npz", "npz-many", "npz-bare"])
def test_every_file_gives_the_same_tracks(kind: str, tmp_path: Path) -> None:
    xyv = maker.clicked()
    file = tmp_path / "set.csv"
    if kind.startswith("coco"):
        file = maker.coco(xyv, tmp_path / "set.json", int(kind[-2:]))
    elif kind == "wide":
        maker.wide_csv(xyv, file)
    elif kind == "long":
        maker.long_csv(xyv, file)
    else:
        arrays = {
            "npz": {"xyv": xyv, "hw": np.array([720, 1280])},
            "npz-many": {
                "7_xyv": xyv,
                "7_hw": np.array([720, 1280]),
                "7_pose": np.array("front"),
                "8_xyv": xyv,
            },
            "npz-bare": {"keypoints": xyv[..., :2]},
        }[kind]
        file = tmp_path / "set.npz"
        np.savez_compressed(file, **arrays)
        file = Path(f"{file}#7") if kind == "npz-many" else file
    tracks = load_tracks(file, None if kind in ("coco-17", "coco-13", "npz", "npz-many") else SIZE)
    assert tracks.image_size == SIZE
    assert tracks.time_s == pytest.approx(np.arange(len(xyv)) / 30)
    for name in ARMS:
        want = xyv[:, BODY_13.index(name), :2]
        assert tracks.points(name)[:, 0] == pytest.approx(want, abs=0.02), name
    if kind != "npz-bare":
        assert np.isnan(tracks.points("left_knee")).all()
    assert any("30 frames a second" in note for note in tracks.notes)
    assert any("not measured" in note for note in tracks.notes)


def test_rate_and_times_come_from_whoever_knows_them(tmp_path: Path) -> None:
    xyv = maker.clicked(fps=25.0)
    file = maker.coco(xyv, tmp_path / "set.json", info={"fps": 25})
    assert load_tracks(file).time_s[1] == pytest.approx(0.04)
    assert load_tracks(file, fps=50).time_s[1] == pytest.approx(0.02)
    stamps = 3.0 + np.arange(len(xyv)) / 24.0
    np.savez(tmp_path / "t.npz", xyv=xyv, time_s=stamps)
    timed = load_tracks(tmp_path / "t.npz", SIZE)
    assert timed.time_s == pytest.approx(stamps - 3.0)
    assert not any("frames a second" in note for note in timed.notes)


def test_frames_left_out_keep_their_time(tmp_path: Path) -> None:
    xyv = maker.clicked()
    lines = maker.long_csv(xyv, tmp_path / "set.csv").read_text().splitlines()
    kept = [lines[0]] + [line for line in lines[1:] if int(line.split(",")[0]) % 3 == 0]
    (tmp_path / "third.csv").write_text("\n".join(kept))
    assert load_tracks(tmp_path / "third.csv", SIZE).time_s[1] == pytest.approx(0.1)


def test_the_same_person_is_followed_among_several(tmp_path: Path) -> None:
    xyv = maker.clicked()
    file = maker.coco(xyv, tmp_path / "set.json")
    whole = json.loads(file.read_text())
    for a in list(whole["annotations"]):
        spotter = [v + 400 if k % 3 == 0 and v else v for k, v in enumerate(a["keypoints"])]
        spotter[-6:] = [0] * 6 if a["image_id"] % 2 else [600, 500, 2] * 2
        whole["annotations"].insert(0, a | {"id": 5000 + a["id"], "keypoints": spotter})
    first = min(whole["images"], key=lambda i: i["file_name"])["id"]
    for a in whole["annotations"]:
        if a["image_id"] == first and a["id"] >= 5000:
            a["keypoints"][15:] = [0] * 36
    file.write_text(json.dumps(whole))
    assert load_tracks(file).points("left_wrist")[:, 0] == pytest.approx(xyv[:, 5, :2], abs=0.01)


def test_visibility_of_every_kind_becomes_a_share() -> None:
    # COCO: 0 not labelled, 1 labelled but hidden, 2 visible
    assert shared_scale(np.array([[0, 1, 2]])).tolist() == [[0.0, 0.5, 1.0]]
    assert shared_scale(np.array([[0.0, 1.0]])).tolist() == [[0.0, 1.0]]
    assert shared_scale(np.array([[0.3, np.nan]])).tolist() == [[0.3, 0.0]]


def test_what_was_not_clicked_stays_open(tmp_path: Path) -> None:
    xyv = maker.clicked()
    xyv[4, 1] = (300.0, 200.0, 0.0)
    xyv[5, 1] = (0.0, 0.0, 1.0)
    np.savez(tmp_path / "t.npz", xyv=xyv)
    tracks = load_tracks(tmp_path / "t.npz", SIZE)
    assert np.isnan(tracks.points("left_shoulder")[4:6]).all()
    assert (tracks.seen("left_shoulder")[4:6] == 0).all()
    assert np.isfinite(tracks.points("left_shoulder")[6]).all()


# ---- faulty files


def _json(tmp_path: Path, whole: Any) -> Path:
    file = tmp_path / "k.json"
    file.write_text(json.dumps(whole), encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("whole", "word"),
    [
        ({}, "annotations: Field required"),
        ({"annotations": []}, "found none"),
        ([{"image_id": 1, "keypoints": [1, 2, 3]}], "13 or 17 key points"),
        ([{"image_id": 1, "keypoints": ["a"] * 39}], "annotations.0.keypoints"),
        ([{"image_id": k, "keypoints": [1, 1, 1] * 13} for k in range(4)], "picture size"),
        ({"annotations": [{"image_id": 1, "keypoints": [1] * 6}],
          "categories": [{"id": 1, "keypoints": ["nose", "tail"]}]}, "both arms"),
        ({"images": [{"id": 1, "video_id": 1}, {"id": 2, "video_id": 2}],
          "annotations": [{"image_id": 1, "keypoints": [1, 1, 1] * 13}]}, "several video_id"),
    ],
)  # fmt: skip
def test_a_faulty_coco_file_is_refused_in_words(tmp_path: Path, whole: Any, word: str) -> None:
    with pytest.raises(TracksError, match=word):
        load_tracks(_json(tmp_path, whole))


def test_other_faulty_files_are_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "bad.json").write_text("{", encoding="utf-8")
    (tmp_path / "bad.npz").write_bytes(b"no")
    xyv = maker.clicked()
    np.savez(tmp_path / "two.npz", a_xyv=xyv, b_xyv=xyv)
    np.savez(tmp_path / "times.npz", xyv=xyv, time_s=np.arange(3.0))
    np.savez(tmp_path / "few.npz", xyv=xyv[:4])
    twice = maker.long_csv(xyv, tmp_path / "twice.csv").read_text()
    (tmp_path / "twice.csv").write_text(twice + "\n" + twice.splitlines()[1])
    (tmp_path / "words.csv").write_text("frame,joint,x,y\nfirst,left_elbow,1,2\n")
    (tmp_path / "armless.csv").write_text("frame,joint,x,y\n" + "\n".join(f"{k},head,1,2" for k in range(20)))
    faults = {
        "bad.json": "could not read", "bad.npz": "could not read", "gone.json": "could not read",
        "gone.npz": "could not read", "two.npz": "name one as two.npz#NAME", "two.npz#c": "found 0",
        "times.npz": "one time a frame", "few.npz": "at least 10 frames", "twice.csv": "once a frame",
        "words.csv": "numbers in frame", "armless.csv": "both arms",
    }  # fmt: skip
    for name, word in faults.items():
        with pytest.raises(TracksError, match=word):
            load_tracks(tmp_path / name, SIZE)
    with pytest.raises(TracksError, match="frames a second"):
        load_tracks(maker.wide_csv(xyv, tmp_path / "w.csv"), SIZE, fps=0.1)


def test_a_tidy_track_file_is_still_one(tmp_path: Path) -> None:
    tracks, _ = film(SetPlan((Beat(),)), "foot end 45")
    file = write_tracks(tracks, tmp_path / "t.csv.gz")
    assert load_tracks(file, SIZE).notes == ()
    with pytest.raises(TracksError, match="--image-size"):
        load_tracks(file)


# ---- screens of them


@pytest.fixture(scope="module")
def uneven() -> np.ndarray:
    """One clicked rep of a lifter whose bar hangs 6 deg low on the left, from the foot end."""
    from press_maker import Sticks

    lifter = Sticks(tilt_deg=6.0)
    return maker.clicked(plan=SetPlan((Beat(),), lifter), view="foot end 45", noise_px=1.5)


def test_labels_by_the_picture_and_by_the_lifter_give_the_same_screen(
    uneven: np.ndarray, tmp_path: Path
) -> None:
    one = screen_tracks(maker.coco(uneven, tmp_path / "a.json"), Capture())
    other = screen_tracks(maker.coco(maker.by_picture(uneven), tmp_path / "b.json"), Capture())
    assert one.usable
    assert SWAPPED not in one.document.cautions
    assert SWAPPED in other.document.cautions
    assert one.document.measures == other.document.measures
    tracks = settle_sides(load_tracks(tmp_path / "b.json"))
    tilt = solve_tracks(tracks, Capture(roll_deg=0.0)).readings["bar_tilt_bottom"].sides
    assert float(tilt.mean()) == pytest.approx(6.0, abs=1.5)


def test_from_the_command_line(uneven: np.ndarray, tmp_path: Path) -> None:
    file = maker.wide_csv(maker.by_picture(uneven), tmp_path / "set.csv", "{name}.{part}")
    args = ["screen", "--tracks", str(file), "--image-size", "1280x720", "--frame-rate", "30", "--json", "-"]
    ran = CliRunner().invoke(cli, args)
    assert ran.exit_code == 0, ran.output
    document = json.loads(ran.stdout)
    assert SWAPPED in document["cautions"]
    assert document["clip"]["name"] == "set.csv"
    assert document["clip"]["fps"] == pytest.approx(30, abs=0.1)


def test_hidden_joints_are_named_in_the_refusal(uneven: np.ndarray, tmp_path: Path) -> None:
    reasons = {}
    for what, joints in (("one", (2,)), ("both", (1, 2)), ("hands", (5, 6)), ("hips", (7, 8)), ("half", ())):
        xyv = uneven.copy()
        for joint in joints:
            xyv[:, joint] = (1.0, 1.0, 0.0)
        xyv = xyv[: len(xyv) // 8] if what == "half" else xyv
        np.savez(tmp_path / "t.npz", xyv=xyv)
        found = screen_tracks(tmp_path / "t.npz", Capture(), SIZE)
        assert not found.usable
        reasons[what] = " ".join(found.document.capture.reasons)
    assert "the lifter's right shoulder is hidden or not marked" in reasons["one"]
    assert "the lifter's shoulders are hidden" in reasons["both"]
    assert "the lifter's hands are hidden" in reasons["hands"]
    assert "hip" in reasons["hips"]
    assert "No press was found" in reasons["half"]


def test_no_press_says_what_it_lacks() -> None:
    tracks, _ = film(SetPlan((Beat(),)), "foot end 45")
    assert "nobody lowers and raises" in why_no_press(tracks)
    unseen = tracks.xy_px.copy()
    unseen[12:] = np.nan
    short = type(tracks)(tracks.time_s[:20], tracks.names, unseen[:20], tracks.visibility[:20], SIZE)
    assert "in view for 0.4 s" in why_no_press(short)


@pytest.mark.parametrize("view", ["foot end 45", "foot end level", "head end 35", "oblique", "side"])
@pytest.mark.parametrize("seed", range(2))
def test_nothing_crashes_on_clicked_reps_with_gaps(view: str, seed: int) -> None:
    """One rep or a part of one, 25 frames a second, 4 px of noise, a joint missing in a third of them."""
    rng = np.random.default_rng(seed)
    xyv = maker.by_picture(maker.clicked(seed, view, fps=25.0, noise_px=4.0))
    xyv[rng.random(len(xyv)) < 0.33, int(rng.integers(1, 9)), 2] = 0
    xyv = xyv[: int(len(xyv) * rng.uniform(0.4, 1.0))] if seed % 2 else xyv
    tracks = tracks_of(xyv, BODY_13, np.arange(float(len(xyv))), SIZE, 25.0, "test")
    found = screen_tracks(tracks, Capture())
    assert found.usable or all(reason.endswith(".") for reason in found.document.capture.reasons)
    assert found.usable or found.document.capture.reasons
    assert any("not measured" in caution for caution in found.document.cautions)


# ---- whatever lies in a file


leaves = st.none() | st.booleans() | st.integers(-5, 10**12) | st.floats() | st.text(max_size=6)
keys = st.sampled_from(
    ["images", "annotations", "categories", "keypoints", "id", "image_id", "category_id", "file_name",
     "width", "height", "frame_id", "video_id", "videos", "info", "fps", "x"]
)  # fmt: skip
trees = st.recursive(
    leaves,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=5),
    max_leaves=25,
)
annotations = st.fixed_dictionaries(
    {
        "image_id": st.integers(0, 14),
        "keypoints": st.lists(st.floats(-10, 2000) | leaves, min_size=39, max_size=39),
    }
)
files = st.fixed_dictionaries(
    {"annotations": st.lists(annotations | trees, max_size=16)},
    optional={"images": trees, "categories": trees, "info": trees, "videos": trees},
)


def _read_or_refused(file: Path) -> Tracks | None:
    """Anything but a TracksError is a fault."""
    try:
        return load_tracks(file, SIZE)
    except TracksError:
        return None


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(trees | files)
def test_whatever_a_json_file_holds_it_is_read_or_refused(tmp_path: Path, whole: Any) -> None:
    tracks = _read_or_refused(_json(tmp_path, whole))
    assert tracks is None or len(tracks) >= 10


columns = st.sampled_from(
    ["frame", "joint", "landmark", "x", "y", "x_px", "y_px", "time_s", "visible", "left_elbow_x",
     "left_elbow_y", "right_elbow_x", "right_elbow_y", "name", ""]
)  # fmt: skip
cells = st.sampled_from(["", "1", "2.5", "-3", "nan", "inf", "left_elbow", "head", '"', "a,b", "1e400"])
tables = st.tuples(
    st.lists(columns, min_size=1, max_size=8), st.lists(st.lists(cells, min_size=1, max_size=8), max_size=14)
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tables, st.binary(max_size=40))
def test_whatever_a_table_holds_it_is_read_or_refused(
    tmp_path: Path, table: tuple[list[str], list[list[str]]], tail: bytes
) -> None:
    text = "\n".join(",".join(row) for row in [table[0], *table[1]])
    for name, data in (("t.csv", text.encode() + tail), ("t.npz", tail), ("t.json", tail)):
        (tmp_path / name).write_bytes(data)
        tracks = _read_or_refused(tmp_path / name)
        assert tracks is None or name == "t.csv"
