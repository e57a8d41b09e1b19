"""Differences between the phases that the estimate cannot allow for, told by what else is in the logs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pullbook.errors import Finding
from pullbook.settings.experiment import Experiment
from pullbook.statistics.session_means import SessionMeans
from pullbook.text import counted

NOTED_AIR_U_K = 1.5  # of the air noted for a drive, against what another thermometer shows; common practice, no source
COVERAGE = 2.0
SOAKED_K = 6.0  # a pull that starts so far above the usual start carries heat from before; common practice, no source
LEAST_PULLS = 4  # over both phases, for a usual start


def unseen_differences(measures: pd.DataFrame, experiment: Experiment, data: SessionMeans) -> tuple[Finding, ...]:
    """Return what may stand behind a change, and is in no line of the budget.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run, with ``session`` and ``phase``.
    experiment : Experiment
        Its sessions tell the air outside.
    data : SessionMeans

    Returns
    -------
    tuple of Finding
        ``inlet-apart`` where the inlet stands further above the noted air in one phase than in the other,
        ``boost-unseen`` where no pull has a manifold pressure, ``soaked-start`` for pulls that start with heat from
        before the first.
    """
    found = (_inlet_apart(experiment, data), _boost_unseen(data), _soaked(measures, data))
    return tuple(finding for finding in found if finding)


def _inlet_apart(experiment: Experiment, data: SessionMeans) -> Finding | None:
    if "intake_air_temperature" not in data.outcome.sensors:
        return None
    noted = {session.name: session.ambient_c for session in experiment.sessions}
    air = np.array([noted.get(name) for name in data.names], dtype=float)
    above: np.ndarray = data.inlet_c - air
    if not np.isfinite(above).all():
        return None
    after = data.after == 1
    before_k, after_k = float(above[~after].mean()), float(above[after].mean())
    doubt = COVERAGE * NOTED_AIR_U_K * float(np.sqrt(1 / (~after).sum() + 1 / after.sum()))
    if abs(after_k - before_k) <= doubt:
        return None
    return Finding(
        code="inlet-apart",
        severity="warning",
        message=(
            f"The inlet read {before_k:.1f} K above the outside air before the service, and {after_k:.1f} K "
            "above it after. If its sensor reads differently or sits elsewhere now, the "
            f"{data.outcome.label} moved by that much with no help from the cooler. Check that sensor, the "
            "duct to it, and the air temperature you noted for each drive."
        ),
        evidence={"before_k": round(before_k, 2), "after_k": round(after_k, 2), "doubt_k": round(doubt, 2)},
    )


def _boost_unseen(data: SessionMeans) -> Finding | None:
    if data.outcome.kind != "pull" or not data.outcome.of_charge or np.isfinite(data.pressure_ratio).any():
        return None
    return Finding(
        code="boost-unseen",
        severity="warning",
        message=(
            "There is no manifold pressure in these logs, so nobody can see whether boost was the same "
            "before and after. More boost heats the charge by itself. A hose that leaks since the service "
            "cools it. Log the manifold pressure, or read the answer as cooler and boost together."
        ),
        evidence={"outcome": data.outcome.name},
    )


def _soaked(measures: pd.DataFrame, data: SessionMeans) -> Finding | None:
    """Name pulls that start far hotter than pulls do, in one phase only: with the heat of a stop, not of a pull."""
    if data.outcome.kind != "pull" or not data.outcome.of_charge:
        return None
    pulls = measures[(measures["kind"] == "pull") & measures["included"].astype(bool)]
    starts = pulls["start_rise"].to_numpy(dtype=float)
    if np.count_nonzero(np.isfinite(starts)) < LEAST_PULLS:
        return None
    first = ~pulls.duplicated("session").to_numpy(dtype=bool)
    usual = {name: float(np.nanmedian(starts[(pulls["session"] == name) & ~first])) for name in data.names
             if np.isfinite(starts[(pulls["session"] == name) & ~first]).any()}  # fmt: skip
    above = starts - pulls["session"].map(usual).to_numpy(dtype=float)
    soaked = pulls[first & (above > SOAKED_K)]
    if len(set(soaked["phase"])) != 1:
        return None
    listed = ", ".join(f"pull {n} of {s}" for n, s in zip(soaked["number"], soaked["session"], strict=True))
    highest = float(np.nanmax(above[first]))
    return Finding(
        code="soaked-start",
        severity="warning",
        message=(
            f"{counted(len(soaked), 'first pull')} ({listed}), only in the drives {soaked['phase'].iloc[0]} "
            f"the service, started up to {highest:.0f} K hotter than the pulls that followed: heat from "
            "standing still. That raises the peak. Leave it out (leave_out under the session, with the "
            "reason) and see whether the answer holds. Next time drive a few minutes at a steady speed "
            "first."
        ),
        evidence={
            "pulls": [[str(s), int(n)] for s, n in zip(soaked["session"], soaked["number"], strict=True)],
            "above_k": round(highest, 1),
        },
    )
