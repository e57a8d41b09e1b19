"""The command line. Exit status: 0 done, 2 refused with one clear message, 3 doubtful, 1 a fault of the program.

A command is one function below, under its `_command`: group, what it does, an example, and its arguments. Help,
suggestions and shell completion follow from that. What a command needs is imported inside its function, so that
help comes at once.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import re
import shlex
import signal
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple, NoReturn, TextIO

from pullbook import __version__
from pullbook.errors import ExperimentError, PullbookError
from pullbook.settings.files import NO_ROOM
from pullbook.settings.safe_path import forget_working_folder
from pullbook.text import fold, harmless, sentence_case

GROUPS = ("Plan and collect", "Get the answer", "Keep a record", "Set up")  # as help shows them
SHELLS = ("bash", "zsh", "tcsh")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit status."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal without the degree sign is no reason to stop
    with contextlib.redirect_stdout(_Harmless(sys.stdout)):
        return _main(arguments)


class _Harmless:
    """Standard output, without what would steer the terminal."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.write(harmless(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def _main(arguments: Sequence[str] | None) -> int:
    forget_working_folder()  # it may be somebody else's experiment
    try:
        given = _parsed(sys.argv[1:] if arguments is None else arguments)
        status = given.act(given)
        sys.stdout.flush()
    except PullbookError as refusal:
        _complain(str(refusal))
        return 2
    except KeyboardInterrupt as stop:
        _complain(f"Interrupted. {str(stop) or 'What was written earlier is as it was'}")
        return 1
    except BrokenPipeError:
        # The reader, such as `head`, has had enough. What is still unwritten goes nowhere, or the exit would complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as fault:
        refused = fault.errno in NO_ROOM
        print(harmless(f"pullbook: {'' if refused else 'a fault of the program: '}{fault}"), file=sys.stderr)
        if refused:  # standard output, perhaps; what is still unwritten goes nowhere, or the exit would complain
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 2 if refused else 1
    except Exception as fault:
        _complain(f"a fault of the program: {type(fault).__name__}: {fault}")
        return 1
    return status or 0


def _complain(message: str) -> None:
    """Say on stderr what went wrong: folded on a terminal, else as it is, for a log or a mail."""
    text = harmless(f"pullbook: {message}")
    if sys.stderr.isatty():
        text = "\n".join(fold(line) for line in text.split("\n"))
    print(_bold("pullbook:", sys.stderr) + text.removeprefix("pullbook:"), file=sys.stderr)


def _bold(text: str, stream: Any) -> str:
    """Return text in bold where a person sees it in colour; see https://no-color.org."""
    plain = not stream.isatty() or os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return text if plain else f"\033[1m{text}\033[0m"


# --- how commands are declared and read --------------------------------------------------------------------------


class _Command(NamedTuple):
    group: str
    what: str
    example: str
    arguments: tuple[tuple[tuple[str, ...], dict[str, Any]], ...]
    act: Callable[[argparse.Namespace], int | None]  # its exit status, where that is not 0


COMMANDS: dict[str, _Command] = {}


def _argument(*names: str, **options: Any) -> tuple[tuple[str, ...], dict[str, Any]]:
    """Declare an argument, as `argparse.ArgumentParser.add_argument` takes it."""
    return names, options


def _command(
    group: str, what: str, example: str, *arguments: tuple[tuple[str, ...], dict[str, Any]]
) -> Callable[[Callable[[argparse.Namespace], int | None]], Callable[[argparse.Namespace], int | None]]:
    """Make a function a command, under its own name without the underline."""

    def add(act: Callable[[argparse.Namespace], int | None]) -> Callable[[argparse.Namespace], int | None]:
        COMMANDS[act.__name__.removeprefix("_")] = _Command(group, what, example, arguments, act)
        return act

    return add


class _Help(argparse.RawDescriptionHelpFormatter):
    def start_section(self, heading: str | None) -> None:
        super().start_section(heading and _bold(heading[:1].upper() + heading[1:], sys.stdout))


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are refusals like any other, with an example of the command."""

    color = False  # from Python 3.14 on argparse has its own; the same everywhere is better

    def error(self, message: str) -> NoReturn:
        name = self.prog.removeprefix("pullbook").strip()
        if choice := re.fullmatch(r"(.*invalid choice: '(.*?)') \(choose from (.*)\)", message):
            allowed = [word.strip(" '") for word in choice[3].split(",")]
            message = f"{choice[1]}; allowed: {', '.join(map(repr, allowed))}.{_near(choice[2], allowed)}"
        hint = f"For example: {COMMANDS[name].example}\n" if name in COMMANDS else ""
        raise PullbookError(f"{name + ': ' if name else ''}{message}\n{hint}All options: {self.prog} --help")


def _parser() -> tuple[_Parser, dict[str, _Parser]]:
    """Return the parser of the whole line, and those of the single commands."""
    whole = _Parser(
        prog="pullbook",
        usage="pullbook COMMAND ...",
        description="Did the service help? Compare engine logs from before and after it.",
        epilog=_overview(),
        formatter_class=_Help,
    )
    whole.add_argument("--version", action="version", version=f"pullbook {__version__}")
    commands = whole.add_subparsers(metavar="COMMAND", prog="pullbook", dest="command", help=argparse.SUPPRESS)
    single = {}
    for name, command in COMMANDS.items():
        parser = commands.add_parser(
            name,
            help=command.what,
            description=sentence_case(command.what) + ("" if command.what.endswith("?") else "."),
            epilog=f"{_bold('Example:', sys.stdout)}\n  {command.example}",
            formatter_class=_Help,
        )
        for names, options in command.arguments:
            parser.add_argument(*names, **options)
        parser.set_defaults(act=command.act)
        single[name] = parser
    return whole, single


def _overview() -> str:
    """List the commands by groups, each with its example."""
    lines = []
    for group in GROUPS:
        lines.append(_bold(f"{group}:", sys.stdout))
        for name, command in COMMANDS.items():
            if command.group == group:
                lines += [f"  {name:<12}{command.what}", f"              $ {command.example}"]
        lines.append("")
    return "\n".join([*lines, "More on a command: pullbook COMMAND --help"])


def _parsed(arguments: Sequence[str]) -> argparse.Namespace:
    """Read the command line; without a command, help is what is wanted.

    Raises
    ------
    PullbookError
        When something is not known or missing; names what is near to it.
    """
    whole, single = _parser()
    if arguments and not arguments[0].startswith("-") and arguments[0] not in single:
        whole.error(f"there is no command '{arguments[0]}'.{_near(arguments[0], single)}")
    given, unknown = whole.parse_known_args(arguments)
    if unknown:
        parser = single.get(given.command, whole)
        known = [name for action in parser._actions for name in action.option_strings]
        option = unknown[0].partition("=")[0]
        kind = "option" if option.startswith("-") else "argument"
        if given.command == "lab" and kind == "option":
            parser.error(f"unknown option '{option}'. Put Jupyter's options after --")
        parser.error(f"unknown {kind} '{option}'.{_near(option, known)}")
    if given.command is None:
        given.act = lambda _: whole.print_help()
    return given


def _near(word: str, known: Iterable[str]) -> str:
    from difflib import get_close_matches

    bare = {name.lstrip("-"): name for name in known}  # dashes alone make no two options alike
    near = get_close_matches(word.lstrip("-"), bare, n=1)
    return f" Did you mean '{bare[near[0]]}'?" if near else ""


def _parameters(example: str) -> tuple[tuple[str, ...], dict[str, Any]]:
    return _argument(
        "-p", dest="parameters", action="append", default=[], metavar="NAME=VALUE",
        help=f"set a parameter of the notebook, such as {example}; may be repeated",
    )  # fmt: skip


FOLDER = _argument("folder", metavar="DIR", help="the experiment's folder")
QUIET = _argument("--quiet", action="store_true", help="no progress bar")


# --- the commands, in the order of the work ---------------------------------------------------------


@_command(
    "Plan and collect",
    "make an experiment from your logs",
    "pullbook new my-van --before a.csv b.csv --after c.csv d.csv",
    FOLDER,
    _argument("--before", nargs="+", default=[], metavar="LOG", help="logs from before the service, or a folder"),
    _argument("--after", nargs="+", default=[], metavar="LOG", help="logs from after it, or a folder of them"),
    _argument(
        "--figures", nargs="+", default=[], metavar="TABLE",
        help="two tables of figures you wrote down, before and after, in place of logs",
    ),
    _argument("--yes", action="store_true", help="ask nothing and take what the logs suggest"),
    _argument("--title", metavar="TEXT", help="of the page (default: the folder's name)"),
    _argument("--vehicle", metavar="TEXT", help="size, fuel and kind of cooler; no registration"),
    _argument("--fuel", metavar="FUEL", help="diesel or petrol"),
    _argument("--service", metavar="TEXT", help="what was done, in a line"),
    _argument("--date", metavar="DAY", help="of the service, such as 2026-03-20"),
    _argument(
        "--driven", nargs="+", action="extend", default=[], metavar="SESSION=DAY",
        help="when a drive was, such as before-1=2026-03-14, where its log has no date",
    ),
    _argument("--odometer", metavar="READING", help="at the service; '92000 mi' is allowed"),
    _argument("--outcome", metavar="NAME", help="the figure to compare, such as peak_rise or 'elapsed_s 60-90'"),
    _argument("--worthwhile", metavar="CHANGE", help="the least change that matters to you, such as 2 or '4 °F'"),
    _argument(
        "--ambient", nargs="+", action="extend", default=[], metavar="SESSION=AIR",
        help="air in the shade, such as before-1=14 or 'after-1=60 °F'",
    ),
    _argument(
        "--pressure", nargs="+", action="extend", default=[], metavar="SESSION=PRESSURE",
        help="outside, where the log has boost above it, such as before-1=1008 or 'after-1=29.9 inHg'",
    ),
    _argument("--units", metavar="UNITS", help="to show, and of a number without a unit: metric or us"),
    _argument("--sensor", metavar="PLACE", help="the intake sensor: before the compressor, or after the cooler"),
    _argument("--date-order", metavar="FIRST", help="day or month, where dates such as 3/4/2026 leave it open"),
    _argument(
        "--sensor-work", nargs="+", action="extend", default=[], metavar="CHANNEL=DONE",
        help="a sensor that was refitted, cleaned or replaced during the service",
    ),
)  # fmt: skip
def _new(given: argparse.Namespace) -> None:
    from pullbook.commands.interview import Interview
    from pullbook.commands.new import draft_experiment
    from pullbook.commands.questions import Given

    plain = (
        "title",
        "units",
        "vehicle",
        "fuel",
        "service",
        "date",
        "odometer",
        "outcome",
        "worthwhile",
        "sensor",
        "date_order",
    )
    answers = Given(
        **{name: getattr(given, name) for name in plain},
        ambient=_pairs("--ambient", given.ambient),
        days=_pairs("--driven", given.driven),
        pressure=_pairs("--pressure", given.pressure),
        work=_pairs("--sensor-work", given.sensor_work),
    )
    interview = Interview(input if _somebody_is_there() and not given.yes else None)
    told = draft_experiment(
        given.folder,
        before=given.before,
        after=given.after,
        figures=given.figures,
        given=answers,
        interview=interview,
        propose=given.yes,
    )
    print("\n".join(told))


def _pairs(option: str, given: Sequence[str]) -> dict[str, str]:
    """Take NAME=VALUE apart."""
    pairs = dict(text.partition("=")[::2] for text in given)
    if wrong := [text for text in given if "=" not in text]:
        raise PullbookError(f"new: {option}: given {wrong[0]!r}. Write NAME=VALUE.")
    return {name.strip(): value.strip() for name, value in pairs.items()}


@_command(
    "Plan and collect",
    "one more drive: usable? worth another? what is the answer now?",
    "pullbook add my-van evening-2.csv --phase after",
    FOLDER,
    _argument("logs", nargs="+", metavar="LOG", help="one log per drive, copied into the experiment"),
    _argument("--phase", required=True, choices=("before", "after"), help="before the service, or after it"),
    _argument("--date", metavar="DAY", help="when it was driven, such as 2026-03-14, where the log has no date"),
    _argument("--page", metavar="FILE.html", help="also write it as a small page for a phone"),
)
def _add(given: argparse.Namespace) -> int:
    from pullbook.commands.add import add_logs, ask_days, page, screen, sensors_to_ask
    from pullbook.commands.interview import Interview
    from pullbook.commands.sensors import ask_sensors
    from pullbook.settings.experiment import Experiment
    from pullbook.settings.files import check_place, write_whole
    from pullbook.settings.places import place_for

    place = None
    experiment = Experiment.load(given.folder)
    if given.page is not None:
        place = place_for(given.page, Path("drive.html"))
        experiment.keep_from(place)
        check_place(place)
    interview = Interview(input if _somebody_is_there() else None)
    sensors = ask_sensors(sensors_to_ask(experiment, given.phase), interview)
    days = ask_days(given.logs, given.date, interview)
    added = add_logs(given.folder, given.logs, phase=given.phase, sensors=sensors, days=days)
    print("\n".join(screen(added)))
    if place is not None:
        write_whole(place, page(added))
        print(f"Wrote {place}")
    return 3 if added.doubtful else 0


def _somebody_is_there() -> bool:
    """Say whether a person can be asked: at a terminal, not in a script."""
    return sys.stdin.isatty() and sys.stdout.isatty()


@_command(
    "Plan and collect",
    "read the logs and say what is in them (writes nothing)",
    "pullbook check my-van",
    FOLDER,
)
def _check(given: argparse.Namespace) -> None:
    from pullbook.commands.check import check_text

    print("\n".join(check_text(given.folder)))


@_command(
    "Get the answer",
    "run the workbook and write the page",
    "pullbook run my-van",
    FOLDER,
    _argument("--out", metavar="OUT", help="where to write (default: DIR/rendered)"),
    _parameters("level=0.9"),
    _argument("--relative-dates", action="store_true", help="write no dates: days from the service instead"),
    _argument("--if-changed", action="store_true", help="do nothing if nothing changed since last time"),
    _argument("--private", action="store_true", help="leave names, places and numbers in (not for sharing)"),
    QUIET,
)
def _run(given: argparse.Namespace) -> None:
    from pullbook.settings.experiment import undescribed
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
        print(fold(f"warning: {warning}"))
    print(fold(rendered.sentence))
    if open_ones := undescribed(given.folder):
        print(
            fold(f"The page and the post leave out the {' and the '.join(open_ones)}: describe it in experiment.yaml.")
        )
    print(f"{'Wrote' if rendered.fresh else 'Unchanged:'} {rendered.folder / 'workbook.html'}")
    if given.private:
        print("Private, not for sharing: names, places and numbers are left in. Run without --private before you post.")


def _prepare_to_execute(*, quiet: bool) -> None:
    """Make a notebook's run end tidily and quietly when it is ended."""
    import logging

    signal.signal(signal.SIGTERM, signal.default_int_handler)  # like Ctrl-C: tidy up first
    for machinery in ("papermill", "asyncio"):  # the exception says what failed; the rest is noise on Ctrl-C
        logging.getLogger(machinery).setLevel(logging.CRITICAL)
    logging.getLogger("pullbook").setLevel(logging.ERROR if quiet else logging.WARNING)


@_command(
    "Get the answer",
    "the numbers alone, as results.json",
    "pullbook analyse my-van --out results.json",
    FOLDER,
    _argument("--out", metavar="FILE", help="where to write (default: standard output)"),
)
def _analyse(given: argparse.Namespace) -> None:
    from pullbook.analysis.result import analyse_experiment
    from pullbook.settings.experiment import Experiment
    from pullbook.settings.files import RESULTS, check_place, write_whole
    from pullbook.settings.places import place_for
    from pullbook.settings.share import fit_to_share

    def numbers() -> bytes:
        return fit_to_share({RESULTS: analyse_experiment(experiment).to_json().encode()})[RESULTS]

    experiment = Experiment.load(given.folder)
    if given.out is None and sys.stdout.isatty():  # a screen full of JSON helps nobody
        result = analyse_experiment(experiment)
        print(fold(result.sentence))
        print(fold(f"For the numbers: pullbook analyse {shlex.quote(given.folder)} --out {RESULTS}"))
        return
    if given.out is None:
        sys.stdout.buffer.write(numbers())  # JSON is UTF-8 on any terminal
        return
    path = place_for(given.out, Path(RESULTS))
    experiment.keep_from(path)
    check_place(path)
    write_whole(path, numbers().decode())


@_command(
    "Plan and collect",
    "how many sessions and pulls it takes to see a change",
    "pullbook plan --change 2 --out plan.html",
    _argument("folder", metavar="DIR", nargs="?", help="an experiment whose own scatter is used"),
    _argument(
        "--change", metavar="SIZE",
        help="change to detect, such as '3 F'; a number alone is in the units shown (default: 2 K, or the "
        "experiment's)",
    ),
    _argument("--pulls", type=int, default=5, metavar="N", help="pulls per session (default: 5)"),
    _argument("--out", metavar="FILE.html", help="write a page with a sheet to print, instead of text"),
    QUIET,
)  # fmt: skip
def _plan(given: argparse.Namespace) -> None:
    from pullbook.analysis.planned import change_typed, plan_request
    from pullbook.report.plan import plan_text

    change, units = change_typed(given.folder, given.change)
    if not 1 <= given.pulls <= 50:
        raise ExperimentError(f"--pulls: given {given.pulls}. Allowed: 1 to 50")
    if given.out is None:
        print("\n".join(plan_text(plan_request(given.folder, change=change, pulls=given.pulls, units=units))))
        return
    from pullbook.settings.places import place_for
    from pullbook.workbook.execute import render_notebook

    _prepare_to_execute(quiet=given.quiet)
    folder = str(Path(given.folder).resolve()) if given.folder else ""
    parameters = {"experiment": folder, "worthwhile_change": change or 0.0, "pulls": given.pulls, "units": units or ""}
    out = place_for(given.out, Path("plan.html"))
    render_notebook(
        "plan.ipynb", parameters, out=out, title="Plan of a before-and-after test", progress=not given.quiet
    )
    print(f"Wrote {out}")


@_command(
    "Keep a record",
    "one vehicle over the years: several experiments on one page",
    "pullbook history my-van --out van.html",
    _argument(
        "folders",
        metavar="DIR",
        nargs="*",
        default=["."],
        help="experiments, or the vehicle's folder that holds them (default: the one you are in)",
    ),
    _argument("--out", metavar="FILE.html", default="history.html", help="default: history.html"),
    _parameters("ledger=FILE.csv"),
    QUIET,
)
def _history(given: argparse.Namespace) -> None:
    from pullbook.settings.places import ledger_of, place_for
    from pullbook.statistics.uncertainty import check_level
    from pullbook.workbook.execute import not_negative, notebook_path, read_parameters, render_notebook

    _prepare_to_execute(quiet=given.quiet)
    out = place_for(given.out, Path("history.html"))
    parameters = read_parameters(
        notebook_path("history.ipynb"),
        given.parameters,
        elsewhere={"folders": "they are the folders: pullbook history DIR..."},
        checks={"level": check_level, "cost": not_negative("cost"), "hours": not_negative("hours")},
        paths=("ledger",),
    )
    parameters["folders"] = "\n".join(str(Path(folder).resolve()) for folder in given.folders)
    parameters["ledger"] = parameters.get("ledger") or ledger_of(given.folders)
    render_notebook("history.ipynb", parameters, out=out, title="One vehicle over the years", progress=not given.quiet)
    print(f"Wrote {out}")


@_command(
    "Keep a record",
    "services and the catch can, from your own CSV",
    "pullbook ledger my.csv -p capacity_ml=250",
    _argument("file", metavar="FILE.csv", help="the ledger"),
    _argument("--out", metavar="FILE.html", help="default: beside the CSV, with its name"),
    _parameters("capacity_ml=250"),
    QUIET,
)
def _ledger(given: argparse.Namespace) -> None:
    from pullbook.records.ledger import not_counted, read_ledger
    from pullbook.settings.places import place_for
    from pullbook.workbook.execute import (
        not_negative,
        notebook_path,
        read_parameters,
        render_notebook,
        stored_parameters,
    )

    _prepare_to_execute(quiet=given.quiet)
    path = Path(given.file).resolve()
    if path.is_dir():
        raise PullbookError(
            f"{given.file}: that is a folder. Give the ledger's CSV, such as {Path(given.file) / 'ledger.csv'}. For a "
            f"vehicle's folder: pullbook history {shlex.quote(given.file)}"
        )
    out = place_for(given.out, path.with_suffix(".html"))
    notebook = notebook_path("ledger.ipynb")
    parameters = read_parameters(
        notebook,
        given.parameters,
        elsewhere={"ledger": "it is the file: pullbook ledger FILE.csv"},
        checks={name: not_negative(name) for name in ("capacity_ml", "fitted_at_km", "cost", "hours")},
        paths=("results",),
    )
    parameters["ledger"] = str(path)
    left = not_counted(read_ledger(path), str((stored_parameters(notebook) | parameters)["item"]))
    render_notebook("ledger.ipynb", parameters, out=out, title="Ledger", progress=not given.quiet)
    print(f"Wrote {out}")
    if left:
        print(fold(left))


@_command(
    "Get the answer",
    "open JupyterLab on the workbook for an experiment",
    "pullbook lab my-van",
    FOLDER,
    _argument("option", nargs="*", help="options for JupyterLab, after --, such as -- --no-browser"),
)
def _lab(given: argparse.Namespace) -> None:
    from pullbook.workbook.lab import lab_home, open_lab, own_copy

    copy, current = own_copy(given.folder, lab_home())
    print(f"The workbook for {given.folder} is {copy}. It runs by itself. Ctrl-C here ends it.")
    if not current:
        print("It holds your own changes and stays as it is. Delete it to get a fresh one.")
    open_lab(copy, given.option)


@_command(
    "Keep a record",
    "many experiments, in parallel",
    "pullbook batch my-van my-car",
    _argument("folders", metavar="DIR", nargs="+", help="experiments, or folders that hold some"),
    _argument("--out", metavar="OUT", default="batch", help="where to write (default: batch)"),
    _argument("--workers", type=int, metavar="N", help="processes at once (default: one per processor)"),
    _argument("--scheduler", metavar="ADDRESS", help="give the work to a Dask scheduler instead"),
    _argument("--pages", action="store_true", help="also run each workbook and write its page"),
    QUIET,
)
def _batch(given: argparse.Namespace) -> None:
    from pullbook.batch.experiments import find_experiments, run_batch
    from pullbook.batch.pool import usable_cpus
    from pullbook.batch.table import found, not_done_text, page, summary, to_csv
    from pullbook.settings.files import write_whole
    from pullbook.settings.places import place_for
    from pullbook.settings.share import fit_to_share

    signal.signal(signal.SIGTERM, signal.default_int_handler)  # like Ctrl-C: tidy up first
    workers = usable_cpus() if given.workers is None else given.workers
    if not 1 <= workers <= 256:
        raise ExperimentError(f"--workers: given {workers}. Allowed: 1 to 256")
    folders, out = find_experiments(given.folders), place_for(given.out, Path("batch"))
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


@_command(
    "Set up",
    "print what your shell needs to complete commands and options",
    'eval "$(pullbook completion bash)"',
    _argument("shell", choices=SHELLS, help="%(choices)s"),
)
def _completion(given: argparse.Namespace) -> None:
    import shtab

    whole, single = _parser()
    for action in whole._actions:
        if action.dest == "command":
            action.help = "COMMAND"  # help lists the commands itself; what is left out of it is not completed
    for action in (action for parser in single.values() for action in parser._actions):
        metavar = str(action.metavar)
        if metavar in ("DIR", "OUT"):
            action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
        elif metavar == "LOG" or metavar.startswith("FILE"):
            action.complete = shtab.FILE  # type: ignore[attr-defined]
    print(shtab.complete(whole, shell=given.shell))


if __name__ == "__main__":
    sys.exit(main())
