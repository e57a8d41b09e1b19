"""What stands in the boxes of the controls: settings in the units shown, metric again once they are set."""

from __future__ import annotations

from typing import Any

from pullbook.quantities import METRIC, typed
from pullbook.settings.experiment import Experiment
from pullbook.settings.yaml_edit import Place

SPEEDS = ("cruise_kmh", "pull_from_kmh", "pull_to_kmh", "marks_kmh", "cruise_ripple_kmh")


def unit_of(experiment: Experiment, place: Place) -> str:
    """Return the internal unit of a setting; ``1`` for one that is not converted."""
    name = place[-1]
    if name in SPEEDS:
        return "km/h"
    return experiment.outcome_spec.change_unit if name in ("worthwhile_change", "day_to_day_sd") else "1"


def titled(experiment: Experiment, label: str) -> str:
    """Return the words of a control with its unit as shown."""
    return label.replace("[km/h]", f"[{experiment.shown.unit('km/h')}]")


def in_box(experiment: Experiment, place: Place, value: Any) -> Any:
    """Return a setting's number, or its numbers, in the unit shown.

    Examples
    --------
    A change of 2 K is one of 3.6 °F, without the offset of a temperature:

    >>> from pullbook.settings.experiment import Experiment, Service, Session
    >>> from pullbook.workbook.boxes import from_box, in_box
    >>> session = Session(name="a", phase="before", log="a.csv")
    >>> ours = Experiment(title="a", service=Service(what="b"), sessions=(session,), units="us")
    >>> in_box(ours, ("worthwhile_change",), 2.0), from_box(ours, ("worthwhile_change",), 3.6)
    (3.6, 2.0)
    >>> from_box(ours, ("protocol", "cruise_kmh"), 55.0), in_box(ours, ("protocol", "cruise_kmh"), 88.51)
    (88.51, 55.0)
    """
    shown, unit = experiment.shown, unit_of(experiment, place)
    if isinstance(value, (list, tuple)):
        return [in_box(experiment, place, one) for one in value]
    if shown == METRIC or not isinstance(value, (int, float)) or shown.unit(unit) == unit:
        return value
    return float(f"{shown.value(value, unit):.4g}")


def from_box(experiment: Experiment, place: Place, value: Any) -> Any:
    """Return what was typed, in the internal unit; see `in_box`."""
    shown, unit = experiment.shown, unit_of(experiment, place)
    if isinstance(value, (list, tuple)):
        return [from_box(experiment, place, one) for one in value]
    if shown == METRIC or value is None or shown.unit(unit) == unit:
        return value
    return typed(f"{value} {shown.unit(unit)}", unit)
