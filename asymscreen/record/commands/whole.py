"""Commands on the whole record: export, import, backup, restore."""

from __future__ import annotations

from pathlib import Path

import click

from asymscreen.record import backup as copies
from asymscreen.record.commands.examples import example
from asymscreen.record.commands.printing import opened, shared, show
from asymscreen.record.shapes import BackupReport, ExportReport, RestoreReport
from asymscreen.report.wording import counted


@click.command(epilog=example("export"))
@click.argument("folder", metavar="DIR")
@click.option("--lifter", "code", metavar="CODE", help="One lifter's complete data only.")
@click.option("--parquet", is_flag=True, help="Also write the tables as Parquet.")
@click.option("--c3d", is_flag=True, help="Also write the joint tracks as C3D, marked as uncalibrated.")
@click.option("--blur", is_flag=True, help="Blur faces in key frames and leave clips out.")
@shared
def export(
    folder: str, code: str | None, parquet: bool, c3d: bool, blur: bool, home: str | None, as_json: bool
) -> None:
    """Write the whole record to a new folder of JSON and CSV with a data-package description."""
    from asymscreen.record.folder import export_record

    with opened(home) as store:
        found = export_record(store, Path(folder), code=code, parquet=parquet, c3d=c3d, blur=blur)
    show(
        found,
        as_json,
        [f"Wrote {_both(found)}, {counted(found.files, 'file')} to {folder}."],
    )


@click.command("import", epilog=example("import"))
@click.argument("folder", metavar="DIR")
@shared
def import_(folder: str, home: str | None, as_json: bool) -> None:
    """Add the lifters of an exported folder to the record."""
    from asymscreen.record.folder import import_record

    with opened(home) as store:
        found = import_record(store, Path(folder))
    show(found, as_json, [f"Added {_both(found)}."])


@click.command(epilog=example("backup"))
@click.argument("file")
@shared
def backup(file: str, home: str | None, as_json: bool) -> None:
    """Write the whole record into one new file."""
    with opened(home) as store:
        found = copies.backup(store, Path(file))
    show(found, as_json, [f"Backed up {_both(found)} to {found.file}."])


@click.command(epilog=example("restore"))
@click.argument("file")
@click.option("--replace", is_flag=True, help="Replace a record that holds lifters.")
@shared
def restore(file: str, replace: bool, home: str | None, as_json: bool) -> None:
    """Put a backup in place of the record; erased lifters stay erased."""
    with opened(home) as store:
        found = copies.restore(store, Path(file), replace=replace)
    lines = [f"Restored {_both(found)}."]
    if found.left_erased:
        lines.append(f"{found.left_erased} lifters were erased since this backup and were not brought back.")
    show(found, as_json, lines)


def _both(found: ExportReport | BackupReport | RestoreReport) -> str:
    return f"{counted(found.lifters, 'lifter')} with {counted(found.screens, 'screen')}"


@click.command(epilog=example("tidy"))
@shared
def tidy(home: str | None, as_json: bool) -> None:
    """Clear what erasures left in the database's files, and clips that no screen names."""
    from asymscreen.record.erase import tidy as clear
    from asymscreen.record.shapes import TidyReport

    with opened(home) as store:
        found = TidyReport(notes=clear(store))
    show(found, as_json, found.notes or ["All clear."])
