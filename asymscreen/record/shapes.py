"""What the record hands out: plain pydantic shapes, free of the database, ready for JSON."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from pydantic import BaseModel, ConfigDict


class Shape(BaseModel):
    """Base of every shape."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return self.model_dump(mode="json")


class LifterEntry(Shape):
    code: str
    added_at: datetime
    consent_film: bool | None
    consent_keep: bool | None
    consent_at: datetime | None


class IntakeEntry(Shape):
    taken_at: datetime
    taken_by: str
    one_rep_max_kg: float | None
    stalled_weeks: int | None
    grip: str
    usual_cues: str
    pain_now: int | None
    pain_side: str
    provokes: str
    red_flags: list[str]
    sudden: bool
    notes: str


class InjuryEntry(Shape):
    side: str
    kind: str
    on_date: str
    notes: str


class CautionEntry(Shape):
    id: int
    topic: str
    text: str
    stops: bool
    raised_at: datetime
    raised_by: str
    lifted_at: datetime | None
    lifted_by: str
    lifted_why: str


class Standing(Shape):
    """What has to be said of a lifter now: `stops` forbid a screen, `cautions` go on every report."""

    code: str
    stops: list[CautionEntry]
    cautions: list[CautionEntry]


class LifterCard(LifterEntry):
    """A lifter with all that was told and raised, and counts of the rest."""

    intakes: list[IntakeEntry]
    injuries: list[InjuryEntry]
    cautions: list[CautionEntry]
    screens: int
    visits: int
    blocks: int


class ScreenEntry(Shape):
    """A screen in a list. `held_back`: the lifter does not see its findings before the re-test."""

    id: str
    lifter: str
    filmed_at: datetime
    added_at: datetime
    view: str
    usable: bool
    load_kg: float | None
    grip: str
    complete_reps: int
    summary: str
    clip_name: str
    clip_kept: bool
    has_tracks: bool
    keyframes: list[str]
    held_back: bool


class JobEntry(Shape):
    """A clip handed to the desk. `state`: waiting, running, done, unusable, failed or stopped; `stage` in
    plain words and the `share` of it that is done, 0 to 1; `message` why it ended without a screen."""

    id: str
    lifter: str
    state: str
    clip_file: str
    clip_name: str
    capture: dict[str, Any]
    origin: str
    submitted_at: datetime
    started_at: datetime | None
    ended_at: datetime | None
    attempts: int
    stage: str
    share: float
    message: str
    screen_id: str | None


class CorrectionEntry(Shape):
    """What a person changed of a screen; `taken_back_at` is set where it no longer counts."""

    id: int
    screen_id: str
    kind: str
    details: dict[str, Any]
    made_at: datetime
    made_by: str
    taken_back_at: datetime | None
    taken_back_by: str


class DrillDose(Shape):
    """A drill of a block or visit: its id, the side that works, and the dose."""

    drill: str
    side: str
    dose: str


class BlockEntry(Shape):
    """A block. `planned` and `done` count days up to the day asked for; `adherence` is their ratio."""

    id: int
    lifter: str
    starts_on: date
    ends_on: date
    weekdays: list[str]
    rescreen_on: date
    notes: str
    drills: list[DrillDose]
    planned: int
    done: int
    adherence: float | None


class DueEntry(Shape):
    """A re-screen that is due: `late_days` since the day it was planned for."""

    lifter: str
    block: int
    rescreen_on: date
    late_days: int


class StepEntry(Shape):
    step: str
    done_at: datetime
    screen_id: str | None
    answers: dict[str, Any]


class VisitEntry(Shape):
    """A visit: what was done, and what comes next in words. `next_step` is empty once it ended."""

    id: int
    lifter: str
    started_at: datetime
    ended_at: datetime | None
    stopped_why: str
    one_rep_max_kg: float
    target_kg: float
    reps: int
    hold_back: bool
    steps: list[StepEntry]
    next_step: str
    next_words: str


class Receipt(Shape):
    """What an erasure removed. `backups`: files that may still hold the lifter, by path; the record cannot
    reach into them. `notes` say what else the person in charge has to do."""

    receipt: str
    code: str
    erased_at: datetime
    rows: dict[str, int]
    files: int
    files_left: list[str]
    backups: list[str]
    notes: list[str]


class BackupReport(Shape):
    """A backup that was written."""

    file: str
    sha256: str
    made_at: datetime
    lifters: int
    screens: int


class RestoreReport(Shape):
    """A backup that was put in place. `left_erased`: lifters erased since, who were not brought back."""

    file: str
    lifters: int
    screens: int
    clips: int
    left_erased: int


class ExportReport(Shape):
    """A folder that was written or read."""

    folder: str
    lifters: int
    screens: int
    files: int


class Written(Shape):
    """A file that was written."""

    file: str


class TidyReport(Shape):
    """What could not be cleared, one sentence each."""

    notes: list[str]
