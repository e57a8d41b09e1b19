"""Is it the same drive twice, or one vehicle in two places at once? Told by what the logs hold, not by their bytes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise, product

import numpy as np

from pullbook.errors import ExperimentError, Finding
from pullbook.reading.logs import Log

ONE_DRIVE = "one-drive"
SPEED = "vehicle_speed"
# A copy repeats these; temperatures are left out, because somebody may have changed them.
DRIVEN = (SPEED, "engine_speed", "accelerator_position", "intake_manifold_pressure", "air_mass_flow", "engine_load")
GRID_S = 0.5  # on which the speeds are laid over each other
LEAST_OVERLAP_S = 120.0
LEAST_SHARE = 0.5  # of the shorter log
LEAST_SPREAD_KMH = 10.0  # a steady speed says nothing
LOOKS_ALIKE = 0.97  # correlation of the speeds from which they are compared value for value
# Two drives of one person on one road agree in speed to a few km/h, and never in pedal and boost at every moment.
SAME_SHARE, WITHIN = 0.9, 0.01  # so many values lie within a step and so much of the range
SET_BACK_S = 2.0  # clocks without a battery begin every drive at the same moment
TOGETHER = dt.timedelta(minutes=1)  # such an overlap is a rounded stamp; so near, one log goes on where another ended


def refuse_copies(logs: Mapping[str, Log], known: Mapping[str, Log] | None = None) -> None:
    """Refuse two logs that hold the same drive, saved anew: rounded, cropped, with another date or other temperatures.

    Parameters
    ----------
    logs : mapping of str to Log
        By what a person calls them; those without a road speed are passed over.
    known : mapping of str to Log, optional
        Each of ``logs`` is compared with these, and no two of ``logs`` with each other: that was done before.

    Raises
    ------
    ExperimentError
        When two hold the same drive; the message names them.
    """
    traced = _traced(logs)
    pairs = combinations(traced, 2) if known is None else product(_traced(known), traced)
    for (one, log, left), (other, again, right) in pairs:
        if (lag_s := _lag(left, right)) is not None and _same(log, again, lag_s):
            raise ExperimentError(
                f"{one} and {other} hold the same drive: speed, engine and pedal agree moment for moment "
                f"({log.name}, {again.name}). Each drive counts once, however it was saved. Remove one."
            )


def _traced(logs: Mapping[str, Log]) -> list[tuple[str, Log, np.ndarray]]:
    return [(name, log, trace) for name, log in logs.items() if (trace := _trace(log)) is not None]


def _trace(log: Log) -> np.ndarray | None:
    """Return the speed on a grid of its own [km/h]; None where it says too little."""
    speed = log.get(SPEED)
    if speed is None or len(speed.time_s) < 2 or speed.time_s[-1] - speed.time_s[0] < LEAST_OVERLAP_S:
        return None
    grid = np.arange(0.0, speed.time_s[-1], GRID_S)
    trace: np.ndarray = np.interp(grid, speed.time_s, speed.values)
    return trace if trace.std() >= LEAST_SPREAD_KMH else None


def _lag(left: np.ndarray, right: np.ndarray) -> float | None:
    """Return how much later the same speeds come in the second [s]; None where they are nowhere alike.

    Pearson's correlation at every lag, by sums over the overlap (products by Fourier transform).
    """
    n, m = len(left), len(right)
    size = 1 << (n + m - 1).bit_length()
    spectrum = [np.fft.rfft(x, size) for x in (left, left**2, np.ones(n), right, right**2, np.ones(m))]

    def over(a: int, b: int) -> np.ndarray:
        """Sum a of the first times b of the second over the overlap, for lags from 1 - n to m - 1."""
        products = np.fft.irfft(np.conj(spectrum[a]) * spectrum[b], size)
        return np.concatenate([products[size - n + 1 :], products[:m]])

    count = np.rint(over(2, 5)).clip(1)
    mean_left, mean_right = over(0, 5) / count, over(2, 3) / count
    var_left, var_right = over(1, 5) / count - mean_left**2, over(2, 4) / count - mean_right**2
    enough = count * GRID_S >= max(LEAST_OVERLAP_S, LEAST_SHARE * GRID_S * min(n, m))
    enough &= (np.minimum(var_left, var_right) >= LEAST_SPREAD_KMH**2) & (np.abs(mean_left - mean_right) < 2)
    if not enough.any():
        return None
    alike = np.full(len(count), -1.0)
    covariance = over(0, 3) / count - mean_left * mean_right
    alike[enough] = covariance[enough] / np.sqrt(var_left[enough] * var_right[enough])
    best = int(np.argmax(alike))
    return GRID_S * (best - (n - 1)) if alike[best] >= LOOKS_ALIKE else None


def _same(one: Log, other: Log, lag_s: float) -> bool:
    """Tell whether all that was driven agrees, once the lag is found to a twentieth of a second."""
    shared = [channel for channel in DRIVEN if channel in one.signals and channel in other.signals]
    left, right = one.signals[SPEED], other.signals[SPEED]
    lags = lag_s + np.arange(-GRID_S, GRID_S + 0.01, 0.05)
    apart = [float(np.nanmean(np.abs(right.at(left.time_s + lag) - left.values))) for lag in lags]
    return all(_agree(one, other, channel, float(lags[int(np.argmin(apart))])) for channel in shared)


def _agree(one: Log, other: Log, channel: str, lag_s: float) -> bool:
    left, right = one.signals[channel], other.signals[channel]
    apart = np.abs(right.at(left.time_s + lag_s) - left.values)
    apart = apart[np.isfinite(apart)]
    slack = max(left.resolution, right.resolution) + WITHIN * float(np.ptp(left.values))
    return bool(apart.size) and float(np.mean(apart <= slack)) >= SAME_SHARE


# --- clocks ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Timed:
    """A drive on the clock.

    Attributes
    ----------
    name, phase : str
        Of its session.
    start, end : datetime
        First and last stamp.
    utc : bool
        By universal time; it can't be set against a drive by a place's own.
    """

    name: str
    phase: str
    start: dt.datetime
    end: dt.datetime
    utc: bool = False


def refuse_at_once(drives: Sequence[Timed], known: Sequence[Timed] | None = None) -> None:
    """Refuse drives of one vehicle that overlap in time.

    Logs that begin at the very same moment are let pass: a clock without a battery begins so every time.

    Parameters
    ----------
    drives : sequence of Timed
    known : sequence of Timed, optional
        Each of ``drives`` is set against these, and no two of ``drives`` against each other: that was done before.

    Raises
    ------
    ExperimentError
        When two overlap by more than a minute.
    """
    pairs = combinations(drives, 2) if known is None else product(known, drives)
    for one, other in (sorted(pair, key=lambda drive: drive.start) for pair in pairs):
        overlap = min(one.end, other.end) - other.start
        if one.utc == other.utc and overlap > TOGETHER and (other.start - one.start).total_seconds() > SET_BACK_S:
            raise ExperimentError(
                f"{one.name} ({one.phase}) and {other.name} ({other.phase}) overlap: by their logs, one goes from "
                f"{one.start:%Y-%m-%d %H:%M} to {one.end:%H:%M} and the other begins at {other.start:%H:%M}. One "
                "vehicle can't drive twice at once. Take out the wrong log. If a logger's clock was wrong, give the "
                "day of that drive under its session, such as date: 2026-03-01."
            )


def one_drive(drives: Sequence[Timed]) -> tuple[Finding, ...]:
    """Say which sessions of a phase go on where another ended: one drive cut in two shares its day and its heat.

    Parameters
    ----------
    drives : sequence of Timed
    """
    ordered = sorted(drives, key=lambda drive: drive.start)
    return tuple(
        Finding(
            code=ONE_DRIVE,
            severity="warning",
            message=(
                f"{other.name} begins where {one.name} ends, so they are one drive cut in two and not two days. Put "
                f"both logs under one session: log: [first.csv, second.csv]."
            ),
            evidence={"sessions": [one.name, other.name], "gap_s": (other.start - one.end).total_seconds()},
        )
        for one, other in pairwise(ordered)
        if (one.phase, one.utc) == (other.phase, other.utc) and abs(other.start - one.end) <= TOGETHER
    )
