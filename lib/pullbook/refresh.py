"""When a signal was really measured.

Loggers poll: a row refreshes one signal and repeats the last value of the others. A repeat is no measurement. Where a
logger repeats, a signal changes only on the rows that polled it, so the spacing of its changes gives away the polling
cycle, and the rows between two changes that lie on the cycle are its refreshes too (the value just did not move).
"""

from __future__ import annotations

import numpy as np

MAX_CYCLE_ROWS = 96
MIN_CHANGES = 12
ON_CYCLE = 0.9


def change_rows(values: np.ndarray) -> np.ndarray:
    """Return the rows at which a held signal's value changes, the first filled row included."""
    filled = np.flatnonzero(np.isfinite(values))
    if not filled.size:
        return filled
    changed = np.flatnonzero(np.diff(values[filled]) != 0) + 1
    rows: np.ndarray = filled[np.concatenate([[0], changed])]
    return rows


def cycle_of(changes: np.ndarray) -> int | None:
    """Find the polling cycle, in rows, from the rows at which one signal changes.

    Parameters
    ----------
    changes : ndarray of int
        Rows, rising.

    Returns
    -------
    int or None
        The largest cycle that at least nine tenths of the intervals are multiples of; 1 when the signal is fresh in
        any row; None when the signal moves too seldom to tell.
    """
    intervals = np.diff(changes[1:])  # the first filled row is no change
    if len(intervals) < MIN_CHANGES:
        return None
    shortest = int(np.quantile(intervals, 0.05))
    for cycle in range(min(int(np.median(intervals)), MAX_CYCLE_ROWS), 1, -1):
        if np.mean(intervals % cycle == 0) >= ON_CYCLE:
            return cycle
    # Not locked to the rows, yet never changing in neighbouring rows: a logger that writes on its own clock.
    return max(1, shortest) if shortest >= 3 and np.median(intervals) <= 3 * shortest else 1


def common_cycle(changes: list[np.ndarray]) -> int:
    """Find the cycle of a log from its livelier signals; slow signals may only show multiples of it."""
    lively = []
    for rows in changes:
        cycle = cycle_of(rows)
        if cycle is not None and np.median(np.diff(rows)) <= 3 * cycle:
            lively.append(cycle)
    if not lively:
        return 1
    return int(np.median(lively)) if min(lively) > 1 else min(lively)


def refresh_rows(values: np.ndarray, changes: np.ndarray, cycle: int) -> np.ndarray:
    """Return the rows at which a held signal was measured.

    Parameters
    ----------
    values : ndarray of float, shape (rows,)
        As logged, repeats included; NaN where blank.
    changes : ndarray of int
        From `change_rows`.
    cycle : int
        Polling cycle in rows.

    Returns
    -------
    ndarray of int
        Rising. Each change, and after each change every further ``cycle`` rows until the next one.
    """
    if cycle <= 1:
        return np.flatnonzero(np.isfinite(values))
    if not changes.size:
        return changes
    last = np.flatnonzero(np.isfinite(values))[-1] + 1
    spans = np.diff(np.append(changes, last))
    counts = np.maximum(1, -(-spans // cycle))
    # A refresh due within half a cycle of the next change is that change, polled a row or two early or late.
    late = spans - (counts - 1) * cycle
    counts = np.where((late <= cycle // 2) & (counts > 1), counts - 1, counts)
    place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    rows = np.repeat(changes, counts) + cycle * place
    measured: np.ndarray = rows[np.isfinite(values[rows])]
    return measured
