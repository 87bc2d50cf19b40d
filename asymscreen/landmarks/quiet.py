"""Keep what native libraries write to standard error out of the user's sight."""

from __future__ import annotations

import contextlib
import logging
import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from typing import Any

log = logging.getLogger(__name__)


class _StandardError:
    """File descriptor 2, pointed at a scratch file while any thread asks for quiet."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._users = 0
        self._saved = -1
        self._sink: Any = None

    def enter(self) -> None:
        with self._lock:
            self._users += 1
            if self._users > 1:
                return
            if sys.stderr is not None:
                sys.stderr.flush()
            with contextlib.suppress(OSError):  # a process without standard error needs no quiet
                self._saved = os.dup(2)
                self._sink = tempfile.TemporaryFile()  # noqa: SIM115 - closed in leave()
                os.dup2(self._sink.fileno(), 2)

    def leave(self) -> None:
        with self._lock:
            self._users -= 1
            if self._users or self._saved < 0:
                return
            if sys.stderr is not None:
                sys.stderr.flush()
            os.dup2(self._saved, 2)
            os.close(self._saved)
            self._saved = -1
            with self._sink as sink:
                sink.seek(0)
                noise = sink.read().decode("utf-8", "replace")
        for line in noise.splitlines():
            log.debug("%s", line)


_STANDARD_ERROR = _StandardError()


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep what a native library writes to standard error out of sight; it goes to the debug log."""
    _STANDARD_ERROR.enter()
    try:
        yield
    finally:
        _STANDARD_ERROR.leave()
