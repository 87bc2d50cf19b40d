"""Two screens compared: which ones, what changed, and both bottoms and curves side by side."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk.pages.frame import go, page, store_of
from asymscreen.desk.pages.screens import own_page
from asymscreen.record.figures import CONFIG, curve_figures
from asymscreen.record.pages import stored_comparison_page
from asymscreen.record.screens import list_screens, read_images, screen_entry, screen_for_report
from asymscreen.record.store import Store
from asymscreen.record.trend import compare_screens
from asymscreen.report import wording
from asymscreen.report.pictures import Picture, pictures


def choose(request: Request) -> Response:
    """On to the comparison of the two chosen screens, the earlier one first."""
    store, given = store_of(request), request.query_params
    pair = [screen_entry(store, given.get(key, "")) for key in ("earlier", "later")]
    pair.sort(key=lambda entry: (entry.filmed_at, entry.added_at))
    return go(request, f"/compare/{pair[0].id}/{pair[1].id}")


def show(request: Request) -> Response:
    """The comparison."""
    store, (earlier, later) = store_of(request), _ids(request)
    found = compare_screens(store, earlier, later)
    code = screen_entry(store, later).lifter
    rows = [
        {
            "title": wording.title(name), "unit": change.unit, "verdict": change.verdict,
            "before": wording.number(change.before, change.unit, signed=True),
            "after": wording.number(change.after, change.unit, signed=True),
            "change": wording.number(change.change, change.unit, signed=True),
            "needed": wording.number(change.needed, change.unit), "reason": change.reason,
            "direction": change.direction,
        }
        for name, change in found.measures.items()
    ]  # fmt: skip
    order = {"changed": 0, "no change that we can see": 1, "not comparable": 2}
    rows.sort(key=lambda row: order[str(row["verdict"])])
    return page(
        request, "compare.html", c=found, rows=rows, code=code, earlier=screen_entry(store, earlier),
        later=screen_entry(store, later), shown=[_bottom(store, number) for number in (earlier, later)],
        curves=[(name, wording.title(name), curve.unit) for name, curve in found.curves.items()],
        screens=[s for s in list_screens(store, code) if s.usable],
        document=None, at_bottom=_nothing,
    )  # fmt: skip


def _nothing(*_: object) -> list[object]:
    """No numbers under a picture: they stand in the table."""
    return []


def curves(request: Request) -> Response:
    """Both screens' curves as figures for plotly."""
    store, (earlier, later) = store_of(request), _ids(request)
    figures: dict[str, Any] = {}
    for name, curve in compare_screens(store, earlier, later).curves.items():
        before, after = curve_figures(name, curve)
        figures |= {f"{name}-before": before, f"{name}-after": after}
    return JSONResponse({"figures": figures, "config": CONFIG})


def sheet(request: Request) -> Response:
    """The comparison as one self-contained page to hand out."""
    earlier, later = _ids(request)
    return own_page(stored_comparison_page(store_of(request), earlier, later))


def _bottom(store: Store, screen_id: str) -> Picture | None:
    """The first rep's bottom with its drawn arms, or None where no picture was kept."""
    document, images = screen_for_report(store, screen_id), read_images(store, screen_id)
    frames = [f for f in document.keyframes if f.event == "bottom" and f.image in images]
    frames.sort(key=lambda frame: frame.rep)
    size = (document.clip.width, document.clip.height)
    if not frames:
        return None
    drawn = pictures(frames[:1], images, size)[0]
    return replace(drawn, source=f"/screens/{screen_id}/pictures/{frames[0].image}")


def _ids(request: Request) -> tuple[str, str]:
    return str(request.path_params["earlier"]), str(request.path_params["later"])


ROUTES: list[BaseRoute] = [
    Route("/compare", choose),
    Route("/compare/{earlier}/{later}", show),
    Route("/compare/{earlier}/{later}/curves.json", curves),
    Route("/compare/{earlier}/{later}/sheet", sheet),
]
