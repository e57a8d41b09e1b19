"""The words and tables of the report, as HTML fragments made from a result alone.

All text that comes from a log or from ``experiment.yaml`` passes through `escape` here, and nowhere else into HTML.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np

from pullbook import air
from pullbook.analysis import Drive, Result
from pullbook.channels import CHANNELS
from pullbook.errors import Finding
from pullbook.outcomes import outcome_named
from pullbook.verdict import decimals

STYLE = Path(__file__).with_name("page_template") / "style.css"

VERDICT_WORDS = {
    "improved": "Improved",
    "improved-size-unclear": "Improved, size unclear",
    "no-worthwhile-change": "No worthwhile change",
    "not-resolved": "Not resolved",
    "worse-size-unclear": "Worse, size unclear",
    "worse": "Worse",
}
VERDICT_MEANS = {
    "improved": "The whole interval lies beyond the change that matters to you, on the better side.",
    "improved-size-unclear": (
        "The whole interval lies on the better side of zero, but part of it is too small to matter to you."
    ),
    "no-worthwhile-change": (
        "The whole interval lies inside the band that makes no difference to you. That is not the same as no effect."
    ),
    "not-resolved": (
        "The interval holds both outcomes that matter and outcomes that do not. Not shown is not the same as no effect."
    ),
    "worse-size-unclear": (
        "The whole interval lies on the worse side of zero, but part of it is too small to matter to you."
    ),
    "worse": "The whole interval lies beyond the change that matters to you, on the worse side.",
}
CAUTIONS = (
    "Full-load acceleration belongs on a closed road or a dynamometer. Keep to speed limits; a passenger logs.",
    "Let hot parts cool before touching them. Charge pipes, turbocharger and cooler burn.",
    "Use solvents outdoors or well ventilated, with gloves and eye protection and no ignition source near; their "
    "vapours are heavier than air, and some burn. Let every part dry fully before refitting: what is left in a cooler "
    "is drawn into the engine.",
    "After a refit, check every hose and clamp, then drive gently first.",
    "Emission parts and their settings are protected by law in many countries: find out what yours allows.",
    "When unsure, ask a qualified technician. This page states evidence; it is no licence to drive or modify anything.",
)
LIMITS = (
    "One vehicle and one service: the result says nothing of other vehicles, nor how long the effect lasts.",
    "Nobody was blinded: the driver knew which drives came after the service.",
    "A sensor that was cleaned, moved or replaced during the service breaks the comparison, and nothing here shows it.",
    "A different road, load, tyre or fuel between the phases counts as part of the change.",
)


@dataclass(frozen=True)
class Fragment:
    """A piece of HTML that a notebook shows."""

    html: str

    def _repr_html_(self) -> str:
        return self.html


def style() -> Fragment:
    """Return the report's style, for a notebook that is open in JupyterLab."""
    return Fragment(f"<style>{STYLE.read_text(encoding='utf-8')}</style>")


def table(
    headings: Sequence[str], rows: Iterable[Sequence[object]], *, numbers_from: int = 1, caption: str = ""
) -> Fragment:
    """Return a table; columns from ``numbers_from`` on are set to the right. Every cell is escaped."""
    head = "".join(
        f'<th scope="col"{_side(k, numbers_from)}>{escape(heading)}</th>' for k, heading in enumerate(headings)
    )
    body = "".join(
        "<tr>"
        + "".join(f"<td{_side(k, numbers_from)}>{escape(_shown(cell))}</td>" for k, cell in enumerate(row))
        + "</tr>"
        for row in rows
    )
    title = f"<caption>{escape(caption)}</caption>" if caption else ""
    return Fragment(
        f'<div class="pb-scroll"><table class="pb-table">{title}<thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


def _side(k: int, numbers_from: int) -> str:
    return ' class="pb-number"' if k >= numbers_from else ""


def _shown(cell: object) -> str:
    if cell is None or (isinstance(cell, float) and not math.isfinite(cell)):
        return "–"
    return str(cell)


def _figure(value: float, digits: int = 1) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "–"


def _list(items: Iterable[str], *, ordered: bool = False) -> str:
    tag = "ol" if ordered else "ul"
    return f"<{tag}>" + "".join(f"<li>{escape(item)}</li>" for item in items) + f"</{tag}>"


# --- the answer --------------------------------------------------------------------------------------------------


def answer(result: Result) -> Fragment:
    """Return the first thing on the page: what was asked, a boost warning if there is one, the verdict, its worth."""
    experiment, c = result.experiment, result.comparison
    boost = [f for f in result.findings if f.code.startswith("boost-")]
    others = [f for f in result.warnings if not f.code.startswith("boost-")]
    first = "".join(
        f'<p class="pb-alert" role="alert"><strong>First:</strong> {escape(finding.message)}</p>' for finding in boost
    )
    question = f'<p class="pb-question">{escape(experiment.question)}</p>' if experiment.question else ""
    word, _, rest = c.sentence.partition(": ")
    rest = rest[:1].upper() + rest[1:]
    worth_it = worth(result)
    aside = "".join(f'<p class="pb-note">{escape(finding.message)}</p>' for finding in others)
    return Fragment(
        f'<section class="pb-answer pb-{c.verdict}">'
        f"<h1>{escape(experiment.title)}</h1>{question}{first}"
        f'<p class="pb-verdict">{escape(word)}</p><p class="pb-sentence">{escape(rest)}</p>'
        + (f'<p class="pb-worth">{escape(worth_it)}</p>' if worth_it else "")
        + aside
        + f'<p class="pb-facts">{escape(_facts(result))}</p></section>'
    )


def _facts(result: Result) -> str:
    experiment, c = result.experiment, result.comparison
    kind = outcome_kind(result)
    when = f", {experiment.service.date.isoformat()}" if experiment.service.date else ""
    out = int(result.measures["left_out"].astype(bool).sum())
    left = f" {out} left out by hand." if out else ""
    return (
        f"{experiment.vehicle.description}. Service: {experiment.service.what}{when}. "
        f"{c.before.pulls} {kind}s in {c.before.sessions} sessions before, {c.after.pulls} in {c.after.sessions} "
        f"after.{left}"
    )


def outcome_kind(result: Result) -> str:
    """Return the kind of run that the outcome belongs to."""
    outcome = outcome_named(result.experiment.outcome)
    assert outcome is not None  # Experiment has checked the name
    return outcome.kind


def worth(result: Result) -> str:
    """Say what a change of charge temperature is worth in air, or nothing for other outcomes."""
    c = result.comparison
    outcome = outcome_named(c.outcome)
    if outcome is None or outcome.ambient == "none" or any(f.code.startswith("boost-") for f in result.findings):
        return ""
    rows = result.measures
    column = "peak_charge" if outcome.kind == "pull" else "mean_charge"
    after_c = float(rows.loc[rows["included"].astype(bool) & (rows["phase"] == "after"), column].mean())
    if not math.isfinite(after_c):
        return ""
    gain, low, high = (
        float(air.density_gain_percent(charge_before_c=after_c - x, charge_after_c=after_c))
        for x in (c.change, c.high, c.low)
    )
    if low > 0 or high < 0:
        ends = sorted((abs(low), abs(high)))
        felt, air_is, amount = ("cooler", "denser", "more") if gain > 0 else ("warmer", "thinner", "less")
        return (
            f"What it is worth: {abs(c.change):.1f} K {felt} is {abs(gain):.1f} % {air_is} air at the same pressure "
            f"({ends[0]:.1f} to {ends[1]:.1f} %), so at most that much {amount} air in each stroke."
        )
    return (
        f"What it is worth: at the same pressure, anything from {low:+.1f} to {high:+.1f} % in air density fits, "
        "so no gain or loss of air is shown."
    )


# --- the logs ----------------------------------------------------------------------------------------------------


def sessions(result: Result) -> Fragment:
    """Return the drives: length, runs that count, how fast and fine the charge temperature was logged."""
    rows = []
    for drive in result.drives:
        charge = drive.log.get("charge_air_temperature")
        rows.append(
            (
                drive.session.name,
                drive.session.phase,
                f"{drive.log.duration_s / 60:.1f} min",
                f"{sum(r.included for r in drive.runs.pulls)} of {len(drive.runs.pulls)}",
                f"{sum(r.included for r in drive.runs.cruises)} of {len(drive.runs.cruises)}",
                f"{charge.period_s:.2f} s" if charge else None,
                f"{charge.resolution:g} K" if charge else None,
                drive.runs.full_load_from.replace("_", " "),
            )
        )
    headings = (
        "session",
        "phase",
        "length",
        "pulls that count",
        "cruises",
        "charge refreshed every",
        "in steps of",
        "full load told by",
    )
    return table(headings, rows, numbers_from=2, caption="The drives")


def channels(result: Result) -> Fragment:
    """Return which column served which channel."""
    used: dict[tuple[str, str, str], list[str]] = {}
    for drive in result.drives:
        for name, signal in drive.log.signals.items():
            used.setdefault((name, signal.column, signal.unit), []).append(drive.session.name)
    every = len(result.drives)
    order = list(CHANNELS)
    rows = [
        (name.replace("_", " "), column, unit, "all" if len(names) == every else ", ".join(names))
        for (name, column, unit), names in sorted(used.items(), key=lambda item: order.index(item[0][0]))
    ]
    return table(("channel", "column in the log", "read as", "sessions"), rows, numbers_from=9, caption="What was read")


def findings(result: Result) -> Fragment:
    """Return everything that was noticed: on the comparison first, then log by log, the same sentence once."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for finding in result.findings:
        grouped.setdefault((finding.severity, finding.message), []).append("the comparison")
    for drive in result.drives:
        for finding in drive.findings:
            grouped.setdefault((finding.severity, finding.message), []).append(drive.session.name)
    if not grouped:
        return Fragment("<p>Nothing was noticed.</p>")
    rank = {"refusal": 0, "warning": 1, "note": 2}
    items = "".join(
        f'<li class="pb-{severity}"><strong>{severity}</strong> {_sentence(message)} '
        f'<span class="pb-where">{escape(_where(where, len(result.drives)))}</span></li>'
        for (severity, message), where in sorted(grouped.items(), key=lambda item: rank[item[0][0]])
    )
    return Fragment(f'<ul class="pb-findings">{items}</ul>')


def _sentence(message: str) -> str:
    """Escape a message; lines after the first are YAML to copy."""
    first, _, rest = message.partition("\n")
    return escape(first) + (f"<pre>{escape(rest)}</pre>" if rest else "")


def _where(names: Sequence[str], every: int) -> str:
    return "all sessions" if len(names) == every and every > 1 else ", ".join(dict.fromkeys(names))


def left_out(result: Result) -> Fragment:
    """Return the runs that do not count, with the reason for each."""
    rows = [
        (
            drive.session.name,
            run.name,
            f"{run.start_s:.0f} s",
            f"{run.start_kmh:.0f}–{run.end_kmh:.0f} km/h",
            run.reason,
        )
        for drive in result.drives
        for run in drive.runs.all
        if not run.included
    ]
    if not rows:
        return Fragment("<p>Every run that was found counts.</p>")
    return table(
        ("session", "run", "at", "speed", "why it does not count"), rows, numbers_from=9, caption="What does not count"
    )


# --- figures of the runs -----------------------------------------------------------------------------------------


def pulls(result: Result) -> Fragment:
    """Return the pulls that count, a row a pull."""
    columns = [
        ("peak_rise", "rise [K]", 1), ("peak_charge", "peak charge [°C]", 0), ("inlet_at_peak", "inlet [°C]", 1),
        ("start_charge", "charge at start [°C]", 0), ("peak_manifold_pressure", "peak pressure [kPa]", 0),
        ("time_to_boost", "to 90 % [s]", 1), ("effectiveness", "effectiveness", 2),
        ("recovery_time", "recovery [s]", 0), ("duration", "duration [s]", 1),
    ]  # fmt: skip
    frame = result.measures[(result.measures["kind"] == "pull") & result.measures["included"].astype(bool)]
    columns = [c for c in columns if frame[c[0]].notna().any()]
    elapsed = [c for c in map(str, frame) if c.startswith("elapsed_s ") and not c.endswith(" u")]
    rows = [
        (
            row["session"],
            row["number"],
            *(_figure(row[name], digits) for name, _, digits in columns),
            *(_elapsed(row[name], row[f"{name} u"]) for name in elapsed),
        )
        for row in frame.to_dict(orient="records")
    ]
    headings = (
        "session",
        "pull",
        *(h for _, h, _ in columns),
        *(f"{c.removeprefix('elapsed_s ')} km/h [s]" for c in elapsed),
    )
    return table(headings, rows, caption="Pulls that count")


def _elapsed(value: float, u: float) -> str:
    return f"{value:.1f} ± {u:.1f}" if math.isfinite(value) else "–"


def cruises(result: Result) -> Fragment:
    """Return the cruises that count, a row a cruise."""
    frame = result.measures[(result.measures["kind"] == "cruise") & result.measures["included"].astype(bool)]
    if frame.empty:
        protocol = result.experiment.protocol
        wanted = f"a steady {protocol.cruise_kmh:g} km/h for at least {protocol.cruise_min_s:g} s"
        return Fragment(f"<p>No cruise was found: {wanted}.</p>")
    columns = [
        ("mean_speed", "speed [km/h]", 1), ("mean_rise", "rise [K]", 1), ("mean_charge", "charge [°C]", 1),
        ("mean_inlet", "inlet [°C]", 1), ("mean_coolant", "coolant [°C]", 1),
        ("mean_manifold_pressure", "pressure [kPa]", 0),
    ]  # fmt: skip
    columns = [c for c in columns if frame[c[0]].notna().any()]
    rows = [
        (
            row["session"],
            row["phase"],
            f"{row['end_s'] - row['start_s']:.0f}",
            *(_figure(row[name], digits) for name, _, digits in columns),
        )
        for row in frame.to_dict(orient="records")
    ]
    return table(
        ("session", "phase", "length [s]", *(h for _, h, _ in columns)),
        rows,
        numbers_from=2,
        caption="Cruises that count",
    )


def phases(result: Result) -> Fragment:
    """Return the means of pulls and cruises side by side, session by session first, then by phase."""
    names = [
        ("pull", "peak_rise", "peak charge above inlet", "K"), ("pull", "peak_charge", "peak charge", "°C"),
        ("pull", "inlet_at_peak", "inlet at the peak", "°C"),
        ("pull", "peak_manifold_pressure", "peak manifold pressure", "kPa"),
        ("pull", "time_to_boost", "time to 90 % of it", "s"), ("pull", "effectiveness", "cooler effectiveness", ""),
        ("cruise", "mean_rise", "cruise charge above inlet", "K"), ("cruise", "mean_coolant", "cruise coolant", "°C"),
    ]  # fmt: skip
    rows = []
    frame = result.measures[result.measures["included"].astype(bool)]
    for kind, name, words, unit in names:
        part = frame[(frame["kind"] == kind) & frame[name].notna()]
        means = part.groupby(["phase", "session"])[name].mean().groupby(level="phase").mean()
        if {"before", "after"} <= set(means.index):
            before, after = float(means["before"]), float(means["after"])
            digits = 2 if unit == "" else 1
            rows.append((words, unit, _figure(before, digits), _figure(after, digits), f"{after - before:+.{digits}f}"))
    return table(("as measured, mean of session means", "unit", "before", "after", "difference"), rows, numbers_from=2)


# --- the comparison ----------------------------------------------------------------------------------------------


def routes(result: Result) -> Fragment:
    """Return the change by every route."""
    c = result.comparison
    digits = decimals(c.standard_uncertainty)

    def row(name: str, change: float, low: float, high: float, remark: str) -> tuple[str, ...]:
        return (name, f"{change:+.{digits}f}", f"{low:+.{digits}f} to {high:+.{digits}f}", remark)

    rows = [row("this result", c.change, c.low, c.high, "")]
    rows += [row(r.name, r.change, r.low, r.high, r.remark) for r in result.cross_checks.routes]
    if result.with_left_out is not None:
        w = result.with_left_out
        rows.append(row("with what was left out", w.change, w.low, w.high, VERDICT_WORDS[w.verdict].lower()))
    return table(
        ("route", f"change [{c.unit}]", f"{c.level:.0%} interval", ""), rows, caption="The same change by other routes"
    )


def checks(result: Result) -> Fragment:
    """Return the checks that the result was put to."""
    rows = [
        (check.name, check.sentence, {True: "agrees", False: "does not agree", None: ""}[check.agrees])
        for check in result.cross_checks.checks
    ]
    return table(("check", "what it says", ""), rows, numbers_from=9, caption="Checks")


def budget(result: Result) -> Fragment:
    """Return the uncertainty budget."""
    c = result.comparison
    lines = [(line.source, str(line.kind), line.standard_uncertainty, line.dof) for line in c.budget]
    lines.append(("together", "", c.standard_uncertainty, c.dof))
    rows = [(source, kind, f"{u:.3f}", "∞" if math.isinf(dof) else f"{dof:.1f}") for source, kind, u, dof in lines]
    note = (
        f"<p>Half-width of the interval: {(c.high - c.low) / 2:.2f} {c.unit}. Kind A comes from the data, kind B from "
        f"other knowledge (JCGM 100:2008). Method: {escape(c.method)}.</p>"
    )
    listed = table(("source", "kind", f"standard uncertainty [{c.unit}]", "degrees of freedom"), rows, numbers_from=2)
    return Fragment(listed.html + note)


def like_for_like(result: Result) -> Fragment:
    """Return the conditions of before and after side by side."""
    rows = []
    for condition in result.conditions:
        digits = 3 if condition.unit == "kg/m³" else 1
        difference = condition.after - condition.before
        rows.append(
            (
                ("⚑ " if condition.flagged else "") + condition.name,
                condition.unit,
                _figure(condition.before, digits),
                _figure(condition.after, digits),
                f"{difference:+.{digits}f}" if np.isfinite(difference) else "–",
                condition.note or "alike",
            )
        )
    return table(("condition", "unit", "before", "after", "difference", "flag"), rows, numbers_from=2)


# --- the end -----------------------------------------------------------------------------------------------------


def conclusion(result: Result) -> Fragment:
    """Return the verdict once more, what it means, and its limits."""
    c = result.comparison
    boost = [f.message for f in result.findings if f.code.startswith("boost-")]
    text = "".join(f'<p class="pb-alert">{escape(message)}</p>' for message in boost)
    text += f"<p><strong>{escape(c.sentence)}</strong> {escape(VERDICT_MEANS[c.verdict])}</p>"
    both = ""
    if result.with_left_out is not None:
        both = f"<p>With what was left out counted: {escape(result.with_left_out.sentence)}</p>"
    return Fragment(text + both + "<h3>What this cannot tell</h3>" + _list(LIMITS))


def cautions() -> Fragment:
    """Return the usual cautions."""
    return Fragment('<div class="pb-cautions">' + _list(CAUTIONS) + "</div>")


def colophon(result: Result) -> Fragment:
    """Return what made the page, so that it can be made again."""
    return Fragment(
        f'<p class="pb-facts">Made by pullbook {escape(result.version)} from inputs '
        f"{escape(result.inputs_sha256[:16])}. The figures are in results.json and runs.csv beside this page.</p>"
    )


def findings_text(found: Sequence[Finding]) -> list[str]:
    """Return findings as plain lines for a terminal."""
    return [f"{finding.severity}: {finding.message}" for finding in found]


def drive_text(drive: Drive) -> list[str]:
    """Return a drive as plain lines for a terminal: channels, runs, findings."""
    log, runs = drive.log, drive.runs
    lines = [f"{drive.session.name} ({drive.session.phase}): {log.name}, {log.duration_s / 60:.1f} min"]
    width = max(len(name) for name in log.signals)
    for name, signal in log.signals.items():
        step = f"step {signal.resolution:g}" if signal.resolution else "never moves"
        lines.append(
            f"  {name:<{width}}  {signal.unit:<9} every {signal.period_s:.2f} s, {step}, from {signal.column!r}"
        )
    lines.append(f"  full load told by: {runs.full_load_from.replace('_', ' ')}")
    for run in runs.all:
        state = "counts" if run.included else f"does not count: {run.reason}"
        lines.append(
            f"  {run.name:<10} {run.start_s:8.1f} s to {run.end_s:8.1f} s  "
            f"{run.start_kmh:4.0f} to {run.end_kmh:4.0f} km/h  {state}"
        )
    if not runs.all:
        lines.append("  no pull and no cruise found")
    lines += [f"  {line}".replace("\n", "\n    ") for line in findings_text(drive.findings)]
    return lines
