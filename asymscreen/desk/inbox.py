"""A folder in which clips arrive: each is matched to a lifter and screened, or put aside with the reason.

The lifter's code stands at the start of the file's name (`L-014 set 2.mp4`) or is the name of the sub-folder
in which the file lies. A capture sheet may lie beside the clip (`L-014 set 2.sheet.json`). Clips that were
taken move to the sub-folder `taken`, the others to `aside`, each with a text file that says why.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from asymscreen.capture.sheet import Capture
from asymscreen.capture.sheet_file import OWN, SheetFile, as_capture, sheet_for
from asymscreen.desk.sandbox import look_at
from asymscreen.desk.uploads import SNIFFED, Limits, sniff
from asymscreen.errors import AsymscreenError, ClipError, UsageError
from asymscreen.record import access
from asymscreen.record import hand_ins as rows
from asymscreen.record.lifters import list_lifters, now
from asymscreen.record.store import Store
from asymscreen.whole import file_digest

TAKEN, ASIDE = "taken", "aside"
PARTIAL = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", ".filepart", "~")
"""Ends of names that copying programs give to files that are not whole yet."""
SHEETS = ".json"
SETTLE_S = 3.0
"""A file whose size and time have not changed for so long is whole, seconds; ours, no source."""
GIVE_UP_S = 300.0
"""A clip that looks cut short is waited for, as long as it was changed within so many seconds."""
NOBODY = (
    "No lifter was found for this clip. Begin its name with a lifter's code, such as L-014, or lay it into a "
    "folder of that name."
)
KNOWN = "This very clip was handed in before."
NO_CLIP = "This is not a video clip."
LARGE = "The clip is larger than {size} MB; cut it to the set that you want to screen."

Submit = Callable[[Path, str, Capture, str], str]
"""Takes a clip, its lifter, its capture sheet and its name in, and gives the id of its job."""


@dataclass(frozen=True)
class Handled:
    """What became of one file: `outcome` is taken (with its `job`) or aside (with the reason in `said`)."""

    file: str
    outcome: str
    lifter: str = ""
    job: str = ""
    said: str = ""

    def to_dict(self) -> dict[str, str]:
        """Plain data for JSON."""
        return {
            "file": self.file,
            "outcome": self.outcome,
            "lifter": self.lifter,
            "job": self.job,
            "said": self.said,
        }


@dataclass
class Inbox:
    """Watches one folder. `submit` takes a clip in; `clock` gives seconds."""

    store: Store
    folder: Path
    submit: Submit
    clock: Callable[[], float] = time.time
    limits: Limits = field(default_factory=Limits)
    _seen: dict[Path, tuple[int, int, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folder = _checked(self.folder, self.store.home)

    def look(self) -> list[Handled]:
        """Go through the folder once; what was taken or put aside. Files that still change are left."""
        found = sorted(_files(self.folder))
        self._seen = {path: seen for path, seen in self._seen.items() if path in set(found)}
        codes = [lifter.code for lifter in list_lifters(self.store)]
        done = [self._handle(path, codes) for path in found if self._settled(path)]
        return [one for one in done if one is not None]

    @property
    def waiting(self) -> int:
        """How many files still change, or were seen for the first time."""
        return len(self._seen)

    def _settled(self, path: Path) -> bool:
        try:
            state = path.lstat()
        except OSError:
            return False
        size, changed, since = self._seen.get(path, (-1, -1, 0.0))
        if (size, changed) != (state.st_size, state.st_mtime_ns):
            self._seen[path] = (state.st_size, state.st_mtime_ns, self.clock())
            return False
        return self.clock() - since >= SETTLE_S

    def _handle(self, path: Path, codes: list[str]) -> Handled | None:
        name = str(path.relative_to(self.folder))
        try:
            code, job = self._take(path, codes)
        except (StillArrivingError, OSError):
            return None  # still on its way, or gone again
        except AsymscreenError as error:
            said = str(error).removeprefix(f"{path.name}: ")
            _move(path, self.folder / ASIDE, said)
            self._seen.pop(path, None)
            return Handled(name, "aside", said=said)
        _move(path, self.folder / TAKEN, "")
        self._seen.pop(path, None)
        return Handled(name, "taken", code, job)

    def _take(self, path: Path, codes: list[str]) -> tuple[str, str]:
        """The lifter and the job of a clip. AsymscreenError with the reason where it is put aside."""
        with path.open("rb") as file:
            suffix = sniff(file.read(SNIFFED))
        if not suffix:
            raise ClipError(NO_CLIP)
        if path.stat().st_size > self.limits.most_bytes:
            raise ClipError(LARGE.format(size=self.limits.most_bytes >> 20))
        code = match(path.relative_to(self.folder), codes)
        if code is None:
            raise ClipError(NOBODY)
        digest = file_digest(path)
        if rows.seen_before(self.store, code, digest):
            raise ClipError(KNOWN)
        try:
            look_at(path)
        except ClipError:
            if self.clock() - path.stat().st_mtime < GIVE_UP_S:
                raise StillArrivingError from None
            raise
        sheet = sheet_of(path, code)
        job = self.submit(path, code, sheet, path.name)
        entry = rows.begin_hand_in(self.store, code, told={})
        rows.change_hand_in(
            self.store, entry.name, state=rows.CHECKING, sent_at=now(), sha256=digest, job=job
        )
        access.note(self.store, "inbox", "took a clip in", lifter=code, about=job)
        return code, job


class StillArrivingError(Exception):
    """A clip that looks cut short and was changed a moment ago."""


def match(place: Path, codes: Iterable[str]) -> str | None:
    """The lifter whom a file belongs to, by its place below the folder, or None.

    The sub-folder's name counts before the file's; in a file's name the longest code counts, and letters or
    digits may not follow it: `L-0142.mp4` is not L-014's. Capital letters do not matter.
    """
    known = sorted(set(codes), key=len, reverse=True)
    if len(place.parts) > 1:
        folder = place.parts[0]
        return _only([code for code in known if code.lower() == folder.lower()], folder)
    fits = [c for c in known if re.match(re.escape(c) + r"(?![A-Za-z0-9])", place.name, re.IGNORECASE)]
    longest = [code for code in fits if len(code) == len(fits[0])]
    return _only(longest, place.name[: len(fits[0])]) if fits else None


def sheet_of(clip: Path, code: str) -> Capture:
    """The capture sheet beside a clip, or an empty one; its lifter is always the one that was matched.

    SettingsError for a sheet that is not valid.
    """
    return replace(as_capture(sheet_for(clip, clip.stem, SheetFile())), lifter=code)


def _only(codes: list[str], written: str) -> str | None:
    """The one code, or of several that differ in capital letters the one as it is written."""
    if len(codes) > 1:
        codes = [code for code in codes if code == written]
    return codes[0] if len(codes) == 1 else None


def _checked(folder: Path, home: Path) -> Path:
    try:
        place, root = folder.expanduser().resolve(strict=True), home.resolve()
    except OSError as error:
        raise UsageError(f"{folder}: expected a folder to watch, got none ({error.strerror})") from error
    if not place.is_dir():
        raise UsageError(f"{folder}: expected a folder to watch, got a file")
    if place == root or root in place.parents or place in root.parents:
        raise UsageError(f"{folder}: expected a folder apart from the record's own {root}; choose another")
    return place


def _files(folder: Path) -> Iterator[Path]:
    """Plain files in the folder and one folder down; no links, nothing hidden, nothing half-copied."""
    for entry in os.scandir(folder):
        if entry.name.startswith(".") or entry.is_symlink():
            continue
        if entry.is_dir(follow_symlinks=False) and entry.name not in (TAKEN, ASIDE):
            yield from (
                Path(inner) for inner in sorted(os.scandir(entry), key=lambda e: e.name) if _whole(inner)
            )
        elif _whole(entry):
            yield Path(entry)


def _whole(entry: os.DirEntry[str]) -> bool:
    name = entry.name.lower()
    if name.startswith(".") or name.endswith((*PARTIAL, SHEETS)) or entry.is_symlink():
        return False
    return stat.S_ISREG(entry.stat(follow_symlinks=False).st_mode)


def _move(path: Path, folder: Path, said: str) -> None:
    """Move a clip, and its sheet, out of the way; where that cannot be done they stay."""
    try:
        folder.mkdir(exist_ok=True)
        target = _free(folder / path.name)
        beside = path.with_name(path.stem + OWN)
        shutil.move(path, target)
        if beside.is_file():
            shutil.move(beside, target.with_name(target.stem + OWN))
        if said:
            target.with_name(target.name + ".why.txt").write_text(said + "\n", encoding="utf-8")
    except OSError:
        return


def _free(path: Path) -> Path:
    """This path, or the first one with a number behind its name that is free."""
    number = 1
    target = path
    while target.exists():
        number += 1
        target = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return target
