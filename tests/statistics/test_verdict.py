"""The verdict follows from the interval, and the words from the verdict."""

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.estimate import Estimate
from pullbook.statistics.looks import FREE_SESSIONS, Looks
from pullbook.statistics.power import MOST_SESSIONS, Scatter, after_needed, expected_interval, sessions_needed
from pullbook.statistics.uncertainty import coverage_factor
from pullbook.statistics.verdict import VERDICT_WORDS, VERDICTS, sentence_of, verdict_of, what_would_tell
from pullbook.text import counted, decimals

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


def sentence(low: float, high: float, *, outcome: str = "peak_rise", u: float = 0.7, worthwhile: float = 2.0) -> str:
    """Return the sentence on a change in the middle of its 95 % interval."""
    change = (low + high) / 2
    estimate = Estimate(
        change=change, before=40.0, after=40.0 + change, low=low, high=high, u=u, dof=6.0, budget=(), day_sd=1.0,
        day_dof=6.0, slopes=(), shift=np.zeros(2), method="",
    )  # fmt: skip
    return sentence_of(
        verdict_of(low, high, worthwhile, OUTCOMES[outcome].lower_is_better),
        OUTCOMES[outcome],
        estimate,
        worthwhile=worthwhile,
        level=0.95,
        what_would_tell="Another day would help",
    )


@pytest.mark.parametrize(
    ("low", "high", "verdict", "numbers"),
    [
        (-5.0, -2.5, "improved", ["3.8", "95", "2.5", "5.0", "2"]),
        (-4.0, -0.5, "improved-size-unclear", ["2.2", "95", "0.5", "4.0", "2"]),
        (-1.2, 0.8, "no-worthwhile-change", ["0.2", "95", "-1.2", "+0.8", "2"]),
        (-3.0, 1.0, "not-resolved", ["1.0", "95", "3.0", "1.0"]),
        (0.5, 4.5, "worse-size-unclear", ["2.5", "95", "0.5", "4.5", "2"]),
        (2.5, 5.5, "worse", ["4.0", "95", "2.5", "5.5", "2"]),
        # Less than half of the last digit shown is neither a fall nor a rise.
        (-3.02, 3.0, "not-resolved", ["0.0", "95", "3.0", "3.0"]),
    ],
)
def test_the_sentence_a_person_reads_first(low: float, high: float, verdict: str, numbers: list[str]) -> None:
    """The word, the figure, and the numbers in order: change, level, interval, what matters. See test_wording.py."""
    said = sentence(low, high)
    assert said.startswith(f"{VERDICT_WORDS[verdict]}: ")
    assert OUTCOMES["peak_rise"].label in said
    assert sorted(numbers_in(said)) == sorted(numbers)
    assert said.index(f"{numbers[0]} K") < said.index("95 %")
    assert ("Another day would help" in said) == (verdict == "not-resolved")


def numbers_in(text: str) -> list[str]:
    return [number.replace("−", "-") for number in re.findall(r"[+−-]?\d+(?:\.\d+)?", text)]


def test_the_direction_is_in_the_sentence() -> None:
    fell, rose, neither = sentence(-5.0, -2.5), sentence(2.5, 5.0), sentence(-3.02, 3.0)
    apart = set(fell.split()) ^ set(rose.split())
    assert {"Improved:", "Worse:"} < apart  # and the words of the direction
    assert not (apart & set(neither.split()))


def test_the_sentence_where_higher_is_better() -> None:
    said = sentence(-20.0, -10.0, outcome="peak_manifold_pressure", u=3.0, worthwhile=5.0)
    assert said.startswith("Worse: ")
    assert "15 kPa" in said
    assert sorted(numbers_in(said)) == ["10", "15", "20", "5", "95"]


def test_a_figure_without_a_unit_is_said_without_one() -> None:
    said = sentence(0.02, 0.06, outcome="effectiveness", u=0.01, worthwhile=0.01)
    assert said.startswith("Improved: ")
    assert sorted(numbers_in(said)) == ["0.01", "0.020", "0.040", "0.060", "95"]
    assert not re.search(r"\d (1|K)\b", said)


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (-2.02, -0.5, "0.5 to just over 2 K"),  # 2.0 would seem to touch the 2 K that matter
        (-1.996, 0.5, "just inside -2 to +0.5 K"),
        (-1.2, 0.01, "-1.2 to just above 0 K"),
        (-3.0, -0.04, "just above 0 to 3.0 K"),  # 0.0 would seem to touch no change
        (-3.0, 0.04, "3.0 K cooler to less than 0.1 K hotter"),
        (-2.0, 1.0, "2.0 K cooler to 1.0 K hotter"),  # this one does touch
        (-2.03, 1.98, "just over 2 K cooler to just under 2 K hotter"),
    ],
)
def test_an_end_near_a_bound_is_shown_on_its_side_of_it(low: float, high: float, shown: str) -> None:
    assert f" {shown}" in sentence(low, high)


def test_the_expected_interval_worked_by_hand() -> None:
    """Three sessions a side, four pulls each, day-to-day SD 1.0, repeatability 0.8, step 0.3, in one unit.

    A difference of two means of three: day to day 1.0 sqrt(2/3), repeatability 0.8 sqrt(2/12), step 0.3 sqrt(2/3).
    Degrees of freedom: 4 of the allowance and 6 - 2 of the sessions; (6 - 1)(4 - 1) of the two-way table of runs.
    """
    parts, dofs = (math.sqrt(2 / 3), 0.8 * math.sqrt(1 / 6), 0.3 * math.sqrt(2 / 3)), (8, 15, math.inf)
    u = math.sqrt(sum(part**2 for part in parts))
    dof = u**4 / sum(part**4 / nu for part, nu in zip(parts, dofs, strict=True))  # JCGM 100:2008, G.4.1
    found = expected_interval(
        sessions=3, pulls=4, scatter=Scatter(day_sd=1.0, pull_sd=0.8, resolution_u=0.3), level=0.9
    )
    assert found.standard_uncertainty == pytest.approx(u)
    assert found.dof == pytest.approx(dof)
    assert found.half_width == pytest.approx(coverage_factor(0.9, dof) * u)


def test_the_expected_interval_of_one_pull_a_session_still_has_a_degree_of_freedom() -> None:
    # (2 - 1)(1 - 1) = 0 would leave out a repeatability that was given; 1 is the least that can be reckoned with.
    u = 0.5 * math.sqrt(2)
    found = expected_interval(sessions=1, pulls=1, scatter=Scatter(day_sd=0.5, pull_sd=0.5, resolution_u=0.0))
    assert found.dof == pytest.approx((math.sqrt(2) * u) ** 4 / (u**4 / 4 + u**4 / 1))


def test_more_sessions_help_more_than_more_pulls() -> None:
    usual = {"scatter": Scatter(day_sd=1.0, pull_sd=0.8, resolution_u=0.4)}
    base = expected_interval(sessions=2, pulls=5, **usual).half_width
    assert expected_interval(sessions=4, pulls=5, **usual).half_width < 0.75 * base
    assert expected_interval(sessions=2, pulls=10, **usual).half_width > 0.95 * base


def test_sessions_needed_is_the_first_that_does_it() -> None:
    usual = {"scatter": Scatter(day_sd=1.0, pull_sd=0.8, resolution_u=0.4)}
    needed = sessions_needed(change=-1.0, worthwhile=2.0, pulls=5, **usual)
    assert needed is not None
    assert needed > FREE_SESSIONS  # so that each of them is judged as a look
    paid = Looks(before=needed, after=needed).each_level
    assert paid == pytest.approx(0.99)
    assert expected_interval(sessions=needed, pulls=5, level=paid, **usual).half_width < 1.0
    assert expected_interval(sessions=needed - 1, pulls=5, level=paid, **usual).half_width >= 1.0


def test_a_plan_that_is_kept_needs_no_more_than_it_says() -> None:
    usual = {"scatter": Scatter(day_sd=1.0, pull_sd=0.8, resolution_u=0.4), "pulls": 5}
    kept = expected_interval(sessions=6, **usual).half_width
    assert sessions_needed(change=-1.01 * kept, worthwhile=0.1, planned=6, **usual) == 6
    assert sessions_needed(change=-1.01 * kept, worthwhile=0.1, **usual) > 6


def test_one_session_a_side_may_be_enough_and_more_than_anybody_drives_are_not_promised() -> None:
    usual = {"scatter": Scatter(day_sd=1.0, pull_sd=0.8, resolution_u=0.0), "pulls": 5}
    one = expected_interval(sessions=1, **usual).half_width
    assert sessions_needed(change=-1.01 * one, worthwhile=0.1, **usual) == 1
    last, beyond = (
        expected_interval(sessions=n, level=0.99, **usual).half_width for n in (MOST_SESSIONS, MOST_SESSIONS + 1)
    )
    assert sessions_needed(change=-1.001 * last, worthwhile=0.1, **usual) == MOST_SESSIONS
    assert sessions_needed(change=-1.001 * beyond, worthwhile=0.1, **usual) is None


def test_an_interval_that_just_touches_zero_does_not_resolve() -> None:
    usual = {"scatter": Scatter(day_sd=1.0, pull_sd=0.8, resolution_u=0.0), "pulls": 5}
    two = expected_interval(sessions=2, **usual).half_width
    assert sessions_needed(change=-two, worthwhile=0.1, **usual) == 3


def test_more_sessions_after_alone_help_less_than_on_both_sides_and_not_without_end() -> None:
    usual = {"scatter": Scatter(day_sd=1.0, pull_sd=0.8, resolution_u=0.4), "pulls": 5, "worthwhile": 0.1}
    # With the four before it as they are, the variance can at most halve from that of four a side.
    both = sessions_needed(change=-1.8, **usual)
    alone = after_needed(before=4, change=-1.8, **usual)
    assert both is not None
    assert alone is not None
    assert both < alone <= MOST_SESSIONS
    assert after_needed(before=both, change=-1.8, **usual) <= both
    assert after_needed(before=1, change=-1.8, **usual) is None


def test_a_higher_level_needs_more_sessions() -> None:
    case = {"change": -1.2, "worthwhile": 2.0, "scatter": Scatter(pull_sd=0.8, resolution_u=0.0), "pulls": 5}
    needed = [sessions_needed(**case, level=level) for level in (0.9, 0.95, 0.99)]
    assert needed[0] < needed[1] < needed[2]


def test_a_hopeless_case_says_so() -> None:
    needed = sessions_needed(change=0.01, worthwhile=0.02, scatter=Scatter(), pulls=5)
    assert needed is None
    assert numbers_in(what_would_tell(None, None, before=3, after=2)) == [str(MOST_SESSIONS), "3", "2"]
    told = what_would_tell(None, None, before=3, after=3, unlike="the length of the pulls")
    assert "the length of the pulls" in told
    assert not numbers_in(told)  # no number of sessions mends that


def test_what_would_tell_is_something_one_can_do() -> None:
    # After the service nobody can drive before it again: more drives after it, where those alone would do.
    assert numbers_in(what_would_tell(4, 5, before=3, after=2)) == ["5", "3", "2"]
    assert numbers_in(what_would_tell(4, None, before=2, after=2)) == ["4", "4", "2", "2"]
    for needed in (3, 2):
        # As many as there are should do, and did not: they lie in different weather.
        told = what_would_tell(needed, needed, before=3, after=3)
        assert "weather" in told
        assert not numbers_in(told)


def test_nouns_are_counted() -> None:
    assert [counted(n, "pull") for n in (0, 1, 2)] == ["0 pulls", "1 pull", "2 pulls"]


@pytest.mark.parametrize(
    ("u", "expected"),
    [
        (0.29, 2), (0.31, 1), (1.3, 1), (4.0, 0), (0.05, 2), (40.0, 0), (1e-9, 4),
        (3.0, 0),  # the first digit alone from 3 up
        (0.0, 1), (math.inf, 1), (math.nan, 1),
    ],
)  # fmt: skip
def test_decimals_follow_the_uncertainty(u, expected) -> None:
    assert decimals(u) == expected
