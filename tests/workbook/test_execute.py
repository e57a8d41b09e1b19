"""Pages of the other notebooks: one file each, parameters checked first, all or nothing."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import nbformat
import pytest

from helpers.pages import Read
from helpers.samples import SAMPLES, contents
from pullbook.commands.cli import main
from pullbook.errors import ExperimentError
from pullbook.workbook import execute

WASHED = ["-p", "service=cooler fins washed"]
LEDGER = SAMPLES / "fin_wash" / "ledger.csv"


@pytest.fixture
def own(tmp_path) -> Path:
    """A copy of the sample's ledger."""
    return Path(shutil.copyfile(LEDGER, tmp_path / "my.csv"))


def test_the_ledger_is_one_page_beside_its_csv(own, capsys):
    assert main(["ledger", str(own), "--quiet", "-p", "today=2026-06-20", "-p", "service=Cooler fins washed"]) == 0
    assert capsys.readouterr().out == f"Wrote {own.with_suffix('.html')}\n"
    assert sorted(p.name for p in own.parent.iterdir()) == ["my.csv", "my.html"]
    html = own.with_suffix(".html").read_text(encoding="utf-8")
    read = Read(html)
    assert "31 ml every 2,000 km" in read.text
    assert "92 days" in read.text
    assert "skin" in read.text  # the caution is on the page, not in JupyterLab alone
    assert len(read.all("h1")) == 1
    assert "Set the lines below" not in read.text
    assert str(own.parent) not in html


def test_the_terminal_names_the_rows_that_were_not_counted(own, capsys):
    own.write_text(own.read_text(encoding="utf-8") + "2026-08-01,150000,catch can emptied,35,ml,\n", encoding="utf-8")
    assert main(["ledger", str(own), "--quiet", "-p", "today=2026-08-20"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "('catch can emptied', 35 ml)" in said
    assert "Did you mean 'catch can'?" in said


def test_results_beside_the_person_are_found(own, monkeypatch):
    """A file is given from where the person stands; the notebook runs elsewhere."""
    found = {"comparison": {"sentence": "Improved: fell by 6 K.", "verdict": "improved"}}
    (own.parent / "results.json").write_text(json.dumps(found), encoding="utf-8")
    monkeypatch.chdir(own.parent)
    assert main(["ledger", "my.csv", "--quiet", "--out", "page.html", "-p", "results=results.json", *WASHED]) == 0
    assert "Improved: fell by 6 K." in Read((own.parent / "page.html").read_text(encoding="utf-8")).text


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["-p", "capacity=250"], "Did you mean capacity_ml?"),
        (["-p", "capacity_ml=-1"], "-p capacity_ml: given -1"),
        (["-p", "cost=much"], "-p cost: given 'much'"),
        (["-p", "ledger=x.csv"], "pullbook ledger FILE.csv"),
        (["-p", "service=oil"], "catch can, cooler fins washed"),
        (["-p", "results=none.json", *WASHED], "results.json"),
        (["-p", "today=tomorrow"], "or empty for today"),
    ],
)
def test_what_is_wrong_is_refused_and_the_earlier_page_stays(own, capsys, options, said):
    own.with_suffix(".html").write_text("earlier", encoding="utf-8")
    before = contents(own.parent)
    assert main(["ledger", str(own), "--quiet", *options]) == 2
    assert said in capsys.readouterr().err
    assert contents(own.parent) == before


def test_a_faulty_ledger_is_refused_with_its_rows(own, capsys):
    own.write_text("date,odometer,item\n2025-13-01,1000,wash\n", encoding="utf-8")
    assert main(["ledger", str(own), "--quiet"]) == 2
    assert "row 2: date given '2025-13-01'" in capsys.readouterr().err
    assert [p.name for p in own.parent.iterdir()] == ["my.csv"]


def test_a_ledger_cannot_be_written_over_by_its_page(own, capsys):
    assert main(["ledger", str(own), "--quiet", "--out", str(own)]) == 2
    assert "ends in .html" in capsys.readouterr().err


def test_a_notebook_that_was_not_installed_is_told():
    with pytest.raises(ExperimentError, match=r"other\.ipynb"):
        execute.notebook_path("other.ipynb")


def test_a_place_where_jupyter_cannot_write_is_told_with_the_remedy(own, capsys, monkeypatch, tmp_path):
    (tmp_path / "a file").write_text("", encoding="utf-8")
    monkeypatch.setenv("JUPYTER_RUNTIME_DIR", str(tmp_path / "a file" / "runtime"))
    assert main(["ledger", str(own), "--quiet", *WASHED]) == 2
    said = capsys.readouterr().err
    assert "can't be written to" in said
    assert "JUPYTER_RUNTIME_DIR" in said
    assert not own.with_suffix(".html").exists()


def test_the_plan_is_a_page_to_print(tmp_path, capsys):
    out = tmp_path / "plan.html"
    assert main(["plan", "--out", str(out)]) == 0
    assert capsys.readouterr().out == f"Wrote {out}\n"
    read = Read(out.read_text(encoding="utf-8"))
    assert "2 K" in read.text
    assert "safety" in read.text
    assert len(read.all("h1")) == 1


@pytest.mark.parametrize(("given", "change"), [(["--change", "4"], "4 K"), ([], "3 K")])
def test_the_plan_takes_the_change_that_is_given_or_that_of_its_experiment(tmp_path, given, change):
    out = tmp_path / "plan.html"
    assert main(["plan", str(SAMPLES / "nothing_done"), *given, "--out", str(out)]) == 0
    assert f"a change of {change}" in Read(out.read_text(encoding="utf-8")).text


def test_a_notebook_that_fails_is_kept_and_named_and_the_page_stays(tmp_path, monkeypatch):
    cells = [nbformat.v4.new_code_cell("a = 1", metadata={"tags": ["parameters"]}), nbformat.v4.new_code_cell("1 / 0")]
    kernel = {"name": "python3", "language": "python", "display_name": "Python 3"}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel}), tmp_path / "broken.ipynb")
    monkeypatch.setattr(execute, "notebook_path", lambda name: tmp_path / name)
    out = tmp_path / "page.html"
    out.write_text("earlier", encoding="utf-8")
    with pytest.raises(RuntimeError, match=r"ZeroDivisionError.*kept as .*page-failed\.ipynb"):
        execute.render_notebook("broken.ipynb", {}, out=out, title="x", progress=False)
    assert out.read_text(encoding="utf-8") == "earlier"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["broken.ipynb", "page-failed.ipynb", "page.html"]


def test_a_path_that_no_notebook_can_hold_is_refused_by_its_name(tmp_path):
    kept = {"produced": tmp_path / "a.ipynb", "failed": tmp_path / "b.ipynb", "progress": False}
    with pytest.raises(ExperimentError, match=r"/x/v\?n: .*not UTF-8.* Rename"):
        execute.execute(execute.notebook_path("workbook.ipynb"), {"experiment": "/x/v\udcffn"}, **kept)
