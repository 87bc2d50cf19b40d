"""Signed links: nobody without the key makes one, none outlives its end.

Outside source: Python's own hmac and base64 recompute the signature here; RFC 2104 (HMAC).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import stat
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asymscreen.desk.links import (
    KEY_BYTES,
    KEY_FILE,
    TOKEN_LENGTH,
    LinkError,
    Signed,
    desk_key,
    new_id,
    sign,
    stamp,
    stamped,
    verify,
)
from asymscreen.errors import RecordError

KEY = bytes(range(KEY_BYTES))
END = datetime(2026, 3, 23, 10, 0, tzinfo=UTC)
BEFORE = END - timedelta(days=14)
ID = "abcDEF123_-x"
TOKEN = sign(KEY, ID, END)


def test_the_token_is_the_one_worked_out_by_hand() -> None:
    # the end is the second of END in base 36, read back by int()
    end = TOKEN.split(".")[1]
    assert int(end, 36) == int(END.timestamp())
    digest = hmac.new(KEY, f"{ID}.{end}".encode(), hashlib.sha256).digest()
    assert f"{ID}.{end}." + base64.urlsafe_b64encode(digest).decode().rstrip("=") == TOKEN
    assert verify(KEY, TOKEN, BEFORE) == Signed(ID, END)
    assert len(TOKEN) < TOKEN_LENGTH


def test_a_link_ends_at_its_second_and_not_before() -> None:
    assert verify(KEY, TOKEN, END - timedelta(seconds=1)).link_id == ID
    with pytest.raises(LinkError, match="got one that ended 2026-03-23"):
        verify(KEY, TOKEN, END)


def test_an_end_that_was_moved_is_refused() -> None:
    name, _, mac = TOKEN.split(".")
    later = sign(KEY, name, END + timedelta(days=365)).split(".")[1]
    with pytest.raises(LinkError, match="got one that it did not"):
        verify(KEY, f"{name}.{later}.{mac}", BEFORE)


@given(st.integers(0, len(TOKEN) - 1), st.characters(codec="utf-8"))
def test_any_changed_letter_is_refused(place: int, letter: str) -> None:
    changed = TOKEN[:place] + letter + TOKEN[place + 1 :]
    if changed != TOKEN:
        with pytest.raises(LinkError):
            verify(KEY, changed, BEFORE)


@pytest.mark.parametrize(
    "token", ["", "..", TOKEN + "x", TOKEN[:-1], TOKEN * 40, "../../etc/passwd", TOKEN + "\n", TOKEN.upper()]
)
def test_what_is_no_token_is_refused(token: str) -> None:
    with pytest.raises(LinkError):
        verify(KEY, token, BEFORE)


def test_another_desks_link_is_refused() -> None:
    with pytest.raises(LinkError):
        verify(bytes(KEY_BYTES), TOKEN, BEFORE)


def test_ids_do_not_come_twice_and_fit_the_form() -> None:
    ids = {new_id() for _ in range(500)}
    assert len(ids) == 500
    assert all(verify(KEY, sign(KEY, name, END), BEFORE).link_id == name for name in ids)


def test_the_key_is_made_once_and_private(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: desk_key(tmp_path), range(8)))
    assert len(keys) == 1
    assert len(keys.pop()) == KEY_BYTES
    assert stat.S_IMODE((tmp_path / KEY_FILE).stat().st_mode) == 0o600
    assert [file.name for file in tmp_path.iterdir()] == [KEY_FILE]


def test_a_key_that_others_may_read_is_not_used(tmp_path: Path) -> None:
    desk_key(tmp_path)
    (tmp_path / KEY_FILE).chmod(0o640)
    with pytest.raises(RecordError, match="only its owner may read"):
        desk_key(tmp_path)


def test_a_damaged_key_is_not_used(tmp_path: Path) -> None:
    desk_key(tmp_path)
    (tmp_path / KEY_FILE).write_bytes(b"short")
    with pytest.raises(RecordError, match="expected a key of 32 bytes, got 5"):
        desk_key(tmp_path)


def test_a_stamp_is_good_for_its_purpose_and_text_only() -> None:
    mark = stamp(KEY, "form", "visitor")
    assert stamped(KEY, "form", "visitor", mark)
    assert not stamped(KEY, "cookie", "visitor", mark)
    assert not stamped(KEY, "form", "visitor2", mark)
    assert not stamped(KEY, "form", "visitor", "")
    assert not stamped(KEY, "form", "visitor", "é")
    assert not stamped(bytes(KEY_BYTES), "form", "visitor", mark)
