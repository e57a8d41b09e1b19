"""Executing the workbook: all or nothing, no paths in what is stored, and nothing done twice."""

from __future__ import annotations

import functools
import getpass
import json
import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from audit.leaks import leaks, with_secrets
from helpers.pages import unpacked
from helpers.samples import SAMPLES, contents, copy_sample
from helpers.waiting import LONGEST_S, wait_until
from pullbook.commands.cli import main
from pullbook.errors import ExperimentError
from pullbook.settings.together import MANIFEST
from pullbook.workbook import execute, run
from pullbook.workbook.run import OUTPUTS, run_workbook, workbook_path

# The files that the workbook owes, without the analysis: what is tested here is what is done with them.
TINY = """
import json
from pathlib import Path
from pullbook.settings.experiment import Experiment
from pullbook.settings.fingerprint import inputs_sha256
found = {"sessions": {}, "inputs_sha256": inputs_sha256(Experiment.load(experiment)), "findings": []}
found["comparison"] = {"verdict": "improved", "sentence": "Improved."}
Path(out, "results.json").write_text(json.dumps(found))
Path(out, "runs.csv").write_text("session\\n")
for name in ("post.md", "post.bbcode.txt", "card.png"):
    Path(out, name).write_text("posted")
"""


NEEDED = 'experiment = ""\nout = ""\ninteractive = False'
LEVELLED = NEEDED + "\nlevel = 0.95\nrelative_dates = False"


def small_workbook(folder: Path, *cells: str, parameters: str = NEEDED) -> Path:
    """Write a workbook of few cells, for what does not need the whole one."""
    first = nbformat.v4.new_code_cell(parameters, metadata={"tags": ["parameters"]})
    rest = [nbformat.v4.new_code_cell(source) for source in cells]
    path = folder / "workbook.ipynb"
    kernel = {"name": "python3", "language": "python", "display_name": "Python 3"}
    nbformat.write(nbformat.v4.new_notebook(cells=[first, *rest], metadata={"kernelspec": kernel}), path)
    return path


@pytest.fixture
def use(tmp_path, monkeypatch):
    """Put a small workbook in the place of the real one, and a library of two files in the place of its own."""
    library = tmp_path / "library"
    (library / "page_template").mkdir(parents=True)
    for part in ("__init__.py", "page_template/page.css"):
        (library / part).write_text("", encoding="utf-8")
    monkeypatch.setattr(run, "LIBRARY", library)

    def put(*cells: str, **options: str) -> Path:
        home = tmp_path / "notebooks"
        home.mkdir(exist_ok=True)
        path = small_workbook(home, *cells, **options)
        monkeypatch.setattr(run, "workbook_path", lambda: path)
        return path

    return put


@pytest.fixture
def played(use, monkeypatch):
    """As `use`, and the cells run in this process: for what is decided before and after the execution."""

    def execute(path: Path, parameters: dict[str, object], **_: object) -> nbformat.NotebookNode:
        notebook = nbformat.read(path, as_version=4)
        for cell in notebook.cells[1:]:
            exec(cell.source, dict(parameters))
        return notebook

    monkeypatch.setattr(run, "execute", execute)
    return use


def with_earlier(folder: Path) -> Path:
    out = folder / "rendered"
    out.mkdir()
    for name in OUTPUTS:
        (out / name).write_text("earlier", encoding="utf-8")
    return out


# --- what is stored ----------------------------------------------------------------------------------------------


def test_everything_is_written_and_nothing_else(rendered):
    assert rendered.fresh
    assert rendered.verdict == "improved"
    assert {p.name for p in rendered.folder.iterdir()} == {*OUTPUTS, MANIFEST}
    given = {p.name for p in (SAMPLES / "fin_wash").iterdir()}
    assert {p.name for p in rendered.folder.parent.iterdir()} == given | {"rendered"}
    results = json.loads((rendered.folder / "results.json").read_text(encoding="utf-8"))
    assert results["comparison"]["sentence"] == rendered.sentence
    assert (rendered.folder / "runs.csv").read_text(encoding="utf-8").count("\n") > 30


@pytest.mark.parametrize("name", [name for name in OUTPUTS if name != "card.png"])  # its chunks: test_sharing.py
def test_no_path_user_or_host_is_stored(rendered, name):
    text = unpacked((rendered.folder / name).read_text(encoding="utf-8"))
    folders = [rendered.folder, *rendered.folder.parents[:3], Path.home(), Path(sys.prefix), run.LIBRARY]
    leaks = [*map(str, folders), ".pullbook-", f"/{getpass.getuser()}/"]
    assert [leak for leak in leaks if leak in text] == []
    assert not re.search(rf"(?<![\w-]){re.escape(socket.gethostname())}(?![\w-])", text)


def test_the_stored_notebook_was_executed_and_finds_the_experiment_beside_it(rendered):
    notebook = nbformat.read(rendered.folder / "workbook.ipynb", as_version=4)
    nbformat.validate(notebook)
    injected = next(c for c in notebook.cells if "injected-parameters" in c.metadata.get("tags", []))
    assert injected.source == '# Parameters\nexperiment = ".."\nout = ""\n'
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1))
    assert not any(output.output_type == "error" for cell in code for output in cell.outputs)
    assert "papermill" not in notebook.metadata


def test_braces_and_spaces_in_a_path_are_only_characters(hostile):
    assert hostile.fresh
    assert "{x} and spaces" in str(hostile.folder)


# --- refusals and faults -----------------------------------------------------------------------------------------


def test_a_refusal_inside_the_notebook_is_a_refusal(fresh, use, capsys):
    use("from pullbook.errors import LogError", "raise LogError('a.csv: no speed; name its column')", TINY)
    folder = fresh("two_evenings")
    with_earlier(folder)
    before = contents(folder)
    assert main(["run", str(folder), "--quiet"]) == 2
    assert capsys.readouterr().err == "pullbook: a.csv: no speed; name its column\n"
    assert contents(folder) == before


def test_a_notebook_that_fails_is_kept_beside_and_named(fresh, use, capsys):
    use("1 / 0", TINY)
    folder = fresh("two_evenings")
    out = with_earlier(folder)
    before = contents(folder)
    assert main(["run", str(folder), "--quiet"]) == 1
    kept = folder / "rendered-failed.ipynb"
    error = capsys.readouterr().err
    assert "ZeroDivisionError: division by zero" in error
    assert str(kept) in error
    after = contents(folder)
    failed = nbformat.reads(after.pop(kept.name).decode(), as_version=4)
    assert after == before
    assert any(output.output_type == "error" for cell in failed.cells for output in cell.get("outputs", []))
    assert out.is_dir()


def test_a_failed_notebook_is_kept_also_where_nothing_was_before(fresh, use, tmp_path):
    use("1 / 0")
    out = tmp_path / "new" / "folder"
    with pytest.raises(RuntimeError, match=r"folder-failed\.ipynb"):
        run_workbook(fresh("two_evenings"), out, progress=False)
    assert [p.name for p in out.parent.iterdir()] == ["folder-failed.ipynb"]


def test_a_kernel_that_dies_is_status_1_and_leaves_the_earlier_output(fresh, use, capsys):
    use("import os; os._exit(3)")
    folder = fresh("two_evenings")
    with_earlier(folder)
    before = contents(folder)
    assert main(["run", str(folder), "--quiet"]) == 1
    assert "Kernel died" in capsys.readouterr().err
    assert contents(folder) == before


def test_a_page_that_cannot_be_made_leaves_the_earlier_output(fresh, use, monkeypatch):
    use(TINY)
    folder = fresh("two_evenings")
    with_earlier(folder)
    before = contents(folder)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(run, "_write_page", full)
    with pytest.raises(ExperimentError, match="No space left"):
        run_workbook(folder, progress=False)
    assert contents(folder) == before
    assert not list(folder.rglob(".pullbook-*"))


def test_a_workbook_that_does_not_take_the_parameters_is_refused(fresh, use):
    path = use("pass", parameters='experiment = ""\ninteractive = False')
    with pytest.raises(ExperimentError, match="parameters cell") as caught:
        run_workbook(fresh("two_evenings"), progress=False)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("out", ["README.md", "README.md/deeper", "logs/before-1.csv"])
def test_a_file_is_no_place_to_write_to(fresh, capsys, out):
    folder = fresh("two_evenings")
    before = contents(folder)
    assert main(["run", str(folder), "--out", str(folder / out), "--quiet"]) == 2
    assert "is a file" in capsys.readouterr().err
    assert contents(folder) == before


def test_a_folder_in_the_place_of_an_output_is_refused_before_any_work(fresh):
    folder = fresh("two_evenings")
    (folder / "rendered" / "runs.csv").mkdir(parents=True)
    with pytest.raises(ExperimentError, match=r"runs\.csv: is a folder"):
        run_workbook(folder, progress=False)


def test_a_log_is_never_written_over(fresh):
    folder = fresh("two_evenings")
    (folder / "logs" / "before-1.csv").rename(folder / "logs" / "runs.csv")
    settings = folder / "experiment.yaml"
    settings.write_text(settings.read_text(encoding="utf-8").replace("before-1.csv", "runs.csv"), encoding="utf-8")
    with pytest.raises(ExperimentError, match="belongs to the experiment"):
        run_workbook(folder, folder / "logs", progress=False)


def test_a_place_without_permission_is_refused(fresh, monkeypatch):
    make = Path.mkdir

    def denied(path: Path, *arguments: object, **options: object) -> None:
        if path.name.startswith(".pullbook-"):
            raise PermissionError(13, "Permission denied")
        make(path, *arguments, **options)

    folder = fresh("two_evenings")
    monkeypatch.setattr(Path, "mkdir", denied)  # permissions do not bind the root user, so they are played
    with pytest.raises(ExperimentError, match="Permission denied"):
        run_workbook(folder, progress=False)
    assert not (folder / "rendered").exists()


def test_a_refused_run_makes_no_folders(fresh, tmp_path):
    folder = fresh("two_evenings")
    (folder / "logs" / "before-1.csv").write_bytes(b"")
    assert main(["run", str(folder), "--out", str(tmp_path / "new" / "out"), "--quiet"]) == 2
    assert not (tmp_path / "new").exists()


# --- interrupted, and at once ------------------------------------------------------------------------------------


# As the small workbook, and then it waits for what is done to it.
HELD = TINY + "import time\ntime.sleep(600)"


def started(folder: Path, workbook: Path, *options: str) -> subprocess.Popen[str]:
    # SIGINT is set back to what a terminal gives: a runner may start the tests with it ignored.
    code = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from pathlib import Path; from pullbook.commands.cli import main; from pullbook.workbook import run\n"
        "workbook, run.LIBRARY = map(Path, sys.argv[1:3]); run.workbook_path = lambda: workbook\n"
        "sys.exit(main(['run', *sys.argv[3:], '--quiet']))"
    )
    command = [sys.executable, "-c", code, str(workbook), str(run.LIBRARY), str(folder), *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True)


def wait_for(folder: Path, pattern: str) -> None:
    """Wait until a file of the run shows how far it is."""
    wait_until(lambda: list(folder.rglob(pattern)), pattern)


@pytest.mark.parametrize(
    ("sent", "moment"),
    [(signal.SIGINT, ".pullbook-*"), (signal.SIGTERM, ".pullbook-*"), (signal.SIGTERM, ".pullbook-*/results.json")],
)
def test_an_interrupted_run_leaves_the_earlier_output_and_no_stage(fresh, use, sent, moment):
    folder = fresh("two_evenings")
    with_earlier(folder)
    before = contents(folder)
    process = started(folder, use(HELD))
    wait_for(folder, moment)
    process.send_signal(sent)
    text, error = process.communicate(timeout=LONGEST_S)
    assert (process.returncode, text) == (1, "")
    assert error.startswith("pullbook: Interrupted")
    assert contents(folder) == before
    assert not list(folder.rglob(".pullbook-*"))


def test_two_runs_at_once_both_finish_and_leave_one_whole_output(fresh, use):
    folder, workbook = fresh("two_evenings"), use(TINY)
    both = [started(folder, workbook), started(folder, workbook)]
    for process in both:
        text, error = process.communicate(timeout=LONGEST_S)
        assert (process.returncode, error) == (0, "")
        assert "Wrote " in text
    assert {p.name for p in (folder / "rendered").iterdir()} == {*OUTPUTS, MANIFEST}
    assert run_workbook(folder, if_changed=True).fresh is False  # whole, and made from these inputs


def kill_while_put_in_place_of(template: Path, folder: Path, renamed: int) -> None:
    """Run, and kill the process once so many files have been put in place."""
    code = (
        "import os, sys, signal; from pathlib import Path\n"
        "from pullbook.workbook import run; from pullbook.commands.cli import main\n"
        "run.workbook_path = lambda: Path(sys.argv[2])\n"
        "count, replace = 0, Path.replace\n"
        "def counted(path, to):\n"
        "    global count\n"
        "    if Path(to).parent.name == 'rendered':\n"
        "        count += 1\n"
        "        if count > int(sys.argv[3]): os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return replace(path, to)\n"
        "Path.replace = counted\n"
        "main(['run', sys.argv[1], '--quiet', *sys.argv[4:]])\n"
    )
    command = [sys.executable, "-c", code, str(folder), str(template), str(renamed), "-p", "level=0.9"]
    assert subprocess.run(command, capture_output=True, timeout=300, check=False).returncode == -signal.SIGKILL


@pytest.mark.parametrize("renamed", [3, 7])
def test_killed_between_two_renames_nothing_mixed_is_believed_and_the_next_run_repairs_it(fresh, use, renamed):
    path = use(TINY, parameters=LEVELLED)
    folder = fresh("two_evenings")
    run_workbook(folder, progress=False)
    own = folder / "rendered" / "notes.txt"
    own.write_text("mine", encoding="utf-8")
    (folder / "rendered" / "workbook.html").write_text("tampered", encoding="utf-8")
    kill_while_put_in_place_of(path, folder, renamed)
    # Whatever is there now: a run of other parameters does not take it for its own, ...
    assert (folder / "rendered" / "results.json").is_file()
    # ... a run of the same finds everything in place, for the killed one had passed the point of no return.
    again = run_workbook(folder, if_changed=True, settings=["level=0.9"], progress=False)
    assert not list(folder.rglob(".pullbook-*"))
    assert "tampered" not in (folder / "rendered" / "workbook.html").read_text(encoding="utf-8")
    assert again.verdict == "improved"
    assert not run_workbook(folder, if_changed=True, settings=["level=0.9"], progress=False).fresh
    assert own.read_text(encoding="utf-8") == "mine"


def test_a_run_cleans_up_after_a_save_that_was_killed(fresh, use):
    use(TINY)
    folder = fresh("two_evenings")
    half = folder / ".experiment.yaml-4711"
    half.write_text("title: ha", encoding="utf-8")
    os.utime(half, (1, 1))
    run_workbook(folder, progress=False)
    assert not half.exists()


def test_two_runs_give_the_same_bytes_wherever_the_experiment_lies(rendered, tmp_path):
    folder = copy_sample("fin_wash", tmp_path / "elsewhere" / "fin_wash")
    again = run_workbook(folder, progress=False)
    assert contents(again.folder) == contents(rendered.folder)


# --- only when something changed ---------------------------------------------------------------------------------


def test_if_changed_does_nothing_for_the_same_inputs_and_the_same_program(fresh, played, monkeypatch):
    played(TINY)
    folder = fresh("two_evenings")
    first = run_workbook(folder, progress=False)
    before = contents(folder)
    monkeypatch.setattr(run, "execute", None)  # neither a kernel nor a page is wanted
    monkeypatch.setattr(run, "_write_page", None)
    again = run_workbook(folder, if_changed=True, progress=False)
    assert (again.fresh, again.sentence, again.verdict) == (False, first.sentence, first.verdict)
    assert contents(folder) == before


def changed_log(folder: Path) -> None:
    log = folder / "logs" / "after-1.csv"
    log.write_bytes(log.read_bytes() + b"\n")


def changed_settings(folder: Path) -> None:
    path = folder / "experiment.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("change: 2.0", "change: 2.5"), encoding="utf-8")


def page_gone(folder: Path) -> None:
    (folder / "rendered" / "workbook.html").unlink()


def results_cut_short(folder: Path) -> None:
    path = folder / "rendered" / "results.json"
    path.write_bytes(path.read_bytes()[:100])


def page_of_another_run(folder: Path) -> None:
    (folder / "rendered" / "workbook.html").write_text("<p>Worse.</p>", encoding="utf-8")


def manifest_gone(folder: Path) -> None:
    (folder / "rendered" / MANIFEST).unlink()


def test_if_changed_runs_again_when_an_input_changed_or_the_output_is_not_whole(fresh, played):
    played(TINY)
    folder = fresh("two_evenings")
    assert run_workbook(folder, if_changed=True, progress=False).fresh
    for change in (
        changed_log, changed_settings, page_gone, page_of_another_run, manifest_gone, results_cut_short,
    ):  # fmt: skip
        assert not run_workbook(folder, if_changed=True, progress=False).fresh
        change(folder)
        assert run_workbook(folder, if_changed=True, progress=False).fresh


def test_if_changed_runs_again_when_the_workbook_or_the_library_changed(fresh, played):
    played(TINY)
    folder = fresh("two_evenings")
    run_workbook(folder, progress=False)
    played(TINY, "# another cell")
    assert run_workbook(folder, if_changed=True, progress=False).fresh
    assert not run_workbook(folder, if_changed=True, progress=False).fresh
    for part in ("__init__.py", "page_template/page.css"):
        (run.LIBRARY / part).write_text("/* changed */", encoding="utf-8")
        assert run_workbook(folder, if_changed=True, progress=False).fresh


def test_the_template_is_found():
    assert workbook_path().name == "workbook.ipynb"
    assert os.access(workbook_path(), os.R_OK)


# --- parameters --------------------------------------------------------------------------------------------------


def test_a_parameter_reaches_the_page_and_what_is_stored(fresh, capsys):
    folder = fresh("two_evenings")
    assert main(["run", str(folder), "--quiet", "-p", "level=0.8"]) == 0
    assert "an interval at 80 %" in " ".join(capsys.readouterr().out.split())
    for name in ("workbook.html", "post.md", "results.json"):
        text = (folder / "rendered" / name).read_text(encoding="utf-8")
        assert re.search(r"80\s% interval|interval at 80\s%", text)
        assert "95 % interval" not in text
    notebook = nbformat.read(folder / "rendered" / "workbook.ipynb", as_version=4)
    injected = next(c for c in notebook.cells if "injected-parameters" in c.metadata.get("tags", []))
    assert "level = 0.8" in injected.source.splitlines()


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (["levl=0.9"], ["-p levl", "allowed: level, relative_dates", "mean level"]),
        (["colour=red"], ["-p colour", "allowed: level, relative_dates"]),
        (["experiment=elsewhere"], ["-p experiment", "pullbook run DIR"]),
        (["out=elsewhere"], ["-p out", "--out"]),
        (["interactive=true"], ["-p interactive", "pullbook lab DIR"]),
        (["level=high"], ["-p level: given 'high'", "0.95"]),
        (["level=nan"], ["-p level: given 'nan'", "0.95"]),
        (["level=0.5"], ["level: given 0.5", "0.95"]),
        (["level=1"], ["level: given 1.0", "0.95"]),
        (["relative_dates=1"], ["-p relative_dates: given '1'", "true or false"]),
        (["level"], ["-p level: ", "name=value"]),
        (["level=0.9", "level=0.8"], ["-p level: ", "twice"]),
    ],
)
def test_a_wrong_parameter_is_refused_before_anything_is_executed(fresh, use, capsys, settings, said):
    use("raise AssertionError('executed')", parameters=LEVELLED)
    folder = fresh("two_evenings")
    with_earlier(folder)
    before = contents(folder)
    options = [part for setting in settings for part in ("-p", setting)]
    assert main(["run", str(folder), "--quiet", *options]) == 2
    error = capsys.readouterr().err
    assert error.startswith("pullbook: ")
    assert error.count("\n") == 1
    assert [told for told in said if told not in error] == []
    assert contents(folder) == before


def test_relative_dates_are_set_in_one_way(fresh, use, capsys):
    use(TINY, parameters=LEVELLED)
    folder = fresh("two_evenings")
    assert main(["run", str(folder), "--quiet", "--relative-dates", "-p", "relative_dates=false"]) == 2
    assert "--relative-dates" in capsys.readouterr().err


def test_whole_numbers_and_text_are_read_as_what_the_notebook_holds(tmp_path):
    template = small_workbook(tmp_path, parameters='pulls = 5\nitem = "can"\ncost = 0.0')
    read = execute.read_parameters(template, ["pulls=7", "item=fins = washed", "cost=3"])
    assert read == {"pulls": 7, "item": "fins = washed", "cost": 3.0}
    assert execute.read_parameters(template, ["pulls=5", "cost=0"]) == {}  # as the notebook has it
    for setting, allowed in (("pulls=7.5", "a whole number"), ("item=a\nb", "text on one line")):
        with pytest.raises(ExperimentError, match=allowed):
            execute.read_parameters(template, [setting])


def test_if_changed_compares_the_parameters_too(fresh, played):
    played(TINY, parameters=LEVELLED)
    folder = fresh("two_evenings")
    again = functools.partial(run_workbook, folder, if_changed=True, progress=False)
    assert again(settings=["level=0.9"]).fresh
    assert not again(settings=["level=0.9"]).fresh
    assert not again(settings=["level=0.90"]).fresh  # the same number
    assert again(settings=["level=0.8"]).fresh
    assert again().fresh
    assert not again(settings=["level=0.95"]).fresh  # as the workbook has it
    assert again(relative_dates=True).fresh
    assert not again(settings=["relative_dates=true"]).fresh


# --- one run at a time -------------------------------------------------------------------------------------------

HOLD = """
import sys, time
from pathlib import Path
from pullbook.workbook.execute import exclusive, stage
with exclusive(Path(sys.argv[1])), stage(Path(sys.argv[1])) as work:
    (work / "half").write_text("half done")
    print("held", flush=True)
    time.sleep(600)
"""


@pytest.fixture
def holder(tmp_path):
    """Hold the lock on a target in a process of its own."""
    held = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path / "out")], stdout=subprocess.PIPE, text=True)
    assert held.stdout is not None
    assert held.stdout.readline() == "held\n"
    yield held
    held.kill()
    held.wait()
    held.stdout.close()


def test_a_run_waits_for_another_and_says_so_when_it_takes_too_long(holder, tmp_path, caplog):
    caplog.set_level("WARNING", logger="pullbook")  # a quiet run in this process has silenced it
    with (
        pytest.raises(ExperimentError, match="out: another run"),
        execute.exclusive(tmp_path / "out", longest_wait_s=0.3),
    ):
        pass
    (told,) = caplog.messages
    assert told.startswith(f"{tmp_path / 'out'}: another run")
    with execute.exclusive(tmp_path / "elsewhere", longest_wait_s=0):
        pass  # another target is free


def test_a_killed_run_stops_nothing_and_its_half_done_work_goes(holder, tmp_path):
    assert [p.name for p in tmp_path.glob(".pullbook-*/*")] == ["half"]
    holder.kill()  # no chance to tidy up
    holder.wait()
    with execute.exclusive(tmp_path / "out", longest_wait_s=LONGEST_S), execute.stage(tmp_path / "out") as work:
        assert [p for p in tmp_path.iterdir() if p.name.startswith(".pullbook-")] == [work]
    assert not list(tmp_path.iterdir())


def test_a_second_run_that_waited_finds_what_the_first_has_made(fresh, use):
    folder, workbook = fresh("two_evenings"), use(TINY)
    first = started(folder, workbook)
    wait_for(folder, ".pullbook-*")  # it has the lock
    second = started(folder, workbook, "--if-changed")
    texts = [process.communicate(timeout=LONGEST_S) for process in (first, second)]
    assert [process.returncode for process in (first, second)] == [0, 0]
    assert "Wrote " in texts[0][0]
    assert "Unchanged: " in texts[1][0]


def test_runs_that_were_killed_leave_the_earlier_output_and_the_next_succeeds(fresh, use):
    folder = fresh("two_evenings")
    with_earlier(folder)
    for moment in (".pullbook-*", ".pullbook-*/results.json"):
        process = started(folder, use(HELD))
        wait_for(folder, moment)
        process.kill()
        process.communicate(timeout=LONGEST_S)
        assert {(folder / "rendered" / name).read_text(encoding="utf-8") for name in OUTPUTS} == {"earlier"}
    use(TINY)
    assert run_workbook(folder, progress=False).fresh
    assert not list(folder.rglob(".pullbook-*"))


# --- fit to share ------------------------------------------------------------------------------------------------


def test_what_one_would_post_holds_none_of_forty_secrets(fresh):
    folder = with_secrets(fresh("two_evenings"))
    files = contents(run_workbook(folder, progress=False).folder)
    assert set(files) == {*OUTPUTS, MANIFEST}
    assert leaks(files) == []
    results = json.loads(files["results.json"])
    assert [*results["sessions"]] == ["session 1", "after-1"]
    assert {pull["session"] for pull in results["pulls"]} == {"session 1", "after-1"}
    for name in ("workbook.html", "workbook.ipynb", "runs.csv"):
        assert b"session 1" in files[name]


def test_a_private_run_keeps_everything_and_says_so(fresh, use, capsys):
    use(TINY.replace("posted", "plate: XK 481 P"))
    folder = fresh("two_evenings")
    assert main(["run", str(folder), "--quiet", "--private"]) == 0
    assert "not for sharing" in capsys.readouterr().out
    assert "XK 481 P" in (folder / "rendered" / "post.md").read_text(encoding="utf-8")
    page = (folder / "rendered" / "workbook.html").read_text(encoding="utf-8")
    assert page.count("not for sharing") == 2  # in its title and first on it
    assert main(["run", str(folder), "--quiet", "--if-changed"]) == 0
    assert "Wrote" in capsys.readouterr().out
    assert "XK" not in (folder / "rendered" / "post.md").read_text(encoding="utf-8")
