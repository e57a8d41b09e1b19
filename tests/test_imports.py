"""Imports run one way: no module imports one that imports it, directly or round a corner."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pullbook

LIBRARY = Path(pullbook.__file__).parent


def imports_of(path: Path) -> set[str]:
    """Return the modules of the library that a module imports when it is loaded or when a function runs."""
    found: set[str] = set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and id(node) not in typing_only:
            parts = node.module.split(".")
            if parts[0] == "pullbook":
                names = [parts[1]] if len(parts) > 1 else [alias.name for alias in node.names]
                found |= {name for name in names if (LIBRARY / f"{name}.py").is_file()}
    return found


def drawn() -> list[str]:
    """Return the modules in the order of the picture of the house in DEVELOPERS.md: from left to right, then down."""
    text = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    picture = text.partition("## The house")[2].partition("Imports run one way")[0]
    lines = [line[4:] for line in picture.splitlines() if line.startswith("    ") and line[4:5].strip()]
    named = [re.match(r"(?:[a-z0-9_]+(?:  |$))+", line) for line in lines]
    return [name for match in named if match for name in match[0].split() if (LIBRARY / f"{name}.py").is_file()]


def test_imports_run_one_way_down_the_picture_of_the_house() -> None:
    modules = {path.stem: path for path in LIBRARY.glob("*.py") if path.stem != "__init__"}
    order = drawn()
    assert sorted(order) == sorted(modules)  # each is drawn, and once
    upward = {
        name: wrong for k, name in enumerate(order) if (wrong := imports_of(modules[name]) - set(order[:k]) - {name})
    }
    assert not upward


def test_every_refusal_stands_where_a_refused_notebook_is_told_by_its_name() -> None:
    """The process that executes a notebook knows a refusal by name, and has loaded only `errors` for certain."""
    homes = {
        path.stem
        for path in LIBRARY.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef) and any(ast.unparse(base).endswith("Error") for base in node.bases)
    }
    assert homes == {"errors"}
