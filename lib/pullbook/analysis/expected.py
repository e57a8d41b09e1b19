"""What a plan may count on before both phases are driven: the drives so far, and the vehicle's earlier experiments."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from pullbook.analysis.earlier import earlier_scatter
from pullbook.analysis.result import table_of_runs
from pullbook.analysis.sessions import Drive
from pullbook.errors import ComparisonError, PullbookError
from pullbook.reading.logs import Log
from pullbook.settings.experiment import PHASES, Experiment, Vehicle, folders_beside
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.statistics.allowance import TELLING_DOF, allowance_of, day_scatter, with_earlier
from pullbook.statistics.covariates import covariates_of
from pullbook.statistics.gears import check_gears
from pullbook.statistics.power import Scatter
from pullbook.statistics.session_means import USUAL_RUN_DOF, SessionMeans, session_means, usual_run_sd

MOST_EARLIER = 20  # as many as `earlier` takes


def expected_scatter(experiment: Experiment, drives: list[Drive]) -> Scatter:
    """Return the scatter to plan with while one phase is still undriven.

    Parameters
    ----------
    experiment : Experiment
    drives : list of Drive
        Its own so far. Their runs and the steps of their sensors count, and how much their days differ.

    Returns
    -------
    Scatter
        From the usual figures alone where no run gives the outcome yet.

    Raises
    ------
    PullbookError
        When one of the earlier experiments is refused; when no run gives the outcome yet, and its allowance is a share
        of it.
    """
    outcome, data = experiment.outcome_spec, _driven(experiment, drives)
    earlier = earlier_scatter(experiment, table_of_runs, today=[(drive.session, drive.log) for drive in drives])
    if data is None:
        allowance, _ = with_earlier(allowance_of(outcome, 0.0, experiment.day_to_day_sd), earlier)
        usual = Scatter()
        if (allowance.sd, allowance.dof) == (usual.day_sd, usual.day_dof):
            return usual
        return Scatter(
            day_sd=allowance.sd,
            day_dof=allowance.dof,
            source=f"{allowance.source}, with pulls by common practice, no source",
            from_earlier=allowance.alone is not None,
        )
    level = float(np.mean(data.means))
    default = allowance_of(outcome, level, experiment.day_to_day_sd)
    own = day_scatter(data, covariates_of(data), name="these sessions", usual_sd=default.sd)
    allowance, _ = with_earlier(default, earlier, own=own)
    excess = max(0.0, own.squares - own.explained)
    # A few runs may read alike by the sensor's step, so their scatter joins the usual one as that of days does.
    runs = USUAL_RUN_DOF * usual_run_sd(outcome, level) ** 2 + data.repeatability_dof * data.repeatability_sd**2
    return Scatter(
        day_sd=math.sqrt((allowance.dof * allowance.sd**2 + excess) / (allowance.dof + own.dof)),
        pull_sd=math.sqrt(runs / (USUAL_RUN_DOF + data.repeatability_dof)),
        resolution_u=float(np.sqrt(np.mean(data.reading_u**2))),
        day_dof=allowance.dof,
        source=f"{allowance.source}, with the pulls and sensor steps of your drives so far",
        from_earlier=allowance.alone is not None,
    )


def _driven(experiment: Experiment, drives: list[Drive]) -> SessionMeans | None:
    """Reduce the phase that was driven; None where no run gives the outcome, of which the usual scatter is known."""
    outcome = experiment.outcome_spec
    table = table_of_runs(experiment, drives)
    table = check_gears(table, experiment, outcome).keep(table)
    refusals = []
    for phase in PHASES:
        try:
            return session_means(table, experiment, outcome, with_left_out=False, phases=(phase,))
        except ComparisonError as refusal:
            refusals.append(refusal)
    if outcome.relative:
        raise ComparisonError(
            f"{refusals[0]}. A plan in {outcome.change_unit} needs a drive that gives this figure"
        ) from None
    return None


def earlier_beside(experiment: Experiment, logs: Mapping[str, Log]) -> tuple[str, ...]:
    """Find experiments in folders beside this one that it could name under ``earlier``, and does not yet.

    Parameters
    ----------
    experiment : Experiment
    logs : mapping of str to Log
        Its own, by session.

    Returns
    -------
    tuple of str
        As ``earlier`` takes them, in the order of the folders' names: the same vehicle by its description, fuel and
        displacement, with today's outcome in their logs, more than one session in a phase, and no drive twice. A
        link is not followed.
    """
    named = {(experiment.folder / name).resolve() for name in experiment.earlier}
    found: list[str] = []
    for path in folders_beside(experiment.folder):
        name = f"../{path.name}"
        if path in named or not name.isprintable():
            continue
        if len(experiment.earlier) + len(found) == MOST_EARLIER:
            break
        if _tells(experiment, found, name, logs):
            found.append(name)
    return tuple(found)


def _tells(experiment: Experiment, found: list[str], name: str, logs: Mapping[str, Log]) -> bool:
    """Whether a folder beside this one holds an experiment of the same vehicle that shows how much its days differ."""
    alone = experiment.model_copy(update={"earlier": (name,)})
    try:
        (theirs,) = alone.load_earlier()
        if not _same_vehicle(experiment.vehicle, theirs.vehicle):
            return False
        inputs_sha256(experiment.model_copy(update={"earlier": (*experiment.earlier, *found, name)}))
        today = [(session, logs[session.name]) for session in experiment.sessions if session.name in logs]
        (scatter,) = earlier_scatter(alone, table_of_runs, today=today)
    except PullbookError:
        return False
    return scatter.dof > TELLING_DOF


def _same_vehicle(ours: Vehicle, theirs: Vehicle) -> bool:
    """Whether two vehicles are described alike; nothing is known of one that is not described."""
    described = ours.description.strip().casefold()
    return described == theirs.description.strip().casefold() and ours.description != Vehicle().description
