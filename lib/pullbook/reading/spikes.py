"""Single readings that no car can make: far from the reading before and the one after, which agree with each other."""

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
AGREEING = 0.5  # the two on either side differ by no more than this share of the spike


def spikes(channel: str, time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Find single readings that a fault of the logger or of a contact made.

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
        Never the first or the last.

    Examples
    --------
    >>> import numpy as np
    >>> from pullbook.reading.spikes import spikes
    >>> spikes("vehicle_speed", np.arange(5.0), np.array([70.0, 74, 0, 82, 86])).tolist()
    [False, False, True, False, False]
    """
    found = np.zeros(len(values), dtype=bool)
    limit = OUT_AND_BACK.get(channel)
    if limit is None or len(values) < 3:
        return found
    out, back = values[1:-1] - values[:-2], values[1:-1] - values[2:]
    least = np.minimum(np.abs(out), np.abs(back))
    found[1:-1] = (
        (np.sign(out) == np.sign(back))
        & (least > limit)
        & (np.abs(values[2:] - values[:-2]) <= AGREEING * least)
        & (time_s[2:] - time_s[:-2] <= LONGEST_S)
    )
    return found
