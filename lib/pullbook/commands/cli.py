"""The command line. Exit status: 0 done, 2 refused with one clear message, 1 a fault of the program."""

from __future__ import annotations

import argparse
import io
import logging
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pullbook import __version__
from pullbook.errors import ExperimentError, PullbookError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit status."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal without the degree sign is no reason to stop
    given = _parser().parse_args(arguments)
    try:
        given.command(given)
        sys.stdout.flush()
    except PullbookError as refusal:
        print(f"pullbook: {refusal}", file=sys.stderr)
        return 2
    except KeyboardInterrupt as stop:
        print(f"pullbook: interrupted; {str(stop) or 'what was written earlier is as it was'}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # The reader, such as `head`, has had enough. What is still unwritten goes nowhere, or the exit would complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as fault:
        print(f"pullbook: a fault of the program: {type(fault).__name__}: {fault}", file=sys.stderr)
        return 1
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="pullbook", description="Did the service help? Compare engine logs from before and after it."
    )
    parser.add_argument("--version", action="version", version=f"pullbook {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    new = _command(commands, "new", "write a draft experiment from logs")
    new.add_argument("folder", metavar="DIR", help="the experiment's folder")
    new.add_argument("--before", nargs="+", default=[], metavar="LOG", help="logs from before the service")
    new.add_argument("--after", nargs="+", default=[], metavar="LOG", help="logs from after it")
    new.set_defaults(command=_new)

    check = _command(commands, "check", "read the logs and say what was found; writes nothing")
    check.add_argument("folder", metavar="DIR", help="the experiment's folder")
    check.set_defaults(command=_check)

    run = _command(commands, "run", "execute the workbook and write the page")
    run.add_argument("folder", metavar="DIR", help="the experiment's folder")
    run.add_argument("--out", metavar="OUT", help="where to write (default: DIR/rendered)")
    _add_parameters(run, "level=0.9")
    run.add_argument("--relative-dates", action="store_true", help="write no date: days from the service instead")
    run.add_argument("--if-changed", action="store_true", help="do nothing if the inputs are the same as last time")
    run.add_argument("--private", action="store_true", help="leave names, places and numbers in; not for sharing")
    run.add_argument("--quiet", action="store_true", help="no progress bar")
    run.set_defaults(command=_run)

    analyse = _command(commands, "analyse", "the numbers alone, as results.json")
    analyse.add_argument("folder", metavar="DIR", help="the experiment's folder")
    analyse.add_argument("--out", metavar="FILE", help="where to write (default: standard output)")
    analyse.set_defaults(command=_analyse)
    plan = _command(commands, "plan", "how many sessions and pulls would resolve a given change")
    plan.add_argument("folder", metavar="DIR", nargs="?", help="an experiment whose own scatter is used")
    plan.add_argument(
        "--change", type=float, metavar="SIZE",
        help="change to resolve, in the outcome's unit (default: 2 K, or the experiment's)",
    )  # fmt: skip
    plan.add_argument("--pulls", type=int, default=5, metavar="N", help="pulls a session (default: 5)")
    plan.add_argument("--out", metavar="FILE.html", help="write a page with a sheet to print, instead of text here")
    plan.set_defaults(command=_plan)

    lab = _command(commands, "lab", "open JupyterLab on the workbook for an experiment")
    lab.add_argument("folder", metavar="DIR", help="the experiment's folder")
    lab.add_argument("option", nargs="*", help="options for JupyterLab, after --, such as -- --no-browser")
    lab.set_defaults(command=_lab)

    history = _command(commands, "history", "one vehicle over the years: several experiments on one page")
    history.add_argument("folders", metavar="DIR", nargs="+", help="experiments, or a folder that holds them")
    history.add_argument("--out", metavar="FILE.html", default="history.html", help="default: history.html")
    _add_parameters(history, "ledger=FILE.csv")
    history.add_argument("--quiet", action="store_true", help="no progress bar")
    history.set_defaults(command=_history)

    ledger = _command(commands, "ledger", "services and the catch can, from a CSV kept by hand")
    ledger.add_argument("file", metavar="FILE.csv")
    ledger.add_argument("--out", metavar="FILE.html", help="default: beside the CSV, with its name")
    _add_parameters(ledger, "capacity_ml=250")
    ledger.add_argument("--quiet", action="store_true", help="no progress bar")
    ledger.set_defaults(command=_ledger)

    batch = _command(commands, "batch", "many experiments, in parallel")
    batch.add_argument("folders", metavar="DIR", nargs="+", help="experiments, or folders that hold some")
    batch.add_argument("--out", metavar="OUT", default="batch", help="where to write (default: batch)")
    batch.add_argument("--workers", type=int, metavar="N", help="processes at once (default: one a processor)")
    batch.add_argument("--scheduler", metavar="ADDRESS", help="hand the work to a Dask scheduler instead")
    batch.add_argument("--pages", action="store_true", help="execute the workbook of each too")
    batch.add_argument("--quiet", action="store_true", help="no progress bar")
    batch.set_defaults(command=_batch)
    return parser


def _command(commands: Any, name: str, what: str) -> argparse.ArgumentParser:
    """Add a command; its own help says what it does, too."""
    parser: argparse.ArgumentParser = commands.add_parser(name, help=what, description=f"{what[0].upper()}{what[1:]}.")
    return parser


def _add_parameters(command: argparse.ArgumentParser, example: str) -> None:
    command.add_argument(
        "-p", dest="parameters", action="append", default=[], metavar="NAME=VALUE",
        help=f"set a parameter of the notebook, such as {example}; may be repeated",
    )  # fmt: skip


def _new(given: argparse.Namespace) -> None:
    from pullbook.commands.new import draft_experiment

    print("\n".join(draft_experiment(given.folder, before=given.before, after=given.after)))


def _check(given: argparse.Namespace) -> None:
    from pullbook.commands.check import check_text

    print("\n".join(check_text(given.folder)))


def _run(given: argparse.Namespace) -> None:
    from pullbook.workbook.run import run_workbook

    _prepare_to_execute(quiet=given.quiet)
    rendered = run_workbook(
        given.folder,
        given.out,
        settings=given.parameters,
        relative_dates=given.relative_dates,
        if_changed=given.if_changed,
        private=given.private,
        progress=not given.quiet,
    )
    for warning in rendered.warnings:
        print(f"warning: {warning}")
    print(rendered.sentence)
    print(f"{'Wrote' if rendered.fresh else 'Unchanged:'} {rendered.folder / 'workbook.html'}")
    if given.private:
        print("Private, not for sharing: names, places and numbers are left in. Run without --private before you post.")


def _prepare_to_execute(*, quiet: bool) -> None:
    """Make a notebook's run end tidily and quietly when it is ended."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # like Ctrl-C: tidy up first
    for machinery in ("papermill", "asyncio"):  # what failed is told by the exception; the rest is noise on Ctrl-C
        logging.getLogger(machinery).setLevel(logging.CRITICAL)
    logging.getLogger("pullbook").setLevel(logging.ERROR if quiet else logging.WARNING)


def _analyse(given: argparse.Namespace) -> None:
    from pullbook.analysis.result import analyse_experiment
    from pullbook.settings.experiment import Experiment
    from pullbook.settings.files import RESULTS, check_place, write_whole
    from pullbook.settings.share import fit_to_share

    def numbers() -> bytes:
        return fit_to_share({RESULTS: analyse_experiment(experiment).to_json().encode()})[RESULTS]

    experiment = Experiment.load(given.folder)
    if given.out is None:
        sys.stdout.buffer.write(numbers())  # JSON is UTF-8 on any terminal
        return
    path = Path(given.out).resolve()
    experiment.keep_from(path)
    check_place(path)
    write_whole(path, numbers().decode())


def _plan(given: argparse.Namespace) -> None:
    from pullbook.report.plan import plan_text

    if given.change is not None and not given.change > 0:
        raise ExperimentError(f"--change: given {given.change:g}; allowed: above 0")
    if not 1 <= given.pulls <= 50:
        raise ExperimentError(f"--pulls: given {given.pulls}; allowed: 1 to 50")
    if given.out is None:
        print("\n".join(plan_text(given.folder, change=given.change, pulls=given.pulls)))
        return
    from pullbook.workbook.execute import render_notebook

    _prepare_to_execute(quiet=False)
    folder = str(Path(given.folder).resolve()) if given.folder else ""
    parameters = {"experiment": folder, "worthwhile_change": given.change or 0.0, "pulls": given.pulls}
    out = Path(given.out).resolve()
    render_notebook("plan.ipynb", parameters, out=out, title="Plan of a before-and-after test")
    print(f"Wrote {out}")


def _history(given: argparse.Namespace) -> None:
    from pullbook.statistics.uncertainty import check_level
    from pullbook.workbook.execute import notebook_path, read_parameters, render_notebook

    _prepare_to_execute(quiet=given.quiet)
    out = Path(given.out).resolve()
    parameters = read_parameters(
        notebook_path("history.ipynb"),
        given.parameters,
        elsewhere={"folders": "they are the folders: pullbook history DIR..."},
        checks={"level": check_level},
        paths=("ledger",),
    )
    folders = "\n".join(str(Path(folder).resolve()) for folder in given.folders)
    parameters["folders"] = folders
    render_notebook("history.ipynb", parameters, out=out, title="One vehicle over the years", progress=not given.quiet)
    print(f"Wrote {out}")


def _ledger(given: argparse.Namespace) -> None:
    from pullbook.workbook.execute import not_negative, notebook_path, read_parameters, render_notebook

    _prepare_to_execute(quiet=given.quiet)
    path = Path(given.file).resolve()
    out = Path(given.out).resolve() if given.out else path.with_suffix(".html")
    parameters = read_parameters(
        notebook_path("ledger.ipynb"),
        given.parameters,
        elsewhere={"ledger": "it is the file: pullbook ledger FILE.csv"},
        checks={name: not_negative(name) for name in ("capacity_ml", "fitted_at_km", "cost", "hours")},
        paths=("results",),
    )
    parameters["ledger"] = str(path)
    render_notebook("ledger.ipynb", parameters, out=out, title="Ledger", progress=not given.quiet)
    print(f"Wrote {out}")


def _lab(given: argparse.Namespace) -> None:
    from pullbook.workbook.lab import lab_home, open_lab, own_copy

    copy, current = own_copy(given.folder, lab_home())
    print(f"The workbook for {given.folder} is {copy}; in JupyterLab: Run, Run All Cells. Ctrl-C here ends it.")
    if not current:
        print("It holds your own changes and is kept as it is; delete it for a fresh one.")
    open_lab(copy, given.option)


def _batch(given: argparse.Namespace) -> None:
    from pullbook.batch.experiments import find_experiments, run_batch
    from pullbook.batch.pool import usable_cpus
    from pullbook.batch.table import found, not_done_text, page, summary, to_csv
    from pullbook.settings.files import write_whole
    from pullbook.settings.share import fit_to_share

    signal.signal(signal.SIGTERM, signal.default_int_handler)  # like Ctrl-C: tidy up first
    workers = usable_cpus() if given.workers is None else given.workers
    if not 1 <= workers <= 256:
        raise ExperimentError(f"--workers: given {workers}; allowed: 1 to 256")
    folders, out = find_experiments(given.folders), Path(given.out).resolve()
    print(found(folders), flush=True)
    rows = run_batch(
        folders, out, workers=workers, scheduler=given.scheduler, pages=given.pages, progress=not given.quiet
    )
    files = {"batch.csv": to_csv(rows).encode(), "batch.html": page(rows).encode()}
    for name, content in fit_to_share(files).items():
        write_whole(out / name, content.decode())
    print(f"{summary(rows)}\nWrote {out / 'batch.html'}", flush=True)
    if any(row.status == "failed" for row in rows):
        raise RuntimeError(not_done_text(rows))
    if any(row.status == "refused" for row in rows):
        raise PullbookError(not_done_text(rows))


if __name__ == "__main__":
    sys.exit(main())
