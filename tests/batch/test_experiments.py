"""Many experiments at once: found once each, done once each, and nothing lost when a process dies."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from helpers.fatal_tasks import fatal, slow, stubborn
from helpers.pages import Read
from helpers.samples import HOSTILE, SAMPLES, contents, copy_sample
from helpers.waiting import LONGEST_S, wait_until
from pullbook.batch import experiments, pool
from pullbook.batch.experiments import Row, Task, do, find_experiments, run_batch
from pullbook.batch.picture import intervals
from pullbook.batch.table import page, summary, to_csv
from pullbook.commands.cli import main
from pullbook.errors import ExperimentError, Finding, PullbookError
from pullbook.settings.fingerprint import program_sha256


def variant(folder: Path, k: int) -> Path:
    """Write an experiment that is no other's copy: the smallest sample under another title."""
    copy_sample("two_evenings", folder)
    settings = folder / "experiment.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("Two evenings", f"Number {k}: two evenings"), encoding="utf-8")
    return folder


def broken(folder: Path, k: int = 0) -> Path:
    variant(folder, k)
    (folder / "logs" / "before-1.csv").write_bytes(b"")
    return folder


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    """Two experiments on two levels and one that is refused."""
    root = tmp_path / "fleet"
    variant(root / "a", 1)
    variant(root / "deep" / "er" / "b", 2)
    broken(root / "c", 3)
    return root


def told(out: Path) -> list[dict[str, str]]:
    with (out / "batch.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def task_of(folder: Path, out: Path, **options: object) -> Task:
    out.mkdir(exist_ok=True)
    return Task(folder=str(folder), name=folder.name, out=str(out), program=program_sha256(), **options)


# --- what is found -----------------------------------------------------------------------------------------------


def test_experiments_are_found_on_any_level_in_order(fleet):
    assert [path.name for path in find_experiments([fleet])] == ["a", "c", "b"]


def test_one_given_twice_or_through_a_link_is_one(fleet, tmp_path):
    (tmp_path / "link").symlink_to(fleet / "a")
    (fleet / "b-too").symlink_to(fleet / "deep" / "er" / "b")
    (fleet / "round").symlink_to(fleet)
    found = find_experiments([fleet, fleet / "a", tmp_path / "link", fleet / "." / "deep"])
    assert [path.name for path in found] == ["a", "b", "c"]
    assert len(set(found)) == 3


def test_hidden_folders_and_rendered_output_are_left_out(fleet):
    for name in (".old", "rendered", "a/inside"):
        variant(fleet / name, 9)
    assert [path.name for path in find_experiments([fleet])] == ["a", "c", "b"]


def test_folders_without_experiments_are_refused(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(ExperimentError, match=r"empty: .*no experiment\.yaml"):
        find_experiments([tmp_path / "empty"])
    with pytest.raises(ExperimentError, match="nowhere: no such folder"):
        find_experiments([tmp_path / "nowhere"])


def test_folders_of_one_name_get_different_results():
    folders = [Path("/x/van"), Path("/y/Van"), Path("/z/van-2"), Path("/v/van")]
    names = experiments._names(folders)
    assert names[0] == "van"
    assert names[2] == "van-2"
    assert len({name.casefold() for name in names}) == 4


# --- from folders to a table -------------------------------------------------------------------------------------


def test_a_refused_one_is_reported_and_the_rest_is_done(fleet, tmp_path, capsys):
    out = tmp_path / "out"
    before = contents(fleet)
    assert main(["batch", str(fleet), "--out", str(out)]) == 2
    said = capsys.readouterr()
    found, answer, written = said.out.splitlines()
    assert "a, c, b" in found
    assert answer.startswith("None of 2 services ")
    assert written == f"Wrote {out.resolve() / 'batch.html'}"
    counted, refused = said.err.splitlines()
    assert counted.startswith("pullbook: 1 of 3 ")
    assert refused.strip().startswith("refused: c: before-1.csv: ")
    assert contents(fleet) == before
    rows = told(out)
    assert [(row["folder"], row["status"], row["verdict"]) for row in rows] == [
        ("a", "done", "not-resolved"), ("c", "refused", ""), ("b", "done", "not-resolved"),
    ]  # fmt: skip
    single = json.loads((out / "results" / "a" / "results.json").read_text(encoding="utf-8"))
    for name in ("change", "low", "high"):
        assert float(rows[0][name]) == single["comparison"][name]
    assert float(rows[0]["after"]) == single["comparison"]["after"]["mean"]
    assert rows[0]["experiment"].startswith("Number 1")
    assert not list(out.rglob(".*"))


def test_the_results_are_those_of_analyse(result_of, tmp_path):
    out = tmp_path / "out"
    folder = SAMPLES / "fin_wash"
    row = do(task_of(folder, out))
    assert row.status == "done"
    assert (out / "results" / "fin_wash" / "results.json").read_text(encoding="utf-8") == result_of(
        "fin_wash"
    ).to_json()


def test_pages_are_rendered_too(fleet, tmp_path):
    shutil.rmtree(fleet / "c")
    shutil.rmtree(fleet / "deep")
    out = tmp_path / "out"
    assert main(["batch", str(fleet), "--out", str(out), "--pages"]) == 0
    assert (out / "pages" / "a" / "workbook.html").is_file()
    assert not run_batch(find_experiments([fleet]), out, workers=1, pages=True)[0].fresh


@pytest.mark.parametrize("workers", ["0", "1000"])
def test_a_number_of_workers_that_makes_no_sense_is_refused(fleet, capsys, workers):
    assert main(["batch", str(fleet), "--workers", workers]) == 2
    error = capsys.readouterr().err
    assert all(told in error for told in ("--workers", workers, "1 to 256"))


def test_a_place_that_cannot_be_written_to_is_refused_before_any_work(fleet, tmp_path, capsys):
    (tmp_path / "file").write_text("here", encoding="utf-8")
    assert main(["batch", str(fleet), "--out", str(tmp_path / "file")]) == 2
    assert "(File exists)" in capsys.readouterr().err
    assert main(["batch", str(fleet), "--out", str(fleet / "a" / "logs")]) == 2
    assert re.search(r"experiment a\b.*--out", capsys.readouterr().err)


def test_a_fault_of_the_program_is_told_in_its_row_without_paths(tmp_path, monkeypatch):
    folder = variant(tmp_path / "a", 1)

    def full(path: Path, _: str) -> None:
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr(experiments, "write_whole", full)
    row = do(task_of(folder, tmp_path / "out"))
    assert row.status == "failed"
    assert row.message.startswith("OSError: [Errno 28]")
    assert str(tmp_path) not in row.message
    assert row.title.startswith("Number 1")


def test_a_copy_of_an_experiment_does_not_count_twice(fleet, tmp_path):
    shutil.copytree(fleet / "a", fleet / "a copy")
    rows = run_batch(find_experiments([fleet]), tmp_path / "out", workers=1)
    assert [(row.folder, row.status) for row in rows] == [
        ("a", "done"), ("a copy", "refused"), ("c", "refused"), ("b", "done"),
    ]  # fmt: skip
    assert re.search(r"\ba\b\.", rows[1].message)
    assert rows[1].verdict == ""


# --- done once ---------------------------------------------------------------------------------------------------


@pytest.fixture
def done(tmp_path: Path) -> Task:
    """Do one experiment, and return its task."""
    task = task_of(variant(tmp_path / "a", 1), tmp_path / "out")
    assert do(task).fresh
    return task


def test_what_is_done_is_not_done_again(done):
    before = {path: path.stat().st_mtime_ns for path in done.target.iterdir()}
    row = do(done)
    assert row.status == "done"
    assert not row.fresh
    assert {path: path.stat().st_mtime_ns for path in done.target.iterdir()} == before


def half_written(task: Task) -> None:
    path = task.target / "results.json"
    path.write_bytes(path.read_bytes()[:1000])


def altered(task: Task) -> None:
    path = task.target / "results.json"
    path.write_text(path.read_text(encoding="utf-8").replace("not-resolved", "improved"), encoding="utf-8")


def not_finished(task: Task) -> None:
    (task.target / "made_by.json").unlink()


def made_by_nonsense(task: Task) -> None:
    (task.target / "made_by.json").write_text("[]", encoding="utf-8")


def made_by_another(task: Task) -> None:
    path = task.target / "made_by.json"
    path.write_text(path.read_text(encoding="utf-8").replace(task.program, "0" * 64), encoding="utf-8")


def another_log(task: Task) -> None:
    log = Path(task.folder) / "logs" / "before-1.csv"
    log.write_bytes(log.read_bytes() + b"\n")


@pytest.mark.parametrize(
    "change", [half_written, altered, not_finished, made_by_nonsense, made_by_another, another_log]
)
def test_what_is_not_whole_or_from_something_else_is_done_again(done, change):
    change(done)
    row = do(done)
    assert row.status == "done"
    assert row.fresh
    assert row.verdict == "not-resolved"
    assert not do(done).fresh


def test_a_worker_with_another_program_refuses(done):
    row = do(Task(**{**vars(done), "program": "0" * 64}))
    assert (row.status, row.folder) == ("refused", "a")
    assert "pullbook" in row.message


def started(fleet: Path, out: Path, *more: str) -> subprocess.Popen[str]:
    # SIGINT is set back to what a terminal gives: a runner may start the tests with it ignored.
    code = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from pullbook.commands.cli import main\n"
        "if __name__ == '__main__': sys.exit(main(['batch', *sys.argv[1:]]))"
    )
    command = [sys.executable, "-c", code, str(fleet), "--out", str(out), *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True)


@pytest.fixture
def many(tmp_path: Path) -> Path:
    """Six experiments."""
    for k in range(6):
        variant(tmp_path / "many" / f"van-{k:02d}", k)
    return tmp_path / "many"


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_one_that_was_stopped_goes_on_from_there(many, tmp_path, sent):
    out = tmp_path / "out"
    process = started(many, out, "--workers", "1")
    wait_until(lambda: len(list(out.rglob("made_by.json"))) >= 2)
    os.killpg(process.pid, sent) if sent == signal.SIGINT else process.send_signal(sent)  # a terminal sends to all
    _, error = process.communicate(timeout=LONGEST_S)
    kept = sorted(out.rglob("made_by.json"))
    assert 2 <= len(kept) < 6
    if sent == signal.SIGKILL:
        wait_until(lambda: not _alive(process.pid))  # its worker notices that nobody listens
    else:
        assert process.returncode == 1
        assert re.fullmatch(r"pullbook: Interrupted\. \d+ of 6 .*\n", error)
        assert not list(out.rglob(".*"))
    kept = sorted(out.rglob("made_by.json"))
    before = {path: path.read_bytes() for path in kept}
    rows = run_batch(find_experiments([many]), out, workers=1)
    assert [row.folder for row in rows if not row.fresh] == [path.parent.name for path in kept]
    assert [row.status for row in rows] == ["done"] * 6
    assert {path: path.read_bytes() for path in kept} == before


def _alive(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


# --- processes that die ------------------------------------------------------------------------------------------


def test_a_killed_process_costs_its_own_task_a_try_and_nobody_elses(tmp_path):
    kinds = ["well", "once", "always", "well", "well", "once"]
    tasks = [(kind, str(tmp_path / str(k))) for k, kind in enumerate(kinds)]
    results = dict(pool.on_this_machine(fatal, tasks, workers=2))
    assert results == {0: "well 0", 1: "once 1", 2: None, 3: "well 3", 4: "well 4", 5: "once 5"}


def test_a_process_that_does_not_end_when_asked_is_ended(tmp_path, monkeypatch):
    monkeypatch.setattr(pool, "TO_STOP_S", 0.2)
    results = dict(pool.on_this_machine(stubborn, ["a"], workers=1))
    with pytest.raises(ProcessLookupError):
        os.kill(results[0], 0)


def test_one_that_kills_its_processes_is_failed_and_told(fleet, tmp_path, monkeypatch, capsys):
    # The table is told by the parent, so a pool that gives up on one task stands for the deaths.
    real = pool.on_this_machine

    def without_the_first(function, tasks, *, workers):
        for k, row in real(function, tasks[1:], workers=workers):
            yield k + 1, row
        yield 0, None

    monkeypatch.setattr(experiments, "on_this_machine", without_the_first)
    out = tmp_path / "out"
    assert main(["batch", str(fleet), "--out", str(out)]) == 1
    error = capsys.readouterr().err
    assert "2 of 3 " in error
    assert "failed: a: " in error
    assert [row["status"] for row in told(out)] == ["failed", "refused", "done"]


def children(pid: int) -> list[int]:
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def analysing(pid: int) -> list[int]:
    """Return the child processes that work, not the one that keeps track of resources."""
    found = []
    for child in children(pid):
        command = Path(f"/proc/{child}/cmdline").read_bytes()
        if b"spawn_main" in command:
            found.append(child)
    return found


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="the children of a process are looked up in /proc")
def test_a_worker_that_is_killed_in_the_middle_loses_nothing(many, tmp_path):
    out = tmp_path / "out"
    process = started(many, out, "--workers", "2")
    wait_until(lambda: len(list(out.rglob("made_by.json"))) >= 2)
    os.kill(analysing(process.pid)[0], signal.SIGKILL)
    text, error = process.communicate(timeout=LONGEST_S)
    assert (process.returncode, error) == (0, "")
    assert "None of 6 services was shown to help" in text
    rows = told(out)
    assert [row["folder"] for row in rows] == [f"van-{k:02d}" for k in range(6)]
    assert {row["status"] for row in rows} == {"done"}


# --- a scheduler that exists already -----------------------------------------------------------------------------


def service(command: str, *arguments: str, log: Path, **environment: str) -> subprocess.Popen[bytes]:
    """Start a part of a cluster as its own command does."""
    with log.open("wb") as stream:
        return subprocess.Popen(
            [sys.executable, "-W", "ignore", "-m", "dask", command, *arguments],
            stdout=stream,
            stderr=subprocess.STDOUT,
            env={**os.environ, **environment},
            cwd=log.parent,
            start_new_session=True,
        )


class Cluster:
    """A scheduler and workers, each a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.parts: list[subprocess.Popen[bytes]] = []

    def start(self, *, workers: int = 2, nanny: bool = False, **environment: str) -> None:
        here = ["--host", "127.0.0.1", "--no-dashboard"]
        self.start_scheduler([*here, "--port", "0"], **environment)
        options = [*here, "--nthreads", "1", "--nanny" if nanny else "--no-nanny"]
        self.workers = [self.start_worker(options, **environment) for _ in range(workers)]

    def start_scheduler(self, options: Sequence[str], **environment: str) -> None:
        self.folder.mkdir()
        log = self.folder / "scheduler.log"
        self.scheduler = service("scheduler", *options, log=log, **self._with_tests(environment))
        self.parts.append(self.scheduler)
        said = re.compile(r"Scheduler at:\s+(tcp://\S+)")
        wait_until(lambda: said.search(log.read_text()))
        self.address = said.search(log.read_text())[1]

    def start_worker(self, options: Sequence[str], **environment: str) -> subprocess.Popen[bytes]:
        local = ["--local-directory", str(self.folder)]
        log = self.folder / f"worker-{len(self.parts)}.log"
        self.parts.append(service("worker", self.address, *options, *local, log=log, **self._with_tests(environment)))
        return self.parts[-1]

    def _with_tests(self, environment: Mapping[str, str]) -> dict[str, str]:
        """Add the modules of the tests, and how long the scheduler tries to fetch a result from a worker that died."""
        tests = os.pathsep.join([str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
        return {**environment, "PYTHONPATH": tests, "DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT": "2s"}

    def wait_for_workers(self) -> None:
        logs = list(self.folder.glob("worker-*.log"))
        wait_until(lambda: all("Registered to" in log.read_text() for log in logs))

    def stop(self) -> None:
        for part in self.parts:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(part.pid, signal.SIGKILL)
            part.wait()


def in_the_manual(command: str) -> list[str]:
    """Return the options of a command that the manual's recipe gives."""
    text = (Path(__file__).parents[2] / "notebooks" / "README.md").read_text(encoding="utf-8")
    (line,) = re.findall(rf"^ {{4,}}{command} (.+--.+)$", text.split("### On several machines")[1], re.MULTILINE)
    return shlex.split(line)


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A scheduler and a worker that nobody kills, started as the manual says, but for the port and a single worker."""
    pytest.importorskip("distributed")
    one = Cluster(tmp_path_factory.mktemp("cluster") / "standing")
    first, *options = in_the_manual("dask worker")
    usual = {first.split(":")[-1]: "0"}
    try:
        one.start_scheduler([usual.get(option, option) for option in in_the_manual("dask scheduler")])
        one.start_worker(["1" if before == "--nworkers" else option for before, option in pairwise(["", *options])])
        one.wait_for_workers()
        yield one
    finally:
        one.stop()


def test_the_recipe_of_the_manual_gives_the_table(standing, fleet, tmp_path, capsys):
    _, option, _ = in_the_manual("pullbook batch")
    out = tmp_path / "out"
    assert main(["batch", str(fleet), "--out", str(out), option, standing.address]) == 2  # one is refused
    assert {row["folder"]: row["status"] for row in told(out)} == {"a": "done", "b": "done", "c": "refused"}
    assert "None of 2 services" in capsys.readouterr().out


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Callable[..., Cluster]]:
    pytest.importorskip("distributed")
    made: list[Cluster] = []

    def start(**options: object) -> Cluster:
        one = Cluster(tmp_path / f"cluster-{len(made)}")
        made.append(one)  # before it starts, so that what did start is stopped in any case
        one.start(**options)
        return one

    yield start
    for one in made:
        one.stop()


def test_a_worker_of_a_scheduler_that_is_killed_in_the_middle_loses_nothing(many, tmp_path, cluster):
    parts = cluster()
    out = tmp_path / "out"
    process = started(many, out, "--scheduler", parts.address)
    wait_until(lambda: len(list(out.rglob("made_by.json"))) >= 2)
    parts.workers[0].kill()
    text, error = process.communicate(timeout=LONGEST_S)
    assert (process.returncode, error) == (0, "")
    assert "None of 6 services was shown to help" in text
    rows = told(out)
    assert [(row["folder"], row["status"]) for row in rows] == [(f"van-{k:02d}", "done") for k in range(6)]
    assert sorted(path.parent.name for path in out.rglob("results.json")) == [row["folder"] for row in rows]
    assert not any(row.fresh for row in run_batch(find_experiments([many]), out, workers=1))


def test_a_task_that_kills_the_workers_of_a_scheduler_is_given_up_alone(tmp_path, cluster, monkeypatch):
    monkeypatch.setattr(pool, "TO_HEAR_S", LONGEST_S)  # a busy machine takes long to start the next worker
    parts = cluster(nanny=True, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="1")
    tasks = [(kind, str(tmp_path / str(k))) for k, kind in enumerate(["well", "always", "well", "once"])]
    results = dict(pool.on_scheduler(fatal, tasks, address=parts.address))
    assert results == {0: "well 0", 1: None, 2: "well 2", 3: "once 3"}


def test_a_task_that_takes_longer_than_a_scheduler_is_waited_for_is_not_given_up(standing, monkeypatch):
    real_room, real_result, looks = pool._room, pool._result, []

    def room(*arguments: object) -> int:
        looks.append(real_room(*arguments))
        monkeypatch.setattr(pool, "TO_HEAR_S", 0.2)  # for the task, which takes longer
        return looks[-1]

    def result(*arguments: object) -> object:
        monkeypatch.setattr(pool, "TO_HEAR_S", LONGEST_S)  # for its result, not
        return real_result(*arguments)

    monkeypatch.setattr(pool, "_room", room)
    monkeypatch.setattr(pool, "_result", result)
    assert dict(pool.on_scheduler(slow, [1.5], address=standing.address)) == {0: "after 1.5 s"}
    assert len(looks) > 2  # it was waited for more than once


def test_a_scheduler_whose_workers_cannot_run_the_task_is_told_with_the_remedy(standing):
    """As with another pullbook on the workers: the function does not take what it is given."""
    said = r"--scheduler \S+: .*\(TypeError: .*\)\. .*pullbook"
    with pytest.raises(PullbookError, match=said):
        list(pool.on_scheduler(slow, [None], address=standing.address))


def test_a_scheduler_that_goes_away_is_told_and_what_was_done_is_kept(many, tmp_path, cluster):
    parts = cluster(workers=1)
    out = tmp_path / "out"
    process = started(many, out, "--scheduler", parts.address)
    wait_until(lambda: len(list(out.rglob("made_by.json"))) >= 2)
    parts.scheduler.kill()
    _, error = process.communicate(timeout=LONGEST_S)
    assert re.fullmatch(r"pullbook: --scheduler \S+: .* \(\w+\)\. .*\n", error)
    assert process.returncode == 2
    assert len(list(out.rglob("made_by.json"))) >= 2


def test_an_address_that_does_not_answer_is_refused(fleet, tmp_path, capsys, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(pool, "TO_CONNECT_S", 1.0)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound, and nobody listens
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        assert main(["batch", str(fleet), "--out", str(tmp_path / "out"), "--scheduler", address]) == 2
    assert f"--scheduler {address}: " in capsys.readouterr().err


@pytest.mark.parametrize("address", ["nonsense", "tcp://", "ftp://127.0.0.1:1", ""])
def test_an_address_that_is_none_is_refused(fleet, tmp_path, capsys, monkeypatch, address):
    pytest.importorskip("distributed")
    monkeypatch.setattr(pool, "TO_CONNECT_S", 1.0)
    assert main(["batch", str(fleet), "--out", str(tmp_path / "out"), "--scheduler", address]) == 2
    assert "--scheduler " in capsys.readouterr().err


def test_a_scheduler_without_workers_is_refused_in_time(fleet, tmp_path, capsys, monkeypatch, cluster):
    parts = cluster(workers=0)
    monkeypatch.setattr(pool, "TO_HEAR_S", 1.0)
    assert main(["batch", str(fleet), "--out", str(tmp_path / "out"), "--scheduler", parts.address]) == 2
    assert "within 1 s" in capsys.readouterr().err


def test_without_the_package_the_remedy_is_told(fleet, tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["batch", str(fleet), "--out", str(tmp_path / "out"), "--scheduler", "tcp://127.0.0.1:1"]) == 2
    assert "pip install distributed" in capsys.readouterr().err


# --- the table and the page --------------------------------------------------------------------------------------

ROWS = [
    Row(folder="a", title="First", service="Washed", outcome="peak_rise", before=43.27, after=37.197, change=-6.0727,
        low=-7.643, high=-4.502, unit="K", verdict="improved"),
    Row(folder="b", title="Second", service="Flushed", outcome="peak_rise", before=33.1, after=27.9, change=-5.2,
        low=-11.6, high=1.1, unit="K", verdict="not-resolved",
        warnings=(Finding(code="boost-lower", severity="warning", message="Boost is lower."),)),
    Row(folder="c", status="refused", message="experiment.yaml: no title\n  line of YAML"),
    Row(folder="d", title="Fourth", status="failed", message="it died"),
]  # fmt: skip


def test_the_answer_comes_first_and_names_what_is_not_done():
    assert re.findall(r"\d+", summary(ROWS)) == ["1", "2", "1", "1", "1"]  # improved of analysed, and the others
    read = Read(page(ROWS))
    assert "1 of 2 " in read.text
    assert read.text.index(" in b.") < read.text.index("1 of 2 ")
    assert "First Improved −6.1 −7.6 −4.5 43.3 37.2 K peak rise Washed a – done" in read.text
    assert "refused c: experiment.yaml: no title" in read.text
    assert "failed d: it died" in read.text
    assert "warning b: Boost is lower." in read.text


def test_the_page_asks_nothing_of_the_network():
    html = page(ROWS)
    assert "http" not in html.replace("http-equiv", "")
    assert "<script" not in html
    (policy,) = [m["content"] for m in Read(html).all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy == "default-src 'none'; style-src 'unsafe-inline'"


def test_hostile_text_stays_text():
    rows = [
        Row(folder=HOSTILE, title=HOSTILE, service=HOSTILE, outcome="peak_rise", change=1.0, low=0.0, high=2.0,
            unit="K", verdict="worse-size-unclear",
            warnings=(Finding(code="boost-lower", severity="warning", message=HOSTILE),)),
        Row(folder=HOSTILE, status="refused", message=f"{HOSTILE}\n{HOSTILE}"),
    ]  # fmt: skip
    hostile, plain = Read(page(rows)), Read(page(ROWS))
    assert {tag for tag, _ in hostile.elements} <= {tag for tag, _ in plain.elements}
    assert hostile.text.count(HOSTILE) == 11


def test_the_csv_holds_every_figure_and_no_formula():
    formula = Row(folder="-e", title="=1+1", service="@SUM(A1)", status="refused", message="+1\nmore")
    read = list(csv.reader(to_csv([ROWS[1], formula]).splitlines()))
    assert read[1] == [
        "Second", "b", "Flushed", "peak_rise", "33.1", "27.9", "-5.2", "-11.6", "1.1", "K", "not-resolved",
        "Boost is lower.", "done", "",
    ]  # fmt: skip
    assert read[2] == ["'=1+1", "'-e", "'@SUM(A1)", *[""] * 9, "refused", "'+1 more"]


def test_no_private_text_reaches_the_table(tmp_path):
    folder = variant(tmp_path / "van serial number ABC-12345", 1)
    settings = folder / "experiment.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("two evenings", "reg: AB12 CDE, mail me@example.org"), encoding="utf-8")
    told_of = to_csv([do(task_of(folder, tmp_path / "out"))])
    assert "(removed)" in told_of
    assert not any(word in told_of for word in ("ABC-12345", "AB12", "example.org", str(tmp_path)))


def test_every_interval_is_drawn_on_one_axis_and_linked_to_its_page():
    """Better is to the right whichever way the outcome goes; what gave no interval has no line."""
    row = Row(folder="a", title="Fins", outcome="peak_rise", change=-6.0, low=-8.0, high=-4.0, unit="K", worthwhile=2.0)
    good = replace(row, verdict="improved", page="pages/a/workbook.html")
    bad = replace(row, title="<Hose>", change=60.0, low=40.0, high=80.0, verdict="worse")
    drawn = intervals([good, bad, Row(folder="b", status="refused")]).html
    assert drawn.count("Improved") == drawn.count("Worse") == 2  # drawn for a desk and for a phone
    assert 'href="pages/a/workbook.html"' in drawn
    assert "&lt;Hose" in drawn
    assert "refused" not in drawn
    assert intervals([Row(folder="b", status="refused")]).html == ""


@pytest.mark.parametrize(("code", "first"), [("boost-lower", True), ("boost-unseen", False)])
def test_a_boost_that_nobody_logged_is_not_said_to_have_changed(code, first):
    warning = Finding(code=code, severity="warning", message="Of the boost.")
    html = page([Row(folder="a", verdict="improved", warnings=(warning,))])
    assert ("First:" in html) == first
    assert "Of the boost." in html


def test_a_folder_whose_name_is_no_utf8_has_a_row_that_can_be_written():
    task = Task(folder="/x/v\udcffn", name="v\udcffn", out="/x/out", program="")
    row = experiments._not_done(task, "refused", "/x/v\udcffn: cannot be read")
    assert "v?n,," in to_csv([row]).encode().decode()
    assert row.message == "v?n: cannot be read"
