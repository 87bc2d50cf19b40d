"""Commands about people who reach the desk from outside: accounts, links for clients, the inbox."""

from __future__ import annotations

import contextlib
import json
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click

from asymscreen.capture.sheet import Capture
from asymscreen.desk.options import HOST, PORT
from asymscreen.errors import RecordError, UsageError
from asymscreen.record import access
from asymscreen.record import hand_ins as rows
from asymscreen.record.commands.printing import opened, shared, show

EVERY_S = 10.0
"""How often the folder is looked through, seconds."""


@click.group()
def account() -> None:
    """Who may log in to a desk that others reach."""


@account.command("add")
@click.argument("name")
@click.option("--stdin", "piped", is_flag=True, help="Read the password from standard input, one line.")
@shared
def account_add(name: str, piped: bool, home: str | None, as_json: bool) -> None:
    """Add an account; asks for its password."""
    from asymscreen.desk.accounts import make_account

    password = _password(piped)
    with opened(home) as store:
        entry = make_account(store, name, password)
    show(entry, as_json, [f"Added account {entry.name}."])


@account.command("list")
@shared
def account_list(home: str | None, as_json: bool) -> None:
    """List all accounts."""
    with opened(home) as store:
        found = access.list_accounts(store)
    show(found, as_json, [f"{a.name}  added {a.made_at:%Y-%m-%d}" for a in found] or ["No account yet."])


@account.command("password")
@click.argument("name")
@click.option("--stdin", "piped", is_flag=True, help="Read the password from standard input, one line.")
@shared
def account_password(name: str, piped: bool, home: str | None, as_json: bool) -> None:
    """Change a password; all sessions of the account end."""
    from asymscreen.desk.accounts import set_password

    password = _password(piped)
    with opened(home) as store:
        entry = set_password(store, name, password)
    show(entry, as_json, [f"Changed the password of {entry.name}; its sessions have ended."])


@account.command("remove")
@click.argument("name")
@shared
def account_remove(name: str, home: str | None, as_json: bool) -> None:
    """Remove an account; all its sessions end."""
    with opened(home) as store:
        access.remove_account(store, name)
        left = access.list_accounts(store)
    show(left, as_json, [f"Removed account {name}; {len(left)} left."])


@click.command()
@click.option("--lifter", metavar="CODE", help="Only what concerned this lifter.")
@click.option("--most", type=click.IntRange(1, 100_000), default=200, show_default=True, metavar="N",
              help="At most so many lines.")  # fmt: skip
@shared
def log(lifter: str | None, most: int, home: str | None, as_json: bool) -> None:
    """Show who saw or changed what on the desk, newest first."""
    with opened(home) as store:
        found = access.read_audit(store, lifter=lifter, most=most)
    lines = [f"{a.at:%Y-%m-%d %H:%M}  {a.who}  {a.did}  {a.lifter} {a.about}".rstrip() for a in found]
    show(found, as_json, lines or ["Nothing yet."])


@click.group()
def link() -> None:
    """Links through which a remote client hands clips in."""


@link.command("make")
@click.argument("code")
@click.option(
    "--days", type=int, default=14, show_default=True, metavar="N", help="The link ends after so many days."
)
@click.option("--clips", type=int, default=12, show_default=True, metavar="N", help="At most so many clips.")
@click.option("--address", default=f"http://{HOST}:{PORT}", show_default=True, metavar="URL",
              help="Where clients reach the desk.")  # fmt: skip
@shared
def link_make(code: str, days: int, clips: int, address: str, home: str | None, as_json: bool) -> None:
    """Make a link for one lifter and print its address."""
    from asymscreen.desk.links import issue

    with opened(home) as store:
        entry, place = issue(store, code, days=days, most_clips=clips, by="command line")
    whole = address.rstrip("/") + place
    if as_json:
        click.echo(json.dumps(entry.to_dict() | {"address": whole}, ensure_ascii=False, indent=1))
        return
    click.echo(whole)
    click.echo(f"Link {entry.id} for {code}, until {entry.ends_at:%Y-%m-%d}, at most {clips} clips.")


@link.command("list")
@click.argument("code", required=False)
@shared
def link_list(code: str | None, home: str | None, as_json: bool) -> None:
    """List the links of one lifter, or of all."""
    with opened(home) as store:
        found = rows.list_links(store, code)
    lines = [
        f"{one.id}  {one.lifter}  {'open' if one.open else 'closed'} until {one.ends_at:%Y-%m-%d}  "
        f"{one.used} of {one.most_clips} clips"
        for one in found
    ]
    show(found, as_json, lines or ["No link yet."])


@link.command("take-back")
@click.argument("link_id", metavar="LINK")
@shared
def link_take_back(link_id: str, home: str | None, as_json: bool) -> None:
    """End a link at once."""
    with opened(home) as store:
        entry = rows.revoke_link(store, link_id)
    show(entry, as_json, [f"Link {entry.id} of {entry.lifter} has ended."])


@click.command()
@click.argument("folder", metavar="DIR")
@click.option("--once", is_flag=True, help="Go through the folder once, screen what is there, and end.")
@click.option("--every", type=click.FloatRange(1, 3600), default=EVERY_S, show_default=True, metavar="S",
              help="Look through the folder every so many seconds.")  # fmt: skip
@shared
def inbox(folder: str, once: bool, every: float, home: str | None, as_json: bool) -> None:
    """Take in the clips that arrive in a folder, each for the lifter whose code begins its name.

    A clip is matched by the lifter's code at the start of its name or by the sub-folder of that name. Clips
    that were taken move to DIR/taken, all others to DIR/aside with a text file that says why. Those files
    stay yours: erasing a lifter removes what the record holds, not what lies in DIR.
    """
    from asymscreen.desk.inbox import SETTLE_S, Inbox

    with opened(home) as store, _queue(store) as (jobs, working):
        watched = Inbox(store, Path(folder), _submit(jobs))
        if not once:
            click.echo(f"Watching {watched.folder} (Ctrl-C ends it).", err=True)
        watched.look()
        while True:
            time.sleep(SETTLE_S + 0.1 if once else every)
            handled = watched.look()
            results = [one.to_dict() for one in handled]
            if once and working:
                _wait(jobs, [one.job for one in handled if one.job])
            if once:
                results = [one | _ended(jobs, one["job"]) for one in results]
            _tell(results, as_json, once)
            if once:
                return


def _tell(results: list[dict[str, str]], as_json: bool, once: bool) -> None:
    """Print what came of the clips; with --json one document, or while watching one line for each clip."""
    if as_json and once:
        click.echo(json.dumps(results, ensure_ascii=False, indent=1))
    elif as_json:
        for one in results:
            click.echo(json.dumps(one, ensure_ascii=False))
    else:
        for one in results:
            click.echo(f"{one['file']}: {_words(one)}")
        if once and not results:
            click.echo("No clip to take in.")


def _words(one: dict[str, str]) -> str:
    if one["outcome"] != "taken":
        return f"put aside: {one['said']}"
    told = " ".join(part for part in (one.get("state", ""), one.get("message", "")) if part)
    return f"taken for {one['lifter']}{': ' if told else ''}{told}"


@contextlib.contextmanager
def _queue(store: Any) -> Iterator[tuple[Any, bool]]:
    """The queue of clips, and whether it works here: a desk that runs on this record does the screening."""
    from asymscreen.desk.jobs import Jobs

    jobs = Jobs(store)
    try:
        jobs.start()
    except RecordError:
        yield jobs, False
        return
    try:
        yield jobs, True
    finally:
        jobs.close()


def _submit(jobs: Any) -> Callable[[Path, str, Capture, str], str]:
    def submit(clip: Path, code: str, sheet: Capture, name: str) -> str:
        return str(jobs.submit(clip, code, sheet, clip_name=name, origin="inbox"))

    return submit


def _wait(jobs: Any, ids: list[str]) -> None:
    while any(jobs.status(job).ended_at is None for job in ids):
        time.sleep(0.5)


def _ended(jobs: Any, job: str) -> dict[str, str]:
    if not job:
        return {}
    found = jobs.status(job)
    return {"state": found.state, "message": found.message, "screen": found.screen_id or ""}


def _password(piped: bool) -> str:
    """A password typed twice without being shown, or one line of standard input."""
    if piped:
        return sys.stdin.readline().rstrip("\r\n")
    return str(click.prompt("Password", hide_input=True, confirmation_prompt=True))


def check_accounts(store: Any) -> None:
    """UsageError where nobody could log in to a desk that asks everybody to."""
    if not access.list_accounts(store):
        raise UsageError(
            "desk: expected an account, since others can reach this address, got none; "
            "run asymscreen desk account add NAME first"
        )
