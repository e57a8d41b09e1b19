"""Does the change look like the sensor's and not the cooler's? A shift at every load, or a slower answer to heat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pullbook.analysis.sensor_lag import slower_sensor
from pullbook.analysis.session_shift import shift, shift_of_runs
from pullbook.analysis.sessions import Drive
from pullbook.errors import Finding
from pullbook.runs.measures import INLET_CHANNELS, inlet_signal
from pullbook.statistics.comparison import Comparison

OFFSET, INLET_UNCHECKED = "offset-like", "inlet-unchecked"
# Bands of a drive's rises, coldest first: quantiles, a mean of each three. What a cooler does differs between them.
BANDS = ((0.03, 0.05, 0.10), (0.15, 0.25, 0.35), (0.50, 0.65, 0.75))
LEAST_SHIFT_K = 1.5
ALIKE_K, ALIKE_SHARE = 0.7, 0.25  # how far a shift may differ between the bands
SAME_RECOVERY = 0.12  # a cooler that changes so much changes how fast it gives off heat by more than this share
RESOLVED = 2.0  # standard uncertainties
USUAL_SD_K = 0.5  # of a session's rise at light load, where few sessions show it


def sensor_doubts(drives: Sequence[Drive], measures: pd.DataFrame, comparison: Comparison) -> tuple[Finding, ...]:
    """Say so where what changed looks like a sensor that reads differently, and not like a cooler.

    Parameters
    ----------
    drives : sequence of Drive
    measures : pandas.DataFrame
        A row a run of all drives, with ``session`` and ``phase``.
    comparison : Comparison

    Returns
    -------
    tuple of Finding
        ``offset-like`` where the charge stands as much lower (or higher) above the inlet at light load as at full
        load; ``sensor-slower`` (`slower_sensor`); ``inlet-unchecked`` where no noted air can show whether the inlet
        sensor shifted.

    Notes
    -----
    A cooler changes a rise in proportion to the heat that goes in: the change differs between the coldest moments of a
    drive, its middle and the peak, and so does the time in which the core gives off its heat. An offset is the same
    everywhere and leaves that time alone. The limits come from two simulators (``DEVELOPERS.md``).
    """
    found = (
        _offset(drives, measures, comparison),
        slower_sensor(drives, measures, comparison),
        _inlet_unchecked(drives, comparison),
    )
    return tuple(finding for finding in found if finding)


def _offset(drives: Sequence[Drive], measures: pd.DataFrame, comparison: Comparison) -> Finding | None:
    if not (comparison.comparable and comparison.spec.of_charge):
        return None
    bands = [(drive.session.phase, rises) for drive in drives if (rises := _rises(drive)) is not None]
    if len(bands) < len(drives):
        return None
    shifts = [shift([(phase, float(rises[k])) for phase, rises in bands], USUAL_SD_K) for k in range(len(BANDS))]
    light, peak = shifts[0], comparison.change
    size, sign = abs(light.change), np.sign(light.change)
    if size < max(LEAST_SHIFT_K, RESOLVED * light.u):
        return None
    if not comparison.low <= light.change <= comparison.high or sign * peak < size / 2:
        return None
    if any(abs(band.change - light.change) > max(ALIKE_K, ALIKE_SHARE * size) for band in shifts):
        return None
    recovery = shift_of_runs(measures, "pull", "recovery_time", 0.0)
    if recovery and abs(recovery.change) > max(SAME_RECOVERY * recovery.before, RESOLVED * recovery.u):
        return None
    way, whose = ("lower", "cooler") if sign < 0 else ("higher", "fouled cooler")
    who, check = _whose(comparison, light.change)
    kind = "cleaner" if whose == "cooler" else "more"
    return Finding(
        code=OFFSET,
        severity="warning",
        message=(
            f"The charge reads {size:.1f} K {way} above the inlet at light load too, by as much as at full load, as if "
            f"{who} read differently since the service. A {kind} {whose} does not do that, because at light load there "
            f"is little heat to take out. {check} before you believe this."
        ),
        evidence={
            "light_load_k": round(light.change, 2),
            "light_load_u_k": round(light.u, 2),
            "bands_k": [round(band.change, 2) for band in shifts],
            "change_k": round(peak, 2),
        },
    )


def _whose(comparison: Comparison, shift_k: float) -> tuple[str, str]:
    """Say which sensor it may be: an inlet that moved against the noted air, else the charge; both without notes."""
    data = comparison.data
    apart = data.inlet_c - data.air_c
    if not np.isfinite(apart).all() or not np.any(apart):
        return "one of the two sensors", "Compare both sensors with the air on a cold engine"
    after = data.after == 1
    moved = float(apart[after].mean() - apart[~after].mean())
    if moved * shift_k < 0 and abs(moved) > abs(shift_k) / 2:
        return "the inlet sensor", "Compare the inlet sensor with the air on a cold engine"
    return "the charge sensor", "Compare the charge sensor with the air on a cold engine"


def _rises(drive: Drive) -> np.ndarray | None:
    """Return the charge above the inlet in each of `BANDS` [K]; None without both."""
    charge = drive.log.get("charge_air_temperature")
    if charge is None:
        return None
    inlet, noted_c = inlet_signal(drive.log, drive.inlet), drive.session.ambient_c
    if inlet is None and (drive.inlet in INLET_CHANNELS or noted_c is None):
        return None
    rises = charge.values - (np.full(len(charge.time_s), noted_c) if inlet is None else inlet.at(charge.time_s))  # noqa: PD011 - no frame
    rises = rises[np.isfinite(rises)]
    return np.quantile(rises, BANDS).mean(axis=1) if rises.size else None


def _inlet_unchecked(drives: Sequence[Drive], comparison: Comparison) -> Finding | None:
    inlet = INLET_CHANNELS[0]
    if inlet not in comparison.spec.sensors or any(drive.inlet != inlet for drive in drives):
        return None
    without = [
        drive.session.name
        for drive in drives
        if drive.session.ambient_c is None and "ambient_air_temperature" not in drive.log.sources
    ]
    if not without:
        return None
    whose = "any drive" if len(without) == len(drives) else ", ".join(without)
    return Finding(
        code=INLET_UNCHECKED,
        severity="note",
        message=(
            f"You noted no air temperature for {whose}, so a shift of the inlet sensor since the service can't be "
            "checked. An inlet that reads 3 K warmer makes the charge look 3 K cooler. Next time note the air in the "
            "shade under each session, such as ambient_c: 14.0."
        ),
        evidence={"sessions": without},
    )
