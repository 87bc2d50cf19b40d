"""One self-contained HTML file from a result document and its key frames."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from jinja2 import Environment

from asymscreen.document import KeyFrame, ScreenDocument
from asymscreen.errors import UsageError
from asymscreen.report import html, table, wording
from asymscreen.report.charts import charts
from asymscreen.report.pictures import Picture, pictures
from asymscreen.whole import write_whole

EVENTS = {"bottom": "the bottom", "mid-ascent": "mid-ascent", "lockout": "lockout"}


def write_report(
    document: ScreenDocument, images: Mapping[str, bytes], path: Path, *, written: date | None = None
) -> Path:
    """Write the report to `path` as UTF-8 HTML and return the path.

    `images` maps key-frame names to JPEG bytes; `written` is the date that the report carries, today by
    default. Raises UsageError where the file cannot be written, DocumentError for a picture that is no JPEG.
    """
    text = render_report(document, images, written=written or date.today())
    try:
        write_whole(Path(path), text.encode("utf-8"))
    except OSError as exc:
        raise UsageError(
            f"{path}: expected a place to write the report, got {exc.strerror}; choose another"
        ) from exc
    return Path(path)


def render_report(
    document: ScreenDocument, images: Mapping[str, bytes], *, written: date | None = None
) -> str:
    """The report as HTML text. The same document, pictures and date give the same text, byte for byte.

    plotly.js is inlined once if there is a curve to draw, else not at all. Nothing is fetched from anywhere:
    the page's own policy forbids it.
    """
    drawn = charts(document.curves)
    scripts = html.chart_scripts() if drawn else ()
    return _templates().get_template("report.html").render(
        document=document,
        measured=any(m.call != "not-measurable" for m in document.measures.values()),
        headline=wording.headline(document.summary, document.capture.usable),
        facts=_facts(document, written),
        events=_events(document, images),
        charts=drawn,
        chart_data=html.figure_data({chart.key: chart.figure for chart in drawn}),
        groups=table.groups(document.measures),
        meanings=wording.meanings(document.measures),
        rep_rows=table.rep_rows(document.reps),
        rep_lines=table.rep_lines(document),
        filming=_filming(document),
        again=wording.again(document.capture),
        scripts=scripts,
        policy=html.policy(scripts),
    )  # fmt: skip


@functools.cache
def _templates() -> Environment:
    return html.environment()


def _events(document: ScreenDocument, images: Mapping[str, bytes]) -> list[tuple[str, str, list[Picture]]]:
    """(event, words, pictures), the bottoms first, reps in order."""
    found = []
    size = (document.clip.width, document.clip.height)
    for event, words in EVENTS.items():
        frames = sorted((f for f in document.keyframes if f.event == event), key=_rep_order)
        if frames:
            found.append((event, words, pictures(frames, images, size)))
    return found


def _rep_order(frame: KeyFrame) -> tuple[int, float]:
    return frame.rep, frame.time_s


def _facts(document: ScreenDocument, written: date | None) -> list[tuple[str, str]]:
    """What was screened: (name, words), leaving out what nobody said."""
    whole = sum(rep.complete for rep in document.reps)
    reps = wording.counted(len(document.reps), "rep")
    if whole < len(document.reps):
        reps += f", {whole} of them full"
    facts = [
        ("Lifter", document.sheet.lifter or ""),
        ("Load", wording.load_words(document.sheet)),
        ("Set", reps),
        ("Filmed", wording.view_words(document.capture)),
        ("Clip", document.clip.name),
        ("Filmed on", _day(document.clip.recorded)),
        ("Report written", _day(written)),
    ]
    return [(name, words) for name, words in facts if words]


def _day(day: date | None) -> str:
    """9 March 2026; empty where no day is known."""
    return "" if day is None else f"{day:%d %B %Y}".lstrip("0")


def _filming(document: ScreenDocument) -> list[tuple[str, str]]:
    """How the clip was filmed, stated or solved: (name, words)."""
    capture, clip, fit = document.capture, document.clip, document.fit
    facts = [("View", wording.view_words(capture))]
    if capture.azimuth_deg is not None:
        facts.append(("Off the centre line", f"{wording.number(abs(capture.azimuth_deg), 'deg')} deg"))
    if capture.roll_deg is not None:
        roll = f"{wording.number(capture.roll_deg, 'deg', signed=True)} deg, "
        facts.append(("Roll of the phone", roll + wording.ROLL_SOURCES[capture.roll_source]))
    else:
        facts.append(("Level", wording.ROLL_SOURCES[capture.roll_source]))
    if capture.height_m is not None:
        facts.append(("Phone height", f"{capture.height_m:.2f} m"))
    if capture.distance_m is not None:
        facts.append(("Distance from the hips", f"{capture.distance_m:.2f} m"))
    facts.append(
        ("Picture", f"{clip.width} × {clip.height}, {clip.fps:g} frames a second, {clip.duration_s:.1f} s")
    )
    if fit is not None:
        facts.append(
            ("Fit of the solved press", f"{fit.rms_px:.1f} px over {wording.counted(fit.frames, 'frame')}")
        )
    return facts
