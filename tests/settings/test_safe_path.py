"""An experiment is data: where a person stands, and what they analyse, is never imported from."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from helpers.canaries import plant
from helpers.fatal_tasks import module_path
from helpers.samples import SAMPLES, copy_sample
from pullbook.batch import pool
from pullbook.settings.safe_path import forget_working_folder, safe_children
from pullbook.workbook import lab

COMMAND = Path(sys.executable).with_name("pullbook")


@pytest.fixture
def trap(tmp_path: Path) -> Path:
    """Copy a sample into a folder full of modules; `mark` beside it stays away as long as none is imported."""
    folder = copy_sample("two_evenings", tmp_path / "trap")
    (folder / "ledger.csv").write_bytes((SAMPLES / "fin_wash" / "ledger.csv").read_bytes())
    plant(folder, tmp_path / "mark")
    return folder


@pytest.mark.skipif(not COMMAND.exists(), reason="the command is installed beside Python")
@pytest.mark.parametrize(
    "arguments",
    [
        ["analyse", "."],
        ["run", ".", "--quiet"],
        ["batch", ".", "--workers", "1", "--out", "../out", "--quiet"],
        ["batch", ".", "--workers", "1", "--out", "../out", "--quiet", "--pages"],
        ["ledger", "ledger.csv", "--quiet"],
        ["new", "../new", "--before", "logs/before-1.csv"],
    ],
    ids=lambda arguments: " ".join(arguments[:1] + [a for a in arguments if a == "--pages"]),
)
def test_a_command_given_inside_an_experiment_imports_nothing_from_it(trap, arguments):
    done = subprocess.run([COMMAND, *arguments], cwd=trap, capture_output=True, text=True, timeout=300, check=False)
    mark = trap.parent / "mark"
    assert not mark.exists(), mark.read_text(encoding="utf-8")
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("part", ["", ".", "logs", "{here}"])
def test_a_worker_does_not_import_from_where_the_command_was_given(trap, monkeypatch, part):
    """Also where `PYTHONPATH`, or an interactive Python, names that folder."""
    monkeypatch.chdir(trap)
    kept = str(Path(__file__).parents[1])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([part.format(here=trap), kept]))
    monkeypatch.setattr(sys, "path", ["", str(trap), *sys.path])
    before = list(sys.path)
    results = dict(pool.on_this_machine(module_path, ["once"], workers=1))
    found, environment = results[0]
    assert str(trap) not in found
    assert "" not in found
    assert environment == {"PYTHONSAFEPATH": "1", "PYTHONPATH": kept}
    assert kept in found  # what else was named is still imported from
    assert sys.path == before
    assert "PYTHONSAFEPATH" not in os.environ


def test_the_lab_and_its_kernels_do_not_either(trap, monkeypatch, tmp_path):
    from jupyterlab.labapp import LabApp

    seen = {}
    monkeypatch.setattr(LabApp, "launch_instance", lambda **_: seen.update(os.environ, path=list(sys.path)))
    monkeypatch.chdir(trap)
    monkeypatch.setenv("PYTHONPATH", "")
    monkeypatch.setattr(sys, "path", ["", *sys.path])
    lab.open_lab(tmp_path / "copy.ipynb")
    assert seen["PYTHONSAFEPATH"] == "1"
    assert "PYTHONPATH" not in seen
    assert "" not in seen["path"]


def test_a_kernel_has_no_working_folder_on_its_path(tmp_path, monkeypatch):
    import nbformat

    from pullbook.workbook import execute

    cells = [
        nbformat.v4.new_code_cell("a = 1", metadata={"tags": ["parameters"]}),
        nbformat.v4.new_code_cell("import os, sys\nprint([p for p in sys.path if p in ('', '.', os.getcwd())])"),
    ]
    kernel = {"name": "python3", "language": "python", "display_name": "Python 3"}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel}), tmp_path / "path.ipynb")
    monkeypatch.setenv("PYTHONPATH", "")
    notebook = execute.execute(
        tmp_path / "path.ipynb", {}, produced=tmp_path / "out.ipynb", failed=tmp_path / "failed.ipynb", progress=False
    )
    assert notebook.cells[1].outputs[0]["text"] == "[]\n"


def test_the_folder_that_the_library_is_imported_from_stays(monkeypatch):
    import pullbook

    home = Path(pullbook.__file__).parents[1]
    monkeypatch.chdir(home)
    monkeypatch.setattr(sys, "path", ["", str(home), "/elsewhere"])
    forget_working_folder()
    assert sys.path == [str(home), "/elsewhere"]


def test_a_working_folder_that_is_gone_is_no_fault(tmp_path, monkeypatch):
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    with safe_children():
        assert "PYTHONSAFEPATH" in os.environ
    assert "PYTHONSAFEPATH" not in os.environ
