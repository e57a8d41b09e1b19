"""What the weather does to a charge temperature, and how that knowledge joins the data.

At constant cooler effectiveness the rise over the inlet grows in proportion to the absolute inlet temperature; lower
air flow on hot days works against it. So the slope is partly known before any data, and mixed estimation joins the two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pullbook.physics.air import KELVIN
from pullbook.settings.outcomes import Outcome

GAMMA_AIR = 1.4
SHARE_OF_PROPORTIONAL = 0.6
SHARE_UNCERTAINTY = 0.35
COOLANT_SHARE, COOLANT_SHARE_U = 0.4, 0.4


@dataclass(frozen=True)
class Prior:
    """What is known of a slope before the data.

    Attributes
    ----------
    mean, standard_uncertainty : float
        In the outcome's unit per unit of the condition; the uncertainty above zero.
    source : str
        Words for a person.
    """

    mean: float
    standard_uncertainty: float
    source: str


def ambient_slope(outcome: Outcome, *, rise_k: float, inlet_c: float) -> Prior | None:
    """Return the physical slope of an outcome on the inlet temperature.

    Parameters
    ----------
    outcome : Outcome
    rise_k : float
        Usual rise of the charge over the inlet temperature [K].
    inlet_c : float
        Usual inlet temperature [°C].

    Returns
    -------
    Prior or None
        In the outcome's unit per kelvin; None where physics says nothing definite, and then no correction is made.

    Notes
    -----
    With ``T2 = T1 (1 + x)`` (adiabatic compression) and ``T3 = T2 - e (T2 - T1)`` (the definition of the effectiveness
    ``e``), the rise is ``T1 x (1 - e)``: slope rise / T1. Lower air flow in warm air raises the effectiveness; 0.6 +-
    0.35 of the proportional slope covers both (a judgement, no source).

    A coolant that its thermostat holds does not follow the air at all; with the radiator at its limit, the heat and the
    flow being as they are, it follows kelvin for kelvin. Which of the two is not known: 0.4 +- 0.4 K/K has the first
    within one standard uncertainty and the second within one and a half (a judgement, no source; a rectangular
    distribution from 0 to 1 was tried, and its interval missed either end too often).

    Examples
    --------
    By hand: 0.6 * 40 K / 293.15 K.

    >>> from pullbook.statistics.priors import ambient_slope
    >>> from pullbook.settings.outcomes import OUTCOMES
    >>> prior = ambient_slope(OUTCOMES["peak_rise"], rise_k=40.0, inlet_c=20.0)
    >>> round(prior.mean, 4), round(prior.standard_uncertainty, 4)
    (0.0819, 0.0478)
    """
    if outcome.ambient == "coolant":
        return Prior(COOLANT_SHARE, COOLANT_SHARE_U, "anything from a working thermostat to a radiator at its limit")
    if not outcome.of_charge or not np.isfinite([rise_k, inlet_c]).all():
        return None
    proportional = max(rise_k, 0.0) / (inlet_c + KELVIN)
    mean = SHARE_OF_PROPORTIONAL * proportional + (1.0 if outcome.ambient == "charge" else 0.0)
    return Prior(mean, max(SHARE_UNCERTAINTY * proportional, 1e-6), "physics of compressor and cooler")


def pressure_slope(outcome: Outcome, *, rise_k: float) -> Prior | None:
    """Return the physical slope of an outcome on the logarithm of the compression heating.

    Parameters
    ----------
    outcome : Outcome
    rise_k : float
        Usual rise of the charge over the inlet temperature [K].

    Returns
    -------
    Prior or None
        In kelvin (a logarithm has no unit); None where physics says nothing definite.

    Notes
    -----
    The rise is proportional to ``pr**((g-1)/g) - 1`` (`pullbook.physics.air.compression_heating_factor`) at constant
    effectiveness; a higher air flow lowers the effectiveness and works with it, heat stored in the cooler against it.
    """
    if not outcome.of_charge or not np.isfinite(rise_k) or rise_k <= 0:
        return None
    return Prior(rise_k, SHARE_UNCERTAINTY * rise_k, "physics of the compressor")


def start_slope() -> Prior:
    """Return how much of a warmer start is left in a pull's charge temperature [K/K].

    Notes
    -----
    The core cools towards what the pull makes of it, so a warm start fades while the pull lasts. Between all of it, as
    in a short pull, and little: 0.5 +- 0.35 (a judgement; drives of two simulators with rests of 30 s and 200 s lie
    within it).
    """
    return Prior(0.5, 0.35, "a core that cools down during the pull")


def end_slope(climb_per_kmh: np.ndarray) -> Prior | None:
    """Return how a pull's peak charge temperature grows with the speed at which it ends.

    Parameters
    ----------
    climb_per_kmh : ndarray, shape (sessions,)
        How the temperature still climbs when the pulls end [K per km/h].

    Returns
    -------
    Prior or None
        [K per km/h]; None where it is not known.

    Notes
    -----
    A pull that ends later goes on climbing as it did, ever more slowly: 0.9 +- 0.35 of the climb at the end (a
    judgement; drives of a simulator that ended 15 km/h apart lie within it).
    """
    climb = _mean_climb(climb_per_kmh)
    return (
        None if climb is None else Prior(0.9 * climb, max(0.35 * climb, 1e-6), "a charge that climbs ever more slowly")
    )


def entry_slope(climb_per_kmh: np.ndarray) -> Prior | None:
    """Return how a pull's peak charge temperature depends on the speed at which it starts.

    Parameters
    ----------
    climb_per_kmh : ndarray, shape (sessions,)
        As for `end_slope`.

    Returns
    -------
    Prior or None
        [K per km/h]; None where the climb is not known.

    Notes
    -----
    What a pull gains at its start has mostly faded at its end: -0.3 +- 0.3 of the climb there (a judgement).
    """
    climb = _mean_climb(climb_per_kmh)
    return None if climb is None else Prior(-0.3 * climb, max(0.3 * climb, 1e-6), "heat that has faded by the end")


def length_slope(climb_per_s: np.ndarray) -> Prior | None:
    """Return what a pull that takes longer for the same speeds may have done to its charge temperature.

    Parameters
    ----------
    climb_per_s : ndarray, shape (sessions,)
        Where the figure is taken: at the end of the pulls, or at the speed asked about [K/s].

    Returns
    -------
    Prior or None
        [K/s]; None where it is not known.

    Notes
    -----
    A grade, a load or a head wind makes a pull longer and hotter; less boost makes it longer, too, and its slope counts
    that already (`pressure_slope`). Which it was is not known, so nothing is taken out: 0 +- 0.5 of the climb.
    """
    climb = _mean_climb(climb_per_s)
    return None if climb is None else Prior(0.0, max(0.5 * climb, 1e-6), "a grade, a load or a head wind")


def _mean_climb(climb: np.ndarray) -> float | None:
    return max(float(np.mean(climb)), 0.0) if np.isfinite(climb).all() else None


def relative_slope(outcome: Outcome, level: float, *, inlet_c: float) -> Prior | None:
    """Return the slope on the inlet temperature of a figure that follows a power of the absolute temperature.

    Parameters
    ----------
    outcome : Outcome
        With its `pullbook.settings.outcomes.Outcome.inlet_power`.
    level : float
        Usual figure, in the outcome's unit.
    inlet_c : float
        Usual inlet temperature [°C].

    Returns
    -------
    Prior or None
        In the outcome's unit per kelvin.

    References
    ----------
    UN R85 corrects the power of engines to reference air with powers of the absolute temperature of 0.6 (petrol) and
    0.3 to 1.8 (supercharged diesel, with its engine factor). So a time follows the power 0.6 +- 0.4, and an air flow
    its inverse.
    """
    if outcome.inlet_power is None or not np.isfinite(inlet_c):
        return None
    power, power_u = outcome.inlet_power
    relative = level / (inlet_c + KELVIN)
    return Prior(power * relative, max(power_u * abs(relative), 1e-12), "powers of the absolute temperature, UN R85")


def density_on_inlet(level: float, *, rise_k: float, inlet_c: float) -> Prior | None:
    """Return the slope of a charge density on the inlet temperature, at one manifold pressure.

    Parameters
    ----------
    level : float
        Usual density [kg/m³].
    rise_k, inlet_c : float
        Usual rise of the charge over the inlet [K], and the inlet's temperature [°C].

    Returns
    -------
    Prior or None
        [kg/m³ per K]

    Notes
    -----
    The density is proportional to 1 / T of the charge, and the charge follows the inlet as `ambient_slope` says.
    """
    if not np.isfinite([rise_k, inlet_c]).all():
        return None
    proportional = max(rise_k, 0.0) / (inlet_c + KELVIN)
    per_kelvin = -level / (inlet_c + rise_k + KELVIN)
    u = abs(per_kelvin) * SHARE_UNCERTAINTY * proportional
    return Prior(per_kelvin * (1.0 + SHARE_OF_PROPORTIONAL * proportional), max(u, 1e-9), "the ideal gas law")


def density_on_compression(level: float, *, rise_k: float, charge_k: float, pressure_ratio: float) -> Prior | None:
    """Return the slope of a charge density on the logarithm of the compression heating.

    Parameters
    ----------
    level : float
        Usual density [kg/m³].
    rise_k, charge_k : float
        Usual rise of the charge over the inlet, and its absolute temperature [K].
    pressure_ratio : float
        Usual one, above 1.

    Returns
    -------
    Prior or None
        [kg/m³], a logarithm having no unit.

    Notes
    -----
    The density is proportional to p / T of the charge. ``ln p`` moves with ``ln h`` of the heating ``h = pr**k - 1`` by
    ``h / (k (h + 1))``, and T by the rise (`pressure_slope`).
    """
    if not np.isfinite([rise_k, charge_k]).all():
        return None
    exponent = (GAMMA_AIR - 1) / GAMMA_AIR
    heating = pressure_ratio**exponent - 1
    of_pressure = heating / (exponent * (heating + 1))
    of_heat = max(rise_k, 0.0) / charge_k
    return Prior(level * (of_pressure - of_heat), level * max(SHARE_UNCERTAINTY * of_heat, 1e-6), "the ideal gas law")
