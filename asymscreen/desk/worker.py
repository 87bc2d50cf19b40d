"""Screens one clip in a process of its own: `python -m asymscreen.desk.worker FOLDER`.

FOLDER holds task.json (clip, capture sheet). Progress leaves as JSON lines on standard output; the result is
laid into FOLDER. The desk holds the other end of standard input: when the desk is gone, so is this process.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from pathlib import Path
from typing import Any, TextIO

from asymscreen.errors import AsymscreenError

TASK, RESULT, FAULT = "task.json", "screen.json", "fault.txt"
TRACKS, IMAGES, CLIP = "tracks.npz", "images", "clip"
CPU_LIMIT_S = 3600
"""Processor time after which a screening is given up, seconds; three minutes of film take about 600."""
MEMORY_LIMIT = 12 << 30
"""Address space of a screening, bytes; a screen of a 4K clip uses 3 GB of it, mostly mapped files."""


def main(folder: Path) -> int:
    """Do the task in `folder`; 0 done, 1 with the reason in fault.txt."""
    told = _own_output()
    threading.Thread(target=_end_with_the_desk, daemon=True).start()
    try:
        _limit()
        _screen(folder, told)
    except AsymscreenError as error:
        (folder / FAULT).write_text(_named(str(error), folder), encoding="utf-8")
        return 1
    except Exception as error:  # one sentence for the coach; the rest is for us
        (folder / FAULT).write_text(
            f"The screening broke off ({type(error).__name__}: {str(error)[:200]}). "
            "Try it again; if it breaks off again, film the set anew.",
            encoding="utf-8",
        )
        return 1
    return 0


def _named(said: str, folder: Path) -> str:
    """A sentence that calls the clip by the name under which it was handed in."""
    task = json.loads((folder / TASK).read_text(encoding="utf-8"))
    clip = Path(task["clip"])
    return said.replace(str(clip), task["name"]).replace(clip.name, task["name"])


def _own_output() -> TextIO:
    """Standard output for our lines alone; whatever libraries write goes to standard error."""
    ours = os.fdopen(os.dup(1), "w", encoding="utf-8", buffering=1)
    os.dup2(2, 1)
    return ours


def _end_with_the_desk() -> None:
    while os.read(0, 64):
        pass
    os._exit(3)


def _limit() -> None:
    """Bounds on time and memory where the system has them."""
    try:
        import resource
    except ImportError:  # Windows
        return
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_LIMIT_S, CPU_LIMIT_S))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))


def _screen(folder: Path, told: TextIO) -> None:
    from asymscreen.record.packing import pack_tracks
    from asymscreen.screen import screen

    task = json.loads((folder / TASK).read_text(encoding="utf-8"))
    clip = Path(task["clip"])

    def tell(stage: str, share: float) -> None:
        told.write(json.dumps({"stage": stage, "share": round(share, 3)}) + "\n")

    person = task["capture"].get("person")
    at = None if person is None else (float(person["x"]), float(person["y"]))
    found = screen(clip, sheet_of(task["capture"]), tell, at)
    document = found.document
    document = document.model_copy(update={"clip": document.clip.model_copy(update={"name": task["name"]})})
    if found.tracks is not None:
        (folder / TRACKS).write_bytes(pack_tracks(found.tracks))
    (folder / IMAGES).mkdir(exist_ok=True)
    for name, jpeg in found.images.items():
        (folder / IMAGES / name).write_bytes(jpeg)
    if person is None and task["keep"]:
        _copy(clip, folder)
    (folder / RESULT).write_text(document.to_json(), encoding="utf-8")


def _copy(clip: Path, folder: Path) -> None:
    """The clip without metadata, and where browsers cannot play it a copy that they can."""
    from asymscreen.desk.proxy import make_proxy, playable
    from asymscreen.record.clips import strip_clip

    kept = strip_clip(clip, folder, CLIP)
    if not playable(kept):
        make_proxy(kept, folder / "proxy.mp4")


def sheet_of(raw: dict[str, Any]) -> Any:
    """The capture sheet from plain JSON types. UsageError for a value out of its range."""
    from asymscreen.capture.sheet import Capture

    known = {name: value for name, value in raw.items() if name in Capture.__dataclass_fields__}
    marks = known.get("level_marks")
    if marks is not None:
        known["level_marks"] = tuple(tuple(float(v) for v in mark) for mark in marks)
    return Capture(**known)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
