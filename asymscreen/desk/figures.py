"""The validation's figures that the filming guide shows: `guide.json`, made out of a validation's own file.

asymscreen validate fixtures/validation --out DIR
python -m asymscreen.desk.figures DIR/validation.json
"""

from __future__ import annotations

import functools
import json
import sys
from pathlib import Path
from typing import Any

FILE = Path(__file__).with_name("guide.json")
SHOWN = ("tuck_bottom", "elbow_flexion_bottom", "bar_tilt_bottom")
"""Measures whose error the guide shows."""
LEAST_SCREENS = 5
"""A row of the guide, and each figure in it, stands on at least so many screens; ours, no source."""


def guide_of(validation: dict[str, Any]) -> dict[str, Any]:
    """What the guide shows of a validation: how far off, by view and by how steeply the phone looked down.

    Errors are mean absolute and 95th percentile of estimate against truth, degrees.
    """
    views = [
        {
            "view": view,
            "screens": found["screens"],
            "errors": _errors(found["measures"], "mean_absolute_error"),
        }
        for view, found in validation["views"].items()
        if found["screens"] >= LEAST_SCREENS
    ]  # fmt: skip
    steep = [
        {"from": row["from"], "to": row["to"], "screens": row["screens"],
         "errors": _errors(row["measures"], "error")}
        for row in validation["sensitivity"].get("elevation_deg", [])
        if row["screens"] >= LEAST_SCREENS and _errors(row["measures"], "error")
    ]  # fmt: skip
    even = validation["even"]
    return {
        "command": validation["command"], "written": validation["written"],
        "error_model": validation["error_model"], "screens": validation["screens"],
        "even": {"named": even["named"], "of": even["of"]}, "views": views, "elevations": steep,
    }  # fmt: skip


def _errors(measures: dict[str, Any], key: str) -> dict[str, Any]:
    return {
        name: {"mean": measures[name][key], "p95": measures[name]["p95"]}
        for name in SHOWN
        if measures.get(name, {}).get("measurable", 0) >= LEAST_SCREENS
    }


@functools.cache
def guide_figures() -> dict[str, Any]:
    """The figures that the package ships."""
    found: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    return found


if __name__ == "__main__":
    given = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    FILE.write_text(json.dumps(guide_of(given), indent=1) + "\n", encoding="utf-8")
