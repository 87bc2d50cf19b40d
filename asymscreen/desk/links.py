"""Signed links: a text that names a link and its end, and that nobody without the desk's key can make.

`ID.END.SIGNATURE`: the link's id in the record, the second at which it ends (base 36), HMAC-SHA256 of both
as base64 without padding. It says nothing of the lifter. The key lies in the home folder, mode 0600.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import re
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from asymscreen.errors import RecordError
from asymscreen.record.hand_ins import LinkEntry, add_link
from asymscreen.record.store import Store

KEY_FILE = "desk.key"
USUAL_DAYS = 14  # days for which a link is made where nothing else is said; ours, no source
USUAL_CLIPS = 12  # clips that may come through a link where nothing else is said; ours, no source
KEY_BYTES = 32  # bytes; as long as the digest, RFC 2104 section 3
ID_BYTES = 9  # random bytes of a link's id: 12 characters
TOKEN_LENGTH = 120  # characters; a real one has 66
_FORM = re.compile(r"([A-Za-z0-9_-]{12})\.([0-9a-z]{1,9})\.([A-Za-z0-9_-]{43})")
_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True)
class Signed:
    """What a genuine token says: the link's id and when it ends."""

    link_id: str
    ends_at: datetime


class LinkError(RecordError):
    """A token that is not ours, was changed, or has ended."""


def desk_key(home: Path) -> bytes:
    """The desk's secret key, made at the first use. RecordError for a key file that others may read."""
    place = home / KEY_FILE
    if not place.exists():
        draft = home / f".{KEY_FILE}.{secrets.token_hex(8)}"
        with os.fdopen(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
            file.write(secrets.token_bytes(KEY_BYTES))
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(draft, place)
        except FileExistsError:
            pass  # another process made it in the meantime: its key counts
        finally:
            draft.unlink()
    return _read_key(place)


def issue(
    store: Store, code: str, *, days: int = USUAL_DAYS, most_clips: int = USUAL_CLIPS, by: str = "coach"
) -> tuple[LinkEntry, str]:
    """Make a link for a lifter: its entry, and its place on the desk (`/hand-in/TOKEN`).

    RecordError for an unknown code, or days or clips out of range.
    """
    entry = add_link(store, code, new_id(), days=days, most_clips=most_clips, by=by)
    return entry, place_of(store, entry)


def place_of(store: Store, entry: LinkEntry) -> str:
    """Where on the desk a link leads; the same each time, so that it can be shown again."""
    return f"/hand-in/{sign(desk_key(store.home), entry.id, entry.ends_at)}"


def new_id() -> str:
    """An id for a new link, 12 characters of the base64 alphabet for addresses."""
    return secrets.token_urlsafe(ID_BYTES)


def sign(key: bytes, link_id: str, ends_at: datetime) -> str:
    """The token of a link that ends at `ends_at` (whole seconds)."""
    said = f"{link_id}.{_base36(int(ends_at.timestamp()))}"
    return f"{said}.{_mac(key, said)}"


def verify(key: bytes, token: str, at: datetime) -> Signed:
    """What a token says. LinkError where it was not signed with this key, was changed, or has ended."""
    found = _FORM.fullmatch(token) if len(token) <= TOKEN_LENGTH else None
    if found is None or not hmac.compare_digest(_mac(key, f"{found[1]}.{found[2]}"), found[3]):
        raise LinkError("link: expected one that this desk made, got one that it did not; ask for a new link")
    ends_at = datetime.fromtimestamp(int(found[2], 36), UTC)
    if at >= ends_at:
        raise LinkError(f"link: expected one that is still open, got one that ended {ends_at:%Y-%m-%d}")
    return Signed(found[1], ends_at)


def stamp(key: bytes, purpose: str, text: str) -> str:
    """A signature of a text for one purpose, such as a form's token: useless for any other purpose."""
    return _mac(key, f"{purpose}:{text}")


def stamped(key: bytes, purpose: str, text: str, given: str) -> bool:
    """True if `given` is the stamp of that text for that purpose; compared in constant time."""
    return hmac.compare_digest(stamp(key, purpose, text).encode(), given.encode("utf-8", "replace"))


def _read_key(place: Path) -> bytes:
    if os.name == "posix" and place.stat().st_mode & 0o077:
        raise RecordError(
            f"{place}: expected a key that only its owner may read, got one open to others; "
            "delete the file (all links end with it) and start the desk again"
        )
    key = place.read_bytes()
    if len(key) != KEY_BYTES:
        raise RecordError(f"{place}: expected a key of {KEY_BYTES} bytes, got {len(key)}; delete the file")
    return key


def _mac(key: bytes, text: str) -> str:
    digest = hmac.new(key, text.encode(), hashlib.sha256).digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()


def _base36(number: int) -> str:
    out = ""
    while number or not out:
        number, digit = divmod(number, 36)
        out = _DIGITS[digit] + out
    return out
