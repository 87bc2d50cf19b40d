"""Accounts of the desk: passwords as Argon2 hashes, sessions on the server, guessing slowed down.

The browser holds a random token; the record holds only its digest. Argon2id with the library's defaults,
the second recommended option of RFC 9106 section 4 (3 passes, 64 MiB, 4 lanes).
"""

from __future__ import annotations

import functools
import hashlib
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from asymscreen.errors import RecordError
from asymscreen.record import access
from asymscreen.record.access import AccountEntry
from asymscreen.record.desk_models import NAME_LENGTH
from asymscreen.record.lifters import now
from asymscreen.record.store import Store

PASSWORD_LENGTH = (12, 200)
"""Shortest and longest password, characters; NIST SP 800-63B asks for 8 or more, longer beats stranger."""
LOGIN_HOURS = 12.0  # hours; a session ends then, whatever happens: one working day
IDLE_HOURS = 2.0  # hours without a request after which a session ends
TRIES_PER_PAIR = 5  # wrong passwords for one name from one address within TRIES_WINDOW_S
TRIES_PER_ADDRESS = 20  # tries from one address, for any name, within TRIES_WINDOW_S
TRIES_PER_NAME = 50  # wrong passwords for one name, from anywhere, within TRIES_WINDOW_S; more than for a
# pair, so that a stranger cannot easily lock the coach out
TRIES_WINDOW_S = 900.0  # seconds
MOST_KEYS = 10_000  # names and addresses remembered at a time; the oldest are forgotten
HASHED_AT_A_TIME = 2  # passwords hashed at the same time, 64 MiB each: a flood of logins must not fill memory
TOKEN_BYTES = 32  # random bytes of a session's token


_HASHING = threading.BoundedSemaphore(HASHED_AT_A_TIME)


class WrongPasswordError(RecordError):
    """Unknown name or wrong password; which of them is never said."""


class TooManyTriesError(RecordError):
    """Too many wrong passwords lately; `wait_s` seconds until the next try."""

    def __init__(self, wait_s: float) -> None:
        minutes = max(1, round(wait_s / 60))
        super().__init__(
            f"login: expected fewer wrong passwords, got too many; wait {minutes} min, then try again"
        )
        self.wait_s = wait_s


@dataclass
class Throttle:
    """Counts what went wrong by key within a sliding window; `clock` gives seconds."""

    most: int
    window_s: float
    clock: Callable[[], float] = time.monotonic
    _seen: dict[str, deque[float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, key: str) -> float:
        """Seconds until `key` may try again; 0 where it may now."""
        with self._lock:
            times = self._fresh(key)
            return max(0.0, times[0] + self.window_s - self.clock()) if len(times) >= self.most else 0.0

    def count(self, key: str) -> None:
        """Count one more for `key`."""
        with self._lock:
            times = self._fresh(key)
            times.append(self.clock())
            self._seen.pop(key, None)
            self._seen[key] = times
            while len(self._seen) > MOST_KEYS:
                del self._seen[next(iter(self._seen))]

    def forget(self, key: str) -> None:
        """Forget what was counted for `key`."""
        with self._lock:
            self._seen.pop(key, None)

    def _fresh(self, key: str) -> deque[float]:
        times = self._seen.get(key, deque(maxlen=self.most))
        while times and times[0] + self.window_s <= self.clock():
            times.popleft()
        return times


@dataclass
class Door:
    """Lets people in and out of the desk."""

    store: Store
    by_pair: Throttle = field(default_factory=lambda: Throttle(TRIES_PER_PAIR, TRIES_WINDOW_S))
    by_name: Throttle = field(default_factory=lambda: Throttle(TRIES_PER_NAME, TRIES_WINDOW_S))
    by_address: Throttle = field(default_factory=lambda: Throttle(TRIES_PER_ADDRESS, TRIES_WINDOW_S))

    def enter(self, name: str, password: str, address: str, *, at: datetime | None = None) -> str:
        """A new session's token for the right password. WrongPasswordError or TooManyTriesError otherwise."""
        at = at or now()
        name = name.strip()[:NAME_LENGTH]
        kept = ((self.by_pair, f"{name}\n{address}"), (self.by_name, name), (self.by_address, address))
        wait = max(throttle.wait_s(key) for throttle, key in kept)
        if wait:
            access.note(self.store, name, "login refused: too many tries", address=address, at=at)
            raise TooManyTriesError(wait)
        # counted before the slow check, so that tries made at the same time all count
        for throttle, key in kept:
            throttle.count(key)
        stored = access.password_hash_of(self.store, name)
        if not _matches(stored, password):
            access.note(self.store, name, "login refused: wrong password", address=address, at=at)
            raise WrongPasswordError("login: expected a name and its password, got a pair that does not fit")
        for throttle, key in kept[:2]:
            throttle.forget(key)
        if stored is not None and _hasher().check_needs_rehash(stored):
            access.change_password(self.store, name, _hasher().hash(password), keep_logins=True, at=at)
        token = secrets.token_urlsafe(TOKEN_BYTES)
        access.add_login(self.store, name, digest(token), at + timedelta(hours=LOGIN_HOURS), at=at)
        access.note(self.store, name, "logged in", address=address, at=at)
        return token

    def who(self, token: str, *, at: datetime | None = None) -> str | None:
        """Whose session a token is, or None."""
        if not token or len(token) > 100:
            return None
        return access.login_name(self.store, digest(token), timedelta(hours=IDLE_HOURS), at=at)

    def leave(self, token: str) -> None:
        """End the session of a token."""
        access.end_login(self.store, digest(token))


def make_account(store: Store, name: str, password: str, *, at: datetime | None = None) -> AccountEntry:
    """Add an account. RecordError for a name that is taken or a password that is too short."""
    return access.add_account(store, name.strip(), _hash(name, password), at=at)


def set_password(store: Store, name: str, password: str, *, at: datetime | None = None) -> AccountEntry:
    """Change a password; all sessions of the account end."""
    return access.change_password(store, name, _hash(name, password), at=at)


def digest(token: str) -> str:
    """SHA-256 of a token: what the record keeps instead of it."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _hash(name: str, password: str) -> str:
    low, high = PASSWORD_LENGTH
    if not low <= len(password) <= high:
        raise RecordError(
            f"password: expected {low} to {high} characters, got {len(password)}; four or five words do well"
        )
    if len(set(password)) < 5 or (len(name) > 3 and name.lower() in password.lower()):
        raise RecordError("password: expected one that is hard to guess, got an easy one; take a few words")
    return _hasher().hash(password)


@functools.cache
def _hasher() -> PasswordHasher:
    return PasswordHasher()


@functools.cache
def _decoy() -> str:
    """A hash that no password fits: unknown names take as long as known ones."""
    return _hasher().hash(secrets.token_urlsafe(TOKEN_BYTES))


def _matches(stored: str | None, password: str) -> bool:
    try:
        with _HASHING:
            _hasher().verify(stored or _decoy(), password[: PASSWORD_LENGTH[1]])
    except (Argon2Error, InvalidHashError):
        return False
    return stored is not None
