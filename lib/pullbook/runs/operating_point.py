"""Boost and air flow at one engine speed that every pull passes, so that pulls of different length compare."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pullbook.physics.air import KELVIN
from pullbook.reading.logs import Log, Signal
from pullbook.runs.find import Run, Runs

STEP_RPM = 100.0
STEP_KPA = 10.0
CHARGE_C = 40.0  # air flow is given for this charge temperature


@dataclass(frozen=True, kw_only=True)
class OperatingPoint:
    """An engine speed that pulls pass under full load, and the usual manifold pressure there.

    Attributes
    ----------
    engine_rpm : float
        [1/min]
    manifold_kpa : float
        Absolute [kPa].
    """

    engine_rpm: float
    manifold_kpa: float


def operating_point(logs_and_runs: Iterable[tuple[Log, Runs]]) -> OperatingPoint | None:
    """Choose the point in the middle of the range that all pulls that count pass through.

    Parameters
    ----------
    logs_and_runs : iterable of (Log, Runs)
        Of all sessions, so that before and after are measured at the same point.

    Returns
    -------
    OperatingPoint or None
        None where engine speed or manifold pressure is not logged.
    """
    pulls = [
        (rpm, pressure, run)
        for log, runs in logs_and_runs
        if (rpm := log.get("engine_speed")) and (pressure := log.get("intake_manifold_pressure"))
        for run in runs.pulls
        if run.included
    ]
    ends = np.array([rpm.at(np.array([run.start_s, run.end_s])) for rpm, _, run in pulls])
    if not np.isfinite(ends).any():
        return None
    middle = STEP_RPM * round(float(np.nanmedian(ends.mean(axis=1))) / STEP_RPM)
    found = np.array([pressure.at(passing_time_s(rpm, run, middle))[0] for rpm, pressure, run in pulls])
    if not np.isfinite(found).any():
        return None
    return OperatingPoint(engine_rpm=middle, manifold_kpa=STEP_KPA * round(float(np.nanmedian(found)) / STEP_KPA))


def passing_time_s(engine_speed: Signal, run: Run, rpm: float) -> float:
    """Return when a pull last rises through an engine speed (in its highest gear).

    Parameters
    ----------
    engine_speed : Signal
    run : Run
    rpm : float
        Engine speed to pass [1/min].

    Returns
    -------
    float
        Seconds since the log's first stamp; NaN if the pull does not pass it, or a gap lies there.
    """
    times, values = engine_speed.within(run.start_s, run.end_s)
    rising = np.flatnonzero((values[1:] >= rpm) & (values[:-1] < rpm))
    if not rising.size or times[rising[-1] + 1] - times[rising[-1]] > engine_speed.max_gap_s:
        return float("nan")
    k = int(rising[-1])
    return float(np.interp(rpm, values[k : k + 2], times[k : k + 2]))


def at_point(log: Log, run: Run, point: OperatingPoint) -> dict[str, float]:
    """Measure the boost, and the air flow brought to the point's pressure and 40 °C of charge, at the point.

    Parameters
    ----------
    log : Log
    run : Run
        A pull.
    point : OperatingPoint
        The same for all sessions.

    Returns
    -------
    dict of str to float
        ``pressure_at_speed`` [kPa absolute] and, with an air-flow and a charge sensor, ``flow_at_point`` [g/s]; NaN
        where the pull does not pass the point. Empty without engine speed or manifold pressure.

    Notes
    -----
    A four-stroke engine at one speed takes in air in proportion to the density of its charge, ``p / T`` (ideal gas
    law): what differs after that is its breathing, a leak or the sensor.
    """
    rpm, pressure = log.get("engine_speed"), log.get("intake_manifold_pressure")
    if rpm is None or pressure is None:
        return {}
    moment = passing_time_s(rpm, run, point.engine_rpm)
    found = {"pressure_at_speed": float(pressure.at(moment)[0])}
    flow, charge = log.get("air_mass_flow"), log.get("charge_air_temperature")
    if flow is not None and charge is not None:
        density = (
            point.manifold_kpa / found["pressure_at_speed"] * (charge.at(moment)[0] + KELVIN) / (CHARGE_C + KELVIN)
        )
        found["flow_at_point"] = float(flow.at(moment)[0] * density)
    return found
