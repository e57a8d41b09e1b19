"""What `new` asks: each question has an option that answers it, and proposes what the logs show."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

from pydantic import BaseModel

from pullbook.commands.guess import (
    Guess,
    fuel_seen,
    place_seen,
    propose_outcome,
    propose_worthwhile,
    spec_of,
    units_seen,
    why_outcome,
)
from pullbook.commands.interview import Check, Interview, one_of
from pullbook.commands.sensors import Done, ask_sensors, sensors_behind
from pullbook.days import readings
from pullbook.errors import ExperimentError, Finding
from pullbook.quantities import METRIC, US, Shown, System, typed
from pullbook.reading.logs import Log
from pullbook.reading.sensor_place import INLET
from pullbook.settings.experiment import (
    UNDESCRIBED,
    Experiment,
    Sensor,
    SensorWork,
    Service,
    Session,
    Vehicle,
    accepted,
    fuel_meant,
)
from pullbook.settings.outcomes import in_kmh, nearest_outcome, outcome_named, outcomes_in_words

USUAL_OUTCOMES = (
    "The usual three: peak_rise, the most that the charge gets above the air going in during a pull; rise_at {name}, "
    "the same as the pull passes {speed}; mean_rise, the same in a steady cruise. A wrong name lists them all."
)
Place = Literal["before", "after"]


@dataclass(frozen=True, kw_only=True)
class Given:
    """Answers given as options, as typed; None or empty where the option was not used.

    Attributes
    ----------
    title, vehicle, fuel, service, date, odometer, outcome, worthwhile, sensor, date_order, units : str or None
    days : mapping of str to str
        When each session was driven, by its name, where its log has no date.
    pressure : mapping of str to str
        Outside pressure, by the session's name.
    ambient : mapping of str to str
        Air in the shade, by the session's name.
    work : mapping of str to str
        What was done to sensors, by channel.
    """

    title: str | None = None
    vehicle: str | None = None
    fuel: str | None = None
    service: str | None = None
    date: str | None = None
    odometer: str | None = None
    outcome: str | None = None
    worthwhile: str | None = None
    sensor: str | None = None
    date_order: str | None = None
    units: str | None = None
    days: Mapping[str, str] = field(default_factory=dict)
    pressure: Mapping[str, str] = field(default_factory=dict)
    ambient: Mapping[str, str] = field(default_factory=dict)
    work: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One drive of a draft.

    Attributes
    ----------
    name : str
        Of its session.
    phase : {"before", "after"}
    log : Log
    day : date or None
        When it was driven, as far as is known.
    says_date : bool
        The log has no date, or leaves the order of day and month open, so the session has to say the day.
    """

    name: str
    phase: Literal["before", "after"]
    log: Log
    day: dt.date | None
    says_date: bool = False


@dataclass(frozen=True, kw_only=True)
class Answers:
    """What the draft will say, checked.

    Attributes
    ----------
    title, vehicle, fuel, service, outcome, worthwhile : str
        As typed or proposed.
    why_outcome : str
        Why it was proposed; empty where it is the person's own.
    units : {"metric", "us"}
        To show.
    fuel_reason : str
        What in the logs shows the fuel.
    date : date or None
    odometer : str or None
    sensor : {"before", "after"} or None
        Where the one intake sensor sits; None where the logs do not leave it open, or it is not settled.
    ambient, pressure : mapping of str to str
        Of the air, by the session's name.
    work : dict
        What was done to sensors, by channel.
    """

    title: str
    vehicle: str
    fuel: str
    fuel_reason: str
    service: str
    date: dt.date | None
    odometer: str | None
    sensor: Place | None
    outcome: str
    why_outcome: str
    worthwhile: str
    units: System
    ambient: Mapping[str, str]
    pressure: Mapping[str, str]
    work: Done


def date_order(phases: Sequence[str], logs: Sequence[Log], given: str | None, interview: Interview) -> bool | None:
    """Settle whether the day comes first in dates such as 3/4/2026; None without such dates, or where it stays open.

    Parameters
    ----------
    phases : sequence of str
        Of each log.
    logs : sequence of Log
    given : str or None
        ``day`` or ``month``.
    interview : Interview

    Raises
    ------
    ExperimentError
        When an order is given that no log leaves open, or is not one of the two.
    """
    left_open = [log for log in logs if log.time.month_first is not None]
    if not left_open:
        if given is not None:
            raise ExperimentError(
                "--date-order: the order of day and month is clear in every log. Leave the option out"
            )
        return None
    told = {log.time.day_first for log in logs} - {None}
    if len(told) == 1 and given is None:
        return told.pop()

    def fits(day_first: bool) -> bool:
        days = [(phase, started(log, day_first)) for phase, log in zip(phases, logs, strict=True)]
        before, after = ([day for p, day in days if p == phase and day] for phase in ("before", "after"))
        return not before or not after or max(before) <= min(after)

    fitting = [word for word, order in (("day", True), ("month", False)) if fits(order)]
    either = [day for order in (True, False) if (day := started(left_open[0], order))]
    answer = interview.answer(
        "Which comes first in the dates of these logs, day or month?",
        option="--date-order",
        given=given,
        check=one_of("day", "month"),
        proposal=fitting[0] if len(fitting) == 1 else None,
        note=f"{left_open[0].name} may begin on {' or '.join(f'{day.day} {day:%B %Y}' for day in either)}.",
    )
    return None if answer is None else answer.lower() == "day"


def started(log: Log, day_first: bool | None) -> dt.datetime | None:
    """Return when a log begins; None where it has no date, or where the order of day and month is open."""
    if log.time.month_first is None:
        return log.start
    return None if day_first is None else log.start if day_first else log.time.month_first


def order_shown(logs: Sequence[Log], settled: bool | None) -> bool | None:
    """Return whether the day comes first in dates such as 3/4/2026, as settled or as the logs show; None where open.

    Parameters
    ----------
    logs : sequence of Log
    settled : bool or None
        By `date_order`.
    """
    shown = {log.time.day_first for log in logs} - {None}
    return settled if settled is not None or len(shown) != 1 else shown.pop()


def _day_meant(text: str, day_first: bool | None) -> str:
    """Return a typed day with the year first where only the order of its numbers was open, else as typed."""
    days = readings(text)
    if day_first is None or len(set(days.values())) < 2:
        return text
    return days["d/m/y" if day_first else "m/d/y"].isoformat()


def with_days(
    drives: Sequence[Drawn], given: Given, interview: Interview, day_first: bool | None = None
) -> list[Drawn]:
    """Ask for the days of the drives whose logs have no date.

    Parameters
    ----------
    drives : sequence of Drawn
    given : Given
    interview : Interview
    day_first : bool or None
        In dates such as 3/4/2026, by `order_shown`.

    Raises
    ------
    ExperimentError
        When an option names no such session, or a day that is none.
    """
    _check_names("--driven", given.days, drives)
    known = []
    for drive in drives:
        if drive.day is None or drive.name in given.days:
            answer = interview.answer(
                f"Day of {drive.name} ({drive.log.name}), such as 2026-03-14",
                option=f"--driven {drive.name}",
                given=given.days.get(drive.name),
                check=lambda text: accepted(Session, "date", _day_meant(text, day_first)),
                proposal=None,
            )
            if answer is not None:
                day = accepted(Session, "date", _day_meant(answer, day_first))
                drive = replace(drive, day=day, says_date=True)
        known.append(drive)
    return known


def answers(
    drives: Sequence[Drawn],
    guess: Guess,
    engine: Sequence[Finding],
    given: Given,
    interview: Interview,
    *,
    sibling: Vehicle | None,
    propose: bool,
    title: str,
    day_first: bool | None = None,
) -> Answers:
    """Ask, or take options and proposals.

    Parameters
    ----------
    drives : sequence of Drawn
    guess : Guess
    engine : sequence of Finding
        What the logs show of the engine and the place of its sensors (`engine_findings`).
    given : Given
    interview : Interview
    sibling : Vehicle or None
        That of the experiments beside this one, where they all share one.
    propose : bool
        Whether what the logs only suggest (where the intake sensor sits, a sibling's vehicle) may be taken.
    title : str
        What the experiment is called if nobody says otherwise.
    day_first : bool or None
        In dates such as 3/4/2026, by `order_shown`.

    Raises
    ------
    ExperimentError
        When an option's value is not allowed.
    """
    logs = [drive.log for drive in drives]
    _check_names("--ambient", given.ambient, drives)
    _check_names("--pressure", given.pressure, drives)
    likely = sibling if propose else None
    units = _units(logs, given.units, interview)
    seen, reason = fuel_seen(logs)
    vehicle = interview.answer(
        "Vehicle: size, fuel, kind of cooler; no registration",
        option="--vehicle",
        given=given.vehicle,
        check=lambda text: accepted(Vehicle, "description", text),
        proposal=likely.description if likely else UNDESCRIBED,
    )
    fuel = interview.answer(
        "Fuel, diesel or petrol",
        option="--fuel",
        given=given.fuel,
        check=lambda text: accepted(Vehicle, "fuel", text),
        proposal=likely.fuel if likely else seen,
        note=f"Fuel: {reason}." if reason else "",
    )
    service = interview.answer(
        "Service: what was done, in a line",
        option="--service",
        given=given.service,
        check=lambda text: accepted(Service, "what", text),
        proposal=UNDESCRIBED,
    )
    proposed, between = _serviced(drives)
    date = interview.answer(
        "Day of the service, such as 2026-03-20",
        option="--date",
        given=given.date,
        check=lambda text: _service_day(_day_meant(text, day_first), drives),
        proposal=proposed,
        note=between,
    )
    odometer = interview.answer(
        f"Odometer at the service in {'miles' if units is US else 'km'}, or with its unit",
        option="--odometer",
        given=given.odometer,
        check=_within(Service, "odometer_km", "km", units),
        proposal=None,
    )
    sensor = _sensor_place(drives, engine, given.sensor, interview, propose=propose)
    boosted = all(finding.code != "no-boost" for finding in engine)
    proposed_outcome = propose_outcome(logs, guess, sensor=sensor, boosted=boosted, shown=units)
    name, speed = ("60 mph", "60 mph") if units is US else ("100", "100 km/h")
    usual = USUAL_OUTCOMES.format(name=name, speed=speed)
    why = f"Proposed: {proposed_outcome}. {units.text(why_outcome(proposed_outcome, guess, logs))}"
    outcome = interview.answer(
        "Outcome, the figure to compare",
        option="--outcome",
        given=given.outcome,
        check=_outcome,
        proposal=proposed_outcome,
        note=f"{why} {usual}",
    )
    assert outcome is not None  # something is always proposed
    taken = outcome == proposed_outcome and given.outcome is None
    return Answers(
        units=units.system,
        why_outcome=units.text(why_outcome(outcome, guess, logs)) if taken else "",
        vehicle=vehicle or UNDESCRIBED,
        fuel=fuel_meant(fuel or "diesel"),
        fuel_reason="" if given.fuel else reason,
        service=service or UNDESCRIBED,
        date=accepted(Service, "date", _day_meant(date, day_first)) if date else None,
        odometer=None if odometer is None else _in_units(odometer, "km", units),
        sensor=sensor,
        outcome=outcome,
        worthwhile=_worthwhile(outcome, logs, guess, given.worthwhile, interview, units),
        ambient=_weather(drives, given.ambient, interview, units, inlet=sensor != "after"),
        pressure=_pressure(drives, given.pressure, interview, units),
        work=_work(drives, outcome, given.work, interview),
        title=interview.answer(
            "Title of the page",
            option="--title",
            given=given.title,
            check=lambda text: accepted(Experiment, "title", text),
            proposal=title,
        )
        or title,
    )


def _check_names(option: str, given: Mapping[str, str], drives: Sequence[Drawn]) -> None:
    names = [drive.name for drive in drives]
    if wrong := [name for name in given if name not in names]:
        raise ExperimentError(f"{option}: there is no session {wrong[0]!r}; allowed: {', '.join(names)}")


def _serviced(drives: Sequence[Drawn]) -> tuple[str | None, str]:
    """Return the day of the service where the drives leave only one, and what they show."""
    before = [drive.day for drive in drives if drive.phase == "before" and drive.day]
    after = [drive.day for drive in drives if drive.phase == "after" and drive.day]
    if not before or not after:
        return None, ""
    last, first = max(before), min(after)
    return last.isoformat() if last == first else None, f"The service lies between {last} and {first}, by the logs."


def _service_day(text: str, drives: Sequence[Drawn]) -> None:
    day = accepted(Service, "date", text.strip())
    wrong = [
        f"{drive.name} was driven on {drive.day}"
        for drive in drives
        if drive.day and not drive.log.time.utc and (drive.day > day if drive.phase == "before" else drive.day < day)
    ]
    if wrong:
        raise ValueError(f"given {text!r}, but {', '.join(wrong)}. Correct the date or the phase")


def _sensor_place(
    drives: Sequence[Drawn], engine: Sequence[Finding], given: str | None, interview: Interview, *, propose: bool
) -> Place | None:
    """Settle where the one intake sensor sits, in logs that leave it open."""
    which = [finding for finding in engine if finding.code == "which-intake-temperature"]
    if not which:
        if given is not None:
            raise ExperimentError(
                "--sensor: these logs already show where each intake sensor sits. Leave the option out"
            )
        return None
    logs = [drive.log for drive in drives]
    answer = interview.answer(
        "The intake temperature sensor: before the compressor, or after the cooler? before or after",
        option="--sensor",
        given=given,
        check=one_of(*get_args(Place)),
        proposal=place_seen(logs) if propose else None,
        note=which[0].message.split("If it sits")[0],
    )
    return next((place for place in get_args(Place) if answer and place == answer.lower()), None)


def _outcome(text: str) -> None:
    name = in_kmh(text.strip())
    if outcome_named(name) is None:
        near = nearest_outcome(name)
        hint = f". Did you mean {near}?" if near else ""
        raise ValueError(f"given {text!r}; allowed: {outcomes_in_words()}{hint}")


def _units(logs: Sequence[Log], given: str | None, interview: Interview) -> Shown:
    """Ask for the units only where the logs are in US units."""
    seen = units_seen(logs)
    if given is None and seen == "metric":
        return METRIC
    answer = interview.answer(
        "Units to show: us (°F, mph, psi) or metric",
        option="--units",
        given=given,
        check=one_of(*get_args(System)),
        proposal=seen,
        note="The logs are in °F and mph.",
    )
    return US if answer and answer.lower() == "us" else METRIC


def _in_units(answer: str, unit: str, shown: Shown) -> str:
    """Return a number that a person typed with the unit it was asked in, where a setting would be read in another."""
    alone = re.fullmatch(r"[+−-]?[\d., '_]*\d", answer.strip())
    return f"{answer.strip()} {shown.unit(unit)}" if alone and shown.unit(unit) != unit else answer


def _within(model: type[BaseModel], key: str, unit: str, shown: Shown) -> Check:
    """Return a check of a setting with an internal unit; it takes a number alone, and says the range, as shown."""

    def check(text: str) -> None:
        meant = _in_units(text, unit, shown)
        try:
            accepted(model, key, meant)
        except ValueError as fault:
            field = model.model_fields[key]
            if shown is METRIC or not str(fault).endswith(f"allowed: {field.description}"):
                raise
            limits = [getattr(rule, end) for rule in field.metadata for end in ("ge", "le") if hasattr(rule, end)]
            low, high = shown.number(min(limits), unit, 0), shown.quantity(max(limits), unit, 0)
            raise ValueError(f"given {text!r}; allowed: {low} to {high}") from None

    return check


def _worthwhile(
    outcome: str, logs: Sequence[Log], guess: Guess, given: str | None, interview: Interview, shown: Shown
) -> str:
    spec = spec_of(outcome)
    unit = spec.change_unit

    def check(text: str) -> None:
        if not 0 < float(typed(_in_units(text, unit, shown), unit)) <= 1e4:
            raise ValueError(f"given {text!r}; allowed: above 0, in {shown.unit(unit)}")

    asked_in = "" if unit == "1" else f" in {shown.unit(unit)}"
    usual = None if given else propose_worthwhile(spec, logs, guess.protocol)
    answer = interview.answer(
        f"Worthwhile change{asked_in}: a smaller one makes no difference to you",
        option="--worthwhile",
        given=given,
        check=check,
        proposal=None if usual is None else _proposed(usual, unit, shown),
        note="" if unit == "K" or usual is None else "The proposal is 5 % of the median in these logs.",
    )
    if answer is None:
        raise ExperimentError(
            f"these logs do not give {outcome}, so there is no worthwhile change to suggest. Give --worthwhile"
            f"{'' if unit == '1' else f', in {shown.unit(unit)}'}, or another --outcome"
        )
    return _in_units(answer, unit, shown)


def _proposed(usual: float, unit: str, shown: Shown) -> str:
    if shown.unit(unit) != unit:
        return shown.brief(usual, unit)
    return f"{usual:.1f}" if unit == "K" else f"{usual:g}"


def _pressure(drives: Sequence[Drawn], given: Mapping[str, str], interview: Interview, shown: Shown) -> dict[str, str]:
    """Ask for the outside pressure where a boost gauge counts from it and the log does not hold it."""
    noted: dict[str, str] = {}
    of_day: dict[dt.date, str] = {}
    explained = False
    for drive in drives:
        assumed = any(finding.code == "barometer-assumed" for finding in drive.log.findings)
        if not assumed and drive.name not in given:
            continue
        answer = interview.answer(
            f"Outside pressure in {shown.unit('hPa')} where you drove (not reduced to sea level), {drive.name}",
            option=f"--pressure {drive.name}",
            given=given.get(drive.name),
            check=_within(Session, "pressure_hpa", "hPa", shown),
            proposal=of_day.get(drive.day) if drive.day else None,
            note="" if explained else "The log has boost as a gauge shows it: above the pressure outside.",
        )
        explained = True
        if answer is not None:
            noted[drive.name] = _in_units(answer, "hPa", shown)
            if drive.day:
                of_day[drive.day] = noted[drive.name]
    return noted


def _weather(
    drives: Sequence[Drawn], given: Mapping[str, str], interview: Interview, shown: Shown, *, inlet: bool
) -> dict[str, str]:
    """Ask for the air temperature where the log does not hold it; an answer is proposed for all drives of its day."""
    noted: dict[str, str] = {}
    of_day: dict[dt.date, str] = {}
    for drive in drives:
        if "ambient_air_temperature" in drive.log.sources and drive.name not in given:
            continue
        air = drive.log.get(INLET) if inlet else None
        coldest = f"; its inlet fell to {shown.quantity(air.values.min(), '°C', 0)}" if air is not None else ""
        when = f" ({drive.day})" if drive.day else ""
        answer = interview.answer(
            f"Air in the shade in {shown.unit('°C')}, {drive.name}{when}{coldest}",
            option=f"--ambient {drive.name}",
            given=given.get(drive.name),
            check=_within(Session, "ambient_c", "°C", shown),
            proposal=of_day.get(drive.day) if drive.day else None,
        )
        if answer is not None:
            noted[drive.name] = _in_units(answer, "°C", shown)
            if drive.day:
                of_day[drive.day] = noted[drive.name]
    return noted


def _work(drives: Sequence[Drawn], outcome: str, given: Mapping[str, str], interview: Interview) -> Done:
    """Say what was done to the sensors, once there is a drive from after the service."""
    if given:
        try:
            done: Done = accepted(Service, "sensors", dict(given))
        except ValueError:
            raise ExperimentError(
                f"--sensor-work: allowed are {', '.join(get_args(SensorWork))} for {', '.join(get_args(Sensor))}"
            ) from None
        return done
    if not any(drive.phase == "after" for drive in drives):
        return {}
    return ask_sensors(sensors_behind(outcome), interview)
