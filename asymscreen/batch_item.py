"""One clip of a batch, from file to results in memory: what a worker does, here or on another machine."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from asymscreen import __version__
from asymscreen.capture.sheet import Capture
from asymscreen.errors import AsymscreenError, ModelError

if TYPE_CHECKING:
    from asymscreen.screen import Screen

Status = Literal["screened", "nothing to screen", "not readable", "failed"]


@dataclass(frozen=True)
class Item:
    """One clip or track file to be screened.

    name         its path inside the folder, parts joined by /
    path         where the worker finds it
    capture      its capture sheet
    image_size   (width, height) in pixels of a track file's pictures; None for a clip
    """

    name: str
    path: str
    capture: Capture = field(default_factory=Capture)
    image_size: tuple[int, int] | None = None


@dataclass(frozen=True)
class Result:
    """What came of an item: in a word, why, and its files (name to bytes) where it gave any."""

    status: Status
    reason: str = ""
    seconds: float = 0.0
    files: Mapping[str, bytes] = field(default_factory=dict)
    version: str = __version__


def screen_item(item: Item) -> Result:
    """Screen one item. Never raises for what is wrong with the clip: that is the result."""
    begun = time.monotonic()
    try:
        found = _screen(item)
        files = _files(found)
    except ModelError as error:
        return Result("failed", str(error), _since(begun))
    except AsymscreenError as error:
        return Result("not readable", str(error), _since(begun))
    except MemoryError:
        return Result("failed", "the memory did not suffice; use fewer workers", _since(begun))
    except Exception as error:
        said = " ".join(str(error).split())[:200]
        reason = f"an unexpected fault stopped it ({type(error).__name__}: {said})"
        return Result("failed", reason, _since(begun))
    if found.usable:
        return Result("screened", "", _since(begun), files)
    return Result("nothing to screen", " ".join(found.document.capture.reasons), _since(begun), files)


def _screen(item: Item) -> Screen:
    from asymscreen.screen import screen, screen_tracks

    if item.image_size is not None:
        return screen_tracks(Path(item.path), item.capture, item.image_size)
    return screen(item.path, item.capture)


def _files(found: Screen) -> dict[str, bytes]:
    """Report, document, tracks and key frames: name to bytes."""
    from asymscreen.screen import write_screen

    with tempfile.TemporaryDirectory(prefix="screen-") as folder:
        return {path.name: path.read_bytes() for path in write_screen(found, Path(folder))}


def _since(begun: float) -> float:
    return round(time.monotonic() - begun, 3)
