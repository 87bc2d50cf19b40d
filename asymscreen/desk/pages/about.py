"""The filming guide, with what the validation found, and the settings."""

from __future__ import annotations

import functools
import platform
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from asymscreen import __version__
from asymscreen.desk.figures import SHOWN, guide_figures
from asymscreen.desk.pages.clips import VIEW_WORDS
from asymscreen.desk.pages.frame import page, store_of
from asymscreen.record.considerations import FILE, load_rules
from asymscreen.record.rows import count_all
from asymscreen.report import wording
from asymscreen.settings import all_settings


def guide(request: Request) -> Response:
    """How to film, with pictures, and how far off the numbers were in the validation."""
    found = guide_figures()
    shown = [(name, wording.title(name)) for name in SHOWN]
    return page(request, "guide.html", found=found, shown=shown, places=list(VIEW_WORDS.items()))


def settings(request: Request) -> Response:
    """Where the record lies, what is in it, and every threshold."""
    store = store_of(request)
    with store.engine.connect() as connection:
        counts = count_all(connection)
    return page(
        request, "settings.html", home=str(store.home), counts=counts, thresholds=_thresholds(),
        version=__version__, python=platform.python_version(), rules=load_rules(store.home),
        own_rules=(store.home / FILE).exists(), rules_file=FILE, server=not store.is_sqlite,
    )  # fmt: skip


@functools.cache
def _thresholds() -> dict[str, list[Any]]:
    """Every threshold by its module; read once, the code does not change while it runs."""
    table: dict[str, list[Any]] = {}
    for setting in all_settings():
        table.setdefault(setting.module, []).append(setting)
    return table


ROUTES: list[BaseRoute] = [Route("/guide", guide), Route("/settings", settings)]
