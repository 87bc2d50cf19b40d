"""What every command of the record shares: `--home`, `--json`, and how its result is printed."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import click

from asymscreen.record.shapes import Shape, Written
from asymscreen.record.store import Store, open_store

Command = Callable[..., Any]


def home_option(command: Command) -> Command:
    """`--home DIR`."""
    return click.option(
        "--home",
        metavar="DIR",
        help="Folder of the record; by default ASYMSCREEN_HOME, else your data folder.",
    )(command)


def json_option(command: Command) -> Command:
    """`--json`: one document on standard output and nothing else."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")(
        command
    )


def shared(command: Command) -> Command:
    """`--home` and `--json`."""
    return home_option(json_option(command))


def opened(home: str | None) -> Store:
    """The record of `--home`."""
    return open_store(home)


def show_file(path: Path, as_json: bool) -> None:
    """Print which file was written."""
    show(Written(file=str(path)), as_json, [str(path)])


def show(result: Shape | Sequence[Shape], as_json: bool, lines: Sequence[str]) -> None:
    """Print a result: as JSON, or as lines for a person."""
    if as_json:
        plain = result.to_dict() if isinstance(result, Shape) else [one.to_dict() for one in result]
        click.echo(json.dumps(plain, ensure_ascii=False, indent=1))
        return
    for line in lines:
        click.echo(line)


class Day(click.ParamType[date]):
    """A day written as 2026-03-09."""

    name = "DAY"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(str(value))
        except ValueError:
            self.fail(f"expected a day like 2026-03-09, got {str(value)[:40]!r}", param, ctx)
