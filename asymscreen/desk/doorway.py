"""The login page, and logging out."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from asymscreen.desk.accounts import Door, TooManyTriesError, WrongPasswordError
from asymscreen.desk.guard import session_cookie, session_token
from asymscreen.desk.pages.frame import page
from asymscreen.record.access import list_accounts

WRONG = "Name and password do not fit together. Check both and try again."
NOBODY = "Nobody may log in yet. On the machine that runs the desk, type: asymscreen desk account add NAME"


async def login(request: Request) -> Response:
    """The form; whoever is logged in goes on."""
    target = inside(request.query_params.get("to", "/"))
    if request.state.person:
        return RedirectResponse(target, 303)
    said = "" if list_accounts(request.app.state.store) else NOBODY
    return page(request, "login.html", to=target, said=said, name="")


async def log_in(request: Request) -> Response:
    """A try: on with a new session, or the form again and why."""
    form = await request.form(max_files=0)
    name, password = str(form.get("name", ""))[:200], str(form.get("password", ""))[:1000]
    target = inside(str(form.get("to", "/")))
    door: Door = request.state.rules.door
    try:
        token = await run_in_threadpool(door.enter, name, password, request.state.address)
    except WrongPasswordError:
        return page(request, "login.html", answer=403, to=target, said=WRONG, name=name)
    except TooManyTriesError as error:
        said = str(error).removeprefix("login: expected fewer wrong passwords, got ").capitalize() + "."
        response = page(request, "login.html", answer=429, to=target, said=said, name=name)
        response.headers["retry-after"] = str(round(error.wait_s) + 1)
        return response
    response = RedirectResponse(target, 303)
    response.headers.append("set-cookie", session_cookie(token, request.state.secure))
    return response


async def log_out(request: Request) -> Response:
    """End the session, here and in the record."""
    await run_in_threadpool(request.state.rules.door.leave, session_token(request))
    response = RedirectResponse("/login", 303)
    response.headers.append("set-cookie", session_cookie("", request.state.secure))
    return response


def inside(target: str) -> str:
    """A place on this desk to go on to; the first page for anything else."""
    plain = target.startswith("/") and not target.startswith(("//", "/\\")) and target.isprintable()
    return target if plain and "\\" not in target else "/"


ROUTES: list[BaseRoute] = [
    Route("/login", login),
    Route("/login", log_in, methods=["POST"]),
    Route("/logout", log_out, methods=["POST"]),
]
