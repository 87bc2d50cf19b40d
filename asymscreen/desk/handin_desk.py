"""The coach's side of the hand-in page: make a link, show it again, take it back; and the audit log."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk import links as signed
from asymscreen.desk.handin_take import settle
from asymscreen.desk.pages.frame import go, jobs_of, page, path, person, store_of
from asymscreen.errors import RecordError
from asymscreen.record import access
from asymscreen.record.hand_ins import LINK_DAYS, MOST_CLIPS, list_hand_ins, list_links, revoke_link
from asymscreen.record.lifters import show_lifter

PLACES = {
    "/": "the list of lifters", "/lifters": "the list of lifters", "/lifters/{code}": "the lifter's page",
    "/lifters/{code}/intake": "the intake", "/lifters/{code}/consent": "consents",
    "/lifters/{code}/cautions": "cautions", "/lifters/{code}/cautions/{number:int}": "a caution",
    "/lifters/{code}/links": "links for handing in", "/links/{link}/take-back": "a link: taken back",
    "/clip": "whose a new clip is", "/lifters/{code}/clip": "the page for a new clip",
    "/lifters/{code}/blocks": "corrective blocks",
    "/lifters/{code}/erase": "a lifter: erased", "/lifters/{code}/summary": "the summary",
    "/screens/{screen}": "a screen", "/screens/{screen}/report": "a report",
    "/screens/{screen}/sheet": "the lifter's sheet", "/screens/{screen}/result.json": "a result document",
    "/screens/{screen}/corrections": "a screen: corrected by hand", "/jobs/{job}": "a clip under way",
    "/compare/{earlier}/{later}": "a comparison", "/visits/{visit:int}": "a visit",
    "/visits/{visit:int}/steps": "a step of a visit", "/log": "this log", "/settings": "the settings",
    "/guide": "the filming guide", "/hand-in/{token}": "the questions of the hand-in page",
    "/hand-in/{token}/{name}": "how a clip was found", "/hand-in/{token}/{name}/film": "how to film",
    "/hand-in/{token}/{name}/set": "the sheet about the set", "/hand-in/{token}/{name}/clip": "the clip",
}  # fmt: skip
"""Addresses in words, for the log."""


async def links(request: Request) -> Response:
    """A lifter's links, and what came in through them."""
    store, code = store_of(request), request.path_params["code"]
    card = show_lifter(store, code)
    found = list_links(store, code)
    base = str(request.base_url).rstrip("/")
    places = {link.id: base + signed.place_of(store, link) for link in found if link.open}
    sent = [settle(store, jobs_of(request), one) for one in list_hand_ins(store, code)]
    return page(
        request, "handin_links.html", lifter=card, links=found, places=places, sent=sent,
        near=not request.app.state.settings.guarded,
        days=signed.USUAL_DAYS, clips=signed.USUAL_CLIPS, day_bounds=LINK_DAYS, clip_bounds=MOST_CLIPS,
    )  # fmt: skip


async def make_link(request: Request) -> Response:
    """Make a link and show it."""
    form, code = await request.form(max_files=0), request.path_params["code"]
    try:
        days, clips = int(str(form.get("days", ""))), int(str(form.get("clips", "")))
    except ValueError:
        raise RecordError("link: expected days and clips as whole numbers, got something else") from None
    signed.issue(store_of(request), code, days=days, most_clips=clips, by=person(request))
    return go(request, f"/lifters/{path(code)}/links")


async def take_back_link(request: Request) -> Response:
    """End a link at once."""
    entry = revoke_link(store_of(request), request.path_params["link"])
    return go(request, f"/lifters/{path(entry.lifter)}/links")


async def log(request: Request) -> Response:
    """Who saw or changed what, newest first."""
    lifter = request.query_params.get("lifter") or None
    lines = access.read_audit(store_of(request), lifter=lifter)
    return page(request, "handin_log.html", lines=lines, lifter=lifter, plainly=plainly)


def plainly(did: str) -> str:
    """A line of the log in words; an address that has none stays as it is."""
    verb, _, place = did.partition(" ")
    return f"{verb} {PLACES[place]}" if place in PLACES else did


ROUTES: list[BaseRoute] = [
    Route("/lifters/{code}/links", links),
    Route("/lifters/{code}/links", make_link, methods=["POST"]),
    Route("/links/{link}/take-back", take_back_link, methods=["POST"]),
    Route("/log", log),
]
