"""One drive beside the others: can it be used, what is doubtful about it, and what to do differently next time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook.analysis.comparability import HEADING_LIMIT_DEG, REST_SLACK, mean_direction
from pullbook.analysis.sessions import Drive
from pullbook.quantities import Shown
from pullbook.reading.logs import Log
from pullbook.reading.quality import LEAST_REFRESHES_IN_PULL
from pullbook.reading.units import WARM_C
from pullbook.runs.columns import NEEDS
from pullbook.runs.kept import unchecked
from pullbook.runs.measures import INLET_CHANNELS
from pullbook.settings.experiment import Experiment, Session
from pullbook.settings.outcomes import Outcome
from pullbook.statistics.gears import GEAR, SAME_LN
from pullbook.text import counted

if TYPE_CHECKING:
    import pandas as pd

FEW_PULLS = 3  # fewer say little of how much the pulls of a day differ; common practice, no source
REST_S = 75  # between pulls, as a plan has it; common practice, no source
SHORTEST_REST_S = 60.0  # a little less than that passes
STEADY_K = 8.0  # what the coolant of a warm engine rises in a few pulls; common practice, no source
EARLY_LIFT = "lifted"  # how `pullbook.runs.find` begins the reason
WORDS = {
    "vehicle_speed": "road speed",
    "charge_air_temperature": "charge temperature",
    "intake_air_temperature": "inlet temperature",
    "ambient_air_temperature": "outside temperature",
    "intake_manifold_pressure": "manifold pressure",
    "engine_coolant_temperature": "coolant",
    "accelerator_position": "accelerator",
    "engine_speed": "engine speed",
    "air_mass_flow": "air flow",
}


def words_for(channel: str) -> str:
    """Return what a driver calls a channel."""
    return WORDS.get(channel, channel.replace("_", " "))


@dataclass(frozen=True, kw_only=True)
class Fact:
    """One thing that was looked at in a drive.

    Attributes
    ----------
    name : str
        Such as ``Pulls``.
    found : str
        What the log shows.
    doubt : str
        Why it makes the drive doubtful; empty if it does not.
    advice : str
        What to do differently on the next drive; empty if nothing.
    """

    name: str
    found: str
    doubt: str = ""
    advice: str = ""

    def in_units(self, shown: Shown) -> Fact:
        """Return it with every quantity in the units shown."""
        return Fact(
            name=self.name, found=shown.text(self.found), doubt=shown.text(self.doubt), advice=shown.text(self.advice)
        )


@dataclass(frozen=True, kw_only=True)
class Usability:
    """What a drive is good for.

    Attributes
    ----------
    session : str
        Its name.
    counted : int
        Runs that give the figure asked about.
    why_not : tuple of str
        The runs that do not count, each with its reason.
    facts : tuple of Fact
    weather_missing : tuple of str
        What is still to note of the weather, as ``experiment.yaml`` calls it.
    """

    session: str
    counted: int
    why_not: tuple[str, ...]
    facts: tuple[Fact, ...]
    weather_missing: tuple[str, ...]

    @property
    def doubts(self) -> tuple[str, ...]:
        """Everything that makes it doubtful."""
        return tuple(fact.doubt for fact in self.facts if fact.doubt)

    @property
    def advice(self) -> tuple[str, ...]:
        """What to do differently on the next drive, once each."""
        return tuple(dict.fromkeys(fact.advice for fact in self.facts if fact.advice))


def usability(experiment: Experiment, drive: Drive, drives: Sequence[Drive], measures: pd.DataFrame) -> Usability:
    """Judge one drive of an experiment.

    Parameters
    ----------
    experiment : Experiment
    drive : Drive
    drives : sequence of Drive
        All, this one among them.
    measures : pandas.DataFrame
        The runs of all of them, with the columns ``session`` and ``phase``.

    Returns
    -------
    Usability
    """
    outcome = experiment.outcome_spec
    ours = measures["session"] == drive.session.name
    usable = measures["included"] & (measures["kind"] == outcome.kind)
    mine, others = measures[ours & usable], measures[~ours & usable]
    with_figure = mine[mine[outcome.name].notna()] if outcome.name in mine else mine
    rows = measures[ours & ~measures["included"] & (measures["kind"] == outcome.kind)]
    why_not = tuple(f"{r['kind']} {r['number']}: {r['reason']}" for r in rows.to_dict(orient="records"))
    counting = measures.loc[ours & measures["included"], "kind"].value_counts()
    facts: tuple[Fact, ...] = (
        *(_runs(kind, drive, experiment, int(counting.get(kind, 0))) for kind in ("pull", "cruise")),
        *_by_hand(drive),
        *_refresh(experiment, drive),
        *(_warm(drive, mine) if drive.log.figures is None else ()),
        *_gear(mine, others),
        *(_rests(mine, others) if outcome.kind == "pull" else ()),
        _direction(mine, others),
    )
    return Usability(
        session=drive.session.name,
        counted=len(with_figure),
        why_not=why_not,
        facts=tuple(fact.in_units(experiment.shown) for fact in facts),
        weather_missing=_weather_missing(drive.session, drive.log, outcome),
    )


def needed_channels(experiment: Experiment, inlet: str) -> tuple[str, ...]:
    """Return the channels that the outcome rests on, road speed first, with the source of the inlet temperature.

    Parameters
    ----------
    experiment : Experiment
    inlet : str
        As in `Drive`.
    """
    needs = ["vehicle_speed"]
    for channel in NEEDS.get(experiment.outcome_spec.name, NEEDS["peak_rise"]):
        if channel != INLET_CHANNELS[0]:
            needs.append(channel)
        elif inlet in INLET_CHANNELS:
            needs.append(inlet)
    return tuple(needs)


def _runs(kind: str, drive: Drive, experiment: Experiment, count: int) -> Fact:
    runs = drive.runs.pulls if kind == "pull" else drive.runs.cruises
    outcome, protocol = experiment.outcome_spec, experiment.protocol
    name = "Pulls" if kind == "pull" else "Cruises"
    if not runs:
        advice = f"Hold {protocol.cruise_kmh:g} km/h for a minute before the first pull." if kind == "cruise" else ""
        return Fact(name=name, found="none found", advice=advice)
    found = f"{count} of {len(runs)} count" if count < len(runs) else f"{count}, all count"
    timed = drive.log.figures is None
    if kind == "cruise" and timed:
        longest = max(runs, key=lambda run: run.end_s - run.start_s)
        found += f"; the longest is {longest.end_s - longest.start_s:.0f} s at {longest.start_kmh:.0f} km/h"
        return Fact(name=name, found=found)
    counts = [run for run in runs if run.included]
    if counts and timed:
        starts, ends = [run.start_kmh for run in counts], [run.end_kmh for run in counts]
        found += f"; from {_span(starts)} to {_span(ends)} km/h"
    advice = ""
    if any(run.reason.startswith(EARLY_LIFT) for run in runs if not run.included):
        advice = "Stay on the pedal until the dial shows more than the end speed, then lift."
    elif any(run.part_throttle for run in runs):
        advice = "Press the pedal to the floor in one go."
    few = kind == outcome.kind and 0 < count < FEW_PULLS
    doubt = f"only {counted(count, 'pull')}. With {FEW_PULLS} or more you can see how much they differ" if few else ""
    return Fact(name=name, found=found, doubt=doubt, advice=advice)


def _span(values: Sequence[float], *, digits: int = 0) -> str:
    low, high = f"{min(values):.{digits}f}", f"{max(values):.{digits}f}"
    return low if low == high else f"{low}–{high}"


def _refresh(experiment: Experiment, drive: Drive) -> list[Fact]:
    pull_s = experiment.protocol.usual_pull_s
    told, slow = [], []
    for channel in needed_channels(experiment, drive.inlet):
        signal = drive.log.get(channel)
        if signal is None:
            continue
        told.append(f"{words_for(channel)} every {signal.period_s:.1f} s")
        inlet = channel in INLET_CHANNELS  # the air going in changes slowly
        if not inlet and signal.period_s > pull_s / LEAST_REFRESHES_IN_PULL:
            slow.append(words_for(channel))
    if not told:
        return []
    doubt = f"{' and '.join(slow)} read fewer than {LEAST_REFRESHES_IN_PULL} times in a pull" if slow else ""
    advice = f"Log fewer signals, so that {' and '.join(slow)} is read more often." if slow else ""
    return [Fact(name="Refresh", found=", ".join(told), doubt=doubt, advice=advice)]


def _by_hand(drive: Drive) -> list[Fact]:
    """Say what nobody can check of a drive without a log."""
    if drive.log.figures is None:
        return []
    what = unchecked(drive.log)
    doubt = f"written down by hand: {', '.join(what[:-1])} and {what[-1]} can't be checked"
    return [Fact(name="Source", found="figures, no log", doubt=doubt, advice="Log the next drive, if you can.")]


def _warm(drive: Drive, mine: pd.DataFrame) -> list[Fact]:
    coolant = drive.log.get("engine_coolant_temperature")
    if coolant is None:
        return [Fact(name="Warm", found="unknown: no coolant temperature in this log")]
    if not len(mine):
        return []
    first, last = float(mine["start_s"].min()), float(mine["end_s"].max())
    at = np.interp([first, last], coolant.time_s, coolant.values)
    found = f"coolant {at[0]:.0f} °C at the first run, {at[1]:.0f} °C at the last"
    advice = "Warm up for 15 minutes, until coolant and oil are steady, before the first run."
    if at[0] < WARM_C[0]:
        return [Fact(name="Warm", found=found, doubt=f"the engine was cold: coolant {at[0]:.0f} °C", advice=advice)]
    if at[1] - at[0] > STEADY_K:
        doubt = f"the engine was still warming up: coolant rose by {at[1] - at[0]:.0f} K"
        return [Fact(name="Warm", found=found, doubt=doubt, advice=advice)]
    return [Fact(name="Warm", found=found)]


def _gear(mine: pd.DataFrame, others: pd.DataFrame) -> list[Fact]:
    ratio = mine[GEAR].dropna().to_numpy(dtype=float) if GEAR in mine else np.array([])
    if not ratio.size:
        return [Fact(name="Gear", found="unknown: engine speed is not logged, or doesn't follow the wheels")]
    usual = others[GEAR].dropna().to_numpy(dtype=float)
    own = float(np.median(ratio))
    mixed = float(np.ptp(np.log(ratio))) > SAME_LN
    found = f"{own:.1f} rpm per km/h"
    if mixed:
        doubt = f"you drove in more than one gear ({_span(list(ratio), digits=1)} rpm per km/h)"
        return [
            Fact(name="Gear", found=found, doubt=doubt, advice="Stay in one gear, the same as on the other drives.")
        ]
    if not usual.size:
        return [Fact(name="Gear", found=f"{found}, the same in every run")]
    common = float(np.median(usual))
    if abs(np.log(own / common)) > SAME_LN:
        return [
            Fact(
                name="Gear",
                found=f"{found}; the other drives have {common:.1f} rpm per km/h",
                doubt="another gear than on the other drives, so these runs are not compared",
                advice=f"Use the gear of the other drives: {common:.1f} rpm per km/h.",
            )
        ]
    return [Fact(name="Gear", found=f"{found}, as in the other drives")]


def _rests(mine: pd.DataFrame, others: pd.DataFrame) -> list[Fact]:
    rests = mine["rest_before"].dropna().to_numpy(dtype=float)
    if not rests.size:
        return []
    found = f"{_span(list(rests))} s between pulls"
    usual = others["rest_before"].dropna().to_numpy(dtype=float)
    if usual.size:
        common = float(np.mean(usual))
        found += f"; on the other drives {common:.0f} s on average"
        if abs(rests.mean() - common) > REST_SLACK * common:
            return [
                Fact(
                    name="Rests",
                    found=found,
                    doubt="not the same rests as on the other drives, so more or less heat was left",
                    advice=f"Rest about {5 * round(common / 5):.0f} s between pulls, as on the other drives.",
                )
            ]
    elif rests.min() < SHORTEST_REST_S:
        return [
            Fact(
                name="Rests",
                found=found,
                doubt=f"a rest of {rests.min():.0f} s is too short: heat from the pull before is still there",
                advice=f"Rest at least {REST_S} s between pulls, driving gently, always the same way.",
            )
        ]
    return [Fact(name="Rests", found=found)]


def _direction(mine: pd.DataFrame, others: pd.DataFrame) -> Fact:
    def headings(rows: pd.DataFrame) -> np.ndarray:
        if "heading" not in rows:
            return np.array([])
        found: np.ndarray = rows["heading"].dropna().to_numpy(dtype=float)
        return found

    own = headings(mine)
    if not own.size:
        return Fact(name="Direction", found="unknown: no position in this log")
    mean, one_way = mean_direction(own)
    if not one_way:
        return Fact(
            name="Direction",
            found="pulls both ways",
            doubt="pulls in more than one direction: wind and slope differ",
            advice="Drive every pull in the same direction on the same road.",
        )
    usual, one_way = mean_direction(headings(others)) if headings(others).size else (float("nan"), False)
    if not one_way:
        return Fact(name="Direction", found="the same direction in all pulls")
    apart = abs((mean - usual + 180) % 360 - 180)
    if apart > HEADING_LIMIT_DEG:
        return Fact(
            name="Direction",
            found=f"{apart:.0f}° off the other drives",
            doubt="another direction than on the other drives: wind and slope differ",
            advice="Drive the same road in the same direction as on the other drives.",
        )
    return Fact(name="Direction", found="the same direction as on the other drives")


def _weather_missing(session: Session, log: Log, outcome: Outcome) -> tuple[str, ...]:
    """Return what helps and is not known; a METAR or the log's barometer may have filled it in."""
    wanted = {"ambient_c": session.ambient_c, "wind_ms": session.wind_ms}
    if log.get("barometric_pressure") is None:
        wanted["pressure_hpa"] = session.pressure_hpa
    return tuple(name for name, value in wanted.items() if value is None)
