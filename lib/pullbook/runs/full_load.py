"""Was it full load? Judged from the pedal, else the engine load, else the manifold pressure, else the acceleration."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from pullbook.errors import Finding
from pullbook.reading.logs import Log, Signal

FULL_OF_TRAVEL = 0.85  # full load counts from this fraction of the pedal's own travel
LEAST_FULL_PEDAL_PCT = 70.0  # a pedal below this has not been to the floor, unless the engine load says so
LEAST_TRAVEL_PCT = 10.0  # a pedal channel that moves less says nothing
LEAST_FULL_LOAD_PCT = 80.0
LEAST_BOOST_KPA = 30.0
SURE_BOOST = 0.85  # of the greatest boost in the log: surely full load
LEAST_FULL_W_KG = 20.0  # at the wheels; 3.5 t with 90 kW give 24, ordinary driving up to 60 km/h stays below
BEST_HELD_S = 4.0  # so that one bump, jump of a signal or spin of the wheels does not set the best acceleration
RISING_S, RISING_SHARE = 1.0, 0.1  # over which, and by how much of its top, a load rises that builds up
PRESSED_SHARE, PRESSED_S = 0.3, 1.5  # a load that rises by so much and is gone so soon: a pedal that changed the gear
ACCELERATING_M_S2 = 0.3  # a grade of 3 % gives as much
LEAST_BLANK = 2.5 / 3.0  # of the longest gap, three periods: from here on two refreshes are missing
TWO_MISSING = 3.5 / 3.0  # with stamps that jitter
BESIDE_S = 3.0  # next to a gap, in which the speed's usual gain is read
KEPT_SHARE = 0.6  # of that gain: with less, a lift longer than a gear change would fit into the gap


@dataclass(frozen=True)
class FullLoad:
    """Full load or not, at the n refreshes of the signal it is judged from.

    Attributes
    ----------
    time_s : ndarray of float, shape (n,)
        Seconds since the log's first stamp.
    is_full : ndarray of bool, shape (n,)
        A spell of full load lasts while it holds.
    is_sure : ndarray of bool, shape (n,)
        The spell counts only if this holds somewhere in it.
    level : ndarray of float, shape (n,)
        What was judged, as a share of where full load begins: 0 is no load, 1 is full.
    said : callable of float to str
        Such a share in words, with where full load begins.
    source : str
        The channel that tells, or ``acceleration``.
    max_gap_s : float
        Longest time between refreshes that may be bridged [s].
    smoothing_s : float
        A lift looks longer by up to this than it was [s].
    findings : tuple of Finding
    """

    time_s: np.ndarray
    is_full: np.ndarray
    is_sure: np.ndarray
    level: np.ndarray
    said: Callable[[float], str]
    source: str
    max_gap_s: float
    smoothing_s: float = 0.0
    findings: tuple[Finding, ...] = ()


def pedal_travel(logs: Iterable[Log]) -> tuple[float, float] | None:
    """Return rest and top of the pedal over an experiment's logs.

    The top has to be held for two refreshes, so that one stray reading does not set it.

    Parameters
    ----------
    logs : iterable of Log

    Returns
    -------
    (float, float) or None
        Rest and top [%]; None without a pedal channel.
    """
    rests, tops = [], []
    for log in logs:
        signal = log.get("accelerator_position")
        if signal is not None and len(signal.values) >= 10:
            rests.append(float(np.quantile(signal.values, 0.01)))
            tops.append(held_top(signal.values))
    return (min(rests), max(tops)) if rests else None


def full_load(log: Log, speed: Signal, travel: tuple[float, float] | None) -> FullLoad:
    """Judge full load from the best signal of a log: pedal, engine load, manifold pressure, else the acceleration.

    Parameters
    ----------
    log : Log
    speed : Signal
        The log's vehicle speed [km/h].
    travel : (float, float) or None
        Rest and top of the pedal over the experiment [%], from `pedal_travel`.

    Returns
    -------
    FullLoad
    """
    pedal, load, pressure = map(log.get, ("accelerator_position", "engine_load", "intake_manifold_pressure"))
    if pedal is not None and travel is not None and travel[1] - travel[0] >= LEAST_TRAVEL_PCT:
        return _full_by_pedal(pedal, load, travel)
    if load is not None and len(load.values) >= 10:
        return _full_by_load(load, speed)
    if pressure is not None and _is_boosted(pressure, log.outside_kpa):
        return _full_by_pressure(pressure, speed, log.outside_kpa)
    return _full_by_acceleration(speed, log.get("engine_speed"))


def _is_boosted(pressure: Signal, outside_kpa: float) -> bool:
    return len(pressure.values) >= 10 and held_top(pressure.values) >= LEAST_BOOST_KPA + outside_kpa


def held_top(values: np.ndarray) -> float:
    """Return the greatest value held for two refreshes.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Two or more.

    Returns
    -------
    float
        In the unit of the values.
    """
    return float(np.minimum(values[1:], values[:-1]).max())


def _full_by_pedal(pedal: Signal, load: Signal | None, travel: tuple[float, float]) -> FullLoad:
    rest, top = travel
    backed = top < LEAST_FULL_PEDAL_PCT and load is not None and held_top(load.values) >= 95.0
    if top < LEAST_FULL_PEDAL_PCT and not backed:
        return _none_full(pedal, "pedal", top, LEAST_FULL_PEDAL_PCT, rest=rest)
    # The share of travel alone would call 62 % full where 70 % was the most anyone pressed.
    least = 0.0 if backed else LEAST_FULL_PEDAL_PCT
    begins = max(least, rest + FULL_OF_TRAVEL * (top - rest))
    full = pedal.values >= begins
    level, said = _judged(pedal.values, "pedal", "%", rest=rest, begins=begins)
    return FullLoad(pedal.time_s, full, full, level, said, pedal.channel, pedal.max_gap_s)


def _judged(
    values: np.ndarray, words: str, unit: str, *, rest: float, begins: float
) -> tuple[np.ndarray, Callable[[float], str]]:
    """Return values as shares of where full load begins, and how to say such a share."""

    def said(share: float) -> str:
        return f"{words} at {rest + share * (begins - rest):.0f} {unit}, full load starts at {begins:.0f} {unit}"

    return (values - rest) / (begins - rest), said


def _full_by_load(load: Signal, speed: Signal) -> FullLoad:
    top = held_top(load.values)
    if top < LEAST_FULL_LOAD_PCT:
        return _none_full(load, "engine load", top, LEAST_FULL_LOAD_PCT)
    # Part load shows as it is, so the bar can be high; before the boost is there, full load is half of the top.
    judged = _judged(load.values, "engine load", "%", rest=0.0, begins=0.92 * top)
    return _full_by_share(load, speed, load.values / top, judged, sure=0.92, full=0.85, building=0.45)


def _full_by_pressure(pressure: Signal, speed: Signal, outside_kpa: float) -> FullLoad:
    boost_kpa = held_top(pressure.values) - outside_kpa
    share = (pressure.values - outside_kpa) / boost_kpa
    begins_kpa = outside_kpa + SURE_BOOST * boost_kpa
    judged = _judged(pressure.values, "manifold pressure", "kPa", rest=outside_kpa, begins=begins_kpa)
    return _full_by_share(pressure, speed, share, judged, sure=SURE_BOOST, full=0.65, building=0.2)


def _full_by_share(
    signal: Signal,
    speed: Signal,
    share: np.ndarray,
    judged: tuple[np.ndarray, Callable[[float], str]],
    *,
    sure: float,
    full: float,
    building: float,
) -> FullLoad:
    """Full load by a signal that follows the boost: its build-up while the speed rises belongs to the pull too."""
    t = signal.time_s
    ago = np.minimum(np.searchsorted(t, t - RISING_S, side="right"), np.arange(len(t))) - 1
    rise = share - np.minimum(share[ago.clip(0)], share[np.arange(-1, len(t) - 1).clip(0)])
    gaining = np.interp(signal.time_s, speed.time_s, acceleration_of(speed)) >= ACCELERATING_M_S2
    is_full = share >= full
    return FullLoad(
        signal.time_s,
        _with_build_up(
            t, is_full, (share >= building) & ((rise > RISING_SHARE) | gaining), gaining, rise >= PRESSED_SHARE
        ),
        share >= sure,
        *judged,
        signal.channel,
        signal.max_gap_s,
        findings=(_judged_by("manifold pressure"),) if signal.channel == "intake_manifold_pressure" else (),
    )


def _with_build_up(
    t: np.ndarray, is_full: np.ndarray, builds: np.ndarray, gaining: np.ndarray, pressed: np.ndarray
) -> np.ndarray:
    """Add the refreshes that build up to full load, and those after a gear change too short to reach it again.

    A kick-down interrupts a build-up that has hardly begun. What comes after the last full refresh without a lift
    between is no build-up but an easing of the pedal, and without a gain of speed nothing builds up to a pull.
    """
    first, after = stretches(is_full | builds)
    fulls, gains = (np.concatenate([[0], np.cumsum(mask)]) for mask in (is_full, gaining))
    holds = fulls[after] > fulls[first]
    gained = gains[after] > gains[first]
    follows = ~holds & np.concatenate([[False], holds[:-1]]) & gained
    short = (t[after - 1] - t[first] <= PRESSED_S) & pressed[first]
    soon = t[first[1:] - 1] - t[after[:-1]] <= PRESSED_S
    precedes = short & ~holds & np.concatenate([holds[1:] & soon, [False]])[: len(holds)]
    places = np.concatenate([[0], np.flatnonzero(is_full) + 1])
    until = np.where(holds, places[fulls[after]], after)
    belongs = (holds & gained) | follows | precedes
    change = np.zeros(len(is_full) + 1, dtype=int)
    change[first[belongs]] += 1
    change[until[belongs]] -= 1
    added: np.ndarray = is_full | (np.cumsum(change[:-1]) > 0)
    return added


def stretches(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Find the unbroken stretches of a mask.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)

    Returns
    -------
    first, after : ndarray of int, shape (stretches,)
        Index of each stretch's first element, and the one after its last.
    """
    turns = np.flatnonzero(np.diff(mask, prepend=False, append=False))
    return turns[::2], turns[1::2]


def full_spells(load: FullLoad, shift_lift_s: float, speed: Signal | None = None) -> list[tuple[float, float]]:
    """Join the full-load refreshes into spells, over a lift as short as a gear change but over no gap.

    A blank is no lift: two missing refreshes are bridged where the speed shows that nobody lifted meanwhile.

    Parameters
    ----------
    load : FullLoad
    shift_lift_s : float
        Longest lift that is bridged [s].
    speed : Signal, optional
        The vehicle speed; without it no gap is bridged.

    Returns
    -------
    list of (float, float)
        Start and end of each [s].
    """
    t = load.time_s
    first, after = stretches(load.is_full)
    if not first.size:
        return []
    # A stretch of refreshes is cut at its gaps; the lift before it lasted at least from its first to its last refresh.
    gaps = np.flatnonzero(np.diff(t) > (load.max_gap_s if speed is None else LEAST_BLANK * load.max_gap_s)) + 1
    if speed is not None:
        gaps = np.array([k for k in gaps.tolist() if not _bridged(load, speed, k)], dtype=int)
    inside = gaps[load.is_full[gaps] & load.is_full[gaps - 1]]
    first, after = np.sort(np.concatenate([first, inside])), np.sort(np.concatenate([after, inside]))
    lift_s = t[first[1:] - 1] - t[after[:-1]]
    gapless = np.searchsorted(gaps, after[:-1], side="left") == np.searchsorted(gaps, first[1:], side="right")
    apart = np.flatnonzero(~((lift_s <= shift_lift_s + load.smoothing_s) & gapless & (shift_lift_s > 0)))
    first, last = first[np.concatenate([[0], apart + 1])], after[np.concatenate([apart, [-1]])] - 1
    sure = np.concatenate([[0], np.cumsum(load.is_sure)])
    counts = sure[last + 1] > sure[first]
    return [
        (_edge(load, a - 1, a, own=a), _edge(load, b, b + 1, own=b))
        for a, b in zip(first[counts].tolist(), last[counts].tolist(), strict=True)
    ]


def _bridged(load: FullLoad, speed: Signal, after: int) -> bool:
    """Tell whether full load went on over two missing refreshes: the speed rose there as it did beside them.

    Within the longest gap that any signal may have, it is enough that the speed fell by no more than its step.
    """
    start_s, end_s = float(load.time_s[after - 1]), float(load.time_s[after])
    full = bool(load.is_full[after - 1] and load.is_full[after])
    _, inside = speed.within(start_s, end_s)
    before, first, last, later = speed.at(np.array([start_s - BESIDE_S, start_s, end_s, end_s + BESIDE_S]))
    fell = bool(len(inside)) and float((np.maximum.accumulate(inside) - inside).max()) > speed.resolution
    if end_s - start_s <= load.max_gap_s:
        return not (full and fell)
    if not full or fell or end_s - start_s > TWO_MISSING * load.max_gap_s:
        return False
    beside = np.fmax(first - before, later - last) / BESIDE_S  # the stricter of the two, where both are known
    if not (len(inside) and beside > 0):
        return False
    return bool(last - first >= KEPT_SHARE * beside * (end_s - start_s))


def _edge(load: FullLoad, before: int, after: int, *, own: int) -> float:
    """Date a change between two refreshes: the middle is the best guess, unless the log or a gap ends there."""
    t = load.time_s
    if before < 0 or after >= len(t) or t[after] - t[before] > load.max_gap_s:
        return float(t[own])
    return float(t[before] + t[after]) / 2


def slope_width_s(speed: Signal) -> float:
    """Return the window over which the speed is smoothed [s]."""
    return max(2.4, 2.5 * speed.period_s)


def acceleration_of(speed: Signal) -> np.ndarray:
    """Return the acceleration, smoothed over `slope_width_s`.

    Parameters
    ----------
    speed : Signal
        [km/h]

    Returns
    -------
    ndarray of float, shape (n,)
        At each refresh of the speed [m/s²]; 0 where unknown.
    """
    slope = local_slope(speed, width_s=slope_width_s(speed)) / 3.6
    slope[np.isnan(slope)] = 0.0
    return slope


def _full_by_acceleration(speed: Signal, engine: Signal | None) -> FullLoad:
    """Without any load signal: acceleration near the best that this drive shows under similar conditions."""
    acceleration = acceleration_of(speed)
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
    held = max(2, round(BEST_HELD_S / speed.period_s)) if speed.period_s > 0 else 2  # a single reading has no period
    share = effort / _best(effort, like.astype(int).clip(0), held)
    gaining = acceleration >= ACCELERATING_M_S2
    return FullLoad(
        speed.time_s,
        _with_build_up(speed.time_s, gaining & (share >= full), gaining & (share >= building), gaining, ~gaining),
        gaining & hard & (share >= sure),
        *_judged(100 * share, "acceleration", "% of this drive's best", rest=0.0, begins=100 * sure),
        "acceleration",
        speed.max_gap_s,
        smoothing_s=slope_width_s(speed),
        findings=(_judged_by("acceleration"),),
    )


def _best(effort: np.ndarray, bins: np.ndarray, held: int) -> np.ndarray:
    """Return, at each refresh, the effort reached ``held`` times in its bin and the bins beside it."""
    order = np.lexsort((effort, bins))
    kinds, kind = np.unique(bins, return_inverse=True)  # those that occur, however far apart they lie
    beside = kinds[:, None] + np.array([-1, 0, 1])
    first = np.searchsorted(bins[order], beside, side="left").tolist()
    after = np.searchsorted(bins[order], beside, side="right").tolist()
    best = np.full(len(kinds), np.inf)
    for k in range(len(kinds)):
        top = [effort[order[max(a, b - held) : b]] for a, b in zip(first[k], after[k], strict=True)]
        efforts = np.sort(np.concatenate(top))
        if len(efforts) >= held:
            best[k] = max(efforts[-held], 1e-9)
    at_each: np.ndarray = best[kind]
    return at_each


def _none_full(signal: Signal, words: str, top: float, needed: float, *, rest: float = 0.0) -> FullLoad:
    finding = Finding(
        code="no-full-load",
        severity="warning",
        message=(
            f"Part throttle throughout: the {words} never passes {top:.0f} %. Full load starts at {needed:.0f} %. "
            "A pull needs the pedal to the floor."
        ),
        evidence={"highest_pct": round(top, 1), "needed_pct": needed},
    )
    nothing = np.zeros(len(signal.values), dtype=bool)
    level, said = _judged(signal.values, words, "%", rest=rest, begins=needed)
    return FullLoad(signal.time_s, nothing, nothing, level, said, signal.channel, signal.max_gap_s, findings=(finding,))


def _judged_by(what: str) -> Finding:
    return Finding(
        code="full-load-judged",
        severity="warning",
        message=(
            f"No pedal or engine load in this log, so full load was judged from the {what}: the hardest this log "
            "shows. If you never floored it, pulls here are only your hardest accelerations. Log the pedal to be sure."
        ),
        evidence={"by": what},
    )


def local_slope(signal: Signal, *, width_s: float) -> np.ndarray:
    """Return the slope at each refresh from a straight line, by least squares, through the refreshes around it.

    Parameters
    ----------
    signal : Signal
        n refreshes.
    width_s : float
        Of the window, half of it on each side [s].

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
