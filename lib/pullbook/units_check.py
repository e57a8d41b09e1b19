"""Is each unit what it is said, or was guessed, to be? Judged by what the engine does, never corrected silently."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pullbook.errors import Finding
from pullbook.logs import Log, Signal

WARM_AFTER_S = 600.0
WARM_COOLANT_C = (65.0, 125.0)  # a warm engine under its thermostat; common practice, no source
COLDER_K = 5.0  # what two sensors of the same air may differ by; common practice, no source
HIGHEST_IDLE_KPA = 150.0  # the least manifold pressure of a drive stays below; a gauge reading taken twice does not
# Speed per 1000 rpm in the highest gear of road vehicles, km/h; common practice, no source.
TOP_GEAR_KMH = (18.0, 75.0)
KMH_PER_MPH = 1.609344  # exact
EARTH_RADIUS_M = 6_371_008.8  # mean; IUGG


def doubtful_units(log: Log) -> tuple[Finding, ...]:
    """Return a finding for each unit that the rest of the log contradicts.

    Parameters
    ----------
    log : Log
    """
    return (*_coolant(log), *_charge(log), *_manifold(log), *_speed(log))


def _doubt(signal: Signal, message: str, **evidence: float) -> Finding:
    return Finding(
        code="unit-doubtful",
        severity="warning",
        message=f"{signal.column!r} was read as {signal.unit}, but {message} If so, give its unit under channels.",
        evidence={"channel": signal.channel, "unit": signal.unit, **{k: round(v, 3) for k, v in evidence.items()}},
    )


def _coolant(log: Log) -> Iterator[Finding]:
    """A coolant that stays cold through a long drive, in °F, was in °C all along."""
    coolant = log.get("engine_coolant_temperature")
    if coolant is None or coolant.unit != "degF":
        return
    warm = coolant.values[coolant.time_s > WARM_AFTER_S]
    if not warm.size:
        return
    usual = float(np.median(warm))
    raw = usual * 9 / 5 + 32
    low, high = WARM_COOLANT_C
    if usual < low and low <= raw <= high:
        yield _doubt(
            coolant,
            f"then the engine stays at {usual:.0f} °C for the whole drive; {raw:.0f} °C would be usual.",
            usual_c=usual,
        )


def _charge(log: Log) -> Iterator[Finding]:
    """A charge that, at its hottest, is colder than the air going in: compressed air is not, in one unit for both."""
    charge, inlet = log.get("charge_air_temperature"), log.get("intake_air_temperature")
    if charge is None or inlet is None:
        return
    hottest, usual = float(np.quantile(charge.values, 0.95)), float(np.median(inlet.values))
    if hottest < usual - COLDER_K:
        yield _doubt(
            charge,
            f"then it stays below {hottest:.0f} °C, colder than the air going in ({usual:.0f} °C): one of the two may "
            "be in another unit, or their columns exchanged.",
            hottest_c=hottest,
            inlet_c=usual,
        )


def _manifold(log: Log) -> Iterator[Finding]:
    """A gauge pressure that never comes near the outside pressure was absolute already; and one that lies too low."""
    pressure = log.get("intake_manifold_pressure")
    if pressure is None:
        return
    low, high = (float(value) for value in np.quantile(pressure.values, [0.02, 0.98]))
    if low > HIGHEST_IDLE_KPA:
        yield _doubt(
            pressure,
            f"then the manifold never falls below {low:.0f} kPa: it may be absolute, or in another unit.",
            low_kpa=low,
        )
    elif high < 60 and log.duration_s > WARM_AFTER_S:
        yield _doubt(
            pressure,
            f"then the manifold never rises above {high:.0f} kPa: it may be gauge, or in another unit.",
            high_kpa=high,
        )


def _speed(log: Log) -> Iterator[Finding]:
    """Miles or kilometres: settled by the positions if the log has them, else by what top gears allow."""
    speed = log.get("vehicle_speed")
    if speed is None or speed.unit not in ("km/h", "mph"):
        return
    ratio = _speed_over_ground(speed, log)
    other = "mph" if speed.unit == "km/h" else "km/h"
    if ratio is not None:
        expected = KMH_PER_MPH if speed.unit == "km/h" else 1 / KMH_PER_MPH
        if abs(ratio / expected - 1) < 0.1:
            yield _doubt(speed, f"the positions in the log say it is in {other}.", ground_over_speed=ratio)
        return
    gear = _top_gear_kmh(speed, log)
    low, high = TOP_GEAR_KMH
    if gear is not None and not low <= gear <= high:
        yield _doubt(
            speed,
            f"then its highest gear makes {gear:.0f} km/h at 1000 rpm; {low:g} to {high:g} are usual.",
            top_gear_kmh=gear,
        )


def _speed_over_ground(speed: Signal, log: Log) -> float | None:
    """Return distance by position over distance by speed, None without enough of both."""
    latitude, longitude = log.get("latitude"), log.get("longitude")
    if latitude is None or longitude is None or log.duration_s < 60:
        return None
    # Every 10 s: far enough apart for the positions' noise, near enough for the road's bends.
    times = np.arange(0.0, log.duration_s, 10.0)
    lat, lon = np.radians(latitude.at(times)), np.radians(longitude.at(times))
    # Small distances on a sphere: the arc along the meridian and along the parallel.
    ground = EARTH_RADIUS_M * np.hypot(np.diff(lat), np.diff(lon) * np.cos((lat[1:] + lat[:-1]) / 2))
    within = np.array([_distance_m(speed, start, start + 10.0) for start in times[:-1]])
    good = np.isfinite(ground) & np.isfinite(within) & (within > 50)
    return float(ground[good].sum() / within[good].sum()) if good.sum() >= 5 else None


def _distance_m(speed: Signal, start_s: float, end_s: float) -> float:
    inside = speed.at(np.linspace(start_s, end_s, 11)) / 3.6
    return float(np.trapezoid(inside, dx=(end_s - start_s) / 10))


def _top_gear_kmh(speed: Signal, log: Log) -> float | None:
    """Return the speed per 1000 rpm that is rarely exceeded when moving under power, None if unknown."""
    engine = log.get("engine_speed")
    if engine is None:
        return None
    rpm = engine.at(speed.time_s)
    moving = np.isfinite(rpm) & (rpm > 1200) & (speed.values > 30)
    if np.count_nonzero(moving) < 100:
        return None
    return float(np.quantile(1000 * speed.values[moving] / rpm[moving], 0.9))
