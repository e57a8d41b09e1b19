"""Draft an experiment from logs: copy them, recognise what they hold, guess the protocol, say what is still needed."""

from __future__ import annotations

import json
import os
import re
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pullbook.analysis.sessions import settling_lines
from pullbook.commands.check import time_text
from pullbook.commands.copies import copied, targets_for
from pullbook.errors import ExperimentError
from pullbook.reading.logs import Log, read_log
from pullbook.reading.sensor_place import engine_findings
from pullbook.runs.find import Runs, find_runs
from pullbook.runs.full_load import pedal_travel
from pullbook.runs.goal import propose_rise_at
from pullbook.settings.experiment import FILE_NAME, Protocol
from pullbook.settings.files import write_whole
from pullbook.settings.fingerprint import log_digests
from pullbook.text import counted, fold


def draft_experiment(folder: str | Path, *, before: Sequence[str | Path], after: Sequence[str | Path]) -> list[str]:
    """Write a draft ``experiment.yaml`` with copies of the logs that are not in the folder yet.

    Parameters
    ----------
    folder : path
        Made if need be; must not hold an ``experiment.yaml`` yet.
    before, after : sequence of path
        Logs of the two phases; either may be empty.

    Returns
    -------
    list of str
        What was recognised and what is still needed, as lines for a person.

    Raises
    ------
    PullbookError
        When a log cannot be read or the folder already holds an experiment; nothing is written then.
    """
    folder = Path(folder)
    if os.path.lexists(folder / FILE_NAME):
        raise ExperimentError(f"{folder}: already holds {FILE_NAME}. Give another folder, or edit that one")
    phases = ["before"] * len(before) + ["after"] * len(after)
    sources = [Path(path) for path in (*before, *after)]
    if not sources:
        raise ExperimentError("no logs given. Name them after --before and --after")
    logs = [read_log(path) for path in sources]
    sessions = _session_names(phases)
    log_digests(dict(zip(sessions, sources, strict=True)))  # refuses a log given twice
    targets = targets_for(folder, sources)
    guess = guess_protocol(logs)
    with copied(folder, sources, targets):
        write_whole(folder / FILE_NAME, _yaml(folder.resolve().name, guess, sessions, phases, targets))
    return _told(folder, logs, guess, sessions)


@dataclass(frozen=True, kw_only=True)
class Guess:
    """A protocol, and how much of it the logs show.

    Attributes
    ----------
    protocol : Protocol
    pulls : int
        Accelerations at full load that gain 30 km/h or more; with none the protocol's pull is only a start.
    part_throttle : str
        What one of those at part throttle lacked; empty without any.
    cruise : bool
        Whether a steady stretch was found; else the protocol's cruise is only a start.
    rise_at : int or None
        Speed [km/h] that every usable pull passes (`propose_rise_at`), where the logs hold both temperatures.
    """

    protocol: Protocol
    pulls: int
    part_throttle: str
    cruise: bool
    rise_at: int | None = None


def guess_protocol(logs: Sequence[Log]) -> Guess:
    """Guess the speeds of a protocol from the full-load spells and steady stretches that the logs hold."""
    travel = pedal_travel(logs)
    drives = [[p for p in runs.pulls if p.end_kmh - p.start_kmh >= 30] for runs in _wide_runs(logs, travel)]
    pulls = [[p for p in drive if not p.part_throttle] for drive in drives]
    gains = [pull for drive in pulls for pull in drive]
    usual = Protocol()
    start, end = usual.pull_from_kmh, usual.pull_to_kmh
    if gains:
        start = float(5 * np.ceil(np.median([pull.start_kmh for pull in gains]) / 5))
        end = float(5 * np.floor(np.median([pull.end_kmh for pull in gains]) / 5))
    cruise_kmh = _usual_cruise(logs, travel, [drive[0].start_s if drive else np.inf for drive in pulls])
    start = min(start, 200.0)
    protocol = Protocol(
        cruise_kmh=usual.cruise_kmh if cruise_kmh is None else cruise_kmh,
        pull_from_kmh=start,
        pull_to_kmh=min(max(end, start + 20), 300.0),
    )
    near = [p.reason for drive in drives for p in drive if p.part_throttle]
    usable = [
        pull for log in logs if log.get("vehicle_speed") for pull in find_runs(log, protocol, travel=travel).pulls
    ]
    rises = all(log.get(name) for log in logs for name in ("charge_air_temperature", "intake_air_temperature"))
    return Guess(
        protocol=protocol,
        pulls=len(gains),
        part_throttle=(near or [""])[0],
        cruise=cruise_kmh is not None,
        rise_at=propose_rise_at(usable, protocol) if rises else None,
    )


def _wide_runs(logs: Sequence[Log], travel: tuple[float, float] | None, cruise_kmh: float = 90.0) -> list[Runs]:
    """Find the runs at any pull speeds, of the logs that hold a road speed."""
    wide = Protocol(cruise_kmh=cruise_kmh, pull_from_kmh=0, pull_to_kmh=20)
    return [find_runs(log, wide, travel=travel) for log in logs if log.get("vehicle_speed")]


def _usual_cruise(
    logs: Sequence[Log], travel: tuple[float, float] | None, first_pulls_s: Sequence[float]
) -> float | None:
    """Return the steady speed driven longest before the first pull: what follows a pull still gives off its heat.

    None without any steady stretch.
    """

    def steady_s(kmh: float) -> tuple[float, float]:
        cool = total = 0.0
        for runs, first_s in zip(_wide_runs(logs, travel, kmh), first_pulls_s, strict=True):
            lengths = [(run.end_s - run.start_s, run.end_s <= first_s) for run in runs.cruises if run.included]
            total += sum(length for length, _ in lengths)
            cool += sum(length for length, early in lengths if early)
        return cool, total

    found = {float(kmh): steady_s(kmh) for kmh in range(50, 141, 10)}
    best = max(found, key=lambda kmh: found[kmh])
    return best if found[best][1] else None


def _session_names(phases: Sequence[str]) -> list[str]:
    return [f"{phase}-{phases[: k + 1].count(phase)}" for k, phase in enumerate(phases)]


def _yaml(title: str, guess: Guess, names: Sequence[str], phases: Sequence[str], targets: Sequence[str]) -> str:
    protocol = guess.protocol
    cruise = "" if guess.cruise else "      # no steady stretch found, only a start"
    pulls = "" if guess.pulls else "     # no pulls found, only a start"
    lines = [
        f"title: {json.dumps(_plain(title), ensure_ascii=False)}",
        "question: Did the service help?",
        "vehicle:",
        "  description: not described   # size, fuel and kind of cooler; no registration",
        "  fuel: diesel                 # diesel | petrol",
        "service:",
        "  what: not described          # one line; add date: YYYY-MM-DD and odometer_km if you like",
        "protocol:                      # "
        + ("speeds found in the logs; " if guess.pulls or guess.cruise else "")
        + "correct them if you drove at others",
        f"  cruise_kmh: {protocol.cruise_kmh:g}{cruise}",
        f"  pull_from_kmh: {protocol.pull_from_kmh:g}{pulls}",
        f"  pull_to_kmh: {protocol.pull_to_kmh:g}{pulls}",
        f"outcome: rise_at {guess.rise_at}           # charge above the inlet at that speed in km/h, in K"
        if guess.rise_at
        else "outcome: peak_rise             # peak charge temperature above the inlet, in K",
        "worthwhile_change: 2.0         # in the outcome's unit, here K; a smaller change makes no difference to you",
        "sessions:",
    ]
    for name, phase, target in zip(names, phases, targets, strict=True):
        lines += [
            f"  - name: {name}",
            f"    phase: {phase}",
            f"    log: {json.dumps(target, ensure_ascii=False)}",
            "    # ambient_c: 14.0          # in the shade, if you noted it; pressure_hpa and wind_ms help too",
        ]
    return "\n".join(lines) + "\n"


def _speeds(guess: Guess) -> list[str]:
    """Say which speeds the logs show, and which are only a start."""
    protocol = guess.protocol
    cruise, start = f"{protocol.cruise_kmh:g}", f"{protocol.pull_from_kmh:g} to {protocol.pull_to_kmh:g} km/h"
    near = f" The nearest is {guess.part_throttle}." if guess.part_throttle else ""
    return [
        f"Cruise found at {cruise} km/h."
        if guess.cruise
        else f"No steady stretch found. {cruise} km/h is only a first guess.",
        f"{counted(guess.pulls, 'pull')} found, {start}."
        if guess.pulls
        else f"No pulls found. {start} is only a first guess.{near}",
    ]


def _plain(text: str) -> str:
    return re.sub(r"[^\w .,+-]", " ", text).strip() or "An experiment"


def _told(folder: Path, logs: Sequence[Log], guess: Guess, names: Sequence[str]) -> list[str]:
    lines = [f"Wrote {folder / FILE_NAME} with {counted(len(logs), 'log')}."]
    for name, log in zip(names, logs, strict=True):
        lines.append(f"{name}: {log.name}, {log.duration_s / 60:.1f} min")
        lines.append(fold(f"  time: {time_text(log)}"))
        lines += [fold(f"  {channel}: {signal.column!r} [{signal.unit}]") for channel, signal in log.signals.items()]
        lines += [fold(f"  not recognised: {column!r}{_could_be(log, column)}") for column in log.unknown_columns]
    lines += [fold(line) for line in _speeds(guess)]
    engine = engine_findings(dict(zip(names, logs, strict=True)))
    lines += [fold(f"{finding.severity}: {finding.message}") for finding in engine]
    needs = []
    for channel in ("vehicle_speed", "charge_air_temperature", "intake_air_temperature"):
        lacking = [name for name, log in zip(names, logs, strict=True) if log.get(channel) is None]
        if lacking:
            needs.append(f"{channel.replace('_', ' ')} in {', '.join(lacking)}")
    if needs and (columns := settling_lines(logs)):
        lines += [
            (
                "These columns could be channels, going by unit and values. Put the ones that are right into "
                f"{FILE_NAME}:"
            )
        ]
        lines += ["channels:", *columns]
    if needs:
        lines.append(
            fold(
                f"The usual question, peak_rise, still needs: {'; '.join(needs)}. Name the column under "
                f"'channels:' in {FILE_NAME}, or ask another question there (outcome:)."
            )
        )
    lines += [
        f"Next: describe the vehicle and the service in {FILE_NAME}, then:",
        f"  pullbook check {shlex.quote(str(folder))}",
    ]
    return lines


def _could_be(log: Log, column: str) -> str:
    """Say which channels a column could be by its unit and values; nothing where none fits."""
    for finding in log.findings:
        if (
            finding.code == "column-unrecognised"
            and finding.evidence["column"] == column
            and finding.evidence["closest"]
        ):
            return f" (going by unit and values, it could be {' or '.join(finding.evidence['closest'][:2])})"
    return ""
