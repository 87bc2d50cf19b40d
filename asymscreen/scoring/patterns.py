"""What the calls of a clip mean together: patterns, the one sentence on top, and what must be said beside
them.

A pattern names calls that belong together and nothing beyond them: it is an observation about one clip,
never a diagnosis. Which of them belong together is common practice without a source, unless plain geometry
says so.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from asymscreen.document import OneValue, Pattern, TwoSided
from asymscreen.scoring.calls import Measure, amount

OTHER = {"left": "right", "right": "left"}
REAL = ("left", "right", "both")

WHEN = {"bottom": "at the bottom", "mid_ascent": "halfway up", "lockout": "at lockout", "time": ""}

CLAUSES: dict[str, tuple[str, str]] = {
    "tuck": (
        "the {side} elbow flares {n} more than the {other}",
        "the {side} elbow tucks {n} more than the {other}",
    ),
    "elbow_flexion": (
        "the {side} elbow is bent {n} more than the {other}",
        "the {side} elbow is bent {n} less than the {other}",
    ),
    "forearm_lean": (
        "the {side} forearm leans {n} further out than the {other}",
        "the {side} forearm leans {n} further in than the {other}",
    ),
    "shoulder_height": (
        "the {side} shoulder lies {n} higher than the {other}",
        "the {side} shoulder lies {n} lower than the {other}",
    ),
    "lockout": (
        "the {side} elbow locks out {n} after the {other}",
        "the {side} elbow locks out {n} before the {other}",
    ),
    "bar_tilt": ("the bar hangs {n} low on the {side}",) * 2,
    "shoulder_line": ("the shoulder line is {n} low on the {side}",) * 2,
    "bar_shift": ("the bar sits {n} off the middle, to the {side}",) * 2,
}
"""Words of a named side that has the higher and the lower number."""

ORDER = (
    "tuck_bottom", "tuck_mid_ascent", "bar_tilt_bottom", "bar_tilt_mid_ascent", "bar_tilt_lockout",
    "elbow_flexion_bottom", "lockout_time", "elbow_flexion_lockout", "shoulder_height_bottom",
    "shoulder_line_bottom", "forearm_lean_bottom", "bar_shift_bottom",
)  # fmt: skip
"""What a coach wants to hear first."""
KIN = {"shoulder_line": "shoulder_height"}
"""Kinds that tell the same thing twice."""
EVEN_SHOWN = {"tuck_bottom": "tuck", "elbow_flexion_bottom": "elbow flexion", "bar_tilt_bottom": "bar tilt"}
KIND_WORDS = {
    "tuck": "tuck", "elbow_flexion": "elbow flexion", "bar_tilt": "bar tilt", "lockout": "lockout time",
    "shoulder_height": "shoulder height", "shoulder_line": "the shoulder line",
    "forearm_lean": "forearm lean", "bar_shift": "bar shift",
}  # fmt: skip


# ---- patterns


def find_patterns(measures: Mapping[str, Measure]) -> list[Pattern]:
    """Calls that belong together, each with the measures that it rests on."""
    rules = (_crossed, _low_shoulder, _off_centre, _late, _bent)
    return [p for p in (rule(measures) for rule in rules) if p is not None]


def _crossed(m: Mapping[str, Measure]) -> Pattern | None:
    """Bar low on one side, elbow of the other side tucked more."""
    bar, tuck = (
        _first(m, "bar_tilt_bottom", "bar_tilt_mid_ascent"),
        _first(m, "tuck_bottom", "tuck_mid_ascent"),
    )
    if not bar or not tuck:
        return None
    low, tucked = _higher(m[bar]), OTHER[_higher(m[tuck])]
    if tucked != OTHER[low]:
        return None
    text = (
        f"The bar is low on the {low} and the {tucked} elbow is tucked more. Common practice takes these two "
        f"as one thing and puts the work at the {low} shoulder girdle."
    )
    return Pattern(name="crossed", text=text, because=[bar, tuck])


def _low_shoulder(m: Mapping[str, Measure]) -> Pattern | None:
    """Bar and shoulder low on the same side."""
    bar = _first(m, "bar_tilt_bottom", "bar_tilt_mid_ascent")
    shoulders = _first(m, "shoulder_line_bottom", "shoulder_height_bottom")
    if not bar or not shoulders:
        return None
    side, line = _higher(m[bar]), m[shoulders]
    lower = _higher(line) if isinstance(line, OneValue) else OTHER[_higher(line)]
    if lower != side:
        return None
    text = (
        f"The bar and the shoulder are both low on the {side}: the bar may only follow how the lifter lies. "
        "Look at the position on the bench first."
    )
    return Pattern(name="low shoulder under a low bar", text=text, because=[bar, shoulders])


def _off_centre(m: Mapping[str, Measure]) -> Pattern | None:
    """Bar shifted to one side and forearms that lean unlike."""
    if not _real(m, "bar_shift_bottom") or not _real(m, "forearm_lean_bottom"):
        return None
    text = (
        f"The bar sits to the {_higher(m['bar_shift_bottom'])} of the middle and the forearms lean unlike: "
        "an off-centre grip does both. Measure the hands from the middle of the bar."
    )
    return Pattern(name="off-centre grip", text=text, because=["bar_shift_bottom", "forearm_lean_bottom"])


def _late(m: Mapping[str, Measure]) -> Pattern | None:
    """The side on which the bar is low on the way up locks out later."""
    bar = _first(m, "bar_tilt_mid_ascent", "bar_tilt_lockout", "bar_tilt_bottom")
    if not bar or not _real(m, "lockout_time") or _higher(m["lockout_time"]) != _higher(m[bar]):
        return None
    side = _higher(m[bar])
    text = f"The {side} side lags: the bar is low there and its elbow locks out later."
    return Pattern(name="one side lags", text=text, because=[bar, "lockout_time"])


def _bent(m: Mapping[str, Measure]) -> Pattern | None:
    """The elbow bends more where the bar is lower: geometry, so not a second finding."""
    if not _real(m, "bar_tilt_bottom") or not _real(m, "elbow_flexion_bottom"):
        return None
    side = _higher(m["bar_tilt_bottom"])
    if _higher(m["elbow_flexion_bottom"]) != side:
        return None
    text = f"The bar is low on the {side} and the {side} elbow is bent more: the one goes with the other."
    because = ["bar_tilt_bottom", "elbow_flexion_bottom"]
    return Pattern(name="bent more under the low end", text=text, because=because)


def _real(m: Mapping[str, Measure], name: str) -> bool:
    return name in m and m[name].call in REAL


def _first(m: Mapping[str, Measure], *names: str) -> str | None:
    return next((name for name in names if _real(m, name)), None)


def _value(m: Measure) -> float:
    value = m.difference.value if isinstance(m, TwoSided) else m.value
    return 0.0 if value is None else value


def _higher(m: Measure) -> str:
    """Side with the higher number; for one value the side that is lower or to which the bar is shifted."""
    return "left" if _value(m) > 0 else "right"


# ---- the one sentence


def summary(measures: Mapping[str, Measure], usable: bool = True, reasons: Sequence[str] = ()) -> str:
    """What a coach would say of the clip in one sentence."""
    if not usable:
        return _sentence("this clip cannot be screened" + (f": {_inner(reasons[0])}" if reasons else ""))
    real = [name for name in ORDER if _real(measures, name)]
    if real:
        return _sentence(_differences(measures, real))
    if any(m.call == "even" for m in measures.values()):
        return _sentence(_alike(measures))
    why = next((m.reason for m in measures.values() if m.reason), "")
    return _sentence(
        "this clip cannot tell left from right in any measure" + (f": {_inner(why)}" if why else "")
    )


def _differences(measures: Mapping[str, Measure], real: list[str]) -> str:
    told: dict[str, str] = {}
    for name in real:
        told.setdefault(KIN.get(_kind(name), _kind(name)), name)
    shown = list(told.values())[:2]
    first = measures[shown[0]]
    text = f"{_clause(shown[0], first)} {_moment(shown[0])}".rstrip() + f" ({_error(first)}){_in_reps(first)}"
    if len(shown) > 1:
        moment = "" if _moment(shown[1]) == _moment(shown[0]) else _moment(shown[1])
        text += f", and {_clause(shown[1], measures[shown[1]])} {moment}".rstrip()
    more = len(real) - len(shown)
    if more:
        text += f"; {more} more {'measure differs' if more == 1 else 'measures differ'}"
    return text + _hidden(measures, "this clip", ("tuck", "bar_tilt"))


def _alike(measures: Mapping[str, Measure]) -> str:
    within = [
        f"{words} {measures[name].direction.removeprefix('even ')}"
        for name, words in EVEN_SHOWN.items()
        if name in measures and measures[name].call == "even"
    ]
    text = "both sides press alike within what this clip can show"
    return text + (f" ({', '.join(within)})" if within else "") + _hidden(measures, "it")


def _hidden(measures: Mapping[str, Measure], clip: str, only: Collection[str] = tuple(CLAUSES)) -> str:
    """ "; it cannot show tuck": kinds that cannot be measured at all, or not at the bottom, if any."""
    lost = {name for name, m in measures.items() if m.call == "not-measurable"}
    words = []
    for kind in only:
        all_of_kind = {name for name in measures if name.startswith(kind)}
        if all_of_kind and all_of_kind <= lost:
            words.append(KIND_WORDS[kind])
        elif lost & all_of_kind & set(EVEN_SHOWN):
            words.append(f"{KIND_WORDS[kind]} at the bottom")
    return f"; {clip} cannot show {_list(words)}" if words else ""


def _clause(name: str, m: Measure) -> str:
    higher = _higher(m)
    side = higher if m.call == "both" else m.call
    words = CLAUSES[_kind(name)][0 if side == higher else 1]
    return words.format(side=side, other=OTHER[side], n=_size(_value(m), m.unit))


def _size(value: float, unit: str) -> str:
    """12 deg, 2.4 deg, 14 mm, 0.18 s: no more digits than the ear takes in."""
    if unit == "deg" and abs(value) >= 9.95:
        return f"{abs(value):.0f} deg"
    return amount(abs(value), unit)


def _error(m: Measure) -> str:
    low, high = (m.difference.low, m.difference.high) if isinstance(m, TwoSided) else (m.low, m.high)
    return f"±{amount(((high or 0.0) - (low or 0.0)) / 2, m.unit).split(' ')[0]}"


def _in_reps(m: Measure) -> str:
    """In how many of the reps the difference points the same way; nothing for a single rep."""
    if isinstance(m, TwoSided):
        each = [r.left - r.right for r in m.reps if r.left is not None and r.right is not None]
    else:
        each = [r.value for r in m.reps if r.value is not None]
    if len(each) < 2:
        return ""
    same = sum(v * _value(m) > 0 for v in each)
    if same < len(each):
        return f", in {same} of {len(each)} reps"
    return ", in both reps" if len(each) == 2 else f", in all {len(each)} reps"


def _kind(name: str) -> str:
    return next(kind for kind in CLAUSES if name.startswith(kind))


def _moment(name: str) -> str:
    return next(words for end, words in WHEN.items() if name.endswith(end))


def _list(words: Sequence[str]) -> str:
    return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _inner(text: str) -> str:
    """A reason to stand after a colon: small first letter unless it is a name or a number, no full stop."""
    text = text.strip().rstrip(".")
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


# ---- what must be said


def cautions(
    measures: Mapping[str, Measure],
    *,
    reps: int,
    level: bool,
    mirrored: bool = False,
    provisional: bool = False,
) -> list[str]:
    """Sentences that stand beside every screen, and those that this clip asks for.

    reps      complete reps that were measured
    level     something in the clip, or a person, told which way is level
    mirrored  the clip was said to be stored mirrored
    provisional  the error model was set by hand, not measured
    """
    out = [*STANDING, MIRRORED if mirrored else NOT_MIRRORED]
    tilts = [m for name, m in measures.items() if name.startswith(("bar_tilt", "shoulder_line"))]
    if not level and any(m.call != "not-measurable" for m in tilts):
        out.append(NO_LEVEL)
    if reps < 2:
        out.append(ONE_REP)
    if any(m.call == "even" for m in measures.values()):
        out.append(EVEN)
    if provisional:
        out.append(PROVISIONAL)
    return out


STANDING = (
    "This is a measurement of one clip, not a diagnosis: a camera sees where joints are, not pain, "
    "strength, tissue or the reason for a difference.",
    "With pain, numbness, weakness or a shoulder that feels as if it slips, stop and see a licensed "
    "clinician.",
    "Shoulder blades and spine are hidden in this view; nothing here speaks of them.",
)
MIRRORED = "The clip was said to be stored mirrored and was turned back: check L and R on the pictures."
NOT_MIRRORED = (
    "Left and right are the lifter's own: check L and R on the pictures, since front cameras often mirror."
)
NO_LEVEL = "Nothing in the clip shows which way is level: the camera's own roll is part of the tilt's error."
ONE_REP = "Only one rep was measured: it cannot show whether a difference is a habit."
EVEN = "Even means that no difference can be told from error in this clip, not that there is none."
PROVISIONAL = "The error model is provisional: intervals are meant to be wide, but were not measured."
