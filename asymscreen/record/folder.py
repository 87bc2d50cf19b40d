"""The whole record, or one lifter's, as a folder of JSON and CSV with a data-package description, and back.

datapackage.json        describes every table (Frictionless data package)
record.json             every row without loss; what `import_record` reads
tables/*.csv            the same for a spreadsheet (and *.parquet if asked)
screens/ID/             screen.json, tracks.npz, tracks.csv.gz (and .c3d if asked), keyframes/*.jpg, the clip;
                        untouched.json and untouched.npz where a person corrected the screen
"""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select

import asymscreen
from asymscreen.document import ScreenDocument, read_document
from asymscreen.errors import AsymscreenError, RecordError
from asymscreen.motion.tidy import write_tracks
from asymscreen.record.faces import blur_faces
from asymscreen.record.models import Lifter, StoredKeyFrame, StoredScreen, StoredTracks, Untouched
from asymscreen.record.packing import unpack_tracks
from asymscreen.record.rows import from_plain, tables, to_plain
from asymscreen.record.shapes import ExportReport
from asymscreen.record.store import Store
from asymscreen.record.tables import write_tables
from asymscreen.record.volumes import write_c3d

SCHEMA = "asymscreen.record/1"
SCREEN_ID = re.compile(r"\d{8}-[a-z0-9]{6}")
KEPT_APART = ("tracks", "keyframe", "untouched", "job", "backup", "backup_entry", "erasure")
"""Not in record.json: blobs are files of their own; jobs, backups and erasures stay with their record."""
ADDED_LATER = ("correction", "hand_in")
"""Tables that a folder of an older version does not have."""
_OWNER = {
    "visit_step": ("visit_id", "visit"),
    "block_drill": ("block_id", "block"),
    "block_day": ("block_id", "block"),
    "correction": ("screen_id", "screen"),
}


def export_record(
    store: Store,
    folder: Path,
    *,
    code: str | None = None,
    parquet: bool = False,
    c3d: bool = False,
    blur: bool = False,
) -> ExportReport:
    """Write the record (or one lifter's complete data) into a new or empty folder, whole or not at all.

    `blur` hides faces in key frames and leaves clips out. RecordError for a folder that holds something, an
    unknown code, or where Parquet or C3D is asked without the export extra.
    """
    with _new_folder(folder) as draft:
        with _snapshot(store) as connection:
            rows = _rows(connection, code)
            if code is not None and not rows["lifter"]:
                raise RecordError(f"lifter {code[:80]}: expected a code in the record, got an unknown one")
            for screen in rows["screen"]:
                place = draft / "screens" / screen["id"]
                place.mkdir(parents=True)
                _write_screen(connection, store, screen, place, c3d=c3d, blur=blur)
        _write_json(
            draft / "record.json", {"schema": SCHEMA, "version": asymscreen.__version__, "tables": rows}
        )
        write_tables(draft, rows, parquet=parquet)
        files = sum(1 for file in draft.rglob("*") if file.is_file())
    return ExportReport(
        folder=str(folder), lifters=len(rows["lifter"]), screens=len(rows["screen"]), files=files
    )


def import_record(store: Store, folder: Path) -> ExportReport:
    """Add the lifters of an exported folder to the record, in one transaction.

    RecordError for a folder that is no export, or where a code or a screen is in the record already.
    """
    rows = _read_rows(folder)
    placed: list[Path] = []
    try:
        with store.engine.execution_options(asymscreen_write=True).begin() as connection:
            _refuse_known(connection, rows)
            _insert_rows(connection, rows)
            files = sum(_insert_files(connection, store, folder, screen, placed) for screen in rows["screen"])
    except BaseException as error:
        for path in placed:
            path.unlink(missing_ok=True)
        if isinstance(error, AsymscreenError):
            raise
        if isinstance(error, Exception):
            raise RecordError(
                f"{folder}: expected an exported record, got one that does not fit ({type(error).__name__})"
            ) from error
        raise
    return ExportReport(
        folder=str(folder), lifters=len(rows["lifter"]), screens=len(rows["screen"]), files=files
    )


@contextmanager
def _new_folder(folder: Path) -> Iterator[Path]:
    """A draft beside `folder` that takes its place at the end; on any error nothing is left."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordError(f"{folder}: expected a new or an empty folder, got one that holds something")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise RecordError(
            f"{folder}: expected to write there, got {error.strerror}; choose another"
        ) from error
    try:
        yield draft
        if folder.exists():
            folder.rmdir()
        os.replace(draft, folder)
    except OSError as error:
        raise RecordError(
            f"{folder}: expected to write there, got {error.strerror}; choose another"
        ) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)


@contextmanager
def _snapshot(store: Store) -> Iterator[Connection]:
    engine = store.engine
    if not store.is_sqlite:
        engine = engine.execution_options(isolation_level="REPEATABLE READ")
    with engine.connect() as connection:
        yield connection


def _rows(connection: Connection, code: str | None) -> dict[str, list[dict[str, Any]]]:
    """Rows by table as plain data, of one lifter or of all; documents are left to their files."""
    found: dict[str, list[dict[str, Any]]] = {}
    for table in tables():
        if table.name in KEPT_APART:
            continue
        query = select(*[c for c in table.columns if c.name != "document"]).order_by(
            *table.primary_key.columns
        )
        if code is not None and table.name == "lifter":
            query = query.where(table.c.code == code)
        elif code is not None and "lifter_id" in table.columns:
            query = query.where(table.c.lifter_id.in_([row["id"] for row in found["lifter"]]))
        elif code is not None and table.name in _OWNER:
            column, owner = _OWNER[table.name]
            query = query.where(table.c[column].in_([row["id"] for row in found[owner]]))
        found[table.name] = [
            {name: to_plain(value) for name, value in row.items()}
            for row in connection.execute(query).mappings()
        ]
    return found


def _write_screen(
    connection: Connection, store: Store, screen: dict[str, Any], place: Path, *, c3d: bool, blur: bool
) -> None:
    """One screen's files. Key frames get names of ours; `screen["keyframes"]` says which is which."""
    number = screen["id"]
    text = connection.scalar(select(StoredScreen.document).where(StoredScreen.id == number)) or ""
    (place / "screen.json").write_text(text, encoding="utf-8")
    before = connection.execute(
        select(Untouched.document, Untouched.npz).where(Untouched.screen_id == number)
    ).first()
    if before is not None:
        (place / "untouched.json").write_text(before.document, encoding="utf-8")
        (place / "untouched.npz").write_bytes(before.npz)
    npz = connection.scalar(select(StoredTracks.npz).where(StoredTracks.screen_id == number))
    tracks = None if npz is None else unpack_tracks(npz)
    if npz is not None and tracks is not None:
        (place / "tracks.npz").write_bytes(npz)
        write_tracks(tracks, place / "tracks.csv.gz")
        if c3d:
            write_c3d(tracks, place / "tracks.c3d")
    query = select(StoredKeyFrame.name, StoredKeyFrame.jpeg).where(StoredKeyFrame.screen_id == number)
    images = {name: jpeg for name, jpeg in connection.execute(query.order_by(StoredKeyFrame.id))}
    if blur:
        images = blur_faces(read_document(place / "screen.json"), images, tracks)
    screen["keyframes"] = {f"{k + 1:04d}.jpg": name for k, name in enumerate(images)}
    if images:
        (place / "keyframes").mkdir()
    for file, name in screen["keyframes"].items():
        (place / "keyframes" / file).write_bytes(images[name])
    clip = store.clips / screen["clip_file"] if screen["clip_file"] else None
    if blur or clip is None or not clip.is_file():
        screen["clip_file"] = ""
    else:
        shutil.copyfile(clip, place / f"clip{clip.suffix}")


def _write_json(path: Path, data: dict[str, Any]) -> None:
    path.write_text(json.dumps(data, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def _read_rows(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """record.json, checked: the schema, the tables, and ids that may be file names."""
    try:
        raw = json.loads((folder / "record.json").read_text(encoding="utf-8"))
        if raw["schema"] != SCHEMA:
            raise ValueError(f"schema {raw['schema']!r}")
        given = {name: [] for name in ADDED_LATER} | raw["tables"]
        rows = {table.name: list(given[table.name]) for table in tables() if table.name not in KEPT_APART}
        for screen in rows["screen"]:
            if not SCREEN_ID.fullmatch(screen["id"]):
                raise ValueError(f"a screen of the id {screen['id']!r}")
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise RecordError(
            f"{folder}: expected a folder that export wrote, got something else ({error})"
        ) from error
    return rows


def _refuse_known(connection: Connection, rows: dict[str, list[dict[str, Any]]]) -> None:
    for column, name in ((Lifter.code, "lifter"), (StoredScreen.id, "screen")):
        given = {row[column.key] for row in rows[name]}
        known = sorted(given & set(connection.scalars(select(column))))
        if known:
            raise RecordError(
                f"import: expected new ones, got {name} {', '.join(known[:5])} in the record already"
            )


def _insert_rows(connection: Connection, rows: dict[str, list[dict[str, Any]]]) -> None:
    """Insert with new numbers; what points at a number is pointed at the new one."""
    numbers: dict[str, dict[Any, Any]] = {}
    for table in tables():
        for row in rows.get(table.name, []):
            values = {
                k: v
                for k, v in from_plain(table, _without_extras(row)).items()
                if k != "id" or table.name == "screen"
            }
            for column in table.columns:
                for key in column.foreign_keys:
                    parent = key.column.table.name
                    if values.get(column.name) is not None and parent in numbers:
                        values[column.name] = numbers[parent][values[column.name]]
            if table.name == "screen":
                values |= {"document": "", "clip_file": ""}
            made = connection.execute(insert(table).values(**values)).inserted_primary_key
            assert made is not None
            if "id" in row:
                numbers.setdefault(table.name, {})[row["id"]] = made[0]


def _without_extras(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name != "keyframes"}


def _insert_files(
    connection: Connection, store: Store, folder: Path, screen: dict[str, Any], placed: list[Path]
) -> int:
    """A screen's document, tracks, key frames and clip; how many files were read."""
    place, number = folder / "screens" / screen["id"], screen["id"]
    text = (place / "screen.json").read_text(encoding="utf-8")
    ScreenDocument.model_validate_json(text)
    changes: dict[str, Any] = {"document": text}
    count = 1
    if (place / "tracks.npz").exists():
        npz = (place / "tracks.npz").read_bytes()
        unpack_tracks(npz)
        connection.execute(insert(StoredTracks).values(screen_id=number, npz=npz))
        count += 1
    if (place / "untouched.npz").exists():
        before = (place / "untouched.json").read_text(encoding="utf-8")
        ScreenDocument.model_validate_json(before)
        npz = (place / "untouched.npz").read_bytes()
        if npz:  # empty where no lifter had been found in the clip
            unpack_tracks(npz)
        connection.execute(insert(Untouched).values(screen_id=number, document=before, npz=npz))
        count += 2
    for k, name in enumerate(screen.get("keyframes", {}).values()):
        jpeg = (place / "keyframes" / f"{k + 1:04d}.jpg").read_bytes()
        connection.execute(insert(StoredKeyFrame).values(screen_id=number, name=name, jpeg=jpeg))
        count += 1
    suffix = Path(screen["clip_file"]).suffix
    if suffix in (".mp4", ".mkv") and (place / f"clip{suffix}").is_file():
        store.clips.mkdir(parents=True, exist_ok=True, mode=0o700)
        target = store.clips / f"{number}{suffix}"
        placed.append(target)
        shutil.copyfile(place / f"clip{suffix}", target)
        changes["clip_file"] = target.name
        count += 1
    connection.execute(StoredScreen.__table__.update().where(StoredScreen.id == number).values(**changes))  # type: ignore[attr-defined]
    return count
