"""What was read off every screen, kept in one small file, so that figures and error model can be made again
without solving anything: `readings.json.gz`.

The file carries a digest of the tracks and truth files that it was made of. A test fits the error model to it
and compares with the shipped one, and solves a few of the tracks anew and compares with the file.
"""

from __future__ import annotations

import gzip
import hashlib
import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from asymscreen.errors import SettingsError
from asymscreen.scoring.measures import Measured
from asymscreen.scoring.noise import ClipContext
from asymscreen.validation.cases import Case, Solved, screen_file
from asymscreen.validation.truth import TRUTH, read_truth

SCHEMA = "asymscreen.readings/1"
READINGS = "readings.json.gz"
DIGITS = 7  # significant digits kept of every number


def inputs_digest(folder: Path) -> str:
    """SHA-256 over names and contents of all truth files and the screens beside them, in order."""
    whole = hashlib.sha256()
    for truth in sorted(folder.glob(f"*{TRUTH}")):
        for file in (truth, screen_file(truth)):
            whole.update(f"{file.name}\n{hashlib.sha256(file.read_bytes()).hexdigest()}\n".encode())
    return whole.hexdigest()


@dataclass(frozen=True)
class Readings:
    """What a file of readings holds: the cases, the digest of their inputs, the day on which they were
    solved, and whether the capture sheets were given."""

    cases: list[Case]
    inputs: str
    written: str
    sheet: bool = True


def write_readings(found: Readings, path: Path) -> Path:
    """Write what was read; the same readings give the same file, byte for byte."""
    screens = {
        case.name: {
            "reason": case.reason,
            "solved": _plain(case.solved),
            "mirror": _plain(case.mirror),
            "mirror_tried": case.mirror_tried,
        }
        for case in found.cases
    }
    whole = {
        "schema": SCHEMA,
        "inputs": found.inputs,
        "written": found.written,
        "capture_sheet": found.sheet,
        "screens": screens,
    }
    text = json.dumps(whole, separators=(",", ":"))
    path.write_bytes(gzip.compress(text.encode("utf-8"), mtime=0))
    return path


def read_readings(path: Path, folder: Path) -> Readings:
    """Read a file of readings; the truths come from `folder`. SettingsError where it cannot be read."""
    try:
        whole = json.loads(gzip.decompress(path.read_bytes()))
        if whole["schema"] != SCHEMA:
            raise ValueError(f"schema {whole['schema']}")
        cases = [_case(name, kept, folder) for name, kept in whole["screens"].items()]
        return Readings(cases, whole["inputs"], whole["written"], whole["capture_sheet"])
    except (OSError, EOFError, ValueError, KeyError, TypeError) as exc:
        raise SettingsError(f"{path}: expected a file of readings, got {exc}; run validate again") from exc


def as_kept(case: Case) -> Case:
    """`case` with the digits that a file of readings keeps, so that figures from the file are the same."""
    return replace(case, solved=_solved(_plain(case.solved)), mirror=_solved(_plain(case.mirror)))


def _case(name: str, kept: dict[str, Any], folder: Path) -> Case:
    truth = read_truth(folder / f"{name}{TRUTH}")
    solved, mirror = _solved(kept["solved"]), _solved(kept["mirror"])
    return Case(name, truth, solved, kept["reason"], mirror, kept["mirror_tried"])


def _plain(solved: Solved | None) -> dict[str, Any] | None:
    if solved is None:
        return None
    readings = {
        name: {"unit": m.unit, "sides": m.sides.tolist(), "fit_sd": m.fit_sd, "side_sd": m.side_sd}
        for name, m in solved.readings.items()
    }
    plain = {
        "readings": readings,
        "context": asdict(solved.context),
        "numbers": list(solved.numbers),
        "bottoms_s": list(solved.bottoms_s),
        "azimuth_deg": solved.azimuth_deg,
        "distance_m": solved.distance_m,
    }
    return {key: _digits(value) for key, value in plain.items()}


def _solved(plain: dict[str, Any] | None) -> Solved | None:
    if plain is None:
        return None
    readings = {
        name: Measured(
            name,
            m["unit"],
            np.array(m["sides"], dtype=np.float64),
            _number(m["fit_sd"]),
            _number(m["side_sd"]),
        )
        for name, m in plain["readings"].items()
    }
    return Solved(
        readings=readings,
        context=ClipContext(**plain["context"]),
        numbers=tuple(plain["numbers"]),
        bottoms_s=tuple(plain["bottoms_s"]),
        azimuth_deg=plain["azimuth_deg"],
        distance_m=plain["distance_m"],
    )


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)


def _digits(value: Any) -> Any:
    """Floats with `DIGITS` significant digits, None for what is not finite; the same in lists and dicts."""
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if np.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _digits(v) for key, v in value.items()}
    return [_digits(v) for v in value] if isinstance(value, list) else value
