"""The hand-in page: what a remote client reaches through a signed link, and nothing else.

Before the set questions, consents and red flags; how to film; the capture sheet and how it felt; the clip;
and at once whether it can be used. What the screen found is the coach's to tell.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk import doorway, handin_desk, links
from asymscreen.desk.accounts import Throttle
from asymscreen.desk.handin_forms import Answers, read_before, read_set, sheet_values
from asymscreen.desk.handin_take import Desk, settle, take_clip
from asymscreen.desk.jobs import Jobs
from asymscreen.desk.links import LinkError
from asymscreen.desk.options import DeskSettings
from asymscreen.desk.pages.frame import page
from asymscreen.desk.uploads import UploadError
from asymscreen.errors import RecordError
from asymscreen.record import hand_ins as rows
from asymscreen.record.hand_ins import HandInEntry, LinkEntry
from asymscreen.record.intake import PAIN_RISE_STOPS, RED_FLAGS, SEE_CLINICIAN, read_intake
from asymscreen.record.lifters import now, raise_caution, show_lifter, standing, take_intake
from asymscreen.record.shapes import CautionEntry
from asymscreen.record.store import Store

BAD_LINKS = 30  # links that are none, from one address within an hour, before the desk stops looking
GOES_ON_HOURS = 24.0
"""A hand-in that was begun can be gone on with for so long, hours."""
STRANGE = "This link does not work. It may have been copied only in part. Ask your coach for a new one."
ENDED = "This link has ended. Ask your coach for a new one."
SLOWER = "Too many links were tried from here. Wait an hour, or ask your coach."


class GoneError(Exception):
    """A link that leads nowhere: what to tell, and the HTTP status."""

    def __init__(self, said: str, status: int = 404) -> None:
        super().__init__(said)
        self.said, self.status = said, status


@dataclass(frozen=True)
class Visit:
    """A client's request through a good link."""

    request: Request
    store: Store
    link: LinkEntry
    token: str

    @property
    def root(self) -> str:
        """The link's own address on this desk."""
        return f"/hand-in/{self.token}"

    def show(self, template: str, *, answer: int = 200, **context: Any) -> Response:
        """A page of the hand-in."""
        return page(self.request, template, answer=answer, root=self.root, link=self.link, **context)

    def on(self, name: str, step: str = "") -> Response:
        """On to a step of a hand-in."""
        return RedirectResponse(f"{self.root}/{name}{step}", 303)


Page = Callable[[Visit], Awaitable[Response]]


def routes(settings: DeskSettings, store: Store, jobs: Jobs) -> list[BaseRoute]:
    """The client's pages, the coach's pages about links, and the login."""
    desk = Desk(store, jobs, links.desk_key(store.home))
    bad = Throttle(BAD_LINKS, 3600.0)

    def at(place: str, page_of: Page, *methods: str) -> Route:
        async def endpoint(request: Request) -> Response:
            request.state.hand_in_desk = desk
            try:
                return await page_of(_visit(request, desk, bad))
            except GoneError as gone:
                return page(request, "handin_gone.html", answer=gone.status, said=gone.said)

        endpoint.__name__ = page_of.__name__
        return Route(f"/hand-in/{{token}}{place}", endpoint, methods=list(methods) or ["GET"])

    return [
        *doorway.ROUTES, *handin_desk.ROUTES,
        at("", before), at("", answer_before, "POST"),
        at("/{name}", outcome), at("/{name}/state", state), at("/{name}/film", film),
        at("/{name}/set", the_set), at("/{name}/set", answer_set, "POST"),
        at("/{name}/clip", clip), at("/{name}/clip", send_clip, "POST"),
        Route("/hand-in/{rest:path}", nowhere, methods=["GET", "POST"]),
    ]  # fmt: skip


async def nowhere(request: Request) -> Response:
    """Anything else below /hand-in/."""
    return page(request, "handin_gone.html", answer=404, said=STRANGE)


def _visit(request: Request, desk: Desk, bad: Throttle) -> Visit:
    """The visit of a good link. GoneError for one that is not ours, has ended, or was taken back."""
    address = request.state.address
    if bad.wait_s(address):
        raise GoneError(SLOWER, 429)
    token = request.path_params["token"]
    try:
        signed = links.verify(desk.key, token, now())
    except LinkError as error:
        if "ended" in str(error):
            raise GoneError(ENDED, 410) from None
        bad.count(address)
        raise GoneError(STRANGE) from None
    entry = rows.link_entry(desk.store, signed.link_id)
    if entry is None or not entry.open or entry.ends_at != signed.ends_at:
        raise GoneError(ENDED, 410)
    request.state.link_id = entry.id
    return Visit(request, desk.store, entry, token)


def _mine(visit: Visit) -> HandInEntry:
    """The hand-in that the address names, if it came through this very link and is not too old."""
    try:
        found = rows.hand_in(visit.store, visit.request.path_params["name"], link_id=visit.link.id)
    except RecordError:
        raise GoneError(STRANGE) from None
    return found


async def before(visit: Visit) -> Response:
    """The first page: hello, what was handed in already, and the questions before the set."""
    stops = standing(visit.store, visit.link.lifter).stops
    if stops:
        return visit.show("handin_stop.html", said=stop_words(stops))
    return _before_page(visit, Answers({}))


async def answer_before(visit: Visit) -> Response:
    """The questions answered: on to the filming guide, or stop."""
    stops = standing(visit.store, visit.link.lifter).stops
    if stops:
        return visit.show("handin_stop.html", said=stop_words(stops))
    code = visit.link.lifter
    earlier = show_lifter(visit.store, code).intakes
    answers = read_before(await visit.request.form(max_files=0), earlier[-1] if earlier else None)
    if answers.faults:
        return _before_page(visit, answers)
    sheet = read_intake(answers.known)
    found = take_intake(visit.store, code, sheet, by="lifter, hand-in page")
    told = sheet.model_dump(mode="json", include={"pain_now", "pain_side", "red_flags", "sudden", "provokes"})
    told |= {"consent_film": sheet.consent_film, "consent_keep": sheet.consent_keep}
    stopped = bool(found.stops) or not sheet.consent_film
    state = rows.STOPPED if stopped else rows.TOLD
    entry = rows.begin_hand_in(visit.store, code, link_id=visit.link.id, told=told, state=state)
    if found.stops:
        return visit.show("handin_stop.html", said=stop_words(found.stops))
    if not sheet.consent_film:
        return visit.show("handin_stop.html", said=[])
    return visit.on(entry.name, "/film")


def _before_page(visit: Visit, answers: Answers) -> Response:
    sent = [h for h in rows.list_hand_ins(visit.store, link_id=visit.link.id) if h.sent_at is not None]
    return visit.show(
        "handin_before.html", answer=422 if answers.faults else 200, values=answers.values,
        faults=answers.faults, flags=RED_FLAGS, sent=[_settled(visit, h) for h in sent],
        full=visit.link.used >= visit.link.most_clips, begun=_begun(visit),
    )  # fmt: skip


def _begun(visit: Visit) -> HandInEntry | None:
    """The newest hand-in of this link, where it is still being filled in."""
    since = now() - timedelta(hours=GOES_ON_HOURS)
    entry = rows.open_hand_in(visit.store, visit.link.id, since=since)
    return entry if entry is not None and entry.state in (rows.TOLD, rows.DESCRIBED) else None


async def film(visit: Visit) -> Response:
    """How to film."""
    return visit.show("handin_film.html", entry=_going_on(visit))


async def the_set(visit: Visit) -> Response:
    """The capture sheet, and how the set felt."""
    entry = _going_on(visit)
    return visit.show("handin_set.html", entry=entry, values=sheet_values(entry.sheet), faults={})


async def answer_set(visit: Visit) -> Response:
    """The capture sheet filled in: on to the clip, or stop where pain rose."""
    entry = _going_on(visit)
    answers = read_set(await visit.request.form(max_files=0))
    if answers.faults:
        return visit.show(
            "handin_set.html", answer=422, entry=entry, values=answers.values, faults=answers.faults
        )
    felt = answers.known["felt"]
    heed_pain(visit.store, entry, felt)
    stops = standing(visit.store, entry.lifter).stops
    rows.change_hand_in(
        visit.store, entry.name, state=rows.STOPPED if stops else rows.DESCRIBED,
        sheet=answers.known["sheet"], felt=felt,
    )  # fmt: skip
    if stops:
        return visit.show("handin_stop.html", said=stop_words(stops))
    return visit.on(entry.name, "/clip")


def heed_pain(store: Store, entry: HandInEntry, felt: dict[str, Any]) -> None:
    """Note pain after the set as a caution; it stops where it is strong or rose by PAIN_RISE_STOPS."""
    first, after = int(entry.told.get("pain_now") or 0), int(felt["pain"] or 0)
    if after - first >= PAIN_RISE_STOPS:
        text = f"Pain rose from {first} to {after} of 10 during a set that was handed in. {SEE_CLINICIAN}"
        raise_caution(store, entry.lifter, text, topic="pain-rise", stops=True, by="lifter, hand-in page")


async def clip(visit: Visit) -> Response:
    """Choose the clip and send it."""
    entry = _going_on(visit)
    if entry.state == rows.TOLD:
        return visit.on(entry.name, "/set")
    full = visit.link.used >= visit.link.most_clips
    return visit.show("handin_clip.html", entry=entry, full=full)


async def send_clip(visit: Visit) -> Response:
    """The clip as the request's body. Answers in JSON: where to go on, or why it was not taken."""
    entry = _going_on(visit)
    desk: Desk = visit.request.state.hand_in_desk
    try:
        await take_clip(desk, visit.request, visit.link, entry)
    except UploadError as error:
        return JSONResponse({"error": str(error)}, error.status)
    return JSONResponse({"to": f"{visit.root}/{entry.name}"}, 201)


async def outcome(visit: Visit) -> Response:
    """How the check stands: still running, taken, or film it again and why."""
    entry = _mine(visit)
    if entry.state in (rows.TOLD, rows.DESCRIBED):
        return visit.on(entry.name, "/clip" if entry.state == rows.DESCRIBED else "/film")
    if entry.state == rows.STOPPED:
        return visit.show("handin_stop.html", said=stop_words(standing(visit.store, entry.lifter).stops))
    return visit.show("handin_check.html", entry=_settled(visit, entry), now=_progress(visit, entry))


async def state(visit: Visit) -> Response:
    """The same for the page's script: `state`, stage in plain words, and how much of it is done."""
    entry = await run_in_threadpool(_settled, visit, _mine(visit))
    return JSONResponse({"state": entry.state} | _progress(visit, entry))


def _going_on(visit: Visit) -> HandInEntry:
    """A hand-in that is still being filled in. GoneError for one that was sent, stopped, or is too old."""
    entry = _mine(visit)
    old = now() - entry.begun_at > timedelta(hours=GOES_ON_HOURS)
    if old or entry.state in (rows.STOPPED, rows.CHECKING, rows.TAKEN):
        raise GoneError("This was handed in already, or begun long ago. Open your link again.", 409)
    if standing(visit.store, entry.lifter).stops:
        raise GoneError("Your coach has to look first. Open your link again.", 409)
    return entry


def _settled(visit: Visit, entry: HandInEntry) -> HandInEntry:
    """A hand-in whose clip was being checked, brought up to date with its job."""
    desk: Desk = visit.request.state.hand_in_desk
    return settle(desk.store, desk.jobs, entry)


def _progress(visit: Visit, entry: HandInEntry) -> dict[str, Any]:
    """`stage` in plain words, `share` 0 to 1, and `waits` true where the coach has to look."""
    desk: Desk = visit.request.state.hand_in_desk
    if entry.state != rows.CHECKING:
        return {"stage": "", "share": 1.0, "waits": False}
    try:
        job = desk.jobs.status(entry.job)
    except RecordError:
        return {"stage": "", "share": 0.0, "waits": True}
    stage = job.stage or "Waiting for its turn"
    return {"stage": stage, "share": job.share, "waits": job.state in ("failed", "stopped")}


def stop_words(stops: list[CautionEntry]) -> list[str]:
    """What a client reads where something stops: their own answers said back; a coach's note stays inside."""
    own = [c.text for c in stops if c.topic.startswith(("red-flag:", "pain"))]
    return own or [SEE_CLINICIAN]
