"""A folder of screens with known truth, solved: one process a core, every screen also as its mirror image.

A folder holds, for every screen, `NAME.truth.json` beside `NAME.tracks.csv.gz` (or `.csv`, `.parquet`) or a
clip `NAME.mp4` (`.mov`, `.mkv`, `.avi`, `.webm`, `.m4v`). Where both lie there, the tracks are read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from asymscreen.capture.sheet import Capture
from asymscreen.document import OneValue, TwoSided
from asymscreen.errors import AsymscreenError, SettingsError
from asymscreen.landmarks.skeleton import MIRROR
from asymscreen.motion.tidy import read_tracks, write_tracks
from asymscreen.motion.tracks import Tracks
from asymscreen.scoring.calibration import ValidationRow
from asymscreen.scoring.calls import call_all
from asymscreen.scoring.look import look
from asymscreen.scoring.measures import Measured
from asymscreen.scoring.noise import ClipContext, ErrorModel
from asymscreen.validation.truth import TRUTH, Truth, read_truth
from asymscreen.workers import Lost, cores, run_jobs

TRACK_ENDS = (".tracks.csv.gz", ".tracks.csv", ".tracks.parquet")
CLIP_ENDS = (".mp4", ".mov", ".mkv", ".avi", ".webm", ".m4v")
MIRRORED = 24
"""Screens that are also screened as their mirror image, spread evenly over the folder; more add time, and
fairness is a property of the code, not of the lifter."""
LIMIT_S = 900.0  # seconds that one screen may take in a worker; a long clip on a busy machine takes 200
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Solved:
    """One screen, solved and measured before any call: what `scoring.look` gave, without its tracks.

    bottoms_s   seconds of the bottom of every rep that was found
    azimuth_deg, distance_m   of the solved camera
    """

    readings: Mapping[str, Measured]
    context: ClipContext
    numbers: tuple[int, ...]
    bottoms_s: tuple[float, ...]
    azimuth_deg: float
    distance_m: float

    def call(self, model: ErrorModel) -> dict[str, TwoSided | OneValue]:
        """The calls of every reading under an error model."""
        return call_all(list(self.readings.values()), model, self.context, numbers=self.numbers)


@dataclass(frozen=True)
class Case:
    """One screen with known truth: what was found, or the reason why nothing was; `mirror` of its image."""

    name: str
    truth: Truth
    solved: Solved | None
    reason: str = ""
    mirror: Solved | None = None
    mirror_tried: bool = False

    @property
    def place(self) -> dict[str, float | None]:
        """Elevation and angle off the middle (deg), distance (m): true where told, else as solved."""
        found = dict(self.truth.place)
        if self.solved:
            own = (self.solved.context.elevation_deg, self.solved.azimuth_deg, self.solved.distance_m)
            found = {n: s if v is None else v for (n, v), s in zip(found.items(), own, strict=True)}
        return found


def read_cases(
    folder: Path,
    sheet: bool = True,
    progress: Progress | None = None,
    *,
    workers: int | None = None,
    mirrored: int = MIRRORED,
    keep: Path | None = None,
) -> list[Case]:
    """Solve every screen of `folder`, with its capture sheet if `sheet`, in the order of the names.

    workers    processes; None is one a core, 1 stays in this process
    mirrored   how many screens are also screened as their mirror image
    keep       folder that gets the tracks of every clip, so that the next run need not look at it again
    SettingsError where there is no truth file, or one is not valid or has no screen beside it.
    """
    files = sorted(folder.glob(f"*{TRUTH}"))
    if not files:
        raise SettingsError(
            f"{folder}: expected NAME{TRACK_ENDS[0]} and NAME{TRUTH} files, found none; name another folder"
        )
    for file in files:
        read_truth(file), screen_file(file)
    reflected = np.zeros(len(files), dtype=bool)
    reflected[np.unique(np.linspace(0, len(files) - 1, min(mirrored, len(files))).round().astype(int))] = True
    todo = [(file, sheet, bool(m), keep) for file, m in zip(files, reflected, strict=True)]
    done: dict[int, Case] = {}
    for place, case in _spread_out(todo, min(workers or cores(), len(todo))):
        done[place] = case
        if progress:
            progress(len(done), len(todo))
    return [done[place] for place in range(len(todo))]


def screen_file(truth_file: Path) -> Path:
    """The track file or clip beside a truth file. SettingsError where there is none."""
    name = truth_file.name.removesuffix(TRUTH)
    for end in (*TRACK_ENDS, *CLIP_ENDS):
        if (found := truth_file.with_name(name + end)).exists():
            return found
    raise SettingsError(
        f"{truth_file}: expected {name}{TRACK_ENDS[0]} or {name}{CLIP_ENDS[0]} beside it; add it"
    )


Todo = tuple[Path, bool, bool, Path | None]


def _spread_out(todo: Sequence[Todo], workers: int) -> Iterator[tuple[int, Case]]:
    """(place, case) as they end; a screen that ends its worker or never ends is a case with that reason."""
    if workers <= 1:
        yield from enumerate(map(_case, todo))
        return
    for place, result in run_jobs(_case, todo, workers, LIMIT_S):
        if isinstance(result, Lost):
            file = todo[place][0]
            result = Case(file.name.removesuffix(TRUTH), read_truth(file), None, result.reason)
        yield place, result


def solve_file(file: Path, sheet: bool = True, mirrored: bool = False, keep: Path | None = None) -> Case:
    """Solve the screen beside the truth file `file`; arguments as for `read_cases`."""
    return _case((file, sheet, mirrored, keep))


def _case(todo: Todo) -> Case:
    file, sheet, mirrored, keep = todo
    truth, name = read_truth(file), file.name.removesuffix(TRUTH)
    capture = truth.capture.sheet() if sheet else Capture()
    case = Case(name, truth, None, mirror_tried=mirrored)
    try:
        tracks = _tracks(screen_file(file), truth, capture, keep)
    except AsymscreenError as refused:
        return replace(case, reason=str(refused))
    try:
        case = replace(case, solved=solve_tracks(tracks, capture))
    except AsymscreenError as refused:
        case = replace(case, reason=str(refused))
    if mirrored:
        try:
            case = replace(case, mirror=solve_tracks(*mirror_image(tracks, capture)))
        except AsymscreenError:
            return case
    return case


def _tracks(file: Path, truth: Truth, capture: Capture, keep: Path | None) -> Tracks:
    """Tracks of a track file or clip. NothingToScreen, TracksError or ClipError say why there are none."""
    from asymscreen.screen import screen

    if file.name.endswith(TRACK_ENDS):
        if truth.image_size is None:
            raise SettingsError(f"{file}: expected image_size in its truth file, found none; add it")
        return read_tracks(file, truth.image_size)
    found = screen(file, capture)
    if found.tracks is None:
        raise SettingsError(" ".join(found.document.capture.reasons))
    if keep is not None:
        write_tracks(found.tracks, keep / (file.stem + TRACK_ENDS[0]))
    return found.tracks


def solve_tracks(tracks: Tracks, capture: Capture) -> Solved:
    """Reps, press and readings of tracks. NothingToScreen where nobody presses or the view cannot tell."""
    looked = look(tracks, capture)
    return Solved(
        readings=looked.readings,
        context=looked.context,
        numbers=tuple(rep.number for rep in looked.reps),
        bottoms_s=tuple(rep.bottom_s for rep in looked.reps),
        azimuth_deg=float(looked.press.azimuth_deg),
        distance_m=float(np.linalg.norm(looked.press.camera[:3])),
    )


def mirror_image(tracks: Tracks, capture: Capture) -> tuple[Tracks, Capture]:
    """The same lifter as a mirror shows him: x becomes width - x, names and marks change sides.

    Pixels are counted from the picture's edge, so that its middle, width / 2, stays where it is.
    """
    width = tracks.image_size[0]
    xy = tracks.xy_px.copy()
    xy[..., 0] = width - xy[..., 0]
    others = tuple(MIRROR.get(name, name) if _sided(name) else name for name in tracks.names)
    marks = capture.level_marks
    if marks:
        (ax, ay), (bx, by) = marks
        marks = ((width - bx, by), (width - ax, ay))
    roll = None if capture.roll_deg is None else -capture.roll_deg
    return replace(tracks, names=others, xy_px=xy), replace(capture, level_marks=marks, roll_deg=roll)


def _sided(name: str) -> bool:
    return name.startswith(("left_", "right_", "refined_left_", "refined_right_", "mouth_"))


def rows_of(cases: Sequence[Case]) -> list[ValidationRow]:
    """Every measure of every screen that was solved, beside its truth."""
    rows = []
    for case in cases:
        for name, reading in case.solved.readings.items() if case.solved else ():
            true = case.truth.measures.get(name)
            if true is not None and case.solved:
                whose, even = (case.name, case.solved.context), case.truth.even
                rows.append(ValidationRow(*whose, reading, true.signed, true.sides, even))
    return rows
