"""The intake sheet, and what in it stops a screen or has to be said on every report.

Nothing here diagnoses: a red flag means that a licensed clinician looks first. Sources of the red flags:
Mitchell et al. 2005 (BMJ 331:1124-8) and Rees et al. 2021 (Shoulder & Elbow 13:5-11). The limits of pain and
of how recent an injury is are common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, field_validator

from asymscreen.errors import RecordError
from asymscreen.record.models import TEXT_LENGTH

PAIN_STOPS = 7
"""Pain now from which no screen is filmed, 0 to 10. Common practice, no source."""
PAIN_RISE_STOPS = 3
"""Rise of pain within a visit that ends it, points of 10. Common practice, no source."""
INJURY_RECENT_DAYS = 180
"""An injury younger than this is a caution, days. Common practice, no source."""

SEE_CLINICIAN = "Have a licensed clinician look at it before you press or film again."
SEE_CLINICIAN_NOW = "Have a licensed clinician look at it today; do not press until then."


@dataclass(frozen=True)
class RedFlag:
    """A question of the intake whose "yes" stops the screen, and how the answer is said back."""

    question: str
    said: str


RED_FLAGS: dict[str, RedFlag] = {
    "dislocation": RedFlag(
        "Has the shoulder come out, fully or partly, lately, or may it have?",
        "The shoulder may have come out of its socket.",
    ),
    "slips": RedFlag(
        "Does the shoulder feel as if it slips?", "The shoulder feels as if it slips."
    ),
    "changed-shape": RedFlag(
        "Was there an injury after which the shoulder or arm has another shape?",
        "After an injury the shoulder or arm has another shape.",
    ),
    "numb-or-weak": RedFlag(
        "Is any part of the arm or hand numb, or weaker than it was?", "Part of the arm is numb or weak."
    ),
    "night-pain": RedFlag(
        "Does pain in the shoulder stop you from sleeping?", "Pain at night stops sleep."
    ),
    "hot-or-fever": RedFlag(
        "Is the joint hot and swollen, or have you a fever?",
        "The joint is hot and swollen, or there is fever.",
    ),
    "cannot-raise": RedFlag("Are you unable to raise the arm?", "The arm cannot be raised."),
}  # fmt: skip

Side = Literal["left", "right", "both", "none"]
Words = Annotated[str, StringConstraints(strip_whitespace=True, max_length=TEXT_LENGTH)]


class InjurySheet(BaseModel):
    """An injury; the date as exact as it is known: 2024, 2024-03 or 2024-03-09; empty where unknown."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)

    side: Side
    kind: Annotated[Words, StringConstraints(min_length=1)]
    on_date: str = ""
    notes: Words = ""

    @field_validator("on_date")
    @classmethod
    def _a_date(cls, value: str) -> str:
        if value:
            _earliest(value)
        return value


class IntakeSheet(BaseModel):
    """What a lifter tells before a screen. Everything may be unknown.

    one_rep_max_kg, stalled_weeks   one-rep maximum and how many weeks it has stood still
    pain_now                        0 none to 10 worst, at this moment; `pain_side` where
    red_flags                       keys of RED_FLAGS answered with yes; `sudden` if it came suddenly
    consent_film, consent_keep      True given, False refused, None not asked
    """

    model_config = ConfigDict(extra="forbid")

    one_rep_max_kg: float | None = Field(default=None, ge=1, le=600)
    stalled_weeks: int | None = Field(default=None, ge=0, le=2000)
    grip: Words = ""
    usual_cues: Words = ""
    injuries: list[InjurySheet] = []
    pain_now: int | None = Field(default=None, ge=0, le=10)
    pain_side: Side = "none"
    provokes: Words = ""
    red_flags: list[str] = []
    sudden: bool = False
    consent_film: bool | None = None
    consent_keep: bool | None = None
    notes: Words = ""

    @field_validator("red_flags")
    @classmethod
    def _known(cls, value: list[str]) -> list[str]:
        unknown = sorted(set(value) - set(RED_FLAGS))
        if unknown:
            raise ValueError(f"expected any of {', '.join(RED_FLAGS)}, got {', '.join(unknown)}")
        return sorted(set(value), key=list(RED_FLAGS).index)


@dataclass(frozen=True)
class Finding:
    """One thing to be said: `topic` keeps it from being said twice, `stops` forbids a screen."""

    topic: str
    text: str
    stops: bool


def read_intake(raw: dict[str, Any]) -> IntakeSheet:
    """An intake sheet from plain data. RecordError names every fault with its place."""
    try:
        return IntakeSheet.model_validate(raw)
    except ValidationError as error:
        faults = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()[:8])
        raise RecordError(f"intake: expected a sheet that fits, got faults: {faults}") from None


def findings(sheet: IntakeSheet, today: date) -> list[Finding]:
    """Red flags first, then the lesser ones: pain now, what provokes it, injuries of the last half year."""
    found = [_flag(key, sheet.sudden) for key in sheet.red_flags]
    found += _pain(sheet)
    for injury in sheet.injuries:
        if injury.on_date and (today - _latest(injury.on_date)).days < INJURY_RECENT_DAYS:
            where = f"{_side_words(injury.side)}{injury.kind}"
            topic = f"injury:{injury.side}:{injury.kind}:{injury.on_date}"
            text = f"Injury told at intake: {where} ({injury.on_date}). Load with care; stop if it hurts."
            found.append(Finding(topic, text, False))
    return found


def _flag(key: str, sudden: bool) -> Finding:
    advice = SEE_CLINICIAN_NOW if sudden else SEE_CLINICIAN
    return Finding(f"red-flag:{key}", f"{RED_FLAGS[key].said} {advice}", True)


def _pain(sheet: IntakeSheet) -> list[Finding]:
    if not sheet.pain_now:
        return []
    where = (
        ""
        if sheet.pain_side == "none"
        else f", {sheet.pain_side} side"
        if sheet.pain_side != "both"
        else ", both sides"
    )
    said = f"Pain before the set: {sheet.pain_now} of 10{where}"
    said += f"; provoked by {sheet.provokes.rstrip('.')}." if sheet.provokes else "."
    if sheet.pain_now >= PAIN_STOPS:
        return [Finding("pain", f"{said} {SEE_CLINICIAN}", True)]
    return [Finding("pain", f"{said} Load with care; stop if it rises.", False)]


def _side_words(side: str) -> str:
    return {"left": "left side, ", "right": "right side, ", "both": "both sides, "}.get(side, "")


def _earliest(text: str) -> date:
    """First day that "2024", "2024-03" or "2024-03-09" may mean; ValueError for anything else."""
    if not re.fullmatch(r"\d{4}(-\d{2}(-\d{2})?)?", text):
        raise ValueError(f"expected a date like 2024, 2024-03 or 2024-03-09, got {text[:40]!r}")
    return date.fromisoformat(text + "-01-01"[len(text) - 4 :] if len(text) < 10 else text)


def _latest(text: str) -> date:
    """Last day that it may mean: an injury that may be recent counts as recent."""
    first = _earliest(text)
    if len(text) == 10:
        return first
    year, month = (
        (first.year + 1, 1) if len(text) == 4 else (first.year + first.month // 12, first.month % 12 + 1)
    )
    return date.fromordinal(date(year, month, 1).toordinal() - 1)
