"""Heat that stays in the cooler: how fast the charge recovers after a pull, and how it climbs at a standstill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pullbook.reading.logs import Log, Signal
from pullbook.reading.quality import STANDING_KMH
from pullbook.statistics.uncertainty import step_uncertainty

MIN_RECOVERY_S = 15.0
MIN_RECOVERY_FALL_K = 3.0
MOST_RELATIVE_U = 1 / 3  # a less certain time constant says nothing
MIN_IDLE_S = 30.0
SHORTEST_S, LONGEST_S = 1.0, 300.0  # time constants looked for


def recovery(charge: Signal, *, start_s: float, end_s: float) -> tuple[float, float]:
    """Fit a first-order decay to a charge temperature after its peak.

    Parameters
    ----------
    charge : Signal
    start_s, end_s : float
        Where the decay may lie [s].

    Returns
    -------
    time_constant_s, standard_uncertainty_s : float
        [s]; NaN when the window is too short: under 15 s, under 3 K of fall, shorter than the time constant, or so
        little of it that the time constant stays uncertain by more than a third.

    Notes
    -----
    Least squares for ``T(t) = T_end + fall exp(-t / tau)``; its residuals give the uncertainty. The level that the
    sensor shows last is one reading, however often it is repeated: all its samples share one rounding error, of
    ``step / sqrt(12)`` (JCGM 100:2008, F.2.2.1).

    References
    ----------
    A body of one temperature that cools (lumped capacitance): Incropera and DeWitt, Fundamentals of Heat and Mass
    Transfer, chapter 5.

    Examples
    --------
    A charge that falls by 20 K towards 30 °C with a time constant of 20 s:

    >>> import numpy as np
    >>> from pullbook.runs.heat_soak import recovery
    >>> from pullbook.reading.logs import Signal
    >>> time_s = np.arange(0.0, 90.0)
    >>> charge = Signal(
    ...     channel="charge_air_temperature",
    ...     column="Charge",
    ...     unit="degC",
    ...     time_s=time_s,
    ...     values=30 + 20 * np.exp(-time_s / 20),
    ...     period_s=1.0,
    ...     resolution=0.0,
    ... )
    >>> time_constant_s, _ = recovery(charge, start_s=0.0, end_s=90.0)
    >>> round(time_constant_s, 1)
    20.0
    """
    times, values = charge.within(start_s, end_s)
    if not values.size or values[0] - values.min() < MIN_RECOVERY_FALL_K:
        return np.nan, np.nan
    # The next disturbance ends the decay: keep the part until the lowest value was last seen.
    stop = values.size - int(np.argmin(values[::-1]))
    times, values = times[:stop] - times[0], values[:stop]
    if times.size < 6 or times[-1] < MIN_RECOVERY_S:
        return np.nan, np.nan
    tau = _best(times, values)
    u = _time_constant_u(times, values, tau, charge.resolution)
    return (tau, u) if SHORTEST_S < tau <= times[-1] and u <= MOST_RELATIVE_U * tau else (np.nan, np.nan)


def _best(times: np.ndarray, values: np.ndarray) -> float:
    """Return the time constant that fits best, to a few parts in 100 000."""
    low, high = SHORTEST_S, LONGEST_S
    for _ in range(6):
        taus = np.geomspace(low, high, 16)
        best = int(np.argmin(_misfit(times, values, taus)))
        low, high = taus[max(0, best - 1)], taus[min(len(taus) - 1, best + 1)]
    return float(taus[best])


def _misfit(times: np.ndarray, values: np.ndarray, taus: np.ndarray) -> np.ndarray:
    """Return the sum of squares that the best level and fall leave, for each time constant."""
    decay = np.exp(-times / taus[:, None])
    decay -= decay.mean(axis=1, keepdims=True)
    about = values - values.mean()
    explained = (decay @ about) ** 2 / np.sum(decay**2, axis=1)
    misfit: np.ndarray = about @ about - explained
    return misfit


def _time_constant_u(times: np.ndarray, values: np.ndarray, tau: float, step_k: float) -> float:
    decay = np.exp(-times / tau)
    linear = np.column_stack([np.ones_like(times), decay])
    level, fall = np.linalg.lstsq(linear, values, rcond=None)[0]
    weights = np.linalg.pinv(np.column_stack([linear, fall * decay * times / tau**2]))[2]
    residuals = values - level - fall * decay
    variance = float(residuals @ residuals) / (len(times) - 3)
    held = int(np.argmax(values == values[-1])) if values[-1] == values.min() else len(values) - 1
    shared = step_uncertainty(step_k) * float(weights[held:].sum())
    return float(np.sqrt(variance * weights @ weights + shared**2))


@dataclass(frozen=True, kw_only=True)
class Idle:
    """A standstill and what it did to the charge temperature.

    Attributes
    ----------
    start_s, end_s : float
        Seconds since the log's first stamp.
    climb_k_per_min : float
        How fast the charge temperature climbed, by a straight line through it [K/min].
    """

    start_s: float
    end_s: float
    climb_k_per_min: float


def idle_soaks(log: Log) -> tuple[Idle, ...]:
    """Find the standstills of 30 s or more with a charge temperature, in the order driven.

    A standstill ends where the speed signal has a gap; without speed or charge temperature none is found.
    """
    speed, charge = log.get("vehicle_speed"), log.get("charge_air_temperature")
    if speed is None or charge is None:
        return ()
    standing = np.concatenate([[False], speed.values < STANDING_KMH, [False]])
    edges = np.diff(standing.astype(int))
    found = []
    for first, last in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1, strict=True):
        stamps = speed.time_s[first : last + 1]
        times, values = charge.within(stamps[0], stamps[-1])
        if stamps[-1] - stamps[0] < MIN_IDLE_S or np.diff(stamps).max() > speed.max_gap_s or times.size < 6:
            continue
        climb = 60 * float(np.polyfit(times - times[0], values, 1)[0])
        found.append(Idle(start_s=float(stamps[0]), end_s=float(stamps[-1]), climb_k_per_min=climb))
    return tuple(found)
