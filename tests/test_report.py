"""The report: what stands in it, in which words, and that it needs nothing from outside.

The documents are invented (report_samples.py). Outside sources: plotly's own validators for the figures,
OpenCV's decoder for picture sizes, the standard library's HTML parser for the page.
"""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from datetime import UTC, date, datetime
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import report_samples as samples
from hypothesis import given
from hypothesis import strategies as st
from report_tree import Element, read_page

from asymscreen.capture.advice import advise_again
from asymscreen.document import KeyFrame, ScreenDocument, read_document
from asymscreen.errors import DocumentError, UsageError
from asymscreen.report import render_report, text_summary, write_report

PLOTLY = resources.files("plotly").joinpath("package_data/plotly.min.js").read_text("utf-8")
DAY = date(2026, 3, 9)
BLUE, VERMILION = "#0072B2", "#D55E00"
HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(1)>\"'&lt;{{ 7*7 }}\x1b[31m\u202e\x00"


def page_of(document: ScreenDocument, images: dict[str, bytes] | None = None) -> Element:
    """The page as a tree; plotly.js itself is taken out first, since parsing it would be slow."""
    text = render_report(document, samples.images(document) if images is None else images, written=DAY)
    return read_page(text.replace(PLOTLY, "", 1))


@pytest.fixture(scope="module")
def crossed() -> ScreenDocument:
    return samples.crossed()


@pytest.fixture(scope="module")
def crossed_page(crossed: ScreenDocument) -> Element:
    return page_of(crossed)


@pytest.fixture(scope="module", params=sorted(samples.SAMPLES))
def any_page(request: pytest.FixtureRequest) -> Element:
    return page_of(samples.SAMPLES[request.param]())


@pytest.mark.parametrize("name", sorted(samples.SAMPLES))
def test_the_stored_samples_are_what_the_factory_makes(name: str) -> None:
    stored = read_document(samples.DATA / f"screen-{name}.json")
    assert stored == samples.SAMPLES[name]()


# Structure


def test_the_headline_is_the_screens_own_sentence(crossed: ScreenDocument, crossed_page: Element) -> None:
    assert crossed_page.one("h1").text == crossed.summary


def test_sections_come_in_the_agreed_order(crossed_page: Element) -> None:
    heads = [h.text for h in crossed_page.one("main").all("h2")]
    assert heads == [
        "At the bottom of each rep", "Through the rep", "Measures", "Reps", "How it was filmed",
        "Patterns", "Cautions",
    ]  # fmt: skip


def test_facts_name_lifter_load_clip_and_day(crossed_page: Element) -> None:
    facts = crossed_page.one("header").one("dl")
    pairs = dict(zip([e.text for e in facts.all("dt")], [e.text for e in facts.all("dd")], strict=True))
    assert pairs == {
        "Lifter": "L-014",
        "Load": "80 kg, 80 % of a one-rep maximum of 100 kg",
        "Set": "3 reps",
        "Filmed": "from the foot end, 44 deg over the chest",
        "Clip": "L-014 set 2.mp4",
        "Report written": "9 March 2026",
    }


def test_every_page_is_well_formed_and_labelled(any_page: Element) -> None:
    ids = [e.attrs["id"] for e in any_page.walk() if "id" in e.attrs]
    assert len(ids) == len(set(ids))
    for element in any_page.walk():
        for reference in element.attrs.get("aria-labelledby", "").split():
            assert reference in ids
        if element.attrs.get("href", "").startswith("#"):
            assert element.attrs["href"][1:] in ids
    assert any_page.one("html").attrs["lang"] == "en"
    assert len(any_page.all("main")) == len(any_page.all("h1")) == len(any_page.all("title")) == 1
    levels = [int(e.tag[1]) for e in any_page.walk() if re.fullmatch("h[1-6]", e.tag)]
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_every_picture_chart_and_table_has_a_name(any_page: Element) -> None:
    assert all(image.attrs["alt"].startswith("Rep ") for image in any_page.all("img"))
    assert all(e.attrs["aria-label"] for e in any_page.walk() if e.attrs.get("role") == "img")
    for drawn in any_page.all("svg"):
        assert drawn.attrs.get("aria-hidden") == "true" or drawn.attrs.get("role") == "img"
    for table in any_page.all("table"):
        assert all("scope" in head.attrs for head in table.all("th"))
    for region in any_page.all(role="region"):
        assert region.attrs["aria-label"]
        assert region.attrs["tabindex"] == "0"


def test_a_side_mark_always_carries_its_letter(any_page: Element) -> None:
    marks = any_page.all("span", class_="side")
    for mark in marks:
        assert mark.text == ("L" if mark.fits({"class_": "left"}) else "R")
    css = any_page.one("style").raw
    assert f"--left: {BLUE}; --right: {VERMILION}" in css


def test_the_page_says_how_sides_are_named(any_page: Element) -> None:
    assert "Left is the lifter's own left; check the L on the picture." in any_page.one("footer").text


def test_the_footer_says_where_the_numbers_come_from(crossed: ScreenDocument, crossed_page: Element) -> None:
    text = crossed_page.one("footer").text
    assert crossed.software.landmark_model is not None
    for word in (
        "asymscreen 0.1.0",
        "invented-1",
        crossed.software.landmark_model.sha256,
        crossed.clip.sha256,
    ):
        assert word in text


def test_a_mirrored_clip_says_so(crossed: ScreenDocument) -> None:
    clip = crossed.clip.model_copy(update={"mirrored": True})
    assert "turned back" in page_of(crossed.model_copy(update={"clip": clip})).one("footer").text


def test_print_and_dark_styles_are_there(any_page: Element) -> None:
    css = any_page.one("style").raw
    screen, paper = css.split("@media print", 1)
    assert "@page" in paper
    assert re.search(r"figure, tr, tbody, .*break-inside: avoid", paper)
    assert "screen and (prefers-color-scheme: dark)" in screen
    assert "width=device-width" in any_page.one("meta", name="viewport").attrs["content"]


def test_no_scores_grades_or_lights(any_page: Element) -> None:
    words = set(re.findall(r"[a-z]+", any_page.one("body").text.lower()))
    assert not words & {"score", "scores", "grade", "red", "amber", "green", "normal", "abnormal", "symmetry"}


# Offline


def test_nothing_is_fetched_from_anywhere(any_page: Element) -> None:
    for element in any_page.walk():
        for name in ("src", "href", "srcset", "action", "data", "poster", "xlink:href"):
            assert re.match(r"#|data:image/jpeg;base64,|$", element.attrs.get(name, "")), element.attrs[name]
        assert not [name for name in element.attrs if name.startswith("on")]
        assert "url(" not in element.attrs.get("style", "")
    css = any_page.one("style").raw
    assert "url(" not in css
    assert "@import" not in css
    assert not any_page.all("link") + any_page.all("iframe") + any_page.all("base")


def test_plotly_is_inlined_once_where_there_are_curves() -> None:
    with_curves = render_report(samples.even(), {})
    assert with_curves.count(PLOTLY) == 1
    assert with_curves.count("plotly.js v") == 1
    without = render_report(samples.unusable(), {})
    assert "plotly" not in without.lower()
    assert len(without) < 40_000


def test_the_policy_allows_our_scripts_and_no_other(crossed_page: Element) -> None:
    policy = crossed_page.one("meta", **{"http-equiv": "Content-Security-Policy"}).attrs["content"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    scripts = [e.raw or PLOTLY for e in crossed_page.all("script") if "type" not in e.attrs]
    digests = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts]
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == " ".join(f"'sha256-{digest}'" for digest in digests)
    assert rules["img-src"] == "data:"


def test_apart_from_plotly_and_pictures_the_page_is_small(crossed: ScreenDocument) -> None:
    assert len(render_report(crossed, {}).encode()) - len(PLOTLY.encode()) < 90_000


# Charts


def chart_data(page: Element) -> dict[str, Any]:
    return json.loads(page.one("script", id="chart-data").raw)


def test_charts_send_nothing_and_carry_no_mark(crossed_page: Element) -> None:
    config = chart_data(crossed_page)["config"]
    assert config["showSendToCloud"] is False
    assert config["displaylogo"] is False
    assert config["displayModeBar"] is False
    boot = [e.raw for e in crossed_page.all("script") if "given.config" in e.raw]
    assert len(boot) == 1
    assert boot[0].count("Plotly.newPlot(place, figure.data, figure.layout, given.config)") == 1
    assert boot[0].count("Plotly.") == 1


def test_plotlys_own_validators_accept_every_figure(crossed_page: Element) -> None:
    from plotly.graph_objects import Figure

    figures = chart_data(crossed_page)["figures"]
    assert list(figures) == ["curve-0", "curve-1", "curve-2"]
    for figure in figures.values():
        Figure(figure)


def test_every_chart_has_a_name_and_its_numbers_beside_it(crossed_page: Element) -> None:
    places = [crossed_page.one("div", id=key) for key in chart_data(crossed_page)["figures"]]
    for place, title in zip(places, ("Elbow flexion", "Tuck", "Bar tilt"), strict=True):
        assert place.parent is not None
        assert place.parent.attrs["role"] == "img"
        assert place.parent.attrs["aria-label"].startswith(f"{title} through the rep, in deg. At the bottom:")
        figure = next(e for e in place.above() if e.tag == "figure")
        assert figure.one("figcaption").text == f"{title}, deg"
        rows = [[cell.text for cell in row.parts if isinstance(cell, Element)] for row in figure.all("tr")]
        assert rows[0] == (
            ["Of the rep", "Value"] if title == "Bar tilt" else ["Of the rep", "Left", "Right"]
        )
        assert [row[0] for row in rows[1:]] == ["0 %", "25 %", "50 %", "54 %, bottom", "75 %", "100 %"]


def test_the_table_beside_a_chart_reads_the_curve(crossed: ScreenDocument, crossed_page: Element) -> None:
    tuck = crossed.curves["tuck"]
    assert tuck.left is not None
    assert tuck.right is not None
    figure = next(e for e in crossed_page.one("div", id="curve-1").above() if e.tag == "figure")
    cells = [cell.text for cell in figure.all("tr")[4].parts if isinstance(cell, Element)]
    sides = [f"{side.mean[54]:.1f} ± {side.sd[54]:.1f}" for side in (tuck.left, tuck.right)]
    assert cells == ["54 %, bottom", *sides]


def test_left_is_blue_and_full_right_vermilion_and_dashed(crossed_page: Element) -> None:
    traces = chart_data(crossed_page)["figures"]["curve-1"]["data"]
    lines = {t["name"]: t["line"] for t in traces if t.get("name")}
    assert (lines["left"]["color"], lines["left"]["dash"]) == (BLUE, "solid")
    assert lines["right"]["color"] == VERMILION
    assert lines["right"]["dash"] != "solid"
    letters = [n["text"] for n in chart_data(crossed_page)["figures"]["curve-1"]["layout"]["annotations"]]
    assert {"<b>L</b>", "<b>R</b>", "bottom"} <= set(letters)


def test_the_band_is_one_standard_deviation_and_leaves_gaps_open() -> None:
    document = samples.even()
    pair = document.curves["tuck"]
    mean = [10.0, 11.0, None, 13.0, 14.0]
    curve = pair.left.model_copy(update={"mean": mean, "sd": [1.0, 2.0, 1.0, None, 0.5]})
    pair = pair.model_copy(update={"left": curve, "right": None})
    page = page_of(document.model_copy(update={"curves": {"tuck": pair}}), {})
    band = next(t for t in chart_data(page)["figures"]["curve-0"]["data"] if t.get("fill"))
    assert band["x"] == [0.0, 25.0, 25.0, 0.0, None, 100.0, 100.0]
    assert band["y"] == [11.0, 13.0, 9.0, 9.0, None, 14.5, 13.5]


def test_one_rep_has_no_band(crossed: ScreenDocument) -> None:
    single = crossed.model_copy(update={"curves": samples.curves(1), "reps": [samples.rep(1)]})
    page = page_of(single)
    assert not [t for f in chart_data(page)["figures"].values() for t in f["data"] if "fill" in t]
    assert "With one rep there is no spread to show." in page.one("main").text


def test_letters_at_the_lines_ends_keep_apart(crossed_page: Element) -> None:
    for key in ("curve-0", "curve-1"):
        layout = chart_data(crossed_page)["figures"][key]["layout"]
        low, high = layout["yaxis"]["range"]
        left, right = (n["y"] for n in layout["annotations"] if n["text"] in ("<b>L</b>", "<b>R</b>"))
        drawn = layout["height"] - layout["margin"]["t"] - layout["margin"]["b"]
        assert abs(left - right) / (high - low) * drawn >= 21.9
        assert low < min(left, right)


def test_small_tilts_look_small(crossed: ScreenDocument) -> None:
    flat = {"bar_tilt": samples.curves(3, tilt=0.1)["bar_tilt"]}
    figure = chart_data(page_of(crossed.model_copy(update={"curves": flat})))["figures"]["curve-0"]
    assert figure["layout"]["yaxis"]["range"] == [-3.0, 3.0]


def test_a_curve_without_a_number_is_left_out(crossed: ScreenDocument) -> None:
    pair = crossed.curves["bar_tilt"]
    empty = pair.value.model_copy(update={"mean": [None] * 101, "sd": [None] * 101})
    blank = pair.model_copy(update={"value": empty})
    page = page_of(crossed.model_copy(update={"curves": {"bar_tilt": blank}}))
    assert not page.all("script")
    assert "Through the rep" not in page.one("main").text


# Measures and calls


def row_of(page: Element, key: str) -> list[str]:
    return [e.text for e in page.one("tr", id=f"m-{key}").parts if isinstance(e, Element)]


def test_a_row_gives_sides_difference_floor_and_call(crossed_page: Element) -> None:
    assert row_of(crossed_page, "tuck_bottom") == [
        "Tuck, bottomreference band 45 to 75 deg", "55.1", "42.8", "+12.3 ± 2.6", "", "3.1",
        "Rright, more tucked",
    ]  # fmt: skip
    assert row_of(crossed_page, "bar_tilt_bottom") == [
        "Bar tilt, bottom", "one number for both sides", "+2.4 ± 0.4", "", "0.6", "Lleft, lower",
    ]  # fmt: skip
    assert row_of(crossed_page, "shoulder_height_bottom")[1:4] == ["98", "106", "\u22128 ± 9"]
    assert row_of(crossed_page, "lockout_time")[-1] == "even within 0.07 s"


CALLS = [
    (samples.two(55.1, 42.8, 2.6, 3.1, "right", "more tucked"), "right, more tucked"),
    (samples.two(42.8, 55.1, 2.6, 3.1, "left", "more tucked"), "left, more tucked"),
    (samples.two(42.8, 55.1, 2.6, 3.1, "left", ""), "left"),
    (
        samples.two(40.0, 80.0, 2.6, 3.1, "both", "left more tucked, right more flared"),
        "both sides: left more tucked, right more flared",
    ),
    (samples.two(50.0, 50.0, 2.6, 3.1, "even"), "even within 3.1 deg"),
    (samples.two(51.0, 50.0, 2.6, 3.1, "even", "even within 3.6 deg"), "even within 3.6 deg"),
    (samples.one(1, 4, 12, "even", unit="mm"), "even within 12 mm"),
    (samples.two(50.0, 50.0, 2.6, 3.1, "even", noise_floor=None), "even"),
    (samples.unknown(reason="the hips were hidden"), "not measurable: the hips were hidden"),
    (samples.unknown_one(reason=" "), "not measurable: this view does not show it"),
]


@pytest.mark.parametrize(("measure", "words"), CALLS)
def test_every_kind_of_call_is_said_in_words(measure: Any, words: str) -> None:
    document = samples.even().model_copy(update={"measures": {"tuck_bottom": measure}, "curves": {}})
    cell = page_of(document).one("tr", id="m-tuck_bottom").one("td", class_="call")
    assert cell.one("bdi").text == words
    marks = {"left": "L", "right": "R", "both": "LR"}
    assert "".join(mark.text for mark in cell.all("span", class_="side")) == marks.get(measure.call, "")


def test_a_measure_that_was_not_seen_draws_nothing() -> None:
    page = page_of(samples.not_measurable())
    row = page.one("tr", id="m-tuck_bottom")
    assert not row.all("svg")
    assert [cell.text for cell in row.all("td", class_="n")] == ["\u2013"] * 4
    assert "against the shoulder line only" in page.one("tr", id="m-bar_tilt_bottom").text


def test_the_drawing_puts_dot_interval_and_zone_where_the_numbers_are() -> None:
    """By head: ends at 12.3 + 2.6 = 14.9, so the axis reaches 14.9 * 1.08 = 16.092 to both sides of 50 %."""
    measures = {"tuck_bottom": samples.two(55.1, 42.8, 2.6, 3.1, "right")}
    page = page_of(samples.even().model_copy(update={"measures": measures, "curves": {}}))
    row = page.one("tr", id="m-tuck_bottom")
    place = [float(row.one("circle").attrs["cx"][:-1])]
    place += [float(row.one("line", class_="reach").attrs[end][:-1]) for end in ("x1", "x2")]
    assert place == pytest.approx([50 + 50 * v / 16.092 for v in (12.3, 9.7, 14.9)], abs=0.01)
    zone = row.one("rect").attrs
    assert float(zone["width"][:-1]) == pytest.approx(100 * 3.1 / 16.092, abs=0.01)
    assert float(zone["x"][:-1]) + float(zone["width"][:-1]) / 2 == pytest.approx(50, abs=0.01)


@given(left=st.floats(0, 160), right=st.floats(0, 160), error=st.floats(0.1, 40), floor=st.floats(0.1, 40))
def test_swapping_the_sides_mirrors_the_drawing(
    left: float, right: float, error: float, floor: float
) -> None:
    from asymscreen.report.table import axis_reach, drawing

    one, other = (samples.two(a, b, error, floor, "even") for a, b in ((left, right), (right, left)))
    reach = axis_reach([one], "deg")
    assert axis_reach([other], "deg") == pytest.approx(reach)
    here, there = drawing(one, reach), drawing(other, reach)
    assert here.zone == pytest.approx(there.zone)
    assert here.dot + there.dot == pytest.approx(100)
    assert here.low + there.high == pytest.approx(100)
    for at in (here.low, here.high, here.dot, 50 - here.zone, 50 + here.zone):
        assert 0 <= at <= 100


@given(reach=st.floats(0.01, 1e6))
def test_axis_labels_are_round_and_inside(reach: float) -> None:
    from asymscreen.report.table import _ticks

    (low, minus), zero, (high, plus) = _ticks(reach)
    assert zero == (50.0, "0")
    assert low + high == pytest.approx(100)
    assert 60 < high < 100
    assert minus[1:] == plus[1:]
    assert float(plus) / reach == pytest.approx((high - 50) / 50, rel=1e-5)


@pytest.mark.parametrize(
    ("value", "unit", "signed", "text"),
    [
        (12.34, "deg", False, "12.3"), (-0.04, "deg", True, "0.0"), (0.06, "deg", True, "+0.1"),
        (-12.0, "mm", True, "\u221212"), (0.066, "s", False, "0.07"), (None, "deg", True, "\u2013"),
    ],
)  # fmt: skip
def test_numbers_have_the_digits_of_their_unit(
    value: float | None, unit: str, signed: bool, text: str
) -> None:
    from asymscreen.report.wording import number

    assert number(value, unit, signed=signed) == text


@pytest.mark.parametrize(
    ("ends", "text"),
    [
        ((12.3, 9.7, 14.9), "+12.3 ± 2.6"), ((12.3, 9.7, 18.0), "+12.3 (+9.7 to +18.0)"),
        ((-3.0, None, None), "\u22123.0"), ((None, None, None), "\u2013"),
    ],
)  # fmt: skip
def test_a_lopsided_interval_shows_both_ends(ends: tuple[float | None, ...], text: str) -> None:
    from asymscreen.document import Interval
    from asymscreen.report.wording import with_error

    assert with_error(Interval(value=ends[0], low=ends[1], high=ends[2]), "deg") == text


def test_measures_of_one_unit_share_one_axis(crossed_page: Element) -> None:
    table = crossed_page.one("table", class_="measures")
    units = [row.one("th").text for row in table.all("tr", class_="unit")]
    assert units == ["Angles, in degrees", "Heights and shifts, in millimetres", "Timing, in seconds"]
    assert len(table.all("svg", class_="axis")) == 3
    assert len(table.all("svg", class_="interval")) == 12


def test_a_measure_that_has_no_name_yet_is_shown_all_the_same() -> None:
    measures = {"grip_width_offset": samples.one(4, 2, 3, "left", "wider", unit="mm")}
    page = page_of(samples.even().model_copy(update={"measures": measures, "curves": {}}))
    assert page.one("tr", id="m-grip_width_offset").one("th").text == "Grip width offset"


def test_each_kind_of_measure_is_explained_once(crossed_page: Element) -> None:
    names = [dt.text for dt in crossed_page.one("dl", class_="meanings").all("dt")]
    assert names == [
        "Elbow flexion", "Tuck", "Forearm lean", "Shoulder height", "Lockout time", "Bar tilt",
        "Shoulder line", "Bar shift",
    ]  # fmt: skip


def test_a_pattern_links_to_its_grounds(crossed_page: Element) -> None:
    pattern = crossed_page.one("div", class_="pattern")
    assert pattern.one("h3").text == "Crossed"
    assert [a.attrs["href"] for a in pattern.all("a")] == ["#m-bar_tilt_bottom", "#m-tuck_bottom"]


def test_cautions_are_pointed_to_from_the_top(crossed: ScreenDocument, crossed_page: Element) -> None:
    assert crossed_page.one("p", class_="pointer").text == "A caution goes with this screen."
    listed = [li.text for li in crossed_page.all("section", **{"aria-labelledby": "cautions"})[0].all("li")]
    assert listed[0] == crossed.cautions[0]
    assert "licensed clinician" in listed[-1]
    two = page_of(crossed.model_copy(update={"cautions": ["one", "two"]}))
    assert two.one("p", class_="pointer").text == "2 cautions go with this screen."
    assert not page_of(samples.even()).all("p", class_="pointer")


# Reps and pictures


def test_the_table_of_reps_gives_times_and_half_reps(crossed: ScreenDocument) -> None:
    reps = [samples.rep(1), samples.rep(2, complete=False)]
    page = page_of(crossed.model_copy(update={"reps": reps}))
    section = page.one("section", **{"aria-labelledby": "reps"})
    rows = [
        [c.text for c in row.parts if isinstance(c, Element)] for row in section.all("table")[0].all("tr")
    ]
    assert rows[1] == ["1", "1.00", "2.60", "3.90", "1.50", "0.20", "1.20", "full"]
    assert rows[2][-1] == "half rep"
    assert "2 reps, 1 of them full" in page.one("header").text
    lines = [row.one("th").text for row in section.all("table")[1].all("tbody")[0].all("tr")]
    assert lines[:3] == ["Elbow flexion, bottom, deg", "Elbow flexion, lockout, deg", "Tuck, bottom, deg"]


def test_every_rep_shows_its_bottom_with_letters_arms_and_bar(crossed_page: Element) -> None:
    shown = crossed_page.all("figure", class_="picture")
    bottoms = [f for f in shown if not any(e.tag == "details" for e in f.above())]
    assert [f.one("strong").text for f in bottoms] == ["Rep 1", "Rep 2", "Rep 3"]
    assert len(shown) == 5
    for figure in shown:
        drawing = figure.one("svg")
        assert [g.one("text").text for g in drawing.all("g", class_="letter")] == ["L", "R"]
        assert len(drawing.all("line", class_="bar")) == 2
        for side in ("left", "right"):
            arm = next(g for g in drawing.all("g", class_="arm") if g.fits({"class_": side}))
            assert len(arm.all("circle")) == 3
            assert all(len(line.attrs["points"].split()) == 3 for line in arm.all("polyline"))
    assert "Tuck L 55.1, R 42.8 deg" in bottoms[0].text


def test_the_overlay_lies_on_the_picture(crossed: ScreenDocument, crossed_page: Element) -> None:
    """A point's place in the cut, from the drawing's view box, equals its place on the shifted image."""
    figure = crossed_page.all("figure", class_="picture")[0]
    x, y, width, height = map(float, figure.one("svg").attrs["viewbox"].split())
    style = dict(part.split(":") for part in figure.one("img").attrs["style"].split(";"))
    share = {name: float(value[:-1]) / 100 for name, value in style.items()}
    px, py = crossed.keyframes[0].points["left_elbow"]
    assert (px - x) / width == pytest.approx(share["left"] + px / 1280 * share["width"], abs=1e-3)
    assert (py - y) / height == pytest.approx(share["top"] + py / 720 * share["height"], abs=1e-3)
    ratio = float(figure.one("div", class_="frame").attrs["style"].split(":")[1])
    assert ratio == pytest.approx(width / height, rel=1e-3)


def test_all_bottoms_are_cut_alike(crossed_page: Element) -> None:
    boxes = {f.one("svg").attrs["viewbox"] for f in crossed_page.all("figure", class_="picture")[:3]}
    assert len(boxes) == 1


def test_a_picture_that_was_not_kept_is_drawn_without_it(crossed: ScreenDocument) -> None:
    page = page_of(crossed, {})
    assert not page.all("img")
    assert "picture not kept" in page.all("figure", class_="picture")[0].text
    drawn = page.all("figure", class_="picture")[0].one("svg").attrs
    assert (drawn["role"], drawn["aria-label"]) == ("img", "Rep 1 at the bottom, drawn without its picture")


def test_without_key_frames_the_report_says_so(crossed: ScreenDocument) -> None:
    page = page_of(crossed.model_copy(update={"keyframes": []}))
    assert "No key frames were kept" in page.one("section", **{"aria-labelledby": "seen"}).text
    assert not page.all("figure", class_="picture")


@pytest.mark.parametrize("count", [1, 10])
def test_one_and_ten_reps(crossed: ScreenDocument, count: int) -> None:
    numbers = range(1, count + 1)
    document = crossed.model_copy(
        update={
            "reps": [samples.rep(n) for n in numbers],
            "keyframes": [samples.keyframe(n) for n in numbers],
            "curves": samples.curves(count),
            "measures": {"tuck_bottom": samples.two(55, 43, 2, 3, "right", "more tucked", reps=count)},
        }
    )
    page = page_of(document)
    assert len(page.all("figure", class_="picture")) == count
    assert (page.one("h2", id="seen").text == "At the bottom of the rep") is (count == 1)
    assert page.all("div", class_="pictures")[0].fits({"class_": "one" if count == 1 else "many"})
    heads = page.one("section", **{"aria-labelledby": "reps"}).all("table")[1].one("thead").all("th")
    assert [h.text for h in heads][1:] == [f"Rep {n}" for n in numbers]


@pytest.mark.parametrize("size", [(1280, 720), (719, 1281), (64, 48)])
def test_picture_sizes_agree_with_opencvs_decoder(size: tuple[int, int]) -> None:
    from asymscreen.report.pictures import jpeg_size

    pixels = np.zeros((size[1], size[0], 3), np.uint8)
    for flags in ([], [cv2.IMWRITE_JPEG_PROGRESSIVE, 1]):
        data = cv2.imencode(".jpg", pixels, flags)[1].tobytes()
        assert jpeg_size(data, "x.jpg") == size
        assert cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).shape[1::-1] == size


PNG = cv2.imencode(".png", np.zeros((4, 4, 3), np.uint8))[1].tobytes()
JPEG = cv2.imencode(".jpg", np.zeros((4, 4, 3), np.uint8))[1].tobytes()


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xd8", b"<svg onload=alert(1)>", PNG, JPEG[:30], b"\xff\xd8\xff\xe0\x00\x00" * 9]
)
def test_what_is_no_jpeg_is_refused(crossed: ScreenDocument, data: bytes) -> None:
    with pytest.raises(DocumentError, match=r"bottom-1\.jpg: expected a JPEG picture, got \d+ bytes"):
        render_report(crossed, {"bottom-1.jpg": data})


point = st.tuples(st.floats(-2000, 4000), st.floats(-2000, 4000))


@given(
    points=st.dictionaries(st.sampled_from(sorted(samples.JOINTS_M)), point),
    bar=st.none() | st.tuples(point, point),
)
def test_letters_stay_in_the_picture_and_off_each_other(points: dict[str, Any], bar: Any) -> None:
    from asymscreen.report.pictures import pictures

    frame = KeyFrame(rep=1, event="bottom", time_s=1.0, image="x.jpg", points=points, bar=bar)
    (picture,) = pictures([frame], {}, (1280, 720))
    x, y, width, height = picture.box
    assert x >= 0
    assert y >= 0
    assert x + width <= 1280.01
    assert y + height <= 720.01
    assert min(width / 1280, height / 720) > 0.44
    named = {name.split("_")[0] for name in points if "hip" not in name}
    assert {arm.side for arm in picture.arms} == named
    for arm in picture.arms:
        assert x + picture.radius <= arm.letter_at[0] <= x + width - picture.radius
        assert y + picture.radius <= arm.letter_at[1] <= y + height - picture.radius
        assert bool(arm.path) == (f"{arm.side}_elbow" in points)
    if len(picture.arms) == 2:
        (ax, ay), (bx, by) = (arm.letter_at for arm in picture.arms)
        assert max(abs(ax - bx), abs(ay - by)) >= 2 * picture.radius


# Clips that could not be screened


def test_an_unusable_clip_says_what_was_wrong_and_how_to_film_again() -> None:
    document = samples.unusable()
    page = page_of(document)
    section = page.one("section", **{"aria-labelledby": "wrong"})
    assert [li.text for li in section.one("ul").all("li")] == document.capture.reasons
    assert [li.text for li in section.one("ol").all("li")] == document.capture.advice
    assert [h.text for h in page.one("main").all("h2")] == ["What was wrong", "How it was filmed", "Cautions"]
    assert "no rep" in page.one("header").text


def test_an_unusable_clip_without_advice_gets_what_follows_from_the_reasons() -> None:
    document = samples.unusable()
    capture = document.capture.model_copy(update={"advice": []})
    bare = document.model_copy(update={"capture": capture, "summary": " "})
    page = page_of(bare)
    assert page.one("h1").text == "This clip could not be screened."
    steps = [li.text for li in page.one("ol").all("li")]
    assert steps == advise_again(capture.reasons)
    assert steps[0] in text_summary(bare).replace("\n    ", " ")


def test_the_day_of_filming_is_shown_where_the_clip_tells_it() -> None:
    document = samples.crossed()
    assert "Filmed on" not in page_of(document).one("header").text
    clip = document.clip.model_copy(update={"recorded": datetime(2026, 3, 9, 10, 11, tzinfo=UTC)})
    assert "Filmed on9 March 2026" in page_of(document.model_copy(update={"clip": clip})).one("header").text


def test_unusable_measures_are_not_listed_row_by_row() -> None:
    document = samples.unusable().model_copy(update={"measures": {"tuck_bottom": samples.unknown()}})
    assert not page_of(document).all("table", class_="measures")


def test_capture_quality_names_limits_and_advice() -> None:
    section = page_of(samples.not_measurable()).one("section", **{"aria-labelledby": "filmed"})
    assert [h.text for h in section.all("h3")] == ["What limits this screen", "For the next clip"]
    assert "no level reference in the picture" in section.text
    good = page_of(samples.even()).one("section", **{"aria-labelledby": "filmed"})
    assert "Nothing to change." in good.text
    assert "+0.4 deg, from uprights in the picture" in good.text


# Hostile and odd text


def hostile(value: Any, key: str = "") -> Any:
    """The document's JSON with every free text replaced by a hostile one."""
    fixed = {"schema", "view_source", "roll_source", "event", "call", "unit", "image"}
    if isinstance(value, dict):
        return {k: hostile(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [hostile(v, key) for v in value]
    return HOSTILE if isinstance(value, str) and key not in fixed else value


def test_no_text_of_the_document_becomes_markup(crossed: ScreenDocument, crossed_page: Element) -> None:
    data = hostile(json.loads(crossed.to_json()))
    data["measures"][HOSTILE] = data["measures"].pop("tuck_bottom")
    data["curves"][HOSTILE] = data["curves"].pop("tuck")
    page = page_of(ScreenDocument.model_validate(data), samples.images(crossed))
    for tag in ("script", "img", "style", "section", "table"):
        assert len(page.all(tag)) == len(crossed_page.all(tag))
    assert not [name for e in page.walk() for name in e.attrs if name.startswith("on")]
    shown = page.one("h1").text
    assert shown.startswith(
        "</script><script>alert(1)</script><img src=x onerror=alert(1)>\"'&lt;{{ 7*7 }}[31m"
    )
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e]", page.one("html").raw)


def test_chart_data_cannot_close_its_script(crossed: ScreenDocument) -> None:
    curves = {"<!--<script>": crossed.curves["tuck"]}
    text = render_report(crossed.model_copy(update={"curves": curves}), {})
    block = re.search(r'id="chart-data">(.*?)</script>', text, re.S)
    assert block is not None
    assert not set("<>&") & set(block[1])


def test_broken_surrogates_do_not_stop_the_report(crossed: ScreenDocument, tmp_path: Path) -> None:
    document = crossed.model_copy(update={"summary": "bad \ud800 text"})
    text = write_report(document, {}, tmp_path / "r.html").read_text("utf-8")
    assert "bad ? text" in text
    assert "bad ? text" in text_summary(document)


def test_long_names_may_break(crossed: ScreenDocument) -> None:
    clip = crossed.clip.model_copy(update={"name": "x" * 400 + ".mp4"})
    page = page_of(crossed.model_copy(update={"clip": clip}))
    assert "overflow-wrap: anywhere" in re.search(r"\.facts dd \{[^}]*\}", page.one("style").raw)[0]
    assert "x" * 400 in page.one("header").text


# Writing


def test_the_same_document_gives_the_same_bytes(crossed: ScreenDocument, tmp_path: Path) -> None:
    images = samples.images(crossed)
    one = write_report(crossed, images, tmp_path / "a.html", written=DAY)
    other = write_report(crossed, dict(reversed(images.items())), tmp_path / "b.html", written=DAY)
    assert one == tmp_path / "a.html"
    assert one.read_bytes() == other.read_bytes()
    assert one.read_bytes().startswith(b"<!DOCTYPE html>\n")


def test_the_report_carries_todays_date_unless_told(crossed: ScreenDocument, tmp_path: Path) -> None:
    text = write_report(crossed, {}, tmp_path / "a.html").read_text("utf-8")
    assert f"{date.today():%B %Y}" in text
    assert "Report written" not in render_report(crossed, {})


def test_a_place_that_cannot_be_written_is_one_clear_error(crossed: ScreenDocument, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="expected a place to write the report, got No such file"):
        write_report(crossed, {}, tmp_path / "missing" / "r.html")


# The terminal


def test_the_terminal_page_holds_the_findings(crossed: ScreenDocument) -> None:
    text = text_summary(crossed)
    assert text.startswith("The bar sits 2.4 degrees lower on the left")
    assert "Tuck, bottom (deg)               55.1   42.8   +12.3 ± 2.6    3.1  right, more tucked\n" in text
    assert "Bar tilt, bottom (deg)                          +2.4 ± 0.4    0.6  left, lower\n" in text
    assert "crossed: The bar sits low" in text
    assert "sore right shoulder" in text
    assert "lifter L-014; 80 kg" in text


@pytest.mark.parametrize("name", sorted(samples.SAMPLES))
def test_the_terminal_page_keeps_its_width(name: str) -> None:
    text = text_summary(samples.SAMPLES[name]())
    assert max(map(len, text.splitlines())) <= 88
    assert text == text.strip()


def test_the_terminal_page_lists_what_was_not_measurable() -> None:
    text = text_summary(samples.not_measurable())
    assert "Not measurable in this clip\n  - Tuck, bottom: the phone stood too low" in text
    assert "For the next clip\n  - Hold the phone about 2 m high" in text


def test_the_terminal_page_of_an_unusable_clip() -> None:
    text = text_summary(samples.unusable())
    assert "What was wrong\n  - The clip was filmed from the side" in text
    assert "How to film it again\n  - Stand at the foot end" in text
    assert "floor" not in text


def test_the_terminal_gets_no_control_characters(crossed: ScreenDocument) -> None:
    data = hostile(json.loads(crossed.to_json()))
    text = text_summary(ScreenDocument.model_validate(data))
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e]", text)
