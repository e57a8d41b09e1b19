"""What the vehicle's earlier experiments show of how much days differ, under today's outcome and protocol."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pandas as pd

from pullbook.analysis.same_drive import refuse_at_once, refuse_copies
from pullbook.analysis.sessions import Drive, read_drives, timed
from pullbook.errors import ExperimentError, PullbookError
from pullbook.reading.logs import Log
from pullbook.settings.experiment import Experiment, Session
from pullbook.statistics.allowance import DayScatter, allowance_of, day_scatter
from pullbook.statistics.covariates import covariates_of
from pullbook.statistics.gears import check_gears
from pullbook.statistics.session_means import session_means

Measured = Callable[[Experiment, list[Drive]], pd.DataFrame]


def earlier_scatter(
    experiment: Experiment, measured: Measured, *, today: Sequence[tuple[Session, Log]]
) -> tuple[DayScatter, ...]:
    """Measure the earlier experiments of this vehicle, and take their scatter between sessions within a phase.

    Parameters
    ----------
    experiment : Experiment
        Names them, today's outcome and today's protocol.
    measured : callable
        Makes the table of runs of an experiment's drives.
    today : sequence of (Session, Log)
        The experiment's own, with their dates: a drive counts once, here or there, however it was saved, and one
        vehicle does not drive twice at once.

    Returns
    -------
    tuple of DayScatter
        In the order given.

    Raises
    ------
    ExperimentError
        When one of them is of another vehicle (fuel or displacement), does not give today's outcome, or holds a drive
        that is counted already or overlaps in time with one that is.
    """
    outcome = experiment.outcome_spec
    found, known, clocks = [], {session.name: log for session, log in today}, timed(today)
    for name, settings in zip(experiment.earlier, experiment.load_earlier(), strict=True):
        _check_vehicle(experiment, settings, name)
        asked = {key: getattr(experiment, key) for key in ("outcome", "protocol", "worthwhile_change")}
        theirs = settings.model_copy(update=asked)
        try:
            drives = read_drives(theirs)
            logs = {f"{name} {drive.session.name}": drive.log for drive in drives}
            refuse_copies(logs, known)
            known |= logs
            theirs_timed = timed((drive.session, drive.log) for drive in drives)
            theirs_timed = [replace(each, name=f"{name} {each.name}") for each in theirs_timed]
            refuse_at_once(theirs_timed, clocks)
            clocks += theirs_timed
            theirs = theirs.model_copy(update={"sessions": tuple(drive.session for drive in drives)})
            table = measured(theirs, drives)
            check = check_gears(table, theirs, outcome)
            # Phases in different gears each have their own level, and only the scatter about it is taken.
            data = session_means(check.keep(table), theirs, outcome, with_left_out=False)
        except PullbookError as refusal:
            raise ExperimentError(
                f"earlier: {name!r} can't give {experiment.outcome} ({refusal}). Take it out of the list, or "
                "fix that experiment"
            ) from None
        usual = allowance_of(outcome, float(data.means.mean()), experiment.day_to_day_sd)
        found.append(day_scatter(data, covariates_of(data), name=settings.title, usual_sd=usual.sd))
    return tuple(found)


def _check_vehicle(ours: Experiment, theirs: Experiment, name: str) -> None:
    """Refuse an earlier experiment whose settings say that it is another vehicle."""
    for key, unit in (("fuel", ""), ("displacement_l", " L")):
        here, there = getattr(ours.vehicle, key), getattr(theirs.vehicle, key)
        if here is not None and there is not None and here != there:
            raise ExperimentError(
                f"earlier: {name!r} is another vehicle ({key} {there}{unit}, here {here}{unit}), so its days "
                "say nothing about this one. Take it out of the list, or correct vehicle: in one of them"
            )
