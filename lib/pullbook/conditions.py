"""Was it like for like? The conditions of before and after side by side, each with a flag."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook import air
from pullbook.channels import STANDARD_PRESSURE_KPA
from pullbook.experiment import Experiment

if TYPE_CHECKING:
    import pandas as pd

# Air density of the road-load procedure of UN R83 / R101: within 7.5 % of 100 kPa and 293.2 K (1.188 kg/m3).
REFERENCE_DENSITY = 1.18817
DENSITY_SLACK = 0.075
WIND_LIMIT_MS = 3.0  # mean wind of the same procedure


@dataclass(frozen=True, kw_only=True)
class Condition:
    """One condition before and after.

    Parameters
    ----------
    name, unit : str
    before, after : float
        Mean of the sessions; NaN where it is not known.
    flagged : bool
    note : str
        Why it is flagged, or that it is not known.
    """

    name: str
    unit: str
    before: float
    after: float
    flagged: bool
    note: str


@dataclass(frozen=True)
class _Rule:
    name: str
    unit: str
    column: str
    limit: float
    relative: bool
    effect: str


# Limits: common practice, no source, but for those named above.
_RULES = (
    _Rule("inlet temperature at the peak", "°C", "inlet_at_peak", 5.0, False, "the correction carries the result"),
    _Rule("charge temperature at the start", "°C", "start_charge", 3.0, False, "one phase had more heat left over"),
    _Rule("peak coolant temperature", "°C", "peak_coolant", 5.0, False, "the engine was not equally warm"),
    _Rule("entry speed", "km/h", "start_speed", 3.0, False, "the pulls were not of equal length"),
    _Rule("exit speed", "km/h", "end_speed", 3.0, False, "the pulls were not of equal length"),
    _Rule("duration of a pull", "s", "duration", 0.10, True, "gear, load or grade may have differed"),
    _Rule("peak manifold pressure", "kPa", "peak_manifold_pressure", 0.03, True, "other boost, other temperature"),
)  # fmt: skip


def like_for_like(measures: pd.DataFrame, experiment: Experiment) -> tuple[Condition, ...]:
    """Set the conditions of before and after side by side.

    Parameters
    ----------
    measures : pandas.DataFrame
        A row a run with the columns ``session`` and ``phase``.
    experiment : Experiment
        For what each session says of the weather.
    """
    rows = measures[(measures["kind"] == "pull") & measures["included"].astype(bool)]
    means = rows.groupby(["phase", "session"], sort=False)[[r.column for r in _RULES]].mean()
    by_phase = means.groupby(level="phase").mean()
    found = [_judge(rule, by_phase) for rule in _RULES]
    return (*found, *_weather(experiment))


def _judge(rule: _Rule, by_phase: pd.DataFrame) -> Condition:
    before, after = (float(by_phase[rule.column].get(phase, np.nan)) for phase in ("before", "after"))
    if not np.isfinite([before, after]).all():
        return Condition(name=rule.name, unit=rule.unit, before=before, after=after, flagged=False, note="not logged")
    limit = rule.limit * abs(before) if rule.relative else rule.limit
    flagged = abs(after - before) > limit
    said = (
        f"differs by more than {rule.limit:.0%}"
        if rule.relative
        else f"differs by more than {rule.limit:g} {rule.unit}"
    )
    return Condition(
        name=rule.name,
        unit=rule.unit,
        before=before,
        after=after,
        flagged=flagged,
        note=f"{said}: {rule.effect}" if flagged else "",
    )


def _weather(experiment: Experiment) -> list[Condition]:
    def mean(phase: str, values: list[float | None]) -> float:
        known = [v for v in values if v is not None]
        return float(np.mean(known)) if known else float("nan")

    sides: dict[str, tuple[float, float, float, float]] = {}
    for phase in ("before", "after"):
        sessions = [s for s in experiment.sessions if s.phase == phase]
        ambient = mean(phase, [s.ambient_c for s in sessions])
        pressure = mean(phase, [s.pressure_hpa / 10 if s.pressure_hpa else None for s in sessions])
        wind = mean(phase, [s.wind_ms for s in sessions])
        density = float("nan")
        if np.isfinite(ambient):
            station = pressure if np.isfinite(pressure) else STANDARD_PRESSURE_KPA
            humidity = mean(phase, [s.humidity_pct for s in sessions])
            density = float(
                air.humid_air_density_kg_m3(
                    temperature_c=ambient,
                    pressure_kpa=station,
                    relative_humidity=0.5 if np.isnan(humidity) else humidity / 100,
                )
            )
        sides[phase] = (ambient, pressure, density, wind)
    (ta, pa, da, wa), (tb, pb, db, wb) = sides["before"], sides["after"]
    off = [phase for phase, d in (("before", da), ("after", db)) if abs(d / REFERENCE_DENSITY - 1) > DENSITY_SLACK]
    windy = [phase for phase, w in (("before", wa), ("after", wb)) if w > WIND_LIMIT_MS]
    return [
        _plain("air temperature in the shade", "°C", ta, tb, abs(tb - ta) > 5, "differs by more than 5 °C"),
        _plain("air pressure", "kPa", pa, pb, abs(pb - pa) > 1.5, "differs by more than 1.5 kPa: the boost may follow"),
        _plain(
            "air density", "kg/m³", da, db, bool(off),
            f"{' and '.join(off)} outside ±7.5 % of the reference air of road tests (UN R83: 100 kPa, 293.2 K)",
        ),
        _plain("wind", "m/s", wa, wb, bool(windy), f"{' and '.join(windy)} over 3 m/s: the road's direction matters"),
    ]  # fmt: skip


def _plain(name: str, unit: str, before: float, after: float, flagged: bool, note: str) -> Condition:
    known = bool(np.isfinite([before, after]).all())
    return Condition(
        name=name,
        unit=unit,
        before=before,
        after=after,
        flagged=flagged,
        note=note if flagged else "" if known else "not given",
    )
