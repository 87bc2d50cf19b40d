"""Commands on kept screens: list, report, compare, trend."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from asymscreen.document import ScreenDocument, read_document
from asymscreen.errors import RecordError
from asymscreen.record.commands.examples import example
from asymscreen.record.commands.printing import opened, shared, show, show_file
from asymscreen.record.screens import list_screens, remove_screen, screen_entry
from asymscreen.record.shapes import ScreenEntry


@click.command(epilog=example("screens"))
@click.argument("code")
@click.option(
    "--remove", "screen_id", metavar="ID", help="First remove this screen and all that is kept of it."
)
@click.option("--yes", is_flag=True, help="With --remove: yes; there is no way back.")
@shared
def screens(code: str, screen_id: str | None, yes: bool, home: str | None, as_json: bool) -> None:
    """List a lifter's screens, newest first, each with its id."""
    with opened(home) as store:
        if screen_id is not None:
            owner = screen_entry(store, screen_id).lifter
            if owner != code or not yes:
                raise RecordError(
                    f"screen {screen_id}: expected a screen of {code} and --yes to remove it, "
                    f"got one of {owner}{'' if yes else ' without --yes'}; there is no way back"
                )
            remove_screen(store, screen_id)
        found = list_screens(store, code)
    show(found, as_json, [_screen(e) for e in found] or [f"No screen of {code} yet."])


@click.command(epilog=example("report"))
@click.argument("screen_id", metavar="ID")
@click.option("--out", metavar="FILE", default="report.html", show_default=True, help="A .html or .pdf file.")
@click.option("--blur", is_flag=True, help="Blur all faces in the pictures.")
@shared
def report(screen_id: str, out: str, blur: bool, home: str | None, as_json: bool) -> None:
    """Write the report of a kept screen again, with the lifter's cautions of today."""
    from asymscreen.record.pages import pictures_of
    from asymscreen.record.pdf import write_page
    from asymscreen.record.screens import screen_for_report
    from asymscreen.report import render_report

    with opened(home) as store:
        document = screen_for_report(store, screen_id)
        page = render_report(document, pictures_of(store, screen_id, document, blur), written=date.today())
    show_file(write_page(page, Path(out)), as_json)


@click.command(epilog=example("joints"))
@click.argument("screen_id", metavar="ID")
@click.option("--out", metavar="FILE", default="joints.c3d", show_default=True, help="A .c3d file.")
@click.option("--picture", is_flag=True, help="The tracks in the picture instead, in pixels.")
@shared
def joints(screen_id: str, out: str, picture: bool, home: str | None, as_json: bool) -> None:
    """Write the joints of a kept screen as C3D, in millimetres: the press solved in space, rep by rep.

    One phone is no calibrated lab: the file says so. Needs the export extra.
    """
    from asymscreen.record.joints import write_joints
    from asymscreen.record.screens import read_tracks_of
    from asymscreen.record.volumes import write_c3d

    with opened(home) as store:
        tracks = read_tracks_of(store, screen_id) if picture else None
        if picture and tracks is None:
            raise RecordError(f"screen {screen_id}: expected kept tracks, found none; screen it anew")
        place = write_joints(store, screen_id, Path(out)) if tracks is None else write_c3d(tracks, Path(out))
    show_file(place, as_json)


@click.command(epilog=example("compare"))
@click.argument("earlier")
@click.argument("later")
@click.option("--out", metavar="FILE", help="Also write the comparison as a .html or .pdf page.")
@click.option("--blur", is_flag=True, help="With --out: blur all faces in the pictures.")
@shared
def compare(earlier: str, later: str, out: str | None, blur: bool, home: str | None, as_json: bool) -> None:
    """Compare two screens: EARLIER and LATER are ids of the record, or paths of result documents."""
    from asymscreen.record.compare import compare as compare_documents
    from asymscreen.record.pages import comparison_page, stored_comparison_page
    from asymscreen.record.pdf import write_page
    from asymscreen.record.trend import compare_screens

    one, two = _document(earlier), _document(later)
    if (one is None) != (two is None):
        raise RecordError(f"compare: expected two ids or two documents, got {earlier} and {later}")
    if one is not None and two is not None:
        found = compare_documents(one, two)
        sides = [(d, _pictures(Path(p), d, blur)) for d, p in ((one, earlier), (two, later))] if out else []
        page = comparison_page(found, *sides) if out else ""
    else:
        with opened(home) as store:
            found = compare_screens(store, earlier, later)
            page = stored_comparison_page(store, earlier, later, blur=blur) if out else ""
    if out:
        write_page(page, Path(out))
    if as_json:
        click.echo(found.to_json())
        return
    click.echo(found.summary)
    for name, change in found.measures.items():
        if change.verdict == "changed":
            click.echo(
                f"  {name}: {change.before:+.2f} to {change.after:+.2f} {change.unit}, {change.direction} "
                f"(needed {change.needed:.2f})"
            )
    for note in found.notes:
        click.echo(f"  {note}")


@click.command(epilog=example("trend"))
@click.argument("code")
@click.argument("measure")
@shared
def trend(code: str, measure: str, home: str | None, as_json: bool) -> None:
    """Show a measure over all screens of a lifter, with its error."""
    from asymscreen.record.trend import trend as trend_of

    with opened(home) as store:
        found = trend_of(store, code, measure)
    if as_json:
        click.echo(found.to_json())
        return
    for point in found.points:
        value = "not measurable" if point.value is None else f"{point.value:+.2f} {found.unit}"
        reach = "" if point.low is None or point.high is None else f" ({point.low:+.2f} to {point.high:+.2f})"
        click.echo(f"{point.filmed_at:%Y-%m-%d}  {point.screen}  {value}{reach}  {point.apart}".rstrip())


def _document(given: str) -> ScreenDocument | None:
    """The document of a path, or None where `given` is an id."""
    path = Path(given)
    is_path = path.suffix == ".json" or "/" in given or path.is_file()
    return read_document(path) if is_path else None


def _pictures(path: Path, document: ScreenDocument, blur: bool) -> dict[str, bytes]:
    """The key frames that lie beside a result document, as `screen --out` writes them."""
    from asymscreen.record.faces import blur_faces

    names = [frame.image for frame in document.keyframes if Path(frame.image).name == frame.image]
    images = {name: (path.parent / name).read_bytes() for name in names if (path.parent / name).is_file()}
    return blur_faces(document, images, None) if blur else images


def _screen(entry: ScreenEntry) -> str:
    load = "" if entry.load_kg is None else f"  {entry.load_kg:g} kg"
    held = "  (held back)" if entry.held_back else "" if entry.usable else "  (refused)"
    return f"{entry.id}  {entry.filmed_at:%Y-%m-%d %H:%M}{load}  {entry.view}  {entry.summary}{held}"
