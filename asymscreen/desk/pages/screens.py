"""A screen: the video tied to its curves, the measures, what to look at next, and corrections."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Sequence
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk import corrections
from asymscreen.desk.moments import moments
from asymscreen.desk.pages.forms import needed, number, posted, text
from asymscreen.desk.pages.frame import go, jobs_of, page, person, store_of
from asymscreen.desk.proxy import playable
from asymscreen.document import ScreenDocument
from asymscreen.errors import AsymscreenError, RecordError, UsageError
from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.record.clips import clip_path, view_path
from asymscreen.record.considerations import consider, load_rules
from asymscreen.record.corrections import list_corrections, read_untouched
from asymscreen.record.lifters import show_lifter
from asymscreen.record.pages import lifter_page
from asymscreen.record.screens import (
    clip_file_of,
    list_screens,
    read_images,
    read_tracks_of,
    screen_entry,
    screen_for_report,
)
from asymscreen.record.shapes import CorrectionEntry, LifterCard
from asymscreen.record.store import Store
from asymscreen.record.summary import coach_summary
from asymscreen.report import table, wording
from asymscreen.report.page import render_report

PROXY_S = 600.0
"""Making a copy for browsers is given up after so long, seconds."""
MADE_HERE = {"cache-control": "private, max-age=3600"}


def show(request: Request) -> Response:
    """The screen's page."""
    store, number_ = store_of(request), _id(request)
    entry, document = screen_entry(store, number_), screen_for_report(store, number_)
    made = list_corrections(store, number_)
    others = [s for s in list_screens(store, entry.lifter) if s.id != entry.id and s.usable]
    card = show_lifter(store, entry.lifter)
    counted = [c for c in made if c.taken_back_at is None]
    return page(
        request, "screen.html", entry=entry, document=document, others=others,
        headline=wording.headline(document.summary, document.capture.usable),
        facts=_facts(document), groups=table.groups(document.measures),
        considerations=_considerations(store, document, card),
        made=[(c, corrections.WORDS.get(c.kind, c.kind), _details(c)) for c in made],
        counted=counted, joints=[(name, name.replace("_", " ")) for name in JOINTS],
        has_clip=bool(_clip(store, number_)),
        changes=_changes(read_untouched(store, number_), document) if counted else [],
    )  # fmt: skip


def data(request: Request) -> Response:
    """What the page's script draws: reps, curves and joints over time."""
    store, number_ = store_of(request), _id(request)
    document = screen_for_report(store, number_)
    found = moments(document, read_tracks_of(store, number_))
    images = read_images(store, number_)
    found["frames"] = [
        {"time": f.time_s, "url": f"/screens/{number_}/pictures/{f.image}"}
        for f in document.keyframes
        if f.image in images
    ]
    name = _clip(store, number_)
    found["video"] = f"/screens/{number_}/clip" if name else ""
    found["copying"] = bool(
        name and not view_path(store, number_).is_file() and not playable(clip_path(store, name))
    )
    return JSONResponse(found)


def clip(request: Request) -> Response:
    """The kept clip, or a copy that browsers play, which is made at the first request."""
    store, number_ = store_of(request), _id(request)
    name = _clip(store, number_)
    if not name:
        raise RecordError(f"screen {number_}: expected a kept clip, got an unknown one; none was kept")
    place = clip_path(store, name)
    if not playable(place):
        copy = view_path(store, number_)
        if not copy.is_file():
            _make_copy(place, copy)
        place = copy
    kind = "video/mp4" if place.suffix == ".mp4" else "video/x-matroska"
    return FileResponse(place, media_type=kind, headers=MADE_HERE)


def _make_copy(source: Any, target: Any) -> None:
    command = [sys.executable, "-m", "asymscreen.desk.proxy", str(source), str(target)]
    with contextlib.suppress(subprocess.TimeoutExpired):
        subprocess.run(command, capture_output=True, timeout=PROXY_S, check=False)
    if not target.is_file():
        raise RecordError("clip: expected one that can be copied for the browser, could not; the curves stay")


def picture(request: Request) -> Response:
    """One key frame."""
    images = read_images(store_of(request), _id(request))
    jpeg = images.get(request.path_params["name"])
    if jpeg is None:
        raise RecordError("picture: expected one of this screen, got an unknown one")
    return Response(jpeg, media_type="image/jpeg", headers=MADE_HERE)


def report(request: Request) -> Response:
    """The full report, as it is handed out; its own policy stands on it."""
    store, number_ = store_of(request), _id(request)
    return own_page(render_report(screen_for_report(store, number_), read_images(store, number_)))


def untouched(request: Request) -> Response:
    """The report of the screen as the program made it, before any correction."""
    store, number_ = store_of(request), _id(request)
    return own_page(render_report(read_untouched(store, number_), read_images(store, number_)))


def result(request: Request) -> Response:
    """The result document as a file."""
    number_ = _id(request)
    document = screen_for_report(store_of(request), number_)
    name = f'attachment; filename="{number_}.json"'
    return PlainTextResponse(
        document.to_json(), media_type="application/json", headers={"content-disposition": name}
    )


def sheet_for_lifter(request: Request) -> Response:
    """One sheet for the lifter about this screen."""
    store, number_ = store_of(request), _id(request)
    return own_page(lifter_page(store, screen_entry(store, number_).lifter, number_))


def summary(request: Request) -> Response:
    """The coach's summary of a lifter."""
    return own_page(coach_summary(store_of(request), request.path_params["code"]))


def own_page(body: str) -> Response:
    """A self-contained page: its scripts are inside, and the policy that names them goes along."""
    start = body.index('content="', body.index("Content-Security-Policy")) + len('content="')
    policy = body[start : body.index('"', start)].replace("&#39;", "'")
    return HTMLResponse(body, headers={"content-security-policy": policy, "cache-control": "no-store"})


def correct(request: Request, form: FormData) -> Response:
    """Correct the screen by hand; it is solved again before the answer."""
    store, number_, kind = store_of(request), _id(request), text(form, "kind")
    by = _by(request, form)
    if kind == "person":
        x, y = (needed(number(form, axis, "chest"), "chest") for axis in ("x", "y"))
        return go(request, f"/jobs/{jobs_of(request).submit_person(number_, x, y, by=by)}")
    corrections.add_correction(store, number_, kind, _told(form, kind), by=by)
    return go(request, f"/screens/{number_}#corrections")


def back(request: Request, form: FormData) -> Response:
    """Take a correction back."""
    by = _by(request, form)
    corrections.remove_correction(store_of(request), _id(request), request.path_params["number"], by=by)
    return go(request, f"/screens/{_id(request)}#corrections")


def _by(request: Request, form: FormData) -> str:
    """Who corrects: the account where people log in, else the name that was typed."""
    if getattr(request.state, "login", False):
        return person(request)
    return text(form, "by")[:120] or person(request)


def _told(form: FormData, kind: str) -> dict[str, Any]:
    """The numbers of a correction out of its form."""
    if kind == "level":
        ends = [needed(number(form, name, "mark"), "mark") for name in ("x1", "y1", "x2", "y2")]
        return {"points": [ends[:2], ends[2:]]}
    wanted = {
        "not-a-rep": ("time_s",), "bottom": ("time_s", "bottom_s"), "landmark": ("time_s", "x", "y"),
        "swapped": (),
    }  # fmt: skip
    if kind not in wanted:
        raise UsageError(f"correction: expected one of {', '.join(corrections.WORDS)}, got {kind[:40]!r}")
    told: dict[str, Any] = {n: needed(number(form, n, n), n) for n in wanted[kind]}
    return told | ({"name": text(form, "name")} if kind == "landmark" else {})


def _details(correction: CorrectionEntry) -> str:
    """A correction's numbers in words."""
    told = correction.details
    if correction.kind == "level":
        (ax, ay), (bx, by) = told["points"]
        return f"from {ax:.0f}, {ay:.0f} to {bx:.0f}, {by:.0f} px"
    if correction.kind == "bottom":
        return f"from {told['time_s']:.2f} s to {told['bottom_s']:.2f} s"
    if correction.kind == "not-a-rep":
        return f"at {told['time_s']:.2f} s"
    if correction.kind == "landmark":
        name = str(told["name"]).replace("_", " ")
        return f"{name} at {told['time_s']:.2f} s to {told['x']:.0f}, {told['y']:.0f} px"
    return ""


def _changes(before: ScreenDocument, after: ScreenDocument) -> list[dict[str, str]]:
    """Measures that the corrections changed: their numbers and calls as the program had them, and now."""
    found = []
    for name in dict.fromkeys((*before.measures, *after.measures)):
        cells = []
        for document in (before, after):
            measure = document.measures.get(name)
            if measure is None:
                cells.append((wording.NOTHING, ""))
            else:
                number_ = wording.with_error(wording.interval_of(measure), measure.unit)
                cells.append((number_, wording.call_words(measure)))
        if cells[0] != cells[1]:
            unit = (after.measures.get(name) or before.measures[name]).unit
            found.append(
                {"title": wording.title(name), "unit": unit, "before": cells[0][0], "after": cells[1][0],
                 "call": cells[1][1], "was": cells[0][1] if cells[0][1] != cells[1][1] else ""}
            )  # fmt: skip
    return found


def _facts(document: ScreenDocument) -> list[tuple[str, str]]:
    whole = sum(rep.complete for rep in document.reps)
    reps = wording.counted(len(document.reps), "rep")
    reps += f", {whole} of them full" if whole < len(document.reps) else ""
    facts = [
        ("Set", reps), ("Load", wording.load_words(document.sheet)), ("Grip", document.sheet.grip or ""),
        ("Filmed", wording.view_words(document.capture)), ("Clip", document.clip.name),
    ]  # fmt: skip
    return [(name, words) for name, words in facts if words]


def _considerations(store: Store, document: ScreenDocument, card: LifterCard) -> Sequence[Any]:
    """What a coach may look at next; nothing where the coach's table cannot be read."""
    told = card.intakes[-1] if card.intakes else None
    hurt = {injury.side for injury in card.injuries} | ({told.pain_side} if told and told.pain_now else set())
    try:
        return consider(document, load_rules(store.home), hurt - {"none"})
    except AsymscreenError:
        return []


def _clip(store: Store, number_: str) -> str:
    """The name of the kept clip if its file is there."""
    name = clip_file_of(store, number_)
    return name if name and clip_path(store, name).is_file() else ""


def _id(request: Request) -> str:
    return str(request.path_params["screen"])


ROUTES: list[BaseRoute] = [
    Route("/screens/{screen}", show),
    Route("/screens/{screen}/data.json", data),
    Route("/screens/{screen}/clip", clip),
    Route("/screens/{screen}/pictures/{name}", picture),
    Route("/screens/{screen}/report", report),
    Route("/screens/{screen}/untouched", untouched),
    Route("/screens/{screen}/result.json", result),
    Route("/screens/{screen}/sheet", sheet_for_lifter),
    Route("/screens/{screen}/corrections", posted(correct), methods=["POST"]),
    Route("/screens/{screen}/corrections/{number:int}", posted(back), methods=["POST"]),
    Route("/lifters/{code}/summary", summary),
]
