"""Near misses: accelerations that look like a pull but were not driven at full load, kept with their reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pullbook.reading.logs import Log, Signal
from pullbook.runs.full_load import (
    ACCELERATING_M_S2,
    SURE_BOOST,
    FullLoad,
    acceleration_of,
    full_spells,
    held_top,
    slope_width_s,
)
from pullbook.settings.experiment import Protocol

LEAST_LEVEL = 0.5  # of where full load begins: less is ordinary driving
NEARLY_FULL = 0.85
LEAST_NEAR_GAIN_KMH = 15.0  # of one that was nearly full load, wherever it lies
LEAST_COVERED = 0.5  # of the protocol's range, where a drive has no full load
LEAST_NEAR_S = 3.0
APART_S = 2.0  # nearer to a spell of full load, it is the pedal on its way there or back


@dataclass(frozen=True, kw_only=True)
class PartThrottle:
    """An acceleration at part throttle.

    Attributes
    ----------
    start_s, end_s : float
        Seconds since the log's first stamp.
    start_kmh, lift_kmh : float
        Road speed there.
    reason : str
        What was missing to full load.
    """

    start_s: float
    end_s: float
    start_kmh: float
    lift_kmh: float
    reason: str


def part_throttle(
    log: Log, speed: Signal, load: FullLoad, protocol: Protocol, taken: Sequence[tuple[float, float]]
) -> list[PartThrottle]:
    """Find what a person might take for a pull, although it was not at full load.

    Parameters
    ----------
    log : Log
    speed : Signal
        The log's vehicle speed [km/h].
    load : FullLoad
    protocol : Protocol
    taken : sequence of (float, float)
        Start and end of the candidates at full load [s].

    Returns
    -------
    list of PartThrottle
        Those nearly at full load that gain `LEAST_NEAR_GAIN_KMH`; in a drive without full load also those from
        `LEAST_LEVEL` that cover `LEAST_COVERED` of the protocol's range. Rising in time.
    """
    gaining = np.interp(load.time_s, speed.time_s, acceleration_of(speed)) >= ACCELERATING_M_S2
    pressed = gaining & (load.level >= LEAST_LEVEL)
    edges = np.array(
        full_spells(
            replace(load, is_full=pressed, is_sure=pressed, smoothing_s=slope_width_s(speed)), protocol.shift_lift_s
        )
    ).reshape(-1, 2)
    start_kmh, end_kmh = np.interp(edges, speed.time_s, speed.values).T
    covered = np.minimum(end_kmh, protocol.pull_to_kmh) - np.maximum(start_kmh, protocol.pull_from_kmh)
    wide = ~load.is_full.any() & (covered >= LEAST_COVERED * (protocol.pull_to_kmh - protocol.pull_from_kmh))
    maybe = (edges[:, 1] - edges[:, 0] >= LEAST_NEAR_S) & (wide | (end_kmh - start_kmh >= LEAST_NEAR_GAIN_KMH))
    starts, ends = np.array(taken).reshape(-1, 2).T  # rising: so many begin before the end, of them so many have ended
    apart = np.searchsorted(starts, edges[:, 1] + APART_S) == np.searchsorted(ends, edges[:, 0] - APART_S)
    found = []
    for k in np.flatnonzero(maybe & apart).tolist():
        start_s, end_s = edges[k].tolist()
        a, b = np.searchsorted(load.time_s, [start_s, end_s])
        most = held_top(load.level[a:b]) if b - a >= 2 else float(load.level[a:b].max(initial=0.0))
        if wide[k] or most >= NEARLY_FULL:
            # A moment at full load, as between two gear changes, does not make a pull of it.
            said = load.said(most if most < 1 else float(np.median(load.level[a:b])))
            reason = f"part throttle: {said}{_boost_as_at_full_load(log, load, start_s, end_s)}"
            found.append(
                PartThrottle(
                    start_s=start_s,
                    end_s=end_s,
                    start_kmh=float(start_kmh[k]),
                    lift_kmh=float(end_kmh[k]),
                    reason=reason,
                )
            )
    return found


def _boost_as_at_full_load(log: Log, load: FullLoad, start_s: float, end_s: float) -> str:
    """Say so where the boost was that of full load: it may build up before the pedal is down."""
    pressure = log.get("intake_manifold_pressure")
    if pressure is None or len(pressure.values) < 2 or load.source == pressure.channel or not load.is_full.any():
        return ""
    top_kpa = held_top(pressure.values)
    _, inside = pressure.within(start_s, end_s)
    most_kpa = float(inside.max(initial=0.0))
    sure_kpa = log.outside_kpa + SURE_BOOST * (top_kpa - log.outside_kpa)
    return f" (but boost as at full load: {most_kpa:.0f} kPa)" if most_kpa >= sure_kpa > log.outside_kpa + 20 else ""
