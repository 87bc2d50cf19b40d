"""The record's tables as CSV (and Parquet) with their Frictionless data-package description."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import asymscreen
from asymscreen.document import TwoSided, read_document
from asymscreen.errors import RecordError

Row = dict[str, Any]
Fields = dict[str, tuple[str, str]]
"""Column to (Frictionless type, what it is)."""

_LIFTER = {"lifter": ("string", "code of the lifter")}
FIELDS: dict[str, Fields] = {
    "lifters": {
        "code": ("string", "code of the lifter"),
        "added_at": ("datetime", "when the lifter was added, UTC"),
        "consent_film": ("boolean", "consent to be filmed"),
        "consent_keep": ("boolean", "consent to keep clips"),
        "consent_at": ("datetime", "when consent was last said, UTC"),
    },
    "intakes": _LIFTER
    | {
        "taken_at": ("datetime", "when, UTC"),
        "taken_by": ("string", "who took it"),
        "one_rep_max_kg": ("number", "one-rep maximum, kg"),
        "stalled_weeks": ("integer", "weeks it has stood still"),
        "grip": ("string", "grip"),
        "usual_cues": ("string", "cues that the lifter is used to"),
        "pain_now": ("integer", "pain, 0 to 10"),
        "pain_side": ("string", "left, right, both or none"),
        "provokes": ("string", "what provokes it"),
        "red_flags": ("array", "red flags answered with yes"),
        "sudden": ("boolean", "came suddenly"),
        "notes": ("string", "notes"),
    },
    "injuries": _LIFTER
    | {
        "side": ("string", "left, right, both or none"),
        "kind": ("string", "what"),
        "on_date": ("string", "when, as exact as known"),
        "notes": ("string", "notes"),
    },
    "cautions": _LIFTER
    | {
        "topic": ("string", "topic"),
        "text": ("string", "what has to be said"),
        "stops": ("boolean", "no screen until lifted"),
        "raised_at": ("datetime", "UTC"),
        "raised_by": ("string", "who"),
        "lifted_at": ("datetime", "UTC"),
        "lifted_by": ("string", "who"),
        "lifted_why": ("string", "why"),
    },
    "screens": {"id": ("string", "id of the screen")}
    | _LIFTER
    | {
        "filmed_at": ("datetime", "UTC"),
        "added_at": ("datetime", "UTC"),
        "clip_name": ("string", "clip"),
        "clip_sha256": ("string", "digest of the clip"),
        "view": ("string", "where the phone stood"),
        "usable": ("boolean", "could be screened"),
        "load_kg": ("number", "load, kg"),
        "grip": ("string", "grip"),
        "complete_reps": ("integer", "full reps"),
        "summary": ("string", "in one sentence"),
    },
    "measures": {
        "screen": ("string", "id of the screen"),
        "lifter": ("string", "code of the lifter"),
        "measure": ("string", "name"),
        "unit": ("string", "deg, mm or s"),
        "left": ("number", "left side"),
        "right": ("number", "right side"),
        "value": ("number", "left minus right, or the one value"),
        "low": ("number", "lower end of the 95 % interval"),
        "high": ("number", "upper end"),
        "noise_floor": ("number", "smallest difference that the clip shows"),
        "call": ("string", "left, right, both, even or not-measurable"),
        "direction": ("string", "of the call"),
        "reason": ("string", "why not measurable"),
    },
    "visits": {"id": ("integer", "number of the visit")}
    | _LIFTER
    | {
        "started_at": ("datetime", "UTC"),
        "ended_at": ("datetime", "UTC"),
        "stopped_why": ("string", "ended early"),
        "one_rep_max_kg": ("number", "kg"),
        "target_kg": ("number", "load of the working sets, kg"),
        "reps": ("integer", "reps of a working set"),
        "hold_back": ("boolean", "findings held back"),
    },
    "visit_steps": {
        "visit": ("integer", "number of the visit"),
        "step": ("string", "step"),
        "done_at": ("datetime", "UTC"),
        "screen": ("string", "id of the screen"),
        "answers": ("object", "what was answered"),
    },
    "blocks": {"id": ("integer", "number of the block")}
    | _LIFTER
    | {
        "starts_on": ("date", "first day"),
        "ends_on": ("date", "last day"),
        "weekdays": ("array", "days of work"),
        "rescreen_on": ("date", "planned re-screen"),
        "notes": ("string", "notes"),
    },
    "block_drills": {
        "block": ("integer", "number of the block"),
        "drill": ("string", "drill"),
        "side": ("string", "left, right, both or none"),
        "dose": ("string", "how much"),
    },
    "block_days": {
        "block": ("integer", "number of the block"),
        "on_date": ("date", "day"),
        "done": ("boolean", "the work was done"),
        "notes": ("string", "notes"),
    },
}
"""Every table that is written: its columns, their types, and what they are."""

_SOURCES = {
    "lifters": "lifter", "intakes": "intake", "injuries": "injury", "cautions": "caution",
    "screens": "screen", "visits": "visit", "visit_steps": "visit_step", "blocks": "block",
    "block_drills": "block_drill",
    "block_days": "block_day",
}  # fmt: skip
_KEYS = {"lifters": "code", "screens": "id", "visits": "id", "blocks": "id"}
_POINTS_AT = {
    "lifter": ("lifters", "code"),
    "screen": ("screens", "id"),
    "visit": ("visits", "id"),
    "block": ("blocks", "id"),
}
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that starts with one of these for a formula; such text gets an apostrophe."""


def write_tables(folder: Path, rows: dict[str, list[Row]], *, parquet: bool = False) -> None:
    """Write tables/*.csv (and *.parquet) and datapackage.json from the rows of record.json.

    Screens' documents are read from screens/ID/screen.json. RecordError for Parquet without the export extra.
    """
    (folder / "tables").mkdir()
    codes = {row["id"]: row["code"] for row in rows["lifter"]}
    for name, fields in FIELDS.items():
        made = (
            list(_measures(folder, rows, codes))
            if name == "measures"
            else _named(rows[_SOURCES[name]], codes)
        )
        made = [{column: row.get(column) for column in fields} for row in made]
        _write_csv(folder / "tables" / f"{name}.csv", fields, made)
        if parquet:
            _write_parquet(folder / "tables" / f"{name}.parquet", fields, made)
    package = {
        "name": "asymscreen-record", "title": "Bench-press screens: left against right",
        "version": asymscreen.__version__, "resources": [_resource(name) for name in FIELDS],
    }  # fmt: skip
    text = json.dumps(package, ensure_ascii=False, indent=1) + "\n"
    (folder / "datapackage.json").write_text(text, encoding="utf-8")


def _named(rows: list[Row], codes: dict[Any, str]) -> list[Row]:
    """Rows with the lifter's code, and `visit`, `block`, `screen` instead of numbers that point."""
    return [
        row
        | {
            "lifter": codes.get(row.get("lifter_id")),
            "visit": row.get("visit_id"),
            "block": row.get("block_id"),
        }
        | {"screen": row.get("screen_id")}
        for row in rows
    ]


def _measures(folder: Path, rows: dict[str, list[Row]], codes: dict[Any, str]) -> Iterable[Row]:
    for screen in rows["screen"]:
        document = read_document(folder / "screens" / screen["id"] / "screen.json")
        for name, measure in document.measures.items():
            two = isinstance(measure, TwoSided)
            number = measure.difference if isinstance(measure, TwoSided) else measure
            yield {
                "screen": screen["id"], "lifter": codes[screen["lifter_id"]],
                "measure": name, "unit": measure.unit,
                "left": getattr(measure, "left", None) if two else None,
                "right": getattr(measure, "right", None) if two else None,
                "value": number.value, "low": number.low, "high": number.high,
                "noise_floor": measure.noise_floor,
                "call": measure.call, "direction": measure.direction, "reason": measure.reason,
            }  # fmt: skip


def _write_csv(path: Path, fields: Fields, rows: list[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(fields)
        for row in rows:
            writer.writerow([_cell(row[column], kind) for column, (kind, _) in fields.items()])


def _cell(value: Any, kind: str) -> str:
    """A cell as Frictionless reads it: true and false, ISO times with Z, JSON for lists and objects."""
    if value is None:
        return ""
    if kind == "boolean":
        return "true" if value else "false"
    if kind in ("array", "object"):
        return json.dumps(value, ensure_ascii=False)
    if kind == "datetime":
        return str(value).replace("+00:00", "Z")
    text = str(value)
    return "'" + text if kind == "string" and text.startswith(FORMULA) else text


def _resource(name: str) -> Row:
    fields = [
        {"name": column, "type": kind, "description": words, **_FORMATS.get(kind, {})}
        for column, (kind, words) in FIELDS[name].items()
    ]
    schema: Row = {"fields": fields, "missingValues": [""]}
    if name in _KEYS:
        schema["primaryKey"] = [_KEYS[name]]
    points = [
        {
            "fields": [column],
            "reference": {"resource": _POINTS_AT[column][0], "fields": [_POINTS_AT[column][1]]},
        }
        for column in FIELDS[name]
        if column in _POINTS_AT
    ]
    if points:
        schema["foreignKeys"] = points
    return {
        "name": name.replace("_", "-"), "path": f"tables/{name}.csv", "profile": "tabular-data-resource",
        "format": "csv", "mediatype": "text/csv", "encoding": "utf-8", "schema": schema,
    }  # fmt: skip


_FORMATS: dict[str, Row] = {"datetime": {"format": "any"}}


def _write_parquet(path: Path, fields: Fields, rows: list[Row]) -> None:
    """The same table with typed columns; lists and objects as JSON text."""
    try:
        import pyarrow as arrow
        import pyarrow.parquet as files
    except ImportError as error:
        raise RecordError(
            "Parquet: expected the export extra, found none; pip install 'asymscreen[export]'"
        ) from error
    kinds = {
        "string": arrow.string(), "number": arrow.float64(), "integer": arrow.int64(),
        "boolean": arrow.bool_(),
        "datetime": arrow.string(), "date": arrow.string(), "array": arrow.string(), "object": arrow.string(),
    }  # fmt: skip
    columns = {
        name: arrow.array([_typed(row[name], kind) for row in rows], type=kinds[kind])
        for name, (kind, _) in fields.items()
    }
    files.write_table(arrow.table(columns), path)


def _typed(value: Any, kind: str) -> Any:
    if value is None:
        return None
    if kind in ("array", "object"):
        return json.dumps(value, ensure_ascii=False)
    return float(value) if kind == "number" else value
