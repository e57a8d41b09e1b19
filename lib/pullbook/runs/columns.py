"""The columns of the table of runs: the names of the measures, their units, and what a log must hold for each."""

from __future__ import annotations

from collections.abc import Sequence

from pullbook.settings.outcomes import outcome_named, speed_of
from pullbook.text import difference_unit

PULL_MEASURES = (
    "peak_rise", "peak_charge", "inlet_at_peak", "start_charge", "start_rise", "end_climb", "end_pace",
    "peak_manifold_pressure", "hold_manifold_pressure", "time_to_boost", "pressure_at_speed", "peak_coolant",
    "peak_air_mass_flow", "flow_at_point", "recovery_time", "recovery_time_u", "compressor_outlet",
    "compressor_outlet_u", "effectiveness", "effectiveness_u", "charge_density", "heat_rejected", "pressure_ratio",
    "duration", "rest_before", "gear_rpm_per_kmh", "gear_mean_rpm_per_kmh",
)  # fmt: skip
# Facts of a pull that are no measures, among them steps that it works out itself.
PULL_FACTS = ("outlet_estimated", "effectiveness_step", "density_step", "barometric", "dry_pressure", "heading")
# Steps of the sensors, by the channel that has each: what `Outcome.steps` may name, besides those of `PULL_FACTS`.
STEPS = {
    "charge_step": "charge_air_temperature",
    "inlet_step": "",  # of whichever sensor gives the inlet temperature: `inlet_signal`
    "coolant_step": "engine_coolant_temperature",
    "pressure_step": "intake_manifold_pressure",
    "flow_step": "air_mass_flow",
}
AT_SPEED = ("", "_u", "_s", "_climb")  # what is measured where a pull passes the speed of `rise_at`
CRUISE_MEASURES = (
    "mean_speed", "mean_rise", "mean_charge", "mean_inlet", "mean_coolant", "mean_manifold_pressure",
    "mean_air_mass_flow", "soak_rise", "gear_rpm_per_kmh",
)  # fmt: skip
# What a log must hold for each measure. The first is the measure's own channel: an outcome without it is refused, with
# the lines of YAML that would supply it (`analysis.sessions.missing_for_outcome`); of the others a note says that they
# are missing.
NEEDS: dict[str, tuple[str, ...]] = {
    "peak_rise": ("charge_air_temperature", "intake_air_temperature"),
    "inlet_at_peak": ("charge_air_temperature", "intake_air_temperature"),
    "peak_charge": ("charge_air_temperature",),
    "start_charge": ("charge_air_temperature",),
    "start_rise": ("charge_air_temperature", "intake_air_temperature"),
    "end_climb": ("charge_air_temperature",),
    "end_pace": ("charge_air_temperature",),
    "recovery_time": ("charge_air_temperature",),
    "peak_manifold_pressure": ("intake_manifold_pressure",),
    "hold_manifold_pressure": ("intake_manifold_pressure",),
    "time_to_boost": ("intake_manifold_pressure",),
    "pressure_at_speed": ("intake_manifold_pressure", "engine_speed"),
    "flow_at_point": ("air_mass_flow", "intake_manifold_pressure", "engine_speed", "charge_air_temperature"),
    "heat_rejected": ("air_mass_flow", "charge_air_temperature", "intake_manifold_pressure"),
    "peak_coolant": ("engine_coolant_temperature",),
    "mean_coolant": ("engine_coolant_temperature",),
    "peak_air_mass_flow": ("air_mass_flow",),
    "mean_air_mass_flow": ("air_mass_flow",),
    "compressor_outlet": ("intake_manifold_pressure", "intake_air_temperature"),
    "effectiveness": ("charge_air_temperature", "intake_manifold_pressure", "intake_air_temperature"),
    "pressure_ratio": ("intake_manifold_pressure",),
    "charge_density": ("charge_air_temperature", "intake_manifold_pressure"),
    "mean_rise": ("charge_air_temperature", "intake_air_temperature"),
    "soak_rise": ("charge_air_temperature", "intake_air_temperature"),
    "mean_charge": ("charge_air_temperature",),
    "mean_inlet": ("intake_air_temperature",),
    "mean_manifold_pressure": ("intake_manifold_pressure",),
    "gear_rpm_per_kmh": ("engine_speed",),
    "gear_mean_rpm_per_kmh": ("engine_speed",),
}
# Of what is no outcome, which has its own; `unit_of` finds either.
UNITS = {
    "start_s": "s", "end_s": "s", "duration": "s", "rest_before": "s", "start_speed": "km/h", "end_speed": "km/h",
    "mean_speed": "km/h", "start_charge": "°C", "inlet_at_peak": "°C", "compressor_outlet": "°C", "charge_step": "K",
    "inlet_step": "K", "coolant_step": "K", "pressure_step": "kPa", "density_step": "kg/m³", "end_climb": "K per km/h",
    "end_pace": "s per km/h", "hold_manifold_pressure": "kPa", "mean_air_mass_flow": "g/s",
    "gear_rpm_per_kmh": "rpm per km/h", "gear_mean_rpm_per_kmh": "rpm per km/h", "heading": "°",
    "barometric": "kPa", "dry_pressure": "kPa", "pressure_ratio": "1", "flow_step": "g/s", "effectiveness_step": "1",
    "outlet_estimated": "1",
}  # fmt: skip


def columns_of(more: Sequence[str] = ()) -> list[str]:
    """Return the columns of a table of runs: those that every drive has, then ``more``."""
    return [
        "kind", "number", "start_s", "end_s", "included", "reason", "left_out", "marked", "start_speed", "end_speed",
        *STEPS, *PULL_FACTS, *dict.fromkeys((*PULL_MEASURES, *CRUISE_MEASURES)), *more,
    ]  # fmt: skip


def unit_of(name: str) -> str:
    """Return the unit of a column, ``1`` for a ratio; empty where it holds words or counts.

    Parameters
    ----------
    name : str
        A measure, a fact or a step, or the uncertainty of one.

    Examples
    --------
    >>> from pullbook.runs.columns import unit_of
    >>> unit_of("compressor_outlet"), unit_of("compressor_outlet_u"), unit_of("elapsed_s 60-90"), unit_of("reason")
    ('°C', 'K', 's', '')
    """
    if name.endswith("_s") and speed_of(name.removesuffix("_s")):
        return "s"
    if name.endswith("_climb") and speed_of(name.removesuffix("_climb")):
        return "K/s"
    own = name.removesuffix("_u")
    outcome = outcome_named(own)
    unit = UNITS.get(own, outcome.unit if outcome else "")
    return unit if own == name else difference_unit(unit)
