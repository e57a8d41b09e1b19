"""The data logger: which layout, how often, in which units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from pullbook.simulate.world import Floats, Header, Layout, TimeFormat, Trace


@dataclass(frozen=True)
class _Signal:
    """How a channel is written: its trade name, its abbreviation, its unit and the step the sensor has."""

    plain: str
    short: str
    unit: str
    step: float
    decimals: int


_SIGNALS = {
    "vehicle_speed": _Signal("Vehicle speed", "Speed", "km/h", 1.0, 0),
    "engine_speed": _Signal("Engine speed", "RPM", "rpm", 1.0, 0),
    "intake_air_temperature": _Signal("Intake air temperature", "IAT", "°C", 1.0, 0),
    "charge_air_temperature": _Signal("Charge air temperature", "CAC out", "°C", 1.0, 0),
    "compressor_outlet_temperature": _Signal("Compressor outlet temperature", "Comp out", "°C", 1.0, 0),
    "engine_coolant_temperature": _Signal("Engine coolant temperature", "ECT", "°C", 1.0, 0),
    "ambient_air_temperature": _Signal("Ambient air temperature", "AAT", "°C", 1.0, 0),
    "intake_manifold_pressure": _Signal("Intake manifold pressure", "MAP", "kPa", 1.0, 0),
    "barometric_pressure": _Signal("Barometric pressure", "Baro", "kPa", 1.0, 0),
    "air_mass_flow": _Signal("Air mass flow", "MAF", "g/s", 0.01, 2),
    "accelerator_position": _Signal("Accelerator position", "APP", "%", 0.1, 1),
    "engine_load": _Signal("Engine load", "Load", "%", 0.1, 1),
}

LOGGED = (
    "vehicle_speed",
    "engine_speed",
    "accelerator_position",
    "intake_manifold_pressure",
    "intake_air_temperature",
    "charge_air_temperature",
    "engine_coolant_temperature",
)
"""The channels the sample logs hold."""

_KMH_PER_MPH = 1.609344  # exact: the international yard, 1959
_KPA_PER_PSI = 6.894757  # NIST SP 811 (2008), appendix B.8
_MORNING = datetime(2026, 3, 14, 9, 30)


@dataclass(frozen=True, kw_only=True)
class LogStyle:
    """How a log is laid out.

    Attributes
    ----------
    layout, period_s, delimiter, decimal, time_format, header, imperial, names
        As for `record`.

    Raises
    ------
    ValueError
        When the delimiter is the decimal sign, or the period is not positive.
    """

    layout: Layout = "held"
    period_s: float = 1.0
    delimiter: str = ","
    decimal: str = "."
    time_format: TimeFormat = "clock"
    header: Header = "plain"
    imperial: bool = False
    names: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a layout that nobody could read."""
        if self.delimiter == self.decimal:
            raise ValueError(f"delimiter and decimal sign are both {self.decimal!r}. Give two different ones")
        if self.period_s <= 0.0:
            raise ValueError(f"period_s is {self.period_s}. It must be above 0")


def record(
    trace: Trace,
    *,
    rng: np.random.Generator,
    channels: Sequence[str] = LOGGED,
    period_s: float = 1.0,
    layout: Layout = "held",
    delimiter: str = ",",
    decimal: str = ".",
    time_format: TimeFormat = "clock",
    header: Header = "plain",
    imperial: bool = False,
    names: Mapping[str, str] | None = None,
    start: datetime = _MORNING,
) -> str:
    """Return the text of the log a data logger would have written.

    Parameters
    ----------
    trace : Trace
        The drive.
    rng : numpy.random.Generator
        Draws the jitter: each interval is within 10 % of the nominal one.
    channels : sequence of str
        Which, in the order polled.
    period_s : float
        How often each signal is refreshed [s].
    layout : {"sweep", "held", "sparse", "long"}
        ``sweep``: a row a period, all signals measured then. ``held``: one signal after the other is
        refreshed, a row each, and the others repeat their last value. ``sparse``: the same polling, with only
        the refreshed cell filled. ``long``: the same polling, in the columns time, signal, value, unit.
    delimiter, decimal : str
        Between cells, and in numbers. A clock keeps its point.
    time_format : {"seconds", "milliseconds", "clock", "iso"}
        ``seconds`` and ``milliseconds`` count from the start; ``clock`` is a time of day, which begins again
        at midnight; ``iso`` is date and time.
    header : {"plain", "short"}
        Words, or the abbreviations of the trade.
    imperial : bool
        Temperatures in °F, speed in mph, manifold pressure in psi gauge and barometric pressure in psi,
        instead of metric. The sensor's own metric step stays visible in them.
    names : mapping of str to str, optional
        The whole heading of a channel's column (the signal's name in ``long``), where it is to differ.
    start : datetime
        Date and time of the first instant of the trace.

    Returns
    -------
    str
        Lines end in a line feed.

    Raises
    ------
    ValueError
        If a channel is not known, or `delimiter` and `decimal` are the same.
    """
    style = LogStyle(
        layout=layout,
        period_s=period_s,
        delimiter=delimiter,
        decimal=decimal,
        time_format=time_format,
        header=header,
        imperial=imperial,
        names=names or {},
    )
    return log_text(trace, style, channels=channels, rng=rng, start=start)


def log_text(
    trace: Trace, style: LogStyle, *, channels: Sequence[str], rng: np.random.Generator, start: datetime
) -> str:
    """Return the text of a log in a style.

    Parameters
    ----------
    trace : Trace
    style : LogStyle
    channels, rng, start
        As for `record`.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If a channel is not known, or there is none.
    """
    unknown = sorted({*channels, *style.names} - set(_SIGNALS))
    if unknown or not channels:
        raise ValueError(f"cannot record {unknown or 'no channel'}; allowed: {', '.join(_SIGNALS)}")
    polled = style.layout != "sweep"
    interval_s = style.period_s / len(channels) if polled else style.period_s
    times = _jittered_times(trace.time_s[-1], interval_s, rng)
    stamps = [_stamp(t, style, start) for t in times.tolist()]
    every = len(channels) if polled else 1
    columns = [
        _cells(trace, channel, times[(index if polled else 0) :: every], style)
        for index, channel in enumerate(channels)
    ]
    write = {"sweep": _sweep_rows, "held": _held_rows, "sparse": _sparse_rows}
    time_unit = {"seconds": " [s]", "milliseconds": " [ms]"}.get(style.time_format, "")
    if style.layout == "long":
        heading = [f"time{time_unit}", "signal", "value", "unit"]
        rows = _long_rows(columns, len(stamps), [(_name(c, style), _unit(c, style)) for c in channels])
    else:
        heading = [f"Time{time_unit}", *(_heading(channel, style) for channel in channels)]
        rows = write[style.layout](columns, len(stamps))
    lines = [style.delimiter.join(heading)]
    lines += [style.delimiter.join((stamp, *row)) for stamp, row in zip(stamps, rows, strict=True)]
    return "\n".join(lines) + "\n"


def _jittered_times(end_s: float, interval_s: float, rng: np.random.Generator) -> Floats:
    most = int(end_s / (0.9 * interval_s)) + 2
    times = np.cumsum(interval_s * rng.uniform(0.9, 1.1, most))
    return np.asarray(times[times <= end_s], dtype=np.float64)


def _stamp(time_s: float, style: LogStyle, start: datetime) -> str:
    if style.time_format == "seconds":
        return f"{time_s:.3f}".replace(".", style.decimal)
    if style.time_format == "milliseconds":
        return f"{1000.0 * time_s:.0f}"
    moment = start + timedelta(milliseconds=round(1000.0 * time_s))
    if style.time_format == "clock":
        return moment.time().isoformat(timespec="milliseconds")
    return moment.isoformat(timespec="milliseconds")


def _cells(trace: Trace, channel: str, times: Floats, style: LogStyle) -> list[str]:
    """Measure a channel at the given times, in the steps of its sensor, and print it."""
    signal = _SIGNALS[channel]
    values = np.round(np.interp(times, trace.time_s, trace.channels[channel]) / signal.step) * signal.step
    decimals = signal.decimals
    if style.imperial and _unit(channel, style) != signal.unit:
        values, decimals = _to_imperial(values, channel, trace), 2 if signal.unit == "kPa" else 1
    # Adding zero turns a minus zero into zero.
    return [f"{value + 0.0:.{decimals}f}".replace(".", style.decimal) for value in values.tolist()]


def _to_imperial(values: Floats, channel: str, trace: Trace) -> Floats:
    unit = _SIGNALS[channel].unit
    if unit == "°C":
        return 1.8 * values + 32.0
    if unit == "km/h":
        return values / _KMH_PER_MPH
    gauge = channel == "intake_manifold_pressure"
    return (values - (trace.channels["barometric_pressure"][0] if gauge else 0.0)) / _KPA_PER_PSI


def _unit(channel: str, style: LogStyle) -> str:
    unit = _SIGNALS[channel].unit
    if not style.imperial:
        return unit
    if channel == "intake_manifold_pressure":
        return "psi gauge"
    return {"°C": "°F", "km/h": "mph", "kPa": "psi"}.get(unit, unit)


def _name(channel: str, style: LogStyle) -> str:
    signal = _SIGNALS[channel]
    return style.names.get(channel, signal.plain if style.header == "plain" else signal.short)


def _heading(channel: str, style: LogStyle) -> str:
    return style.names.get(channel, f"{_name(channel, style)} [{_unit(channel, style)}]")


_Rows = Iterator[Sequence[str]]


def _sweep_rows(columns: Sequence[Sequence[str]], count: int) -> _Rows:
    return iter(zip(*columns, strict=True))


def _held_rows(columns: Sequence[Sequence[str]], count: int) -> _Rows:
    shown = [""] * len(columns)
    for row in range(count):
        turn, index = divmod(row, len(columns))
        shown[index] = columns[index][turn]
        yield tuple(shown)


def _sparse_rows(columns: Sequence[Sequence[str]], count: int) -> _Rows:
    for row in range(count):
        turn, index = divmod(row, len(columns))
        yield [columns[index][turn] if other == index else "" for other in range(len(columns))]


def _long_rows(columns: Sequence[Sequence[str]], count: int, labels: Sequence[tuple[str, str]]) -> _Rows:
    for row in range(count):
        turn, index = divmod(row, len(columns))
        name, unit = labels[index]
        yield (name, columns[index][turn], unit)
