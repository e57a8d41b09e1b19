"""The verdict: one word from the interval, one sentence from the word, and what would resolve it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from pullbook.estimate import ALLOWANCE_DOF, Estimate
from pullbook.outcomes import Outcome, behind
from pullbook.uncertainty import INFINITE, BudgetLine, combined, coverage_factor, effective_dof, percent

MOST_SESSIONS = 60

Verdict = Literal[
    "improved", "improved-size-unclear", "no-worthwhile-change", "not-resolved", "worse-size-unclear", "worse"
]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)
VERDICT_WORDS: dict[str, str] = {
    "improved": "Improved",
    "improved-size-unclear": "Improved, size unclear",
    "no-worthwhile-change": "No worthwhile change",
    "not-resolved": "Not resolved",
    "worse-size-unclear": "Worse, size unclear",
    "worse": "Worse",
}


@dataclass(frozen=True)
class Expected:
    """The interval that a plan leads to expect.

    Attributes
    ----------
    half_width, standard_uncertainty : float
        In the outcome's unit.
    dof : float
        Effective degrees of freedom.
    """

    half_width: float
    standard_uncertainty: float
    dof: float


def verdict_of(low: float, high: float, worthwhile: float, lower_is_better: bool = True) -> Verdict:
    """Return the verdict on a change from its interval; an end that touches a bound counts as crossing it.

    Parameters
    ----------
    low, high : float
        Ends of the interval of the change, in the outcome's unit.
    worthwhile : float
        The change that matters, above zero, in the same unit.
    lower_is_better : bool
        Which direction is an improvement.

    Returns
    -------
    Verdict
        ``improved`` and ``worse`` where the whole interval lies beyond the worthwhile change, ``-size-unclear`` where
        it leaves out zero alone, ``no-worthwhile-change`` where it lies inside plus or minus the worthwhile change.

    Examples
    --------
    >>> from pullbook.verdict import verdict_of
    >>> [verdict_of(low, high, 2.0) for low, high in ((-5.0, -2.5), (-5.0, -0.5), (-1.5, 0.5), (-5.0, 0.5))]
    ['improved', 'improved-size-unclear', 'no-worthwhile-change', 'not-resolved']
    """
    if not lower_is_better:
        low, high = -high, -low
    if high < -worthwhile:
        return "improved"
    if low > worthwhile:
        return "worse"
    if -worthwhile < low and high < worthwhile:
        return "no-worthwhile-change"
    if high < 0:
        return "improved-size-unclear"
    if low > 0:
        return "worse-size-unclear"
    return "not-resolved"


def sessions_needed(
    *,
    change: float,
    worthwhile: float,
    day_sd: float,
    repeatability_sd: float,
    pulls: int,
    step_u: float = 0.0,
    level: float = 0.95,
) -> int | None:
    """Return how many sessions a side would resolve a change if it stays as it is.

    Resolved means that the interval leaves out zero, or lies inside plus or minus the worthwhile change, whichever
    comes first.

    Parameters
    ----------
    change, worthwhile : float
        The change as it is, and the one that matters, in the outcome's unit.
    day_sd, repeatability_sd, pulls, step_u, level
        As for `expected_interval`.

    Returns
    -------
    int or None
        None if more than 60.
    """
    distance = max(abs(change), worthwhile - abs(change))
    for sessions in range(1, MOST_SESSIONS + 1):
        expected = expected_interval(
            sessions=sessions, pulls=pulls, day_sd=day_sd, repeatability_sd=repeatability_sd, step_u=step_u, level=level
        )
        if expected.half_width < distance:
            return sessions
    return None


def expected_interval(
    *,
    sessions: int,
    pulls: int,
    day_sd: float,
    repeatability_sd: float,
    step_u: float = 0.0,
    level: float = 0.95,
) -> Expected:
    """Return the interval to expect from so many sessions a side and pulls a session.

    Parameters
    ----------
    sessions, pulls : int
        Sessions a side and pulls a session.
    day_sd, repeatability_sd : float
        Standard deviations between days and between pulls of a session, in the outcome's unit.
    step_u : float
        Standard uncertainty that the sensors' steps leave in a session, in the outcome's unit.
    level : float
        Coverage.

    Returns
    -------
    Expected

    Notes
    -----
    The budget of the comparison (JCGM 100:2008, 5.1.2 and G.4.1) for a difference of two means of so many sessions,
    without what the weather's slope adds.

    Examples
    --------
    By hand: 1 K * sqrt(2 / 3) = 0.816 K; 4 degrees of freedom of the allowance and 4 of the sessions, for which
    Student's t is 2.306.

    >>> from pullbook.verdict import expected_interval
    >>> expected = expected_interval(sessions=3, pulls=5, day_sd=1.0, repeatability_sd=0.0)
    >>> round(expected.standard_uncertainty, 3), round(expected.dof, 6), round(expected.half_width, 3)
    (0.816, 8.0, 1.883)
    """
    lines = [
        BudgetLine("day to day", "A", day_sd * math.sqrt(2 / sessions), ALLOWANCE_DOF + 2 * sessions - 2),
        BudgetLine(
            "repeatability", "A", repeatability_sd * math.sqrt(2 / (sessions * pulls)),
            max(1.0, (2 * sessions - 1) * (pulls - 1)),
        ),
        BudgetLine("sensor step", "B", step_u * math.sqrt(2 / sessions), INFINITE),
    ]  # fmt: skip
    u, dof = combined(lines), effective_dof(lines)
    return Expected(half_width=coverage_factor(level, dof) * u, standard_uncertainty=u, dof=dof)


def sentence_of(
    verdict: Verdict,
    outcome: Outcome,
    estimate: Estimate,
    *,
    worthwhile: float,
    level: float,
    what_would_tell: str,
) -> str:
    """Say the verdict in one sentence, with the interval and, where it is not resolved, what would resolve it.

    Parameters
    ----------
    verdict : Verdict
    outcome : Outcome
    estimate : Estimate
    worthwhile : float
        The change that matters, in the outcome's unit.
    level : float
        Coverage of the interval.
    what_would_tell : str
        From `what_would_tell`.
    """
    unit = behind(outcome.change_unit)
    digits = decimals(estimate.u)
    pairs = [(end, bound) for end in (estimate.low, estimate.high) for bound in (0.0, worthwhile)]
    while digits < 4 and any(_looks_equal(end, bound, digits) for end, bound in pairs):
        digits += 1  # an end that rounds to a bound would seem to touch it
    size = f"{abs(estimate.change):.{digits}f}{unit}"
    visible = float(f"{estimate.change:.{digits}f}") != 0
    moved = ("fell" if estimate.change < 0 else "rose") if visible else "moved"
    ends = sorted((abs(estimate.low), abs(estimate.high)))
    inside = f"{percent(level)} interval {ends[0]:.{digits}f} to {ends[1]:.{digits}f}{unit}"
    across = f"{percent(level)} interval {estimate.low:+.{digits}f} to {estimate.high:+.{digits}f}{unit}"
    matter = f"{worthwhile:g}{unit}"
    word = "Improved" if verdict.startswith("improved") else "Worse"
    if verdict in ("improved", "worse"):
        return f"{word}: the {outcome.label} {moved} by {size} ({inside}), more than the {matter} that matters to you."
    if verdict in ("improved-size-unclear", "worse-size-unclear"):
        return (
            f"{word}, size unclear: the {outcome.label} {moved} by {size} ({inside}); "
            f"whether by the {matter} that matters to you is open."
        )
    if verdict == "no-worthwhile-change":
        return (
            f"No worthwhile change: the {outcome.label} {moved} by {size} ({across}), inside the ±{matter} that "
            "matters to you. A smaller change may be there."
        )
    return (
        f"Not resolved: the {outcome.label} {moved} by {size}, but anything in the {across} fits these drives; "
        f"{what_would_tell}."
    )


def _looks_equal(end: float, bound: float, digits: int) -> bool:
    return f"{abs(end):.{digits}f}" == f"{bound:.{digits}f}" and abs(end) != bound


def what_would_tell(needed: int | None, now: int, *, boost_changed: bool) -> str:
    """Say what would resolve a verdict that is not resolved.

    Parameters
    ----------
    needed : int or None
        Sessions a side (`sessions_needed`).
    now : int
        Sessions on the weaker side.
    boost_changed : bool
        The service changed the boost.
    """
    if boost_changed:
        return "the boost changed with the service, and until that is put right, or was meant, nothing tells them apart"
    if needed is None:
        return f"even {MOST_SESSIONS} sessions a side would not tell a difference this small"
    if needed > now:
        return (
            f"about {needed} sessions a side (now {now}) would tell as likely as not, if the difference stays as it is"
        )
    return "further sessions in weather that both phases share would tell"


def decimals(u: float) -> int:
    """Return the decimals to show beside a standard uncertainty: its first digit, or two if it starts with 1 or 2.

    Common practice, no source.

    Parameters
    ----------
    u : float
        Standard uncertainty.

    Returns
    -------
    int
        0 to 4.
    """
    if not math.isfinite(u) or u <= 0:
        return 1
    first = math.floor(math.log10(u))
    return min(4, max(0, -first if u / 10**first >= 3 else 1 - first))
