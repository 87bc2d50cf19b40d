"""What every request passes before a page sees it: whose host, how large, who acts, and with what right.

- The Host header must name this desk, so that a stranger's name pointed at this machine reads nothing.
- On the machine itself nobody logs in; through any other address, and through a proxy, everybody does.
- What changes something must come from a page of ours: right origin and the form's token (`csrf` as the first
  field of a form, or the header `X-CSRF-Token`).
- Every response gets headers that forbid strange scripts, frames and guesses about content.

Pages find `request.state.person` (who acts), `request.state.csrf` (the token of their forms) and
`request.state.address` (from where).
"""

from __future__ import annotations

import ipaddress
import re
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asymscreen.desk import links
from asymscreen.desk.accounts import LOGIN_HOURS, Door
from asymscreen.desk.options import LOOPBACK, DeskSettings
from asymscreen.record.access import clear_old_audit
from asymscreen.record.store import Store

SESSION, VISIT = "desk_session", "desk_visit"
TOKEN_FIELD, TOKEN_HEADER = "csrf", "x-csrf-token"
FORM_BYTES = 256 << 10
"""Largest body that is not a clip, bytes: a form with the longest free texts has 40 kB."""
CLIP_BYTES = 800 << 20
"""Largest body that a person of the desk may send, bytes."""
FORM_HEAD = 8 << 10
"""The form's token is looked for in so many first bytes of a multipart form."""
HERE = "this desk"
"""Who acts where nobody logs in: whoever sits at the machine."""

OPEN = ("/health", "/static/", "/login", "/hand-in/")
"""What can be reached without a login; a hand-in page needs its link."""
PLAIN = ("/health", "/static/")
"""What has no form and is the same for everybody."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")

_CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'{inline}; img-src 'self' data: blob:; "
    "media-src 'self' blob:; connect-src 'self'; font-src 'self'; frame-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'self'"
)
STRICT = _CSP.format(inline="").replace("frame-ancestors 'self'", "frame-ancestors 'none'")
"""For pages that strangers see."""
COACH = _CSP.format(inline=" 'unsafe-inline'")
"""For the coach's pages: the chart library writes styles into the page, never scripts."""
HEADERS = {
    "x-content-type-options": "nosniff", "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin", "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=(), payment=(), usb=()",
    "x-robots-tag": "noindex, nofollow",
}  # fmt: skip
_TOKEN_PART = re.compile(rb'name="csrf"\r\n(?:[^\r\n]+\r\n)*\r\n([A-Za-z0-9_-]{43})\r\n')


@dataclass
class Rules:
    """What the guard goes by: settings, the open record, the key of tokens, and the door."""

    settings: DeskSettings
    store: Store
    key: bytes
    door: Door = field(init=False)

    def __post_init__(self) -> None:
        self.door = Door(self.store)

    def knows_host(self, given: str) -> bool:
        """True if a Host header names this desk. Addresses in numbers cannot be pointed elsewhere."""
        name = host_name(given)
        if name in LOOPBACK or name in self.settings.names:
            return True
        return not self.settings.loopback and (name == self.settings.host or _is_number(name))

    def needs_login(self, headers: Headers) -> bool:
        """True unless the desk serves its own machine only and nothing stands in between."""
        return self.settings.guarded or any(name in headers for name in FORWARDED)


def middleware(settings: DeskSettings, store: Store) -> list[Middleware]:
    """The guard for `create_app`. RecordError for a key file that others may read."""
    from asymscreen.desk.audit import Audit

    clear_old_audit(store)
    rules = Rules(settings, store, links.desk_key(store.home))
    return [Middleware(Guard, rules=rules), Middleware(Audit, store=store)]


class Guard:
    """The outermost application: refuses, or lets through with `state.person` and `state.csrf` set."""

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self.app, self.rules = app, rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        visit = _Visit(self.rules, scope)
        sender = visit.with_headers(send)
        refusal = await visit.refusal()
        if refusal is not None:
            await refusal(scope, receive, sender)
            return
        bounded = _Body(receive, visit.most_bytes)
        try:
            if scope["method"] not in SAFE and not await visit.token_fits(bounded):
                await _said(visit.request, 403, TOKEN_MISSING)(scope, receive, sender)
                return
            await self.app(scope, bounded.receive, sender)
        except BodyTooLargeError:
            if visit.started:
                raise
            await _said(visit.request, 413, TOO_LARGE)(scope, receive, sender)


HOST_STRANGE = (
    "This address is not one of this desk. Open it by the address that the desk prints at its start."
)
TOKEN_MISSING = "This page has been open for too long, or it did not come from this desk. Load it again."
TOO_LARGE = "That is more than this page takes."


class BodyTooLargeError(Exception):
    """A request's body went over its bound while it was being read."""


class _Visit:
    """One request on its way through the guard."""

    def __init__(self, rules: Rules, scope: Scope) -> None:
        self.rules, self.scope, self.started = rules, scope, False
        self.request = Request(scope)
        self.headers = self.request.headers
        self.path = str(scope["path"])
        self.open = self.path == "/login" or any(
            self.path.startswith(place) if place.endswith("/") else self.path == place for place in OPEN
        )
        self.secure = scope.get("scheme") == "https"
        jar = _cookies(self.headers)
        self.session = jar.get(self._named(SESSION), "")
        self.visit = jar.get(self._named(VISIT), "")
        self.new_visit = ""
        self.person = ""

    @property
    def most_bytes(self) -> int:
        """Bound on the body; the hand-in page's clip has a bound of its own."""
        is_clip = self.path.startswith("/hand-in/") and self.path.endswith("/clip")
        return CLIP_BYTES if is_clip or not self.open else FORM_BYTES

    async def refusal(self) -> Response | None:
        """Why this request goes no further, or None; sets what pages look for in `request.state`."""
        if not self.rules.knows_host(self.headers.get("host", "")):
            return PlainTextResponse(HOST_STRANGE + "\n", 421)
        if self.headers.get("content-length", "0").isdigit() and (
            int(self.headers.get("content-length", "0")) > self.most_bytes
        ):
            return _said(self.request, 413, TOO_LARGE)
        needs_login = self.rules.needs_login(self.headers)
        if needs_login:
            known: str | None = await run_in_threadpool(self.rules.door.who, self.session)
            self.person = known or ""
        else:
            self.person = HERE
        state: dict[str, Any] = self.scope.setdefault("state", {})
        state.update(
            person=self.person, csrf=self._csrf(), address=self._address(), rules=self.rules,
            login=needs_login, secure=self.secure,
        )  # fmt: skip
        if self.person or self.open:
            return None
        return _to_login(self.request)

    async def token_fits(self, body: _Body) -> bool:
        """True if a changing request comes from a page of ours."""
        if self.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return False
        origin = self.headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != self.headers.get("host", "").lower():
            return False
        given = self.headers.get(TOKEN_HEADER) or await _form_token(self.headers, body)
        return bool(given) and links.stamped(self.rules.key, "form", self._holder(), given or "")

    def with_headers(self, send: Send) -> Send:
        """Send with the guard's headers, and the visitor's cookie where it is new."""

        async def sender(message: Message) -> None:
            if message["type"] == "http.response.start":
                self.started = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("content-security-policy", STRICT if self.open else COACH)
                if not self.path.startswith(PLAIN):
                    headers.setdefault("cache-control", "no-store")
                if self.secure:
                    headers.setdefault("strict-transport-security", "max-age=31536000")
                if self.new_visit:
                    headers.append("set-cookie", self.cookie(VISIT, self.new_visit))
            await send(message)

        return sender

    def cookie(self, name: str, value: str) -> str:
        """A cookie that no script reads and no other site sends along."""
        return cookie(name, value, self.secure)

    def _named(self, name: str) -> str:
        return f"__Host-{name}" if self.secure else name

    def _holder(self) -> str:
        """What a form's token is tied to: the session, else the visitor's cookie."""
        return self.session if self.person and self.person != HERE else self.visit

    def _csrf(self) -> str:
        if not self._holder() and self.scope["method"] in SAFE and not self.path.startswith(PLAIN):
            self.visit = self.new_visit = secrets.token_urlsafe(24)
        return links.stamp(self.rules.key, "form", self._holder()) if self._holder() else ""

    def _address(self) -> str:
        client = self.scope.get("client")
        return str(client[0]) if client else ""


class _Body:
    """A request's body: counted against its bound, and what was read ahead is handed on first."""

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive, self._most, self._size = receive, most, 0
        self._ahead: list[Message] = []

    async def receive(self) -> Message:
        """The next message. BodyTooLargeError where the body goes over its bound."""
        return self._ahead.pop(0) if self._ahead else await self._next()

    async def head(self, most: int) -> bytes:
        """The body's first bytes, kept to be handed on."""
        out = b""
        more = True
        while more and len(out) < most:
            message = await self._next()
            self._ahead.append(message)
            out += message.get("body", b"")
            more = message["type"] == "http.request" and message.get("more_body", False)
        return out

    async def _next(self) -> Message:
        message = await self._receive()
        self._size += len(message.get("body", b""))
        if self._size > self._most:
            raise BodyTooLargeError
        return message


def cookie(name: str, value: str, secure: bool, max_age_s: int | None = None) -> str:
    """A Set-Cookie header: HttpOnly, SameSite, behind TLS Secure and under a name tied to the host."""
    parts = [f"{'__Host-' if secure else ''}{name}={value}", "Path=/", "HttpOnly", "SameSite=Lax"]
    parts += ["Secure"] if secure else []
    parts += [f"Max-Age={max_age_s}"] if max_age_s is not None else []
    return "; ".join(parts)


def session_cookie(token: str, secure: bool) -> str:
    """The cookie of a session; an empty token takes it back."""
    return cookie(SESSION, token, secure, round(LOGIN_HOURS * 3600) if token else 0)


def session_token(request: Request) -> str:
    """The session's token of a request, empty where it has none."""
    return request.cookies.get(("__Host-" if request.state.secure else "") + SESSION, "")


def host_name(given: str) -> str:
    """The name in a Host header, without its port, in lower case; empty for what is none."""
    try:
        return (urlsplit(f"//{given}").hostname or "").rstrip(".")
    except ValueError:
        return ""


def _is_number(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _cookies(headers: Headers) -> dict[str, str]:
    try:
        jar: SimpleCookie = SimpleCookie(headers.get("cookie", "")[:4096])
    except CookieError:
        return {}
    return {name: morsel.value for name, morsel in jar.items()}


async def _form_token(headers: Headers, body: _Body) -> str | None:
    kind = headers.get("content-type", "").split(";")[0].strip().lower()
    if kind == "application/x-www-form-urlencoded":
        fields = parse_qs((await body.head(FORM_BYTES)).decode("latin-1"), max_num_fields=500)
        return fields.get(TOKEN_FIELD, [None])[0]
    if kind == "multipart/form-data":
        found = _TOKEN_PART.search(await body.head(FORM_HEAD))
        return found[1].decode("ascii") if found else None
    return None


def _to_login(request: Request) -> Response:
    if request.method in SAFE and "text/html" in request.headers.get("accept", ""):
        target = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/login?to={quote(target, safe='')}", 303)
    return _said(request, 401, "Log in first.")


def _said(request: Request, status: int, text: str) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"error": text}, status)
    return PlainTextResponse(text + "\n", status)
