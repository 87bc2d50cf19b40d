"""The README's command reference, made from `--help`. Run this file to write it into README.md again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from asymscreen.cli import cli

README = Path(__file__).parent.parent / "README.md"
BEGIN, END = "<!-- commands: made by tests/readme_commands.py -->", "<!-- end of commands -->"
WIDTH = 100


def help_of(command: click.Command, name: str) -> str:
    """The help text of a command as the terminal shows it, 100 columns wide."""
    # click remembers the help option that it first made, so its names are said here as the program says them
    shape: dict[str, Any] = {**cli.context_settings, "terminal_width": WIDTH, "max_content_width": WIDTH}
    with click.Context(command, info_name=name, **shape) as context:
        return command.get_help(context)


def reference() -> str:
    """Markdown of all commands, groups first opened, in the order of `asymscreen --help`."""
    parts: list[str] = []

    def add(command: click.Command, name: str) -> None:
        parts.append(f"```\n$ {name} --help\n{help_of(command, name)}\n```")
        if isinstance(command, click.Group):
            with click.Context(command) as context:
                for inner in command.list_commands(context):
                    found = command.get_command(context, inner)
                    if found is not None and not found.hidden:
                        add(found, f"{name} {inner}")

    add(cli, "asymscreen")
    return "\n\n".join(parts)


def with_reference(readme: str) -> str:
    """`readme` with the command reference of today between its marks."""
    head, _, rest = readme.partition(BEGIN)
    return f"{head}{BEGIN}\n\n{reference()}\n\n{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    README.write_text(with_reference(README.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
