"""Find the runs in a log: pulls (one unbroken full-load acceleration) and cruises (steady speed)."""

from __future__ import annotations

import heapq
from bisect import bisect_left, insort
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from pullbook.errors import Finding
from pullbook.reading.logs import Log, Signal
from pullbook.runs.by_hand import ByHand, by_hand, marked_findings
from pullbook.runs.full_load import (
    ACCELERATING_M_S2,
    FullLoad,
    acceleration_of,
    full_load,
    full_spells,
    held_top,
    pedal_travel,
    slope_width_s,
    stretches,
)
from pullbook.runs.goal import END_SLACK_KMH, latest_start_kmh, least_gain_kmh, needed_end_kmh, slowest_kmh
from pullbook.runs.part_throttle import PartThrottle, part_throttle
from pullbook.settings.experiment import Marked, Protocol
from pullbook.text import counted

Kind = Literal["pull", "cruise"]

MIN_PULL_S = 3.0
STANDING_SHOWN_KMH = 1.5  # a sensor in whole km/h, or in mph, shows up to this of a car that stands
LAUNCH_S = 4.0  # from leaving to full load and boost in a standing start
LAG_S = 2.0  # a speed that is filtered, or of a satellite, shows up to this long afterwards what the pedal did
STANDS_S = 1.0  # after its peak: a speed that still rises then was not lifted from
RISES_S, RISES_KPA_S = 0.5, 4.0  # over which, and by how much, boost rises that builds up; noise is about 1 kPa
RISES_SHARE = 0.25  # of the steepest of the rise: at less, the pedal was not down yet
LEAST_GAIN_KMH = 5.0
MOST_FALL_KMH = 6.0  # a gear change costs less, even uphill; wheels that grip again fall further
PLATEAU_S, PLATEAU_KMH = 10.0, 2.0
FAR_KMH = 20.0
LEAST_LIGHT_KPA = 50.0  # above outside; a log of a cruise alone shows no greater boost to measure by
LIGHT_BOOST = 0.7  # of the greatest boost in the log
CRUISE_SLACK_KMH = 5.0
LEVEL_STEP_KMH = 0.5  # the median of whole km/h is a multiple of it
ROUNDING_KMH = 0.1  # a log in mph rounds the sensor's whole km/h


@dataclass(frozen=True, kw_only=True)
class Run:
    """A stretch of a log.

    Attributes
    ----------
    kind : {"pull", "cruise"}
    number : int
        Place in the drive's sequence of its kind, from 1, refused candidates included.
    start_s, end_s : float
        Seconds since the log's first stamp; NaN for one that a person wrote down.
    start_kmh, end_kmh : float
        Road speed there.
    included : bool
        Whether it counts.
    reason : str
        Why it is not included; empty if it is.
    left_out : bool
        True if it would be included but for the person's wish.
    part_throttle : bool
        True if it is none for want of full load, but looks like one.
    marked : str
        Why a person marked it by hand; empty for what was found.
    undetected : str
        Of one marked by hand, why it had not counted by itself.
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
    part_throttle: bool = False
    marked: str = ""
    undetected: str = ""

    @property
    def name(self) -> str:
        """The run as a person names it, such as ``pull 3``."""
        return f"{self.kind} {self.number}"

    @property
    def timed(self) -> bool:
        """Whether it was found in a log; one that a person wrote down has no place in time."""
        return bool(np.isfinite(self.start_s))


@dataclass(frozen=True, kw_only=True)
class Runs:
    """The runs of one log.

    Attributes
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
        """Exclude the runs a person named; a name that fits no run is a finding.

        Parameters
        ----------
        reasons : mapping of str to str
            Why, by the run's name, such as ``pull 3``; a run with an empty reason counts.

        Returns
        -------
        Runs
        """

        def decide(run: Run) -> Run:
            reason = reasons.get(run.name)
            if not reason:
                return run
            return replace(run, included=False, reason=f"left out: {reason}", left_out=run.included)

        known = {run.name for run in self.all}
        held = f"{counted(len(self.pulls), 'pull')} and {counted(len(self.cruises), 'cruise')}"
        strays = [name for name in reasons if name not in known]
        findings = [
            Finding(
                code="leave-out-unknown",
                severity="warning",
                message=f"leave_out names {name!r}, but this log has only {held}.",
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


def find_runs(
    log: Log,
    protocol: Protocol,
    *,
    travel: tuple[float, float] | None = None,
    needed_kmh: Sequence[float] = (),
    marks: Sequence[Marked] = (),
) -> Runs:
    """Find the pulls and cruises of a log.

    Parameters
    ----------
    log : Log
        Needs ``vehicle_speed``.
    protocol : Protocol
        Speeds the drive was meant to keep.
    travel : (float, float), optional
        Rest and top of the pedal over all logs of the experiment [%] (`pedal_travel`); by default from this log.
    needed_kmh : sequence of float, optional
        Speeds that the outcome needs a pull to pass (`pullbook.settings.outcomes.speeds_of`); by default none, and a
        pull has to go to the protocol's end (`pullbook.runs.goal.needed_end_kmh`).
    marks : sequence of Marked, optional
        Pulls that a person marked by hand: each counts, in place of the refused candidates that it covers.

    Returns
    -------
    Runs

    Raises
    ------
    LogError
        When the log has no vehicle speed, or a mark lies outside it or over a pull that counts.

    Notes
    -----
    Full load is judged from the pedal, else by the engine load, else by the manifold pressure, else by the acceleration
    itself (with the engine speed, if logged, to allow for the gear). The last two know full load only as the most that
    this log shows: where nobody ever floored the pedal they take the hardest acceleration for it. They also date the
    start of a pull to where the speed began to rise, since the boost may come seconds after the pedal; a driver who
    presses the pedal slowly then starts earlier than by the pedal. The finding ``full-load-judged`` says by what they
    went.

    An edge lies halfway between the refreshes on its two sides, so it is off by half a period at most, and by the time
    the pedal takes. The speed at the lift is that of the last refreshes carried on to the lift. A standing start begins
    when the car leaves, where nothing tells of the pedal, and where the pull has to start from rest.
    """
    speed = log.need("vehicle_speed")
    load = full_load(log, speed, travel or pedal_travel([log]))
    pulls = _pulls(log, speed, load, protocol, needed_kmh)
    marked = by_hand(marks, pulls, log=log, speed=speed, load=load)
    pulls = _with_marked(pulls, marked)
    cruises = _cruises(log, speed, load, protocol)
    findings = (
        *marked_findings(marked, [run.name for run in pulls if run.marked]),
        *load.findings,
        *_overruns(pulls, protocol),
        *_lifts(pulls, load),
    )
    return Runs(pulls=pulls, cruises=cruises, full_load_from=load.source, findings=findings)


# --- pulls -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Spell:
    """Full load from start to end, with the refreshes of the speed inside it and up to a period on either side.

    ``late_kmh`` are those by which a speed that lags shows its peak, empty where it shows none.
    """

    start_s: float
    end_s: float
    shown_kmh: float
    end_kmh: float
    time_s: np.ndarray
    kmh: np.ndarray
    before_kmh: np.ndarray
    after_kmh: np.ndarray
    late_kmh: np.ndarray
    has_gap: bool

    @cached_property
    def start_kmh(self) -> float:
        """Speed at the start: at full load no speed falls, so what falls a little longer is shown late."""
        return float(min(self.shown_kmh, self.kmh[self.turn] if self.kmh.size else self.shown_kmh))

    @cached_property
    def turn(self) -> int:
        """Index of the slowest refresh of those that may still show what came before the start."""
        soon = self.kmh[: int(np.searchsorted(self.time_s, self.start_s + LAG_S, side="right"))]
        return int(np.argmin(soon)) if soon.size else 0

    @property
    def least_kmh(self) -> float:
        """Least speed it may have started at.

        Pedal and speed are refreshed at different moments, so an edge is known to about a refresh, in which a pull
        gains up to 8 km/h: the limits are judged by the refreshes on both sides of an edge.
        """
        return float(self.before_kmh.min(initial=self.start_kmh))

    @cached_property
    def seen_kmh(self) -> float:
        """Greatest speed that a refresh shows, up to a period after the lift, or to the peak of a speed that lags."""
        return float(max(part.max(initial=0.0) for part in (self.kmh, self.after_kmh, self.late_kmh)))

    @cached_property
    def lift_kmh(self) -> float:
        """Speed at the lift: between the refreshes on its two sides, or by the last ones' line if that is more.

        A speed that lags rises on after the lift: then it is the peak that it comes to.
        """
        t, v = self.time_s, self.kmh
        shown = float(max(self.end_kmh, self.late_kmh.max(initial=0.0)))
        if len(t) < 3 or v[-1] <= v[-3]:
            return shown
        return float(max(shown, v[-1] + (v[-1] - v[-3]) / (t[-1] - t[-3]) * (self.end_s - t[-1])))

    @cached_property
    def most_kmh(self) -> float:
        """Greatest speed it may have reached: as `least_kmh`, and by the last refreshes' line towards the lift."""
        return max(self.seen_kmh, self.lift_kmh)


def _pulls(log: Log, speed: Signal, load: FullLoad, protocol: Protocol, needed_kmh: Sequence[float]) -> tuple[Run, ...]:
    edges = full_spells(load, protocol.shift_lift_s, speed)
    latest_kmh = latest_start_kmh(protocol, needed_kmh)
    if load.source in ("intake_manifold_pressure", "acceleration"):
        edges = _redated(
            speed, edges, boost=log.get("intake_manifold_pressure") if load.source != "acceleration" else None
        )
        latest_kmh_of_standing = 0.0
    else:
        latest_kmh_of_standing = latest_kmh  # the pedal dates the start, unless it is too late for one from rest
    edges = _from_rest(speed, edges, latest_kmh_of_standing)
    spells = list(_spells(speed, edges))
    troubles = [_trouble(spell, speed.max_gap_s, latest_kmh) for spell in spells]
    reached = [s.most_kmh for s, trouble in zip(spells, troubles, strict=True) if not trouble]
    doubt = load.source != "acceleration" or len(reached) > 1  # with nothing but the speed, one alone may be traffic
    needed = needed_end_kmh(protocol, reached, needed_kmh, benefit_of_doubt=doubt)
    found: list[_Spell | PartThrottle] = []
    reasons: dict[float, str] = {}
    for spell, trouble in zip(spells, troubles, strict=True):
        short = _why_short(spell, needed, protocol, needed_kmh)
        reason = trouble or (short and _blind(load, spell)) or short or _unsteady(spell, needed)
        if not reason or spell.end_s - spell.start_s >= MIN_PULL_S:  # else a kick-down in traffic
            found.append(spell)
            reasons[spell.start_s] = reason
    for near in part_throttle(log, speed, load, protocol, [(spell.start_s, spell.end_s) for spell in found]):
        found.append(near)
        reasons[near.start_s] = near.reason
    return tuple(
        Run(
            kind="pull",
            number=number,
            start_s=one.start_s,
            end_s=one.end_s,
            start_kmh=one.start_kmh,
            end_kmh=one.lift_kmh,
            included=not reasons[one.start_s],
            reason=reasons[one.start_s],
            part_throttle=isinstance(one, PartThrottle),
        )
        for number, one in enumerate(sorted(found, key=lambda one: one.start_s), 1)
    )


def _with_marked(pulls: tuple[Run, ...], marked: Sequence[ByHand]) -> tuple[Run, ...]:
    """Put pulls marked by hand in the place of the candidates that they cover, and number all anew."""
    covered = {run.number for one in marked for run in one.covers}
    by_person = [
        Run(
            kind="pull",
            number=0,
            start_s=one.mark.start_s,
            end_s=one.mark.end_s,
            start_kmh=one.start_kmh,
            end_kmh=one.end_kmh,
            included=True,
            marked=one.mark.reason,
            undetected=one.undetected,
        )
        for one in marked
    ]
    kept = [run for run in pulls if run.number not in covered]
    ordered = sorted([*kept, *by_person], key=lambda run: run.start_s)
    return tuple(replace(run, number=number) for number, run in enumerate(ordered, 1))


def _spells(speed: Signal, edges: list[tuple[float, float]]) -> Iterator[_Spell]:
    t, v = speed.time_s, speed.values
    times = np.array(edges).reshape(-1, 2)
    kmh = np.interp(times, t, v).tolist()
    before = np.searchsorted(t, times[:, 0] - speed.period_s, side="left")
    first = np.searchsorted(t, times[:, 0], side="left")
    after = np.searchsorted(t, times[:, 1], side="right")
    beyond = np.searchsorted(t, times[:, 1] + speed.period_s, side="right")
    gaps = np.flatnonzero(np.diff(t) > speed.max_gap_s)
    has_gap = np.searchsorted(gaps, after - 1) > np.searchsorted(gaps, first)
    for (start_s, end_s), (start_kmh, end_kmh), k, a, b, c, gap in zip(
        edges, kmh, before.tolist(), first.tolist(), after.tolist(), beyond.tolist(), has_gap.tolist(), strict=True
    ):
        late = _to_peak(speed, end_s, b)
        yield _Spell(start_s, end_s, start_kmh, end_kmh, t[a:b], v[a:b], v[k:a], v[b:c], late, gap)


def _to_peak(speed: Signal, lift_s: float, first: int) -> np.ndarray:
    """Return the refreshes from ``first`` on to the peak after a lift; none if the speed does not stand by then."""
    t, v = speed.time_s, speed.values
    reach_s = LAG_S + speed.period_s
    last = int(np.searchsorted(t, lift_s + reach_s + STANDS_S + speed.period_s, side="right"))
    if last - first < 2 or np.diff(t[first:last]).max() > speed.max_gap_s:
        return v[:0]
    peak = first + int(np.argmax(v[first:last]))
    stands = t[last - 1] - t[peak] >= STANDS_S
    return v[first : peak + 1] if stands and t[peak] <= lift_s + reach_s else v[:0]


def _redated(speed: Signal, edges: list[tuple[float, float]], *, boost: Signal | None) -> list[tuple[float, float]]:
    """Date pulls where the load shows them late: back to where the speed or the boost began to rise.

    Without a boost, the kinks of the speed date both edges.
    """
    still = np.flatnonzero(acceleration_of(speed) < ACCELERATING_M_S2)
    redated: list[tuple[float, float]] = []
    for start_s, end_s in edges:
        if boost is None:
            start_s, end_s = _kink(speed, start_s), _kink(speed, end_s)
        risen_s = start_s if boost is None else _risen_from(boost, start_s)
        began_s = _began(speed, still, start_s)
        # At low engine speed the boost comes seconds after the pedal.
        if start_s - began_s > 1.0 + slope_width_s(speed) / 2:
            start_s = min(start_s, _kink(speed, began_s))
        start_s = min(start_s, risen_s)
        redated.append((max(start_s, redated[-1][1]) if redated else start_s, end_s))
    return redated


def _risen_from(boost: Signal, by_s: float) -> float:
    """Return when the boost began to rise towards what it is at ``by_s``: before, it rose at a fraction of the pace."""
    t, v = boost.time_s, boost.values
    k = int(np.searchsorted(t, by_s, side="right"))
    step_s = max(RISES_S, boost.period_s)
    steepest = RISES_KPA_S / RISES_SHARE
    # Compared over a fixed time, so that the noise of a fast signal does not stop the way back.
    while 0 < k < len(t) and t[k] - t[k - 1] <= boost.max_gap_s:
        ago = max(0, int(np.searchsorted(t, t[k] - step_s, side="right")) - 1)
        pace = float(v[k] - v[ago]) / float(t[k] - t[ago])
        steepest = max(steepest, pace)
        if pace < RISES_SHARE * steepest:
            break
        k -= 1
    if not k + 1 < len(t):
        return by_s
    # Between the last refresh before the rise and the first in it, where its line comes from.
    return min(by_s, max(float(t[k]), float(t[k + 1] - (v[k + 1] - v[k]) / steepest)))


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
    # What is left of the hinge beside one straight line; the best hinge explains most of what the line leaves.
    x = t - t.mean()
    line = x / np.sqrt(x @ x)
    hinge -= hinge.mean(axis=1, keepdims=True)
    hinge -= (hinge @ line)[:, None] * line
    return float(places[np.argmax((hinge @ v) ** 2 / (hinge * hinge).sum(axis=1))])


_KINK_PLACES = np.linspace(0.0, 1.0, 41)


def _from_rest(speed: Signal, edges: list[tuple[float, float]], above_kmh: float) -> list[tuple[float, float]]:
    """Date those pulls that start above a speed back to when the car left, if it stood up to `LAUNCH_S` before."""
    t, v = speed.time_s, speed.values
    standing = np.flatnonzero(v <= STANDING_SHOWN_KMH)
    dated: list[tuple[float, float]] = []
    for start_s, end_s in edges:
        k = int(np.searchsorted(t, start_s, side="right"))
        place = int(np.searchsorted(standing, k)) - 1
        if place >= 0 and np.interp(start_s, t, v) > above_kmh:
            left = int(standing[place])
            left_s = leaving_s(t[left : left + 4], v[left : left + 4])
            rises = bool((np.diff(v[left : k + 1]) >= 0).all())
            if rises and start_s - left_s <= LAUNCH_S and t[left + 1] - t[left] <= speed.max_gap_s:
                start_s = min(start_s, max(left_s, dated[-1][1] if dated else left_s))
        dated.append((start_s, end_s))
    return dated


def leaving_s(t: np.ndarray, v: np.ndarray) -> float:
    """Return when the car left, from its last refresh at rest and up to three that follow: their line, down to rest.

    Parameters
    ----------
    t, v : ndarray of float, shape (n,)
        Time [s] and speed [km/h].

    Returns
    -------
    float
        [s], between the first two.
    """
    if len(t) < 3 or v[-1] <= v[1]:
        return float(t[0])
    slope = (v[-1] - v[1]) / (t[-1] - t[1])
    return float(np.clip(t[1] - v[1] / slope, t[0], t[1]))


def _trouble(spell: _Spell, max_gap_s: float, latest_kmh: float) -> str:
    """Say why a pull does not count wherever it ends: a gap, no speed gained, or begun too late; empty if it may."""
    t = spell.time_s
    inside_s = np.diff(t).max() if spell.has_gap else 0.0  # looked for only where there is one
    longest_s = max(inside_s, t[0] - spell.start_s, spell.end_s - t[-1]) if t.size else np.inf
    if longest_s > max_gap_s:
        return f"a gap of {min(longest_s, spell.end_s - spell.start_s):.1f} s in the speed"
    if spell.most_kmh - spell.start_kmh < LEAST_GAIN_KMH:
        return "full load, but no speed gained"
    if spell.least_kmh > latest_kmh:
        digits = int(f"{spell.start_kmh:.0f}" == f"{latest_kmh:.0f}")  # 50.3 is above 50, but not as "50"
        return f"started at {spell.start_kmh:.{digits}f} km/h, above {latest_kmh:.{digits}f} km/h"
    return ""


def _why_short(spell: _Spell, needed: float, protocol: Protocol, needed_kmh: Sequence[float]) -> str:
    """Say why a pull did not go far enough; empty if it did."""
    if needed_kmh:
        # The moment it passes a speed is interpolated, so a refresh has to show that speed.
        if spell.seen_kmh >= needed:
            return ""
        if spell.lift_kmh >= needed:
            return f"passed {needed:g} km/h between two refreshes, so the moment was not logged"
        return f"lifted at {spell.lift_kmh:.0f} km/h, before {needed:g} km/h"
    enough = protocol.pull_to_kmh - END_SLACK_KMH
    gained_to = min(enough, spell.least_kmh + least_gain_kmh(protocol))
    if spell.most_kmh >= max(needed, gained_to):
        return ""
    others = spell.most_kmh >= max(slowest_kmh(enough), gained_to)
    return f"lifted at {spell.lift_kmh:.0f} km/h" + (", earlier than most of this drive" if others else "")


def _blind(load: FullLoad, spell: _Spell) -> str:
    """Say so where full load ends in a gap of what shows it: missing is not lifted; empty if it does not."""
    t = load.time_s
    k = int(np.searchsorted(t, spell.end_s, side="right"))
    if not 0 < k < len(t) or t[k] - t[k - 1] <= load.max_gap_s or load.source == "acceleration":
        return ""
    words = load.source.replace("_", " ").replace("accelerator position", "pedal")
    return f"no {words} reading for {t[k] - t[k - 1]:.0f} s from {spell.lift_kmh:.0f} km/h on"


def _unsteady(spell: _Spell, needed: float) -> str:
    """Say so where the speed did not rise all the way."""
    t, v = spell.time_s[spell.turn :], spell.kmh[spell.turn :]  # shown late, it falls from before the pull
    fall_kmh = (np.maximum.accumulate(v) - v).max()
    if fall_kmh > MOST_FALL_KMH:
        return f"the speed fell by {fall_kmh:.0f} km/h at full load, as if spinning wheels gripped"
    if _plateau(t, v, needed):
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


def _cruises(log: Log, speed: Signal, load: FullLoad, protocol: Protocol) -> tuple[Run, ...]:
    runs: list[Run] = []
    light_kpa = _light_kpa(log)
    for first, last in _steady_windows(speed, protocol):
        start_s, end_s = float(speed.time_s[first]), float(speed.time_s[last])
        a, b = np.searchsorted(load.time_s, [start_s, end_s])
        if b > a and load.is_full[a:b].mean() > 0.1:
            reason = "full load at a steady speed"
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


def _overruns(pulls: tuple[Run, ...], protocol: Protocol) -> Iterator[Finding]:
    """Say which pulls went on far beyond their goal: they heat the charge longer than one that ends there."""
    beyond = {run.name: run.end_kmh for run in pulls if run.included and run.end_kmh > protocol.pull_to_kmh + FAR_KMH}
    if not beyond:
        return
    said = ", ".join(f"{name} ({kmh:.0f} km/h)" for name, kmh in beyond.items())
    yield Finding(
        code="pull-overruns",
        severity="note",
        message=(
            f"Full load went on far beyond {protocol.pull_to_kmh:g} km/h in {said}. Compare such pulls only with "
            "others that end there, or raise pull_to_kmh under protocol."
        ),
        evidence={"end_kmh": {name: round(kmh, 1) for name, kmh in beyond.items()}},
    )


def _lifts(pulls: tuple[Run, ...], load: FullLoad) -> Iterator[Finding]:
    """Say which pulls hold a lift that was taken for a gear change where most others hold none."""
    if load.smoothing_s or load.source == "intake_manifold_pressure":
        return  # judged from the speed or the boost, a lift has no length of its own
    included = [run for run in pulls if run.included]
    lifts: dict[str, float] = {}
    for run in included:
        a, b = np.searchsorted(load.time_s, [run.start_s, run.end_s])
        first, after = stretches(~load.is_full[a:b])
        inside = (first > 0) & (after < b - a)  # a lift at either end belongs to the start or the end
        if inside.any():
            lifts[run.name] = float((load.time_s[a + after[inside]] - load.time_s[a + first[inside] - 1]).max())
    if not lifts or len(lifts) > len(included) / 2:
        return
    said = ", ".join(f"{name} (up to {lift:.1f} s)" for name, lift in lifts.items())
    yield Finding(
        code="lift-inside",
        severity="warning",
        message=(
            f"A lift in {said} was taken for a gear change, but most pulls of this drive have none. If you didn't "
            "change gear, leave that pull out. If no pull has a gear change, set shift_lift_s: 0 under protocol."
        ),
        evidence={"lift_s": {name: round(lift, 2) for name, lift in lifts.items()}},
    )


def _load_trouble(log: Log, start_s: float, end_s: float, light_kpa: float) -> str:
    """Say so if the load of a steady-speed stretch is not light, or not steady."""
    for channel, light, swing, unit in (
        ("engine_load", 75.0, 45.0, "%"),
        ("intake_manifold_pressure", light_kpa, 45.0, "kPa"),
        ("accelerator_position", 75.0, 30.0, "%"),
    ):
        signal = log.get(channel)
        if signal is None:
            continue
        _, values = signal.within(start_s, end_s)
        if values.size >= 5:
            low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
            words = channel.replace("_", " ")
            if middle > light:
                return f"not a light load: {words} at {middle:.0f} {unit}"
            return f"{words} swings by {high - low:.0f} {unit}" if high - low > swing else ""
    return ""


def _light_kpa(log: Log) -> float:
    """Return the manifold pressure up to which the load of a boosted engine is light."""
    pressure = log.get("intake_manifold_pressure")
    if pressure is None or len(pressure.values) < 2:
        return np.inf
    return log.outside_kpa + max(LEAST_LIGHT_KPA, LIGHT_BOOST * (held_top(pressure.values) - log.outside_kpa))


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
    settled = _settled_kmh(speed, protocol)

    def about(level: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        off = np.abs(v - level)
        on = off <= ripple
        # Stretches of intervals, so the index after the last is the last refresh.
        first, last = stretches(on[1:] & on[:-1] & joined)
        a, b = _trim_all(off <= settled, first, last)
        long = t[b] - t[a] >= protocol.cruise_min_s
        return near[a[long]], near[b[long]], np.full(long.sum(), level)

    steps = round(CRUISE_SLACK_KMH / LEVEL_STEP_KMH)
    found = map(about, protocol.cruise_kmh + LEVEL_STEP_KMH * np.arange(-steps, steps + 1))
    firsts, lasts, levels = (np.concatenate(part) for part in zip(*found, strict=True))
    return firsts, lasts, levels


def _median(values: np.ndarray) -> float:
    """As ``numpy.median``, without its overhead: a long log has thousands of steady stretches."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    parted = np.partition(values, (low, high))
    return float(parted[low] + parted[high]) / 2


def _settled_kmh(speed: Signal, protocol: Protocol) -> float:
    return max(speed.resolution, protocol.cruise_ripple_kmh / 2) + ROUNDING_KMH


def _trim_all(settled: np.ndarray, first: np.ndarray, last: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Take off the ends that still belong to a change of speed; a stretch that never settles shrinks to nothing."""
    calm = np.flatnonzero(settled)
    if not calm.size:
        return first[:0], last[:0]
    a = calm[np.searchsorted(calm, first).clip(max=len(calm) - 1)]
    b = calm[(np.searchsorted(calm, last, side="right") - 1).clip(min=0)]
    good = a < b  # where nothing between first and last is calm, a is at b or beyond it
    return a[good], b[good]


def _trim(speed: Signal, a: int, b: int, level: float, protocol: Protocol) -> tuple[int, int]:
    if a >= b:
        return a, a
    ends = np.array([0]), np.array([b - a])
    settled = np.abs(speed.values[a : b + 1] - level) <= _settled_kmh(speed, protocol)
    first, last = _trim_all(settled, *ends)
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
