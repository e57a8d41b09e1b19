"""When a signal was really measured.

Loggers poll: a row refreshes one signal and repeats the last value of the others. A repeat is no measurement. Where a
logger repeats, a signal changes only on the rows that polled it, so the spacing of its changes gives away the polling
cycle, and the rows between two changes that lie on the cycle are its refreshes too (the value just did not move).

The liveliest signal that is polled once a cycle serves as the clock of the polling: it is anchored anew at each of its
changes, so a skipped or repeated poll shifts nothing for long. Every other signal has its places in that cycle: one,
several for a signal polled more often, or one in every n-th cycle for a slow one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pullbook.reading.tables import in_threads

MAX_CYCLE_ROWS = 96
MAX_TURNS = 16
MIN_CHANGES = 16
ON_CYCLE = 0.9
SELDOM = 0.02  # a place that fewer of the changes fall on is a slip, no place
LIVELY = 0.25  # of its polls, so many show a change


@dataclass(frozen=True, eq=False)
class _Rhythm:
    """How one held signal moves: the rows of its changes and the cycle, in rows, that they keep to."""

    values: np.ndarray
    changes: np.ndarray
    cycle: float | None

    @property
    def liveliness(self) -> float:
        """Share of its polls at which it changes."""
        if self.cycle is None or self.changes.size < 2:
            return 0.0
        return (self.changes.size - 1) * self.cycle / float(self.changes[-1] - self.changes[0])


def refreshes(columns: Sequence[np.ndarray]) -> list[np.ndarray | None]:
    """Find the rows at which each signal of a log was measured.

    Parameters
    ----------
    columns : sequence of ndarray of float, shape (rows,)
        The signals as logged, NaN where blank.

    Returns
    -------
    list of ndarray of int, shape (refreshes of the signal,), or None
        Rising rows for each signal; None when that is every row.
    """
    seen = in_threads(_look, columns, rows=len(columns[0]) if columns else 0)
    found = [rhythm for _, rhythm in seen if rhythm is not None]
    # A logger that writes faster than it polls shows hardly a signal that is fresh in neighbouring rows.
    lively = [rhythm for rhythm in found if rhythm.liveliness >= LIVELY]
    fresh = sum(rhythm.cycle == 1 for rhythm in found) > sum(rhythm.cycle != 1 for rhythm in lively)
    anchor = None if fresh else _anchor(lively)
    out = []
    for values, (full, rhythm) in zip(columns, seen, strict=True):
        if rhythm is None or rhythm.cycle == 1:
            rows = None if full.all() else np.flatnonzero(full)
        elif anchor is not None:
            rows = _in_cycle(rhythm, anchor)
        else:
            rows = refresh_rows(values, rhythm.changes, _own_cycle(rhythm, lively, fresh=fresh))
        out.append(None if rows is None or len(rows) == len(values) else rows)
    return out


def change_rows(values: np.ndarray) -> np.ndarray:
    """Return the rows at which a held signal's value changes, the first filled row included.

    Parameters
    ----------
    values : ndarray of float, shape (rows,)
        As logged, NaN where blank.

    Returns
    -------
    ndarray of int, shape (changes,)
        Rising.
    """
    filled = np.flatnonzero(np.isfinite(values))
    if not filled.size:
        return filled
    kept = values[filled] if filled.size < values.size else values
    changed = np.flatnonzero(kept[1:] != kept[:-1]) + 1
    rows: np.ndarray = filled[np.concatenate([[0], changed])]
    return rows


def cycle_of(changes: np.ndarray) -> float | None:
    """Find the polling cycle, in rows, from the rows at which one signal changes.

    Parameters
    ----------
    changes : ndarray of int, shape (changes,)
        Rows, rising.

    Returns
    -------
    float or None
        The largest cycle that at least nine tenths of the intervals are multiples of; a broken number when the logger
        writes on its own clock; 1 when the signal is fresh in neighbouring rows; None when its changes do not tell.

    Examples
    --------
    A signal polled in every fourth row that stays the same at some of its polls:

    >>> import numpy as np
    >>> from pullbook.reading.polling import cycle_of
    >>> polls = 4 * np.arange(40)
    >>> cycle_of(polls[np.arange(40) % 5 != 3])
    4.0
    """
    intervals = np.diff(changes[1:])  # the first filled row is no change
    if len(intervals) < MIN_CHANGES:
        return None
    if np.mean(intervals == 1) > 1 - ON_CYCLE:
        return 1.0
    for cycle in range(min(int(np.median(intervals)), MAX_CYCLE_ROWS), 1, -1):
        if np.mean(intervals % cycle == 0) >= ON_CYCLE:
            return float(cycle)
    return _loose_cycle(intervals)


def refresh_rows(values: np.ndarray, changes: np.ndarray, cycle: float) -> np.ndarray:
    """Return the rows at which a held signal was measured, from its own changes alone.

    Parameters
    ----------
    values : ndarray of float, shape (rows,)
        As logged, repeats included; NaN where blank.
    changes : ndarray of int, shape (changes,)
        From `change_rows`.
    cycle : float
        Polling cycle in rows.

    Returns
    -------
    ndarray of int, shape (refreshes,)
        Rising. Each change, and after each change every further ``cycle`` rows until the next one.

    Examples
    --------
    Polled in every fourth row; at the second poll the value had not moved.

    >>> import numpy as np
    >>> from pullbook.reading.polling import change_rows, refresh_rows
    >>> values = np.array([20.0] * 8 + [21.0] * 4)
    >>> refresh_rows(values, change_rows(values), 4.0).tolist()
    [0, 4, 8]
    """
    if cycle <= 1:
        return np.flatnonzero(np.isfinite(values))
    if not changes.size:
        return changes
    last = int(np.flatnonzero(np.isfinite(values))[-1])
    rows = _filled_in(changes, cycle, last)
    measured: np.ndarray = rows[np.isfinite(values[rows])]
    return measured


def _look(values: np.ndarray) -> tuple[np.ndarray, _Rhythm | None]:
    """Say which rows of a signal are filled and, of a held one, its rhythm."""
    filled = np.isfinite(values)
    return filled, _rhythm(values, filled) if _is_held(filled) else None


def _is_held(filled: np.ndarray) -> bool:
    """Distinguish a held signal, filled in nearly every row once it began, from a sparse one."""
    return bool(filled.any()) and int(np.count_nonzero(filled)) > 0.9 * (len(filled) - int(np.argmax(filled)))


def _rhythm(values: np.ndarray, filled: np.ndarray) -> _Rhythm:
    changed = (values[1:] != values[:-1]) & filled[1:]
    moves = np.count_nonzero(changed)
    if moves >= MIN_CHANGES and np.count_nonzero(changed[1:] & changed[:-1]) > 0.2 * moves:
        # Fresh in neighbouring rows: nothing else has to be known, and long logs are read faster.
        return _Rhythm(values, np.empty(0, dtype=int), 1.0)
    changes = change_rows(values)
    return _Rhythm(values, changes, cycle_of(changes))


def _loose_cycle(intervals: np.ndarray) -> float | None:
    """Find the period, in rows, of a signal that is held on another clock than the rows'.

    Such a signal changes every n or n + 1 rows, or twice that, and never sooner or in between.
    """
    shortest = float(np.quantile(intervals, 0.05))
    if shortest < 3:
        return None
    period = float(np.mean(intervals[intervals < 1.5 * shortest]))
    near = intervals[intervals < 3.5 * period]
    off = np.abs(near - period * np.round(near / period))
    clustered = np.mean(off <= 1.0) >= ON_CYCLE and np.mean(intervals < 1.5 * shortest) >= LIVELY
    return period if clustered and period >= 4 else None


def _own_cycle(rhythm: _Rhythm, lively: Sequence[_Rhythm], *, fresh: bool) -> float:
    """Judge a signal by its own changes; one that hardly moves follows the others."""
    if rhythm.cycle is not None and (not fresh or rhythm.cycle.is_integer()):
        # Beside signals that are fresh in every row, only a strict cycle is believed.
        return rhythm.cycle
    known = [other.cycle for other in lively if other.cycle is not None and other.cycle > 1]
    return 1.0 if fresh or not known else float(np.median(known))


def _anchor(lively: Sequence[_Rhythm]) -> np.ndarray | None:
    """Return the rows at which each polling cycle comes to its liveliest signal, None without a cycle in whole rows."""
    locked = [(r.cycle, r) for r in lively if r.cycle is not None and r.cycle > 1 and r.cycle.is_integer()]
    if len(locked) < len(lively) / 2 or not locked:
        return None
    # A signal polled twice in a cycle shows a shorter one: the cycle is the longest that two signals agree on.
    cycles = [cycle for cycle, _ in locked]
    agreed = max([c for c in cycles if cycles.count(c) > 1] or cycles)
    clock = max((r for cycle, r in locked if cycle == agreed), key=lambda r: r.liveliness)
    last = int(np.flatnonzero(np.isfinite(clock.values))[-1])
    rows = _filled_in(clock.changes, agreed, last)
    lead = np.arange(rows[0] - agreed, -agreed, -agreed)[::-1].astype(int)
    return np.concatenate([lead, rows])


def _filled_in(changes: np.ndarray, cycle: float, last: int) -> np.ndarray:
    """Return the changes and, between them, what lies on the cycle; from the last change on until ``last``."""
    spans = np.diff(np.append(changes, last + 1))
    counts = np.maximum(1, np.ceil(spans / cycle)).astype(int)
    # A refresh due within half a cycle of the next change is that change, polled a row or two early or late.
    late = spans - (counts - 1) * cycle
    late[-1] = cycle  # after the last change there is no next one
    counts = np.where((late <= cycle / 2) & (counts > 1), counts - 1, counts)
    place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    rows: np.ndarray = np.repeat(changes, counts) + np.round(cycle * place).astype(int)
    return rows[rows <= last]


def _in_cycle(rhythm: _Rhythm, anchor: np.ndarray) -> np.ndarray:
    """Return the rows at which a signal was measured, from its places in the polling cycle."""
    changes = rhythm.changes
    turn = np.searchsorted(anchor, changes, side="right") - 1
    offset = changes - anchor[turn]
    cycle = int(np.median(np.diff(anchor)))
    places = _places(offset[1:] if offset.size > MIN_CHANGES else offset, cycle)
    if len(places) == 1:
        turns = _filled_in(turn, _every(turn), len(anchor) - 1)
        due = anchor[turns[turns < len(anchor)]] + places[0]
    else:
        due = (anchor[:, None] + np.asarray(places)).ravel()
    due = due[(due >= changes[0]) & (due < len(rhythm.values))]
    # The changes are certain; a refresh due close to one is that one, polled early or late.
    nearest = np.searchsorted(changes, due).clip(1, max(1, len(changes) - 1))
    apart = np.minimum(np.abs(due - changes[nearest - 1]), np.abs(changes[np.minimum(nearest, len(changes) - 1)] - due))
    rows = np.sort(np.concatenate([changes, due[apart > _spacing(places, cycle) / 2]]), kind="stable")
    rows = rows[np.concatenate([[True], rows[1:] != rows[:-1]])]
    measured: np.ndarray = rows[np.isfinite(rhythm.values[rows])]
    return measured


def _places(offset: np.ndarray, cycle: int) -> list[int]:
    """Return the places in the cycle at which a signal is polled, the commonest alone if the rest are slips."""
    counts = np.bincount(np.clip(offset, 0, cycle), minlength=cycle + 1)[:cycle]
    commonest = int(np.argmax(counts))
    places = [k for k in range(cycle) if counts[k] >= max(0.3 * counts[commonest], SELDOM * counts.sum(), 3)]
    return places if len(places) in (2, 3, 4) and counts[places].sum() >= ON_CYCLE * counts.sum() else [commonest]


def _every(turn: np.ndarray) -> float:
    """Return every which cycle a signal is polled in; 1 where it moves too seldom to show it."""
    intervals = np.diff(turn[1:])
    if len(intervals) < MIN_CHANGES:
        return 1.0
    usual = min(int(np.median(intervals)), MAX_TURNS)
    return float(next((n for n in range(usual, 1, -1) if np.mean(intervals % n == 0) >= ON_CYCLE), 1))


def _spacing(places: Sequence[int], cycle: int) -> float:
    steps = np.diff([*places, places[0] + cycle])
    return float(steps.min())
