"""Does the charge sensor answer more slowly since the service? By when the charge begins to climb and to fall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pullbook.analysis.contradictions import CHARGE
from pullbook.analysis.session_shift import Shift, shift, shift_of_runs
from pullbook.analysis.sessions import Drive
from pullbook.errors import Finding
from pullbook.reading.logs import Signal
from pullbook.runs.find import Run
from pullbook.settings.experiment import PHASES
from pullbook.statistics.comparison import Comparison

SLOWER = "sensor-slower"
SHARE = 0.2  # of what a pull adds to the charge: climbed, or fallen again, by so much it has begun to
LEAST_CLIMB_K = 5.0
STEADY_S = 2.0  # before a pull, in which the charge stands where it climbs from
PEAK_S, FALL_S = 10.0, 40.0  # after the lift: how late the peak may come, and how long the fall is looked for
# Limits from two simulators (`DEVELOPERS.md`).
LEAST_LATER_S = 0.4
CERTAIN = 3.0  # standard uncertainties
LATER_PER_SHARE_S = 4.5  # so much later for each part of the climb lost (natural logarithm); a cooler: 0 to 4, mostly 2
USUAL_START_K = 0.5  # scatter of a session's rise at the start of its pulls


@dataclass(frozen=True)
class _Answer:
    """How the charge answers one pull: by how much it climbs, and how long it takes to begin, and to turn."""

    climb_k: float
    climbs_s: float
    falls_s: float

    @property
    def late_s(self) -> float:
        return (self.climbs_s + self.falls_s) / 2


def slower_sensor(drives: Sequence[Drive], measures: pd.DataFrame, comparison: Comparison) -> Finding | None:
    """Say so where the charge begins to climb and to fall later since the service, and its peak is lower.

    Parameters
    ----------
    drives : sequence of Drive
    measures : pandas.DataFrame
        A row a run of all drives, with ``session`` and ``phase``.
    comparison : Comparison

    Returns
    -------
    Finding or None
        ``sensor-slower``, also for a sensor that got faster and shows higher peaks; None where the comparison claims
        no change, or a pull of either phase cannot tell.

    Notes
    -----
    A slower sensor cuts off a short peak, and is late at either end of it. A cooler changes how high the charge climbs;
    one that is cleaner inside is a little late too, since less of the heat gets past its core at once, but by far less
    for what it takes off the peak. How fast the charge recovers is no test: the core decides that as much as the
    sensor. The scatter of the pulls says how certain the delay is, so a slow or coarse log has to show a longer one.
    """
    spec = comparison.spec
    claimed = comparison.comparable and not comparison.low <= 0 <= comparison.high
    if not claimed or spec.kind != "pull" or CHARGE not in spec.channels:
        return None
    sessions = [(drive.session.phase, answers) for drive in drives if (answers := _answers(drive))]
    if {phase for phase, _ in sessions} != set(PHASES):
        return None
    climb, climbs, falls, late = (_moved(sessions, name) for name in ("climb_k", "climbs_s", "falls_s", "late_s"))
    lost = -float(np.log1p(climb.change / climb.before))
    sign = float(np.sign(lost))  # a faster sensor is all this the other way round
    if sign * late.change < max(LEAST_LATER_S, CERTAIN * late.u, LATER_PER_SHARE_S * abs(lost)):
        return None
    if min(sign * climbs.change, sign * falls.change) < LEAST_LATER_S / 2:
        return None
    start = shift_of_runs(measures, "pull", "start_rise", USUAL_START_K)
    if start is not None and start.change / climb.change > 1:
        return None  # most of the change is there before a pull begins, when no sensor is late
    return _finding(climb, climbs, falls)


def _finding(climb: Shift, climbs: Shift, falls: Shift) -> Finding:
    way = ("slower", "lower", "later") if climb.change < 0 else ("faster", "higher", "earlier")
    return Finding(
        code=SLOWER,
        severity="warning",
        message=(
            f"The charge sensor looks {way[0]} since the service, and a {way[0]} sensor shows {way[1]} peaks. In a "
            f"pull the charge begins to climb {abs(climbs.change):.1f} s {way[2]} than before, and after the lift it "
            f"begins to fall {abs(falls.change):.1f} s {way[2]}. A cooler alone hardly does that: it changes how high "
            "the charge climbs. Look for oil or dirt on the sensor, or another sensor or place, before you believe "
            "this."
        ),
        evidence={
            "climbs_s": [round(climbs.before, 2), round(climbs.before + climbs.change, 2)],
            "falls_s": [round(falls.before, 2), round(falls.before + falls.change, 2)],
            "climb_k": [round(climb.before, 2), round(climb.before + climb.change, 2)],
        },
    )


def _moved(sessions: Sequence[tuple[str, Sequence[_Answer]]], name: str) -> Shift:
    """Compare the sessions' means; how much the pulls of one drive scatter is what is usual of its mean."""
    figures = [np.array([getattr(answer, name) for answer in answers]) for _, answers in sessions]
    spread = [float(((each - each.mean()) ** 2).sum()) for each in figures]
    free = sum(len(each) - 1 for each in figures)
    of_a_mean = float(np.mean([1 / len(each) for each in figures]))
    usual = np.sqrt(sum(spread) / free * of_a_mean) if free else 0.0
    return shift(
        [(phase, float(each.mean())) for (phase, _), each in zip(sessions, figures, strict=True)], float(usual)
    )


def _answers(drive: Drive) -> list[_Answer]:
    charge = drive.log.get(CHARGE)
    if charge is None:
        return []
    pulls = drive.runs.pulls
    following = [*(run.start_s for run in pulls[1:]), np.inf]
    found = [_answer(charge, run, until) for run, until in zip(pulls, following, strict=True) if run.included]
    return [answer for answer in found if answer is not None]


def _answer(charge: Signal, run: Run, until_s: float) -> _Answer | None:
    """Read one pull; None where it climbs too little, has a gap, or does not fall before the next one."""
    times, values = charge.within(run.start_s - STEADY_S - charge.period_s, min(run.end_s + FALL_S, until_s))
    before, till_peak = times <= run.start_s, times <= run.end_s + PEAK_S
    if not before.any() or np.diff(times).max(initial=0.0) > charge.max_gap_s:
        return None
    start, top = float(values[before].mean()), float(values[till_peak].max())
    climb = top - start
    if climb < LEAST_CLIMB_K:
        return None
    last = int(np.flatnonzero(till_peak & (values == top))[-1])
    climbs_s = _passes(times, values, start + SHARE * climb) - run.start_s
    falls_s = _passes(times[last:], -values[last:], SHARE * climb - top) - run.end_s
    return _Answer(climb, climbs_s, falls_s) if np.isfinite(falls_s) else None


def _passes(times: np.ndarray, values: np.ndarray, level: float) -> float:
    """Return when values first reach a level, by a straight line between two refreshes [s]; NaN where they do not."""
    above = values >= level
    k = int(np.argmax(above))
    if not above[k]:
        return float("nan")
    if k == 0:
        return float(times[0])
    return float(times[k - 1] + (times[k] - times[k - 1]) * (level - values[k - 1]) / (values[k] - values[k - 1]))
