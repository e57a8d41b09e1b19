"""The plan and the sheet to take along, as HTML fragments for the notebook and as lines for a terminal."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from pullbook.analysis.planned import PlanRequest
from pullbook.report import sheet as paper
from pullbook.report.html import CAUTIONS, Fragment, escape, table
from pullbook.statistics.allowance import COUNTS_ON
from pullbook.statistics.power import MOST_SESSIONS
from pullbook.text import counted, fold, in_brackets, unit_suffix


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


def plan_text(request: PlanRequest) -> list[str]:
    """Return the plan as lines for a terminal, cautions first."""
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
        *paper.steps(request.protocol, pulls=request.pulls, gear_rpm_per_kmh=request.gear_rpm_per_kmh),
    )
    lines += ["", "On the day:", *(fold(f"  [ ] {request.shown.text(line)}", indent="    ") for line in todo)]
    return [*lines, "", "To print a sheet with the service on its back: pullbook plan --out plan.html"]


def _named(log: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{words} ({rate})" for words, rate in log)
