"""Many clips: a folder in, one folder of results out, again and again without repeating what is finished.

    OUT/screens/NAME/   report.html, screen.json, tracks.csv.gz, key frames; item.json says what came of it
    OUT/screens.csv     one row a clip (and screens.parquet with the export extra)
    OUT/index.html      the same to look through

Workers hand results back and only this process writes, each result whole or not at all: `item.json` names
the digest of the clip, its capture sheet and what screened it; a later run repeats what differs in any.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from asymscreen import __version__
from asymscreen.batch_item import Item, Result, screen_item
from asymscreen.batch_table import Row, row_of, write_tables
from asymscreen.capture.sheet_file import SheetFile, as_capture, read_sheet, sheet_for
from asymscreen.errors import AsymscreenError, UsageError
from asymscreen.whole import file_digest
from asymscreen.workers import Lost, cores, run_jobs

CLIPS = (".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".3gp")
TRACKS = (".tracks.csv.gz", ".tracks.csv", ".tracks.parquet", ".csv.gz", ".csv", ".parquet")
NOTE = "item.json"
SCHEMA = "asymscreen.batch-item/1"
LIMIT_S = 1800.0  # seconds for one clip; the longest that is taken, 3 minutes, needs a tenth of it
FINAL = ("screened", "nothing to screen", "not readable")
"""What a later run does not repeat; what failed may have been the machine's fault."""

Progress = Callable[[str, float], None]
Runner = Callable[[Sequence[Item]], Iterator[tuple[int, Any]]]


@dataclass(frozen=True)
class Report:
    """What came of a batch: one row a clip in order of name, how many were done now, and the files."""

    rows: tuple[Row, ...]
    done_now: int
    files: tuple[Path, ...]

    def count(self, status: str) -> int:
        return sum(row.status == status for row in self.rows)


def batch(
    folder: Path,
    out: Path,
    *,
    sheet: Path | None = None,
    image_size: tuple[int, int] | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> Report:
    """Screen every clip and track file under `folder` into `out`; see the module.

    sheet        capture sheet for clips that have none of their own
    image_size   (width, height) in pixels of track files whose sheet does not say it
    workers      processes, by default one a core; `cluster` names a Dask scheduler to use instead
    progress     called with words and the share that is done, 0 to 1
    UsageError for a folder without clips, an output that cannot be written, a scheduler that does not answer.
    """
    base = SheetFile(image_size=image_size) if image_size else SheetFile()
    base = read_sheet(sheet, base) if sheet else base
    names = find_items(folder, out)
    with Drawer(out) as drawer:
        made_by = _made_by()
        tell = progress or (lambda stage, share: None)
        looked = [_open_item(folder, name, base, drawer, made_by) for name in names]
        todo = [item for item in looked if item is not None]
        run = _runner(workers, cluster)
        finished = len(names) - len(todo)
        for count, (place, result) in enumerate(run(todo) if todo else ()):
            drawer.keep(todo[place], _as_result(result), made_by)
            done = finished + count + 1
            tell(f"{done} of {len(names)} clips", done / len(names))
        rows = tuple(row_of(name, drawer.place(name), drawer.note(name)) for name in names)
        files = (*write_tables(rows, drawer.out), drawer.write_index(rows))
    return Report(rows, len(todo), files)


def find_items(folder: Path, out: Path | None = None) -> list[str]:
    """Clips and track files under `folder`, named by their path in it, sorted; `out` is left out.

    Hidden files and links are passed over. UsageError where there is none.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: expected a folder of clips, found none; check the name")
    found = []
    for here, folders, files in os.walk(folder):
        place = Path(here)
        folders[:] = sorted(f for f in folders if not f.startswith(".") and not _same(place / f, out))
        for file in files:
            path = place / file
            known = file.lower().endswith(CLIPS + TRACKS) and not file.startswith(".")
            if known and path.is_file() and not path.is_symlink():
                found.append(path.relative_to(folder).as_posix())
    if not found:
        raise UsageError(
            f"{folder}: expected clips ({' '.join(CLIPS)}) or track files, found none; name another folder"
        )
    return sorted(found)


def stem_of(name: str) -> str:
    """The file name without its ending, as the capture sheet beside it is named."""
    last = name.rpartition("/")[2]
    ending = next((e for e in CLIPS + TRACKS if last.lower().endswith(e)), "")
    return last[: len(last) - len(ending)]


class Drawer:
    """The folder of results: one process at a time, every result whole or absent.

    UsageError where it cannot be written, is full, or another batch has it.
    """

    def __init__(self, out: Path) -> None:
        self.out = out
        self._lock: Any = None

    def __enter__(self) -> Drawer:
        with self._writing():
            (self.out / "screens").mkdir(parents=True, exist_ok=True)
            self._lock = (self.out / ".lock").open("a")
        if not _lock(self._lock):
            self._lock.close()
            raise UsageError(
                f"{self.out}: expected a folder for this batch alone, another batch is at work there"
            )
        return self

    def __exit__(self, *_: object) -> None:
        self._lock.close()

    def place(self, name: str) -> Path:
        """Where the results of an item lie."""
        return self.out / "screens" / name

    def note(self, name: str) -> dict[str, Any]:
        """What is written of an item; empty where nothing is, or nothing that can be read."""
        try:
            note = json.loads((self.place(name) / NOTE).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        return note if isinstance(note, dict) and note.get("schema") == SCHEMA else {}

    def keep(self, item: Item, result: Result, made_by: dict[str, str]) -> None:
        """Put a result in its place, in one step."""
        note = {
            "schema": SCHEMA,
            "status": result.status,
            "reason": result.reason,
            "seconds": result.seconds,
            **_fingerprint(item, made_by),
        }
        draft, place = self.out / ".draft", self.place(item.name)
        with self._writing():
            _remove(draft)
            draft.mkdir()
            for name, data in result.files.items():
                (draft / name).write_bytes(data)
            (draft / NOTE).write_text(json.dumps(note, indent=1), encoding="utf-8")
            place.parent.mkdir(parents=True, exist_ok=True)
            _remove(place)
            draft.rename(place)

    def write_index(self, rows: Sequence[Row]) -> Path:
        """The page to look through, written anew."""
        from asymscreen.report.index import render_index

        draft = self.out / ".index.html"
        with self._writing():
            draft.write_text(render_index([asdict(row) for row in rows]), encoding="utf-8", newline="\n")
            draft.replace(self.out / "index.html")
        return self.out / "index.html"

    def _writing(self) -> _Writing:
        return _Writing(self.out)


class _Writing:
    """OSError while writing becomes one sentence."""

    def __init__(self, out: Path) -> None:
        self._out = out

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        if isinstance(error, OSError):
            raise UsageError(
                f"{self._out}: expected to write results there, got {error.strerror or error}; make room or "
                "choose another, then run it again: what is finished is kept"
            ) from error


def _open_item(
    folder: Path, name: str, base: SheetFile, drawer: Drawer, made_by: dict[str, str]
) -> Item | None:
    """The item, or None if it is done already; a sheet that cannot be read is its result."""
    path = folder / name
    bare = Item(name, str(path.absolute()))
    try:
        sheet = sheet_for(path, stem_of(name), base)
        item = replace(bare, capture=as_capture(sheet))
        if name.lower().endswith(TRACKS):
            if sheet.image_size is None:
                raise UsageError(
                    f"{name}: expected the picture size of tracks in its sheet, or --image-size WxH"
                )
            item = replace(item, image_size=sheet.image_size)
    except AsymscreenError as error:
        drawer.keep(bare, Result("not readable", str(error)), made_by)
        return None
    note = drawer.note(name)
    same = {key: note.get(key) for key in ("sheet", "made_by")} == _plain(item, made_by)
    done = note.get("status") in FINAL and same and note.get("sha256") == _digest(path)
    return None if done else item


def _plain(item: Item, made_by: dict[str, str]) -> dict[str, Any]:
    sheet = asdict(item.capture) | {"image_size": item.image_size}
    return {"sheet": json.loads(json.dumps(sheet)), "made_by": made_by}


def _fingerprint(item: Item, made_by: dict[str, str]) -> dict[str, Any]:
    return {"sha256": _digest(Path(item.path)), **_plain(item, made_by)}


def _digest(path: Path) -> str:
    try:
        return file_digest(path)
    except OSError:
        return ""


def _made_by() -> dict[str, str]:
    """What screens: a later run repeats what another made. ModelError here rather than once a clip."""
    from asymscreen.landmarks.model import verified_bundle
    from asymscreen.scoring.noise import load_error_model

    return {
        "version": __version__,
        "landmark_model": verified_bundle()[1],
        "error_model": load_error_model().version,
    }


def _runner(workers: int | None, cluster: str | None) -> Runner:
    if cluster is not None:
        from asymscreen.cluster import run_on_cluster

        return lambda items: run_on_cluster(screen_item, items, cluster)
    count = workers if workers is not None else cores()
    if count < 1:
        raise UsageError(f"workers: expected 1 or more, got {count}; leave it out for one a core")
    return lambda items: run_jobs(screen_item, items, count, LIMIT_S)


def _as_result(result: Any) -> Result:
    if isinstance(result, Lost):
        return Result("failed", result.reason)
    if not isinstance(result, Result) or result.version != __version__:
        return Result("failed", f"a worker has another version of asymscreen; install {__version__} there")
    return result


def _same(path: Path, other: Path | None) -> bool:
    return other is not None and path.resolve() == other.resolve()


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    elif path.exists() or path.is_symlink():
        path.unlink()


def _lock(file: Any) -> bool:
    """True where nobody else holds the file; the lock goes with the process, however it ends."""
    try:
        import fcntl
    except ImportError:
        import msvcrt

        lock, how = msvcrt.locking, msvcrt.LK_NBLCK  # type: ignore[attr-defined]
        try:
            lock(file.fileno(), how, 1)
        except OSError:
            return False
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def batch_text(report: Report) -> str:
    """What came of a batch in lines of plain text; what was not screened with its reason."""
    rows = report.rows
    lines = [f"{len(rows)} clips, {report.done_now} of them done now: {report.count('screened')} screened."]
    lines += [f"{row.clip}: {row.status}. {row.reason}" for row in rows if row.status != "screened"]
    lines += [f"{'Page' if file.suffix == '.html' else 'Table'}: {file.resolve()}" for file in report.files]
    return "\n".join(lines)


def batch_json(report: Report) -> str:
    """The same as one JSON document."""
    found = {
        "schema": "asymscreen.batch/1",
        "clips": [row.flat() for row in report.rows],
        "done_now": report.done_now,
        "files": [str(file.resolve()) for file in report.files],
    }
    return json.dumps(found, ensure_ascii=False, indent=1)
