"""What a column that was not recognised could be: only channels whose unit and values fit, or none."""

from __future__ import annotations

import numpy as np

from pullbook.reading.channels import closest_channels
from pullbook.reading.headers import Header
from pullbook.reading.units import CHANNELS, PLAUSIBLE, Unit, guess_unit, unit_for

POSITIONS = ("latitude", "longitude", "altitude")
MOST = 6
# What each channel's values do over a drive; common practice, no source. Lowest and highest value of the upper end
# (98 % of the drive lies below it) and least range, in the channel's unit.
USUAL: dict[str, tuple[float, float, float]] = {
    "vehicle_speed": (10, 350, 10),
    "engine_speed": (500, 12_000, 200),
    "intake_air_temperature": (-30, 90, 1),
    "charge_air_temperature": (-20, 150, 3),
    "compressor_outlet_temperature": (30, 300, 10),
    "engine_coolant_temperature": (40, 130, 0),
    "ambient_air_temperature": (-45, 55, 0),
    "engine_oil_temperature": (40, 170, 0),
    "exhaust_gas_temperature": (150, 1200, 30),
    "intake_manifold_pressure": (60, 500, 20),
    "barometric_pressure": (60, 110, 0),
    "air_mass_flow": (5, 2000, 4),
    "accelerator_position": (20, 105, 15),
    "throttle_position": (20, 105, 15),
    "engine_load": (20, 300, 15),
}
WIDEST: dict[str, float] = {"ambient_air_temperature": 20, "barometric_pressure": 15}
FOOT_TURNS = 4.0  # a foot goes up and down; a state of charge, a level or a counter goes one way
SUPPLY_V = (0.0, 15.6)  # a voltage of a car's sensors or battery that names no unit
VOLTAGE_STEP = 0.3


def suggested_channels(header: Header, values: np.ndarray, resolution: float) -> list[str]:
    """Name the channels that a column could be, nearest first, by words, unit and values.

    Parameters
    ----------
    header : Header
    values : ndarray of float, shape (n,)
        As logged, where it was refreshed; NaN is passed over.
    resolution : float
        Its step, as logged.

    Returns
    -------
    list of str
        Empty where nothing fits.

    Examples
    --------
    >>> import numpy as np
    >>> from pullbook.reading.headers import parse_header
    >>> from pullbook.reading.suggestions import suggested_channels
    >>> suggested_channels(parse_header("Probe 3 [V]"), np.linspace(0.5, 4.5, 50), 0.1)
    []
    """
    finite = values[np.isfinite(values)]
    if finite.size < 2:
        return []
    if header.unit is None and _like_a_voltage(finite, resolution):
        return []
    near = [channel for channel in closest_channels(header, most=len(CHANNELS)) if _named_so(channel, header)]
    return [channel for channel in near if _fits(channel, header, finite)][:MOST]


def _named_so(channel: str, header: Header) -> bool:
    """A position is only suggested by its name: a column without words and unit is no likelier to be one."""
    return channel not in POSITIONS or bool(header.words & set(channel.split("_")))


def _fits(channel: str, header: Header, values: np.ndarray) -> bool:
    unit: Unit | None = unit_for(header.unit, channel) if header.unit else guess_unit(channel, values)
    if unit is None:
        return False
    low, usual_high, high = (unit.scale * float(q) + unit.offset for q in np.quantile(values, [0.02, 0.5, 0.98]))
    floor, ceiling = PLAUSIBLE[channel]
    if low < floor - unit.gauge * 110 or high > ceiling:
        return False
    if channel not in USUAL:
        return True
    least, most, span = USUAL[channel]
    if unit.gauge:
        least -= 100
    if not (least <= high <= most and span <= high - low <= WIDEST.get(channel, np.inf)):
        return False
    if CHANNELS[channel][0] == "percentage":
        return _turns(values) >= FOOT_TURNS
    return channel != "engine_coolant_temperature" or usual_high >= least - 20


def _turns(values: np.ndarray) -> float:
    """Return how often a signal goes up or down through its whole range."""
    span = float(np.ptp(values))
    return float(np.abs(np.diff(values)).sum()) / span if span else 0.0


def _like_a_voltage(values: np.ndarray, resolution: float) -> bool:
    low, high = SUPPLY_V
    return bool(values.min() >= low and values.max() <= high and 0 < resolution < VOLTAGE_STEP)
