"""The shipped landmark model (BlazePose *heavy*, Apache-2.0; see NOTICE) and its check against damage."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from asymscreen.errors import ModelError

NAME = "pose_landmarker_heavy"
FOLDER = Path(__file__).parent
BUNDLE = FOLDER / f"{NAME}.task"
DIGESTS = FOLDER / "digests.txt"
_CHUNK = 1 << 20  # bytes read at a time while hashing


def read_digests(path: Path = DIGESTS) -> dict[str, str]:
    """File name to sha256, from lines of `sha256  name`. ModelError if the list can't be read."""
    try:
        lines = path.read_text(encoding="ascii").splitlines()
        return {name: digest for digest, name in (line.split() for line in lines if line.strip())}
    except (OSError, ValueError) as exc:
        raise ModelError(
            f"{path}: expected a list of digests, could not read it; reinstall asymscreen"
        ) from exc


@cache
def verified_bundle(path: Path = BUNDLE, digests: Path = DIGESTS) -> tuple[Path, str]:
    """(path, sha256) of the bundle after checking it against the shipped digest; checked once a process.

    ModelError if the file is missing, cut short or changed.
    """
    expected = read_digests(digests).get(BUNDLE.name)
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                digest.update(chunk)
    except OSError as exc:
        raise ModelError(
            f"{path}: expected the landmark model, could not read it ({exc.strerror}); reinstall asymscreen"
        ) from exc
    if digest.hexdigest() != expected:
        raise ModelError(
            f"{path}: the landmark model is damaged (its sha256 is not the shipped one); reinstall asymscreen"
        )
    return path, digest.hexdigest()
