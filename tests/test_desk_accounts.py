"""Accounts: what is kept of a password, sessions that end, guessing that is slowed down.

Outside sources: the argon2-cffi library verifies the hashes; RFC 9106 section 4 (parameters).
"""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from argon2 import PasswordHasher
from record_makers import DAY

from asymscreen.desk import accounts
from asymscreen.desk.accounts import (
    HASHED_AT_A_TIME,
    IDLE_HOURS,
    LOGIN_HOURS,
    PASSWORD_LENGTH,
    TRIES_PER_ADDRESS,
    TRIES_PER_PAIR,
    TRIES_WINDOW_S,
    Door,
    Throttle,
    TooManyTriesError,
    WrongPasswordError,
    digest,
    make_account,
    set_password,
)
from asymscreen.errors import RecordError
from asymscreen.record.access import list_accounts, password_hash_of, read_audit, remove_account
from asymscreen.record.store import Store

pytest_plugins = ["record_fixtures"]
PASSWORD = "four quiet plates at noon"


class Clock:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.time = 1000.0

    def __call__(self) -> float:
        return self.time


@pytest.fixture(autouse=True)
def _light(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashing with the least work, so that the tests take no minutes; one test looks at the real work."""
    light = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(accounts, "_hasher", lambda: light)


@pytest.fixture
def door(sqlite_store: Store) -> Door:
    make_account(sqlite_store, "coach", PASSWORD, at=DAY)
    return Door(sqlite_store)


def test_what_is_kept_is_argon2s_hash_and_no_password(
    sqlite_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()
    make_account(sqlite_store, "coach", PASSWORD)
    kept = password_hash_of(sqlite_store, "coach") or ""
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert PasswordHasher().verify(kept, PASSWORD)
    assert sqlite_store.database_file is not None
    for file in sqlite_store.home.iterdir():
        assert PASSWORD.encode() not in file.read_bytes(), file.name


def test_the_right_password_opens(door: Door) -> None:
    token = door.enter("coach", PASSWORD, "10.0.0.7", at=DAY)
    assert door.who(token, at=DAY) == "coach"
    assert [line.did for line in read_audit(door.store)] == ["logged in"]


@pytest.mark.parametrize(
    ("name", "password"), [("coach", "wrong"), ("nobody", PASSWORD), ("coach", ""), ("", "")]
)
def test_anything_else_does_not_and_never_says_which_was_wrong(door: Door, name: str, password: str) -> None:
    with pytest.raises(WrongPasswordError, match=r"got a pair that does not fit$"):
        door.enter(name, password, "10.0.0.7", at=DAY)


def test_unknown_names_take_the_same_work(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    looked: list[str] = []

    class Counting:
        def verify(self, stored: str, password: str) -> bool:
            looked.append(stored)
            return PasswordHasher().verify(stored, password)

        def hash(self, password: str) -> str:
            return PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(password)

    monkeypatch.setattr(accounts, "_hasher", Counting)
    with pytest.raises(WrongPasswordError):
        door.enter("nobody", PASSWORD, "10.0.0.7", at=DAY)
    assert len(looked) == 1
    assert looked[0].startswith("$argon2id$")


def test_guessing_one_name_is_stopped_even_for_the_right_password(door: Door) -> None:
    for _ in range(TRIES_PER_PAIR):
        with pytest.raises(WrongPasswordError):
            door.enter("coach", "wrong", "10.0.0.7")
    with pytest.raises(TooManyTriesError, match="wait 15 min"):
        door.enter("coach", PASSWORD, "10.0.0.7")
    # from elsewhere the coach still gets in
    assert door.enter("coach", PASSWORD, "10.0.0.8")


def test_guessing_many_names_from_one_address_is_stopped(door: Door) -> None:
    for k in range(TRIES_PER_ADDRESS):
        with pytest.raises(WrongPasswordError):
            door.enter(f"name{k}", "wrong", "10.0.0.7")
    with pytest.raises(TooManyTriesError):
        door.enter("coach", PASSWORD, "10.0.0.7")


def test_guessing_one_name_from_many_addresses_is_stopped(door: Door) -> None:
    door.by_name = Throttle(6, TRIES_WINDOW_S)
    for k in range(6):
        with pytest.raises(WrongPasswordError):
            door.enter("coach", "wrong", f"10.0.0.{k}")
    with pytest.raises(TooManyTriesError):
        door.enter("coach", PASSWORD, "10.0.1.1")


def test_the_right_password_clears_what_was_counted(door: Door) -> None:
    for _ in range(3):
        for _ in range(TRIES_PER_PAIR - 1):
            with pytest.raises(WrongPasswordError):
                door.enter("coach", "wrong", "10.0.0.7")
        door.by_address.forget("10.0.0.7")
        assert door.enter("coach", PASSWORD, "10.0.0.7")


def test_a_throttle_lets_go_after_its_window() -> None:
    clock = Clock()
    throttle = Throttle(2, 60.0, clock)
    throttle.count("a")
    clock.time += 10
    throttle.count("a")
    assert throttle.wait_s("a") == 50.0
    assert throttle.wait_s("b") == 0.0
    clock.time += 50
    assert throttle.wait_s("a") == 0.0


def test_a_throttle_does_not_grow_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(accounts, "MOST_KEYS", 3)
    throttle = Throttle(1, 60.0)
    for key in "abcde":
        throttle.count(key)
    assert [key for key in "abcde" if throttle.wait_s(key)] == ["c", "d", "e"]


def test_a_session_ends_by_the_clock_and_by_idling(door: Door) -> None:
    token = door.enter("coach", PASSWORD, "", at=DAY)
    step = timedelta(hours=IDLE_HOURS) - timedelta(minutes=1)
    at = DAY
    while at + step < DAY + timedelta(hours=LOGIN_HOURS):
        at += step
        assert door.who(token, at=at) == "coach"
    assert door.who(token, at=DAY + timedelta(hours=LOGIN_HOURS)) is None
    other = door.enter("coach", PASSWORD, "", at=DAY)
    assert door.who(other, at=DAY + timedelta(hours=IDLE_HOURS, seconds=1)) is None


def test_the_record_holds_no_token(door: Door) -> None:
    token = door.enter("coach", PASSWORD, "")
    for file in door.store.home.iterdir():
        content = file.read_bytes()
        assert token.encode() not in content, file.name
    assert any(digest(token).encode() in file.read_bytes() for file in door.store.home.iterdir())


def test_leaving_ends_the_session(door: Door) -> None:
    token, other = door.enter("coach", PASSWORD, ""), door.enter("coach", PASSWORD, "")
    door.leave(token)
    assert door.who(token) is None
    assert door.who(other) == "coach"


def test_a_new_password_or_no_account_ends_all_sessions(door: Door) -> None:
    token = door.enter("coach", PASSWORD, "")
    set_password(door.store, "coach", "other words every night")
    assert door.who(token) is None
    with pytest.raises(WrongPasswordError):
        door.enter("coach", PASSWORD, "")
    token = door.enter("coach", "other words every night", "")
    remove_account(door.store, "coach")
    assert door.who(token) is None
    assert list_accounts(door.store) == []


@pytest.mark.parametrize("token", ["", "x", "x" * 10_000, "é" * 43])
def test_what_is_no_token_is_nobody(door: Door, token: str) -> None:
    assert door.who(token) is None


@pytest.mark.parametrize(
    ("password", "said"),
    [("short", "expected 12 to 200 characters, got 5"), ("x" * 201, "got 201"),
     ("aaaaaaaaaaaaaaa", "hard to guess"), ("my coach is great", "hard to guess")],
)  # fmt: skip
def test_easy_passwords_are_refused(sqlite_store: Store, password: str, said: str) -> None:
    with pytest.raises(RecordError, match=said):
        make_account(sqlite_store, "coach", password)
    assert PASSWORD_LENGTH == (12, 200)


def test_names_are_unique_and_plain(door: Door) -> None:
    with pytest.raises(RecordError, match="got one that is taken"):
        make_account(door.store, "coach", PASSWORD)
    for name in ("", " ", "x" * 65, "a\nb", "<b>"):
        with pytest.raises(RecordError, match="account: expected a name"):
            make_account(door.store, name, PASSWORD)
    with pytest.raises(RecordError, match="expected one that exists"):
        remove_account(door.store, "nobody")


def test_an_old_hash_is_renewed_at_the_next_login(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    stronger = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    monkeypatch.setattr(accounts, "_hasher", lambda: stronger)
    token = door.enter("coach", PASSWORD, "")
    assert "m=16,t=2" in (password_hash_of(door.store, "coach") or "")
    assert door.who(token) == "coach"


def test_a_flood_of_logins_hashes_only_so_many_at_a_time(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    light, now, most = accounts._hasher(), 0, 0
    lock = threading.Lock()

    class Counting:
        def verify(self, stored: str, password: str) -> bool:
            nonlocal now, most
            with lock:
                now += 1
                most = max(most, now)
            time.sleep(0.03)
            with lock:
                now -= 1
            return light.verify(stored, password)

        def hash(self, password: str) -> str:
            return light.hash(password)

    def guess(k: int) -> None:
        with pytest.raises(WrongPasswordError):
            door.enter(f"name{k}", "wrong", f"10.0.1.{k}")

    monkeypatch.setattr(accounts, "_hasher", Counting)
    with ThreadPoolExecutor(12) as pool:
        list(pool.map(guess, range(12)))
    assert most == HASHED_AT_A_TIME
