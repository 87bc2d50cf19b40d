"""What is installed together fits together. `python -m fixtures.installs` tries it in empty environments."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import distribution, packages_distributions
from pathlib import Path

from fixtures.installs.__main__ import EXTRAS, PYTHONS

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
OPENCV = re.compile(r"opencv(-contrib)?-python(-headless)?$")


def name_of(requirement: str) -> str:
    return re.split(r"[\s\[<>=!~;(]", requirement.strip())[0].lower().replace("_", "-")


def asked_by(package: str) -> set[str]:
    return {name_of(r) for r in distribution(package).requires or () if "extra ==" not in r}


def test_only_one_opencv_wheel_is_asked_for() -> None:
    # two wheels that both own the folder cv2 overwrite each other's files, and their versions drift apart
    wanted = {name_of(requirement) for requirement in PROJECT["dependencies"]}
    for package in list(wanted):
        wanted |= asked_by(package)
    for extra in ("desk", "export", "server", "cluster"):
        wanted |= {name_of(requirement) for requirement in PROJECT["optional-dependencies"][extra]}
    assert {name for name in wanted if OPENCV.match(name)} == {"opencv-contrib-python"}
    assert "opencv-contrib-python" in asked_by("mediapipe")
    assert "opencv-contrib-python" in packages_distributions()["cv2"]


def test_the_installs_that_are_tried_are_those_that_are_promised() -> None:
    assert f">={PYTHONS[0]}" == PROJECT["requires-python"]
    extras = set(PROJECT["optional-dependencies"]) - {"test", "rig"}
    assert set(EXTRAS.strip("[]").split(",")) == extras
