"""Files as wholes: written beside their place and put there in one step; known by the digest of all bytes."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A file of the same name to write to; it becomes `path` at the end, or goes if that fails.

    OSError as the writing meets it. What was at `path` before stays until then.
    """
    folder = Path(tempfile.mkdtemp(prefix=".", dir=path.parent))
    try:
        yield folder / path.name
        os.replace(folder / path.name, path)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write_whole(path: Path, data: bytes) -> Path:
    """Write `data` to `path`, whole or not at all; returns the path. OSError as the writing meets it."""
    with whole_file(path) as draft:
        draft.write_bytes(data)
    return path


def file_digest(path: Path) -> str:
    """SHA-256 of a file as hex, read piece by piece. OSError as the reading meets it."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
