"""The notebooks as they are stored: no outputs, thin cells, one tagged cell of commented parameters."""

from __future__ import annotations

import ast
from pathlib import Path

import nbformat
import pytest
from papermill import PapermillExecutionError, execute_notebook, inspect_notebook

from helpers.samples import SAMPLES
from pullbook.workbook.run import workbook_path

NOTEBOOKS = sorted(workbook_path().parent.glob("*.ipynb"))
MOST_LINES = 16


def tags(cell: nbformat.NotebookNode) -> list[str]:
    return cell.metadata.get("tags", [])


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def notebook(request: pytest.FixtureRequest) -> nbformat.NotebookNode:
    return nbformat.read(request.param, as_version=4)


def test_it_is_a_valid_notebook_of_this_language(notebook):
    nbformat.validate(notebook)
    assert notebook.metadata.kernelspec.name == "python3"


def test_it_is_stored_without_outputs(notebook):
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert code
    assert all(cell.outputs == [] and cell.execution_count is None for cell in code)


def test_its_cells_are_thin(notebook):
    for cell in notebook.cells:
        if cell.cell_type == "code" and "parameters" not in tags(cell):
            assert len(cell.source.splitlines()) <= MOST_LINES
            # Logic lives in the library, where it is tested; a function here is what the workbook computes again.
            tree = ast.parse(cell.source)
            nodes = list(ast.walk(tree))
            assert not any(isinstance(node, ast.ClassDef | ast.For | ast.While) for node in nodes)
            functions = [node for node in nodes if isinstance(node, ast.FunctionDef)]
            assert all([ast.unparse(d) for d in f.decorator_list] == ["workbook.follow"] for f in functions)


def test_its_parameters_are_one_tagged_cell_of_commented_scalars(notebook):
    (cell,) = [cell for cell in notebook.cells if "parameters" in tags(cell)]
    for line in cell.source.splitlines():
        statement = ast.parse(line).body[0]
        assert isinstance(statement, ast.Assign)
        assert isinstance(statement.value, ast.Constant)
        assert "  # " in line


def test_the_workbook_names_its_parameters():
    named = ["experiment", "out", "interactive", "level", "relative_dates"]
    assert list(inspect_notebook(str(workbook_path()))) == named


def test_the_workbook_answers_before_anything_else():
    cells = nbformat.read(workbook_path(), as_version=4).cells
    calls = ("display(", "workbook.show(", "workbook.choose(")
    shown = [cell for cell in cells if "lab-only" not in tags(cell) and any(call in cell.source for call in calls)]
    assert shown[0].source.startswith("workbook.show(sections.answer")


@pytest.mark.parametrize("name", ["explore", "history", "ledger"])
def test_another_notebook_executes_as_it_stands(name, tmp_path):
    # The workbook is executed in test_run.py, the plan in test_execute.py. Papermill formats its paths: no braces here.
    (path,) = [path for path in NOTEBOOKS if path.stem == name]
    produced = execute_notebook(str(path), str(tmp_path / path.name), cwd=str(path.parent), progress_bar=False)
    assert not any(o.output_type == "error" for c in produced.cells for o in c.get("outputs", []))


def test_a_missing_experiment_stops_papermill_and_leaves_no_controls(tmp_path: Path):
    with pytest.raises(PapermillExecutionError, match="no such folder"):
        execute_notebook(
            str(workbook_path()), str(tmp_path / "w.ipynb"), {"experiment": "nowhere"}, cwd=str(tmp_path),
            progress_bar=False,
        )  # fmt: skip


def test_the_workbook_takes_another_level(tmp_path: Path):
    """A parameter that the page of a sample does not show: the level of the interval."""
    given = {"experiment": str(SAMPLES / "two_evenings"), "out": "", "level": 0.8}
    produced = execute_notebook(
        str(workbook_path()), str(tmp_path / "w.ipynb"), given, cwd=str(tmp_path), progress_bar=False
    )
    shown = "".join(str(o.get("data", {})) for c in produced.cells for o in c.get("outputs", []))
    assert "80 % interval" in shown
    assert "95 % interval" not in shown
    assert [p.name for p in tmp_path.iterdir()] == ["w.ipynb"]  # out is empty: nothing else is written
