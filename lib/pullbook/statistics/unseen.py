"""Differences between the phases that the estimate cannot allow for, noticed in the rest of the logs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pullbook.errors import Finding
from pullbook.statistics.session_means import SessionMeans
from pullbook.text import counted

SOAKED_K = 6.0  # a pull that starts so far above the usual start carries heat from before; common practice, no source
BOOST_UNSEEN = "boost-unseen"
LEAST_STARTS = 4  # over both phases, for a usual start


def unseen_differences(measures: pd.DataFrame, data: SessionMeans) -> tuple[Finding, ...]:
    """Return what may explain a change, and is in no line of the budget.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run, with ``session`` and ``phase``.
    data : SessionMeans

    Returns
    -------
    tuple of Finding
        ``boost-unseen`` where no pull has a manifold pressure, ``soaked-start`` for pulls that start with heat from
        before the first.
    """
    found = (_boost_unseen(data), _soaked(measures, data))
    return tuple(finding for finding in found if finding)


def _boost_unseen(data: SessionMeans) -> Finding | None:
    if data.outcome.kind != "pull" or not data.outcome.of_charge or np.isfinite(data.pressure_ratio).any():
        return None
    return Finding(
        code=BOOST_UNSEEN,
        severity="warning",
        message=(
            "There is no manifold pressure in these logs, so nobody can see whether boost was the same "
            "before and after. More boost heats the charge by itself. A hose that leaks since the service "
            "cools it. Log the manifold pressure, or read the answer as cooler and boost together."
        ),
        evidence={"outcome": data.outcome.name},
    )


def _soaked(measures: pd.DataFrame, data: SessionMeans) -> Finding | None:
    """Name pulls that start far hotter than usual, in one phase only: with the heat of a stop, not of a pull."""
    if data.outcome.kind != "pull" or not data.outcome.of_charge:
        return None
    pulls = measures[(measures["kind"] == "pull") & measures["included"].astype(bool)]
    starts = pulls["start_rise"].to_numpy(dtype=float)
    if np.count_nonzero(np.isfinite(starts)) < LEAST_STARTS:
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
