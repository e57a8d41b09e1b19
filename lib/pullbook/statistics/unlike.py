"""What keeps the phases from being compared, and which differences between them widen the interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pullbook.errors import Finding
from pullbook.settings.experiment import Experiment
from pullbook.settings.outcomes import Outcome
from pullbook.statistics.covariates import COMPRESSION, END, ENTRY, INLET, LENGTH, REACH, START
from pullbook.statistics.estimate import Estimate
from pullbook.statistics.session_means import INLET_APART, SessionMeans
from pullbook.statistics.uncertainty import combined, coverage_factor, effective_dof
from pullbook.text import unit_suffix

OBSTACLES = ("gear-differs", "sensor-changed")
WIDENS = 0.10  # above this share of the width it is worth a sentence; the interval itself has no such threshold


@dataclass(frozen=True)
class _Kind:
    """A condition in words: what differed, in which unit, and what to do about it."""

    what: str
    unit: str
    digits: int
    remedy: str


_KINDS = {
    INLET: _Kind("the inlet temperature", "°C", 0, "drive both phases in similar weather"),
    COMPRESSION: _Kind("the boost", "", 2, "find out why the boost differs, or drive again at equal boost"),
    START: _Kind("the heat left from the pull before", "K", 1, "rest equally long before every pull"),
    END: _Kind("the speed at which the pulls end", "km/h", 0, "drive all pulls to the same speed, or ask for rise_at"),
    ENTRY: _Kind("the speed at which the pulls start", "km/h", 0, "start all pulls at the same speed"),
    LENGTH: _Kind("the time the pulls took", "s", 1, "drive on the same road, with the same load, on calm days"),
    REACH: _Kind(
        "the time the pulls took to that speed", "s", 1, "drive on the same road, with the same load, on calm days"
    ),
    "wind": _Kind("the wind", "m/s", 1, "drive on calmer days"),
    INLET_APART: _Kind(
        "how far the inlet is above the outside air",
        "K",
        1,
        "check that sensor, its duct and the air temperature you noted",
    ),
}


def sensor_findings(experiment: Experiment, outcome: Outcome) -> tuple[Finding, ...]:
    """Say what was done to sensors during the service, and whether the outcome can still be compared.

    Parameters
    ----------
    experiment : Experiment
    outcome : Outcome

    Returns
    -------
    tuple of Finding
        ``sensor-changed`` for one that was cleaned or replaced and that the outcome rests on: then nothing can be
        compared. A note for the others; refitting alone leaves a sensor what it was.
    """
    found = []
    for channel, done in experiment.service.sensors.items():
        name = str(channel).replace("_", " ")
        evidence = {"channel": str(channel), "done": done}
        if done == "refitted":
            text = f"The {name} sensor was taken out and refitted with the service. We assume that did no harm."
            found.append(Finding(code="sensor-refitted", severity="note", message=text, evidence=evidence))
        elif channel in outcome.sensors:
            how = "" if channel in outcome.channels else ", because its weather correction uses that sensor"
            text = (
                f"The {name} sensor was {done} with the service, so it may read differently now. The "
                f"{outcome.label} can't be compared across that{how}. Ask about a figure that doesn't depend on "
                "this sensor."
            )
            found.append(Finding(code="sensor-changed", severity="warning", message=text, evidence=evidence))
        else:
            text = f"The {name} sensor was {done} with the service. The {outcome.label} doesn't depend on it."
            if channel == "intake_manifold_pressure":
                text += " No boost correction is made, and leaks can't be judged."
            found.append(Finding(code="sensor-other", severity="note", message=text, evidence=evidence))
    return tuple(found)


def widening(estimate: Estimate, data: SessionMeans, *, level: float) -> Finding | None:
    """Name the condition that widens the interval most, because the phases differ in it.

    Parameters
    ----------
    estimate : Estimate
    data : SessionMeans
    level : float
        Coverage of the interval.

    Returns
    -------
    Finding or None
        ``unlike-drives`` with the condition, its means and the width without it; None where none adds a tenth.
    """
    whole = (estimate.high - estimate.low) / 2
    worst, least = "", whole
    for name in _KINDS:
        rest = [line for line in estimate.budget if line.source not in (name, f"{name}: correction")]
        if len(rest) < len(estimate.budget):
            half = coverage_factor(level, effective_dof(rest)) * combined(rest)
            worst, least = (name, half) if half < least else (worst, least)
    if not worst or least > (1 - WIDENS) * whole:
        return None
    kind = _KINDS[worst]
    values = {
        INLET: data.inlet_c, COMPRESSION: data.pressure_ratio, START: data.heat_left_k, END: data.end_kmh,
        ENTRY: data.start_kmh, LENGTH: data.duration_s, REACH: data.reach_s, "wind": data.wind_ms,
        INLET_APART: data.inlet_c - data.air_c,
    }[worst]  # fmt: skip
    after = data.after == 1
    before, later = float(np.mean(values[~after])), float(np.mean(values[after]))
    unit = f" {kind.unit}" if kind.unit else " times the outside pressure"
    wide = unit_suffix(data.outcome.change_unit)
    return Finding(
        code="unlike-drives",
        severity="warning",
        message=(
            f"Before and after differ in {kind.what}: {before:.{kind.digits}f}{unit} before, "
                f"{later:.{kind.digits}f}{unit} after. That widens the interval from ±{least:.2g}{wide} to "
                f"±{whole:.2g}{wide}. To narrow it, {kind.remedy}."
        ),
        evidence={
            "condition": kind.what, "before": before, "after": later, "half_width": whole, "without": least,
        },
    )  # fmt: skip
