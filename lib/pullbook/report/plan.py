"""The plan and the sheet to take along, as HTML fragments for the notebook and as lines for a terminal."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from pullbook.errors import ComparisonError
from pullbook.quantities import METRIC, Shown
from pullbook.report.html import CAUTIONS, Fragment, escape, listed, table
from pullbook.settings.experiment import Experiment, Protocol
from pullbook.statistics.power import USUAL_SESSIONS, Plan, Scatter, fewest_sessions, plans, scatter_of
from pullbook.text import decimals, fold, in_brackets, unit_suffix


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
    shown : Shown
        The units to say it in.
    """

    change: float
    unit: str
    pulls: int
    scatter: Scatter
    protocol: Protocol
    shown: Shown = METRIC

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
        return fewest_sessions(
            worthwhile_change=self.change, scatter=self.scatter, protocol=self.protocol, pulls=self.pulls
        )


def plan_request(folder: str | Path | None, *, change: float | None = None, pulls: int = 5) -> PlanRequest:
    """Put a request together: from an experiment's own scatter when it has both phases, else from usual figures.

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
        When the experiment is refused; or has no drive in one phase yet, and another unit than K.
    """
    if not folder:
        return PlanRequest(change=change or 2.0, unit="K", pulls=pulls, scatter=Scatter(), protocol=Protocol())
    from pullbook.analysis.result import analyse_experiment

    experiment = Experiment.load(folder)
    wanted, unit = change or experiment.worthwhile_change, experiment.outcome_spec.change_unit
    try:
        scatter = scatter_of(analyse_experiment(experiment).comparison)
    except ComparisonError as refusal:  # one of the phases has no drive yet
        if unit != "K":
            raise ComparisonError(
                f"{refusal}. A plan in {unit} needs an experiment's own scatter, and that a drive from each phase"
            ) from None
        scatter = Scatter()
    return PlanRequest(
        change=wanted, unit=unit, pulls=pulls, scatter=scatter, protocol=experiment.protocol, shown=experiment.shown
    )


def answer_text(request: PlanRequest) -> str:
    """Say in one or two sentences what it takes."""
    found, shown, of = request.fewest, request.shown, request.unit
    unit, change = unit_suffix(shown.unit(of)), shown.brief(request.change, of)
    day_sd, pull_sd = (shown.value(sd, of) for sd in (request.scatter.day_sd, request.scatter.pull_sd))
    rests_on = (
        f"This rests on {request.scatter.source}: {day_sd:.2g}{unit} between days and "
        f"{pull_sd:.2g}{unit} between pulls."
    )
    if found is None:
        return f"A change of {change} is out of reach: 60 sessions a side would not do. {rests_on}"
    return (
        f"To tell a change of {change} four times out of five takes {found.sessions} sessions "
        f"before and {found.sessions} after, {found.pulls} pulls each: about {found.driving_min / 60:.1f} hours of "
        f"driving in all. {rests_on}"
    )


def sheet_lines(protocol: Protocol, *, sessions: int, pulls: int) -> tuple[str, ...]:
    """Return what to do on the day, in order."""
    return (
        f"Plan {sessions} sessions before the service and {sessions} after, on different days; if the weather changes, "
        "spread both phases over it.",
        "Nothing else changes in between: same tyres, load and fuel, no other repair, sensors untouched.",
        "Log few signals, so that each is refreshed at least once a second: road speed, accelerator position, charge "
        "temperature, inlet temperature, manifold pressure, coolant. A passenger starts and stops the logger.",
        "Note for each session: air temperature in the shade, pressure or a METAR report, wind, wet or dry road.",
        "Warm up for at least 15 minutes until coolant and oil are steady.",
        f"Hold {protocol.cruise_kmh:g} km/h for at least a minute on the level: the baseline.",
        f"Pull {pulls} times: same road, same direction, same gear. Slow to just under {protocol.pull_from_kmh:g} "
        f"km/h, pedal to the floor in one go, hold it until {protocol.pull_to_kmh:g} km/h is passed, then lift.",
        "Between pulls drive gently for at least 75 seconds, each time alike, so the cooler starts equally warm.",
        "A pull that traffic or a gear change spoiled stays in the log: leave it out later and say why.",
        "After the refit: check hoses and clamps, drive gently, and look at the first pull's boost before the next.",
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
        "sessions a side", "pulls a session", f"interval{unit}", f"told 4 times of 5{unit}",
        "pulls in all", "hours",
    )  # fmt: skip
    return table(headings, rows, numbers_from=0, caption="What a plan resolves and costs")


def sheet(request: PlanRequest) -> Fragment:
    """Return the sheet to take along: cautions first."""
    sessions = request.fewest.sessions if request.fewest else 3
    lines = [request.shown.text(s) for s in sheet_lines(request.protocol, sessions=sessions, pulls=request.pulls)]
    boxes = "".join(f"<li>☐ {escape(line)}</li>" for line in lines)
    return Fragment(
        f'<div class="pb-cautions"><h3>First, safety</h3>{listed(CAUTIONS).html}</div>'
        f'<h3>On the day</h3><ol class="pb-sheet">{boxes}</ol>'
    )


def plan_text(folder: str | Path | None, *, change: float | None, pulls: int) -> list[str]:
    """Return the plan as lines for a terminal, cautions first; the parameters are those of `plan_request`."""
    request = plan_request(folder, change=change, pulls=pulls)
    cautions = (fold(f"  - {line}") for line in CAUTIONS)
    lines = ["First, safety:", *cautions, "", fold(answer_text(request), indent=""), ""]
    unit = in_brackets(request.shown.unit(request.unit))
    headings = ("sessions a side", "pulls a session", f"interval{unit}", f"told 4 of 5{unit}", "hours")
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
    sessions = request.fewest.sessions if request.fewest else 3
    lines += ["", "On the day:"]
    todo = [request.shown.text(line) for line in sheet_lines(request.protocol, sessions=sessions, pulls=pulls)]
    lines += [fold(f"  [ ] {line}", indent="    ") for line in todo]
    return lines
