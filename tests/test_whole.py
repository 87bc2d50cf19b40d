"""Files that are whole or absent."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from asymscreen.whole import whole_file, write_whole


def test_a_file_is_written_and_replaced(tmp_path: Path) -> None:
    assert write_whole(tmp_path / "a.json", b"one") == tmp_path / "a.json"
    write_whole(tmp_path / "a.json", b"two")
    assert (tmp_path / "a.json").read_bytes() == b"two"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


def half_written(path: Path) -> None:
    with whole_file(path) as draft:
        assert draft.name == path.name  # gzip writes the name into the file
        draft.write_bytes(b"tw")
        raise OSError("full")


def test_what_fails_leaves_what_was_there(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.csv.gz", b"one")
    with pytest.raises(OSError, match="full"):
        half_written(tmp_path / "a.csv.gz")
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv.gz"]
    assert (tmp_path / "a.csv.gz").read_bytes() == b"one"


def test_others_may_read_what_the_umask_lets_them(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_whole(tmp_path / "a", b"")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o640
