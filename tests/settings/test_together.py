"""Files that belong together: stopped at any step they are all old or all new once the next run has looked."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from helpers.samples import contents
from pullbook.errors import ExperimentError
from pullbook.settings import together
from pullbook.settings.files import sweep, write_whole
from pullbook.settings.together import MANIFEST, commit, finish, made_whole

NAMES = ("page", "numbers", "table")
OLD, NEW = {"run": 1, "parameters": {"level": 0.95}}, {"run": 2, "parameters": {"level": 0.9}}


class Stopped(BaseException):
    """Stands for the end of the process."""


def staged(folder: Path, word: str) -> Path:
    folder.mkdir()
    for name in NAMES:
        (folder / name).write_text(f"{word} {name}", encoding="utf-8")
    return folder


@pytest.fixture
def target(tmp_path) -> Path:
    folder = tmp_path / "target"
    commit(staged(tmp_path / "first", "old"), folder, NAMES, OLD)
    (folder / "mine.txt").write_text("my own notes", encoding="utf-8")
    return folder


def words(target: Path) -> set[str]:
    return {(target / name).read_text(encoding="utf-8").split()[0] for name in NAMES}


def test_a_commit_replaces_all_and_leaves_what_is_not_its_own(target, tmp_path):
    assert made_whole(target, NAMES, OLD)
    commit(staged(tmp_path / "second", "new"), target, NAMES, NEW)
    assert words(target) == {"new"}
    assert made_whole(target, NAMES, NEW)
    assert not made_whole(target, NAMES, OLD)
    assert (target / "mine.txt").read_text(encoding="utf-8") == "my own notes"
    assert {path.name for path in target.iterdir()} == {*NAMES, MANIFEST, "mine.txt"}


def stop_at(monkeypatch, step: int, kind: type[BaseException]) -> None:
    """Let so many renames happen, then stop once."""
    replace, count = Path.replace, 0

    def counted(path: Path, to: Path) -> Path:
        nonlocal count
        count += 1
        if count == step + 1:
            raise kind
        return replace(path, to)

    monkeypatch.setattr(Path, "replace", counted)


@pytest.mark.parametrize("step", range(5))
def test_stopped_at_any_rename_a_mixture_is_not_believed_and_the_next_run_repairs_it(
    target, tmp_path, monkeypatch, step
):
    stage = staged(tmp_path / "second", "new")
    with monkeypatch.context() as patch:
        stop_at(patch, step, Stopped)
        with pytest.raises(Stopped):
            commit(stage, target, NAMES, NEW)
    if made_whole(target, NAMES, OLD):
        assert words(target) == {"old"}
    assert not made_whole(target, NAMES, NEW)
    finish(stage, target, NAMES)
    assert words(target) == ({"old"} if step == 0 else {"new"})  # the first rename puts the stage's manifest in place
    assert made_whole(target, NAMES, OLD if step == 0 else NEW)


@pytest.mark.parametrize("step", range(1, 5))
def test_ctrl_c_after_the_point_of_no_return_changes_nothing(target, tmp_path, monkeypatch, step):
    stop_at(monkeypatch, step, KeyboardInterrupt)
    commit(staged(tmp_path / "second", "new"), target, NAMES, NEW)
    assert made_whole(target, NAMES, NEW)


def test_ctrl_c_before_it_leaves_everything_as_it_was(target, tmp_path, monkeypatch):
    before = contents(target)
    stop_at(monkeypatch, 0, KeyboardInterrupt)
    with pytest.raises(KeyboardInterrupt):
        commit(staged(tmp_path / "second", "new"), target, NAMES, NEW)
    assert contents(target) == before


@pytest.mark.parametrize("said", ["[]", "{}", '{"files": []}', "{", '{"files": {"page": "0"}}', '{"files": 1}'])
def test_a_manifest_of_nonsense_is_not_believed(target, said):
    (target / MANIFEST).write_text(said, encoding="utf-8")
    before = contents(target)
    assert not made_whole(target, NAMES, OLD)
    finish(target, target, NAMES)
    assert contents(target) == before


def test_a_stage_that_was_tampered_with_is_not_put_in_place(target, tmp_path, monkeypatch):
    stage = staged(tmp_path / "second", "new")
    with monkeypatch.context() as patch:
        stop_at(patch, 1, Stopped)
        with pytest.raises(Stopped):
            commit(stage, target, NAMES, NEW)
    before = contents(target)
    (stage / "page").write_text("another", encoding="utf-8")
    finish(stage, target, NAMES)
    (stage / "page").unlink()
    (stage / "page").symlink_to(tmp_path / "first" / "elsewhere")
    finish(stage, target, NAMES)
    assert contents(target) == before


@pytest.mark.parametrize("name", NAMES)
def test_one_changed_byte_or_a_link_is_noticed(target, tmp_path, name):
    path = target / name
    whole = path.read_bytes()
    path.write_bytes(whole[:-1] + b"?")
    assert not made_whole(target, NAMES, OLD)
    (tmp_path / "copy").write_bytes(whole)
    path.unlink()
    path.symlink_to(tmp_path / "copy")
    assert not made_whole(target, NAMES, OLD)


@pytest.mark.parametrize("name", [MANIFEST, "page"])
def test_a_pipe_in_a_file_s_place_is_not_waited_for(target, tmp_path, name):
    (target / name).unlink()
    os.mkfifo(target / name)
    assert not made_whole(target, NAMES, OLD)
    finish(target, tmp_path / "elsewhere", NAMES)
    assert not (tmp_path / "elsewhere").exists()


def test_the_manifest_says_what_it_was_made_from(target):
    said = json.loads((target / MANIFEST).read_text(encoding="utf-8"))
    assert said["made_from"] == OLD
    assert {*said["files"]} == {*NAMES}
    assert together.manifest({name: (target / name).read_bytes() for name in NAMES}, OLD) == (
        target / MANIFEST
    ).read_text(encoding="utf-8")


# --- what killed saves leave -------------------------------------------------------------------------------------


def left_behind(folder: Path, name: str, age_s: float) -> Path:
    path = folder / name
    path.write_text("half", encoding="utf-8")
    now = path.stat().st_mtime
    os.utime(path, (now - age_s, now - age_s))
    return path


def test_half_written_files_of_killed_saves_go_and_nothing_else(tmp_path):
    settings = tmp_path / "experiment.yaml"
    old = left_behind(tmp_path, ".experiment.yaml-4711", 120)
    kept = [
        left_behind(tmp_path, ".experiment.yaml-4712", 5),  # perhaps somebody's at this moment
        left_behind(tmp_path, ".experiment.yaml-mine", 120),
        left_behind(tmp_path, "experiment.yaml-4711", 120),
        left_behind(tmp_path, ".other.yaml-4711", 120),
    ]
    write_whole(settings, "title: new\n")
    assert not old.exists()
    assert all(path.exists() for path in kept)
    assert {path.name for path in tmp_path.iterdir()} == {"experiment.yaml", *(path.name for path in kept)}


def test_a_link_with_such_a_name_goes_and_what_it_leads_to_stays(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    file = left_behind(tmp_path / "elsewhere", "file", 1000)
    link = tmp_path / ".page.html-12"
    link.symlink_to(file)
    os.utime(link, (1, 1), follow_symlinks=False)
    sweep(tmp_path / "page.html")
    assert not link.is_symlink()
    assert file.read_text(encoding="utf-8") == "half"


def test_a_name_with_signs_of_patterns_is_only_a_name(tmp_path):
    kept = left_behind(tmp_path, ".a1.html-12", 1000)
    gone = left_behind(tmp_path, ".a[1].html-12", 1000)
    sweep(tmp_path / "a[1].html")
    assert kept.exists()
    assert not gone.exists()


def test_a_save_that_is_refused_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(ExperimentError, match="No space left"):
        write_whole(tmp_path / "a.html", "text")
    assert not list(tmp_path.iterdir())
