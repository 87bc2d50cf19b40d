"""The desk's application: which pages there are, and what stands before and beside them.

`guard.middleware(settings, store)` gives what every request passes; `handin.routes(settings, store, jobs)`
gives the pages of a remote client. The guard sets `request.state.person` (who acts, for the record) and
`request.state.csrf` (the token of every form of ours), and writes a content security policy onto every
response that brings none: the self-contained pages of report and record bring their own.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route

from asymscreen.desk import guard, handin
from asymscreen.desk.jobs import Jobs
from asymscreen.desk.options import DeskSettings
from asymscreen.desk.pages import PAGES
from asymscreen.desk.pages.frame import explain
from asymscreen.desk.pages.parts import static_files
from asymscreen.errors import AsymscreenError
from asymscreen.record.store import Store, open_store


def create_app(settings: DeskSettings, *, store: Store | None = None, jobs: Jobs | None = None) -> Starlette:
    """The desk over the record in `settings.home`; jobs begin with the application and end with it.

    `app.state` holds `settings`, `store` and `jobs`. RecordError for a home that is no record; at the start
    of the application also where another desk works in it.
    """
    store = store or open_store(settings.home)
    jobs = jobs or Jobs(store)

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        jobs.start()
        try:
            yield
        finally:
            jobs.close()
            store.close()

    routes: list[BaseRoute] = [
        Route("/health", health),
        Mount("/static", static_files(), name="static"),
        *PAGES,
        *handin.routes(settings, store, jobs),
    ]
    app = Starlette(
        routes=routes,
        middleware=guard.middleware(settings, store),
        exception_handlers={AsymscreenError: explain, 404: explain, 405: explain, 500: explain},
        lifespan=lifespan,
    )
    app.state.settings, app.state.store, app.state.jobs = settings, store, jobs
    return app


async def health(request: Request) -> Response:
    """200 as soon as pages are served."""
    return PlainTextResponse("ready\n", headers={"cache-control": "no-store"})
