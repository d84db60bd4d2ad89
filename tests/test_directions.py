"""No package imports one to its right on the street, and importing a package imports nothing else."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import sequencer

ROOT = Path(sequencer.__file__).parent
#: The street, in order; show.py comes after all of it but the commands.
ORDER = tuple("figure timeline motion tables player check firmware board event view cli".split())  # noqa: SIM905
EVERYBODYS = {"errors", "units", "finding", "files", "kept"}


def imports(file: Path) -> set[str]:
    """The first part after ``sequencer.`` of everything that ``file`` imports, at any depth."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            if node.module == "sequencer":
                names = [f"sequencer.{alias.name}" for alias in node.names]
            else:
                names = [node.module]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found |= {name.split(".")[1] for name in names if name.startswith("sequencer.")}
    return found - {"__version__"}


@pytest.mark.parametrize("package", ORDER)
def test_no_package_imports_one_to_its_right(package: str) -> None:
    allowed = EVERYBODYS | set(ORDER[: ORDER.index(package) + 1])
    if package == "cli":
        allowed |= {"show", "show_folder", "show_model", "scene_views", "session"}
    for file in (ROOT / package).rglob("*.py"):
        assert imports(file) <= allowed, file


@pytest.mark.parametrize("module", sorted(EVERYBODYS))
def test_what_is_everybodys_needs_nobody(module: str) -> None:
    assert imports(ROOT / f"{module}.py") <= EVERYBODYS


@pytest.mark.parametrize("package", ORDER)
def test_a_package_by_itself_imports_nothing(package: str) -> None:
    tree = ast.parse((ROOT / package / "__init__.py").read_text(encoding="utf-8"))
    assert [type(node).__name__ for node in tree.body] == ["Expr"], "the docstring and nothing else"
