"""Channels: what a column of a log means, told from its words and its unit.

A header is split into words; trade abbreviations (SAE J1930: IAT, MAP, ECT, ...) and the words of other languages are
spelt out in English (`pullbook.wording`); each channel then asks for some words and refuses others. The unit must fit
the channel's dimension. Nothing is matched by an exact header, and a header that fits two channels equally fits none: a
wrong column is worse than a missing one.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from pullbook.wording import english, mend_encoding, tokens

STANDARD_PRESSURE_KPA = 101.325
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
        A pressure that is said to be none such.
    """

    name: str
    dimension: str
    scale: float = 1.0
    offset: float = 0.0
    gauge: bool = False
    absolute: bool = False


# Factors: NIST SP 811 (2008), appendix B (from memory; exact by definition but for the mercury columns).
_UNITS: dict[tuple[str, str], tuple[tuple[str, ...], float, float]] = {
    ("degC", "temperature"): (("degc", "°c", "c", "celsius", "deg c", "degrees c", "centigrade", "ºc", "℃"), 1, 0),
    ("degF", "temperature"): (
        ("degf", "°f", "f", "fahrenheit", "deg f", "degrees f", "ºf", "℉"), 5 / 9, -160 / 9),
    ("K", "temperature"): (("k", "kelvin", "degk"), 1, -273.15),
    ("km/h", "speed"): (("km/h", "kmh", "kph", "km per h", "kmph", "kilometers per hour", "km h"), 1, 0),
    ("mph", "speed"): (("mph", "mi/h", "miles/h", "miles per hour"), 1.609344, 0),
    ("m/s", "speed"): (("m/s", "mps", "ms-1", "metres per second"), 3.6, 0),
    ("kn", "speed"): (("kn", "kt", "kts", "knots"), 1.852, 0),
    ("rpm", "rotation"): (("rpm", "1/min", "r/min", "min-1", "u/min", "rev/min"), 1, 0),
    ("kPa", "pressure"): (("kpa",), 1, 0),
    ("hPa", "pressure"): (("hpa", "mbar", "mb", "millibar"), 0.1, 0),
    ("bar", "pressure"): (("bar", "bars"), 100, 0),
    ("Pa", "pressure"): (("pa",), 0.001, 0),
    ("MPa", "pressure"): (("mpa",), 1000, 0),
    ("psi", "pressure"): (("psi", "lbf/in2", "lb/in2"), 6.894757293168, 0),
    ("inHg", "pressure"): (("inhg", "in hg", '"hg'), 3.386389, 0),
    ("mmHg", "pressure"): (("mmhg", "mm hg", "torr"), 0.1333224, 0),
    ("atm", "pressure"): (("atm",), 101.325, 0),
    ("kgf/cm2", "pressure"): (("kgf/cm2", "kg/cm2", "kg/cm²", "kgf/cm²"), 98.0665, 0),
    ("g/s", "mass flow"): (("g/s", "gps", "g/sec", "gm/s", "grams/s", "gs"), 1, 0),
    ("kg/h", "mass flow"): (("kg/h", "kg/hr", "kgh"), 1 / 3.6, 0),
    ("lb/min", "mass flow"): (("lb/min", "lbs/min", "lb/m", "lbm/min"), 7.559872833, 0),
    ("%", "percentage"): (("%", "pct", "percent", "per cent"), 1, 0),
    ("°", "angle"): (("°", "deg", "degree", "degrees"), 1, 0),
    ("m", "length"): (("m", "metre", "metres", "meter", "meters"), 1, 0),
    ("ft", "length"): (("ft", "feet", "foot"), 0.3048, 0),
    # What no channel is logged in: a column with such a unit is none of them, whatever its words say.
    ("V", "voltage"): (("v", "volt", "volts", "mv"), 1, 0),
    ("A", "current"): (("amp", "amps", "ampere", "ma"), 1, 0),
    ("ohm", "resistance"): (("ohm", "ohms", "kohm", "ω", "kω"), 1, 0),
    ("s", "duration"): (("ms", "sec", "seconds"), 1, 0),
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
    >>> from pullbook.channels import parse_unit
    >>> [(unit.name, unit.dimension) for unit in parse_unit("[psig]")]
    [('psi gauge', 'pressure')]
    """
    plain = " ".join(text.strip().strip("[]()").lower().replace("_", " ").split())
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


# --- rules -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Rule:
    """What the words of a header must be for a channel.

    Attributes
    ----------
    channel : str
    needs : tuple of frozenset of str
        Any word of each group must be there.
    refuses : frozenset of str
        None of these may be there.
    strength : int
        The strongest rule that holds counts.
    by_unit : bool
        It holds only where the header names a unit: the words alone would be too few.
    """

    channel: str
    needs: tuple[frozenset[str], ...]
    refuses: frozenset[str]
    strength: int
    by_unit: bool = False


def _rule(channel: str, needs: str, refuses: str = "", strength: int = 10, *, by_unit: bool = False) -> Rule:
    groups = tuple(frozenset(group.split("|")) for group in needs.split())
    return Rule(channel, groups, frozenset(refuses.split()), strength, by_unit)


# Desired, modelled or statistical values are no readings; raw sensor signals and switches are no values.
_NOT_A_READING = {
    "desired", "commanded", "target", "setpoint", "requested", "specified", "limit", "limiter", "max", "min",
    "maximum", "minimum", "control", "controller", "error", "correction", "average", "mean", "modelled", "estimated",
    "simulated", "expected", "adaptation", "learned", "offset", "trim", "threshold", "status", "state", "switch",
    "valve", "solenoid", "actuator", "duty", "wastegate", "voltage", "raw", "supported", "counter", "test", "fault",
    "delta", "difference", "deviation", "gradient", "relay", "warning", "lamp", "set", "demand",
}  # fmt: skip
_RULES = tuple(
    replace(rule, refuses=rule.refuses | _NOT_A_READING)
    for rule in (
        _rule(
            "vehicle_speed", "vehicle|road|wheel|car speed", "engine compressor fan ratio gps wind cruise idle rotation"
        ),
        _rule(
            "vehicle_speed",
            "speed",
            "engine compressor fan wind ratio shaft rotation idle gps cruise transmission gearbox output input turbine "
            "pump motor outlet intake air left right front rear",
            6,
        ),
        # Position by satellite lags and drifts: second choice.
        _rule("vehicle_speed", "gps speed", "wind", 3),
        _rule(
            "engine_speed", "engine speed|rotation", "vehicle compressor fan ratio idle transmission pump wheel shaft"
        ),
        _rule(
            "engine_speed",
            "rotation",
            "vehicle compressor fan ratio idle transmission pump wheel shaft turbine motor",
            6,
        ),
        _rule(
            "intake_air_temperature",
            "intake temperature",
            "manifold charge compressor after coolant oil exhaust fuel boost valve 2 turbine",
        ),
        _rule("intake_air_temperature", "before compressor temperature", "exhaust turbine cooler oil coolant", 12),
        _rule("intake_air_temperature", "compressor intake temperature", "exhaust turbine oil coolant charge", 12),
        _rule(
            "intake_air_temperature",
            "intake",
            "manifold charge boost compressor after outlet coolant oil exhaust fuel cooler valve port 2",
            5,
            by_unit=True,
        ),
        _rule(
            "charge_air_temperature",
            "charge air",
            "before intake inlet exhaust coolant compressor oil egr fuel valve 2",
            5,
            by_unit=True,
        ),
        _rule(
            "charge_air_temperature", "charge temperature", "before intake exhaust coolant compressor battery fuel 2"
        ),
        _rule("charge_air_temperature", "charge after temperature", "exhaust coolant compressor fuel", 14),
        _rule(
            "charge_air_temperature", "charge air cooler outlet|after", "before exhaust coolant oil egr pressure", 13
        ),
        _rule("charge_air_temperature", "charge air cooler temperature", "before intake exhaust coolant oil egr 2", 9),
        _rule("charge_air_temperature", "manifold temperature", "exhaust coolant surface oil egr before", 11),
        _rule("charge_air_temperature", "boost temperature", "exhaust before coolant oil compressor fuel", 9),
        _rule(
            "compressor_outlet_temperature",
            "compressor temperature",
            "exhaust turbine intake before oil after coolant charge bearing housing",
            11,
        ),
        _rule(
            "compressor_outlet_temperature",
            "compressor outlet|after temperature",
            "exhaust turbine intake cooler oil coolant",
            13,
        ),
        _rule("compressor_outlet_temperature", "charge air cooler before|intake", "exhaust pressure coolant oil", 14),
        _rule("compressor_outlet_temperature", "charge before temperature", "exhaust coolant oil", 12),
        _rule(
            "engine_coolant_temperature",
            "coolant temperature",
            "oil exhaust egr charge radiator 2 outlet transmission battery motor inverter heater cabin pump",
        ),
        _rule(
            "engine_coolant_temperature",
            "coolant",
            "oil exhaust egr pressure level flow charge temperature pump fan radiator heater transmission",
            5,
        ),
        _rule("ambient_air_temperature", "ambient temperature", "cabin coolant oil exhaust intake charge"),
        _rule("engine_oil_temperature", "oil temperature", "transmission gearbox coolant exhaust compressor"),
        _rule("exhaust_gas_temperature", "exhaust temperature", "coolant cooler egr intake oil"),
        _rule("intake_manifold_pressure", "manifold pressure", "exhaust fuel oil barometric rail", 11),
        _rule("intake_manifold_pressure", "boost pressure", "exhaust fuel oil barometric before rail turbine", 10),
        _rule("intake_manifold_pressure", "charge pressure", "exhaust fuel oil barometric before rail coolant", 10),
        _rule("intake_manifold_pressure", "manifold absolute", "exhaust fuel oil barometric temperature", 9),
        _rule(
            "intake_manifold_pressure",
            "boost",
            "exhaust fuel oil barometric temperature pressure before air battery",
            6,
        ),
        _rule(
            "intake_manifold_pressure",
            "intake pressure",
            "exhaust fuel oil barometric manifold before compressor pump camshaft",
            7,
        ),
        _rule("barometric_pressure", "barometric", "temperature altitude"),
        _rule("barometric_pressure", "ambient pressure", "temperature"),
        _rule("air_mass_flow", "mass flow", "fuel exhaust egr"),
        _rule("air_mass_flow", "air flow", "fuel exhaust egr volume temperature fan cabin", 8),
        _rule("air_mass_flow", "air mass", "fuel exhaust egr temperature cylinder stroke", 7),
        _rule(
            "accelerator_position",
            "accelerator",
            "brake clutch temperature acceleration throttle kickdown lateral longitudinal vertical force x y z",
            10,
        ),
        _rule(
            "accelerator_position", "pedal", "brake clutch temperature acceleration accelerator throttle kickdown", 8
        ),
        _rule("throttle_position", "throttle", "pedal accelerator temperature motor egr", 8),
        _rule("accelerator_position", "throttle pedal", "temperature", 9),
        _rule("engine_load", "load", "fuel electrical battery alternator air charge temperature pressure vehicle axle"),
        _rule("latitude", "latitude"),
        _rule("longitude", "longitude"),
        _rule("altitude", "altitude", "pressure density"),
    )
)

# A header that names one of these is no channel whose own words do not.
_PARTS = {
    "oil", "fuel", "rail", "exhaust", "egr", "turbine", "compressor", "transmission", "gearbox", "brake", "clutch",
    "battery", "cabin", "radiator", "tyre", "tire", "torque",
}  # fmt: skip
_OWN_WORDS = {
    channel: {*channel.split("_"), *(w for r in _RULES if r.channel == channel for group in r.needs for w in group)}
    for channel in CHANNELS
}

_BRACKETS = re.compile(r"[\[(]([^\[\]()]*)[\])]")


@dataclass(frozen=True)
class Header:
    """A column's header taken apart.

    Attributes
    ----------
    text : str
        As it stands.
    words : frozenset of str
        Spelt out in English.
    unit : str or None
        Text of its unit, if one is given.
    """

    text: str
    words: frozenset[str]
    unit: str | None


@lru_cache(maxsize=1024)  # the logs of an experiment mostly have the same headers
def parse_header(text: str, *, units_row: str | None = None) -> Header:
    """Take a header apart.

    Parameters
    ----------
    text : str
        The header as it stands.
    units_row : str, optional
        What a separate row of units says of this column.

    Returns
    -------
    Header

    Examples
    --------
    >>> from pullbook.channels import parse_header
    >>> header = parse_header("IAT (°C)")
    >>> sorted(header.words), header.unit
    (['air', 'intake', 'temperature'], '°C')
    """
    mended = mend_encoding(text)
    unit = units_row.strip() if units_row and parse_unit(units_row) else None
    for match in _BRACKETS.finditer(mended):
        if parse_unit(match[1]):
            unit = match[1].strip()
            mended = mended.replace(match[0], " ")
    words = tokens(mended)
    if unit is None:
        unit, words = _unit_suffix(words)
    return Header(text=text, words=english(words), unit=unit)


def _unit_suffix(words: list[str]) -> tuple[str | None, list[str]]:
    """Split a unit off the end: ``coolant_temp_c``, ``Boost psi gauge``, ``speed km/h``; ``RPM`` stays a word too."""
    for length in (2, 1):
        tail = " ".join(words[-length:])
        rest = words[:-length]
        if len(words) >= length and parse_unit(tail):
            if tail.lower() == "rpm":
                return tail, words
            # A lone letter is a unit only after a word that has it: position F is no temperature.
            lone = len(tail) == 1 and tail.isalpha() and not english(rest) & {"temperature", "altitude"}
            if rest and not lone:
                return tail, rest
    return None, words


@lru_cache(maxsize=1024)
def scores(header: Header) -> Mapping[str, int]:
    """Score how well a header's words fit each channel (higher is better); unit and words must both allow it."""
    found: dict[str, int] = {}
    for rule in _RULES:
        if rule.refuses & header.words or not all(group & header.words for group in rule.needs):
            continue
        if header.unit is None and rule.by_unit:
            continue
        if header.unit is not None and unit_for(header.unit, rule.channel) is None:
            continue
        found[rule.channel] = max(found.get(rule.channel, 0), rule.strength)
    return found


def closest_channels(header: Header, *, most: int = 3) -> list[str]:
    """Name the channels a column could be, nearest first, for a header that was not recognised."""
    wanted = [
        channel
        for channel in CHANNELS
        if (header.unit is None or unit_for(header.unit, channel)) and header.words & _PARTS <= _OWN_WORDS[channel]
    ]
    words = {word for word in header.words if len(word) > 1}

    def nearness(channel: str) -> float:
        names = channel.split("_")
        shared = len(words & set(names)) / len(names)
        return shared + difflib.SequenceMatcher(None, header.text.lower(), channel).ratio()

    return sorted(wanted, key=nearness, reverse=True)[:most]


@dataclass(frozen=True)
class Assignment:
    """Which column serves which channel, what was left over, and which columns competed.

    Attributes
    ----------
    column : mapping of channel to str
        Header of the column that serves.
    unit : mapping of channel to Unit or None
        None where the column names no unit that fits.
    rivals : mapping of channel to tuple of str
        Columns that fit as well as the one that serves.
    unknown : tuple of Header
        Columns that serve no channel.
    """

    column: Mapping[str, str]
    unit: Mapping[str, Unit | None]
    rivals: Mapping[str, tuple[str, ...]]
    unknown: tuple[Header, ...]


def assign(headers: Iterable[Header], chosen: Mapping[str, tuple[str, str | None]]) -> Assignment:
    """Give each channel its column.

    Parameters
    ----------
    headers : iterable of Header
        The log's columns but for the time.
    chosen : mapping of channel to (column, unit or None)
        What the person settled; it wins over the words.

    Returns
    -------
    Assignment
        Of equal columns the first serves and the others are named as rivals; a column that fits two channels equally
        serves neither.
    """
    headers = list(headers)
    by_text = {h.text: h for h in headers}
    column = {channel: text for channel, (text, _) in chosen.items() if text in by_text}
    unit: dict[str, Unit | None] = {}
    for channel, (text, given) in chosen.items():
        if text in by_text:
            said = given or by_text[text].unit
            unit[channel] = unit_for(said, channel) if said else None
    taken = set(column.values())
    claims: dict[str, list[tuple[int, int, Header]]] = {}
    unknown = []
    for place, header in enumerate(headers):
        if header.text in taken:
            continue
        fits = scores(header)
        if not fits:
            unknown.append(header)
            continue
        best, *lesser = sorted(fits, key=lambda channel: -fits[channel])
        if lesser and fits[lesser[0]] == fits[best]:
            unknown.append(header)
            continue
        claims.setdefault(best, []).append((-fits[best], place, header))
    rivals = {}
    for channel, claimants in claims.items():
        claimants.sort(key=lambda claim: claim[:2])
        if channel in column:
            rivals[channel] = tuple(h.text for _, _, h in claimants)
            continue
        (strength, _, header), *others = claimants
        column[channel] = header.text
        unit[channel] = unit_for(header.unit, channel) if header.unit else None
        equal = tuple(h.text for s, _, h in others if s == strength)
        if equal:
            rivals[channel] = equal
        unknown += [h for s, _, h in others if s != strength]
    return Assignment(column=column, unit=unit, rivals=rivals, unknown=tuple(unknown))


def guess_unit(channel: str, values: np.ndarray, *, fahrenheit: bool = False) -> Unit:
    """Choose the unit of a column that names none: the internal one unless the values cannot be that.

    Parameters
    ----------
    channel : str
        The channel it serves.
    values : ndarray of float, shape (n,)
        Its values as logged; NaN is passed over.
    fahrenheit : bool
        The log's other temperatures are in °F, so this one is tried as °F first.

    Returns
    -------
    Unit
        The first one tried where none makes the values believable.

    Examples
    --------
    >>> import numpy as np
    >>> from pullbook.channels import guess_unit
    >>> guess_unit("engine_coolant_temperature", np.array([180.0, 195.0, 200.0])).name
    'degF'
    """
    dimension, internal = CHANNELS[channel]
    internal = internal.replace("°C", "degC")
    candidates = {
        "temperature": ["degF", "degC", "K"] if fahrenheit else ["degC", "degF", "K"],
        "pressure": ["kPa", "hPa", "bar", "psi", "Pa"],
        "speed": ["km/h", "mph"],
    }.get(dimension, [internal])
    units = [unit for name in candidates if (unit := unit_for(name, channel))]
    finite = values[np.isfinite(values)]
    if not finite.size:
        return units[0]
    low, high = np.quantile(finite, [0.02, 0.98])
    fitting = (u for u in units if _believable(channel, u.scale * low + u.offset, u.scale * high + u.offset))
    return next(fitting, units[0])


def _believable(channel: str, low: float, high: float) -> bool:
    floor, ceiling = PLAUSIBLE[channel]
    if channel == "intake_manifold_pressure":
        # In absolute pressure, a pull of any engine passes 60 kPa; counted from outside, that of a boosted one 40 kPa.
        return 60 <= high <= ceiling if low >= ABSOLUTE_FLOOR_KPA else low >= -105 and 40 <= high <= ceiling
    if channel == "engine_coolant_temperature":
        return low >= floor and high <= 125
    return low >= floor and high <= ceiling


def looks_gauge(values_kpa: np.ndarray) -> bool:
    """Tell gauge from absolute manifold pressure by its floor: a running engine keeps above 12 kPa absolute.

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
    return bool(finite.size) and float(np.quantile(finite, 0.02)) < ABSOLUTE_FLOOR_KPA
