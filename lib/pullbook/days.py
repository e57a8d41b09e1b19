"""Dates as people write them by hand, and whether 3/4/2026 is in March or in April."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Literal

Order = Literal["d/m/y", "m/d/y"]
ORDERS: tuple[Order, Order] = ("d/m/y", "m/d/y")
FORMS = "2026-03-20, 20.3.2026, 20/3/2026, 3/20/2026, 20 March 2026, Mar 20 2026"
_YEAR_FIRST = re.compile(r"(\d{4})[-/. ](\d{1,2})[-/. ](\d{1,2})", re.ASCII)
_POINTS = re.compile(r"(\d{1,2})\. ?(\d{1,2})\. ?(\d{4}|\d{2})", re.ASCII)  # with points the day comes first
_NUMBERS = re.compile(r"(\d{1,2})([/-])(\d{1,2})\2(\d{4}|\d{2})", re.ASCII)
_DAY_MONTH = re.compile(r"(\d{1,2})(?:st|nd|rd|th|\.)?[ -]([a-z]{3,9})\.?,?[ -](\d{4})", re.ASCII)
_MONTH_DAY = re.compile(r"([a-z]{3,9})\.? (\d{1,2})(?:st|nd|rd|th)?,? (\d{4})", re.ASCII)


def readings(text: str) -> dict[Order, dt.date]:
    """Return what a date may mean, by the order of its numbers; the same twice where the order does not matter.

    Parameters
    ----------
    text : str

    Returns
    -------
    dict
        Empty where it is no date.

    Examples
    --------
    >>> from pullbook.days import readings
    >>> [day.isoformat() for day in readings("3/4/2026").values()]
    ['2026-04-03', '2026-03-04']
    >>> {day.isoformat() for day in readings("Mar 4, 2026").values()}
    {'2026-03-04'}
    """
    plain = " ".join(text.lower().split())
    if match := _YEAR_FIRST.fullmatch(plain):
        return _both(_day(match[1], match[2], match[3]))
    if match := _POINTS.fullmatch(plain):
        return _both(_day(match[3], match[2], match[1]))
    if match := _DAY_MONTH.fullmatch(plain):
        return _both(_day(match[3], _month(match[2]), match[1]))
    if match := _MONTH_DAY.fullmatch(plain):
        return _both(_day(match[3], _month(match[1]), match[2]))
    if match := _NUMBERS.fullmatch(plain):
        found = {"d/m/y": _day(match[4], match[3], match[1]), "m/d/y": _day(match[4], match[1], match[3])}
        return {order: day for order in ORDERS if (day := found[order])}
    return {}


def one_day(given: Any) -> Any:
    """Return a typed day as a date; what is no text passes, to be judged as a date.

    Parameters
    ----------
    given : object
        A date, or text in one of `FORMS`.

    Returns
    -------
    object

    Raises
    ------
    ValueError
        When the text is no date, or may be two.

    Examples
    --------
    >>> from pullbook.days import one_day
    >>> one_day("21.4.2026").isoformat(), one_day("04/21/2026").isoformat()
    ('2026-04-21', '2026-04-21')
    """
    if not isinstance(given, str):
        return given
    days = sorted(set(readings(given).values()))
    if len(days) == 2:
        raise ValueError(
            f"given {given[:40]!r}, which may be {days[0]} or {days[1]}; allowed: one of these two, as written here"
        )
    if not days:
        raise ValueError(f"given {given[:40]!r}; allowed: a date, such as {FORMS}")
    return days[0]


def _both(day: dt.date | None) -> dict[Order, dt.date]:
    return dict.fromkeys(ORDERS, day) if day else {}


def _month(word: str) -> str:
    whole = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
             "november", "december")  # fmt: skip
    fits = [k for k, name in enumerate(whole, start=1) if name.startswith(word) or (word == "sept" and k == 9)]
    return str(fits[0]) if len(fits) == 1 else "0"


def _day(year: str, month: str, day: str) -> dt.date | None:
    try:
        return dt.date(int(year) + (2000 if len(year) == 2 else 0), int(month), int(day))
    except ValueError:
        return None


def order_of(texts: Sequence[str], odometers_km: Sequence[float | None]) -> tuple[Order, ...]:
    """Return the orders of day and month that all dates of a ledger allow.

    A number above 12 is no month, and an odometer does not run backward.

    Parameters
    ----------
    texts : sequence of str
        Dates as written; those that are none are passed over.
    odometers_km : sequence of float or None
        Of the same rows.

    Returns
    -------
    tuple of str
        Both where it is open, none where the rows contradict each other.
    """
    known = [(readings(text), km) for text, km in zip(texts, odometers_km, strict=True)]
    known = [(days, km) for days, km in known if days]
    fitting = [order for order in ORDERS if all(order in days for days, _ in known)]
    if len(fitting) < 2 or all(len(set(days.values())) == 1 for days, _ in known):
        return tuple(fitting)

    def runs_forward(order: Order) -> bool:
        rows = sorted((days[order], km) for days, km in known if km is not None)
        return all(km <= later + 0.5 for (_, km), (_, later) in pairwise(rows))

    forward = tuple(order for order in fitting if runs_forward(order))
    return forward or tuple(fitting)  # an odometer that runs backward either way is a fault of its own
