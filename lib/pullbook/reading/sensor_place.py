"""Where the one intake temperature of a log is measured, and whether there is a charge-air cooler to ask about at all.

On many turbocharged engines the sensor that is called intake air temperature sits after the charge-air cooler. Its
words do not say so; what it does under boost does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pullbook.errors import Finding
from pullbook.reading.headers import parse_header
from pullbook.reading.logs import Log, settling_line

INLET, CHARGE = "intake_air_temperature", "charge_air_temperature"
# A spell of boost: above so much of the most that the log shows, and so long. Common practice, no source.
BOOSTED_KPA, SHARE_OF_MOST = 20.0, 0.7
LEAST_SPELL_S, SENSOR_LAG_S = 3.0, 8.0
LEAST_SPELLS = 2
FOLLOWS_K, FLAT_K = 4.0, 2.0  # median rise over a spell: of compressed air behind a cooler, and of outside air
# A manifold that comes this near to the outside pressure was at full load, and one that never passes it has no boost.
NEAR_OUTSIDE_KPA, ABOVE_OUTSIDE_KPA = 12.0, 6.0
LEAST_NEAR_SHARE = 0.002
PEDAL_DOWN = 0.8  # of its range

Place = Literal["after the cooler", "before the compressor", "unclear"]


@dataclass(frozen=True)
class SensorPlace:
    """What a temperature does under boost.

    Attributes
    ----------
    looks : {"after the cooler", "before the compressor", "unclear"}
    spells : int
        Spells of boost that were looked at.
    rise_k : float
        Median rise from the start of a spell to its highest value up to some seconds later [K]; NaN without a spell.
    """

    looks: Place
    spells: int
    rise_k: float


def sensor_place(logs: Sequence[Log], channel: str = INLET) -> SensorPlace:
    """Judge by the rise over each spell of boost, or of a pedal held down, where a temperature is measured.

    Parameters
    ----------
    logs : sequence of Log
        Of one vehicle.
    channel : str
        The temperature.

    Returns
    -------
    SensorPlace
    """
    rises: list[float] = []
    step = 0.0
    for log in logs:
        temperature = log.get(channel)
        if temperature is None:
            continue
        step = max(step, temperature.resolution)
        for start_s, end_s in _spells(log):
            _, values = temperature.within(start_s, end_s + SENSOR_LAG_S)
            first = temperature.at(start_s)[0]
            if len(values) and np.isfinite(first):
                rises.append(float(values.max() - first))
    if not rises:
        return SensorPlace("unclear", 0, float("nan"))
    rise = float(np.median(rises))
    looks: Place = "unclear"
    if len(rises) >= LEAST_SPELLS and rise >= max(FOLLOWS_K, 2 * step):
        looks = "after the cooler"
    elif len(rises) >= LEAST_SPELLS and rise <= max(FLAT_K, step):
        looks = "before the compressor"
    return SensorPlace(looks, len(rises), rise)


def _spells(log: Log) -> list[tuple[float, float]]:
    """Return the spells of boost in which a sensor behind the cooler must warm up."""
    pressure, pedal = log.get("intake_manifold_pressure"), log.get("accelerator_position")
    if pressure is not None:
        most = float(np.quantile(pressure.values, 0.998)) - log.outside_kpa
        if most < BOOSTED_KPA:
            return []
        time_s, high = pressure.time_s, pressure.values > log.outside_kpa + SHARE_OF_MOST * most
    elif pedal is not None:
        low, top = np.quantile(pedal.values, [0.02, 0.998])
        time_s, high = pedal.time_s, pedal.values > low + PEDAL_DOWN * (top - low)
    else:
        return []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], high, [False]]).astype(int)))
    found = [(float(time_s[a]), float(time_s[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [(start, end) for start, end in found if end - start >= LEAST_SPELL_S]


def engine_findings(logs: Mapping[str, Log], *, settled: Sequence[str] = ()) -> tuple[Finding, ...]:
    """Say what the logs of one vehicle show of its engine and its intake temperature, each once for all logs.

    Parameters
    ----------
    logs : mapping of str to Log
        By the name of their session.
    settled : sequence of str
        Channels that the person named already.

    Returns
    -------
    tuple of Finding
    """
    every = list(logs.values())
    unboosted = _never_boosted(every)
    return (*unboosted, *([] if unboosted else _which_intake(logs, settled)), *_water_cooled(every))


def _which_intake(logs: Mapping[str, Log], settled: Sequence[str]) -> tuple[Finding, ...]:
    named = {name: log for name, log in logs.items() if log.get(INLET) is not None}
    if not named or INLET in settled or any(_may_hold_charge(log) for log in logs.values()):
        return ()
    place = sensor_place(list(named.values()))
    columns = list(dict.fromkeys(log.need(INLET).column for log in named.values()))
    after, before = (settling_line(channel, columns) for channel in (CHARGE, INLET))
    ambient = all(log.get("ambient_air_temperature") is not None for log in logs.values())
    reference = (
        "the logged outside temperature"
        if ambient
        else "the air outside, so give ambient_c for each session (in the shade, in °C)"
    )
    seen = (
        "no spell of boost in these logs is long enough to judge"
        if not place.spells
        else f"over {place.spells} spells of boost it rises by {place.rise_k:.1f} K (median)"
    )
    judged = {
        "after the cooler": f"This one looks as if it sits after the cooler: {seen}, like compressed air.",
        "before the compressor": f"This one looks as if it sits before the compressor: {seen}, like outside air.",
        "unclear": f"You can't see from these logs where this one sits: {seen}.",
    }[place.looks]
    message = (
        f"{', '.join(map(repr, columns))} was read as the temperature before the compressor. There is no other intake "
        "or charge temperature. On many turbocharged engines this sensor sits after the charge-air cooler. "
        f"{judged} Look at the engine or in a repair manual. If it sits after the cooler, put this into "
        f"experiment.yaml:\nchannels:\n{after}\nThe rise is then counted from {reference}. If it sits before the "
        "compressor, you have no charge temperature. Ask another question (outcome: time_to_boost, peak_coolant, or "
        f"elapsed_s 60-90 with its two speeds), and put:\nchannels:\n{before}"
    )
    return (
        Finding(
            code="which-intake-temperature",
            severity="warning" if place.looks == "after the cooler" else "note",
            message=message,
            evidence={
                "columns": columns,
                "looks": place.looks,
                "spells": place.spells,
                "rise_k": None if np.isnan(place.rise_k) else round(place.rise_k, 2),
                "sessions": list(named),
            },
        ),
    )


def _may_hold_charge(log: Log) -> bool:
    """Say whether a log has a charge temperature, or a column that could be one once it is named."""
    return log.get(CHARGE) is not None or any(
        CHARGE in finding.evidence["closest"] for finding in log.findings if finding.code == "column-unrecognised"
    )


def _never_boosted(logs: Sequence[Log]) -> tuple[Finding, ...]:
    """Say so where the manifold was at full load and never above the outside pressure."""
    pressures = [(p, log.outside_kpa) for log in logs if (p := log.get("intake_manifold_pressure")) is not None]
    if not pressures or any(log.get(CHARGE) for log in logs):
        return ()
    above = np.concatenate([p.values - outside for p, outside in pressures])
    highest = float(np.quantile(above, 0.998))
    if highest > ABOVE_OUTSIDE_KPA or float((above > -NEAR_OUTSIDE_KPA).mean()) < LEAST_NEAR_SHARE:
        return ()
    return (
        Finding(
            code="no-boost",
            severity="warning",
            message=(
                f"The manifold pressure reaches the outside pressure ({highest:+.0f} kPa) and never goes above it. "
                "This engine looks naturally aspirated, or it makes no boost. There is no charge-air cooler to judge. "
                "You can ask (outcome:) for elapsed_s 60-90 with its two speeds, peak_coolant, mean_coolant, or "
                "peak_air_mass_flow if you log it. If the engine does have a turbocharger, check its pressure sensor "
                "and hoses first."
            ),
            evidence={"highest_above_outside_kpa": round(highest, 1)},
        ),
    )


def _water_cooled(logs: Sequence[Log]) -> tuple[Finding, ...]:
    """Say so where a column is the water of a charge-air cooler."""
    columns = list(
        dict.fromkeys(
            column
            for log in logs
            for column in (*log.unknown_columns, *(signal.column for signal in log.signals.values()))
            if parse_header(column).words >= {"charge", "air", "cooler", "coolant"}
        )
    )
    if not columns:
        return ()
    return (
        Finding(
            code="water-cooled-charge",
            severity="note",
            message=(
                f"{', '.join(map(repr, columns))} is the water of a water-to-air charge cooler, so it was not used as "
                "a charge temperature. You can ask the same questions (peak_rise, mean_rise). They judge the cooler, "
                "its water, its pump and its radiator together. The water warms from pull to pull, so rest just as "
                "long between pulls after the service as before it."
            ),
            evidence={"columns": columns},
        ),
    )
