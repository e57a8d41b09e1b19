"""The verdict: one word from the interval, one sentence from the word, and what would resolve it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, NamedTuple, get_args

from pullbook.quantities import METRIC, Shown
from pullbook.settings.outcomes import Outcome
from pullbook.statistics.estimate import Estimate
from pullbook.statistics.power import MOST_SESSIONS
from pullbook.text import decimals, percent, unit_suffix

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
    >>> from pullbook.statistics.verdict import verdict_of
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


class Figures(NamedTuple):
    """A change in the outcome's unit, the ends of its interval and its standard uncertainty."""

    change: float
    low: float
    high: float
    u: float


def sentence_of(
    verdict: Verdict,
    outcome: Outcome,
    estimate: Estimate | Figures,
    *,
    worthwhile: float,
    level: float,
    what_would_tell: str,
    shown: Shown = METRIC,
) -> str:
    """Say the verdict in one sentence, with the interval and, where it is not resolved, what would resolve it.

    Parameters
    ----------
    verdict : Verdict
    outcome : Outcome
    estimate : Estimate or Figures
    worthwhile : float
        The change that matters, in the outcome's unit.
    level : float
        Coverage of the interval.
    what_would_tell : str
        From `what_would_tell`.
    shown : Shown
        The units to say it in.
    """
    of, label = outcome.change_unit, shown.text(outcome.label)
    unit = unit_suffix(shown.unit(of))
    change, low, high, u = (shown.value(x, of) for x in (estimate.change, estimate.low, estimate.high, estimate.u))
    digits, bound = decimals(u), shown.value(worthwhile, of)
    size = f"{abs(change):.{digits}f}{unit}"
    visible = float(f"{change:.{digits}f}") != 0
    moved = ("fell" if change < 0 else "rose") if visible else "moved"
    near, far = sorted((abs(low), abs(high)))
    nearest = "just above 0" if 0 < near < 0.5 * 10.0**-digits else _size(near, bound, digits)
    inside = f"{percent(level)} interval {nearest} to {_size(far, bound, digits)}{unit}"
    across = f"{percent(level)} interval {_signed(low, bound, digits)} to {_signed(high, bound, digits)}{unit}"
    matter = shown.brief(worthwhile, of)
    word = "Improved" if verdict.startswith("improved") else "Worse"
    if verdict in ("improved", "worse"):
        return f"{word}: the {label} {moved} by {size} ({inside}), more than the {matter} that matters to you."
    if verdict in ("improved-size-unclear", "worse-size-unclear"):
        return f"{word}, size unclear: the {label} {moved} by {size} ({inside}). It may or may not reach your {matter}."
    if verdict == "no-worthwhile-change":
        return (
            f"No worthwhile change: the {label} {moved} by {size} ({across}). That is inside your ±{matter}. "
            "There may still be a smaller change."
        )
    less, more = _WAYS.get(of, ("lower", "higher"))
    below, above = (f"{_size(abs(end), bound, digits)}{unit} {less if end < 0 else more}" for end in (low, high))
    return (
        f"Not resolved: the {label} {moved} by {size}, but the true change could be anywhere from {below} to {above} "
        f"({percent(level)}). {what_would_tell}."
    )


_WAYS = {"K": ("cooler", "hotter"), "s": ("shorter", "longer")}


def sentence_shown(comparison: Mapping[str, Any], outcome: Outcome, *, worthwhile: float, shown: Shown) -> str:
    """Return a comparison's sentence in the units shown, made anew from its figures.

    Parameters
    ----------
    comparison : mapping
        As `results.json` has it.
    outcome : Outcome
    worthwhile : float
        The change that matters, in the outcome's unit.
    shown : Shown
    """
    if shown == METRIC:
        return str(comparison["sentence"])
    figures = [comparison[name] for name in ("change", "low", "high", "standard_uncertainty")]
    if any(figure is None or not math.isfinite(figure) for figure in figures):  # nothing was compared
        return shown.text(comparison["sentence"])
    return sentence_of(
        comparison["verdict"],
        outcome,
        Figures(*figures),
        worthwhile=worthwhile,
        level=comparison["level"],
        what_would_tell=comparison["remedy"],
        shown=shown,
    )


def _size(end: float, bound: float, digits: int) -> str:
    """Return the size of an end in words where rounding would lay it on nought or on the change that matters."""
    if 0 < end < 0.5 * 10.0**-digits:
        return f"less than {10.0**-digits:g}"
    if _looks_equal(end, bound, digits):
        return f"just {'under' if end < bound else 'over'} {bound:.3g}"
    return f"{end:.{digits}f}"


def _signed(end: float, bound: float, digits: int) -> str:
    """Return an end with its sign; in words as `_size`."""
    sign = "-" if end < 0 else "+"
    if 0 < abs(end) < 0.5 * 10.0**-digits:
        return f"just {'below' if end < 0 else 'above'} 0"
    if _looks_equal(abs(end), bound, digits):
        return f"just {'inside' if abs(end) < bound else 'beyond'} {sign}{bound:.3g}"
    return f"{end:+.{digits}f}" if end else "0"


def _looks_equal(end: float, bound: float, digits: int) -> bool:
    return f"{end:.{digits}f}" == f"{bound:.{digits}f}" and end != bound


def what_would_tell(needed: int | None, alone: int | None, *, before: int, after: int, unlike: str = "") -> str:
    """Say what would resolve a verdict that is not resolved.

    Parameters
    ----------
    needed : int or None
        Sessions a side (`sessions_needed`).
    alone : int or None
        Sessions after the service, with those before it as they are (`after_needed`).
    before, after : int
        Sessions now.
    unlike : str
        In what the phases differ so much that it widens the interval; empty if in nothing.
    """
    if unlike:
        return f"Much of that range is there because {unlike} differed between before and after"
    now = f"you have {before} before and {after} after"
    if alone is not None and alone > after:
        return f"With {alone} sessions after ({now}) you'd have about an even chance of a clear answer"
    if needed is None:
        return (
            f"Even {MOST_SESSIONS} sessions a side could not show a difference this small ({now}), and more are not "
            "practical: it takes a larger effect, or less scatter"
        )
    if alone is None and needed > min(before, after):
        return (
            f"For an even chance of a clear answer it takes {needed} sessions before and {needed} after ({now}). "
            "More drives after the service alone can't make up for those missing before it"
        )
    return "More sessions would help, in weather that both phases share"
