"""What ``pullbook check`` says: each drive with its channels, runs and findings, and what is still needed."""

from __future__ import annotations

from pathlib import Path

from pullbook.analysis.sessions import Drive, inlet_findings, missing_for_outcome, read_drives, settling_lines
from pullbook.reading.units import CHANNELS
from pullbook.settings.experiment import PHASES, Experiment
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.text import counted, fold


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
    lines = [line for drive in drives for line in (*_drive(drive), "")]
    for phase in PHASES:
        ours = [drive for drive in drives if drive.session.phase == phase]
        pulls = sum(run.included for drive in ours for run in drive.runs.pulls)
        cruises = sum(run.included for drive in ours for run in drive.runs.cruises)
        found = f"{counted(pulls, 'pull')} and {counted(cruises, 'cruise')}"
        lines.append(f"{phase}: {counted(len(ours), 'session')}, {found} that count")
    lines += [fold(f"{finding.severity}: {finding.message}") for finding in inlet_findings(drives)]
    if columns := settling_lines(drives):
        lines += ["", "Columns not recognised. What is right of these, put into experiment.yaml once:"]
        lines += ["channels:", *columns]
    for text in missing_for_outcome(experiment, drives)[:1]:
        lines += ["", fold(f"Still needed for {experiment.outcome}: {text}")]
    return lines


def _drive(drive: Drive) -> list[str]:
    log, runs = drive.log, drive.runs
    lines = [f"{drive.session.name} ({drive.session.phase}): {log.name}, {log.duration_s / 60:.1f} min"]
    width = max(len(name) for name in log.signals)
    lines.append(f"  {'channel':<{width}}  {'every':>6}  {'step':<9}  column in the log")
    for name, signal in log.signals.items():
        unit = CHANNELS[name][1]
        step = f"{signal.resolution:.3g} {unit}" if signal.resolution else "no change"
        logged = "" if signal.unit.replace("deg", "°") == unit else f" in {signal.unit}"
        cells = f"  {name:<{width}}  {signal.period_s:>4.2f} s  {step:<9}  {signal.column}{logged}"
        lines.append(fold(cells, indent=" " * (width + 19)))
    lines.append(f"  full load told by: {runs.full_load_from.replace('_', ' ')}")
    for run in runs.all:
        state = "counts" if run.included else f"does not count: {run.reason}"
        when = f"{run.start_s:7.1f} s to {run.end_s:7.1f} s"
        lines.append(
            fold(f"  {run.name:<10} {when}  {run.start_kmh:3.0f} to {run.end_kmh:3.0f} km/h  {state}", indent=" " * 11)
        )
    if not runs.all:
        lines.append("  no pull and no cruise found")
    for finding in drive.findings:
        sentence, *to_copy = finding.message.split("\n")
        lines += [fold(f"  {finding.severity}: {sentence}"), *(f"    {line}" for line in to_copy)]
    return lines
