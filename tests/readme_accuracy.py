"""The README's tables of accuracy, made from the readings of the held-out screens. Run it to write them.

`asymscreen validate fixtures/heldout --out DIR` makes the readings; its `readings.json.gz` is kept beside the
tracks, so that the tables can be made, and checked, without solving anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from textwrap import wrap
from typing import Any

from asymscreen.report.wording import number, title
from asymscreen.scoring.noise import load_error_model
from asymscreen.validate import RECOMMENDED, report_of
from asymscreen.validation.readings import READINGS, read_readings

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
SHIPPED = ROOT / "fixtures" / "validation"
HELD_OUT = ROOT / "fixtures" / "heldout"
COMMAND = "asymscreen validate fixtures/heldout --out DIR"
WIDTH = 118  # columns of the README
BEGIN, END = "<!-- accuracy -->", "<!-- end of accuracy -->"
PRESETS = {
    RECOMMENDED: "as recommended",
    "foot-30": "foot end, about 30 deg up",
    "head-30": "head end, about 30 deg up",
    "azimuth": "10 to 20 deg off the middle",
    "level": "foot end, level",
    "overhead": "overhead",
}
HARDER = {
    "chest-turn": "rib cage turned",
    "fatigue": "drifting from rep to rep",
    "gloves": "gloves",
    "grip-offset": "grip off the middle",
    "hair": "long hair",
    "late": "one elbow locks out late",
    "loose": "loose shirt",
    "low-light": "low light",
    "plates": "plates before the arms",
    "rolling": "rolling exposure",
    "shake": "held in the hand",
    "shoulder": "one shoulder raised or set back",
    "wide-lens": "wide lens that bends lines",
    "yaw": "bar held askew",
}
"""The rig's names of what makes a clip harder, and what they mean."""


def shipped_report() -> dict[str, Any]:
    """What validate says of the held-out screens, from their readings, with the shipped error model."""
    return report_of(read_readings(HELD_OUT / READINGS, HELD_OUT), load_error_model(), COMMAND)


def accuracy(found: Mapping[str, Any]) -> str:
    """Markdown: what was measured and how, the ways of filming, the measures in the recommended view."""
    text = (
        f"Measured on {found['screens']} screens of rendered lifters whose truth is known and who served "
        "neither the tuning nor the error model (`fixtures/heldout`); never yet on people in a motion "
        f"laboratory. Made on {found['written']} with error model {found['error_model']} by "
        f"`{found['command']}`; the same command gives the whole report as a page."
    )
    views = (
        "Mean error of left minus right in degrees (in brackets: 95 % of errors), mean error of each side, "
        "even lifters with any side named, true tuck differences from 8 deg whose side was named, 95 % "
        "intervals that hold the truth, reps whose bottom was found within 0.1 s."
    )
    key = (
        "Error: mean absolute error of the difference, left minus right, or of the one value. Smallest "
        "difference: the median noise floor, from which a side is named. MDC95: the smallest change between "
        "two screens that is more than error (1.96 √2 SEM)."
    )
    parts = [
        "\n".join(wrap(text, WIDTH)),
        views_table(found),
        "\n".join(wrap(views, WIDTH)),
        measures_table(found["presets"][RECOMMENDED]),
        "\n".join(wrap(key, WIDTH)),
    ]
    return "\n\n".join(parts)


def views_table(found: Mapping[str, Any]) -> str:
    """One line a way of filming: first the plain ones, then what made it harder."""
    head = (
        "filmed", "screens", "tuck", "flexion", "tuck, flexion each side", "bar tilt", "even named",
        "tuck from 8 deg", "intervals true", "reps",
    )  # fmt: skip
    lines = [f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    known = [(words, found["presets"][name]) for name, words in PRESETS.items() if name in found["presets"]]
    lines += [_line(words, g) for words, g in known]
    lines += [_line(HARDER.get(name, name), g) for name, g in found["conditions"].items()]
    return "\n".join(lines)


def _line(words: str, g: Mapping[str, Any]) -> str:
    tuck, even, held, reps = g["tuck_named"], g["even"], g["coverage"], g["reps_right"]
    m = g["measures"]
    wrong = f", {tuck['wrong']} wrongly" if tuck["wrong"] else ""
    share = "" if held["share"] is None else f"{100 * held['share']:.0f} %"
    refused = f" ({g['refused']} refused)" if g["refused"] else ""
    each = ", ".join(_each(m.get(name, {})) for name in ("tuck_bottom", "elbow_flexion_bottom"))
    cells = (
        words, f"{g['screens']}{refused}", _error(m.get("tuck_bottom", {})),
        _error(m.get("elbow_flexion_bottom", {})), each, _error(m.get("bar_tilt_bottom", {})),
        f"{even['named']} of {even['of']}", f"{tuck['right']} of {tuck['of']}{wrong}", share,
        f"{reps['right']} of {reps['of']}",
    )  # fmt: skip
    return f"| {' | '.join(cells)} |"


def _error(m: Mapping[str, Any]) -> str:
    """Mean error and the 95th percentile; how many screens have it where not all do."""
    if "coverage" not in m:
        return f"{m.get('measurable', 0)} of {m.get('of', 0)}"
    some = f", {m['measurable']} of {m['of']}" if m["measurable"] < m["of"] else ""
    return f"{m['mean_absolute_error']:.2f} ({m['p95']:.1f}){some}"


def _each(m: Mapping[str, Any]) -> str:
    return f"{m['side_mean_absolute_error']:.1f}" if "side_mean_absolute_error" in m else "-"


def measures_table(group: Mapping[str, Any]) -> str:
    """One line a measure."""
    head = (
        "measure, as recommended",
        "measurable",
        "error",
        "95 % of errors",
        "smallest difference",
        "MDC95",
    )
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
