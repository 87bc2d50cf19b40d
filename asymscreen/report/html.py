"""What every page of ours is made with: templates, the scripts that a page carries, and its own policy.

A page is one text. Nothing is fetched from anywhere, and only the scripts that we inlined may run.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import json
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

from jinja2 import BaseLoader, ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from asymscreen.report import table, wording
from asymscreen.report.charts import CONFIG


def environment(*first: BaseLoader) -> Environment:
    """Templates of the loaders given, then the report's own, of which parts can be imported by all.

    Every printed value is cleaned and escaped; a name that a template lacks is an error.
    """
    made = Environment(
        loader=ChoiceLoader([*first, PackageLoader("asymscreen.report")]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_clean,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"at_bottom": table.at_bottom, "title": wording.title, "number": wording.number}
    return made


def _clean(value: Any) -> Any:
    return wording.plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@functools.cache
def chart_scripts() -> tuple[Markup, ...]:
    """plotly.js out of plotly's own package data, and the few lines that draw a page's figures."""
    plotly = resources.files("plotly").joinpath("package_data/plotly.min.js").read_text("utf-8")
    boot = resources.files("asymscreen.report").joinpath("templates/boot.js").read_text("utf-8")
    return Markup(plotly), Markup(boot)


def figure_data(figures: Mapping[str, dict[str, Any]]) -> Markup:
    """Figures by element id as JSON that is safe inside a script element."""
    data = {"config": CONFIG, "figures": dict(figures)}
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def policy(scripts: Sequence[str]) -> str:
    """Content security policy: nothing from outside, and only these scripts may run."""
    runs = " ".join(_allowed(script) for script in scripts) or "'none'"
    return (
        f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {runs}; form-action 'none'"
    )


@functools.lru_cache(maxsize=16)
def _allowed(script: str) -> str:
    digest = hashlib.sha256(str(script).encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
