"""From tracks to readings: reps found, press solved, everything measured; and from readings to calls.

What `screen` and `validate` share, so that the error that is measured is the error of what is shipped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asymscreen.capture.sheet import Capture
from asymscreen.document import OneValue, TwoSided
from asymscreen.errors import NothingToScreen
from asymscreen.motion.camera import off_middle_deg
from asymscreen.motion.clean import clean
from asymscreen.motion.hidden import NO_PRESS as NO_PRESS
from asymscreen.motion.hidden import why_no_press
from asymscreen.motion.press import Press, solve_level
from asymscreen.motion.reps import RepSpan, find_reps
from asymscreen.motion.roll import Roll, camera_roll
from asymscreen.motion.tracks import Tracks
from asymscreen.scoring.calls import call_all
from asymscreen.scoring.fitness import judge, refuse_side, view_of
from asymscreen.scoring.measures import Measured, measure
from asymscreen.scoring.noise import ClipContext, ErrorModel

MOST_REPS = 10
"""Reps of one set that are screened; a longer set is cut to the first ones."""


@dataclass(frozen=True)
class Looked:
    """A solved and measured set, before any call."""

    tracks: Tracks
    reps: tuple[RepSpan, ...]
    roll: Roll | None
    press: Press
    readings: Mapping[str, Measured]
    context: ClipContext


def press_reps(tracks: Tracks) -> tuple[Tracks, tuple[RepSpan, ...]]:
    """Cleaned tracks and the reps in them, at most MOST_REPS."""
    steady = clean(tracks)
    return steady, tuple(find_reps(steady)[:MOST_REPS])


def look(tracks: Tracks, capture: Capture, found: tuple[Tracks, tuple[RepSpan, ...]] | None = None) -> Looked:
    """Solve and measure `tracks`; `found` is their `press_reps`, where they are at hand.

    NothingToScreen where nobody presses or the view cannot tell.
    """
    steady, reps = found or press_reps(tracks)
    if not reps:
        raise NothingToScreen(why_no_press(steady))
    refuse_side(steady, capture)
    roll = camera_roll(steady, capture)
    press, roll = solve_level(steady, reps, capture, roll)
    judge(press, capture)
    view = view_of(press, capture)
    context = ClipContext(
        view=view,
        elevation_deg=press.elevation_deg,
        short_side_px=min(tracks.image_size),
        refined=press.refined,
        px_per_m=press.px_per_m,
        fps=(len(tracks) - 1) / float(tracks.time_s[-1] - tracks.time_s[0]),
        off_middle_deg=0.0 if view == "overhead" else off_middle_deg(press.azimuth_deg),
    )
    return Looked(steady, reps, roll, press, measure(press, reps), context)


def call_looked(looked: Looked, errors: ErrorModel) -> dict[str, TwoSided | OneValue]:
    """The calls of every reading under an error model."""
    numbers = [rep.number for rep in looked.reps]
    return call_all(list(looked.readings.values()), errors, looked.context, numbers=numbers)
