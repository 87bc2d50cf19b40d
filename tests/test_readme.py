"""What the README says is what is there: commands, options, links, the two lines to paste."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from readme_commands import README, with_reference

from asymscreen import errors
from asymscreen.capture.clip import LONGEST_S

ROOT = README.parent
TEXT = README.read_text(encoding="utf-8")


def test_the_command_reference_is_that_of_today() -> None:
    # else: python tests/readme_commands.py
    assert with_reference(TEXT) == TEXT


@pytest.mark.parametrize("target", sorted(set(re.findall(r"\]\(([^)#:]+)\)", TEXT))))
def test_what_is_linked_is_there(target: str) -> None:
    assert (ROOT / target).exists()


def test_two_single_lines_to_paste_come_first() -> None:
    first, second = re.findall(r"```\n(.+?)\n```", TEXT, re.DOTALL)[:2]
    assert "\n" not in first + second
    assert first.endswith(".venv/bin/asymscreen demo")
    assert second.endswith(".venv/bin/pytest -q")
    assert '".[test]"' in second
    # libraries that MediaPipe and OpenCV load on Linux
    assert all(library in first for library in ("libegl1", "libgles2", "libgl1"))
    assert TEXT.index(first) < TEXT.index(second) < TEXT.index("## What a screen looks like")


def test_continuous_integration_runs_the_same() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert 'bin/pip" install' in script
    assert '".[test]"' in script
    assert re.search(r"^pytest -q", script, re.MULTILINE)


def test_exit_codes_are_those_of_the_errors() -> None:
    table = {int(code) for code in re.findall(r"^\| (\d+) \|", TEXT, re.MULTILINE)}
    codes = {kind.exit_code for kind in vars(errors).values() if isinstance(kind, type)}
    assert codes | {0, 1, 130} == table


def test_the_longest_clip_is_the_one_of_the_code() -> None:
    assert f"clips over {LONGEST_S / 60:g} minutes" in TEXT


def test_the_python_that_is_asked_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert f"Python {project['requires-python'].removeprefix('>=')} or newer" in TEXT
    assert set(project["optional-dependencies"]) == {"desk", "export", "server", "cluster", "test", "rig"}


def test_every_third_party_import_is_a_dependency() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[\[<>=]", line)[0] for line in project["dependencies"]}
    declared |= {re.split(r"[\[<>=]", line)[0] for line in project["optional-dependencies"]["export"]}
    for extra in ("desk", "server", "cluster"):
        declared |= {re.split(r"[\[<>=]", line)[0] for line in project["optional-dependencies"][extra]}
    names = {"opencv-contrib-python": "cv2", "argon2-cffi": "argon2", "python-multipart": "multipart"}
    declared = {names.get(name, name) for name in declared} | {"asymscreen", "flatbuffers"}
    assert third_party(ROOT / "asymscreen") - declared == set()


def third_party(folder: Path) -> set[str]:
    """Top names imported under `folder` that are not of the standard library."""
    import ast
    import sys

    found: set[str] = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.split(".")[0])
    return found - set(sys.stdlib_module_names)
