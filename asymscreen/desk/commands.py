"""The `desk` command: serve the pages, and open the browser."""

from __future__ import annotations

import os
import socket
import ssl
import threading
import webbrowser
from dataclasses import replace
from pathlib import Path

import click

from asymscreen.desk.client_commands import account, check_accounts, inbox, link, log
from asymscreen.desk.options import HOST, PORT, DeskSettings
from asymscreen.errors import UsageError
from asymscreen.workers import ONE_THREAD

PLAIN = (
    "Others reach this desk without https: passwords and clips can be read on the way. Put a proxy with a "
    "certificate before it, or give --tls-cert and --tls-key."
)


@click.group(invoke_without_command=True)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=PORT,
    show_default=True,
    metavar="N",
    help="Port to serve on; 0 takes a free one.",
)
@click.option(
    "--host",
    default=HOST,
    show_default=True,
    metavar="ADDRESS",
    help="Address to serve on; any but this machine's own needs a login.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="HOST",
    help="Name by which others reach the desk, as through a proxy; may be given again.",
)
@click.option("--tls-cert", metavar="FILE", help="Certificate (PEM), so that pages are served by https.")
@click.option("--tls-key", metavar="FILE", help="The certificate's private key (PEM).")
@click.option("--no-open", is_flag=True, help="Do not open the browser.")
@click.option("--home", metavar="DIR",
              help="Folder of the record; by default ASYMSCREEN_HOME, else your data folder.")  # fmt: skip
@click.pass_context
def desk(
    ctx: click.Context, port: int, host: str, names: tuple[str, ...], tls_cert: str | None,
    tls_key: str | None, no_open: bool, home: str | None,
) -> None:  # fmt: skip
    """Serve the coach's pages on this machine, until Ctrl-C."""
    if ctx.invoked_subcommand is not None:
        return
    _check_certificate(tls_cert, tls_key)
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    try:
        import uvicorn

        from asymscreen.desk.app import create_app
    except ImportError as error:
        raise UsageError(
            f"desk: expected its extra, {error.name} is missing; pip install 'asymscreen[desk]'"
        ) from error

    settings = _settings(host, port, names, home)
    listener = _listen(host, port)
    settings = replace(settings, port=listener.getsockname()[1])
    app = create_app(settings)
    scheme, shown = "https" if tls_cert else "http", f"[{host}]" if ":" in host else host
    address = f"{scheme}://{shown}:{settings.port}/"
    click.echo(f"The desk is at {address} (Ctrl-C ends it).")
    if settings.guarded and not tls_cert:
        click.echo(PLAIN, err=True)
    if not no_open:
        threading.Timer(0.5, webbrowser.open, [address]).start()
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=2,
        ssl_certfile=tls_cert, ssl_keyfile=tls_key,
    )  # fmt: skip
    uvicorn.Server(config).run(sockets=[listener])


def _check_certificate(cert: str | None, key: str | None) -> None:
    """UsageError now where pages could not be served with this certificate and key."""
    if bool(cert) != bool(key):
        raise UsageError("desk: expected --tls-cert and --tls-key together, got one of them")
    if cert is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password=_no_password)
    except (OSError, ValueError) as error:  # SSLError is an OSError
        said = error.strerror if isinstance(error, FileNotFoundError | PermissionError) else "they do not fit"
        raise UsageError(
            f"desk: expected a certificate and its private key without a password (PEM), got {cert} and "
            f"{key}: {said}"
        ) from error


def _no_password() -> str:
    raise ValueError("the key asks for a password")


def _settings(host: str, port: int, names: tuple[str, ...], home: str | None) -> DeskSettings:
    """The desk's settings. UsageError where others could reach it and nobody could log in."""
    from asymscreen.record.store import find_home, open_store

    place = Path(find_home(home)).expanduser().absolute()
    settings = DeskSettings(place, host, port, tuple(name.lower() for name in names))
    if settings.guarded:
        with open_store(place) as store:
            check_accounts(store)
    return settings


def _listen(host: str, port: int) -> socket.socket:
    """A socket that is bound now, so that a port in use is one sentence."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise UsageError(
            f"desk: expected to serve on {host} port {port}, could not ({error.strerror}); "
            "choose another with --port, or end the desk that runs there"
        ) from error
    return listener


desk.add_command(account)
desk.add_command(log)
COMMANDS: tuple[click.Command, ...] = (desk, link, inbox)
"""What the command line mounts."""
