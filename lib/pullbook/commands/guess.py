"""What the logs of a draft show: the speeds of a protocol, and what can be proposed for each question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from pullbook.quantities import METRIC, US, Shown
from pullbook.reading.figures import Figures
from pullbook.reading.logs import Log
from pullbook.reading.sensor_place import INLET, sensor_place
from pullbook.runs.find import Run, Runs, find_runs
from pullbook.runs.full_load import pedal_travel
from pullbook.runs.goal import propose_rise_at
from pullbook.runs.kept import kept_measures, kept_runs, outcomes_in
from pullbook.runs.measures import Surroundings, measure
from pullbook.settings.experiment import Protocol
from pullbook.settings.outcomes import Outcome, in_kmh, outcome_named, speeds_of
from pullbook.text import counted

CHARGE = "charge_air_temperature"
VACUUM_KPA = 35.0  # below the outside pressure: a throttled engine idles there, a diesel does not (common practice)
MILE_KM = 1.609344
FAST_RPM = 5200.0  # where only petrol engines of cars turn (common practice, no source)
LEAST_GAIN_KMH = 30.0  # of a pull
RISE_AT_STEP = 5  # km/h, or mph where those are shown
WORTHWHILE_K = 2.0
WORTHWHILE_SHARE = 0.05


@dataclass(frozen=True, kw_only=True)
class Guess:
    """A protocol, and how much of it the logs show.

    Attributes
    ----------
    protocol : Protocol
    pulls : int
        Accelerations at full load that gain 30 km/h or more; with none the protocol's pull is only a start.
    part_throttle : str
        What one of those at part throttle lacked; empty without any.
    cruise : bool
        Whether a steady stretch was found; else the protocol's cruise is only a start.
    rise_at, rise_at_mph : int or None
        Speed [km/h], or [mph], that every usable pull passes (`propose_rise_at`); None where some figures have no log.
    written : int
        Pulls that a person wrote down.
    told_speeds : bool
        Whether what was written down says at which speeds they began and ended.
    counting : int
        Pulls found that count under the protocol.
    why_not : tuple of str
        Why the others among ``pulls`` do not, a reason each.
    """

    protocol: Protocol
    pulls: int
    part_throttle: str
    cruise: bool
    rise_at: int | None = None
    rise_at_mph: int | None = None
    written: int = 0
    told_speeds: bool = False
    counting: int = 0
    why_not: tuple[str, ...] = ()


def guess_protocol(logs: Sequence[Log]) -> Guess:
    """Guess the speeds of a protocol from the full-load spells and steady stretches that the logs hold."""
    travel = pedal_travel(logs)
    drives = [[p for p in runs.pulls if p.end_kmh - p.start_kmh >= LEAST_GAIN_KMH] for runs in _wide_runs(logs, travel)]
    pulls = [[p for p in drive if not p.part_throttle] for drive in drives]
    gains = [pull for drive in pulls for pull in drive]
    usual = Protocol()
    start, end = usual.pull_from_kmh, usual.pull_to_kmh
    if gains:
        start = float(5 * np.ceil(np.median([pull.start_kmh for pull in gains]) / 5))
        end = float(5 * np.floor(np.median([pull.end_kmh for pull in gains]) / 5))
    by_hand = [log.figures for log in logs if log.figures is not None]
    told = [_speeds_told(figures.rows) for figures in by_hand]
    if told and not gains and all(told):
        start, end = (float(np.median([pair[k] for pair in told if pair])) for k in (0, 1))
    cruise_kmh = _usual_cruise(logs, travel, [drive[0].start_s if drive else np.inf for drive in pulls])
    start = min(start, 200.0)
    protocol = Protocol(
        cruise_kmh=usual.cruise_kmh if cruise_kmh is None else cruise_kmh,
        pull_from_kmh=start,
        pull_to_kmh=min(max(end, start + 20), 300.0),
        marks_kmh=_marks_of(by_hand),
    )
    near = [p.reason for drive in drives for p in drive if p.part_throttle]
    usable = [
        pull for log in logs if log.get("vehicle_speed") for pull in find_runs(log, protocol, travel=travel).pulls
    ]
    refused = [pull for pull in usable if not pull.included and pull.end_kmh - pull.start_kmh >= LEAST_GAIN_KMH]
    return Guess(
        protocol=protocol,
        pulls=len(gains),
        counting=sum(pull.included for pull in usable),
        why_not=tuple(pull.reason for pull in refused if not pull.part_throttle),
        part_throttle=(near or [""])[0],
        cruise=cruise_kmh is not None,
        rise_at=None if by_hand else _round_speed(usable, protocol),
        rise_at_mph=None if by_hand else _round_speed(usable, protocol, one_kmh=MILE_KM),
        written=sum(int((figures.rows["kind"] == "pull").sum()) for figures in by_hand),
        told_speeds=bool(told) and all(told),
    )


def _round_speed(pulls: Sequence[Run], protocol: Protocol, *, one_kmh: float = 1.0) -> int | None:
    """Return the speed of `propose_rise_at` in steps of five of a unit of ``one_kmh``, in that unit."""
    kmh = propose_rise_at(pulls, protocol, step_kmh=RISE_AT_STEP * one_kmh)
    return None if kmh is None else round(kmh / one_kmh)


def _speeds_told(rows: pd.DataFrame) -> tuple[float, float] | None:
    """Return the usual speeds at which written-down pulls began and ended, rounded to 5 km/h; None where not given."""
    if not {"start_speed", "end_speed"} <= set(rows):
        return None
    pulls = rows.loc[rows["kind"] == "pull", ["start_speed", "end_speed"]].median()
    if not np.isfinite(pulls).all():
        return None
    return float(5 * np.ceil(pulls["start_speed"] / 5)), float(5 * np.floor(pulls["end_speed"] / 5))


def _marks_of(by_hand: Sequence[Figures]) -> tuple[float, ...] | None:
    """Return the speeds between which the written-down pulls were timed; None for the protocol's own."""
    times = [{name for name in figures.kept if name.startswith("elapsed_s ")} for figures in by_hand]
    shared = set.intersection(*times) if times else set()
    marks = sorted({speed for name in shared for speed in speeds_of(name)})
    return tuple(marks[:12]) if marks else None


def _wide_runs(logs: Sequence[Log], travel: tuple[float, float] | None, cruise_kmh: float = 90.0) -> list[Runs]:
    """Find the runs at any pull speeds, of the logs that hold a road speed."""
    wide = Protocol(cruise_kmh=cruise_kmh, pull_from_kmh=0, pull_to_kmh=20)
    return [find_runs(log, wide, travel=travel) for log in logs if log.get("vehicle_speed")]


def _usual_cruise(
    logs: Sequence[Log], travel: tuple[float, float] | None, first_pulls_s: Sequence[float]
) -> float | None:
    """Return the steady speed driven longest before the first pull. After a pull the engine still gives off its heat.

    None without any steady stretch.
    """

    def steady_s(kmh: float) -> tuple[float, float]:
        cool = total = 0.0
        for runs, first_s in zip(_wide_runs(logs, travel, kmh), first_pulls_s, strict=True):
            lengths = [(run.end_s - run.start_s, run.end_s <= first_s) for run in runs.cruises if run.included]
            total += sum(length for length, _ in lengths)
            cool += sum(length for length, early in lengths if early)
        return cool, total

    found = {float(kmh): steady_s(kmh) for kmh in range(50, 141, 10)}
    best = max(found, key=lambda kmh: found[kmh])
    return best if found[best][1] else None


def fuel_seen(logs: Sequence[Log]) -> tuple[Literal["diesel", "petrol"], str]:
    """Return the fuel that the logs show, and by what; diesel with an empty reason where they show nothing."""
    vacuum = [
        log.outside_kpa - float(np.quantile(pressure.values, 0.02))
        for log in logs
        if (pressure := log.get("intake_manifold_pressure")) is not None
    ]
    if vacuum:
        throttled = max(vacuum) > VACUUM_KPA
        below = f"the manifold goes {max(vacuum):.0f} kPa below the outside pressure, as under a throttle"
        return ("petrol", below) if throttled else ("diesel", "no vacuum seen, so probably a diesel")
    fastest = [float(np.quantile(speed.values, 0.998)) for log in logs if (speed := log.get("engine_speed"))]
    if fastest and max(fastest) > FAST_RPM:
        return "petrol", f"the engine turns at {max(fastest):.0f} rpm"
    return "diesel", ""


def place_seen(logs: Sequence[Log]) -> Literal["after", "before"] | None:
    """Return where the intake sensor seems to sit: after the cooler, before the compressor, or None where unclear."""
    looks = sensor_place([log for log in logs if log.get(INLET) is not None]).looks
    return "after" if looks == "after the cooler" else "before" if looks == "before the compressor" else None


def propose_outcome(
    logs: Sequence[Log], guess: Guess, *, sensor: str | None, boosted: bool = True, shown: Shown = METRIC
) -> str:
    """Return the outcome that the logs can answer best.

    Parameters
    ----------
    logs : sequence of Log
    guess : Guess
    sensor : {"before", "after"} or None
        Where the one intake sensor sits, once it is settled.
    boosted : bool
        Whether there may be a charge-air cooler at all.
    shown : Shown
        The units of a speed in its name.
    """
    by_hand = [log.figures for log in logs if log.figures is not None]
    if by_hand and not any(log.figures is None for log in logs):
        return next(iter(outcomes_in(by_hand[0])), "peak_rise")
    charge = sensor == "after" or all(CHARGE in log.sources for log in logs)
    inlet = sensor == "after" or all(INLET in log.sources for log in logs)
    speed = f"{guess.rise_at_mph} mph" if shown is US and guess.rise_at_mph else guess.rise_at
    if speed and charge and inlet:
        return f"rise_at {speed}"
    if charge or (sensor != "before" and boosted):
        return "peak_rise"
    if guess.pulls:
        marks = guess.protocol.marks
        return f"elapsed_s {marks[0]:g}-{marks[-1]:g}"
    return "peak_coolant" if all(log.get("engine_coolant_temperature") for log in logs) else "peak_rise"


def propose_worthwhile(outcome: Outcome, logs: Sequence[Log], protocol: Protocol) -> float | None:
    """Return 2 K of a temperature, 5 % of another figure's median in these logs; None where it is in none of them."""
    if outcome.change_unit == "K":
        return WORTHWHILE_K
    speeds = speeds_of(outcome.name)
    if len(speeds) == 2:
        protocol = protocol.model_copy(update={"marks_kmh": speeds})
    travel = pedal_travel(logs)
    values: list[float] = []
    for log in (log for log in logs if log.get("vehicle_speed")):
        runs = find_runs(log, protocol, travel=travel, needed_kmh=speeds)
        table = measure(log, runs, protocol=protocol, outcome=outcome.name)
        if outcome.name in table:
            values += table.loc[table["included"], outcome.name].dropna().tolist()
    for log in logs:
        if log.figures is None:
            continue
        table = kept_measures(log, kept_runs(log.figures), Surroundings())
        if outcome.name in table:
            values += table[outcome.name].dropna().tolist()
    if not values or not np.median(values):
        return None
    return float(f"{WORTHWHILE_SHARE * abs(np.median(values)):.1g}")


def why_outcome(outcome: str, guess: Guess, logs: Sequence[Log]) -> str:
    """Say in a sentence why an outcome is proposed.

    Parameters
    ----------
    outcome : str
    guess : Guess
    logs : sequence of Log
    """
    spec = spec_of(outcome)
    if spec.name.startswith("rise_at"):
        pulls = f"{counted(guess.counting, 'pull')}{' that count' if guess.counting < guess.pulls else ''}"
        all_pass = f"All {pulls} pass" if guess.counting > 1 else "The one pull that counts passes"
        (kmh,) = speeds_of(spec.name)
        return f"{all_pass} {kmh:g} km/h, so the charge can be compared at one speed, wherever a pull ends."
    if spec.name == "peak_rise":
        lacking = [
            words
            for channel, words in ((CHARGE, "charge-air temperature"), (INLET, "inlet temperature"))
            if not all(channel in log.sources for log in logs if log.figures is None)
        ]
        why_no_speed = (
            f"Not every log has a recognised {' and '.join(lacking)}, so no figure at one speed is proposed."
            if lacking
            else "The pulls pass no common speed that would do better."
            if guess.counting
            else "No pull that counts shows a speed that would do better."
        )
        return f"It is the usual figure for a charge-air cooler. {why_no_speed}"
    return f"It is what these logs can show without a charge temperature: the {spec.label}."


_US_UNITS = {"degF": True, "degC": False, "mph": True, "km/h": False}


def units_seen(logs: Sequence[Log]) -> Literal["us", "metric"]:
    """Return the units to show: US where every temperature and speed of the logs is in °F and mph."""
    units = [source.unit for log in logs for source in log.sources.values()]
    known = [_US_UNITS[unit] for unit in units if unit in _US_UNITS]
    return "us" if known and all(known) else "metric"


def us_marks(protocol: Protocol) -> tuple[int, ...]:
    """Return round speeds [mph] between which pulls of a protocol can be timed, 10 mph apart."""
    first, last = protocol.pull_from_kmh / MILE_KM, protocol.pull_to_kmh / MILE_KM
    return tuple(mark for mark in range(10, 200, 10) if first + 3 <= mark <= last)


def spec_of(outcome: str) -> Outcome:
    """Return what stands behind the name of an outcome that was checked, its speeds in any unit."""
    spec = outcome_named(in_kmh(outcome))
    assert spec is not None
    return spec
