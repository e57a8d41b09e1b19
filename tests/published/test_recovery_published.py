"""The first-order fit against textbook lumped-capacitance coolings (read in FOSSEE's Python Textbook Companions)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pullbook.reading.logs import Signal
from pullbook.runs.heat_soak import recovery


def fitted(times: np.ndarray, values: np.ndarray) -> float:
    signal = Signal(
        channel="charge_air_temperature", column="", unit="°C", time_s=times, values=values,
        period_s=float(times[1] - times[0]), resolution=0.0,
    )  # fmt: skip
    return recovery(signal, start_s=0.0, end_s=float(times[-1]))[0]


def test_a_thermocouple_bead() -> None:
    # Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, example 5.1: a bead of 7.06e-4 m (h 400 W/(m2 K),
    # 8500 kg/m3, 400 J/(kg K)) has a time constant of 1 s; from 25 °C into gas of 200 °C it reads 199 °C after 5.2 s.
    # Tenths of a second here for seconds there, and falling for rising, so that the fit sees what it is made for.
    tau = 8500 * 400 * (7.06e-4 / 6) / 400
    t = np.arange(0.0, 80.0, 0.5)
    found = fitted(t, 175 * np.exp(-t / (10 * tau))) / 10
    assert found == pytest.approx(1.0, abs=0.005)  # the diameter has three digits
    assert found * math.log(175 / 1) == pytest.approx(5.2, abs=0.05)  # printed to 0.1 s; 5.165 exactly


def test_a_steel_ball() -> None:
    # Holman, Heat Transfer, example 4-1: 5 cm, 7800 kg/m3, 460 J/(kg K), h 10 W/(m2 K), 450 °C in surroundings of
    # 100 °C: 1/tau 3.34448e-4 1/s, 150 °C after 5818 s. In units of 100 s here.
    tau = 7800 * 460 * (0.05 / 6) / 10 / 100
    t = np.arange(0.0, 90.0, 0.5)
    found = 100 * fitted(t, 100 + 350 * np.exp(-t / tau))
    assert 1 / found == pytest.approx(3.34448e-4, rel=1e-4)  # how finely the time constant is looked for
    assert found * math.log(350 / 50) == pytest.approx(5818, abs=1)  # printed to 1 s


@pytest.mark.parametrize(("multiple", "done"), [(1, 0.63212), (3, 0.95021), (5, 0.99326)])
def test_what_is_done_after_multiples_of_the_time_constant(multiple: int, done: float) -> None:
    # Identities of a first-order response, 1 - exp(-n); 1e-4: how finely the time constant is looked for.
    t = np.arange(0.0, 90.0, 0.5)
    curve = 30 * np.exp(-t / 11.0)
    assert 1 - np.interp(multiple * fitted(t, curve), t, curve) / 30 == pytest.approx(done, abs=1e-3)


def test_from_ten_to_ninety_per_cent() -> None:
    # ln 9 = 2.1972 time constants; 1e-4 as above.
    t = np.arange(0.0, 90.0, 0.01)
    fall = np.exp(-t / 11.0)
    times = np.interp([0.1, 0.9], 1 - fall, t)
    assert (times[1] - times[0]) / fitted(t, fall * 30) == pytest.approx(2.1972, abs=2e-4)
