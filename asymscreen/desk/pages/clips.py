"""A new clip: the capture sheet, the file, and the job that screens it, live."""

from __future__ import annotations

import asyncio
import json
import shutil
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path, PurePosixPath
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from asymscreen.capture.sheet import VIEWS, Capture
from asymscreen.desk.pages.forms import number, posted, text
from asymscreen.desk.pages.frame import go, jobs_of, page, path, person, store_of
from asymscreen.desk.sandbox import look_at
from asymscreen.desk.uploads import kind_of
from asymscreen.errors import UsageError
from asymscreen.record.jobs import ENDED
from asymscreen.record.lifters import list_lifters, show_lifter, standing
from asymscreen.record.screens import list_screens
from asymscreen.record.shapes import JobEntry
from asymscreen.record.visit import list_visits

LOOK_EVERY_S = 0.25
"""How often a page's progress is looked at, seconds."""
HEARTBEAT_S = 15.0
"""A line is sent at least so often, so that nothing in between closes the stream, seconds."""
VIEW_WORDS = {
    "foot-end": ("From the foot end", "Beyond the feet, held high, looking down on the chest."),
    "head-end": ("From the head end", "Behind the head, held high, looking down on the chest."),
    "overhead": ("From overhead", "Over the chest, looking straight down."),
    "side": ("From the side", "Beside the bench. One side hides the other: it cannot be screened."),
}


def choose(request: Request) -> Response:
    """Whose clip it is, before the sheet."""
    return page(request, "clip-whose.html", lifters=list_lifters(store_of(request)))


def chosen(request: Request, form: FormData) -> Response:
    """On to the sheet of the chosen lifter."""
    code = text(form, "code")
    show_lifter(store_of(request), code)
    return go(request, f"/lifters/{path(code)}/clip")


def sheet(request: Request) -> Response:
    """The capture sheet and the file, with what was said last filled in."""
    store, code = store_of(request), request.path_params["code"]
    card = show_lifter(store, code)
    before = next((s for s in list_screens(store, code) if s.usable), None)
    told = card.intakes[-1] if card.intakes else None
    visit = next((v for v in list_visits(store, code) if v.ended_at is None), None)
    return page(
        request, "clip.html", code=code, card=card, standing=standing(store, code), before=before, told=told,
        views=[(view, *VIEW_WORDS[view]) for view in VIEWS], visit=visit,
    )  # fmt: skip


def hand_in(request: Request, form: FormData) -> Response:
    """Take the clip in and show its progress; a file that is no clip is refused before it waits its turn."""
    code = str(request.path_params["code"])
    clip = form.get("clip")
    if not isinstance(clip, UploadFile) or not clip.filename or not clip.size:
        raise UsageError("clip: expected a video file, got none; choose one or film one with the camera")
    capture = Capture(
        view=text(form, "view") or None,  # type: ignore[arg-type]
        camera_height_m=number(form, "camera_height_m", "phone height"),
        camera_distance_m=number(form, "camera_distance_m", "distance"),
        mirrored=text(form, "mirrored") == "yes",
        load_kg=number(form, "load_kg", "load"),
        one_rep_max_kg=number(form, "one_rep_max_kg", "one-rep maximum"),
        lifter=code,
        grip=text(form, "grip")[:120] or None,
    )
    name = PurePosixPath(clip.filename.replace("\\", "/")).name[:120]
    with tempfile.TemporaryDirectory(prefix="upload-", dir=store_of(request).home) as folder:
        place = Path(folder) / f"clip{kind_of(clip.file)}"
        with place.open("wb") as file:
            shutil.copyfileobj(clip.file, file, 1 << 20)
        look_at(place)
        job = jobs_of(request).submit(place, code, capture, clip_name=name)
    return go(request, f"/jobs/{job}")


def job(request: Request) -> Response:
    """A clip's progress, or how it ended."""
    found = jobs_of(request).status(request.path_params["job"])
    ahead = jobs_of(request).ahead_of(found.id)
    return page(request, "job.html", job=found, ahead=ahead, ended=found.state in ENDED)


async def events(request: Request) -> Response:
    """The job's progress as server-sent events, until it has ended."""
    number = request.path_params["job"]
    await run_in_threadpool(jobs_of(request).status, number)
    return StreamingResponse(
        _told(request, number), media_type="text/event-stream",
        headers={"cache-control": "no-store", "x-accel-buffering": "no"},
    )  # fmt: skip


async def _told(request: Request, number: str) -> AsyncIterator[str]:
    last, quiet = "", 0.0
    while not await request.is_disconnected():
        found = await run_in_threadpool(jobs_of(request).status, number)
        said = json.dumps(_event(found))
        if said != last:
            last, quiet = said, 0.0
            yield f"data: {said}\n\n"
        elif quiet >= HEARTBEAT_S:
            quiet = 0.0
            yield ": still here\n\n"
        if found.state in ENDED:
            return
        await asyncio.sleep(LOOK_EVERY_S)
        quiet += LOOK_EVERY_S


def _event(job: JobEntry) -> dict[str, Any]:
    return {
        "state": job.state, "stage": job.stage, "share": round(job.share, 2), "message": job.message,
        "screen": job.screen_id, "ended": job.state in ENDED,
    }  # fmt: skip


def act(request: Request, form: FormData) -> Response:
    """Stop, try again or remove a job."""
    number, verb = request.path_params["job"], text(form, "do")
    jobs = jobs_of(request)
    found = jobs.status(number)
    if verb == "stop":
        jobs.stop(number, by=person(request))
    elif verb == "retry":
        jobs.retry(number)
    elif verb == "remove":
        jobs.remove(number)
        return go(request, f"/lifters/{path(found.lifter)}")
    else:
        raise UsageError(f"job: expected stop, retry or remove, got {verb[:20]!r}")
    return go(request, f"/jobs/{number}")


ROUTES: list[BaseRoute] = [
    Route("/clip", choose, methods=["GET"]),
    Route("/clip", posted(chosen), methods=["POST"]),
    Route("/lifters/{code}/clip", sheet, methods=["GET"]),
    Route("/lifters/{code}/clip", posted(hand_in), methods=["POST"]),
    Route("/jobs/{job}", job, methods=["GET"]),
    Route("/jobs/{job}", posted(act), methods=["POST"]),
    Route("/jobs/{job}/events", events),
]
