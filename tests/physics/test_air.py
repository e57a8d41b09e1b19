"""Physics of the charge air: how the functions must behave, whatever the numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullbook.physics import air

# One valid call of every public function: name, keyword arguments.
CALLS = {
    "saturation_vapour_pressure_pa": {"temperature_c": 20.0},
    "humid_air_density_kg_m3": {
        "temperature_c": 20.0,
        "pressure_kpa": 100.0,
        "relative_humidity": 0.5,
        "co2_ppm": 400.0,
    },
    "standard_pressure_kpa": {"altitude_m": 500.0},
    "compression_heating_factor": {"pressure_ratio": 2.0},
    "compressor_outlet_constant_gamma_c": {"inlet_c": 20.0, "pressure_ratio": 2.0, "efficiency": 0.7},
    "compressor_outlet_c": {"inlet_c": 20.0, "pressure_ratio": 2.0, "efficiency": 0.7},
    "compressor_outlet_uncertainty_k": {
        "inlet_c": 20.0,
        "pressure_ratio": 2.0,
        "efficiency": 0.7,
        "efficiency_u": 0.05,
        "pressure_ratio_u": 0.05,
    },
    "cooler_effectiveness": {"compressor_outlet_c": 110.0, "charge_c": 45.0, "cooling_air_c": 20.0},
    "cooler_effectiveness_uncertainty": {
        "compressor_outlet_c": 110.0,
        "charge_c": 45.0,
        "cooling_air_c": 20.0,
        "compressor_outlet_u_k": 6.0,
        "charge_u_k": 0.3,
        "cooling_air_u_k": 0.5,
    },
    "charge_density_kg_m3": {"charge_c": 45.0, "manifold_kpa": 200.0},
    "heat_rejected_kw": {"air_mass_flow_g_s": 90.0, "compressor_outlet_c": 110.0, "charge_c": 45.0},
    "density_gain_percent": {"charge_before_c": 50.0, "charge_after_c": 40.0},
}
ARGUMENTS = [(name, argument) for name, arguments in CALLS.items() for argument in arguments]

inlets = st.floats(-30.0, 60.0)
ratios = st.floats(1.05, 3.5)
efficiencies = st.floats(0.5, 0.95)


def call(name: str, **changed: object) -> object:
    return getattr(air, name)(**{**CALLS[name], **changed})


def test_every_public_function_is_in_the_list() -> None:
    public = {name for name, value in vars(air).items() if not name.startswith("_") and callable(value)}
    assert {name for name in public if getattr(air, name).__module__ == "pullbook.physics.air"} == set(CALLS)


@pytest.mark.parametrize(("name", "argument"), ARGUMENTS)
def test_an_array_gives_what_its_scalars_give(name: str, argument: str) -> None:
    values = CALLS[name][argument] * np.array([0.9, 0.95, 1.0])
    expected = [call(name, **{argument: float(value)}) for value in values]
    assert all(isinstance(value, float) for value in expected)
    # The same arithmetic; the vectorised exp and pow may round the last bit differently.
    np.testing.assert_allclose(call(name, **{argument: values}), expected, rtol=1e-13)


@pytest.mark.parametrize(("name", "argument"), ARGUMENTS)
def test_nan_in_gives_nan_out_and_only_there(name: str, argument: str) -> None:
    value = CALLS[name][argument]
    assert np.isnan(call(name, **{argument: np.nan}))
    result = call(name, **{argument: np.array([value, np.nan])})
    assert np.isnan(result).tolist() == [False, True]


@pytest.mark.parametrize(("name", "argument"), ARGUMENTS)
def test_the_callers_array_is_left_as_it_was(name: str, argument: str) -> None:
    values = CALLS[name][argument] * np.array([0.9, 1.0])
    kept = values.copy()
    call(name, **{argument: values})
    np.testing.assert_array_equal(values, kept)


@pytest.mark.parametrize(
    ("name", "argument", "value", "message"),
    [
        ("humid_air_density_kg_m3", "relative_humidity", 50.0, "percentage by 100"),
        ("humid_air_density_kg_m3", "relative_humidity", 1.01, "percentage by 100"),
        ("humid_air_density_kg_m3", "relative_humidity", -0.1, "fraction.* 0 to 1"),
        ("humid_air_density_kg_m3", "pressure_kpa", 0.0, "absolute pressure"),
        ("standard_pressure_kpa", "altitude_m", 11000.1, "m, not ft"),
        ("standard_pressure_kpa", "altitude_m", -2000.1, "-2000 to 11000 m"),
        ("compression_heating_factor", "pressure_ratio", 0.0, "not gauge boost"),
        ("compressor_outlet_c", "pressure_ratio", -0.4, "-0.4.* not gauge boost"),
        ("compressor_outlet_constant_gamma_c", "pressure_ratio", 0.0, "must be above 0"),
        ("compressor_outlet_uncertainty_k", "pressure_ratio", 0.0, "must be above 0"),
        ("compressor_outlet_c", "efficiency", 70.0, "such as 0.70"),
        ("compressor_outlet_c", "efficiency", 0.0, "above 0"),
        ("compressor_outlet_constant_gamma_c", "efficiency", 1.2, "up to 1"),
        ("compressor_outlet_uncertainty_k", "efficiency_u", -0.05, "negative"),
        ("compressor_outlet_uncertainty_k", "pressure_ratio_u", -0.05, "negative"),
        ("charge_density_kg_m3", "manifold_kpa", -20.0, "not gauge boost"),
    ],
)
def test_what_cannot_be_is_refused(name: str, argument: str, value: float, message: str) -> None:
    message = f"^{argument} .*{message}"  # which argument it was, and what is allowed or the remedy
    with pytest.raises(ValueError, match=message):
        call(name, **{argument: value})
    with pytest.raises(ValueError, match=message):
        # One bad value among good and missing ones is not overlooked.
        call(name, **{argument: np.array([np.nan, CALLS[name][argument], value])})


@pytest.mark.parametrize(
    ("name", "argument", "sign"),
    [
        ("saturation_vapour_pressure_pa", "temperature_c", 1),
        ("humid_air_density_kg_m3", "temperature_c", -1),
        ("humid_air_density_kg_m3", "pressure_kpa", 1),
        ("humid_air_density_kg_m3", "relative_humidity", -1),  # water vapour is lighter than air
        ("humid_air_density_kg_m3", "co2_ppm", 1),  # carbon dioxide is heavier
        ("standard_pressure_kpa", "altitude_m", -1),
        ("compression_heating_factor", "pressure_ratio", 1),
        ("compressor_outlet_c", "inlet_c", 1),
        ("compressor_outlet_c", "pressure_ratio", 1),
        ("compressor_outlet_c", "efficiency", -1),
        ("cooler_effectiveness", "charge_c", -1),
        ("cooler_effectiveness", "compressor_outlet_c", 1),
        ("charge_density_kg_m3", "charge_c", -1),
        ("charge_density_kg_m3", "manifold_kpa", 1),
        ("heat_rejected_kw", "air_mass_flow_g_s", 1),
        ("heat_rejected_kw", "charge_c", -1),
        ("density_gain_percent", "charge_after_c", -1),
    ],
)
def test_the_direction_is_the_physical_one(name: str, argument: str, sign: int) -> None:
    values = CALLS[name][argument] * np.linspace(0.8, 1.2, 9)
    assert np.all(sign * np.diff(call(name, **{argument: values})) > 0)


@given(inlet=inlets, ratio=ratios, efficiency=efficiencies)
def test_the_outlet_is_above_the_inlet_and_ideal_compression_is_coolest(
    inlet: float, ratio: float, efficiency: float
) -> None:
    real = air.compressor_outlet_c(inlet_c=inlet, pressure_ratio=ratio, efficiency=efficiency)
    ideal = air.compressor_outlet_c(inlet_c=inlet, pressure_ratio=ratio, efficiency=1.0)
    assert inlet < ideal < real


@given(inlet=inlets, first=ratios, second=ratios)
def test_ideal_compression_in_two_steps_is_compression_in_one(inlet: float, first: float, second: float) -> None:
    halfway = air.compressor_outlet_c(inlet_c=inlet, pressure_ratio=first, efficiency=1.0)
    twice = air.compressor_outlet_c(inlet_c=halfway, pressure_ratio=second, efficiency=1.0)
    once = air.compressor_outlet_c(inlet_c=inlet, pressure_ratio=first * second, efficiency=1.0)
    assert twice == pytest.approx(once, abs=1e-6)  # holds only if the Newton steps have settled


@given(inlet=inlets, ratio=ratios, efficiency=efficiencies)
def test_the_efficiency_is_ideal_work_over_real_work(inlet: float, ratio: float, efficiency: float) -> None:
    # Work per g/s is the heat that would bring the air back to the inlet temperature.
    ideal, real = (
        air.heat_rejected_kw(
            air_mass_flow_g_s=1.0,
            compressor_outlet_c=air.compressor_outlet_c(inlet_c=inlet, pressure_ratio=ratio, efficiency=eta),
            charge_c=inlet,
        )
        for eta in (1.0, efficiency)
    )
    assert ideal / real == pytest.approx(efficiency, rel=1e-6)  # the converged solution is exact to rounding


def test_a_compressor_that_nobody_measured_is_taken_to_have_an_efficiency_of_070() -> None:
    # The stated assumption, 0.70 ± 0.05, of a small turbocharger: common practice, no source.
    case = {"inlet_c": 20.0, "pressure_ratio": 2.0}
    for outlet in (air.compressor_outlet_c, air.compressor_outlet_constant_gamma_c):
        assert outlet(**case) == outlet(**case, efficiency=0.70)
    assert air.compressor_outlet_uncertainty_k(**case) == air.compressor_outlet_uncertainty_k(
        **case, efficiency=0.70, efficiency_u=0.05
    )


def test_a_ratio_of_one_or_less_leaves_the_inlet_temperature() -> None:
    outlet = air.compressor_outlet_c(inlet_c=20.0, pressure_ratio=np.array([0.3, 0.99, 1.0]))
    np.testing.assert_allclose(outlet, 20.0, atol=1e-9)
    assert air.compressor_outlet_uncertainty_k(inlet_c=20.0, pressure_ratio=0.5) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("efficiency", [0.60, 0.70, 0.80])
def test_the_outlet_uncertainty_is_the_shift_that_the_efficiency_makes(efficiency: float) -> None:
    case = {"inlet_c": 25.0, "pressure_ratio": 2.0}
    shifted = [air.compressor_outlet_c(**case, efficiency=eta) for eta in (efficiency - 0.05, efficiency + 0.05)]
    uncertainty = air.compressor_outlet_uncertainty_k(**case, efficiency=efficiency)
    # 2 %: curvature over +-0.05 of 0.70 (0.5 %) and the growth of the specific heat over the rise (0.5 %).
    assert uncertainty == pytest.approx((shifted[0] - shifted[1]) / 2, rel=0.02)


def test_the_outlet_uncertainty_is_the_shift_that_the_pressure_ratio_makes() -> None:
    shifted = [air.compressor_outlet_c(inlet_c=25.0, pressure_ratio=ratio) for ratio in (1.95, 2.05)]
    uncertainty = air.compressor_outlet_uncertainty_k(
        inlet_c=25.0, pressure_ratio=2.0, efficiency_u=0.0, pressure_ratio_u=0.05
    )
    # 1 %: the slope takes the specific heats as constant.
    assert uncertainty == pytest.approx((shifted[1] - shifted[0]) / 2, rel=0.01)


def test_effectiveness_is_missing_where_there_is_nothing_to_cool() -> None:
    effectiveness = air.cooler_effectiveness(
        compressor_outlet_c=np.array([19.0, 20.0, 24.9, 25.0]), charge_c=20.0, cooling_air_c=20.0
    )
    assert np.isnan(effectiveness).tolist() == [True, True, True, False]
    assert effectiveness[-1] == 1.0


def test_effectiveness_outside_nought_to_one_is_shown_not_clipped() -> None:
    charge = np.array([15.0, 115.0])
    effectiveness = air.cooler_effectiveness(compressor_outlet_c=100.0, charge_c=charge, cooling_air_c=20.0)
    np.testing.assert_allclose(effectiveness, [85 / 80, -15 / 80])


def test_the_effectiveness_uncertainty_is_the_scatter_of_many_readings() -> None:
    rng = np.random.default_rng(20)
    names = ("compressor_outlet", "charge", "cooling_air")
    centre = dict(zip(names, (110.0, 50.0, 20.0), strict=True))
    u_k = dict(zip(names, (1.5, 1.0, 0.8), strict=True))
    drawn = {f"{name}_c": rng.normal(centre[name], u_k[name], 200_000) for name in names}
    uncertainty = air.cooler_effectiveness_uncertainty(
        **{f"{name}_c": centre[name] for name in names}, **{f"{name}_u_k": u_k[name] for name in names}
    )
    # 1 %: 200 000 draws fix a standard deviation to 0.16 %, second-order terms are of order (1.5 / 90)^2.
    assert uncertainty == pytest.approx(np.std(air.cooler_effectiveness(**drawn)), rel=0.01)


@pytest.mark.parametrize("name", ["compressor_outlet", "charge", "cooling_air"])
def test_each_reading_has_its_own_share_of_the_effectiveness_uncertainty(name: str) -> None:
    centre = CALLS["cooler_effectiveness"]
    none = dict.fromkeys(("compressor_outlet_u_k", "charge_u_k", "cooling_air_u_k"), 0.0)
    share = air.cooler_effectiveness_uncertainty(**centre, **{**none, f"{name}_u_k": 1e-4})
    moved = {**centre, f"{name}_c": centre[f"{name}_c"] + 1e-4}
    difference = air.cooler_effectiveness(**moved) - air.cooler_effectiveness(**centre)
    assert share == pytest.approx(abs(difference), rel=1e-4)  # a finite difference of 1e-4 K is good to 1e-5


def test_density_gain_is_the_ratio_of_charge_densities() -> None:
    before, after = (air.charge_density_kg_m3(charge_c=c, manifold_kpa=180.0) for c in (52.0, 43.0))
    gain = air.density_gain_percent(charge_before_c=52.0, charge_after_c=43.0)
    assert gain == pytest.approx(100 * (after / before - 1), rel=1e-12)
    assert gain == pytest.approx(100 * 9 / 316.15, rel=1e-12)


def test_no_change_of_temperature_is_no_heat_and_no_gain() -> None:
    assert air.heat_rejected_kw(air_mass_flow_g_s=80.0, compressor_outlet_c=60.0, charge_c=60.0) == 0
    assert air.density_gain_percent(charge_before_c=40.0, charge_after_c=40.0) == 0


def test_the_heating_factor_grows_faster_than_the_boost() -> None:
    factors = air.compression_heating_factor(np.array([2.0, 2.04]))
    # d ln(factor) / d ln(pr) = (2/7) / (1 - pr**(-2/7)): 1.59 at a ratio of 2, less above it.
    assert factors[1] / factors[0] - 1 == pytest.approx(1.58 * 0.02, rel=0.01)
