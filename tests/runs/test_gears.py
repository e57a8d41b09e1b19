"""The gear of a run: steps, polling, changes of gear, slip and variable drives."""

import numpy as np
import pytest

from pullbook.reading.logs import Log, Signal
from pullbook.runs.gears import gear_at, gear_of_cruise, mean_ratio

RATIO = 36.0  # rpm per km/h


def signal(channel: str, time_s: np.ndarray, values: np.ndarray, *, step: float, period_s: float) -> Signal:
    rounded = np.round(values / step) * step
    return Signal(
        channel=channel, column=channel, unit="", time_s=time_s, values=rounded, period_s=period_s, resolution=step
    )


def log_of(
    ratio_at, *, period_s: float = 0.5, late_s: float = 0.0, from_kmh: float = 40.0, to_kmh: float = 110.0
) -> Log:
    """A pull that gains speed ever more slowly; the engine speed is polled ``late_s`` after the road speed."""
    end_s = 15.0
    time_s = np.arange(0.0, end_s + 1e-9, period_s)

    def kmh(t: np.ndarray) -> np.ndarray:
        return from_kmh + (to_kmh - from_kmh) * (1.4 * t / end_s - 0.4 * (t / end_s) ** 2)

    later = np.clip(time_s + late_s, 0.0, end_s)
    rpm = ratio_at(kmh(later)) * kmh(later)
    signals = {
        "vehicle_speed": signal("vehicle_speed", time_s, kmh(time_s), step=1.0, period_s=period_s),
        "engine_speed": signal("engine_speed", later, rpm, step=0.25, period_s=period_s),
    }
    return Log(name="pull.csv", start=None, duration_s=end_s, signals=signals)


@pytest.mark.parametrize("period_s", [0.1, 0.5, 1.3])
@pytest.mark.parametrize("late_s", [0.0, 0.3])
def test_one_gear_is_read_within_a_per_cent(period_s, late_s) -> None:
    log = log_of(lambda kmh: np.full_like(kmh, RATIO), period_s=period_s, late_s=late_s)
    assert gear_at(log, start_s=0.0, end_s=15.0) == pytest.approx(RATIO, rel=0.01)
    assert mean_ratio(log, start_s=0.0, end_s=15.0, from_kmh=40.0, to_kmh=110.0) == pytest.approx(RATIO, rel=0.01)


def test_after_a_change_of_gear_the_last_one_counts_and_the_mean_tells_when_it_came() -> None:
    """From 50 to 36 rpm per km/h at 60 or at 80 km/h: the same gear at the end, other patterns."""
    early, late = (log_of(lambda kmh, at=at: np.where(kmh < at, 50.0, 36.0), period_s=0.25) for at in (60.0, 80.0))
    ends = [gear_at(log, start_s=0.0, end_s=15.0) for log in (early, late)]
    assert ends == pytest.approx([36.0, 36.0], rel=0.01)
    means = [mean_ratio(log, start_s=0.0, end_s=15.0, from_kmh=40.0, to_kmh=110.0) for log in (early, late)]
    # By hand: 4 of 15 marks from 40 to 110 km/h lie below 60, 8 below 80; logarithms are averaged.
    wanted = [float(np.exp((n * np.log(50.0) + (15 - n) * np.log(36.0)) / 15)) for n in (4, 8)]
    assert means == pytest.approx(wanted, rel=0.02)


@pytest.mark.parametrize(
    ("what", "ratio_at"),
    [
        ("continuously variable: the engine turns at one speed", lambda kmh: 4200.0 / kmh),
        ("a slipping converter: the engine is ahead, ever less", lambda kmh: 36.0 * (1 + 0.9 * (110.0 - kmh) / 70.0)),
    ],
)
def test_what_has_no_gear_is_given_none(what, ratio_at) -> None:
    log = log_of(ratio_at)
    assert np.isnan(gear_at(log, start_s=0.0, end_s=15.0)), what


def test_without_engine_speed_there_is_no_gear() -> None:
    log = log_of(lambda kmh: np.full_like(kmh, RATIO))
    log.signals.pop("engine_speed")
    assert np.isnan(gear_at(log, start_s=0.0, end_s=15.0))
    assert np.isnan(gear_of_cruise(log, start_s=0.0, end_s=15.0))
    assert np.isnan(mean_ratio(log, start_s=0.0, end_s=15.0, from_kmh=40.0, to_kmh=110.0))


def test_a_cruise_has_its_gear() -> None:
    log = log_of(lambda kmh: np.full_like(kmh, 22.5), from_kmh=89.0, to_kmh=91.0)
    assert gear_of_cruise(log, start_s=0.0, end_s=15.0) == pytest.approx(22.5, rel=0.01)
