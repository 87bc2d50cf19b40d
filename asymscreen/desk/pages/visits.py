"""A screening visit as a guided sequence, one step a page."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk.pages.forms import number, posted, text, texts, whole
from asymscreen.desk.pages.frame import go, jobs_of, page, person, store_of
from asymscreen.record.considerations import load_rules
from asymscreen.record.intake import RED_FLAGS
from asymscreen.record.jobs import list_jobs
from asymscreen.record.screens import list_screens
from asymscreen.record.visit import STEPS, do_step, show_visit, start_visit, stop_visit, visit_screens

TITLES = {
    "look": "Look at the empty bar", "working-set": "Film the working set", "felt-before": "What was felt",
    "drill": "Do one drill", "re-test": "Film the same set again", "felt-after": "What is felt now",
    "comparison": "Compare",
}  # fmt: skip


def start(request: Request, form: FormData) -> Response:
    """Start a visit."""
    made = start_visit(
        store_of(request), request.path_params["code"],
        one_rep_max_kg=number(form, "one_rep_max_kg", "one-rep maximum"),
        reps=whole(form, "reps", "reps") or 3, hold_back=text(form, "hold_back") == "yes",
    )  # fmt: skip
    return go(request, f"/visits/{made.id}")


def show(request: Request) -> Response:
    """The visit: what was done, and the next step."""
    store = store_of(request)
    visit = show_visit(store, request.path_params["visit"])
    used = {step.screen_id for step in visit.steps}
    screens = [
        s for s in list_screens(store, visit.lifter)
        if s.usable and s.id not in used and s.added_at >= visit.started_at
    ]  # fmt: skip
    jobs = [jobs_of(request).status(job.id) for job in list_jobs(store, visit.lifter, ended=False)]
    return page(
        request, "visit.html", visit=visit, steps=STEPS, titles=TITLES, screens=screens, jobs=jobs,
        done={step.step: step for step in visit.steps}, drills=load_rules(store.home).drills,
        flags=RED_FLAGS, pair=visit_screens(visit),
    )  # fmt: skip


def step(request: Request, form: FormData) -> Response:
    """Do the next step."""
    number_, name = request.path_params["visit"], text(form, "step")
    told: dict[str, Any] = {key: text(form, key) for key in ("words", "drill", "side", "dose")}
    told = {key: value for key, value in told.items() if value}
    pain = whole(form, "pain", "pain")
    if pain is not None:
        told["pain"] = pain
    flags = texts(form, "red_flags")
    if flags:
        told["red_flags"] = flags
    do_step(
        store_of(request), number_, name, screen=text(form, "screen") or None, answers=told,
        by=person(request),
    )  # fmt: skip
    return go(request, f"/visits/{number_}")


def stop(request: Request, form: FormData) -> Response:
    """End the visit early."""
    number_ = request.path_params["visit"]
    stop_visit(store_of(request), number_, text(form, "why"))
    return go(request, f"/visits/{number_}")


ROUTES: list[BaseRoute] = [
    Route("/lifters/{code}/visits", posted(start), methods=["POST"]),
    Route("/visits/{visit:int}", show),
    Route("/visits/{visit:int}/steps", posted(step), methods=["POST"]),
    Route("/visits/{visit:int}/stop", posted(stop), methods=["POST"]),
]
