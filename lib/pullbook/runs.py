"""Find the runs in a log: pulls (one unbroken full-load acceleration) and cruises (steady speed)."""

from __future__ import annotations

import heapq
from bisect import bisect_left, insort
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pullbook.errors import Finding
from pullbook.experiment import Protocol
from pullbook.logs import Log, Signal

Kind = Literal["pull", "cruise"]

FULL_OF_TRAVEL = 0.85  # full load counts from this fraction of the pedal's own travel
LEAST_FULL_PEDAL_PCT = 70.0  # a pedal below this has not been to the floor, unless the engine load says so
LEAST_TRAVEL_PCT = 10.0  # a pedal channel that moves less tells nothing
LEAST_FULL_LOAD_PCT = 80.0
LEAST_BOOSTED_KPA = 130.0
MIN_PULL_S = 3.0
START_SLACK_KMH = 5.0
END_SLACK_KMH = 3.0
LEAST_GAIN_KMH = 5.0
MOST_FALL_KMH = 6.0  # a gear change costs less, even uphill; wheels that grip again fall further
PLATEAU_S, PLATEAU_KMH = 10.0, 2.0
LEAST_FULL_W_KG = 20.0  # at the wheels; 3.5 t with 90 kW give 24, ordinary driving up to 60 km/h stays below
FAR_KMH = 20.0
LIGHT_BOOST = 0.7  # of the greatest boost in the log
BEST_HELD_S = 4.0  # so that one bump, jump of a signal or spin of the wheels does not set the best acceleration
CRUISE_SLACK_KMH = 5.0
LEVEL_STEP_KMH = 0.5  # the median of whole km/h is a multiple of it
ROUNDING_KMH = 0.1  # a log in mph rounds the sensor's whole km/h
ACCELERATING_M_S2 = 0.3  # a grade of 3 % gives as much
STANDARD_KPA = 100.0


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
        held = f"{len(self.pulls)} pulls and {len(self.cruises)} cruises"
        strays = [name for name in reasons if name not in known]
        findings = [
            Finding(
                code="leave-out-unknown",
                severity="warning",
                message=f"leave_out names {name!r}, but this log has {held}.",
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
    """Full load or not, at the refreshes of the signal that tells.

    A spell of full load lasts while ``is_full`` holds, and counts only if ``is_sure`` holds somewhere in it. A lift
    looks longer by up to ``smear_s`` than it was.
    """

    time_s: np.ndarray
    is_full: np.ndarray
    is_sure: np.ndarray
    source: str
    max_gap_s: float
    smear_s: float = 0.0
    findings: tuple[Finding, ...] = ()


def pedal_travel(logs: Iterable[Log]) -> tuple[float, float] | None:
    """Return rest and top of the pedal over an experiment's logs, in per cent, or None without a pedal channel.

    The top has to be held for two refreshes, so that one stray reading does not set it.
    """
    rests, tops = [], []
    for log in logs:
        signal = log.get("accelerator_position")
        if signal is not None and len(signal.values) >= 10:
            rests.append(float(np.quantile(signal.values, 0.01)))
            tops.append(_held_top(signal.values))
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

    Notes
    -----
    Full load is told by the pedal, else by the engine load, else by the manifold pressure, else by the acceleration
    itself (with the engine speed, if logged, to allow for the gear). The last two know full load only as the most that
    this log shows: where nobody ever floored the pedal they take the hardest acceleration for it. They also date the
    start of a pull to where the speed began to rise, since the boost may come seconds after the pedal; a driver who
    presses the pedal slowly then starts earlier than by the pedal. The finding ``full-load-judged`` says by what they
    went.

    An edge lies halfway between the refreshes on its two sides, so it is off by half a period at most, and by the time
    the pedal takes.
    """
    speed = log.need("vehicle_speed")
    load = _full_load(log, speed, travel or pedal_travel([log]))
    pulls = _pulls(speed, load, protocol)
    cruises = _cruises(log, speed, load, protocol)
    findings = (*load.findings, *_overruns(pulls, protocol))
    return Runs(pulls=pulls, cruises=cruises, full_load_from=load.source, findings=findings)


# --- full load -------------------------------------------------------------------------------------------------


def _full_load(log: Log, speed: Signal, travel: tuple[float, float] | None) -> _FullLoad:
    pedal, load, pressure = map(log.get, ("accelerator_position", "engine_load", "intake_manifold_pressure"))
    if pedal is not None and travel is not None and travel[1] - travel[0] >= LEAST_TRAVEL_PCT:
        return _full_by_pedal(pedal, load, travel)
    if load is not None and len(load.values) >= 10:
        return _full_by_load(load, speed)
    if pressure is not None and len(pressure.values) >= 10:
        outside = _outside_kpa(log)
        if _held_top(pressure.values) >= LEAST_BOOSTED_KPA - STANDARD_KPA + outside:
            return _full_by_pressure(pressure, speed, outside)
    return _full_by_acceleration(speed, log.get("engine_speed"))


def _held_top(values: np.ndarray) -> float:
    """Return the greatest value held for two refreshes."""
    return float(np.minimum(values[1:], values[:-1]).max())


def _full_by_pedal(pedal: Signal, load: Signal | None, travel: tuple[float, float]) -> _FullLoad:
    rest, top = travel
    backed = top < LEAST_FULL_PEDAL_PCT and load is not None and _held_top(load.values) >= 95.0
    if top < LEAST_FULL_PEDAL_PCT and not backed:
        return _none_full(pedal, f"The pedal never passes {top:.0f} %", top, LEAST_FULL_PEDAL_PCT)
    # The share of travel alone would call 62 % full where 70 % was the most anyone pressed.
    least = 0.0 if backed else LEAST_FULL_PEDAL_PCT
    full = pedal.values >= max(least, rest + FULL_OF_TRAVEL * (top - rest))
    return _FullLoad(pedal.time_s, full, full, pedal.channel, pedal.max_gap_s)


def _full_by_load(load: Signal, speed: Signal) -> _FullLoad:
    top = _held_top(load.values)
    if top < LEAST_FULL_LOAD_PCT:
        return _none_full(load, f"The engine load never passes {top:.0f} %", top, LEAST_FULL_LOAD_PCT)
    # Part load shows as it is, so the bar can be high; before the boost is there, full load is half of the top.
    return _full_by_share(load, speed, load.values / top, sure=0.92, full=0.85, building=0.45)


def _full_by_pressure(pressure: Signal, speed: Signal, outside_kpa: float) -> _FullLoad:
    share = (pressure.values - outside_kpa) / (_held_top(pressure.values) - outside_kpa)
    return _full_by_share(pressure, speed, share, sure=0.85, full=0.65, building=0.2)


def _full_by_share(
    signal: Signal, speed: Signal, share: np.ndarray, *, sure: float, full: float, building: float
) -> _FullLoad:
    """Full load by a signal that follows the boost: its build-up while the speed rises belongs to the pull too."""
    rising = np.diff(share, prepend=share[0]) > 0.1
    gaining = np.interp(signal.time_s, speed.time_s, _acceleration(speed)) >= ACCELERATING_M_S2
    is_full = share >= full
    return _FullLoad(
        signal.time_s,
        _with_build_up(is_full, (share >= building) & (rising | gaining), gaining),
        share >= sure,
        signal.channel,
        signal.max_gap_s,
        findings=(_judged_by("manifold pressure"),) if signal.channel == "intake_manifold_pressure" else (),
    )


def _with_build_up(is_full: np.ndarray, builds: np.ndarray, gaining: np.ndarray) -> np.ndarray:
    """Add the refreshes that build up to full load, and those after a gear change too short to reach it again.

    What comes after the last full refresh without a lift between is no build-up but an easing of the pedal.
    """
    first, after = _stretches(is_full | builds)
    fulls, gains = (np.concatenate([[0], np.cumsum(mask)]) for mask in (is_full, gaining))
    holds = fulls[after] > fulls[first]
    follows = ~holds & np.concatenate([[False], holds[:-1]]) & (gains[after] > gains[first])
    places = np.concatenate([[0], np.flatnonzero(is_full) + 1])
    until = np.where(holds, places[fulls[after]], after)
    change = np.zeros(len(is_full) + 1, dtype=int)
    change[first[holds | follows]] += 1
    change[until[holds | follows]] -= 1
    added: np.ndarray = np.cumsum(change[:-1]) > 0
    return added


def _stretches(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the first index of each unbroken stretch of a mask, and the one after its last."""
    turns = np.flatnonzero(np.diff(mask, prepend=False, append=False))
    return turns[::2], turns[1::2]


def _slope_width_s(speed: Signal) -> float:
    return max(2.4, 2.5 * speed.period_s)


def _acceleration(speed: Signal) -> np.ndarray:
    """Return the acceleration at each refresh of the speed in m/s2, smoothed over `_slope_width_s`; 0 where unknown."""
    slope = local_slope(speed, width_s=_slope_width_s(speed)) / 3.6
    slope[np.isnan(slope)] = 0.0
    return slope


def _full_by_acceleration(speed: Signal, engine: Signal | None) -> _FullLoad:
    """Without any load signal: acceleration near the best that this drive shows under like circumstances."""
    acceleration = _acceleration(speed)
    moving = speed.values / 3.6
    # Resistance of an ordinary car per unit mass: 1.1 % rolling, drag area 0.7 m2 on 1500 kg; only shares matter.
    effort = acceleration + 0.11 + 2.8e-4 * moving**2
    hard = effort * moving >= LEAST_FULL_W_KG
    if engine is None:
        like, building, full, sure = speed.values / 10, 0.4, 0.55, 0.75  # the unknown gear may halve the force
    else:
        turns = np.interp(speed.time_s, engine.time_s, engine.values)
        effort = effort * moving / np.maximum(turns, 500.0)  # force over gear ratio: torque per unit mass
        like, building, full, sure = turns / 300, 0.5, 0.6, 0.8
    share = effort / _best(effort, like.astype(int).clip(0), max(2, round(BEST_HELD_S / speed.period_s)))
    gaining = acceleration >= ACCELERATING_M_S2
    return _FullLoad(
        speed.time_s,
        _with_build_up(gaining & (share >= full), gaining & (share >= building), gaining),
        gaining & hard & (share >= sure),
        "acceleration",
        speed.max_gap_s,
        smear_s=_slope_width_s(speed),
        findings=(_judged_by("acceleration"),),
    )


def _best(effort: np.ndarray, bins: np.ndarray, held: int) -> np.ndarray:
    """Return, at each refresh, the effort reached ``held`` times in its bin and the bins beside it."""
    order = np.lexsort((effort, bins))
    ends = np.searchsorted(bins[order], np.arange(-1, bins.max() + 2), side="right")
    best = np.full(bins.max() + 1, np.inf)
    for k in range(len(best)):
        top = [effort[order[max(ends[j], ends[j + 1] - held) : ends[j + 1]]] for j in range(max(k - 1, 0), k + 2)]
        beside = np.sort(np.concatenate(top))
        if len(beside) >= held:
            best[k] = max(beside[-held], 1e-9)
    at_each: np.ndarray = best[bins]
    return at_each


def _outside_kpa(log: Log) -> float:
    barometer = log.get("barometric_pressure")
    return STANDARD_KPA if barometer is None else float(np.median(barometer.values))


def _none_full(signal: Signal, said: str, top: float, needed: float) -> _FullLoad:
    finding = Finding(
        code="no-full-load",
        severity="warning",
        message=f"{said}, so no full load was found in this log. A pull needs the pedal to the floor.",
        evidence={"highest_pct": round(top, 1), "needed_pct": needed},
    )
    nothing = np.zeros(len(signal.values), dtype=bool)
    return _FullLoad(signal.time_s, nothing, nothing, signal.channel, signal.max_gap_s, findings=(finding,))


def _judged_by(what: str) -> Finding:
    return Finding(
        code="full-load-judged",
        severity="warning",
        message=(
            f"No pedal or engine load in this log: full load was judged by the {what}, as the most that this log "
            "shows. If nobody went to the floor, its hardest accelerations stand for pulls. Log the pedal to be sure."
        ),
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
    slope = np.empty(len(t))
    # Running sums of squares over a whole drive would cancel to noise: each block has its own origin.
    for first in range(0, len(t), _BLOCK):
        last = min(first + _BLOCK, len(t))
        a, b = low[first], high[last - 1]
        slope[first:last] = _slopes(t[a:b] - t[first], y[a:b] - y[first], low[first:last] - a, high[first:last] - a)
    return slope


_BLOCK = 4096


def _slopes(t: np.ndarray, y: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Least squares: slope = (Sty - St Sy / n) / (Stt - St^2 / n), each sum over [low, high)."""

    def sums(x: np.ndarray) -> np.ndarray:
        total: np.ndarray = np.concatenate([[0.0], np.cumsum(x)])
        inside: np.ndarray = total[high] - total[low]
        return inside

    n = (high - low).astype(float)
    st, sy, stt, sty = sums(t), sums(y), sums(t * t), sums(t * y)
    spread = stt - st * st / n
    with np.errstate(divide="ignore", invalid="ignore"):
        slope: np.ndarray = (sty - st * sy / n) / spread
    slope[(n < 3) | (spread <= 0)] = np.nan
    return slope


# --- pulls -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Spell:
    """Full load from start to end, with the refreshes of the speed inside it and up to a period on either side."""

    start_s: float
    end_s: float
    start_kmh: float
    end_kmh: float
    time_s: np.ndarray
    kmh: np.ndarray
    before_kmh: np.ndarray
    after_kmh: np.ndarray

    @property
    def least_kmh(self) -> float:
        """Least speed it may have started at.

        Pedal and speed are refreshed at different moments, so an edge is known to about a refresh, in which a pull
        gains up to 8 km/h: the limits are judged by the refreshes on both sides of an edge.
        """
        return float(self.before_kmh.min(initial=self.start_kmh))

    @property
    def most_kmh(self) -> float:
        """Greatest speed it may have reached: as `least_kmh`, and by the last refreshes' line towards the lift."""
        most = max(self.end_kmh, self.kmh.max(initial=0.0), self.after_kmh.max(initial=0.0))
        t, v = self.time_s, self.kmh
        if len(t) >= 3:
            most = max(most, v[-1] + (v[-1] - v[-3]) / (t[-1] - t[-3]) * (self.end_s - t[-1]))
        return float(most)


def _pulls(speed: Signal, load: _FullLoad, protocol: Protocol) -> tuple[Run, ...]:
    edges = _full_spells(load, protocol.shift_lift_s)
    if load.source in ("intake_manifold_pressure", "acceleration"):
        edges = _redated(speed, edges, kinks=load.source == "acceleration")
    runs: list[Run] = []
    for spell in _spells(speed, edges):
        reason = _why_not(spell, speed.max_gap_s, protocol)
        if reason and spell.end_s - spell.start_s < MIN_PULL_S:
            continue  # a kick-down in traffic, not a pull that went wrong
        runs.append(
            Run(
                kind="pull",
                number=len(runs) + 1,
                start_s=spell.start_s,
                end_s=spell.end_s,
                start_kmh=spell.start_kmh,
                end_kmh=spell.end_kmh,
                included=not reason,
                reason=reason,
            )
        )
    return tuple(runs)


def _spells(speed: Signal, edges: list[tuple[float, float]]) -> Iterator[_Spell]:
    t, v = speed.time_s, speed.values
    times = np.array(edges).reshape(-1, 2)
    kmh = np.interp(times, t, v).tolist()
    before = np.searchsorted(t, times[:, 0] - speed.period_s, side="left")
    first = np.searchsorted(t, times[:, 0], side="left")
    after = np.searchsorted(t, times[:, 1], side="right")
    beyond = np.searchsorted(t, times[:, 1] + speed.period_s, side="right")
    for (start_s, end_s), (start_kmh, end_kmh), k, a, b, c in zip(
        edges, kmh, before.tolist(), first.tolist(), after.tolist(), beyond.tolist(), strict=True
    ):
        yield _Spell(start_s, end_s, start_kmh, end_kmh, t[a:b], v[a:b], v[k:a], v[b:c])


def _full_spells(load: _FullLoad, shift_lift_s: float) -> list[tuple[float, float]]:
    """Join the full-load refreshes into spells, over a lift as short as a gear change but never over a gap."""
    t = load.time_s
    first, after = _stretches(load.is_full)
    if not first.size:
        return []
    # A stretch of refreshes is cut at its gaps; the lift before it lasted at least from its first to its last refresh.
    gaps = np.flatnonzero(np.diff(t) > load.max_gap_s) + 1
    inside = gaps[load.is_full[gaps] & load.is_full[gaps - 1]]
    first, after = np.sort(np.concatenate([first, inside])), np.sort(np.concatenate([after, inside]))
    lift_s = t[first[1:] - 1] - t[after[:-1]]
    gapless = np.searchsorted(gaps, after[:-1], side="left") == np.searchsorted(gaps, first[1:], side="right")
    apart = np.flatnonzero(~((lift_s <= shift_lift_s + load.smear_s) & gapless))
    first, last = first[np.concatenate([[0], apart + 1])], after[np.concatenate([apart, [-1]])] - 1
    sure = np.concatenate([[0], np.cumsum(load.is_sure)])
    counts = sure[last + 1] > sure[first]
    return [
        (_edge(load, a - 1, a, own=a), _edge(load, b, b + 1, own=b))
        for a, b in zip(first[counts].tolist(), last[counts].tolist(), strict=True)
    ]


def _edge(load: _FullLoad, before: int, after: int, *, own: int) -> float:
    """Date a change between two refreshes: the middle is the best guess, unless the log or a gap ends there."""
    t = load.time_s
    if before < 0 or after >= len(t) or t[after] - t[before] > load.max_gap_s:
        return float(t[own])
    return float(t[before] + t[after]) / 2


def _redated(speed: Signal, edges: list[tuple[float, float]], *, kinks: bool) -> list[tuple[float, float]]:
    """Date pulls by the speed where load is told late: by its kinks, and back to where it began to rise."""
    still = np.flatnonzero(_acceleration(speed) < ACCELERATING_M_S2)
    redated: list[tuple[float, float]] = []
    for start_s, end_s in edges:
        if kinks:
            start_s, end_s = _kink(speed, start_s), _kink(speed, end_s)
        began_s = _began(speed, still, start_s)
        # At low engine speed the boost comes seconds after the pedal.
        if start_s - began_s > 1.0 + _slope_width_s(speed) / 2:
            start_s = min(start_s, _kink(speed, began_s))
        redated.append((max(start_s, redated[-1][1]) if redated else start_s, end_s))
    return redated


def _began(speed: Signal, still: np.ndarray, by_s: float) -> float:
    """Return the refresh after the last one before ``by_s`` at which the speed was not rising."""
    k = int(np.searchsorted(speed.time_s, by_s))
    last_still = int(np.searchsorted(still, k)) - 1
    began = int(still[last_still]) + 1 if last_still >= 0 else 0
    return float(speed.time_s[min(began, len(speed.time_s) - 1)])


def _kink(speed: Signal, near_s: float) -> float:
    """Return where two straight lines through the speed around ``near_s`` meet, by least squares."""
    reach_s = max(2.5, 2.5 * speed.period_s)
    t, v = speed.within(near_s - reach_s, near_s + reach_s)
    if len(t) < 5:
        return near_s
    places = t[1] + (t[-2] - t[1]) * _KINK_PLACES
    hinge = np.maximum(t - places[:, None], 0.0)
    # What is left of speed and hinge beside one straight line; the best hinge explains most of what is left.
    x = t - t.mean()
    line = x / np.sqrt(x @ x)
    v = v - v.mean()
    v = v - (v @ line) * line
    hinge -= hinge.mean(axis=1, keepdims=True)
    hinge -= (hinge @ line)[:, None] * line
    return float(places[np.argmax((hinge @ v) ** 2 / (hinge * hinge).sum(axis=1))])


_KINK_PLACES = np.linspace(0.0, 1.0, 41)


def _why_not(spell: _Spell, max_gap_s: float, protocol: Protocol) -> str:
    """Say why a pull does not count; empty if it does."""
    t, v = spell.time_s, spell.kmh
    longest_s = max(np.diff(t).max(initial=0.0), t[0] - spell.start_s, spell.end_s - t[-1]) if t.size else np.inf
    if longest_s > max_gap_s:
        return f"the speed has a gap of {min(longest_s, spell.end_s - spell.start_s):.1f} s inside"
    most_kmh = spell.most_kmh
    if most_kmh - spell.start_kmh < LEAST_GAIN_KMH:
        return "full load without gaining speed"
    latest_kmh, needed_kmh = protocol.pull_from_kmh + START_SLACK_KMH, protocol.pull_to_kmh - END_SLACK_KMH
    if spell.least_kmh > latest_kmh:
        return f"started at {spell.start_kmh:.0f} km/h, above {latest_kmh:.0f}"
    if most_kmh < needed_kmh:
        return f"lifted at {spell.end_kmh:.0f} km/h"
    fall_kmh = (np.maximum.accumulate(v) - v).max()
    if fall_kmh > MOST_FALL_KMH:
        return f"the speed fell by {fall_kmh:.0f} km/h at full load, as when spinning wheels grip"
    if _plateau(t, v, needed_kmh):
        return f"no speed gained for {PLATEAU_S:.0f} s at full load"
    return ""


def _plateau(t: np.ndarray, v: np.ndarray, needed_kmh: float) -> bool:
    """Say whether the speed stood still on the way to the goal; beyond the goal it may."""
    count = int(np.argmax(v >= min(needed_kmh, v.max()))) + 1
    if t[count - 1] - t[0] < PLATEAU_S:
        return False
    later = np.interp(t[:count] + PLATEAU_S, t[:count], v[:count], right=np.inf)
    return bool((later - v[:count] < PLATEAU_KMH).any())


# --- cruises ---------------------------------------------------------------------------------------------------


def _cruises(log: Log, speed: Signal, load: _FullLoad, protocol: Protocol) -> tuple[Run, ...]:
    runs: list[Run] = []
    light_kpa = _light_kpa(log)
    for first, last in _steady_windows(speed, protocol):
        start_s, end_s = float(speed.time_s[first]), float(speed.time_s[last])
        a, b = np.searchsorted(load.time_s, [start_s, end_s])
        if b > a and load.is_full[a:b].mean() > 0.1:
            reason = "full load while the speed stayed"
        else:
            reason = _load_trouble(log, start_s, end_s, light_kpa)
        runs.append(
            Run(
                kind="cruise",
                number=len(runs) + 1,
                start_s=start_s,
                end_s=end_s,
                start_kmh=float(speed.values[first]),
                end_kmh=float(speed.values[last]),
                included=not reason,
                reason=reason,
            )
        )
    return tuple(runs)


def _overruns(pulls: tuple[Run, ...], protocol: Protocol) -> tuple[Finding, ...]:
    """Say which pulls went on far beyond their goal: they heat the charge longer than one that ends there."""
    beyond = {run.name: run.end_kmh for run in pulls if run.included and run.end_kmh > protocol.pull_to_kmh + FAR_KMH}
    if not beyond:
        return ()
    said = ", ".join(f"{name} ({kmh:.0f} km/h)" for name, kmh in beyond.items())
    finding = Finding(
        code="pull-overruns",
        severity="note",
        message=(
            f"Full load went on far beyond {protocol.pull_to_kmh:g} km/h in {said}. Compare them only with pulls that "
            "end alike, or raise pull_to_kmh."
        ),
        evidence={"end_kmh": {name: round(kmh, 1) for name, kmh in beyond.items()}},
    )
    return (finding,)


def _load_trouble(log: Log, start_s: float, end_s: float, light_kpa: float) -> str:
    """Say so if the load of a steady-speed stretch is not light, or not steady."""
    for channel, light, swing in (
        ("engine_load", 75.0, 45.0),
        ("intake_manifold_pressure", light_kpa, 45.0),
        ("accelerator_position", 75.0, 30.0),
    ):
        signal = log.get(channel)
        if signal is None:
            continue
        _, values = signal.within(start_s, end_s)
        if values.size >= 5:
            low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
            words = channel.replace("_", " ")
            if middle > light:
                return f"{words} at {middle:.0f}: not a light load"
            return f"{words} swings by {high - low:.0f}" if high - low > swing else ""
    return ""


def _light_kpa(log: Log) -> float:
    """Return the manifold pressure up to which the load of a boosted engine is light."""
    pressure = log.get("intake_manifold_pressure")
    if pressure is None or len(pressure.values) < 2:
        return np.inf
    outside = _outside_kpa(log)
    return outside + max(30.0, LIGHT_BOOST * (_held_top(pressure.values) - outside))


def _steady_windows(speed: Signal, protocol: Protocol) -> list[tuple[int, int]]:
    """Return first and last refresh of each steady stretch: the longest has first choice, then in order of time."""
    t = speed.time_s
    firsts, lasts, levels = _steady_candidates(speed, protocol)
    queue = [(float(t[a] - t[b]), int(a), int(b), float(x)) for a, b, x in zip(firsts, lasts, levels, strict=True)]
    heapq.heapify(queue)
    taken: list[tuple[int, int]] = []
    while queue:
        _, a, b, level = heapq.heappop(queue)
        free = _largest_free(taken, a, b)
        if free != (a, b):
            a, b = _trim(speed, *free, level, protocol)
            if a < b and t[b] - t[a] >= protocol.cruise_min_s:
                heapq.heappush(queue, (float(t[a] - t[b]), a, b, level))
        elif abs(_median(speed.values[a : b + 1]) - level) <= LEVEL_STEP_KMH / 2:
            insort(taken, (a, b))
    return taken


def _steady_candidates(speed: Signal, protocol: Protocol) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return every stretch that stays about some level near the cruising speed: first, last and level."""
    ripple = protocol.cruise_ripple_kmh + ROUNDING_KMH
    near = np.flatnonzero(np.abs(speed.values - protocol.cruise_kmh) <= CRUISE_SLACK_KMH + ripple)
    if near.size < 2:
        return np.empty(0, int), np.empty(0, int), np.empty(0)
    t, v = speed.time_s[near], speed.values[near]
    joined = (np.diff(near) == 1) & (np.diff(t) <= speed.max_gap_s)
    found = []
    steps = round(CRUISE_SLACK_KMH / LEVEL_STEP_KMH)
    for level in protocol.cruise_kmh + LEVEL_STEP_KMH * np.arange(-steps, steps + 1):
        about = np.abs(v - level) <= ripple
        on = about[1:] & about[:-1] & joined
        first, last = _stretches(on)  # stretches of intervals, so the index after the last is the last refresh
        a, b = _trim_all(v, level, first, last, _settled_kmh(speed, protocol))
        long = t[b] - t[a] >= protocol.cruise_min_s
        found.append((near[a[long]], near[b[long]], np.full(long.sum(), level)))
    firsts, lasts, levels = (np.concatenate(part) for part in zip(*found, strict=True))
    return firsts, lasts, levels


def _median(values: np.ndarray) -> float:
    """As ``numpy.median``, without its overhead: a long log has thousands of steady stretches."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    parted = np.partition(values, (low, high))
    return float(parted[low] + parted[high]) / 2


def _settled_kmh(speed: Signal, protocol: Protocol) -> float:
    return max(speed.resolution, protocol.cruise_ripple_kmh / 2) + ROUNDING_KMH


def _trim_all(
    v: np.ndarray, level: float, first: np.ndarray, last: np.ndarray, settled: float
) -> tuple[np.ndarray, np.ndarray]:
    """Take off the ends that still belong to a change of speed; a stretch that never settles shrinks to nothing."""
    calm = np.flatnonzero(np.abs(v - level) <= settled)
    if not calm.size:
        return first[:0], last[:0]
    a = calm[np.searchsorted(calm, first).clip(0, len(calm) - 1)]
    b = calm[(np.searchsorted(calm, last, side="right") - 1).clip(0)]
    good = (a >= first) & (b <= last) & (a < b)
    return a[good], b[good]


def _trim(speed: Signal, a: int, b: int, level: float, protocol: Protocol) -> tuple[int, int]:
    if a >= b:
        return a, a
    ends = np.array([0]), np.array([b - a])
    first, last = _trim_all(speed.values[a : b + 1], level, *ends, _settled_kmh(speed, protocol))
    return (a + int(first[0]), a + int(last[0])) if first.size else (a, a)


def _largest_free(taken: list[tuple[int, int]], a: int, b: int) -> tuple[int, int]:
    """Return the largest part of [a, b] that no taken stretch covers."""
    pieces, start = [], a
    for k in range(max(0, bisect_left(taken, (a, a)) - 1), len(taken)):
        first, last = taken[k]
        if first > b:
            break
        if last >= a:
            pieces.append((start, first - 1))
            start = last + 1
    pieces.append((start, b))
    return max(pieces, key=lambda piece: piece[1] - piece[0])
