"""The scripts that a self-contained page carries, and the policy that lets only those run."""

from __future__ import annotations

import base64
import functools
import hashlib
import json
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

from markupsafe import Markup

from asymscreen.record.figures import CONFIG


@functools.cache
def plotly_scripts() -> tuple[Markup, ...]:
    """plotly.js out of plotly's own package data, and the few lines that draw the page's figures."""
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


def _allowed(script: str) -> str:
    digest = hashlib.sha256(str(script).encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
