"""The gear of a run, read from the engine's revolutions per road speed.

In one gear the engine turns in proportion to the wheels, so ``rpm / (km/h)`` stays what it is. A converter that slips
and a continuously variable drive have no such ratio, and none is made up for them.
"""

from __future__ import annotations

import math

import numpy as np

from pullbook.reading.logs import Log, Signal

LOWEST_KMH = 10.0  # below, the clutch slips and a step of 1 km/h is too coarse
WINDOW = 0.8  # the gear is read from this share of the moment's speed up to it
LEAST_SAMPLES = 3
SHIFT_LN = 0.10  # the ratio jumps by more at a change of gear; common practice, no source
STEADY_LN = 0.04  # standard deviation of the ratio's logarithm about its middle: 1 km/h steps and polling leave 0.02
IN_PROPORTION = (
    0.35  # how far from 1 the exponent of engine speed over road speed may lie; a slipping drive's is near 0
)
TELLING_LN = 0.08  # with less change of speed the exponent says nothing
GRID_KMH = 5.0


def gear_at(log: Log, *, start_s: float, end_s: float) -> float:
    """Read the gear in which a stretch of a log ends.

    Parameters
    ----------
    log : Log
    start_s, end_s : float
        Of the stretch, such as a pull until the outcome's moment [s].

    Returns
    -------
    float
        Engine revolutions per minute over road speed [rpm per km/h]; NaN where either is not logged or the ratio is
        not steady, as with a slipping converter or a continuously variable drive.

    Notes
    -----
    The median over the last fifth of the speed; after a change of gear in it, over what follows that. Steady means
    that the ratio scatters no more than steps and polling explain, and that the engine speed grows in proportion to the
    road speed.
    """
    samples = _samples(log, start_s, end_s)
    if samples is None:
        return math.nan
    kmh, ratio = samples
    near = kmh >= WINDOW * kmh[-1]
    first = len(near) - int(np.argmin(near[::-1])) if not near.all() else 0
    kmh, ratio = kmh[first:], ratio[first:]
    jumps = np.flatnonzero(np.abs(np.diff(np.log(ratio))) > SHIFT_LN)
    if jumps.size:
        kmh, ratio = kmh[jumps[-1] + 1 :], ratio[jumps[-1] + 1 :]
    return float(np.median(ratio)) if _steady(kmh, ratio) else math.nan


def gear_of_cruise(log: Log, *, start_s: float, end_s: float) -> float:
    """Read the gear of a cruise, as `gear_at`, over all of it."""
    samples = _samples(log, start_s, end_s)
    if samples is None or not _steady(*samples):
        return math.nan
    return float(np.median(samples[1]))


def mean_ratio(log: Log, *, start_s: float, end_s: float, from_kmh: float, to_kmh: float) -> float:
    """Return the ratio averaged over a range of road speeds: it separates one pattern of gears from another.

    Parameters
    ----------
    log : Log
    start_s, end_s : float
        Of a pull [s].
    from_kmh, to_kmh : float
        The same range for all pulls that are compared [km/h]; what the pull does not pass is left out.

    Returns
    -------
    float
        Geometric mean [rpm per km/h]; NaN where it cannot be calculated.

    Notes
    -----
    A pull in one gear has that gear's ratio. One that changed up at 80 km/h instead of 60 differs from it by the
    share of the range that was driven in another gear.
    """
    speed, engine = log.get("vehicle_speed"), log.get("engine_speed")
    if speed is None or engine is None:
        return math.nan
    times, kmh = _rising(speed, start_s, end_s)
    grid = np.arange(max(LOWEST_KMH, from_kmh), to_kmh + 1e-9, GRID_KMH)
    grid = grid[(grid >= kmh[0]) & (grid <= kmh[-1])] if kmh.size else grid[:0]
    if grid.size < LEAST_SAMPLES:
        return math.nan
    ratio = engine.at(np.interp(grid, kmh, times)) / grid
    known = ratio[np.isfinite(ratio) & (ratio > 0)]
    return float(np.exp(np.mean(np.log(known)))) if known.size >= LEAST_SAMPLES else math.nan


def _samples(log: Log, start_s: float, end_s: float) -> tuple[np.ndarray, np.ndarray] | None:
    """Return road speed [km/h] and ratio where the engine speed was measured, in order of time."""
    speed, engine = log.get("vehicle_speed"), log.get("engine_speed")
    if speed is None or engine is None:
        return None
    times, rpm = engine.within(start_s, end_s)
    kmh = speed.at(times) if times.size else times
    good = np.isfinite(kmh) & (kmh >= LOWEST_KMH) & (rpm > 0)
    return (kmh[good], rpm[good] / kmh[good]) if good.sum() >= LEAST_SAMPLES else None


def _steady(kmh: np.ndarray, ratio: np.ndarray) -> bool:
    if kmh.size < LEAST_SAMPLES:
        return False
    x, y = np.log(kmh), np.log(ratio)
    if float(np.std(y - np.median(y))) > STEADY_LN:
        return False
    # In a gear the engine follows the road speed with an exponent of 1, so its ratio with one of zero.
    spread = float(np.ptp(x))
    return spread < TELLING_LN or abs(float(np.polyfit(x, y, 1)[0])) <= IN_PROPORTION


def _rising(speed: Signal, start_s: float, end_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the moments at which a pull first reached each of its speeds."""
    times, kmh = speed.within(start_s, end_s)
    if not times.size:
        return times, kmh
    first = np.concatenate([[True], kmh[1:] > np.maximum.accumulate(kmh)[:-1]])
    return times[first], kmh[first]
