"""The same change by other routes, and checks that it has to pass. All are shown, none replaces the result."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from pullbook.errors import Finding
from pullbook.settings.experiment import Phase
from pullbook.statistics.allowance import Allowance
from pullbook.statistics.comparison import Comparison
from pullbook.statistics.covariates import Covariate
from pullbook.statistics.estimate import conditions_of, estimate_change
from pullbook.statistics.session_means import SessionMeans
from pullbook.statistics.uncertainty import INFINITE, BudgetLine, combined, coverage_factor, effective_dof
from pullbook.text import enumerated, unit_suffix

LEAST_SPREAD = 0.25  # of the weather within a phase, as a share of the difference between phases
MOST_SPLITS = 20_000
AS_MEASURED, WITHOUT_EARLIER = "as measured", "without the earlier experiments"


@dataclass(frozen=True, kw_only=True)
class Route:
    """The change by one other route.

    Attributes
    ----------
    name : str
    change, low, high : float
        The change and its interval, in the outcome's unit.
    remark : str
        What has to be known to read it.
    valid : bool
        False for routes that are shown because people use them, though their interval is too narrow.
    """

    name: str
    change: float
    low: float
    high: float
    remark: str = ""
    valid: bool = True


@dataclass(frozen=True, kw_only=True)
class Check:
    """A check of the result, and the answer in a sentence.

    Attributes
    ----------
    name, sentence : str
    agrees : bool or None
        None where nobody can say.
    """

    name: str
    sentence: str
    agrees: bool | None


@dataclass(frozen=True, kw_only=True)
class CrossChecks:
    """All other routes and checks of one comparison.

    Attributes
    ----------
    routes : tuple of Route
    checks : tuple of Check
    findings : tuple of Finding
        Where they disagree.
    """

    routes: tuple[Route, ...]
    checks: tuple[Check, ...]
    findings: tuple[Finding, ...]


def cross_check(comparison: Comparison) -> CrossChecks:
    """Calculate the other routes and checks of a comparison; none where nothing was compared."""
    if comparison.estimate is None:
        return CrossChecks(routes=(), checks=(), findings=())
    level, data = comparison.level, comparison.data
    covariates, allowance = comparison.covariates, comparison.allowance
    routes = [*_without_earlier(comparison), *_as_measured(data, covariates, allowance, level)]
    # The other routes take their units for independent, and sessions of one day are not.
    of_day = data.of_day
    data = _averaged(data, of_day)
    covariates = tuple(replace(c, centred=_mean_of_each(c.centred, of_day)) for c in covariates)
    shift = _mean_of_each(_shift(comparison), of_day)
    normalised = data.means - shift
    routes += [
        *_least_squares(data, _without_inlet(comparison, covariates, shift), covariates, level),
        *_welch_on_sessions(data, normalised, level),
        *_random_sessions(data, shift, level),
        *_run_by_run(data, level),
    ]
    checks = [
        *_permutation(data, normalised),
        *_placebo(data, covariates, allowance, level),
    ]
    return CrossChecks(routes=tuple(routes), checks=tuple(checks), findings=_disagreements(routes, checks, comparison))


def _shift(comparison: Comparison) -> np.ndarray:
    """Return what the common conditions took from each session's mean."""
    return np.array([s.mean - s.normalised for s in comparison.sessions])


def _without_inlet(comparison: Comparison, covariates: Sequence[Covariate], shift: np.ndarray) -> np.ndarray:
    """Return that shift less the inlet temperature's part in it."""
    slopes = {slope.name: slope.value for slope in comparison.slopes}
    inlet = _inlet(covariates)
    return shift if inlet is None else shift - slopes[inlet.name] * inlet.centred


# --- routes --------------------------------------------------------------------------------------------------


def _without_earlier(comparison: Comparison) -> list[Route]:
    """Allow for days as if no earlier experiment of the vehicle were named: what the interval rests on them for."""
    alone = comparison.allowance.alone
    if alone is None:
        return []
    plain = estimate_change(
        comparison.data, covariates=comparison.covariates, allowance=alone, level=comparison.looks.each_level
    )
    remark = "if the vehicle was in another state then"
    return [Route(name=WITHOUT_EARLIER, change=plain.change, low=plain.low, high=plain.high, remark=remark)]


def _as_measured(
    data: SessionMeans, covariates: Sequence[Covariate], allowance: Allowance, level: float
) -> list[Route]:
    plain = estimate_change(data, covariates=(), allowance=allowance, level=level)
    found = [Route(name=AS_MEASURED, change=plain.change, low=plain.low, high=plain.high)]
    inlet = _inlet(covariates)
    return [*found, _physical_only(data, covariates, inlet, allowance, level)] if inlet else found


def _inlet(covariates: Sequence[Covariate]) -> Covariate | None:
    return next((c for c in covariates if c.name == "inlet temperature"), None)


def _physical_only(
    data: SessionMeans, covariates: Sequence[Covariate], inlet: Covariate, allowance: Allowance, level: float
) -> Route:
    """Correct with the inlet's slope that physics gives, and ignore what the sessions show of it."""
    others = [c for c in covariates if c is not inlet]
    apart = float(np.mean(inlet.centred[data.after == 1]) - np.mean(inlet.centred[data.after == 0]))
    found = estimate_change(
        replace(data, means=data.means - inlet.prior.mean * inlet.centred),
        covariates=others,
        allowance=allowance,
        level=level,
        extra=[BudgetLine(inlet.name, "B", inlet.prior.standard_uncertainty * abs(apart), INFINITE)],
    )
    name, remark = f"{inlet.name} by physics alone", _of_others(covariates)
    return Route(name=name, change=found.change, low=found.low, high=found.high, remark=remark)


def _of_others(covariates: Sequence[Covariate]) -> str:
    """Say what a route that treats the inlet temperature in its own way does about the other conditions."""
    return "the other conditions as in the result" if len(covariates) > 1 else ""


def _interval(change: float, lines: Sequence[BudgetLine], level: float) -> tuple[float, float]:
    half = coverage_factor(level, effective_dof(lines)) * combined(lines)
    return change - half, change + half


def _least_squares(
    data: SessionMeans, others: np.ndarray, covariates: Sequence[Covariate], level: float
) -> list[Route]:
    """Fit the session means by plain least squares with HC3 errors, where the sessions allow a slope of their own.

    ``others`` is what the conditions other than the inlet temperature took from each mean.
    """
    covariate = _inlet(covariates)
    if covariate is None or min(data.count("before"), data.count("after")) < 2 or len(data.names) < 5:
        return []
    inlet = covariate.centred
    apart = float(inlet[data.after == 1].mean() - inlet[data.after == 0].mean())
    if np.std(inlet - data.after * apart) < max(0.5, LEAST_SPREAD * abs(apart)):
        return []  # the slope would be read off the very difference that it is to correct
    from statsmodels.regression.linear_model import OLS

    design = np.column_stack([np.ones(len(inlet)), data.after, inlet])
    fit = OLS(data.means - others, design).fit(cov_type="HC3", use_t=True)
    low, high = fit.conf_int(alpha=1 - level)[1]
    if not np.isfinite([low, high]).all():
        return []
    name = "fitted by least squares (HC3)"
    change, remark = float(fit.params[1]), _of_others(covariates)
    return [Route(name=name, change=change, low=float(low), high=float(high), remark=remark)]


def _welch_on_sessions(data: SessionMeans, normalised: np.ndarray, level: float) -> list[Route]:
    if min(data.count("before"), data.count("after")) < 2:
        return []
    change, low, high = welch(normalised[data.after == 0], normalised[data.after == 1], level=level)
    remark = "only the scatter of these few sessions"
    return [Route(name="Welch's t on session means", change=change, low=low, high=high, remark=remark)]


def welch(before: np.ndarray, after: np.ndarray, *, level: float = 0.95) -> tuple[float, float, float]:
    """Return the difference of two means (after minus before) with Welch's interval.

    Parameters
    ----------
    before, after : ndarray, shape (n,) and (m,)
        Two values or more each.
    level : float
        Coverage of the interval.

    Returns
    -------
    change, low, high : float
        In the unit of the values.

    References
    ----------
    B. L. Welch, "The generalization of Student's problem when several different population variances are involved",
    Biometrika 34 (1947) 28-35.

    Examples
    --------
    The documentation of R has 4.947198 to 11.052802 for 1 to 10 against 7 to 20.

    >>> import numpy as np
    >>> from pullbook.statistics.robustness import welch
    >>> change, low, high = welch(np.arange(1.0, 11.0), np.arange(7.0, 21.0), level=0.95)
    >>> round(change, 6), round(low, 6), round(high, 6)
    (8.0, 4.947198, 11.052802)
    """
    lines = [
        BudgetLine(name, "A", float(side.std(ddof=1)) / math.sqrt(len(side)), len(side) - 1)
        for name, side in (("before", before), ("after", after))
    ]
    change = float(after.mean() - before.mean())
    low, high = _interval(change, lines, level)
    return change, low, high


def _run_by_run(data: SessionMeans, level: float) -> list[Route]:
    """Welch's t with every run as if it were independent: what a spreadsheet does; usually too narrow."""
    before, after = (
        np.concatenate([v for v, p in zip(data.single_runs, data.phases, strict=True) if p == phase])
        for phase in ("before", "after")
    )
    if min(len(before), len(after)) < 2:
        return []
    change, low, high = welch(before, after, level=level)
    remark = "not valid: runs of one day share that day"
    return [Route(name="every run as if independent", change=change, low=low, high=high, remark=remark, valid=False)]


def _random_sessions(data: SessionMeans, shift: np.ndarray, level: float) -> list[Route]:
    """Fit all runs at once with a random effect a session; the same common conditions."""
    if min(data.count("before"), data.count("after")) < 2 or int(data.runs.min()) < 2:
        return []
    codes = np.repeat(np.arange(len(data.names)), data.runs)
    y = np.concatenate([v - s for v, s in zip(data.single_runs, shift, strict=True)])
    design = np.column_stack([np.ones(len(y)), data.after[codes]])
    model = random_session_model(y, design, codes)
    if not math.isfinite(model.errors[1]):
        return []
    half = coverage_factor(level, len(data.names) - 2) * model.errors[1]
    change = float(model.coefficients[1])
    remark = "found no scatter between sessions, so it counts none" if model.singular else ""
    return [
        Route(
            name="random-session model (REML)",
            change=change,
            low=change - half,
            high=change + half,
            remark=remark,
            valid=not model.singular,
        )
    ]


@dataclass(frozen=True, eq=False)
class RandomSessionModel:
    """A linear model with a random intercept a session.

    Attributes
    ----------
    coefficients, errors : ndarray, shape (p,)
        Fixed effects and their standard errors.
    between_sd, within_sd : float
        Standard deviations between sessions and of a single run.
    singular : bool
        One of the two is zero.
    """

    coefficients: np.ndarray
    errors: np.ndarray
    between_sd: float
    within_sd: float
    singular: bool


def random_session_model(y: np.ndarray, design: np.ndarray, codes: np.ndarray) -> RandomSessionModel:
    """Fit a linear model with a random intercept a session by restricted maximum likelihood.

    Parameters
    ----------
    y : ndarray, shape (n,)
        The outcome of each run.
    design : ndarray, shape (n, p)
        Fixed effects.
    codes : ndarray of int, shape (n,)
        The session of each run, 0 to sessions - 1.

    Returns
    -------
    RandomSessionModel
        A variance between sessions that comes out as zero is reported so, not hidden.

    Notes
    -----
    With one random effect everything else follows from the share of the variance that lies between sessions, so one
    number is searched for, between zero and one. General optimisers of mixed models search without bounds, and few
    sessions often have their best value at the bound.

    References
    ----------
    S. R. Searle, G. Casella and C. E. McCulloch, Variance Components (1992), sections 6.6 and 6.7: the restricted
    likelihood, profiled.
    """
    from scipy.optimize import minimize_scalar

    groups = np.eye(int(codes.max()) + 1)[codes]
    runs = groups.sum(axis=0)
    within_sessions = y - (groups.T @ y / runs)[codes]
    if not within_sessions @ within_sessions > 1e-18 * (y @ y):
        # Runs that are all alike: the likelihood grows without end as the variance within falls.
        nothing = np.full(design.shape[1], np.nan)
        return RandomSessionModel(nothing, nothing, between_sd=math.nan, within_sd=0.0, singular=True)
    start = np.linalg.lstsq(design, y, rcond=None)[0]
    residuals = y - design @ start  # not y itself: its level would cost digits
    dof = len(y) - design.shape[1]
    columns = np.column_stack([design, residuals])
    plain, sums = columns.T @ columns, columns.T @ groups

    def fit(ratio: float) -> tuple[np.ndarray, np.ndarray, float]:
        """Return information, coefficients and the variance within, for a ratio of the variances."""
        products = plain - (sums * (ratio / (1 + ratio * runs))) @ sums.T
        information, loads = products[:-1, :-1], products[:-1, -1]
        found = np.linalg.solve(information, loads)
        return information, start + found, float(products[-1, -1] - loads @ found) / dof

    def loss(share: float) -> float:
        ratio = share / (1 - share)
        information, _, within = fit(ratio)
        return float(dof * np.log(within) + np.log1p(ratio * runs).sum() + np.linalg.slogdet(information)[1])

    best = minimize_scalar(loss, bounds=(0.0, 1 - 1e-9), method="bounded", options={"xatol": 1e-10})
    share = float(best.x) if best.fun < loss(0.0) else 0.0
    ratio = share / (1 - share)
    information, coefficients, within = fit(ratio)
    return RandomSessionModel(
        coefficients=coefficients,
        errors=np.sqrt(within * np.diag(np.linalg.inv(information))),
        between_sd=math.sqrt(ratio * within),
        within_sd=math.sqrt(within),
        singular=ratio < 0.01,
    )


# --- checks --------------------------------------------------------------------------------------------------


def _permutation(data: SessionMeans, normalised: np.ndarray) -> list[Check]:
    after = data.after.astype(bool)
    ways = math.comb(len(after), int(after.sum()))
    if ways > MOST_SPLITS or min(after.sum(), (~after).sum()) < 2:
        return []
    extreme, ways = exact_permutation(normalised, after)
    p = extreme / ways
    name = "exact permutation of sessions"
    told = (
        f"Shuffle the sessions between before and after: {extreme} of {ways} ways give a difference as large (p "
        f"= {p:.3f})"
    )
    least = _least_p(after)
    if least > 0.05:
        few = f"With so few sessions p can never fall below {least:.2f}, whatever the service did"
        return [Check(name=name, sentence=f"{told}. {few}.", agrees=None)]
    return [Check(name=name, sentence=f"{told}.", agrees=None)]


def _least_p(after: np.ndarray) -> float:
    """Return the smallest p that sharing out sessions can give: only with equal sides has each split a mirror image."""
    ways = math.comb(len(after), int(after.sum()))
    return (2 if 2 * after.sum() == len(after) else 1) / ways


def exact_permutation(values: np.ndarray, after: np.ndarray) -> tuple[int, int]:
    """Count the ways to share out values that give a difference of means as large as the one seen, either sign.

    Parameters
    ----------
    values : ndarray, shape (n,)
    after : ndarray of bool, shape (n,)
        Which of them came after.

    Returns
    -------
    extreme, ways : int
        So many of so many; the p is their ratio.

    References
    ----------
    R. A. Fisher, The Design of Experiments (1935), section 21.
    """
    chosen = np.array(list(combinations(range(len(values)), int(after.sum()))))
    sums = values[chosen].sum(axis=1)
    difference = sums / after.sum() - (values.sum() - sums) / (~after).sum()
    seen = values[after].mean() - values[~after].mean()
    return as_extreme(difference, seen), len(chosen)


def as_extreme(statistics: np.ndarray, seen: float) -> int:
    """Count the statistics that are as large as the one seen, either sign; equal ones count, rounding aside.

    Parameters
    ----------
    statistics : ndarray, shape (n,)
    seen : float

    Returns
    -------
    int
    """
    slack = 1e-9 * max(1.0, float(np.abs(statistics).max()))
    return int(np.sum(np.abs(statistics) >= abs(seen) - slack))


def _placebo(data: SessionMeans, covariates: Sequence[Covariate], allowance: Allowance, level: float) -> list[Check]:
    """Compare each session before with the others before: the answer must be no change."""
    before = np.flatnonzero(data.after == 0)
    if len(before) < 3:
        return []
    changes, claims = [], 0
    for one in before:
        phases: tuple[Phase, ...] = tuple("after" if k == one else "before" for k in before)
        part = replace(_averaged(data, np.eye(len(data.names))[:, before]), phases=phases)
        conditions = [replace(c, centred=c.centred[before] - c.centred[before].mean()) for c in covariates]
        # So many comparisons share the chance of one false alarm (Bonferroni).
        each = 1 - (1 - level) / len(before)
        estimate = estimate_change(part, covariates=conditions, allowance=allowance, level=each)
        changes.append(estimate.change)
        claims += int(estimate.low > 0 or estimate.high < 0)
    largest = max(changes, key=abs)
    taken = f"{claims} would look like a change" if claims else "None looks like a change"
    sentence = (
        f"Compare each of the {len(before)} sessions before with the others before. The largest difference "
        f"is {largest:+.1f}{unit_suffix(data.outcome.change_unit)}. {taken}."
    )
    return [Check(name="placebo: before against before", sentence=sentence, agrees=claims == 0)]


def _mean_of_each(values: np.ndarray, members: np.ndarray) -> np.ndarray:
    """Average the sessions' figures over groups of them; ``members`` as in `_averaged`."""
    return np.array([values[group > 0].mean() for group in members.T])


def _averaged(data: SessionMeans, members: np.ndarray) -> SessionMeans:
    """Average groups of sessions; a group of one is that session, and who is in none is left out.

    Parameters
    ----------
    data : SessionMeans
    members : ndarray, shape (sessions, groups)
        One where a session belongs to a group, else zero.
    """
    groups = [np.flatnonzero(group) for group in members.T]
    mean_of_each = (members / members.sum(axis=0)).T
    names = (
        "means", "resolution_u", "inlet_c", "rise_k", "pressure_ratio", "heat_left_k", "start_kmh", "end_kmh",
        "duration_s", "climb_per_kmh", "pace_at_end", "reach_s", "climb_per_s", "wind_ms", "air_c",
    )  # fmt: skip
    averaged: dict[str, Any] = {name: _mean_of_each(getattr(data, name), members) for name in names}
    return replace(
        data,
        names=tuple(enumerated([data.names[k] for k in group]) for group in groups),
        phases=tuple(data.phases[group[0]] for group in groups),
        days=tuple(data.days[group[0]] for group in groups),
        covariance=mean_of_each @ data.covariance @ mean_of_each.T,
        runs=np.array([data.runs[group].sum() for group in groups]),
        single_runs=tuple(np.concatenate([data.single_runs[k] for k in group]) for group in groups),
        **averaged,
    )


def _disagreements(routes: Sequence[Route], checks: Sequence[Check], c: Comparison) -> tuple[Finding, ...]:
    """Report routes further from the result than both uncertainties allow, and checks that fail."""
    found = []
    for route in routes:
        reach = math.hypot((route.high - route.low) / 2, (c.high - c.low) / 2)
        if route.valid and abs(route.change - c.change) > reach:
            found.append(_apart(route, c))
    found += [
        Finding(code="check-failed", severity="warning", message=f"{check.name}: {check.sentence}", evidence={})
        for check in checks
        if check.agrees is False and check.name.startswith("placebo")
    ]
    return tuple(found)


def _apart(route: Route, c: Comparison) -> Finding:
    unit = unit_suffix(c.unit)
    evidence = {"route": route.name, "change": route.change, "low": route.low, "high": route.high}
    if route.name == AS_MEASURED:
        message = (
            f"Plain subtraction gives {route.change:+.1f}{unit}. With equal conditions it is "
            f"{c.change:+.1f}{unit}. The rest comes from {conditions_of(c.slopes)}."
        )
        return Finding(code="weather-large", severity="note", message=message, evidence=evidence)
    message = (
        f"'{route.name}' gives {route.change:+.1f}{unit}, but the result is {c.change:+.1f}{unit}. Their "
        "uncertainties don't explain such a difference."
    )
    return Finding(code="routes-disagree", severity="warning", message=message, evidence=evidence)
