"""Imports run one way: no module imports one that imports it, directly or round a corner."""

from __future__ import annotations

import ast
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


def test_no_module_imports_upward() -> None:
    graph = {path.stem: imports_of(path) for path in LIBRARY.glob("*.py") if path.stem != "__init__"}
    assert len(graph) > 40
    settled: list[str] = []
    while len(settled) < len(graph):
        free = sorted(name for name in graph if name not in settled and graph[name] <= set(settled))
        assert free, {name: graph[name] - set(settled) for name in graph if name not in settled}
        settled += free


def test_nothing_imports_the_command_line_or_the_page_from_below() -> None:
    for path in LIBRARY.glob("*.py"):
        if path.stem not in ("cli", "lab", "workbook", "batch", "batch_report", "__init__"):
            assert not imports_of(path) & {"cli", "workbook", "batch"}, path.stem


def test_every_refusal_stands_where_a_refused_notebook_is_told_by_its_name() -> None:
    """The process that executes a notebook knows a refusal by name, and has loaded only `errors` for certain."""
    homes = {
        path.stem
        for path in LIBRARY.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef) and any(ast.unparse(base).endswith("Error") for base in node.bases)
    }
    assert homes == {"errors"}
