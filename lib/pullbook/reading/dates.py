"""Stamps with a date: the order of day and month, the zone, and the date where the vehicle was."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.tseries.api import guess_datetime_format

OLDEST_YEAR = 1990
PART_ROWS = 100_000
MOST_FORMS = 4  # ways of writing a date in one log, such as with a fraction of a second and without

_OFFSET = re.compile(r"([+-])(\d{2}):?(\d{2})$")
_NARROW = "[\u00a0\u2009\u202f]"  # spaces that do not break, as telephones write before PM
_UTC = re.compile(r"(Z|\s(UTC|GMT)|[+-]00:?00)$")
# A zone by its name, at the end or before a year: "10:00:00 CET", "10:00:00 GMT+10:00 2026".
_ZONE = r"\s\(?(?!AM\b|PM\b)[A-Z]{1,5}(?:[+-]\d{1,2}(?::?\d{2})?)?\)?(?=\s\d{4}$|$)"
_NUMBERED = re.compile(
    r"\d{1,2}([./-])\d{1,2}\1(\d{4}|\d{2})(\D{1,3})\d{1,2}:\d{1,2}(:\d{1,2}(\.\d+)?)?(\s*[AaPp][Mm])?", re.ASCII
)
# "10-Mar-26 18:05:12", "Mar 10, 2026 06:05:12.5 PM"
_NAMED = re.compile(
    r"(\d{1,2}[-. /]{1,2}[A-Za-z]{3,9}[-. /]{1,2}|[A-Za-z]{3,9}[. ]{1,2}\d{1,2},? )(\d{4}|\d{2})(\D{1,3})"
    r"\d{1,2}:\d{1,2}(:\d{1,2}(\.\d+)?)?(\s*[AaPp][Mm])?",
    re.ASCII,
)
_NUMBERS = r"^(\d{1,2})([./-])(\d{1,2})[./-]\d{2,4}\b"


@dataclass(frozen=True, eq=False)
class Dated:
    """Stamps with a date, as read.

    Attributes
    ----------
    seconds : ndarray of float, shape (n,)
        From the first stamp; NaN where unreadable.
    start : datetime or None
        The first stamp on the clock of the place; None where no clock was set.
    utc : bool
        The log gives universal time and no offset, so the date at the place may be the one before or after.
    day_first : bool or None
        Of dates written as 3/4/2026: whether the day comes first; None where the log leaves it open, or does not
        write dates so.
    month_first : datetime or None
        The first stamp read with the month first, where the log leaves open which it is.
    """

    seconds: np.ndarray
    start: dt.datetime | None = None
    utc: bool = False
    day_first: bool | None = None
    month_first: dt.datetime | None = None


def read_dates(stamped: pd.Series) -> Dated:
    """Read dates with a time, as text or already read.

    Parameters
    ----------
    stamped : pandas.Series
        Text, missing where blank, or datetimes.

    Returns
    -------
    Dated

    Examples
    --------
    >>> import pandas as pd
    >>> from pullbook.reading.dates import read_dates
    >>> early = pd.Series(["2026-03-20T08:00:00+10:00", "2026-03-20T08:00:01+10:00"], dtype="string")
    >>> read_dates(early).start.isoformat()
    '2026-03-20T08:00:00'
    >>> slashed = read_dates(pd.Series(["03/04/2026 08:00:00", "03/04/2026 08:00:01"], dtype="string"))
    >>> slashed.day_first, slashed.start.month, slashed.month_first.month
    (None, 4, 3)
    """
    if pd.api.types.is_datetime64_any_dtype(stamped):
        return _counted(stamped, utc=getattr(stamped.dt, "tz", None) is dt.UTC)
    stamped = stamped.str.replace(_NARROW, " ", regex=True)
    iso = pd.concat([_iso_dates(part) for part in parts(stamped)])
    if iso.isna().mean() <= 0.5:
        first = str(stamped.loc[iso.first_valid_index()])
        offset = _OFFSET.search(first)
        sign = -1 if offset and offset[1] == "-" else 1
        east = dt.timedelta(hours=int(offset[2]), minutes=int(offset[3])) * sign if offset else dt.timedelta()
        return _counted(iso, utc=bool(_UTC.search(first)), east=east)
    utc = bool(stamped.notna().any() and _UTC.search(str(stamped.dropna().iloc[0])))
    plain = _with_points(stamped.str.replace(_OFFSET.pattern, "", regex=True).str.replace(_ZONE, "", regex=True))
    day_first, slashed = _order(plain)
    read = _counted(_other_dates(plain, day_first=day_first is not False), utc=utc)
    if not slashed:
        return read
    other = None
    if day_first is None:
        turned = _counted(_other_dates(plain.dropna().head(1), day_first=False), utc=utc)
        other = turned.start if turned.start != read.start else None
    return Dated(read.seconds, read.start, utc, day_first, other)


def parts(stamped: pd.Series) -> Iterator[pd.Series]:
    """Cut a column of text: what reading it needs besides is several times as large as the text itself."""
    return (stamped.iloc[k : k + PART_ROWS] for k in range(0, len(stamped), PART_ROWS))


def _counted(stamps: pd.Series, *, utc: bool = False, east: dt.timedelta | None = None) -> Dated:
    good = stamps.dropna()
    if good.empty:
        return Dated(np.full(len(stamps), np.nan))
    start = good.iloc[0]
    seconds = ((stamps - start) / pd.Timedelta(seconds=1)).to_numpy(dtype=float, na_value=np.nan)
    # A clock that was never set begins at its own epoch: no date at all.
    local = start.tz_localize(None).to_pydatetime(warn=False) if start.year >= OLDEST_YEAR else None
    return Dated(seconds.copy(), local + east if local and east else local, utc)


def _iso_dates(stamped: pd.Series) -> pd.Series:
    return pd.to_datetime(_with_points(stamped), errors="coerce", format="ISO8601", utc=True)


def _with_points(stamped: pd.Series) -> pd.Series:
    """Write fractions of a second with a point."""
    return stamped.str.replace(r",(?=\d+(?:\D|$)[^,]*$)", ".", regex=True)


def _order(stamped: pd.Series) -> tuple[bool | None, bool]:
    """Say whether the day comes first in dates of numbers, None where open; and whether dates are written so at all.

    Points between the numbers mean the day first, wherever they are used; a number above 12 is no month; and of two
    numbers the one that goes on by one at midnight is the day.
    """
    numbers = stamped.dropna().str.extract(_NUMBERS)
    numbers = numbers.dropna().drop_duplicates()
    if numbers.empty:
        return None, False
    if (numbers[1] == ".").all():
        return True, True
    first, second = numbers[0].astype(int).to_numpy(), numbers[2].astype(int).to_numpy()
    if (first > 12).any() or (second > 12).any():
        return bool((first > 12).any()), True
    if len(numbers) == 2 and (np.diff(first) != 0).any() != (np.diff(second) != 0).any():
        return bool(np.diff(first)[0]), True
    return None, True


def _other_dates(stamped: pd.Series, *, day_first: bool) -> pd.Series:
    """Read dates written otherwise than ISO 8601, all in the form of the first; guessing each anew is slow."""
    stamps = pd.Series(pd.NaT, index=stamped.index, dtype="datetime64[ns, UTC]")
    for _ in range(MOST_FORMS):
        left = stamped[stamps.isna() & stamped.notna()]
        form = _form(left.iloc[0], day_first=day_first) if len(left) else None
        if form is None:
            break
        stamps.loc[left.index] = pd.to_datetime(left, errors="coerce", format=form, utc=True)
    return stamps


def _form(text: str, *, day_first: bool) -> str | None:
    """Return the form of a date as `strptime` takes it, None where it is no known one."""
    if match := _NUMBERED.fullmatch(text):
        mark, year, space, seconds, fraction, half = match.groups()
        date = mark.join(("%d", "%m") if day_first else ("%m", "%d")) + mark
    elif match := _NAMED.fullmatch(text):
        day, year, space, seconds, fraction, half = match.groups()
        date = re.sub(r"\d+", "%d", re.sub(r"[A-Za-z]+", lambda name: "%b" if len(name[0]) == 3 else "%B", day))
    else:
        form: str | None = guess_datetime_format(text)
        return form
    date += "%Y" if len(year) == 4 else "%y"
    clock = ("%I" if half else "%H") + ":%M" + (":%S" if seconds else "") + (".%f" if fraction else "")
    return date + space + clock + (half[:-2] + "%p" if half else "")
