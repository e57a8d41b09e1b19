"""The regression behind the change, in the open: its rows and covariances, for generalised least squares in a cell.

Prior knowledge of a slope is one more row of data: the slope itself, read off physics with its uncertainty (Theil
and Goldberger 1961). So the mixed estimation of `pullbook.statistics.estimate` is one fit that every package has.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pullbook.report.html import Fragment, escape
from pullbook.statistics.covariates import INLET
from pullbook.statistics.estimate import pooled_day_variance
from pullbook.statistics.mixed_fit import mixed_fit
from pullbook.statistics.session_means import INLET_APART, WIND_SHARE

if TYPE_CHECKING:
    from pullbook.statistics.comparison import Comparison

FIGURE = "figure"
TURNS = 3  # of the fit: the day-to-day scatter of one turn weighs the next


def why_not(comparison: Comparison) -> Fragment | None:
    """Say in words why the result does not come from this regression; None where it does.

    Parameters
    ----------
    comparison : Comparison
    """
    if not comparison.comparable:
        return Fragment(f"<p>No change was estimated, so there is nothing to fit. {escape(comparison.sentence)}</p>")
    if not comparison.method.startswith("session means"):
        words = f"<p>This result does not come from a regression of session means: {escape(comparison.method)}.</p>"
        return Fragment(words)
    return None


def rows(comparison: Comparison) -> pd.DataFrame:
    """Return the stacked rows of the fit: a session each, then what physics says of each slope.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    pandas.DataFrame
        Column ``figure`` is what is explained; ``level`` stands for the level before, ``after`` for the change, the
        other columns for the conditions, each counted from its mean over the sessions.
    """
    data, covariates = comparison.data, comparison.covariates
    terms = ["level", "after", *(c.name for c in covariates)]
    design = np.column_stack([np.ones(len(data.means)), data.after, *(c.centred for c in covariates)])
    priors = np.eye(len(terms))[2:]
    frame = pd.DataFrame(
        np.vstack([design, priors]), columns=terms, index=[*data.names, *(f"physics: {c.name}" for c in covariates)]
    )
    frame.insert(0, FIGURE, [*data.means, *(c.prior.mean for c in covariates)])
    unit = comparison.unit
    frame.attrs["units"] = {FIGURE: unit, **{c.name: c.unit.replace(unit, "1", 1) for c in covariates}}
    return frame


def covariance(comparison: Comparison) -> pd.DataFrame:
    """Return the covariance that weighs the rows of the fit.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    pandas.DataFrame
        Square, of the rows of `rows` [outcome's unit squared; a slope's for the rows of physics]. What single runs
        and the sensors leave is known; the scatter between days, which sessions of one date share, is an allowance
        joined with what the turns before the last have found.
    """
    data = comparison.data
    design = rows(comparison).drop(columns=FIGURE).to_numpy()[: len(data.means)]
    priors = [(2 + k, c.prior) for k, c in enumerate(comparison.covariates)]
    allowance = comparison.allowance
    variance = allowance.sd**2
    for _ in range(TURNS - 1):
        fit = mixed_fit(design, data.means, variance * data.shared_days + data.known, priors)
        variance, _ = pooled_day_variance(
            fit.residuals, fit.residual_maker, data.known,
            of_day=data.of_day, allowance=allowance.sd, allowance_dof=allowance.dof,
        )  # fmt: skip
    return _of_rows(comparison, variance * data.shared_days + data.known)


def budget_covariance(comparison: Comparison) -> pd.DataFrame:
    """Return the covariance of the same rows that the uncertainty budget counts.

    Parameters
    ----------
    comparison : Comparison
        With an estimate.

    Returns
    -------
    pandas.DataFrame
        As `covariance`, with what is known only after the fit: the day-to-day scatter of its last turn; the inlet's
        reading, which stands in the correction once more; the wind and what was estimated, which sessions share.
    """
    data = comparison.data
    slope = sum(s.value for s in comparison.slopes if s.name == INLET)
    reading = data.inlet_u_in_figure(slope)
    counted = data.covariance + comparison.day_sd**2 * data.shared_days + np.diag(data.resolution_u**2 + reading**2)
    shared = [data.shared_u * comparison.change * data.after]
    if data.outcome.of_charge and np.isfinite(data.wind_ms).all() and np.isfinite(data.rise_k).any():
        shared.append(float(np.nanmean(data.rise_k)) * WIND_SHARE / math.sqrt(3) * data.wind_ms)
    shared += [line.standard_uncertainty * data.after for line in comparison.budget if line.source == INLET_APART]
    return _of_rows(comparison, counted + sum(np.outer(v, v) for v in shared))


def _of_rows(comparison: Comparison, of_sessions: np.ndarray) -> pd.DataFrame:
    names = rows(comparison).index
    n = len(of_sessions)
    whole = np.diag([0.0] * n + [c.prior.standard_uncertainty**2 for c in comparison.covariates])
    whole[:n, :n] = of_sessions
    return pd.DataFrame(whole, index=names, columns=names)
