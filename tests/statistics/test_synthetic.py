"""The three that come first: no change gives none, a known change is recovered, no response to weather is invented."""

import numpy as np
import pandas as pd
import pytest

from helpers.tables_of_runs import drawn_sessions, experiment_of, runs_table
from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.comparison import compare
from pullbook.statistics.covariates import covariates_of
from pullbook.statistics.session_means import session_means

EXPERIMENTS = 150
# Binomial: 0.95 with a standard deviation of 0.0178 over 150; three of them below.
LEAST = 0.897


def comparisons(seed: int, **facts: float):
    rng = np.random.default_rng(seed)
    for _ in range(EXPERIMENTS):
        table = runs_table(drawn_sessions(rng, count=3, **facts))
        yield compare(table, experiment_of(table))


def test_no_change_gives_none() -> None:
    found = list(comparisons(1, change_k=0.0))
    claimed = [c for c in found if c.low > 0 or c.high < 0]
    assert len(claimed) <= (1 - LEAST) * EXPERIMENTS
    assert abs(np.mean([c.change for c in found])) < 4 * 0.8 * np.sqrt(2 / 3 / EXPERIMENTS)


@pytest.mark.parametrize("change_k", [-6.0, -2.0, 3.0])
def test_a_known_change_is_recovered(change_k) -> None:
    found = list(comparisons(2, change_k=change_k))
    covered = np.mean([c.low <= change_k <= c.high for c in found])
    assert covered >= LEAST
    spread = np.std([c.change for c in found])
    assert np.mean([c.change for c in found]) == pytest.approx(change_k, abs=4 * spread / np.sqrt(EXPERIMENTS))


def test_a_large_improvement_is_called_one() -> None:
    verdicts = [c.verdict for c in comparisons(3, change_k=-8.0)]
    assert verdicts.count("improved") >= 0.98 * EXPERIMENTS


def test_no_response_to_weather_is_invented() -> None:
    """Weather differs within both phases and has no true effect: the slope goes to zero, not to physics."""
    rng = np.random.default_rng(4)
    slopes = []
    for _ in range(60):
        sessions = drawn_sessions(rng, count=12, slope=0.0, day_sd_k=0.3)
        # Many sessions over a wide range of weather, the same in both phases: the data must win over the prior.
        spread = [(n, p, r, 15.0 + 30.0 * (k % 12) / 11) for k, (n, p, r, _) in enumerate(sessions)]
        table = runs_table(spread)
        c = compare(table, experiment_of(table))
        slopes.append(next(s for s in c.slopes if s.name == "inlet temperature").value)
    prior = 0.6 * 40.0 / 303.15
    assert np.mean(slopes) < 0.35 * prior


def test_weather_apart_is_not_taken_for_a_change() -> None:
    """A placebo, 12 K apart, with the response that physics expects: the interval holds zero as often as it says."""
    slope = 0.6 * 40.0 / 294.0
    found = list(comparisons(5, change_k=0.0, slope=slope, apart_k=12.0))
    assert np.mean([c.low <= 0 <= c.high for c in found]) >= LEAST
    assert abs(np.mean([c.change for c in found])) < 0.25


def test_with_one_ambient_the_slope_stays_at_the_prior() -> None:
    table = runs_table([("b", "before", [40.0, 41], 15.0), ("a", "after", [38.0, 39], 15.0)])
    data = session_means(table, experiment_of(table), OUTCOMES["peak_rise"], with_left_out=False)
    prior = covariates_of(data, equal_boost=True)[0].prior
    slope = compare(table, experiment_of(table)).slopes[0]
    assert slope.value == pytest.approx(prior.mean, rel=1e-6)
    assert slope.u == pytest.approx(prior.standard_uncertainty, rel=1e-6)


def coolant_cruises(rng: np.random.Generator, *, slope: float, apart_k: float, change_k: float = 0.0) -> pd.DataFrame:
    """Draw a cruise each of three sessions a side; the coolant follows the air by ``slope``, days differ by 1 K."""
    rows = []
    for phase in ("before", "after"):
        for k in range(3):
            air_c = 15 + apart_k * (phase == "after") + rng.uniform(-3, 3)
            coolant_c = 90 + slope * (air_c - 15) + change_k * (phase == "after") + rng.standard_normal()
            run = {"session": f"{phase}-{k}", "phase": phase, "kind": "cruise", "number": 1, "reason": ""}
            told = {"included": True, "left_out": False, "coolant_step": 1.0, "inlet_step": 1.0}
            rows.append(run | told | {"mean_coolant": coolant_c, "mean_inlet": air_c, "mean_rise": 10.0})
    return pd.DataFrame(rows)


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("apart_k", [12.0, -12.0])
def test_weather_is_not_taken_for_a_cooler_engine(slope, apart_k) -> None:
    """Nothing was done; the coolant follows the air not at all (its thermostat holds), or kelvin for kelvin."""
    rng = np.random.default_rng(5)
    claims = 0
    for _ in range(60):
        table = coolant_cruises(rng, slope=slope, apart_k=apart_k)
        c = compare(table, experiment_of(table, outcome="mean_coolant"))
        claims += not c.low <= 0 <= c.high
    assert claims <= 9  # of 60; a 95 % interval leaves out the truth 3 times, and 10 or more by chance once in 1000


def test_a_figure_of_which_physics_says_nothing_warns_of_the_weather() -> None:
    inlet_c = {"before": 15.0, "after": 27.0}
    table = runs_table([(f"{p}-{k}", p, [40.0, 41.0], inlet_c[p] + k) for p in inlet_c for k in (0, 1)])
    table["time_to_boost"] = 2.0 + 0.01 * table["number"]
    told = compare(table, experiment_of(table, outcome="time_to_boost")).findings
    assert "12 K warmer after the service" in next(f.message for f in told if f.code == "weather-not-allowed-for")
    assert "weather-not-allowed-for" not in {f.code for f in compare(table, experiment_of(table)).findings}
