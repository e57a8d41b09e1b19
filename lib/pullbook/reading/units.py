"""Units: the channels with the unit each is held in, what a text means as a unit, and which unit values must be in."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

STANDARD_PRESSURE_KPA = 101.325
EARTH_RADIUS_M = 6_371_008.8  # mean; IUGG


OPEN_CIRCUIT_C = -40.0  # SAE J1979: temperatures of one byte start here; a broken wire reads so
MILD_C = -20.0  # usual readings above this are of no place where it gets so cold; common practice, no source
WARM_C = (65.0, 125.0)  # a warm engine under its thermostat; common practice, no source
COLDEST_K = 250.0  # numbers that stay above this are kelvins: in °F it would be above 121 °C all along
SETTLED_K = 12.0  # within which it then stays; common practice, no source
COLDER_AIR_K, WARMER_INLET_K = 10.0, 40.0  # air at two places of one car, in the bay and outside; no source
ABSOLUTE_FLOOR_KPA = 12.0  # a running engine's manifold keeps above it; common practice, no source


# Dimension and unit held internally, per channel (order: as a person would list them).
CHANNELS: dict[str, tuple[str, str]] = {
    "vehicle_speed": ("speed", "km/h"),
    "engine_speed": ("rotation", "rpm"),
    "intake_air_temperature": ("temperature", "°C"),
    "charge_air_temperature": ("temperature", "°C"),
    "compressor_outlet_temperature": ("temperature", "°C"),
    "engine_coolant_temperature": ("temperature", "°C"),
    "ambient_air_temperature": ("temperature", "°C"),
    "engine_oil_temperature": ("temperature", "°C"),
    "exhaust_gas_temperature": ("temperature", "°C"),
    "intake_manifold_pressure": ("pressure", "kPa"),
    "barometric_pressure": ("pressure", "kPa"),
    "air_mass_flow": ("mass flow", "g/s"),
    "accelerator_position": ("percentage", "%"),
    "throttle_position": ("percentage", "%"),
    "engine_load": ("percentage", "%"),
    "latitude": ("angle", "°"),
    "longitude": ("angle", "°"),
    "altitude": ("length", "m"),
}


# Values outside these are impossible for a road vehicle; used to doubt a unit, never to drop a value.
PLAUSIBLE: dict[str, tuple[float, float]] = {
    "vehicle_speed": (0, 350),
    "engine_speed": (0, 16_384),
    "intake_air_temperature": (-45, 160),
    "charge_air_temperature": (-45, 215),
    "compressor_outlet_temperature": (-45, 300),
    "engine_coolant_temperature": (-45, 150),
    "ambient_air_temperature": (-45, 60),
    "engine_oil_temperature": (-45, 180),
    "exhaust_gas_temperature": (-45, 1200),
    "intake_manifold_pressure": (5, 500),
    "barometric_pressure": (50, 112),
    "air_mass_flow": (0, 2000),
    "accelerator_position": (-1, 105),
    "throttle_position": (-1, 105),
    "engine_load": (-1, 300),
    "latitude": (-90, 90),
    "longitude": (-180, 180),
    "altitude": (-500, 9000),
}


# Values outside these are damage in any unit: single ones are set aside before they are used.
# Wider than `PLAUSIBLE` by more than any two units of the quantity differ; common practice, no source.
POSSIBLE: dict[str, tuple[float, float]] = {
    "speed": (-700, 700),
    "rotation": (-30_000, 30_000),
    "temperature": (-273.15, 2_500),  # absolute zero
    "pressure": (-1_000_000, 1_000_000),  # counted from the air outside, perhaps; none is below zero in the end
    "mass flow": (-100_000, 100_000),
    "percentage": (-1_000, 1_000),
    "angle": (-360, 360),
    "length": (-20_000, 100_000),
}


@dataclass(frozen=True)
class Unit:
    """A unit of a log: value held = ``scale * value + offset``.

    Attributes
    ----------
    name : str
        As in messages, such as ``degC`` or ``psi gauge``.
    dimension : str
        As in `CHANNELS`.
    scale, offset : float
        To the unit held internally for that dimension.
    gauge : bool
        A pressure counted from the air outside, which has to be added.
    absolute : bool
        A pressure whose unit says that it is absolute.
    """

    name: str
    dimension: str
    scale: float = 1.0
    offset: float = 0.0
    gauge: bool = False
    absolute: bool = False


# Factors: NIST SP 811 (2008), appendix B (from memory; exact by definition but for the mercury columns).
_UNITS: dict[tuple[str, str], tuple[tuple[str, ...], float, float]] = {
    ("degC", "temperature"): (("degc", "°c", "c", "celsius", "deg c", "degrees c", "centigrade", "ºc", "℃",
         "°с"), 1, 0),
    ("degF", "temperature"): (
        ("degf", "°f", "f", "fahrenheit", "deg f", "degrees f", "ºf", "℉"), 5 / 9, -160 / 9),
    ("K", "temperature"): (("k", "kelvin", "degk"), 1, -273.15),
    ("km/h", "speed"): (
        ("km/h", "kmh", "kph", "km per h", "kmph", "kilometers per hour", "km h", "km/u", "km/t",
         "км/ч"), 1, 0),
    ("mph", "speed"): (("mph", "mi/h", "miles/h", "miles per hour"), 1.609344, 0),
    ("m/s", "speed"): (("m/s", "m/sec", "mps", "ms-1", "metres per second"), 3.6, 0),
    ("ft/s", "speed"): (("ft/s", "ft/sec", "fps", "feet per second"), 1.09728, 0),
    ("kn", "speed"): (("kn", "kt", "kts", "knots"), 1.852, 0),
    ("rpm", "rotation"): (
        ("rpm", "1/min", "r/min", "min-1", "u/min", "rev/min", "tr/min", "giri/min", "obr/min", "ot/min", "varv/min",
         "o/min", "tpm", "omw/min", "об/мин"), 1, 0),
    ("1/s", "rotation"): (("1/s", "rps", "r/s", "rev/s", "u/s", "tr/s", "s-1"), 60, 0),
    ("1000 rpm", "rotation"): (("1000 rpm", "x1000 rpm", "x 1000 rpm", "rpm x1000", "rpm x 1000", "krpm"), 1000, 0),
    ("100 rpm", "rotation"): (("100 rpm", "x100 rpm", "x 100 rpm", "rpm x100", "rpm x 100"), 100, 0),
    ("kPa", "pressure"): (("kpa", "кпа"), 1, 0),
    ("hPa", "pressure"): (("hpa", "mbar", "mb", "millibar", "мбар"), 0.1, 0),
    ("bar", "pressure"): (("bar", "bars", "бар"), 100, 0),
    ("Pa", "pressure"): (("pa",), 0.001, 0),
    ("MPa", "pressure"): (("mpa",), 1000, 0),
    ("psi", "pressure"): (("psi", "lbf/in2", "lb/in2"), 6.894757293168, 0),
    ("inHg", "pressure"): (("inhg", "in hg", '"hg'), 3.386389, 0),
    ("mmHg", "pressure"): (("mmhg", "mm hg", "torr"), 0.1333224, 0),
    ("atm", "pressure"): (("atm",), 101.325, 0),
    ("kgf/cm2", "pressure"): (("kgf/cm2", "kg/cm2", "kg/cm²", "kgf/cm²"), 98.0665, 0),
    ("g/s", "mass flow"): (("g/s", "gps", "g/sec", "gm/s", "grams/s", "gs", "г/с"), 1, 0),
    ("kg/h", "mass flow"): (("kg/h", "kg/hr", "kgh", "кг/ч"), 1 / 3.6, 0),
    ("lb/min", "mass flow"): (("lb/min", "lbs/min", "lb/m", "lbm/min"), 7.559872833, 0),
    ("%", "percentage"): (("%", "pct", "percent", "per cent"), 1, 0),
    ("°", "angle"): (("°", "deg", "degree", "degrees"), 1, 0),
    ("m", "length"): (("m", "metre", "metres", "meter", "meters"), 1, 0),
    ("ft", "length"): (("ft", "feet", "foot"), 0.3048, 0),
    # What no channel is logged in: a column with such a unit is none of them, even if its words fit.
    ("V", "voltage"): (("v", "volt", "volts", "mv"), 1, 0),
    ("A", "current"): (("amp", "amps", "ampere", "ma"), 1, 0),
    ("ohm", "resistance"): (("ohm", "ohms", "kohm", "ω", "kω"), 1, 0),
    ("s", "duration"): (("s", "ms", "sec", "seconds"), 1, 0),
    ("Hz", "frequency"): (("hz", "khz"), 1, 0),
    ("l/h", "volume flow"): (("l/h", "lph", "l/min", "gal/h", "gph", "cc/min", "m3/h", "m³/h"), 1, 0),
    ("mg", "mass"): (("mg", "g", "kg", "mg/stroke", "mg/str", "mg/hub", "mg/cyl", "g/cyl"), 1, 0),
    ("Nm", "torque"): (("nm", "n m", "lb ft", "lbft"), 1, 0),
    ("kW", "power"): (("kw", "hp", "bhp", "ps", "cv"), 1, 0),
    ("l/100km", "consumption"): (("l/100km", "l/100 km", "mpg", "km/l"), 1, 0),
    ("m/s2", "acceleration"): (("m/s2", "m/s²"), 1, 0),
    ("km", "distance"): (("km", "mi", "mile", "miles"), 1, 0),
}  # fmt: skip


_BY_ALIAS = {
    (alias, dimension): Unit(name, dimension, scale, offset)
    for (name, dimension), (aliases, scale, offset) in _UNITS.items()
    for alias in aliases
}


_SIGNS = str.maketrans("⁻−¹", "--1")  # as in min⁻¹
_GAUGE = re.compile(r"\b(gauge|gage|rel|relative|g)\b")


_ABSOLUTE = re.compile(r"\b(absolute|abs|a)\b")


@lru_cache(maxsize=512)
def parse_unit(text: str) -> tuple[Unit, ...]:
    """Return the units a text can mean.

    Parameters
    ----------
    text : str
        As written in a log, with its brackets or without.

    Returns
    -------
    tuple of Unit
        Several where the text fits several dimensions (a bare ``°``, ``C``); none if it is unknown.

    Examples
    --------
    >>> from pullbook.reading.units import parse_unit
    >>> [(unit.name, unit.dimension) for unit in parse_unit("[psig]")]
    [('psi gauge', 'pressure')]
    """
    plain = " ".join(text.translate(_SIGNS).strip().strip("[](){}<>").lower().replace("_", " ").split())
    plain = {"psig": "psi gauge", "psia": "psi abs", "barg": "bar gauge", "bara": "bar abs"}.get(plain, plain)
    gauge = bool(_GAUGE.search(plain)) and len(plain) > 1
    absolute = bool(_ABSOLUTE.search(plain)) and len(plain) > 1
    bare = plain
    if gauge or absolute:
        bare = " ".join(_ABSOLUTE.sub("", _GAUGE.sub("", plain)).split()) or plain
    found = [u for (alias, _), u in _BY_ALIAS.items() if alias in (plain, bare)]
    return tuple(
        replace(u, name=f"{u.name} gauge" if gauge else u.name, gauge=gauge, absolute=absolute)
        if u.dimension == "pressure"
        else u
        for u in dict.fromkeys(found)
    )


def unit_for(text: str, channel: str) -> Unit | None:
    """Return the unit that a text means for a channel, or None if it does not fit the channel's dimension."""
    dimension = CHANNELS[channel][0]
    return next((u for u in parse_unit(text) if u.dimension == dimension), None)


def allowed_units(channel: str) -> str:
    """List the units a channel may be logged in, as words."""
    dimension = CHANNELS[channel][0]
    names = [name for name, d in _UNITS if d == dimension]
    if dimension == "pressure":
        names.append("each also with 'gauge'")
    return ", ".join(names)


_HOT = ("exhaust_gas_temperature", "compressor_outlet_temperature")


def guess_unit(channel: str, values: np.ndarray, *, fahrenheit: bool = False, air_c: float | None = None) -> Unit:
    """Choose the unit of a column that names none: the internal one unless the values cannot be that.

    Parameters
    ----------
    channel : str
        The channel it serves.
    values : ndarray of float, shape (n,)
        Its values as logged; NaN is passed over.
    fahrenheit : bool
        The log's other temperatures are in °F, so this one is tried as °F first, unless the quantity cannot be that.
    air_c : float, optional
        What the air outside or going in usually is, by a column that names its unit [°C].

    Returns
    -------
    Unit
        The first one tried where none makes the values believable.

    Examples
    --------
    >>> import numpy as np
    >>> from pullbook.reading.units import guess_unit
    >>> guess_unit("engine_coolant_temperature", np.array([180.0, 195.0, 200.0])).name
    'degF'
    """
    dimension, internal = CHANNELS[channel]
    internal = internal.replace("°C", "degC")
    candidates = {
        "temperature": ["degF", "degC", "K"] if fahrenheit else ["degC", "degF", "K"],
        "pressure": ["kPa", "hPa", "bar", "psi", "Pa"],
        "speed": ["mph", "km/h"] if fahrenheit else ["km/h", "mph"],
    }.get(dimension, [internal])
    units = [unit for name in candidates if (unit := unit_for(name, channel))]
    finite = values[np.isfinite(values)]
    if not finite.size:
        return units[0]
    low, high = np.quantile(finite, [0.02, 0.98])
    if dimension == "percentage" and low >= 0 and 0.3 < high <= 1:  # no drive keeps a pedal within 1 %
        return Unit("fraction of one", dimension, 100.0)
    if dimension == "temperature" and channel not in _HOT and low >= COLDEST_K:
        return next(unit for unit in units if unit.name == "K")
    if fahrenheit and dimension == "temperature" and _celsius_all_along(channel, finite, air_c):
        units = units[1:]
    fitting = (u for u in units if _believable(channel, u.scale * low + u.offset, u.scale * high + u.offset))
    return next(fitting, units[0])


def _celsius_all_along(channel: str, values: np.ndarray, air_c: float | None) -> bool:
    """Say whether values are in °C, even if the log's other columns are not.

    A coolant or an oil that stays at what is warm in °C, and would stay cold in °F; air that in °F would be colder than
    the air around it, and in °C is not. Common practice, no source.
    """
    usual, high = (float(value) for value in np.quantile(values, [0.5, 0.98]))
    as_f, high_f = 5 / 9 * (usual - 32), 5 / 9 * (high - 32)
    if channel in ("engine_coolant_temperature", "engine_oil_temperature"):
        low, top = WARM_C
        return low <= usual and high <= top and high_f < low and high - usual <= SETTLED_K
    if air_c is None or channel == "exhaust_gas_temperature":
        return False
    if channel in ("intake_air_temperature", "ambient_air_temperature"):
        warmest = air_c + COLDER_AIR_K / 2 if channel == "ambient_air_temperature" else air_c + WARMER_INLET_K
        return as_f < air_c - COLDER_AIR_K and air_c - COLDER_AIR_K * 1.5 <= usual <= warmest
    return high_f < air_c - COLDER_AIR_K / 2 <= high


def _believable(channel: str, low: float, high: float) -> bool:
    floor, ceiling = PLAUSIBLE[channel]
    if channel == "intake_manifold_pressure":
        # In absolute pressure, a pull of any engine passes 60 kPa; counted from outside, that of a boosted one 40 kPa.
        return 60 <= high <= ceiling if low >= ABSOLUTE_FLOOR_KPA else low >= -105 and 40 <= high <= ceiling
    if channel == "engine_coolant_temperature":
        return low >= floor and high <= 125
    return low >= floor and high <= ceiling


def looks_gauge(values_kpa: np.ndarray) -> bool:
    """Distinguish gauge from absolute manifold pressure by its floor: a running engine keeps above 12 kPa absolute.

    Common practice, no source.

    Parameters
    ----------
    values_kpa : ndarray of float, shape (n,)
        [kPa]; NaN is passed over.

    Returns
    -------
    bool
    """
    sample = values_kpa[:: max(1, len(values_kpa) // 100_000)]
    finite = sample[np.isfinite(sample)]
    moving = finite[finite != 0]  # a logger writes 0 before the first answer; a gauge that shows 0 also shows little
    return bool(moving.size) and float(np.quantile(moving, 0.02)) < ABSOLUTE_FLOOR_KPA
