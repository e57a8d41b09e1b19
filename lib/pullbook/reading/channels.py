"""Channels: what a column of a log means, judged by its words and its unit.

A header is split into words; trade abbreviations (SAE J1930: IAT, MAP, ECT, ...) and the words of other languages are
spelt out in English (`pullbook.reading.vocabulary`); each channel then asks for some words and refuses others. The
unit must fit the channel's dimension. Nothing is matched by an exact header, and a header that fits two channels
equally fits none: a wrong column is worse than a missing one.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from pullbook.reading.headers import Header
from pullbook.reading.units import CHANNELS, Unit, unit_for

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


# Desired, modelled or statistical values are not readings; raw sensor signals and switches are not values.
_NOT_A_READING = {
    "desired", "commanded", "target", "setpoint", "requested", "specified", "limit", "limiter", "max", "min",
    "maximum", "minimum", "control", "controller", "error", "correction", "average", "mean", "modelled", "estimated",
    "simulated", "expected", "adaptation", "learned", "offset", "trim", "threshold", "status", "state", "switch",
    "valve", "solenoid", "actuator", "duty", "wastegate", "voltage", "raw", "supported", "counter", "test", "fault",
    "delta", "difference", "deviation", "gradient", "relay", "warning", "lamp", "set", "demand", "time", "timestamp",
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
        _rule("ambient_air_temperature", "ambient", "cabin coolant oil exhaust intake charge", 5, by_unit=True),
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
    "battery", "cabin", "radiator", "tyre", "tire", "torque", "coolant", "refrigerant", "inverter", "catalyst",
    "particulate", "dpf", "nox", "adblue", "lambda", "heater", "charge",
}  # fmt: skip
# A header that names one of these is another quantity than any channel's.
_OTHER_QUANTITIES = {
    "voltage", "current", "power", "frequency", "time", "duration", "distance", "odometer", "mileage", "economy",
    "consumption", "count", "counter", "status", "state", "switch", "timing", "advance", "resistance", "gear",
}  # fmt: skip
_OWN_WORDS = {
    channel: {*channel.split("_"), *(w for r in _RULES if r.channel == channel for group in r.needs for w in group)}
    for channel in CHANNELS
}


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
    if header.words & _OTHER_QUANTITIES:
        return []
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
