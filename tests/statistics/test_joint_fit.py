"""States of several services in one fit: against the comparison, against exact sums, and the coverage of a drift."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from helpers.tables_of_runs import experiment_of, runs_table
from pullbook.statistics.comparison import compare
from pullbook.statistics.joint_fit import PhaseStates, common_rate, joint_levels, line_through, share_of
from pullbook.statistics.uncertainty import coverage_factor

GAIN_K, DRIFT_K, SEASON_SD_K, DAY_SD_K = 7.0, 5.0, 1.0, 1.0


def services(rng: np.random.Generator, *, count: int = 3, season_sd: float = SEASON_SD_K, drift_k: float = DRIFT_K):
    """Draw the tables of some services: seasons, days, pulls, whole degrees, and weather with its true slope."""
    slope = rng.uniform(0.0, 1.2) * 38.0 / 288.0  # anything that physics allows, as in the coverage study
    tables = []
    for k in range(count):
        season, warm = season_sd * rng.standard_normal(), rng.uniform(-6, 6)
        drawn = []
        for phase, mean in (
            ("before", 40.0 + k * (drift_k - GAIN_K)),
            ("after", 40.0 + k * (drift_k - GAIN_K) - GAIN_K),
        ):
            for n in range(2):
                inlet = 14.0 + warm + rng.uniform(-2, 2)
                day = mean + season + DAY_SD_K * rng.standard_normal() + slope * (inlet - 14.0)
                rises = np.round(inlet + day + 0.7 * rng.standard_normal(5)) - np.round(inlet)
                drawn.append((f"{phase}-{n}", phase, rises, np.round(inlet)))
        tables.append(runs_table(drawn, step=1.0))
    return tables


def levels_of(tables, **settings) -> PhaseStates:
    return joint_levels(tables, [experiment_of(table) for table in tables], **settings)


def drift(levels: PhaseStates, k: int) -> np.ndarray:
    return levels.contrast(k + 1, "before") - levels.contrast(k, "after")


# --- against what is known ---------------------------------------------------------------------------------------


def test_one_service_alone_is_the_comparison():
    """The change within one service has no share of the season: figure, budget and interval are the comparison's."""
    (table,) = services(np.random.default_rng(1), count=1)
    c = compare(table, experiment_of(table))
    found = levels_of([table]).estimate(np.array([-1.0, 1.0]))
    assert found.value == pytest.approx(c.change, rel=1e-9)
    assert (found.low, found.high) == pytest.approx((c.low, c.high), rel=1e-9)
    expected = {line.source: line.standard_uncertainty for line in c.budget if line.standard_uncertainty > 0}
    assert {line.source: line.standard_uncertainty for line in found.budget} == pytest.approx(expected)


def exact() -> list:
    """Return three services without scatter, weather or steps: 40, 33, 38, 31, 36, 29 K."""
    tables = []
    for k in range(3):
        before = 40.0 - 2.0 * k
        pairs = [
            ("b1", "before", before),
            ("b2", "before", before),
            ("a1", "after", before - 7),
            ("a2", "after", before - 7),
        ]
        tables.append(runs_table([(name, phase, [rise] * 5, 15.0) for name, phase, rise in pairs]))
    return tables


def test_the_season_cancels_within_a_service_and_not_between():
    levels = levels_of(exact(), season_sd=1.5)
    assert levels.states == pytest.approx([40, 33, 38, 31, 36, 29])
    within = levels.estimate(levels.contrast(1, "after") - levels.contrast(1, "before"))
    between = levels.estimate(drift(levels, 0))
    assert within.value == pytest.approx(-7)
    assert between.value == pytest.approx(5)
    assert not any(line.source == "season to season" for line in within.budget)
    # Two seasons, each on its own: 1.5 sqrt(2). Over two services, the one between them cancels as well.
    (season,) = [line.standard_uncertainty for line in between.budget if line.source == "season to season"]
    assert season == pytest.approx(1.5 * math.sqrt(2))
    both = levels.estimate(drift(levels, 0) + drift(levels, 1))
    (season,) = [line.standard_uncertainty for line in both.budget if line.source == "season to season"]
    assert season == pytest.approx(1.5 * math.sqrt(2))


def test_the_weights_of_days_come_from_the_allowance_alone_where_nothing_scatters():
    levels = levels_of(exact(), season_sd=0.0)
    # (4 x 1 K^2 + 0) / (4 + 6 degrees of freedom left of 12 sessions and 6 levels); two days on either side.
    assert levels.day_dof == pytest.approx(10, abs=0.1)
    found = levels.estimate(drift(levels, 0))
    (days,) = [line.standard_uncertainty for line in found.budget if line.source == "day to day"]
    assert days == pytest.approx(math.sqrt(0.4), rel=0.02)


def test_the_covariance_is_the_budget():
    levels = levels_of(services(np.random.default_rng(2)))
    for contrast in (
        drift(levels, 0),
        drift(levels, 1),
        levels.contrast(2, "after"),
        drift(levels, 0) + drift(levels, 1),
    ):
        assert math.sqrt(contrast @ levels.covariance @ contrast) == pytest.approx(
            levels.estimate(contrast).u, rel=1e-9
        )


def test_one_rate_over_spans_of_one_rate():
    levels = levels_of(exact())
    contrasts = np.array([drift(levels, 0), drift(levels, 1)])
    contrast, p = common_rate(levels, contrasts, np.array([10.0, 10.0]))
    assert contrast @ levels.states == pytest.approx(0.5)  # 5 K in 10 000 km
    assert p == pytest.approx(1.0)
    _, p = common_rate(levels, contrasts, np.array([1.0, 60.0]))
    assert p < 0.05  # the same loss over 1000 and over 60 000 km is not one rate
    _, p = common_rate(levels, contrasts[:1], np.array([10.0]))
    assert math.isnan(p)  # a single span always fits


@pytest.mark.parametrize("phase", ["before", "after"])
def test_a_line_through_the_states(phase):
    levels = levels_of(exact())
    contrast, p = line_through(levels, phase, np.array([0.0, 10.0, 20.0]))
    assert contrast @ levels.states == pytest.approx(-0.2)
    assert p == pytest.approx(1.0)


def test_the_share_lost_agrees_with_many_draws():
    """Fieller's interval against draws from the same normal distribution, whose ratio it is about."""
    levels = levels_of(exact(), season_sd=0.3)
    gained, lost = levels.contrast(0, "before") - levels.contrast(0, "after"), drift(levels, 0)
    share = share_of(levels, lost, gained)
    assert share is not None
    assert share.value == pytest.approx(5 / 7)
    covariance = np.array([[a @ levels.covariance @ b for b in (lost, gained)] for a in (lost, gained)])
    # With t instead of the normal quantile: draws widened alike.
    t = coverage_factor(0.95, min(levels.estimate(lost).dof, levels.estimate(gained).dof)) / 1.959964
    draws = np.random.default_rng(3).multivariate_normal([5.0, 7.0], t**2 * covariance, size=200_000)
    # The ratio is bent a little within its interval; 0.03 is a twentieth of the interval's width.
    assert (share.low, share.high) == pytest.approx(np.quantile(draws[:, 0] / draws[:, 1], [0.025, 0.975]), abs=0.03)


def test_no_share_is_told_of_a_gain_that_is_not_resolved():
    levels = levels_of([table.assign(peak_rise=40.0) for table in exact()])
    assert share_of(levels, drift(levels, 0), levels.contrast(0, "before") - levels.contrast(0, "after")) is None


def test_boost_that_differs_is_brought_to_equal_and_its_slope_is_a_doubt():
    """5 % of boost is about 6 % of a rise of 35 K: what was taken for a drift of 5 K is partly that."""
    tables = exact()
    tables[1] = tables[1].assign(pressure_ratio=1.05 * tables[1]["pressure_ratio"])
    levels = levels_of(tables)
    assert [s.name for s in levels.slopes][:2] == ["inlet temperature", "compression"]
    between = levels.estimate(drift(levels, 0))
    assert 1.5 < 5 - between.value < 4.0
    lines = {line.source: line.standard_uncertainty for line in between.budget}
    assert lines["compression: correction"] > 0.5


# --- coverage ----------------------------------------------------------------------------------------------------

DRAWS = 200
# Binomial: 0.95 with a standard deviation of 0.0154 over 200 draws; three of them below.
LEAST = 0.95 - 3 * math.sqrt(0.95 * 0.05 / DRAWS)


@pytest.fixture(scope="module")
def drawn() -> list[PhaseStates]:
    rng = np.random.default_rng(20260401)
    return [levels_of(services(rng)) for _ in range(DRAWS)]


def covered(drawn: list[PhaseStates], contrast_of, truth: float) -> float:
    found = [levels.estimate(contrast_of(levels)) for levels in drawn]
    return float(np.mean([e.low <= truth <= e.high for e in found]))


def test_the_interval_of_a_drift_holds_the_truth_as_often_as_it_says(drawn):
    for k in (0, 1):
        assert covered(drawn, lambda levels, k=k: drift(levels, k), DRIFT_K) >= LEAST


def test_the_interval_of_a_common_rate_holds_the_truth_as_often_as_it_says(drawn):
    def rate(levels: PhaseStates) -> np.ndarray:
        return common_rate(levels, np.array([drift(levels, 0), drift(levels, 1)]), np.array([20.0, 20.0]))[0]

    assert covered(drawn, rate, DRIFT_K / 20) >= LEAST


def test_the_interval_is_not_wide_for_safety_alone(drawn):
    """Against an analyst who knows every variance: the allowances of 4 degrees of freedom cost some, not the double."""
    known = math.sqrt(2 * SEASON_SD_K**2 + 2 * (DAY_SD_K**2 + 0.7**2 / 5 + 2 / 12) / 2)
    halves = [levels.estimate(drift(levels, 0)) for levels in drawn]
    ratio = np.mean([(e.high - e.low) / 2 for e in halves]) / (1.959964 * known)
    assert 1.0 < ratio < 1.6


def test_without_the_season_the_interval_would_claim_too_much(drawn):
    """The same draws, as if services differed no more than days of one do: this is why the allowance is there."""
    assert (
        covered([replace(levels, season_sd=0.0) for levels in drawn], lambda levels: drift(levels, 0), DRIFT_K) < LEAST
    )
