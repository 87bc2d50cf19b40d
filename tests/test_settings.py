"""The table of thresholds: every one explained, none written twice."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import pytest

from asymscreen.settings import Setting, all_settings


def test_every_threshold_is_explained() -> None:
    settings = all_settings()
    assert len(settings) > 100
    assert [s.line() for s in settings if not s.help] == []


@pytest.mark.parametrize("module", ["capture.opening", "motion.reps", "motion.clean", "scoring.rules"])
def test_the_table_holds_the_values_that_the_code_uses(module: str) -> None:
    code = import_module(f"asymscreen.{module}")
    found = {s.name: s.value for s in all_settings() if s.module == module}
    assert found
    assert found == {name: getattr(code, name) for name in found}


def test_all_ways_of_explaining_are_read(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "__init__.py").write_text(
        "# above,\n# on two lines\nA = 1\nB = -2.5  # beside\nC = (1, 2.0)\n'''below,\n  wrapped'''\n"
        "D, E = 3, (4, 5)  # both\n_F = 6\nG = 'text'\nH: int = True\nBARE = 7\n",
        encoding="utf-8",
    )
    (tmp_path / "empty.py").touch()
    assert all_settings(tmp_path) == [
        Setting("sub", "A", 1, "above, on two lines"),
        Setting("sub", "B", -2.5, "beside"),
        Setting("sub", "C", (1, 2.0), "below, wrapped"),
        Setting("sub", "D", 3, "both"),
        Setting("sub", "E", (4, 5), "both"),
        Setting("sub", "BARE", 7, ""),
    ]
    assert all_settings(tmp_path)[2].line() == "sub.C = 1 to 2: below, wrapped"
