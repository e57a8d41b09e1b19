"""Does the change look like the sensor's and not the cooler's? A shift at every load, or a slower answer to heat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pullbook.analysis.sessions import Drive
from pullbook.errors import Finding
from pullbook.runs.measures import INLET_CHANNELS, inlet_signal
from pullbook.settings.experiment import PHASES
from pullbook.statistics.comparison import Comparison

OFFSET, SLOWER, INLET_UNCHECKED = "offset-like", "sensor-slower", "inlet-unchecked"
# Bands of a drive's rises, coldest first: quantiles, a mean of each three. What a cooler does differs between them.
BANDS = ((0.03, 0.05, 0.10), (0.15, 0.25, 0.35), (0.50, 0.65, 0.75))
LEAST_SHIFT_K = 1.5
ALIKE_K, ALIKE_SHARE = 0.7, 0.25  # how far a shift may differ between the bands
SAME_RECOVERY = 0.12  # a cooler that changes so much changes how fast it gives off heat by more than this share
RESOLVED = 2.0  # standard uncertainties
USUAL_SD_K, USUAL_DOF = 0.5, 4.0  # of a session's rise at light load, where few sessions show it
SLOWER_BY = 0.25  # share by which the recovery constant grows
RECOVERY_KNOWN = 0.6  # share of the pulls
CRUISE_SHARE = 0.15  # of the peak's change; a better cooler changes a cruise by a third of it or more


@dataclass(frozen=True)
class _Shift:
    """After minus before, of session means, with its standard uncertainty."""

    before: float
    change: float
    u: float


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
        load; ``sensor-slower`` where the charge falls more slowly after a pull and its peak is lower, but a cruise is
        not; ``inlet-unchecked`` where no noted air can show whether the inlet sensor shifted.

    Notes
    -----
    A cooler changes a rise in proportion to the heat that goes in: the change differs between the coldest moments of a
    drive, its middle and the peak, and so does the time in which the core gives off its heat. An offset is the same
    everywhere and leaves that time alone. A slower sensor cuts off short peaks and leaves steady rises alone. The
    limits come from two simulators (``DEVELOPERS.md``).
    """
    found = (_offset(drives, measures, comparison), _slower(measures, comparison), _inlet_unchecked(drives, comparison))
    return tuple(finding for finding in found if finding)


def _offset(drives: Sequence[Drive], measures: pd.DataFrame, comparison: Comparison) -> Finding | None:
    if not (comparison.comparable and comparison.spec.of_charge):
        return None
    bands = [(drive.session.phase, rises) for drive in drives if (rises := _rises(drive)) is not None]
    if len(bands) < len(drives):
        return None
    shifts = [_shift([(phase, float(rises[k])) for phase, rises in bands], USUAL_SD_K) for k in range(len(BANDS))]
    light, peak = shifts[0], comparison.change
    size, sign = abs(light.change), np.sign(light.change)
    if size < max(LEAST_SHIFT_K, RESOLVED * light.u):
        return None
    if not comparison.low <= light.change <= comparison.high or sign * peak < size / 2:
        return None
    if any(abs(shift.change - light.change) > max(ALIKE_K, ALIKE_SHARE * size) for shift in shifts):
        return None
    recovery = _of_runs(measures, "pull", "recovery_time", 0.0)
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
            "bands_k": [round(shift.change, 2) for shift in shifts],
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


def _slower(measures: pd.DataFrame, comparison: Comparison) -> Finding | None:
    spec = comparison.spec
    if not (comparison.comparable and spec.of_charge and spec.kind == "pull"):
        return None
    change = comparison.change
    if comparison.low <= 0 <= comparison.high:
        return None
    recovery = _of_runs(measures, "pull", "recovery_time", 0.0)
    if recovery is None:
        return _recovery_lost(measures) if change < 0 else None
    cruise = _of_runs(measures, "cruise", "mean_rise", USUAL_SD_K)
    if cruise is None:
        return None
    ratio = (recovery.before + recovery.change) / recovery.before
    slower = change < 0 and ratio > 1 + SLOWER_BY
    faster = change > 0 and ratio < 1 / (1 + SLOWER_BY)
    if not (slower or faster) or abs(recovery.change) < RESOLVED * recovery.u or cruise.change / change > CRUISE_SHARE:
        return None
    way = ("slower", "lower", "fell") if slower else ("faster", "higher", "rose")
    return Finding(
        code=SLOWER,
        severity="warning",
        message=(
            f"The charge sensor looks {way[0]} since the service, and a {way[0]} sensor shows {way[1]} peaks: after a "
            f"pull the charge falls with a time constant of {recovery.before + recovery.change:.1f} s ("
            f"{recovery.before:.1f} s before), and the peak {way[2]} while the steady cruise did not. A cooler that "
            "changed shows in the cruise too. Look for oil or dirt on the sensor, or another sensor, before you "
            "believe this."
        ),
        evidence={
            "recovery_s": [round(recovery.before, 2), round(recovery.before + recovery.change, 2)],
            "cruise_k": round(cruise.change, 2),
            "change_k": round(change, 2),
        },
    )


def _recovery_lost(measures: pd.DataFrame) -> Finding | None:
    """Say so where the recovery could be measured before the service in most pulls, and in none after it."""
    if "recovery_time" not in measures:
        return None
    pulls = measures[(measures["kind"] == "pull") & measures["included"].astype(bool)]
    known = pulls["recovery_time"].notna().groupby(pulls["phase"]).mean()
    if known.get("before", 0.0) < RECOVERY_KNOWN or known.get("after", 0.0) > 0:
        return None
    return Finding(
        code=SLOWER,
        severity="warning",
        message=(
            "Before the service the charge cooled fast enough after a pull to measure how fast. Since then it has not, "
            "after any pull. A slower sensor does that, and it shows lower peaks. Look at the curves after the lift, "
            "and for oil or dirt on the sensor, before you believe this."
        ),
        evidence={"recovery_known": [round(float(known["before"]), 2), 0.0]},
    )


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


def _of_runs(measures: pd.DataFrame, kind: str, name: str, usual_sd: float) -> _Shift | None:
    """Compare the sessions' means of a measure; None where a phase has none."""
    if name not in measures:
        return None
    rows = measures[(measures["kind"] == kind) & measures["included"].astype(bool)]
    means = rows.groupby(["phase", "session"], sort=False, as_index=False)[name].mean().dropna()
    values = [(str(phase), float(value)) for phase, value in zip(means["phase"], means[name], strict=True)]
    return _shift(values, usual_sd) if {phase for phase, _ in values} == set(PHASES) else None


def _shift(values: Sequence[tuple[str, float]], usual_sd: float) -> _Shift:
    """Return after minus before; the scatter of few sessions is joined with the usual one."""
    sides = [np.array([value for phase, value in values if phase == side]) for side in PHASES]
    dof = USUAL_DOF if usual_sd else 0.0
    squares = dof * usual_sd**2 + sum(float(((side - side.mean()) ** 2).sum()) for side in sides)
    free = dof + sum(len(side) - 1 for side in sides)
    sd = float(np.sqrt(squares / free)) if free else 0.0
    u = sd * float(np.sqrt(sum(1 / len(side) for side in sides)))
    return _Shift(float(sides[0].mean()), float(sides[1].mean() - sides[0].mean()), u)
