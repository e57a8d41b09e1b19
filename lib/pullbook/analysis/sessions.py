"""The drives of an experiment: each session with its log, its runs, its weather and what was noticed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pullbook.analysis.contradictions import CHARGE, SWAPPED, swapped, unit_contradictions
from pullbook.analysis.same_drive import Timed, one_drive, refuse_at_once, refuse_copies
from pullbook.errors import ExperimentError, Finding, LogError
from pullbook.physics.air import standard_pressure_kpa
from pullbook.reading.figures import is_figures
from pullbook.reading.gpx import read_track, with_track
from pullbook.reading.joined import joined
from pullbook.reading.logs import Log, missing_channel, read_kept, read_log, settling_line, with_outside_pressure
from pullbook.reading.metar import HIGHEST_M, LOWEST_M, weather_from_metar
from pullbook.reading.quality import doubtful_ambient, inspect
from pullbook.reading.sensor_place import engine_findings
from pullbook.runs.columns import NEEDS
from pullbook.runs.find import Runs, find_runs
from pullbook.runs.full_load import pedal_travel
from pullbook.runs.heat_soak import Idle, idle_soaks
from pullbook.runs.kept import kept_runs, outcomes_in, unchecked
from pullbook.runs.measures import INLET_CHANNELS, NO_REFERENCE, Surroundings, common_inlet
from pullbook.settings.experiment import FILE_NAME, PHASES, Experiment, Phase, Session
from pullbook.settings.outcomes import Outcome, speeds_of
from pullbook.text import enumerated

WHY_NO_CHARGE = ("which-intake-temperature", "no-boost")  # findings that explain it better than a list of columns
UNCHECKED_FIGURES = "figures-unchecked"
DEAD_SHARE = 0.5  # of a drive at -40 °C: that sensor measured nothing
# Under load these cannot keep one value; an inlet may, in steps of 1 °C, and a coolant by its thermostat.
NEVER_STEADY = ("charge_air_temperature", "compressor_outlet_temperature")
ZONE_SLACK = dt.timedelta(hours=14)  # what a place's clock differs from universal time at most


@dataclass(frozen=True, kw_only=True, eq=False)
class Drive:
    """One session: its log, its runs, its standstills and what was noticed.

    Attributes
    ----------
    session : Session
    log : Log
    runs : Runs
    idles : tuple of Idle
    inlet : str
        Where the inlet temperature comes from (`common_inlet`), the same in all sessions.
    findings : tuple of Finding
    day : int or None
        The day, counted from that of the first dated drive; None where neither session nor log tells.
    when : str
        For a person, when it was driven; empty where neither session nor log tells.
    """

    session: Session
    log: Log
    runs: Runs
    idles: tuple[Idle, ...]
    inlet: str
    findings: tuple[Finding, ...]
    day: int | None = None
    when: str = ""

    @property
    def driven(self) -> dt.date | None:
        """The day, by the session or else by the log; None where neither has one."""
        return self.session.date or (self.log.start.date() if self.log.start else None)


@dataclass(frozen=True, kw_only=True, eq=False)
class Reading:
    """A session's log as read, with what was noticed on the way.

    Attributes
    ----------
    session : Session
        With what its METAR says, where it did not say it itself.
    log : Log
    findings : tuple of Finding
    """

    session: Session
    log: Log
    findings: tuple[Finding, ...]


def read_drives(experiment: Experiment) -> list[Drive]:
    """Read every log, and find its runs with the pedal's travel over all of them.

    Raises
    ------
    PullbookError
        As `read_logs`.
    """
    return find_drives(experiment, read_logs(experiment))


def read_logs(experiment: Experiment) -> list[Reading]:
    """Read every log; a settled column has to be in one of them, the others may go by their words.

    Raises
    ------
    PullbookError
        When a log, a track or a METAR is refused, or two logs hold the same drive or overlap in time.
    """
    channels = frozenset(experiment.channels)
    readings = [_read(experiment, session, channels) for session in experiment.sessions]
    for channel, settled in experiment.channels.items():
        if not any(s.column in settled.columns for reading in readings for s in reading.log.signals.values()):
            _read(experiment, experiment.sessions[0], channels - {channel})  # refuses, naming the log's columns
    readings = _with_settled_dates(experiment, readings)
    _check_dates(experiment, [reading.log for reading in readings])
    refuse_copies({reading.session.name: reading.log for reading in readings})
    refuse_at_once(timed((reading.session, reading.log) for reading in readings))
    return readings


def find_drives(experiment: Experiment, readings: Sequence[Reading]) -> list[Drive]:
    """Find the runs of logs that have been read, and leave out those that the experiment names.

    Protocol, marked and left-out runs are the experiment's; they may have been changed since the logs were read, what a
    log is read with (columns, weather) may not.

    Parameters
    ----------
    experiment : Experiment
    readings : sequence of Reading
        In the order of the experiment's sessions.

    Raises
    ------
    LogError
        When a pull marked by hand lies outside its log or over another.
    """
    return left_out(experiment, found_drives(experiment, readings))


def left_out(experiment: Experiment, drives: Sequence[Drive]) -> list[Drive]:
    """Return drives from `found_drives` without the runs that the experiment leaves out."""
    told = []
    for chosen, drive in zip(experiment.sessions, drives, strict=True):
        runs = drive.runs.leave_out(chosen.leave_out)
        strays = runs.findings[len(drive.runs.findings) :]
        session = drive.session.model_copy(update={"leave_out": chosen.leave_out})
        told.append(replace(drive, session=session, runs=runs, findings=(*drive.findings, *strays)))
    return told


def found_drives(experiment: Experiment, readings: Sequence[Reading]) -> list[Drive]:
    """Find the runs as `find_drives`, with none left out: that part costs most, and few choices change it.

    Raises
    ------
    LogError
        As `find_drives`.
    """
    logs = [reading.log for reading in readings]
    travel = pedal_travel(logs)
    inlet = common_inlet(logs, [reading.session.ambient_c for reading in readings])
    drives = []
    for chosen, reading in zip(experiment.sessions, readings, strict=True):
        session = reading.session.model_copy(update={"marked_pulls": chosen.marked_pulls, "leave_out": {}})
        log = reading.log
        if log.figures is not None:
            if chosen.marks:
                raise LogError(
                    f"session {session.name}, marked_pulls: this session has figures and no log, so no stretch of it "
                    "can be marked. Take the marks out."
                )
            runs, noticed = kept_runs(log.figures), log.findings
        else:
            needed_kmh = speeds_of(experiment.outcome)
            try:
                runs = find_runs(log, experiment.protocol, travel=travel, needed_kmh=needed_kmh, marks=chosen.marks)
            except LogError as refusal:
                raise LogError(f"session {session.name}, {refusal}" if chosen.marks else str(refusal)) from None
            doubts = (*doubtful_ambient(log, session.ambient_c), *swapped(log, runs))
            noticed = (*inspect(log, experiment.protocol), *doubts)
        findings = (*reading.findings, *noticed, *runs.findings)
        drive = Drive(session=session, log=log, runs=runs, idles=idle_soaks(log), inlet=inlet, findings=findings)
        drives.append(replace(drive, when=drive.driven.isoformat() if drive.driven else ""))
    first = min((drive.driven for drive in drives if drive.driven), default=None)
    return [replace(d, day=(d.driven - first).days if d.driven and first else None) for d in drives]


def _read(experiment: Experiment, session: Session, settled: frozenset[str]) -> Reading:
    log = _read_log(experiment, session, settled)
    altitude, barometer = log.get("altitude"), log.get("barometric_pressure")
    altitude_m = session.altitude_m
    if altitude_m is None and altitude is not None:
        altitude_m = float(np.median(altitude.values))
    logged_kpa = None if barometer is None else log.outside_kpa
    told, findings = fill_weather(session, altitude_m=altitude_m, logged_kpa=logged_kpa)
    if barometer is None and told.pressure_hpa is not None:
        log = with_outside_pressure(log, told.pressure_hpa / 10)
    return Reading(session=told, log=log, findings=findings)


def _read_log(experiment: Experiment, session: Session, settled: frozenset[str]) -> Log:
    outside_kpa = surroundings_of(session).pressure_kpa
    if session.figures is not None:
        return read_kept(experiment.folder / session.figures, barometric_kpa=outside_kpa)
    paths = experiment.log_paths(session)
    if tables := [path for path in paths if is_figures(path)]:
        raise LogError(
            f"{tables[0].name}: a table of figures, not a log. Under the session {session.name!r} write figures: in "
            "place of log:"
        )
    log = joined(
        [
            read_log(
                path,
                channels={name: (c.columns, c.unit) for name, c in experiment.channels.items()},
                barometric_kpa=outside_kpa,
                configured_elsewhere=settled,
            )
            for path in paths
        ]
    )
    return with_track(log, read_track(experiment.folder / session.track)) if session.track else log


def fill_weather(
    session: Session, *, altitude_m: float | None, logged_kpa: float | None = None
) -> tuple[Session, tuple[Finding, ...]]:
    """Fill in what a session does not say of the air outside: by METAR, else the pressure as logged or by altitude.

    Parameters
    ----------
    session : Session
    altitude_m : float or None
        Where the drive was [m].
    logged_kpa : float, optional
        What the log's barometer shows.

    Returns
    -------
    Session
    tuple of Finding
        Findings about what was filled in.
    """
    if session.metar is None and session.pressure_hpa is None and logged_kpa is not None:
        return session.model_copy(update={"pressure_hpa": 10 * logged_kpa}), ()
    if session.metar is None:
        return _told_by_altitude(session, altitude_m)
    weather = weather_from_metar(session.metar, altitude_m=altitude_m)
    told = {
        "ambient_c": weather.temperature_c,
        "pressure_hpa": None if weather.pressure_kpa is None else 10 * weather.pressure_kpa,
        "humidity_pct": None if weather.humidity is None else 100 * weather.humidity,
        "wind_ms": weather.wind_ms,
    }
    missing = {name: value for name, value in told.items() if value is not None and getattr(session, name) is None}
    needed = weather.findings if "pressure_hpa" in missing else ()
    return session.model_copy(update=missing), needed


def _told_by_altitude(session: Session, altitude_m: float | None) -> tuple[Session, tuple[Finding, ...]]:
    """Take the pressure of the standard atmosphere: a thousand metres are 11 kPa, the weather moves it by 2 or 3."""
    if session.pressure_hpa is not None or altitude_m is None or not LOWEST_M <= altitude_m <= HIGHEST_M:
        return session, ()
    hpa = 10 * float(standard_pressure_kpa(altitude_m))
    finding = Finding(
        code="pressure-by-altitude",
        severity="note",
        message=(
            f"You gave no air pressure, so this uses the standard atmosphere at {round(altitude_m, -1):.0f} "
            f"m, {round(hpa):.0f} hPa. Weather moves that by 20 or 30 hPa. Give pressure_hpa for the session "
            "if you know it."
        ),
        evidence={"altitude_m": round(altitude_m, 1), "hpa": round(hpa, 1)},
    )
    return session.model_copy(update={"pressure_hpa": hpa}), (finding,)


def surroundings_of(session: Session, inlet: str | None = None) -> Surroundings:
    """Return what a session says of the air outside; ``inlet`` as in `Drive`."""
    return Surroundings(
        ambient_c=session.ambient_c,
        inlet=inlet,
        pressure_kpa=session.pressure_hpa / 10 if session.pressure_hpa else None,
        humidity=session.humidity_pct / 100 if session.humidity_pct is not None else None,
    )


def missing_for_outcome(experiment: Experiment, drives: list[Drive]) -> list[str]:
    """Say for each drive that lacks the outcome's own channel which column it could be."""
    outcome = experiment.outcome_spec
    if texts := _not_written_down(outcome, drives):
        return texts
    needed = NEEDS[outcome.name][:1] if outcome.name in NEEDS and outcome.name != "mean_inlet" else ()
    for channel in needed:
        lacking = [d for d in drives if channel not in d.log.sources]
        if lacking:
            texts.append(_missing(channel, lacking, engine_notes(experiment, drives)))
    if outcome.ambient == "rise" and not texts and drives[0].inlet == NO_REFERENCE:
        without = [d for d in drives if INLET_CHANNELS[0] not in d.log.sources] or drives
        texts.append(
            f"{_missing(INLET_CHANNELS[0], without, ())}\nThe rise needs the same reference in all sessions. "
            "Log this column in every drive, or note the air temperature in the shade [°C] under each "
            f"session in {FILE_NAME}, such as ambient_c: 14.0"
        )
    return texts or _not_measured(outcome, drives) or _in_other_units(experiment, drives)


def _not_written_down(outcome: Outcome, drives: Sequence[Drive]) -> list[str]:
    """Say which tables of figures do not hold the outcome, and what they can answer."""
    by_hand = [(d.session.name, outcomes_in(d.log.figures)) for d in drives if d.log.figures is not None]
    lacking = [name for name, given in by_hand if outcome.name not in given]
    if not lacking:
        return []
    common = [name for name in by_hand[0][1] if all(name in given for _, given in by_hand)]
    return [
        f"{', '.join(lacking)}: the figures there hold no {outcome.label} ({outcome.name}). Add it to the tables, or "
        f"ask about what they do hold, under outcome: in {FILE_NAME}: {', '.join(common) or 'nothing in common'}."
    ]


def _not_measured(outcome: Outcome, drives: Sequence[Drive]) -> list[str]:
    """Say which drives hold a sensor of the outcome that measured nothing, or another thing than its column says."""
    why: dict[str, list[tuple[str, str]]] = {}
    for drive in drives:
        behind = set(outcome.sensors) - (set(INLET_CHANNELS) - {drive.inlet})
        for finding in drive.findings:
            channels, shares = finding.evidence.get("channels", []), finding.evidence.get("shares", [])
            dead = [c for c, share in zip(channels, shares, strict=False) if share >= DEAD_SHARE]
            if finding.code == "signal-frozen":
                dead = [c for c in channels if c in NEVER_STEADY]
            if finding.code == SWAPPED or (finding.code == "unit-doubtful" and "step_k" in finding.evidence):
                dead = channels or [finding.evidence["channel"]]
            colder = finding.code == "unit-doubtful" and "hottest_c" in finding.evidence and outcome.ambient == "rise"
            if colder or set(dead) & behind:
                why.setdefault(finding.code, []).append((drive.session.name, finding.message))
    return [
        f"{', '.join(dict(told))}: {told[0][1]} The {outcome.label} depends on it, so these drives can't "
        f"answer. Correct that, take them out of {FILE_NAME}, or ask about a figure that doesn't depend on "
        "it."
        for told in why.values()
    ]


def _in_other_units(experiment: Experiment, drives: Sequence[Drive]) -> list[str]:
    """Say where the drives contradict each other about a unit that the outcome depends on."""
    if CHARGE not in experiment.outcome_spec.sensors:
        return []
    logs = [(drive.session.name, drive.log) for drive in drives if drive.log.figures is None]
    return unit_contradictions(logs, tuple(experiment.channels))


def _missing(channel: str, lacking: Sequence[Drive], engine: Sequence[Finding]) -> str:
    """Say once for all drives that a channel is missing, and why, where the logs show it."""
    where = ", ".join(drive.session.name for drive in lacking)
    if channel == "charge_air_temperature" and (known := [f for f in engine if f.code in WHY_NO_CHARGE]):
        return f"{where}: {known[0].message}"
    _, _, said = missing_channel(lacking[0].log, channel).partition(": ")
    return f"{where}: {said}"


def engine_notes(experiment: Experiment, drives: Sequence[Drive]) -> tuple[Finding, ...]:
    """Say what all logs together show of the engine and of where its intake temperature is measured."""
    logs = {d.session.name: d.log for d in drives if d.log.figures is None}
    return engine_findings(logs, settled=tuple(experiment.channels)) if logs else ()


def settling_lines(drives: Sequence[Drive | Log]) -> list[str]:
    """Return one line of YAML for each channel that a column which was not recognised could be, over all logs."""
    columns: dict[str, list[str]] = {}
    for finding in (f for drive in drives for f in drive.findings if f.code == "column-unrecognised"):
        for nearest in finding.evidence["closest"][:1]:
            names = columns.setdefault(nearest, [])
            if finding.evidence["column"] not in names:
                names.append(finding.evidence["column"])
    return [settling_line(channel, names) for channel, names in columns.items()]


def inlet_findings(drives: list[Drive]) -> tuple[Finding, ...]:
    """Say what serves as the inlet temperature where it is not the sensor before the compressor."""
    inlet = drives[0].inlet
    if inlet == INLET_CHANNELS[0]:
        return ()
    held = [d.session.name for d in drives if INLET_CHANNELS[0] in d.log.sources]
    stands = {
        INLET_CHANNELS[1]: "The logged outside temperature is used instead, in all sessions",
        NO_REFERENCE: "No other temperature is common to all sessions, so no correction is made",
    }.get(inlet, "The temperature you noted (ambient_c) is used instead, in all sessions")
    only = f"Only {', '.join(held)} has the inlet temperature" if held else "No log has the inlet temperature"
    return (
        Finding(
            code="inlet-reference",
            severity="warning" if held else "note",
            message=f"{only}. {stands}.",
            evidence={"reference": inlet, "logged_in": held},
        ),
    )


def day_findings(drives: Sequence[Drive]) -> tuple[Finding, ...]:
    """Say which sessions of a phase were driven on one day, and where nobody can know.

    Parameters
    ----------
    drives : sequence of Drive

    Returns
    -------
    tuple of Finding
        ``same-day``, and ``day-unknown`` where a phase has a drive without a date beside another.
    """
    together = same_day((drive.session.phase, drive.session.name, drive.day) for drive in drives)
    sides = [drive.session.phase for drive in drives]
    unknown = [d.session.name for d in drives if d.day is None and sides.count(d.session.phase) > 1]
    if not unknown:
        return together
    if _order_unknown(drives):
        so = "any drive. So we can't check that those marked before came first, and"
    else:
        so = f"{enumerated(unknown)}, so"
    message = (
        f"No date is known for {so} each counts as a day of its own. If some of them were driven on one day, the "
        f"interval is too narrow: put date: YYYY-MM-DD under each session in {FILE_NAME}."
    )
    return (*together, Finding(code="day-unknown", severity="note", message=message, evidence={"sessions": unknown}))


def same_day(driven: Iterable[tuple[Phase, str, object]]) -> tuple[Finding, ...]:
    """Say which sessions of a phase have one day between them.

    Parameters
    ----------
    driven : iterable of (phase, str, object)
        Phase and name of each session, and its day in whatever form; None where it is not known.

    Returns
    -------
    tuple of Finding
        One, or none where every session has its own day.
    """
    days: dict[tuple[Phase, object], list[str]] = {}
    for phase, name, day in driven:
        if day is not None:
            days.setdefault((phase, day), []).append(name)
    shared = [names for names in days.values() if len(names) > 1]
    if not shared:
        return ()
    said = "; ".join(f"{enumerated(names)} were driven on the same day: they count as one day" for names in shared)
    message = f"{said}. More drives on one day say little about other days. Another day would narrow the interval."
    return (Finding(code="same-day", severity="warning", message=message, evidence={"sessions": shared}),)


def unchecked_findings(drives: Sequence[Drive]) -> tuple[Finding, ...]:
    """Say once what nobody can check: the order of drives without dates, and figures that were kept by hand."""
    return (*_undated_findings(drives), *_by_hand_findings(drives))


def _undated_findings(drives: Sequence[Drive]) -> tuple[Finding, ...]:
    if not _order_unknown(drives) or len(drives) > len(PHASES):  # more of them: `day_findings` says it
        return ()
    return (
        Finding(
            code="order-unchecked",
            severity="note",
            message=(
                "No session has a date, so the order could not be checked: whether the drives marked before came "
                "before those marked after. Put date: YYYY-MM-DD under each session."
            ),
        ),
    )


def _order_unknown(drives: Sequence[Drive]) -> bool:
    return all(drive.day is None for drive in drives) and {drive.session.phase for drive in drives} == set(PHASES)


def _by_hand_findings(drives: Sequence[Drive]) -> tuple[Finding, ...]:
    by_hand = [drive for drive in drives if drive.log.figures is not None]
    if not by_hand:
        return ()
    names = [drive.session.name for drive in by_hand]
    what = list(dict.fromkeys(words for drive in by_hand for words in unchecked(drive.log)))
    whose = "all figures" if len(by_hand) == len(drives) else f"the figures of {', '.join(names)}"
    return (
        Finding(
            code=UNCHECKED_FIGURES,
            severity="warning",
            message=(
                f"You wrote down {whose} by hand, and we take them as given. No log can check "
                f"{', '.join(what[:-1])} or {what[-1]}. If any of these differed between before and after, that "
                "counts as part of the change."
            ),
            evidence={"sessions": names, "unchecked": what},
        ),
    )


def cut_in_two(drives: Sequence[Drive]) -> tuple[Finding, ...]:
    """Say which sessions are one drive: one begins where the other ends."""
    return one_drive(timed((drive.session, drive.log) for drive in drives))


# --- dates -------------------------------------------------------------------------------------------------------


def timed(drives: Iterable[tuple[Session, Log]]) -> list[Timed]:
    """Return the drives whose clock can be trusted: not against the day of their session.

    Parameters
    ----------
    drives : iterable of (Session, Log)
    """
    return [
        Timed(
            name=session.name,
            phase=session.phase,
            start=log.start,
            end=log.start + dt.timedelta(seconds=log.duration_s),
            utc=log.time.utc,
        )
        for session, log in drives
        if log.start is not None and session.date in (None, log.start.date())
    ]


def _with_settled_dates(experiment: Experiment, readings: Sequence[Reading]) -> list[Reading]:
    """Decide what 3/4/2026 means, from the other logs, the sessions' own dates or the day of the service.

    Raises
    ------
    ExperimentError
        When the days from the service depend on it and nothing decides it.
    """
    undecided = [r for r in readings if r.log.time.month_first is not None and r.session.date is None]
    if not undecided:
        return [_as_dated(r) for r in readings]
    day_first = _day_first(experiment, readings)
    if day_first is None and experiment.service.date is not None:
        raise ExperimentError(_ask_for_dates(undecided))
    return [_dated(r, day_first) if r in undecided else _as_dated(r) for r in readings]


def _as_dated(reading: Reading) -> Reading:
    """Read a date that may be two days as the one that its session names."""
    log, day = reading.log, reading.session.date
    if log.time.month_first is None or log.time.month_first.date() != day:
        return reading
    return replace(reading, log=replace(log, start=log.time.month_first))


def _day_first(experiment: Experiment, readings: Sequence[Reading]) -> bool | None:
    """Return the order of day and month that all logs share, None where it stays open."""
    told = {r.log.time.day_first for r in readings} - {None}
    for r in readings:
        if r.log.time.month_first is not None and r.session.date is not None and r.log.start is not None:
            told |= {order for order in (True, False) if r.log.begins(day_first=order).date() == r.session.date}
    if len(told) == 1:
        return told.pop()
    serviced = experiment.service.date
    if serviced is None:
        return None
    fitting = [
        order
        for order in (True, False)
        if not any(
            _wrong_side(r.session, r.log.begins(day_first=order), serviced, utc=r.log.time.utc)
            for r in readings
            if r.log.start is not None
        )
    ]
    # Where neither fits, a phase or the service's date is wrong, and that is refused as such.
    return fitting[0] if len(fitting) == 1 else None if fitting else True


def _dated(reading: Reading, day_first: bool | None) -> Reading:
    """Put the right date into a log, or none and a warning where it is not known."""
    log = reading.log
    if day_first is not None:
        return replace(reading, log=replace(log, start=log.begins(day_first=day_first)))
    finding = Finding(
        code="date-ambiguous",
        severity="warning",
        message=(
            f"The log begins on {_either(log)}: the day or the month could come first. So no date is used. "
            f"Put the right one under the session {reading.session.name!r} in experiment.yaml: date: "
            f"{log.begins(day_first=True).date()}"
        ),
        evidence={
            "day_first": str(log.begins(day_first=True).date()),
            "month_first": str(log.begins(day_first=False).date()),
        },
    )
    return replace(reading, log=replace(log, start=None), findings=(*reading.findings, finding))


def _either(log: Log) -> str:
    days = (log.begins(day_first=True), log.begins(day_first=False))
    return " or ".join(f"{day.day} {day:%B %Y}" for day in days)


def _ask_for_dates(undecided: Sequence[Reading]) -> str:
    first = undecided[0]
    names = ", ".join(r.session.name for r in undecided)
    return (
        f"The logs of {names} write dates as numbers. {first.log.name} could begin on {_either(first.log)}, "
        "and both are on the right side of the service. Put the day of one drive into experiment.yaml, and "
        f"the others follow:\nsessions:\n  - name: {first.session.name}\n    date: "
        f"{first.log.begins(day_first=True).date()}"
    )


def _wrong_side(session: Session, start: dt.datetime, serviced: dt.date, *, utc: bool) -> bool:
    """Say whether a drive lies on the wrong side of the service; universal time gives it the benefit of the zone."""
    slack = ZONE_SLACK if utc else dt.timedelta()
    if session.phase == "after":
        return (start + slack).date() < serviced
    return (start - slack).date() > serviced


def _check_dates(experiment: Experiment, logs: list[Log]) -> None:
    serviced = experiment.service.date
    if serviced is None:
        return
    faults = [
        f"session {session.name!r} is in {session.phase!r}, but its log begins on {log.start.date()}, "
        f"{'before' if session.phase == 'after' else 'after'} the service on {serviced}"
        for session, log in zip(experiment.sessions, logs, strict=True)
        if log.start is not None and _wrong_side(session, log.start, serviced, utc=log.time.utc)
    ]
    if faults:
        raise ExperimentError("\n".join([*faults, "Correct the phase or the service's date in experiment.yaml."]))
