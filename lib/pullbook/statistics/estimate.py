"""Between sessions: the change from before to after at common conditions, its budget and its interval.

A mixed estimation of the phase effect, with physical knowledge of the weather's share; the scatter between sessions
joins a stated allowance for day-to-day differences; the interval is made after JCGM 100:2008.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pullbook.settings.experiment import Phase
from pullbook.statistics.allowance import DEFAULT_DOF, Allowance
from pullbook.statistics.covariates import COMPRESSION, INLET, Covariate
from pullbook.statistics.days import between_days
from pullbook.statistics.mixed_fit import MixedFit, mixed_fit
from pullbook.statistics.priors import Prior
from pullbook.statistics.session_means import INLET_APART, SessionMeans
from pullbook.statistics.uncertainty import INFINITE, BudgetLine, combined, coverage_factor, effective_dof
from pullbook.text import enumerated


@dataclass(frozen=True, kw_only=True)
class SessionFigure:
    """One session's figure: the mean of its runs at the average place in the sequence.

    Attributes
    ----------
    session : str
    phase : {"before", "after"}
    runs : int
    mean, normalised : float
        As it was, and at common conditions, in the outcome's unit.
    inlet_c : float
        Inlet temperature [°C]; NaN where not logged.
    pressure_ratio : float
        NaN where not logged.
    """

    session: str
    phase: Phase
    runs: int
    mean: float
    normalised: float
    inlet_c: float
    pressure_ratio: float


@dataclass(frozen=True, kw_only=True)
class Slope:
    """How much of the outcome depends on a condition: what physics said, what came out.

    Attributes
    ----------
    name : str
        The condition.
    unit : str
        Of all the figures.
    prior, prior_u : float
        What physics said, with its standard uncertainty, in ``unit``.
    value, u : float
        What came out, with its standard uncertainty, in ``unit``.
    """

    name: str
    unit: str
    prior: float
    prior_u: float
    value: float
    u: float


def as_measured(data: SessionMeans) -> tuple[SessionFigure, ...]:
    """Return each session's figure as measured, without any correction."""
    return _figures(data, np.zeros(len(data.means)))


def _figures(data: SessionMeans, shift: np.ndarray) -> tuple[SessionFigure, ...]:
    return tuple(
        SessionFigure(
            session=data.names[k],
            phase=data.phases[k],
            runs=int(data.runs[k]),
            mean=float(data.means[k]),
            normalised=float(data.means[k] - shift[k]),
            inlet_c=float(data.inlet_c[k]),
            pressure_ratio=float(data.pressure_ratio[k]),
        )
        for k in range(len(data.names))
    )


@dataclass(frozen=True, eq=False)
class Estimate:
    """The change and what it rests on, in the outcome's unit except for the degrees of freedom.

    Attributes
    ----------
    change : float
        After less before, at common conditions.
    before, after : float
        The two levels.
    low, high : float
        Ends of the interval of the change.
    u, dof : float
        Its combined standard uncertainty and effective degrees of freedom.
    budget : tuple of BudgetLine
        What that is made of.
    day_sd, day_dof : float
        Standard deviation between days, allowance and data joined, and its degrees of freedom.
    slopes : tuple of Slope
    shift : ndarray, shape (sessions,)
        What conditions took from each session's mean.
    method : str
        In words.
    """

    change: float
    before: float
    after: float
    low: float
    high: float
    u: float
    dof: float
    budget: tuple[BudgetLine, ...]
    day_sd: float
    day_dof: float
    slopes: tuple[Slope, ...]
    shift: np.ndarray
    method: str

    def sessions(self, data: SessionMeans) -> tuple[SessionFigure, ...]:
        """Return each session's figure, as it was and at common conditions, from the data that were fitted."""
        return _figures(data, self.shift)


def estimate_change(
    data: SessionMeans,
    *,
    covariates: Sequence[Covariate],
    allowance: Allowance,
    level: float,
    extra: Sequence[BudgetLine] = (),
) -> Estimate:
    """Estimate the change from session means.

    Parameters
    ----------
    data : SessionMeans
    covariates : sequence of Covariate
        Conditions to bring the sessions to; none for the change as measured.
    allowance : Allowance
        For how much days differ with nothing changed.
    level : float
        Coverage of the interval.
    extra : sequence of BudgetLine
        Further sources of uncertainty.

    Returns
    -------
    Estimate

    References
    ----------
    Mixed estimation: Theil and Goldberger (1961), see `pullbook.statistics.mixed_fit.mixed_fit`.
    Interval: JCGM 100:2008, G.4.
    """
    design = np.column_stack([np.ones(len(data.means)), data.after, *(c.centred for c in covariates)])
    priors = [(2 + k, c.prior) for k, c in enumerate(covariates)]
    fit, day_variance, day_dof = fit_sessions(design, data, priors, allowance)
    change = float(fit.coefficients[1])
    lines = contrast_budget(
        fit, np.array([0.0, 1.0]), data, covariates, day_variance=day_variance, day_dof=day_dof,
        learnt=day_dof > allowance.dof + 0.5,
    )  # fmt: skip
    lines += extra
    u, dof = combined(lines), effective_dof(lines)
    half = coverage_factor(level, dof) * u
    slopes = slopes_of(fit, covariates, first=2)
    return Estimate(
        change=change,
        before=float(fit.coefficients[0]),
        after=float(fit.coefficients[0] + change),
        low=change - half,
        high=change + half,
        u=u,
        dof=dof,
        budget=tuple(lines),
        day_sd=math.sqrt(day_variance),
        day_dof=day_dof,
        slopes=slopes,
        shift=design[:, 2:] @ fit.coefficients[2:],
        method=_method(slopes, learnt=day_dof > allowance.dof + 0.5),
    )


def slopes_of(fit: MixedFit, covariates: Sequence[Covariate], *, first: int) -> tuple[Slope, ...]:
    """Return how much of the outcome goes with each condition.

    Parameters
    ----------
    fit : MixedFit
    covariates : sequence of Covariate
    first : int
        The first covariate's place among the coefficients; the levels stand before it.
    """
    return tuple(
        Slope(
            name=c.name,
            unit=c.unit,
            prior=c.prior.mean,
            prior_u=c.prior.standard_uncertainty,
            value=float(fit.coefficients[k]),
            u=math.sqrt(fit.covariance[k, k]),
        )
        for k, c in enumerate(covariates, start=first)
    )


def contrast_budget(
    fit: MixedFit,
    contrast: np.ndarray,
    data: SessionMeans,
    covariates: Sequence[Covariate],
    *,
    day_variance: float,
    day_dof: float,
    learnt: bool,
) -> list[BudgetLine]:
    """Return the uncertainty budget of a difference of levels.

    Parameters
    ----------
    fit : MixedFit
        Its first coefficients are levels, those after them the slopes of the covariates.
    contrast : ndarray, shape (levels,)
        Weights of the levels in the difference.
    data : SessionMeans
        What was fitted.
    covariates : sequence of Covariate
    day_variance, day_dof : float
        As `fit_sessions` gives them [outcome's unit squared].
    learnt : bool
        Whether these sessions had a part in that.

    Returns
    -------
    list of BudgetLine
        In the outcome's unit: the terms of the law of propagation (JCGM 100:2008, 5.2.2).
    """
    first = len(contrast)
    weights = contrast @ fit.data_weights[:first]
    lines = [
        BudgetLine(
            "scatter between runs", "A",
            math.sqrt(max(0.0, weights @ data.covariance @ weights)), data.repeatability_dof or INFINITE,
        ),
        BudgetLine(
            "day to day", "A and B" if learnt else "B",
            math.sqrt(day_variance * weights @ data.shared_days @ weights), day_dof,
        ),
        BudgetLine("sensor step", "B", math.sqrt(weights**2 @ data.resolution_u**2), INFINITE),
    ]  # fmt: skip
    for k, covariate in enumerate(covariates):
        share = abs(float(contrast @ fit.prior_weights[:first, k])) * covariate.prior.standard_uncertainty
        lines.append(BudgetLine(f"{covariate.name}: correction", "B", share, INFINITE))
    slope = sum(float(fit.coefficients[first + k]) for k, c in enumerate(covariates) if c.name == INLET)
    if reading := data.inlet_u_in_figure(slope):
        lines.append(BudgetLine(f"{INLET}: reading", "B", reading * math.sqrt(weights @ weights), INFINITE))
    if wind := data.wind_u(weights):
        lines.append(BudgetLine("wind", "B", wind, INFINITE))
    if apart := data.inlet_apart_u(weights, slope):
        lines.append(BudgetLine(INLET_APART, "B", apart, INFINITE))
    if data.shared_u:
        value = abs(float(contrast @ fit.coefficients[:first]))
        lines.append(BudgetLine("estimated compressor outlet", "B", data.shared_u * value, INFINITE))
    return lines


def fit_sessions(
    design: np.ndarray,
    data: SessionMeans,
    priors: Sequence[tuple[int, Prior]],
    allowance: Allowance,
) -> tuple[MixedFit, float, float]:
    """Fit, and join the scatter between sessions with the allowance; two turns settle the weights.

    Parameters
    ----------
    design : ndarray, shape (sessions, coefficients)
        PhaseStates, then covariates.
    data : SessionMeans
        Sessions of one day share what that day brought.
    priors : sequence of (int, Prior)
        Which coefficient, and what is known of it.
    allowance : Allowance

    Returns
    -------
    fit : MixedFit
    day_variance, day_dof : float
        Of the scatter between days [outcome's unit squared], as `pooled_day_variance` gives them.
    """
    day_variance, day_dof = allowance.sd**2, allowance.dof
    for _ in range(3):
        fit = mixed_fit(design, data.means, day_variance * data.shared_days + data.known, priors)
        day_variance, day_dof = pooled_day_variance(
            fit.residuals, fit.residual_maker, data.known,
            of_day=data.of_day, allowance=allowance.sd, allowance_dof=allowance.dof,
        )  # fmt: skip
    return fit, day_variance, day_dof


def pooled_day_variance(
    residuals: np.ndarray,
    residual_maker: np.ndarray,
    known: np.ndarray,
    *,
    of_day: np.ndarray | None = None,
    allowance: float,
    allowance_dof: float = DEFAULT_DOF,
) -> tuple[float, float]:
    """Join the scatter between sessions with the allowance for it.

    Parameters
    ----------
    residuals : ndarray, shape (sessions,)
        Of the session means.
    residual_maker : ndarray, shape (sessions, sessions)
        Turns session means into residuals.
    known : ndarray, shape (sessions, sessions)
        Covariance that single runs and the sensor step leave; their share of the scatter is not counted twice.
    of_day : ndarray, shape (sessions, days), optional
        Which day each session was driven on (`pullbook.statistics.days.days_of`); by default each has its own.
    allowance, allowance_dof : float
        Standard deviation allowed for, and the weight it has, in degrees of freedom.

    Returns
    -------
    variance, dof : float
        ``(dof0 allowance**2 + SS) / (dof0 + dof)`` [outcome's unit squared] and ``dof0 + dof``: a scaled inverse
        chi-squared prior with its data. With ``dof0 = 0`` it is the analysis of variance of JCGM 100:2008, H.5.

    Examples
    --------
    The voltage standard of JCGM 100:2008, H.5, table H.9 [µV]: ten daily means of five readings, 85 µV within a day;
    between days 43 µV.

    >>> import numpy as np
    >>> from pullbook.statistics.estimate import pooled_day_variance
    >>> means = np.array([172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0])
    >>> known = 85**2 / 5 * np.eye(10)
    >>> less_mean = np.eye(10) - 0.1
    >>> variance, dof = pooled_day_variance(less_mean @ means, less_mean, known, allowance=0.0, allowance_dof=0.0)
    >>> round(variance**0.5), round(dof)
    (43, 9)
    """
    each = np.eye(len(residuals)) if of_day is None else of_day
    squares, explained, shown = between_days(residuals, residual_maker, known, each)
    dof = allowance_dof + shown
    return (allowance_dof * allowance**2 + max(0.0, squares - explained)) / dof, dof


def conditions_of(slopes: Sequence[Slope]) -> str:
    """Name, for a person, the conditions that sessions were brought to; empty where they are as measured."""
    words = {INLET: "inlet temperature", COMPRESSION: "boost"}
    return enumerated(list(dict.fromkeys(words.get(s.name, "driving") for s in slopes)))


def _method(slopes: Sequence[Slope], *, learnt: bool) -> str:
    conditions = ", ".join(s.name for s in slopes)
    brought = f"corrected to the same {conditions} by mixed estimation" if conditions else "as measured"
    scatter = (
        "assumed day-to-day scatter combined with the scatter between sessions"
        if learnt
        else "assumed day-to-day scatter alone"
    )
    return f"session means from a two-way fit, {brought}, {scatter}, interval after JCGM 100:2008"
