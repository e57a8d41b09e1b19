"""Read a log: each signal in its own units, at the times it was really measured."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from pullbook import refresh
from pullbook.channels import (
    CHANNELS,
    STANDARD_PRESSURE_KPA,
    Assignment,
    Header,
    Unit,
    allowed_units,
    assign,
    closest_channels,
    guess_unit,
    looks_gauge,
    parse_header,
    unit_for,
)
from pullbook.clock import TimeAxis, time_axis
from pullbook.errors import Finding, LogError
from pullbook.tables import Table, is_number, read_table, to_numbers

GAP_PERIODS = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Signal:
    """One channel of a log at the times it was refreshed.

    Parameters
    ----------
    channel : str
        Contract name, such as ``vehicle_speed``.
    column : str
        Header of the column it came from.
    unit : str
        Unit of the log's column; the values are held in the channel's internal unit.
    time_s : ndarray of float, shape (n,)
        Seconds since the log's first stamp, strictly rising.
    values : ndarray of float, shape (n,)
        In the internal unit.
    period_s : float
        Median time between refreshes.
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
        """Longest time between refreshes that may be bridged by a straight line."""
        return GAP_PERIODS * self.period_s

    def at(self, time_s: np.ndarray | float) -> np.ndarray:
        """Interpolate between refreshes; NaN outside the signal and inside a gap.

        Parameters
        ----------
        time_s : float or ndarray of float
            Seconds since the log's first stamp.
        """
        wanted = np.atleast_1d(np.asarray(time_s, dtype=float))
        after = np.searchsorted(self.time_s, wanted, side="left").clip(0, len(self.time_s) - 1)
        before = np.where(self.time_s[after] == wanted, after, np.maximum(after - 1, 0))
        value: np.ndarray = np.interp(wanted, self.time_s, self.values, left=np.nan, right=np.nan)
        value[self.time_s[after] - self.time_s[before] > self.max_gap_s] = np.nan
        return value

    def within(self, start_s: float, end_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Return times and values of the refreshes in ``[start_s, end_s]``."""
        low, high = np.searchsorted(self.time_s, [start_s, end_s], side="left")
        high += int(high < len(self.time_s) and self.time_s[high] == end_s)
        return self.time_s[low:high], self.values[low:high]


@dataclass(frozen=True, kw_only=True, eq=False)
class Log:
    """One drive as logged.

    Parameters
    ----------
    name : str
        File name.
    start : datetime or None
        First stamp, when the log holds a date.
    duration_s : float
        From the first to the last stamp.
    signals : mapping of channel to Signal
    unknown_columns : tuple of str
        Columns that were not recognised.
    findings : tuple of Finding
    """

    name: str
    start: dt.datetime | None
    duration_s: float
    signals: Mapping[str, Signal]
    unknown_columns: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = field(default=())

    def get(self, channel: str) -> Signal | None:
        """Return a signal, or None if the log does not hold it."""
        return self.signals.get(channel)

    def need(self, channel: str) -> Signal:
        """Return a signal, or refuse with the two lines of YAML that would supply it."""
        signal = self.signals.get(channel)
        if signal is None:
            raise LogError(missing_channel(self, channel))
        return signal


def read_log(
    path: str | Path,
    *,
    channels: Mapping[str, tuple[str, str | None]] | None = None,
    barometric_kpa: float | None = None,
) -> Log:
    """Read a text log of any layout.

    Parameters
    ----------
    path : path
        ``.csv``, ``.tsv`` or ``.txt``, also ``.gz``.
    channels : mapping of channel to (column, unit or None), optional
        Columns that the person settled (``channels`` of ``experiment.yaml``).
    barometric_kpa : float, optional
        Outside pressure, to turn gauge into absolute pressure where the log has no barometric signal.

    Returns
    -------
    Log

    Raises
    ------
    LogError
        When no honest figure is possible: no table, no time, no column that can be used.
    """
    path = Path(path)
    chosen = dict(channels or {})
    _check_chosen(chosen)
    table = read_table(path)
    long = _long_columns(table)
    axis = time_axis(table, path.name, rows_are_signals=long is not None)
    columns = _columns_of_long(table, axis, long) if long else _columns_of_wide(table, axis)
    headers = [column.header for column in columns]
    missing = [text for text, _ in chosen.values() if text not in {h.text for h in headers}]
    if missing:
        raise LogError(
            f"{path.name}: experiment.yaml names the column {missing[0]!r}, which the log does not have. "
            f"Its columns: {', '.join(repr(h.text) for h in headers[:40])}."
        )
    assignment = assign(headers, chosen)
    findings = [*axis.findings, *_rival_findings(assignment), *_unknown_findings(assignment)]
    by_text = {column.header.text: column for column in columns}
    signals: dict[str, Signal] = {}
    gauge: list[str] = []
    for channel in sorted(assignment.column, key=list(CHANNELS).index):
        column = by_text[assignment.column[channel]]
        if not column.time_s.size:
            findings.append(_empty_column(channel, column.header.text))
            continue
        unit = assignment.unit[channel]
        if unit is None:
            unit = guess_unit(channel, column.values)
            findings.append(_unit_guess(channel, column.header.text, unit))
        values = unit.scale * column.values + unit.offset
        said = f"{column.header.text} {column.header.unit or ''}".lower()
        if channel == "intake_manifold_pressure" and (unit.gauge or ("abs" not in said and looks_gauge(values))):
            gauge.append(channel)
            if not unit.gauge:
                findings.append(_gauge_guess(column.header.text, values))
        signals[channel] = _signal(channel, column, unit, values)
        if column.unreadable:
            findings.append(_unreadable_cells(column))
    for channel in gauge:
        signals[channel], finding = _absolute(signals, channel, barometric_kpa)
        findings += finding
    if not signals:
        raise LogError(
            f"{path.name}: none of its columns was recognised ({', '.join(repr(h.text) for h in headers[:20])}). "
            "Name them under 'channels:' in experiment.yaml, such as\n"
            f'channels:\n  vehicle_speed: {{column: "{headers[0].text if headers else "..."}", unit: km/h}}'
        )
    return Log(
        name=path.name,
        start=axis.start,
        duration_s=float(axis.seconds[-1]),
        signals=signals,
        unknown_columns=tuple(h.text for h in assignment.unknown),
        findings=tuple(findings),
    )


def missing_channel(log: Log, channel: str) -> str:
    """Say that a channel is missing, with the columns it could be and the lines of YAML that would settle it."""
    internal = CHANNELS[channel][1].replace("°C", "degC")
    dimension_fits = [c for c in log.unknown_columns if channel in closest_channels(parse_header(c), most=6)]
    candidates = dimension_fits or list(log.unknown_columns)
    words = channel.replace("_", " ")
    held = ", ".join(f"{s.column!r} (read as {c})" for c, s in log.signals.items())
    lines = f'channels:\n  {channel}: {{column: "{candidates[0] if candidates else "..."}", unit: {internal}}}'
    unread = f" Columns not recognised: {', '.join(map(repr, candidates[:8]))}." if candidates else ""
    return (
        f"{log.name}: no column was recognised as {words}. Recognised: {held or 'none'}.{unread} "
        f"If one of them holds it, say so in experiment.yaml:\n{lines}"
    )


# --- columns ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Column:
    header: Header
    time_s: np.ndarray
    values: np.ndarray
    unreadable: int


def _columns_of_wide(table: Table, axis: TimeAxis) -> list[_Column]:
    layout = table.layout
    columns: list[tuple[Header, np.ndarray, int]] = []
    for k, text in enumerate(layout.headers):
        if text in axis.columns:
            continue
        values, unreadable = to_numbers(table.frame[k], layout.decimal)
        units_row = layout.units[k] if k < len(layout.units) else None
        columns.append((parse_header(text, units_row=units_row), values[axis.rows], unreadable))
    filled = [np.isfinite(values) for _, values, _ in columns]
    # Held values are filled in nearly every row; sparse ones only where they were measured.
    held = [bool(f.any()) and f[np.argmax(f) :].mean() > 0.9 for f in filled]
    changes = [
        refresh.change_rows(numbers) if h else np.array([], dtype=int)
        for (_, numbers, _), h in zip(columns, held, strict=True)
    ]
    cycle = refresh.common_cycle([c for c, h in zip(changes, held, strict=True) if h])
    out = []
    for (header, values, unreadable), is_held, changed in zip(columns, held, changes, strict=True):
        if is_held:
            own = refresh.cycle_of(changed)
            lively = own is not None and np.median(np.diff(changed)) <= 3 * own
            rows = refresh.refresh_rows(values, changed, own if lively and own else cycle)
        else:
            rows = np.flatnonzero(np.isfinite(values))
        out.append(_Column(header, axis.seconds[rows], values[rows], unreadable))
    return out


_NAME_WORDS = {"signal", "name", "parameter", "channel", "sensor", "item", "pid", "measurement", "variable", "key", "description"}  # fmt: skip


def _long_columns(table: Table) -> tuple[int, int, int | None] | None:
    """Find the name, value and unit columns of a long layout (time, signal, value), or None for a wide one."""
    headers = table.layout.headers
    if not 3 <= len(headers) <= 6:
        return None
    name = value = unit = None
    for k, header in enumerate(headers):
        column = table.frame[k].dropna()
        words = parse_header(header).words
        if column.empty:
            continue
        if pd.api.types.is_numeric_dtype(column):
            if words & {"value", "reading", "val", "data"} or (value is None and name is not None):
                value = k
            continue
        sample = column.head(2000).astype("string")
        texts = (
            not sample.head(100).map(is_number).any() and not sample.head(100).str.contains(r"\d:\d", regex=True).any()
        )
        if words & {"value", "reading", "val"}:
            value = k
        elif words & {"unit", "units"}:
            unit = k
        elif texts and name is None and (words & _NAME_WORDS or 2 <= sample.nunique() <= min(200, len(sample) / 3)):
            name = k
    return (name, value, unit) if name is not None and value is not None else None


def _columns_of_long(table: Table, axis: TimeAxis, long: tuple[int, int, int | None]) -> list[_Column]:
    name, value, unit = long
    values, _ = to_numbers(table.frame[value], table.layout.decimal)
    values = values[axis.rows]
    codes, names = pd.factorize(table.frame[name].iloc[axis.rows].astype("string").str.strip())
    units = table.frame[unit].iloc[axis.rows].astype("string") if unit is not None else None
    out = []
    for code, text in enumerate(names):
        rows = np.flatnonzero(codes == code)
        said = units.iloc[rows].dropna().head(1).tolist() if units is not None else []
        good = rows[np.isfinite(values[rows])]
        first = np.concatenate([[True], np.diff(axis.seconds[good]) > 0]) if good.size else np.array([], dtype=bool)
        good = good[first]
        header = parse_header(str(text), units_row=said[0] if said else None)
        out.append(_Column(header, axis.seconds[good], values[good], len(rows) - len(good)))
    return out


# --- signals ---------------------------------------------------------------------------------------------------


def _signal(channel: str, column: _Column, unit: Unit, values: np.ndarray) -> Signal:
    steps = np.diff(column.time_s)
    return Signal(
        channel=channel,
        column=column.header.text,
        unit=unit.name,
        time_s=column.time_s,
        values=values,
        period_s=float(np.median(steps)) if steps.size else float("nan"),
        resolution=resolution_of(column.values) * unit.scale,
    )


def resolution_of(values: np.ndarray) -> float:
    """Return the step of a quantised signal: the usual smallest distance between two values that occur.

    Rounding in the log makes an even step look uneven (0.392 % written as 0.4), so the lower quartile is taken and not
    the least.
    """
    distinct = np.unique(values)
    if len(distinct) < 2:
        return 0.0
    return float(np.round(np.quantile(np.diff(distinct), 0.25), 9))


def _absolute(
    signals: Mapping[str, Signal], channel: str, barometric_kpa: float | None
) -> tuple[Signal, list[Finding]]:
    signal = signals[channel]
    findings: list[Finding] = []
    barometer = signals.get("barometric_pressure")
    if barometer is not None:
        outside = float(np.median(barometer.values))
    elif barometric_kpa is not None:
        outside = barometric_kpa
    else:
        outside = STANDARD_PRESSURE_KPA
        findings.append(
            Finding(
                code="barometer-assumed",
                severity="warning",
                message=(
                    f"{signal.column!r} counts from the outside pressure, which neither the log nor the session gives; "
                    f"{outside} kPa was added. Give pressure_hpa for the session."
                ),
                evidence={"added_kpa": outside},
            )
        )
    return (
        Signal(
            channel=channel,
            column=signal.column,
            unit=signal.unit,
            time_s=signal.time_s,
            values=signal.values + outside,
            period_s=signal.period_s,
            resolution=signal.resolution,
        ),
        findings,
    )


# --- findings and refusals ---------------------------------------------------------------------------------------


def _check_chosen(chosen: Mapping[str, tuple[str, str | None]]) -> None:
    for channel, (_, unit) in chosen.items():
        if channel not in CHANNELS:
            raise LogError(f"channels: {channel!r} is no channel; allowed: {', '.join(CHANNELS)}")
        if unit is not None and unit_for(unit, channel) is None:
            raise LogError(f"channels: {channel}: unit {unit!r} does not fit; allowed: {allowed_units(channel)}")


def _rival_findings(assignment: Assignment) -> list[Finding]:
    return [
        Finding(
            code="column-ambiguous",
            severity="note",
            message=(
                f"{', '.join(map(repr, others))} could be {channel.replace('_', ' ')} too; "
                f"{assignment.column[channel]!r} was used. To use another: "
                f'channels: {{{channel}: {{column: "{others[0]}"}}}}'
            ),
            evidence={"channel": channel, "used": assignment.column[channel], "others": list(others)},
        )
        for channel, others in assignment.rivals.items()
    ]


def _unknown_findings(assignment: Assignment) -> list[Finding]:
    findings = []
    for header in assignment.unknown:
        near = [c for c in closest_channels(header) if c not in assignment.column]
        hint = (
            f" If it is {near[0].replace('_', ' ')}, add to experiment.yaml:\nchannels:\n"
            f'  {near[0]}: {{column: "{header.text}", unit: {header.unit or CHANNELS[near[0]][1].replace("°C", "degC")}}}'
            if near
            else ""
        )
        findings.append(
            Finding(
                code="column-unrecognised",
                severity="note",
                message=f"Column {header.text!r} was not recognised and not used.{hint}",
                evidence={"column": header.text, "closest": near},
            )
        )
    return findings


def _unit_guess(channel: str, column: str, unit: Unit) -> Finding:
    return Finding(
        code="unit-assumed",
        severity="note",
        message=f"{column!r} names no unit; its values were read as {unit.name}.",
        evidence={"channel": channel, "unit": unit.name},
    )


def _gauge_guess(column: str, values: np.ndarray) -> Finding:
    low = float(np.quantile(values[np.isfinite(values)], 0.02))
    return Finding(
        code="pressure-read-as-gauge",
        severity="warning",
        message=(
            f"{column!r} falls to {low:.0f} kPa, too low for an absolute pressure, so it was read as counted from the "
            "outside pressure. If that is wrong, name the unit with 'abs' under channels."
        ),
        evidence={"low_kpa": round(low, 3)},
    )


def _empty_column(channel: str, column: str) -> Finding:
    return Finding(
        code="column-empty",
        severity="warning",
        message=f"{column!r} was recognised as {channel.replace('_', ' ')} but holds no number.",
        evidence={"channel": channel, "column": column},
    )


def _unreadable_cells(column: _Column) -> Finding:
    return Finding(
        code="cells-unreadable",
        severity="note",
        message=f"{column.unreadable} cells of {column.header.text!r} hold no number and were passed over.",
        evidence={"column": column.header.text, "cells": column.unreadable},
    )
