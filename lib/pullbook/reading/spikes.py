"""Readings that no car can make: far from the one before and the one after, which agree with each other.

They stand alone, or as a block of one and the same value, such as what a logger writes when the sensor does not answer.
"""

from __future__ import annotations

import numpy as np

# How far a signal may go out and come back within two refreshes; common practice, no source. km/h, and K.
OUT_AND_BACK = {
    "vehicle_speed": 25.0,
    "intake_air_temperature": 20.0,
    "charge_air_temperature": 20.0,
    "compressor_outlet_temperature": 40.0,
    "engine_coolant_temperature": 15.0,
    "ambient_air_temperature": 15.0,
}
LONGEST_S = 4.0  # from the reading before to the one after
LONGEST_EDGE_S = 2.0  # from the reading before a block to it, and from it to the one after
MOST = 0.5  # of the readings; where so many jump about, which of them are right can't be known
PLACEHOLDERS = 5  # so often found, and more often than not, a value is what the logger writes for no answer
AGREEING = 0.5  # the two on either side differ by no more than this share of the spike


def spikes(channel: str, time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Find readings that a fault of the logger or of a contact made.

    Parameters
    ----------
    channel : str
        Of others than those in `OUT_AND_BACK` nothing is found.
    time_s : ndarray of float, shape (n,)
        Rising [s].
    values : ndarray of float, shape (n,)
        In the channel's internal unit.

    Returns
    -------
    ndarray of bool, shape (n,)
        None of them where it would be half of them or more.

    Examples
    --------
    >>> import numpy as np
    >>> from pullbook.reading.spikes import spikes
    >>> spikes("vehicle_speed", np.arange(5.0), np.array([70.0, 74, 0, 82, 86])).tolist()
    [False, False, True, False, False]
    """
    found = np.zeros(len(values), dtype=bool)
    limit = OUT_AND_BACK.get(channel)
    if limit is None or len(values) < 3 or float(np.abs(np.diff(values)).max()) <= limit:
        return found
    found = _single(time_s, values, limit)
    found |= np.isin(values, _mostly(values, found, least=PLACEHOLDERS))
    for search in (_in_blocks, _at_ends):
        left = np.flatnonzero(~found)
        if len(left) < 3:
            break
        found[left] = search(time_s[left], values[left], limit)
    return found if found.mean() < MOST else np.zeros(len(values), dtype=bool)


def _single(time_s: np.ndarray, values: np.ndarray, limit: float) -> np.ndarray:
    out, back = values[1:-1] - values[:-2], values[1:-1] - values[2:]
    least = np.minimum(np.abs(out), np.abs(back))
    found = np.zeros(len(values), dtype=bool)
    found[1:-1] = (
        (np.sign(out) == np.sign(back))
        & (least > limit)
        & (np.abs(values[2:] - values[:-2]) <= AGREEING * least)
        & (time_s[2:] - time_s[:-2] <= LONGEST_S)
    )
    return found


def _blocks(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the value and length of each block of one value, and the jumps between them, 0 over a gap."""
    starts = np.flatnonzero(np.concatenate([[True], values[1:] != values[:-1]]))
    level = values[starts]
    jumps = np.diff(level)
    jumps[np.diff(time_s)[starts[1:] - 1] > LONGEST_EDGE_S] = 0.0
    return level, np.diff(np.append(starts, len(values))), jumps


def _in_blocks(time_s: np.ndarray, values: np.ndarray, limit: float) -> np.ndarray:
    """Find blocks of one value that begin and end with a jump.

    What lies between two such blocks does so too; but that value is found elsewhere as well.
    """
    level, lengths, jumps = _blocks(time_s, values)
    inner = np.zeros(len(level), dtype=bool)
    least = np.minimum(np.abs(jumps[:-1]), np.abs(jumps[1:]))
    inner[1:-1] = (
        (np.sign(jumps[:-1]) == -np.sign(jumps[1:]))
        & (least > limit)
        & (np.abs(level[2:] - level[:-2]) <= AGREEING * least)
    )
    found = np.repeat(inner, lengths)
    return found & np.isin(values, _mostly(values, found))


def _at_ends(time_s: np.ndarray, values: np.ndarray, limit: float) -> np.ndarray:
    """Find a block of one value at the start or at the end of a log, of less than half of it, parted by a jump."""
    _, lengths, jumps = _blocks(time_s, values)
    found = np.zeros(len(values), dtype=bool)
    if len(jumps):
        found[: lengths[0]] = abs(jumps[0]) > limit and 2 * lengths[0] < len(values)
        found[-lengths[-1] :] |= abs(jumps[-1]) > limit and 2 * lengths[-1] < len(values)
    return found & np.isin(values, _mostly(values, found))


def _mostly(values: np.ndarray, found: np.ndarray, *, least: int = 1) -> list[float]:
    """Return the values that were found more often than not, and so are no readings anywhere."""
    odd, times = np.unique(values[found], return_counts=True)
    return [value for value in odd[times >= least] if found[values == value].mean() > 0.5]
