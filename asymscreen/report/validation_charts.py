"""Pictures of the instrument's error as plotly figures, each with its numbers in a table beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from asymscreen.report.charts import FONT_PX, ONE_COLOUR, Chart
from asymscreen.report.wording import number, title

HEADLINE = ("tuck_bottom", "elbow_flexion_bottom", "bar_tilt_bottom")
"""Measures with a picture each; all others stand in the tables."""
LOOKS = {
    "tuck_bottom": ("#CC79A7", "circle", "solid"),
    "elbow_flexion_bottom": ("#009E73", "square", "dash"),
    "bar_tilt_bottom": ("#E69F00", "diamond", "dot"),
}
"""Colour (Okabe and Ito, without the two of left and right), mark and dash of a measure."""
HEIGHT = 300  # pixels
MARGINS = {"l": 44, "r": 14, "t": 24, "b": 44, "pad": 0}
CONDITIONS = {
    "elevation_deg": ("Phone's elevation over the chest", "deg"),
    "azimuth_deg": ("Phone off the bench's middle line", "deg"),
    "distance_m": ("Distance from chest to phone", "m"),
    "short_side_px": ("Picture's shorter side", "px"),
}


def hit_charts(hit_rates: Mapping[str, Sequence[Mapping[str, Any]]], units: Mapping[str, str]) -> list[Chart]:
    """For the headline measures: the share of screens named rightly by size of the true difference."""
    return [
        _hit_chart(f"hits-{k}", name, hit_rates[name], units[name])
        for k, name in enumerate(HEADLINE)
        if hit_rates.get(name)
    ]


def _hit_chart(key: str, name: str, steps: Sequence[Mapping[str, Any]], unit: str) -> Chart:
    words = [_span(s["from"], s["to"]) for s in steps]
    shares = [100.0 * s["share"] for s in steps]
    ends = [(100.0 * s["interval"][0], 100.0 * s["interval"][1]) for s in steps]
    bars = {
        "type": "scatter", "mode": "lines+markers", "x": words, "y": shares, **_look(name),
        "error_y": {
            "type": "data", "symmetric": False, "color": ONE_COLOUR, "thickness": 1.2,
            "array": [high - v for v, (_, high) in zip(shares, ends, strict=True)],
            "arrayminus": [v - low for v, (low, _) in zip(shares, ends, strict=True)],
        },
        "hovertemplate": "%{y:.0f} %",
    }  # fmt: skip
    rows = tuple(
        (
            f"{w} {unit}",
            str(s["of"]),
            str(s["right"]),
            str(s["wrong"]),
            f"{low:.0f} to {high:.0f} %",
            number(s["error"], unit),
        )
        for w, s, (low, high) in zip(words, steps, ends, strict=True)
    )
    last = steps[-1]
    label = (
        f"{title(name)}: share of screens that named the right side, by true difference in {unit}. "
        f"{words[-1]} {unit}: {last['right']} of {last['of']}. Numbers follow below."
    )
    layout = _layout(f"true difference, {unit}", "named rightly, %") | {"showlegend": False}
    layout["yaxis"] |= {"range": [-4, 104]}
    head = ("True difference", "Screens", "Named rightly", "Wrongly", "95 % interval", "Mean error")
    return Chart(key, title(name), unit, False, label, {"data": [bars], "layout": layout}, head, rows)


def truth_charts(points: Mapping[str, Sequence[Sequence[float]]], units: Mapping[str, str]) -> list[Chart]:
    """For the headline measures: what was measured against what is true, one mark a screen."""
    return [
        _truth_chart(f"truth-{k}", name, points[name], units[name])
        for k, name in enumerate(HEADLINE)
        if points.get(name)
    ]


def _truth_chart(key: str, name: str, points: Sequence[Sequence[float]], unit: str) -> Chart:
    truths, values = [p[0] for p in points], [p[1] for p in points]
    reach = 1.08 * max([abs(v) for v in truths + values] + [1.0])
    marks = {
        "type": "scatter", "mode": "markers", "x": truths, "y": values, **_look(name), "opacity": 0.7,
        "hovertemplate": f"true %{{x:.1f}}, measured %{{y:.1f}} {unit}",
    }  # fmt: skip
    layout = _layout(f"true, {unit}", f"measured, {unit}") | {"showlegend": False}
    for axis in ("xaxis", "yaxis"):
        layout[axis] |= {"range": [-reach, reach], "zeroline": True}
    line = {"color": ONE_COLOUR, "width": 1, "dash": "2px,3px"}
    layout["shapes"] = [{"type": "line", "x0": -reach, "y0": -reach, "x1": reach, "y1": reach, "line": line}]
    errors = sorted(abs(v - t) for t, v in zip(truths, values, strict=True))
    half, most = errors[len(errors) // 2], errors[-1]
    label = (
        f"{title(name)}: measured against true difference of {len(points)} screens. Half of them are within "
        f"{number(half, unit)} {unit}, all within {number(most, unit)} {unit}."
    )
    rows = tuple(
        (f"{share} %", number(errors[min(len(errors) - 1, int(share / 100 * len(errors)))], unit))
        for share in (25, 50, 75, 90, 95, 100)
    )
    head = ("Share of screens", f"Error within, {unit}")
    return Chart(key, title(name), unit, False, label, {"data": [marks], "layout": layout}, head, rows)


def condition_charts(bins: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[Chart]:
    """How the error grows with where the phone stood: one picture a condition that has two bins or more."""
    chosen = [(name, entries) for name, entries in bins.items() if len(entries) > 1 and name in CONDITIONS]
    return [_condition_chart(f"where-{k}", name, entries) for k, (name, entries) in enumerate(chosen)]


def _condition_chart(key: str, name: str, entries: Sequence[Mapping[str, Any]]) -> Chart:
    words, unit = CONDITIONS[name]
    spans = [_span(e["from"], e["to"]) for e in entries]
    shown = [m for m in HEADLINE if any(_error(e, m) is not None for e in entries)]
    traces = [
        {
            "type": "scatter", "mode": "lines+markers", "name": title(m), "x": spans,
            "y": [_error(e, m) for e in entries], **_look(m), "hovertemplate": "%{y:.1f} deg",
        }
        for m in shown
    ]  # fmt: skip
    layout = _layout(f"{unit} (screens below)", "mean error, deg")
    layout["xaxis"] |= {"ticktext": [f"{s}<br>{e['screens']}" for s, e in zip(spans, entries, strict=True)]}
    layout["xaxis"] |= {"tickvals": list(range(len(spans)))}
    layout["yaxis"] |= {"rangemode": "tozero"}
    layout["margin"] = MARGINS | {"b": 62}
    rows = tuple(
        (f"{span} {unit}", str(e["screens"]), str(e["refused"]), *(_cell(e, m) for m in shown))
        for span, e in zip(spans, entries, strict=True)
    )
    head = (words, "Screens", "Refused", *(f"{title(m)}, deg (measurable)" for m in shown))
    label = f"{words}: mean error of {', '.join(map(title, shown))} by bin. Numbers follow below."
    return Chart(key, words, unit, False, label, {"data": traces, "layout": layout}, head, rows)


def _error(entry: Mapping[str, Any], measure: str) -> float | None:
    error = entry["measures"].get(measure, {}).get("error")
    return None if error is None else float(error)


def _cell(entry: Mapping[str, Any], measure: str) -> str:
    m = entry["measures"].get(measure, {})
    return f"{number(m.get('error'), 'deg')} ({m.get('measurable', 0)} of {m.get('of', 0)})"


def _span(low: float, high: float | None) -> str:
    """ "4\u20138" or "16+"; short, to stand under an axis."""
    return f"{low:g}+" if high is None else f"{low:g}\u2013{high:g}"


def _look(name: str) -> dict[str, Any]:
    colour, mark, dash = LOOKS[name]
    return {"marker": {"color": colour, "symbol": mark, "size": 8}, "line": {"color": colour, "dash": dash}}


def _layout(x: str, y: str) -> dict[str, Any]:
    axis = {"fixedrange": True, "gridcolor": "#ddd", "zerolinecolor": "#999", "zeroline": False}
    return {
        "height": HEIGHT,
        "margin": MARGINS,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "dragmode": False,
        "font": {"family": "system-ui, sans-serif", "size": FONT_PX},
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0, "font": {"size": FONT_PX - 2}},
        "xaxis": axis | {"title": {"text": x}, "tickangle": 0, "tickfont": {"size": FONT_PX - 3}},
        "yaxis": axis | {"title": {"text": y}},
    }
