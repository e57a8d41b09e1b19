"""Sessions of one date have one day between them: in the estimate, its degrees of freedom, the looks and the plan."""

import math

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS

from helpers.tables_of_runs import experiment_of, runs_table
from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.allowance import day_scatter
from pullbook.statistics.comparison import Comparison, compare
from pullbook.statistics.days import between_days, days_of
from pullbook.statistics.joint_fit import joint_levels
from pullbook.statistics.power import outlook
from pullbook.statistics.robustness import cross_check
from pullbook.statistics.session_means import session_means
from pullbook.workbook import regression

SIDES = [
    ("b1", "before", [40.0, 42, 41, 43], 15.0), ("b2", "before", [41.0, 43, 43, 43], 15.0),
    ("b3", "before", [44.0, 43, 45, 46], 15.0),
    ("a1", "after", [37.0, 38, 39, 38], 15.0), ("a2", "after", [40.0, 41, 40, 42], 15.0),
    ("a3", "after", [38.0, 39, 41, 40], 15.0),
]  # fmt: skip


def compared(days: str | None, sides=SIDES, **settings) -> Comparison:
    """Compare the sides, driven on days with a letter each; a dot has no date."""
    table = runs_table(sides, step=1.0)
    if days is not None:
        of = {name: day.strip(".") for (name, *_), day in zip(sides, days, strict=True)}
        table["day"] = table["session"].map(of)
    return compare(table, experiment_of(table, **settings))


def line(c: Comparison, source: str = "day to day"):
    return next(line for line in c.budget if line.source == source)


@pytest.mark.parametrize("days", [None, "......", "abcdef", "abcabc", "ab.a.c"])
def test_days_of_their_own_or_unknown_change_nothing(days) -> None:
    """Before and after never share a day: what else it brought would cancel, and nobody knows that it does."""
    c, plain = compared(days), compared(None)
    assert (c.change, c.low, c.high, c.dof) == pytest.approx((plain.change, plain.low, plain.high, plain.dof))
    assert (c.looks.before, c.looks.after) == (3, 3)


def test_three_drives_of_one_evening_a_side_are_two_days() -> None:
    c = compared("aaabbb")
    # By hand: nothing is left to show how days differ, so the allowance of 1 K is all there is, once a side.
    assert (c.day_sd, c.day_dof) == pytest.approx((1.0, 4.0))
    assert line(c).standard_uncertainty == pytest.approx(math.sqrt(2))
    assert (line(c).dof, line(c).kind) == (pytest.approx(4.0), "B")
    assert line(c, "sensor step").standard_uncertainty == pytest.approx(math.sqrt(6 / 9 / 12))  # still six readings
    assert (c.looks.before, c.looks.after) == (1, 1)
    assert (c.before.sessions, c.before.pulls) == (3, 12)
    (finding,) = [f for f in c.findings if f.code == "one-session"]
    assert "day before and one after" in finding.message


def test_the_scatter_between_days_is_that_of_their_means() -> None:
    """By hand, without single runs and steps: days at 1, 4 and 4, the first driven twice, at 0 and 2."""
    of_day = days_of(["before"] * 4, ["a", "a", "b", "c"])
    weights = np.array([1 / 6, 1 / 6, 1 / 3, 1 / 3])  # of a mean of the three days
    maker = np.eye(4) - np.outer(np.ones(4), weights)
    squares, explained, dof = between_days(maker @ np.array([0.0, 2.0, 4.0, 4.0]), maker, np.zeros((4, 4)), of_day)
    assert (squares, explained, dof) == pytest.approx((6.0, 0.0, 2.0))  # 4 + 1 + 1 about their mean of 3
    # Single runs: 1 K squared in each session, half of it in a day of two; (1/2 + 1 + 1) less that of the mean's.
    _, explained, _ = between_days(np.zeros(4), maker, np.eye(4), of_day)
    assert explained == pytest.approx(2.5 - 2 * (0.5 + 1 + 1) / 3 + 3 * (0.5 + 1 + 1) / 9)


def test_a_day_that_left_two_logs_weighs_less_than_two_days() -> None:
    apart, together = compared("abcdef"), compared("aabccd")
    assert together.high - together.low > 1.1 * (apart.high - apart.low)
    assert together.day_dof == pytest.approx(apart.day_dof - 2, abs=0.3)
    mean = [np.mean(rises) for _, _, rises, _ in SIDES]
    days = (np.mean(mean[:2]) + mean[2]) / 2, (np.mean(mean[3:5]) + mean[5]) / 2
    assert together.change == pytest.approx(days[1] - days[0], abs=0.1)  # the steps and runs weigh a little, too


@pytest.mark.parametrize("days", ["aaabbb", "aabccd", "a.abbc"])
def test_statsmodels_agrees_to_six_digits(days) -> None:
    sides = [(n, p, r, inlet + k) for k, (n, p, r, inlet) in enumerate(SIDES)]
    c = compared(days, sides)
    rows = regression.rows(c)
    fit = GLS(rows["figure"], rows.drop(columns="figure"), regression.covariance(c)).fit(cov_type="fixed scale")
    weights = fit.model.pinv_wexog[1] @ fit.model.cholsigmainv
    assert fit.params["after"] == pytest.approx(c.change, rel=1e-6)
    u = math.sqrt(weights @ regression.budget_covariance(c) @ weights)
    assert u == pytest.approx(c.standard_uncertainty, rel=1e-6)


def test_the_other_routes_and_the_plan_count_days_too() -> None:
    c = compared("aabccd")
    checks = cross_check(c)
    (shuffled,) = [check for check in checks.checks if "permutation" in check.name]
    assert "of 6 ways" in shuffled.sentence  # two days of four, not three sessions of six
    assert not [check for check in checks.checks if "placebo" in check.name]  # takes three days before
    assert outlook(c, before=1, after=1).half_width < (c.high - c.low) / 2
    assert c.data.runs_a_day == 6.0
    planned = compared("aabccd", planned_sessions=2)
    assert planned.looks.kept


def test_an_earlier_experiment_of_one_evening_shows_nothing_of_days() -> None:
    for days, dof in (("aaabbb", 0.0), ("aabccd", 2.0), ("abcdef", 4.0)):
        data = compared(days).data
        assert day_scatter(data, (), name="earlier", usual_sd=1.0).dof == pytest.approx(dof, abs=0.05)


def test_services_of_one_history_do_not_share_their_days() -> None:
    table = runs_table(SIDES, step=1.0)
    one = table.assign(day=table["session"].map(dict.fromkeys(("b1", "b2", "b3", "a1", "a2", "a3"), "day 1")))
    levels = joint_levels([one, one], [experiment_of(table)] * 2)
    assert levels.data.of_day.shape == (12, 4)
    assert levels.day_dof == pytest.approx(4.0)
    (days,) = [li for li in levels.estimate(np.array([-1.0, 1, 0, 0])).budget if li.source == "day to day"]
    assert days.standard_uncertainty == pytest.approx(math.sqrt(2))
    assert np.linalg.eigvalsh(levels.covariance).min() > 0


def test_one_evening_a_side_rarely_claims_what_is_not_there() -> None:
    """Days differ by the 1 K allowed for, nothing changed: untold, 26 of 100 claimed it; told, at most 3 of 30."""
    rng, claims = np.random.default_rng(20261126), {True: 0, False: 0}
    for _ in range(30):
        evening = dict(zip(("before", "after"), rng.standard_normal(2), strict=True))
        sides = [
            (f"{p}-{k}", p, 40.0 + evening[p] + 0.6 * rng.standard_normal(4), 15.0) for p in evening for k in "123"
        ]
        for told in claims:
            c = compared("aaabbb" if told else None, sides)
            claims[told] += not c.low < 0 < c.high
    assert claims[True] <= 3
    assert claims[False] >= 4


def test_means_without_any_scatter_of_runs_or_step_can_still_be_weighed() -> None:
    sides = [(name, phase, [41.0, 41.0, 41.0], 15.0) for name, phase, *_ in SIDES]
    table = runs_table(sides).assign(day="day 1", inlet_step=1e-9, charge_step=0.0)
    data = session_means(table, experiment_of(table), OUTCOMES["peak_rise"], with_left_out=False)
    assert data.known.max() < 1e-12
    assert compare(table, experiment_of(table)).change == pytest.approx(0.0, abs=1e-6)
