"""The verdict follows from the interval, and the words from the verdict."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullbook.verdict import (
    MOST_SESSIONS,
    VERDICTS,
    decimals,
    expected_interval,
    sessions_needed,
    verdict_of,
    what_would_tell,
)

TABLE = [
    (-5.0, -2.5, "improved"),
    (-5.0, -0.5, "improved-size-unclear"),
    (-1.5, -0.5, "no-worthwhile-change"),
    (-1.9, 1.9, "no-worthwhile-change"),
    (-5.0, 0.5, "not-resolved"),
    (-5.0, 5.0, "not-resolved"),
    (0.5, 5.0, "worse-size-unclear"),
    (2.5, 5.0, "worse"),
    # An end that touches a bound counts as crossing it.
    (-5.0, -2.0, "improved-size-unclear"),
    (-5.0, 0.0, "not-resolved"),
    (-2.0, 1.0, "not-resolved"),
    (-1.0, 2.0, "not-resolved"),
    (2.0, 5.0, "worse-size-unclear"),
]


@pytest.mark.parametrize(("low", "high", "expected"), TABLE)
def test_verdict_of_an_interval(low, high, expected) -> None:
    assert verdict_of(low, high, 2.0) == expected


@pytest.mark.parametrize(("low", "high", "expected"), TABLE)
def test_higher_is_better_is_the_mirror(low, high, expected) -> None:
    assert verdict_of(-high, -low, 2.0, lower_is_better=False) == expected


@given(st.floats(-50, 50), st.floats(0, 20), st.floats(0.1, 10))
def test_a_claim_needs_an_interval_on_one_side(middle, half, worthwhile) -> None:
    low, high = middle - half, middle + half
    verdict = verdict_of(low, high, worthwhile)
    assert verdict in VERDICTS
    if verdict.startswith("improved"):
        assert high < 0
    if verdict.startswith("worse"):
        assert low > 0
    if verdict == "no-worthwhile-change":
        assert max(abs(low), abs(high)) < worthwhile


def test_more_sessions_help_more_than_more_pulls() -> None:
    usual = {"day_sd": 1.0, "repeatability_sd": 0.8, "step_u": 0.4}
    base = expected_interval(sessions=2, pulls=5, **usual).half_width
    assert expected_interval(sessions=4, pulls=5, **usual).half_width < 0.75 * base
    assert expected_interval(sessions=2, pulls=10, **usual).half_width > 0.95 * base


def test_sessions_needed_is_the_first_that_does_it() -> None:
    usual = {"day_sd": 1.0, "repeatability_sd": 0.8, "step_u": 0.4}
    needed = sessions_needed(change=-1.0, worthwhile=2.0, pulls=5, **usual)
    assert needed is not None
    assert expected_interval(sessions=needed, pulls=5, **usual).half_width < 1.0
    assert expected_interval(sessions=needed - 1, pulls=5, **usual).half_width >= 1.0


def test_a_hopeless_case_says_so() -> None:
    needed = sessions_needed(change=0.01, worthwhile=0.02, day_sd=1.0, repeatability_sd=0.8, pulls=5)
    assert needed is None
    assert f"even {MOST_SESSIONS} sessions" in what_would_tell(None, 3, boost_changed=False)
    assert "boost" in what_would_tell(None, 3, boost_changed=True)


@pytest.mark.parametrize(("u", "expected"), [(0.29, 2), (0.31, 1), (1.3, 1), (4.0, 0), (0.05, 2), (40.0, 0), (1e-9, 4)])
def test_decimals_follow_the_uncertainty(u, expected) -> None:
    assert decimals(u) == expected
