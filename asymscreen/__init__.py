"""asymscreen: does a lifter press alike on both sides, and how sure can one phone be of it?

    import asymscreen
    found = asymscreen.screen("set.mp4", capture=asymscreen.Capture(view="foot-end", camera_height_m=2.0))
    found.to_dict()

Importing the package loads nothing heavy; the first use of a name does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from asymscreen.capture.sheet import Capture
    from asymscreen.screen import Screen, screen

__version__ = "0.1.0"
__all__ = ["Capture", "Screen", "__version__", "screen"]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name == "screen":
        return import_module("asymscreen.screen")  # the module is callable: see its last lines
    if name == "Screen":
        return import_module("asymscreen.screen").Screen
    if name == "Capture":
        return import_module("asymscreen.capture.sheet").Capture
    raise AttributeError(f"module 'asymscreen' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
