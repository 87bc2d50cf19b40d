"""One self-contained HTML file from a result document and its key frames."""

from __future__ import annotations

import base64
import functools
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from asymscreen.document import KeyFrame, ScreenDocument
from asymscreen.errors import UsageError
from asymscreen.report import table, wording
from asymscreen.report.charts import CONFIG, Chart, charts
from asymscreen.report.pictures import Picture, pictures

EVENTS = {"bottom": "the bottom", "mid-ascent": "mid-ascent", "lockout": "lockout"}


@dataclass(frozen=True)
class Script:
    """A script to inline: its text, and the hash by which the page's own policy lets it run."""

    text: Markup
    digest: str


def write_report(
    document: ScreenDocument, images: Mapping[str, bytes], path: Path, *, written: date | None = None
) -> Path:
    """Write the report to `path` as UTF-8 HTML and return the path.

    `images` maps key-frame names to JPEG bytes; `written` is the date that the report carries, today by
    default. Raises UsageError where the file cannot be written, DocumentError for a picture that is no JPEG.
    """
    text = render_report(document, images, written=written or date.today())
    try:
        Path(path).write_text(text, encoding="utf-8", newline="\n")
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
    scripts = [_plotly(), _boot()] if drawn else []
    return _environment().get_template("report.html").render(
        document=document,
        measured=any(m.call != "not-measurable" for m in document.measures.values()),
        headline=wording.headline(document.summary, document.capture.usable),
        facts=_facts(document, written),
        events=_events(document, images),
        charts=drawn,
        chart_data=_chart_data(drawn),
        groups=table.groups(document.measures),
        meanings=wording.meanings(document.measures),
        rep_rows=table.rep_rows(document.reps),
        rep_lines=table.rep_lines(document),
        filming=_filming(document),
        again=document.capture.advice or ([] if document.capture.usable else wording.FILM_AGAIN),
        scripts=scripts,
        policy=_policy(scripts),
    )  # fmt: skip


@functools.cache
def _environment() -> Environment:
    """Templates with every printed value cleaned and escaped; a name that the template lacks is an error."""
    environment = Environment(
        loader=PackageLoader("asymscreen.report"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_clean,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {"at_bottom": table.at_bottom, "title": wording.title, "number": wording.number}
    return environment


def _clean(value: Any) -> Any:
    return wording.plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@functools.cache
def _plotly() -> Script:
    """plotly.js out of plotly's own package data."""
    return _script(resources.files("plotly").joinpath("package_data/plotly.min.js").read_text("utf-8"))


@functools.cache
def _boot() -> Script:
    return _script(resources.files("asymscreen.report").joinpath("templates/boot.js").read_text("utf-8"))


def _script(text: str) -> Script:
    digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return Script(Markup(text), f"'sha256-{digest}'")


def _policy(scripts: list[Script]) -> str:
    """Content security policy: nothing from outside, and only the scripts that we inlined may run."""
    runs = " ".join(script.digest for script in scripts) or "'none'"
    return (
        f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {runs}; form-action 'none'"
    )


def _chart_data(drawn: list[Chart]) -> Markup:
    """The figures as JSON that is safe inside a script element."""
    data = {"config": CONFIG, "figures": {chart.key: chart.figure for chart in drawn}}
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


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
        ("Report written", "" if written is None else f"{written:%d %B %Y}".lstrip("0")),
    ]
    return [(name, words) for name, words in facts if words]


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
