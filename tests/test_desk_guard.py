"""What every request has to pass. Each test opens the way that one guard closes, and finds it closed.

Outside sources: OWASP's cheat sheets on cross-site request forgery and DNS rebinding name the attacks;
RFC 6265 (cookies, with the `__Host-` prefix of its revision), RFC 9110 section 15.5.20 (421), CSP Level 3.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from desk_visits import LOCAL, PASSWORD, Desk, desk_at, post, token_of
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.testclient import TestClient

from asymscreen.desk import guard
from asymscreen.desk.accounts import make_account
from asymscreen.desk.guard import FORM_BYTES, TOO_LARGE, Rules, host_name, middleware
from asymscreen.desk.options import DeskSettings
from asymscreen.record.store import Store, open_store

pytest_plugins = ["record_fixtures"]
STUDIO = "https://desk.example"
OPEN_PAGES = {"/health", "/login"}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = desk_at(tmp_path / "home")
    yield made
    made.store.close()


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Desk]:
    """A desk that others reach, with one account."""
    made = desk_at(tmp_path / "home", names=("desk.example",))
    make_account(made.store, "coach", PASSWORD)
    yield made
    made.store.close()


def logged_in(studio: Desk) -> TestClient:
    client = studio.visitor(STUDIO)
    answer = post(client, "/login", {"name": "coach", "password": PASSWORD, "to": "/log"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/log")
    return client


# -- whose host --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost:8765", "[::1]:8765", "LOCALHOST", "localhost."])
def test_the_machines_own_names_are_served(desk: Desk, host: str) -> None:
    assert desk.visitor().get("/", headers={"host": host}).status_code == 200


STRANGE = ("evil.example", "127.0.0.1.evil.example", "localhost.evil.example", "192.168.0.9", "", "a@b")


@pytest.mark.parametrize("host", STRANGE)
def test_a_strangers_name_pointed_at_this_machine_reads_nothing(desk: Desk, host: str) -> None:
    answer = desk.visitor().get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "L-014" not in answer.text


def test_a_desk_for_others_knows_its_names_and_numbers(tmp_path: Path) -> None:
    with open_store(tmp_path) as store:
        rules = Rules(DeskSettings(tmp_path, host="0.0.0.0", names=("desk.example",)), store, b"k" * 32)
        for host in ("10.0.0.7:80", "[fe80::1]", "desk.example:443", "localhost"):
            assert rules.knows_host(host)
        for host in ("evil.example", "desk.example.evil.example", "10.0.0.7.x"):
            assert not rules.knows_host(host)
        local = Rules(DeskSettings(tmp_path), store, b"k" * 32)
        assert not local.knows_host("10.0.0.7")


def test_a_host_is_read_without_its_port() -> None:
    assert host_name("Desk.Example.:8765") == "desk.example"
    assert host_name("[::1]:80") == "::1"
    assert host_name("[::") == ""


# -- who ---------------------------------------------------------------------------------------------------


def test_nobody_logs_in_on_the_machine_itself(desk: Desk) -> None:
    assert desk.visitor().get("/").status_code == 200


def pages(app: Starlette) -> list[str]:
    """Every address of the application, with something in place of its parameters."""
    import re

    return sorted(
        {re.sub(r"{\w+(:\w+)?}", "x", route.path) for route in app.routes if isinstance(route, Route)}
    )


def test_every_page_of_a_desk_for_others_needs_a_login(studio: Desk) -> None:
    client = studio.visitor(STUDIO)
    found = pages(studio.app)
    assert len(found) > 10
    for place in found:
        answer = client.get(place, headers={"accept": "text/html"})
        if place in OPEN_PAGES:
            assert answer.status_code == 200, place
        elif place.startswith("/hand-in/"):
            assert answer.status_code in (404, 405), place
        else:
            assert answer.status_code == 303, place
            assert answer.headers["location"].startswith("/login?to=%2F"), place


def test_without_a_login_nothing_can_be_changed(studio: Desk) -> None:
    client = studio.visitor(STUDIO)
    token = token_of(client.get("/login"))
    for place in pages(studio.app):
        answer = client.post(place, data={"csrf": token})
        assert answer.status_code in ((401,) if place not in OPEN_PAGES else (403, 405)) or (
            place.startswith("/hand-in/") and answer.status_code in (404, 405)
        ), place


def test_a_desk_bound_to_the_machine_but_behind_a_proxy_asks_for_a_login(desk: Desk) -> None:
    for name in guard.FORWARDED:
        answer = desk.visitor().get("/", headers={name: "10.1.2.3", "accept": "text/html"})
        assert answer.status_code == 303, name


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.0.9", "::"])
def test_any_other_address_than_loopback_asks_for_a_login(tmp_path: Path, host: str) -> None:
    made = desk_at(tmp_path / "home", host=host)
    assert made.visitor("http://192.168.0.9:8765").get("/").status_code == 401
    assert made.visitor(LOCAL).get("/").status_code == 401
    made.store.close()


def test_a_login_opens_the_pages_and_logging_out_closes_them(studio: Desk) -> None:
    client = logged_in(studio)
    assert client.get("/").status_code == 200
    assert "L-014" in client.get("/").text
    assert post(client, "/lifters/L-014/links", {}, "/logout").status_code == 303
    assert client.get("/", headers={"accept": "text/html"}).status_code == 303


def test_logging_out_ends_the_session_in_the_record_too(studio: Desk) -> None:
    client = logged_in(studio)
    taken = dict(client.cookies)
    post(client, "/lifters/L-014/links", {}, "/logout")
    thief = studio.visitor(STUDIO, cookies=taken)
    assert thief.get("/").status_code == 401


def test_a_login_gives_a_new_session_each_time(studio: Desk) -> None:
    first, second = logged_in(studio), logged_in(studio)
    assert first.cookies["__Host-desk_session"] != second.cookies["__Host-desk_session"]


def test_a_made_up_session_opens_nothing(studio: Desk) -> None:
    thief = studio.visitor(STUDIO, cookies={"__Host-desk_session": "x" * 43})
    assert thief.get("/").status_code == 401


ELSEWHERE = ("//evil.example", "https://evil.example", "/\\evil.example", "javascript:x", "x")


@pytest.mark.parametrize("to", ELSEWHERE)
def test_the_login_leads_only_to_places_of_this_desk(studio: Desk, to: str) -> None:
    client = studio.visitor(STUDIO)
    answer = post(client, "/login", {"name": "coach", "password": PASSWORD, "to": to})
    assert answer.headers["location"] == "/"


# -- cookies -----------------------------------------------------------------------------------------------


def test_cookies_are_out_of_reach_of_scripts_and_other_sites(studio: Desk) -> None:
    client = studio.visitor(STUDIO)
    visit = client.get("/login").headers["set-cookie"]
    answer = post(client, "/login", {"name": "coach", "password": PASSWORD})
    for cookie in (visit, answer.headers["set-cookie"]):
        parts = cookie.split("; ")
        assert parts[0].startswith("__Host-desk_")
        assert {"HttpOnly", "SameSite=Lax", "Secure", "Path=/"} <= set(parts)
    assert client.get("/login").headers["strict-transport-security"]


def test_without_tls_cookies_still_come_back(desk: Desk) -> None:
    cookie = desk.visitor().get("/").headers["set-cookie"]
    assert cookie.startswith("desk_visit=")
    assert "Secure" not in cookie
    assert {"HttpOnly", "SameSite=Lax"} <= set(cookie.split("; "))


# -- changes come from our own pages -----------------------------------------------------------------------

MAKE = {"days": "7", "clips": "3"}


def test_a_form_with_its_token_is_taken(desk: Desk) -> None:
    assert post(desk.visitor(), "/lifters/L-014/links", MAKE).status_code == 303


@pytest.mark.parametrize("token", ["", "x", "x" * 43])
def test_a_form_without_its_token_is_not(desk: Desk, token: str) -> None:
    client = desk.visitor()
    client.get("/lifters/L-014/links")
    assert client.post("/lifters/L-014/links", data=MAKE | {"csrf": token}).status_code == 403
    assert client.post("/lifters/L-014/links", data=MAKE).status_code == 403
    assert client.post("/lifters/L-014/links", json=MAKE).status_code == 403


def test_another_visitors_token_is_not_taken(desk: Desk) -> None:
    theirs = token_of(desk.visitor().get("/lifters/L-014/links"))
    mine = desk.visitor()
    mine.get("/lifters/L-014/links")
    assert mine.post("/lifters/L-014/links", data=MAKE | {"csrf": theirs}).status_code == 403


def test_a_token_without_its_cookie_is_not_taken(desk: Desk) -> None:
    token = token_of(desk.visitor().get("/lifters/L-014/links"))
    assert desk.visitor().post("/lifters/L-014/links", data=MAKE | {"csrf": token}).status_code == 403


def test_the_token_from_before_the_login_is_not_taken_after_it(studio: Desk) -> None:
    client = studio.visitor(STUDIO)
    before = token_of(client.get("/login"))
    post(client, "/login", {"name": "coach", "password": PASSWORD})
    assert client.post("/lifters/L-014/links", data=MAKE | {"csrf": before}).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [{"origin": "https://evil.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"},
     {"sec-fetch-site": "same-site"}],
)  # fmt: skip
def test_a_form_from_another_site_is_not_taken(desk: Desk, headers: dict[str, str]) -> None:
    client = desk.visitor()
    token = token_of(client.get("/lifters/L-014/links"))
    answer = client.post("/lifters/L-014/links", data=MAKE | {"csrf": token}, headers=headers)
    assert answer.status_code == 403
    fine = {"origin": LOCAL, "sec-fetch-site": "same-origin"}
    assert client.post("/lifters/L-014/links", data=MAKE | {"csrf": token}, headers=fine).status_code == 303


def test_a_script_may_send_the_token_as_a_header(desk: Desk) -> None:
    client = desk.visitor()
    token = token_of(client.get("/lifters/L-014/links"))
    assert client.post("/lifters/L-014/links", data=MAKE, headers={"x-csrf-token": token}).status_code == 303


# -- a small application behind the guard: bodies ----------------------------------------------------------


async def echo(request: Request) -> Response:
    if request.method == "GET":
        return PlainTextResponse(request.state.csrf)
    async with request.form() as form:
        parts = {k: v if isinstance(v, str) else len(await v.read()) for k, v in form.items()}
    return JSONResponse(parts)


async def swallow(request: Request) -> Response:
    return PlainTextResponse(str(len(await request.body())))


@pytest.fixture
def small(sqlite_store: Store) -> TestClient:
    both = ["GET", "POST"]
    routes = [Route("/echo", echo, methods=both), Route("/login", swallow, methods=both)]
    app = Starlette(routes=routes, middleware=middleware(DeskSettings(sqlite_store.home), sqlite_store))
    return TestClient(app, base_url=LOCAL)


def test_what_was_read_ahead_is_handed_on(small: TestClient) -> None:
    token = small.get("/echo").text
    fields = {"csrf": token, "a": "1", "b": "x" * 5000}
    assert small.post("/echo", data=fields).json() == fields
    answer = small.post("/echo", data={"csrf": token}, files={"clip": ("c.mp4", b"y" * 200_000)})
    assert answer.json() == {"csrf": token, "clip": 200_000}


def test_a_multipart_form_without_its_token_is_not_taken(small: TestClient) -> None:
    small.get("/echo")
    assert small.post("/echo", files={"clip": ("c.mp4", b"y")}).status_code == 403
    hidden = b'name="csrf"\r\n\r\n' + b"x" * 43 + b"\r\n"
    assert small.post("/echo", files={"clip": ("c.mp4", hidden)}).status_code == 403


def test_a_form_that_is_too_large_is_refused_before_it_is_read(small: TestClient) -> None:
    token = small.get("/echo").text
    headers = {"x-csrf-token": token}
    assert small.post("/login", content=b"x" * FORM_BYTES, headers=headers).text == str(FORM_BYTES)
    answer = small.post("/login", content=b"x" * (FORM_BYTES + 1), headers=headers)
    assert (answer.status_code, answer.text) == (413, TOO_LARGE + "\n")


def test_a_form_that_hides_its_size_is_cut_off(small: TestClient) -> None:
    token = small.get("/echo").text

    def endless() -> Iterator[bytes]:
        for _ in range(FORM_BYTES // 1000 + 2):
            yield b"x" * 1000

    answer = small.post("/login", content=endless(), headers={"x-csrf-token": token})
    assert answer.status_code == 413
    form = {"content-type": "application/x-www-form-urlencoded"}
    assert small.post("/login", content=endless(), headers=form).status_code == 413


def test_websockets_are_closed(small: TestClient) -> None:
    from starlette.websockets import WebSocketDisconnect

    with pytest.raises(WebSocketDisconnect) as closed, small.websocket_connect("/echo"):
        pass
    assert closed.value.code == 1008


# -- headers -----------------------------------------------------------------------------------------------


def directives(answer: Any) -> dict[str, list[str]]:
    text = answer.headers["content-security-policy"]
    return {part.split()[0]: part.split()[1:] for part in text.split("; ")}


@pytest.mark.parametrize("place", ["/", "/lifters/L-014/links", "/log", "/login", "/hand-in/x", "/nowhere"])
def test_every_page_forbids_scripts_frames_and_guesses(desk: Desk, place: str) -> None:
    answer = desk.visitor().get(place)
    policy = directives(answer)
    assert policy["default-src"] == ["'none'"]
    assert policy["script-src"] == ["'self'"]
    assert policy["base-uri"] == ["'none'"]
    assert policy["form-action"] == ["'self'"]
    assert "*" not in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize("place", ["/login", "/hand-in/x"])
def test_pages_for_strangers_allow_no_inline_styles_and_no_frame_around(desk: Desk, place: str) -> None:
    policy = directives(desk.visitor().get(place))
    assert policy["style-src"] == ["'self'"]
    assert policy["frame-ancestors"] == ["'none'"]


def test_a_refusal_has_the_headers_too(desk: Desk) -> None:
    answer = desk.visitor().get("/", headers={"host": "evil.example"})
    assert directives(answer)["default-src"] == ["'none'"]


def test_the_templates_of_strangers_pages_hold_no_script_and_no_style() -> None:
    folder = Path(guard.__file__).parent / "templates"
    files = [*folder.glob("handin_*.html"), folder / "login.html"]
    assert len(files) > 8
    for file in files:
        text = file.read_text(encoding="utf-8").lower()
        assert "<style" not in text, file.name
        assert " style=" not in text, file.name
        assert "onclick" not in text, file.name
        assert all('src="/static/' in part for part in text.split("<script")[1:]), file.name


def test_no_page_of_ours_is_outside_the_guard() -> None:
    source = (Path(guard.__file__).parent / "app.py").read_text(encoding="utf-8")
    calls = [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call)]
    made = [c for c in calls if isinstance(c.func, ast.Name) and c.func.id == "Starlette"]
    assert [any(k.arg == "middleware" for k in c.keywords) for c in made] == [True]
