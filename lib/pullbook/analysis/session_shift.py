"""By how much a figure of the sessions moved with the service, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pullbook.settings.experiment import PHASES

USUAL_DOF = 4.0  # with which the usual scatter counts


@dataclass(frozen=True)
class Shift:
    """Mean of the sessions before, and after minus before with its standard uncertainty."""

    before: float
    change: float
    u: float


def shift(values: Sequence[tuple[str, float]], usual_sd: float = 0.0) -> Shift:
    """Return after minus before; the scatter of few sessions is joined with the usual one.

    Parameters
    ----------
    values : sequence of (str, float)
        A session's phase and its figure; both phases are among them.
    usual_sd : float
        Of a session, in the figure's unit; 0 where only the sessions' own scatter counts.
    """
    sides = [np.array([value for phase, value in values if phase == side]) for side in PHASES]
    dof = USUAL_DOF if usual_sd else 0.0
    squares = dof * usual_sd**2 + sum(float(((side - side.mean()) ** 2).sum()) for side in sides)
    free = dof + sum(len(side) - 1 for side in sides)
    sd = float(np.sqrt(squares / free)) if free else 0.0
    u = sd * float(np.sqrt(sum(1 / len(side) for side in sides)))
    return Shift(float(sides[0].mean()), float(sides[1].mean() - sides[0].mean()), u)


def shift_of_runs(measures: pd.DataFrame, kind: str, name: str, usual_sd: float) -> Shift | None:
    """Compare the sessions' means of a measure; None where a phase has none.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run, with ``session`` and ``phase``.
    kind : {"pull", "cruise"}
    name : str
        Of the measure.
    usual_sd : float
        As for `shift`.
    """
    if name not in measures:
        return None
    rows = measures[(measures["kind"] == kind) & measures["included"].astype(bool)]
    means = rows.groupby(["phase", "session"], sort=False, as_index=False)[name].mean().dropna()
    values = [(str(phase), float(value)) for phase, value in zip(means["phase"], means[name], strict=True)]
    return shift(values, usual_sd) if {phase for phase, _ in values} == set(PHASES) else None
