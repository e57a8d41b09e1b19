"""The plan and the sheet to take along, as HTML fragments for the notebook and as lines for a terminal."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from pullbook.analysis.planned import PlanRequest
from pullbook.report import plan_picture
from pullbook.report import sheet as paper
from pullbook.report.drawing import Drawing
from pullbook.report.html import CAUTIONS, Fragment, escape, table
from pullbook.statistics.allowance import COUNTS_ON
from pullbook.statistics.power import MOST_SESSIONS, Plan
from pullbook.text import counted, fold, in_brackets, sentence_case, unit_suffix


def earlier_text(request: PlanRequest) -> list[str]:
    """Say for a terminal which earlier experiments are beside this one, what they would save, and the line to write."""
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


_OUT_OF_REACH = (
    f"it takes more than {MOST_SESSIONS} sessions a side, which is not practical. A larger effect or less scatter "
    "would help."
)


def answer_text(request: PlanRequest) -> str:
    """Say in a few sentences what it takes."""
    found, change = request.fewest, request.shown.brief(request.change, request.unit)
    if found is None:
        return f"A change of {change} is out of reach: {_OUT_OF_REACH} {_rests_on(request)}"
    return (
        f"To detect a change of {change} 80 % of the time, drive {found.sessions} sessions before and "
        f"{found.sessions} after, {found.pulls} pulls each. {_costs(found)} {_rests_on(request)} {_put_down(found)}"
    )


def _rests_on(request: PlanRequest) -> str:
    unit = unit_suffix(request.shown.unit(request.unit))
    day_sd, pull_sd = (
        request.shown.value(sd, request.unit) for sd in (request.scatter.day_sd, request.scatter.pull_sd)
    )
    return (
        f"This assumes {request.scatter.source}: {day_sd:.2g}{unit} between days and {pull_sd:.2g}{unit} between pulls."
        f"{f' {COUNTS_ON}' if request.scatter.from_earlier else ''}"
    )


def _costs(found: Plan) -> str:
    return f"That is about {found.driving_min / 60:.1f} hours of driving."


def _put_down(found: Plan) -> str:
    return (
        "Put the number into experiment.yaml before the first drive, and the answer counts as one look: "
        f"planned_sessions: {found.sessions}"
    )


def answer(request: PlanRequest) -> Fragment:
    """Return what it takes, first thing."""
    found, change = request.fewest, request.shown.brief(request.change, request.unit)
    if found is None:
        word = f"{change} is out of reach"
        said = [f"{sentence_case(_OUT_OF_REACH)} {_rests_on(request)}"]
    else:
        word = f"{counted(found.sessions, 'session')} before, {found.sessions} after"
        said = [
            f"{counted(found.pulls, 'pull')} each. Then you'd detect a change of {change} 80 % of the time. "
            f"{_costs(found)}",
            f"{_rests_on(request)} {_put_down(found)}",
        ]
    return Fragment(
        '<section class="pb-answer"><h1>Plan a before-and-after test</h1>'
        f'<p class="pb-verdict">{escape(word)}</p><p class="pb-sentence">{escape(said[0])}</p>'
        + "".join(f'<p class="pb-facts">{escape(line)}</p>' for line in said[1:])
        + "</section>"
    )


def picture(request: PlanRequest) -> Drawing:
    """Show the smallest change that each number of sessions detects."""
    return plan_picture.picture(
        request.grid,
        pulls=request.pulls,
        chosen=request.fewest,
        asked=request.change,
        unit=request.unit,
        shown=request.shown,
    )


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
