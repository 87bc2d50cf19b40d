"""Static files, and plotly.js out of plotly's own package data."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Route, Router
from starlette.staticfiles import StaticFiles

KEPT = "public, max-age=86400"
STATIC = Path(__file__).parent.parent / "static"


class _Kept(StaticFiles):
    """Static files that a browser may keep for a day; their address carries the version."""

    def file_response(self, *args: object, **kwargs: object) -> Response:
        response = super().file_response(*args, **kwargs)  # type: ignore[arg-type]
        response.headers["cache-control"] = KEPT
        return response


def static_files() -> Router:
    """Our own files, and `plotly.js`."""
    routes: list[BaseRoute] = [Route("/plotly.js", plotly)]
    return Router(routes, default=_Kept(directory=STATIC))


async def plotly(request: Request) -> Response:
    """plotly.js as plotly's package ships it."""
    place = resources.files("plotly").joinpath("package_data/plotly.min.js")
    return FileResponse(str(place), media_type="text/javascript", headers={"cache-control": KEPT})
