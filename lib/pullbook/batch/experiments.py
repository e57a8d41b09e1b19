"""Many experiments at once: found, analysed in parallel, each done once, and shown in one table.

What is done is known from the disk alone: the results of an experiment count when they were made from the same inputs
by the same program and are whole. So a stopped batch goes on from there, however it was stopped.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

from pullbook.batch.pool import TRIES, on_scheduler, on_this_machine
from pullbook.errors import ExperimentError, Finding, PullbookError, by_cause
from pullbook.quantities import System
from pullbook.settings.experiment import FILE_NAME, Experiment
from pullbook.settings.files import RENDERED, RESULTS, write_whole
from pullbook.settings.fingerprint import inputs_sha256, program_sha256
from pullbook.settings.places import check_no_link
from pullbook.settings.privacy import scrub
from pullbook.settings.share import fit_to_share
from pullbook.settings.together import MANIFEST, made_whole, manifest
from pullbook.text import readable

Status = Literal["done", "refused", "failed"]

_ONE_AT_A_TIME = threading.Lock()  # a worker of a scheduler may have threads; reading logs counts on being alone


@dataclass(frozen=True, kw_only=True)
class Task:
    """One experiment to do, in plain types that travel between machines.

    Attributes
    ----------
    folder : str
        The experiment, its real path.
    name : str
        Its folder's name; with a number where another experiment's is the same.
    out : str
        The batch's own folder.
    program : str
        Hash of the program that asks (`program_sha256`).
    pages : bool
        Execute the workbook too.
    """

    folder: str
    name: str
    out: str
    program: str
    pages: bool = False

    @property
    def target(self) -> Path:
        """Where the results go: pages apart, so that no page stands beside numbers it was not made with."""
        return Path(self.out) / ("pages" if self.pages else "results") / self.name


@dataclass(frozen=True, kw_only=True)
class Row:
    """What the table says of one experiment; texts are fit to share, figures None where there is no result.

    Attributes
    ----------
    folder, title, service, outcome : str
        The folder's name (no path), and what the experiment says about itself, as far as it could be read.
    before, after, change, low, high : float or None
        Means at common conditions, their difference and its interval.
    worthwhile : float or None
        The change that matters, in ``unit``.
    page : str
        Where its page is, from the batch's own folder; empty without one.
    unit, verdict : str
    units : {"metric", "us"}
        What the experiment wants shown; the figures are metric.
    warnings : tuple of Finding
        On the comparison and on its logs.
    status : {"done", "refused", "failed"}
    message : str
        Why it was refused or failed.
    inputs : str
        Hash of the inputs (`inputs_sha256`); empty where they could not be read.
    fresh : bool
        Analysed in this batch, not before.
    """

    folder: str
    title: str = ""
    service: str = ""
    outcome: str = ""
    before: float | None = None
    after: float | None = None
    change: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    worthwhile: float | None = None
    verdict: str = ""
    page: str = ""
    units: System = "metric"
    warnings: tuple[Finding, ...] = field(default=())
    status: Status = "done"
    message: str = ""
    inputs: str = ""
    fresh: bool = True


def find_experiments(folders: Sequence[str | Path]) -> list[Path]:
    """Find the experiments in folders.

    Parameters
    ----------
    folders : sequence of path
        Each an experiment, or a folder that holds some, one or more levels down. Hidden folders and ``rendered`` are
        left out; so is what lies behind a link, unless the link leads to an experiment.

    Returns
    -------
    list of Path
        Real paths, each once, in order.

    Raises
    ------
    ExperimentError
        When a folder is not there, cannot be read, or holds no experiment.
    """
    found: dict[Path, None] = {}
    for folder in map(Path, folders):
        if not folder.is_dir():
            raise ExperimentError(f"{folder}: no such folder. Give experiments, or folders of experiments.")
        inside = dict.fromkeys(_within(folder.resolve()))
        if not inside:
            raise ExperimentError(
                f"{folder}: no experiment here: no {FILE_NAME} in it or in the folders below. Give another folder."
            )
        found |= inside
    return list(found)


def _within(folder: Path) -> Iterator[Path]:
    try:
        if (folder / FILE_NAME).is_file():
            yield folder.resolve()
            return
        inner = sorted(path for path in folder.iterdir() if path.is_dir())
    except OSError as error:
        raise ExperimentError(f"{folder}: cannot be read ({error.strerror}). Check its permissions.") from None
    for path in inner:
        hidden = path.name.startswith(".") or path.name == RENDERED
        led_away = path.is_symlink() and not (path / FILE_NAME).is_file()
        if not hidden and not led_away:
            yield from _within(path)


def run_batch(
    folders: Sequence[Path],
    out: Path,
    *,
    workers: int,
    scheduler: str | None = None,
    pages: bool = False,
    progress: bool = True,
) -> list[Row]:
    """Do every experiment that is not done yet.

    Parameters
    ----------
    folders : sequence of Path
        From `find_experiments`.
    out : Path
        The batch's own folder; made if need be.
    workers : int
        How many processes of this machine, at most one an experiment. Not used with a scheduler.
    scheduler : str, optional
        Address of a Dask distributed scheduler whose workers see the folders and ``out`` under the same paths.
    pages : bool
        Execute the workbook of each as well.
    progress : bool
        Show a progress bar, on a terminal.

    Returns
    -------
    list of Row
        In the order of the folders.

    Raises
    ------
    PullbookError
        When ``out`` cannot be written to, or the scheduler cannot be used. What is wrong with one experiment goes
        into its row.
    KeyboardInterrupt
        When interrupted; it says how many were done.
    """
    from tqdm import tqdm

    _check_out(folders, out)
    program = program_sha256()
    tasks = [
        Task(folder=str(folder), name=name, out=str(out), program=program, pages=pages)
        for folder, name in zip(folders, _names(folders), strict=True)
    ]
    rows: dict[int, Row] = {}
    results = (
        on_scheduler(do, tasks, address=scheduler)
        if scheduler is not None
        else on_this_machine(do, tasks, workers=min(workers, len(tasks)))
    )
    try:
        with contextlib.closing(results):
            # disable=None: no bar where nobody is looking
            for k, row in tqdm(results, total=len(tasks), unit="experiment", disable=None if progress else True):
                rows[k] = _received(tasks[k], row)
    except KeyboardInterrupt:
        raise KeyboardInterrupt(
            f"{len(rows)} of {len(tasks)} done and kept. Run the same command to go on from there"
        ) from None
    return _copies_refused([rows[k] for k in range(len(tasks))])


def _check_out(folders: Sequence[Path], out: Path) -> None:
    for folder in folders:
        if out.resolve().is_relative_to(folder):
            raise ExperimentError(f"{out}: this is inside the experiment {folder.name}. Give another --out.")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ExperimentError(f"{out}: cannot be made ({error.strerror}). Give another --out.") from None


def _names(folders: Sequence[Path]) -> list[str]:
    """Give each folder a name of its own, also on a disk that ignores capitals."""
    given = [folder.name or "experiment" for folder in folders]
    used = {name.casefold() for name in given}
    count: Counter[str] = Counter()
    names = []
    for name in given:
        count[name.casefold()] += 1
        k, unique = count[name.casefold()], name
        while k > 1 and unique.casefold() in used:
            unique, k = f"{name}-{k}", k + 1
        used.add(unique.casefold())
        names.append(unique)
    return names


def _received(task: Task, row: Row | None) -> Row:
    """Take a worker's row. A task without a row, or whose results are not here, is not done."""
    if row is None:
        return _not_done(
            task,
            "failed",
            f"its process was killed {TRIES} times or more. Memory may have run out: run it alone, or give fewer "
            "--workers",
        )
    if row.status == "done" and not (task.target / RESULTS).is_file():
        return _not_done(
            task,
            "failed",
            "the worker wrote its results where this machine can't see them. Use a folder that both share",
        )
    return row


def _copies_refused(rows: Sequence[Row]) -> list[Row]:
    first: dict[str, str] = {}
    out = []
    for row in rows:
        if row.status == "done" and first.setdefault(row.inputs, row.folder) != row.folder:
            same = first[row.inputs]
            row = Row(
                folder=row.folder, title=row.title, service=row.service, outcome=row.outcome,
                units=row.units, status="refused",
                message=f"the same settings and logs as {same}. Each experiment counts once",
            )  # fmt: skip
        out.append(row)
    return out


# --- one experiment, on a worker ---------------------------------------------------------------------------------


def do(task: Task) -> Row:
    """Analyse one experiment and write its results, unless that is done already.

    A refusal or a fault of the program goes into the row: it raises no `Exception`.
    """
    with _ONE_AT_A_TIME:
        experiment = None
        try:
            if _own_program() != task.program:
                raise PullbookError("the worker runs another version of pullbook. Install the same one there")
            if not Path(task.out).is_dir():
                raise PullbookError("the worker can't see the output folder. Mount it there under the same path")
            check_no_link(task.target, below=Path(task.out))
            experiment = Experiment.load(task.folder)
            results, fresh = _page(task) if task.pages else _numbers(task, experiment)
            return _row(task, experiment, results, fresh=fresh)
        except PullbookError as refusal:
            return _not_done(task, "refused", str(refusal), experiment)
        except Exception as fault:  # of the program, or of the disk; the other experiments go on
            return _not_done(task, "failed", f"{type(fault).__name__}: {fault}", experiment)


@cache
def _own_program() -> str:
    return program_sha256()


def _numbers(task: Task, experiment: Experiment) -> tuple[dict[str, Any], bool]:
    made_from = {"program_sha256": task.program, "inputs_sha256": inputs_sha256(experiment)}
    if made_whole(task.target, [RESULTS], made_from):
        stored: dict[str, Any] = json.loads((task.target / RESULTS).read_bytes())
        return stored, False
    from pullbook.analysis.result import analyse_experiment

    text = fit_to_share({RESULTS: analyse_experiment(experiment).to_json().encode()})[RESULTS].decode()
    results: dict[str, Any] = json.loads(text)
    task.target.mkdir(parents=True, exist_ok=True)
    write_whole(task.target / RESULTS, text)
    made_from["inputs_sha256"] = results["inputs_sha256"]  # a log may have grown since
    write_whole(task.target / MANIFEST, manifest({RESULTS: text.encode()}, made_from))
    return results, True


def _page(task: Task) -> tuple[dict[str, Any], bool]:
    from pullbook.workbook.run import run_workbook

    rendered = run_workbook(task.folder, task.target, if_changed=True, progress=False)
    results: dict[str, Any] = json.loads((task.target / RESULTS).read_text(encoding="utf-8"))
    return results, rendered.fresh


def _row(task: Task, experiment: Experiment, results: dict[str, Any], *, fresh: bool) -> Row:
    comparison = results["comparison"]
    figures = {name: comparison[name] for name in ("change", "low", "high", "unit", "verdict")}
    return Row(
        **(_told(task, experiment) | figures),
        before=comparison["before"]["mean"],
        after=comparison["after"]["mean"],
        worthwhile=experiment.worthwhile_change,
        page=f"pages/{quote(task.name)}/workbook.html" if task.pages else "",
        warnings=tuple(_warnings(results)),
        inputs=results["inputs_sha256"],
        fresh=fresh,
    )


def _warnings(results: dict[str, Any]) -> Iterator[Finding]:
    """Yield the warnings on the comparison, then those on its logs: each cause once, with its sessions."""
    yield from (_finding(f) for f in results["findings"] if f["severity"] == "warning")
    found = [(name, _finding(f)) for name, session in results["sessions"].items() for f in session["findings"]]
    for names, finding in by_cause(pair for pair in found if pair[1].severity == "warning"):
        yield replace(finding, message=f"{', '.join(names)}: {finding.message}")


def _finding(plain: Mapping[str, Any]) -> Finding:
    return Finding(**{key: plain[key] for key in ("code", "severity", "message", "evidence")})


def _not_done(task: Task, status: Status, message: str, experiment: Experiment | None = None) -> Row:
    for path, word in ((task.folder, task.name), (task.out, "the batch's folder")):
        message = message.replace(path, word)
    return Row(**_told(task, experiment), status=status, message=scrub(readable(message)))


def _told(task: Task, experiment: Experiment | None) -> dict[str, Any]:
    """Return what an experiment says about itself, fit to share."""
    name = scrub(readable(task.name))
    if experiment is None:
        return {"folder": name}
    return {
        "folder": name,
        "title": scrub(experiment.title),
        "service": scrub(experiment.service.what),
        "outcome": experiment.outcome,
        "units": experiment.units,
    }
