"""The trend over many screens, and its figure.

Outside source: plotly's own validators and its list of settings (showSendToCloud, displaylogo).
"""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import plotly.graph_objects as go
import pytest
import record_makers as makers
import report_samples as samples
from jsonschema import validate
from record_makers import DAY, later

from asymscreen.document import ScreenDocument
from asymscreen.errors import RecordError
from asymscreen.record.blocks import add_block
from asymscreen.record.compare import compare
from asymscreen.record.figures import CONFIG, curve_figures, trend_figure
from asymscreen.record.lifters import add_lifter
from asymscreen.record.screens import add_screen
from asymscreen.record.shapes import DrillDose
from asymscreen.record.store import Store
from asymscreen.record.trend import Trend, build_trend, compare_screens, trend

pytest_plugins = ["record_fixtures"]


def story(store: Store) -> list[str]:
    """Three screens over ten weeks with a block between the first two; the second one with another load."""
    add_lifter(store, "L-014")
    documents: list[tuple[float, ScreenDocument]] = [
        (0, samples.crossed()), (35, makers.screen(sheet={"load_kg": 95})), (70, makers.shifted(54.0, 0.3)),
    ]  # fmt: skip
    ids = [add_screen(store, "L-014", d, filmed_at=later(day)).id for day, d in documents]
    drills = [DrillDose(drill="pinned-reach", side="left", dose="2 x 8")]
    add_block(store, "L-014", drills, starts_on=date(2026, 3, 10), ends_on=date(2026, 4, 10))
    return ids


def test_a_trend_has_every_screen_with_its_error_and_the_blocks(store: Store) -> None:
    ids = story(store)
    found = trend(store, "L-014", "tuck_bottom")
    assert [p.screen for p in found.points] == ids
    assert [round(p.value or 0, 1) for p in found.points] == [12.3, 12.3, 1.1]
    assert all(
        p.low is not None and p.high is not None and p.low < (p.value or 0) < p.high for p in found.points
    )
    assert [bool(p.apart) for p in found.points] == [False, True, False]
    assert "Another load" in found.points[1].apart
    assert [(b.starts_on, b.label) for b in found.blocks] == [(date(2026, 3, 10), "pinned-reach (left)")]
    raw = json.loads(found.to_json())
    validate(raw, Trend.model_json_schema(by_alias=True))
    assert Trend.model_validate(raw) == found


def test_an_unknown_measure_names_the_known_ones(store: Store) -> None:
    story(store)
    with pytest.raises(
        RecordError, match=r"expected a measure of L-014's screens \(bar_shift_bottom, .*got 'grace'"
    ):
        trend(store, "L-014", "grace")


def test_without_screens_there_is_no_trend() -> None:
    with pytest.raises(RecordError, match="none yet"):
        build_trend("L-014", "tuck_bottom", [])


@pytest.mark.parametrize("measure", ["tuck_bottom", "bar_tilt_bottom", "bar_shift_bottom", "lockout_time"])
def test_the_figure_is_valid_and_draws_band_blocks_and_points(store: Store, measure: str) -> None:
    story(store)
    figure = trend_figure(trend(store, "L-014", measure))
    go.Figure(figure)
    low, high, dots, hollow = figure["data"]
    assert high["fill"] == "tonexty"
    assert len(low["y"]) == len(high["y"]) == len(dots["y"]) == 2
    assert len(hollow["y"]) == 1
    assert all(a <= b <= c for a, b, c in zip(low["y"], dots["y"], high["y"], strict=True))
    assert [(s["x0"], s["x1"]) for s in figure["layout"]["shapes"]] == [("2026-03-10", "2026-04-11")]
    bottom, top = figure["layout"]["yaxis"]["range"]
    assert bottom < min(low["y"])
    assert top > max(high["y"])


def test_one_screen_alone_and_gaps_draw_too() -> None:
    empty = build_trend("L-014", "tuck_bottom", [("a", DAY, samples.not_measurable())])
    go.Figure(trend_figure(empty))
    one = build_trend("L-014", "tuck_bottom", [("a", DAY, samples.crossed())])
    figure = trend_figure(one)
    go.Figure(figure)
    assert [len(t["y"]) for t in figure["data"]] == [1, 0]


def test_nothing_is_sent_anywhere() -> None:
    assert CONFIG["showSendToCloud"] is False
    assert CONFIG["displaylogo"] is False


@pytest.mark.parametrize("name", ["tuck", "elbow_flexion", "bar_tilt"])
def test_curves_before_and_after_share_their_axis(name: str) -> None:
    found = compare(samples.crossed(), makers.shifted(54.0, 0.3)).curves[name]
    before, after = curve_figures(name, found)
    for figure in (before, after):
        go.Figure(figure)
    assert before["layout"]["yaxis"]["range"] == after["layout"]["yaxis"]["range"]
    assert before["layout"]["shapes"] == after["layout"]["shapes"]
    low, high = before["layout"]["yaxis"]["range"]
    drawn = [v for f in (before, after) for t in f["data"] for v in t["y"] if v is not None]
    assert low <= min(drawn) <= max(drawn) <= high
    colours = {t["name"]: t["line"]["color"] for t in before["data"]}
    expected: dict[str, Any] = {"left": "#0072B2", "right": "#D55E00"}
    if name != "bar_tilt":
        assert colours == expected
        assert {a["text"] for a in before["layout"]["annotations"]} == {"<b>L</b>", "<b>R</b>"}


def test_two_screens_of_the_record_are_compared_by_id(store: Store) -> None:
    ids = story(store)
    found = compare_screens(store, ids[0], ids[2])
    assert (found.earlier.id, found.earlier.filmed_on) == (ids[0], "2026-03-09")
    assert found.measures["tuck_bottom"].verdict == "changed"
    assert not compare_screens(store, ids[0], ids[1]).comparable


def test_screens_of_two_lifters_are_a_slip(store: Store) -> None:
    ids = story(store)
    add_lifter(store, "L-021")
    other = add_screen(store, "L-021", samples.even()).id
    with pytest.raises(RecordError, match="two screens of one lifter, got L-014 and L-021"):
        compare_screens(store, ids[0], other)
    with pytest.raises(RecordError, match="expected the id of a screen"):
        compare_screens(store, ids[0], "nonsense")
