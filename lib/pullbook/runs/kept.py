"""Runs that a person wrote down: the same rows as `pullbook.runs.measures` makes from a log, as far as they go."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from pullbook.errors import Finding
from pullbook.reading.figures import Figures
from pullbook.reading.logs import Log
from pullbook.runs.columns import STEPS, columns_of
from pullbook.runs.find import Run, Runs
from pullbook.runs.measures import INLET_CHANNELS, Surroundings, barometric_kpa, dry_kpa, noted_c, run_facts
from pullbook.statistics.uncertainty import step_uncertainty

if TYPE_CHECKING:
    import pandas as pd

# What only a log shows, unless a column of the figures says it.
UNCHECKED = {
    "": ("full load", "gear", "how often the sensors were read"),
    "start_speed": ("start speed",),
    "end_speed": ("end speed",),
    "rest_before": ("rests between pulls",),
    "start_charge": ("heat left at the start",),
    "intake_manifold_pressure": ("boost",),
    "engine_coolant_temperature": ("whether the engine was warm",),
}
# The outcomes that figures can give, with the columns that each needs.
_CHARGE, _INLET = "charge_air_temperature", "intake_air_temperature"
_PRESSURE, _COOLANT = "intake_manifold_pressure", "engine_coolant_temperature"
GIVES = {
    "pull": {
        "peak_rise": (_CHARGE, _INLET), "peak_charge": (_CHARGE,), "start_rise": ("start_charge", _INLET),
        "peak_coolant": (_COOLANT,), "peak_manifold_pressure": (_PRESSURE,),
    },
    "cruise": {
        "mean_rise": (_CHARGE, _INLET), "mean_charge": (_CHARGE,), "mean_inlet": (_INLET,),
        "mean_coolant": (_COOLANT,), "mean_manifold_pressure": (_PRESSURE,),
    },
}  # fmt: skip
WRITTEN_DOWN = "written down"  # in place of a channel that full load was judged by


def kept_runs(figures: Figures) -> Runs:
    """Return the runs of a table of figures; each counts, for nothing in it shows otherwise.

    Parameters
    ----------
    figures : Figures

    Returns
    -------
    Runs
        Without times; speeds where the table has them, else NaN.
    """
    runs = [
        Run(
            kind="pull" if row["kind"] == "pull" else "cruise",
            number=int(row["number"]),
            start_s=np.nan,
            end_s=np.nan,
            start_kmh=float(row.get("start_speed", row.get("mean_speed", np.nan))),
            end_kmh=float(row.get("end_speed", row.get("mean_speed", np.nan))),
            included=True,
        )
        for row in figures.rows.sort_values(["kind", "number"]).to_dict(orient="records")
    ]
    return Runs(
        pulls=tuple(run for run in runs if run.kind == "pull"),
        cruises=tuple(run for run in runs if run.kind == "cruise"),
        full_load_from=WRITTEN_DOWN,
    )


def kept_measures(log: Log, runs: Runs, outside: Surroundings, marks: Sequence[float] = ()) -> pd.DataFrame:
    """Return the figures of a drive that has no log as the table of runs that one with a log has.

    Parameters
    ----------
    log : Log
        With figures.
    runs : Runs
        From `kept_runs`, perhaps with some left out.
    outside : Surroundings
        Says which temperature is used as the inlet's, and the pressure outside.
    marks : sequence of float
        Speeds [km/h] between which the other drives were timed.

    Returns
    -------
    pandas.DataFrame
        As `pullbook.runs.measures.measure`; NaN for what only a log gives.
    """
    import pandas as pd

    figures = log.figures
    assert figures is not None
    given = {(row["kind"], row["number"]): row for row in figures.rows.to_dict(orient="records")}
    channel = outside.inlet if outside.inlet in INLET_CHANNELS else INLET_CHANNELS[0]
    steps = {
        name: figures.kept[kept].step for name, source in STEPS.items() if (kept := source or channel) in figures.kept
    }
    barometric = barometric_kpa(log, outside)
    elapsed = [name for name in figures.kept if name.startswith("elapsed_s ")]
    rows: list[dict[str, object]] = []
    for run in runs.all:
        row = given[run.kind, run.number]
        charge = row["charge_air_temperature"]
        inlet = noted_c(outside) if outside.inlet not in INLET_CHANNELS else row.get(channel, np.nan)
        pressure = row.get("intake_manifold_pressure", np.nan) + (barometric if figures.gauge else 0.0)
        coolant = row.get("engine_coolant_temperature", np.nan)
        facts = run_facts(run) | steps
        if run.kind == "cruise":
            rows.append(facts | {
                "mean_charge": charge, "mean_inlet": inlet, "mean_rise": charge - inlet, "mean_coolant": coolant,
                "mean_manifold_pressure": pressure, "mean_speed": row.get("mean_speed", np.nan),
            })  # fmt: skip
            continue
        start = row.get("start_charge", np.nan)
        rows.append(facts | {
            "peak_charge": charge, "inlet_at_peak": inlet, "peak_rise": charge - inlet,
            "start_charge": start, "start_rise": start - inlet, "peak_coolant": coolant,
            "peak_manifold_pressure": pressure, "pressure_ratio": pressure / barometric, "barometric": barometric,
            "dry_pressure": dry_kpa(barometric, outside, inlet),
            "duration": row.get("duration", np.nan), "rest_before": row.get("rest_before", np.nan),
            **{name: row[name] for name in elapsed},
            # All we know of a time that somebody read off is its step.
            **{f"{name}_u": step_uncertainty(figures.kept[name].step) for name in elapsed},
        })  # fmt: skip
    between = dict.fromkeys([*(f"elapsed_s {a:g}-{b:g}" for a, b in combinations(marks, 2)), *elapsed])
    pairs = [column for name in between for column in (name, f"{name}_u")]
    return pd.DataFrame(rows, columns=columns_of(pairs)).astype({"included": bool, "left_out": bool})


def outcomes_in(figures: Figures) -> list[str]:
    """Return the outcomes that a table of figures can answer, by name."""
    found = []
    for kind, outcomes in GIVES.items():
        if (figures.rows["kind"] == kind).any():
            found += [name for name, needs in outcomes.items() if all(column in figures.kept for column in needs)]
    return found + [name for name in figures.kept if name.startswith("elapsed_s ")]


def unchecked(log: Log) -> list[str]:
    """Return what nobody can check of a drive whose figures were kept by hand, in words."""
    kept = log.figures.kept if log.figures else {}
    return [words for column, said in UNCHECKED.items() if column not in kept for words in said]


def missing_figures(frame: pd.DataFrame) -> tuple[Finding, ...]:
    """Say which runs have a blank where the charge or the inlet should be.

    Parameters
    ----------
    frame : pandas.DataFrame
        From `kept_measures`.
    """
    rise = frame["peak_rise"].where(frame["kind"] == "pull", frame["mean_rise"])
    blank = [f"{kind} {number}" for kind, number in frame.loc[rise.isna(), ["kind", "number"]].to_numpy()]
    if not blank:
        return ()
    message = f"No rise for {', '.join(blank)}: the charge or the inlet is blank in the table."
    return (Finding(code="measure-missing", severity="note", message=message, evidence={"runs": blank}),)
