"""The list of lifters: who is due, whose clips are under way; and adding one."""

from __future__ import annotations

from datetime import date

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk.pages.forms import posted, said, text
from asymscreen.desk.pages.frame import go, jobs_of, page, path, store_of
from asymscreen.record.hand_ins import new_clips
from asymscreen.record.jobs import FAILED, STOPPED, UNUSABLE, list_jobs
from asymscreen.record.lifters import add_lifter
from asymscreen.record.overview import all_lifters

JOBS_SHOWN = 6
"""Clips that ended without a screen, on the first page; the rest stands on the lifters' own pages."""


def lifters(request: Request) -> Response:
    """The first page."""
    store = store_of(request)
    lines = all_lifters(store, today=date.today())
    jobs = list_jobs(store)
    under_way = [jobs_of(request).status(job.id) for job in jobs if job.state in ("waiting", "running")]
    ended = [job for job in jobs if job.state in (FAILED, UNUSABLE, STOPPED)][:JOBS_SHOWN]
    return page(
        request, "lifters.html", lifters=lines, under_way=under_way, ended=ended, came_in=new_clips(store),
        due=sorted((line for line in lines if line.due_on), key=lambda line: -line.late_days),
    )  # fmt: skip


def add(request: Request, form: FormData) -> Response:
    """Add a lifter, and go on to the intake."""
    code = text(form, "code")
    add_lifter(store_of(request), code, film=said(form, "film"), keep=said(form, "keep"))
    return go(request, f"/lifters/{path(code)}/intake")


ROUTES: list[BaseRoute] = [
    Route("/", lifters),
    Route("/lifters", posted(add), methods=["POST"]),
]
