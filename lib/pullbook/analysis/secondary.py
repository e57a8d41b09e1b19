"""Secondary outcomes: further figures of the runs, before against after, by the same method as the outcome.

As measured, but for charge density and air flow, which are brought to common air.

None of them is the verdict. Each has its own interval, so of twenty about one misses its truth by chance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from pullbook.errors import ComparisonError
from pullbook.physics import air
from pullbook.physics.reference_air import engine_factor, power_factor, within_range
from pullbook.physics.wheel_power import wheel_power
from pullbook.runs.heat_soak import Idle
from pullbook.settings.experiment import Experiment
from pullbook.settings.outcomes import CHARGE, OUTCOMES, Outcome, outcome_named, speeds_of
from pullbook.statistics.allowance import allowance_of
from pullbook.statistics.covariates import covariates_of
from pullbook.statistics.estimate import estimate_change
from pullbook.statistics.session_means import session_means
from pullbook.statistics.uncertainty import INFINITE, BudgetLine

if TYPE_CHECKING:
    import pandas as pd

Group = Literal["air and cooler", "heat left over", "boost", "time to speed"]

BOOSTED_RATIO = 1.1  # from here on an engine counts as turbocharged
IN_REFERENCE_AIR = "in reference air"
IN_COMMON_AIR = ("peak_rise", "charge_density", "flow_at_point")

_GROUPS: dict[Group, tuple[str, ...]] = {
    "air and cooler": ("effectiveness", "charge_density", "heat_rejected"),
    "heat left over": ("start_rise", "soak_rise", "recovery_time"),
    "boost": ("peak_manifold_pressure", "time_to_boost", "pressure_at_speed", "flow_at_point"),
}
_IDLE = Outcome(
    name="idle_climb", kind="idle", channels=CHARGE,
    unit="K/min", label="climb of the charge temperature at a standstill",
    day_to_day_sd=1.0, allowance_source="common practice, no source", ambient="none",
)  # fmt: skip
_POWER = Outcome(
    name="wheel_power", kind="pull", channels=("vehicle_speed",),
    unit="%", label="mean power at the wheels (before = 100)",
    lower_is_better=False, day_to_day_sd=0.02, relative=True, ambient="none",
    allowance_source="as for elapsed times (a judgement)",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SecondaryOutcome:
    """One further figure before and after, as measured, in ``unit``.

    Attributes
    ----------
    group : str
        What it tells about.
    name, label, unit : str
    before, after : float
        Mean of the session means.
    change, low, high : float
        After minus before, and its interval.
    standard_uncertainty : float
        Of the change.
    common_uncertainty : float
        Standard uncertainty of both levels from what was estimated, not measured; little of it is left in the change.
    applies : bool
        False for a figure that is shown because people use it, though it does not fit this engine.
    """

    group: Group
    name: str
    label: str
    unit: str
    before: float
    after: float
    change: float
    low: float
    high: float
    standard_uncertainty: float
    common_uncertainty: float = 0.0
    applies: bool = True


def secondary_outcomes(
    measures: pd.DataFrame, experiment: Experiment, *, idles: Sequence[tuple[str, Idle]] = (), level: float = 0.95
) -> tuple[SecondaryOutcome, ...]:
    """Compare every further figure that both phases have.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run with the columns ``session`` and ``phase``.
    experiment : Experiment
    idles : sequence of (str, Idle)
        Standstills, each with its session's name.
    level : float
        Coverage of the intervals.

    Returns
    -------
    tuple of SecondaryOutcome
    """
    found = [
        _compared(measures, experiment, OUTCOMES[name], group, level)
        for group, names in _GROUPS.items()
        for name in names
    ]
    if len(speeds_of(experiment.outcome)) == 1:  # the rise at one speed: the peak stays beside it
        found.append(_compared(measures, experiment, OUTCOMES["peak_rise"], "air and cooler", level))
    found.append(_compared(_idle_rows(idles), experiment, _IDLE, "heat left over", level))
    found += _times(measures, experiment, level)
    found.append(_power(measures, experiment, level))
    order = (*_GROUPS, "time to speed")
    return tuple(sorted((f for f in found if f), key=lambda f: order.index(f.group)))


def _compared(
    rows: pd.DataFrame,
    experiment: Experiment,
    outcome: Outcome,
    group: Group,
    level: float,
    *,
    shared_u: float = 0.0,
    extra: float = 0.0,
) -> SecondaryOutcome | None:
    """Compare one figure.

    ``shared_u`` is a relative uncertainty that both levels share, and their difference with them; ``extra`` a further
    standard uncertainty of the difference.
    """
    try:
        data = session_means(rows, experiment, outcome, with_left_out=False)
    except ComparisonError:
        return None  # not had in one of the phases; the findings say why
    data = replace(data, shared_u=shared_u or data.shared_u)
    lines = [BudgetLine("the factor's range", "B", extra, INFINITE)]
    covariates = covariates_of(data) if outcome.name in IN_COMMON_AIR else ()
    allowance = allowance_of(outcome, float(data.means.mean()))
    found = estimate_change(data, covariates=covariates, allowance=allowance, level=level, extra=lines)
    if not np.isfinite([found.low, found.high]).all():
        return None
    usual = float(data.means.mean())
    return SecondaryOutcome(
        group=group,
        name=outcome.name,
        label=outcome.label,
        unit=outcome.unit,
        before=found.before,
        after=found.after,
        change=found.change,
        low=found.low,
        high=found.high,
        standard_uncertainty=found.u,
        # An error of the estimated heating counts by what the cooler leaves of it: 1 - effectiveness.
        common_uncertainty=data.shared_u * abs(1 - usual if outcome.name == "effectiveness" else usual),
    )


def _idle_rows(idles: Sequence[tuple[str, Idle]]) -> pd.DataFrame:
    import pandas as pd

    columns = ["session", "kind", "number", "included", "left_out", "reason", "idle_climb"]
    rows = [(name, "idle", 1, True, False, "", idle.climb_k_per_min) for name, idle in idles]
    return pd.DataFrame(rows, columns=columns)


# --- time to speed -----------------------------------------------------------------------------------------------


def _times(measures: pd.DataFrame, experiment: Experiment, level: float) -> Iterator[SecondaryOutcome | None]:
    """Compare the times from mark to mark and over all as measured, and the latter in reference air."""
    marks = experiment.protocol.marks
    for low, high in dict.fromkeys([*pairwise(marks), (marks[0], marks[-1])]):
        yield _compared(measures, experiment, _elapsed(low, high), "time to speed", level)
    yield _in_reference_air(measures, experiment, level)


def _in_reference_air(measures: pd.DataFrame, experiment: Experiment, level: float) -> SecondaryOutcome | None:
    """Compare the longest time as it would be in reference air: time is proportional to one over power.

    A diesel engine's factor depends on its fuel rate, which is not known: anything its engine factor can be is taken as
    rectangular (JCGM 100:2008, 4.3.7), and both ends show what that leaves open.
    """
    outcome, ends = _elapsed(*_widest(experiment)), (engine_factor(0.0), engine_factor(100.0))
    middle = sum(ends) / 2
    valid = within_range(reference_factors(measures, experiment, engine=middle), fuel=experiment.vehicle.fuel)

    def corrected(engine: float, *, extra: float = 0.0) -> SecondaryOutcome | None:
        times = (measures[outcome.name] / reference_factors(measures, experiment, engine=engine)).where(valid)
        rows = measures.assign(**{outcome.name: times})
        return _compared(rows, experiment, outcome, "time to speed", level, extra=extra)

    low, high = (corrected(engine) for engine in ends)
    if low is None or high is None:
        return None
    found = corrected(middle, extra=abs(high.change - low.change) / np.sqrt(12))
    return found and replace(
        found,
        name=f"{outcome.name} {IN_REFERENCE_AIR}",
        label=f"{outcome.label}, {IN_REFERENCE_AIR}",
        common_uncertainty=float(abs(high.before - low.before) / np.sqrt(12)),
        applies=not is_boosted(measures),
    )


def _elapsed(low: float, high: float) -> Outcome:
    outcome = outcome_named(f"elapsed_s {low:g}-{high:g}")
    assert outcome is not None  # the marks rise
    return outcome


def _widest(experiment: Experiment) -> tuple[float, float]:
    marks = experiment.protocol.marks
    return marks[0], marks[-1]


def reference_factors(measures: pd.DataFrame, experiment: Experiment, *, engine: float) -> np.ndarray:
    """Return for each row the power factor to reference air (`pullbook.physics.reference_air`).

    Parameters
    ----------
    measures : pandas.DataFrame
        n rows.
    experiment : Experiment
        For the fuel.
    engine : float
        Engine factor of a diesel.

    Returns
    -------
    ndarray, shape (n,)
        Dimensionless; NaN where inlet temperature or pressure is not known.
    """
    return np.asarray(
        power_factor(
            fuel=experiment.vehicle.fuel,
            dry_kpa=measures["dry_pressure"].to_numpy(dtype=float),
            inlet_c=measures["inlet_at_peak"].to_numpy(dtype=float),
            turbocharged=is_boosted(measures),
            engine=engine,
        )
    )


def is_boosted(measures: pd.DataFrame) -> bool:
    """Say whether the engine is boosted by its manifold pressure under full load; one with a charge cooler is."""
    return not bool(measures["pressure_ratio"].mean() <= BOOSTED_RATIO)


def _power(measures: pd.DataFrame, experiment: Experiment, level: float) -> SecondaryOutcome | None:
    """Compare the power at the wheels, as a percentage of that before: the level would be a guess."""
    mass_kg = experiment.vehicle.mass_kg
    low, high = _widest(experiment)
    elapsed = measures[f"elapsed_s {low:g}-{high:g}"].to_numpy(dtype=float)
    if mass_kg is None or not np.isfinite(elapsed).any():
        return None
    found = wheel_power(
        mass_kg=mass_kg,
        from_kmh=low,
        to_kmh=high,
        elapsed_s=elapsed,
        air_density_kg_m3=air.humid_air_density_kg_m3(
            temperature_c=measures["inlet_at_peak"].to_numpy(dtype=float),
            pressure_kpa=measures["barometric"].to_numpy(dtype=float),
        ),
    )
    kw = np.asarray(found.kw)
    counted = measures["included"] & np.isfinite(kw)
    before = counted & (measures["phase"] == "before")
    if not before.any():
        return None
    share = float(np.mean((np.asarray(found.standard_uncertainty_kw) / kw)[counted]))
    rows = measures.assign(wheel_power=100 * kw / kw[before].mean())
    outcome = replace(_POWER, label=f"{_POWER.label}, {low:g} to {high:g} km/h")
    return _compared(rows, experiment, outcome, "time to speed", level, shared_u=share)
