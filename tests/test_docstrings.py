"""Docstrings of public names: the sections name what the code has, and the examples give what they say."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import pullbook
from pullbook import errors

LIBRARY = Path(pullbook.__file__).parent
TEXTS = {
    ".".join(path.relative_to(LIBRARY.parent).with_suffix("").parts).removesuffix(".__init__"): path.read_text("utf-8")
    for path in sorted(LIBRARY.rglob("*.py"))
}
WITH_EXAMPLES = [name for name, text in TEXTS.items() if ">>> " in text]
ANY_SHAPE = "float or ndarray"  # broadcast: the shape is the caller's


def public_names() -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Yield each public function, class and method of the library, with where it stands."""
    for module, text in TEXTS.items():
        tops = [node for node in ast.parse(text).body if isinstance(node, ast.FunctionDef | ast.ClassDef)]
        for top in tops:
            inside = [node for node in top.body if isinstance(node, ast.FunctionDef)]
            for node in [top, *(inside if isinstance(top, ast.ClassDef) else [])]:
                if not (top.name.startswith("_") or node.name.startswith("_")):
                    yield f"{module}:{node.lineno} {node.name}", node


NAMES = list(public_names())
FUNCTIONS = [(place, node) for place, node in NAMES if isinstance(node, ast.FunctionDef)]
DATACLASSES = [
    (place, node)
    for place, node in NAMES
    if isinstance(node, ast.ClassDef) and any("dataclass" in ast.unparse(mark) for mark in node.decorator_list)
]


def section(node: ast.FunctionDef | ast.ClassDef, title: str) -> str:
    """Return a section of a docstring in numpydoc form, empty if there is none."""
    found = re.search(rf"^{title}\n-+\n(.*?)(?=\n\n[A-Z][a-z]+\n---|\Z)", ast.get_docstring(node) or "", re.M | re.S)
    return found[1] if found else ""


def described(node: ast.FunctionDef | ast.ClassDef, title: str) -> list[str]:
    """Return the names that a section describes, in order."""
    heads = [line.split(" : ")[0] for line in section(node, title).split("\n") if line and not line[0].isspace()]
    return [name.strip().lstrip("*") for head in heads for name in head.split(",")]


def parameters(node: ast.FunctionDef) -> list[str]:
    """Return the names of a function's parameters, in order."""
    a = node.args
    given = [*a.posonlyargs, *a.args, a.vararg, *a.kwonlyargs, a.kwarg]
    return [arg.arg for arg in given if arg is not None and arg.arg not in ("self", "cls")]


def test_there_is_something_to_look_at() -> None:
    assert len(FUNCTIONS) > 200
    assert len(DATACLASSES) > 50
    assert len(WITH_EXAMPLES) > 20


def test_parameters_are_those_of_the_signature() -> None:
    wrong = [place for place, node in FUNCTIONS if described(node, "Parameters") not in ([], parameters(node))]
    assert not wrong


def test_attributes_are_those_of_the_dataclass() -> None:
    wrong = [
        place
        for place, node in DATACLASSES
        if sorted(described(node, "Attributes"))
        != sorted(ast.unparse(field.target) for field in node.body if isinstance(field, ast.AnnAssign))
    ]
    assert not wrong


def test_arrays_have_their_sections_and_shapes() -> None:
    """An array that a signature names is described, and its description says what shape it has."""
    wrong = []
    for place, node in FUNCTIONS:
        is_property = any(ast.unparse(mark) == "property" for mark in node.decorator_list)
        takes, gives = ("np.ndarray" in ast.unparse(part) for part in (node.args, node.returns) if part)
        if (takes and not section(node, "Parameters")) or (gives and not is_property and not section(node, "Returns")):
            wrong.append(place)
    for place, node in NAMES:
        for title in ("Parameters", "Attributes", "Returns"):
            heads = [line for line in section(node, title).split("\n") if line and not line[0].isspace()]
            if any("ndarray" in head and "shape" not in head and not head.endswith(ANY_SHAPE) for head in heads):
                wrong.append(place)
    assert not wrong


def raised(node: ast.AST) -> Iterator[str]:
    """Yield the names of the errors that a function raises itself, but for what its own ``try`` may catch."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Raise) and isinstance(child.exc, ast.Call):
            yield ast.unparse(child.exc.func)
        elif isinstance(child, ast.Try):
            for part in (*child.handlers, *child.orelse, *child.finalbody):
                yield from raised(part)
        elif not isinstance(child, ast.FunctionDef):
            yield from raised(child)


def test_errors_that_are_raised_are_told() -> None:
    """A refusal by its own name or as a `PullbookError`; a private function that makes the error is not looked into."""
    wrong = []
    for place, node in FUNCTIONS:
        told = described(node, "Raises")
        for name in raised(node):
            known = name in told or (hasattr(errors, name) and "PullbookError" in told)
            if not known and not name.startswith("_"):
                wrong.append(f"{place}: {name}")
    assert not wrong


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples(name: str) -> None:
    found = doctest.testmod(importlib.import_module(name))  # what differs is printed
    assert not found.failed
    assert found.attempted == TEXTS[name].count(">>> ")  # none is overlooked


def test_the_example_of_the_readme_runs(capsys, monkeypatch) -> None:
    readme = (LIBRARY.parents[1] / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", readme, re.DOTALL)
    monkeypatch.chdir(LIBRARY.parents[1])
    exec(compile(code, "README.md", "exec"), {})
    shown = capsys.readouterr().out
    assert "peak_rise" in shown
    assert pullbook.analyse("sample_runs/fin_wash").comparison.sentence in shown
