"""Was the refit sound? The boost before against after, by the same method as the outcome."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from pullbook.errors import ComparisonError, Finding
from pullbook.settings.experiment import PHASES, Experiment, Phase
from pullbook.settings.outcomes import OUTCOMES, Outcome
from pullbook.statistics.allowance import Allowance
from pullbook.statistics.covariates import covariates_of
from pullbook.statistics.estimate import Estimate, estimate_change
from pullbook.statistics.session_means import SessionMeans, session_means

if TYPE_CHECKING:
    import pandas as pd

LOWER_SHARE = 0.02
SLOWER_SHARE = 0.25
SLOWER_S = 0.3
FLOW_SHARE = 0.03  # what tubing and filter do to an air flow sensor from day to day
DAY_SHARE = 0.02  # by which boost differs between days with nothing changed: driver, air, control; common practice
# `make study` has the false alarms and the leaks found: together at most 5 % with boost that differs by DAY_SHARE.
LOWER_RISK, HIGHER_LEVEL = 0.035, 0.99
LEAST_PULLS_A_SIDE = 3  # with fewer a single odd pull would raise the alarm
ADVICE = "check hoses and clamps before driving hard again"


def boost_findings(
    measures: pd.DataFrame, experiment: Experiment, *, with_left_out: bool = False
) -> tuple[Finding, ...]:
    """Say whether the boost is lower, slower or higher after the service, by the same method as the outcome.

    An alarm takes no part in the answer, which is given at equal boost. A leak lowers the boost and never raises it, so
    the test for it is one-sided, at `LOWER_RISK`; more boost than before is rare and has to be plain.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run with the column ``session``.
    experiment : Experiment
    with_left_out : bool
        Count the runs that the person left out too.

    Returns
    -------
    tuple of Finding
        Warnings coded ``boost-...``, each with the pulls that it rests on; none where either phase has too few, or
        where the pressure sensor itself was cleaned or replaced.
    """
    outcome = experiment.outcome_spec
    if experiment.service.disturbed("intake_manifold_pressure"):
        return ()

    def compared(name: str, *, one_sided: bool = True) -> tuple[SessionMeans, Estimate] | None:
        level = 1 - 2 * LOWER_RISK if one_sided else HIGHER_LEVEL
        return _compared(measures, experiment, OUTCOMES[name], level, with_left_out)

    found: list[Finding] = []
    outside = {phase: outside_kpa(measures, phase) for phase in PHASES}
    pressure = compared("peak_manifold_pressure")
    if pressure and _is_lower(pressure[1], LOWER_SHARE):
        found.append(_changed(*pressure, outside))
    pressure = None if outcome.is_boost else compared("peak_manifold_pressure", one_sided=False)
    if pressure and pressure[1].low > 0 and pressure[1].change > LOWER_SHARE * pressure[1].before:
        found.append(_changed(*pressure, outside))  # unless more of it was what the question was about
    timing = compared("time_to_boost")
    if timing and timing[1].low > 0 and timing[1].change > max(SLOWER_SHARE * timing[1].before, SLOWER_S):
        found.append(_slower(*timing))
    at_speed = compared("pressure_at_speed")
    if at_speed and not found and _is_lower(at_speed[1], LOWER_SHARE):
        found.append(_lower_at_speed(*at_speed, outside))
    flow = compared("flow_at_point")
    if flow and _is_lower(flow[1], FLOW_SHARE):
        found.append(_less_air(*flow))
    return tuple(found)


def outside_kpa(measures: pd.DataFrame, phase: Phase) -> float:
    """Return the mean outside pressure [kPa] of a phase's pulls that count; NaN where it is not known.

    Parameters
    ----------
    measures : pandas.DataFrame
        With the columns ``phase``, ``included`` and ``barometric``.
    phase : {"before", "after"}
    """
    if not {"barometric", "phase"} <= set(measures.columns):
        return float("nan")
    rows = measures["included"] & (measures["kind"] == "pull") & (measures["phase"] == phase)
    return float(measures.loc[rows, "barometric"].mean())


def pressure_words(absolute_kpa: float, outside: float) -> str:
    """Say a manifold pressure as logs hold it, and as a boost gauge on the dashboard shows it.

    Parameters
    ----------
    absolute_kpa, outside : float
        Manifold and outside pressure, absolute [kPa]; where the outside is NaN, the gauge is left out.

    Examples
    --------
    >>> from pullbook.statistics.boost import pressure_words
    >>> pressure_words(237.2, 101.6)
    '237 kPa absolute (136 kPa on a gauge)'
    """
    gauge = f" ({absolute_kpa - outside:.0f} kPa on a gauge)" if math.isfinite(outside) else ""
    return f"{absolute_kpa:.0f} kPa absolute{gauge}"


def _is_lower(found: Estimate, share: float) -> bool:
    return found.high < 0 and found.change < -share * found.before


def _warning(code: str, message: str, data: SessionMeans, found: Estimate, unit: str) -> Finding:
    evidence = {
        f"before_{unit}": found.before,
        f"after_{unit}": found.after,
        "low": found.low,
        "high": found.high,
        "pulls_before": data.pulls("before"),
        "pulls_after": data.pulls("after"),
    }
    message += f" (Pulls: {data.pulls('before')} before, {data.pulls('after')} after.)"
    return Finding(code=code, severity="warning", message=message, evidence=evidence)


def _slower(data: SessionMeans, found: Estimate) -> Finding:
    message = (
        f"Boost builds more slowly after the service. It took {found.before:.1f} s to reach 90 % of its peak "
        f"before and takes {found.after:.1f} s after. A hose or clamp may be leaking: {ADVICE}."
    )
    return _warning("boost-slower", message, data, found, "s")


def _lower_at_speed(data: SessionMeans, found: Estimate, outside: Mapping[Phase, float]) -> Finding:
    before, after = (pressure_words(getattr(found, phase), outside[phase]) for phase in PHASES)
    message = (
        f"There is less boost at the same engine speed after the service: {before} before, "
        f"{after} after. The peak is unchanged. A hose or clamp may be leaking: {ADVICE}."
    )
    return _warning("boost-lower-at-speed", message, data, found, "kpa")


def _less_air(data: SessionMeans, found: Estimate) -> Finding:
    message = (
        "Less air is measured after the service, at the same boost, engine speed and charge temperature: "
        f"{found.before:.0f} g/s before, {found.after:.0f} g/s after. Air may be getting in behind the "
        f"sensor, or a filter or hose may be blocked: {ADVICE}."
    )
    return _warning("boost-less-air", message, data, found, "g_s")


def _compared(
    measures: pd.DataFrame, experiment: Experiment, outcome: Outcome, level: float, with_left_out: bool
) -> tuple[SessionMeans, Estimate] | None:
    try:
        data = session_means(measures, experiment, outcome, with_left_out=with_left_out)
    except ComparisonError:
        return None  # no boost in these logs: nothing to check
    if min(data.pulls("before"), data.pulls("after")) < LEAST_PULLS_A_SIDE:
        return None
    share = max(DAY_SHARE, outcome.day_to_day_sd)
    allowance = Allowance(sd=share * abs(float(np.mean(data.means))))
    return data, estimate_change(data, covariates=covariates_of(data), allowance=allowance, level=level)


def _changed(data: SessionMeans, found: Estimate, outside: Mapping[Phase, float]) -> Finding:
    share = found.change / found.before
    lower = share < 0
    advice = f"A hose or clamp may be leaking: {ADVICE}." if lower else "Find out why before you trust the comparison."
    before, after = (pressure_words(getattr(found, phase), outside[phase]) for phase in PHASES)
    message = (
        f"Boost is {'lower' if lower else 'higher'} after the service: it peaks at {after}, "
        f"against {before} before ({100 * share:+.0f} %). {advice}"
    )
    return _warning("boost-lower" if lower else "boost-higher", message, data, found, "kpa")
