"""The shipped landmark model: whole, licensed, checked against damage, and rebuilt the same way."""

from __future__ import annotations

import hashlib
import tarfile
import zipfile
from pathlib import Path

import numpy as np
import pytest

from asymscreen.errors import ModelError
from asymscreen.landmarks.model import BUNDLE, DIGESTS, FOLDER, read_digests, verified_bundle
from asymscreen.landmarks.model.build import ALIGNMENT, build, with_normalisation, write_aligned_zip


def test_the_shipped_bundle_is_the_one_its_digest_names() -> None:
    path, digest = verified_bundle()
    assert path == BUNDLE
    assert digest == hashlib.sha256(BUNDLE.read_bytes()).hexdigest() == read_digests()[BUNDLE.name]


def test_the_bundle_is_stored_and_aligned() -> None:
    with zipfile.ZipFile(BUNDLE) as bundle:
        assert bundle.testzip() is None
        members = bundle.infolist()
        assert [m.filename for m in members] == ["pose_detector.tflite", "pose_landmarks_detector.tflite"]
        data = BUNDLE.read_bytes()
        for member in members:
            assert member.compress_type == zipfile.ZIP_STORED
            # data begin after the local header, whose own extra field carries the filling (APPNOTE 4.3.7)
            extra = int.from_bytes(data[member.header_offset + 28 : member.header_offset + 30], "little")
            assert (member.header_offset + 30 + len(member.filename) + extra) % ALIGNMENT == 0


def test_both_networks_name_their_input_normalisation() -> None:
    """Read back with MediaPipe's own generated schema, not with the code that wrote it."""
    from asymscreen.landmarks.detector import model_schemas

    tflite, schema = model_schemas()
    expected = {"pose_detector.tflite": (127.5, 127.5), "pose_landmarks_detector.tflite": (0.0, 255.0)}
    with zipfile.ZipFile(BUNDLE) as bundle:
        for name, (mean, std) in expected.items():
            model = tflite.Model.GetRootAsModel(bundle.read(name), 0)
            entry = model.Metadata(model.MetadataLength() - 1)
            assert entry.Name() == b"TFLITE_METADATA"
            metadata = schema.ModelMetadata.GetRootAsModelMetadata(
                model.Buffers(entry.Buffer()).DataAsNumpy().tobytes(), 0
            )
            unit = schema.ModelMetadataT.InitFromObj(metadata).subgraphMetadata[0].inputTensorMetadata[0]
            options = unit.processUnits[0].options
            assert (options.mean[0], options.std[0]) == (mean, std)


def test_adding_metadata_leaves_every_weight_alone() -> None:
    from asymscreen.landmarks.detector import model_schemas

    tflite, _ = model_schemas()
    with zipfile.ZipFile(BUNDLE) as bundle:
        before = bundle.read("pose_detector.tflite")
    after = with_normalisation(before, mean=1.0, std=2.0)
    old, new = (tflite.Model.GetRootAsModel(data, 0) for data in (before, after))
    assert new.BuffersLength() == old.BuffersLength() + 1
    for k in range(old.BuffersLength()):
        weights = [np.asarray(model.Buffers(k).DataAsNumpy()).tobytes() for model in (old, new)]
        assert weights[0] == weights[1]


def test_notice_and_licence_lie_beside_the_bundle() -> None:
    assert "Apache License, Version 2.0" in (FOLDER / "NOTICE").read_text(encoding="utf-8")
    assert "TERMS AND CONDITIONS" in (FOLDER / "LICENSE-2.0.txt").read_text(encoding="utf-8")


def test_a_damaged_bundle_is_refused(tmp_path: Path) -> None:
    data = bytearray(BUNDLE.read_bytes())
    data[len(data) // 2] ^= 1
    path = tmp_path / BUNDLE.name
    path.write_bytes(data)
    with pytest.raises(ModelError, match=r"the landmark model is damaged .* reinstall asymscreen"):
        verified_bundle(path)


def test_a_cut_bundle_is_refused(tmp_path: Path) -> None:
    path = tmp_path / BUNDLE.name
    path.write_bytes(BUNDLE.read_bytes()[:1000])
    with pytest.raises(ModelError, match="the landmark model is damaged"):
        verified_bundle(path)


def test_a_missing_bundle_is_named(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match=r"gone\.task: expected the landmark model, could not read it"):
        verified_bundle(tmp_path / "gone.task")


@pytest.mark.parametrize("content", [None, "one two three\n"])
def test_an_unreadable_digest_list_is_named(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "digests.txt"
    if content:
        path.write_text(content)
    with pytest.raises(ModelError, match="expected a list of digests"):
        read_digests(path)
    assert set(read_digests(DIGESTS)) > {BUNDLE.name}


def test_zip_members_come_back_aligned_and_the_same_twice(tmp_path: Path) -> None:
    members = {"a": b"1234567", "bb.tflite": b"x" * 1001, "c": b""}
    for name in ("one.zip", "two.zip"):
        write_aligned_zip(tmp_path / name, members)
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.zip") as bundle:
        assert {name: bundle.read(name) for name in bundle.namelist()} == members


def test_building_from_the_wrong_package_is_refused(tmp_path: Path) -> None:
    wheel, archive = tmp_path / "other.whl", tmp_path / "other.tgz"
    with zipfile.ZipFile(wheel, "w") as out:
        out.writestr("mediapipe/modules/pose_detection/pose_detection.tflite", b"no network")
    with tarfile.open(archive, "w:gz") as out_tar:
        out_tar.add(wheel, "package/pose_landmark_heavy.tflite")
    with pytest.raises(ModelError, match=r"is not the one in digests\.txt"):
        build(archive, wheel, tmp_path / "out.task")
    with pytest.raises(ModelError, match=r"expected an archive with package/pose_landmark_heavy\.tflite"):
        build(wheel, wheel, tmp_path / "out.task")
    with pytest.raises(ModelError, match="expected an archive with"):
        build(tmp_path / "gone.tgz", wheel, tmp_path / "out.task")
    assert not (tmp_path / "out.task").exists()
