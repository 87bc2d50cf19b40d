"""How fast a screen is, beside a plain loop: `asymscreen bench [CLIP] --runs N` prints JSON.

Every run is a pair of whole processes, one after the other, whose order changes from pair to pair:
`screen CLIP --out DIR` and the yardstick (see `asymscreen.yardstick`). Both pay for start-up,
decoding and loading the network. Each pair is followed by a screen of the tracks that the first one wrote.
All figures are of whole processes with their children:

    wall_s     seconds from start to end
    cpu_s      seconds of processor time, user and system
    peak_mb    most memory in use at one time, 10^6 bytes (at least what bench itself takes: some 100)
    stages     [name, seconds, seconds of processor time]; `start` until the first stage is told,
               `write` from the end of the screen to the end of the process
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from statistics import median
from typing import Any

from asymscreen import __version__
from asymscreen.errors import UsageError
from asymscreen.workers import cores

SCHEMA = "asymscreen.bench/1"
TIMINGS_VARIABLE = "ASYMSCREEN_TIMINGS"
MEGABYTE = 1e6  # bytes
PARTS = ("mediapipe", "onnxruntime", "opencv-contrib-python", "av", "numpy", "scipy", "pandas")
NOTHING = 3  # exit code of a screen that found nothing to screen: it did its work all the same

Tell = Callable[[str, float], None]


@dataclass(frozen=True)
class Run:
    """One process from start to end; see the module."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    stages: tuple[tuple[str, float, float], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        numbers = {"wall_s": self.wall_s, "cpu_s": self.cpu_s, "peak_mb": self.peak_mb}
        return {key: round(value, 3) for key, value in numbers.items()} | {
            "stages": [[name, round(wall, 3), round(cpu, 3)] for name, wall, cpu in self.stages]
        }


def bench(
    clip: Path, *, runs: int = 5, sheet: Sequence[str] = (), yardstick: bool = True, tell: Tell | None = None
) -> dict[str, Any]:
    """Measure `runs` pairs on `clip`; `sheet` are options of `screen` that say how it was filmed.

    Needs a system with `wait4` (Linux, macOS, BSD). UsageError where a process fails, ClipError for no clip.
    """
    from asymscreen.capture.clip import probe

    if runs < 1:
        raise UsageError(f"runs: expected 1 or more, got {runs}")
    if not hasattr(os, "wait4"):
        raise UsageError("bench: expected a system that tells what a process used (wait4), this is none")
    info = probe(clip)
    pairs = []
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        for k in range(runs):
            if tell:
                tell(f"Pair {k + 1} of {runs}", k / runs)
            pairs.append(_pair(clip.absolute(), info, Path(folder), sheet, yardstick, first=k % 2 == 0))
    return {
        "schema": SCHEMA,
        "software": {"asymscreen": __version__, "python": platform.python_version()}
        | {part: version(part) for part in PARTS},
        "machine": {"system": platform.platform(), "processor": _processor(), "cores": cores()},
        "clip": {
            "name": info.name, "width": info.width, "height": info.height, "fps": round(info.fps, 3),
            "frames": info.frames, "duration_s": round(info.duration_s, 3),
        },
        "pairs": [{name: run.to_dict() for name, run in pair.items()} for pair in pairs],
        "medians": medians(pairs, info.duration_s),
    }  # fmt: skip


def medians(pairs: Sequence[Mapping[str, Run]], duration_s: float) -> dict[str, Any]:
    """Medians over the pairs; `share_of_yardstick` is the median of the pairs' own shares.

    share_of_playing   wall time of a screen to the length of the clip: below 1 it is faster than it plays
    """
    out: dict[str, Any] = {}
    for name in pairs[0]:
        of = [pair[name] for pair in pairs]
        out[name] = Run(
            median(run.wall_s for run in of),
            median(run.cpu_s for run in of),
            median(run.peak_mb for run in of),
            _median_stages(of),
        ).to_dict()
    out["share_of_playing"] = round(median(pair["screen"].wall_s for pair in pairs) / duration_s, 3)
    if "yardstick" in pairs[0]:
        shares = [pair["screen"].wall_s / pair["yardstick"].wall_s for pair in pairs]
        out["share_of_yardstick"] = round(median(shares), 3)
    return out


def _median_stages(runs: Sequence[Run]) -> tuple[tuple[str, float, float], ...]:
    names = [name for name, _, _ in runs[0].stages]
    found = []
    for name in names:
        same = [stage for run in runs for stage in run.stages if stage[0] == name]
        found.append((name, median(s[1] for s in same), median(s[2] for s in same)))
    return tuple(found)


def _pair(
    clip: Path, info: Any, folder: Path, sheet: Sequence[str], yardstick: bool, first: bool
) -> dict[str, Run]:
    out, own = folder / "out", [sys.executable, "-m"]
    screening = [*own, "asymscreen", "screen", str(clip), "--out", str(out), "--quiet", *sheet]
    plain = [*own, "asymscreen.yardstick", str(clip)]
    found: dict[str, Run] = {}
    if yardstick and not first:
        found["yardstick"] = measured(plain, folder)
    found["screen"] = measured(screening, folder)
    if yardstick and first:
        found["yardstick"] = measured(plain, folder)
    if (out / "tracks.csv.gz").exists():
        size = f"{info.width}x{info.height}"
        again = ["--tracks", str(out / "tracks.csv.gz"), "--image-size", size, "--quiet", *sheet]
        found["from_tracks"] = measured([*own, "asymscreen", "screen", *again], folder)
    return found


def measured(command: Sequence[str], folder: Path) -> Run:
    """Run a command to its end and say what it took. UsageError where it fails.

    The peak is never told below the caller's own memory: a new process starts as a copy of its caller.
    """
    timings = folder / "timings.json"
    timings.unlink(missing_ok=True)
    environment = {**os.environ, TIMINGS_VARIABLE: str(timings)}
    with (folder / "said").open("w+", encoding="utf-8", errors="replace") as said:
        begun, begun_at = time.monotonic(), time.time()
        process = subprocess.Popen(command, stdout=said, stderr=said, env=environment)
        _, status, used = os.wait4(process.pid, 0)
        wall_s, ended_at = time.monotonic() - begun, time.time()
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, NOTHING):
            said.seek(0)
            last = (said.read().strip().splitlines() or ["nothing said"])[-1]
            raise UsageError(
                f"bench: expected a process to end well, got exit code {process.returncode}: {last}"
            )
    cpu_s = used.ru_utime + used.ru_stime
    kilobytes = 1.0 if sys.platform == "darwin" else 1024.0
    peak_mb = used.ru_maxrss * kilobytes / MEGABYTE
    return Run(wall_s, cpu_s, peak_mb, _stages(timings, begun_at, ended_at, cpu_s))


def _stages(file: Path, begun: float, ended: float, cpu_s: float) -> tuple[tuple[str, float, float], ...]:
    if not file.exists():
        return ()
    told = json.loads(file.read_text(encoding="utf-8"))
    names = ["start", *(name for name, _, _ in told[:-1]), "write"]
    at = [begun, *(wall for _, wall, _ in told), ended]
    used = [0.0, *(cpu for _, _, cpu in told), cpu_s]
    return tuple((name, at[k + 1] - at[k], used[k + 1] - used[k]) for k, name in enumerate(names))


def _processor() -> str:
    """The processor's name where the system tells it."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), "")
