"""Several services in one fit: the state in each phase at the same conditions, and how far apart they are."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook.errors import ComparisonError
from pullbook.settings.experiment import PHASES, Experiment, Phase, Session
from pullbook.statistics.allowance import DEFAULT_DOF, Allowance, allowance_of
from pullbook.statistics.covariates import INLET, Covariate, covariates_of
from pullbook.statistics.estimate import Slope, contrast_budget, fit_sessions, slopes_of
from pullbook.statistics.gears import check_gears
from pullbook.statistics.mixed_fit import MixedFit
from pullbook.statistics.session_means import SessionMeans, session_means
from pullbook.statistics.uncertainty import BudgetLine, combined, coverage_factor, effective_dof

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, kw_only=True)
class Estimated:
    """A figure with its interval and what the interval is made of.

    Attributes
    ----------
    value, low, high : float
        In the figure's unit.
    u, dof : float
        Combined standard uncertainty and effective degrees of freedom.
    budget : tuple of BudgetLine
        Lines of zero are left out.
    """

    value: float
    low: float
    high: float
    u: float
    dof: float
    budget: tuple[BudgetLine, ...]

    @property
    def resolved(self) -> bool:
        """Whether the interval leaves out zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, kw_only=True, eq=False)
class PhaseStates:
    """The state in each phase of each service, at the same conditions: before 1, after 1, before 2, after 2 and so on.

    Attributes
    ----------
    fit : MixedFit
    data : SessionMeans
        All sessions of all services.
    covariates : tuple of Covariate
        The conditions that all were brought to.
    day_variance, day_dof : float
        Of the scatter between days, pooled over all services [outcome's unit squared].
    season_sd : float
        Allowance for what one service's drives share and another's do not, in the outcome's unit.
    level : float
        Coverage of the intervals.

    Notes
    -----
    A session of service i is ``y = level + slope (condition - mean) + season_i + day + runs + step``. What is common
    and what is not: the slope is one number for all services, so its error is the same everywhere and does not average
    out; a sensor's constant error is common to all and cancels from every difference; ``season_i`` (the fuel, tyres,
    road and load of those weeks) is shared by before and after of one service, so that it cancels from the change that
    the service made, and is new at the next, so that it does not cancel from what happened between; days and runs are
    each on their own. For a difference ``a`` of levels, with ``W`` and ``P`` what data and prior contribute to them::

        u(a)^2 = a W (C_runs + s_day^2 G + C_step) W' a' + sum_k (a P_k)^2 u(slope_k)^2
                 + sum_k slope_k^2 u(reading_k)^2 |a W|^2 + s_season^2 sum_i (a_before_i + a_after_i)^2

    with ``G`` for which sessions share a day: the law of propagation of uncertainty for correlated estimates (JCGM
    100:2008, 5.2.2), each term a line of the budget; Student's t with the effective degrees of freedom (ibid., G.4.1).
    Sessions of one service cannot show how much services differ with nothing changed, so ``s_season`` is an allowance
    with 4 degrees of freedom, by default as large as that for days (common practice, no source).
    """

    fit: MixedFit
    data: SessionMeans
    covariates: tuple[Covariate, ...]
    day_variance: float
    day_dof: float
    season_sd: float
    level: float

    @property
    def count(self) -> int:
        """Number of services."""
        return (len(self.fit.coefficients) - len(self.covariates)) // 2

    @property
    def states(self) -> np.ndarray:
        """The levels, in the outcome's unit: ndarray, shape (levels,)."""
        return np.asarray(self.fit.coefficients[: 2 * self.count])

    def contrast(self, service: int, phase: Phase) -> np.ndarray:
        """Return the contrast that is one level itself.

        Parameters
        ----------
        service : int
            Counted from 0.
        phase : {"before", "after"}

        Returns
        -------
        ndarray, shape (levels,)
        """
        contrast = np.zeros(2 * self.count)
        contrast[2 * service + PHASES.index(phase)] = 1.0
        return contrast

    def estimate(self, contrast: np.ndarray) -> Estimated:
        """Return a weighted sum of the levels with its interval.

        Parameters
        ----------
        contrast : ndarray, shape (levels,)
            Weights.

        Returns
        -------
        Estimated
        """
        shared = contrast.reshape(-1, 2).sum(axis=1)  # what before and after of one service do not cancel
        lines = (
            *contrast_budget(
                self.fit,
                contrast,
                self.data,
                self.covariates,
                day_variance=self.day_variance,
                day_dof=self.day_dof,
                learnt=self.day_dof > DEFAULT_DOF + 0.5,
            ),
            BudgetLine("season to season", "B", self.season_sd * math.sqrt(shared @ shared), DEFAULT_DOF),
        )
        lines = tuple(line for line in lines if line.standard_uncertainty > 0)
        value, u, dof = float(contrast @ self.states), combined(lines), effective_dof(lines)
        half = coverage_factor(self.level, dof) * u
        return Estimated(value=value, low=value - half, high=value + half, u=u, dof=dof, budget=lines)

    @property
    def slopes(self) -> tuple[Slope, ...]:
        """How much of the outcome depends on each condition, the same for all services."""
        return slopes_of(self.fit, self.covariates, first=2 * self.count)

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of the levels, for weighting: ndarray, shape (levels, levels).

        The budget's terms as matrices, without what was estimated.
        """
        size = 2 * self.count
        weights, priors = self.fit.data_weights[:size], self.fit.prior_weights[:size]
        data = self.data
        reading_u = data.inlet_u_in_figure(sum(s.value for s in self.slopes if s.name == INLET))
        within = data.covariance + self.day_variance * data.shared_days
        within += np.diag(data.resolution_u**2 + reading_u**2)
        total = weights @ within @ weights.T
        total += self.season_sd**2 * np.kron(np.eye(self.count), np.ones((2, 2)))
        for k, covariate in enumerate(self.covariates):
            total += covariate.prior.standard_uncertainty**2 * np.outer(priors[:, k], priors[:, k])
        return np.asarray(total)


def joint_levels(
    tables: Sequence[pd.DataFrame],
    experiments: Sequence[Experiment],
    *,
    level: float = 0.95,
    season_sd: float | None = None,
) -> PhaseStates:
    """Bring all sessions of all services to the same conditions, in one fit.

    Parameters
    ----------
    tables : sequence of pandas.DataFrame
        Measures of each service, in order of time.
    experiments : sequence of Experiment
        Of one outcome; their sessions' phases and day-to-day allowance are used.
    level : float
        Coverage of the intervals.
    season_sd : float, optional
        As in `PhaseStates`, in the outcome's unit; by default the day-to-day allowance.

    Returns
    -------
    PhaseStates

    Raises
    ------
    ComparisonError
        As `pullbook.statistics.session_means.session_means`.
    """
    data = _pooled(tables, experiments)
    of_service = np.array([int(name.split(" ", 1)[0]) for name in data.names])
    group = 2 * of_service + data.after.astype(int)
    covariates = covariates_of(data)
    size = 2 * len(tables)
    mean = float(np.mean(data.means))
    allowance = max(allowance_of(data.outcome, mean, e.day_to_day_sd).sd for e in experiments)
    fit, day_variance, day_dof = fit_sessions(
        np.column_stack([np.eye(size)[group], *(c.centred for c in covariates)]),
        data,
        [(size + k, c.prior) for k, c in enumerate(covariates)],
        Allowance(sd=allowance),
    )
    return PhaseStates(
        fit=fit,
        data=data,
        covariates=tuple(covariates),
        day_variance=day_variance,
        day_dof=day_dof,
        season_sd=allowance if season_sd is None else season_sd,
        level=level,
    )


def _pooled(tables: Sequence[pd.DataFrame], experiments: Sequence[Experiment]) -> SessionMeans:
    table, sessions = joined(
        (f"{k} ", table, experiment.sessions)
        for k, (table, experiment) in enumerate(zip(tables, experiments, strict=True))
    )
    pooled = experiments[0].model_copy(update={"sessions": sessions})
    check = check_gears(table, pooled, pooled.outcome_spec)
    data = session_means(check.keep(table), pooled, pooled.outcome_spec, with_left_out=False)
    states = {(name.split(" ", 1)[0], phase) for name, phase in zip(data.names, data.phases, strict=True)}
    if check.differs or len(states) < 2 * len(tables):
        raise ComparisonError(
            "you drove in different gears at the services, so their states can't be compared. Drive all of "
            "them in the same gear, or leave out the ones that were not"
        )
    return data


def joined(parts: Iterable[tuple[str, pd.DataFrame, Sequence[Session]]]) -> tuple[pd.DataFrame, tuple[Session, ...]]:
    """Put tables of runs below each other.

    Parameters
    ----------
    parts : iterable of (str, pandas.DataFrame, sequence of Session)
        A prefix for the sessions' names and days, the table with its column ``session``, and the sessions.

    Returns
    -------
    pandas.DataFrame
    tuple of Session
    """
    import pandas as pd

    tables, sessions = [], []
    for prefix, table, ours in parts:
        table = table.assign(session=prefix + table["session"]).dropna(axis="columns", how="all")
        if "day" in table:
            table["day"] = [f"{prefix}{day}" if day else "" for day in table["day"]]
        tables.append(table)
        sessions += [s.model_copy(update={"name": prefix + s.name}) for s in ours]
    return pd.concat(tables, ignore_index=True), tuple(sessions)


def common_rate(levels: PhaseStates, contrasts: np.ndarray, lengths: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the contrast that is one rate for several spans, and how likely spans that differ so much are.

    Parameters
    ----------
    levels : PhaseStates
    contrasts : ndarray, shape (spans, levels)
        What changed over each span.
    lengths : ndarray, shape (spans,)
        Of each span, above zero, in the unit that the rate is to be for.

    Returns
    -------
    contrast : ndarray, shape (levels,)
    p : float
        Of the chi-squared statistic of the residuals; NaN with a single span.

    References
    ----------
    Generalised least squares through the origin: A. C. Aitken, "On least squares and linear combination of
    observations", Proceedings of the Royal Society of Edinburgh 55 (1936) 42-48.
    Residuals against their stated uncertainty: R. T. Birge, "The calculation of errors by the method of least squares",
    Physical Review 40 (1932) 207-227.
    """
    inverse = np.linalg.inv(contrasts @ levels.covariance @ contrasts.T)
    weights = inverse @ lengths / (lengths @ inverse @ lengths)
    contrast = weights @ contrasts
    left = contrasts @ levels.states - lengths * float(contrast @ levels.states)
    return contrast, _tail(float(left @ inverse @ left), len(lengths) - 1)


def line_through(levels: PhaseStates, phase: Phase, places: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the contrast that is the slope of a line through one phase's levels, and the p of its residuals.

    Parameters
    ----------
    levels : PhaseStates
    phase : {"before", "after"}
    places : ndarray, shape (services,)
        Where each service stands: thousand km, or years.

    Returns
    -------
    contrast : ndarray, shape (levels,)
    p : float
        Of the chi-squared statistic of the residuals; NaN with two services.

    References
    ----------
    Generalised least squares: Aitken (1936), and Birge (1932), as for `common_rate`.
    """
    rows = np.array([levels.contrast(k, phase) for k in range(levels.count)])
    inverse = np.linalg.inv(rows @ levels.covariance @ rows.T)
    design = np.column_stack([np.ones(levels.count), places - places.mean()])
    solve = np.linalg.inv(design.T @ inverse @ design) @ design.T @ inverse
    left = rows @ levels.states - design @ solve @ rows @ levels.states
    contrast: np.ndarray = solve[1] @ rows
    return contrast, _tail(float(left @ inverse @ left), levels.count - 2)


def _tail(chi_squared: float, dof: int) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi_squared)) if dof > 0 else math.nan


@dataclass(frozen=True, kw_only=True)
class Share:
    """A part of a gain, as a fraction, with its interval.

    Attributes
    ----------
    value, low, high : float
        1 is all of it; outside 0 to 1 where more was lost than gained, or nothing lost.
    """

    value: float
    low: float
    high: float


def share_of(levels: PhaseStates, lost: np.ndarray, gained: np.ndarray) -> Share | None:
    """Return which share of a gain was lost; None where the gain itself is not resolved.

    Parameters
    ----------
    levels : PhaseStates
    lost, gained : ndarray, shape (levels,)
        Contrasts, each positive where something was lost, or gained.

    Returns
    -------
    Share or None

    References
    ----------
    The ratio of two correlated estimates: E. C. Fieller, "Some problems in interval estimation", Journal of the Royal
    Statistical Society B 16 (1954) 175-185.
    """
    loss, gain = levels.estimate(lost), levels.estimate(gained)
    if not gain.resolved:
        return None
    both = levels.estimate(lost + gained)
    together = (both.u**2 - loss.u**2 - gain.u**2) / 2  # their covariance, from the same budget
    t = coverage_factor(levels.level, min(loss.dof, gain.dof))
    a = gain.value**2 - t**2 * gain.u**2
    b = loss.value * gain.value - t**2 * together
    c = loss.value**2 - t**2 * loss.u**2
    if a <= 0:
        return None
    reach = math.sqrt(max(0.0, b**2 - a * c))
    return Share(value=loss.value / gain.value, low=(b - reach) / a, high=(b + reach) / a)
