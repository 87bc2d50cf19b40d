"""Stands in for the worker that screens a clip: lays out a result that was made before. As its name says:

    python tests/desk_worker.py HOW FOLDER

HOW   done: the result of tests/data/desk; unusable; slow: the same, but it takes until it is killed;
      breaks: ends without a result; once: breaks off hard the first time, and then does the same as done
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import threading
import time
from pathlib import Path

DATA = Path(__file__).parent / "data" / "desk"


def end_with_the_desk() -> None:
    while sys.stdin.buffer.read(64):
        pass
    os._exit(3)


def tell(stage: str, share: float) -> None:
    sys.stdout.write(json.dumps({"stage": stage, "share": share}) + "\n")
    sys.stdout.flush()


def main(how: str, folder: Path) -> int:
    threading.Thread(target=end_with_the_desk, daemon=True).start()
    task = json.loads((folder / "task.json").read_text(encoding="utf-8"))
    with (folder.parent / "begun.txt").open("a", encoding="utf-8") as log:
        log.write(task["name"] + "\n")
    sys.stdout.write("a line of a library's\n")
    tell("Looking for the lifter", 0.5)
    mark = folder.parent / "once"
    if how == "slow" or (how == "once" and not mark.exists()):
        mark.touch()
        time.sleep(120)
    if how == "breaks":
        return 1
    tell("Looking closely at the reps", 0.5)
    tell("Solving the press", 1.0)
    document = json.loads((DATA / "screen.json").read_text(encoding="utf-8"))
    document["clip"]["name"] = task["name"]
    if how == "unusable":
        document["capture"] |= {"usable": False, "reasons": ["No press was found: film a whole set."]}
        document |= {"reps": [], "measures": {}, "patterns": [], "curves": {}, "keyframes": []}
    else:
        shutil.copyfile(DATA / "tracks.npz", folder / "tracks.npz")
        (folder / "images").mkdir()
        for image in DATA.glob("*.jpg"):
            shutil.copyfile(image, folder / "images" / image.name)
    if task["keep"]:
        shutil.copyfile(task["clip"], folder / "clip.mp4")
    (folder / "screen.json").write_text(json.dumps(document), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], Path(sys.argv[2])))
