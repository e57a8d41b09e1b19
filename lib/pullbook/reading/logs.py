"""Read a log: each signal in its own units, at the times it was really measured."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from pullbook.errors import Finding, LogError
from pullbook.reading.channels import Assignment, assign
from pullbook.reading.figures import Figures, is_figures, read_figures
from pullbook.reading.headers import Header, parse_header
from pullbook.reading.layout import MAX_COLUMNS, distinct, is_number, unit_in_cell
from pullbook.reading.polling import refreshes
from pullbook.reading.spikes import spikes
from pullbook.reading.suggestions import suggested_channels
from pullbook.reading.tables import Table, in_threads, read_table
from pullbook.reading.time_axis import TimeAxis, TimeSource, time_axis
from pullbook.reading.time_column import timed_pairs
from pullbook.reading.units import (
    CHANNELS,
    MILD_C,
    OPEN_CIRCUIT_C,
    POSSIBLE,
    STANDARD_PRESSURE_KPA,
    Unit,
    allowed_units,
    guess_unit,
    looks_gauge,
    parse_unit,
    unit_for,
)
from pullbook.reading.vocabulary import tokens
from pullbook.text import counted, percent

Choice = tuple[str | Sequence[str], str | None] | Mapping[str, str | None]

GAP_PERIODS = 3.0
LEAST_KPA = 1.0  # absolute: no engine's manifold is emptier
LARGEST = 1e9  # no signal of a road vehicle is larger in any unit; a cell that is was damaged
SAMPLED = 100_000
LEAST_COLUMNS, MOSTLY_ZERO = 4, 0.95  # signals, and the share of rows that hold no more than one of them


@dataclass(frozen=True, kw_only=True, eq=False)
class Signal:
    """One channel of a log at the times it was refreshed.

    Attributes
    ----------
    channel : str
        Its name, such as ``vehicle_speed``.
    column : str
        Header of the column it came from.
    unit : str
        Unit of the log's column; the values are held in the channel's internal unit.
    time_s : ndarray of float, shape (n,)
        Seconds since the log's first stamp, strictly rising.
    values : ndarray of float, shape (n,)
        In the internal unit.
    period_s : float
        Usual time between refreshes [s]; NaN with a single one.
    resolution : float
        Smallest usual step between values, internal unit; 0 if the signal never moves.
    """

    channel: str
    column: str
    unit: str
    time_s: np.ndarray
    values: np.ndarray
    period_s: float
    resolution: float

    @property
    def max_gap_s(self) -> float:
        """Longest time between refreshes that may be bridged by a straight line [s]."""
        return GAP_PERIODS * self.period_s

    def at(self, time_s: np.ndarray | float) -> np.ndarray:
        """Interpolate between refreshes.

        Parameters
        ----------
        time_s : float or ndarray of float, shape (m,)
            Seconds since the log's first stamp.

        Returns
        -------
        ndarray of float, shape (m,)
            In the internal unit; one value for a float. NaN outside the signal and inside a gap.
        """
        wanted = np.atleast_1d(np.asarray(time_s, dtype=float))
        after = np.searchsorted(self.time_s, wanted, side="left").clip(0, len(self.time_s) - 1)
        before = np.where(self.time_s[after] == wanted, after, np.maximum(after - 1, 0))
        value: np.ndarray = np.interp(wanted, self.time_s, self.values, left=np.nan, right=np.nan)
        value[self.time_s[after] - self.time_s[before] > self.max_gap_s] = np.nan
        return value

    def within(self, start_s: float, end_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the refreshes in ``[start_s, end_s]``.

        Parameters
        ----------
        start_s, end_s : float
            Seconds since the log's first stamp.

        Returns
        -------
        time_s, values : ndarray of float, shape (m,)
        """
        low, high = np.searchsorted(self.time_s, [start_s, end_s], side="left")
        high += int(high < len(self.time_s) and self.time_s[high] == end_s)
        return self.time_s[low:high], self.values[low:high]


@dataclass(frozen=True)
class Source:
    """Where a channel comes from.

    Attributes
    ----------
    column : str
        Header of its column.
    unit : str
        As written.
    resolution : float
        Its step, internal unit.
    """

    column: str
    unit: str
    resolution: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Log:
    """One drive as logged, or as somebody kept its figures; then it has no signals.

    Attributes
    ----------
    name : str
        File name.
    start : datetime or None
        First stamp, when the log holds a date.
    duration_s : float
        From the first to the last stamp [s].
    signals : mapping of channel to Signal
    outside_kpa : float
        Outside pressure: the median of the log's own, else as given, else the standard one [kPa].
    gauge : bool
        The manifold pressure was logged as counted from the outside pressure, and that was added.
    unknown_columns : tuple of str
        Columns that were not recognised.
    time : TimeSource
        Which column is the time, and how it is written.
    findings : tuple of Finding
    figures : Figures or None
        What a person kept in place of a log.
    """

    name: str
    start: dt.datetime | None
    duration_s: float
    signals: Mapping[str, Signal]
    outside_kpa: float = STANDARD_PRESSURE_KPA
    gauge: bool = False
    unknown_columns: tuple[str, ...] = ()
    time: TimeSource = field(default_factory=TimeSource)
    findings: tuple[Finding, ...] = field(default=())
    figures: Figures | None = None

    @property
    def sources(self) -> dict[str, Source]:
        """Each channel's column, unit as written and step, of signals and figures alike."""
        if self.figures is None:
            return {c: Source(s.column, s.unit, s.resolution) for c, s in self.signals.items()}
        kept = self.figures.kept
        return {c: Source(kept[c].column, kept[c].unit, kept[c].step) for c in CHANNELS if c in kept}

    def begins(self, *, day_first: bool) -> dt.datetime:
        """Return its first stamp, a date of numbers alone read with the day or the month first.

        Raises
        ------
        LogError
            When the log holds no date.
        """
        begin = self.start if day_first or self.time.month_first is None else self.time.month_first
        if begin is None:
            raise LogError(f"{self.name}: no date in it. Export it with dates such as 2026-03-20.")
        return begin

    def get(self, channel: str) -> Signal | None:
        """Return a signal, or None if the log does not hold it."""
        return self.signals.get(channel)

    def need(self, channel: str) -> Signal:
        """Return a signal.

        Raises
        ------
        LogError
            When the log does not hold it; with the two lines of YAML that would supply it.
        """
        signal = self.signals.get(channel)
        if signal is None:
            raise LogError(missing_channel(self, channel))
        return signal


def read_log(
    path: str | Path,
    *,
    channels: Mapping[str, Choice] | None = None,
    barometric_kpa: float | None = None,
    configured_elsewhere: Collection[str] = (),
) -> Log:
    """Read a text log of any layout.

    Parameters
    ----------
    path : path
        ``.csv``, ``.tsv`` or ``.txt``, also ``.gz``; ``.parquet`` where the optional reader is installed.
    channels : mapping of channel to (column, unit or None), or to {column, unit}, optional
        Columns that the person settled (``channels`` of ``experiment.yaml``).
    barometric_kpa : float, optional
        Outside pressure [kPa], to turn gauge into absolute pressure where the log has no barometric signal.
    configured_elsewhere : collection of str
        Channels whose settled column another log of the experiment has; without it this log goes by its words.

    Returns
    -------
    Log

    Raises
    ------
    LogError
        When no honest figure is possible: no table, no time, no column that can be used.
    """
    path = Path(path)
    chosen = {channel: _choice(channel, said) for channel, said in (channels or {}).items()}
    _check_chosen(chosen)
    table = read_table(path)
    axis, columns = _columns(table, path.name)
    headers = [column.header for column in columns]
    assignment = assign(headers, _held(chosen, headers, path.name, configured_elsewhere))
    signals, findings = _signals(columns, assignment)
    gauge = False
    outside_kpa = _outside_kpa(signals, barometric_kpa)
    if pressure := signals.get("intake_manifold_pressure"):
        header = next(h for h in headers if h.text == pressure.column)
        absolute, more = _absolute(pressure, header, assignment.unit[pressure.channel], outside_kpa)
        gauge = absolute is not pressure
        findings += more
        above_nought, more = possible(absolute, LEAST_KPA)
        findings += more
        signals = {**signals, pressure.channel: above_nought} if above_nought else _without(signals, pressure.channel)
    if not signals and assignment.column:
        raise LogError(
            f"{path.name}: {', '.join(map(repr, assignment.column.values()))} hold no readable number. "
            "Allowed: numbers, with or without a unit after them. Export the log again."
        )
    if not signals:
        raise LogError(
            f"{path.name}: no column was recognised ({', '.join(repr(h.text[:60]) for h in headers[:20])}). "
            "Name them in experiment.yaml, for example:\n"
            f'channels:\n  vehicle_speed: {{column: "{headers[0].text if headers else "..."}", unit: km/h}}'
        )
    return Log(
        name=path.name,
        start=axis.start,
        duration_s=float(axis.seconds[-1]),
        signals=signals,
        outside_kpa=STANDARD_PRESSURE_KPA if outside_kpa is None else outside_kpa,
        gauge=gauge,
        unknown_columns=tuple(h.text for h in assignment.unknown),
        time=axis.source,
        findings=(
            *table.findings,
            *axis.findings,
            *_unit_conflicts(chosen, headers),
            *_rival_findings(assignment),
            *_unknown_findings(assignment, columns),
            *findings,
        ),
    )


def read_kept(path: str | Path, *, barometric_kpa: float | None = None) -> Log:
    """Read figures that somebody kept in place of a log.

    Parameters
    ----------
    path : path
        A table with a row a run (`pullbook.reading.figures`).
    barometric_kpa : float, optional
        Outside pressure [kPa], where the table's manifold pressure counts from it.

    Returns
    -------
    Log
        Without signals, a date or a duration.

    Raises
    ------
    LogError
        Says what is wrong in which row and column, what is allowed and the remedy.
    """
    path = Path(path)
    figures, findings = read_figures(path)
    if figures.gauge and barometric_kpa is None:
        findings = (*findings, _barometer_assumed(figures.kept["intake_manifold_pressure"].column))
    return Log(
        name=path.name,
        start=None,
        duration_s=float("nan"),
        signals={},
        outside_kpa=STANDARD_PRESSURE_KPA if barometric_kpa is None else barometric_kpa,
        gauge=figures.gauge,
        findings=findings,
        figures=figures,
    )


def read_drive(path: str | Path) -> Log:
    """Read a file that is a log or a table of figures, whichever it looks like.

    Raises
    ------
    LogError
        As `read_log` or `read_kept`.
    """
    return read_kept(path) if is_figures(Path(path)) else read_log(path)


def with_outside_pressure(log: Log, outside_kpa: float) -> Log:
    """Return a log as it would have been read with another outside pressure.

    Parameters
    ----------
    log : Log
        Without a barometer of its own.
    outside_kpa : float
        [kPa]

    Returns
    -------
    Log
    """
    signals = dict(log.signals)
    findings = tuple(f for f in log.findings if f.code != "barometer-assumed")
    if log.gauge and (pressure := signals.pop("intake_manifold_pressure", None)):
        moved: np.ndarray = pressure.values + (outside_kpa - log.outside_kpa)  # noqa: PD011 - no frame's values
        above_nought, more = possible(replace(pressure, values=moved), LEAST_KPA)
        findings += tuple(more)
        if above_nought:
            signals[pressure.channel] = above_nought
    return replace(log, signals=signals, outside_kpa=outside_kpa, findings=findings)


def _choice(channel: str, said: Choice) -> tuple[tuple[str, ...], str | None]:
    """Take a settled column, or several names of it, in either form."""
    column, unit = (said.get("column"), said.get("unit")) if isinstance(said, Mapping) else said
    if not column:
        raise LogError(f"channels: {channel}: no column is named. Allowed: {{column: ..., unit: ...}}")
    return ((column,) if isinstance(column, str) else tuple(column)), unit


def _held(
    chosen: Mapping[str, tuple[tuple[str, ...], str | None]],
    headers: Sequence[Header],
    name: str,
    configured_elsewhere: Collection[str],
) -> dict[str, tuple[str, str | None]]:
    """Return the settled columns that a log has, and refuse one that no log has."""
    own = {header.text for header in headers}
    held: dict[str, tuple[str, str | None]] = {}
    for channel, (columns, unit) in chosen.items():
        here = next((column for column in columns if column in own), None)
        if here is not None:
            held[channel] = (here, unit)
        elif channel not in configured_elsewhere:
            raise LogError(
                f"{name}: experiment.yaml names the column {columns[0]!r}, but the log has no such column. "
                f"It has: {', '.join(repr(h.text) for h in headers[:40])}."
            )
    return held


def missing_channel(log: Log, channel: str) -> str:
    """Say that a channel is missing, with the columns it could be and the lines of YAML that would settle it."""
    candidates = [
        str(finding.evidence["column"])
        for finding in log.findings
        if finding.code == "column-unrecognised" and channel in finding.evidence["closest"]
    ]
    words = channel.replace("_", " ")
    held = ", ".join(f"{s.column!r} (read as {c})" for c, s in log.signals.items())
    message = f"{log.name}: no {words} column was recognised. Recognised: {held or 'none'}."
    if candidates:
        return (
            f"{message} Going by unit and values, it could be {', '.join(map(repr, candidates[:8]))}. If so, "
            f"add this to experiment.yaml:\nchannels:\n{settling_line(channel, candidates[0])}"
        )
    left = ", ".join(map(repr, log.unknown_columns[:8]))
    unread = f" None of the others fits, going by unit and values ({left})." if left else ""
    return (
        f"{message}{unread} If a column does hold it, name that column in experiment.yaml:\n"
        f"channels:\n{settling_line(channel, '...')}"
    )


# --- columns ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Column:
    header: Header
    time_s: np.ndarray
    numbers: np.ndarray
    unreadable: int
    period_s: float
    resolution: float


def _columns(table: Table, name: str) -> tuple[TimeAxis, list[_Column]]:
    table = _in_one_time(table)
    long = _long_columns(table)
    if long is None:
        axis = time_axis(table, name)
        return axis, _columns_of_wide(table, axis, name)
    codes, names = pd.factorize(table.texts(long[0]))
    if len(names) > MAX_COLUMNS:
        raise LogError(f"{name}: {len(names)} signals. The limit is {MAX_COLUMNS}. Log fewer signals.")
    names = pd.Index(distinct([str(text) for text in names]))
    axis = time_axis(table, name, groups=codes)
    return axis, _columns_of_long(table, axis, long, codes, names, name)


def _in_one_time(table: Table) -> Table:
    """Turn pairs of columns, each a time and its own signal, into rows of time, name and value."""
    pairs = timed_pairs(table)
    if not pairs:
        return table
    headers = table.layout.headers
    times, values = (np.concatenate([table.numbers(pair[k])[0] for pair in pairs]) for k in (0, 1))
    names = np.repeat([headers[value] for _, value in pairs], len(table))
    known = np.isfinite(times) & np.isfinite(values)
    layout = replace(table.layout, headers=(headers[pairs[0][0]], "Signal", "Value"), units=())
    return Table(layout, tuple((pd.Series(part[known]),) for part in (times, names, values)), table.findings)


def _columns_of_wide(table: Table, axis: TimeAxis, name: str) -> list[_Column]:
    layout = table.layout
    all_rows = len(axis.rows) == len(table) and bool(axis.rows[0] == 0)

    def read(k: int) -> tuple[np.ndarray, int]:
        values, unreadable = table.numbers(k)
        values = values if all_rows else values[axis.rows]
        kept = _without_damage(values)
        damaged = 0 if kept is values else int(np.count_nonzero(np.isnan(kept) & ~np.isnan(values)))
        return kept, unreadable + damaged

    places = [k for k, text in enumerate(layout.headers) if text not in axis.source.columns]
    columns = in_threads(read, places, rows=len(table))
    _refuse_filled_with_zeros([values[:SAMPLED] for values, _ in columns], name)
    measured = refreshes([values for values, _ in columns])
    every_row_s = period_of(axis.seconds)  # the same for each signal that is fresh in every row

    def settle(n: int) -> _Column:
        (values, unreadable), rows, k = columns[n], measured[n], places[n]
        said = layout.units[k] if k < len(layout.units) else None
        header = _header(layout.headers[k], said, table.sample(k, 1))
        if header.unit is not None and not table.is_numeric(k):
            endings = table.texts(k).str.extract(_ENDING, expand=False)
            _refuse_two_units(header.text, endings.dropna().unique().tolist(), name)
        if rows is None:
            return _Column(header, axis.seconds, values, unreadable, every_row_s, resolution_of(values))
        time_s, values = axis.seconds[rows], values[rows]
        return _Column(header, time_s, values, unreadable, period_of(time_s), resolution_of(values))

    return in_threads(settle, range(len(places)), rows=len(table))


def _refuse_filled_with_zeros(columns: Sequence[np.ndarray], name: str) -> None:
    """Refuse rows that hold one signal and 0 for the others: whether a 0 was measured can't be known."""
    if len(columns) < LEAST_COLUMNS:
        return
    zeros, filled = (sum(np.count_nonzero(of(c)) for c in columns) for of in (lambda c: c == 0, np.isfinite))
    if zeros < MOSTLY_ZERO * filled * (1 - 1 / len(columns)):
        return
    alone = np.sum([np.nan_to_num(values) != 0 for values in columns], axis=0) <= 1
    lively = sum(bool(np.any(np.nan_to_num(values))) for values in columns)
    if alone.mean() > MOSTLY_ZERO and lively >= LEAST_COLUMNS:
        raise LogError(
            f"{name}: each row holds one signal and 0 for all the others, so a 0 that was measured can't be told from "
            "one that was not. Export the log with blanks, or with the last value repeated."
        )


def _refuse_two_units(text: str, cells: Iterable[str], name: str) -> None:
    """Refuse a column whose unit changes on the way: half of its values would be wrong."""
    said = {unit: cell for cell in cells if (unit := unit_in_cell(f"0 {cell}")) is not None}
    meant = {units: unit for unit in said if (units := parse_unit(unit))}
    if len(meant) > 1:
        raise LogError(
            f"{name}: the unit of {text!r} changes partway, from {' to '.join(map(repr, meant.values()))}. Export "
            "the log with one unit for each signal, or cut it where the unit changes."
        )


def _header(text: str, units_row: str | None, sample: pd.Series) -> Header:
    """Take a header apart; a unit that only the cells name counts as the units row's."""
    header = parse_header(text, units_row=units_row)
    if header.unit is None and len(sample) and not pd.api.types.is_numeric_dtype(sample):
        return parse_header(text, units_row=unit_in_cell(str(sample.iloc[0])))
    return header


def _without_damage(values: np.ndarray) -> np.ndarray:
    """Blank what no signal can be."""
    if max(np.fmax.reduce(values), -np.fmin.reduce(values)) > LARGEST:
        return np.where(np.abs(values) > LARGEST, np.nan, values)
    return values


_ENDING = r"^\s*[+-]?\d[\d.,]*\s?([^\d\s.,:;][^\d,;:]{0,9})$"  # the unit in "68 °F"
_NAME_WORDS = {
    "signal", "name", "parameter", "channel", "sensor", "item", "pid", "measurement", "variable", "key", "description",
}  # fmt: skip
_VALUE_WORDS = {"value", "reading", "val", "data", "wert", "valeur", "valor", "waarde", "valore"}
_STAMP = r"\d:\d|^\d{1,4}[-./]\d{1,2}[-./]\d"
_UNIT_WORDS = {"unit", "units", "einheit", "unite", "unidad", "eenheid", "unita"}


def _long_columns(table: Table) -> tuple[int, int, int | None] | None:
    """Find the name, value and unit columns of a long layout (time, signal, value), or None for a wide one."""
    headers = table.layout.headers
    if not 3 <= len(headers) <= 6:
        return None
    name = value = unit = None
    for k, header in enumerate(headers):
        sample = table.sample(k, 2000)
        words = parse_header(header).words | {token.lower() for token in tokens(header)}
        if sample.empty:
            continue
        if pd.api.types.is_numeric_dtype(sample):
            if words & _VALUE_WORDS or (value is None and name is not None):
                value = k
            continue
        text = sample.astype("string")
        plain = not text.head(100).map(is_number).any() and not text.head(100).str.contains(_STAMP, regex=True).any()
        if words & _VALUE_WORDS:
            value = k
        elif words & _UNIT_WORDS:
            unit = k
        elif plain and name is None and (words & _NAME_WORDS or 2 <= text.nunique() <= min(200, len(text) / 3)):
            name = k
    return (name, value, unit) if name is not None and value is not None else None


def _columns_of_long(
    table: Table, axis: TimeAxis, long: tuple[int, int, int | None], codes: np.ndarray, names: pd.Index, name: str
) -> list[_Column]:
    _, value, unit = long
    values, _ = table.numbers(value)
    values, codes = _without_damage(values)[axis.rows], codes[axis.rows]
    units = table.texts(unit).to_numpy(dtype=object, na_value="")[axis.rows] if unit is not None else None
    # One sort gives each signal's rows, in the order of time.
    order = np.argsort(codes, kind="stable")
    edges = np.searchsorted(codes[order], np.arange(len(names) + 1))
    raw = None if table.is_numeric(value) else table.texts(value).iloc[axis.rows]
    out = []
    for code, text in enumerate(names):
        rows = order[edges[code] : edges[code + 1]]
        good = rows[np.isfinite(values[rows])]
        if good.size:
            good = good[np.concatenate([[True], np.diff(axis.seconds[good]) > 0])]
        said = str(units[rows[0]]) if units is not None and rows.size else None
        if units is not None:
            _refuse_two_units(str(text), {str(unit) for unit in units[rows]}, name)
        header = _header(str(text), said, raw.iloc[rows[:1]] if raw is not None else pd.Series(dtype=float))
        unreadable = len(rows) - int(good.size)
        time_s, known = axis.seconds[good], values[good]
        out.append(_Column(header, time_s, known, unreadable, period_of(time_s), resolution_of(known)))
    return out


# --- signals ---------------------------------------------------------------------------------------------------


def _signals(columns: list[_Column], assignment: Assignment) -> tuple[dict[str, Signal], list[Finding]]:
    """Bring each assigned column to its channel's own unit."""
    by_text = {column.header.text: column for column in columns}
    findings: list[Finding] = []
    signals: dict[str, Signal] = {}
    fahrenheit = _warm_in_fahrenheit(assignment, by_text)
    air_c = _air_in_named_unit_c(assignment, by_text)
    for channel in sorted(assignment.column, key=list(CHANNELS).index):
        column = by_text[assignment.column[channel]]
        if not column.time_s.size:
            findings.append(_empty_column(channel, column.header.text))
            continue
        unit = assignment.unit[channel]
        if unit is None:
            unit = guess_unit(channel, column.numbers, fahrenheit=fahrenheit, air_c=air_c)
            findings.append(_unit_guess(channel, column.header.text, unit, against=fahrenheit))
        signal, more = possible(_signal(channel, column, unit), *POSSIBLE[CHANNELS[channel][0]])
        findings += more
        if signal is None:
            continue
        for sift in (_without_open_circuit, _without_spikes):
            signal, more = sift(signal)
            findings += more
        signals[channel] = signal
        if column.unreadable:
            findings.append(_unreadable_cells(column))
    return signals, findings


def possible(signal: Signal, low: float, high: float = np.inf) -> tuple[Signal | None, list[Finding]]:
    """Set aside impossible values: one damaged cell must not set the scale for all the others.

    Parameters
    ----------
    signal : Signal
    low, high : float
        In the signal's internal unit, both included.

    Returns
    -------
    Signal or None
        None where nothing is left.
    list of Finding
    """
    values = signal.values  # noqa: PD011 - no frame's values
    good = (values >= low) & (values <= high)
    if good.all():
        return signal, []
    count, words = int(np.count_nonzero(~good)), signal.channel.replace("_", " ")
    finding = Finding(
        code="values-impossible",
        severity="warning" if count > 0.01 * len(good) else "note",
        message=(
            f"Dropped {counted(count, 'value')} of {signal.column!r}: impossible as {words} in {signal.unit}. Either "
            "the log is damaged there, or the unit is wrong. If it is, give the right unit under channels."
        ),
        evidence={"channel": signal.channel, "column": signal.column, "cells": count, "of": len(good)},
    )
    if not good.any():
        return None, [finding]
    return replace(signal, time_s=signal.time_s[good], values=values[good]), [finding]


def _without_open_circuit(signal: Signal) -> tuple[Signal, list[Finding]]:
    """Set aside what a thermometer shows while its wire is broken; one that never shows anything else is left."""
    values = signal.values  # noqa: PD011 - no frame's values
    if CHANNELS[signal.channel][0] != "temperature" or not (broken := values <= OPEN_CIRCUIT_C).any():
        return signal, []
    if not np.median(values) > MILD_C:
        return signal, []
    share = float(broken.mean())
    finding = Finding(
        code="open-circuit",
        severity="warning" if share >= 0.05 else "note",
        message=(
            f"{signal.column!r} reads −40 °C or less for {percent(round(share, 3))} of the drive, as with a "
            "broken wire. Those readings were set aside. Check the plug and the sensor."
        ),
        evidence={"channels": [signal.channel], "shares": [round(share, 4)]},
    )
    return replace(signal, time_s=signal.time_s[~broken], values=values[~broken]), [finding]


def _without_spikes(signal: Signal) -> tuple[Signal, list[Finding]]:
    time_s, values = signal.time_s, signal.values  # noqa: PD011 - no frame's values
    spike = spikes(signal.channel, time_s, values)
    count = int(np.count_nonzero(spike))
    if not count:
        return signal, []
    first = int(np.argmax(spike))
    finding = Finding(
        code="spikes",
        severity="warning" if count > 0.01 * len(spike) else "note",
        message=(
            f"Set aside {counted(count, 'reading')} of {signal.column!r} far from the one before and the one after. A "
            f"loose contact or the logger can do that. The first is {values[first]:.0f} at {time_s[first]:.0f} s."
        ),
        evidence={"channel": signal.channel, "readings": count, "at_s": float(time_s[first])},
    )
    return replace(signal, time_s=time_s[~spike], values=values[~spike]), [finding]


def _without(signals: Mapping[str, Signal], channel: str) -> dict[str, Signal]:
    return {name: signal for name, signal in signals.items() if name != channel}


def _warm_in_fahrenheit(assignment: Assignment, by_text: Mapping[str, _Column]) -> bool:
    """Say whether a log's temperatures are in °F where they do not say: its others are, or its coolant must be."""
    named = [
        unit.name
        for channel, unit in assignment.unit.items()
        if unit is not None and CHANNELS[channel][0] == "temperature"
    ]
    if named:
        return named.count("degF") > len(named) / 2
    coolant = "engine_coolant_temperature"
    if coolant not in assignment.column:
        return False
    return guess_unit(coolant, by_text[assignment.column[coolant]].numbers).name == "degF"


def _air_in_named_unit_c(assignment: Assignment, by_text: Mapping[str, _Column]) -> float | None:
    """Return the usual temperature of the air outside or going in, from a column that names its unit [°C]."""
    for channel in ("ambient_air_temperature", "intake_air_temperature"):
        unit = assignment.unit.get(channel)
        if unit is not None and by_text[assignment.column[channel]].time_s.size:
            return unit.scale * float(np.nanmedian(by_text[assignment.column[channel]].numbers)) + unit.offset
    return None


def _signal(channel: str, column: _Column, unit: Unit) -> Signal:
    values = column.numbers
    plain = unit.scale == 1.0 and unit.offset == 0.0
    return Signal(
        channel=channel,
        column=column.header.text,
        unit=unit.name,
        time_s=column.time_s,
        values=values if plain else unit.scale * values + unit.offset,
        period_s=column.period_s,
        resolution=column.resolution * unit.scale,
    )


def period_of(time_s: np.ndarray) -> float:
    """Return the usual time between refreshes, also of a signal polled twice, at uneven times, in each cycle.

    Parameters
    ----------
    time_s : ndarray of float, shape (n,)
        Rising.

    Returns
    -------
    float
        Half the median time over two refreshes [s]; NaN for fewer than two.
    """
    if len(time_s) < 3:
        return float(time_s[1] - time_s[0]) if len(time_s) == 2 else float("nan")
    seen = time_s[:SAMPLED]
    return float(np.median(seen[2:] - seen[:-2])) / 2


def resolution_of(values: np.ndarray) -> float:
    """Return the step of a quantised signal: the usual smallest distance between two values that occur.

    Parameters
    ----------
    values : ndarray of float, shape (n,)

    Returns
    -------
    float
        In their unit; 0 where they are all the same.

    Notes
    -----
    Rounding in the log makes an even step look uneven (0.392 % written as 0.4), so the lower quartile is taken and not
    the least.
    """
    distinct = np.unique(values[:: max(1, len(values) // SAMPLED)])
    if len(distinct) < 2:
        return 0.0
    return float(np.round(np.quantile(np.diff(distinct), 0.25), 9))


def _outside_kpa(signals: Mapping[str, Signal], given_kpa: float | None) -> float | None:
    barometer = signals.get("barometric_pressure")
    return given_kpa if barometer is None else float(np.median(barometer.values))


def _absolute(
    pressure: Signal, header: Header, unit: Unit | None, outside_kpa: float | None
) -> tuple[Signal, list[Finding]]:
    """Add the outside pressure to a manifold pressure that counts from it, as its unit says or its values show."""
    said = f"{header.text} {header.unit or ''}".lower()
    gauge, absolute = (unit.gauge, unit.absolute) if unit is not None else (False, False)
    if not gauge and (absolute or "abs" in said or not looks_gauge(pressure.values)):
        return pressure, []
    findings = []
    guessed = not gauge and "gauge" not in said
    if outside_kpa is None:
        outside_kpa = STANDARD_PRESSURE_KPA
        findings.append(_barometer_assumed(pressure.column, pressure.unit if guessed else None))
    elif guessed and float(np.min(pressure.values)) >= 0:  # below nought it is no absolute pressure
        findings.append(_gauge_guess(pressure.column, pressure.unit, pressure.values))
    above: np.ndarray = outside_kpa + pressure.values  # noqa: PD011 - a signal's values are no frame's
    return replace(pressure, values=above), findings


# --- findings and refusals ---------------------------------------------------------------------------------------


def _check_chosen(chosen: Mapping[str, tuple[tuple[str, ...], str | None]]) -> None:
    for channel, (_, unit) in chosen.items():
        if channel not in CHANNELS:
            raise LogError(f"channels: {channel!r} is no channel. Allowed: {', '.join(CHANNELS)}")
        if unit is not None and unit_for(unit, channel) is None:
            raise LogError(f"channels: {channel}: unit {unit!r} does not fit. Allowed: {allowed_units(channel)}")


def _rival_findings(assignment: Assignment) -> list[Finding]:
    return [
        Finding(
            code="column-ambiguous",
            severity="note",
            message=(
                f"{', '.join(map(repr, others))} could also be {channel.replace('_', ' ')}. "
                f"{assignment.column[channel]!r} was used. To use another, add this to experiment.yaml:\n"
                f"channels:\n{settling_line(channel, others[0])}"
            ),
            evidence={"channel": channel, "used": assignment.column[channel], "others": list(others)},
        )
        for channel, others in assignment.rivals.items()
    ]


def _unknown_findings(assignment: Assignment, columns: Sequence[_Column]) -> list[Finding]:
    by_text = {column.header.text: column for column in columns}
    findings = []
    for header in assignment.unknown:
        column = by_text[header.text]
        fitting = suggested_channels(header, column.numbers[:SAMPLED], column.resolution)
        near = [channel for channel in fitting if channel not in assignment.column]
        hint = ""
        if near:
            line = settling_line(near[0], header.text)
            hint = f" If it is {near[0].replace('_', ' ')}, add this to experiment.yaml:\nchannels:\n{line}"
        findings.append(
            Finding(
                code="column-unrecognised",
                severity="note",
                message=f"Column {header.text!r} was not recognised, so it was not used.{hint}",
                evidence={"column": header.text, "closest": near},
            )
        )
    return findings


def settling_line(channel: str, column: str | Sequence[str]) -> str:
    """Return the line of YAML under ``channels:`` that settles a column, or one that logs name differently.

    It names no unit: what a log says about its own units counts, log by log, and a guess is reported.
    """
    names = [column] if isinstance(column, str) else list(column)
    return f"  {channel}: {{column: {json.dumps(names[0] if len(names) == 1 else names, ensure_ascii=False)}}}"


def _unit_conflicts(
    chosen: Mapping[str, tuple[tuple[str, ...], str | None]], headers: Sequence[Header]
) -> Iterator[Finding]:
    """Say where a unit that the person settled is another one than the log itself names."""
    for channel, (columns, given) in chosen.items():
        header = next((header for header in headers if header.text in columns), None)
        if header is None or header.unit is None or given is None:
            continue
        said, told = unit_for(header.unit, channel), unit_for(given, channel)
        if said is not None and told is not None and (said.scale, said.offset) != (told.scale, told.offset):
            yield Finding(
                code="unit-contradicted",
                severity="warning",
                message=(
                    f"{header.text!r}: experiment.yaml says {told.name}, the log itself says {said.name}. It was read "
                    f"as {told.name}. If the log is right, delete the unit under channels."
                ),
                evidence={"channel": channel, "settled": told.name, "logged": said.name},
            )


def _unit_guess(channel: str, column: str, unit: Unit, *, against: bool) -> Finding:
    against = against and unit.dimension == "temperature" and unit.name != "degF"
    why = " The log's other temperatures are in degF, but no engine has such values in degF." if against else ""
    miles = unit.name == "mph"  # a third of what is driven hangs on it
    if miles:
        line = settling_line(channel, column).removesuffix("}")
        why = f" If it is in km/h, add this to experiment.yaml:\nchannels:\n{line}, unit: km/h}}"
    return Finding(
        code="unit-assumed",
        severity="warning" if miles else "note",
        message=f"{column!r} has no unit in the log. It was read as {unit.name}.{why}",
        evidence={"channel": channel, "unit": unit.name},
    )


def _settled_both_ways(column: str, unit: str) -> str:
    """Return the lines of YAML that settle a pressure as gauge, or as absolute."""
    line = settling_line("intake_manifold_pressure", column).removesuffix("}")
    return f"channels:\n{line}, unit: {unit} gauge}}\nor, if it is absolute:\nchannels:\n{line}, unit: {unit} abs}}"


def _gauge_guess(column: str, unit: str, values: np.ndarray) -> Finding:
    low = float(np.quantile(values, 0.02))
    return Finding(
        code="pressure-read-as-gauge",
        severity="warning",
        message=(
            f"{column!r} drops to {low:.0f} kPa, too low for an absolute pressure, so it was read as gauge pressure. "
            f"To settle it, add this to experiment.yaml:\n{_settled_both_ways(column, unit)}"
        ),
        evidence={"low_kpa": round(low, 3)},
    )


def _barometer_assumed(column: str, guessed_unit: str | None = None) -> Finding:
    settle = ""
    if guessed_unit is not None:
        lines = _settled_both_ways(column, guessed_unit)
        settle = f" That it is a gauge's was judged by its values. To settle it, add this to experiment.yaml:\n{lines}"
    return Finding(
        code="barometer-assumed",
        severity="warning",
        message=(
            f"{column!r} is a gauge pressure, and nothing gives the outside pressure. "
            f"{STANDARD_PRESSURE_KPA:.1f} kPa was added. Give pressure_hpa for the session.{settle}"
        ),
        evidence={"added_kpa": STANDARD_PRESSURE_KPA},
    )


def _empty_column(channel: str, column: str) -> Finding:
    return Finding(
        code="column-empty",
        severity="warning",
        message=f"{column!r} was recognised as {channel.replace('_', ' ')}, but it holds no numbers.",
        evidence={"channel": channel, "column": column},
    )


def _unreadable_cells(column: _Column) -> Finding:
    return Finding(
        code="cells-unreadable",
        severity="note",
        message=f"Skipped {counted(column.unreadable, 'cell')} of {column.header.text!r} without a number.",
        evidence={"column": column.header.text, "cells": column.unreadable},
    )
