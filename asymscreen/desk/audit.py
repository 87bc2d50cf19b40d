"""The audit log: who saw or changed what, one line for each page and each change.

Pictures, videos, scripts and the progress of a job are parts of a page and get no line of their own.
"""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import unquote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asymscreen.errors import AsymscreenError
from asymscreen.record import access
from asymscreen.record.hand_ins import link_entry
from asymscreen.record.jobs import job_entry
from asymscreen.record.lifters import show_lifter
from asymscreen.record.screens import screen_entry
from asymscreen.record.store import Store
from asymscreen.record.visit import show_visit

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
SILENT = ("/health", "/login", "/state", "/events")
"""Ends of addresses without a line: they show nothing of anybody, or are asked every second."""
PAGE_TYPES = ("text/html", "text/csv", "application/pdf", "application/zip")
"""What a person reads or takes away."""
PLACE = re.compile(r"/(lifters|screens|jobs|visits)/([^/?]+)")
"""Whom an address is about."""


class Audit:
    """Stands inside the guard, so that it knows who acts; writes after the response has left."""

    def __init__(self, app: ASGIApp, store: Store) -> None:
        self.app, self.store = app, store

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        seen: dict[str, Any] = {"status": 500, "type": "", "taken": False, "location": ""}

        async def sender(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = Headers(raw=message["headers"])
                seen.update(
                    status=message["status"], type=headers.get("content-type", "").split(";")[0],
                    taken="attachment" in headers.get("content-disposition", ""),
                    location=headers.get("location", ""),
                )  # fmt: skip
            await send(message)

        await self.app(scope, receive, sender)
        if worth_a_line(scope, seen):
            await run_in_threadpool(self._write, dict(scope), str(seen["location"]))

    def _write(self, scope: Scope, location: str) -> None:
        state = scope.get("state", {})
        did = f"{'saw' if scope['method'] in SAFE else 'changed'} {scope['route'].path}"
        who, lifter, about = self._concerned(scope, location)
        try:
            access.note(
                self.store, who or str(state.get("person", "")), did, lifter=lifter, about=about,
                address=str(state.get("address", "")),
            )  # fmt: skip
        except AsymscreenError:  # the record is busy: the page was served, its line is lost
            return

    def _concerned(self, scope: Scope, location: str) -> tuple[str, str, str]:
        """Who acted where that is a link, which lifter it was about, and the id of the screen or job."""
        params = {name: str(value) for name, value in scope.get("path_params", {}).items()}
        through, named = scope.get("state", {}).get("link_id", ""), params.get("link", "")
        if through or named:
            entry = link_entry(self.store, through or named)
            lifter = entry.lifter if entry else ""
            return (f"link {through}", lifter, "") if through else ("", lifter, f"link {named}")
        for kind, value in [*_places(scope["path"]), *_places(location)]:
            lifter = self._owner(kind, value)
            if lifter:
                return "", lifter, "" if kind == "lifters" else value
        earlier = params.get("earlier", "")
        return "", self._owner("screens", earlier) if earlier else "", earlier

    def _owner(self, kind: str, value: str) -> str:
        """The lifter whose screen, job or visit it is; empty where there is none."""
        try:
            if kind == "screens":
                return screen_entry(self.store, value).lifter
            if kind == "jobs":
                return job_entry(self.store, value).lifter
            if kind == "visits":
                return show_visit(self.store, int(value)).lifter
            return show_lifter(self.store, value).code
        except (AsymscreenError, ValueError):
            return ""


def _places(address: str) -> list[tuple[str, str]]:
    return [(kind, unquote(value)) for kind, value in PLACE.findall(address)]


def worth_a_line(scope: Scope, seen: dict[str, Any]) -> bool:
    """True for a page that was shown, a file that was taken away, and a change that was made."""
    path = str(scope["path"])
    if not isinstance(scope.get("route"), Route) or path.startswith("/static/") or path.endswith(SILENT):
        return False
    if seen["status"] >= 400:
        return False
    return scope["method"] not in SAFE or seen["type"] in PAGE_TYPES or bool(seen["taken"])
