"""The curves of the rep as plotly figures (plain dicts), each with an accessible name and its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from asymscreen.document import Curve, CurvePair
from asymscreen.report.wording import number, title

SIDE_COLOURS = {"left": "#0072B2", "right": "#D55E00"}
"""One colour a side everywhere (Okabe and Ito's palette), always with the side's letter."""
ONE_COLOUR = "#75808a"
BAND_OPACITY = 0.2  # 0 to 1
HEIGHT = 250  # pixels
MARGINS = {"l": 34, "r": 30, "t": 24, "b": 30, "pad": 0}
FONT_PX = 13  # pixels

LEAST_SPAN = {"deg": 20.0, "mm": 40.0}
"""A two-sided chart never shows less than this, so that noise does not look like a finding."""
LEAST_REACH = {"deg": 3.0, "mm": 30.0}
"""A one-value chart reaches at least this far to both sides of zero."""
ORDER = ("elbow_flexion", "tuck", "forearm_lean", "bar_tilt", "shoulder_line", "bar_shift")

CONFIG: dict[str, Any] = {
    "displayModeBar": False,
    "displaylogo": False,
    "showSendToCloud": False,
    "responsive": True,
    "scrollZoom": False,
    "doubleClick": False,
}
"""Plotly's settings for every chart of ours: nothing is sent anywhere, no maker's mark."""


@dataclass(frozen=True)
class Chart:
    """One chart: `figure` for plotly, `label` its accessible name, `head` and `rows` the table beside it,
    `spread` whether there are several reps to show the spread of."""

    key: str
    title: str
    unit: str
    spread: bool
    label: str
    figure: dict[str, Any]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def charts(curves: dict[str, CurvePair]) -> list[Chart]:
    """A chart for every curve that has at least one number, the known ones first."""
    known = [name for name in ORDER if name in curves]
    names = known + [name for name in curves if name not in ORDER]
    return [_chart(f"curve-{k}", name, curves[name]) for k, name in enumerate(names) if _sides(curves[name])]


def _sides(pair: CurvePair) -> dict[str, Curve]:
    """The curves of a pair that hold a number: `left` and `right`, or `value`."""
    given = {"left": pair.left, "right": pair.right, "value": pair.value}
    return {side: curve for side, curve in given.items() if curve and any(v is not None for v in curve.mean)}


def _chart(key: str, name: str, pair: CurvePair) -> Chart:
    sides = _sides(pair)
    pair = pair.model_copy(update={"bottom_percent": min(max(pair.bottom_percent, 0.0), 100.0)})
    span = _span(sides, pair.unit)
    head, rows = _table(sides, pair)
    spread = any(_spread(curve) for curve in sides.values())
    return Chart(
        key,
        title(name),
        pair.unit,
        spread,
        _label(name, pair, sides),
        _figure(name, sides, pair, span),
        head,
        rows,
    )


def _figure(name: str, sides: dict[str, Curve], pair: CurvePair, span: tuple[float, float]) -> dict[str, Any]:
    traces = [_band(side, curve) for side, curve in sides.items() if _spread(curve)]
    traces += [_line(side, curve, pair.unit) for side, curve in sides.items()]
    layout = {
        "height": HEIGHT,
        "margin": MARGINS,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False,
        "dragmode": False,
        "hovermode": "x unified",
        "font": {"family": "system-ui, sans-serif", "size": FONT_PX},
        "xaxis": _axis([0, 100]) | {"tickvals": _TICKS, "ticktext": [f"{t} %" for t in _TICKS], **_X_LOOK},
        "yaxis": _axis(list(span)) | {"nticks": 6, "zeroline": "value" in sides},
        "shapes": [_bottom_line(pair.bottom_percent)],
        "annotations": [_bottom_word(pair.bottom_percent), *_letters(sides, span), *_ends(name, sides)],
    }
    return {"data": traces, "layout": layout}


_TICKS = (0, 50, 100)
_X_LOOK = {
    "showgrid": False,
    "showspikes": False,
    "ticks": "outside",
    "ticklen": 6,
    "tickcolor": "rgba(0,0,0,0)",
    "unifiedhovertitle": {"text": "%{x:.0f} % of the rep"},
}


def _axis(limits: Sequence[float]) -> dict[str, Any]:
    return {"range": limits, "fixedrange": True, "gridcolor": "#ddd", "zerolinecolor": "#999", "ticks": ""}


def _line(side: str, curve: Curve, unit: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": side if side in SIDE_COLOURS else "",
        "x": _percents(curve),
        "y": curve.mean,
        "line": {
            "color": SIDE_COLOURS.get(side, ONE_COLOUR),
            "width": 2.5,
            "dash": _DASHES.get(side, "solid"),
        },
        "hovertemplate": f"%{{y:.1f}} {unit}",
    }


_DASHES = {"right": "7px,3px"}
"""The right side is dashed, so that a print in grey still tells the sides apart."""


def _band(side: str, curve: Curve) -> dict[str, Any]:
    """Mean plus and minus one standard deviation as one closed shape a run of numbers, gaps left open."""
    xs: list[float | None] = []
    ys: list[float | None] = []
    for run in _runs(curve):
        upper = [(x, mean + sd) for x, mean, sd in run]
        lower = [(x, mean - sd) for x, mean, sd in reversed(run)]
        for x, y in upper + lower:
            xs.append(x)
            ys.append(y)
        xs.append(None)
        ys.append(None)
    return {
        "type": "scatter",
        "mode": "lines",
        "x": xs[:-1],
        "y": ys[:-1],
        "fill": "toself",
        "fillcolor": _faded(SIDE_COLOURS.get(side, ONE_COLOUR)),
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def _runs(curve: Curve) -> list[list[tuple[float, float, float]]]:
    """Unbroken stretches of (percent, mean, sd)."""
    runs: list[list[tuple[float, float, float]]] = [[]]
    for x, mean, sd in zip(_percents(curve), curve.mean, curve.sd, strict=False):
        if mean is None or sd is None:
            runs.append([])
        else:
            runs[-1].append((x, mean, sd))
    return [run for run in runs if run]


def _spread(curve: Curve) -> bool:
    return len(curve.reps) > 1 and bool(_runs(curve))


def _percents(curve: Curve) -> list[float]:
    last = max(len(curve.mean) - 1, 1)
    return [100.0 * k / last for k in range(len(curve.mean))]


def _faded(colour: str) -> str:
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return f"rgba({red},{green},{blue},{BAND_OPACITY})"


def _span(sides: dict[str, Curve], unit: str) -> tuple[float, float]:
    """The chart's lower and upper end: everything drawn with room, never less than the least span."""
    drawn = [v for c in sides.values() for v in c.mean if v is not None]
    drawn += [
        m + k * s
        for c in sides.values()
        if _spread(c)
        for run in _runs(c)
        for _, m, s in run
        for k in (1, -1)
    ]
    low, high = min(drawn), max(drawn)
    if "value" in sides:
        reach = max(1.15 * max(abs(low), abs(high)), LEAST_REACH[unit])
        return (-reach, reach)
    middle, half = (low + high) / 2, max(0.56 * (high - low), LEAST_SPAN[unit] / 2)
    return (middle - half, middle + half)


def _bottom_line(percent: float) -> dict[str, Any]:
    line = {"color": ONE_COLOUR, "width": 1, "dash": "2px,3px"}
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": percent,
        "x1": percent,
        "y0": 0,
        "y1": 1,
        "line": line,
    }


def _note(text: str, **place: Any) -> dict[str, Any]:
    return {"text": text, "showarrow": False} | place


def _bottom_word(percent: float) -> dict[str, Any]:
    return _note("bottom", x=percent, xref="x", y=1, yref="paper", yanchor="bottom")


def _letters(sides: dict[str, Curve], span: tuple[float, float]) -> list[dict[str, Any]]:
    """L and R at the right end of their lines, kept apart by at least a letter's height."""
    ends = {side: _last(curve) for side, curve in sides.items() if side in SIDE_COLOURS}
    apart = 22.0 * (span[1] - span[0]) / (HEIGHT - MARGINS["t"] - MARGINS["b"])
    order = sorted(ends, key=lambda side: ends[side])
    if len(order) == 2 and ends[order[1]] - ends[order[0]] < apart:
        middle = max((ends[order[0]] + ends[order[1]]) / 2, span[0] + 1.3 * apart)
        ends = {order[0]: middle - apart / 2, order[1]: middle + apart / 2}
    return [
        _note(
            f"<b>{side[0].upper()}</b>",
            x=100, xref="x", xanchor="left", xshift=7, y=y, yref="y",
            bordercolor=SIDE_COLOURS[side], borderwidth=2, borderpad=2, bgcolor="#fff",
        )
        for side, y in ends.items()
    ]  # fmt: skip


def _last(curve: Curve) -> float:
    return next(v for v in reversed(curve.mean) if v is not None)


def _ends(name: str, sides: dict[str, Curve]) -> list[dict[str, Any]]:
    """What up and down mean on a one-value chart."""
    if "value" not in sides:
        return []
    up, down = ("to the left", "to the right") if name == "bar_shift" else ("left lower", "right lower")
    place = {"x": 0, "xref": "paper", "xanchor": "left", "yref": "paper", "xshift": 2}
    return [_note(up, y=1, yanchor="top", **place), _note(down, y=0, yanchor="bottom", **place)]


def _table(sides: dict[str, Curve], pair: CurvePair) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    head = ("Of the rep", *(side.capitalize() for side in sides))
    moments = sorted({0.0, 25.0, 50.0, 75.0, 100.0, round(pair.bottom_percent)})
    rows = []
    for percent in moments:
        mark = ", bottom" if percent == round(pair.bottom_percent) else ""
        rows.append((f"{percent:.0f} %{mark}", *(_at(curve, percent, pair.unit) for curve in sides.values())))
    return head, tuple(rows)


def _at(curve: Curve, percent: float, unit: str) -> str:
    """The mean at a percentage of the cycle, with the standard deviation between reps."""
    place = min(max(round(percent / 100.0 * (len(curve.mean) - 1)), 0), len(curve.mean) - 1)
    sd = curve.sd[place] if _spread(curve) and place < len(curve.sd) else None
    text = number(curve.mean[place], unit)
    return text if sd is None else f"{text} ± {number(sd, unit)}"


def _label(name: str, pair: CurvePair, sides: dict[str, Curve]) -> str:
    """The chart's accessible name: what it shows, and its numbers at the bottom of the rep."""
    parts = [f"{side} {_at(curve, pair.bottom_percent, pair.unit)}" for side, curve in sides.items()]
    bottom = ", ".join(parts)
    return f"{title(name)} through the rep, in {pair.unit}. At the bottom: {bottom}. Numbers follow below."
