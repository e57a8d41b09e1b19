"""Physics of the charge air: compression, cooling, density and the standard atmosphere.

Every function takes floats or float arrays (broadcast against each other) and returns the same. Temperatures
are in °C, pressures absolute and in kPa. NaN in gives NaN out; a value that cannot exist raises `ValueError`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Values = float | npt.NDArray[np.float64]

KELVIN = 273.15  # 0 °C in K, exact
R_DRY = 287.05  # J/(kg K), specific gas constant of dry air: R / M with the CIPM-2007 molar mass
GAMMA = 1.4  # ratio of the specific heats of air in the textbook forms
EFFICIENCY = 0.70  # isentropic, of a small turbocharger's compressor: an assumption, see EFFICIENCY_U
EFFICIENCY_U = 0.05  # its standard uncertainty when nobody measured it
MIN_COOLING_SPAN_K = 5.0  # least compressor outlet minus cooling air for an effectiveness to mean anything

# Dry air as N2, O2 and Ar (mole fractions of ISO 2533; the 0.03 % of CO2 counted with N2).
_N2, _O2, _AR = 0.7812, 0.2095, 0.0093
_RIGID_CP = 3.5 * (_N2 + _O2) + 2.5 * _AR  # cp/R without vibration: two-atomic 7/2, one-atomic 5/2
# Vibration: mole fraction and characteristic temperature [K], the bands at 2330 and 1556 1/cm times hc/k.
_VIBRATION = ((_N2, 3352.0), (_O2, 2239.0))


def saturation_vapour_pressure_pa(*, temperature_c: Values) -> Values:
    """Pressure of water vapour in saturated air.

    Parameters
    ----------
    temperature_c : float or ndarray
        Air temperature [°C].

    Returns
    -------
    float or ndarray
        Saturation vapour pressure over liquid water [Pa].

    References
    ----------
    CIPM-2007, appendix A1: Picard et al., Metrologia 45 (2008) 149.
    """
    kelvin = temperature_c + KELVIN
    return np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)


def humid_air_density_kg_m3(
    *,
    temperature_c: Values,
    pressure_kpa: Values,
    relative_humidity: Values = 0.0,
    co2_ppm: Values = 400.0,
) -> Values:
    """Density of moist air by CIPM-2007.

    Parameters
    ----------
    temperature_c : float or ndarray
        Air temperature [°C].
    pressure_kpa : float or ndarray
        Absolute pressure [kPa].
    relative_humidity : float or ndarray
        Fraction, 0 to 1.
    co2_ppm : float or ndarray
        Mole fraction of carbon dioxide [µmol/mol].

    Returns
    -------
    float or ndarray
        Density [kg/m³].

    Raises
    ------
    ValueError
        If the relative humidity is outside 0 to 1 or a pressure is not above zero.

    Notes
    -----
    Stated for 15 to 27 °C and 60 to 110 kPa. From -10 to 45 °C it stays within 0.02 % of a reference equation
    of state for humid air, far inside what a car's sensors resolve.

    References
    ----------
    Picard, Davis, Gläser and Fujii, Revised formula for the density of moist air (CIPM-2007),
    Metrologia 45 (2008) 149.

    Examples
    --------
    >>> from pullbook.physics.air import humid_air_density_kg_m3
    >>> density = humid_air_density_kg_m3(temperature_c=20.0, pressure_kpa=101.325, relative_humidity=0.5)
    >>> print(round(density, 6))
    1.199314
    """
    _require_fraction(relative_humidity)
    _require_positive(pressure_kpa, "pressure_kpa", "use absolute pressure, not gauge pressure")
    t, p = temperature_c, pressure_kpa * 1e3
    kelvin = t + KELVIN
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    vapour = relative_humidity * enhancement * saturation_vapour_pressure_pa(temperature_c=t) / p
    second_virial = (
        (1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2)
        + (5.707e-6 - 2.051e-8 * t) * vapour
        + (1.9898e-4 - 2.376e-6 * t) * vapour**2
    )
    compressibility = 1 - p / kelvin * second_virial + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * vapour**2)
    dry_molar_mass = 28.96546e-3 + 12.011e-9 * (co2_ppm - 400.0)
    molar_mass = dry_molar_mass * (1 - vapour) + 18.01528e-3 * vapour
    return p * molar_mass / (compressibility * 8.314472 * kelvin)


def standard_pressure_kpa(altitude_m: Values) -> Values:
    """Pressure of the standard atmosphere below 11 km.

    Parameters
    ----------
    altitude_m : float or ndarray
        Geopotential altitude [m], -2000 to 11000. Height above sea level serves: at 1000 m it is 0.16 m off.

    Returns
    -------
    float or ndarray
        Absolute pressure [kPa].

    Raises
    ------
    ValueError
        If an altitude is outside the layer the formula describes.

    References
    ----------
    ISO 2533:1975, Standard atmosphere: 101.325 kPa and 288.15 K at 0 m, -6.5 K/km.

    Examples
    --------
    The ASHRAE Handbook Fundamentals 2017, chapter 1, table 1, has 101.325, 89.875 and 61.640 kPa.

    >>> import numpy as np
    >>> from pullbook.physics.air import standard_pressure_kpa
    >>> print(standard_pressure_kpa(np.array([0.0, 1000.0, 4000.0])).round(3))
    [101.325  89.875  61.64 ]
    """
    if np.any((np.asarray(altitude_m) < -2000.0) | (np.asarray(altitude_m) > 11000.0)):
        raise ValueError(f"altitude_m is {altitude_m}. Allowed: -2000 to 11000 m. Check the unit (m, not ft)")
    return 101.325 * (1 - 0.0065 * altitude_m / 288.15) ** (9.80665 / (0.0065 * 287.05287))


def compression_heating_factor(pressure_ratio: Values) -> Values:
    """Relative rise of the absolute temperature in an ideal compression: ``pr**((g-1)/g) - 1``.

    The rise of the charge temperature grows with it, so it brings runs of different boost to a common one.

    Parameters
    ----------
    pressure_ratio : float or ndarray
        Outlet over inlet, absolute pressures. Below 1 the factor is negative.

    Returns
    -------
    float or ndarray
        Dimensionless factor; 0 at a ratio of 1.

    Raises
    ------
    ValueError
        If a ratio is not above zero.

    References
    ----------
    Isentropic relation of an ideal gas with constant specific heats, g = 1.4; Borgnakke and Sonntag,
    Fundamentals of Thermodynamics.
    """
    _require_positive(pressure_ratio, "pressure_ratio", "divide absolute pressures, not gauge boost")
    return pressure_ratio ** ((GAMMA - 1) / GAMMA) - 1


def compressor_outlet_constant_gamma_c(
    *, inlet_c: Values, pressure_ratio: Values, efficiency: Values = EFFICIENCY
) -> Values:
    """Compressor outlet temperature in the textbook form, specific heats constant.

    Kept to check against worked examples. Measures use `compressor_outlet_c`: this form reads high when
    hot, by up to 0.9 K at a pressure ratio of 2 and 2.6 K at 3 (inlet 50 °C, efficiency 0.6).

    Parameters
    ----------
    inlet_c : float or ndarray
        Temperature before the compressor [°C].
    pressure_ratio : float or ndarray
        Outlet over inlet, absolute pressures.
    efficiency : float or ndarray
        Isentropic efficiency, above 0 and up to 1.

    Returns
    -------
    float or ndarray
        Temperature after the compressor [°C].

    Raises
    ------
    ValueError
        If a pressure ratio or an efficiency cannot be.

    References
    ----------
    ``T2 = T1 (1 + (pr**((g-1)/g) - 1) / eta)`` with g = 1.4; Borgnakke and Sonntag, Fundamentals of
    Thermodynamics.

    Examples
    --------
    A supercharger, 300 K, 100 to 150 kPa, efficiency 0.70 (Borgnakke and Sonntag, example 9.12): 352.6 K.

    >>> from pullbook.physics.air import KELVIN, compressor_outlet_constant_gamma_c
    >>> outlet_c = compressor_outlet_constant_gamma_c(inlet_c=300 - KELVIN, pressure_ratio=1.5, efficiency=0.70)
    >>> print(round(outlet_c + KELVIN, 1))
    352.6
    """
    _require_efficiency(efficiency)
    return inlet_c + (inlet_c + KELVIN) * compression_heating_factor(pressure_ratio) / efficiency


def compressor_outlet_c(*, inlet_c: Values, pressure_ratio: Values, efficiency: Values = EFFICIENCY) -> Values:
    """Compressor outlet temperature: adiabatic, with an efficiency, specific heat growing with temperature.

    Parameters
    ----------
    inlet_c : float or ndarray
        Temperature before the compressor [°C].
    pressure_ratio : float or ndarray
        Outlet over inlet, absolute pressures. Below 1 (a closing throttle) the compressor is taken to have
        done no work and the inlet temperature is returned: throttling lowers the pressure, hardly the
        temperature.
    efficiency : float or ndarray
        Isentropic efficiency, above 0 and up to 1.

    Returns
    -------
    float or ndarray
        Temperature after the compressor [°C].

    Raises
    ------
    ValueError
        If a pressure ratio or an efficiency cannot be.

    Notes
    -----
    Dry ideal gas without heat lost through the housing. Within 0.2 K of a reference equation of state for air
    at pressure ratios up to 3, inlets of -10 to 50 °C and efficiencies of 0.6 to 0.9.

    References
    ----------
    ``s(T2s) = s(T1) + R ln pr`` and ``h(T2) = h(T1) + (h(T2s) - h(T1)) / eta`` (Çengel and Boles,
    Thermodynamics, isentropic efficiency with variable specific heats); h and s of rigid rotors with harmonic
    vibration (McQuarrie, Statistical Mechanics; constants from memory, checked in the tests by CoolProp).

    Examples
    --------
    285 K, 100 to 800 kPa, efficiency 0.80 (Çengel and Boles, example 7-15): 569.5 K from air tables, 569.7 K from a
    reference equation of state; with constant specific heats it would be 574.1 K.

    >>> from pullbook.physics.air import KELVIN, compressor_outlet_c
    >>> print(round(compressor_outlet_c(inlet_c=285 - KELVIN, pressure_ratio=8.0, efficiency=0.80) + KELVIN, 1))
    569.7
    """
    _require_positive(pressure_ratio, "pressure_ratio", "divide absolute pressures, not gauge boost")
    ratio = np.maximum(pressure_ratio, 1.0)
    inlet = inlet_c + KELVIN
    # Newton from the constant-gamma answers, a few kelvin off at most. Three steps bring them within 1e-9 K.
    isentropic, outlet = (
        compressor_outlet_constant_gamma_c(inlet_c=inlet_c, pressure_ratio=ratio, efficiency=eta) + KELVIN
        for eta in (1.0, efficiency)
    )
    entropy = _entropy_over_r(inlet) + np.log(ratio)
    for _ in range(3):
        step = (entropy - _entropy_over_r(isentropic)) / _cp_over_r(isentropic)
        isentropic = isentropic * (1 + step)
    work = (_enthalpy_over_r(isentropic) - _enthalpy_over_r(inlet)) / efficiency
    enthalpy = _enthalpy_over_r(inlet) + work
    for _ in range(3):
        outlet = outlet + (enthalpy - _enthalpy_over_r(outlet)) / _cp_over_r(outlet)
    return outlet - KELVIN


def compressor_outlet_uncertainty_k(
    *,
    inlet_c: Values,
    pressure_ratio: Values,
    efficiency: Values = EFFICIENCY,
    efficiency_u: Values = EFFICIENCY_U,
    pressure_ratio_u: Values = 0.0,
) -> Values:
    """Standard uncertainty of an estimated compressor outlet temperature, from the efficiency and the ratio.

    Parameters
    ----------
    inlet_c, pressure_ratio, efficiency : float or ndarray
        As for `compressor_outlet_c`.
    efficiency_u, pressure_ratio_u : float or ndarray
        Standard uncertainties of efficiency and pressure ratio.

    Returns
    -------
    float or ndarray
        Standard uncertainty [K].

    Raises
    ------
    ValueError
        If a pressure ratio or an efficiency cannot be, or an uncertainty is negative.

    References
    ----------
    JCGM 100:2008, 5.1.2, with ``dT2/deta = -(T2 - T1) / eta`` and, specific heats constant,
    ``dT2/dpr = T1 (g-1)/g pr**(-1/g) / eta``.
    """
    for name, u in (("efficiency_u", efficiency_u), ("pressure_ratio_u", pressure_ratio_u)):
        if np.any(np.asarray(u) < 0):
            raise ValueError(f"{name} is {u}. A standard uncertainty can't be negative")
    outlet_c = compressor_outlet_c(inlet_c=inlet_c, pressure_ratio=pressure_ratio, efficiency=efficiency)
    from_efficiency = (outlet_c - inlet_c) / efficiency * efficiency_u
    slope = (inlet_c + KELVIN) * (GAMMA - 1) / GAMMA * pressure_ratio ** (-1 / GAMMA) / efficiency
    return np.hypot(from_efficiency, slope * pressure_ratio_u)


def cooler_effectiveness(*, compressor_outlet_c: Values, charge_c: Values, cooling_air_c: Values) -> Values:
    """Temperature effectiveness of a charge-air cooler: heat taken out over heat that could be.

    Parameters
    ----------
    compressor_outlet_c : float or ndarray
        Air temperature entering the cooler [°C].
    charge_c : float or ndarray
        Air temperature leaving it [°C].
    cooling_air_c : float or ndarray
        Temperature of the air, or the coolant, that cools it [°C].

    Returns
    -------
    float or ndarray
        ``(T2 - T3) / (T2 - T_cool)``. Not clipped: below 0 the cooler warms the charge (heat left over from
        the pull before), above 1 a sensor, or the estimate of T2, is off. NaN where ``T2 - T_cool`` is below
        5 K: from there down 1 °C sensor steps alone make a standard uncertainty of 0.07 and more, without
        bound.

    Notes
    -----
    Equals the effectiveness of heat-exchanger theory while the charge air is the stream of lesser heat
    capacity.

    References
    ----------
    Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, chapter 11.

    Examples
    --------
    Gas from 300 to 100 °C by water of 35 °C (Incropera and DeWitt, example 11.3): 0.75.

    >>> from pullbook.physics.air import cooler_effectiveness
    >>> print(round(cooler_effectiveness(compressor_outlet_c=300.0, charge_c=100.0, cooling_air_c=35.0), 2))
    0.75
    """
    return (compressor_outlet_c - charge_c) / _cooling_span_k(compressor_outlet_c, cooling_air_c)


def cooler_effectiveness_uncertainty(
    *,
    compressor_outlet_c: Values,
    charge_c: Values,
    cooling_air_c: Values,
    compressor_outlet_u_k: Values,
    charge_u_k: Values,
    cooling_air_u_k: Values,
) -> Values:
    """Standard uncertainty of `cooler_effectiveness`, first order, the three temperatures independent.

    Parameters
    ----------
    compressor_outlet_c, charge_c, cooling_air_c : float or ndarray
        As for `cooler_effectiveness`.
    compressor_outlet_u_k, charge_u_k, cooling_air_u_k : float or ndarray
        Their standard uncertainties [K].

    Returns
    -------
    float or ndarray
        Standard uncertainty, dimensionless; NaN where the effectiveness is.

    Notes
    -----
    Where the outlet is estimated from the inlet reading that also serves as cooling air, the error of that
    reading enters twice and adds up. It is tenths of a kelvin beside the several kelvin of the efficiency, so
    the independence assumed here costs little; it would not if the efficiency were known.

    References
    ----------
    JCGM 100:2008, 5.1.2.
    """
    span = _cooling_span_k(compressor_outlet_c, cooling_air_c)
    effectiveness = (compressor_outlet_c - charge_c) / span
    from_outlet = (1 - effectiveness) * compressor_outlet_u_k
    from_cooling_air = effectiveness * cooling_air_u_k
    return np.sqrt(from_outlet**2 + charge_u_k**2 + from_cooling_air**2) / span


def charge_density_kg_m3(*, charge_c: Values, manifold_kpa: Values) -> Values:
    """Density of the charge as a dry ideal gas.

    Parameters
    ----------
    charge_c : float or ndarray
        Charge air temperature [°C].
    manifold_kpa : float or ndarray
        Absolute manifold pressure [kPa].

    Returns
    -------
    float or ndarray
        Density [kg/m³].

    Raises
    ------
    ValueError
        If a pressure is not above zero.

    References
    ----------
    Ideal gas law, ``p / (R_DRY T)``; within 0.1 % of real dry air at atmospheric pressure.

    Examples
    --------
    By hand: 200 000 Pa / (287.05 J/(kg K) * 323.15 K).

    >>> from pullbook.physics.air import charge_density_kg_m3
    >>> print(round(charge_density_kg_m3(charge_c=50.0, manifold_kpa=200.0), 3))
    2.156
    """
    _require_positive(manifold_kpa, "manifold_kpa", "use absolute pressure, not gauge boost")
    return manifold_kpa * 1e3 / (R_DRY * (charge_c + KELVIN))


def heat_rejected_kw(*, air_mass_flow_g_s: Values, compressor_outlet_c: Values, charge_c: Values) -> Values:
    """Heat the cooler takes from the charge air.

    Parameters
    ----------
    air_mass_flow_g_s : float or ndarray
        Air mass flow [g/s].
    compressor_outlet_c : float or ndarray
        Air temperature entering the cooler [°C].
    charge_c : float or ndarray
        Air temperature leaving it [°C].

    Returns
    -------
    float or ndarray
        Heat flow [kW]; negative where the cooler warms the charge (a heat-soaked cooler).

    References
    ----------
    First law for steady flow, ``m (h(T2) - h(T3))``, with the enthalpy of `compressor_outlet_c`.

    Examples
    --------
    0.2703 kg/s from 348.92 to 330 K (H. N. Gupta, Fundamentals of Internal Combustion Engines, example 15.5): 5.14 kW
    with the book's constant 1.005 kJ/(kg K), which is a little low.

    >>> from pullbook.physics.air import KELVIN, heat_rejected_kw
    >>> flow_g_s, outlet_c, charge_c = 270.3, 348.92 - KELVIN, 330 - KELVIN
    >>> print(round(heat_rejected_kw(air_mass_flow_g_s=flow_g_s, compressor_outlet_c=outlet_c, charge_c=charge_c), 2))
    5.15
    """
    drop = _enthalpy_over_r(compressor_outlet_c + KELVIN) - _enthalpy_over_r(charge_c + KELVIN)
    return air_mass_flow_g_s * R_DRY * drop * 1e-6


def density_gain_percent(*, charge_before_c: Values, charge_after_c: Values) -> Values:
    """How much denser the charge became, at equal pressure.

    An upper bound on the extra air per stroke: the cylinder walls warm a cooler charge more.

    Parameters
    ----------
    charge_before_c, charge_after_c : float or ndarray
        Charge air temperature before and after the service [°C].

    Returns
    -------
    float or ndarray
        Percent; positive when the charge became cooler.

    References
    ----------
    Ideal gas law, ``100 (T_before / T_after - 1)`` in absolute temperatures.

    Examples
    --------
    By hand: 333.15 K over 313.15 K is 1.0639.

    >>> from pullbook.physics.air import density_gain_percent
    >>> print(round(density_gain_percent(charge_before_c=60.0, charge_after_c=40.0), 2))
    6.39
    """
    return 100 * (charge_before_c - charge_after_c) / (charge_after_c + KELVIN)


def _cp_over_r(kelvin: Values) -> Values:
    """Specific heat of dry air at constant pressure over its gas constant (Einstein functions)."""
    vibration: Values = sum(
        x * (theta / kelvin) ** 2 * np.exp(theta / kelvin) / np.expm1(theta / kelvin) ** 2 for x, theta in _VIBRATION
    )
    return _RIGID_CP + vibration


def _enthalpy_over_r(kelvin: Values) -> Values:
    """Integral of `_cp_over_r` over the temperature [K]."""
    return _RIGID_CP * kelvin + sum(x * theta / np.expm1(theta / kelvin) for x, theta in _VIBRATION)


def _entropy_over_r(kelvin: Values) -> Values:
    """Integral of `_cp_over_r` over the logarithm of the temperature."""
    return _RIGID_CP * np.log(kelvin) + sum(
        x * (theta / kelvin / np.expm1(theta / kelvin) - np.log(-np.expm1(-theta / kelvin))) for x, theta in _VIBRATION
    )


def _cooling_span_k(compressor_outlet_c: Values, cooling_air_c: Values) -> Values:
    """Temperature difference that drives the cooler [K], NaN where it is too small to divide by."""
    span = compressor_outlet_c - cooling_air_c
    # [()] turns the zero-dimensional array that `where` makes of a float back into a float.
    wide_enough: Values = np.where(span >= MIN_COOLING_SPAN_K, span, np.nan)[()]
    return wide_enough


def _require_positive(values: Values, name: str, remedy: str) -> None:
    if np.any(np.asarray(values) <= 0):
        raise ValueError(f"{name} goes down to {np.nanmin(values):g}. It must be above 0: {remedy}")


def _require_fraction(relative_humidity: Values) -> None:
    given = np.asarray(relative_humidity)
    if np.any((given < 0) | (given > 1)):
        raise ValueError(
            f"relative_humidity runs from {np.nanmin(given):g} to {np.nanmax(given):g}: "
            "it must be a fraction from 0 to 1. Divide a percentage by 100"
        )


def _require_efficiency(efficiency: Values) -> None:
    given = np.asarray(efficiency)
    if np.any((given <= 0) | (given > 1)):
        raise ValueError(
            f"efficiency runs from {np.nanmin(given):g} to {np.nanmax(given):g}: "
            "it must be a fraction above 0, up to 1, such as 0.70"
        )
