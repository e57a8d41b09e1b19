"""What the board of drives shows and what is pressed on it: every drive on one scale of time, its runs as bands.

The browser draws it (board.js) and says what was done; here that becomes choices, and choices become what it draws.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pullbook.analysis.result import table_of_runs
from pullbook.errors import ExperimentError, PullbookError
from pullbook.report.html import run_key
from pullbook.statistics.gears import GEAR, gears_of
from pullbook.text import counted, typeset, unit_suffix
from pullbook.workbook.choices import NO_REASON, Choices

if TYPE_CHECKING:
    import pandas as pd

    from pullbook.analysis.sessions import Drive
    from pullbook.runs.find import Run

# Channel, what it is called, and its unit.
LINES = (
    ("vehicle_speed", "speed", "km/h"),
    ("charge_air_temperature", "charge temperature", "°C"),
    ("intake_manifold_pressure", "manifold pressure", "kPa"),
)
OTHER_GEAR = "another gear than the one chosen"


@dataclass(frozen=True)
class Board:
    """What the browser draws of the drives.

    Attributes
    ----------
    json : str
        Sessions with their runs, gears, and what was refused.
    """

    json: str


@dataclass(frozen=True, eq=False)
class Line:
    """One signal of a drive, for the browser to draw.

    Attributes
    ----------
    session, channel : str
    time_s, values : ndarray of float32, shape (n,)
        NaN values in gaps.
    """

    session: str
    channel: str
    time_s: np.ndarray
    values: np.ndarray


def lines_of(choices: Choices) -> list[Line]:
    """Return the signals of all drives in the units shown; no choice changes them."""
    shown, found = choices.experiment.shown, []
    for drive in choices.drives:
        for channel, _, unit in LINES:
            signal = drive.log.get(channel)
            if signal is not None:
                gaps = np.flatnonzero(np.diff(signal.time_s) > signal.max_gap_s) + 1
                time_s = np.insert(signal.time_s, gaps, signal.time_s[gaps - 1])
                values = np.insert(shown.value(signal.values, unit), gaps, np.nan)
                found.append(Line(drive.session.name, channel, time_s.astype("<f4"), values.astype("<f4")))
    return found


def board_of(choices: Choices, *, trouble: Mapping[str, str], gear: str) -> Board:
    """Return what the board shows of the choices.

    Parameters
    ----------
    choices : Choices
    trouble : mapping of str to str
        What was refused, in words, by the session (or, where a run was marked, ``mark``) that it stands at.
    gear : str
        The gear that was chosen, from `gear_names`; empty for all.
    """
    experiment = choices.experiment
    outcome, shown = experiment.outcome_spec, experiment.shown
    figures = _figures(choices)
    sessions = []
    for chosen, drive in zip(experiment.sessions, choices.drives, strict=True):
        runs = [_run(choices, drive, run, chosen.leave_out.get(run.name), figures) for run in drive.runs.all]
        sessions.append(
            {
                "name": chosen.name,
                "phase": chosen.phase,
                "length": round(float(drive.log.duration_s), 1) if drive.log.signals else 0,
                "counts": sum(r.included for r in drive.runs.pulls),
                "of": len(drive.runs.pulls),
                "any": any(r.included for r in drive.runs.all) or not chosen.leave_out,
                "reason": next(iter(set(chosen.leave_out.values()) - {NO_REASON}), ""),
                "runs": sorted(runs, key=lambda run: run["start"]),
                "trouble": typeset(trouble.get(chosen.name, "")),
            }
        )
    facts = {
        "sessions": sessions,
        "key": (
            f"Grey line: speed. Pink line: charge temperature. The higher a mark, the larger the {outcome.label}. "
            "Hatched: does not count. Arrow keys go from run to run."
        ),
        "lines": [[channel, name, shown.unit(unit)] for channel, name, unit in LINES],
        "gears": gear_names(choices),
        "gear": gear,
        "left": _left(choices) if gear else "",
        "trouble": typeset(trouble.get("mark", "")),
    }
    return Board(json.dumps(facts, allow_nan=False))


def _figures(choices: Choices) -> dict[str, float]:
    """Return the outcome of each run that has one, in the units shown, by what the run is known by."""
    result = choices.result or choices.saved_result
    if result is None or result.experiment.outcome != choices.experiment.outcome:
        return {}
    outcome, frame = result.experiment.outcome_spec, result.measures
    if outcome.name not in frame:
        return {}
    rows = frame[(frame["kind"] == outcome.kind) & frame[outcome.name].notna()]
    return {
        run_key(session, f"{outcome.kind} {number}"): float(result.shown.value(value, outcome.unit))
        for session, number, value in zip(rows["session"], rows["number"], rows[outcome.name], strict=True)
    }


def _run(choices: Choices, drive: Drive, run: Run, reason: str | None, figures: Mapping[str, float]) -> dict[str, Any]:
    shown, outcome = choices.experiment.shown, choices.experiment.outcome_spec
    ends = f"{run.start_kmh:.0f} to {run.end_kmh:.0f} km/h" if run.kind == "pull" else f"{run.start_kmh:.0f} km/h"
    key = run_key(drive.session.name, run.name)
    figure = figures.get(key)
    said = f"{drive.session.name}, {run.name}"
    if run.timed:
        said += f" at {clock(run.start_s)}, {shown.text(ends)}, {run.end_s - run.start_s:.0f} s"
    if figure is not None:
        said += f": {figure:.1f}{unit_suffix(shown.unit(outcome.unit))}"
    state = "left" if reason is not None else "refused" if not run.included else "marked" if run.marked else "counts"
    return {
        "key": key,
        "name": run.name,
        "kind": run.kind,
        "number": run.number,
        "timed": run.timed,
        "start": round(run.start_s, 2) if run.timed else 0,
        "end": round(run.end_s, 2) if run.timed else 0,
        "figure": figure,
        "said": typeset(said),
        "state": state,
        "reason": "" if reason in (None, NO_REASON) else reason,
        "marked": run.marked,
        "why": shown.text(run.undetected) if run.marked else "" if reason is not None else shown.text(run.reason),
        "needed": reason == NO_REASON,
    }


def clock(time_s: float) -> str:
    """Return a time since the log began as minutes and seconds."""
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes}:{seconds:02d}"


def seconds_of(text: str) -> float:
    """Read a time since the log began, typed as seconds or as minutes and seconds.

    Raises
    ------
    ExperimentError
        When it is neither.

    Examples
    --------
    >>> from pullbook.workbook.board import seconds_of
    >>> seconds_of("3:54.5"), seconds_of("234,5")
    (234.5, 234.5)
    """
    match = re.fullmatch(r"(?:(\d{1,4}):)?(\d{1,6}(?:[.,]\d{1,3})?)", text.strip())
    if match is None:
        raise ExperimentError(f"given {text!r}. Allowed: seconds since the log began, such as 234, or 3:54")
    return 60.0 * int(match[1] or 0) + float(match[2].replace(",", "."))


# --- gears ---------------------------------------------------------------------------------------------------------


def _gears(choices: Choices) -> dict[str, list[tuple[str, str]]]:
    """Return the pulls of each gear as session and name, by what the gear is called; those not read are in none."""
    shown, frame = choices.experiment.shown, _measures(choices)
    if frame is None:
        return {}
    pulls = frame[frame["kind"] == "pull"]
    ratio = pulls[GEAR].to_numpy(dtype=float)
    labels = gears_of(ratio)
    found: dict[str, list[tuple[str, str]]] = {}
    for label in range(labels.max(initial=-1) + 1):
        rows = pulls[labels == label]
        name = shown.text(f"{np.median(ratio[labels == label]):.0f} rpm per km/h")
        found[name] = [(s, f"pull {k}") for s, k in zip(rows["session"], rows["number"], strict=True)]
    return found


def _measures(choices: Choices) -> pd.DataFrame | None:
    """Return the table of runs as chosen, also where they allow no answer; None where nothing can be measured."""
    if choices.result is not None:
        return choices.result.measures
    try:
        return table_of_runs(choices.experiment, list(choices.drives)) if choices.drives else None
    except PullbookError:
        return None


def gear_names(choices: Choices) -> list[list[str]]:
    """Return each gear and how many pulls were driven in it; nothing where there are not several."""
    found = _gears(choices)
    return [[name, f"{name}, {counted(len(runs), 'pull')}"] for name, runs in found.items()] if len(found) > 1 else []


def choose_gear(choices: Choices, gear: str) -> None:
    """Leave out the pulls of every other gear, or with an empty name take them all back."""
    gears = _gears(choices)
    others = {run for name, runs in gears.items() if name != gear for run in runs} if gear else set()
    for session in choices.experiment.sessions:
        kept = {run: reason for run, reason in session.leave_out.items() if reason != OTHER_GEAR}
        out = {
            run.name: OTHER_GEAR
            for run in choices.runs(session.name)
            if (session.name, run.name) in others and run.name not in kept
            and (run.included or session.leave_out.get(run.name) == OTHER_GEAR)
        }  # fmt: skip
        if {**kept, **out} != session.leave_out:
            choices.set_left_out(session.name, {**kept, **out})


def _left(choices: Choices) -> str:
    count = {"before": 0, "after": 0}
    for drive in choices.drives:
        count[drive.session.phase] += sum(run.included for run in drive.runs.pulls)
    return f"Left: {counted(count['before'], 'pull')} before, {count['after']} after."
