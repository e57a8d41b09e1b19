"""Draft an experiment from logs: copy them, recognise what they hold, guess the protocol, say what is still needed."""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pullbook.errors import ExperimentError
from pullbook.experiment import FILE_NAME, LOG_SUFFIXES, Protocol
from pullbook.logs import Log, read_log
from pullbook.runs import find_runs, pedal_travel


def draft_experiment(folder: str | Path, *, before: Sequence[str | Path], after: Sequence[str | Path]) -> list[str]:
    """Write a draft ``experiment.yaml`` with copies of the logs.

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
    if (folder / FILE_NAME).exists():
        raise ExperimentError(f"{folder}: already holds {FILE_NAME}; give another folder, or edit that one")
    given = [("before", Path(p)) for p in before] + [("after", Path(p)) for p in after]
    if not given:
        raise ExperimentError("no logs given; name them after --before and --after")
    logs = [read_log(path) for _, path in given]
    targets = _targets([path for _, path in given])
    protocol = guess_protocol(logs)
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    for (_, source), target in zip(given, targets, strict=True):
        shutil.copyfile(source, folder / "logs" / target)
    sessions = _session_names([phase for phase, _ in given])
    (folder / FILE_NAME).write_text(
        _yaml(folder.resolve().name, protocol, sessions, [p for p, _ in given], targets), encoding="utf-8"
    )
    return _told(folder, logs, protocol, sessions)


def guess_protocol(logs: Sequence[Log]) -> Protocol:
    """Guess the speeds of a protocol from the full-load spells and steady stretches that the logs hold."""
    wide = Protocol(pull_from_kmh=0, pull_to_kmh=20)
    travel = pedal_travel(logs)
    moving = [log for log in logs if log.get("vehicle_speed")]
    gains = [
        (run.start_kmh, run.end_kmh)
        for log in moving
        for run in find_runs(log, wide, travel=travel).pulls
        if run.end_kmh - run.start_kmh >= 30
    ]
    start, end = 40.0, 110.0
    if gains:
        start = float(5 * np.ceil(np.median([low for low, _ in gains]) / 5))
        end = float(5 * np.floor(np.median([high for _, high in gains]) / 5))
    return Protocol(
        cruise_kmh=_usual_cruise(moving), pull_from_kmh=min(start, 200.0), pull_to_kmh=min(max(end, start + 20), 300.0)
    )


def _usual_cruise(logs: Sequence[Log]) -> float:
    best, longest = 90.0, 0.0
    for kmh in range(50, 141, 10):
        wide = Protocol(cruise_kmh=kmh, pull_from_kmh=0, pull_to_kmh=20)
        total = sum(run.end_s - run.start_s for log in logs for run in find_runs(log, wide).cruises if run.included)
        if total > longest:
            best, longest = float(kmh), total
    return best


def _targets(paths: Sequence[Path]) -> list[str]:
    """Name the copies: plain characters, an allowed ending, no two alike."""
    names: list[str] = []
    for path in paths:
        plain = path.name.lower()
        packed = plain.endswith(".gz")
        stem = re.sub(r"[^\w.-]+", "-", path.name[:-3] if packed else path.name).strip("-.") or "log"
        if not stem.lower().endswith(LOG_SUFFIXES):
            stem += ".csv"
        name, k = stem + (".gz" if packed else ""), 1
        while name in names:
            k += 1
            name = f"{k}-{stem}" + (".gz" if packed else "")
        names.append(name)
    return names


def _session_names(phases: Sequence[str]) -> list[str]:
    return [f"{phase}-{phases[: k + 1].count(phase)}" for k, phase in enumerate(phases)]


def _yaml(title: str, protocol: Protocol, names: Sequence[str], phases: Sequence[str], targets: Sequence[str]) -> str:
    lines = [
        f"title: {_plain(title)}",
        "question: Did the service help?",
        "vehicle:",
        "  description: not described   # size, fuel and kind of cooler; no registration",
        "  fuel: diesel                 # diesel | petrol",
        "service:",
        "  what: not described          # one line; add date: YYYY-MM-DD and odometer_km if you like",
        "protocol:                      # speeds found in the logs; correct them if you meant others",
        f"  cruise_kmh: {protocol.cruise_kmh:g}",
        f"  pull_from_kmh: {protocol.pull_from_kmh:g}",
        f"  pull_to_kmh: {protocol.pull_to_kmh:g}",
        "outcome: peak_rise             # peak charge temperature above the inlet, in K",
        "worthwhile_change: 2.0         # a smaller change makes no difference to you",
        "sessions:",
    ]
    for name, phase, target in zip(names, phases, targets, strict=True):
        lines += [
            f"  - name: {name}",
            f"    phase: {phase}",
            f"    log: logs/{target}",
            "    # ambient_c: 14.0          # in the shade, if you noted it; pressure_hpa and wind_ms help too",
        ]
    return "\n".join(lines) + "\n"


def _plain(text: str) -> str:
    return re.sub(r"[^\w .,+-]", " ", text).strip() or "An experiment"


def _told(folder: Path, logs: Sequence[Log], protocol: Protocol, names: Sequence[str]) -> list[str]:
    lines = [f"Wrote {folder / FILE_NAME} and copies of {len(logs)} logs."]
    for name, log in zip(names, logs, strict=True):
        lines.append(f"{name}: {log.name}, {log.duration_s / 60:.1f} min")
        lines += [f"  {channel}: {signal.column!r} [{signal.unit}]" for channel, signal in log.signals.items()]
        lines += [f"  not recognised: {column!r}" for column in log.unknown_columns]
    lines.append(
        f"Speeds found: cruise {protocol.cruise_kmh:g} km/h, pulls {protocol.pull_from_kmh:g} to {protocol.pull_to_kmh:g} km/h."
    )
    needs = []
    for channel in ("vehicle_speed", "charge_air_temperature", "intake_air_temperature"):
        lacking = [name for name, log in zip(names, logs, strict=True) if log.get(channel) is None]
        if lacking:
            needs.append(f"{channel.replace('_', ' ')} in {', '.join(lacking)}")
    if needs:
        lines.append("Still needed: " + "; ".join(needs) + f". Name the column under 'channels:' in {FILE_NAME}.")
    lines.append(f"Next: describe the vehicle and the service in {FILE_NAME}, then: pullbook check {folder}")
    return lines
