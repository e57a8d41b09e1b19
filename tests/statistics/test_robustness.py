"""Other routes and checks."""

import numpy as np
import pytest

from helpers.tables_of_runs import drawn_sessions, experiment_of, runs_table
from pullbook.statistics.comparison import compare
from pullbook.statistics.robustness import AS_MEASURED, cross_check, exact_permutation
from study.unlike import Case, Phase, draw


def checked(sessions, **settings):
    table = runs_table(sessions)
    experiment = experiment_of(table, **settings)
    c = compare(table, experiment)
    return c, cross_check(c)


def test_all_routes_agree_where_nothing_is_odd() -> None:
    c, found = checked(drawn_sessions(np.random.default_rng(1), count=5, change_k=-6.0))
    names = [route.name for route in found.routes]
    assert len(names) == len(set(names)) == 6
    assert not [f for f in found.findings if f.code == "routes-disagree"]
    for route in found.routes:
        assert route.low <= route.change <= route.high
        assert route.change == pytest.approx(c.change, abs=1.0)


def test_run_by_run_is_shown_as_not_valid_and_is_narrower() -> None:
    c, found = checked(drawn_sessions(np.random.default_rng(2), count=3, day_sd_k=1.2))
    naive = next(route for route in found.routes if not route.valid and "independent" in route.name)
    assert naive.high - naive.low < 0.7 * (c.high - c.low)


def test_plain_subtraction_of_warm_from_cold_is_told_as_weather() -> None:
    sessions = [
        (n, p, r, t + 15.0 * (p == "after")) for n, p, r, t in drawn_sessions(np.random.default_rng(3), count=3)
    ]
    c, found = checked(sessions, outcome="peak_charge", worthwhile_change=3.0)
    plain = next(route for route in found.routes if route.name == AS_MEASURED)
    assert plain.change > 12
    assert abs(c.change) < 3
    assert "weather-large" in [f.code for f in found.findings]


def test_one_session_a_side_leaves_few_routes_and_does_not_fail() -> None:
    _, found = checked([("b", "before", [40.0, 41, 40], 15), ("a", "after", [39.0, 40, 39], 16)])
    assert [route.name for route in found.routes] == [
        AS_MEASURED, "inlet temperature by physics alone", "every run as if independent",
    ]  # fmt: skip
    assert not found.checks


def test_a_single_pull_each_leaves_no_scatter_and_does_not_fail() -> None:
    c, found = checked([("b", "before", [40.0], 15), ("a", "after", [39.0], 16)])
    assert c.repeatability_sd == 0.8  # what a plan assumes too
    assert "every run as if independent" not in [route.name for route in found.routes]


def test_no_scatter_between_sessions_is_reported_not_hidden() -> None:
    """The same figures each day: the random-session variance is zero."""
    sessions = [(f"{p}-{k}", p, [40.0, 42, 38, 41, 39], 15.0) for p in ("before", "after") for k in range(3)]
    _, found = checked(sessions)
    model = next(route for route in found.routes if route.name.startswith("random-session"))
    assert not model.valid
    assert "no scatter" in model.remark


def test_runs_that_are_all_alike_give_no_random_session_model() -> None:
    """A sensor of whole degrees: nothing scatters within the sessions, and the likelihood has no greatest value."""
    sessions = [(f"{p}-{k}", p, [40.0 + k] * 3, 15.0) for p in ("before", "after") for k in range(3)]
    c, found = checked(sessions)
    assert np.isfinite([c.low, c.high]).all()
    assert not [route for route in found.routes if route.name.startswith("random-session")]


def test_placebo_notices_a_wild_session_before() -> None:
    sessions = drawn_sessions(np.random.default_rng(5), count=6, day_sd_k=0.2)
    wild = [(n, p, r + 15.0 * (n == "before-2"), t) for n, p, r, t in sessions]
    for drawn, calm in ((sessions, True), (wild, False)):
        _, found = checked(drawn)
        (placebo,) = [check for check in found.checks if check.name.startswith("placebo")]
        assert placebo.agrees is calm
        assert ("check-failed" in [finding.code for finding in found.findings]) is not calm


def test_ties_count_among_the_ways_that_are_as_large() -> None:
    """By hand: 1 and 2 came after 2 and 3; pairs of the four add up to 3, 3, 4, 4, 5 and 5, and 4 is no difference."""
    assert exact_permutation(np.array([2.0, 3.0, 1.0, 2.0]), np.array([False, False, True, True])) == (4, 6)


def test_permutation_says_when_it_cannot_tell() -> None:
    _, found = checked(drawn_sessions(np.random.default_rng(6), count=3, change_k=-8.0))
    told = next(check for check in found.checks if check.name.startswith("exact permutation"))
    assert "2 of 20 ways" in told.sentence
    assert "never fall below 0.10" in told.sentence


@pytest.mark.parametrize(("before", "after", "least"), [(3, 4, 1 / 35), (3, 3, 2 / 20), (2, 5, 1 / 21), (4, 4, 2 / 70)])
def test_permutation_names_the_smallest_p_that_it_could_reach(before, after, least) -> None:
    """Sessions that lie wholly apart reach it. Only with equal sides does the mirrored split count as well."""
    sessions = [(f"b{k}", "before", [40.0 + k / 9, 41], 15.0) for k in range(before)]
    sessions += [(f"a{k}", "after", [20.0 + k / 7, 21], 15.0) for k in range(after)]
    _, found = checked(sessions)
    told = next(check for check in found.checks if check.name.startswith("exact permutation"))
    assert f"p = {least:.3f}" in told.sentence
    assert ("never fall below" in told.sentence) == (least > 0.05)


def test_routes_that_treat_the_inlet_in_their_own_way_take_the_other_conditions_as_the_result() -> None:
    """With 10 % less boost after, corrected, a route that left that out would be at odds with the result."""
    case = Case(name="10 % less boost", after=Phase(boost=0.9), boost_sd=0.01)
    rng = np.random.default_rng([5, 3])
    for _ in range(6):
        c = compare(*draw(rng, case, 3))
        found = cross_check(c)
        assert "weather-large" in [f.code for f in found.findings]
        assert "routes-disagree" not in [f.code for f in found.findings]
        own = next(route for route in found.routes if "physics alone" in route.name)
        assert own.change == pytest.approx(c.change, abs=1.0)
        assert own.remark


def test_a_route_that_is_at_odds_with_the_result_is_said() -> None:
    """The sessions show a slope of the inlet temperature that physics denies."""
    sessions = [
        (f"{p}-{k}", p, [40 + 3.0 * air + n for n in (-0.3, 0.0, 0.3)], 15.0 + air)
        for p, warmer in (("before", 0.0), ("after", 15.0))
        for k, air in enumerate(warmer + np.linspace(-8, 8, 9))
    ]
    _, found = checked(sessions)
    assert "routes-disagree" in [f.code for f in found.findings]
