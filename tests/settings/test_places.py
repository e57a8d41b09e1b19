"""Nothing is written through a link that somebody's folder holds, and a full disk is a refusal."""

from __future__ import annotations

import errno
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from helpers.samples import SAMPLES, copy_sample
from pullbook import analyse
from pullbook.commands.cli import main
from pullbook.errors import ExperimentError
from pullbook.report import sharing
from pullbook.settings.files import write_whole
from pullbook.settings.places import place_for
from pullbook.workbook import execute
from pullbook.workbook.choices import Choices
from pullbook.workbook.run import run_workbook

LOG = SAMPLES / "two_evenings" / "logs" / "before-1.csv"


@pytest.fixture
def precious(tmp_path: Path) -> Path:
    """A file of the person's own, outside every experiment."""
    path = tmp_path / "home" / "precious"
    path.parent.mkdir()
    path.write_text("precious", encoding="utf-8")
    return path


@pytest.fixture(autouse=True)
def _nothing_is_lost(precious):
    yield
    assert [p.name for p in precious.parent.iterdir()] == ["precious"]
    assert precious.read_text(encoding="utf-8") == "precious"


# --- default places ----------------------------------------------------------------------------------------------


def test_results_do_not_go_where_a_link_in_the_experiment_leads(fresh, precious, capsys):
    folder = fresh("two_evenings")
    (folder / "rendered").symlink_to(precious.parent)
    assert main(["run", str(folder), "--quiet"]) == 2
    assert re.search("rendered: .*link", capsys.readouterr().err)


def test_a_failed_notebook_is_not_written_through_a_link(fresh, precious, tmp_path):
    """Nor does a link that leads nowhere yet make a file there."""
    folder = fresh("two_evenings")
    failed = folder / "rendered-failed.ipynb"
    for target in (precious, precious.with_name("new")):
        failed.unlink(missing_ok=True)
        failed.symlink_to(target)
        with pytest.raises(RuntimeError, match="ZeroDivisionError"):
            execute.execute(_broken(tmp_path), {}, produced=tmp_path / "produced.ipynb", failed=failed, progress=False)
        assert failed.is_file()
        assert not failed.is_symlink()


def _broken(folder: Path) -> Path:
    import nbformat

    cells = [nbformat.v4.new_code_cell("a = 1", metadata={"tags": ["parameters"]}), nbformat.v4.new_code_cell("1 / 0")]
    kernel = {"name": "python3", "language": "python", "display_name": "Python 3"}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel}), folder / "broken.ipynb")
    return folder / "broken.ipynb"


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("batch", ["batch", "."]),
        ("history.html", ["history", "."]),
        ("ledger.html", ["ledger", "ledger.csv"]),
        ("plan.html", ["plan", "--out", "plan.html"]),
        ("results.json", ["analyse", ".", "--out", "results.json"]),
        ("mine.html", ["ledger", "ledger.csv", "--out", "mine.html"]),
        ("a/mine.html", ["ledger", "ledger.csv", "--out", "a/mine.html"]),
    ],
)
def test_a_command_given_inside_an_experiment_does_not_write_through_its_links(
    fresh, precious, monkeypatch, capsys, name, arguments
):
    folder = fresh("two_evenings")
    shutil.copyfile(SAMPLES / "fin_wash" / "ledger.csv", folder / "ledger.csv")
    link = folder / name.split("/")[0]
    link.symlink_to(precious.parent if "/" in name or name == "batch" else precious)
    monkeypatch.chdir(folder)
    assert main(arguments) == 2
    assert "link" in capsys.readouterr().err
    assert link.is_symlink()


@pytest.mark.parametrize("kind", ["results", "results/two_evenings", "results/two_evenings/results.json", "batch.csv"])
def test_a_batch_does_not_write_through_links_below_its_own_folder(fresh, precious, tmp_path, capsys, kind):
    folder = fresh("two_evenings")
    link = tmp_path / "out" / kind
    link.parent.mkdir(parents=True)
    link.symlink_to(precious if link.suffix else precious.parent)
    assert main(["batch", str(folder), "--out", str(tmp_path / "out"), "--workers", "1", "--quiet"]) == 2
    assert "link" in capsys.readouterr().err


# --- what a person types -----------------------------------------------------------------------------------------


def test_a_link_of_ones_own_is_followed_and_kept(tmp_path, precious):
    kept = tmp_path / "kept.html"
    (tmp_path / "link.html").symlink_to(kept)
    assert place_for(tmp_path / "link.html", tmp_path / "usual.html") == kept.resolve()


def test_a_link_of_ones_own_that_leads_to_one_in_an_experiment_is_refused(fresh, tmp_path, precious):
    folder = fresh("two_evenings")
    (folder / "logs" / "out").symlink_to(precious.parent)
    (tmp_path / "link").symlink_to(folder / "logs" / "out")
    for given in (tmp_path / "link" / "x", tmp_path / "link", folder / "logs" / "." / "out" / "x"):
        with pytest.raises(ExperimentError, match="out is a link"):
            place_for(given, tmp_path / "usual")
    assert place_for(folder / "logs" / ".." / "here", tmp_path / "usual") == (folder / "here").resolve()


def test_links_that_go_round_are_refused(tmp_path, precious):
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(ExperimentError, match="round"):
        place_for(tmp_path / "a" / "x", tmp_path / "usual")


def test_a_draft_is_not_written_through_links(tmp_path, precious, capsys):
    for k, (name, target) in enumerate([("logs", "."), ("experiment.yaml", "new"), ("logs/before-1.csv", "new")]):
        folder = tmp_path / str(k)
        link = folder / name
        link.parent.mkdir(parents=True)
        link.symlink_to(precious.parent / target)
        assert main(["new", str(folder), "--before", str(LOG)]) == 2
        assert link.is_symlink()
        capsys.readouterr()


def test_a_save_from_the_lab_does_not_write_through_a_link(tmp_path, precious):
    folder = copy_sample("two_evenings", tmp_path / "van")
    elsewhere = tmp_path / "elsewhere.yaml"
    (folder / "experiment.yaml").rename(elsewhere)
    (folder / "experiment.yaml").symlink_to(elsewhere)
    before = elsewhere.read_bytes()
    choices = Choices(folder)
    choices.set(("protocol", "cruise_kmh"), 95.0)
    with pytest.raises(ExperimentError, match="link"):
        choices.save()
    assert elsewhere.read_bytes() == before


def test_results_and_posts_saved_by_hand_do_not_follow_links(tmp_path, precious, result_of):
    for name, save in (("results.json", result_of("two_evenings").save), ("card.png", None)):
        (tmp_path / name).symlink_to(precious)
        with pytest.raises(ExperimentError, match="link"):
            save(tmp_path) if save else sharing.save_posts(result_of("two_evenings"), tmp_path)


def test_a_link_in_the_place_of_the_half_written_file_is_not_followed(tmp_path, precious, monkeypatch):
    """Its name holds a number that nobody can plant beforehand, and what is there is never opened."""
    from types import SimpleNamespace

    from pullbook.settings import files

    monkeypatch.setattr(files, "uuid4", lambda: SimpleNamespace(hex="0" * 32))
    (tmp_path / f".a.csv-{os.getpid()}-00000000").symlink_to(precious)
    with pytest.raises(ExperimentError, match="File exists"):
        write_whole(tmp_path / "a.csv", "text")
    assert not (tmp_path / "a.csv").exists()


# --- a full disk -------------------------------------------------------------------------------------------------

LIMITED = """
import resource, sys
from pullbook.commands.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (4000, 4000))
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX's")
@pytest.mark.parametrize(
    "arguments",
    [
        ["run", "{folder}", "--quiet"],
        ["ledger", "{ledger}", "--quiet", "--out", "{out}/page.html"],
        ["history", "{years}", "--quiet", "--out", "{out}/page.html"],
        ["analyse", "{folder}", "--out", "{out}/results.json"],
        ["new", "{out}/new", "--before", "{log}"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_a_limit_on_the_size_of_files_is_a_refusal(fresh, tmp_path, arguments):
    out = tmp_path / "out"
    out.mkdir()
    places = {
        "folder": fresh("two_evenings"), "ledger": SAMPLES / "fin_wash" / "ledger.csv",
        "years": SAMPLES / "three_springs", "out": out, "log": LOG,
    }  # fmt: skip
    command = [sys.executable, "-c", LIMITED, *(argument.format(**places) for argument in arguments)]
    # Else Python would write cut bytecode of what it imports, and every later process would stumble over it.
    whole = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False, env=whole)
    assert done.returncode == 2, done.stderr
    said = [line for line in done.stderr.splitlines() if line.startswith("pullbook: ")]
    assert len(said) == 1
    assert "File too large" in said[0]
    assert len(said[0]) < 400
    assert not list(out.rglob("*.html"))
    assert not (places["folder"] / "rendered").exists()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT])
def test_a_disk_that_fills_up_while_results_are_put_in_place_is_a_refusal(fresh, capsys, monkeypatch, number):
    folder = fresh("two_evenings")

    def full(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(execute, "execute", full)
    monkeypatch.setattr("pullbook.workbook.run.execute", full)
    for arguments in (["run", str(folder)], ["ledger", str(SAMPLES / "fin_wash" / "ledger.csv"), "--out", "x.html"]):
        monkeypatch.chdir(folder.parent)
        assert main([*arguments, "--quiet"]) == 2
        assert f"({os.strerror(number)})" in capsys.readouterr().err
    with pytest.raises(ExperimentError):
        run_workbook(folder, progress=False)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_behind_standard_output_is_a_refusal():
    command = [sys.executable, "-m", "pullbook.commands.cli", "check", str(SAMPLES / "two_evenings")]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert done.stderr == "pullbook: [Errno 28] No space left on device\n"


def test_what_was_saved_can_be_read_back(tmp_path):
    result = analyse(SAMPLES / "two_evenings")
    result.save(tmp_path)
    assert (tmp_path / "results.json").read_text(encoding="utf-8") == result.to_json()
