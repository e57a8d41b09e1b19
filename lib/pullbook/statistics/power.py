"""Before driving: how many sessions and pulls it takes to detect a change, by the formula of the comparison."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from pullbook.settings.experiment import Protocol
from pullbook.statistics.allowance import DEFAULT_DOF
from pullbook.statistics.covariates import INLET
from pullbook.statistics.looks import Looks
from pullbook.statistics.uncertainty import INFINITE, BudgetLine, combined, coverage_factor, effective_dof

if TYPE_CHECKING:
    from pullbook.statistics.comparison import Comparison

MOST_SESSIONS = 20  # a side; nobody drives more for one service
USUAL_DAY_SD_K = 1.0  # the comparison's allowance
USUAL_PULL_SD_K = 0.8  # common practice, no source
USUAL_STEP_U_K = math.sqrt(2 / 12)  # charge and inlet in steps of 1 K
POWER = 0.8
USUAL_SESSIONS = (1, 2, 3, 4, 6, 8)
WARM_UP_MIN = 15  # common practice, no source
REST_MIN = 1.25
CRUISE_MIN = 1.5


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """What a plan is made from.

    Attributes
    ----------
    day_sd : float
        Standard deviation between days with nothing changed, in the outcome's unit.
    pull_sd : float
        Standard deviation between pulls of a session, in the outcome's unit.
    resolution_u : float
        Standard uncertainty that the sensors' steps leave in a session, in the outcome's unit.
    day_dof : float
        Degrees of freedom of ``day_sd`` before any session of the plan.
    fixed_u : float
        What further sessions like these would not take from the uncertainty: conditions that differ between the
        phases, in the outcome's unit.
    source : str
        Where the figures come from.
    from_earlier : bool
        Whether earlier experiments of the vehicle have a part in ``day_sd``.
    """

    day_sd: float = USUAL_DAY_SD_K
    pull_sd: float = USUAL_PULL_SD_K
    resolution_u: float = USUAL_STEP_U_K
    day_dof: float = DEFAULT_DOF
    fixed_u: float = 0.0
    source: str = "usual figures (days: one real car's steady cruise; pulls: common practice, no source)"
    from_earlier: bool = False


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A number of sessions a side and pulls a session, what it detects and what it costs.

    Attributes
    ----------
    sessions, pulls : int
        Sessions a side, pulls a session.
    half_width : float
        Half of the interval to expect, in the outcome's unit; a true change of this size is detected about half
        of the time.
    safe_change : float
        True change that is detected four times out of five (power 0.8), in the outcome's unit.
    driving_min : float
        All drives together, warm-up and rests included [min].
    pulls_in_all : int
        On both sides.
    """

    sessions: int
    pulls: int
    half_width: float
    safe_change: float
    driving_min: float
    pulls_in_all: int


def scatter_of(comparison: Comparison) -> Scatter:
    """Take the scatter of an experiment that was driven already."""
    c = comparison
    if not c.comparable:
        return Scatter()
    shrinks = ("scatter between runs", "day to day", "sensor step", f"{INLET}: reading")
    fixed = [line for line in c.budget if not line.source.startswith(shrinks)]
    return Scatter(
        day_sd=c.day_sd,
        pull_sd=c.repeatability_sd,
        resolution_u=float(np.sqrt(np.mean(c.data.reading_u**2))),
        day_dof=c.allowance.dof,
        fixed_u=combined(fixed),
        source=(
            "this experiment's own scatter, combined with the usual figure"
            f"{' and your earlier experiments' if c.allowance.alone else ''}"
        ),
        from_earlier=c.allowance.alone is not None,
    )


def plan(*, sessions: int, pulls: int, scatter: Scatter, protocol: Protocol, level: float = 0.95) -> Plan:
    """Calculate one plan.

    Parameters
    ----------
    sessions : int
        A side.
    pulls : int
        A session.
    scatter : Scatter
    protocol : Protocol
        For how long a pull takes.
    level : float
        Coverage of the interval.

    Returns
    -------
    Plan
    """
    expected = expected_interval(
        sessions=sessions,
        pulls=pulls,
        scatter=scatter,
        level=level,
    )
    each_min = WARM_UP_MIN + CRUISE_MIN + pulls * (protocol.usual_pull_s / 60 + REST_MIN)
    return Plan(
        sessions=sessions,
        pulls=pulls,
        half_width=expected.half_width,
        safe_change=detectable_change(
            standard_uncertainty=expected.standard_uncertainty, dof=expected.dof, power=POWER, level=level
        ),
        driving_min=2 * sessions * each_min,
        pulls_in_all=2 * sessions * pulls,
    )


def power_of(*, change: float, standard_uncertainty: float, dof: float, level: float = 0.95) -> float:
    """Return how often a true change is detected, with either sign.

    Parameters
    ----------
    change : float
        The true change.
    standard_uncertainty, dof : float
        Of the estimate of it: in the unit of the change, and its degrees of freedom.
    level : float
        Coverage of the interval that has to leave out zero.

    Returns
    -------
    float
        Probability, 0 to 1.

    References
    ----------
    J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), ch. 2 (noncentral t).

    Examples
    --------
    Two groups of 20 whose means lie one standard deviation apart. The documentation of R has 0.8689528 for
    ``power.t.test(n = 20, delta = 1, sd = 1)``, the wrong sign not counted.

    >>> import math
    >>> from pullbook.statistics.power import power_of
    >>> round(power_of(change=1.0, standard_uncertainty=math.sqrt(2 / 20), dof=38), 6)
    0.868953
    """
    from scipy.special import nctdtr  # scipy.stats has it too, and takes a second and a half to import

    critical, shift = coverage_factor(level, dof), abs(change) / standard_uncertainty
    return float(2.0 - nctdtr(dof, shift, critical) - nctdtr(dof, -shift, critical))  # the wrong sign counts too


def detectable_change(*, standard_uncertainty: float, dof: float, power: float = POWER, level: float = 0.95) -> float:
    """Return the true change that is detected with a given power (the inverse of `power_of`).

    Parameters
    ----------
    standard_uncertainty, dof : float
        As for `power_of`.
    power : float
        Probability, above 1 - level and below 1.
    level : float
        Coverage of the interval that has to leave out zero.

    Returns
    -------
    float
        In the unit of the standard uncertainty.

    Examples
    --------
    R finds 22.02110 a group for a power of 0.90 at a difference of one standard deviation.

    >>> import math
    >>> from pullbook.statistics.power import detectable_change
    >>> round(detectable_change(standard_uncertainty=math.sqrt(2 / 22.0211), dof=2 * 21.0211, power=0.9), 5)
    1.0
    """
    from scipy.optimize import brentq

    most = (coverage_factor(level, dof) + 5) * standard_uncertainty  # power is 1 there

    def short(change: float) -> float:
        return power_of(change=change, standard_uncertainty=standard_uncertainty, dof=dof, level=level) - power

    return float(brentq(short, 1e-9, most))


def plans(
    *,
    scatter: Scatter,
    protocol: Protocol,
    sessions: Sequence[int] = USUAL_SESSIONS,
    pulls: Sequence[int] = (3, 5, 8),
    level: float = 0.95,
) -> tuple[Plan, ...]:
    """Calculate a grid of plans, sessions first; the parameters are those of `plan`, some of them several.

    Returns
    -------
    tuple of Plan
    """
    return tuple(
        plan(sessions=s, pulls=p, scatter=scatter, protocol=protocol, level=level) for s in sessions for p in pulls
    )


def fewest_sessions(
    *, worthwhile_change: float, scatter: Scatter, protocol: Protocol, pulls: int = 5, level: float = 0.95
) -> Plan | None:
    """Return the plan with the fewest sessions that detects the worthwhile change four times out of five.

    Parameters
    ----------
    worthwhile_change : float
        In the outcome's unit.
    scatter, protocol, pulls, level
        As for `plan`.

    Returns
    -------
    Plan or None
        None if more than `MOST_SESSIONS` a side would be needed.
    """
    for sessions in range(1, MOST_SESSIONS + 1):
        found = plan(sessions=sessions, pulls=pulls, scatter=scatter, protocol=protocol, level=level)
        if found.safe_change <= worthwhile_change:
            return found
    return None


@dataclass(frozen=True)
class Expected:
    """The interval to expect of a plan.

    Attributes
    ----------
    half_width, standard_uncertainty : float
        In the outcome's unit.
    dof : float
        Effective degrees of freedom.
    """

    half_width: float
    standard_uncertainty: float
    dof: float


def sessions_needed(
    *,
    change: float,
    worthwhile: float,
    scatter: Scatter,
    pulls: int,
    planned: int | None = None,
    level: float = 0.95,
) -> int | None:
    """Return how many sessions a side would resolve a change if it stays as it is.

    Resolved means that the interval leaves out zero, or lies inside plus or minus the worthwhile change, whichever
    comes first. Each number of sessions is judged as the comparison will judge it, the price of looking included.

    Parameters
    ----------
    change, worthwhile : float
        The change as it is, and the one that matters, in the outcome's unit.
    scatter : Scatter
    pulls : int
        A session.
    planned : int or None
        Sessions a side that were stated beforehand.
    level : float
        Coverage.

    Returns
    -------
    int or None
        None if more than `MOST_SESSIONS`.
    """
    distance = max(abs(change), worthwhile - abs(change))
    sides = ((sessions, sessions) for sessions in range(1, MOST_SESSIONS + 1))
    return _first_within(distance, sides, scatter=scatter, pulls=pulls, planned=planned, level=level)


def after_needed(
    *,
    before: int,
    change: float,
    worthwhile: float,
    scatter: Scatter,
    pulls: int,
    planned: int | None = None,
    level: float = 0.95,
) -> int | None:
    """Return how many sessions after the service would resolve a change, with those before it as they are.

    Once the service is done, nobody can drive before it again. Otherwise as `sessions_needed`.

    Parameters
    ----------
    before : int
        Sessions before the service.
    change, worthwhile, scatter, pulls, planned, level
        As for `sessions_needed`.

    Returns
    -------
    int or None
        All together, those driven already included; None if more than `MOST_SESSIONS`.
    """
    distance = max(abs(change), worthwhile - abs(change))
    sides = ((before, after) for after in range(1, MOST_SESSIONS + 1))
    return _first_within(distance, sides, scatter=scatter, pulls=pulls, planned=planned, level=level)


def _first_within(
    distance: float,
    sides: Iterable[tuple[int, int]],
    *,
    scatter: Scatter,
    pulls: int,
    planned: int | None,
    level: float,
) -> int | None:
    """Return the second number of the first pair of sessions whose half-width stays below a distance, None without."""
    for before, after in sides:
        paid = Looks(before=before, after=after, planned=planned, level=level).each_level
        alike = 2 / (1 / before + 1 / after)
        if expected_interval(sessions=alike, pulls=pulls, scatter=scatter, level=paid).half_width < distance:
            return after
    return None


def outlook(comparison: Comparison, *, before: int = 0, after: int = 0) -> Outlook:
    """Return what to expect of so many more sessions, each with as many pulls as those so far.

    Parameters
    ----------
    comparison : Comparison
        One that was made: with an estimate.
    before, after : int
        Further sessions.

    Returns
    -------
    Outlook
        Judged as the comparison will judge it, the price of looking included.
    """
    c = comparison
    scatter, pulls = scatter_of(c), max(1, round(c.data.runs_a_day))

    def expected(looks: Looks) -> Expected:
        alike = 2 / (1 / looks.before + 1 / looks.after)
        return expected_interval(sessions=alike, pulls=pulls, scatter=scatter, level=looks.each_level)

    looks = replace(c.looks, before=c.looks.before + before, after=c.looks.after + after)
    now, then = expected(c.looks), expected(looks)
    shrinks_to = min(1.0, then.standard_uncertainty / now.standard_uncertainty)
    half = then.half_width * c.standard_uncertainty / now.standard_uncertainty
    return Outlook(
        looks=looks,
        half_width=half,
        chance=chance_of_clear_answer(
            change=c.change,
            half_width=half,
            standard_uncertainty=c.standard_uncertainty,
            dof=c.dof,
            worthwhile=c.worthwhile,
            shrinks_to=shrinks_to,
        ),
    )


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """What to expect of further sessions.

    Attributes
    ----------
    looks : Looks
        How many sessions there are then, and what looking costs.
    half_width : float
        Half of the interval then, in the outcome's unit.
    chance : float
        Of a clear answer then, 0 to 1.
    """

    looks: Looks
    half_width: float
    chance: float


def expected_interval(*, sessions: float, pulls: int, scatter: Scatter, level: float = 0.95) -> Expected:
    """Return the interval to expect from so many sessions a side and pulls a session.

    Parameters
    ----------
    sessions : float
        Sessions a side; where the sides differ, their harmonic mean, which gives the same uncertainty.
    pulls : int
        A session.
    scatter : Scatter
    level : float
        Coverage.

    Returns
    -------
    Expected

    Notes
    -----
    The budget of the comparison (JCGM 100:2008, 5.1.2 and G.4.1) for a difference of two means of so many sessions.

    Examples
    --------
    By hand: 1 K * sqrt(2 / 3) = 0.816 K; 4 degrees of freedom of the allowance and 4 of the sessions, for which
    Student's t is 2.306.

    >>> from pullbook.statistics.power import Scatter, expected_interval
    >>> expected = expected_interval(sessions=3, pulls=5, scatter=Scatter(day_sd=1.0, pull_sd=0.0, resolution_u=0.0))
    >>> round(expected.standard_uncertainty, 3), round(expected.dof, 6), round(expected.half_width, 3)
    (0.816, 8.0, 1.883)
    """
    lines = [
        BudgetLine(
            "day to day", "A and B", scatter.day_sd * math.sqrt(2 / sessions), scatter.day_dof + 2 * sessions - 2
        ),
        BudgetLine(
            "scatter between runs", "A", scatter.pull_sd * math.sqrt(2 / (sessions * pulls)),
            max(1.0, (2 * sessions - 1) * (pulls - 1)),
        ),
        BudgetLine("sensor step", "B", scatter.resolution_u * math.sqrt(2 / sessions), INFINITE),
        BudgetLine("conditions", "B", scatter.fixed_u, INFINITE),
    ]  # fmt: skip
    u, dof = combined(lines), effective_dof(lines)
    return Expected(half_width=coverage_factor(level, dof) * u, standard_uncertainty=u, dof=dof)


def chance_of_clear_answer(
    *, change: float, half_width: float, standard_uncertainty: float, dof: float, worthwhile: float, shrinks_to: float
) -> float:
    """Return how likely one more session gives a clear answer, from what the sessions so far show.

    Clear means that the interval then leaves out zero, or lies inside plus or minus the worthwhile change. The true
    change is taken to be as uncertain as it is now; what the estimate will then be spreads about the present one with
    the part of the variance that the new session takes away.

    Parameters
    ----------
    change, half_width, standard_uncertainty, dof : float
        The present estimate, with the half-width to expect of the interval after the new session: in the outcome's
        unit, and its degrees of freedom.
    worthwhile : float
        In the outcome's unit.
    shrinks_to : float
        Standard uncertainty after the new session, as a share of the present one, above 0 and at most 1.

    Returns
    -------
    float
        Probability, 0 to 1.

    References
    ----------
    The predictive distribution of a posterior mean: D. J. Spiegelhalter, K. R. Abrams, J. P. Myles, Bayesian
    Approaches to Clinical Trials and Health-Care Evaluation (2004), 6.5 (from memory).

    Examples
    --------
    An estimate that is certain already, 3 with an interval of 2.9 to either side, stays clear; one of zero with an
    interval inside the worthwhile change, too.

    >>> from pullbook.statistics.power import chance_of_clear_answer
    >>> known = {"standard_uncertainty": 1.0, "dof": 20.0, "worthwhile": 2.0, "shrinks_to": 1.0}
    >>> chance_of_clear_answer(change=3.0, half_width=2.9, **known)
    1.0
    >>> chance_of_clear_answer(change=1.5, half_width=2.9, **known)
    0.0
    """
    from scipy.special import stdtr

    half = half_width
    inside = worthwhile - half
    spread = standard_uncertainty * math.sqrt(max(0.0, 1 - shrinks_to**2))
    if spread == 0:
        return float(abs(change) > half or abs(change) < inside)
    beyond = float(stdtr(dof, (change - half) / spread) + stdtr(dof, (-half - change) / spread))
    if inside <= 0:
        return beyond
    reach = min(inside, half)
    within = float(stdtr(dof, (reach - change) / spread) - stdtr(dof, (-reach - change) / spread))
    return min(1.0, beyond + within)
