"""Pulls that a person marked by hand: checked against the log, with why they had not counted by themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pullbook.errors import Finding, LogError
from pullbook.reading.logs import Log, Signal
from pullbook.runs.full_load import FullLoad
from pullbook.settings.experiment import Marked, stretch_named

if TYPE_CHECKING:
    from pullbook.runs.find import Run

LEAST_GAIN_KMH = 10.0  # an acceleration, and no steady speed
MOSTLY = 0.9  # of a pull at full load: the rest is how the pedal got there


@dataclass(frozen=True, kw_only=True)
class ByHand:
    """A mark that may count.

    Attributes
    ----------
    mark : Marked
    start_kmh, end_kmh : float
        Road speed there.
    covers : tuple of Run
        Refused candidates that it takes the place of.
    undetected : str
        Why it had not counted by itself.
    at_full_load : bool
        Whether full load was held in nearly all of it.
    """

    mark: Marked
    start_kmh: float
    end_kmh: float
    covers: tuple[Run, ...]
    undetected: str
    at_full_load: bool


def by_hand(marks: Sequence[Marked], pulls: Sequence[Run], *, log: Log, speed: Signal, load: FullLoad) -> list[ByHand]:
    """Check what was marked by hand against what was found.

    Parameters
    ----------
    marks : sequence of Marked
    pulls : sequence of Run
        As found, refused candidates included.
    log : Log
    speed : Signal
        Its vehicle speed [km/h].
    load : FullLoad

    Returns
    -------
    list of ByHand
        One a mark.

    Raises
    ------
    LogError
        When a mark ends after the log, lies over a pull that counts by itself, or where no speed was logged or none
        was gained.
    """
    found = []
    for mark in marks:
        said = f"marked_pulls {stretch_named(mark.start_s, mark.end_s)}"
        if mark.end_s > log.duration_s:
            raise LogError(f"{said}: outside the log, which is {log.duration_s:.0f} s long. Correct start and end.")
        over = [run for run in pulls if min(run.end_s, mark.end_s) > max(run.start_s, mark.start_s)]
        for run in over:
            if run.included:
                raise LogError(
                    f"{said}: overlaps {run.name} ({run.start_s:.1f} to {run.end_s:.1f} s), which counts already. "
                    "Correct start and end, or take the mark out."
                )
        t, _ = speed.within(mark.start_s, mark.end_s)
        if len(t) < 3:
            raise LogError(
                f"{said}: the speed was logged {len(t)} times there, and 3 are needed. Correct start and end."
            )
        start_kmh, end_kmh = np.interp([mark.start_s, mark.end_s], speed.time_s, speed.values)
        if end_kmh - start_kmh < LEAST_GAIN_KMH:
            raise LogError(
                f"{said}: the speed goes from {start_kmh:.0f} to {end_kmh:.0f} km/h there. A pull gains "
                f"{LEAST_GAIN_KMH:.0f} km/h or more. Correct start and end."
            )
        a, b = np.searchsorted(load.time_s, [mark.start_s, mark.end_s])
        full = bool(b > a and load.is_full[a:b].mean() >= MOSTLY)
        found.append(
            ByHand(
                mark=mark,
                start_kmh=float(start_kmh),
                end_kmh=float(end_kmh),
                covers=tuple(over),
                undetected="; ".join(run.reason for run in over) or _unseen(mark, t, speed, load, slice(a, b), full),
                at_full_load=full,
            )
        )
    return found


def _unseen(mark: Marked, t: np.ndarray, speed: Signal, load: FullLoad, inside: slice, full: bool) -> str:
    """Say why there was no candidate at all."""
    longest_s = max(float(np.diff(t).max()), t[0] - mark.start_s, mark.end_s - t[-1])
    if longest_s > speed.max_gap_s:
        return f"a gap of {longest_s:.1f} s in the speed"
    if not load.level[inside].size:
        return "nothing was logged there to judge full load by"
    if full:
        return "full load there is part of a longer or shorter stretch"
    return f"no full load: {load.said(float(np.median(load.level[inside])))}"


def marked_findings(marked: Sequence[ByHand], names: Sequence[str]) -> Iterator[Finding]:
    """Say of each pull marked by hand that it counts by a person's word, and what detection had against it.

    Parameters
    ----------
    marked : sequence of ByHand
    names : sequence of str
        Of the runs, such as ``pull 3``.
    """
    for one, name in zip(marked, names, strict=True):
        yield Finding(
            code="marked-by-hand",
            severity="note" if one.at_full_load else "warning",
            message=(f"You marked {name} by hand: {one.mark.reason}. Detection had not counted it: {one.undetected}."),
            evidence={"run": name, "start_s": one.mark.start_s, "end_s": one.mark.end_s, "undetected": one.undetected},
        )
