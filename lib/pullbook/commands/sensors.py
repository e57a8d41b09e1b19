"""Ask in words what was done to the sensors during the service: no log shows it, and it can break the comparison."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal, get_args

from pullbook.analysis.usable import words_for
from pullbook.runs.measures import NEEDS
from pullbook.settings.experiment import Sensor, SensorWork

Done = dict[Sensor, SensorWork]
WHY = (
    "A sensor that was cleaned or replaced reads differently, and no log shows it. One that was only taken "
    "out and put back (refitted) gives a note."
)
Untouched = Literal["left alone"]
LEFT_ALONE: Untouched = "left alone"
MOST_TRIES = 3


def sensors_behind(outcome: str) -> tuple[str, ...]:
    """Return the channels whose sensors an outcome rests on, and the manifold pressure, which tells a leak."""
    return (*NEEDS.get(outcome, NEEDS["peak_rise"]), "intake_manifold_pressure")


def ask_sensors(channels: Sequence[str], ask: Callable[[str], str], say: Callable[[str], object]) -> Done:
    """Ask for each sensor whether it was left alone, refitted, cleaned or replaced.

    Parameters
    ----------
    channels : sequence of str
        Those that the question rests on.
    ask : callable
        Shows a question and returns what was typed, as `input` does; at the end of the input, the rest is left alone.
    say : callable
        Shows a line, as `print` does.

    Returns
    -------
    dict
        What was done, by channel; nothing for a sensor that was left alone.
    """
    done: Done = {}
    sensors = [channel for channel in get_args(Sensor) if channel in channels]
    if sensors:
        say(WHY)
    for channel in sensors:
        answer = _answer(words_for(channel), ask, say)
        if answer is None:
            break
        if answer != LEFT_ALONE:
            done[channel] = answer
    return done


def _answer(words: str, ask: Callable[[str], str], say: Callable[[str], object]) -> SensorWork | Untouched | None:
    """Return what was done to one sensor; None where nobody answers."""
    options: tuple[SensorWork, ...] = get_args(SensorWork)
    for _ in range(MOST_TRIES):
        try:
            typed = ask(f"The {words} sensor during the service: {', '.join(options)}, or left alone? [left alone] ")
        except EOFError:
            return None
        given = typed.strip().lower()
        fitting = [option for option in options if given and option.startswith(given)]
        if not given or LEFT_ALONE.startswith(given):
            return LEFT_ALONE
        if len(fitting) == 1:
            return fitting[0]
        say(f"Given {typed.strip()!r}. Allowed: {', '.join(options)}, or Enter for left alone.")
    return LEFT_ALONE
