"""Plotly figures of the record as plain dicts: the trend of a measure, and curves before and after.

Draw them with `CONFIG`: nothing is sent anywhere and no maker's mark is shown.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from asymscreen.record.compare import AlignedCurve
from asymscreen.record.trend import Trend, TrendPoint
from asymscreen.report.charts import CONFIG, SIDE_COLOURS
from asymscreen.report.wording import number

__all__ = ["CONFIG", "curve_figures", "trend_figure"]

INK = "#39424a"
BAND = "rgba(57,66,74,0.15)"
BLOCK = "rgba(120,110,80,0.13)"
APART = "#8a939b"
HEIGHT = 230  # pixels
DASHES = {"left": "solid", "right": "8px,4px", "value": "solid"}
LEAST_REACH = {"deg": 4.0, "mm": 25.0, "s": 0.1}
"""A trend's axis reaches at least this far both ways, so that noise does not look like a finding."""
LEAST_SPAN = {"deg": 20.0, "mm": 40.0}
"""A curve's axis never spans less than this."""


def trend_figure(trend: Trend) -> dict[str, Any]:
    """Points with their 95 % error band over time, blocks as spans; hollow points are not comparable."""
    alike = [p for p in trend.points if p.value is not None and not p.apart]
    apart = [p for p in trend.points if p.value is not None and p.apart]
    reach = _reach(trend)
    layout = _layout(HEIGHT) | {
        "xaxis": {
            "type": "date", "fixedrange": True, "showgrid": False, "nticks": 6, "range": _time_span(trend),
        },
        "yaxis": {
            "range": [-reach, reach], "fixedrange": True, "gridcolor": "#ddd", "zeroline": True,
            "zerolinecolor": "#666", "nticks": 6, "title": {"text": trend.unit},
        },
        "shapes": [_span(block.starts_on, block.ends_on + timedelta(days=1)) for block in trend.blocks],
        "annotations": [*_ends(trend), *_block_words(trend)],
    }  # fmt: skip
    return {"data": [*_band(alike), _dots(alike, trend.unit), _hollow(apart, trend.unit)], "layout": layout}


def curve_figures(name: str, curve: AlignedCurve) -> tuple[dict[str, Any], dict[str, Any]]:
    """(before, after) on one scale: left full, right dashed, the bottom marked; both aligned by cycle."""
    drawn = [
        v for side in (curve.before, curve.after) for line in side.values() for v in line if v is not None
    ]
    low, high = (min(drawn), max(drawn)) if drawn else (0.0, 0.0)
    middle, half = (low + high) / 2, max(0.56 * (high - low), LEAST_SPAN[curve.unit] / 2)
    figures = []
    for lines in (curve.before, curve.after):
        layout = _layout(HEIGHT) | {
            "xaxis": {
                "range": [0, 100], "fixedrange": True, "showgrid": False,
                "tickvals": [0, 50, 100], "ticktext": ["0 %", "50 %", "100 %"],
            },
            "yaxis": {
                "range": [middle - half, middle + half], "fixedrange": True, "gridcolor": "#ddd", "nticks": 6,
            },
            "shapes": [_bottom(curve.bottom_percent)],
            "annotations": [_letter(s, v) for s, v in lines.items() if s in SIDE_COLOURS and _drawn(v)],
        }  # fmt: skip
        figures.append({"data": [_line(s, v, curve.unit) for s, v in lines.items()], "layout": layout})
    return figures[0], figures[1]


def _layout(height: int) -> dict[str, Any]:
    return {
        "height": height, "margin": {"l": 48, "r": 26, "t": 26, "b": 42, "pad": 0}, "showlegend": False,
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "dragmode": False,
        "font": {"family": "system-ui, sans-serif", "size": 13},
    }  # fmt: skip


def _reach(trend: Trend) -> float:
    ends = [abs(v) for p in trend.points for v in (p.value, p.low, p.high) if v is not None]
    return max(1.15 * max(ends, default=0.0), LEAST_REACH[trend.unit])


def _time_span(trend: Trend) -> list[str]:
    """From the first to the last screen or block, with a little room."""
    days = [p.filmed_at.date() for p in trend.points]
    days += [d for b in trend.blocks for d in (b.starts_on, b.ends_on)]
    room = timedelta(days=max(2, (max(days) - min(days)).days // 20))
    return [(min(days) - room).isoformat(), (max(days) + room).isoformat()]


def _band(points: list[TrendPoint]) -> list[dict[str, Any]]:
    """The 95 % intervals joined; a single point gets none."""
    both = [p for p in points if p.low is not None and p.high is not None]
    if len(both) < 2:
        return []
    times = [p.filmed_at.isoformat() for p in both]
    edge = {"type": "scatter", "mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", "x": times}
    return [
        edge | {"y": [p.low for p in both]},
        edge | {"y": [p.high for p in both], "fill": "tonexty", "fillcolor": BAND},
    ]


def _dots(points: list[TrendPoint], unit: str) -> dict[str, Any]:
    return _scatter(points, unit) | {
        "mode": "lines+markers",
        "line": {"color": INK, "width": 2},
        "marker": {"color": INK, "size": 9},
        "error_y": _whiskers(points, INK),
    }


def _hollow(points: list[TrendPoint], unit: str) -> dict[str, Any]:
    return _scatter(points, unit) | {
        "mode": "markers",
        "marker": {"color": "rgba(0,0,0,0)", "size": 9, "line": {"color": APART, "width": 2}},
        "error_y": _whiskers(points, APART),
    }


def _scatter(points: list[TrendPoint], unit: str) -> dict[str, Any]:
    texts = [
        f"{number(p.value, unit, signed=True)} {unit}" + (f"; {p.apart}" if p.apart else "") for p in points
    ]
    return {
        "type": "scatter", "x": [p.filmed_at.isoformat() for p in points], "y": [p.value for p in points],
        "text": texts, "hovertemplate": "%{x|%d %b %Y}: %{text}<extra></extra>",
    }  # fmt: skip


def _whiskers(points: list[TrendPoint], colour: str) -> dict[str, Any]:
    """95 % error bars; none where a screen states no interval."""
    up = [0.0 if p.high is None else p.high - (p.value or 0.0) for p in points]
    down = [0.0 if p.low is None else (p.value or 0.0) - p.low for p in points]
    return {
        "type": "data", "symmetric": False, "array": up, "arrayminus": down,
        "color": colour, "thickness": 1.5, "width": 4,
    }  # fmt: skip


def _span(start: Any, end: Any) -> dict[str, Any]:
    return {
        "type": "rect", "xref": "x", "yref": "paper", "x0": start.isoformat(), "x1": end.isoformat(),
        "y0": 0, "y1": 1, "fillcolor": BLOCK, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip


def _block_words(trend: Trend) -> list[dict[str, Any]]:
    return [
        _note(f"block {block.id}", x=block.starts_on.isoformat(), xref="x", y=1, yref="paper", xanchor="left",
              yanchor="bottom")
        for block in trend.blocks
    ]  # fmt: skip


def _ends(trend: Trend) -> list[dict[str, Any]]:
    """What up and down mean."""
    up, down = ("left larger", "right larger") if trend.two_sided else ("left lower", "right lower")
    if trend.measure.startswith("bar_shift"):
        up, down = "to the left", "to the right"
    place = {"x": 0, "xref": "paper", "xanchor": "left", "yref": "paper", "xshift": 3}
    return [_note(up, y=1, yanchor="top", **place), _note(down, y=0, yanchor="bottom", **place)]


def _note(text: str, **place: Any) -> dict[str, Any]:
    return {"text": text, "showarrow": False, "font": {"size": 11}} | place


def _line(side: str, values: list[float | None], unit: str) -> dict[str, Any]:
    colour = SIDE_COLOURS.get(side, INK)
    return {
        "type": "scatter", "mode": "lines", "name": side if side in SIDE_COLOURS else "",
        "x": list(range(len(values))), "y": values,
        "line": {"color": colour, "width": 2.5, "dash": DASHES[side]},
        "hovertemplate": f"%{{y:.1f}} {unit}",
    }  # fmt: skip


def _bottom(percent: float) -> dict[str, Any]:
    return {
        "type": "line", "xref": "x", "yref": "paper", "x0": percent, "x1": percent, "y0": 0, "y1": 1,
        "line": {"color": "#888", "width": 1, "dash": "2px,3px"},
    }  # fmt: skip


def _drawn(line: list[float | None]) -> bool:
    return any(v is not None for v in line)


def _letter(side: str, line: list[float | None]) -> dict[str, Any]:
    """The side's letter at the bottom of the rep, where both lines are farthest from the ends."""
    here = next(v for v in (*line[54:], *line) if v is not None)
    return _note(
        f"<b>{side[0].upper()}</b>", x=54, xref="x", y=here, yref="y", bordercolor=SIDE_COLOURS[side],
        borderwidth=2, borderpad=2, bgcolor="#fff", xshift=-14 if side == "left" else 14,
    )  # fmt: skip
