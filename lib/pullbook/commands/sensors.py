"""Ask in words what was done to the sensors during the service: no log shows it, and it can break the comparison."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from pullbook.analysis.usable import words_for
from pullbook.commands.interview import Interview
from pullbook.runs.columns import NEEDS
from pullbook.settings.experiment import Sensor, SensorWork

Done = dict[Sensor, SensorWork]
WHY = (
    "A sensor that was cleaned or replaced reads differently, and no log shows it. One that was only taken "
    "out and put back (refitted) gives a note."
)
OPTIONS: tuple[SensorWork, ...] = get_args(SensorWork)
LEFT_ALONE = "left alone"


def sensors_behind(outcome: str) -> tuple[str, ...]:
    """Return the channels whose sensors an outcome rests on, and the manifold pressure, which shows a leak."""
    return (*NEEDS.get(outcome, NEEDS["peak_rise"]), "intake_manifold_pressure")


def ask_sensors(channels: Sequence[str], interview: Interview) -> Done:
    """Ask for each sensor whether it was left alone, refitted, cleaned or replaced.

    Parameters
    ----------
    channels : sequence of str
        Those that the question rests on.
    interview : Interview
        Where nobody is there, or the input has ended, a sensor counts as left alone.

    Returns
    -------
    dict
        What was done, by channel; nothing for a sensor that was left alone.
    """
    done: Done = {}
    sensors = [channel for channel in get_args(Sensor) if channel in channels]
    for channel in sensors:
        answer = interview.answer(
            f"The {words_for(channel)} sensor during the service: {', '.join(OPTIONS)}, or {LEFT_ALONE}?",
            option="--sensor-work",
            given=None,
            check=_work_meant,
            proposal=LEFT_ALONE,
            note=WHY if channel == sensors[0] else "",
        )
        if work := _work_meant(answer or LEFT_ALONE):
            done[channel] = work
    return done


def _work_meant(text: str) -> SensorWork | None:
    """Return what was done to a sensor, from a word or its beginning; None for a sensor that was left alone."""
    given = text.strip().lower()
    if LEFT_ALONE.startswith(given):
        return None
    fitting = [option for option in OPTIONS if option.startswith(given)]
    if len(fitting) != 1:
        raise ValueError(f"given {text.strip()!r}; allowed: {', '.join(OPTIONS)}, or {LEFT_ALONE}")
    return fitting[0]
