"""What the record's tests need: invented screens, tracks, pictures, and a real PostgreSQL server."""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import report_samples as samples

from asymscreen.document import ScreenDocument
from asymscreen.landmarks.skeleton import BLAZEPOSE
from asymscreen.motion.tracks import Tracks
from asymscreen.record.blocks import add_block, log_day
from asymscreen.record.intake import read_intake
from asymscreen.record.lifters import add_lifter, take_intake
from asymscreen.record.screens import add_screen
from asymscreen.record.shapes import DrillDose
from asymscreen.record.store import Store
from asymscreen.record.visit import do_step, start_visit

DAY = datetime(2026, 3, 9, 10, 0, tzinfo=UTC)


def later(days: float) -> datetime:
    """`days` after the first day of the story."""
    return DAY + timedelta(days=days)


def screen(**changes: Any) -> ScreenDocument:
    """The crossed screen of L-014 at 80 kg; `changes` replace parts: sheet, capture, clip are merged."""
    raw = samples.crossed().model_dump(by_alias=True)
    for part, value in changes.items():
        raw[part] = raw[part] | value if isinstance(value, dict) and part != "curves" else value
    return ScreenDocument.model_validate(raw)


def shifted(tuck_right: float, tilt: float, floor: float = 3.1) -> ScreenDocument:
    """The crossed screen with another right tuck and another bar tilt, degrees."""
    base = samples.crossed()
    measures = base.measures | {
        "tuck_bottom": samples.two(55.1, tuck_right, 2.6, floor, "right", "more tucked"),
        "bar_tilt_bottom": samples.one(tilt, 0.4, 0.6, "left", "lower"),
    }
    return base.model_copy(update={"measures": measures})


def story(store: Store) -> list[str]:
    """L-014 from intake over a visit, a block and two re-screens; the ids of the screens, oldest first."""
    add_lifter(store, "L-014", film=True, keep=True, at=DAY)
    told = {
        "one_rep_max_kg": 100, "stalled_weeks": 9, "grip": "ring finger on ring", "usual_cues": "elbows in",
        "pain_now": 2, "pain_side": "left", "provokes": "wide grip",
        "injuries": [{"side": "left", "kind": "strained shoulder", "on_date": "2023-05"}],
    }  # fmt: skip
    take_intake(store, "L-014", read_intake(told), by="coach K", at=DAY)
    first, retest = samples.crossed(), shifted(44.5, 2.2)
    visit = start_visit(store, "L-014", at=DAY).id
    ids = [_keep(store, first, 0)]
    do_step(store, visit, "look", answers={"words": "left end drops late"}, at=DAY)
    do_step(store, visit, "working-set", screen=ids[0], at=DAY)
    do_step(store, visit, "felt-before", answers={"pain": 2, "words": "left works harder"}, at=DAY)
    drill = {"drill": "offset-breathing", "side": "left", "dose": "20 slow breaths"}
    do_step(store, visit, "drill", answers=drill, at=DAY)
    ids.append(_keep(store, retest, 0.02))
    do_step(store, visit, "re-test", screen=ids[1], at=later(0.02))
    do_step(store, visit, "felt-after", answers={"pain": 1, "words": "more even"}, at=later(0.03))
    do_step(store, visit, "comparison", at=later(0.04))
    drills = [
        DrillDose(drill="pinned-reach", side="left", dose="2 sets of 8"),
        DrillDose(drill="one-arm-floor-press", side="left", dose="3 sets of 6"),
        DrillDose(drill="paused-empty-bar", side="both", dose=""),
    ]
    days = {"starts_on": date(2026, 3, 11), "ends_on": date(2026, 4, 7)}
    block = add_block(store, "L-014", drills, weekdays=["mon", "wed", "fri"], notes="before pressing", **days)
    for k in (0, 2, 5, 7, 12, 14, 16, 21, 26):
        log_day(store, block.id, date(2026, 3, 11) + timedelta(days=k))
    ids += [_keep(store, shifted(49.0, 1.1), 29), _keep(store, shifted(53.5, 0.2), 64)]
    return ids


@functools.cache
def pictures() -> dict[str, bytes]:
    """The key frames of the crossed screen, drawn once: drawing them takes a second."""
    return samples.images(samples.crossed())


def _keep(store: Store, document: ScreenDocument, day: float) -> str:
    return add_screen(
        store, "L-014", document, tracks=tracks(400), images=pictures(), filmed_at=later(day), at=later(day)
    ).id


def tracks(frames: int = 40, seed: int = 1) -> Tracks:
    """A standing figure's landmarks with a little noise, nose at (640, 100); one frame unseen."""
    rng = np.random.default_rng(seed)
    middle = rng.normal((640.0, 360.0), 60.0, (1, len(BLAZEPOSE), 2))
    xy = middle + rng.normal(0, 1.0, (frames, len(BLAZEPOSE), 2))
    for name, place in {
        "nose": (640, 250), "left_eye": (655, 240), "right_eye": (625, 240), "left_ear": (672, 248),
        "right_ear": (608, 248), "left_shoulder": (740, 330), "right_shoulder": (540, 330),
        "left_hip": (700, 600), "right_hip": (580, 600),
    }.items():  # fmt: skip
        xy[:, BLAZEPOSE.index(name)] = place
    seen = np.full((frames, len(BLAZEPOSE)), 0.9)
    last = min(3, frames - 1)
    xy[last, 5], seen[last, 5] = np.nan, 0.0
    return Tracks(np.arange(frames) / 30.0, BLAZEPOSE, xy, seen, (1280, 720))


@contextmanager
def postgres() -> Iterator[str]:
    """A PostgreSQL server on a socket of its own; gives its URL with `{name}` for the database."""
    root = Path(tempfile.mkdtemp(prefix="pg-"))
    data, account = root / "data", _account()
    try:
        if account:
            shutil.chown(root, account)
        options = ["-U", "lab", "-A", "trust", "-E", "UTF8", "--no-sync"]
        _as(account, [_binary("initdb"), "-D", str(data), *options])
        server = subprocess.Popen(
            _command(account, [
                _binary("postgres"), "-D", str(data), "-k", str(root),
                "-c", "listen_addresses=", "-c", "fsync=off", "-c", "shared_buffers=16MB",
            ]),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/",
        )  # fmt: skip
        try:
            _wait(root)
            yield f"postgresql+psycopg://lab@/{{name}}?host={root}"
        finally:
            server.terminate()
            server.wait(30)
    finally:
        shutil.rmtree(root, ignore_errors=True)


def _account() -> str | None:
    """The account that runs the server: PostgreSQL refuses to run as root."""
    return "postgres" if os.geteuid() == 0 else None


def _command(account: str | None, command: list[str]) -> list[str]:
    if account is None:
        return command
    return ["setpriv", f"--reuid={account}", f"--regid={account}", "--clear-groups", *command]


def _as(account: str | None, command: list[str]) -> None:
    subprocess.run(_command(account, command), check=True, capture_output=True, cwd="/")


def _binary(name: str) -> str:
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    place = str(found[-1]) if found else shutil.which(name)
    if place is None:
        raise FileNotFoundError(
            f"{name}: expected PostgreSQL's server for these tests, found none; apt-get install postgresql"
        )
    return place


def _wait(root: Path) -> None:
    for _ in range(200):
        ready = subprocess.run([_binary("pg_isready"), "-h", str(root), "-q"], check=False)
        if ready.returncode == 0:
            return
        time.sleep(0.1)
    raise TimeoutError("postgres: expected an answer within 20 s, got none")
