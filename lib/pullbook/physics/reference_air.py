"""What thin or warm air costs an engine: power correction to the reference air of UN R85, in its 2014 text.

The text is Official Journal L 323 of 7.11.2014, page 52, annex 5; ISO 1585 has the same structure. Two version traps:
newer ISO texts let the engine factor begin at 0.2 (37.2 mg/(L cycle)) instead of 0.3 (40), and since supplement 7 of
2015 R85 corrects no turbocharged engine whose control compensates for the ambient air, which is nearly every one today.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from pullbook.physics.air import KELVIN, Values, saturation_vapour_pressure_pa

REFERENCE_K = 298.0
REFERENCE_DRY_KPA = 99.0
SPARK_RANGE = (0.93, 1.07)
COMPRESSION_RANGE = (0.9, 1.1)


def dry_pressure_kpa(*, pressure_kpa: float, temperature_c: float, relative_humidity: float) -> float:
    """Return the barometric pressure less that of the water vapour [kPa]; relative humidity from 0 to 1."""
    return pressure_kpa - relative_humidity * float(saturation_vapour_pressure_pa(temperature_c=temperature_c)) / 1e3


def spark_ignition_factor(*, dry_kpa: Values, inlet_k: Values) -> Values:
    """Return the factor ``alpha_a = (99 / p_s)**1.2 (T / 298)**0.6`` of a petrol engine (UN R85, annex 5).

    Parameters
    ----------
    dry_kpa : float or ndarray
        Dry barometric pressure [kPa].
    inlet_k : float or ndarray
        Temperature of the air at the engine's inlet [K].

    Returns
    -------
    float or ndarray
        Dimensionless; the regulation states it for 0.93 to 1.07.

    Examples
    --------
    640 kW at 98 kPa, 303 K and 80 % of 4.2 kPa of vapour; how much at 100 kPa, 298 K and 30 % of 3.2 kPa? 683 kW
    (Mathur and Sharma, Internal Combustion Engines, example 27.5).

    >>> from pullbook.physics.reference_air import spark_ignition_factor
    >>> here = spark_ignition_factor(dry_kpa=98 - 0.8 * 4.2, inlet_k=303.0)
    >>> there = spark_ignition_factor(dry_kpa=100 - 0.3 * 3.2, inlet_k=298.0)
    >>> round(640 * here / there)
    683
    """
    return (REFERENCE_DRY_KPA / dry_kpa) ** 1.2 * (inlet_k / REFERENCE_K) ** 0.6


def compression_ignition_air_factor(*, dry_kpa: Values, inlet_k: Values, turbocharged: bool) -> Values:
    """Return the atmospheric factor ``f_a`` of a diesel engine (UN R85, annex 5).

    ``(99 / p_s)**0.7 (T / 298)**1.5`` turbocharged, with or without charge cooling; else ``(99 / p_s) (T / 298)**0.7``.

    Parameters
    ----------
    dry_kpa : float or ndarray
        Dry barometric pressure ``p_s`` [kPa].
    inlet_k : float or ndarray
        Temperature ``T`` of the air at the engine's inlet [K].
    turbocharged : bool

    Returns
    -------
    float or ndarray
        Dimensionless; `power_factor` raises it to the engine factor.
    """
    p, t = (0.7, 1.5) if turbocharged else (1.0, 0.7)
    return (REFERENCE_DRY_KPA / dry_kpa) ** p * (inlet_k / REFERENCE_K) ** t


def engine_factor(corrected_fuel_mg_l: float) -> float:
    """Return the engine factor ``f_m = 0.036 q_c - 1.14``, held at 0.3 below 40 and 1.2 above 65 mg/(L cycle).

    Parameters
    ----------
    corrected_fuel_mg_l : float
        Fuel a cycle and litre of swept volume over the compressor's pressure ratio, ``q_c = q / r`` [mg/(L cycle)].

    Returns
    -------
    float
        Dimensionless.

    References
    ----------
    UN R85, annex 5 (Official Journal L 323, 7.11.2014).

    Examples
    --------
    >>> from pullbook.physics.reference_air import engine_factor
    >>> [round(engine_factor(q_c), 2) for q_c in (30, 50, 70)]
    [0.3, 0.66, 1.2]
    """
    return float(np.clip(0.036 * corrected_fuel_mg_l - 1.14, 0.3, 1.2))


def power_factor(
    *, fuel: Literal["diesel", "petrol"], dry_kpa: Values, inlet_c: Values, turbocharged: bool, engine: float
) -> Values:
    """Return power in reference air over power in the air at hand.

    Parameters
    ----------
    fuel : {"diesel", "petrol"}
    dry_kpa : float or ndarray
        Dry barometric pressure [kPa].
    inlet_c : float or ndarray
        Temperature of the air at the engine's inlet [°C].
    turbocharged : bool
        Only a diesel engine's factor asks for it.
    engine : float
        A diesel engine's factor ``f_m``.

    Returns
    -------
    float or ndarray
        ``alpha_a``, or ``alpha_d = f_a**f_m`` (UN R85, annex 5), dimensionless, whether or not it lies `within_range`.

    Examples
    --------
    A turbocharged diesel of 896 kW at 96 kPa, 302 K and 20 % of 4.8 kPa of vapour; how much at 98 kPa, 315 K and 40 %
    of 8.2 kPa, with an engine factor of 0.3? 878 kW (Mathur and Sharma, example 27.6).

    >>> from pullbook.physics.air import KELVIN
    >>> from pullbook.physics.reference_air import power_factor
    >>> engine = {"fuel": "diesel", "turbocharged": True, "engine": 0.3}
    >>> bed = power_factor(dry_kpa=96 - 0.2 * 4.8, inlet_c=302 - KELVIN, **engine)
    >>> site = power_factor(dry_kpa=98 - 0.4 * 8.2, inlet_c=315 - KELVIN, **engine)
    >>> round(896 * bed / site, 1)
    878.5
    """
    inlet_k = inlet_c + KELVIN
    if fuel == "petrol":
        return spark_ignition_factor(dry_kpa=dry_kpa, inlet_k=inlet_k)
    return compression_ignition_air_factor(dry_kpa=dry_kpa, inlet_k=inlet_k, turbocharged=turbocharged) ** engine


def within_range(factor: Values, *, fuel: Literal["diesel", "petrol"]) -> np.ndarray:
    """Say where a factor lies in the range that the regulation states for it (UN R85, annex 5).

    Parameters
    ----------
    factor : float or ndarray
        From `power_factor`.
    fuel : {"diesel", "petrol"}

    Returns
    -------
    ndarray of bool, shape of ``factor``
        False where the factor is NaN.
    """
    low, high = SPARK_RANGE if fuel == "petrol" else COMPRESSION_RANGE
    return np.asarray((np.asarray(factor) >= low) & (np.asarray(factor) <= high))
