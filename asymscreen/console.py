"""What every command shares: one sentence instead of a traceback, the progress bar, and option types."""

from __future__ import annotations

import errno
import os
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Any, ClassVar

import click

from asymscreen.errors import AsymscreenError, NothingToScreen, UsageError
from asymscreen.whole import write_whole

DEBUG_VARIABLE = "ASYMSCREEN_DEBUG"
TIMINGS_VARIABLE = "ASYMSCREEN_TIMINGS"
"""Names a file for the times at which the stages of a screen began; `asymscreen bench` reads it."""
FAULT = 1
"""Exit code of an unexpected fault: a bug of ours."""
STOPPED = 130
"""Exit code after Ctrl-C, as shells have it (128 + SIGINT)."""


class Guarded(click.Group):
    """A group of commands of which no error reaches the user as a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; AsymscreenError ends in its sentence and exit code, anything unexpected in 1."""
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except KeyboardInterrupt:
            click.echo("\nasymscreen: stopped", err=True)
            ctx.exit(STOPPED)
        except Exception as error:
            if isinstance(error, OSError) and error.errno == errno.EPIPE:
                raise  # the reader of our output went away: click ends quietly
            if debugging(ctx):
                click.echo(traceback.format_exc(), err=True)
            click.echo(f"asymscreen: {_sentence(error)}", err=True)
            ctx.exit(error.exit_code if isinstance(error, AsymscreenError) else FAULT)


class Deferred(Guarded):
    """A guarded group whose commands of record and desk are imported only when one of them is run.

    Importing the database takes longer than showing the help, so names and short help stand here; a test
    holds them to the commands themselves.
    """

    RECORD: ClassVar[dict[str, str]] = {
        "lifter": "The lifters: their codes, what they told, and pages about them.",
        "screens": "List a lifter's screens, newest first, each with its id.",
        "report": "Write the report of a kept screen again, with the lifter's cautions of today.",
        "joints": "Write the joints of a kept screen as C3D, in millimetres: the press solved in...",
        "compare": "Compare two screens: EARLIER and LATER are ids of the record, or paths of...",
        "trend": "Show a measure over all screens of a lifter, with its error.",
        "suggest": "What a coach might look at next after a screen.",
        "drill": "The drills and the table of considerations, which you may edit.",
        "visit": "A screening visit, step by step.",
        "block": "Corrective blocks: what is done, on which side, how much, and when.",
        "due": "List the re-screens that are due.",
        "export": "Write the whole record to a new folder of JSON and CSV with a data-package...",
        "import": "Add the lifters of an exported folder to the record.",
        "backup": "Write the whole record into one new file.",
        "restore": "Put a backup in place of the record; erased lifters stay erased.",
        "tidy": "Clear what erasures left in the database's files, and clips that no screen...",
    }

    DESK: ClassVar[dict[str, str]] = {
        "desk": "Serve the coach's pages on this machine, until Ctrl-C.",
        "link": "Links through which a remote client hands clips in.",
        "inbox": "Take in the clips that arrive in a folder, each for the lifter whose code...",
    }

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All names, in order of the alphabet."""
        return sorted([*super().list_commands(ctx), *self.RECORD, *self.DESK])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name; those of record and desk are imported now."""
        if cmd_name in self.DESK:
            from asymscreen.desk.commands import COMMANDS as DESK_COMMANDS

            return next(command for command in DESK_COMMANDS if command.name == cmd_name)
        if cmd_name not in self.RECORD:
            return super().get_command(ctx, cmd_name)
        from asymscreen.record.commands import COMMANDS

        return next(command for command in COMMANDS if command.name == cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands in the help, without importing the record."""
        rows = []
        for name in self.list_commands(ctx):
            own = super().get_command(ctx, name)
            rows.append((name, own.get_short_help_str(80) if own else (self.RECORD | self.DESK)[name]))
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def debugging(ctx: click.Context) -> bool:
    """True where `--debug` or ASYMSCREEN_DEBUG asks for tracebacks."""
    return bool(ctx.find_root().params.get("debug"))


def _sentence(error: Exception) -> str:
    if isinstance(error, AsymscreenError):
        return str(error)
    said = " ".join(str(error).split()) or "nothing said"
    if isinstance(error, ImportError | OSError) and "shared object file" in said:
        return (
            f"a system library is missing ({said.split(':')[0]}); on Debian or Ubuntu run: "
            "apt-get install libegl1 libgles2 libgl1"
        )
    if isinstance(error, MemoryError):
        return "the memory of this machine did not suffice; close other programs, or give a shorter clip"
    if isinstance(error, ImportError):
        return f"a part of the installation is missing ({said}); install asymscreen again"
    return (
        f"an unexpected fault stopped this command ({type(error).__name__}: {said[:200]}); "
        f"run it again with {DEBUG_VARIABLE}=1 and report what it prints"
    )


class Bar:
    """A progress bar on standard error; silent where it is no terminal or `quiet` is set."""

    def __init__(self, quiet: bool = False, stream: IO[str] | None = None) -> None:
        self._stream = stream or sys.stderr
        self._bar: Any = None
        if not quiet and self._stream.isatty():
            from tqdm import tqdm

            form = "{desc} {percentage:3.0f} % |{bar}| {elapsed}"
            self._bar = tqdm(total=1.0, file=self._stream, leave=False, bar_format=form, dynamic_ncols=True)

    def __call__(self, stage: str, share: float) -> None:
        """Show the stage in plain words and the share of it that is done, 0 to 1."""
        if self._bar is not None:
            self._bar.set_description_str(stage, refresh=False)
            self._bar.n = min(max(share, 0.0), 1.0)
            self._bar.refresh()

    def __enter__(self) -> Bar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.close()


class Stopwatch:
    """Passes progress on and notes when each stage began; writes it where TIMINGS_VARIABLE names a file.

    The file holds [stage, seconds since 1970, seconds of processor time of this process until then].
    """

    def __init__(self, tell: Callable[[str, float], None]) -> None:
        self._tell = tell
        self._begun: list[tuple[str, float, float]] = []

    def __call__(self, stage: str, share: float) -> None:
        """Take progress as a screen gives it."""
        if not self._begun or self._begun[-1][0] != stage:
            self._begun.append((stage, time.time(), time.process_time()))
        self._tell(stage, share)

    def write(self) -> None:
        """Write the file, if one is asked for."""
        if os.environ.get(TIMINGS_VARIABLE):
            import json

            write_text(os.environ[TIMINGS_VARIABLE], json.dumps(self._begun))


class Size(click.ParamType[tuple[int, int]]):
    """`WxH` in pixels, for example 1280x720."""

    name = "WxH"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        parts = str(value).lower().split("x")
        if len(parts) != 2 or not all(part.isascii() and part.isdigit() and int(part) for part in parts):
            self.fail(f"expected width and height in pixels like 1280x720, got {value!r}", param, ctx)
        return int(parts[0]), int(parts[1])


class Marks(click.ParamType[tuple[tuple[float, float], tuple[float, float]]]):
    """`X,Y,X,Y` in pixels: two points on something level."""

    name = "X,Y,X,Y"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        try:
            numbers = [float(part) for part in str(value).split(",")]
        except ValueError:
            numbers = []
        if len(numbers) != 4 or not all(abs(number) < 1e5 for number in numbers):
            self.fail(f"expected two points in pixels like 100,400,1180,402, got {value!r}", param, ctx)
        if numbers[:2] == numbers[2:]:
            self.fail(f"expected two points that differ, got {value!r}", param, ctx)
        return (numbers[0], numbers[1]), (numbers[2], numbers[3])


def write_text(path: str, text: str) -> None:
    """Write UTF-8 text to a file, or to standard output for `-`. UsageError where it cannot be written."""
    if path == "-":
        click.echo(text.encode("utf-8", "replace"), nl=False)
        return
    try:
        if os.path.exists(path) and not os.path.isfile(path):  # a pipe or a device
            with open(path, "w", encoding="utf-8", newline="\n") as file:
                file.write(text)
        else:
            write_whole(Path(path), text.encode("utf-8", "replace"))
    except OSError as error:
        raise UsageError(
            f"{path}: expected a file to write to, could not ({error.strerror}); choose another"
        ) from error


def check_writable(path: str) -> None:
    """UsageError now rather than after minutes of work, where `write_text` could not write."""
    if path == "-":
        return
    folder = os.path.dirname(os.path.abspath(path))
    if os.path.isdir(path) or not os.path.isdir(folder) or not os.access(folder, os.W_OK):
        raise UsageError(f"{path}: expected a file in a folder that can be written to; choose another")


def nothing(name: str, reasons: list[str]) -> NothingToScreen:
    """The error with which a readable clip that holds nothing to screen ends."""
    return NothingToScreen(f"{name}: nothing to screen. {' '.join(reasons)}")
