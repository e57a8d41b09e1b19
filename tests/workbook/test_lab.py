"""The person's own copy of the workbook, one for each experiment, outside the experiment's folder."""

from __future__ import annotations

import json
import os
from pathlib import Path
from urllib.parse import quote

import nbformat
import pytest

from pullbook.errors import ExperimentError
from pullbook.workbook.lab import own_copy
from pullbook.workbook.run import workbook_path


def test_the_copy_opens_with_the_experiment_and_lies_outside_it(fresh, tmp_path):
    folder = fresh("two_evenings")
    copy, current = own_copy(folder, tmp_path / "home")
    assert current
    assert copy.parent == tmp_path / "home"
    notebook = nbformat.read(copy, as_version=4)
    parameters = next(c for c in notebook.cells if "parameters" in c.metadata.get("tags", []))
    assert f"experiment = {str(folder.resolve())!r}  # the experiment folder" in parameters.source.splitlines()
    assert any(line.startswith("interactive = True") for line in parameters.source.splitlines())
    template = nbformat.read(workbook_path(), as_version=4)
    assert [c.cell_type for c in notebook.cells] == [c.cell_type for c in template.cells]
    assert "rendered" not in {path.name for path in folder.iterdir()}


def test_two_folders_of_one_name_have_a_copy_each(fresh, tmp_path):
    first = fresh("two_evenings")
    second = first.rename(tmp_path / "x").rename(tmp_path / "x")
    again = tmp_path / "other" / "x"
    again.parent.mkdir()
    import shutil

    shutil.copytree(second, again)
    assert own_copy(second, tmp_path / "home")[0] != own_copy(again, tmp_path / "home")[0]


def test_an_untouched_copy_is_written_anew_and_an_edited_one_is_kept(fresh, tmp_path):
    folder = fresh("two_evenings")
    copy, _ = own_copy(folder, tmp_path / "home")
    executed = json.loads(copy.read_text(encoding="utf-8"))
    executed["cells"][2]["outputs"] = [{"output_type": "stream", "name": "stdout", "text": "ran"}]
    copy.write_text(json.dumps(executed), encoding="utf-8")
    assert own_copy(folder, tmp_path / "home") == (copy, True)
    assert "ran" not in copy.read_text(encoding="utf-8")
    executed["cells"][2]["source"] = "mine"
    copy.write_text(json.dumps(executed), encoding="utf-8")
    assert own_copy(folder, tmp_path / "home") == (copy, False)
    assert "mine" in copy.read_text(encoding="utf-8")
    copy.write_text("no notebook", encoding="utf-8")
    assert own_copy(folder, tmp_path / "home") == (copy, False)


def test_an_experiment_that_is_refused_opens_nothing(tmp_path):
    with pytest.raises(ExperimentError, match="no such folder"):
        own_copy(tmp_path / "nowhere", tmp_path / "home")
    assert not (tmp_path / "home").exists()


def test_a_home_that_is_a_file_is_told(fresh, tmp_path):
    (tmp_path / "home").write_text("", encoding="utf-8")
    with pytest.raises(ExperimentError, match="can't be written"):
        own_copy(fresh("two_evenings"), tmp_path / "home" / "deeper")


@pytest.mark.parametrize("name", [b"v\xff\xfen", b"a\nb\x1b[2J", "ü".encode() * 120, b"{experiment}\"'%s"])
def test_a_folder_of_any_name_has_a_copy_that_finds_it(fresh, tmp_path, name):
    folder = tmp_path / os.fsdecode(name)
    fresh("two_evenings").rename(folder)
    copy, _ = own_copy(folder, tmp_path / "home")
    assert copy.name.isprintable()
    quote(copy.name)
    cell = next(c for c in json.loads(copy.read_text(encoding="utf-8"))["cells"] if "parameters" in str(c["metadata"]))
    named: dict[str, object] = {}
    exec("".join(cell["source"]), named)
    assert Path(str(named["experiment"])) == folder
