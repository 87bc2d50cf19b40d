"""The instrument's error as one self-contained HTML page, from what `asymscreen validate` found."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment

from asymscreen.errors import UsageError
from asymscreen.report import html
from asymscreen.report.charts import Chart
from asymscreen.report.validation_charts import condition_charts, hit_charts, truth_charts
from asymscreen.report.wording import NOTHING, number, title

HEAD = (
    "Measure", "Measurable", "Bias", "Mean error", "95 % of errors", "Limits of agreement", "ICC (95 %)",
    "SEM", "MDC95", "Stated ±", "Noise floor", "Intervals true",
)  # fmt: skip
"""Columns of the table of measures."""
RETEST_HEAD = (
    "Measure",
    "Lifters",
    "Pairs",
    "SEM (95 %)",
    "SD of a change",
    "MDC95",
    "Re-set, 95 %",
    "A comparison asks for",
    "Beyond",
)


@dataclass(frozen=True)
class Table:
    """One table: `rows` begin with the row's own name."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def write_validation(found: Mapping[str, Any], path: Path) -> Path:
    """Write the page to `path` and return it. UsageError where the file cannot be written."""
    try:
        path.write_text(render_validation(found), encoding="utf-8", newline="\n")
    except OSError as exc:
        raise UsageError(f"{path}: expected a place to write the report, got {exc.strerror}") from exc
    return path


def render_validation(found: Mapping[str, Any]) -> str:
    """The page as HTML text: nothing is fetched from anywhere, and the same figures give the same text."""
    units = {name: m.get("unit", "deg") for name, m in found["measures"].items()}
    groups: list[tuple[str, list[Chart]]] = [
        ("Measured against true", truth_charts(found["points"], units)),
        ("When is a true difference named?", hit_charts(found["hit_rates"], units)),
        ("How the error grows with where the phone stands", condition_charts(found["sensitivity"])),
    ]
    drawn = [chart for _, charts in groups for chart in charts]
    scripts = html.chart_scripts() if drawn else ()
    return _templates().get_template("validation.html").render(
        found=found,
        headline=headline(found),
        facts=_facts(found),
        tables=measure_tables(found),
        kinds=kinds_table(found),
        hits=_hit_table(found["hit_rates"], units),
        retests=retest_tables(found),
        evens=even_table(found["measures"]),
        fairness=fairness_words(found["fairness"]),
        groups=[(name, charts) for name, charts in groups if charts],
        chart_data=html.figure_data({chart.key: chart.figure for chart in drawn}),
        scripts=scripts,
        policy=html.policy(scripts),
    )  # fmt: skip


@functools.cache
def _templates() -> Environment:
    return html.environment()


def headline(found: Mapping[str, Any]) -> str:
    """One sentence: how many lifters, how wrong, how often a side was named for nothing."""
    even, tuck = found["even"], found["measures"].get("tuck_bottom", {})
    words = f"{found['screens']} screens of known truth"
    if "mean_absolute_error" in tuck:
        words += (
            f": the tuck difference is off by {number(tuck['mean_absolute_error'], 'deg')} deg on average"
        )
    if even["of"]:
        words += f"; a side was named on {even['named']} of {even['of']} even lifters"
    return words + "."


def _facts(found: Mapping[str, Any]) -> list[tuple[str, str]]:
    reps, tuck, even = found["reps_right"], found["tuck_named"], found["even"]
    interval = even["interval"]
    span = f", 95 % interval {100 * interval[0]:.0f} to {100 * interval[1]:.0f} %" if interval else ""
    facts = [
        ("Command", found["command"]),
        ("Written", found["written"]),
        ("Version, error model", f"{found['software']['version']}, {found['error_model']}"),
        ("Capture sheets", "given" if found["capture_sheet"] else "left out"),
        ("Refused", f"{len(found['refused'])} of {found['screens']}"),
        ("Reps found at their bottom", f"{reps['right']} of {reps['of']}"),
        ("Even lifters with a side named", f"{even['named']} of {even['of']}{span}"),
        (
            "Tuck differences of 8 deg or more",
            f"{tuck['right']} of {tuck['of']} named, {tuck['wrong']} wrongly",
        ),
    ]
    return [(name, words) for name, words in facts if words]


KINDS_HEAD = (
    "Filmed", "Screens", "Refused", "Sides named on even lifters", "Tuck from 8 deg named", "Wrongly",
    "Tuck error, deg", "Intervals true",
)  # fmt: skip


def kinds_table(found: Mapping[str, Any]) -> Table | None:
    """One row a view and one a condition that made it harder; None where there is only one kind."""
    groups = {_view_name(name): g for name, g in found["views"].items()} | dict(found["conditions"])
    if len(groups) < 2:
        return None
    rows = []
    for name, g in groups.items():
        even, tuck, held = g["even"], g["tuck_named"], g["coverage"]
        error = g["measures"].get("tuck_bottom", {}).get("mean_absolute_error")
        share = (
            NOTHING
            if held["share"] is None
            else f"{100 * held['share']:.0f} % ({_percent(held['interval'])})"
        )
        counts = (f"{even['named']} of {even['of']}", f"{tuck['right']} of {tuck['of']}", str(tuck["wrong"]))
        rows.append((name, str(g["screens"]), str(g["refused"]), *counts, number(error, "deg"), share))
    return Table("By view and by what made it harder", KINDS_HEAD, tuple(rows))


def measure_tables(found: Mapping[str, Any]) -> list[tuple[str, Table]]:
    """(heading, table of measures) of all screens, then of every view, then of every condition."""
    groups = [("All screens", found)]
    views = sorted(found["views"].items(), key=lambda item: item[0] != "recommended")
    groups += [(_view_words(name, g), g) for name, g in views]
    groups += [(f"{name} ({_screens(g)})", g) for name, g in found["conditions"].items()]
    return [(words, _measures(words, g["measures"])) for words, g in groups if g["measures"]]


def _view_words(name: str, group: Mapping[str, Any]) -> str:
    return f"{_view_name(name)} ({_screens(group)})"


def _view_name(name: str) -> str:
    return {"recommended": "Foot end, filmed as recommended"}.get(name, f"View: {name}")


def _screens(group: Mapping[str, Any]) -> str:
    even = group["even"]
    return (
        f"{group['screens']} screens, {group['refused']} refused; named {even['named']} of {even['of']} even"
    )


def _measures(caption: str, measures: Mapping[str, Mapping[str, Any]]) -> Table:
    return Table(caption, HEAD, tuple(_row(name, m) for name, m in measures.items()))


def _row(name: str, m: Mapping[str, Any]) -> tuple[str, ...]:
    share = f"{m['measurable']} of {m['of']}"
    if "coverage" not in m:
        return (title(name), share, *[NOTHING] * (len(HEAD) - 2))
    unit = m["unit"]

    def show(key: str, *, signed: bool = False) -> str:
        return number(m[key], unit, signed=signed)

    low, high = m["limits_of_agreement"]
    return (
        f"{title(name)}, {unit}",
        share,
        show("bias", signed=True),
        show("mean_absolute_error"),
        show("p95"),
        f"{number(low, unit, signed=True)} to {number(high, unit, signed=True)}",
        _icc(m),
        show("sem"),
        show("mdc95"),
        show("half_width"),
        show("noise_floor"),
        f"{100 * m['coverage']:.0f} % ({_percent(m['coverage_interval'])})",
    )


def _icc(m: Mapping[str, Any]) -> str:
    if m["icc"] is None:
        return NOTHING
    ends = m["icc_interval"]
    words = f", {m['icc_band']}" if m["icc_band"] else ""
    return f"{m['icc']:.2f}" + (f" ({ends[0]:.2f} to {ends[1]:.2f}){words}" if ends else "")


def _percent(interval: Sequence[float] | None) -> str:
    return f"{100 * interval[0]:.0f} to {100 * interval[1]:.0f}" if interval else NOTHING


def even_table(measures: Mapping[str, Mapping[str, Any]]) -> Table | None:
    """How far off even lifters came out, beside the noise floor; None where there are too few of them."""
    rows = []
    for name, m in measures.items():
        if "even_sd" in m:
            numbers = (number(m[key], m["unit"]) for key in ("even_sd", "even_largest", "noise_floor"))
            rows.append((f"{title(name)}, {m['unit']}", str(m["even_screens"]), *numbers))
    head = ("Measure", "Even lifters", "SD of their difference", "Largest", "Noise floor, median")
    return Table("Even lifters by measure", head, tuple(rows)) if rows else None


def _hit_table(hit_rates: Mapping[str, Sequence[Mapping[str, Any]]], units: Mapping[str, str]) -> Table:
    rows = []
    for name, steps in hit_rates.items():
        for s in steps:
            span = f"{s['from']:g} or more" if s["to"] is None else f"{s['from']:g} to {s['to']:g}"
            share = f"{100 * s['share']:.0f} % ({_percent(s['interval'])})"
            rows.append(
                (
                    title(name),
                    f"{span} {units[name]}",
                    str(s["of"]),
                    str(s["right"]),
                    str(s["wrong"]),
                    share,
                    number(s["error"], units[name]),
                )
            )
    head = ("Measure", "True difference", "Screens", "Named rightly", "Wrongly", "Share (95 %)", "Mean error")
    return Table("Named sides by size of the true difference", head, tuple(rows))


def retest_tables(found: Mapping[str, Any]) -> list[Table]:
    """Tables of the re-test: all screens, then every view that has pairs."""
    groups = {"All screens": found["retest"]}
    groups |= {_view_name(name): g.get("retest", {}) for name, g in found["views"].items()}
    return [_retest_table(name, measured) for name, measured in groups.items() if measured]


def _retest_table(caption: str, measured: Mapping[str, Mapping[str, Any]]) -> Table:
    rows = []
    for name, m in measured.items():
        unit = m["unit"]
        low, high = (number(v, unit) for v in m["sem_interval"])
        changes = (number(m[key], unit) for key in ("sd", "mdc95", "reset95", "needed95"))
        sem = f"{number(m['sem'], unit)} ({low} to {high})"
        beyond = f"{m['beyond']} of {m['pairs']}"
        rows.append((f"{title(name)}, {unit}", str(m["lifters"]), str(m["pairs"]), sem, *changes, beyond))
    return Table(caption, RETEST_HEAD, tuple(rows))


def fairness_words(found: Mapping[str, Any]) -> list[str]:
    """Sentences on what became of the mirror images."""
    if not found["screens"]:
        return []
    out = [
        f"{found['screens']} screens were screened as their mirror images too: the same numbers should "
        "come out with the sides swapped."
    ]
    if found["largest"]:
        worst = max(found["largest"], key=lambda name: found["largest"][name])
        out.append(f"The largest departure is {found['largest'][worst]:.3g}, of {title(worst).lower()}.")
    calls, halves = found["other_calls"], found["one_refused"]
    out.append(f"Calls that came out otherwise: {len(calls)}{': ' + '; '.join(calls) if calls else ''}.")
    if halves:
        out.append(f"Refused only one way round: {', '.join(halves)}.")
    return out
