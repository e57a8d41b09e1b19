"""The hash over settings and logs: what changes it, what does not, and the same drive under two names."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from helpers.samples import contents
from pullbook.errors import ExperimentError, LogError
from pullbook.settings.experiment import Experiment
from pullbook.settings.fingerprint import inputs_sha256, log_digests


def hash_of(folder: Path) -> str:
    return inputs_sha256(Experiment.load(folder))


def test_the_hash_follows_every_setting_and_every_byte_of_a_log_and_nothing_else(fresh):
    folder = fresh("two_evenings")
    first, settings, log = hash_of(folder), folder / "experiment.yaml", folder / "logs" / "after-1.csv"
    assert len(first) == 64

    (folder / "notes.txt").write_text("beside the point", encoding="utf-8")
    settings.write_text(settings.read_text(encoding="utf-8") + "# a comment\n", encoding="utf-8")
    assert hash_of(folder) == first
    assert hash_of(Path(shutil.copytree(folder, folder.with_name("elsewhere")))) == first

    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("ambient_c: 15.0", "ambient_c: 15.5"), encoding="utf-8")
    changed = hash_of(folder)
    assert changed != first

    log.write_bytes(log.read_bytes() + b"\n")
    assert hash_of(folder) not in {first, changed}


def test_hashing_changes_no_file(fresh):
    folder = fresh("two_evenings")
    before = contents(folder)
    hash_of(folder)
    assert contents(folder) == before


def test_the_same_log_under_two_names_is_refused(fresh):
    folder = fresh("two_evenings")
    shutil.copyfile(folder / "logs" / "before-1.csv", folder / "logs" / "after-1.csv")
    with pytest.raises(ExperimentError, match=r"'before-1' .*'after-1' .*same"):
        hash_of(folder)


def test_a_log_that_is_gone_is_refused(tmp_path):
    with pytest.raises(LogError, match=r"gone.csv: cannot be read \(No such file or directory\)"):
        log_digests({"before-1": tmp_path / "gone.csv"})
