"""A capture sheet as a JSON file: what the person who filmed tells us, beside the clip.

`set-1.sheet.json` belongs to `set-1.mp4` (or `set-1.tracks.csv.gz`), `sheet.json` to every clip of its folder
that says nothing else. Keys are the fields of `Capture` and, for track files, `image_size`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from asymscreen.capture.sheet import GRIP_LENGTH, Capture, View
from asymscreen.errors import SettingsError, UsageError

FOLDERS = "sheet.json"
OWN = ".sheet.json"
LARGEST_BYTES = 100_000  # bytes; a sheet takes 300
LARGEST_SIDE = 16_384  # pixels; no phone films wider
FAR = 1e5  # pixels; a mark further out is a fault of the sheet
MOST_NAMED = 5  # faults that a message lists

Coordinate = Annotated[float, Field(ge=-FAR, le=FAR)]
Mark = tuple[Coordinate, Coordinate]
Side = Annotated[int, Field(ge=1, le=LARGEST_SIDE)]


class SheetFile(BaseModel):
    """The keys that a capture sheet may have; all of them may be left out, none other is taken."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    view: View | None = None
    camera_height_m: float | None = None
    camera_distance_m: float | None = None
    mirrored: bool = False
    load_kg: float | None = None
    one_rep_max_kg: float | None = None
    lifter: Annotated[str, Field(max_length=64)] | None = None
    level_marks: tuple[Mark, Mark] | None = None
    roll_deg: float | None = None
    grip: Annotated[str, Field(max_length=GRIP_LENGTH)] | None = None
    image_size: tuple[Side, Side] | None = None


def read_sheet(path: Path, under: SheetFile | None = None) -> SheetFile:
    """The sheet in `path`, over what `under` says already. SettingsError names every fault with its key."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise SettingsError(
                f"{path}: expected a capture sheet of a few lines, got {path.stat().st_size} bytes; "
                "name the right file"
            )
        sheet = SheetFile.model_validate_json(path.read_bytes())
        merged = sheet if under is None else under.model_copy(update=said(sheet))
        as_capture(merged)
    except OSError as exc:
        raise SettingsError(f"{path}: expected a capture sheet, could not read it ({exc.strerror})") from exc
    except ValidationError as exc:
        raise SettingsError(f"{path}: expected a capture sheet (JSON); {_faults(exc)}; correct it") from exc
    except UsageError as exc:
        raise SettingsError(f"{path}: {exc}" if str(path) not in str(exc) else str(exc)) from exc
    return merged


def said(sheet: SheetFile) -> dict[str, Any]:
    """What was written in a sheet, without what it left out."""
    return {name: getattr(sheet, name) for name in sheet.model_fields_set}


def as_capture(sheet: SheetFile) -> Capture:
    """The sheet as the screen takes it. UsageError for numbers outside their limits."""
    if sheet.level_marks is not None and sheet.level_marks[0] == sheet.level_marks[1]:
        raise UsageError("level_marks: expected two points that differ, got one twice; mark two")
    return Capture(**{name: getattr(sheet, name) for name in Capture.__dataclass_fields__})


def sheet_for(clip: Path, stem: str, base: SheetFile, seen: Sequence[Path] = ()) -> SheetFile:
    """The sheet of one clip: its own (`stem` + .sheet.json) over its folder's over `base`."""
    found = base
    for path in (clip.with_name(FOLDERS), clip.with_name(stem + OWN)):
        if path.exists() and path not in seen:
            found = read_sheet(path, found)
    return found


def _faults(exc: ValidationError) -> str:
    lines = [f"{'.'.join(map(str, e['loc'])) or 'sheet'}: {e['msg']}" for e in exc.errors(include_url=False)]
    more = f"; and {len(lines) - MOST_NAMED} more" if len(lines) > MOST_NAMED else ""
    return "; ".join(lines[:MOST_NAMED]) + more
