"""How one desk is run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

HOST = "127.0.0.1"
PORT = 8765  # where the desk is served unless another port is named; a free one of the upper range
"""Port that the pages are served on unless another is asked for; any that is usually free."""
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


@dataclass(frozen=True)
class DeskSettings:
    """Where the record lies and where the pages are served.

    home   folder of the record; `host`, `port` the address; port 0 takes a free one
    names  names under which others reach the desk, for example through a proxy with a certificate
    """

    home: Path
    host: str = HOST
    port: int = PORT
    names: tuple[str, ...] = ()

    @property
    def loopback(self) -> bool:
        """True where nobody but this machine can reach the pages."""
        return self.host in LOOPBACK

    @property
    def guarded(self) -> bool:
        """True where others can reach the pages, so that everybody has to log in."""
        return not self.loopback or bool(self.names)
