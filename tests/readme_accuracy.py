"""The README's tables of accuracy, made from the readings of the shipped screens. Run it to write them.

`asymscreen validate fixtures/validation --out DIR --fit` makes the readings; its `readings.json.gz` is kept
beside the tracks, so that the tables can be made, and checked, without solving anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from textwrap import wrap
from typing import Any

from asymscreen.report.wording import number, title
from asymscreen.scoring.noise import load_error_model
from asymscreen.validate import FIT_COMMAND, RECOMMENDED, report_of
from asymscreen.validation.readings import READINGS, read_readings

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
SHIPPED = ROOT / "fixtures" / "validation"
WIDTH = 118  # columns of the README
BEGIN, END = "<!-- accuracy -->", "<!-- end of accuracy -->"
VIEW_WORDS = {
    RECOMMENDED: "foot end, as recommended",
    "foot-end": "foot end, all",
    "head-end": "head end",
    "overhead": "overhead",
    "side": "side",
}


def shipped_report() -> dict[str, Any]:
    """What validate says of the shipped screens, from their readings."""
    return report_of(read_readings(SHIPPED / READINGS, SHIPPED), load_error_model(), FIT_COMMAND)


def accuracy(found: Mapping[str, Any]) -> str:
    """Markdown: what was measured and how, the views, the measures in the recommended view."""
    text = (
        f"Measured on {found['screens']} screens of rendered lifters whose truth is known "
        "(`fixtures/validation`), never yet on people in a motion laboratory. Clips whose kind was not "
        f"measured say so in their cautions. Made on {found['written']} with error model "
        f"{found['error_model']} by `{found['command']}`; the same command gives the whole report as a page."
    )
    key = (
        "Error: mean absolute error of the difference, left minus right, or of the one value. Smallest "
        "difference: the median noise floor, from which a side is named. MDC95: the smallest change between "
        "two screens that is more than error (1.96 √2 SEM)."
    )
    parts = [
        "\n".join(wrap(text, WIDTH)),
        views_table(found),
        measures_table(found),
        "\n".join(wrap(key, WIDTH)),
    ]
    return "\n\n".join(parts)


def views_table(found: Mapping[str, Any]) -> str:
    """One line a view."""
    head = (
        "view",
        "screens",
        "refused",
        "sides named on even lifters",
        "tuck from 8 deg named",
        "intervals true",
    )
    lines = [f"| {' | '.join(head)} |", "|---|---|---|---|---|---|"]
    for view, words in VIEW_WORDS.items():
        if view in found["views"]:
            g = found["views"][view]
            tuck, even, held = g["tuck_named"], g["even"], g["coverage"]
            wrong = f", {tuck['wrong']} wrongly" if tuck["wrong"] else ""
            share = "" if held["share"] is None else f"{100 * held['share']:.0f} %"
            lines.append(
                f"| {words} | {g['screens']} | {g['refused']} | {even['named']} of {even['of']} "
                f"| {tuck['right']} of {tuck['of']}{wrong} | {share} |"
            )
    return "\n".join(lines)


def measures_table(found: Mapping[str, Any]) -> str:
    """One line a measure, in the recommended view where there is one, else over all screens."""
    group = found["views"].get(RECOMMENDED, found)
    where = "as recommended" if RECOMMENDED in found["views"] else "all screens"
    head = (f"measure, {where}", "measurable", "error", "95 % of errors", "smallest difference", "MDC95")
    lines = [f"| {' | '.join(head)} | intervals true |", "|---|---|---|---|---|---|---|"]
    for name, m in group["measures"].items():
        share = f"{m['measurable']} of {m['of']}"
        if "coverage" not in m:
            lines.append(f"| {title(name)} | {share} | | | | | |")
            continue
        shown = (number(m[key], m["unit"]) for key in ("mean_absolute_error", "p95", "noise_floor", "mdc95"))
        lines.append(
            f"| {title(name)}, {m['unit']} | {share} | {' | '.join(shown)} | {100 * m['coverage']:.0f} % |"
        )
    return "\n".join(lines)


def with_accuracy(readme: str, found: Mapping[str, Any]) -> str:
    """`readme` with the tables of `found` between its marks."""
    head, _, rest = readme.partition(BEGIN)
    return f"{head}{BEGIN}\n{accuracy(found)}\n{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    README.write_text(
        with_accuracy(README.read_text(encoding="utf-8"), shipped_report()), encoding="utf-8", newline="\n"
    )
