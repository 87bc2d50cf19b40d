"""The forms of the hand-in page: what a client typed, checked, with one plain sentence for each fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from asymscreen.capture.sheet import GRIP_LENGTH, VIEWS
from asymscreen.record.intake import RED_FLAGS
from asymscreen.record.models import TEXT_LENGTH
from asymscreen.record.shapes import IntakeEntry

Form = Mapping[str, Any]

SIDES = ("none", "left", "right", "both")
YES_NO = ("yes", "no")
CARRIED = ("one_rep_max_kg", "stalled_weeks", "grip", "usual_cues")
"""What an earlier intake said and a client is not asked again."""
LOAD_KG = (0.0, 600.0)  # kg; the bounds of the capture sheet
HEIGHT_CM = (20.0, 400.0)  # cm; the bounds of the capture sheet
DISTANCE_CM = (0.0, 800.0)  # cm; the bounds of the capture sheet


@dataclass
class Answers:
    """What was typed (`values`, to show again), what is wrong with it by field, and what it means."""

    values: dict[str, str]
    faults: dict[str, str] = field(default_factory=dict)
    known: dict[str, Any] = field(default_factory=dict)

    def choice(self, name: str, among: tuple[str, ...], said: str) -> str:
        """One of `among`, or "" and a fault."""
        value = self.values.get(name, "")
        if value not in among:
            self.faults[name] = said
            return ""
        return value

    def number(self, name: str, bounds: tuple[float, float], said: str) -> float | None:
        """A number within bounds, None where nothing was typed, or None and a fault. A comma is a point."""
        text = self.values.get(name, "").strip().replace(",", ".")
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not bounds[0] <= value <= bounds[1]:
            self.faults[name] = said
            return None
        return value

    def words(self, name: str) -> str:
        """Free text, or "" and a fault where it is too long."""
        value = self.values.get(name, "").strip()
        if len(value) > TEXT_LENGTH:
            self.faults[name] = f"Please keep it under {TEXT_LENGTH} letters."
            return ""
        return value


def typed(form: Form) -> dict[str, str]:
    """The form as text; anything else, such as a file, counts as nothing."""
    return {name: value for name, value in form.items() if isinstance(value, str)}


def read_before(form: Form, earlier: IntakeEntry | None) -> Answers:
    """The questions before the set. `known`: the intake sheet as plain data, where there are no faults.

    Every red flag has to be answered: no answer is not a "no".
    """
    answers = Answers(typed(form))
    pain = _pain(answers, "pain", "Please choose a number from 0 to 10.")
    side = _side(answers, pain)
    flags = []
    for key in RED_FLAGS:
        if answers.choice(f"flag-{key}", YES_NO, "Please answer with yes or no.") == "yes":
            flags.append(key)
    sudden = bool(flags) and answers.choice("sudden", YES_NO, "Please say whether it came suddenly.") == "yes"
    film = answers.choice("film", YES_NO, "Please say whether you agree to be filmed.")
    keep = answers.choice("keep", YES_NO, "Please say whether your coach may keep the clip.")
    carried = {name: getattr(earlier, name) for name in CARRIED} if earlier is not None else {}
    answers.known = carried | {
        "consent_film": film == "yes", "consent_keep": keep == "yes", "pain_now": pain, "pain_side": side,
        "provokes": answers.words("provokes"), "red_flags": flags, "sudden": sudden,
    }  # fmt: skip
    return answers


def read_set(form: Form) -> Answers:
    """The capture sheet and how the set felt. `known`: `sheet` for `Capture`, and `felt`."""
    answers = Answers(typed(form))
    view = answers.choice("view", (*VIEWS, "unsure"), "Please choose where the phone stood.")
    mirrored = answers.choice("mirrored", (*YES_NO, "unsure"), "Please choose one.")
    load = answers.number("load", LOAD_KG, "Please type the load in kilograms, for example 60.")
    height = answers.number("height", HEIGHT_CM, "Please type centimetres from 20 to 400, or leave it empty.")
    away = answers.number("distance", DISTANCE_CM, "Please type centimetres up to 800, or leave it empty.")
    pain = _pain(answers, "pain", "Please choose a number from 0 to 10.")
    answers.known = {
        "sheet": {
            "view": None if view == "unsure" else view, "mirrored": mirrored == "yes", "load_kg": load,
            "camera_height_m": None if height is None else height / 100,
            "camera_distance_m": None if away is None else away / 100,
            "grip": answers.words("grip")[:GRIP_LENGTH] or None,
        },
        "felt": {
            "pain": pain, "pain_side": _side(answers, pain), "words": answers.words("words"),
            "mirror_unsure": mirrored == "unsure",
        },
    }  # fmt: skip
    return answers


def _pain(answers: Answers, name: str, said: str) -> int | None:
    value = answers.choice(name, tuple(str(k) for k in range(11)), said)
    return int(value) if value else None


def _side(answers: Answers, pain: int | None) -> str:
    if not pain:
        return "none"
    return answers.choice("side", SIDES[1:], "Please say on which side it hurts.")


def sheet_values(sheet: Form) -> dict[str, str]:
    """What was said of the phone and the load, as the form shows it again for the next try."""
    if not sheet:
        return {}
    metres = {"height": sheet.get("camera_height_m"), "distance": sheet.get("camera_distance_m")}
    found = {name: f"{100 * value:g}" for name, value in metres.items() if value is not None}
    if sheet.get("load_kg") is not None:
        found["load"] = f"{sheet['load_kg']:g}"
    found["grip"] = sheet.get("grip") or ""
    return found | {
        "view": sheet.get("view") or "unsure",
        "mirrored": "yes" if sheet.get("mirrored") else "no",
    }
