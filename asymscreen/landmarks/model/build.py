"""Rebuild the shipped landmark bundle from two registry packages.

    npm pack @mediapipe/pose@0.5.1675469404
    pip download --no-deps --only-binary :all: --python-version 3.11 \\
        --platform manylinux_2_28_x86_64 mediapipe==0.10.21
    python -m asymscreen.landmarks.model.build mediapipe-pose-0.5.1675469404.tgz mediapipe-0.10.21-*.whl

Both networks are copied unchanged; what is added is TFLite metadata that names each one's input
normalisation, which the landmarker demands and the published files lack. The bundle is one stored zip with
members aligned to 16 bytes, so that it can be mapped into memory. The same inputs give the same bytes.
"""

from __future__ import annotations

import hashlib
import struct
import tarfile
import zipfile
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import click
import numpy as np

from asymscreen.errors import ModelError
from asymscreen.landmarks.model import BUNDLE, DIGESTS, read_digests

LANDMARK_MEMBER = "package/pose_landmark_heavy.tflite"
DETECTOR_MEMBER = "mediapipe/modules/pose_detection/pose_detection.tflite"
LOCAL_HEADER = 30  # bytes before a member's name (APPNOTE 4.3.7)
ALIGNMENT = 16  # bytes, the `force_align` of a TFLite buffer
ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # fixed, so that the bundle's digest does not depend on the day


def build(npm_archive: Path, wheel: Path, target: Path = BUNDLE) -> str:
    """Write the bundle to `target` and return its sha256.

    ModelError if an archive lacks the network, or if the network is not the one that `digests.txt` names.
    """
    known = read_digests()
    landmark = _checked(npm_archive, _from_tar, LANDMARK_MEMBER, known)
    detector = _checked(wheel, _from_zip, DETECTOR_MEMBER, known)
    members = {
        "pose_detector.tflite": with_normalisation(detector, mean=127.5, std=127.5),
        "pose_landmarks_detector.tflite": with_normalisation(landmark, mean=0.0, std=255.0),
    }
    write_aligned_zip(target, members)
    return hashlib.sha256(target.read_bytes()).hexdigest()


def _checked(archive: Path, read: Callable[[Path, str], bytes], member: str, known: dict[str, str]) -> bytes:
    name = member.rsplit("/", 1)[-1]
    try:
        data = read(archive, member)
    except (OSError, KeyError, tarfile.TarError, zipfile.BadZipFile) as exc:
        raise ModelError(f"{archive}: expected an archive with {member}, got {exc}; fetch it again") from exc
    if hashlib.sha256(data).hexdigest() != known[name]:
        raise ModelError(f"{archive}: {name} is not the one in {DIGESTS.name}; fetch the stated version")
    return data


def _from_tar(archive: Path, member: str) -> bytes:
    with tarfile.open(archive) as tar:
        stream = tar.extractfile(member)
        if stream is None:
            raise KeyError(member)
        return stream.read()


def _from_zip(archive: Path, member: str) -> bytes:
    with zipfile.ZipFile(archive) as wheel:
        return wheel.read(member)


def with_normalisation(network: bytes, mean: float, std: float) -> bytes:
    """The TFLite file with metadata that says: network input = (pixel - mean) / std, pixels 0 to 255."""
    from asymscreen.landmarks.detector import model_schemas

    tflite, _ = model_schemas()
    model = tflite.ModelT.InitFromObj(tflite.Model.GetRootAsModel(network, 0))
    for buffer in model.buffers:
        buffer.Pack = _aligned_packer(buffer, tflite)
    note = tflite.BufferT()
    note.data = np.frombuffer(_metadata(mean, std), dtype=np.uint8)
    note.Pack = _aligned_packer(note, tflite)
    entry = tflite.MetadataT()
    entry.name, entry.buffer = "TFLITE_METADATA", len(model.buffers)
    model.buffers.append(note)
    model.metadata = [*(model.metadata or []), entry]
    flatbuffers = import_module("flatbuffers")
    builder = flatbuffers.Builder(len(network) + 65536)
    builder.Finish(model.Pack(builder), file_identifier=b"TFL3")
    return bytes(builder.Output())


def _metadata(mean: float, std: float) -> bytes:
    from asymscreen.landmarks.detector import model_schemas

    _, schema = model_schemas()
    options = schema.NormalizationOptionsT()
    options.mean, options.std = [mean], [std]
    unit = schema.ProcessUnitT()
    unit.optionsType, unit.options = schema.ProcessUnitOptions.NormalizationOptions, options
    image = schema.ImagePropertiesT()
    image.colorSpace = schema.ColorSpaceType.RGB
    content = schema.ContentT()
    content.contentPropertiesType, content.contentProperties = schema.ContentProperties.ImageProperties, image
    tensor = schema.TensorMetadataT()
    tensor.name, tensor.content, tensor.processUnits = "image", content, [unit]
    graph = schema.SubGraphMetadataT()
    graph.inputTensorMetadata = [tensor]
    root = schema.ModelMetadataT()
    root.subgraphMetadata = [graph]
    flatbuffers = import_module("flatbuffers")
    builder = flatbuffers.Builder(1024)
    builder.Finish(root.Pack(builder), file_identifier=b"M001")
    return bytes(builder.Output())


def _aligned_packer(buffer: Any, tflite: Any) -> Callable[[Any], int]:
    """A `Pack` that keeps weights on 16-byte borders; the generated one aligns to single bytes."""

    def pack(builder: Any) -> int:
        data = None
        if buffer.data is not None:
            raw = np.asarray(buffer.data, dtype=np.uint8).tobytes()
            builder.StartVector(1, len(raw), ALIGNMENT)
            builder.head -= len(raw)
            builder.Bytes[builder.head : builder.head + len(raw)] = raw
            data = builder.EndVector()
        tflite.BufferStart(builder)
        if data is not None:
            tflite.BufferAddData(builder, data)
        return int(tflite.BufferEnd(builder))

    return pack


def write_aligned_zip(target: Path, members: dict[str, bytes]) -> None:
    """Store `members` uncompressed, each one's data starting at a multiple of 16 bytes."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as bundle:
        for name, data in members.items():
            info = zipfile.ZipInfo(name, ZIP_TIME)
            info.external_attr = 0o644 << 16
            start = bundle.start_dir + LOCAL_HEADER + len(name)
            gap = -start % ALIGNMENT
            # an unknown extra field of the zip format (APPNOTE 4.5): id, length, filling
            info.extra = struct.pack("<HH", 0xA11E, gap + ALIGNMENT - 4) + bytes(gap + ALIGNMENT - 4)
            bundle.writestr(info, data)


@click.command(help=__doc__)
@click.argument("npm_archive", type=click.Path(path_type=Path))
@click.argument("wheel", type=click.Path(path_type=Path))
@click.option("--target", type=click.Path(path_type=Path), default=BUNDLE, show_default="the shipped bundle")
def main(npm_archive: Path, wheel: Path, target: Path) -> None:
    click.echo(f"{build(npm_archive, wheel, target)}  {target.name}")


if __name__ == "__main__":
    main()
