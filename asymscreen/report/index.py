"""The page of a batch: every clip with what was found, or the reason why it could not be screened."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from asymscreen.report.html import environment, policy
from asymscreen.report.wording import counted

CALLED = ("left", "right", "both")


def render_index(rows: Sequence[Mapping[str, Any]]) -> str:
    """HTML text of the page, which lies beside the folder `screens`; it carries no script.

    rows   mappings with `clip`, `status`, `reason`, `facts` and `measures`, as the table of a batch has them
    """
    screened = [_shown(row) for row in rows if row["status"] == "screened"]
    others = [_shown(row) for row in rows if row["status"] != "screened"]
    return environment().get_template("index.html").render(
        screened=screened,
        others=others,
        count=counted(len(rows), "clip"),
        scripts=(),
        policy=policy(()),
    )  # fmt: skip


def _shown(row: Mapping[str, Any]) -> dict[str, Any]:
    named = sum(key.endswith(".call") and call in CALLED for key, call in row["measures"].items())
    return {
        "clip": row["clip"],
        "link": f"screens/{quote(row['clip'].encode('utf-8', 'surrogateescape'))}/report.html",
        "has_report": bool(row["facts"]),
        "status": row["status"],
        "reason": row["reason"],
        "facts": row["facts"],
        "named": counted(named, "measure"),
    }
