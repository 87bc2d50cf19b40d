"""A desk and its visitors for the tests: the real application on a record of its own; no clip is screened."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from asymscreen.desk.app import create_app
from asymscreen.desk.links import issue
from asymscreen.desk.options import DeskSettings
from asymscreen.record import hand_ins as rows
from asymscreen.record.intake import RED_FLAGS
from asymscreen.record.lifters import add_lifter
from asymscreen.record.store import Store, open_store

PASSWORD = "four quiet plates at noon"
CLIP = Path(__file__).parent.parent / "asymscreen" / "demo" / "demo.mp4"
LOCAL = "http://127.0.0.1:8765"
BEFORE = {f"flag-{key}": "no" for key in RED_FLAGS} | {"pain": "0", "film": "yes", "keep": "yes"}
THE_SET = {"view": "foot-end", "mirrored": "no", "load": "80", "height": "200", "distance": "135",
           "grip": "ring finger on ring", "pain": "1", "side": "left",
           "words": "left works harder"}  # fmt: skip


@dataclass
class Desk:
    """A desk with lifters L-014 and L-021; its queue is not started, so that no clip is screened."""

    app: Any
    store: Store
    settings: DeskSettings

    def visitor(self, base: str = LOCAL, **options: Any) -> TestClient:
        """A browser of its own, without cookies."""
        return TestClient(self.app, base_url=base, follow_redirects=False, **options)

    def link(self, code: str = "L-014", **options: Any) -> str:
        """The place of a new link."""
        return issue(self.store, code, **options)[1]


def desk_at(home: Path, **settings: Any) -> Desk:
    """A desk in a new home; `settings` as for `DeskSettings`."""
    store = open_store(home)
    for code in ("L-014", "L-021"):
        add_lifter(store, code)
    chosen = replace(DeskSettings(home), **settings)
    return Desk(create_app(chosen, store=store), store, chosen)


def token_of(page: Any) -> str:
    """The form's token out of a page."""
    found = re.search(r'(?:name="csrf" value|data-csrf)="([^"]+)"', page.text)
    assert found is not None, page.text[:500]
    return found[1]


def post(client: TestClient, page_at: str, fields: dict[str, str], to: str | None = None) -> Any:
    """Open a page and send its form."""
    token = token_of(client.get(page_at))
    return client.post(to or page_at, data={"csrf": token} | fields)


def to_the_clip(client: TestClient, link: str) -> str:
    """Through questions and sheet; the address of the page that takes the clip."""
    started = post(client, link, BEFORE)
    assert started.status_code == 303, started.text
    place = str(started.headers["location"]).removesuffix("/film")
    described = post(client, f"{place}/set", THE_SET)
    assert described.status_code == 303, described.text
    return f"{place}/clip"


def send(client: TestClient, clip_page: str, data: bytes, **headers: str) -> Any:
    """Send a clip as the page's script does."""
    token = token_of(client.get(clip_page))
    return client.post(
        clip_page, content=data, headers={"x-csrf-token": token, "accept": "application/json"} | headers
    )


def client_pages(store: Store, code: str) -> dict[str, str]:
    """Every page that a client or a stranger can see, by a name, with a hand-in in each state."""
    link, root = issue(store, code)
    told = {"pain_now": 0, "consent_film": True, "consent_keep": True}
    again = {"reasons": ["Nobody was found: film with more light."], "advice": ["Film in good light."]}
    pages = {"hand-in": root, "hand-in-gone": "/hand-in/nonsense"}
    pages |= {"links": f"/lifters/{code}/links", "log": "/log"}
    for state in (rows.DESCRIBED, rows.AGAIN, rows.TAKEN, rows.CHECKING):
        entry = rows.begin_hand_in(store, code, link_id=link.id, told=told)
        sent = {} if state == rows.DESCRIBED else {"sent_at": entry.begun_at, "job": "gone"}
        rows.change_hand_in(store, entry.name, state=state, **sent, **(again if state == rows.AGAIN else {}))
        place = f"{root}/{entry.name}"
        if state == rows.DESCRIBED:
            pages |= {f"hand-in-{step}": f"{place}/{step}" for step in ("film", "set", "clip")}
        else:
            pages[f"hand-in-{state}"] = place
    return pages
