"""The figures a before/after question can be asked about: their names, units and better direction."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from pullbook.quantities import typed
from pullbook.text import difference_unit

# KIT 'Automotive OBD-II Dataset' (M. Weber, DOI 10.35097/1130): intake air less ambient of one turbo-diesel car, mean
# of each drive. Standard deviation between 24 drives at 95 to 115 km/h 0.96 K, between 45 at 120 to 140 km/h 1.25 K.
MEASURED = "what one real car showed between days of steady cruising (KIT, DOI 10.35097/1130)"
CHARGE, PRESSURE, COOLANT = ("charge_air_temperature",), ("intake_manifold_pressure",), ("engine_coolant_temperature",)
INLET = ("intake_air_temperature", "ambient_air_temperature")
FLOW, OUTLET, ENGINE = ("air_mass_flow",), ("compressor_outlet_temperature",), ("engine_speed",)
TAKEN_OVER = f"{MEASURED}, used for pulls too because no public data hold enough of them"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """A measure that can serve as the outcome of an experiment.

    Attributes
    ----------
    name : str
        Column of the measures table.
    kind : {"pull", "cruise", "idle"}
        The run it belongs to; a standstill serves no experiment as outcome.
    channels : tuple of str
        What it is measured with (`pullbook.runs.columns.NEEDS` has what a log must hold of them).
    unit : str
        Unit of the figure and of a change in it.
    label : str
        Words for a person, lower case.
    day_to_day_sd : float
        Default allowance for the day-to-day standard deviation, in ``unit`` or as a fraction (see ``relative``).
    allowance_source : str
        Where that comes from, in words.
    ambient : {"rise", "charge", "coolant", "density", "power", "none"}
        What physics says of its response to the inlet temperature (see `pullbook.statistics.priors`): a rise grows a
        little with it, a charge temperature moves with it, a coolant's may or may not; for the others nothing is
        assumed.
    lower_is_better : bool
        Which direction is an improvement.
    relative : bool
        The allowance is a fraction of the mean rather than in the outcome's unit.
    steps : tuple of str
        Columns of the measures table that hold the steps of the sensors behind it: `pullbook.runs.columns.STEPS`, or
        one that the measure works out itself, as ``effectiveness_step``.
    inlet_power : tuple of float, optional
        With ``ambient="power"``: the power of the absolute inlet temperature it goes with, and its standard
        uncertainty (`pullbook.statistics.priors.relative_slope`).
    at_the_end : bool
        A pull's figure that is reached at its end, so that a longer pull has more of it.
    from_outlet : bool
        It rests on the compressor outlet temperature, which few cars measure.
    is_boost : bool
        It is the boost itself, which no change of boost can mislead.
    """

    name: str
    kind: Literal["pull", "cruise", "idle"]
    channels: tuple[str, ...]
    unit: str
    label: str
    day_to_day_sd: float
    allowance_source: str
    ambient: Literal["rise", "charge", "coolant", "density", "power", "none"]
    lower_is_better: bool = True
    relative: bool = False
    steps: tuple[str, ...] = ()
    inlet_power: tuple[float, float] | None = None
    at_the_end: bool = True
    from_outlet: bool = False
    is_boost: bool = False

    @property
    def sensors(self) -> tuple[str, ...]:
        """The channels it rests on: its own, and the inlet's where the weather is taken out."""
        return tuple(dict.fromkeys((*self.channels, *(INLET if self.ambient != "none" else ()))))

    @property
    def of_charge(self) -> bool:
        """Whether it is a temperature of the charge, which depends on inlet temperature and compression."""
        return self.ambient in ("rise", "charge")

    @property
    def change_unit(self) -> str:
        """Unit of a change: K for a temperature in °C."""
        return difference_unit(self.unit)


_ALL = (
    Outcome(
        name="peak_rise", kind="pull", channels=CHARGE + INLET,
        unit="K", label="peak charge temperature above inlet",
        day_to_day_sd=1.0, allowance_source=TAKEN_OVER, ambient="rise",
        steps=("charge_step", "inlet_step"),
    ),
    Outcome(
        name="peak_charge", kind="pull", channels=CHARGE,
        unit="°C", label="peak charge temperature",
        day_to_day_sd=1.0, allowance_source=TAKEN_OVER, ambient="charge",
        steps=("charge_step",),
    ),
    Outcome(
        name="peak_coolant", kind="pull", channels=COOLANT,
        unit="°C", label="peak coolant temperature",
        allowance_source="a thermostat holds a coolant to a few kelvin, with load and fan (a judgement)",
        day_to_day_sd=2.0, ambient="coolant",
        steps=("coolant_step",),
    ),
    Outcome(
        name="peak_manifold_pressure", kind="pull", channels=PRESSURE,
        unit="kPa", label="peak manifold pressure (absolute)",
        allowance_source="2 % of boost between days, as the boost alarm counts (a judgement)",
        lower_is_better=False, day_to_day_sd=0.02, relative=True, ambient="none",
        steps=("pressure_step",), is_boost=True,
    ),
    Outcome(
        name="time_to_boost", kind="pull", channels=PRESSURE,
        unit="s", label="time to 90 % of the peak manifold pressure",
        allowance_source="how fast the pedal goes down decides it (a judgement)",
        day_to_day_sd=0.05, relative=True, ambient="none", is_boost=True,
    ),
    Outcome(
        name="peak_air_mass_flow", kind="pull", channels=FLOW,
        unit="g/s", label="peak air mass flow",
        allowance_source="it follows the boost, 2 % between days (a judgement)",
        lower_is_better=False, day_to_day_sd=0.02, relative=True, ambient="power", inlet_power=(-0.8, 0.4),
    ),
    Outcome(
        name="recovery_time", kind="pull", channels=CHARGE,
        unit="s", label="recovery time constant after a pull",
        allowance_source="the road speed after the lift decides it (a judgement)",
        day_to_day_sd=0.1, relative=True, ambient="none",
    ),
    Outcome(
        name="effectiveness", kind="pull", channels=CHARGE + INLET + OUTLET + PRESSURE,
        unit="1", label="cooler temperature effectiveness",
        allowance_source="1 K in the 60 K that a cooler takes out at full load is 2 % (worked out)",
        lower_is_better=False, day_to_day_sd=0.02, relative=True, ambient="none",
        steps=("effectiveness_step",), from_outlet=True,
    ),
    Outcome(
        name="charge_density", kind="pull", channels=CHARGE + PRESSURE,
        unit="kg/m³", label="charge density",
        allowance_source="1 K is 0.3 %, the pressure at equal boost as much; rounded up (worked out)",
        lower_is_better=False, day_to_day_sd=0.01, relative=True, steps=("density_step",), ambient="density",
    ),
    Outcome(
        name="heat_rejected", kind="pull", channels=FLOW + CHARGE + INLET + OUTLET + PRESSURE,
        unit="kW", label="heat rejected at peak air flow",
        allowance_source="2 % of air flow with 2 % of the temperature drop (worked out)",
        lower_is_better=False, day_to_day_sd=0.03, relative=True, from_outlet=True, ambient="power",
        inlet_power=(0.2, 0.6),
    ),
    Outcome(
        name="start_rise", kind="pull", channels=CHARGE + INLET,
        unit="K", label="charge temperature above inlet at the start",
        day_to_day_sd=1.0, allowance_source=TAKEN_OVER, ambient="none",
        steps=("charge_step", "inlet_step"),
    ),
    Outcome(
        name="pressure_at_speed", kind="pull", channels=PRESSURE + ENGINE,
        unit="kPa", label="manifold pressure (absolute) at the same engine speed",
        allowance_source="2 % of boost between days, as the boost alarm counts (a judgement)",
        lower_is_better=False, day_to_day_sd=0.02, relative=True, ambient="none",
        steps=("pressure_step",), is_boost=True,
    ),
    Outcome(
        name="flow_at_point", kind="pull", channels=FLOW + CHARGE + PRESSURE + ENGINE,
        unit="g/s", label="air mass flow at the same engine speed and density",
        allowance_source="it follows the boost, 2 % between days (a judgement)",
        lower_is_better=False, day_to_day_sd=0.02, relative=True, ambient="power", inlet_power=(0.0, 0.5),
    ),
    Outcome(
        name="soak_rise", kind="cruise", channels=CHARGE + INLET,
        unit="K", label="cruise charge temperature after the pulls above that before",
        day_to_day_sd=1.0, allowance_source=MEASURED, ambient="none",
        steps=("charge_step", "inlet_step"),
    ),
    Outcome(
        name="mean_rise", kind="cruise", channels=CHARGE + INLET,
        unit="K", label="cruise charge temperature above inlet",
        day_to_day_sd=1.0, allowance_source=MEASURED, ambient="rise",
        steps=("charge_step", "inlet_step"),
    ),
    Outcome(
        name="mean_charge", kind="cruise", channels=CHARGE,
        unit="°C", label="cruise charge temperature",
        day_to_day_sd=1.0, allowance_source=MEASURED, ambient="charge",
        steps=("charge_step",),
    ),
    Outcome(
        name="mean_inlet", kind="cruise", channels=INLET,
        unit="°C", label="cruise inlet temperature",
        day_to_day_sd=1.0, allowance_source=MEASURED, ambient="none",
        steps=("inlet_step",),
    ),
    Outcome(
        name="mean_coolant", kind="cruise", channels=COOLANT,
        unit="°C", label="cruise coolant temperature",
        allowance_source="a thermostat holds a coolant to a few kelvin, with load and fan (a judgement)",
        day_to_day_sd=2.0, ambient="coolant",
        steps=("coolant_step",),
    ),
    Outcome(
        name="mean_manifold_pressure", kind="cruise", channels=PRESSURE,
        unit="kPa", label="cruise manifold pressure (absolute)",
        allowance_source="grade and wind at a steady speed (a judgement)",
        day_to_day_sd=0.02, relative=True, ambient="none",
    ),
)  # fmt: skip
OUTCOMES: dict[str, Outcome] = {outcome.name: outcome for outcome in _ALL}


def elapsed_columns(names: Iterable[object]) -> list[str]:
    """Return those of a table's columns that hold times between two speeds, without their uncertainties."""
    return [name for name in map(str, names) if _ELAPSED_COLUMN.fullmatch(name)]


def outcomes_in_words() -> str:
    """List what can be asked about, with the two that name speeds."""
    return f"{', '.join(OUTCOMES)}, or with speeds of your own in km/h: rise_at 100, elapsed_s 60-90"


_ELAPSED_COLUMN = re.compile(r"elapsed_s [^\s_]+")
_ELAPSED = re.compile(r"elapsed_s (\d{1,3}(?:\.\d+)?)-(\d{1,3}(?:\.\d+)?)")
_RISE_AT = re.compile(r"rise_at (\d{2,3}(?:\.\d+)?)")
_WITH_UNIT = re.compile(r"(?P<what>elapsed_s|rise_at) +(?P<speeds>[\d.]+(?:-[\d.]+)?) *(?P<unit>[a-z/]+)")


def speeds_of(name: str) -> tuple[float, ...]:
    """Return the speeds [km/h] that a name holds: two of a time, one of `rise_at`, none for other outcomes."""
    match = _ELAPSED.fullmatch(name)
    if match:
        return (float(match[1]), float(match[2]))
    match = _RISE_AT.fullmatch(name)
    return (float(match[1]),) if match else ()


def speed_of(name: str) -> float | None:
    """Return the speed [km/h] that a `rise_at` names; None for other outcomes."""
    speeds = speeds_of(name)
    return speeds[0] if len(speeds) == 1 else None


def in_kmh(name: str) -> str:
    """Return an outcome's name with its speeds in km/h, where it gives them in another unit; other names as they are.

    Raises
    ------
    ValueError
        When the unit is none of speed.

    Examples
    --------
    >>> from pullbook.settings.outcomes import in_kmh
    >>> in_kmh("rise_at 60 mph"), in_kmh("elapsed_s 30-60 mph"), in_kmh("peak_rise")
    ('rise_at 96.56', 'elapsed_s 48.28-96.56', 'peak_rise')
    """
    match = _WITH_UNIT.fullmatch(name)
    if not match:
        return name
    speeds = (typed(f"{speed} {match['unit']}", "km/h") for speed in match["speeds"].split("-"))
    return f"{match['what']} {'-'.join(f'{speed:g}' for speed in speeds)}"


def outcome_named(name: str) -> Outcome | None:
    """Return the outcome of a name, or None; ``elapsed_s 60-90`` and ``rise_at 100`` name their speeds in km/h.

    Examples
    --------
    >>> from pullbook.settings.outcomes import outcome_named, speeds_of
    >>> outcome_named("elapsed_s 60-90").label, speeds_of("elapsed_s 60-90")
    ('time from 60 to 90 km/h', (60.0, 90.0))
    >>> outcome_named("peak_charge").unit, outcome_named("peak_charge").change_unit
    ('°C', 'K')
    """
    if name in OUTCOMES:
        return OUTCOMES[name]
    match = _RISE_AT.fullmatch(name)
    if match:
        return Outcome(
            name=name, kind="pull", channels=("vehicle_speed", *CHARGE, *INLET),
            unit="K", label=f"charge temperature above inlet at {match[1]} km/h",
            day_to_day_sd=1.0, allowance_source=TAKEN_OVER,
            ambient="rise", steps=("charge_step", "inlet_step"), at_the_end=False,
        )  # fmt: skip
    match = _ELAPSED.fullmatch(name)
    if match and float(match[1]) < float(match[2]):
        return Outcome(
            name=name, kind="pull", channels=("vehicle_speed",),
            unit="s", label=f"time from {match[1]} to {match[2]} km/h",
            allowance_source="1 % of air density is 1 % of time, and wind and fuel load as much again (a judgement)",
            day_to_day_sd=0.02, relative=True, ambient="power", inlet_power=(0.6, 0.4),
        )  # fmt: skip
    return None


# What people call the parts of the outcomes' names. Words that say how the figure is taken come before those that say
# of what: a "cruise rise" is the mean rise.
_MEANINGS: dict[str, tuple[str, ...]] = {
    "cruise": ("mean",), "steady": ("mean",), "average": ("mean",), "avg": ("mean",), "motorway": ("mean",),
    "max": ("peak",), "maximum": ("peak",), "highest": ("peak",), "top": ("peak",), "pull": ("peak",),
    "temp": ("charge",), "temperature": ("charge",), "iat": ("charge",), "cact": ("charge",),
    "intercooler": ("charge",),
    "delta": ("rise",), "above": ("rise",), "difference": ("rise",), "increase": ("rise",), "heat": ("rise",),
    "boost": ("manifold", "pressure"), "map": ("manifold", "pressure"), "turbo": ("manifold", "pressure"),
    "water": ("coolant",), "ect": ("coolant",), "maf": ("air", "mass", "flow"), "airflow": ("air", "mass", "flow"),
    "spool": ("time", "to", "boost"), "lag": ("time", "to", "boost"), "efficiency": ("effectiveness",),
    "soak": ("soak",), "intake": ("inlet",), "ambient": ("inlet",), "density": ("density",), "air": ("air",),
    "recover": ("recovery",), "cooldown": ("recovery",), "power": ("heat", "rejected"),
}  # fmt: skip
_LEAST_LIKE = 0.5


def nearest_outcome(name: str) -> str | None:
    """Return the outcome that a wrong name most likely means: by spelling, else by the meaning of its words.

    Parameters
    ----------
    name : str

    Returns
    -------
    str or None
        None where nothing comes near.

    Examples
    --------
    >>> from pullbook.settings.outcomes import nearest_outcome
    >>> [nearest_outcome(name) for name in ("peak_rize", "cruise_rise", "max boost", "xyzzy")]
    ['peak_rise', 'mean_rise', 'peak_manifold_pressure', None]
    """
    plain = re.sub(r"[^a-z]+", "_", name.lower()).strip("_")
    if spelt := difflib.get_close_matches(plain, OUTCOMES, n=1, cutoff=0.85):
        return spelt[0]
    words = {part for word in plain.split("_") for part in _MEANINGS.get(word, (word,))}

    def likeness(outcome: str) -> float:
        own = set(outcome.split("_"))
        return len(words & own) / len(words | own)

    best = max(OUTCOMES, key=likeness)
    if likeness(best) >= _LEAST_LIKE:
        return best
    return next(iter(difflib.get_close_matches(plain, OUTCOMES, n=1)), None)
