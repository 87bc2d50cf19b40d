"""The filming guide, with what the validation found, and the settings."""

from __future__ import annotations

import platform
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from asymscreen import __version__
from asymscreen.desk.pages.clips import VIEW_WORDS
from asymscreen.desk.pages.frame import page, store_of
from asymscreen.record.considerations import FILE, load_rules
from asymscreen.record.rows import count_all
from asymscreen.report import wording
from asymscreen.scoring.noise import MeasureError, load_error_model
from asymscreen.scoring.statistics import t_quantile
from asymscreen.settings import all_settings

SHOWN = ("tuck_bottom", "elbow_flexion_bottom", "bar_tilt_bottom")
"""Measures whose error the guide shows."""
CONFIDENCE = 0.95


def guide(request: Request) -> Response:
    """How to film, with pictures, and how much the place of the phone matters."""
    errors = load_error_model()
    return page(
        request, "guide.html",
        views=[(v, wording.VIEWS.get(v, v), _view(m)) for v, m in errors.views.items()],
        shown=[(name, wording.title(name)) for name in SHOWN], version=errors.version,
        provisional=errors.provisional, views_order=list(VIEW_WORDS.items()),
    )  # fmt: skip


def _view(measures: dict[str, MeasureError]) -> list[dict[str, Any]]:
    """Rows (elevation, then 95 % error of each shown measure); `screens` behind the least known of them."""
    known = [measures[name] for name in SHOWN if name in measures]
    elevations = sorted({e for m in known for e in m.elevation_deg})
    return [
        {
            "elevation": f"{elevation:g}",
            "errors": [_error(measures.get(name), elevation) for name in SHOWN],
            "screens": min((m.rows for m in known), default=0),
        }
        for elevation in elevations
    ]


def _error(model: MeasureError | None, elevation: float) -> str:
    """Half of the 95 % interval that the reps of a clip share, in the measure's unit; a dash if unknown."""
    import numpy as np

    if model is None:
        return wording.NOTHING
    sd = float(np.interp(elevation, model.elevation_deg, model.sd)) * model.scale
    return f"{t_quantile(1 - (1 - CONFIDENCE) / 2, model.df) * sd:.1f}"


def settings(request: Request) -> Response:
    """Where the record lies, what is in it, and every threshold."""
    store = store_of(request)
    with store.engine.connect() as connection:
        counts = count_all(connection)
    table: dict[str, list[Any]] = {}
    for setting in all_settings():
        table.setdefault(setting.module, []).append(setting)
    rules = load_rules(store.home)
    return page(
        request, "settings.html", home=str(store.home), counts=counts, thresholds=table,
        version=__version__, python=platform.python_version(), rules=rules,
        own_rules=(store.home / FILE).exists(),        rules_file=FILE, server=not store.is_sqlite,
    )  # fmt: skip


ROUTES: list[BaseRoute] = [Route("/guide", guide), Route("/settings", settings)]
