"""What ``pullbook check`` says: each drive with its channels, runs and findings, and what is still needed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pullbook.analysis.sessions import (
    Drive,
    cut_in_two,
    day_findings,
    engine_notes,
    inlet_findings,
    missing_for_outcome,
    read_drives,
    settling_lines,
    unchecked_findings,
)
from pullbook.errors import by_cause
from pullbook.quantities import Shown
from pullbook.reading.logs import Log
from pullbook.reading.units import CHANNELS
from pullbook.settings.experiment import PHASES, Experiment
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.text import counted, difference_unit, fold


def check_text(folder: str | Path) -> list[str]:
    """Read an experiment's logs and say what was found, as lines for a terminal.

    Raises
    ------
    PullbookError
        When the settings or a log are refused.
    """
    experiment = Experiment.load(folder)
    inputs_sha256(experiment)  # refuses the same log under two names
    drives = read_drives(experiment)
    shown = experiment.shown
    lines = [line for drive in drives for line in (*_drive(drive, shown), "")]
    if noticed_in_logs := _noticed(drives, shown):
        lines += ["Noticed:", *noticed_in_logs, ""]
    for phase in PHASES:
        ours = [drive for drive in drives if drive.session.phase == phase]
        pulls = sum(run.included for drive in ours for run in drive.runs.pulls)
        cruises = sum(run.included for drive in ours for run in drive.runs.cruises)
        found = f"{counted(pulls, 'pull')} and {counted(cruises, 'cruise')}"
        lines.append(f"{phase}: {counted(len(ours), 'session')}, {found} that count")
    noticed = (
        *cut_in_two(drives),
        *day_findings(drives),
        *inlet_findings(drives),
        *unchecked_findings(drives),
        *engine_notes(experiment, drives),
    )
    lines += [fold(f"{finding.severity}: {shown.text(finding.message)}") for finding in noticed]
    if columns := settling_lines(drives):
        lines += ["", "Columns not recognised. Put the ones that are right into experiment.yaml, once:"]
        lines += ["channels:", *columns]
    for text in missing_for_outcome(experiment, drives):
        said = any(finding.message in text for finding in noticed) or any(line in text for line in columns)
        lines += [
            "",
            fold(f"Still needed for {experiment.outcome}: {_what_is_needed(text) if said else shown.text(text)}"),
        ]
    return lines


def _drive(drive: Drive, shown: Shown) -> list[str]:
    log, runs = drive.log, drive.runs
    by_hand = log.figures is not None
    about = "figures written down, no log" if by_hand else f"{log.duration_s / 60:.1f} min"
    lines = [f"{drive.session.name} ({drive.session.phase}): {log.name}, {about}"]
    if not by_hand:
        lines.append(fold(f"  time: {time_text(log)}"))
    width = max(len(name) for name in log.sources)
    lines.append(f"  {'channel':<{width}}  {'every':>6}  {'step':<9}  column in the {'table' if by_hand else 'log'}")
    for name, source in log.sources.items():
        unit = CHANNELS[name][1]
        of_step = difference_unit(unit)
        step = f"{shown.value(source.resolution, of_step):.3g} {shown.unit(of_step)}"
        step = step if source.resolution else "no change"
        logged = "" if source.unit.replace("deg", "°") == unit else f" in {source.unit}"
        signal = log.get(name)
        every = f"{signal.period_s:>4.2f} s" if signal else f"{'–':>6}"
        cells = f"  {name:<{width}}  {every}  {step:<9}  {source.column}{logged}"
        lines.append(fold(cells, indent=" " * (width + 19)))
    if not by_hand:
        lines.append(f"  full load judged from: {runs.full_load_from.replace('_', ' ')}")
    for run in runs.all:
        reason = run.reason if run.left_out else shown.text(run.reason)
        state = "counts" if run.included else f"does not count: {reason}"
        if not run.timed:
            lines.append(fold(f"  {run.name:<10} {state}", indent=" " * 11))
            continue
        start, end = shown.value(run.start_kmh, "km/h"), shown.value(run.end_kmh, "km/h")
        when = f"{run.start_s:7.1f} s to {run.end_s:7.1f} s"
        lines.append(
            fold(f"  {run.name:<10} {when}  {start:3.0f} to {end:3.0f} {shown.unit('km/h')}  {state}", indent=" " * 11)
        )
    if not runs.all:
        lines.append("  no pull and no cruise found")
    return lines


def _noticed(drives: Sequence[Drive], shown: Shown) -> list[str]:
    """Say what was noticed, once a cause, with the sessions that share it."""
    found = [(drive.session.name, finding) for drive in drives for finding in drive.findings]
    unread = [f for _, f in found if f.code == "column-unrecognised"]  # what they could be stands below, once
    lines = []
    for names, finding in by_cause((name, f) for name, f in found if f.code != "column-unrecognised"):
        where = "every session" if len(names) == len(drives) > 1 else ", ".join(names)
        of_first = f" (figures of {names[0]})" if len(names) > 1 and any(map(str.isdigit, finding.message)) else ""
        said, *to_copy = shown.text(finding.message).split("\n")
        sentence = f"  {finding.severity}: {where}: {said}{of_first}"
        lines.append("\n".join([fold(sentence), *(f"    {line}" for line in to_copy)]))
    if columns := list(dict.fromkeys(str(f.evidence["column"]) for f in unread if not f.evidence["closest"])):
        named = ", ".join(map(repr, columns))
        lines.append(fold(f"  note: not recognised, and no channel fits their unit and values: {named}"))
    return lines


def time_text(log: Log) -> str:
    """Say which column is a log's time, how it is written, when it starts and how long it lasts."""
    columns = " and ".join(map(repr, log.time.columns)) or "no column of its own"
    if log.start is None:
        starts = "no date"
    else:
        zone = " universal time, so the local day may be one earlier or later" if log.time.utc else ""
        starts = f"driven {log.start:%Y-%m-%d}" if log.time.day_only else f"starts {log.start:%Y-%m-%d %H:%M:%S}{zone}"
    unit = f", read as {log.time.unit}" if log.time.unit else ""
    return f"from {columns}{unit}; {starts}; {log.duration_s:.0f} s long"


def _what_is_needed(text: str) -> str:
    """Shorten what is missing to its channel, where the lines that supply it were already printed."""
    named = [name for name in CHANNELS if f"  {name}:" in text]
    channel = min(named, key=lambda name: text.index(f"  {name}:"))
    return f"{channel.replace('_', ' ')}, already listed above"
