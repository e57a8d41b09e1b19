"""Boost and air flow at one engine speed."""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.reading.logs import Log, Signal
from pullbook.runs.find import Run, Runs
from pullbook.runs.operating_point import OperatingPoint, at_point, operating_point, passing_time_s

T = np.arange(0.0, 60.0, 0.5)
PULL = Run(kind="pull", number=1, start_s=20.0, end_s=40.0, start_kmh=40, end_kmh=110, included=True)
RUNS = Runs(pulls=(PULL,), cruises=(), full_load_from="accelerator_position")


def log_of(**channels: np.ndarray) -> Log:
    signals = {
        name: Signal(channel=name, column="", unit="", time_s=T, values=values, period_s=0.5, resolution=0.0)
        for name, values in channels.items()
    }
    return Log(name="by hand", start=None, duration_s=float(T[-1]), signals=signals)


RPM = np.interp(T, [0, 20, 40, 60], [1500, 1500, 3500, 1500])
BOOST = np.interp(T, [0, 20, 30, 40, 60], [100, 100, 200, 220, 100])


def test_the_point_lies_in_the_middle_of_the_pulls() -> None:
    log = log_of(engine_speed=RPM, intake_manifold_pressure=BOOST)
    assert operating_point([(log, RUNS)]) == OperatingPoint(engine_rpm=2500.0, manifold_kpa=200.0)


def test_without_the_signals_or_pulls_there_is_no_point() -> None:
    assert operating_point([(log_of(engine_speed=RPM), RUNS)]) is None
    none = Runs(pulls=(), cruises=(), full_load_from="nothing")
    assert operating_point([(log_of(engine_speed=RPM, intake_manifold_pressure=BOOST), none)]) is None


def test_pressure_is_read_where_the_engine_passes_the_speed() -> None:
    point = OperatingPoint(engine_rpm=2300.0, manifold_kpa=200.0)
    found = at_point(log_of(engine_speed=RPM, intake_manifold_pressure=BOOST), PULL, point)
    assert found == {"pressure_at_speed": pytest.approx(180.0)}  # 8 s into the pull


def test_in_a_pull_with_a_gear_change_the_last_passing_counts() -> None:
    rpm = np.interp(T, [0, 20, 26, 27, 40, 60], [1500, 1500, 3500, 2000, 3300, 1500])
    log = log_of(engine_speed=rpm, intake_manifold_pressure=BOOST)
    assert passing_time_s(log.need("engine_speed"), PULL, 3000.0) == pytest.approx(37.0)
    assert np.isnan(passing_time_s(log.need("engine_speed"), PULL, 4000.0))


def test_air_flow_is_brought_to_one_density() -> None:
    """The same breathing at other boost and charge temperature: flow in proportion to p / T."""
    point = OperatingPoint(engine_rpm=2500.0, manifold_kpa=200.0)
    found = []
    for share, charge_c in ((1.0, 40.0), (0.9, 60.0)):
        flow = 0.5 * share * BOOST * 313.15 / (charge_c + 273.15)
        log = log_of(
            engine_speed=RPM,
            intake_manifold_pressure=share * BOOST,
            air_mass_flow=flow,
            charge_air_temperature=0 * T + charge_c,
        )
        found.append(at_point(log, PULL, point)["flow_at_point"])
    assert found == [pytest.approx(100.0), pytest.approx(100.0)]
