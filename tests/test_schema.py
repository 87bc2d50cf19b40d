"""The published JSON Schema: current, sound, true of every document (validator: the jsonschema package)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from asymscreen.cli import cli
from asymscreen.document import read_document
from asymscreen.schema import SCHEMA_FILE, schema_text

DOCUMENTS = sorted((Path(__file__).parent / "data").glob("screen-*.json"))


@pytest.fixture(scope="module")
def validator() -> Draft202012Validator:
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def faults(validator: Draft202012Validator, document: Any) -> list[str]:
    return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(document)]


def test_the_published_schema_is_current() -> None:
    # after a change of asymscreen/document.py: asymscreen schema > asymscreen/screen.schema.json
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text()


def test_the_command_prints_it() -> None:
    assert CliRunner().invoke(cli, ["schema"]).output == schema_text()


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_documents_follow_the_schema(validator: Draft202012Validator, path: Path) -> None:
    assert faults(validator, json.loads(path.read_text(encoding="utf-8"))) == []
    assert faults(validator, json.loads(read_document(path).to_json())) == []


def spoil(document: dict[str, Any], way: str) -> None:
    first = next(iter(document["measures"].values()))
    if way == "call":
        first["call"] = "leftish"
    elif way == "key":
        document["extra"] = 1
    elif way == "missing":
        del document["capture"]["usable"]
    elif way == "schema":
        document["schema"] = "asymscreen.screen/2"
    else:
        document["clip"]["frames"] = "many"


@pytest.mark.parametrize("way", ["call", "key", "missing", "schema", "type"])
def test_a_spoilt_document_is_found(validator: Draft202012Validator, way: str) -> None:
    document = json.loads(DOCUMENTS[0].read_text(encoding="utf-8"))
    assert faults(validator, document) == []
    spoil(document, way)
    assert faults(validator, document)


# the keys of the result contract that other programs rely on
PROMISED = {
    "": {"schema", "software", "clip", "capture", "reps", "measures", "patterns", "cautions"},
    "ClipPart": {
        "name", "sha256", "width", "height", "fps", "frames", "duration_s", "rotation_deg", "mirrored",
    },
    "CapturePart": {
        "view", "view_source", "elevation_deg", "azimuth_deg", "roll_deg", "roll_source", "usable", "reasons",
    },
    "Rep": {"number", "start_s", "bottom_s", "end_s", "descent_s", "pause_s", "ascent_s", "complete"},
    "TwoSided": {
        "unit", "left", "right", "difference", "noise_floor", "call", "direction", "reference_band", "reason",
        "reps",
    },
    "OneValue": {"unit", "value", "low", "high", "noise_floor", "call", "direction", "reason", "reps"},
    "Pattern": {"name", "text", "because"},
}  # fmt: skip


@pytest.mark.parametrize("part", sorted(PROMISED))
def test_promised_keys_stay(part: str) -> None:
    schema = json.loads(schema_text())
    keys = schema["properties"] if part == "" else schema["$defs"][part]["properties"]
    assert PROMISED[part] <= set(keys)
