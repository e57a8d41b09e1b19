"""Measure each run: one row a run, one column a measure, units as in `pullbook.settings.outcomes`.

A figure that cannot be calculated is NaN in the frame, and a finding says why.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from pullbook.errors import Finding
from pullbook.physics import air
from pullbook.physics.reference_air import dry_pressure_kpa
from pullbook.reading.logs import Log, Signal
from pullbook.runs.columns import AT_SPEED, CRUISE_MEASURES, NEEDS, PULL_MEASURES, STEPS, columns_of, unit_of
from pullbook.runs.find import LAG_S, LAUNCH_S, STANDING_SHOWN_KMH, Run, Runs, leaving_s
from pullbook.runs.gears import gear_at, gear_of_cruise, mean_ratio
from pullbook.runs.heat_soak import MIN_RECOVERY_FALL_K, MIN_RECOVERY_S, recovery
from pullbook.runs.operating_point import OperatingPoint, at_point
from pullbook.settings.experiment import Protocol, Vehicle
from pullbook.settings.outcomes import OUTCOMES, speed_of, speeds_of
from pullbook.statistics.uncertainty import step_uncertainty
from pullbook.text import sentence_case

if TYPE_CHECKING:
    import pandas as pd

CHANNEL_ABSENT = "channel-absent"
INLET_CHANNELS = ("intake_air_temperature", "ambient_air_temperature")
NO_REFERENCE = "none"  # the sessions have no inlet temperature in common
NOTED = "noted"  # the temperature that somebody wrote down is used as the inlet's
SENSOR_LAG_S = 5.0  # a charge sensor shows its peak up to this long after the lift
MAX_RECOVERY_S = 90.0
LEAST_SPAN_KMH = 4.0  # less speed gained than that says nothing of the rest
END_SHARE = 0.35  # of a pull, from which its last climb is read
MIDDLE_HUMIDITY = 0.5  # where nobody noted it: from 0 to 1 the vapour is 2 kPa at 20 °C
# Pressure lost at full load before the compressor and in the cooler, which no sensor of a car shows: usual figures with
# their standard uncertainty, from memory.
INLET_LOSS_KPA, INLET_LOSS_U_KPA = 4.0, 2.0
COOLER_LOSS_KPA, COOLER_LOSS_U_KPA = 8.0, 4.0


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """The air outside as the session notes it, for logs that lack it.

    Attributes
    ----------
    ambient_c : float or None
        Shade temperature [°C].
    inlet : str or None
        Where the inlet temperature comes from (`common_inlet`); None for the best that this log has.
    pressure_kpa : float or None
        Station pressure [kPa].
    humidity : float or None
        Relative humidity, 0 to 1.
    """

    ambient_c: float | None = None
    inlet: str | None = None
    pressure_kpa: float | None = None
    humidity: float | None = None


def measure(
    log: Log,
    runs: Runs,
    *,
    protocol: Protocol | None = None,
    vehicle: Vehicle | None = None,
    surroundings: Surroundings | None = None,
    point: OperatingPoint | None = None,
    outcome: str = "peak_rise",
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
    point : OperatingPoint, optional
        The engine speed at which boost and air flow are taken, the same for all sessions.
    outcome : str
        What is asked about: the gear is read at its moment, and `rise_at` taken where it names a speed.

    Returns
    -------
    pandas.DataFrame
        A row a run: kind, number, start_s, end_s, included, reason, left_out, marked (why it was marked by hand),
        start_speed, end_speed [km/h], the steps of the sensors and the measures; those of the other kind of run are
        NaN. ``attrs["units"]`` holds the unit of each.

    Raises
    ------
    LogError
        When there is a pull but no vehicle speed.
    """
    import pandas as pd

    outside = surroundings or Surroundings()
    marks = (protocol or Protocol()).marks
    efficiency = (vehicle or Vehicle()).compressor_efficiency
    at_kmh = speed_of(outcome)
    span_kmh = _span(outcome, protocol or Protocol())
    rows: list[dict[str, object]] = []
    following = _next_starts(runs)
    steps = {name: signal.resolution for name, channel in STEPS.items() if (signal := log.get(channel))}
    if inlet := inlet_signal(log, outside.inlet):
        steps["inlet_step"] = inlet.resolution
    for run in runs.pulls:
        figures = _pull(log, run, following[run.name], marks, efficiency, outside) | _gear(log, run, span_kmh)
        if at_kmh is not None:
            figures[outcome], figures[f"{outcome}_u"] = rise_at(log, run, at_kmh, outside)
            figures[f"{outcome}_s"], figures[f"{outcome}_climb"] = way_to(log, run, at_kmh)
        rows.append(run_facts(run) | steps | figures | (at_point(log, run, point) if point else {}))
    for row, rest in zip(rows, _rests(runs), strict=True):
        row["rest_before"] = rest
    cruises: list[dict[str, Any]] = [run_facts(run) | steps | _cruise(log, run, outside) for run in runs.cruises]
    rows += [cruise | {"soak_rise": rise} for cruise, rise in zip(cruises, _soak_rises(cruises, runs), strict=True)]
    elapsed = [f"elapsed_s {a:g}-{b:g}" for a, b in combinations(marks, 2)]
    at_speed = [f"{outcome}{end}" for end in AT_SPEED if at_kmh is not None]
    more = [*elapsed, *(f"{name}_u" for name in elapsed), *at_speed]
    frame = pd.DataFrame(rows, columns=columns_of(more)).astype({"included": bool, "left_out": bool})
    frame.attrs["units"] = {name: unit for name in columns_of(more) if (unit := unit_of(name))}
    return frame


def inlet_signal(log: Log, source: str | None = None) -> Signal | None:
    """Return the signal that gives the temperature of the air going in.

    Parameters
    ----------
    log : Log
    source : str, optional
        From `common_inlet`; by default before the compressor, else outside.

    Returns
    -------
    Signal or None
        [°C]; None where the log does not hold it.
    """
    if source is None:
        return log.get(INLET_CHANNELS[0]) or log.get(INLET_CHANNELS[1])
    return log.get(source)


def common_inlet(logs: Sequence[Log], noted_c: Sequence[float | None]) -> str:
    """Choose one reference for the air going in, the same in all sessions: a sensor in the engine bay reads warmer.

    Parameters
    ----------
    logs : sequence of Log
        Of all sessions.
    noted_c : sequence of float or None
        ``ambient_c`` of each session [°C].

    Returns
    -------
    str
        A channel that every log holds, `NOTED` where every session gives ``ambient_c``, or `NO_REFERENCE`.
    """
    for channel in INLET_CHANNELS:
        if all(channel in log.sources for log in logs):
            return channel
    return NOTED if all(noted is not None for noted in noted_c) else NO_REFERENCE


def missing_measures(frame: pd.DataFrame, log: Log, outcome: str = "peak_rise") -> tuple[Finding, ...]:
    """Say which figures the included runs of a log lack, and why: one finding a reason.

    Those of channels that the log does not hold stand together in one finding, `CHANNEL_ABSENT`, but for the outcome.

    Parameters
    ----------
    frame : pandas.DataFrame
        From `measure`.
    log : Log
        The same.
    outcome : str
        What is asked about.
    """
    lacking: dict[tuple[str, str], list[str]] = {}
    unlogged: dict[str, list[str]] = {}
    for kind, names in (("pull", PULL_MEASURES), ("cruise", CRUISE_MEASURES)):
        part = frame.loc[(frame["kind"] == kind) & frame["included"], ["number", *names]]
        number, absent = part["number"].to_numpy(), part.isna().to_numpy()  # all at once: taking columns out is slow
        for name, where in zip(part.columns, absent.T, strict=True):
            if not where.any() or name.endswith("_u"):
                continue
            if (absent_channels := _absent(name, log)) and name != outcome:
                unlogged[name] = absent_channels
            else:
                numbers = number[where].tolist()
                which = f"any {kind}" if len(numbers) == len(part) else f"{kind} {', '.join(map(str, numbers))}"
                lacking.setdefault((which, _why(name, log)), []).append(name)
    told = [
        Finding(
            code="measure-missing",
            severity="note",
            message=f"Not calculated for {which}: {', '.join(map(_named, names))}. Reason: {why}.",
            evidence={"measures": names, "runs": which},
        )
        for (which, why), names in lacking.items()
    ]
    if unlogged:
        channels = list(dict.fromkeys(channel for absent in unlogged.values() for channel in absent))
        told.append(
            Finding(
                code=CHANNEL_ABSENT,
                severity="note",
                message=f"{_none_of(channels)} in this log, so not calculated: {', '.join(map(_named, unlogged))}.",
                evidence={"channels": channels, "measures": list(unlogged)},
            )
        )
    return tuple(told)


def _none_of(channels: Iterable[str]) -> str:
    return sentence_case(" and ".join(f"no {channel.replace('_', ' ')}" for channel in channels))


def _named(name: str) -> str:
    """Return a measure in words, and as experiment.yaml and results.json call it."""
    return f"{OUTCOMES[name].label if name in OUTCOMES else name.replace('_', ' ')} ({name})"


def _absent(name: str, log: Log) -> list[str]:
    """Return the channels that a measure needs and a log does not hold."""
    return [channel for channel in NEEDS.get(name, ()) if log.get(channel) is None]


def _why(name: str, log: Log) -> str:
    if absent := _absent(name, log):
        return f"{_none_of(absent).lower()} in this log"
    if name == "rest_before":
        return "no pull came before it"
    if name == "recovery_time":
        return f"it needs the charge to fall for {MIN_RECOVERY_S:.0f} s and {MIN_RECOVERY_FALL_K:.0f} K after the pull"
    if name == "time_to_boost":
        return "the pressure did not rise during the pull"
    if name in ("pressure_at_speed", "flow_at_point"):
        return "the engine did not pass the speed that all pulls share, or a signal has a gap there"
    if name.startswith("gear_"):
        return "engine and wheels did not turn in step, as with a slipping converter"
    if name == "soak_rise":
        return "it needs a cruise before the first pull and one after the last"
    return "the signal has a gap there, or was not refreshed"


def run_facts(run: Run) -> dict[str, object]:
    """Return what the table of runs says of a run itself, before anything is measured."""
    return {
        "kind": run.kind,
        "number": run.number,
        "start_s": run.start_s,
        "end_s": run.end_s,
        "included": run.included,
        "reason": run.reason,
        "left_out": run.left_out,
        "marked": run.marked or None,
        "start_speed": run.start_kmh,
        "end_speed": run.end_kmh,
    }


def _rests(runs: Runs) -> list[float]:
    """Return the time between the end of the pull before and each pull, refused ones counted; NaN before the first."""
    ends = [run.end_s for run in runs.pulls]
    return [run.start_s - end for run, end in zip(runs.pulls, [np.nan, *ends], strict=False)]


def _next_starts(runs: Runs) -> dict[str, float]:
    """Return when the next pull of any kind starts, after each pull."""
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
    figures["heading"] = _heading_deg(log, run)
    speed = log.need("vehicle_speed")
    for low, high in combinations(marks, 2):
        time, uncertainty = elapsed(speed, run, low, high)
        figures[f"elapsed_s {low:g}-{high:g}"] = time
        figures[f"elapsed_s {low:g}-{high:g}_u"] = uncertainty
    return figures


def _largest(signal: Signal, start_s: float, end_s: float) -> float:
    times, values = signal.within(start_s, end_s)
    if not values.size or _has_gap(signal, times, start_s, end_s):
        return float("nan")
    return float(values.max())


def _has_gap(signal: Signal, times: np.ndarray, start_s: float, end_s: float) -> bool:
    return bool(np.diff(np.concatenate([[start_s], times, [end_s]])).max() > signal.max_gap_s)


def noted_c(outside: Surroundings) -> float:
    """Return the noted temperature [°C] where it may serve as the inlet's, else NaN."""
    allowed = outside.inlet in (None, NOTED) and outside.ambient_c is not None
    return float(outside.ambient_c) if allowed and outside.ambient_c is not None else float("nan")


def _charge(log: Log, charge: Signal, run: Run, next_start_s: float, outside: Surroundings) -> dict[str, float]:
    end = min(run.end_s + SENSOR_LAG_S, next_start_s)
    times, values = charge.within(run.start_s, end)
    if not values.size or _has_gap(charge, times, run.start_s, min(end, float(charge.time_s[-1]))):
        return {}
    peak = float(values.max())
    at_peak = times[values == peak]
    inlet = inlet_signal(log, outside.inlet)
    if inlet is not None:
        found = inlet.at(at_peak)
        inlet_c = float(np.nanmean(found)) if np.isfinite(found).any() else float("nan")
    else:
        inlet_c = noted_c(outside)
    start = float(charge.at(run.start_s)[0])
    inlet_at_start = float(inlet.at(run.start_s)[0]) if inlet is not None else inlet_c
    climb, pace = _end(log, charge, run)
    tau, tau_u = recovery(charge, start_s=float(at_peak[-1]), end_s=min(next_start_s, at_peak[-1] + MAX_RECOVERY_S))
    return {
        "peak_charge": peak,
        "inlet_at_peak": inlet_c,
        "peak_rise": peak - inlet_c,
        "start_charge": start,
        "start_rise": start - inlet_at_start,
        "end_climb": climb,
        "end_pace": pace,
        "recovery_time": tau,
        "recovery_time_u": tau_u,
    }


def _end(log: Log, charge: Signal, run: Run) -> tuple[float, float]:
    """Return how a pull ends: the charge still climbs by so many K, and it takes so many seconds, per km/h more."""
    times, values = charge.within(run.end_s - END_SHARE * (run.end_s - run.start_s), run.end_s)
    kmh = log.need("vehicle_speed").at(times) if times.size else times
    known = np.isfinite(kmh)
    if known.sum() < 3 or float(np.ptp(kmh[known])) < LEAST_SPAN_KMH:
        return float("nan"), float("nan")
    x = kmh[known] - kmh[known].mean()
    return float(np.polyfit(x, values[known], 1)[0]), float(np.polyfit(x, times[known], 1)[0])


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
    """Compressor outlet, measured or else estimated, and what follows from it for the cooler and the charge."""
    held = figures.get("hold_manifold_pressure", np.nan)
    inlet_c = figures.get("inlet_at_peak", np.nan)
    peak = figures.get("peak_charge", np.nan)
    barometric = barometric_kpa(log, outside)
    charge_step, inlet_step, pressure_step = (
        signal.resolution if signal else 0.0
        for signal in (
            log.get("charge_air_temperature"),
            inlet_signal(log, outside.inlet),
            log.get("intake_manifold_pressure"),
        )
    )
    measured = log.get("compressor_outlet_temperature")
    if measured is not None:
        outlet_c, outlet_u = _largest(measured, run.start_s, run.end_s), step_uncertainty(measured.resolution)
    else:
        outlet_c, outlet_u = _estimated_outlet(inlet_c, held, barometric, efficiency)
    span = outlet_c - inlet_c
    cooling = {"compressor_outlet_c": outlet_c, "charge_c": peak, "cooling_air_c": inlet_c}
    flow = figures.get("peak_air_mass_flow", np.nan)
    return {
        "pressure_ratio": held / barometric,
        "barometric": barometric,
        "dry_pressure": dry_kpa(barometric, outside, inlet_c),
        "outlet_estimated": float(measured is None),
        "compressor_outlet": outlet_c,
        "compressor_outlet_u": outlet_u,
        "effectiveness": float(air.cooler_effectiveness(**cooling)),
        "effectiveness_u": float(
            air.cooler_effectiveness_uncertainty(
                **cooling,
                compressor_outlet_u_k=outlet_u,
                charge_u_k=step_uncertainty(charge_step),
                cooling_air_u_k=step_uncertainty(inlet_step),
            )
        ),
        "effectiveness_step": float(np.hypot(charge_step, inlet_step) / span),
        "charge_density": float(air.charge_density_kg_m3(charge_c=peak, manifold_kpa=held)),
        "density_step": float(
            air.charge_density_kg_m3(charge_c=peak, manifold_kpa=held)
            * np.hypot(charge_step / (peak + air.KELVIN), pressure_step / held)
        ),
        "heat_rejected": float(
            air.heat_rejected_kw(air_mass_flow_g_s=flow, compressor_outlet_c=outlet_c, charge_c=peak)
        ),
    }


def dry_kpa(barometric: float, outside: Surroundings, inlet_c: float) -> float:
    """Return the pressure of the dry air outside [kPa], its temperature as noted, else the inlet's."""
    return dry_pressure_kpa(
        pressure_kpa=barometric,
        temperature_c=outside.ambient_c if outside.ambient_c is not None else inlet_c,
        relative_humidity=MIDDLE_HUMIDITY if outside.humidity is None else outside.humidity,
    )


def _estimated_outlet(inlet_c: float, held_kpa: float, barometric: float, efficiency: float) -> tuple[float, float]:
    """Estimate the compressor's outlet temperature [°C] and its standard uncertainty [K]."""
    before, behind = barometric - INLET_LOSS_KPA, held_kpa + COOLER_LOSS_KPA
    ratio = behind / before
    case = {"inlet_c": inlet_c, "pressure_ratio": ratio, "efficiency": efficiency}
    ratio_u = ratio * np.hypot(INLET_LOSS_U_KPA / before, COOLER_LOSS_U_KPA / behind)
    return (
        float(air.compressor_outlet_c(**case)),
        float(air.compressor_outlet_uncertainty_k(**case, pressure_ratio_u=ratio_u)),
    )


def _heading_deg(log: Log, run: Run) -> float:
    """Return the compass direction of a pull from its start to its end [°], NaN without a position."""
    latitude, longitude = log.get("latitude"), log.get("longitude")
    if latitude is None or longitude is None:
        return float("nan")
    ends = np.array([run.start_s, run.end_s])
    (south, north), (west, east) = latitude.at(ends), longitude.at(ends)
    # A pull is short: the earth is flat over it, and a degree of longitude shrinks with the latitude.
    eastward = (east - west) * np.cos(np.radians((south + north) / 2))
    return float(np.degrees(np.arctan2(eastward, north - south)) % 360)


def barometric_kpa(log: Log, outside: Surroundings) -> float:
    """Return the outside pressure [kPa]: the log's own, else the session's, else what the log was read with."""
    given = outside.pressure_kpa if log.get("barometric_pressure") is None else None
    return log.outside_kpa if given is None else given


def _span(outcome: str, protocol: Protocol) -> tuple[float, float]:
    """Return the road speeds over which the gears of pulls have to be alike [km/h], the outcome's moment last."""
    match speeds_of(outcome):
        case (low, high):
            return low, high
        case (moment,):
            return protocol.pull_from_kmh, moment
        case _:
            return protocol.pull_from_kmh, protocol.pull_to_kmh


def _gear(log: Log, run: Run, span_kmh: tuple[float, float]) -> dict[str, float]:
    """Read the gear at the outcome's moment, and the mean ratio over the speeds that lead to it."""
    low, high = span_kmh
    passed, _ = _crossing(log.need("vehicle_speed"), run, high)
    end_s = run.end_s if np.isnan(passed) else min(run.end_s, passed)
    gear = gear_at(log, start_s=run.start_s, end_s=end_s)
    mean = mean_ratio(log, start_s=run.start_s, end_s=run.end_s, from_kmh=low, to_kmh=high)
    return {"gear_rpm_per_kmh": gear, "gear_mean_rpm_per_kmh": mean if np.isfinite(gear) else float("nan")}


def rise_at(log: Log, run: Run, kmh: float, outside: Surroundings | None = None) -> tuple[float, float]:
    """Return the charge temperature above the inlet at the moment a pull passes a speed.

    Parameters
    ----------
    log : Log
    run : Run
        A pull.
    kmh : float
        Road speed [km/h].
    outside : Surroundings, optional
        For where the inlet temperature comes from.

    Returns
    -------
    rise, standard_uncertainty : float
        [K]; NaN where the pull does not pass the speed or a signal has a gap there. The uncertainty is that of the
        moment (speed step and refresh, as in `elapsed`) and of the straight line between two refreshes of the charge;
        the sensors' own steps are not in it.

    Notes
    -----
    Where a pull ends has no part in it, unlike in the peak; how long it took to that speed has (`way_to`).
    """
    outside = outside or Surroundings()
    charge = log.get("charge_air_temperature")
    moment, moment_u = _crossing(log.need("vehicle_speed"), run, kmh)
    if charge is None or np.isnan(moment):
        return float("nan"), float("nan")
    inlet = inlet_signal(log, outside.inlet)
    inlet_c = float(inlet.at(moment)[0]) if inlet is not None else noted_c(outside)
    rise = float(charge.at(moment)[0]) - inlet_c
    times, values = charge.within(moment - 1.5 * charge.period_s - 1.0, moment + 1.5 * charge.period_s + 1.0)
    if times.size < 3:
        return rise, float("nan")
    climb, *_ = np.polyfit(times - moment, values, 1)
    bend = float(np.abs(np.diff(np.diff(values) / np.diff(times))).max())
    return rise, float(np.hypot(climb * moment_u, bend * charge.period_s / 8 / np.sqrt(3)))


def way_to(log: Log, run: Run, kmh: float) -> tuple[float, float]:
    """Return how long a pull takes from its start to a speed, and how fast the charge climbs when it gets there.

    Parameters
    ----------
    log : Log
    run : Run
        A pull.
    kmh : float
        Road speed [km/h].

    Returns
    -------
    seconds, climb : float
        [s] and [K/s]; NaN where the pull does not pass the speed, or too little of the charge was logged before it.

    Notes
    -----
    The climb is a line through the last `END_SHARE` of that time; where that holds fewer than three refreshes, what the
    charge has gained since the start over the time it took.
    """
    charge = log.get("charge_air_temperature")
    moment, _ = _crossing(log.need("vehicle_speed"), run, kmh)
    seconds = moment - run.start_s
    if charge is None or np.isnan(moment) or seconds <= 0:
        return float("nan"), float("nan")
    times, values = charge.within(moment - END_SHARE * seconds, moment)
    if times.size < 3:
        return seconds, float(charge.at(moment)[0] - charge.at(run.start_s)[0]) / seconds
    return seconds, float(np.polyfit(times - moment, values, 1)[0])


def elapsed(speed: Signal, run: Run, low_kmh: float, high_kmh: float) -> tuple[float, float]:
    """Return the time between two speeds inside a pull.

    Parameters
    ----------
    speed : Signal
        [km/h]
    run : Run
        The pull.
    low_kmh, high_kmh : float

    Returns
    -------
    seconds, standard_uncertainty : float
        [s]; NaN when a speed is not crossed or a gap lies there.

    Notes
    -----
    The crossing is interpolated between refreshes. The speed step leaves ``step / sqrt(12)`` (rectangular, JCGM
    100:2008, 4.3.7) at each crossing, turned into time by the slope there. A straight line between two refreshes misses
    a curve by at most an eighth of the change of slope times the spacing; that bound is taken as rectangular too.

    Examples
    --------
    At 10 km/h a second, in steps of 1 km/h: 2 s, with 0.1 s / sqrt(12) at each end.

    >>> import numpy as np
    >>> from pullbook.reading.logs import Signal
    >>> from pullbook.runs.measures import elapsed
    >>> from pullbook.runs.find import Run
    >>> speed = Signal(
    ...     channel="vehicle_speed",
    ...     column="Speed",
    ...     unit="km/h",
    ...     time_s=np.arange(10.0),
    ...     values=40 + 10 * np.arange(10.0),
    ...     period_s=1.0,
    ...     resolution=1.0,
    ... )
    >>> pull = Run(kind="pull", number=1, start_s=0, end_s=9, start_kmh=40, end_kmh=130, included=True)
    >>> seconds, u = elapsed(speed, pull, 65.0, 85.0)
    >>> seconds, round(u, 3)
    (2.0, 0.041)
    """
    first, u_first = _crossing(speed, run, low_kmh)
    last, u_last = _crossing(speed, run, high_kmh)
    return last - first, float(np.hypot(u_first, u_last))


def _crossing(speed: Signal, run: Run, kmh: float) -> tuple[float, float]:
    if kmh <= 0:
        return _leaving(speed, run)
    slack = 1.5 * speed.period_s
    times, values = speed.within(run.start_s - slack, run.end_s + max(slack, LAG_S))
    above = np.flatnonzero((values[1:] >= kmh) & (values[:-1] < kmh))
    if not above.size:
        return float("nan"), float("nan")
    k = int(above[0])
    if times[k + 1] - times[k] > speed.max_gap_s:
        return float("nan"), float("nan")
    slopes = np.diff(values) / np.diff(times)
    bend = float(np.abs(np.diff(slopes[max(0, k - 1) : k + 2])).max(initial=0.0))
    sampling = bend * (times[k + 1] - times[k]) / 8 / np.sqrt(3)
    uncertainty = np.hypot(step_uncertainty(speed.resolution), sampling) / slopes[k]
    return float(times[k] + (kmh - values[k]) / slopes[k]), float(uncertainty)


def _leaving(speed: Signal, run: Run) -> tuple[float, float]:
    """Date the start from rest by the line of the first refreshes; it lies anywhere between two (rectangular)."""
    times, values = speed.within(run.start_s - LAUNCH_S, run.end_s)
    leaves = np.flatnonzero((values[1:] > STANDING_SHOWN_KMH) & (values[:-1] <= STANDING_SHOWN_KMH))
    if not leaves.size or times[leaves[-1] + 1] - times[leaves[-1]] > speed.max_gap_s:
        return float("nan"), float("nan")
    k = int(leaves[-1])
    return leaving_s(times[k : k + 4], values[k : k + 4]), float((times[k + 1] - times[k]) / np.sqrt(12))


# --- a cruise ----------------------------------------------------------------------------------------------------


def _cruise(log: Log, run: Run, outside: Surroundings) -> dict[str, float]:
    figures: dict[str, float] = {}
    for name, signal in (
        ("mean_speed", log.get("vehicle_speed")),
        ("mean_charge", log.get("charge_air_temperature")),
        ("mean_inlet", inlet_signal(log, outside.inlet)),
        ("mean_coolant", log.get("engine_coolant_temperature")),
        ("mean_manifold_pressure", log.get("intake_manifold_pressure")),
        ("mean_air_mass_flow", log.get("air_mass_flow")),
    ):
        if signal is None:
            continue
        _, values = signal.within(run.start_s, run.end_s)
        if values.size:
            figures[name] = float(values.mean())
    figures.setdefault("mean_inlet", noted_c(outside))
    figures["mean_rise"] = figures.get("mean_charge", np.nan) - figures.get("mean_inlet", np.nan)
    figures["gear_rpm_per_kmh"] = gear_of_cruise(log, start_s=run.start_s, end_s=run.end_s)
    return figures


def _soak_rises(cruises: list[dict[str, Any]], runs: Runs) -> list[float]:
    """Return how much further above the inlet each cruise after the last pull is than those before the first."""
    pulls = [run for run in runs.pulls if run.included]
    rises = [float(cruise["mean_rise"]) for cruise in cruises]
    early = [
        rise
        for run, rise in zip(runs.cruises, rises, strict=True)
        if run.included and pulls and run.end_s <= pulls[0].start_s
    ]
    if not early:
        return [float("nan")] * len(cruises)
    rest = float(np.mean(early))
    return [
        rise - rest if run.start_s >= pulls[-1].end_s else float("nan")
        for run, rise in zip(runs.cruises, rises, strict=True)
    ]
