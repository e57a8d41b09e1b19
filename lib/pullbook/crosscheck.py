"""The same change by other routes, shown beside the main one so that a reader sees what each would have said."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pullbook.estimate import Covariate, Estimate, covariates_of, estimate_change
from pullbook.outcomes import Outcome
from pullbook.session_means import SessionMeans
from pullbook.uncertainty import INFINITE, BudgetLine, combined, coverage_factor, effective_dof

LEAST_SPREAD = 0.25  # of the weather within a phase, as a share of the difference between phases


@dataclass(frozen=True, kw_only=True)
class Alternative:
    """The change by one other route.

    ``valid`` is False for routes that are shown because people use them, though their interval is too narrow.
    """

    name: str
    change: float
    low: float
    high: float
    valid: bool = True


def other_routes(
    data: SessionMeans, outcome: Outcome, *, allowance: float | None, level: float
) -> tuple[Alternative, ...]:
    """Return the change as measured, with the physical slope alone, by least squares, and run by run.

    Parameters
    ----------
    data : SessionMeans
    outcome : Outcome
    allowance : float or None
        Day-to-day standard deviation; by default that of the outcome.
    level : float
        Coverage of the intervals.
    """
    covariates = covariates_of(data, outcome, boost_changed=True)  # the inlet temperature alone
    plain = estimate_change(data, outcome, covariates=(), allowance=allowance, level=level)
    found = [Alternative(name="as measured", change=plain.change, low=plain.low, high=plain.high)]
    if covariates:
        found.append(_physical_only(plain, data, covariates[0], level))
        fitted = _least_squares(data, covariates[0].values, level)
        if fitted:
            found.append(fitted)
    naive = _run_by_run(data, level)
    if naive:
        found.append(naive)
    return tuple(found)


def _physical_only(plain: Estimate, data: SessionMeans, covariate: Covariate, level: float) -> Alternative:
    """Correct with the physical slope as it stands, whatever the sessions show."""
    apart = float(np.mean(covariate.values[data.after == 1]) - np.mean(covariate.values[data.after == 0]))
    change = plain.change - covariate.prior.mean * apart
    share = BudgetLine(covariate.name, "B", covariate.prior.standard_uncertainty * abs(apart), INFINITE)
    lines = (*plain.budget, share)
    half = coverage_factor(level, effective_dof(lines)) * combined(lines)
    name = f"physical slope on {covariate.name}"
    return Alternative(name=name, change=change, low=change - half, high=change + half)


def _least_squares(data: SessionMeans, inlet: np.ndarray, level: float) -> Alternative | None:
    """Plain least squares on the session means, standard errors of the HC3 kind; None where the sessions do not allow it."""
    apart = inlet[data.after == 1].mean() - inlet[data.after == 0].mean()
    within = np.std(inlet - data.after * apart)
    if len(data.means) < 5 or within < max(0.5, LEAST_SPREAD * abs(apart)):
        return None  # the slope would be read off the very difference it is to correct
    from statsmodels.regression.linear_model import OLS

    design = np.column_stack([np.ones(len(inlet)), data.after, inlet])
    if np.linalg.matrix_rank(design) < 3:
        return None
    result = OLS(data.means, design).fit(cov_type="HC3", use_t=True)
    if not np.isfinite(result.bse).all():
        return None
    low, high = result.conf_int(alpha=1 - level)[1]
    return Alternative(
        name="slope fitted by least squares (HC3)",
        change=float(result.params[1]),
        low=float(low),
        high=float(high),
    )


def _run_by_run(data: SessionMeans, level: float) -> Alternative | None:
    """Welch's t with every run as if it were independent: what a spreadsheet does, and too narrow."""
    sides = [
        np.concatenate([v for v, p in zip(data.values, data.phases, strict=True) if p == phase])
        for phase in ("before", "after")
    ]
    if min(len(side) for side in sides) < 2:
        return None
    change, low, high = welch(sides[0], sides[1], level=level)
    return Alternative(name="every run counted as independent", change=change, low=low, high=high, valid=False)


def welch(before: np.ndarray, after: np.ndarray, *, level: float = 0.95) -> tuple[float, float, float]:
    """Return the difference of two means (after minus before) with Welch's interval.

    References
    ----------
    B. L. Welch, "The generalization of Student's problem when several different population variances are involved",
    Biometrika 34 (1947) 28-35.
    """
    lines = [
        BudgetLine(name, "A", float(side.std(ddof=1)) / math.sqrt(len(side)), len(side) - 1)
        for name, side in (("before", before), ("after", after))
    ]
    change = float(after.mean() - before.mean())
    half = coverage_factor(level, effective_dof(lines)) * combined(lines)
    return change, change - half, change + half
