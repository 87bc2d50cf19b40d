"""The import direction, the one place of every foreign part, and the table of modules in DEVELOPERS.md."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import asymscreen

ROOT = Path(asymscreen.__file__).parent
DEVELOPERS = Path(__file__).parent.parent / "DEVELOPERS.md"

# from left to right: a module imports only from its own layer or from one further left
LAYERS: list[tuple[str, ...]] = [
    ("errors", "whole", "workers"),
    ("document", "capture.sheet", "landmarks.skeleton", "motion.tracks", "settings"),
    ("capture", "schema"),
    ("landmarks",),
    ("motion",),
    ("scoring",),
    ("looking", "report"),
    ("screen",),
    ("record",),
    ("batch", "batch_item", "batch_table", "bench", "cluster", "yardstick", "desk", "validation"),
    ("validate",),
    ("console",),
    ("cli",),
    ("__main__",),
]
# foreign part -> where alone it may be imported
ONLY_IN = {
    "mediapipe": ("landmarks.detector", "landmarks.model.build", "yardstick"),
    "sqlalchemy": ("record",),
    "alembic": ("record",),
    "sqlite3": ("record",),
    "psycopg": ("record",),
    "av": ("capture", "record.clips", "desk"),
    "plotly": ("report", "record", "desk"),
    "jinja2": ("report", "record", "desk"),
    "pandas": ("motion.tidy", "motion.keypoints", "record", "batch"),
    "pydantic": (
        "document",
        "motion.coco",
        "scoring.noise",
        "scoring.retest",
        "validation.truth",
        "record",
        "desk",
        "batch",
        "capture.sheet_file",
    ),
    "click": (
        "console",
        "cli",
        "landmarks.model.build",
        "record.commands",
        "desk.commands",
        "desk.client_commands",
    ),
    "tqdm": ("console", "batch"),
    "starlette": ("desk",),
    "argon2": ("desk.accounts",),
    "uvicorn": ("desk.commands",),
    "distributed": ("cluster",),
    "pyarrow": ("batch_table", "record"),
}


def modules() -> dict[str, ast.Module]:
    """Every module by its name inside the package; the package's own is the empty name."""
    found = {}
    for path in ROOT.rglob("*.py"):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        name = "" if name == "__init__" else name.removesuffix(".__init__")
        found[name] = ast.parse(path.read_text(encoding="utf-8"))
    return found


MODULES = modules()


def imports(tree: ast.Module) -> set[str]:
    """Full names that a module imports anywhere, also inside functions."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def own(tree: ast.Module) -> set[str]:
    """Modules of this package that a module imports."""
    found = set()
    for name in imports(tree):
        if name.startswith("asymscreen."):
            inner = name.removeprefix("asymscreen.")
            while inner not in MODULES:
                inner = inner.rpartition(".")[0]
            found.add(inner)
    return found - {""}


def under(module: str, places: tuple[str, ...]) -> bool:
    return any(module == place or module.startswith(place + ".") for place in places)


def layer(module: str) -> int:
    exact = [k for k, names in enumerate(LAYERS) if module in names]
    found = exact or [k for k, names in enumerate(LAYERS) if under(module, names)]
    assert found, f"{module} has no layer: put it into LAYERS"
    return found[0]


@pytest.mark.parametrize("module", sorted(set(MODULES) - {""}))
def test_a_module_imports_only_what_stands_left_of_it(module: str) -> None:
    wrong = {name for name in own(MODULES[module]) if layer(name) > layer(module)}
    assert not wrong, f"{module} reaches to the right: {sorted(wrong)}"


def test_there_are_no_cycles() -> None:
    graph = {name: own(tree) - {name} for name, tree in MODULES.items() if name}
    assert len(list(TopologicalSorter(graph).static_order())) >= len(graph)


@pytest.mark.parametrize("part", sorted(ONLY_IN))
def test_every_foreign_part_has_its_place(part: str) -> None:
    users = {m for m, tree in MODULES.items() if any(n.split(".")[0] == part for n in imports(tree))}
    assert {m for m in users if not under(m, ONLY_IN[part])} == set()


def test_the_rule_would_find_a_stray_import() -> None:
    stray = ast.parse("def f():\n    from asymscreen.record.store import open_store\n    import mediapipe\n")
    assert own(stray) == {"record.store"}
    assert layer("record.store") > layer("scoring.calls") > layer("motion.press") > layer("landmarks.extract")
    assert "mediapipe" in imports(stray)


def test_every_module_is_in_the_developers_table_and_the_other_way_round() -> None:
    table = set(re.findall(r"`([\w/]+(?:\.py|/))`", DEVELOPERS.read_text(encoding="utf-8").split("\n## ")[1]))
    files = {
        str(path.relative_to(ROOT))
        for path in ROOT.rglob("*.py")
        if path.name != "__init__.py" and "migrations" not in path.parts
    }
    folders = {name for name in table if name.endswith("/")}
    covered = {name for name in files if name in table or any(name.startswith(f) for f in folders)}
    assert files - covered == set(), "not in DEVELOPERS.md"
    assert {name for name in table - folders if name not in files} == set(), "no longer there"
    assert all((ROOT / folder).is_dir() for folder in folders)


def test_the_public_names() -> None:
    assert asymscreen.__all__ == ["Capture", "Screen", "__version__", "screen"]
    assert dir(asymscreen) == asymscreen.__all__
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        asymscreen.nonsense  # noqa: B018


def fresh(code: str) -> str:
    """What a new Python prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_importing_the_package_and_the_command_line_is_light() -> None:
    heavy = (
        "{'numpy', 'cv2', 'mediapipe', 'scipy', 'pandas', 'plotly', 'av', 'pydantic', 'sqlalchemy', 'jinja2'}"
    )
    code = f"import sys, asymscreen, asymscreen.cli; print(sorted({heavy} & set(sys.modules)))"
    assert fresh(code) == "[]"


@pytest.mark.parametrize("first", ["", "import asymscreen.screen;", "from asymscreen.screen import Screen;"])
def test_screen_can_be_called_whichever_was_imported_first(first: str) -> None:
    code = (
        f"{first}\nimport asymscreen; from asymscreen.errors import ClipError\n"
        "try:\n asymscreen.screen('gone.mp4', capture=asymscreen.Capture(view='foot-end'))\n"
        "except ClipError as error:\n print(asymscreen.Screen.__name__, error)"
    )
    assert fresh(code) == "Screen gone.mp4: expected a video clip, found no such file; check the name"
