"""Was the refit sound? The boost before against after, by the same method as the outcome."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook.errors import ComparisonError, Finding
from pullbook.settings.experiment import Experiment
from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.estimate import Estimate, estimate_change, log_heating
from pullbook.statistics.session_means import SessionMeans, session_means
from pullbook.statistics.uncertainty import INFINITE, BudgetLine

if TYPE_CHECKING:
    import pandas as pd

LOWER_SHARE = 0.02
SLOWER_SHARE = 0.25
SLOWER_S = 0.3
FLOW_SHARE = 0.03  # what tubing and filter do to an air flow sensor from day to day
ADVICE = "check hoses and clamps before driving hard again"


@dataclass(frozen=True)
class BoostCheck:
    """Whether the service changed the boost; then no correction for it is made, and its share is doubtful.

    Attributes
    ----------
    changed : bool
    effect_k : float
        What the change of boost alone does to a temperature rise [K].
    findings : tuple of Finding
    """

    changed: bool = False
    effect_k: float = 0.0
    findings: tuple[Finding, ...] = ()

    @property
    def budget(self) -> tuple[BudgetLine, ...]:
        """The share of the boost that cannot be told from the service's, as a source of uncertainty."""
        if not self.changed or not self.effect_k:
            return ()
        return (BudgetLine("boost changed with the service", "B", abs(self.effect_k), INFINITE),)


def check_boost(measures: pd.DataFrame, experiment: Experiment, *, level: float, with_left_out: bool) -> BoostCheck:
    """Compare the boost before with after, by the same method as the outcome.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run with the column ``session``.
    experiment : Experiment
    level : float
        Coverage of the intervals.
    with_left_out : bool
        Count the runs that the person left out too.

    Returns
    -------
    BoostCheck
    """
    outcome = experiment.outcome_spec
    pressure = _quick(measures, experiment, "peak_manifold_pressure", level, with_left_out)
    timing = _quick(measures, experiment, "time_to_boost", level, with_left_out)
    findings: list[Finding] = []
    effect = 0.0
    if pressure:
        data, found = pressure
        share = found.change / found.before
        if (found.high < 0 and share < -LOWER_SHARE) or (found.low > 0 and share > LOWER_SHARE):
            effect = _effect_on_rise(data)
            if share < 0 or not outcome.is_boost:  # more of what was asked about is the answer and no alarm
                findings.append(_changed(found, share, effect))
    peak_changed = bool(effect) or bool(findings)
    if timing:
        found = timing[1]
        if found.low > 0 and found.change > max(SLOWER_SHARE * found.before, SLOWER_S):
            findings.append(_slower(found))
    at_speed = _quick(measures, experiment, "pressure_at_speed", level, with_left_out)
    if at_speed and not peak_changed and _is_lower(at_speed[1], LOWER_SHARE):
        findings.append(_lower_at_speed(at_speed[1]))
    flow = _quick(measures, experiment, "flow_at_point", level, with_left_out)
    if flow and _is_lower(flow[1], FLOW_SHARE):
        findings.append(_less_air(flow[1]))
    return BoostCheck(
        changed=peak_changed and not outcome.is_boost,
        effect_k=effect if outcome.of_charge else 0.0,
        findings=tuple(findings),
    )


def _is_lower(found: Estimate, share: float) -> bool:
    return found.high < 0 and found.change < -share * found.before


def _effect_on_rise(data: SessionMeans) -> float:
    """Return what the change of compression alone does to the rise, at constant effectiveness."""
    ratio = data.pressure_ratio
    if not (np.isfinite(ratio).all() and (ratio > 1.05).all() and np.isfinite(data.rise_k).any()):
        return 0.0
    heating, after = log_heating(ratio), data.after.astype(bool)
    return float(np.nanmean(data.rise_k) * (heating[after].mean() - heating[~after].mean()))


def _warning(code: str, message: str, found: Estimate, unit: str) -> Finding:
    evidence = {f"before_{unit}": found.before, f"after_{unit}": found.after, "low": found.low, "high": found.high}
    return Finding(code=code, severity="warning", message=message, evidence=evidence)


def _slower(found: Estimate) -> Finding:
    message = (
        f"After the service the boost builds more slowly: {found.before:.1f} s to 90 % of its peak before, "
        f"{found.after:.1f} s after. A hose or clamp may leak: {ADVICE}."
    )
    return _warning("boost-slower", message, found, "s")


def _lower_at_speed(found: Estimate) -> Finding:
    message = (
        "After the service there is less boost at the same engine speed, though the peak is as before: "
        f"{found.before:.0f} kPa before, {found.after:.0f} kPa after. A hose or clamp may leak: {ADVICE}."
    )
    return _warning("boost-lower-at-speed", message, found, "kpa")


def _less_air(found: Estimate) -> Finding:
    message = (
        "After the service less air is measured at the same boost, engine speed and charge temperature: "
        f"{found.before:.0f} g/s before, {found.after:.0f} g/s after. Air may enter behind the sensor, or a filter or "
        f"hose may be blocked: {ADVICE}."
    )
    return _warning("boost-less-air", message, found, "g_s")


def _quick(
    measures: pd.DataFrame, experiment: Experiment, name: str, level: float, with_left_out: bool
) -> tuple[SessionMeans, Estimate] | None:
    outcome = OUTCOMES[name]
    try:
        data = session_means(measures, experiment, outcome, with_left_out=with_left_out)
    except ComparisonError:
        return None  # no boost in these logs: nothing to check
    return data, estimate_change(data, covariates=(), allowance=None, level=level)


def _changed(found: Estimate, share: float, effect: float) -> Finding:
    lower = share < 0
    advice = (
        f"A hose or clamp may leak after the refit: {ADVICE}."
        if lower
        else "Find out why before trusting the comparison."
    )
    part = f" This alone moves a temperature rise by about {effect:+.1f} K." if effect else ""
    message = (
        f"Boost is {'lower' if lower else 'higher'} after the service: peak manifold pressure {found.before:.0f} kPa "
        f"before, {found.after:.0f} kPa after ({share:+.0%}). {advice}{part}"
    )
    return _warning("boost-lower" if lower else "boost-higher", message, found, "kpa")
