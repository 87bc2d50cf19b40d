"""Every threshold of the package in one table: name, default, unit, help and source.

A threshold is written once, as a named constant beside the code that uses it, with a comment that gives its
unit and its source. This module reads them from there, so that the table cannot differ from the code.
`asymscreen settings` prints it; a test demands the explanation of every one.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

ROOT = Path(__file__).parent
LEFT_OUT = ("record.migrations",)
"""Packages whose constants are no thresholds."""

Value = float | tuple[float, ...]


@dataclass(frozen=True)
class Setting:
    """One threshold: its module (without the package), name, value and explanation."""

    module: str
    name: str
    value: Value
    help: str

    def line(self) -> str:
        """`module.NAME = value: help` as one line."""
        return f"{self.module}.{self.name} = {_shown(self.value)}: {self.help}"


def all_settings(root: Path = ROOT) -> list[Setting]:
    """Every public numeric constant of the package at `root`, sorted by module, in the order of the code."""
    found: list[Setting] = []
    for path in sorted(root.rglob("*.py")):
        module = ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")
        if not module.startswith(LEFT_OUT):
            found.extend(_settings_of(module, path.read_text(encoding="utf-8")))
    return found


def _settings_of(module: str, source: str) -> Iterator[Setting]:
    lines = source.splitlines()
    body: list[ast.stmt | None] = [*ast.parse(source).body, None]
    for node, following in pairwise(body):
        for name, value_node in _named(node):
            value = _number(value_node)
            if value is not None and name.isupper() and not name.startswith("_"):
                yield Setting(module, name, value, _explained(node, following, lines))


def _named(node: ast.stmt | None) -> Iterator[tuple[str, ast.expr | None]]:
    """(name, value) of an assignment; one pair for each name of `A, B = 1, 2`."""
    if not isinstance(node, ast.Assign | ast.AnnAssign):
        return
    target = node.targets[0] if isinstance(node, ast.Assign) else node.target
    if isinstance(target, ast.Name):
        yield target.id, node.value
    elif isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
        for element, value in zip(target.elts, node.value.elts, strict=True):
            if isinstance(element, ast.Name):
                yield element.id, value


def _number(node: ast.expr | None) -> Value | None:
    if isinstance(node, ast.Tuple):
        parts = [_number(element) for element in node.elts]
        numbers = tuple(part for part in parts if isinstance(part, int | float))
        return numbers if numbers and len(numbers) == len(parts) else None
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        inner = _number(node.operand)
        return -inner if isinstance(inner, int | float) else None
    value = node.value if isinstance(node, ast.Constant) else None
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return value
    return None


def _explained(node: ast.stmt | None, following: ast.stmt | None, lines: list[str]) -> str:
    """The string below, else the comment at the end of the line, else the comment above."""
    if isinstance(following, ast.Expr) and isinstance(following.value, ast.Constant):
        return " ".join(str(following.value.value).split())
    if node is None:
        return ""
    last = lines[(node.end_lineno or node.lineno) - 1]
    if "#" in last:
        return last.split("#", 1)[1].strip()
    above: list[str] = []
    for line in reversed(lines[: node.lineno - 1]):
        if not line.startswith("#"):
            break
        above.insert(0, line.lstrip("# ").strip())
    return " ".join(above)


def _shown(value: Value) -> str:
    return " to ".join(f"{part:g}" for part in value) if isinstance(value, tuple) else f"{value:g}"
