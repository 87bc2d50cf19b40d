"""Advice for the next clip follows from what was wrong with this one."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import asymscreen
from asymscreen.capture.advice import ALONE, CLEAR, FRAME, LIGHT, SET, STAND, advise, advise_again
from asymscreen.scoring.fitness import SIDE_WORDS
from asymscreen.scoring.look import NO_PRESS

WELL = {"view": "foot-end", "elevation_deg": 45.0, "aside_deg": 1.0, "roll_known": True,
        "short_side_px": 1080, "reps": 3}  # fmt: skip


def test_a_clip_filmed_as_it_should_be_gets_no_advice() -> None:
    assert advise(**WELL) == []


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"elevation_deg": 20.0}, "Hold the phone higher"),
        ({"elevation_deg": 70.0}, "Step back"),
        ({"aside_deg": 13.0}, "13 deg off"),
        ({"view": "head-end", "aside_deg": 12.0}, "12 deg off"),
        ({"roll_known": False}, "rack posts"),
        ({"short_side_px": 480}, "720 lines"),
        ({"reps": 1}, "two or three full reps"),
    ],
)
def test_each_fault_gets_its_advice_and_no_other(fault: dict[str, object], words: str) -> None:
    (line,) = advise(**(WELL | fault))
    assert words in line


@pytest.mark.parametrize(
    ("reason", "lines"),
    [
        (SIDE_WORDS, [STAND]),
        (NO_PRESS, [SET, FRAME]),
        ("Two people in the picture could be the lifter: frame one of them only and film again.", [ALONE]),
        ("The lifter is hidden or too dark to see: film with nobody in between.", [CLEAR, STAND, LIGHT]),
        ("The picture cuts off the lifter's hips: step back until all are in it.", [FRAME]),
        ("Something nobody thought of.", [STAND, FRAME, SET]),
    ],
)
def test_a_refused_clip_is_told_what_was_wrong_with_it(reason: str, lines: list[str]) -> None:
    assert advise_again([reason]) == lines


def test_two_reasons_with_one_remedy_say_it_once() -> None:
    assert advise_again([NO_PRESS, "The picture cuts off the lifter's hips: step back."]) == [SET, FRAME]
    assert advise_again([]) == [STAND, FRAME, SET]


def test_every_reason_that_the_package_gives_is_known() -> None:
    """Each sentence is read from the code; a new one has to get its own advice, not that for the unknown."""
    found = dict(reasons())
    assert len(found) >= 9
    assert {where for where, said in found.items() if advise_again([said]) == [STAND, FRAME, SET]} == set()


def reasons() -> list[tuple[str, str]]:
    """(where, fixed words) of every sentence with which a clip is refused."""
    out = [("side", SIDE_WORDS), ("press", NO_PRESS)]
    for path in Path(asymscreen.__file__).parent.rglob("*.py"):
        if path.name in ("console.py", "errors.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            raised = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "NothingToScreen"
            if raised:
                out += [(f"{path.name}:{node.lineno}", words(arg)) for arg in node.args if words(arg)]
            elif isinstance(node, ast.FunctionDef) and node.name in ("_cut_off", "_hands_down"):
                texts = [words(n) for n in ast.walk(node) if isinstance(n, ast.List | ast.JoinedStr)]
                out += [(f"{path.name}:{node.name}", text) for text in texts if len(text) > 30]
    return out


def words(node: ast.AST) -> str:
    """The fixed words inside an expression."""
    parts = [n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    return "".join(parts)
