"""A clip from a stranger is opened in a process of its own first, with little time and memory.

`python -m asymscreen.desk.sandbox FILE` is that process: it bounds itself before it imports a decoder, looks
the clip over, decodes frames spread over it, and says what it found as one line of JSON.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from asymscreen.errors import AsymscreenError, ClipError

MEMORY_LIMIT = 2 << 30
"""Address space of the look, bytes; a 4K clip needs 0.9 GB of it, mostly mapped libraries."""
CPU_LIMIT_S = 60
"""Processor time of the look, seconds; a 4K clip of three minutes takes about 10."""
WALL_LIMIT_S = 90.0
"""Longest look, seconds, after which the process is ended from outside."""
LARGEST_PICTURE = 4096 * 2304
"""Pixels of a picture: 4K, as phones film it."""
LARGEST_FILM = 3840 * 2160 * 30 * 180
"""Pixels of all frames together: three minutes of 4K at 30 frames a second; a small file can hold more."""
LOOKED_AT = 8  # frames decoded, spread over the clip
OUTPUT_LIMIT = 64 << 10  # bytes of answer that are read
FILES_LIMIT = 64  # open files of the process
MOST_CORES = 2  # processor cores; a decoder starts a thread with pictures of its own for each

OUT_OF_BOUNDS = "the clip took more time or memory to open than one set needs; film it again at 1080p"
BROKE = "the clip could not be opened; copy it again from the phone, or film the set anew"


@dataclass(frozen=True)
class Look:
    """What a clip turned out to be: upright size in pixels, frames per second, frames, seconds, codec."""

    width: int
    height: int
    fps: float
    frames: int
    duration_s: float
    codec: str


def look_at(clip: Path, command: Sequence[str] = (), wall_s: float = WALL_LIMIT_S) -> Look:
    """Look a clip over in a bounded process. ClipError in one sentence where it is none, or goes too far.

    command   how the process is started; the clip is added to it
    """
    run = [*(command or (sys.executable, "-m", "asymscreen.desk.sandbox")), str(clip)]
    try:
        done = subprocess.run(
            run, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, timeout=wall_s,
            env=_environment(), check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        raise ClipError(OUT_OF_BOUNDS) from None
    try:
        told = json.loads(done.stdout[:OUTPUT_LIMIT].decode("utf-8").splitlines()[-1])
        if "error" in told:
            raise ClipError(str(told["error"]))
        return Look(**told)
    except (ValueError, IndexError, TypeError):
        # it was killed: by its own bounds, or by a fault of a decoder
        raise ClipError(OUT_OF_BOUNDS if done.returncode < 0 or done.returncode == 2 else BROKE) from None


def main(clip: Path) -> int:
    """The process: 0 and what the clip is, or 1 and why not, or 2 where the bounds stopped it."""
    answer = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    confine()
    code = 0
    try:
        told: dict[str, object] = asdict(_look(clip))
    except AsymscreenError as error:
        told, code = {"error": str(error).removeprefix(f"{clip.name}: ")}, 1
    except (MemoryError, OSError):
        told, code = {"error": OUT_OF_BOUNDS}, 2
    answer.write(json.dumps(told) + "\n")
    answer.flush()
    return code


def confine(memory: int = MEMORY_LIMIT, cpu_s: int = CPU_LIMIT_S) -> None:
    """Bound this process for good: address space, processor time, open files; it writes no file.

    Windows has no such bounds; there only the time from outside counts.
    """
    try:
        import resource
    except ImportError:
        return
    bounds = {
        resource.RLIMIT_AS: memory, resource.RLIMIT_CPU: cpu_s, resource.RLIMIT_NOFILE: FILES_LIMIT,
        resource.RLIMIT_FSIZE: 0, resource.RLIMIT_CORE: 0,
    }  # fmt: skip
    for which, most in bounds.items():
        resource.setrlimit(which, (most, most))
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:MOST_CORES])


def _look(clip: Path) -> Look:
    from asymscreen.capture.clip import frames, probe

    info = probe(clip)
    size, film = info.width * info.height, info.width * info.height * info.frames
    if size > LARGEST_PICTURE:
        raise ClipError(
            f"expected pictures of at most 4096 x 2304, got {info.width} x {info.height}; film at 1080p"
        )
    if film > LARGEST_FILM:
        raise ClipError(
            f"expected one set filmed at 1080p, got {info.frames} frames of {info.width} x {info.height}; "
            "film at 1080p with 30 or 60 frames a second"
        )
    places = {round(k * (info.frames - 1) / (LOOKED_AT - 1)) for k in range(LOOKED_AT)}
    for _ in frames(clip, indexes=places):
        pass
    return Look(
        info.width, info.height, round(info.fps, 3), info.frames, round(info.duration_s, 3), info.codec
    )


def _environment() -> dict[str, str]:
    """What the process is told of this one: where to find the package, nothing that may be secret."""
    kept = {k: v for k, v in os.environ.items() if k in ("PATH", "SYSTEMROOT", "LANG", "LC_ALL", "TMPDIR")}
    root = str(Path(__file__).parent.parent.parent)
    paths = [root, *[p for p in os.environ.get("PYTHONPATH", "").split(os.pathsep) if p]]
    return kept | {"PYTHONPATH": os.pathsep.join(paths), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
