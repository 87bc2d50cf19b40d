"""The `desk` command: serve the pages, and open the browser."""

from __future__ import annotations

import socket
import threading
import webbrowser
from pathlib import Path

import click

from asymscreen.desk.options import HOST, PORT
from asymscreen.errors import UsageError


@click.command()
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
@click.option("--no-open", is_flag=True, help="Do not open the browser.")
@click.option("--home", metavar="DIR",
              help="Folder of the record; by default ASYMSCREEN_HOME, else your data folder.")  # fmt: skip
def desk(port: int, host: str, no_open: bool, home: str | None) -> None:
    """Serve the coach's pages on this machine, until Ctrl-C."""
    try:
        import uvicorn

        from asymscreen.desk.app import create_app
    except ImportError as error:
        raise UsageError(
            f"desk: expected its extra, {error.name} is missing; pip install 'asymscreen[desk]'"
        ) from error
    from asymscreen.desk.options import DeskSettings
    from asymscreen.record.store import find_home

    listener = _listen(host, port)
    port = listener.getsockname()[1]
    settings = DeskSettings(Path(find_home(home)).expanduser().absolute(), host, port)
    app = create_app(settings)
    address = f"http://{f'[{host}]' if ':' in host else host}:{port}/"
    click.echo(f"The desk is at {address} (Ctrl-C ends it).")
    if not no_open:
        threading.Timer(0.5, webbrowser.open, [address]).start()
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=2
    )
    uvicorn.Server(config).run(sockets=[listener])


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


COMMANDS: tuple[click.Command, ...] = (desk,)
"""What the command line mounts."""
