"""The command line: thin commands over the package. Heavy imports happen inside the commands.

Exit codes: 0 done, 1 a fault of ours, 2 wrong usage or an unreadable file, 3 nothing to screen, 130 stopped.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from asymscreen import __version__
from asymscreen.capture.sheet import VIEWS, Capture
from asymscreen.console import (
    DEBUG_VARIABLE,
    Bar,
    Deferred,
    Marks,
    Size,
    Stopwatch,
    check_writable,
    nothing,
    write_text,
)
from asymscreen.errors import ClipError, UsageError

if TYPE_CHECKING:
    from asymscreen.document import ScreenDocument
    from asymscreen.screen import Screen

DEMO = Path(__file__).parent / "demo"
HOME = click.option(
    "--home", metavar="DIR", help="Folder of the record; by default ASYMSCREEN_HOME, else your data folder."
)


@click.group(cls=Deferred, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="asymscreen", message="%(prog)s %(version)s")
@click.option("--debug", is_flag=True, envvar=DEBUG_VARIABLE, help="Show tracebacks of errors.")
def cli(debug: bool) -> None:
    """Does a lifter press alike on both sides, and how sure can one phone be of it?"""


def main() -> None:
    """Entry point of the `asymscreen` command; libraries' warnings are for developers, not for users."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # of small matrices: more only wait for one another
    if not os.environ.get(DEBUG_VARIABLE):
        warnings.simplefilter("ignore")
    cli(prog_name="asymscreen")


def capture_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The capture sheet as options; every one may be left out."""
    options = [
        click.option("--view", type=click.Choice(VIEWS), help="Where the phone stood."),
        click.option("--camera-height", "camera_height_m", type=float, metavar="M",
                     help="Height of the lens over the floor, metres."),
        click.option("--camera-distance", "camera_distance_m", type=float, metavar="M",
                     help="From the hips to the lens along the floor, metres."),
        click.option("--mirrored", is_flag=True, help="The clip is stored mirrored (front camera)."),
        click.option("--level", "level_marks", type=Marks(),
                     help="Two points in pixels on something level, to take out the camera's roll."),
        click.option("--roll", "roll_deg", type=float, metavar="DEG",
                     help="Camera roll if known, positive = picture turned clockwise."),
        click.option("--load", "load_kg", type=float, metavar="KG", help="Load on the bar, kilograms."),
        click.option("--one-rep-max", "one_rep_max_kg", type=float, metavar="KG",
                     help="One-rep maximum, kilograms."),
        click.option("--grip", metavar="WORDS",
                     help="Where the hands were, for example: ring finger on ring."),
        click.option("--lifter", metavar="CODE", help="The lifter's code: the screen goes into the record."),
    ]  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@dataclass(frozen=True)
class Wanted:
    """Where the results of a screen go: files, standard output, the record of `lifter` if one is named."""

    out: str | None
    json_file: str | None
    quiet: bool
    home: str | None
    lifter: str | None = None
    clip_kept: str | None = None
    filmed: datetime | None = None
    blur: bool = False

    @property
    def talks(self) -> bool:
        """True where standard output is free for the summary."""
        return not self.quiet and self.json_file != "-"

    def check(self) -> None:
        """UsageError before the work begins, where results could not be written."""
        if self.json_file:
            check_writable(self.json_file)
        if self.out:
            _folder(self.out)


@cli.command()
@click.argument("clip", required=False)
@capture_options
@click.option(
    "--tracks",
    metavar="FILE",
    help="Screen landmark tracks (CSV, CSV.GZ) or key points (COCO JSON, CSV, NPZ) instead of a clip.",
)
@click.option("--image-size", type=Size(), help="Picture size of the tracks, for example 1280x720.")
@click.option("--frame-rate", type=float, metavar="FPS", help="Frames a second of key points without times.")
@click.option("--out", metavar="DIR", help="Write report.html, screen.json and tracks.csv.gz to this folder.")
@click.option("--json", "json_file", metavar="FILE", help="Write the result document; - is standard output.")
@click.option("--keep-clip", is_flag=True, help="Keep the clip in the record too, if the lifter agreed.")
@click.option("--blur", is_flag=True, help="Blur all faces in the pictures, before anything is written.")
@click.option(
    "--filmed",
    type=click.DateTime(("%Y-%m-%d", "%Y-%m-%dT%H:%M")),
    metavar="DAY",
    help="With --lifter: when it was filmed, if not when the clip itself says.",
)
@click.option("--quiet", is_flag=True, help="No summary and no progress; errors only.")
@HOME
def screen(
    clip: str | None, tracks: str | None, image_size: tuple[int, int] | None, frame_rate: float | None,
    out: str | None, json_file: str | None, keep_clip: bool, blur: bool, filmed: datetime | None, quiet: bool,
    home: str | None, **sheet: Any,
) -> None:  # fmt: skip
    """Screen one clip: which side deviates, on what, by how much and how sure.

    CLIP is a video file of a bench-press set. Prints a summary; exit code 3 says that the clip could be read
    but holds nothing to screen.
    """
    capture = Capture(**sheet)
    wanted = Wanted(out, json_file, quiet, home, capture.lifter, clip if keep_clip else None, filmed, blur)
    if (clip is None) == (tracks is None):
        raise UsageError(
            "screen: expected one clip, or --tracks FILE with --image-size WxH; see asymscreen screen --help"
        )
    if filmed and not (capture.lifter and filmed <= datetime.now() + timedelta(days=1)):
        raise UsageError(
            f"--filmed: expected a day of the past and --lifter CODE with it, got {filmed:%Y-%m-%d}"
        )
    if keep_clip and not (clip and capture.lifter):
        raise UsageError("--keep-clip: expected a clip and --lifter CODE with it")
    if keep_clip and blur:
        raise UsageError("--blur: expected no --keep-clip with it, as a kept clip shows faces; leave one out")
    wanted.check()
    if capture.lifter:
        _check_lifter(capture.lifter, home, keep_clip)
    found = _run(clip, tracks, image_size, capture, quiet, frame_rate)
    _hand_out(found, wanted)


@cli.command()
@click.option("--out", metavar="DIR", help="Folder for the results; by default demo in the record's folder.")
@click.option("--open", "open_it", is_flag=True, help="Open the report in the browser.")
@click.option("--json", "as_json", is_flag=True, help="Print the result document and nothing else.")
@click.option("--quiet", is_flag=True, help="Name the report only, without summary and progress.")
@HOME
def demo(out: str | None, open_it: bool, as_json: bool, quiet: bool, home: str | None) -> None:
    """Screen the clip that the package ships, and name the report."""
    from asymscreen.record.store import find_home

    folder = _folder(out or str(find_home(home) / "demo"))
    capture = demo_capture()
    found = _run(str(DEMO / "demo.mp4"), None, None, capture, quiet or as_json)
    _hand_out(found, Wanted(str(folder), "-" if as_json else None, quiet, home))
    if not as_json and quiet:
        click.echo(str((folder / "report.html").resolve()))
    if open_it:
        click.launch(str((folder / "report.html").resolve()))


def demo_capture(folder: Path = DEMO) -> Capture:
    """The capture sheet of the demo clip, without its lifter (an invented code that no record knows)."""
    import json

    try:
        told = json.loads((folder / "sheet.json").read_text(encoding="utf-8"))
        return Capture(**{key: told[key] for key in Capture.__dataclass_fields__ if key in told})
    except (OSError, ValueError, TypeError) as error:
        raise ClipError(
            f"{folder}: expected the demo clip and its capture sheet; reinstall asymscreen"
        ) from error


@cli.command()
@click.argument("folder")
@click.option(
    "--out",
    metavar="DIR",
    required=True,
    help="Write validation.html, validation.json and readings.json.gz to this folder.",
)
@click.option("--no-sheet", is_flag=True, help="Leave the capture sheets out.")
@click.option("--fit", is_flag=True, help="Fit error model and re-test table to the screens; write them too.")
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes; one a core by default.")
@click.option(
    "--mirrored",
    type=click.IntRange(min=0),
    metavar="N",
    help="Screens that are screened as their mirror image as well.  [default: 24]",
)
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON and nothing else.")
def validate(
    folder: str, out: str, no_sheet: bool, fit: bool, workers: int | None, mirrored: int | None, as_json: bool
) -> None:  # fmt: skip
    """The instrument's error on clips or track files whose truth is known.

    FOLDER holds NAME.tracks.csv.gz or a clip NAME.mp4 beside NAME.truth.json; `asymscreen schema --truth`
    describes the truth file.
    """
    import json

    from asymscreen.validate import validate as run
    from asymscreen.validate import validation_text
    from asymscreen.validation.cases import MIRRORED

    with Bar(as_json) as bar:
        found = run(
            Path(folder), _folder(out), sheet=not no_sheet, fit=fit, workers=workers,
            mirrored=MIRRORED if mirrored is None else mirrored,
            progress=lambda done, of: bar("Solving the screens", done / of),
        )  # fmt: skip
    click.echo(json.dumps(found) if as_json else validation_text(found))
    if not as_json:
        click.echo(f"Report: {(Path(out) / 'validation.html').resolve()}")


@cli.command()
@click.argument("folder")
@click.option("--out", metavar="DIR", required=True, help="Folder of the results; run again, it goes on.")
@click.option("--sheet", metavar="FILE", help="Capture sheet (JSON) for clips that have none of their own.")
@click.option("--image-size", type=Size(), help="Picture size of track files, for example 1280x720.")
@click.option("--workers", type=int, metavar="N", help="Processes; one a core by default.")
@click.option("--cluster", metavar="ADDRESS", help="A Dask scheduler that does the work, tcp://HOST:PORT.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print what came of every clip as JSON and nothing else."
)
@click.option("--quiet", is_flag=True, help="No progress and no list; errors only.")
def batch(
    folder: str, out: str, sheet: str | None, image_size: tuple[int, int] | None, workers: int | None,
    cluster: str | None, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Screen every clip and track file in FOLDER; clips that cannot be screened are listed with the reason.

    Writes screens.csv (and .parquet with the export extra), index.html and one folder a clip. A capture sheet
    NAME.sheet.json beside a clip, or sheet.json for the whole folder, says what is known of it. Stopped and
    run again, it goes on where it was.
    """
    from asymscreen.batch import batch as run
    from asymscreen.batch import batch_json, batch_text

    with Bar(quiet or as_json) as bar:
        found = run(
            Path(folder), Path(out), sheet=Path(sheet) if sheet else None, image_size=image_size,
            workers=workers, cluster=cluster, progress=bar,
        )  # fmt: skip
    if as_json:
        write_text("-", batch_json(found) + "\n")
    elif not quiet:
        click.echo(batch_text(found))


@cli.command()
@click.argument("clip", required=False)
@click.option("--runs", type=int, default=5, show_default=True, metavar="N", help="Pairs of runs.")
@click.option("--no-yardstick", is_flag=True, help="Without the plain loop beside it.")
@click.option("--quiet", is_flag=True, help="No progress.")
def bench(clip: str | None, runs: int, no_yardstick: bool, quiet: bool) -> None:
    """Measure how fast a screen is beside a plain loop over all frames, and print JSON.

    CLIP is by default the one that the package ships. Each pair of runs is a screen and a loop that decodes
    every frame and runs the heavy landmarker on it, nothing else; figures are of whole processes.
    """
    import json

    from asymscreen.bench import bench as run

    with Bar(quiet) as bar:
        found = run(
            Path(clip) if clip else DEMO / "demo.mp4", runs=runs, yardstick=not no_yardstick, tell=bar
        )
    write_text("-", json.dumps(found, indent=1) + "\n")


@cli.command()
@click.option("--truth", is_flag=True, help="Of the truth file that validate reads.")
def schema(truth: bool) -> None:
    """Print the JSON Schema of the result document."""
    from asymscreen.schema import schema_text
    from asymscreen.validation.truth import truth_schema_text

    write_text("-", truth_schema_text() if truth else schema_text())


@cli.command()
def settings() -> None:
    """Print every threshold with its value, unit and source."""
    from asymscreen.settings import all_settings

    write_text("-", "".join(setting.line() + "\n" for setting in all_settings()))


def _run(
    clip: str | None, tracks: str | None, size: tuple[int, int] | None, capture: Capture, quiet: bool,
    rate: float | None = None,
) -> Screen:  # fmt: skip
    from asymscreen.screen import screen as screen_clip
    from asymscreen.screen import screen_tracks

    with Bar(quiet) as bar:
        watch = Stopwatch(bar)
        if tracks is not None:
            found = screen_tracks(Path(tracks), capture, size, "", watch, rate)
        else:
            found = screen_clip(str(clip), capture, watch)
    watch.write()
    return found


def _hand_out(found: Screen, wanted: Wanted) -> None:
    """Files, summary and record; NothingToScreen at the end where the clip held nothing to screen."""
    from asymscreen.report import text_summary
    from asymscreen.screen import Screen, write_screen

    if wanted.blur:
        found = _blurred(found)
    document = _told(found.document, wanted)
    given = Screen(document, found.tracks, found.images)
    report = write_screen(given, _folder(wanted.out))[0] if wanted.out else None
    if wanted.json_file:
        write_text(wanted.json_file, document.to_json() + "\n")
    if wanted.talks and found.usable:
        click.echo(text_summary(document) + "\n")
    if wanted.talks and report:
        click.echo(f"Report: {report.resolve()}")
    if wanted.lifter:
        _keep(found, wanted, wanted.lifter)
    if not found.usable:
        raise nothing(document.clip.name, document.capture.reasons)


def _blurred(found: Screen) -> Screen:
    from asymscreen.record.faces import blur_faces
    from asymscreen.screen import Screen

    return Screen(found.document, found.tracks, blur_faces(found.document, found.images, found.tracks))


def _folder(out: str) -> Path:
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{out}: expected a folder, could not make it ({error.strerror})") from error
    return folder


def _check_lifter(code: str, home: str | None, keep_clip: bool) -> None:
    from asymscreen.record.lifters import check_may_keep, check_may_screen
    from asymscreen.record.store import open_store

    with open_store(home) as store:
        check_may_screen(store, code)
        if keep_clip:
            check_may_keep(store, code)


def _told(document: ScreenDocument, wanted: Wanted) -> ScreenDocument:
    """What is handed out: with all that the record has to say about the lifter; kept is the bare document."""
    if not wanted.lifter:
        return document
    from asymscreen.record.screens import fresh_for_report
    from asymscreen.record.store import open_store

    with open_store(wanted.home) as store:
        return fresh_for_report(store, wanted.lifter, document)


def _keep(found: Screen, wanted: Wanted, code: str) -> None:
    from asymscreen.record.screens import add_screen
    from asymscreen.record.store import open_store

    clip = Path(wanted.clip_kept) if wanted.clip_kept else None
    filmed = wanted.filmed.astimezone() if wanted.filmed else None
    with open_store(wanted.home) as store:
        kept = add_screen(
            store, code, found.document, tracks=found.tracks, images=found.images, clip=clip, filmed_at=filmed
        )
    if wanted.talks:
        click.echo(f"Kept as {'' if found.usable else 'refused '}screen {kept.id} of lifter {code}.")
