"""The list of lifters: who is due, who handed a clip in; and adding one."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk.pages.frame import page, store_of
from asymscreen.record.lifters import list_lifters


async def lifters(request: Request) -> Response:
    """The first page."""
    return page(request, "lifters.html", lifters=list_lifters(store_of(request)))


ROUTES: list[BaseRoute] = [Route("/", lifters)]
