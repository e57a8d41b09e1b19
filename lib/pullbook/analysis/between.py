"""The time between before and after: what it changed besides the service is in no interval."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from pullbook.analysis.sessions import Drive
from pullbook.errors import Finding
from pullbook.settings.experiment import PHASES
from pullbook.text import counted

TIME_BETWEEN = "time-between"
LONG_DAYS = 14  # from here on it is said beside the answer; judgement


def time_between(drives: Sequence[Drive]) -> Finding:
    """Say how far before and after lie apart, and what the interval does not hold for that reason.

    Parameters
    ----------
    drives : sequence of Drive
        With their dates, where they have any.

    Returns
    -------
    Finding
        Its evidence has ``days``, from the middle of one phase to that of the other; None where a drive has no date.
    """
    days = _days(drives)
    if days is None:
        apart, when = "", "between before and after"
    elif days < 0.5:
        apart, when = "Before and after were driven on the same day. ", "in between"
    else:
        apart, when = f"Before and after lie {_words(days)} apart. ", f"in those {'weeks' if _long(days) else 'days'}"
    return Finding(
        code=TIME_BETWEEN,
        severity="note",
        message=(
            f"{apart}Anything else that changed {when} (season, fuel, tyres, load, road) counts as part of the change, "
            "and the interval does not hold it."
        ),
        evidence={"days": days},
    )


def long_apart(finding: Finding) -> bool:
    """Whether a finding says that the phases lie weeks apart."""
    days = finding.evidence.get("days")
    return finding.code == TIME_BETWEEN and days is not None and _long(days)


def _days(drives: Sequence[Drive]) -> float | None:
    middles = []
    for phase in PHASES:
        driven = [drive.driven for drive in drives if drive.session.phase == phase]
        dated = [dt.date.toordinal(day) for day in driven if day is not None]
        if not dated or len(dated) < len(driven):
            return None
        middles.append(sum(dated) / len(dated))
    return round(middles[1] - middles[0], 1)


def _long(days: float) -> bool:
    return days >= LONG_DAYS


def _words(days: float) -> str:
    return f"about {round(days / 7)} weeks" if _long(days) else f"about {counted(round(days), 'day')}"
