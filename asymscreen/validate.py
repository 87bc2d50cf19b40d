"""The instrument's error on screens whose truth is known: `asymscreen validate FOLDER --out DIR`.

FOLDER holds, for every screen, a track file or a clip, and `NAME.truth.json` (see `validation.truth`).
DIR gets `validation.json`, the same as one page `validation.html`, the readings, and with `--fit` an error
model and a re-test table.
"""

from __future__ import annotations

import json
import platform
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from asymscreen import __version__
from asymscreen.capture.advice import BEST_AZIMUTH_DEG, BEST_ELEVATION_DEG
from asymscreen.scoring.calibration import error_model_text, fit_error_model
from asymscreen.scoring.noise import ErrorModel, load_error_model
from asymscreen.scoring.retest import Retest, load_retest, retest_text
from asymscreen.validation import figures
from asymscreen.validation.cases import MIRRORED, Case, Progress, read_cases, rows_of
from asymscreen.validation.figures import Called, Pairing, rounded
from asymscreen.validation.readings import READINGS, Readings, as_kept, inputs_digest, write_readings
from asymscreen.validation.retest import retest, retest_table
from asymscreen.validation.sensitivity import advice_words, filming_advice, sensitivity

SCHEMA = "asymscreen.validation/1"
RECOMMENDED = "recommended"
"""The group of screens that were filmed as the README says."""
FIT_VERSION = "1"
FIT_COMMAND = "asymscreen validate fixtures/validation --out DIR --fit"


def validate(
    folder: Path,
    out: Path,
    sheet: bool = True,
    fit: bool = False,
    progress: Progress | None = None,
    *,
    workers: int | None = None,
    mirrored: int = MIRRORED,
) -> dict[str, Any]:
    """Screen `folder`, write the report to `out` and return its figures.

    The figures are those of the shipped error model, or with `fit` of the one just fitted, which is written
    too. `workers` is the number of processes (None: all cores); `mirrored` how many screens are screened as
    their mirror image as well. SettingsError where the folder holds no screens of known truth.
    """
    from asymscreen.report.validation import write_validation

    out.mkdir(parents=True, exist_ok=True)
    solved = read_cases(folder, sheet, progress, workers=workers, mirrored=mirrored, keep=out)
    today = datetime.now(UTC).strftime("%Y-%m-%d")
    found = Readings([as_kept(case) for case in solved], inputs_digest(folder), today, sheet)
    write_readings(found, out / READINGS)
    model = write_fit(found.cases, out) if fit else load_error_model()
    result = report_of(found, model, command=_command(folder, sheet, fit))
    (out / "validation.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    write_validation(result, out / "validation.html")
    return result


def write_fit(cases: Sequence[Case], out: Path) -> ErrorModel:
    """Fit error model and re-test table to `cases`, write both to `out`, and give the error model.

    Views and measures with too few screens or pairs keep what the shipped ones say of them.
    """
    fitted = fitted_model(cases)
    (out / "error_model.json").write_text(error_model_text(fitted), encoding="utf-8")
    model = load_error_model(out / "error_model.json")
    (out / "retest.json").write_text(retest_text(fitted_retest(cases, model)), encoding="utf-8")
    return model


def fitted_model(cases: Sequence[Case]) -> dict[str, Any]:
    """The error model of `cases`, ready for JSON; views without enough screens as shipped."""
    fitted = fit_error_model(rows_of(cases), version=FIT_VERSION, command=FIT_COMMAND)
    kept = json.loads(load_error_model().model_dump_json(by_alias=True))["views"]
    return fitted | {"views": kept | fitted["views"]}


def fitted_retest(cases: Sequence[Case], model: ErrorModel) -> Retest:
    """The re-test table of `cases` under `model`; measures without enough pairs as shipped."""
    pairs = figures.pairings(cases, figures.call_cases(cases, model))
    return retest_table(retest(pairs), load_retest(), FIT_VERSION, FIT_COMMAND)


def report_of(found: Readings, model: ErrorModel, command: str = "") -> dict[str, Any]:
    """The whole report as plain JSON types: all that `model` says of what was read, beside its truth."""
    cases = found.cases
    called = figures.call_cases(cases, model)
    pairs = figures.pairings(cases, called)
    by_name, bins = _by_name(pairs), sensitivity(cases, pairs)
    advice = filming_advice(bins)
    return {
        "schema": SCHEMA,
        "written": found.written,
        "command": command,
        "software": {"version": __version__, "python": platform.python_version()},
        "error_model": model.version,
        "capture_sheet": found.sheet,
        "screens": len(cases),
        **figures.refusals(cases),
        "reps_right": figures.reps_right(cases),
        "even": figures.named_of_even(cases, called),
        "tuck_named": figures.tuck_named(pairs),
        "coverage": figures.pooled_coverage(pairs),
        "measures": figures.by_measure(cases, called),
        "points": {name: [[rounded(p.truth), rounded(p.value)] for p in of] for name, of in by_name.items()},
        "hit_rates": {name: figures.hit_rates(of) for name, of in by_name.items()},
        "views": _groups(cases, called, _views),
        "conditions": _groups(cases, called, lambda case: case.truth.hardships),
        "presets": _groups(cases, called, _plain_preset),
        "fairness": figures.fairness(cases, called, model),
        "sensitivity": bins,
        "advice": {"ranges": [asdict(r) for r in advice], "words": advice_words(advice)},
        "retest": retest(pairs),
    }


def _by_name(pairs: Sequence[Pairing]) -> dict[str, list[Pairing]]:
    found: dict[str, list[Pairing]] = defaultdict(list)
    for p in pairs:
        found[p.name].append(p)
    return dict(found)


def _groups(
    cases: Sequence[Case], called: Called, keys: Callable[[Case], Sequence[str]]
) -> dict[str, dict[str, Any]]:
    """The figures of every group of screens; a screen is in every group that `keys` names."""
    groups: dict[str, list[Case]] = defaultdict(list)
    for case in cases:
        for key in keys(case):
            groups[key].append(case)
    return {key: _group(group, called) for key, group in sorted(groups.items())}


def _group(group: Sequence[Case], called: Called) -> dict[str, Any]:
    pairs = figures.pairings(group, called)
    return {
        "screens": len(group),
        "refused": sum(case.solved is None for case in group),
        "even": figures.named_of_even(group, called),
        "tuck_named": figures.tuck_named(pairs),
        "coverage": figures.pooled_coverage(pairs),
        "reps_right": figures.reps_right(group),
        "measures": figures.by_measure(group, _only(called, group)),
        "retest": retest(pairs),
    }


def _only(called: Called, group: Sequence[Case]) -> Called:
    return {case.name: called[case.name] for case in group if case.name in called}


def _views(case: Case) -> list[str]:
    """The view of a screen, true or solved, and "recommended" where it was filmed as the README says."""
    view = case.truth.view or (case.solved.context.view if case.solved else "unknown")
    at = case.place
    low, high = BEST_ELEVATION_DEG
    elevation, azimuth = at["elevation_deg"], at["azimuth_deg"]
    good = view == "foot-end" and elevation is not None and low <= elevation <= high
    if good and (azimuth is None or abs(azimuth) <= BEST_AZIMUTH_DEG):
        return [view, RECOMMENDED]
    return [view]


def _plain_preset(case: Case) -> list[str]:
    """The set-up aimed at, of screens that nothing made harder."""
    return [case.truth.preset] if case.truth.preset and not case.truth.hardships else []


def _command(folder: Path, sheet: bool, fit: bool) -> str:
    """The command that makes this report again, with the folder's own name only."""
    name = "/".join(folder.parts[-2:]) if folder.parts[-2:-1] == ("fixtures",) else folder.name
    options = ("" if sheet else " --no-sheet") + (" --fit" if fit else "")
    return f"asymscreen validate {name} --out DIR{options}"


def validation_text(found: Mapping[str, Any]) -> str:
    """The figures of `validate` as lines of plain text."""
    tuck, reps, even = found["tuck_named"], found["reps_right"], found["even"]
    lines = [
        f"{found['screens']} screens, {len(found['refused'])} refused; error model {found['error_model']}",
        f"reps with their bottom within {figures.BOTTOM_S:g} s: {reps['right']} of {reps['of']}",
        f"even lifters with a side named: {even['named']} of {even['of']}",
        f"tuck differences of {figures.REAL_DEG:g} deg or more: right side {tuck['right']}, "
        f"wrong {tuck['wrong']} of {tuck['of']}",
        f"{'measure':24s} measurable  error  95 % of errors  each side  interval holds truth",
    ]
    for name, m in found["measures"].items():
        share = f"{m['measurable']:4d} of {m['of']:3d}"
        if "coverage" not in m:
            lines.append(f"{name:24s} {share}")
            continue
        side = f"{m['side_mean_absolute_error']:9.2f}" if "side_mean_absolute_error" in m else " " * 9
        numbers = f"{m['mean_absolute_error']:5.2f}  {m['p95']:14.2f}  {side}  {m['coverage']:19.0%}"
        lines.append(f"{name:24s} {share} {numbers}")
    reasons = [f"  {count} times: {reason}" for reason, count in found["reasons"].items()]
    return "\n".join(lines + (["refused:", *reasons] if reasons else []))
