"""Power at the wheels against what the simulation drove with."""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.physics.wheel_power import wheel_power
from pullbook.simulate import Cooler, Vehicle, Weather, drive, standard_script


@pytest.mark.parametrize(
    "vehicle", [Vehicle(), Vehicle(mass_kg=1400.0, drag_area_m2=0.68, rolling_coefficient=0.010)], ids=["van", "car"]
)
def test_the_stated_uncertainty_holds_the_power_that_was_there(vehicle) -> None:
    """Mean force times speed of the simulated drive: it knows mass, drag, rolling resistance and what turns."""
    weather = Weather(ambient_c=15.0)
    trace = drive(
        vehicle=vehicle, cooler=Cooler(), weather=weather, script=standard_script(rng=None, pulls=1), rng=None
    )
    (pull,) = [run for run in trace.runs if run.kind == "pull"]
    first, last = np.searchsorted(trace.time_s, (pull.start_s, pull.end_s))
    v = trace.channels["vehicle_speed"][first:last] / 3.6
    times = trace.time_s[first:last]
    start, end = np.interp([50 / 3.6, 100 / 3.6], v, times)
    inside = (times >= start) & (times <= end)
    density = 100.8e3 / (287.05 * 288.15)
    drag = 0.5 * density * vehicle.drag_area_m2 * v**2
    force = (
        1.05 * vehicle.mass_kg * np.gradient(v, times) + vehicle.mass_kg * 9.80665 * vehicle.rolling_coefficient + drag
    )
    true_kw = float(np.mean((force * v)[inside])) / 1e3
    found = wheel_power(
        mass_kg=vehicle.mass_kg, from_kmh=50, to_kmh=100, elapsed_s=float(end - start), air_density_kg_m3=density
    )
    assert abs(found.kw - true_kw) < 2 * found.standard_uncertainty_kw
    assert found.standard_uncertainty_kw < 0.1 * found.kw


def test_by_hand() -> None:
    # 1500 kg from 36 to 108 km/h (10 to 30 m/s) in 10 s in air of 1.2 kg/m3, hand arithmetic:
    # 1.05 * 1500 * 800 / 20 = 63.0 kW, 0.012 * 1500 * 9.80665 * 20 = 3.53 kW, 0.9 * 1.2 * 40 * 1000 / 8 = 5.4 kW.
    found = wheel_power(mass_kg=1500, from_kmh=36, to_kmh=108, elapsed_s=10.0, air_density_kg_m3=1.2)
    assert found.kw == pytest.approx(63.0 + 3.53 + 5.4, abs=0.01)


def test_twice_the_time_is_half_the_inertial_power() -> None:
    times = np.array([5.0, 10.0])
    found = wheel_power(mass_kg=1500, from_kmh=36, to_kmh=108, elapsed_s=times, air_density_kg_m3=0.0)
    rolling = 0.012 * 1500 * 9.80665 * 20 / 1e3
    assert found.kw[0] - rolling == pytest.approx(2 * (found.kw[1] - rolling))
