"""One lifter: story, trend, blocks, cautions, screens; consent, cautions, blocks and erasure."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk.pages.forms import day_of, posted, said, text, texts
from asymscreen.desk.pages.frame import go, jobs_of, page, path, person, store_of
from asymscreen.errors import UsageError
from asymscreen.record.blocks import WEEKDAYS, add_block, list_blocks, log_day
from asymscreen.record.considerations import load_rules
from asymscreen.record.erase import erase_lifter
from asymscreen.record.figures import CONFIG, trend_figure
from asymscreen.record.intake import RED_FLAGS, read_intake
from asymscreen.record.jobs import DONE, list_jobs
from asymscreen.record.lifters import lift_caution, raise_caution, set_consent, show_lifter, take_intake
from asymscreen.record.screens import list_screens
from asymscreen.record.shapes import DrillDose
from asymscreen.record.trend import build_trend, lifter_screens
from asymscreen.record.visit import list_visits
from asymscreen.report import wording

FIRST_TRENDS = ("bar_tilt_bottom", "tuck_bottom")
"""Trends that are drawn before a coach asks for another."""


def show(request: Request) -> Response:
    """The lifter's page."""
    store, code = store_of(request), _code(request)
    card = show_lifter(store, code)
    screens = list_screens(store, code)
    still = [c for c in card.cautions if c.lifted_at is None]
    jobs = [
        jobs_of(request).status(j.id) for j in list_jobs(store, code) if j.state != DONE and not j.screen_id
    ]
    visits = list_visits(store, code)
    return page(
        request, "lifter.html", card=card, code=code, screens=screens, jobs=jobs,
        stops=[c for c in still if c.stops], cautions=[c for c in still if not c.stops],
        lifted=[c for c in card.cautions if c.lifted_at is not None],
        told=card.intakes[-1] if card.intakes else None,
        blocks=list(reversed(list_blocks(store, code))), drills=load_rules(store.home).drills,
        visits=list(reversed(visits)), open_visit=next((v for v in visits if v.ended_at is None), None),
        measures=_measures(request, code) if screens else [], first=FIRST_TRENDS, weekdays=WEEKDAYS,
        today=date.today(),
    )  # fmt: skip


def _measures(request: Request, code: str) -> list[tuple[str, str]]:
    """(name, title) of what the lifter's screens measured, the first trends first."""
    found: dict[str, None] = {}
    for _, _, document in lifter_screens(store_of(request), code):
        found |= dict.fromkeys(document.measures)
    names = [n for n in FIRST_TRENDS if n in found] + [n for n in found if n not in FIRST_TRENDS]
    return [(name, wording.title(name)) for name in names]


def trend_data(request: Request) -> Response:
    """A measure's trend as a figure for plotly, with its numbers in words."""
    store, code = store_of(request), _code(request)
    name = request.path_params["measure"]
    found = build_trend(code, name, lifter_screens(store, code), list_blocks(store, code))
    rows = [
        {"day": f"{p.filmed_at:%Y-%m-%d}", "value": wording.number(p.value, found.unit, signed=True),
         "low": wording.number(p.low, found.unit, signed=True),
         "high": wording.number(p.high, found.unit, signed=True),
         "call": p.call, "apart": p.apart, "screen": p.screen}
        for p in found.points
    ]  # fmt: skip
    return JSONResponse(
        {"title": wording.title(name), "unit": found.unit, "figure": trend_figure(found), "config": CONFIG,
         "rows": rows}
    )  # fmt: skip


def intake(request: Request) -> Response:
    """The intake sheet, with what was told last filled in."""
    code = _code(request)
    card = show_lifter(store_of(request), code)
    told = card.intakes[-1] if card.intakes else None
    return page(request, "intake.html", code=code, card=card, told=told, flags=RED_FLAGS)


def take(request: Request, form: FormData) -> Response:
    """Keep an intake; red flags become cautions at once."""
    code = _code(request)
    raw: dict[str, Any] = {
        "one_rep_max_kg": text(form, "one_rep_max_kg").replace(",", ".") or None,
        "stalled_weeks": text(form, "stalled_weeks") or None, "grip": text(form, "grip"),
        "usual_cues": text(form, "usual_cues"), "pain_now": text(form, "pain_now") or None,
        "pain_side": text(form, "pain_side") or "none", "provokes": text(form, "provokes"),
        "red_flags": texts(form, "red_flags"), "sudden": text(form, "sudden") == "yes",
        "consent_film": said(form, "film"), "consent_keep": said(form, "keep"),
        "notes": text(form, "notes"), "injuries": [],
    }  # fmt: skip
    if text(form, "injury_kind"):
        raw["injuries"] = [
            {"side": text(form, "injury_side") or "none", "kind": text(form, "injury_kind"),
             "on_date": text(form, "injury_date")}
        ]  # fmt: skip
    take_intake(store_of(request), code, read_intake(raw), by=person(request))
    return go(request, f"/lifters/{path(code)}")


def consent(request: Request, form: FormData) -> Response:
    """Note what the lifter agreed to."""
    code = _code(request)
    set_consent(store_of(request), code, film=said(form, "film"), keep=said(form, "keep"))
    return go(request, f"/lifters/{path(code)}#consent")


def caution(request: Request, form: FormData) -> Response:
    """Raise a caution by hand."""
    code = _code(request)
    stops = text(form, "stops") == "yes"
    raise_caution(store_of(request), code, text(form, "text"), stops=stops, by=person(request))
    return go(request, f"/lifters/{path(code)}#cautions")


def lift(request: Request, form: FormData) -> Response:
    """Lift a caution."""
    code, number = _code(request), request.path_params["number"]
    by = text(form, "by") or person(request)
    lift_caution(store_of(request), code, number, by=by, why=text(form, "why"))
    return go(request, f"/lifters/{path(code)}#cautions")


def block(request: Request, form: FormData) -> Response:
    """Add a block of one to three drills."""
    code = _code(request)
    start, end = day_of(form, "starts_on", "start"), day_of(form, "ends_on", "end")
    if start is None or end is None:
        raise UsageError("block: expected its first and its last day, got none; choose both")
    drills = [
        DrillDose(drill=name, side=text(form, f"side{k}") or "both", dose=text(form, f"dose{k}"))
        for k in (1, 2, 3)
        if (name := text(form, f"drill{k}"))
    ]
    add_block(
        store_of(request), code, drills, starts_on=start, ends_on=end,
        weekdays=texts(form, "weekdays") or WEEKDAYS,
        rescreen_on=day_of(form, "rescreen_on", "re-screen"), notes=text(form, "notes"),
    )  # fmt: skip
    return go(request, f"/lifters/{path(code)}#blocks")


def work_day(request: Request, form: FormData) -> Response:
    """Note that a day's work was done, or not."""
    code, number = _code(request), request.path_params["number"]
    on = day_of(form, "on", "day") or date.today()
    log_day(store_of(request), number, on, done=text(form, "done") != "no", notes=text(form, "notes"))
    return go(request, f"/lifters/{path(code)}#blocks")


def erase(request: Request, form: FormData) -> Response:
    """Erase a lifter after the code was typed once more; the receipt."""
    code = _code(request)
    if text(form, "again") != code:
        raise UsageError("erase: expected the lifter's code once more, got another; nothing was erased")
    receipt = erase_lifter(store_of(request), code)
    return page(request, "erased.html", receipt=receipt, words=wording)


def _code(request: Request) -> str:
    code = str(request.path_params["code"])
    return code if re.fullmatch(r"[\w.-]{1,64}", code) else code[:64]


ROUTES: list[BaseRoute] = [
    Route("/lifters/{code}", show),
    Route("/lifters/{code}/trend/{measure}", trend_data),
    Route("/lifters/{code}/intake", intake, methods=["GET"]),
    Route("/lifters/{code}/intake", posted(take), methods=["POST"]),
    Route("/lifters/{code}/consent", posted(consent), methods=["POST"]),
    Route("/lifters/{code}/cautions", posted(caution), methods=["POST"]),
    Route("/lifters/{code}/cautions/{number:int}", posted(lift), methods=["POST"]),
    Route("/lifters/{code}/blocks", posted(block), methods=["POST"]),
    Route("/lifters/{code}/blocks/{number:int}", posted(work_day), methods=["POST"]),
    Route("/lifters/{code}/erase", posted(erase), methods=["POST"]),
]
