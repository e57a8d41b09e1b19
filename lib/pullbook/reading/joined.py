"""One drive that left several logs, joined in time; what nobody logged in between stays a gap."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from pullbook.errors import Finding, LogError
from pullbook.reading.logs import Log, Signal, period_of
from pullbook.text import counted

LONGEST_HOLE = dt.timedelta(hours=6)  # with a longer stop it is another drive, cold again (common practice, no source)
OWN_SESSIONS = "Give each log a session of its own, or leave one out."


def joined(logs: Sequence[Log]) -> Log:
    """Join the logs of one drive by the clock in them.

    Parameters
    ----------
    logs : sequence of Log
        In any order.

    Returns
    -------
    Log
        Counted from the first stamp of the earliest. Nothing is interpolated into the holes: a signal has no refresh
        there, and `Signal.at` bridges no gap.

    Raises
    ------
    LogError
        When one has no date, they overlap, they lie further apart than one drive does, or a channel does not come from
        the same column in the same unit in all of them.
    """
    if len(logs) == 1:
        return logs[0]
    starts, day_first = _starts(logs)
    order = sorted(range(len(logs)), key=lambda k: starts[k])
    logs, starts = [logs[k] for k in order], [starts[k] for k in order]
    offsets = [(start - starts[0]).total_seconds() for start in starts]
    holes = [offsets[k] - offsets[k - 1] - logs[k - 1].duration_s for k in range(1, len(logs))]
    _refuse_apart(logs, holes)
    _refuse_unlike(logs)
    signals = {channel: _signal([log.signals[channel] for log in logs], offsets) for channel in logs[0].signals}
    first = logs[0]
    barometer = signals.get("barometric_pressure")
    return replace(
        first,
        start=starts[0] if day_first is not None else first.start,
        time=first.time if day_first is None else replace(first.time, day_first=day_first, month_first=None),
        name=", ".join(log.name for log in logs),
        duration_s=offsets[-1] + logs[-1].duration_s,
        signals=signals,
        outside_kpa=float(np.median(barometer.values)) if barometer else first.outside_kpa,
        unknown_columns=tuple(dict.fromkeys(column for log in logs for column in log.unknown_columns)),
        findings=(*_findings(logs, offsets), _joined_finding(logs, holes)),
    )


def _starts(logs: Sequence[Log]) -> tuple[list[dt.datetime], bool | None]:
    """Return when each begins, and whether the day comes first if one shows it; refuse uncertain dates."""
    if undated := [log.name for log in logs if log.start is None or log.time.day_only]:
        raise LogError(
            f"{', '.join(undated)}: no date and time of day in it, so it can't be joined with the drive's other logs. "
            f"Export it with absolute time. Or: {OWN_SESSIONS}"
        )
    if len({log.time.utc for log in logs}) > 1:
        raise LogError(
            f"{', '.join(log.name for log in logs)}: some count in universal time and some do not, so they can't be "
            f"joined. Export all of them the same way. Or: {OWN_SESSIONS}"
        )
    told = {log.time.day_first for log in logs if log.time.month_first is None} - {None}
    known = told.pop() if len(told) == 1 else None
    read = {order: [log.begins(day_first=order) for log in logs] for order in (True, False)}
    apart = {tuple(start - min(starts) for start in starts) for starts in read.values()}
    if known is None and len(apart) > 1:
        raise LogError(
            f"{', '.join(log.name for log in logs)}: their dates don't show whether the day or the month comes first, "
            "and the time between them depends on it. Export them with dates such as 2026-03-20."
        )
    return read[known is not False], known


def _refuse_apart(logs: Sequence[Log], holes: Sequence[float]) -> None:
    for (earlier, later), hole in zip(pairwise(logs), holes, strict=True):
        names = f"{earlier.name} and {later.name}"
        if hole <= 0:
            raise LogError(
                f"{names} overlap by {-hole:.1f} s. One drive's logs follow one another. If they are two copies, leave "
                "one out of the list; if two loggers ran at once, use one of them."
            )
        if hole > LONGEST_HOLE.total_seconds():
            raise LogError(
                f"{names} are {hole / 3600:.1f} h apart; logs of one drive are joined up to "
                f"{LONGEST_HOLE.total_seconds() / 3600:.0f} h. {OWN_SESSIONS}"
            )


def _refuse_unlike(logs: Sequence[Log]) -> None:
    """Refuse a channel that is not the same column in the same unit all through."""
    first = logs[0]
    for log in logs[1:]:
        for channel in dict.fromkeys((*first.signals, *log.signals)):
            ours, theirs = first.get(channel), log.get(channel)
            if ours is None or theirs is None:
                has, lacks = (first, log) if theirs is None else (log, first)
                raise LogError(
                    f"{has.name} has the {channel.replace('_', ' ')}, and {lacks.name} has not. Logs of one drive must "
                    f"hold the same channels. {OWN_SESSIONS}"
                )
            if (ours.column, ours.unit) != (theirs.column, theirs.unit):
                raise LogError(
                    f"{channel.replace('_', ' ')} is {ours.column!r} in {ours.unit} in {first.name}, but "
                    f"{theirs.column!r} in {theirs.unit} in {log.name}. Export both the same way. Or: {OWN_SESSIONS}"
                )
        if first.gauge != log.gauge:
            raise LogError(
                f"{first.name} and {log.name}: the manifold pressure was read as gauge in one and as absolute in the "
                "other. Say which under channels: put 'abs' or 'gauge' after the unit."
            )


def _signal(parts: Sequence[Signal], offsets: Sequence[float]) -> Signal:
    time_s = np.concatenate([part.time_s + offset for part, offset in zip(parts, offsets, strict=True)])
    steps = [part.resolution for part in parts if part.resolution]
    return replace(
        parts[0],
        time_s=time_s,
        values=np.concatenate([part.values for part in parts]),
        period_s=period_of(time_s),
        resolution=min(steps, default=0.0),
    )


def _findings(logs: Sequence[Log], offsets: Sequence[float]) -> list[Finding]:
    """Return each log's findings; one that all share stands once, another names its log."""
    kept: list[Finding] = []
    shared = [f for f in logs[0].findings if all(f in log.findings for log in logs[1:])]
    for log, offset in zip(logs, offsets, strict=True):
        for finding in log.findings:
            if finding in shared:
                continue
            evidence = dict(finding.evidence)
            if "at_s" in evidence:
                evidence["at_s"] += offset
            kept.append(replace(finding, message=f"{log.name}: {finding.message}", evidence=evidence))
    return [*shared, *kept]


def _joined_finding(logs: Sequence[Log], holes: Sequence[float]) -> Finding:
    longest = f"{max(holes):.0f} s" if len(holes) == 1 else f"up to {max(holes):.0f} s"
    return Finding(
        code="logs-joined",
        severity="note",
        message=(
            f"This drive left {counted(len(logs), 'log')}, joined by their clocks. The time between them ({longest}) "
            "is treated as a gap in one log: nothing is filled in."
        ),
        evidence={"logs": [log.name for log in logs], "holes_s": [round(hole, 3) for hole in holes]},
    )
