"""Heat in the cooler: recovery after a pull, standstills."""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.reading.logs import Log, Signal
from pullbook.runs.heat_soak import idle_soaks, recovery
from study.secondary import decay, recovery_scores


def signal(channel: str, time_s: np.ndarray, values: np.ndarray, *, resolution: float = 0.0) -> Signal:
    return Signal(
        channel=channel, column="", unit="", time_s=time_s, values=values, resolution=resolution,
        period_s=float(np.median(np.diff(time_s))),
    )  # fmt: skip


def test_an_exact_decay_is_found_exactly() -> None:
    t = np.arange(0, 80, 0.5)
    tau, u = recovery(signal("charge", t, 20 + 40 * np.exp(-t / 13.0)), start_s=0, end_s=80)
    assert tau == pytest.approx(13.0, rel=1e-4)  # how finely it is looked for
    assert u < 0.01


def test_the_error_is_below_twice_the_stated_uncertainty_95_times_in_100() -> None:
    """Steps of 1 °C, polled every 0.3 s to 1.3 s; `tests/study/secondary.py` draws ten times as many (98.8 %)."""
    scores = recovery_scores(400)
    kept = scores[np.isfinite(scores)]
    assert len(kept) > 0.95 * len(scores)
    assert np.mean(np.abs(kept) < 2) >= 0.95
    assert abs(kept.mean()) < 0.15  # no bias: 0.71 / sqrt(400) is 0.04
    assert kept.std() > 0.5  # nor is the uncertainty so wide that it could not fail


def test_what_a_short_window_still_gives_is_within_its_uncertainty_too() -> None:
    rng = np.random.default_rng(3)
    scores = []
    for _ in range(400):
        signal_, tau = decay(rng, window_s=(8.0, 30.0))
        found, u = recovery(signal_, start_s=0.0, end_s=float(signal_.time_s[-1]))
        scores.append((found - tau) / u)
    kept = np.array(scores)[np.isfinite(scores)]
    assert len(kept) < 0.7 * len(scores)  # many are refused
    assert np.mean(np.abs(kept) < 2) >= 0.95


@pytest.mark.parametrize(
    ("window_s", "fall_k", "tau_s"),
    [(12, 40, 5), (60, 2, 10), (20, 40, 60)],
    ids=["under 15 s", "under 3 K of fall", "shorter than the time constant"],
)
def test_too_little_of_a_decay_is_refused(window_s, fall_k, tau_s) -> None:
    t = np.arange(0, window_s + 0.1, 0.5)
    found = recovery(signal("charge", t, 20 + fall_k * np.exp(-t / tau_s)), start_s=0, end_s=window_s)
    assert np.isnan(found).all()


def test_the_next_disturbance_ends_the_decay() -> None:
    t = np.arange(0, 80, 0.5)
    curve = np.where(t < 50, 20 + 40 * np.exp(-t / 10), 20.3 + 0.5 * (t - 50))
    tau, _ = recovery(signal("charge", t, curve), start_s=0, end_s=80)
    assert tau == pytest.approx(10.0, rel=1e-3)


def log_of(speed: np.ndarray, charge: np.ndarray, t: np.ndarray) -> Log:
    signals = {
        "vehicle_speed": signal("vehicle_speed", t, speed),
        "charge_air_temperature": signal("charge_air_temperature", t, charge),
    }
    return Log(name="by hand", start=None, duration_s=float(t[-1]), signals=signals)


def test_a_standstill_tells_how_fast_the_charge_climbs() -> None:
    t = np.arange(0, 200, 1.0)
    speed = np.where((t >= 60) & (t <= 120), 0.0, 50.0)
    (idle,) = idle_soaks(log_of(speed, 30 + 0.1 * np.clip(t - 60, 0, 60), t))
    assert (idle.start_s, idle.end_s) == (60.0, 120.0)
    assert idle.climb_k_per_min == pytest.approx(6.0)


def test_short_stops_and_stops_across_a_gap_are_not_standstills() -> None:
    t = np.arange(0, 200, 1.0)
    speed = np.where((t >= 60) & (t <= 85), 0.0, 50.0)
    assert idle_soaks(log_of(speed, 30 + 0 * t, t)) == ()
    kept = (t < 65) | (t > 110)
    stopped = np.where((t >= 60) & (t <= 120), 0.0, 50.0)
    assert idle_soaks(log_of(stopped[kept], 30 + 0 * t[kept], t[kept])) == ()


def test_a_log_that_ends_standing_counts_to_its_end() -> None:
    t = np.arange(0, 100, 1.0)
    (idle,) = idle_soaks(log_of(np.where(t >= 60, 0.0, 50.0), 30 + 0 * t, t))
    assert idle.end_s == 99.0
