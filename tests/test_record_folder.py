"""The record as a folder and back; clips without metadata.

Outside sources: `frictionless` validates the data package; pyarrow and ezc3d read what was written; FFmpeg's
command-line tools make clips with place and device in them and probe what was kept.
"""

from __future__ import annotations

import csv
import json
import math
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import record_makers as makers
import report_samples as samples

from asymscreen.capture.clip import probe
from asymscreen.errors import ClipError, RecordError
from asymscreen.record.blocks import list_blocks
from asymscreen.record.clips import clip_path, strip_clip
from asymscreen.record.folder import export_record, import_record
from asymscreen.record.lifters import add_lifter, list_lifters, raise_caution, set_consent, show_lifter
from asymscreen.record.screens import add_screen, list_screens, read_images, read_screen, read_tracks_of
from asymscreen.record.store import Store, open_store
from asymscreen.record.tables import FIELDS
from asymscreen.record.visit import list_visits
from asymscreen.record.volumes import even_frames, write_c3d, write_points

pytest_plugins = ["record_fixtures"]


@pytest.fixture(scope="module")
def phone_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A turned clip with sound, place, device and date in it."""
    folder = tmp_path_factory.mktemp("clip")
    plain, turned = folder / "plain.mp4", folder / "phone.mp4"
    make = [
        "ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc=s=160x96:r=30:d=1",
        "-f", "lavfi", "-i", "sine=d=1",
        "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p", "-c:a", "aac", "-shortest",
        "-metadata", "location=+48.1234+011.5678/", "-metadata", "device=PhoneModelX",
        "-metadata", "comment=secretnote", "-metadata", "creation_time=2026-03-09T10:11:12Z",
        "-metadata:s:v", "handler_name=DeviceHandler", "-movflags", "use_metadata_tags", str(plain),
    ]  # fmt: skip
    subprocess.run(make, check=True)
    turn = ["ffmpeg", "-v", "error", "-i", str(plain), "-c", "copy", "-map_metadata", "0", "-metadata:s:v",
            "rotate=90", "-movflags", "use_metadata_tags", str(turned)]  # fmt: skip
    subprocess.run(turn, check=True)
    return turned


SECRETS = (b"48.1234", b"PhoneModelX", b"secretnote", b"DeviceHandler", b"2026-03-09")


def test_a_kept_clip_has_its_picture_and_nothing_else(phone_clip: Path, tmp_path: Path) -> None:
    data = phone_clip.read_bytes()
    assert [s for s in SECRETS if s in data]
    kept = strip_clip(phone_clip, tmp_path, "one")
    assert [s for s in SECRETS if s in kept.read_bytes()] == []
    show = ["ffprobe", "-v", "error", "-show_format", "-show_streams", "-of", "json", str(kept)]
    found = json.loads(subprocess.run(show, check=True, capture_output=True, text=True).stdout)
    assert [s["codec_type"] for s in found["streams"]] == ["video"]
    tags = found["format"].get("tags", {}) | found["streams"][0].get("tags", {})
    plain = {"major_brand", "minor_version", "compatible_brands", "handler_name", "language", "vendor_id"}
    assert {k.lower() for k in tags} <= plain | {"encoder"}
    before, after = probe(phone_clip), probe(kept)
    assert (before.frames, before.rotation_deg, before.width) == (
        after.frames,
        after.rotation_deg,
        after.width,
    )
    assert after.rotation_deg != 0


def test_the_kept_frames_are_the_same_to_the_bit(phone_clip: Path, tmp_path: Path) -> None:
    kept = strip_clip(phone_clip, tmp_path, "one")
    sums = []
    for file in (phone_clip, kept):
        command = ["ffmpeg", "-v", "error", "-i", str(file), "-map", "0:v", "-f", "md5", "-"]
        sums.append(subprocess.run(command, check=True, capture_output=True).stdout)
    assert sums[0] == sums[1]


@pytest.mark.parametrize("kind", ["text", "sound", "missing"])
def test_what_is_no_clip_is_named_and_leaves_nothing(kind: str, tmp_path: Path, phone_clip: Path) -> None:
    source = tmp_path / "given.mp4"
    if kind == "text":
        source.write_text("not a clip" * 100)
    elif kind == "sound":
        subprocess.run(
            ["ffmpeg", "-v", "error", "-i", str(phone_clip), "-vn", "-c", "copy", str(source)], check=True
        )
    with pytest.raises(ClipError, match="expected a clip"):
        strip_clip(source, tmp_path / "clips", "one")
    assert not (tmp_path / "clips").exists() or list((tmp_path / "clips").iterdir()) == []


def test_a_clip_is_kept_only_with_consent_and_goes_with_a_failed_screen(
    sqlite_store: Store, phone_clip: Path
) -> None:
    add_lifter(sqlite_store, "L-014", film=True)
    with pytest.raises(RecordError, match="expected consent to keep clips"):
        add_screen(sqlite_store, "L-014", samples.even(), clip=phone_clip)
    set_consent(sqlite_store, "L-014", keep=True)
    entry = add_screen(sqlite_store, "L-014", samples.even(), clip=phone_clip)
    assert entry.clip_kept
    assert clip_path(sqlite_store, f"{entry.id}.mp4").is_file()
    raise_caution(sqlite_store, "L-014", "No pressing.", stops=True)
    with pytest.raises(RecordError, match="no screen"):
        add_screen(sqlite_store, "L-014", samples.even(), clip=phone_clip)
    assert [f.name for f in sqlite_store.clips.iterdir()] == [f"{entry.id}.mp4"]
    for name in ("../x", "", ".hidden", "a/b"):
        with pytest.raises(RecordError, match="expected a file name of the clips folder"):
            clip_path(sqlite_store, name)


@pytest.fixture
def told(store: Store, phone_clip: Path) -> Store:
    """The whole story with one kept clip, and a second lifter with words that a spreadsheet would run."""
    makers.story(store)
    add_screen(store, "L-014", samples.even(), clip=phone_clip, filmed_at=makers.later(80))
    add_lifter(store, "L-021")
    raise_caution(store, "L-021", '=HYPERLINK("x"), "quoted",\nsecond line, ünï')
    return store


def test_the_data_package_is_valid(told: Store, tmp_path: Path) -> None:
    from frictionless import Package, system

    report = export_record(told, tmp_path / "out")
    assert (report.lifters, report.screens) == (2, 5)
    with system.use_context(trusted=True):
        package = Package(str(tmp_path / "out" / "datapackage.json"))
        found = package.validate()
    assert found.valid, found.flatten(["type", "message"])
    assert {r.name for r in package.resources} == {name.replace("_", "-") for name in FIELDS}
    counts = {task.name: task.stats["rows"] for task in found.tasks}
    assert counts["screens"] == 5
    assert counts["visit-steps"] == 7
    assert counts["block-days"] == 9


def test_the_data_package_finds_a_broken_table(told: Store, tmp_path: Path) -> None:
    """So that the validation above can fail."""
    from frictionless import Package, system

    export_record(told, tmp_path / "out")
    table = tmp_path / "out" / "tables" / "screens.csv"
    table.write_text(table.read_text().replace("L-014", "L-404"))
    with system.use_context(trusted=True):
        assert not Package(str(tmp_path / "out" / "datapackage.json")).validate().valid


def test_csv_text_is_text_for_a_spreadsheet(told: Store, tmp_path: Path) -> None:
    export_record(told, tmp_path / "out")
    with (tmp_path / "out" / "tables" / "cautions.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert rows[-1]["text"] == '\'=HYPERLINK("x"), "quoted",\nsecond line, ünï'
    assert rows[-1]["lifter"] == "L-021"
    with (tmp_path / "out" / "tables" / "measures.csv").open(newline="") as file:
        tuck = next(r for r in csv.DictReader(file) if r["measure"] == "tuck_bottom")
    assert float(tuck["value"]) == pytest.approx(float(tuck["left"]) - float(tuck["right"]))
    assert float(tuck["left"]) == pytest.approx(55.1)


def whole(store: Store, code: str) -> dict[str, Any]:
    return {
        "card": show_lifter(store, code).to_dict() | {"cautions": [
            c | {"id": 0} for c in show_lifter(store, code).to_dict()["cautions"]
        ]},
        "blocks": [b.to_dict() | {"id": 0} for b in list_blocks(store, code, today=date(2026, 5, 1))],
        "visits": [v.to_dict() | {"id": 0} for v in list_visits(store, code)],
        "screens": [
            (s.to_dict(), read_screen(store, s.id).to_json(), read_images(store, s.id))
            for s in list_screens(store, code)
        ],
    }  # fmt: skip


def test_an_export_comes_back_whole_beside_other_lifters(told: Store, tmp_path: Path) -> None:
    export_record(told, tmp_path / "out")
    with open_store(tmp_path / "other") as other:
        add_lifter(other, "L-900")
        raise_caution(other, "L-900", "Takes the first numbers.")
        report = import_record(other, tmp_path / "out")
        assert (report.lifters, report.screens) == (2, 5)
        for code in ("L-014", "L-021"):
            assert whole(other, code) == whole(told, code)
        newest = list_screens(other, "L-014")[0]
        assert newest.clip_kept
        assert (
            clip_path(other, f"{newest.id}.mp4").read_bytes()
            == clip_path(told, f"{newest.id}.mp4").read_bytes()
        )
        tracks = read_tracks_of(other, list_screens(other, "L-014")[1].id)
        assert tracks is not None
        assert len(tracks) == 400
        with pytest.raises(RecordError, match="got lifter L-014, L-021 in the record already"):
            import_record(other, tmp_path / "out")


def test_one_lifters_complete_data_holds_no_one_else(told: Store, tmp_path: Path) -> None:
    report = export_record(told, tmp_path / "mine", code="L-021")
    assert (report.lifters, report.screens) == (1, 0)
    text = "".join(f.read_text() for f in (tmp_path / "mine").rglob("*") if f.is_file())
    assert "L-021" in text
    assert "L-014" not in text
    report = export_record(told, tmp_path / "theirs", code="L-014")
    assert report.screens == 5
    with pytest.raises(RecordError, match="got an unknown one"):
        export_record(told, tmp_path / "none", code="L-404")
    assert not (tmp_path / "none").exists()


def test_a_blurred_export_has_no_clips_and_other_pictures(told: Store, tmp_path: Path) -> None:
    export_record(told, tmp_path / "plain")
    export_record(told, tmp_path / "blurred", blur=True)
    names = [
        sorted(str(f.relative_to(tmp_path / d)) for f in (tmp_path / d).rglob("*.jpg"))
        for d in ("plain", "blurred")
    ]
    assert names[0] == names[1]
    assert all(
        (tmp_path / "plain" / n).read_bytes() != (tmp_path / "blurred" / n).read_bytes() for n in names[0]
    )
    assert list((tmp_path / "blurred").rglob("clip.*")) == []
    assert len(list((tmp_path / "plain").rglob("clip.*"))) == 1


def test_an_export_never_writes_into_a_folder_that_holds_something(told: Store, tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    with pytest.raises(RecordError, match="expected a new or an empty folder"):
        export_record(told, tmp_path / "full")
    (tmp_path / "empty").mkdir()
    export_record(told, tmp_path / "empty")
    assert (tmp_path / "empty" / "record.json").exists()
    (tmp_path / "file").write_text("x")
    with pytest.raises(RecordError, match=r"expected to write there|expected a new"):
        export_record(told, tmp_path / "file" / "inside")
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == []


@pytest.mark.parametrize("how", ["no folder", "no json", "schema", "id", "document", "column", "key frame"])
def test_a_folder_that_is_no_export_changes_nothing(sqlite_store: Store, tmp_path: Path, how: str) -> None:
    makers.story(sqlite_store)
    export_record(sqlite_store, tmp_path / "out")
    record = tmp_path / "out" / "record.json"
    raw = json.loads(record.read_text())
    first = tmp_path / "out" / "screens" / raw["tables"]["screen"][0]["id"]
    if how == "no folder":
        shutil.rmtree(tmp_path / "out")
    elif how == "no json":
        record.write_text("{")
    elif how == "document":
        (first / "screen.json").write_text("{}")
    elif how == "key frame":
        (first / "keyframes" / "0001.jpg").unlink()
    else:
        if how == "schema":
            raw["schema"] = "other/1"
        elif how == "id":
            raw["tables"]["screen"][0]["id"] = "../../etc"
        else:
            raw["tables"]["lifter"][0]["nonsense"] = 1
        record.write_text(json.dumps(raw))
    with open_store(tmp_path / "other") as other:
        with pytest.raises(RecordError, match=r"expected (a folder that export wrote|an exported record)"):
            import_record(other, tmp_path / "out")
        assert list_lifters(other) == []


def test_parquet_has_the_same_rows_with_types(told: Store, tmp_path: Path) -> None:
    import pyarrow.parquet as files

    export_record(told, tmp_path / "out", parquet=True)
    for name, fields in FIELDS.items():
        table = files.read_table(tmp_path / "out" / "tables" / f"{name}.parquet")
        with (tmp_path / "out" / "tables" / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            assert table.num_rows == len(list(csv.DictReader(file)))
        assert table.column_names == list(fields)
    values = files.read_table(tmp_path / "out" / "tables" / "measures.parquet").column("value").to_pylist()
    assert any(isinstance(v, float) for v in values)


def test_without_the_export_extra_it_says_what_to_install(
    sqlite_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    makers.story(sqlite_store)
    for module, options in (("pyarrow", {"parquet": True}), ("ezc3d", {"c3d": True})):
        monkeypatch.setitem(sys.modules, module, None)
        with pytest.raises(RecordError, match=r"pip install 'asymscreen\[export\]'"):
            export_record(sqlite_store, tmp_path / "out", **options)
        assert not (tmp_path / "out").exists()


# ---- C3D


def test_c3d_holds_the_tracks_and_says_that_they_are_not_calibrated(told: Store, tmp_path: Path) -> None:
    import ezc3d

    export_record(told, tmp_path / "out", code="L-014", c3d=True)
    place = next(iter(sorted((tmp_path / "out" / "screens").rglob("tracks.c3d"))))
    read = ezc3d.c3d(str(place))
    tracks = makers.tracks(400)
    assert read["parameters"]["POINT"]["UNITS"]["value"] == ["px/uncalibrated"]
    assert read["parameters"]["ASYMSCREEN"]["CALIBRATED"]["value"] == ["no"]
    assert read["parameters"]["POINT"]["LABELS"]["value"] == list(tracks.names)
    assert read["header"]["points"]["frame_rate"] == pytest.approx(30, abs=1e-3)
    points = read["data"]["points"]
    assert points.shape == (4, 33, 400)
    np.testing.assert_allclose(points[0].T[5:], tracks.xy_px[5:, :, 0], atol=1e-2)
    np.testing.assert_allclose(points[1].T[5:], 720 - tracks.xy_px[5:, :, 1], atol=1e-2)
    assert np.isnan(points[:3, 5, 3]).all()
    assert read["data"]["meta_points"]["residuals"][0, 5, 3] == -1


def test_solved_points_carry_millimetres(tmp_path: Path) -> None:
    import ezc3d

    time_s, points = np.arange(10) / 60, np.random.default_rng(1).normal(0, 300, (10, 2, 3))
    write_points(tmp_path / "p.c3d", time_s, ("left_elbow", "right_elbow"), points, "mm")
    read = ezc3d.c3d(str(tmp_path / "p.c3d"))
    assert read["parameters"]["POINT"]["UNITS"]["value"] == ["mm"]
    np.testing.assert_allclose(read["data"]["points"][:3].T, points.transpose(0, 1, 2), atol=1e-2)
    with pytest.raises(RecordError, match="expected points"):
        write_points(tmp_path / "p.c3d", time_s, ("one",), points, "mm")
    with pytest.raises(RecordError, match="expected to write C3D there"):
        write_c3d(makers.tracks(3), tmp_path / "none" / "p.c3d")
    assert write_c3d(makers.tracks(3), tmp_path / "q.c3d").stat().st_size > 512


def test_uneven_frames_are_read_from_the_nearest(tmp_path: Path) -> None:
    even = np.arange(30) / 29.97
    rate, order = even_frames(even)
    assert rate == pytest.approx(29.97)
    assert order.tolist() == list(range(30))
    uneven = even.copy()
    uneven[10:20] += 0.02
    rate, order = even_frames(uneven)
    assert rate == pytest.approx(29.97)
    grid = uneven[0] + np.arange(30) / rate
    for k, index in enumerate(order):
        assert abs(uneven[index] - grid[k]) == pytest.approx(min(abs(t - grid[k]) for t in uneven))
    assert math.isfinite(even_frames(np.array([0.0]))[0])


def test_pictures_in_an_export_are_pictures(told: Store, tmp_path: Path) -> None:
    export_record(told, tmp_path / "out", blur=True)
    for file in (tmp_path / "out").rglob("*.jpg"):
        assert cv2.imread(str(file)) is not None
