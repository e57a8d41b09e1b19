"""Find the runs in a log: pulls (one unbroken full-load acceleration) and cruises (steady speed)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pullbook.errors import Finding
from pullbook.experiment import Protocol
from pullbook.logs import Log, Signal

Kind = Literal["pull", "cruise"]

FULL_OF_TRAVEL = 0.85  # full load counts from this fraction of the pedal's own travel
LEAST_FULL_PEDAL_PCT = 70.0  # a pedal that never passes this has not been to the floor
MIN_PULL_S = 3.0
START_SLACK_KMH = 5.0
END_SLACK_KMH = 3.0
CRUISE_SLACK_KMH = 5.0
GRAVITY_FREE_LEAST_M_S2 = 0.35


@dataclass(frozen=True, kw_only=True)
class Run:
    """A stretch of a log.

    Parameters
    ----------
    kind : {"pull", "cruise"}
    number : int
        Place in the drive's sequence of its kind, from 1, refused candidates included.
    start_s, end_s : float
        Seconds since the log's first stamp.
    start_kmh, end_kmh : float
        Road speed there.
    included : bool
    reason : str
        Why it is not included; empty if it is.
    left_out : bool
        True if it would be included but for the person's wish.
    """

    kind: Kind
    number: int
    start_s: float
    end_s: float
    start_kmh: float
    end_kmh: float
    included: bool
    reason: str = ""
    left_out: bool = False

    @property
    def name(self) -> str:
        """The run as a person names it, such as ``pull 3``."""
        return f"{self.kind} {self.number}"


@dataclass(frozen=True, kw_only=True)
class Runs:
    """The runs of one log.

    Parameters
    ----------
    pulls, cruises : tuple of Run
        Rising in time; refused candidates stay, with their reason.
    full_load_from : str
        What full load was judged by: a channel, ``acceleration``, or ``nothing``.
    findings : tuple of Finding
    """

    pulls: tuple[Run, ...]
    cruises: tuple[Run, ...]
    full_load_from: str
    findings: tuple[Finding, ...] = ()

    @property
    def all(self) -> tuple[Run, ...]:
        """Pulls, then cruises."""
        return (*self.pulls, *self.cruises)

    def leave_out(self, reasons: Mapping[str, str]) -> Runs:
        """Exclude the runs a person named, with their reasons; a name that fits no run is a finding."""

        def decide(run: Run) -> Run:
            reason = reasons.get(run.name)
            if not reason:
                return run
            return replace(run, included=False, reason=f"left out: {reason}", left_out=run.included)

        known = {run.name for run in self.all}
        strays = [name for name in reasons if name not in known]
        findings = [
            Finding(
                code="leave-out-unknown",
                severity="warning",
                message=f"leave_out names {name!r}, but this log has {len(self.pulls)} pulls and {len(self.cruises)} cruises.",
                evidence={"named": name},
            )
            for name in strays
        ]
        return replace(
            self,
            pulls=tuple(map(decide, self.pulls)),
            cruises=tuple(map(decide, self.cruises)),
            findings=(*self.findings, *findings),
        )


@dataclass(frozen=True)
class _FullLoad:
    """Full load or not, at the refreshes of the signal that tells."""

    time_s: np.ndarray
    is_full: np.ndarray
    period_s: float
    source: str
    findings: tuple[Finding, ...] = ()


def pedal_travel(logs: Iterable[Log]) -> tuple[float, float] | None:
    """Return rest and top of the pedal over an experiment's logs, in per cent, or None without a pedal channel.

    The top has to be held for two refreshes, so that one stray reading does not set it.
    """
    rests, tops = [], []
    for log in logs:
        signal = log.get("accelerator_position")
        if signal is not None and len(signal.values) >= 10:
            held = np.minimum(signal.values[1:], signal.values[:-1])
            rests.append(float(np.quantile(signal.values, 0.01)))
            tops.append(float(held.max()))
    return (min(rests), max(tops)) if rests else None


def find_runs(log: Log, protocol: Protocol, *, travel: tuple[float, float] | None = None) -> Runs:
    """Find the pulls and cruises of a log.

    Parameters
    ----------
    log : Log
        Needs ``vehicle_speed``.
    protocol : Protocol
        Speeds the drive was meant to keep.
    travel : (float, float), optional
        Rest and top of the pedal over all logs of the experiment (`pedal_travel`); by default from this log.

    Returns
    -------
    Runs

    Raises
    ------
    LogError
        When the log has no vehicle speed.
    """
    speed = log.need("vehicle_speed")
    load = _full_load(log, travel or pedal_travel([log]))
    pulls = _pulls(speed, load, protocol)
    cruises = _cruises(log, speed, load, protocol)
    return Runs(pulls=pulls, cruises=cruises, full_load_from=load.source, findings=load.findings)


# --- full load -------------------------------------------------------------------------------------------------


def _full_load(log: Log, travel: tuple[float, float] | None) -> _FullLoad:
    pedal = log.get("accelerator_position")
    if pedal is not None and travel is not None:
        return _full_by_pedal(log, pedal, travel)
    load = log.get("engine_load")
    if load is not None and float(np.quantile(load.values, 0.995)) >= 80.0:
        threshold = 0.88 * float(np.quantile(load.values, 0.998))
        return _FullLoad(load.time_s, load.values >= threshold, load.period_s, "engine_load")
    pressure = log.get("intake_manifold_pressure")
    if pressure is not None and float(pressure.values.max()) >= 130.0:
        return _full_by_pressure(pressure)
    return _full_by_acceleration(log.need("vehicle_speed"))


def _full_by_pedal(log: Log, pedal: Signal, travel: tuple[float, float]) -> _FullLoad:
    rest, top = travel
    load = log.get("engine_load")
    backed = load is not None and float(np.quantile(load.values, 0.998)) >= 95.0
    if top < LEAST_FULL_PEDAL_PCT and not backed:
        finding = Finding(
            code="no-full-load",
            severity="warning",
            message=(
                f"The pedal never passes {top:.0f} %, so no full load was found in this log. "
                "A pull needs the pedal to the floor."
            ),
            evidence={"highest_pct": round(top, 1), "needed_pct": LEAST_FULL_PEDAL_PCT},
        )
        nothing = np.zeros(len(pedal.values), dtype=bool)
        return _FullLoad(pedal.time_s, nothing, pedal.period_s, "accelerator_position", (finding,))
    threshold = rest + FULL_OF_TRAVEL * (top - rest)
    return _FullLoad(pedal.time_s, pedal.values >= threshold, pedal.period_s, "accelerator_position")


def _full_by_pressure(pressure: Signal) -> _FullLoad:
    """Full load is near the top of the boost; the rise towards it belongs to the pull too (the boost lags)."""
    outside = 100.0
    top = float(np.sort(pressure.values)[-max(3, len(pressure.values) // 500)])
    share = (pressure.values - outside) / (top - outside)
    full = share >= 0.65
    for k in np.flatnonzero(full[1:] & ~full[:-1]):
        back = int(k)
        while (
            back > 0
            and share[back] > 0.08
            and share[back] < share[back + 1]
            and pressure.time_s[k] - pressure.time_s[back] < 5
        ):
            full[back] = True
            back -= 1
    return _FullLoad(
        pressure.time_s,
        full,
        pressure.period_s,
        "intake_manifold_pressure",
        (_judged_by("manifold pressure"),),
    )


def _full_by_acceleration(speed: Signal) -> _FullLoad:
    """Without any load signal: acceleration near the best that this drive shows at the same speed."""
    acceleration = local_slope(speed, width_s=max(3.0, 3 * speed.period_s)) / 3.6
    bins = (speed.values // 10).astype(int)
    best = np.full(bins.max() + 1, np.nan)
    for k in np.unique(bins):
        here = acceleration[(bins >= k - 1) & (bins <= k + 1) & np.isfinite(acceleration)]
        best[k] = np.quantile(here, 0.97) if here.size >= 5 else np.nan
    full = acceleration >= np.maximum(0.6 * best[bins], GRAVITY_FREE_LEAST_M_S2)
    return _FullLoad(speed.time_s, full, speed.period_s, "acceleration", (_judged_by("acceleration"),))


def _judged_by(what: str) -> Finding:
    return Finding(
        code="full-load-judged",
        severity="note",
        message=f"No pedal or engine load in this log: full load was judged by the {what}. Log the pedal to be surer.",
        evidence={"by": what},
    )


def local_slope(signal: Signal, *, width_s: float) -> np.ndarray:
    """Return the slope at each refresh from a straight line through the refreshes within ``width_s``.

    Returns
    -------
    ndarray of float, shape (n,)
        Unit of the signal per second; NaN with fewer than three refreshes in the window.
    """
    t, y = signal.time_s, signal.values
    low = np.searchsorted(t, t - width_s / 2, side="left")
    high = np.searchsorted(t, t + width_s / 2, side="right")
    n = (high - low).astype(float)

    def sums(x: np.ndarray) -> np.ndarray:
        total = np.concatenate([[0.0], np.cumsum(x)])
        return total[high] - total[low]

    mid = t - t.mean()
    st, sy, stt, sty = sums(mid), sums(y), sums(mid * mid), sums(mid * y)
    spread = stt - st * st / n
    with np.errstate(divide="ignore", invalid="ignore"):
        slope: np.ndarray = (sty - st * sy / n) / spread
    slope[(n < 3) | (spread <= 0)] = np.nan
    return slope


# --- pulls -----------------------------------------------------------------------------------------------------


def _pulls(speed: Signal, load: _FullLoad, protocol: Protocol) -> tuple[Run, ...]:
    runs: list[Run] = []
    for start_s, end_s in _full_spells(load, protocol):
        if end_s - start_s < MIN_PULL_S:
            continue
        start_kmh, end_kmh, top_kmh = _speeds(speed, start_s, end_s)
        reason = _why_not(speed, protocol, start_s, end_s, start_kmh, end_kmh, top_kmh)
        runs.append(
            Run(
                kind="pull",
                number=len(runs) + 1,
                start_s=start_s,
                end_s=end_s,
                start_kmh=start_kmh,
                end_kmh=end_kmh,
                included=not reason,
                reason=reason,
            )
        )
    return tuple(runs)


def _full_spells(load: _FullLoad, protocol: Protocol) -> list[tuple[float, float]]:
    """Join the full-load refreshes into spells, over a lift as short as a gear change but never over a gap."""
    full = np.flatnonzero(load.is_full)
    if not full.size:
        return []
    t, period = load.time_s, load.period_s
    steps = np.diff(full)
    # n refreshes without full load span n periods, give or take half a period.
    lift_s = np.diff(t[full]) - period
    gap = (
        np.maximum.reduceat(np.diff(t[: full[-1] + 1]), full[:-1]) > 3 * period if len(full) > 1 else np.empty(0, bool)
    )
    joined = (steps == 1) | (lift_s <= protocol.shift_lift_s + 0.5 * period)
    breaks = np.flatnonzero(~joined | gap)
    firsts = full[np.concatenate([[0], breaks + 1])]
    lasts = full[np.concatenate([breaks, [len(full) - 1]])]
    spells = []
    for first, last in zip(firsts, lasts, strict=True):
        # The pedal moved somewhere between two refreshes: the middle is the best guess.
        start = t[first] - min(period, t[first] - t[first - 1]) / 2 if first > 0 else t[first]
        end = t[last] + min(period, t[last + 1] - t[last]) / 2 if last + 1 < len(t) else t[last]
        spells.append((float(start), float(end)))
    return spells


def _speeds(speed: Signal, start_s: float, end_s: float) -> tuple[float, float, float]:
    start_kmh, end_kmh = (float(v) for v in np.interp([start_s, end_s], speed.time_s, speed.values))
    # The wheels still turn faster for a moment after the lift; the refresh after the end may hold the top speed.
    _, inside = speed.within(start_s, end_s + speed.period_s)
    return start_kmh, end_kmh, float(max(end_kmh, inside.max(initial=end_kmh)))


def _why_not(
    speed: Signal,
    protocol: Protocol,
    start_s: float,
    end_s: float,
    start_kmh: float,
    end_kmh: float,
    top_kmh: float,
) -> str:
    inside, _ = speed.within(start_s, end_s)
    around = np.concatenate([[start_s], inside, [end_s]])
    if np.diff(around).max() > speed.max_gap_s:
        return f"the speed has a gap of {np.diff(around).max():.1f} s inside"
    if end_kmh - start_kmh < 5:
        return "full load without gaining speed"
    if start_kmh > protocol.pull_from_kmh + START_SLACK_KMH:
        return f"started at {start_kmh:.0f} km/h, above {protocol.pull_from_kmh + START_SLACK_KMH:.0f}"
    if top_kmh < protocol.pull_to_kmh - END_SLACK_KMH:
        return f"lifted at {end_kmh:.0f} km/h"
    return ""


# --- cruises ---------------------------------------------------------------------------------------------------


def _cruises(log: Log, speed: Signal, load: _FullLoad, protocol: Protocol) -> tuple[Run, ...]:
    runs: list[Run] = []
    for first, last in _steady_windows(speed, protocol):
        start_s, end_s = float(speed.time_s[first]), float(speed.time_s[last])
        values = speed.values[first : last + 1]
        reason = ""
        full = load.is_full[(load.time_s >= start_s) & (load.time_s <= end_s)]
        if full.size and full.mean() > 0.1:
            reason = "full load while the speed stayed"
        elif (swing := _load_swing(log, start_s, end_s)) is not None:
            reason = swing
        runs.append(
            Run(
                kind="cruise",
                number=len(runs) + 1,
                start_s=start_s,
                end_s=end_s,
                start_kmh=float(values[0]),
                end_kmh=float(values[-1]),
                included=not reason,
                reason=reason,
            )
        )
    return tuple(runs)


def _load_swing(log: Log, start_s: float, end_s: float) -> str | None:
    """Say so if the load of a steady-speed stretch is neither light nor steady."""
    for channel, limit in (
        ("engine_load", 45.0),
        ("intake_manifold_pressure", 45.0),
        ("accelerator_position", 30.0),
    ):
        signal = log.get(channel)
        if signal is None:
            continue
        _, values = signal.within(start_s, end_s)
        if values.size >= 5:
            swing = float(np.subtract(*np.quantile(values, [0.9, 0.1])))
            words = channel.replace("_", " ")
            return f"{words} swings by {swing:.0f}" if swing > limit else None
    return None


def _steady_windows(speed: Signal, protocol: Protocol) -> list[tuple[int, int]]:
    """Return first and last refresh of each steady stretch, longest found first, then in order of time."""
    t, v = speed.time_s, speed.values
    ripple = protocol.cruise_ripple_kmh
    near = np.abs(v - protocol.cruise_kmh) <= CRUISE_SLACK_KMH + ripple
    cut = np.flatnonzero(~near[1:] | ~near[:-1] | (np.diff(t) > speed.max_gap_s)) + 1
    found: list[tuple[int, int]] = []
    pending = [(a, b) for a, b in zip([0, *cut], [*cut, len(t)], strict=True) if b - a >= 3]
    while pending:
        a, b = pending.pop()
        if t[b - 1] - t[a] < protocol.cruise_min_s:
            continue
        first, last = _longest_within(t[a:b], v[a:b], 2 * ripple)
        first, last = _trim(v[a:b], first, last, max(speed.resolution, ripple / 2))
        if t[a + last] - t[a + first] < protocol.cruise_min_s:
            continue
        middle = float(np.median(v[a + first : a + last + 1]))
        if abs(middle - protocol.cruise_kmh) <= CRUISE_SLACK_KMH:
            found.append((a + first, a + last))
        pending += [(a, a + first), (a + last + 1, b)]
    return sorted(found)


def _longest_within(t: np.ndarray, v: np.ndarray, span: float) -> tuple[int, int]:
    """Find the longest stretch in which the greatest and the least value differ by no more than ``span``."""
    from collections import deque

    highs: deque[int] = deque()
    lows: deque[int] = deque()
    best, first = (0, 0), 0
    for k, value in enumerate(v):
        while highs and v[highs[-1]] <= value:
            highs.pop()
        while lows and v[lows[-1]] >= value:
            lows.pop()
        highs.append(k)
        lows.append(k)
        while v[highs[0]] - v[lows[0]] > span:
            first += 1
            if highs[0] < first:
                highs.popleft()
            if lows[0] < first:
                lows.popleft()
        if t[k] - t[first] > t[best[1]] - t[best[0]]:
            best = (first, k)
    return best


def _trim(v: np.ndarray, first: int, last: int, near: float) -> tuple[int, int]:
    """Take off the ends that still belong to a change of speed."""
    middle = float(np.median(v[first : last + 1]))
    while first < last and abs(v[first] - middle) > near:
        first += 1
    while last > first and abs(v[last] - middle) > near:
        last -= 1
    return first, last
