"""The joints of a kept screen in space: its press solved again from tracks, sheet and reps as they stand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import NothingToScreen, RecordError
from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.motion.clean import clean
from asymscreen.motion.press import solve
from asymscreen.motion.reps import RepSpan
from asymscreen.motion.roll import camera_roll
from asymscreen.record.screens import read_screen, read_tracks_of
from asymscreen.record.sheets import sheet_of_document
from asymscreen.record.store import Store
from asymscreen.record.volumes import write_points

AXES = "X to the lifter's left, Y to the head, Z up; origin between the shoulders"

FloatArray = NDArray[np.float64]


def solved_joints(store: Store, screen_id: str) -> tuple[FloatArray, FloatArray]:
    """(times (T,) seconds, joints (T, 8, 3) millimetres in the order of `skeleton.JOINTS`) of a kept screen.

    One row a frame of the clip; NaN outside the reps, where nothing is solved. Axes as AXES says. Corrections
    by a person count. This is the solution as it is: a screen's stated angles are corrected besides by what
    the validation found, both sides alike.

    RecordError for an unknown id, a refused screen, or one without tracks.
    """
    document, tracks = read_screen(store, screen_id), read_tracks_of(store, screen_id)
    if tracks is None or not document.capture.usable:
        raise RecordError(
            f"screen {screen_id}: expected one whose press was solved, with its tracks, "
            f"got {'one without tracks' if document.capture.usable else 'a refused one'}"
        )
    sheet, steady = sheet_of_document(document), clean(tracks)
    reps = [
        RepSpan(r.number, r.start_s, r.bottom_s, r.end_s, r.descent_s, r.pause_s, r.ascent_s, r.complete)
        for r in document.reps
    ]
    try:
        press = solve(steady, reps, sheet, camera_roll(steady, sheet))
    except NothingToScreen as error:
        raise RecordError(
            f"screen {screen_id}: expected a press that can be solved again, got none: {error}"
        ) from error
    times = np.arange(max(document.clip.frames, 1)) / document.clip.fps
    placed = np.full((len(times), len(JOINTS), 3), np.nan)
    for k, rep in enumerate(reps):
        inside = (times >= rep.start_s) & (times <= rep.end_s)
        placed[inside] = 1000.0 * press.joints(k, times[inside])
    return times, placed


def write_joints(store: Store, screen_id: str, path: Path) -> Path:
    """The same as C3D in millimetres. RecordError also without the export extra."""
    times, placed = solved_joints(store, screen_id)
    return write_points(path, times, JOINTS, placed, "mm", axes=AXES)
