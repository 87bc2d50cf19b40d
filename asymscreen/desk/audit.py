"""The audit log: who saw or changed what, one line for each page and each change.

Pictures, videos, scripts and the progress of a job are parts of a page and get no line of their own.
"""

from __future__ import annotations

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asymscreen.errors import AsymscreenError
from asymscreen.record import access
from asymscreen.record.hand_ins import link_entry
from asymscreen.record.jobs import job_entry
from asymscreen.record.screens import screen_entry
from asymscreen.record.store import Store

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
SILENT = frozenset({"health", "login", "state", "progress"})
"""Endpoints without a line: they show nothing of anybody, or are asked every second."""
PAGE_TYPES = ("text/html", "text/csv", "application/pdf", "application/zip")
"""What a person reads or takes away."""


class Audit:
    """Stands inside the guard, so that it knows who acts; writes after the response has left."""

    def __init__(self, app: ASGIApp, store: Store) -> None:
        self.app, self.store = app, store

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        seen: dict[str, Any] = {"status": 500, "type": "", "taken": False}

        async def sender(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = Headers(raw=message["headers"])
                seen.update(
                    status=message["status"], type=headers.get("content-type", "").split(";")[0],
                    taken="attachment" in headers.get("content-disposition", ""),
                )  # fmt: skip
            await send(message)

        await self.app(scope, receive, sender)
        if worth_a_line(scope, seen):
            await run_in_threadpool(self._write, dict(scope))

    def _write(self, scope: Scope) -> None:
        state = scope.get("state", {})
        who, lifter, about = self._concerned(scope)
        verb = "saw" if scope["method"] in SAFE else "changed"
        name = getattr(scope.get("endpoint"), "__name__", "page").replace("_", " ")
        try:
            access.note(
                self.store, who or str(state.get("person", "")), f"{verb}: {name}",
                lifter=lifter, about=about, address=str(state.get("address", "")),
            )  # fmt: skip
        except AsymscreenError:  # the record is busy: the page was served, its line is lost
            return

    def _concerned(self, scope: Scope) -> tuple[str, str, str]:
        """Who acted where that is a link, which lifter it was about, and the id of the screen or job."""
        params = {name: str(value) for name, value in scope.get("path_params", {}).items()}
        link = scope.get("state", {}).get("link_id", "")
        if link:
            entry = link_entry(self.store, link)
            return f"link {link}", entry.lifter if entry else "", ""
        if "code" in params:
            return "", params["code"], ""
        if "link" in params:
            entry = link_entry(self.store, params["link"])
            return "", entry.lifter if entry else "", f"link {params['link']}"
        for value in params.values():
            for look in (screen_entry, job_entry):
                try:
                    return "", look(self.store, value).lifter, value
                except AsymscreenError:
                    continue
        return "", "", ""


def worth_a_line(scope: Scope, seen: dict[str, Any]) -> bool:
    """True for a page that was shown, a file that was taken away, and a change that was made."""
    endpoint = getattr(scope.get("endpoint"), "__name__", "")
    if not endpoint or endpoint in SILENT or scope["path"].startswith("/static/") or seen["status"] >= 400:
        return False
    return scope["method"] not in SAFE or seen["type"] in PAGE_TYPES or bool(seen["taken"])
