"""The plan and the sheet to take along, as HTML fragments for the notebook and as lines for a terminal."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from pullbook.analysis.sessions import Drive, read_drives
from pullbook.analysis.usable import needed_channels
from pullbook.errors import ComparisonError
from pullbook.quantities import METRIC, Shown
from pullbook.report import sheet as paper
from pullbook.report.html import CAUTIONS, Fragment, escape, table
from pullbook.settings.experiment import Experiment, Protocol
from pullbook.statistics.allowance import COUNTS_ON
from pullbook.statistics.gears import GEAR
from pullbook.statistics.power import MOST_SESSIONS, USUAL_SESSIONS, Plan, Scatter, fewest_sessions, plans, scatter_of
from pullbook.text import counted, decimals, fold, in_brackets, unit_suffix

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
        """Decimals that tell one plan from the next."""
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


def plan_request(folder: str | Path | None, *, change: float | None = None, pulls: int = 5) -> PlanRequest:
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
        return PlanRequest(change=change or 2.0, unit="K", pulls=pulls, scatter=Scatter(), protocol=Protocol())
    from pullbook.analysis.expected import earlier_beside
    from pullbook.analysis.result import measure_drives

    experiment = Experiment.load(folder)
    wanted, unit = change or experiment.worthwhile_change, experiment.outcome_spec.change_unit
    drives = read_drives(experiment)
    scatter = _scatter(experiment, drives)
    beside = earlier_beside(experiment)
    named = experiment.model_copy(update={"earlier": (*experiment.earlier, *beside)})
    measures, _ = measure_drives(experiment, drives, None)
    ratios = measures.loc[measures["included"] & (measures["kind"] == "pull"), GEAR].dropna()
    return PlanRequest(
        change=wanted,
        unit=unit,
        pulls=pulls,
        scatter=scatter,
        protocol=experiment.protocol,
        shown=experiment.shown,
        earlier=experiment.earlier,
        beside=beside,
        scatter_with=_scatter(named, drives) if beside else None,
        needed=needed_channels(experiment, drives[0].inlet),
        gear_rpm_per_kmh=float(ratios.median()) if len(ratios) else None,
    )


def _scatter(experiment: Experiment, drives: list[Drive]) -> Scatter:
    from pullbook.analysis.expected import expected_scatter
    from pullbook.analysis.result import analyse_experiment

    try:
        return scatter_of(analyse_experiment(experiment, drives=drives).comparison)
    except ComparisonError:  # one of the phases has no drive yet
        return expected_scatter(experiment, drives)


def earlier_text(request: PlanRequest) -> list[str]:
    """Say for a terminal which earlier experiments lie beside this one, what they would save, and the line to write."""
    if not request.beside:
        return []
    one = len(request.beside) == 1
    now, then = request.fewest, request.fewest_with
    fewest = now.sessions if now else f"more than {MOST_SESSIONS}"
    saves = "That would not change the number of sessions."
    if then and then.sessions != fewest:
        saves = f"With {'it' if one else 'them'} you need {then.sessions} sessions a side instead of {fewest}."
    told = (
        f"{'An earlier experiment' if one else f'{len(request.beside)} earlier experiments'} of this vehicle "
        f"{'lies' if one else 'lie'} beside this one. {saves} Name only those driven in the state it is in now, for "
        "days that were calmer then make the answer look surer than it is. The line for experiment.yaml:"
    )
    return [fold(told, indent=""), f"  earlier: [{', '.join(map(_in_yaml, (*request.earlier, *request.beside)))}]", ""]


def _in_yaml(name: str) -> str:
    return name if re.fullmatch(r"[\w./-]+", name, re.ASCII) else json.dumps(name, ensure_ascii=False)


def answer_text(request: PlanRequest) -> str:
    """Say in one or two sentences what it takes."""
    found, shown, of = request.fewest, request.shown, request.unit
    unit, change = unit_suffix(shown.unit(of)), shown.brief(request.change, of)
    day_sd, pull_sd = (shown.value(sd, of) for sd in (request.scatter.day_sd, request.scatter.pull_sd))
    rests_on = (
        f"This assumes {request.scatter.source}: {day_sd:.2g}{unit} between days and {pull_sd:.2g}{unit} between pulls."
        f"{f' {COUNTS_ON}' if request.scatter.from_earlier else ''}"
    )
    if found is None:
        return (
            f"A change of {change} is out of reach: it takes more than {MOST_SESSIONS} sessions a side, which is not "
            f"practical. A larger effect or less scatter would help. {rests_on}"
        )
    return (
        f"To detect a change of {change} 80 % of the time, drive {found.sessions} sessions before and "
        f"{found.sessions} after, {found.pulls} pulls each. That is about {found.driving_min / 60:.1f} hours "
        f"of driving. {rests_on} Put the number into experiment.yaml before the first drive, and the answer "
        f"counts as one look: planned_sessions: {found.sessions}"
    )


def answer(request: PlanRequest) -> Fragment:
    """Return what it takes, first thing."""
    return Fragment(f'<section class="pb-answer"><p class="pb-sentence">{escape(answer_text(request))}</p></section>')


def grid(request: PlanRequest) -> Fragment:
    """Return the plans as a table."""
    digits = request.digits
    rows = [
        (
            p.sessions,
            p.pulls,
            f"±{request.shown.value(p.half_width, request.unit):.{digits}f}",
            f"{request.shown.value(p.safe_change, request.unit):.{digits}f}",
            p.pulls_in_all,
            f"{p.driving_min / 60:.1f}",
        )
        for p in request.grid
    ]
    unit = in_brackets(request.shown.unit(request.unit))
    headings = (
        "sessions a side", "pulls per session", f"interval{unit}", f"change you'd detect, 80 % of the time{unit}",
        "pulls in all", "hours",
    )  # fmt: skip
    return table(headings, rows, numbers_from=0, caption="What each plan detects and costs")


def sheet(request: PlanRequest) -> Fragment:
    """Return the sheet to take along, cautions first, and the service on its back."""
    return paper.sheet(
        request.protocol,
        needed=request.needed,
        sessions=request.sessions,
        pulls=request.pulls,
        gear_rpm_per_kmh=request.gear_rpm_per_kmh,
        shown=request.shown,
    )


def plan_text(folder: str | Path | None, *, change: float | None, pulls: int) -> list[str]:
    """Return the plan as lines for a terminal, cautions first; the parameters are those of `plan_request`."""
    request = plan_request(folder, change=change, pulls=pulls)
    cautions = (fold(f"  - {line}") for line in CAUTIONS)
    lines = ["First, safety:", *cautions, "", fold(answer_text(request), indent=""), "", *earlier_text(request)]
    unit = in_brackets(request.shown.unit(request.unit))
    headings = ("sessions a side", "pulls each", f"interval{unit}", f"detects, 80 %{unit}", "hours")
    widths = [max(6, len(heading)) for heading in headings]
    digits = request.digits

    def in_units(change: float) -> str:
        return f"{request.shown.value(change, request.unit):.{digits}f}"

    rows = [
        (p.sessions, p.pulls, f"±{in_units(p.half_width)}", in_units(p.safe_change), f"{p.driving_min / 60:.1f}")
        for p in request.grid
    ]
    for cells in (headings, *rows):
        lines.append("  " + "  ".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True)))
    log, enough = paper.channels(request.needed), len(request.needed)
    todo = (
        f"{counted(request.sessions, 'session')} before the service and {request.sessions} after, on "
        "different days, in weather that overlaps. Change nothing else in between: same tyres, load and "
        "fuel, no other repair.",
        f"Log few signals. You need: {_named(log[:enough])}. If those stay as fast, add: "
        f"{_named(log[enough:])}. A passenger runs the logger.",
        "Note for each session: air temperature in the shade, pressure or a METAR report, wind, wet or dry road.",
        *paper.steps(request.protocol, pulls=pulls, gear_rpm_per_kmh=request.gear_rpm_per_kmh),
    )
    lines += ["", "On the day:", *(fold(f"  [ ] {request.shown.text(line)}", indent="    ") for line in todo)]
    return [*lines, "", "To print a sheet with the service on its back: pullbook plan --out plan.html"]


def _named(log: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{words} ({rate})" for words, rate in log)
