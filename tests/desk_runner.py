"""A desk that really runs, and a browser that looks at it, for tests and for pictures of its pages."""

from __future__ import annotations

import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import record_makers as makers
import uvicorn

from asymscreen.desk.app import create_app
from asymscreen.desk.jobs import Jobs
from asymscreen.desk.options import DeskSettings
from asymscreen.document import read_document
from asymscreen.record.lifters import add_lifter, raise_caution
from asymscreen.record.packing import unpack_tracks
from asymscreen.record.screens import add_screen
from asymscreen.record.store import Store, open_store

HERE = Path(__file__).parent
DATA = HERE / "data" / "desk"
CLIP = HERE.parent / "asymscreen" / "demo" / "demo.mp4"
AXE = HERE / "data" / "axe" / "axe.min.js"
CHROMIUM = "/usr/bin/chromium"
WIDE, PHONE = (1280, 800), (390, 844)
LONG = "a-very-long-code-that-nobody-should-choose-but-somebody-will-01"


@dataclass
class Running:
    """A running desk: its address and its record."""

    base: str
    store: Store
    home: Path


@contextmanager
def running(home: Path, how: str = "done") -> Iterator[Running]:
    """A desk in `home` on a free port; `how` its clips end, as desk_worker.py has it."""
    store = open_store(home)
    jobs = Jobs(store, (sys.executable, str(HERE / "desk_worker.py"), how))
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    app = create_app(DeskSettings(home, "127.0.0.1", port), store=store, jobs=jobs)
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="error", access_log=False, timeout_graceful_shutdown=1)
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    end = time.monotonic() + 30
    while not server.started:
        assert thread.is_alive(), "the desk did not start"
        assert time.monotonic() < end, "the desk did not start"
        time.sleep(0.02)
    try:
        yield Running(f"http://127.0.0.1:{port}", store, home)
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()


def refused_screen(store: Store, code: str) -> str:
    """The demo clip as one of `code` in which no lifter was found; its id."""
    found = read_document(DATA / "screen.json")
    capture = found.capture.model_copy(
        update={"usable": False, "roll_source": "none", "reasons": [
            "Two people in the picture could be the lifter: frame one of them only and film again."
        ], "advice": ["Film the lifter alone, with nobody in between."]}
    )  # fmt: skip
    empty = {"reps": [], "measures": {}, "patterns": [], "curves": {}, "keyframes": [], "fit": None}
    summary = {"capture": capture, "summary": "This clip could not be screened."}
    return add_screen(store, code, found.model_copy(update=empty | summary), clip=CLIP).id


def real_screen(store: Store, code: str, *, clip: Path | None = CLIP) -> str:
    """The demo lifter's screen as a screen of `code`, with its tracks, pictures and clip; its id."""
    return add_screen(
        store, code, read_document(DATA / "screen.json"),
        tracks=unpack_tracks((DATA / "tracks.npz").read_bytes()),
        images={file.name: file.read_bytes() for file in sorted(DATA.glob("*.jpg"))},
        clip=clip,
    ).id  # fmt: skip


def fill(store: Store) -> dict[str, str]:
    """Lifters with a story, a real screen, a caution that stops, a long code; ids of screens."""
    story = makers.story(store)
    add_lifter(store, "L-021", film=True, keep=True)
    add_lifter(store, "L-030", film=True)
    raise_caution(store, "L-030", "The shoulder feels as if it slips. " * 6, stops=True)
    add_lifter(store, LONG, film=True)
    refused = refused_screen(store, "L-021")
    return {"real": real_screen(store, "L-021"), "refused": refused, "before": story[0], "after": story[-1]}


def pages_of(ids: dict[str, str]) -> dict[str, str]:
    """Every page of the coach by a name, for a record that `fill` made."""
    return {
        "lifters": "/", "lifter": "/lifters/L-014", "lifter-new": f"/lifters/{LONG}",
        "lifter-stopped": "/lifters/L-030", "intake": "/lifters/L-014/intake", "whose": "/clip",
        "clip": "/lifters/L-021/clip", "clip-stopped": "/lifters/L-030/clip",
        "screen": f"/screens/{ids['real']}", "screen-without-clip": f"/screens/{ids['after']}",
        "screen-refused": f"/screens/{ids['refused']}",
        "compare": f"/compare/{ids['before']}/{ids['after']}", "visit": "/visits/1", "guide": "/guide",
        "settings": "/settings", "not-found": "/lifters/L-404",
    }  # fmt: skip


@contextmanager
def chromium() -> Iterator[Any]:
    """Debian's Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as tools:
        browser = tools.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]
        )
        try:
            yield browser
        finally:
            browser.close()


def looked_at(browser: Any, size: tuple[int, int] = WIDE, scheme: str = "light") -> Any:
    """A context of a screen of `size` pixels, light or dark; narrow ones are phones."""
    phone = size[0] < 600
    return browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, has_touch=phone, is_mobile=phone
    )


def settled(page: Any) -> None:
    """Wait until nothing more is fetched and the page's script has drawn."""
    page.wait_for_load_state("networkidle")
    if page.locator("#work").count():
        page.wait_for_selector("#work[data-ready]")
