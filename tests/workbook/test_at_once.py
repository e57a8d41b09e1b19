"""Several at once in one folder: nothing is half done, nothing lost, and nobody is told what is not so."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from helpers.samples import contents
from pullbook.batch.experiments import find_experiments, run_batch
from pullbook.errors import ExperimentError
from pullbook.settings.experiment import Experiment
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.settings.together import MANIFEST
from pullbook.workbook import run as run_module
from pullbook.workbook.choices import Choices
from pullbook.workbook.run import OUTPUTS, run_workbook


def started(*arguments: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "pullbook.commands.cli", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_a_batch_and_a_run_and_another_batch_in_one_folder(fresh, tmp_path):
    folder = fresh("two_evenings")
    inputs = contents(folder)
    out = tmp_path / "out"
    batch = ["batch", folder, "--out", out, "--workers", 1, "--quiet"]
    all_three = [started(*batch), started("run", folder, "--quiet"), started(*batch)]
    for process in all_three:
        text, error = process.communicate(timeout=300)
        assert process.returncode == 0, error
        assert "Wrote " in text
    assert {p.name for p in (folder / "rendered").iterdir()} == {*OUTPUTS, MANIFEST}
    alone, many = (
        json.loads(path.read_text(encoding="utf-8"))
        for path in (folder / "rendered" / "results.json", out / "results" / "two_evenings" / "results.json")
    )
    assert alone == many
    assert [row.fresh for row in run_batch(find_experiments([folder]), out, workers=1, progress=False)] == [False]
    assert run_workbook(folder, if_changed=True).fresh is False
    assert {name: content for name, content in contents(folder).items() if "rendered" not in name} == inputs
    assert not list(out.rglob(".*"))


def test_a_run_that_waited_takes_the_settings_as_they_are_then(fresh, monkeypatch):
    """Between its start and its turn the lab saved another title."""
    folder = fresh("two_evenings")
    real, seen = run_module.exclusive, []

    def after_a_save(target: Path):
        path = folder / "experiment.yaml"
        path.write_text(path.read_text(encoding="utf-8").replace("Two evenings", "Saved meanwhile"), encoding="utf-8")
        return real(target)

    monkeypatch.setattr(run_module, "exclusive", after_a_save)
    monkeypatch.setattr(run_module, "_unchanged", lambda experiment, *_: seen.append(experiment.title) or "earlier")
    assert run_workbook(folder, if_changed=True) == "earlier"
    assert seen[0].startswith("Saved meanwhile")


def test_a_save_while_a_run_reads_shows_in_the_next_run(fresh, monkeypatch):
    """The results say which settings they are made from, so a change on the way is never called Unchanged."""
    from pullbook.analysis import result

    folder = fresh("two_evenings")
    old = inputs_sha256(Experiment.load(folder))
    real = result.read_drives

    def saved_meanwhile(experiment):
        drives = real(experiment)
        choices = Choices(folder)
        choices.set(("protocol", "cruise_kmh"), 95.0)
        choices.save()
        return drives

    monkeypatch.setattr(result, "read_drives", saved_meanwhile)
    made = result.analyse(folder)
    assert made.inputs_sha256 == old
    assert made.inputs_sha256 != inputs_sha256(Experiment.load(folder))


def test_of_two_pages_that_save_at_once_one_is_told(fresh):
    folder = fresh("two_evenings")
    pages = [Choices(folder), Choices(folder)]
    pages[0].set(("protocol", "cruise_kmh"), 95.0)
    pages[1].set(("protocol", "pull_to_kmh"), 105.0)
    ready, refused = threading.Barrier(2), []

    def save(page: Choices) -> None:
        ready.wait()
        try:
            page.save()
        except ExperimentError as refusal:
            refused.append(str(refusal))

    threads = [threading.Thread(target=save, args=(page,)) for page in pages]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(refused) == 1
    assert "changed outside this page" in refused[0]
    protocol = Experiment.load(folder).protocol
    assert (protocol.cruise_kmh == 95.0) != (protocol.pull_to_kmh == 105.0)
    assert not [p for p in folder.iterdir() if p.name.startswith(".")]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are POSIX's")
def test_a_save_while_the_file_is_a_pipe_is_refused(fresh):
    folder = fresh("two_evenings")
    choices = Choices(folder)
    choices.set(("protocol", "cruise_kmh"), 95.0)
    (folder / "experiment.yaml").unlink()
    os.mkfifo(folder / "experiment.yaml")
    with pytest.raises(ExperimentError, match=r"no experiment\.yaml"):
        choices.save()
