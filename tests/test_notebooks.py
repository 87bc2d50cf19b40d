"""Every notebook runs from top to bottom in a home of its own, and is kept light."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import asymscreen

FOLDER = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
PATIENCE_S = 120  # seconds a cell may take on a busy machine
LARGEST_BYTES = 120_000
NAMES = ("01-one-screen", "02-how-accurate", "03-re-screen")


def test_the_notebooks_are_those_of_the_plan() -> None:
    assert {path.stem for path in NOTEBOOKS} == set(NAMES)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_kept_without_results_and_without_places_of_a_machine(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.encode()) < LARGEST_BYTES
    cells = json.loads(text)["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert code
    assert cells[0]["cell_type"] == "markdown"
    assert all(not cell["outputs"] and cell["execution_count"] is None for cell in code)
    assert "/home/" not in text
    assert "/root/" not in text


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ASYMSCREEN_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("ASYMSCREEN_DATABASE", raising=False)
    monkeypatch.setenv("PATH", os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]]))
    monkeypatch.setenv("PYTHONPATH", str(Path(asymscreen.__file__).parent.parent))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(
        notebook, timeout=PATIENCE_S, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    ).execute()
    errors = [o for cell in notebook.cells for o in cell.get("outputs", []) if o.output_type == "error"]
    assert errors == []
    said = [o for cell in notebook.cells for o in cell.get("outputs", [])]
    assert said, "a notebook shows something"
