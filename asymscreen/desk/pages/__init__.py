"""The coach's pages; `PAGES` lists their routes."""

from __future__ import annotations

from starlette.routing import BaseRoute

from asymscreen.desk.pages import about, clips, compare, lifter, people, screens, visits

PAGES: list[BaseRoute] = [
    *people.ROUTES,
    *clips.ROUTES,
    *lifter.ROUTES,
    *screens.ROUTES,
    *visits.ROUTES,
    *compare.ROUTES,
    *about.ROUTES,
]
