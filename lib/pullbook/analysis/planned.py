"""What a plan rests on: what somebody wants to find out, and the scatter of the drives there are so far."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from pullbook.analysis.expected import earlier_beside, expected_scatter
from pullbook.analysis.result import analyse_experiment, measure_drives
from pullbook.analysis.sessions import Drive, read_drives
from pullbook.analysis.usable import needed_channels
from pullbook.errors import ComparisonError, ExperimentError
from pullbook.quantities import METRIC, Shown, System, names_us
from pullbook.settings.experiment import Experiment, Protocol
from pullbook.statistics.gears import GEAR
from pullbook.statistics.power import USUAL_SESSIONS, Plan, Scatter, fewest_sessions, plans, scatter_of
from pullbook.text import decimals

FALLBACK_SESSIONS = 3  # where no number would do


@dataclass(frozen=True, kw_only=True)
class PlanRequest:
    """What somebody wants to find out, and what a plan for it rests on.

    Attributes
    ----------
    change : float
        The change to resolve, in ``unit``.
    unit : str
    pulls : int
        A session.
    scatter : Scatter
    protocol : Protocol
    needed : tuple of str
        Channels that the question cannot do without.
    gear_rpm_per_kmh : float or None
        Of the drives so far.
    earlier, beside : tuple of str
        Earlier experiments of this vehicle: that it names, and that it could name and does not.
    scatter_with : Scatter or None
        What a plan would rest on if it did.
    shown : Shown
        The units to say it in.
    """

    change: float
    unit: str
    pulls: int
    scatter: Scatter
    protocol: Protocol
    needed: tuple[str, ...] = ("vehicle_speed", "charge_air_temperature", "intake_air_temperature")
    gear_rpm_per_kmh: float | None = None
    earlier: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    scatter_with: Scatter | None = None
    shown: Shown = METRIC

    @property
    def sessions(self) -> int:
        """Sessions a side to plan for."""
        return self.fewest.sessions if self.fewest else FALLBACK_SESSIONS

    @cached_property
    def grid(self) -> tuple[Plan, ...]:
        """Plans around the wished number of pulls."""
        around = sorted({max(1, self.pulls // 2), self.pulls, 2 * self.pulls})
        enough = {self.fewest.sessions} if self.fewest else set()
        return plans(
            scatter=self.scatter, protocol=self.protocol, pulls=around, sessions=sorted({*USUAL_SESSIONS, *enough})
        )

    @property
    def digits(self) -> int:
        """Decimals that show the difference between one plan and the next."""
        return max(1, decimals(self.shown.value(min(p.half_width for p in self.grid) / 4, self.unit)))

    @cached_property
    def fewest(self) -> Plan | None:
        """The smallest plan that does it."""
        return self._fewest(self.scatter)

    @cached_property
    def fewest_with(self) -> Plan | None:
        """The smallest plan that does it with the earlier experiments that lie beside this one."""
        return self._fewest(self.scatter_with or self.scatter)

    def _fewest(self, scatter: Scatter) -> Plan | None:
        return fewest_sessions(worthwhile_change=self.change, scatter=scatter, protocol=self.protocol, pulls=self.pulls)


def change_typed(folder: str | Path | None, given: str | None) -> tuple[float | None, System | None]:
    """Return a change as typed on the command line in the outcome's unit; a number alone is in the units shown.

    Beside it stands the system of units to show the plan in, where what was typed settles it: ``2 °F`` wants US units.

    Parameters
    ----------
    folder : path or None
        An experiment.
    given : str or None

    Raises
    ------
    ExperimentError
        When it is no number above 0, or its unit does not fit.
    """
    if given is None:
        return None, None
    experiment = Experiment.load(folder) if folder else None
    shown, unit = (experiment.shown, experiment.outcome_spec.change_unit) if experiment else (METRIC, "K")
    try:
        change = shown.typed(given, unit)
    except ValueError as fault:
        raise ExperimentError(f"--change: {fault}") from None
    if not 0 < change < math.inf:
        raise ExperimentError(f"--change: given {given!r}. Allowed: above 0")
    return change, "us" if names_us(given, unit) else None


def plan_request(
    folder: str | Path | None, *, change: float | None = None, pulls: int = 5, units: System | None = None
) -> PlanRequest:
    """Put a request together: from an experiment's own scatter, as far as it was driven, and from the allowance.

    Earlier experiments that it names take part in either. Those that lie beside it unnamed are told of.

    Parameters
    ----------
    folder : path or None
        An experiment.
    change : float, optional
        Change to resolve, in the outcome's unit; by default the experiment's worthwhile change, or 2 K.
    pulls : int
        A session.
    units : {"metric", "us"}, optional
        To show; by default the experiment's, or metric.

    Returns
    -------
    PlanRequest

    Raises
    ------
    PullbookError
        When the experiment is refused; or has no drive yet that gives its outcome, and the allowance for that is a
        share of it.
    """
    if not folder:
        return PlanRequest(
            change=change or 2.0,
            unit="K",
            pulls=pulls,
            scatter=Scatter(),
            protocol=Protocol(),
            shown=Shown(units or "metric"),
        )
    experiment = Experiment.load(folder)
    wanted, unit = change or experiment.worthwhile_change, experiment.outcome_spec.change_unit
    drives = read_drives(experiment)
    scatter = _scatter(experiment, drives)
    beside = earlier_beside(experiment, {drive.session.name: drive.log for drive in drives})
    named = experiment.model_copy(update={"earlier": (*experiment.earlier, *beside)})
    measures, _ = measure_drives(experiment, drives, None)
    ratios = measures.loc[measures["included"] & (measures["kind"] == "pull"), GEAR].dropna()
    return PlanRequest(
        change=wanted,
        unit=unit,
        pulls=pulls,
        scatter=scatter,
        protocol=experiment.protocol,
        shown=Shown(units) if units else experiment.shown,
        earlier=experiment.earlier,
        beside=beside,
        scatter_with=_scatter(named, drives) if beside else None,
        needed=needed_channels(experiment, drives[0].inlet),
        gear_rpm_per_kmh=float(ratios.median()) if len(ratios) else None,
    )


def _scatter(experiment: Experiment, drives: list[Drive]) -> Scatter:
    try:
        return scatter_of(analyse_experiment(experiment, drives=drives).comparison)
    except ComparisonError:  # one of the phases has no drive yet
        return expected_scatter(experiment, drives)
