"""The numbers of a result as DataFrames, for cells that compute with them.

Columns have the names of the measures; ``attrs["units"]`` holds the unit of each, and `with_units` puts it into the
headings. All figures are in the units that the library computes in, not in the experiment's ``units``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from glob import glob
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pullbook.errors import LogError
from pullbook.reading.logs import Log, read_log
from pullbook.reading.units import CHANNELS
from pullbook.runs.columns import unit_of
from pullbook.runs.measures import measure
from pullbook.settings.outcomes import outcome_named
from pullbook.text import in_brackets

if TYPE_CHECKING:
    from pullbook.analysis.result import Result
    from pullbook.runs.find import Runs

INDEX = ["session", "kind", "number"]
FACTS = ("phase", "included", "reason")


def runs(result: Result, kind: str) -> pd.DataFrame:
    """Return the runs of a kind, a row a run, refused ones too.

    Parameters
    ----------
    result : Result
    kind : {"pull", "cruise"}

    Returns
    -------
    pandas.DataFrame
        Indexed by session, kind and number: phase, whether it counts and why not, then what was measured. Measures
        that no run has are left out.
    """
    frame = result.measures[result.measures["kind"] == kind]
    return _tidy(frame.set_index(INDEX))


def read_logs(logs: str | Sequence[str]) -> dict[str, Log]:
    """Read the logs that paths or patterns name.

    Parameters
    ----------
    logs : str or sequence of str
        A path, or a pattern with ``*`` for several; or a list of such.

    Returns
    -------
    dict of str to Log
        By the names of the files, in the order given.

    Raises
    ------
    LogError
        When one of them is no text, or names no file.
    """
    given = [logs] if isinstance(logs, str) or not isinstance(logs, Sequence) else list(logs)
    found = []
    for pattern in given:
        if not isinstance(pattern, str):
            raise LogError(f"logs: given {pattern!r:.80}. Allowed: paths as texts, such as 'my-van/logs/*.csv'")
        if not (files := sorted(glob(pattern))):  # noqa: PTH207 (Path.glob takes no absolute pattern)
            raise LogError(f"logs: given {pattern!r:.200}, and no file is there. Correct the path")
        found += files
    if not found:
        raise LogError("logs: none given. Allowed: paths as texts, such as 'my-van/logs/*.csv'")
    return {log.name: log for log in map(read_log, dict.fromkeys(found))}


def of_log(log: Log, found: Runs) -> pd.DataFrame:
    """Return what `measure` finds in the runs of one log, indexed and with units as `runs`.

    Parameters
    ----------
    log : Log
    found : Runs
        From `find_runs`.
    """
    frame = measure(log, found)
    return _tidy(frame.assign(session=log.name).set_index(INDEX))


def sessions(result: Result) -> pd.DataFrame:
    """Return the session means of the outcome, as measured and at common conditions, with those conditions.

    Parameters
    ----------
    result : Result

    Returns
    -------
    pandas.DataFrame
        Indexed by session.
    """
    c = result.comparison
    unit = result.experiment.outcome_spec.unit
    frame = pd.DataFrame([vars(s) for s in c.sessions]).rename(columns={"normalised": "at_common_conditions"})
    frame = frame.set_index("session")
    units = {"mean": unit, "at_common_conditions": unit, "inlet_c": "°C", "runs": "", "pressure_ratio": "1"}
    return _labelled(frame, units)


def budget(result: Result) -> pd.DataFrame:
    """Return what the uncertainty of the change is made of, indexed by source; the squares add up.

    Parameters
    ----------
    result : Result
    """
    c = result.comparison
    columns = ["source", "kind", "standard_uncertainty", "dof"]
    rows = [[line.source, str(line.kind), line.standard_uncertainty, line.dof] for line in c.budget]
    frame = pd.DataFrame(rows, columns=columns).set_index("source")
    return _labelled(frame, {"standard_uncertainty": c.unit})


def signals(log: Log) -> pd.DataFrame:
    """Return what was read of a log, a row a channel: its column, its unit, how often and how finely it moves.

    Parameters
    ----------
    log : Log

    Returns
    -------
    pandas.DataFrame
        Indexed by channel.
    """
    rows = [[s.channel, s.column, CHANNELS[s.channel][1], len(s.values), s.period_s, s.resolution]
            for s in log.signals.values()]  # fmt: skip
    columns = ["channel", "column", "unit", "refreshes", "period_s", "resolution"]
    return _labelled(pd.DataFrame(rows, columns=columns).set_index("channel"), {"period_s": "s"})


def channels(log: Log, *, every_s: float = 0.5) -> pd.DataFrame:
    """Return every channel of a log on one clock.

    Parameters
    ----------
    log : Log
    every_s : float
        Step of the clock [s]; the signals are interpolated between their refreshes.

    Returns
    -------
    pandas.DataFrame
        Indexed by ``time_s``; NaN in a gap of the signal, where nothing is known.
    """
    clock = pd.Index(np.arange(0.0, log.duration_s, every_s), name="time_s")
    frame = pd.DataFrame({name: signal.at(clock.to_numpy()) for name, signal in log.signals.items()}, index=clock)
    return _labelled(frame, {str(name): CHANNELS[str(name)][1] for name in frame})


def with_units(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame with the units of ``attrs["units"]`` in its column headings, to be looked at.

    Parameters
    ----------
    frame : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        Columns such as ``peak_rise [K]``.
    """
    units = frame.attrs.get("units", {})
    return frame.rename(columns={name: f"{name}{in_brackets(unit)}" for name, unit in units.items()})


def _tidy(frame: pd.DataFrame) -> pd.DataFrame:
    facts = [name for name in FACTS if name in frame]
    rest = [name for name in frame if name not in facts and name != "left_out" and frame[name].notna().any()]
    rest.sort(key=lambda name: (outcome_named(str(name)) is None, str(name).endswith(("_step", "_estimated"))))
    kept = frame[[*facts, *rest]].copy()
    return _labelled(kept, {str(name): unit_of(str(name)) for name in rest})


def _labelled(frame: pd.DataFrame, units: Mapping[str, str]) -> pd.DataFrame:
    frame.attrs["units"] = {name: unit for name, unit in units.items() if unit and name in frame}
    return frame
