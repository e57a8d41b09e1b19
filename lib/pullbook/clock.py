"""The time axis of a log: which column it is, in what form, and what is wrong with it."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pullbook.errors import Finding, LogError
from pullbook.tables import Table, is_number, to_numbers

HALF_DAY_S = 43_200.0
DAY_S = 86_400.0
_TIME_WORDS = {"time", "timestamp", "timestamps", "elapsed", "clock", "seconds", "sec", "secs", "ms", "millis", "milliseconds", "datetime", "uptime", "t", "s"}  # fmt: skip
_CLOCK = re.compile(r"^(?:(\d{1,2}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)\s*([AaPp][Mm])?$")


@dataclass(frozen=True)
class TimeAxis:
    """Seconds since the first stamp for each kept row.

    Parameters
    ----------
    seconds : ndarray of float, shape (n,)
        Rising, first value 0; strictly so unless the layout is long.
    rows : ndarray of int, shape (n,)
        The table's rows they belong to.
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


def time_axis(table: Table, name: str, *, rows_are_signals: bool = False) -> TimeAxis:
    """Find and read the time of each row.

    Parameters
    ----------
    table : Table
        The log as read.
    name : str
        File name, for messages.
    rows_are_signals : bool
        A long layout: rows that share a stamp hold different signals, so stamps need only not fall.

    Raises
    ------
    LogError
        When no column holds a time, or hardly any stamp can be read.
    """
    headers = table.layout.headers
    column = _time_column(table)
    if column is None:
        raise LogError(
            f"{name}: no time column found among {', '.join(map(repr, headers[:12]))}. Allowed: seconds, milliseconds, "
            "a clock time, or date and time, under a header such as 'Time'. Add or rename the column."
        )
    columns = [headers[column]]
    date_column = _date_column(headers, column)
    raw = table.frame[column]
    if date_column is not None:
        raw = table.frame[date_column].astype("string") + " " + raw.astype("string")
        columns.append(headers[date_column])
    seconds, start, findings = _to_seconds(raw, headers[column], _unit_of(table, column), table.layout.decimal)
    good = np.isfinite(seconds)
    if good.sum() < 2:
        raise LogError(
            f"{name}: the time column {headers[column]!r} cannot be read (first value {str(raw.iloc[0])[:40]!r}). "
            "Allowed: seconds, milliseconds, HH:MM:SS, or YYYY-MM-DD HH:MM:SS."
        )
    if not good.all():
        findings.append(_dropped(int((~good).sum()), len(good)))
    rows = np.flatnonzero(good)
    seconds, rows, more = _rising(seconds[good], rows, strictly=not rows_are_signals)
    return TimeAxis(seconds - seconds[0], rows, tuple(columns), start, tuple(findings + more))


def _time_column(table: Table) -> int | None:
    headers = table.layout.headers
    candidates = []
    for k, header in enumerate(headers):
        words = {w for w in re.split(r"[^a-z]+", header.lower()) if w}
        if words & _TIME_WORDS and not words & {"spool", "injection", "ignition", "boost", "dwell"}:
            candidates.append(k)
    first = next((k for k in candidates if _readable(table, k)), None)
    if first is not None:
        return first
    return next((k for k in range(min(2, len(headers))) if _readable(table, k, strict=True)), None)


def _readable(table: Table, k: int, *, strict: bool = False) -> bool:
    sample = table.frame[k].dropna().head(200)
    if sample.empty:
        return False
    text = sample.astype("string")
    clocks = text.str.contains(r"\d:\d", regex=True).mean() > 0.8
    if clocks:
        return True
    numbers, _ = to_numbers(sample, table.layout.decimal)
    numbers = numbers[np.isfinite(numbers)]
    if len(numbers) < 2:
        return False
    return not strict or bool((np.diff(numbers) >= 0).all() and numbers[-1] > numbers[0])


def _date_column(headers: tuple[str, ...], time_column: int) -> int | None:
    for k, header in enumerate(headers):
        if k != time_column and re.fullmatch(r"(date|day|datum)([ _(\[].*)?", header.lower()):
            return k
    return None


def _unit_of(table: Table, column: int) -> str:
    units = table.layout.units
    header = table.layout.headers[column].lower()
    said = units[column].lower() if column < len(units) else ""
    found = re.search(r"[\[(_ ](ms|msec|millis|milliseconds|µs|us|s|sec|seconds)[\])]?$", header)
    text = said.strip("[]()") or (found[1] if found else header if header in ("ms", "s", "seconds", "millis") else "")
    if text.startswith(("µ", "us")):
        return "us"
    if text.startswith(("ms", "milli")):
        return "ms"
    return "s" if text.startswith("s") else ""


def _to_seconds(
    raw: pd.Series, header: str, unit: str, decimal: str
) -> tuple[np.ndarray, dt.datetime | None, list[Finding]]:
    text = raw.astype("string").str.strip() if not pd.api.types.is_numeric_dtype(raw) else None
    if text is not None and bool(text.head(50).dropna().map(is_number).mean() < 0.5):
        if bool(text.head(50).dropna().str.match(_CLOCK).mean() > 0.5):
            return _clock_seconds(text), None, []
        return _dated_seconds(text)
    numbers, _ = to_numbers(raw, decimal)
    return _numeric_seconds(numbers, header, unit)


def _numeric_seconds(
    numbers: np.ndarray, header: str, unit: str
) -> tuple[np.ndarray, dt.datetime | None, list[Finding]]:
    finite = numbers[np.isfinite(numbers)]
    if len(finite) < 2:
        return numbers, None, []
    first = float(finite[0])
    for scale, low in ((1e-9, 1e18), (1e-6, 1e15), (1e-3, 1e12), (1.0, 1e9)):
        if low <= first < 4.2 * low:  # seconds and so on since 1970, up to the year 2100
            return numbers * scale, dt.datetime.fromtimestamp(first * scale, dt.UTC).replace(tzinfo=None), []
    scales = {"us": 1e-6, "ms": 1e-3, "s": 1.0}
    if unit:
        return numbers * scales[unit], None, []
    steps = np.diff(finite)
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    whole = bool((finite[:500] == np.floor(finite[:500])).all())
    guess = "ms" if whole and step >= 10 else "s"
    if guess == "ms":
        finding = Finding(
            code="time-unit-assumed",
            severity="note",
            message=f"The time column {header!r} names no unit; whole steps of about {step:g} were read as milliseconds.",
            evidence={"median_step": step},
        )
        return numbers * scales[guess], None, [finding]
    return numbers, None, []


def _clock_seconds(text: pd.Series) -> np.ndarray:
    """Read HH:MM:SS.f or MM:SS.f; a fall of more than half a day is midnight."""
    parts = text.str.extract(_CLOCK)
    hours = pd.to_numeric(parts[0], errors="coerce").fillna(0.0).to_numpy(dtype=float)
    minutes = pd.to_numeric(parts[1], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    seconds = pd.to_numeric(parts[2].str.replace(",", "."), errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    afternoon = parts[3].str.lower().fillna("").to_numpy(dtype=object)
    hours = np.where(afternoon == "pm", hours % 12 + 12, np.where(afternoon == "am", hours % 12, hours))
    total: np.ndarray = hours * 3600 + minutes * 60 + seconds
    good = np.isfinite(total)
    kept = total[good]
    total[good] = kept + DAY_S * np.concatenate([[0.0], np.cumsum(np.diff(kept) < -HALF_DAY_S)])
    return total


def _dated_seconds(text: pd.Series) -> tuple[np.ndarray, dt.datetime | None, list[Finding]]:
    day_first = bool(text.head(20).str.match(r"^\d{1,2}[./]\d{1,2}[./]\d{2,4}").fillna(False).any())
    stamps = pd.to_datetime(text, errors="coerce", format="ISO8601", utc=True)
    if stamps.isna().mean() > 0.5:
        stamps = pd.to_datetime(text, errors="coerce", format="mixed", dayfirst=day_first, utc=True)
    good = stamps.dropna()
    if good.empty:
        return np.full(len(text), np.nan), None, []
    start = good.iloc[0]
    seconds = ((stamps - start) / pd.Timedelta(seconds=1)).to_numpy(dtype=float, na_value=np.nan)
    return seconds, start.tz_localize(None).to_pydatetime(warn=False), []


def _rising(seconds: np.ndarray, rows: np.ndarray, *, strictly: bool) -> tuple[np.ndarray, np.ndarray, list[Finding]]:
    """Keep rows whose stamp does not fall behind an earlier one; spread rows that share a stamp."""
    findings = []
    keep = seconds >= np.maximum.accumulate(seconds)
    if not keep.all():
        findings.append(
            Finding(
                code="clock-backward",
                severity="warning",
                message=f"The clock steps backward; {int((~keep).sum())} rows behind the latest stamp were set aside.",
                evidence={"rows": int((~keep).sum())},
            )
        )
    seconds, rows = seconds[keep], rows[keep]
    distinct = np.concatenate([[True], np.diff(seconds) > 0])
    shared = 1 - distinct.mean()
    if shared == 0 or not strictly:
        return seconds, rows, findings
    if shared > 0.2:
        # Whole-second stamps shared by several rows: the rows came one after another within the second.
        starts = np.flatnonzero(distinct)
        counts = np.diff(np.append(starts, len(seconds)))
        steps = np.diff(seconds[starts])
        usual = float(np.median(steps)) if steps.size else 1.0
        room = np.minimum(np.append(steps, usual), 3 * usual)
        place = np.arange(len(seconds)) - np.repeat(starts, counts)
        spread = seconds + np.repeat(room / counts, counts) * place
        findings.append(
            Finding(
                code="stamps-shared",
                severity="note",
                message=f"{shared:.0%} of the rows share a stamp with the row before; they were spread evenly until the next stamp.",
                evidence={"fraction": round(float(shared), 4)},
            )
        )
        return spread, rows, findings
    findings.append(
        Finding(
            code="stamps-doubled",
            severity="note",
            message=f"{int((~distinct).sum())} rows repeat the stamp before them and were set aside.",
            evidence={"rows": int((~distinct).sum())},
        )
    )
    return seconds[distinct], rows[distinct], findings


def _dropped(count: int, total: int) -> Finding:
    return Finding(
        code="rows-unreadable",
        severity="warning" if count > 0.01 * total else "note",
        message=f"{count} of {total} rows have no readable time and were set aside.",
        evidence={"rows": count, "of": total},
    )
