"""What a plan may count on before both phases are driven: the allowance, and the vehicle's earlier experiments."""

from __future__ import annotations

from pullbook.analysis.earlier import earlier_scatter
from pullbook.analysis.result import table_of_runs
from pullbook.errors import PullbookError
from pullbook.settings.experiment import Experiment, Vehicle, folders_beside
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.statistics.allowance import TELLING_DOF, allowance_of, with_earlier
from pullbook.statistics.power import Scatter

MOST_EARLIER = 20  # as many as `earlier` takes


def expected_scatter(experiment: Experiment) -> Scatter:
    """Return the scatter to plan with while one phase is still undriven, for an outcome whose allowance is in kelvin.

    Parameters
    ----------
    experiment : Experiment
        Its own drives take no part: they join when the comparison is made.

    Returns
    -------
    Scatter

    Raises
    ------
    PullbookError
        When one of the earlier experiments is refused.
    """
    default = allowance_of(experiment.outcome_spec, 0.0, experiment.day_to_day_sd)
    allowance, _ = with_earlier(default, earlier_scatter(experiment, table_of_runs))
    usual = Scatter()
    if (allowance.sd, allowance.dof) == (usual.day_sd, usual.day_dof):
        return usual
    return Scatter(
        day_sd=allowance.sd,
        day_dof=allowance.dof,
        source=f"{allowance.source}, with pulls by common practice, no source",
    )


def earlier_beside(experiment: Experiment) -> tuple[str, ...]:
    """Find experiments in folders beside this one that it could name under ``earlier``, and does not yet.

    Parameters
    ----------
    experiment : Experiment

    Returns
    -------
    tuple of str
        As ``earlier`` takes them, in the order of the folders' names: the same vehicle by its description, fuel and
        displacement, with today's outcome in their logs, more than one session in a phase, and no log twice. A link
        is not followed.
    """
    named = {(experiment.folder / name).resolve() for name in experiment.earlier}
    found: list[str] = []
    for path in folders_beside(experiment.folder):
        name = f"../{path.name}"
        if path in named or not name.isprintable():
            continue
        if len(experiment.earlier) + len(found) == MOST_EARLIER:
            break
        if _tells(experiment, found, name):
            found.append(name)
    return tuple(found)


def _tells(experiment: Experiment, found: list[str], name: str) -> bool:
    """Whether a folder beside this one holds an experiment of the same vehicle that shows how much its days differ."""
    alone = experiment.model_copy(update={"earlier": (name,)})
    try:
        (theirs,) = alone.load_earlier()
        if not _same_vehicle(experiment.vehicle, theirs.vehicle):
            return False
        inputs_sha256(experiment.model_copy(update={"earlier": (*experiment.earlier, *found, name)}))
        (scatter,) = earlier_scatter(alone, table_of_runs)
    except PullbookError:
        return False
    return scatter.dof > TELLING_DOF


def _same_vehicle(ours: Vehicle, theirs: Vehicle) -> bool:
    """Whether two vehicles are described alike; nothing is known of one that is not described."""
    described = ours.description.strip().casefold()
    return described == theirs.description.strip().casefold() and ours.description != Vehicle().description
