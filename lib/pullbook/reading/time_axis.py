"""The time axis of a log: which column it is, in what form, and what is wrong with it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.tseries.api import guess_datetime_format

from pullbook.errors import Finding, LogError
from pullbook.reading.layout import is_number
from pullbook.reading.tables import Table, to_numbers

HALF_DAY_S = 43_200.0
DAY_S = 86_400.0
STRAY_ROWS = 5  # so few rows with a wrong stamp are a glitch; more are a clock that was set
RESTART_GAP_S = 60.0  # put where the clock was set back: longer than any signal may be bridged over
MOST_BREAKS = 0.02
OLDEST_YEAR = 1990
PART_ROWS = 100_000
MOST_ROWS_A_SECOND = 25  # with stamps of whole seconds; faster loggers write fractions

# English, German, French, Spanish, Dutch, Italian.
_TIME_WORDS = {
    "time", "timestamp", "timestamps", "elapsed", "clock", "seconds", "sec", "secs", "ms", "millis", "milliseconds",
    "datetime", "uptime", "t", "s", "zeit", "uhrzeit", "zeitstempel", "temps", "heure", "horodatage", "tiempo", "hora",
    "tijd", "tijdstip", "tijdstempel", "tempo", "ora", "orario",
}  # fmt: skip
_NOT_TIME_WORDS = {
    "spool", "injection", "ignition", "boost", "dwell", "temp", "air", "zone", "intake", "coolant", "run",
}  # fmt: skip
_DATE = re.compile(r"(date|day|datum|fecha|jour|data)([ _(\[].*)?")
_CLOCK = re.compile(r"^(?:(\d{1,2}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)\s*([AaPp][Mm])?$")
_UNIT = re.compile(r"[\[(_ ](ms|msec|millis|milliseconds|µs|us|s|sec|secs|seconds|min|minutes|h|hours)[\])]?$")
_UNITS_S = {"u": 1e-6, "µ": 1e-6, "ms": 1e-3, "mil": 1e-3, "mi": 60.0, "s": 1.0, "h": 3600.0}


@dataclass(frozen=True, eq=False)
class TimeAxis:
    """Seconds since the first stamp for each kept row.

    Attributes
    ----------
    seconds : ndarray of float, shape (n,)
        Rising, first value 0; strictly so unless the layout is long [s].
    rows : ndarray of int, shape (n,)
        The table's rows they belong to, in the order of time.
    columns : tuple of str
        The columns that held the time.
    start : datetime or None
        The first stamp, when the log holds a date.
    findings : tuple of Finding
    """

    seconds: np.ndarray
    rows: np.ndarray
    columns: tuple[str, ...]
    start: dt.datetime | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class _Stamps:
    """Stamps as read: seconds from anywhere, NaN where unreadable."""

    seconds: np.ndarray
    start: dt.datetime | None = None
    findings: tuple[Finding, ...] = ()


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
    headers = table.layout.headers
    column = _time_column(table)
    if column is None and len(table) < 2:
        raise LogError(f"{name}: {len(table)} row under its header, and a drive needs more. Was the logger started?")
    if column is None:
        raise LogError(
            f"{name}: no time column found among {', '.join(repr(h[:40]) for h in headers[:12])}. Allowed: seconds, "
            "milliseconds, a clock time, or date and time, under a header such as 'Time'. Add or rename the column."
        )
    date_column = _date_column(table, column)
    stamps = _stamps(table, column, date_column)
    findings = list(stamps.findings)
    good = np.isfinite(stamps.seconds)
    if good.sum() < 2:
        shown = table.sample(column, 1).astype("string").tolist()
        raise LogError(
            f"{name}: the time column {headers[column]!r} cannot be read (first value {str(shown)[:60]}). "
            "Allowed: seconds, milliseconds, HH:MM:SS, or YYYY-MM-DD HH:MM:SS."
        )
    if not good.all():
        findings.append(_dropped(int((~good).sum()), len(good)))
    rows = np.flatnonzero(good)
    seconds = stamps.seconds[rows] if len(rows) < len(good) else stamps.seconds
    if groups is not None and _in_blocks(seconds, groups[rows]):
        order = np.argsort(seconds, kind="stable")
        seconds, rows = seconds[order], rows[order]
    seconds, rows, more = _rising(seconds, rows, name, table.layout.data_line)
    findings += more
    seconds, more = _without_leaps(seconds)
    findings += more
    seconds = seconds - seconds[0]  # before stamps are told apart: counting from zero may make two of them equal
    if seconds[-1] == 0:
        raise LogError(
            f"{name}: every row has the same time in {headers[column]!r}. Allowed: times that rise. Name the right "
            "time column 'Time', or log with finer stamps."
        )
    if groups is None:
        seconds, rows, more = _distinct(seconds, rows, table)
        findings += more
    used = (headers[column],) if date_column is None else (headers[column], headers[date_column])
    return TimeAxis(seconds, rows, used, stamps.start, tuple(findings))


# --- which column ------------------------------------------------------------------------------------------------


def _time_column(table: Table) -> int | None:
    headers = table.layout.headers
    candidates = []
    for k, header in enumerate(headers):
        words = {w for w in re.split(r"[^a-z]+", header.lower()) if w}
        if words & _TIME_WORDS and not words & _NOT_TIME_WORDS:
            candidates.append(k)
    rising = [k for k in candidates if _readable(table, k, strict=True)]
    readable = rising or [k for k in candidates if _readable(table, k)]
    if readable:
        return readable[0]
    if pd.api.types.is_datetime64_any_dtype(table.columns[0][0]):
        return 0
    return next((k for k in range(min(2, len(headers))) if _readable(table, k, strict=True)), None)


def _readable(table: Table, k: int, *, strict: bool = False) -> bool:
    """Tell whether a column's first cells are stamps; strictly: and whether they rise."""
    sample = table.sample(k)
    if sample.empty:
        return False
    if pd.api.types.is_datetime64_any_dtype(sample):
        return True
    if sample.astype("string").str.contains(r"\d:\d", regex=True).mean() > 0.8:
        return True
    numbers, _ = to_numbers(sample, table.layout.decimal)
    numbers = numbers[np.isfinite(numbers)]
    if len(numbers) < 2:
        return False
    return not strict or bool((np.diff(numbers) >= 0).mean() > 0.9 and numbers.max() > numbers.min())


def _date_column(table: Table, time_column: int) -> int | None:
    for k, header in enumerate(table.layout.headers):
        if k != time_column and _DATE.fullmatch(header.lower()):
            sample = table.sample(k, 20).astype("string")
            if len(sample) and sample.str.match(r"^\d{1,4}[-./]\d{1,2}[-./]\d{1,4}$").all():
                return k
    return None


def _unit_s(table: Table, column: int) -> float | None:
    """Return the seconds that the unit of the time column stands for, None if it names none."""
    units = table.layout.units
    header = table.layout.headers[column].lower()
    said = units[column].lower().strip("[]()") if column < len(units) else ""
    found = _UNIT.search(header) or _UNIT.search(" " + header)
    text = said or (found[1] if found else "")
    return next((scale for start, scale in _UNITS_S.items() if text.startswith(start)), None)


# --- reading the stamps ------------------------------------------------------------------------------------------


def _stamps(table: Table, column: int, date_column: int | None) -> _Stamps:
    if pd.api.types.is_datetime64_any_dtype(table.columns[column][0]):
        return _dated(pd.concat(table.columns[column], ignore_index=True))
    if date_column is None:
        sample = table.sample(column, 50).astype("string")
        if table.is_numeric(column) or bool(sample.map(is_number).mean() >= 0.5):
            numbers, _ = table.numbers(column)
            return _numeric(numbers, table.layout.headers[column], _unit_s(table, column))
        text = table.texts(column)
        if bool(sample.str.strip().str.match(_CLOCK).mean() > 0.5):
            return _Stamps(_over_midnight(_clock_seconds(text)))
        return _dated(text)
    return _dated(table.texts(date_column) + " " + table.texts(column))


def _numeric(numbers: np.ndarray, header: str, unit_s: float | None) -> _Stamps:
    filled = np.isfinite(numbers)
    finite = numbers if filled.all() else numbers[filled]
    if len(finite) < 2:
        return _Stamps(numbers)
    first = float(finite[0])
    for scale, low in ((1e-9, 1e18), (1e-6, 1e15), (1e-3, 1e12), (1.0, 1e9)):
        if low <= first < 4.2 * low:  # seconds and so on since 1970, up to the year 2100
            start = dt.datetime.fromtimestamp(first * scale, dt.UTC).replace(tzinfo=None)
            return _Stamps((numbers - first) * scale, start)
    if unit_s is not None:
        return _Stamps(numbers if unit_s == 1.0 else numbers * unit_s)
    steps = np.diff(finite)
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    if not (step >= 10 and bool((finite[:500] == np.floor(finite[:500])).all())):
        return _Stamps(numbers)
    finding = Finding(
        code="time-unit-assumed",
        severity="note",
        message=f"The time column {header!r} names no unit; whole steps of about {step:g} were read as milliseconds.",
        evidence={"median_step": step},
    )
    return _Stamps(numbers * 1e-3, None, (finding,))


def _clock_seconds(text: pd.Series) -> np.ndarray:
    """Read HH:MM:SS.f, MM:SS.f, or either with AM or PM, as seconds of the day."""
    regular = [seconds for part in _parts(text) if (seconds := _regular_clock_seconds(part)) is not None]
    if sum(map(len, regular)) == len(text):
        return np.concatenate(regular)
    parts = text.str.extract(_CLOCK)
    hours = pd.to_numeric(parts[0], errors="coerce").fillna(0.0).to_numpy(dtype=float)
    minutes = pd.to_numeric(parts[1], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    seconds = pd.to_numeric(parts[2].str.replace(",", "."), errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    afternoon = parts[3].str.lower().fillna("").to_numpy(dtype=object)
    hours = np.where(afternoon == "pm", hours % 12 + 12, np.where(afternoon == "am", hours % 12, hours))
    total: np.ndarray = hours * 3600 + minutes * 60 + seconds
    # So many rows to a stamp are no second's: hours and minutes, without seconds.
    coarse = parts[0].isna().all() and len(text) > MOST_ROWS_A_SECOND * text.nunique()
    return 60 * total if coarse else total


def _parts(stamped: pd.Series) -> Iterator[pd.Series]:
    """Cut a column of text: what reading it needs besides is several times as large as the text itself."""
    return (stamped.iloc[k : k + PART_ROWS] for k in range(0, len(stamped), PART_ROWS))


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


def _over_midnight(seconds: np.ndarray) -> np.ndarray:
    """Add a day where a clock falls by more than half a day; a stray stamp late in the day then takes it off again."""
    good = np.isfinite(seconds)
    steps = np.diff(seconds[good])
    days = (steps < -HALF_DAY_S).astype(int) - (steps > HALF_DAY_S)
    seconds[good] += DAY_S * np.concatenate([[0], np.cumsum(days)])
    return seconds


def _dated(stamped: pd.Series) -> _Stamps:
    stamps = stamped
    if not pd.api.types.is_datetime64_any_dtype(stamped):
        stamps = pd.concat([_iso_dates(part) for part in _parts(stamped)])
        if stamps.isna().mean() > 0.5:
            stamps = _other_dates(_with_points(stamped))
    good = stamps.dropna()
    if good.empty:
        return _Stamps(np.full(len(stamps), np.nan))
    start = good.iloc[0]
    seconds = ((stamps - start) / pd.Timedelta(seconds=1)).to_numpy(dtype=float, na_value=np.nan)
    # A clock that was never set begins at its own epoch: no date at all.
    known = start.year >= OLDEST_YEAR
    return _Stamps(seconds.copy(), start.tz_localize(None).to_pydatetime(warn=False) if known else None)


def _iso_dates(stamped: pd.Series) -> pd.Series:
    return pd.to_datetime(_with_points(stamped), errors="coerce", format="ISO8601", utc=True)


def _with_points(stamped: pd.Series) -> pd.Series:
    """Write fractions of a second with a point."""
    return stamped.str.replace(r",(?=\d+$)", ".", regex=True)


def _other_dates(stamped: pd.Series) -> pd.Series:
    """Read dates written otherwise than ISO 8601, all in the form of the first; guessing each anew is slow."""
    first = stamped.dropna().iloc[0] if stamped.notna().any() else ""
    # A second number above 12 is no month: only then the first one is.
    day_first = bool(re.match(r"\d{1,2}[./-](0?\d|1[0-2])[./-]", first))
    form = guess_datetime_format(first, dayfirst=day_first)
    if form is None:
        return pd.Series(pd.NaT, index=stamped.index, dtype="datetime64[ns, UTC]")
    return pd.to_datetime(stamped, errors="coerce", format=form, utc=True)


# --- order -------------------------------------------------------------------------------------------------------


def _in_blocks(seconds: np.ndarray, groups: np.ndarray) -> bool:
    """Tell whether the clock begins again only where the signal changes: one signal's block after the other's."""
    backward = np.diff(seconds) < 0
    return bool(backward.any() and (np.diff(groups)[backward] != 0).all() and backward.sum() < np.unique(groups).size)


def _rising(
    seconds: np.ndarray, rows: np.ndarray, name: str, data_line: int
) -> tuple[np.ndarray, np.ndarray, list[Finding]]:
    """Make the stamps rise: set stray rows aside, count on after the clock was set back, turn a reversed log round."""
    backward = np.flatnonzero(np.diff(seconds) < 0)
    if not backward.size:
        return seconds, rows, []
    findings = []
    if backward.size > 0.5 * len(seconds):
        seconds, rows = seconds[::-1], rows[::-1]
        backward = np.flatnonzero(np.diff(seconds) < 0)
        findings.append(
            Finding(
                code="rows-reversed", severity="note", message="The rows run backward in time and were turned round."
            )
        )
    if not backward.size:
        return seconds, rows, findings
    if backward.size > max(MOST_BREAKS * len(seconds), 10):
        line = data_line + int(rows[backward[0]]) + 2
        raise LogError(
            f"{name}, line {line}: the time falls there and at {backward.size - 1} more rows of {len(seconds)}. "
            "Allowed: times that rise. Sort the log by time, or name the right time column 'Time'."
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
                f"The clock steps backward {backward.size} times, first at line "
                f"{data_line + int(rows[backward[0]]) + 2}: {int((~keep).sum())} stray rows were set aside"
                + (
                    f", and {restarts} times the log was counted on with a gap of {RESTART_GAP_S:g} s, whose true "
                    "length is not known."
                    if restarts
                    else "."
                )
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
    """Close up a leap of more than a day, which is a clock that was set and no drive."""
    steps = np.diff(seconds)
    leaps = steps > DAY_S
    if not leaps.any():
        return seconds, []
    leap = Finding(
        code="clock-forward",
        severity="warning",
        message=(
            f"The clock leaps forward by more than a day {int(leaps.sum())} times; the log was counted on with a gap "
            f"of {RESTART_GAP_S:g} s, whose true length is not known."
        ),
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
        findings += _shared("stamps-doubled", int(twice.sum()), "repeat the row before them and were set aside")
    if shares.any():
        seconds = _spread(seconds, np.flatnonzero(~shares))
        findings += _shared(
            "stamps-shared", int(shares.sum()), "share a stamp with the row before and were spread until the next stamp"
        )
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
        message=f"{count} of {total} rows have no readable time and were set aside.",
        evidence={"rows": count, "of": total},
    )
