"""Makes tests/data/desk again: the demo clip's screen with its tracks and pictures. After a new demo clip run

python tests/desk_data.py
"""

from __future__ import annotations

from pathlib import Path

from asymscreen.cli import demo_capture
from asymscreen.record.packing import pack_tracks
from asymscreen.screen import screen

HERE = Path(__file__).parent


def main() -> None:
    folder = HERE / "data" / "desk"
    found = screen(HERE.parent / "asymscreen" / "demo" / "demo.mp4", demo_capture())
    assert found.usable
    assert found.tracks is not None
    for old in folder.iterdir():
        old.unlink()
    (folder / "screen.json").write_text(found.document.to_json(), encoding="utf-8")
    (folder / "tracks.npz").write_bytes(pack_tracks(found.tracks))
    for name, jpeg in found.images.items():
        (folder / name).write_bytes(jpeg)


if __name__ == "__main__":
    main()
