"""Which column of a log is its time: the one that behaves like time, not the first that is called so."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from pullbook.reading.channels import scores
from pullbook.reading.headers import parse_header
from pullbook.reading.tables import Table, to_numbers
from pullbook.reading.vocabulary import tokens

ROWS_LOOKED_AT = 5000
UNNAMED_RISING = 0.98  # what has no name of a time must rise more surely
PARTING_STEPS = 5.0
LEAST_RISING = 0.9  # share of the steps that do not fall; clocks that were set, and damaged rows, make the others
MOST_ROWS_A_SECOND = 25  # with stamps of whole seconds; faster loggers write fractions
# What a road vehicle's speed does in its liveliest 2 % of a drive, km/h a second; common practice, no source.
LIVELY_KMH_S = (0.4, 60.0)
LIVELY_STEPS = 5  # changes of the speed taken together, so that its step of 1 km/h does not count
LEAST_SPEED_RANGE_KMH = 30.0
LEAST_CHANGES = 100  # of the speed; from fewer nothing is concluded
GUESSED_UNITS_S = (1.0, 1e-3, 1e-6, 60.0, 3600.0, 86_400.0)  # what a time without a unit is tried as, in this order

# English, German, French, Spanish, Dutch, Italian, Polish, Swedish.
_TIME_WORDS = {
    "time", "timestamp", "timestamps", "elapsed", "clock", "seconds", "sec", "secs", "ms", "millis", "milliseconds",
    "datetime", "uptime", "t", "s", "zeit", "uhrzeit", "zeitstempel", "temps", "heure", "horodatage", "tiempo", "hora",
    "tijd", "tijdstip", "tijdstempel", "tempo", "ora", "orario", "runtime", "duration", "laufzeit", "dauer", "duree",
    "czas", "tid", "tidpunkt", "время",
}  # fmt: skip
_TIME_STEMS = ("time", "zeit", "tijd", "tiempo")
_MISSPELT_FROM = ("time", "timestamp", "elapsed", "seconds", "runtime", "datetime", "clock")
_MISSPELT = 0.75  # as like as "tiem" is to "time"
# A time since an event, or of one state, is a counter: it serves where nothing better does.
_SINCE_WORDS = {"since", "run", "running", "start", "trip", "warm", "cleared", "codes", "distance", "engine", "mil"}
_NOT_TIME_WORDS = {
    "spool", "injection", "ignition", "boost", "dwell", "temp", "air", "zone", "intake", "coolant", "response",
    "timing",
}  # fmt: skip
_COUNTING_WORDS = {
    "index", "idx", "row", "rows", "sample", "samples", "record", "frame", "line", "no", "nr", "num", "number", "count",
    "counter", "id", "n", "packet", "sequence", "seq",
}  # fmt: skip
_PARTS_OF_TIME = (
    {"hour", "hours", "hr", "hh", "stunde", "heure", "hora", "ora", "uur"},
    {"minute", "minutes", "min", "minuto", "minuut"},
    {"second", "seconds", "sec", "sekunde", "seconde", "segundo", "secondo"},
    {"year", "jahr", "annee", "anno", "jaar"},
    {"month", "monat", "mois", "mes", "mese", "maand"},
    {"day", "tag", "jour", "dia", "giorno", "dag"},
)
_DATE = re.compile(r"(date|day|datum|fecha|jour|data)([ _(\[].*)?")
_DAY = r"^\d{1,4}[-./]\d{1,2}[-./]\d{1,4}$|^\d{1,2}[-./ ][A-Za-z]{3,9}[-./ ]\d{2,4}$|^[A-Za-z]{3,9} \d{1,2},? \d{4}$"
_TWIN = re.compile(r" \(\d+\)$")  # of a header that comes more than once
_UNIT = re.compile(
    r"(?:[\[(_ ,;/.-]|\bin )\s*"
    r"(ns|nanos(?:econds)?|us|µs|μs|micros(?:econds)?|ms|msec|msecs|millis|milliseconds|s|sec|secs|seconds?|sekunden|"
    r"secondes|segundos|secondi|seconden|min|mins|minutes?|minuten|minutos|minuti|h|hr|hrs|hours?|stunden|мс|сек|с|мин|ч)"
    r"\.?\s*[\])]?$"
)
_TICKS = re.compile(r"[\[(]\s*(\d+(?:[.,]\d+)?)\s*[^\W\d]+\s*[\])]?$")  # "(10 ms)"
_UNITS_S = (
    ("n", 1e-9), ("u", 1e-6), ("µ", 1e-6), ("μ", 1e-6), ("mic", 1e-6), ("ms", 1e-3), ("mil", 1e-3), ("min", 60.0),
    ("se", 1.0), ("st", 3600.0), ("s", 1.0), ("h", 3600.0), ("мс", 1e-3), ("мин", 60.0), ("с", 1.0), ("ч", 3600.0),
)  # fmt: skip


@dataclass(frozen=True)
class _Claim:
    """How far a column behaves like time, best first in the order of its fields."""

    likely: bool
    fineness: int
    name: int
    place: int

    @property
    def rank(self) -> tuple[bool, int, int, int]:
        return self.likely, self.fineness, self.name, -self.place


def find_time_column(table: Table) -> int | None:
    """Return the column that behaves most like time, None where none does.

    Of columns that rise (or fall, in a reversed log), one whose speed then changes as a road vehicle's does goes
    first, then the one with the finer steps, then the one with the better name. A column that is not called a time
    counts only where no other is fine enough, and a row number never.

    Parameters
    ----------
    table : Table

    Returns
    -------
    int or None
        Counted from 0.
    """
    named = {k: name for k, header in enumerate(table.layout.headers) if (name := _name(header))}
    claims = {k: claim for k, name in named.items() if (claim := _claim(table, k, name))}
    if not any(claim.likely and claim.fineness for claim in claims.values()):
        more = {k: _unnamed(table, k) for k in range(len(table.layout.headers)) if k not in named}
        claims |= {k: claim for k, claim in more.items() if claim}
    if claims:
        return max(claims, key=lambda k: claims[k].rank)
    readable = [k for k in named if _readable(table, k)]
    if readable:
        return readable[0]
    if pd.api.types.is_datetime64_any_dtype(table.columns[0][0]):
        return 0
    return next((k for k in range(min(2, len(table.layout.headers))) if _may_be_time(table, k)), None)


def clock_columns(headers: Sequence[str]) -> tuple[int, ...]:
    """Return the columns that hold hour, minute and second each by itself, and then year, month and day if they do.

    Examples
    --------
    >>> from pullbook.reading.time_column import clock_columns
    >>> clock_columns(["Hour", "Minute", "Second", "Speed (km/h)"])
    (0, 1, 2)
    """
    places = [[k for k, header in enumerate(headers) if _alone(header) in words] for words in _PARTS_OF_TIME]
    found = tuple(place[0] for place in places if len(place) == 1)
    clock = all(len(place) == 1 for place in places[:3])
    return () if not clock else found if len(found) == len(_PARTS_OF_TIME) else found[:3]


def _alone(header: str) -> str:
    words = tokens(header)
    return words[0].lower() if len(words) == 1 else ""


def own_time_columns(table: Table, column: int) -> list[int]:
    """Return the columns that give other signals times of their own, as where each is logged at its own rate.

    Parameters
    ----------
    table : Table
    column : int
        The time that was chosen.

    Returns
    -------
    list of int
        Other times in the same unit, called as the chosen one or as a signal, that part from it by more than
        `PARTING_STEPS` of its steps; none where they stand side by side or are few: those count an idling, or a trip.
    """
    if not table.is_numeric(column):
        return []
    units_s = [unit_in_header_s(_TWIN.sub("", header)) for header in table.layout.headers]
    chosen = first_numbers(table, column)
    steps = np.diff(chosen[np.isfinite(chosen)])
    if not (steps > 0).any():
        return []
    usual = float(np.median(steps[steps > 0]))
    found = []
    for k, header in enumerate(table.layout.headers):
        named = _TIME_WORDS & {token.lower() for token in tokens(header)}
        if k == column or not named or not table.is_numeric(k) or units_s[k] != units_s[column]:
            continue
        apart = first_numbers(table, k)[: len(chosen)] - chosen
        apart = apart[np.isfinite(apart)]
        if len(apart) > 2 and np.ptp(apart) > PARTING_STEPS * usual:
            found.append(k)
    signals = len(table.layout.headers) - len(found) - 1
    times = [column, *found]
    alternating = not {k + 1 for k in times} & set(times)
    return found if alternating and len(times) >= max(3, signals / 2) else []


def timed_pairs(table: Table) -> list[tuple[int, int]]:
    """Return the pairs of a time and the signal behind it, where every signal has a time of its own.

    Parameters
    ----------
    table : Table

    Returns
    -------
    list of (int, int)
        None where the columns do not take turns, or the times are all the same, fall, or have different units.
    """
    headers = table.layout.headers
    places = range(0, len(headers), 2)
    called = [bool(_TIME_WORDS & {token.lower() for token in tokens(header)}) for header in headers]
    if len(headers) < 4 or len(headers) % 2 or not all(called[::2]) or any(called[1::2]) or table.layout.units:
        return []
    units_s = {unit_in_header_s(_TWIN.sub("", headers[k])) for k in places}
    if len(units_s) > 1 or not all(map(table.is_numeric, range(len(headers)))) or not own_time_columns(table, 0):
        return []
    times = [table.numbers(k)[0] for k in places]
    return [] if any((np.diff(t[np.isfinite(t)]) < 0).any() for t in times) else [(k, k + 1) for k in places]


def find_date_column(table: Table, time_column: int) -> int | None:
    """Return the column that holds the date of each row, beside a time of the day; None without one."""
    for k, header in enumerate(table.layout.headers):
        if k != time_column and _DATE.fullmatch(header.lower()):
            sample = table.sample(k, 20).astype("string")
            if len(sample) and sample.str.match(_DAY).all():
                return k
    return None


def named_unit_s(table: Table, column: int) -> float | None:
    """Return the seconds in the unit that a time column names, None if it names none.

    Examples
    --------
    >>> from pullbook.reading.time_column import unit_in_header_s
    >>> [unit_in_header_s(text) for text in ("time_us", "Time (ms)", "Laufzeit [Min]", "Tick (10 ms)", "Time")]
    [1e-06, 0.001, 60.0, 0.01, None]
    """
    units = table.layout.units
    said = units[column].lower().strip("[]() ") if column < len(units) else ""
    return _seconds_in(said) or unit_in_header_s(table.layout.headers[column])


def unit_in_header_s(header: str) -> float | None:
    """Return the seconds in the unit that ends a header, None without one."""
    spaced = " " + " ".join(tokens(header)).lower()
    found = _UNIT.search(header.lower()) or _UNIT.search(" " + header.lower()) or _UNIT.search(spaced)
    unit_s = _seconds_in(found[1]) if found else None
    ticks = _TICKS.search(header) if unit_s else None
    return unit_s * float(ticks[1].replace(",", ".")) if unit_s and ticks else unit_s


def _seconds_in(unit: str) -> float | None:
    if ":" in unit:  # a form, such as HH:MM:SS
        return None
    return next((scale for start, scale in _UNITS_S if unit.startswith(start)), None)


def speed_change_kmh_s(table: Table, seconds: np.ndarray) -> tuple[float, float] | None:
    """Return how fast the speed changes in the liveliest 2 % of a drive, and how far it ranges, with these stamps.

    Parameters
    ----------
    table : Table
        A row a sweep.
    seconds : ndarray of float, shape (n,)
        Of the first rows.

    Returns
    -------
    tuple of float or None
        [km/h per s] and [km/h], as logged: miles are not turned into kilometres. None without a speed column.
    """
    speed = _speed_column(table)
    if speed is None:
        return None
    values = first_numbers(table, speed)
    rows = min(len(values), len(seconds))
    values, times = values[:rows], seconds[:rows]
    good = np.isfinite(values) & np.isfinite(times)
    values, times = values[good], times[good]
    last_of_stamp = np.append(np.diff(times) != 0, True)  # of rows that share a stamp the last counts
    values, times = values[last_of_stamp[: len(values)]], times[last_of_stamp[: len(values)]]
    fresh = np.concatenate([[True], np.diff(values) != 0]) if values.size else np.zeros(0, dtype=bool)
    values, times = values[fresh], times[fresh]
    if len(values) < LEAST_CHANGES:
        return None
    over = np.abs(times[LIVELY_STEPS:] - times[:-LIVELY_STEPS])
    moved = np.abs(values[LIVELY_STEPS:] - values[:-LIVELY_STEPS])
    rates = moved[over > 0] / over[over > 0]
    return (float(np.quantile(rates, 0.98)), float(np.ptp(values))) if rates.size else None


def first_numbers(table: Table, column: int) -> np.ndarray:
    """Return the first rows of a column as floats.

    Parameters
    ----------
    table : Table
    column : int
        Its place.

    Returns
    -------
    ndarray of float, shape (n,)
        NaN where blank.
    """
    values, _ = to_numbers(table.columns[column][0].head(ROWS_LOOKED_AT), table.layout.decimal)
    return values


def is_lively(change: tuple[float, float] | None) -> bool | None:
    """Tell whether a speed changes as a road vehicle's can, None where it cannot be judged; see `speed_change_kmh_s`.

    Only a speed that ranges far enough can be too slow: a steady drive changes little.
    """
    if change is None:
        return None
    rate, span = change
    slowest, fastest = LIVELY_KMH_S
    if span < LEAST_SPEED_RANGE_KMH:
        return False if rate > fastest else None
    return slowest <= rate <= fastest


def _speed_column(table: Table) -> int | None:
    units = table.layout.units
    best, found = 0, None
    for k, header in enumerate(table.layout.headers):
        score = scores(parse_header(header, units_row=units[k] if k < len(units) else None)).get("vehicle_speed", 0)
        if score > best:
            best, found = score, k
    return found


@lru_cache(maxsize=4096)  # the logs of an experiment mostly have the same headers
def _name(header: str) -> int:
    """Return how much a header sounds like a time: 3 as one, 2 as one since an event, 1 misspelt or odd, 0 not."""
    words = {word for token in tokens(header) for word in re.split(r"[^a-zа-яµμ]+", token.lower()) if word}
    words |= {word for word in re.split(r"[^a-z]+", header.lower()) if word}
    if words & _NOT_TIME_WORDS:
        return 0
    if words & _TIME_WORDS:
        return 2 if words & _SINCE_WORDS else 3
    if any(stem in word for word in words for stem in _TIME_STEMS):
        return 2 if words & _SINCE_WORDS else 3
    near = any(
        difflib.get_close_matches(word, _MISSPELT_FROM, n=1, cutoff=_MISSPELT) for word in words if len(word) > 2
    )
    return int(near)


def _claim(table: Table, k: int, name: int) -> _Claim | None:
    """Judge a column that is called a time; None where it does not rise."""
    if pd.api.types.is_datetime64_any_dtype(table.columns[k][0]):
        return _Claim(likely=True, fineness=2, name=name, place=k)
    sample = table.sample(k, ROWS_LOOKED_AT)
    if sample.empty:
        return None
    if _is_clock(sample):
        return _Claim(likely=True, fineness=_fineness(sample.to_numpy()), name=name, place=k)
    numbers = _rising_numbers(table, sample)
    if numbers is None or (name < 2 and not _regular(numbers)):
        return None
    return _Claim(likely=_could_be_time(table, k), fineness=_fineness(numbers), name=name, place=k)


def _unnamed(table: Table, k: int) -> _Claim | None:
    """Judge a column that is not called a time: only one that rises regularly, in steps that fit the speed, is one."""
    header = table.layout.headers[k]
    parsed = parse_header(header)
    if scores(parsed) or (parsed.unit is not None and unit_in_header_s(header) is None):
        return None
    sample = table.sample(k, ROWS_LOOKED_AT)
    if sample.empty or not pd.api.types.is_numeric_dtype(sample):
        return None
    numbers = _rising_numbers(table, sample, UNNAMED_RISING)
    if numbers is None or not _regular(numbers) or counts_rows(header, numbers):
        return None
    fine = _fineness(numbers)
    likely = _could_be_time(table, k) and bool((np.diff(numbers) != 1).any())
    return _Claim(likely=likely, fineness=fine, name=0, place=k) if likely and fine else None


def _may_be_time(table: Table, k: int) -> bool:
    """Say whether a column without a name, at the left edge, rises, and is more than a row number."""
    sample = table.sample(k, ROWS_LOOKED_AT)
    if sample.empty or _is_clock(sample):
        return not sample.empty
    if scores(parse_header(table.layout.headers[k])):
        return False
    numbers = _rising_numbers(table, sample, UNNAMED_RISING)
    return numbers is not None and np.ptp(numbers) > 0 and not counts_rows(table.layout.headers[k], numbers)


def counts_rows(header: str, numbers: np.ndarray) -> bool:
    """Say whether a column only counts the rows: it is called so, and rises by one nearly each time.

    Parameters
    ----------
    header : str
    numbers : ndarray of float, shape (n,)

    Returns
    -------
    bool
    """
    words = {word.lower() for word in tokens(header)} | ({"n"} if "#" in header else set())
    return bool(words & _COUNTING_WORDS) and len(numbers) > 1 and bool((np.diff(numbers) == 1).mean() > LEAST_RISING)


def _readable(table: Table, k: int) -> bool:
    sample = table.sample(k)
    if sample.empty or pd.api.types.is_datetime64_any_dtype(sample) or _is_clock(sample):
        return not sample.empty
    numbers, _ = to_numbers(sample, table.layout.decimal)
    return int(np.isfinite(numbers).sum()) >= 2


def _is_clock(sample: pd.Series) -> bool:
    text = sample.head(200).astype("string")
    return bool(text.str.contains(r"\d:\d|^\d{8}T\d{6}", regex=True).mean() > 0.8)


def _rising_numbers(table: Table, sample: pd.Series, share: float = LEAST_RISING) -> np.ndarray | None:
    """Return a sample's numbers where they rise, or fall all along as in a reversed log."""
    numbers, _ = to_numbers(sample, table.layout.decimal)
    numbers = numbers[np.isfinite(numbers)]
    if len(numbers) < 2 or numbers.max() == numbers.min():
        return None
    steps = np.diff(numbers)
    rising = (steps >= 0).mean() > share and numbers[-1] > numbers[0]
    falling = (steps <= 0).mean() > share and numbers[-1] < numbers[0]
    return numbers if rising or falling else None


def _fineness(stamps: np.ndarray) -> int:
    """Return 2 for stamps of nearly each row, 1 for whole seconds that several rows share, 0 for coarser ones."""
    distinct = len(pd.unique(stamps))
    if distinct >= 0.5 * len(stamps):
        return 2
    return int(distinct > 1 and len(stamps) <= MOST_ROWS_A_SECOND * distinct)


def _regular(numbers: np.ndarray) -> bool:
    """Say whether the steps are about the same, as a logger's are: a distance's, or a consumption's, are not."""
    steps = np.abs(np.diff(numbers))
    steps = steps[steps > 0]
    low, high = np.quantile(steps, [0.1, 0.9])
    return bool(high <= 4 * low)


def _could_be_time(table: Table, k: int) -> bool:
    """Say whether, in any unit it may have, the speed changes as a road vehicle's does."""
    unit_s = named_unit_s(table, k)
    stamps = first_numbers(table, k)
    units_s = (unit_s,) if unit_s else GUESSED_UNITS_S
    return any(is_lively(speed_change_kmh_s(table, stamps * scale)) is not False for scale in units_s)
