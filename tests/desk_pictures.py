"""Pictures of every page of the desk, wide and on a phone, light and dark:

python tests/desk_pictures.py FOLDER
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from desk_runner import CLIP, PHONE, WIDE, chromium, fill, looked_at, pages_of, running, settled
from desk_visits import client_pages

from asymscreen.capture.sheet import Capture
from asymscreen.record.jobs import add_job


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home, running(Path(home), "slow") as desk, chromium() as browser:
        pages = pages_of(fill(desk.store))
        job = add_job(desk.store, CLIP, "L-021", vars(Capture(view="foot-end")), clip_name="set 2.mp4")
        pages |= client_pages(desk.store, "L-021")
        pages["job"] = f"/jobs/{job.id}"
        for size, kind in ((WIDE, "wide"), (PHONE, "phone")):
            for scheme in ("light", "dark"):
                page = looked_at(browser, size, scheme).new_page()
                for name, place in pages.items():
                    page.goto(desk.base + place)
                    if name == "job":
                        page.wait_for_timeout(500)
                    else:
                        settled(page)
                    page.screenshot(path=folder / f"{name}-{kind}-{scheme}.png", full_page=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
