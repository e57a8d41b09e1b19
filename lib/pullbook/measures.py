"""Measure each run: a row a run, a column a measure, units as in `pullbook.outcomes`.

A figure that cannot be had is NaN in the frame, and a finding says why.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from pullbook import air
from pullbook.channels import STANDARD_PRESSURE_KPA
from pullbook.errors import Finding
from pullbook.experiment import Protocol, Vehicle
from pullbook.logs import Log, Signal
from pullbook.runs import Run, Runs

if TYPE_CHECKING:
    import pandas as pd

SENSOR_LAG_S = 5.0  # a charge sensor shows its peak up to this long after the lift
MIN_RECOVERY_S = 15.0
MAX_RECOVERY_S = 90.0
MIN_RECOVERY_FALL_K = 3.0

PULL_MEASURES = (
    "peak_rise", "peak_charge", "inlet_at_peak", "start_charge", "peak_manifold_pressure", "hold_manifold_pressure",
    "time_to_boost", "peak_coolant", "peak_air_mass_flow", "recovery_time", "compressor_outlet", "effectiveness",
    "charge_density", "pressure_ratio", "duration",
)  # fmt: skip
STEPS = {
    "charge_step": "charge_air_temperature",
    "inlet_step": "intake_air_temperature",
    "coolant_step": "engine_coolant_temperature",
    "pressure_step": "intake_manifold_pressure",
    "flow_step": "air_mass_flow",
}
CRUISE_MEASURES = (
    "mean_speed", "mean_rise", "mean_charge", "mean_inlet", "mean_coolant", "mean_manifold_pressure",
    "mean_air_mass_flow",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What the session tells of the air outside, for logs that do not.

    Parameters
    ----------
    ambient_c : float or None
        Shade temperature.
    pressure_kpa : float or None
        Station pressure.
    humidity : float
        Relative humidity, 0 to 1.
    """

    ambient_c: float | None = None
    pressure_kpa: float | None = None
    humidity: float = 0.0


def measure(
    log: Log,
    runs: Runs,
    *,
    protocol: Protocol | None = None,
    vehicle: Vehicle | None = None,
    surroundings: Surroundings | None = None,
) -> pd.DataFrame:
    """Measure every run of a log, refused candidates too.

    Parameters
    ----------
    log : Log
    runs : Runs
        From `pullbook.runs.find_runs`.
    protocol : Protocol, optional
        For the speed marks between which times are taken.
    vehicle : Vehicle, optional
        For the compressor efficiency.
    surroundings : Surroundings, optional
        Outside temperature and pressure where the log has none.

    Returns
    -------
    pandas.DataFrame
        A row a run: kind, number, start_s, end_s, included, reason, start_speed, end_speed, the steps of the sensors
        and the measures; those of the other kind of run are NaN.
    """
    import pandas as pd

    outside = surroundings or Surroundings()
    marks = (protocol or Protocol()).marks
    efficiency = (vehicle or Vehicle()).compressor_efficiency
    rows: list[dict[str, object]] = []
    following = _next_starts(runs)
    steps = {name: signal.resolution for name, channel in STEPS.items() if (signal := log.get(channel))}
    for run in runs.pulls:
        rows.append(_facts(run) | steps | _pull(log, run, following[run.name], marks, efficiency, outside))
    for run in runs.cruises:
        rows.append(_facts(run) | steps | _cruise(log, run, outside))
    elapsed = [f"elapsed_s {a:g}-{b:g}" for a, b in combinations(marks, 2)]
    columns = [
        "kind", "number", "start_s", "end_s", "included", "reason", "left_out", "start_speed", "end_speed",
        *STEPS, *PULL_MEASURES, *CRUISE_MEASURES, *elapsed, *(f"{name} u" for name in elapsed),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def inlet_signal(log: Log) -> Signal | None:
    """Return the signal that gives the temperature of the air going in: before the compressor, else outside."""
    return log.get("intake_air_temperature") or log.get("ambient_air_temperature")


def missing_measures(frame: pd.DataFrame, log: Log) -> tuple[Finding, ...]:
    """Say which figures the included runs of a log lack, and why: one finding a reason."""
    lacking: dict[tuple[str, str], list[str]] = {}
    for kind, names in (("pull", PULL_MEASURES), ("cruise", CRUISE_MEASURES)):
        part = frame[(frame["kind"] == kind) & frame["included"].astype(bool)]
        for name in names:
            numbers = part.loc[part[name].isna(), "number"].tolist()
            if numbers:
                which = f"any {kind}" if len(numbers) == len(part) else f"{kind} {', '.join(map(str, numbers))}"
                lacking.setdefault((which, _why(name, log)), []).append(name)
    return tuple(
        Finding(
            code="measure-missing",
            severity="note",
            message=f"{', '.join(names)} could not be had for {which}: {why}.",
            evidence={"measures": names, "runs": which},
        )
        for (which, why), names in lacking.items()
    )


_NEEDS: dict[str, tuple[str, ...]] = {
    "peak_rise": ("charge_air_temperature", "intake_air_temperature"),
    "inlet_at_peak": ("charge_air_temperature", "intake_air_temperature"),
    "peak_charge": ("charge_air_temperature",),
    "start_charge": ("charge_air_temperature",),
    "recovery_time": ("charge_air_temperature",),
    "peak_manifold_pressure": ("intake_manifold_pressure",),
    "hold_manifold_pressure": ("intake_manifold_pressure",),
    "time_to_boost": ("intake_manifold_pressure",),
    "peak_coolant": ("engine_coolant_temperature",),
    "mean_coolant": ("engine_coolant_temperature",),
    "peak_air_mass_flow": ("air_mass_flow",),
    "mean_air_mass_flow": ("air_mass_flow",),
    "compressor_outlet": ("intake_manifold_pressure", "intake_air_temperature"),
    "effectiveness": ("charge_air_temperature", "intake_manifold_pressure", "intake_air_temperature"),
    "pressure_ratio": ("intake_manifold_pressure",),
    "charge_density": ("charge_air_temperature", "intake_manifold_pressure"),
    "mean_rise": ("charge_air_temperature", "intake_air_temperature"),
    "mean_charge": ("charge_air_temperature",),
    "mean_inlet": ("intake_air_temperature",),
    "mean_manifold_pressure": ("intake_manifold_pressure",),
}


def _why(name: str, log: Log) -> str:
    absent = [c.replace("_", " ") for c in _NEEDS.get(name, ()) if log.get(c) is None]
    if absent:
        return f"the log holds no {' and no '.join(absent)}"
    if name == "recovery_time":
        return f"it needs the charge to fall for {MIN_RECOVERY_S:.0f} s and {MIN_RECOVERY_FALL_K:.0f} K after the pull"
    if name == "time_to_boost":
        return "the pressure did not rise from a lower level"
    return "its signal has a gap there or was not refreshed"


def _facts(run: Run) -> dict[str, object]:
    return {
        "kind": run.kind,
        "number": run.number,
        "start_s": run.start_s,
        "end_s": run.end_s,
        "included": run.included,
        "reason": run.reason,
        "left_out": run.left_out,
        "start_speed": run.start_kmh,
        "end_speed": run.end_kmh,
    }


def _next_starts(runs: Runs) -> dict[str, float]:
    """Tell when the next pull of any kind starts, after each pull."""
    starts = [run.start_s for run in runs.pulls] + [np.inf]
    return {run.name: starts[k + 1] for k, run in enumerate(runs.pulls)}


# --- a pull ------------------------------------------------------------------------------------------------------


def _pull(
    log: Log, run: Run, next_start_s: float, marks: Iterable[float], efficiency: float, outside: Surroundings
) -> dict[str, float]:
    figures = {"duration": run.end_s - run.start_s}
    charge = log.get("charge_air_temperature")
    if charge is not None:
        figures |= _charge(log, charge, run, next_start_s, outside)
    pressure = log.get("intake_manifold_pressure")
    if pressure is not None:
        figures |= _boost(pressure, run)
    for channel, name in (
        ("engine_coolant_temperature", "peak_coolant"),
        ("air_mass_flow", "peak_air_mass_flow"),
    ):
        signal = log.get(channel)
        if signal is not None:
            figures[name] = _largest(signal, run.start_s, run.end_s)
    figures |= _cooler(log, run, figures, efficiency, outside)
    speed = log.need("vehicle_speed")
    for low, high in combinations(marks, 2):
        time, uncertainty = elapsed(speed, run, low, high)
        figures[f"elapsed_s {low:g}-{high:g}"] = time
        figures[f"elapsed_s {low:g}-{high:g} u"] = uncertainty
    return figures


def _largest(signal: Signal, start_s: float, end_s: float) -> float:
    times, values = signal.within(start_s, end_s)
    if not values.size or _has_gap(signal, times, start_s, end_s):
        return float("nan")
    return float(values.max())


def _has_gap(signal: Signal, times: np.ndarray, start_s: float, end_s: float) -> bool:
    return bool(np.diff(np.concatenate([[start_s], times, [end_s]])).max() > signal.max_gap_s)


def _charge(log: Log, charge: Signal, run: Run, next_start_s: float, outside: Surroundings) -> dict[str, float]:
    end = min(run.end_s + SENSOR_LAG_S, next_start_s)
    times, values = charge.within(run.start_s, end)
    if not values.size or _has_gap(charge, times, run.start_s, min(end, float(charge.time_s[-1]))):
        return {}
    peak = float(values.max())
    at_peak = times[values == peak]
    inlet = inlet_signal(log)
    if inlet is not None:
        found = inlet.at(at_peak)
        inlet_c = float(np.nanmean(found)) if np.isfinite(found).any() else float("nan")
    else:
        inlet_c = outside.ambient_c if outside.ambient_c is not None else float("nan")
    return {
        "peak_charge": peak,
        "inlet_at_peak": inlet_c,
        "peak_rise": peak - inlet_c,
        "start_charge": float(charge.at(run.start_s)[0]),
        "recovery_time": _recovery_time(charge, float(at_peak[-1]), min(next_start_s, at_peak[-1] + MAX_RECOVERY_S)),
    }


def _recovery_time(charge: Signal, start_s: float, end_s: float) -> float:
    """Fit a first-order decay after the peak; NaN when the window is too short to tell its end from its slope."""
    times, values = charge.within(start_s, end_s)
    if times.size < 6 or times[-1] - times[0] < MIN_RECOVERY_S or values[0] - values.min() < MIN_RECOVERY_FALL_K:
        return float("nan")
    # The next disturbance ends the decay: keep the part until the lowest value.
    stop = int(np.argmin(values)) + 1
    times, values = times[:stop] - times[0], values[:stop]
    if times.size < 6 or times[-1] < MIN_RECOVERY_S:
        return float("nan")
    # For a given time constant the level and the fall are linear: one search in one unknown.
    taus = np.geomspace(1.0, 300.0, 120)
    best = int(np.argmin(_decay_misfit(times, values, taus)))
    tau = float(taus[best])
    return tau if 0 < best < len(taus) - 1 and tau <= times[-1] else float("nan")


def _decay_misfit(times: np.ndarray, values: np.ndarray, taus: np.ndarray) -> np.ndarray:
    """Return the sum of squares that the best level and fall leave, for each time constant."""
    decay = np.exp(-times / taus[:, None])
    decay -= decay.mean(axis=1, keepdims=True)
    about = values - values.mean()
    explained = (decay @ about) ** 2 / np.sum(decay**2, axis=1)
    misfit: np.ndarray = about @ about - explained
    return misfit


def _boost(pressure: Signal, run: Run) -> dict[str, float]:
    times, values = pressure.within(run.start_s, run.end_s)
    if values.size < 3 or _has_gap(pressure, times, run.start_s, run.end_s):
        return {}
    peak = float(values.max())
    low = min(float(values[0]), float(np.nan_to_num(pressure.at(run.start_s)[0], nan=values[0])))
    target = low + 0.9 * (peak - low)
    held = values[values >= target]
    figures = {"peak_manifold_pressure": peak, "hold_manifold_pressure": float(held.mean())}
    if peak - low > 20:
        reached = int(np.argmax(values >= target))
        t1, v1 = times[reached], values[reached]
        before = times < t1
        t0, v0 = (times[before][-1], values[before][-1]) if before.any() else (run.start_s, low)
        crossing = t0 + (t1 - t0) * (target - v0) / (v1 - v0) if v1 > v0 else t1
        figures["time_to_boost"] = float(max(0.0, crossing - run.start_s))
    return figures


def _cooler(
    log: Log, run: Run, figures: dict[str, float], efficiency: float, outside: Surroundings
) -> dict[str, float]:
    held = figures.get("hold_manifold_pressure", float("nan"))
    inlet_c = figures.get("inlet_at_peak", float("nan"))
    peak = figures.get("peak_charge", float("nan"))
    measured = log.get("compressor_outlet_temperature")
    ratio = held / barometric_kpa(log, outside)
    found = {"pressure_ratio": ratio}
    if measured is not None:
        outlet_c = _largest(measured, run.start_s, run.end_s)
    else:
        outlet_c = float(air.compressor_outlet_c(inlet_c=inlet_c, pressure_ratio=ratio, efficiency=efficiency))
    found["compressor_outlet"] = outlet_c
    found["effectiveness"] = float(
        air.cooler_effectiveness(compressor_outlet_c=outlet_c, charge_c=peak, cooling_air_c=inlet_c)
    )
    found["charge_density"] = float(air.charge_density_kg_m3(charge_c=peak, manifold_kpa=held))
    return found


def barometric_kpa(log: Log, outside: Surroundings) -> float:
    """Return the outside pressure: from the log, else the session, else the standard atmosphere."""
    barometer = log.get("barometric_pressure")
    if barometer is not None:
        return float(np.median(barometer.values))
    return outside.pressure_kpa if outside.pressure_kpa is not None else STANDARD_PRESSURE_KPA


def elapsed(speed: Signal, run: Run, low_kmh: float, high_kmh: float) -> tuple[float, float]:
    """Time between two speeds inside a pull, with its standard uncertainty.

    The crossing is interpolated between refreshes. The speed step leaves ``step / sqrt(12)`` (rectangular, JCGM
    100:2008, 4.3.7) at each crossing, turned into time by the slope there. A straight line between two refreshes misses
    a curve by at most an eighth of the change of slope times the spacing; that bound is taken as rectangular too.

    Returns
    -------
    seconds, standard_uncertainty : float
        NaN when a speed is not crossed or a gap lies there.
    """
    first, u_first = _crossing(speed, run, low_kmh)
    last, u_last = _crossing(speed, run, high_kmh)
    return last - first, float(np.hypot(u_first, u_last))


def _crossing(speed: Signal, run: Run, kmh: float) -> tuple[float, float]:
    slack = 1.5 * speed.period_s
    times, values = speed.within(run.start_s - slack, run.end_s + slack)
    above = np.flatnonzero((values[1:] >= kmh) & (values[:-1] < kmh))
    if not above.size:
        return float("nan"), float("nan")
    k = int(above[0])
    if times[k + 1] - times[k] > speed.max_gap_s:
        return float("nan"), float("nan")
    slopes = np.diff(values) / np.diff(times)
    bend = float(np.abs(np.diff(slopes[max(0, k - 1) : k + 2])).max(initial=0.0))
    sampling = bend * (times[k + 1] - times[k]) / 8 / np.sqrt(3)
    uncertainty = np.hypot(speed.resolution / np.sqrt(12), sampling) / slopes[k]
    return float(times[k] + (kmh - values[k]) / slopes[k]), float(uncertainty)


# --- a cruise ----------------------------------------------------------------------------------------------------


def _cruise(log: Log, run: Run, outside: Surroundings) -> dict[str, float]:
    figures: dict[str, float] = {}
    for name, signal in (
        ("mean_speed", log.get("vehicle_speed")),
        ("mean_charge", log.get("charge_air_temperature")),
        ("mean_inlet", inlet_signal(log)),
        ("mean_coolant", log.get("engine_coolant_temperature")),
        ("mean_manifold_pressure", log.get("intake_manifold_pressure")),
        ("mean_air_mass_flow", log.get("air_mass_flow")),
    ):
        if signal is None:
            continue
        _, values = signal.within(run.start_s, run.end_s)
        if values.size:
            figures[name] = float(values.mean())
    if "mean_inlet" not in figures and outside.ambient_c is not None:
        figures["mean_inlet"] = outside.ambient_c
    figures["mean_rise"] = figures.get("mean_charge", np.nan) - figures.get("mean_inlet", np.nan)
    return figures
