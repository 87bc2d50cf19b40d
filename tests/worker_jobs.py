"""Jobs for the tests of workers and cluster: plain functions of a module, as spawned processes need them."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any


def note(folder: str, line: str) -> None:
    """One line into the log that all processes share."""
    with (Path(folder) / "log").open("a") as log:
        log.write(line + "\n")


def log_of(folder: Path) -> list[str]:
    return (folder / "log").read_text().splitlines()


def double(job: int) -> tuple[int, int, str | None]:
    """Twice the number, who did it, and how many threads numpy may use there."""
    return 2 * job, os.getpid(), os.environ.get("OPENBLAS_NUM_THREADS")


def where(seconds: float) -> tuple[int, tuple[int, ...]]:
    """Who did it, and the cores that they may use."""
    time.sleep(seconds)
    return os.getpid(), tuple(sorted(os.sched_getaffinity(0)))


def noted(job: tuple[str, int, float]) -> int:
    """Begin, take a while, end; both are logged with the worker."""
    folder, number, seconds = job
    note(folder, f"begin {number} {os.getpid()}")
    time.sleep(seconds)
    note(folder, f"end {number} {os.getpid()}")
    return number


def fragile(job: tuple[str, str]) -> str:
    """Does what it is called: `dies` always, `dies once`, `raises`, `hangs`; else it is fine."""
    folder, how = job
    note(folder, how)
    if how == "dies" or (how == "dies once" and log_of(Path(folder)).count(how) == 1):
        os.kill(os.getpid(), signal.SIGKILL)
    if how == "leaves":
        os._exit(7)
    if how == "raises":
        raise ValueError("the\nsky fell")
    if how == "hangs":
        time.sleep(600)
    return f"{how}: done"


def gives_what_cannot_travel(_: int) -> Any:
    return lambda: None
