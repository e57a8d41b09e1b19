"""Columns that contradict physics, or each other across the drives: swapped, or in another unit than they say."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pullbook.errors import Finding
from pullbook.reading.logs import Log, Signal
from pullbook.reading.quality import COLDER_K
from pullbook.runs.find import Runs
from pullbook.runs.measures import SENSOR_LAG_S

CHARGE = "charge_air_temperature"
SWAPPED = "columns-swapped"
# Limits below: common practice, no source. A contradiction has to be far outside what weather and coolers do.
LEAST_CLIMB_K = 5.0  # of the inlet in a pull, at the boost that should heat the charge
APART_K = 15.0  # between drives, more than a cooler at light load or a change of weather explains...
TOGETHER_K, WEATHER_K = 10.0, 20.0  # ...while in the other unit they are as near as this: a rise, and the air itself
SWING = (1.8 / 1.25, 1.8 * 1.25)  # how much wider a rise gets, written in °F
LEAST_SWING_K = 5.0


def swapped(log: Log, runs: Runs) -> Iterator[Finding]:
    """Say so where the inlet climbs with the boost and the charge stays below it: each stands in the other's column.

    Parameters
    ----------
    log : Log
    runs : Runs
        Of the log; pulls that do not count are looked at too.
    """
    charge, inlet = log.get(CHARGE), log.get("intake_air_temperature")
    if charge is None or inlet is None:
        return
    seen = [
        (
            _climb(inlet, start, end),
            _climb(charge, start, end),
            _highest(charge, start, end) - _highest(inlet, start, end),
        )
        for start, end in ((run.start_s, run.end_s + SENSOR_LAG_S) for run in runs.pulls if run.timed)
    ]
    seen = [each for each in seen if np.isfinite(each).all()]
    if not seen:
        return
    of_inlet, of_charge, above = np.median(np.array(seen), axis=0)
    if above > -COLDER_K or of_inlet < LEAST_CLIMB_K or of_inlet < 2 * of_charge:
        return
    yield Finding(
        code=SWAPPED,
        severity="warning",
        message=(
            f"In the pulls {inlet.column!r} climbs by {of_inlet:.0f} K and {charge.column!r} ends {-above:.0f} K below "
            "it. Air that was compressed is never so much colder than the air going in. The two columns look swapped. "
            "If they are, name each under channels, or correct the header."
        ),
        evidence={
            "channels": [charge.channel, inlet.channel],
            "inlet_climb_k": round(float(of_inlet), 1),
            "charge_climb_k": round(float(of_charge), 1),
            "rise_k": round(float(above), 1),
        },
    )


def _climb(signal: Signal, start_s: float, end_s: float) -> float:
    _, values = signal.within(start_s, end_s)
    return float(values.max() - values[0]) if values.size else float("nan")


def _highest(signal: Signal, start_s: float, end_s: float) -> float:
    _, values = signal.within(start_s, end_s)
    return float(values.max()) if values.size else float("nan")


@dataclass(frozen=True)
class _Levels:
    """One drive in three figures: the air going in, the charge at light load, and how far it climbs above that."""

    name: str
    inlet_c: float
    light_c: float
    swing_k: float
    unit: str


def unit_contradictions(logs: Sequence[tuple[str, Log]], settled: Collection[str] = ()) -> list[str]:
    """Say which drives hold temperatures in another unit than the others.

    Parameters
    ----------
    logs : sequence of (str, Log)
        Each with its session's name.
    settled : collection of str
        Channels whose column the person named: their unit is not doubted.

    Returns
    -------
    list of str
        What was found, what may be wrong and the remedy; empty where nothing contradicts.

    Notes
    -----
    The drives are parted where they lie furthest apart. A charge alone in °F stands far above the inlet at light load,
    where little heat goes in. Charge and inlet both in °F differ by more than weather, and the charge climbs 1.8 times
    as far. Both are doubted only where the other unit brings the two groups together.
    """
    drives = [found for name, log in logs if (found := _levels(name, log)) is not None]
    if len(drives) < 2 or CHARGE in settled:
        return []
    hot, cold = _parted(drives, [drive.light_c - drive.inlet_c for drive in drives])
    apart = (_mid(hot, "light_c") - _mid(hot, "inlet_c")) - (_mid(cold, "light_c") - _mid(cold, "inlet_c"))
    if _like_fahrenheit(apart, _mid(hot, "light_c"), _mid(cold, "light_c"), TOGETHER_K):
        return [_said(hot, cold, f"the charge stands {apart:.0f} K higher above the inlet at light load")]
    hot, cold = _parted(drives, [drive.inlet_c for drive in drives])
    apart = _mid(hot, "inlet_c") - _mid(cold, "inlet_c")
    wider = _mid(hot, "swing_k") / max(_mid(cold, "swing_k"), LEAST_SWING_K)
    if (
        _like_fahrenheit(apart, _mid(hot, "inlet_c"), _mid(cold, "inlet_c"), WEATHER_K)
        and SWING[0] <= wider <= SWING[1]
    ):
        return [
            _said(
                hot, cold, f"the air going in is {apart:.0f} K warmer and the charge climbs {wider:.1f} times as high"
            )
        ]
    return []


def _levels(name: str, log: Log) -> _Levels | None:
    charge, inlet = log.get(CHARGE), log.get("intake_air_temperature")
    if charge is None or inlet is None:
        return None
    light, high = (float(value) for value in np.quantile(charge.values, [0.1, 0.98]))
    return _Levels(name, float(np.median(inlet.values)), light, high - light, charge.unit.replace("deg", "°"))


def _parted(drives: Sequence[_Levels], values: Sequence[float]) -> tuple[list[_Levels], list[_Levels]]:
    """Part the drives into those above and those below the middle of the range."""
    middle = (max(values) + min(values)) / 2
    hot = [drive for drive, value in zip(drives, values, strict=True) if value >= middle]
    cold = [drive for drive, value in zip(drives, values, strict=True) if value < middle]
    return hot, cold or hot


def _mid(drives: Sequence[_Levels], name: str) -> float:
    return float(np.median([getattr(drive, name) for drive in drives]))


def _like_fahrenheit(apart_k: float, hot_c: float, cold_c: float, near_k: float) -> bool:
    """Tell whether levels lie far apart, and near each other with the hot one read as °F or the cold one as °C."""
    explained = (hot_c - (hot_c - 32) / 1.8, 1.8 * cold_c + 32 - cold_c)
    return apart_k >= APART_K and min(abs(apart_k - k) for k in explained) <= near_k


def _said(hot: Sequence[_Levels], cold: Sequence[_Levels], what: str) -> str:
    one, other = (
        f"{', '.join(drive.name for drive in group)} (read as {' and '.join(dict.fromkeys(d.unit for d in group))})"
        for group in (hot, cold)
    )
    return (
        f"The drives contradict each other about the unit of a temperature: in {one} {what} than in {other}. That is "
        "how °F taken for °C looks. Put the right unit into the header of the logs that are wrong, such as (°F). If "
        f"the units are right, say so under channels: {CHARGE}: {{column: ..., unit: degC}}."
    )
