"""The instrument's error on tracks whose truth is known: `asymscreen validate FOLDER --out DIR`.

A folder holds, for every screen, `NAME.tracks.csv.gz` (the tidy track file) and `NAME.truth.json`:

    {"schema": "asymscreen.truth/1", "image_size": [1280, 720], "view": "foot-end", "even": false,
     "capture": {"camera_height_m": 2.05, "camera_distance_m": 1.31},
     "reps": [{"number": 1, "bottom_s": 2.31}, ...],
     "measures": {"tuck_bottom": {"left": 52.2, "right": 48.6}, "bar_tilt_bottom": {"value": 1.2}, ...}}

`capture` may hold any field of the capture sheet; `measures` any of the contract's, means over the reps.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from asymscreen.capture.sheet import Capture
from asymscreen.document import TwoSided
from asymscreen.errors import AsymscreenError, SettingsError
from asymscreen.motion.tidy import read_tracks
from asymscreen.scoring.calibration import ValidationRow, error_model_text, fit_error_model
from asymscreen.scoring.look import Looked, call_looked, look
from asymscreen.scoring.noise import ErrorModel, load_error_model
from asymscreen.scoring.statistics import limits_of_agreement, mean_absolute_error

TRUTH = ".truth.json"
TRACKS = ".tracks.csv.gz"
REAL_DEG = 8.0
"""A true tuck difference from this on should be named, degrees."""
LEAST = 3
"""Screens that a figure needs at least."""
BOTTOM_S = 0.1
"""A bottom found within this of the true one is right, seconds."""


@dataclass(frozen=True)
class Case:
    """One screen with known truth: what was looked at, or why not; and what is true."""

    name: str
    truth: Mapping[str, Any]
    looked: Looked | None
    reason: str = ""


def read_cases(
    folder: Path, sheet: bool = True, progress: Callable[[int, int], None] | None = None
) -> list[Case]:
    """Solve every screen of `folder`, with its capture sheets if `sheet`. SettingsError if it has none."""
    files = sorted(folder.glob(f"*{TRUTH}"))
    if not files:
        raise SettingsError(
            f"{folder}: expected NAME{TRACKS} and NAME{TRUTH} files, found none; name another folder"
        )
    cases = []
    for k, file in enumerate(files):
        cases.append(_case(file, sheet))
        if progress:
            progress(k + 1, len(files))
    return cases


def _case(file: Path, sheet: bool) -> Case:
    name = file.name.removesuffix(TRUTH)
    try:
        truth = json.loads(file.read_text(encoding="utf-8"))
        width, height = truth["image_size"]
        capture = Capture(**truth.get("capture", {})) if sheet else Capture()
    except (OSError, ValueError, KeyError, TypeError) as exc:
        raise SettingsError(
            f"{file}: expected a truth file, got {exc}; see the documentation of validate"
        ) from exc
    try:
        tracks = read_tracks(file.with_name(name + TRACKS), (int(width), int(height)))
        return Case(name, truth, look(tracks, capture))
    except AsymscreenError as refused:
        return Case(name, truth, None, str(refused))


def rows_of(cases: Sequence[Case]) -> list[ValidationRow]:
    """Every measure of every screen that was solved, beside its truth."""
    rows = []
    for case in cases:
        if case.looked is None:
            continue
        for name, reading in case.looked.readings.items():
            true = case.truth["measures"].get(name)
            if true is None:
                continue
            sides = (true["left"], true["right"]) if "left" in true else None
            value = sides[0] - sides[1] if sides else true["value"]
            rows.append(ValidationRow(case.name, case.looked.context, reading, value, sides))
    return rows


def table(cases: Sequence[Case], model: ErrorModel) -> dict[str, Any]:
    """Figures by measure, and over all measures together, of the calls that `model` gives."""
    solved = [case for case in cases if case.looked is not None]
    called = [(case, call_looked(case.looked, model)) for case in solved if case.looked is not None]
    even = [measures for case, measures in called if case.truth.get("even")]
    named_even = sum(any(m.call in ("left", "right", "both") for m in measures.values()) for measures in even)
    return {
        "screens": len(cases),
        "refused": {case.name: case.reason for case in cases if case.looked is None},
        "reps_right": _reps_right(solved),
        "even_lifters": len(even),
        "even_with_a_side_named": named_even,
        "tuck_named": _tuck_named(called),
        "measures": {name: _figures(called, name) for name in (called[0][1] if called else {})},
    }


def _reps_right(solved: Sequence[Case]) -> dict[str, int]:
    """Reps found with a bottom within 0.1 s of the true one, of all true reps."""
    right = total = 0
    for case in solved:
        true = [rep["bottom_s"] for rep in case.truth["reps"]]
        total += len(true)
        if case.looked is None:
            continue
        found = [rep.bottom_s for rep in case.looked.reps]
        right += sum(any(abs(b - t) <= BOTTOM_S for b in found) for t in true)
    return {"right": right, "of": total}


def _tuck_named(called: Sequence[tuple[Case, Mapping[str, Any]]]) -> dict[str, int]:
    """Screens with a true tuck difference of 8 deg or more: how many named a side with the true sign."""
    right = wrong = total = 0
    for case, measures in called:
        true = case.truth["measures"]["tuck_bottom"]
        difference = true["left"] - true["right"]
        if abs(difference) < REAL_DEG:
            continue
        total += 1
        m = measures["tuck_bottom"]
        if m.call in ("left", "right", "both"):
            same = (m.difference.value > 0) == (difference > 0)
            right, wrong = right + same, wrong + (not same)
    return {"right": right, "wrong": wrong, "of": total}


def _figures(called: Sequence[tuple[Case, Mapping[str, Any]]], name: str) -> dict[str, Any]:
    estimates: list[float] = []
    truths: list[float] = []
    held: list[bool] = []
    side_errors: list[float] = []
    for case, measures in called:
        true, m = case.truth["measures"].get(name), measures[name]
        interval = m.difference if isinstance(m, TwoSided) else m
        if true is None or interval.value is None or interval.low is None or interval.high is None:
            continue
        value = true["left"] - true["right"] if "left" in true else true["value"]
        estimates.append(interval.value)
        truths.append(value)
        held.append(interval.low <= value <= interval.high)
        if isinstance(m, TwoSided) and m.left is not None and m.right is not None:
            side_errors += [m.left - true["left"], m.right - true["right"]]
    if len(estimates) < LEAST:
        return {"measurable": len(estimates), "of": len(called)}
    agreement = limits_of_agreement(estimates, truths)
    errors = np.array(estimates) - np.array(truths)
    out = {
        "measurable": len(estimates),
        "of": len(called),
        "bias": agreement.bias.value,
        "mean_absolute_error": mean_absolute_error(estimates, truths).value,
        "p95": float(np.percentile(np.abs(errors), 95)),
        "limits_of_agreement": [round(agreement.lower.value, 3), round(agreement.upper.value, 3)],
        "coverage": float(np.mean(held)),
    }
    if side_errors:
        out["side_mean_absolute_error"] = float(np.abs(side_errors).mean())
    return {key: round(v, 3) if isinstance(v, float) else v for key, v in out.items()}


def validate(
    folder: Path,
    out: Path,
    sheet: bool = True,
    fit: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Screen `folder`, write `validation.json` to `out` and return it; with `fit` an error model too.

    The figures are those of the shipped error model, or with `fit` of the one just fitted. Views with too few
    screens for a fit keep what the shipped model says of them.
    """
    cases = read_cases(folder, sheet, progress)
    out.mkdir(parents=True, exist_ok=True)
    model = load_error_model()
    if fit:
        fitted = fit_error_model(rows_of(cases), version=FIT_VERSION, command=FIT_COMMAND)
        kept = json.loads(model.model_dump_json(by_alias=True))["views"]
        fitted["views"] = kept | fitted["views"]
        (out / "error_model.json").write_text(error_model_text(fitted), encoding="utf-8")
        model = load_error_model(out / "error_model.json")
    result = {"error_model": model.version, "capture_sheet": sheet, **table(cases, model)}
    (out / "validation.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    return result


FIT_VERSION = "1"
FIT_COMMAND = "asymscreen validate fixtures/validation --out DIR --fit"


def validation_text(found: Mapping[str, Any]) -> str:
    """The figures of `validate` as lines of plain text."""
    tuck, reps = found["tuck_named"], found["reps_right"]
    lines = [
        f"{found['screens']} screens, {len(found['refused'])} refused; error model {found['error_model']}",
        f"reps with their bottom within {BOTTOM_S:g} s: {reps['right']} of {reps['of']}",
        f"even lifters with a side named: {found['even_with_a_side_named']} of {found['even_lifters']}",
        f"tuck differences of {REAL_DEG:g} deg or more: right side {tuck['right']}, wrong {tuck['wrong']} "
        f"of {tuck['of']}",
        f"{'measure':24s} measurable  error  95 % of errors  each side  interval holds truth",
    ]
    for name, m in found["measures"].items():
        share = f"{m['measurable']:4d} of {m['of']:3d}"
        if "coverage" not in m:
            lines.append(f"{name:24s} {share}")
            continue
        side = f"{m['side_mean_absolute_error']:9.2f}" if "side_mean_absolute_error" in m else " " * 9
        figures = f"{m['mean_absolute_error']:5.2f}  {m['p95']:14.2f}  {side}  {m['coverage']:19.0%}"
        lines.append(f"{name:24s} {share} {figures}")
    return "\n".join(lines)
