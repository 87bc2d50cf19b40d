"""The table of a batch: one row a clip, what came of it and every measure with its error and call."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from asymscreen.document import ScreenDocument, TwoSided, read_document
from asymscreen.errors import DocumentError, UsageError

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that starts with one of these for a formula; such text gets an apostrophe."""


@dataclass(frozen=True)
class Row:
    """One clip of the batch.

    clip       its path in the folder
    status     screened, nothing to screen, not readable, failed
    reason     why it was not screened; empty else
    facts      view, lifter, full reps, the finding in one sentence ...
    measures   column to number, call or None; columns as in the result document: `tuck_bottom.left` ...
    """

    clip: str
    status: str
    reason: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)
    measures: Mapping[str, float | str | None] = field(default_factory=dict)

    def flat(self) -> dict[str, Any]:
        """All columns in one."""
        return {
            "clip": self.clip,
            "status": self.status,
            "reason": self.reason,
            **self.facts,
            **self.measures,
        }


def row_of(clip: str, place: Path, note: Mapping[str, Any]) -> Row:
    """The row of a clip whose results lie in `place`."""
    status, reason = str(note.get("status", "failed")), str(note.get("reason", "nothing is written of it"))
    file = place / "screen.json"
    if not file.exists():
        return Row(clip, status, reason)
    try:
        document = read_document(file)
    except DocumentError as error:
        return Row(clip, "failed", str(error))
    return Row(clip, status, reason, _facts(document), _measures(document))


def _facts(document: ScreenDocument) -> dict[str, Any]:
    capture = document.capture
    return {
        "lifter": document.sheet.lifter,
        "load_kg": document.sheet.load_kg,
        "view": capture.view,
        "elevation_deg": capture.elevation_deg,
        "full_reps": sum(rep.complete for rep in document.reps),
        "finding": document.summary,
        "cautions": " ".join(document.cautions),
        "duration_s": document.clip.duration_s,
        "sha256": document.clip.sha256,
        "error_model": document.software.error_model,
    }


def _measures(document: ScreenDocument) -> dict[str, float | str | None]:
    out: dict[str, float | str | None] = {}
    for name, m in document.measures.items():
        if isinstance(m, TwoSided):
            values = {"left": m.left, "right": m.right, "difference": m.difference.value}
            values |= {"low": m.difference.low, "high": m.difference.high}
        else:
            values = {"value": m.value, "low": m.low, "high": m.high}
        out |= {f"{name}.{key}": value for key, value in values.items()}
        out |= {f"{name}.noise_floor": m.noise_floor, f"{name}.call": m.call}
    return out


def write_tables(rows: Sequence[Row], out: Path) -> list[Path]:
    """screens.csv, and screens.parquet where pyarrow is installed, into `out`; the paths.

    UsageError where they cannot be written.
    """
    flat = [row.flat() for row in rows]
    columns = list(dict.fromkeys(name for row in flat for name in row))
    made = [out / "screens.csv"]
    try:
        _write_csv(out / ".screens.csv", columns, flat)
        (out / ".screens.csv").replace(made[0])
        if find_spec("pyarrow") is not None:
            made.append(out / "screens.parquet")
            _write_parquet(out / ".screens.parquet", columns, flat)
            (out / ".screens.parquet").replace(made[1])
    except OSError as error:
        raise UsageError(
            f"{out}: expected to write the table there, got {error.strerror or error}; choose another"
        ) from error
    return made


def _write_csv(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", errors="replace", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([_harmless(row.get(name)) for name in columns] for row in rows)


def _harmless(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(FORMULA):
        return "'" + value
    return "" if value is None else value


def _write_parquet(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> None:
    import pyarrow
    import pyarrow.parquet

    table = pyarrow.table({name: [_clean(row.get(name)) for row in rows] for name in columns})
    pyarrow.parquet.write_table(table, path)


def _clean(value: Any) -> Any:
    return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value
