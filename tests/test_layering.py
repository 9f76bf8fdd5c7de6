"""Imports run one way: a stage never imports a later one, and no two modules import each other."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

BUILDER = Path(__file__).parent.parent / "builder"

# Left to right along the data flow; a module may import from its own layer and from those before it.
LAYERS = [
    {"errors", "spin", "themes", "colour", "srgb", "rim"},
    {"store", "terminal", "workers"},
    {"catalog"},
    {"frames"},
    {"findings", "measured"},
    {"filmed"},
    {"check_report"},
    {"finished"},
    {"derivatives"},
    {"pages"},
    {"items"},
    {"site"},
    {"proof"},
    {"building"},
    {"preview"},
    {"commands"},
    {"cli"},
    {"__main__"},
]
ALONE = {"capture"}  # stands before it all; the command line may call it
RANK = {module: rank for rank, layer in enumerate(LAYERS) for module in layer}


def top(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def imports_of(file: Path) -> set[str]:
    """Modules of builder that a file imports when it runs (not for type checking only)."""
    tree = ast.parse(file.read_text("utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "builder":
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            found |= {
                name if (BUILDER.parent / (name.replace(".", "/") + ".py")).exists() else node.module for name in names
            }
            if node.module == "builder":
                found |= {f"builder.{alias.name}" for alias in node.names if (BUILDER / f"{alias.name}.py").exists()}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.split(".")[0] == "builder"}
    return found


def module_of(file: Path) -> str:
    parts = file.relative_to(BUILDER.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = sorted(BUILDER.rglob("*.py"))


def test_every_module_has_its_layer():
    tops = {top(module_of(file)) for file in FILES} - {""}
    assert tops == set(RANK) | ALONE


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.relative_to(BUILDER).as_posix())
def test_no_arrow_points_right(file):
    own = top(module_of(file))
    if own in ALONE or own == "":
        allowed = {"errors", "spin", "themes", "terminal", "rim"} | ALONE
        assert {top(name) for name in imports_of(file)} - {""} <= allowed
        return
    later = {name for name in imports_of(file) if top(name) in RANK and RANK[top(name)] > RANK[own]}
    assert not later
    if own != "cli":
        assert not {name for name in imports_of(file) if top(name) in ALONE}


def test_only_frames_opens_photos():
    """Source photos are read through frames alone; Pillow elsewhere opens bytes or the shop's logo."""
    for file in FILES:
        if top(module_of(file)) != "frames":
            assert "builder.frames.decode" not in imports_of(file), file


def test_only_the_film_stage_opens_films():
    for file in FILES:
        if top(module_of(file)) not in ("filmed", "frames"):
            assert "builder.frames.footage" not in imports_of(file), file


def test_no_two_modules_import_each_other():
    graph = {module_of(file): imports_of(file) & {module_of(other) for other in FILES} for file in FILES}

    def reach(module: str, seen: set[str]) -> set[str]:
        for name in graph.get(module, ()):
            if name not in seen:
                seen.add(name)
                reach(name, seen)
        return seen

    knots = sorted(module for module in graph if module in reach(module, set()))
    assert not knots


def test_help_loads_nothing_heavy():
    code = (
        "import sys\nimport builder.cli\n"
        "heavy = {'numpy', 'cv2', 'scipy', 'PIL', 'pydantic', 'jinja2', 'av', 'imageio', 'rich'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
