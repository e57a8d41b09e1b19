"""The time axis of a log: which column it is, in what form, and what is wrong with it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pullbook.errors import Finding, LogError
from pullbook.reading.dates import parts, read_dates
from pullbook.reading.layout import MISSING, is_number
from pullbook.reading.preamble import preamble_days, preamble_step
from pullbook.reading.tables import SPACE_WITHIN, Table
from pullbook.reading.time_column import (
    GUESSED_UNITS_S,
    LIVELY_KMH_S,
    MOST_ROWS_A_SECOND,
    clock_columns,
    compact_day,
    counts_rows,
    find_date_column,
    find_time_column,
    first_numbers,
    is_lively,
    named_unit_s,
    own_time_columns,
    speed_change_kmh_s,
    unit_in_header_s,
)
from pullbook.text import counted

HOUR_S = 3600.0
HALF_DAY_S, DAY_S = 43_200.0, 86_400.0
STRAY_ROWS = 5  # so few rows with a wrong stamp are a glitch; more are a clock that was set
RESTART_GAP_S = 60.0  # put where the clock was set back: longer than any signal may be bridged over
_GAP_ASSUMED = f"the true gap is unknown, so {RESTART_GAP_S:g} s were assumed."
MOST_BREAKS = 0.02
COUNTER_SIZES = (2.0**16, 2.0**24, 2.0**32)
MOST_WRAP_STEPS = 3.0  # usual steps between a counter's last value and its first after it began again
EARLIEST_S, LATEST_S = 1e9, 4.2e9  # since 1970: from 2001 to 2103
LONGEST_STEP_S = 60.0  # between rows; longer ones are stamps in another unit
MICROSECOND_STEP = 10_000  # whole steps as large as this are microseconds: as milliseconds a row would take 10 s
# Spreadsheets count days from here, and show so many digits of a number that a column is too narrow for.
SERIAL_DAY_ZERO = dt.datetime(1899, 12, 30)
FIRST_SERIAL_DAY, LAST_SERIAL_DAY = 36_526, 73_051  # the years 2000 to 2099
SHOWN_DIGITS = 7
UNIT_WORDS = {
    1.0: "seconds", 1e-3: "milliseconds", 1e-6: "microseconds", 1e-9: "nanoseconds", 60.0: "minutes",
    HOUR_S: "hours", DAY_S: "days",
}  # fmt: skip

MOST_FOOTERS = 3  # rows under the data, such as a count of them
FOOTER_STEPS, FOOTER_GAP_S = 20.0, 60.0  # usual steps, and seconds, after which an empty last row is no part of a drive

_CLOCK = re.compile(r"^(?:(\d{1,2}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)\s*(?:([AaPp])\.?\s?[Mm]\.?)?$")
_WITH_UNIT = re.compile(r"\d+(?:[.,]\d+)?\s?[a-zµμ]{1,2}")  # "12.5 s"
_UNIT_IN_CELL = re.compile(r"\s*\d+(?:[.,]\d+)?\s*[^\W\d]")  # "5231 rows"
_COLON_FRACTION = r"^(\d{1,2}:\d{2}:\d{2}):(\d{3})$"


@dataclass(frozen=True)
class TimeSource:
    """Where the time of a log comes from.

    Attributes
    ----------
    columns : tuple of str
        The columns that hold it.
    unit : str
        How it is written, in words.
    utc : bool
        It is universal time, so the date where the vehicle was may be the one before or after.
    day_first : bool or None
        Of dates written as 3/4/2026, whether the day comes first; None where the log leaves it open or has none.
    month_first : datetime or None
        The first stamp with the month first, where the log leaves it open.
    day_only : bool
        The log says the day, not the time of day: it begins at midnight only for want of a better figure.
    """

    columns: tuple[str, ...] = ()
    unit: str = ""
    utc: bool = False
    day_first: bool | None = None
    month_first: dt.datetime | None = None
    day_only: bool = False


@dataclass(frozen=True, eq=False)
class TimeAxis:
    """Seconds since the first stamp for each kept row.

    Attributes
    ----------
    seconds : ndarray of float, shape (n,)
        Rising, first value 0; strictly so unless the layout is long [s].
    rows : ndarray of int, shape (n,)
        The table's rows they belong to, in the order of time.
    source : TimeSource
        Its ``columns`` hold no signal.
    start : datetime or None
        The first stamp, when the log holds a date.
    findings : tuple of Finding
    """

    seconds: np.ndarray
    rows: np.ndarray
    source: TimeSource
    start: dt.datetime | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class _Stamps:
    """Stamps as read: seconds from anywhere, NaN where unreadable."""

    seconds: np.ndarray
    start: dt.datetime | None = None
    findings: tuple[Finding, ...] = ()
    unit: float | None = None
    utc: bool = False
    day_first: bool | None = None
    month_first: dt.datetime | None = None


def time_axis(table: Table, name: str, *, groups: np.ndarray | None = None) -> TimeAxis:
    """Find and read the time of each row.

    Parameters
    ----------
    table : Table
        The log as read.
    name : str
        File name, for messages.
    groups : ndarray of int, shape (rows,), optional
        For a long layout, which signal each row holds: rows that share a stamp then hold different signals, so stamps
        need only not fall, and the signals may stand one block after the other.

    Returns
    -------
    TimeAxis

    Raises
    ------
    LogError
        When no column holds a time, or hardly any stamp can be read, or the stamps are in no order or all the same.

    Examples
    --------
    A clock that passes midnight:

    >>> import pandas as pd
    >>> from pullbook.reading.time_axis import time_axis
    >>> from pullbook.reading.layout import find_layout
    >>> from pullbook.reading.tables import Table
    >>> stamps, speeds = ["23:59:58", "23:59:59", "00:00:01"], [50, 52, 54]
    >>> lines = ["Time,Speed (km/h)", *(f"{stamp},{speed}" for stamp, speed in zip(stamps, speeds))]
    >>> table = Table(find_layout(lines, "drive.csv"), ((pd.Series(stamps),), (pd.Series(speeds),)))
    >>> time_axis(table, "drive.csv").seconds.tolist()
    [0.0, 1.0, 3.0]
    """
    headers, clock = table.layout.headers, clock_columns(table.layout.headers)
    if groups is None and not clock and (counted_out := _by_rate(table)):
        return counted_out
    in_parts = bool(clock) and find_time_column(table) in (None, *clock)
    column = clock[0] if in_parts else _time_column(table, name, alone=groups is None)
    date_column = None if in_parts else find_date_column(table, column)
    stamps = _clock_in_parts(table, clock) if in_parts else _stamps(table, column, date_column)
    if table.is_numeric(column) and _digits_lost(table.numbers(column)[0]):
        raise LogError(_lost_digits_message(name, headers[column], table.numbers(column)[0]))
    findings = list(stamps.findings)
    footers = _footers(table, column, stamps.seconds) if groups is None else 0
    if footers:
        stamps = replace(stamps, seconds=np.append(stamps.seconds[:-footers], np.full(footers, np.nan)))
        findings.append(_footer_dropped(footers))
    good = np.isfinite(stamps.seconds)
    if good.sum() < 2:
        shown = table.sample(column, 1).astype("string").tolist()
        raise LogError(
            f"{name}: the time column {headers[column]!r} cannot be read (first value {str(shown)[:60]}). "
            "Allowed: seconds, milliseconds, HH:MM:SS, or YYYY-MM-DD HH:MM:SS."
        )
    if unreadable := int((~good).sum()) - footers:
        findings.append(_dropped(unreadable, len(good)))
    rows = np.flatnonzero(good)
    seconds = stamps.seconds[rows] if len(rows) < len(good) else stamps.seconds
    if groups is not None and _in_blocks(seconds, groups[rows]):
        order = np.argsort(seconds, kind="stable")
        seconds, rows = seconds[order], rows[order]
    seconds, rows, more = _rising(seconds, rows, name, table.layout.data_line)
    findings += more
    if stamps.start is not None:  # the first stamp in time need not be that of the first row
        stamps = _begun(stamps, float(seconds[0] - stamps.seconds[good][0]))
    seconds, more = _without_leaps(seconds)
    findings += more
    first_s = float(seconds[0])
    seconds = seconds - first_s  # before stamps are compared: counting from zero may make two of them equal
    if seconds[-1] == 0:
        raise LogError(
            f"{name}: {headers[column]!r} has the same time in every row. Allowed: times that rise. Name the right "
            "column 'Time', or log finer times."
        )
    if groups is None:
        seconds, rows, more = _distinct(seconds, rows, table)
        findings += more
        if column_doubt := _unit_doubt(table, headers[column], seconds, rows):
            findings.append(column_doubt)
    used = tuple(headers[k] for k in (clock if in_parts else (column, date_column)) if k is not None)
    dated = stamps if stamps.start is not None or stamps.unit is None else _dated_elsewhere(table, column) or stamps
    words = (
        UNIT_WORDS.get(stamps.unit, "") if stamps.unit else ("clock time" if stamps.start is None else "date and time")
    )
    source = TimeSource(
        used, words, utc=dated.utc and dated.start is not None, day_first=dated.day_first, month_first=dated.month_first
    )
    start = dated.start
    if start is None and words == "clock time" and (found := compact_day(table)):
        start = dt.datetime.combine(found[1], dt.time()) + dt.timedelta(seconds=first_s)
        source = replace(source, columns=(*used, headers[found[0]]))
    if start is None:
        start, source = _dated_above(table, source, first_s if words == "clock time" else None)
    return TimeAxis(seconds, rows, source, start, tuple(findings))


def _begun(stamps: _Stamps, later_s: float) -> _Stamps:
    """Move the date of the first row to that of the first stamp, ``later_s`` away."""
    by = dt.timedelta(seconds=later_s)
    start, month_first = (None if day is None else day + by for day in (stamps.start, stamps.month_first))
    return replace(stamps, start=start, month_first=month_first)


def _dated_above(table: Table, source: TimeSource, clock_s: float | None) -> tuple[dt.datetime | None, TimeSource]:
    """Take the date from the lines above the header, the time of day from the first stamp if that is a clock's."""
    days = preamble_days(table.layout.preamble)
    if not days:
        return None, source
    since = dt.timedelta(seconds=clock_s % DAY_S) if clock_s is not None else dt.timedelta()
    starts = {order: dt.datetime.combine(day, dt.time()) + since for order, day in days.items()}
    start = starts.get("d/m/y") or starts["m/d/y"]
    other = starts.get("m/d/y")
    day_first = None if len(starts) == 2 else "d/m/y" in starts
    open_order = other if len(starts) == 2 and other != start else None
    return start, replace(source, day_first=day_first, month_first=open_order, day_only=clock_s is None)


def _footers(table: Table, column: int, seconds: np.ndarray) -> int:
    """Count the rows under the data that hold nothing but a number in the time column, as a count of rows does.

    Its other cells are blank, and it lies a long leap from the last row or names a unit that is none of time.
    """
    others = [pieces[-1].tail(MOST_FOOTERS) for k, pieces in enumerate(table.columns) if k != column]
    depth = min(MOST_FOOTERS, len(seconds) - 2, *map(len, others)) if others else 0
    if depth < 1:
        return 0
    empty = np.array([cells.tail(depth).isin(["", *MISSING]) | cells.tail(depth).isna() for cells in others])
    blank = np.asarray(empty.all(axis=0))
    count = depth if blank.all() else int(np.argmin(blank[::-1]))
    if not count or not np.isfinite(seconds[-count:]).any():
        return 0
    before = seconds[:-count][np.isfinite(seconds[:-count])]
    if before.size < MOST_FOOTERS:
        return 0
    leap = float(np.nanmax(np.abs(seconds[-count:] - before[-1])))
    cells = [str(cell) for cell in table.columns[column][-1].tail(count)]
    words = any(_UNIT_IN_CELL.match(cell) and not unit_in_header_s(cell) for cell in cells)
    return count if words or leap > max(FOOTER_STEPS * _usual_step(before), FOOTER_GAP_S) else 0


def _footer_dropped(count: int) -> Finding:
    return Finding(
        code="footer-dropped",
        severity="note",
        message=f"{counted(count, 'row')} under the data held only a number in the time column, such as a count of "
        "rows, and was not used.",
        evidence={"rows": count},
    )


def _time_column(table: Table, name: str, *, alone: bool) -> int:
    """Return the place of the column that holds the time; refuse a log without one.

    ``alone``: it serves all columns of a row, so a second one that parts from it is refused.
    """
    headers = table.layout.headers
    with np.errstate(over="ignore", invalid="ignore"):  # a damaged cell may be as large as a float can be
        column = find_time_column(table)
    if column is None and len(table) < 2:
        raise LogError(f"{name}: only {len(table)} row under the header. A drive needs more. Was the logger running?")
    if column is None and (counting := _row_number(table)):
        raise LogError(
            f"{name}: {counting!r} only counts the rows, and no column holds a time. Allowed: seconds, milliseconds, a "
            "clock time, or date and time. Export the log with its time column, or add one named 'Time [s]'."
        )
    if column is None:
        raise LogError(
            f"{name}: no time column among {', '.join(repr(h[:40]) for h in headers[:12])}. Allowed: seconds, "
            "milliseconds, a clock time, or date and time, under a header such as 'Time'. Add or rename the column."
        )
    if alone and (own := own_time_columns(table, column)):
        raise LogError(
            f"{name}: {len(own) + 1} columns hold times that drift apart ({headers[column]!r}, "
            f"{', '.join(repr(headers[k]) for k in own[:3])}), as if each signal had its own. Allowed: one time for "
            "all columns of a row, or rows of time, name and value. Export the log with one time column."
        )
    return column


def _row_number(table: Table) -> str | None:
    """Return the header of a column that only counts the rows, None without one."""
    for k, header in enumerate(table.layout.headers):
        numbers = first_numbers(table, k)
        if counts_rows(header, numbers[np.isfinite(numbers)]):
            return header
    return None


def _dated_elsewhere(table: Table, column: int) -> _Stamps | None:
    """Read the date from another column than the one whose time is used, None where no other holds one."""
    for k in range(len(table.layout.headers)):
        if k == column or table.is_numeric(k) or (sample := table.sample(k, 20)).empty:
            continue
        text = sample.astype("string").str.strip()
        if text.str.contains(r"\d[-./]\d{1,2}[-./]\d.*\d:\d", regex=True).all():
            stamps = _dated(text.reset_index(drop=True))
            if stamps.start is not None:
                return stamps
    return None


def _unit_doubt(table: Table, header: str, seconds: np.ndarray, rows: np.ndarray) -> Finding | None:
    """Say so where no road vehicle's speed changes so, and would with the time in another unit."""
    every = np.full(len(table), np.nan)
    every[rows] = seconds
    change = speed_change_kmh_s(table, every)
    if is_lively(change) is not False or change is None:
        return None
    fitting = [s for s in UNIT_WORDS if s != 1.0 and is_lively((change[0] / s, change[1]))]
    if not fitting:
        return None
    rate = change[0]
    return Finding(
        code="time-unit-doubtful",
        severity="warning",
        message=(
            f"By the times in {header!r}, the speed never changes faster than {rate:.2g} km/h a second. Normal is "
            f"{LIVELY_KMH_S[0]:g} to {LIVELY_KMH_S[1]:g} km/h a second. Is the unit of that column right? If not, "
            "correct it in the header."
        ),
        evidence={"column": header, "kmh_per_s": round(rate, 4)},
    )


# --- reading the stamps ------------------------------------------------------------------------------------------


def _stamps(table: Table, column: int, date_column: int | None) -> _Stamps:
    if pd.api.types.is_datetime64_any_dtype(table.columns[column][0]):
        return _dated(pd.concat(table.columns[column], ignore_index=True))
    if date_column is None:
        sample = table.sample(column, 50).astype("string")
        if table.is_numeric(column) or bool(sample.map(_is_number_or_time).mean() >= 0.5):
            return _numeric(table, column)
        text = table.texts(column)
        if bool(sample.str.strip().str.match(_COLON_FRACTION).mean() > 0.5):
            text, sample = (part.str.replace(_COLON_FRACTION, r"\1.\2", regex=True) for part in (text, sample))
        if bool(sample.str.strip().str.match(_CLOCK).mean() > 0.5):
            return _Stamps(_clock_seconds(text))
        return _dated(text)
    stamps = _dated(table.texts(date_column) + " " + table.texts(column))
    return replace(stamps, seconds=_past_midnight(stamps.seconds))


def _is_number_or_time(cell: str) -> bool:
    return is_number(re.sub(SPACE_WITHIN, "", cell)) or bool(
        _WITH_UNIT.fullmatch(cell.strip()) and unit_in_header_s(cell)
    )


def _dated(stamped: pd.Series) -> _Stamps:
    read = read_dates(stamped)
    return _Stamps(read.seconds, read.start, utc=read.utc, month_first=read.month_first, day_first=read.day_first)


def _numeric(table: Table, column: int) -> _Stamps:
    """Read a column of numbers: in the unit it names, since an epoch, or in what makes the speed change as it can."""
    numbers, _ = table.numbers(column)
    header, unit_s = table.layout.headers[column], named_unit_s(table, column)
    filled = np.isfinite(numbers)
    finite = numbers if filled.all() else numbers[filled]
    if len(finite) < 2:
        return _Stamps(numbers)
    if _is_compact_clock(finite):
        return _compact_clock(numbers)
    counted_on = _counter_counted_on(finite)
    if counted_on is not finite:
        numbers = numbers.copy()
        numbers[filled] = finite = counted_on
    first, step = float(finite[0]), _usual_step(finite)
    if unit_s is not None and abs(first * unit_s) < LATEST_S:
        return _Stamps(
            numbers if unit_s == 1.0 else numbers * unit_s, _since_1970(first * unit_s), utc=True, unit=unit_s
        )
    for scale, low in ((1e-9, 1e18), (1e-6, 1e15), (1e-3, 1e12), (1.0, 1e9)):
        if low <= first < 4.2 * low and step * scale <= LONGEST_STEP_S:
            return _Stamps((numbers - first) * scale, _since_1970(first * scale), utc=True, unit=scale)
    if FIRST_SERIAL_DAY <= first < LAST_SERIAL_DAY and 0 < step * DAY_S <= LONGEST_STEP_S and np.ptp(finite) < 2:
        start = SERIAL_DAY_ZERO + dt.timedelta(days=first)
        return _Stamps((numbers - first) * DAY_S, start, unit=DAY_S)
    scale, why = _guessed_unit(table, column, finite, step)
    if scale == 1.0:
        return _Stamps(numbers, unit=1.0)
    finding = Finding(
        code="time-unit-assumed",
        severity="note",
        message=f"The time column {header!r} has no unit. It was read as {UNIT_WORDS[scale]}, because {why}.",
        evidence={"median_step": step, "unit": UNIT_WORDS[scale]},
    )
    return _Stamps(numbers * scale, findings=(finding,), unit=scale)


def _is_compact_clock(finite: np.ndarray) -> bool:
    """Say whether numbers are clock times without marks, 182005 or 20260304182005: their last digits turn at 60."""
    if np.ptp(finite) < 200 or finite.min() < 0 or finite.max() >= 1e17:
        return False
    whole = np.floor(finite / 1000) if finite.min() >= 1e16 else np.floor(finite)
    if (whole[:1000] % 100 >= 60).any():  # as in most logs; the rest need not be taken apart
        return False
    day, hours, minutes, seconds = (whole // 10**6, whole // 10_000 % 100, whole // 100 % 100, whole % 100)
    dated = day > 0
    if dated.any() and not (dated.all() and (day >= 1.9e7).all() and (day < 2.1e7).all()):
        return False
    if not ((hours < 24).all() and (minutes < 60).all() and (seconds < 60).all() and seconds.max() >= 50):
        return False
    # A count in steps of 50 never passes 60 either, but its steps as a clock are then uneven.
    steps, turns = np.diff(hours * HOUR_S + minutes * 60 + seconds), np.diff(minutes) != 0
    within, over = steps[~turns & (steps > 0)], steps[turns & (steps > 0)]
    return bool(within.size and over.size and 0.5 <= np.median(over) / np.median(within) <= 2)


def _compact_clock(numbers: np.ndarray) -> _Stamps:
    """Read HHMMSS, with decimals, or YYYYMMDDHHMMSS, with milliseconds behind."""
    scaled = numbers / 1000 if np.nanmin(numbers) >= 1e16 else numbers
    day, clock = np.divmod(scaled, 1e6)
    seconds = clock // 10_000 * HOUR_S + clock // 100 % 100 * 60 + clock % 100
    if np.nanmax(day) <= 0:
        return _Stamps(_counted_over(seconds, DAY_S))
    first = int(day[np.isfinite(day)][0])
    try:
        date = dt.datetime(first // 10_000, first // 100 % 100, first % 100)
    except ValueError:
        return _Stamps(_counted_over(seconds, DAY_S))
    start = date + dt.timedelta(seconds=float(seconds[np.isfinite(seconds)][0]))
    return _Stamps(_counted_over(seconds, DAY_S), start)


def _clock_in_parts(table: Table, columns: Sequence[int]) -> _Stamps:
    """Read hour, minute and second, and perhaps year, month and day, from columns of their own."""
    hour, minute, second, *day = (table.numbers(k)[0] for k in columns)
    seconds = hour * HOUR_S + minute * 60 + second
    good = np.flatnonzero(np.isfinite(seconds))
    start = None
    if len(day) == 3 and good.size:
        try:
            date = dt.datetime(*(int(part[good[0]]) for part in day))  # type: ignore[arg-type]
        except ValueError:  # no date, or none in the first row
            return _Stamps(_counted_over(seconds, DAY_S))
        start = date + dt.timedelta(seconds=float(seconds[good[0]]))
    return _Stamps(_counted_over(seconds, DAY_S), start)


def _by_rate(table: Table) -> TimeAxis | None:
    """Count the time out, where no column holds it and the lines above the header say how often a row was written."""
    said = preamble_step(table.layout.preamble)
    if said is None or find_time_column(table) is not None:
        return None
    step_s, line = said
    numbers, counting = np.arange(len(table), dtype=float), _row_number(table)
    if counting is not None:
        counted_rows, _ = table.numbers(table.layout.headers.index(counting))
        numbers = counted_rows - counted_rows[0] if (np.diff(counted_rows) > 0).all() else numbers
    seconds = numbers * step_s
    finding = Finding(
        code="time-from-rate",
        severity="warning",
        message=f"No column holds a time, so it was counted by {line!r}: {step_s:g} s from row to row. If the logger "
        "paused or left rows out, the times are wrong. Log the time too.",
        evidence={"step_s": step_s},
    )
    start, source = _dated_above(table, TimeSource(() if counting is None else (counting,), "rows"), None)
    rows = np.arange(len(table))
    return None if _unit_doubt(table, line, seconds, rows) else TimeAxis(seconds, rows, source, start, (finding,))


def _counter_counted_on(finite: np.ndarray) -> np.ndarray:
    """Unwrap a counter of 16, 24 or 32 bits where it begins again, one usual step after its last value."""
    falls = np.flatnonzero(np.diff(finite) < 0)
    if not falls.size or falls.size > MOST_BREAKS * len(finite) or finite.min() < 0:
        return finite
    step = _usual_step(finite)
    for size in COUNTER_SIZES:
        over = finite[falls + 1] - finite[falls] + size
        if finite.max() < size and ((over > 0) & (over <= MOST_WRAP_STEPS * step)).all():
            turns = np.zeros(len(finite))
            turns[falls + 1] = size
            counted_on: np.ndarray = finite + np.cumsum(turns)
            return counted_on
    return finite


def _usual_step(finite: np.ndarray) -> float:
    steps = np.diff(finite)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0


def _since_1970(seconds: float) -> dt.datetime | None:
    """Return the date of a count of seconds since 1970; None for a count from another moment."""
    return dt.datetime.fromtimestamp(seconds, dt.UTC).replace(tzinfo=None) if EARLIEST_S <= seconds < LATEST_S else None


def _guessed_unit(table: Table, column: int, finite: np.ndarray, step: float) -> tuple[float, str]:
    """Choose the unit of stamps that name none, with the reason: by their steps, unless the speed contradicts it."""
    if len(finite) > MOST_ROWS_A_SECOND * len(np.unique(finite)) and step == 1.0:
        return 60.0, f"about {len(finite) // len(np.unique(finite))} rows share each time"
    whole = step >= 10 and bool((finite[:500] == np.floor(finite[:500])).all())
    usual = 1.0 if not whole else 1e-3 if step < MICROSECOND_STEP else 1e-6
    stamps = first_numbers(table, column)
    if is_lively(speed_change_kmh_s(table, stamps * usual)) is False:
        for other in GUESSED_UNITS_S:
            if is_lively(speed_change_kmh_s(table, stamps * other)):
                return other, "only that fits how fast the speed changes"
    return usual, f"its steps are whole numbers of about {step:g}"


def _lost_digits_message(name: str, header: str, stamps: np.ndarray) -> str:
    finite = stamps[np.isfinite(stamps)]
    return (
        f"{name}: the times in {header!r} have lost their last digits. {len(finite)} rows share "
        f"{counted(len(np.unique(finite)), 'value')}, such as {finite[0]:.6g}. A spreadsheet does this when it saves a "
        "long number from a narrow column. The digits are gone from this file. Export the log again and use it as it "
        "is. If you must save it from a spreadsheet, first format the column as a number without decimals."
    )


def _digits_lost(stamps: np.ndarray) -> bool:
    """Say whether large stamps have no more digits than a spreadsheet shows of them, and so hardly ever differ."""
    finite = stamps[np.isfinite(stamps)]
    if len(finite) < 10 or finite.min() < EARLIEST_S or 20 * len(np.unique(finite)) > len(finite):
        return False
    kept = 10.0 ** (np.floor(np.log10(finite)) - SHOWN_DIGITS + 1)
    return bool((np.abs(finite / kept - np.round(finite / kept)) < 1e-6).all())


def _clock_seconds(text: pd.Series) -> np.ndarray:
    """Read HH:MM:SS.f, MM:SS.f, or either with AM or PM, as seconds of the day."""
    regular = [seconds for part in parts(text) if (seconds := _regular_clock_seconds(part)) is not None]
    if sum(map(len, regular)) == len(text):
        whole = np.concatenate(regular)
        return _counted_over(whole, _turn_s(whole))
    cells = text.str.extract(_CLOCK)
    hours = pd.to_numeric(cells[0], errors="coerce").fillna(0.0).to_numpy(dtype=float)
    minutes = pd.to_numeric(cells[1], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    seconds = pd.to_numeric(cells[2].str.replace(",", "."), errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    half = cells[3].str.lower().fillna("").to_numpy(dtype=object)
    hours = np.where(half == "p", hours % 12 + 12, np.where(half == "a", hours % 12, hours))
    total: np.ndarray = hours * 3600 + minutes * 60 + seconds
    if not cells[0].isna().all():
        return _counted_over(total, _turn_s(total))
    # So many rows to a stamp are no second's: hours and minutes, without seconds.
    if len(text) > MOST_ROWS_A_SECOND * text.nunique():
        return _counted_over(60 * total, DAY_S)
    return _counted_over(total, HOUR_S)  # a spreadsheet shows MM:SS.f and drops the hours


def _turn_s(seconds: np.ndarray) -> float:
    """Return after how long a clock begins again: half a day where it goes on from 12:59:59 to 1:00:00, else a day."""
    good = seconds[np.isfinite(seconds)]
    steps = np.diff(good)
    twelve = np.abs(steps + HALF_DAY_S) < LONGEST_STEP_S
    shows_twelve = good.size and good.min() >= HOUR_S and good.max() < 13 * HOUR_S
    return HALF_DAY_S if shows_twelve and twelve.any() and (steps[steps < 0] > -13 * HOUR_S).all() else DAY_S


def _regular_clock_seconds(text: pd.Series) -> np.ndarray | None:
    """Read a column whose stamps all look alike, HH:MM:SS or HH:MM:SS.fff, digit by digit; None if they do not.

    A million stamps take a tenth of the time that matching each of them takes.
    """
    if text.isna().any() or (text.str.len() != len(text.iloc[0])).any():
        return None
    length = len(text.iloc[0])
    if length < 8 or length == 9:
        return None
    codes = text.to_numpy(dtype=f"U{length}").view(np.uint32).reshape(len(text), length)
    marks = {2: ":", 5: ":", 8: "."}
    if any((codes[:, k] != ord(mark)).any() for k, mark in marks.items() if k < length):
        return None
    digits = [k for k in range(length) if k not in marks]
    if (codes[:, digits] - ord("0") > 9).any():
        return None
    weights = [36_000.0, 3600.0, 600.0, 60.0, 10.0, 1.0, *(10.0 ** -(k + 1) for k in range(length - 9))]
    total = np.zeros(len(text))
    for k, weight in zip(digits, weights, strict=True):
        total += weight * (codes[:, k] - ord("0"))
    return total


def _counted_over(seconds: np.ndarray, turn_s: float) -> np.ndarray:
    """Add a day where a clock falls by more than half of one; a stray stamp late in the day then takes it off again.

    ``turn_s`` is where the clock begins again: after a day, or after an hour where it shows none.
    """
    good = np.isfinite(seconds)
    steps = np.diff(seconds[good])
    turns = (steps < -turn_s / 2).astype(int) - (steps > turn_s / 2)
    seconds[good] += turn_s * np.concatenate([[0], np.cumsum(turns)])
    return seconds


def _past_midnight(seconds: np.ndarray) -> np.ndarray:
    """Add a day where a date in a column of its own is not that of the clock beside it, as just after midnight."""
    good = np.flatnonzero(np.isfinite(seconds))
    steps = np.diff(seconds[good])
    ahead = 0
    days = np.zeros(len(good))
    for k in np.flatnonzero(np.abs(np.abs(steps) - DAY_S) < LONGEST_STEP_S).tolist():
        turn = 1 if steps[k] < 0 else -1
        if ahead + turn >= 0:
            ahead += turn
            days[k + 1] = turn
    seconds[good] += DAY_S * np.cumsum(days)
    return seconds


# --- order -------------------------------------------------------------------------------------------------------


def _in_blocks(seconds: np.ndarray, groups: np.ndarray) -> bool:
    """Say whether the clock begins again only where the signal changes: one signal's block after the other's."""
    backward = np.diff(seconds) < 0
    return bool(backward.any() and (np.diff(groups)[backward] != 0).all() and backward.sum() < np.unique(groups).size)


def _rising(
    seconds: np.ndarray, rows: np.ndarray, name: str, data_line: int
) -> tuple[np.ndarray, np.ndarray, list[Finding]]:
    """Make the stamps rise: set stray rows aside, go on where the clock was set back, reverse a reversed log."""
    backward = np.flatnonzero(np.diff(seconds) < 0)
    if not backward.size:
        return seconds, rows, []
    findings = []
    if backward.size > 0.5 * len(seconds):
        seconds, rows = seconds[::-1], rows[::-1]
        backward = np.flatnonzero(np.diff(seconds) < 0)
        findings.append(
            Finding(
                code="rows-reversed", severity="note", message="The rows run backward in time, so they were reversed."
            )
        )
    if not backward.size:
        return seconds, rows, findings
    if backward.size > max(MOST_BREAKS * len(seconds), 10):
        line = data_line + int(rows[backward[0]]) + 2
        raise LogError(
            f"{name}, line {line}: the time goes backward here and at {backward.size - 1} more of {len(seconds)} rows. "
            "Allowed: times that rise. Sort the log by time, or name the right column 'Time'."
        )
    keep = np.ones(len(seconds), dtype=bool)
    shift = np.zeros(len(seconds))
    for last in backward.tolist():
        _settle_break(seconds, keep, shift, last)
    moved = seconds + np.cumsum(shift)
    keep &= moved >= np.maximum.accumulate(np.where(keep, moved, -np.inf))
    restarts = int(np.count_nonzero(shift))
    findings.append(
        Finding(
            code="clock-backward",
            severity="warning",
            message=(
                f"The clock steps backward {counted(backward.size, 'time')}, first at line "
                f"{data_line + int(rows[backward[0]]) + 2}. {counted(int((~keep).sum()), 'stray row')} dropped."
                + (f" {counted(restarts, 'restart')}: {_GAP_ASSUMED}" if restarts else "")
            ),
            evidence={"steps": int(backward.size), "rows": int((~keep).sum()), "restarts": restarts},
        )
    )
    return moved[keep], rows[keep], findings


def _settle_break(seconds: np.ndarray, keep: np.ndarray, shift: np.ndarray, last: int) -> None:
    """Judge one fall of the clock after row ``last``: rows before it ran ahead, or rows after it lag, or it was set."""
    window = STRAY_ROWS + 1
    before = seconds[max(0, last + 1 - window) : last + 1]
    after = seconds[last + 1 : last + 1 + window]
    ahead = int(np.count_nonzero(before > after[0]))
    behind = int(np.argmax(after >= before[-1])) if (after >= before[-1]).any() else len(after)
    settled = ahead < len(before) or last < STRAY_ROWS
    if ahead <= STRAY_ROWS and settled and ahead <= behind:
        keep[last + 1 - ahead : last + 1] = False
    elif behind <= STRAY_ROWS:
        keep[last + 1 : last + 1 + behind] = False
    else:
        shift[last + 1] = seconds[last] - seconds[last + 1] + RESTART_GAP_S


def _without_leaps(seconds: np.ndarray) -> tuple[np.ndarray, list[Finding]]:
    """Close a leap of more than a day: the clock was set, nobody drove that long."""
    steps = np.diff(seconds)
    leaps = steps > DAY_S
    if not leaps.any():
        return seconds, []
    leap = Finding(
        code="clock-forward",
        severity="warning",
        message=(f"The clock jumps forward by more than a day {counted(int(leaps.sum()), 'time')}: {_GAP_ASSUMED}"),
        evidence={"leaps": int(leaps.sum())},
    )
    steps[leaps] = RESTART_GAP_S
    return np.concatenate([[0.0], np.cumsum(steps)]), [leap]


def _distinct(seconds: np.ndarray, rows: np.ndarray, table: Table) -> tuple[np.ndarray, np.ndarray, list[Finding]]:
    """Make the stamps strictly rise: set rows that were written twice aside, spread others that share a stamp."""
    shares = np.concatenate([[False], np.diff(seconds) == 0])
    if not shares.any():
        return seconds, rows, []
    findings = []
    twice = shares.copy()
    twice[shares] = table.repeats(rows[shares], rows[np.flatnonzero(shares) - 1])
    if twice.sum() <= 0.2 * len(rows):
        seconds, rows, shares = seconds[~twice], rows[~twice], shares[~twice]
        findings += _shared("stamps-doubled", int(twice.sum()), "repeat the row before, so they were not used")
    if shares.any():
        seconds = _spread(seconds, np.flatnonzero(~shares))
        spread = "have the same time as the row before, so they were spread evenly up to the next time"
        findings += _shared("stamps-shared", int(shares.sum()), spread)
    return seconds, rows, findings


def _shared(code: str, count: int, what: str) -> list[Finding]:
    if not count:
        return []
    return [Finding(code=code, severity="note", message=f"{count} rows {what}.", evidence={"rows": count})]


def _spread(seconds: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Spread rows that share a stamp evenly until the next one: they came one after another.

    Parameters
    ----------
    seconds : ndarray of float
        Never falling.
    starts : ndarray of int
        The first row of each stamp.
    """
    counts = np.diff(np.append(starts, len(seconds)))
    steps = np.diff(seconds[starts])
    usual_step = float(np.median(steps)) if steps.size else 1.0
    usual_count = float(np.median(counts))
    room = np.minimum(np.append(steps, usual_step), 3 * usual_step)
    share = room / counts
    # The first and the last stamp may hold only a part of their rows: the log began, or ended, within that second.
    lead = 0.0
    if counts[0] < usual_count:
        share[0] = room[0] / usual_count
        lead = room[0] - counts[0] * share[0]
    if counts[-1] < usual_count:
        share[-1] = room[-1] / usual_count
    place = np.arange(len(seconds)) - np.repeat(starts, counts)
    spread: np.ndarray = seconds + np.repeat(share, counts) * place
    spread[: counts[0]] += lead
    return spread


def _dropped(count: int, total: int) -> Finding:
    return Finding(
        code="rows-unreadable",
        severity="warning" if count > 0.01 * total else "note",
        message=f"{count} of {total} rows have no readable time, so they were not used.",
        evidence={"rows": count, "of": total},
    )
