"""Forms: what a person typed, as plain values, with one sentence where it does not fit."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from datetime import date
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from asymscreen.errors import UsageError

MOST_FIELDS = 400  # fields of a form; the longest of ours has 60
"""Most fields of a form; our largest has about forty."""
Work = Callable[[Request, FormData], Response]


def posted(work: Work) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint that reads a form, then works on it beside the event loop."""

    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=2, max_fields=MOST_FIELDS) as form:
            return await run_in_threadpool(work, request, form)

    endpoint.__name__ = work.__name__
    return endpoint


def text(form: FormData, name: str) -> str:
    """A field's text without blanks around it; empty where it is missing or a file."""
    value = form.get(name)
    return value.strip() if isinstance(value, str) else ""


def texts(form: FormData, name: str) -> list[str]:
    """All values of a field that may come several times."""
    return [value.strip() for value in form.getlist(name) if isinstance(value, str) and value.strip()]


def number(form: FormData, name: str, what: str) -> float | None:
    """A number with a point or a comma; None where the field is empty. UsageError for anything else."""
    raw = text(form, name)
    if not raw:
        return None
    try:
        value = float(raw.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{what}: expected a number like 82.5, got {raw[:40]!r}; leave it empty if unsure")
    return value


def whole(form: FormData, name: str, what: str) -> int | None:
    """A whole number; None where the field is empty. UsageError for anything else."""
    value = number(form, name, what)
    if value is None:
        return None
    if value != int(value):
        raise UsageError(f"{what}: expected a whole number, got {value:g}")
    return int(value)


def day_of(form: FormData, name: str, what: str) -> date | None:
    """A day as browsers send it, 2026-03-09; None where the field is empty. UsageError for anything else."""
    raw = text(form, name)
    if not raw:
        return None
    try:
        return date.fromisoformat(raw)
    except ValueError:
        raise UsageError(f"{what}: expected a day like 2026-03-09, got {raw[:40]!r}") from None


def said(form: FormData, name: str) -> bool | None:
    """True for "yes", False for "no", None where it was not asked."""
    return {"yes": True, "no": False}.get(text(form, name))


def needed(value: Any, what: str) -> Any:
    """The value; UsageError where it is None."""
    if value is None:
        raise UsageError(f"{what}: expected a number, got none; fill the field in")
    return value
