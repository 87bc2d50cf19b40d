"""The coach's pages; `PAGES` lists their routes."""

from __future__ import annotations

from starlette.routing import BaseRoute

from asymscreen.desk.pages import people

PAGES: list[BaseRoute] = [*people.ROUTES]
