"""What every page of the desk shares: its templates, who acts, and errors in one sentence."""

from __future__ import annotations

import functools
import hashlib
from datetime import date, datetime
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from asymscreen.desk.jobs import Jobs
from asymscreen.desk.pages.parts import STATIC
from asymscreen.errors import AsymscreenError
from asymscreen.record.store import Store
from asymscreen.report import html, wording

NOT_FOUND = "There is no such page. Go back to the lifters and choose from there."
NOT_SO = "This address does not take that. Go back and use the page's own buttons."
FAULT = "An unexpected fault stopped this page. Load it again; what was saved is kept."


@functools.cache
def _templates() -> Environment:
    made = html.environment(PackageLoader("asymscreen.desk"))
    made.filters |= {"day": day, "moment": moment, "path": path}
    made.globals |= {"views": wording.VIEWS, "counted": wording.counted}
    return made


def page(request: Request, template: str, *, answer: int = 200, **context: Any) -> Response:
    """A page from its template; `csrf`, `here` and `person` are known in all of them."""
    text = _templates().get_template(template).render(
        csrf=csrf(request), here=request.url.path, person=person(request), static=static_version(),
        login=bool(getattr(request.state, "login", False)), **context,
    )  # fmt: skip
    return HTMLResponse(text, status_code=answer, headers={"cache-control": "no-store"})


def go(request: Request, place: str) -> Response:
    """On to another page after something was done."""
    return RedirectResponse(place, status_code=303)


def store_of(request: Request) -> Store:
    """The open record."""
    found: Store = request.app.state.store
    return found


def jobs_of(request: Request) -> Jobs:
    """The queue of clips."""
    found: Jobs = request.app.state.jobs
    return found


def person(request: Request) -> str:
    """Who acts, for the record."""
    return str(getattr(request.state, "person", "") or "coach")


def csrf(request: Request) -> str:
    """The token of this visitor's forms."""
    return str(getattr(request.state, "csrf", "") or "")


def explain(request: Request, error: Exception) -> Response:
    """An error as a page: one sentence, and a way back. Data addresses answer in JSON."""
    status, said = 500, FAULT
    if isinstance(error, AsymscreenError):
        status, said = 400, str(error)
        if "unknown one" in said or "expected the id of a screen" in said:
            status = 404
    elif isinstance(error, HTTPException):
        status = error.status_code
        said = {404: NOT_FOUND, 405: NOT_SO}.get(status, str(error.detail))
    if "application/json" in request.headers.get("accept", ""):
        from starlette.responses import JSONResponse

        return JSONResponse({"error": said}, status_code=status)
    return page(request, "error.html", answer=status, said=said, status=status)


@functools.cache
def static_version() -> str:
    """Changes with the files, so that a browser keeps static files for as long as they are right."""
    found = hashlib.sha256()
    for file in sorted(STATIC.iterdir()):
        found.update(file.read_bytes())
    return found.hexdigest()[:12]


def day(value: date | datetime | None) -> str:
    """9 March 2026; empty for None."""
    return "" if value is None else f"{value.day} {value:%B %Y}"


def moment(value: datetime | None) -> str:
    """9 March 2026, 14:05 in the machine's own time; empty for None."""
    if value is None:
        return ""
    local = value.astimezone()
    return f"{day(local)}, {local:%H:%M}"


def path(value: str) -> str:
    """A code or an id as one piece of an address."""
    return quote(value, safe="")
