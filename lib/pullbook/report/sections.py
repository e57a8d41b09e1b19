"""The words and tables of the report, as fragments of HTML made from a result alone."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pullbook.analysis.between import TIME_BETWEEN, long_apart
from pullbook.analysis.comparability import Condition
from pullbook.analysis.result import Result
from pullbook.analysis.secondary import SecondaryOutcome
from pullbook.analysis.sensor_shift import INLET_UNCHECKED
from pullbook.analysis.sessions import UNCHECKED_FIGURES, Drive, engine_notes
from pullbook.physics import air
from pullbook.reading.units import CHANNELS
from pullbook.report.glossary import glossary
from pullbook.report.html import Fragment, escape, folded, listed, run_key, table, told
from pullbook.runs.find import Run
from pullbook.runs.heat_soak import MIN_IDLE_S
from pullbook.runs.measures import CHANNEL_ABSENT, COOLER_LOSS_KPA, COOLER_LOSS_U_KPA, INLET_LOSS_KPA, INLET_LOSS_U_KPA
from pullbook.runs.operating_point import CHARGE_C
from pullbook.settings.experiment import PHASES, Experiment, Notes, described
from pullbook.settings.outcomes import elapsed_columns
from pullbook.statistics.allowance import scatter_words
from pullbook.statistics.boost import outside_kpa, pressure_words
from pullbook.statistics.estimate import conditions_of
from pullbook.statistics.robustness import AS_MEASURED
from pullbook.statistics.uncertainty import combined
from pullbook.statistics.verdict import VERDICT_WORDS
from pullbook.text import (
    adds_up,
    budget_digits,
    budget_line,
    budget_source,
    counted,
    decimals,
    difference_unit,
    enumerated,
    in_brackets,
    in_ten,
    number,
    percent,
    said_once,
    sentence_case,
    signed,
    unbroken,
    unit_suffix,
)

if TYPE_CHECKING:
    import pandas as pd

VERDICT_MEANS = {
    "improved": "The whole interval is better than the change that matters to you.",
    "improved-size-unclear": (
        "The whole interval is on the better side of zero, but part of it is too small to matter to you."
    ),
    "no-worthwhile-change": ("The whole interval is too small to matter to you. That is not the same as no effect."),
    "not-resolved": (
        "The interval includes changes that matter and changes that don't. Not shown is not the same as no effect."
    ),
    "worse-size-unclear": (
        "The whole interval is on the worse side of zero, but part of it is too small to matter to you."
    ),
    "worse": "The whole interval is worse than the change that matters to you.",
}
LIMITS = (
    "One vehicle, one service. This says nothing about other vehicles, or about how long the effect lasts.",
    "The driver knew which drives came after the service.",
    "Cleaning, moving or replacing a sensor during the service breaks the comparison, and no log shows it.",
)

CANNOT_TELL = (TIME_BETWEEN, UNCHECKED_FIGURES, INLET_UNCHECKED)  # findings that belong beside them


# --- the answer --------------------------------------------------------------------------------------------------


def answer(result: Result) -> Fragment:
    """Return the first thing on the page: the verdict and its sentence, with one caution if there is any.

    A warning of boost stands before the verdict. `meaning` has the other warnings.
    """
    experiment, c = result.experiment, result.comparison
    boost, others = _warnings(result)
    alert = f'<p class="pb-alert" role="alert"><strong>First:</strong> {escape(boost[0])}</p>' if boost else ""
    caution = "" if boost or not others else f'<p class="pb-note">{escape(unbroken(_first_sentence(others[0])))}</p>'
    word, _, rest = result.sentence.partition(": ")
    return Fragment(
        f'<section class="pb-answer pb-{c.verdict}"><h1>{escape(experiment.title)}</h1>{alert}'
        f'<p class="pb-verdict">{escape(word)}</p>'
        f'<p class="pb-sentence">{escape(unbroken(sentence_case(rest)))}</p>'
        f"{caution}</section>"
    )


def meaning(result: Result) -> Fragment:
    """Return what the answer rests on and is worth, and the warnings that the first screen has no room for.

    `findings` has those of boost.
    """
    experiment = result.experiment
    boost, others = _warnings(result)
    question = f'<p class="pb-question">{escape(experiment.question)}</p>' if experiment.question else ""
    apart = "".join(f.message for f in result.findings if long_apart(f))
    facts = (_facts(result), apart, chances(result), worth(result), weather_share(result), refit(result))
    shown = others if boost or not others or _first_sentence(others[0]) != others[0] else others[1:]
    return Fragment(
        question
        + "".join(f"<p>{escape(text)}</p>" for text in facts if text)
        + "".join(f'<div class="pb-note">{told(message)}</div>' for message in shown)
    )


def chances(result: Result) -> str:
    """Say how likely the change is an improvement, and one that is worthwhile; nothing without a comparison."""
    c = result.comparison
    if not c.comparable:
        return ""
    return (
        f"Chance of any improvement: {in_ten(c.probability_better)}. Of more than "
        f"{result.shown.brief(c.worthwhile, c.unit)}: {in_ten(c.probability_worthwhile)}."
    )


def _warnings(result: Result) -> tuple[list[str], list[str]]:
    """Return the warnings of boost, and the others."""
    say = result.shown.text
    boost = [say(finding.message) for finding in result.findings if finding.about_boost]
    return boost, [say(finding.message) for finding in result.warnings if not finding.about_boost]


def _first_sentence(text: str) -> str:
    return re.split(r"(?<=[.!?]) (?=[A-Z(])", text, maxsplit=1)[0]


def _facts(result: Result) -> str:
    experiment, c = result.experiment, result.comparison
    kind = experiment.outcome_spec.kind
    when = f", {experiment.service.date.isoformat()}" if experiment.service.date else ""
    out = int(result.measures["left_out"].sum())
    left = f" You left out {out}." if out else ""
    if marked := int((result.measures["marked"].notna() & result.measures["included"]).sum()):
        left += f" You marked {marked} by hand."
    vehicle, what = experiment.vehicle.description, experiment.service.what
    about = f"{vehicle}. " if described(vehicle) else ""
    if described(what) or when:
        about += f"Service: {what if described(what) else ''}{when}. ".replace(": , ", ": ")
    return (
        f"{about}{counted(c.before.pulls, kind)} "
        f"in {counted(c.before.sessions, 'session')} before, {c.after.pulls} in {c.after.sessions} after.{left}"
    )


def worth(result: Result) -> str:
    """Say what a change of charge temperature is worth in air, or nothing for other outcomes."""
    c = result.comparison
    outcome = result.experiment.outcome_spec
    if not c.comparable or not outcome.of_charge or any(f.about_boost for f in result.findings):
        return ""
    rows = result.measures
    column = "peak_charge" if outcome.kind == "pull" else "mean_charge"
    after_c = float(rows.loc[rows["included"] & (rows["phase"] == "after"), column].mean())
    if not math.isfinite(after_c):
        return ""
    gain, low, high = (
        float(air.density_gain_percent(charge_before_c=after_c - x, charge_after_c=after_c))
        for x in (c.change, c.high, c.low)
    )
    if low > 0 or high < 0:
        size, ends = result.shown.quantity(abs(c.change), "K", 1), sorted((abs(low), abs(high)))
        felt, air_is, amount = ("cooler", "denser", "more") if gain > 0 else ("warmer", "thinner", "less")
        return (
            f"{size} {felt} means {abs(gain):.1f} % {air_is} air at the same pressure ({ends[0]:.1f} to "
            f"{ends[1]:.1f} %). So each stroke gets at most that much {amount} air."
        )
    return (
        f"At the same pressure, the air could be anywhere from {abs(low):.1f} % thinner to {high:.1f} % denser. No "
        "gain or loss of air is shown."
    )


def weather_share(result: Result) -> str:
    """Say what the change is as measured, and how good the correction is; nothing where none was made.

    The size of the correction is not printed: rounded, the three would not always add up.
    """
    c = result.comparison
    plain = next((r for r in result.cross_checks.routes if r.name == AS_MEASURED), None)
    if plain is None or not c.slopes:
        return ""
    conditions = conditions_of(c.slopes)
    u = combined([line for line in c.budget if line.source.endswith(": correction")])
    unit = unit_suffix(result.shown.unit(c.unit))
    u, u_change, measured, change = (
        result.shown.value(x, c.unit) for x in (u, c.standard_uncertainty, plain.change, c.change)
    )
    digits = decimals(u_change)
    least = 10.0**-digits
    if max(abs(measured - change), u) < least / 2:
        return f"Correcting for {conditions} moves the change by less than {least:g}{unit}."
    good_to = f"{u:.{digits}f}" if u >= least / 2 else f"less than {least:g}"
    return (
        f"As measured, the change is {signed(measured, digits)}{unit}. The answer corrects that for "
        f"{conditions}, give or take {good_to}{unit}."
    )


def refit(result: Result) -> str:
    """Say whether the boost is as before; nothing where a warning says it is not."""
    if any(f.about_boost for f in result.findings):
        return ""
    figure = next((f for f in result.secondary_outcomes if f.name == "peak_manifold_pressure"), None)
    if figure is None:
        return "No manifold pressure in these logs, so a leak would go unseen."
    peaks = {p: pressure_words(getattr(figure, p), outside_kpa(result.measures, p)) for p in PHASES}
    return result.shown.text(
        f"Boost is unchanged: no sign of a leak. It peaks at {peaks['after']}, against "
        f"{peaks['before']} before ({percent(result.comparison.level)} interval of the change "
        f"{figure.low:+.1f} to {figure.high:+.1f} kPa)."
    )


# --- the logs ----------------------------------------------------------------------------------------------------


def drives(result: Result) -> Fragment:
    """Return the drives: length, runs that count, how fast and fine the charge temperature was logged."""
    rows = []
    dated = any(drive.when for drive in result.drives)
    for drive in result.drives:
        charge = drive.log.get("charge_air_temperature")
        source = drive.log.sources.get("charge_air_temperature")
        rows.append(
            (
                drive.session.name,
                drive.session.phase,
                *((drive.when.replace(" ", "\N{NO-BREAK SPACE}"),) if dated else ()),
                f"{drive.log.duration_s / 60:.1f} min" if drive.log.figures is None else None,
                f"{sum(r.included for r in drive.runs.pulls)} of {len(drive.runs.pulls)}",
                f"{sum(r.included for r in drive.runs.cruises)} of {len(drive.runs.cruises)}",
                f"{charge.period_s:.2f} s" if charge else None,
                result.shown.brief(source.resolution, "K") if source else None,
                drive.runs.full_load_from.replace("_", " "),
            )
        )
    headings = (
        "session",
        "phase",
        *(("driven",) if dated else ()),
        "length",
        "pulls that count",
        "cruises",
        "charge read every",
        "in steps of",
        "full load judged from",
    )
    drawn = table(headings, rows, numbers_from=3 if dated else 2, caption="The drives")
    return Fragment(drawn.html + _noted(result))


def _noted(result: Result) -> str:
    """Return what the person noted of each drive; nothing where nothing was."""
    by_words: dict[str, list[str]] = {}
    for session in result.experiment.sessions:
        if session.notes:
            by_words.setdefault(session.notes, []).append(session.name)
    noted = [f"{enumerated(names)}: {words}" for words, names in by_words.items()]
    return f"<p>Noted by the driver, and not checked:</p>{listed(noted).html}" if noted else ""


def channels(result: Result) -> Fragment:
    """Return which column served which channel, and where the intake's sensors are taken to sit."""
    used: dict[tuple[str, str, str], list[str]] = {}
    for drive in result.drives:
        for name, source in drive.log.sources.items():
            used.setdefault((name, source.column, source.unit), []).append(drive.session.name)
    every = len(result.drives)
    order = list(CHANNELS)
    rows = [
        (name.replace("_", " "), column, unit, "all" if len(names) == every else ", ".join(names))
        for (name, column, unit), names in sorted(used.items(), key=lambda item: order.index(item[0][0]))
    ]
    read = table(("channel", "column in the log", "read as", "sessions"), rows, numbers_from=9)
    notes = [told(result.shown.text(f.message)) for f in engine_notes(result.experiment, result.drives)]
    places = "".join(f"<p>{escape(line)}</p>" for line in _sensor_places(result))
    return Fragment(folded("What was read", read.html + places).html + "".join(f"<p>{line}</p>" for line in notes))


PLACES = {"charge_air_temperature": "after the cooler", "intake_air_temperature": "before the compressor"}


def _sensor_places(result: Result) -> list[str]:
    """Say where each temperature of the intake is taken to be measured, and who says so."""
    told: dict[str, list[str]] = {}
    for channel, place in PLACES.items():
        sources = (drive.log.sources.get(channel) for drive in result.drives)
        if columns := list(dict.fromkeys(source.column for source in sources if source is not None)):
            by = (
                "as experiment.yaml says"
                if channel in result.experiment.channels
                else "going by the name. If that is wrong, say so under channels"
            )
            told.setdefault(by, []).append(f"{', '.join(map(repr, columns))} to sit {place}")
    return [f"We take {' and '.join(places)}, {by}." for by, places in told.items()]


COMPARISON = "the comparison"  # where something was noticed of both phases, and not in a log


def findings(result: Result) -> Fragment:
    """Return what was noticed: on the comparison first, then log by log, the same sentence once.

    What `answer`, `meaning` or `conclusion` says has been left to them.
    """
    grouped: dict[tuple[str, str], list[str]] = {}
    boost, others = _warnings(result)
    said, brief = {*boost[:1], *others}, dict(zip(boost, said_once(boost), strict=True))
    for finding in result.findings:
        message = result.shown.text(finding.message)
        if message in said or finding.code in CANNOT_TELL or message[1:] in result.sentence:
            continue
        grouped.setdefault((finding.severity, finding.message), []).append(COMPARISON)
    for drive in result.drives:
        for finding in drive.findings:
            if finding.code == CHANNEL_ABSENT:  # the table of channels shows what was logged
                continue
            grouped.setdefault((finding.severity, finding.message), []).append(drive.session.name)
    if not grouped:
        return Fragment(f"<p>Nothing {'more ' if result.findings else ''}to report.</p>")
    rank = {"refusal": 0, "warning": 1, "note": 2}
    items = {
        key: f'<li class="pb-{key[0]}"><strong>{key[0]}</strong> {told(brief.get(text, text))} '
        f'<span class="pb-where">{escape(_where(where, len(result.drives)))}</span></li>'
        for key, where in sorted(grouped.items(), key=lambda item: rank[item[0][0]])
        for text in [result.shown.text(key[1])]
    }
    serious = "".join(item for (severity, _), item in items.items() if severity != "note")
    notes = [item for (severity, _), item in items.items() if severity == "note"]
    shown = f'<ul class="pb-findings">{serious}</ul>' if serious else ""
    if notes:
        shown += folded(counted(len(notes), "note"), f'<ul class="pb-findings">{"".join(notes)}</ul>').html
    return Fragment(shown)


def _where(names: Sequence[str], every: int) -> str:
    if len(names) == every and every > 1:
        return "all sessions"
    return ", ".join(name for name in dict.fromkeys(names) if name != COMPARISON)


def left_out(result: Result) -> Fragment:
    """Return the runs that do not count, with the reason for each."""
    out = [(drive, run) for drive in result.drives for run in drive.runs.all if not run.included]
    rows = [(*_run_told(result, drive, run), _reason(result, run)) for drive, run in out]
    if not rows:
        return Fragment("")  # the summary of `runs` has said that all count
    return table(
        ("session", "run", "at", "speed", "why it does not count"),
        rows,
        numbers_from=9,
        caption="Runs that don't count",
        runs=[run_key(drive.session.name, run.name) for drive, run in out],
    )


def _run_told(result: Result, drive: Drive, run: Run) -> tuple[str, ...]:
    if not run.timed:
        return drive.session.name, run.name, "written down", "–"
    speeds = result.shown.text(f"{run.start_kmh:.0f}–{run.end_kmh:.0f} km/h")
    return drive.session.name, run.name, f"{run.start_s:.0f} s", speeds


def _reason(result: Result, run: Run) -> str:
    """Return why a run does not count; a person's own words stay as they are."""
    return run.reason if run.left_out else result.shown.text(run.reason)


def runs(result: Result) -> Fragment:
    """Return every run that was found and whether it counts, folded under one line."""
    found = [(drive, run) for drive in result.drives for run in drive.runs.all]
    rows = [
        (*_run_told(result, drive, run), _counts(result, run) if run.included else _reason(result, run))
        for drive, run in found
    ]
    count = sum(run.included for _, run in found)
    by_hand = sum(run.left_out for _, run in found)
    marked = sum(run.included and bool(run.marked) for _, run in found)
    keys = [run_key(drive.session.name, run.name) for drive, run in found]
    of_these = [f"{'all' if count == len(found) else count} count{f' ({marked} marked by hand)' if marked else ''}"]
    of_these += [
        f"{n} {what}" for n, what in ((by_hand, "left out by you"), (len(found) - count - by_hand, "not usable")) if n
    ]
    summary = f"{counted(len(found), 'run')} found: {', '.join(of_these)}."
    every = table(("session", "run", "at", "speed", "counts, or why not"), rows, numbers_from=9, runs=keys).html
    return Fragment(folded(summary, every).html + marked_by_hand(result).html)


def marked_by_hand(result: Result) -> Fragment:
    """Return the pulls that a person marked by hand, with the reason and what detection had against each."""
    found = [
        f"{drive.session.name}, {run.name}: {_counts(result, run)}"
        + ("" if run.included else f". It does not count: {_reason(result, run)}")
        for drive in result.drives
        for run in drive.runs.pulls
        if run.marked
    ]
    return Fragment(f'<div class="pb-note">Pulls that you marked by hand:{listed(found).html}</div>' if found else "")


def _counts(result: Result, run: Run) -> str:
    """Say that a run counts, and of one marked by hand on whose word."""
    if not run.marked:
        return "counts"
    return f"marked by hand: {run.marked} (by itself it had not counted: {result.shown.text(run.undetected)})"


# --- figures of the runs -----------------------------------------------------------------------------------------


DIGITS = {"kPa": 0, "g/s": 0, "1": 2, "kg/m³": 3}  # of an outcome, by its unit; 1 for the others
_Column = tuple[str, str, str, int]  # measure, heading, unit, decimals


def _outcome_first(result: Result, kind: str, columns: Sequence[_Column]) -> list[_Column]:
    """Return the columns of a kind of run with the outcome's first, where it is a figure of that kind."""
    outcome = result.experiment.outcome_spec
    if outcome.kind != kind:
        return list(columns)
    own = (outcome.name, result.shown.text(outcome.label), outcome.unit, DIGITS.get(outcome.unit, 1))
    return [
        next((column for column in columns if column[0] == outcome.name), own),
        *(column for column in columns if column[0] != outcome.name),
    ]


def pulls(result: Result) -> Fragment:
    """Return the pulls that count, a row a pull: the outcome, then what else was measured."""
    columns = [
        ("peak_rise", "rise", "K", 1), ("peak_charge", "peak charge", "°C", 0), ("inlet_at_peak", "inlet", "°C", 1),
        ("start_charge", "charge at start", "°C", 0), ("peak_manifold_pressure", "peak pressure", "kPa", 0),
        ("time_to_boost", "to 90 %", "s", 1), ("effectiveness", "effectiveness", "1", 2),
        ("heat_rejected", "heat", "kW", 1), ("recovery_time", "recovery", "s", 1), ("duration", "duration", "s", 1),
    ]  # fmt: skip
    frame = result.measures[(result.measures["kind"] == "pull") & result.measures["included"]]
    columns = [c for c in _outcome_first(result, "pull", columns) if frame[c[0]].notna().any()]
    named = {c[0] for c in columns}
    elapsed = [c for c in elapsed_columns(frame) if frame[c].notna().any() and c not in named]
    rows = [
        (
            row["session"],
            row["number"],
            *(
                _with_u(result, row[name], row.get(f"{name}_u", math.nan), unit, digits)
                for name, _, unit, digits in columns
            ),
            *(_with_u(result, row[name], row[f"{name}_u"], "s", 1) for name in elapsed),
        )
        for row in frame.to_dict(orient="records")
    ]
    headings = (
        "session",
        "pull",
        *(heading + in_brackets(result.shown.unit(unit)) for _, heading, unit, _ in columns),
        *(result.shown.text(f"{c.removeprefix('elapsed_s ')} km/h") + " [s]" for c in elapsed),
    )
    return table(headings, rows, caption="Pulls that count", runs=_keys(frame))


def _keys(frame: pd.DataFrame) -> list[str]:
    """Return what the run of each row is known by."""
    return [run_key(row["session"], f"{row['kind']} {row['number']}") for row in frame.to_dict(orient="records")]


def _with_u(result: Result, value: float, u: float, unit: str, digits: int) -> str:
    """Return a figure with its standard uncertainty, without their unit; ``digits`` as in the internal unit."""
    shown = result.shown
    u = shown.value(u, difference_unit(unit))
    return _plus_minus(shown.value(value, unit), u, shown.digits(digits, unit))


def _plus_minus(value: float, u: float, digits: int) -> str:
    if not (math.isfinite(value) and math.isfinite(u)):
        return number(value, digits)
    while digits < 3 and u > 0 and float(f"{u:.{digits}f}") == 0:
        digits += 1  # "± 0.0" would say that it is known exactly
    return f"{value:.{digits}f} ± {u:.{digits}f}"


def cruises(result: Result) -> Fragment:
    """Return the cruises that count, a row a cruise: the outcome, then what else was measured."""
    frame = result.measures[(result.measures["kind"] == "cruise") & result.measures["included"]]
    if frame.empty:
        protocol = result.experiment.protocol
        wanted = result.shown.text(f"a steady {protocol.cruise_kmh:g} km/h for at least {protocol.cruise_min_s:g} s")
        return Fragment(f"<p>No cruise found. A cruise is {wanted}.</p>")
    columns = [
        ("mean_speed", "speed", "km/h", 1), ("mean_rise", "rise", "K", 1), ("mean_charge", "charge", "°C", 1),
        ("mean_inlet", "inlet", "°C", 1), ("mean_coolant", "coolant", "°C", 1),
        ("mean_manifold_pressure", "pressure", "kPa", 0),
    ]  # fmt: skip
    columns = [c for c in _outcome_first(result, "cruise", columns) if frame[c[0]].notna().any()]
    rows = [
        (
            row["session"],
            row["phase"],
            number(row["end_s"] - row["start_s"], 0),
            *(result.shown.number(row[name], unit, digits) for name, _, unit, digits in columns),
        )
        for row in frame.to_dict(orient="records")
    ]
    return table(
        (
            "session",
            "phase",
            "length [s]",
            *(heading + in_brackets(result.shown.unit(unit)) for _, heading, unit, _ in columns),
        ),
        rows,
        numbers_from=2,
        runs=_keys(frame),
        caption="Cruises that count",
    )


def phases(result: Result) -> Fragment:
    """Return the means before and after, of sessions first, then of phases: the outcome, then what goes with it."""
    of_pulls = [
        ("peak_rise", "peak charge above inlet", "K", 1), ("peak_charge", "peak charge", "°C", 1),
        ("inlet_at_peak", "inlet at the peak", "°C", 1),
    ]  # fmt: skip
    of_cruises = [("mean_rise", "cruise charge above inlet", "K", 1), ("mean_coolant", "cruise coolant", "°C", 1)]
    columns = [
        *(("pull", column) for column in _outcome_first(result, "pull", of_pulls)),
        *(("cruise", column) for column in _outcome_first(result, "cruise", of_cruises)),
    ]
    outcome = result.experiment.outcome
    rows, exact = [], True
    frame = result.measures[result.measures["included"]]
    for kind, (name, words, unit, digits) in sorted(columns, key=lambda column: column[1][0] != outcome):
        part = frame[(frame["kind"] == kind) & frame[name].notna()]
        means = part.groupby(["phase", "session"])[name].mean().groupby(level="phase").mean()
        if {"before", "after"} <= set(means.index):
            before, after = float(means["before"]), float(means["after"])
            before, after = result.shown.value(before, unit), result.shown.value(after, unit)
            digits = result.shown.digits(digits, unit)
            change = signed(after - before, digits)
            exact = exact and adds_up(before, after, after - before, digits)
            rows.append((words, result.shown.unit(unit), number(before, digits), number(after, digits), change))
    return table(
        ("figure", "unit", "before", "after", "difference"),
        rows,
        numbers_from=2,
        caption=f"Before and after as measured (means of session means{'' if exact else '; rounded'})",
    )


# --- secondary outcomes ------------------------------------------------------------------------------------------


def secondary_outcomes(result: Result) -> Fragment:
    """Return the further figures before and after, group by group, with what you need to know to read them."""
    notes = {
        "air and cooler": _air_notes(result),
        "heat left over": _heat_notes(result),
        "boost": _boost_notes(result),
        "time to speed": _time_notes(result),
    }
    parts = []
    for group, note in notes.items():
        figures = [f for f in result.secondary_outcomes if f.group == group and f.applies]
        listed = _side_table(result, figures).html if figures else "<p>Not in these logs.</p>"
        said = "".join(f"<p>{escape(result.shown.text(text))}</p>" for text in note)
        how = folded("How to read these", said).html if said else ""
        parts.append(f"<div><h3>{sentence_case(group)}</h3>{listed}{how}</div>")
    return Fragment(f'<div class="pb-pair">{"".join(parts)}</div>')


def _side_table(result: Result, figures: Sequence[SecondaryOutcome]) -> Fragment:
    shown, rows = result.shown, []
    for figure in figures:
        unit = figure.unit  # none of them is a temperature in °C, so levels and changes have the same
        change, low, high, u_change, before, after = (
            shown.value(x, unit)
            for x in (figure.change, figure.low, figure.high, figure.standard_uncertainty, figure.before, figure.after)
        )
        digits = decimals(u_change)
        u = shown.value(figure.common_uncertainty, unit) if unit != "%" else 0.0
        levels = (number(value, digits) for value in (before, after))
        both = f", levels ±{u:.{digits}f}" if u else ""
        interval = f"({signed(low, digits)} to {signed(high, digits)})".replace(" ", "\N{NO-BREAK SPACE}")
        said = f"{signed(change, digits)} {interval}"
        rows.append((shown.text(figure.label) + in_brackets(shown.unit(unit)) + both, said, *levels))
    return table(("figure", f"change ({percent(result.comparison.level)} interval)", "before", "after"), rows)


def _has(result: Result, name: str) -> bool:
    return any(figure.name == name for figure in result.secondary_outcomes)


def _air_notes(result: Result) -> list[str]:
    notes = []
    if _has(result, "effectiveness"):
        if result.measures["outlet_estimated"].max() > 0:
            notes.append(
                "The compressor outlet is estimated, with efficiency "
                f"{result.experiment.vehicle.compressor_efficiency:.2f} ± {air.EFFICIENCY_U:.2f} and usual "
                f"pressure losses of {INLET_LOSS_KPA:.0f} ± {INLET_LOSS_U_KPA:.0f} kPa before it and "
                f"{COOLER_LOSS_KPA:.0f} ± {COOLER_LOSS_U_KPA:.0f} kPa in the cooler. The ± of the levels "
                "comes from that. It is the same error before and after, so most of it drops out of the "
                "change."
            )
        else:
            notes.append("The compressor outlet was measured.")
    if _has(result, "charge_density"):
        notes.append("Charge density is corrected to the same inlet temperature.")
    if not _has(result, "heat_rejected"):
        notes.append("No air-flow channel in both phases, so heat rejected was not calculated.")
    return notes


def _heat_notes(result: Result) -> list[str]:
    if all(drive.log.figures is not None for drive in result.drives):
        return ["This takes a log."]
    missing = [
        words
        for name, words in (
            ("soak_rise", "cruise after the pulls (needs a cruise before and after them, in both phases)"),
            ("recovery_time", "recovery (the rest after the pulls was too short)"),
            ("idle_climb", f"idle soak (needs a standstill of {MIN_IDLE_S:.0f} s in both phases)"),
        )
        if not _has(result, name)
    ]
    return [f"Not measured: {', '.join(missing)}."] if missing else []


def _boost_notes(result: Result) -> list[str]:
    figure = next((f for f in result.secondary_outcomes if f.name == "peak_manifold_pressure"), None)
    peaks = []
    if figure is not None:
        before, after = (pressure_words(getattr(figure, p), outside_kpa(result.measures, p)) for p in PHASES)
        peaks = [f"A gauge shows the pressure above that outside. Peak before: {before}. After: {after}."]
    if result.point is None or not _has(result, "pressure_at_speed"):
        return peaks
    text = f"'The same engine speed' is {result.point.engine_rpm:.0f} rpm, in the middle of the pulls"
    if _has(result, "flow_at_point"):
        text += f". The air flow there is corrected to {result.point.manifold_kpa:.0f} kPa and {CHARGE_C:.0f} °C"
    return [*peaks, text + "."]


def _time_notes(result: Result) -> list[str]:
    notes = [_reference_note(result)]
    if _has(result, "wheel_power"):
        notes.append(
            "Power at the wheels is calculated from mass and time. Drag and rolling resistance are guesses, "
            "the same before and after, and we assume the same road. Use it to compare the phases, not to "
            "rate the engine."
        )
    return notes


def _reference_note(result: Result) -> str:
    version = "UN R85 (2014 text, annex 5; ISO 1585 is similar)"
    found = next(
        (f for f in result.secondary_outcomes if f.name.startswith("elapsed_s") and "reference" in f.name), None
    )
    if found is None:
        return f"No time in reference air: the factor of {version} is not valid in this air, or a time is missing."
    figures = (
        f"{found.before:.1f} ± {found.common_uncertainty:.1f} s before and {found.after:.1f} ± "
        f"{found.common_uncertainty:.1f} s after"
    )
    how = _engine_factor_words(result.experiment)
    if found.applies:
        return f"In reference air (25 °C, 99 kPa dry) by {version}{how}."
    return (
        f"Read the times as measured. Corrected to reference air by {version}{how}, the longest would be {figures}. "
        "But that factor does not apply to a boosted engine that holds its boost in any weather. Since "
        "supplement 7 of 2015 the regulation no longer corrects such engines."
    )


def _engine_factor_words(experiment: Experiment) -> str:
    diesel = experiment.vehicle.fuel == "diesel"
    return " (engine factor anywhere from 0.3 to 1.2, because the fuel rate is unknown)" if diesel else ""


# --- the comparison ----------------------------------------------------------------------------------------------


NOT_COMPARED = Fragment("<p>Nothing was compared. The first warning on this page says why.</p>")


def routes(result: Result) -> Fragment:
    """Return the change by every route."""
    c = result.comparison
    if not c.comparable:
        return NOT_COMPARED
    shown = result.shown
    digits = decimals(shown.value(c.standard_uncertainty, c.unit))

    def row(name: str, change: float, low: float, high: float, remark: str) -> tuple[str, ...]:
        change, low, high = (shown.value(x, c.unit) for x in (change, low, high))
        return (name, f"{change:+.{digits}f}", f"{low:+.{digits}f} to {high:+.{digits}f}", remark)

    rows = [row("this result", c.change, c.low, c.high, "")]
    if c.as_driven is not None:
        d = c.as_driven
        rows.append(row("as driven", d.change, d.low, d.high, "boost not corrected"))
    rows += [row(r.name, r.change, r.low, r.high, r.remark) for r in result.cross_checks.routes]
    if result.with_left_out is not None:
        w = result.with_left_out
        rows.append(row("counting what you left out", w.change, w.low, w.high, VERDICT_WORDS[w.verdict].lower()))
    return table(
        ("route", f"change{in_brackets(shown.unit(c.unit))}", f"{percent(c.level)} interval", "remark"),
        rows,
        words_from=3,
        caption="The same change calculated in other ways",
    )


def checks(result: Result) -> Fragment | None:
    """Return the checks of the result; None where there are too few sessions for any."""
    rows = [
        (
            check.name,
            result.shown.text(check.sentence),
            {True: "agrees", False: "does not agree", None: ""}[check.agrees],
        )
        for check in result.cross_checks.checks
    ]
    return (
        table(("check", "what it found", "with the result"), rows, numbers_from=9, caption="Checks") if rows else None
    )


def budget(result: Result) -> Fragment:
    """Return the uncertainty budget."""
    c = result.comparison
    if not c.comparable:
        return NOT_COMPARED
    shown, unit = result.shown, result.shown.unit(c.unit)
    lines = [(line.source, str(line.kind), line.standard_uncertainty, line.dof) for line in c.budget]
    lines.append(("together", "", c.standard_uncertainty, c.dof))
    digits = budget_digits(shown.value(c.standard_uncertainty, c.unit))
    rows = [
        (
            budget_source(shown.text(source)),
            kind,
            budget_line(shown.value(u, c.unit), digits),
            "∞" if math.isinf(dof) else f"{dof:.1f}",
        )
        for source, kind, u, dof in lines
    ]
    half = f"{shown.value((c.high - c.low) / 2, c.unit):.3g}{unit_suffix(unit)}"
    both = any(line.kind == "A and B" for line in c.budget)
    joined = "; day to day joins an assumed scatter with what your days show" if both else ""
    note = (
        f"<p>Half the width of the interval: {half}. Kind A comes from the data, kind B from other knowledge "
        f"(JCGM 100:2008){joined}. Method: {escape(c.method)}.</p>"
        f"<p>{escape(shown.text(scatter_words(c.allowance, c.unit)))}</p>"
        f"<p>{escape(c.looks.sentence)}</p>"
    )
    lines_table = table(
        ("source", "kind", f"standard uncertainty{in_brackets(unit)}", "degrees of freedom"), rows, numbers_from=2
    )
    lines_told = folded("The uncertainty budget, line by line", lines_table.html + note)
    rests_on = f"<p>The interval holds the true change {percent(c.level)} of the time if:</p>"
    return Fragment(
        lines_told.html + folded("What the interval assumes", rests_on + _assumptions(result).html + NO_OPINION).html
    )


NO_OPINION = "<p>The chances at the top start with no opinion: any change was as likely as any other.</p>"


def _assumptions(result: Result) -> Fragment:
    """List what the coverage of the interval rests on, beside the lines of the budget."""
    c = result.comparison
    unit = result.shown.unit(c.unit)
    allowed = f"{result.shown.value(c.allowance.sd, c.unit):.2g}{unit_suffix(unit)}"
    physics = [slope.name for slope in c.slopes]
    slopes = (
        f"The slopes from physics hold for your vehicle, each within its doubt ({enumerated(physics)})."
        if physics
        else "No condition that differs between the drives moves this figure. None is corrected for."
    )
    return listed(
        [
            "Days are independent: one day's weather, road and fuel say nothing about another's. Drives of one date "
            "count as one day; a drive without a date counts as a day of its own.",
            "Days scatter as much after the service as before, and nearly normally: no single freak day.",
            f"With nothing changed, days scatter by about {allowed}, as allowed for. If they scatter by far more, few "
            "sessions cannot show it and the interval is too narrow.",
            "The sensors read the same before and after, in the same places, or the budget has a line for it.",
            "Apart from the service, the vehicle was in the same state: fuel, load, tyres, oil, other repairs.",
            slopes,
        ]
    )


def like_for_like(result: Result) -> Fragment:
    """Return the conditions of before and after side by side."""
    rows, shown, exact = [], result.shown, True
    for condition in result.conditions:
        digits = shown.digits(3 if condition.unit == "kg/m³" else 1, condition.unit)
        before, after = (shown.value(x, condition.unit) for x in (condition.before, condition.after))
        difference = after - before
        exact = exact and adds_up(before, after, difference, digits)
        rows.append(
            (
                ("⚑ " if condition.flagged else "") + condition.name,
                shown.unit(condition.unit),
                number(before, digits),
                number(after, digits),
                signed(difference, digits) if np.isfinite(difference) else "–",
                _moved(result, condition),
                shown.text(condition.note) or "alike",
            )
        )
    headings = ("condition", "unit", "before", "after", "difference", "possible effect on the result", "flag")
    flagged = [row for row, condition in zip(rows, result.conditions, strict=True) if condition.flagged]
    first = (
        table(headings, flagged, numbers_from=2, words_from=5).html if flagged else "<p>No condition was flagged.</p>"
    )
    caption = f"All {len(rows)} conditions{'' if exact else ' (rounded)'}"
    every = table(headings, rows, numbers_from=2, words_from=5, caption=caption)
    return Fragment(first + every.html)


def _moved(result: Result, condition: Condition) -> str:
    unit = result.comparison.unit
    if not math.isfinite(condition.could_move):
        return condition.basis
    carried = "allowed for" if condition.carried else "not allowed for"
    could_move = signed(result.shown.value(condition.could_move, unit), 1) + unit_suffix(result.shown.unit(unit))
    return f"{could_move}, {carried} ({result.shown.text(condition.basis)})"


def service(result: Result) -> Fragment:
    """Return what the person noted about the service and its sensors, if anything."""
    done = result.experiment.service
    notes = done.notes or Notes()
    rows = [
        ("came out", notes.came_out),
        ("collected", None if notes.collected_ml is None else result.shown.brief(notes.collected_ml, "ml")),
        ("dried for", None if notes.drying_h is None else f"{notes.drying_h:g} h"),
        ("parts replaced", ", ".join(notes.parts_replaced)),
        *((channel.replace("_", " ") + " sensor", what) for channel, what in done.sensors.items()),
        ("photos", ", ".join(notes.photos)),
        ("remarks", notes.remarks),
    ]
    noted = [(name, text) for name, text in rows if text]
    if not noted:
        return Fragment("")
    return table(("the service", "as noted"), noted, words_from=1, caption="What was found during the service")


# --- the end -----------------------------------------------------------------------------------------------------


def conclusion(result: Result) -> Fragment:
    """Return the verdict once more, what it means, and its limits."""
    c = result.comparison
    boost = any(f.about_boost for f in result.findings)
    text = "<p>Act on the boost warning at the top first.</p>" if boost else ""
    text += f"<p><strong>{escape(VERDICT_WORDS[c.verdict])}.</strong> {escape(VERDICT_MEANS[c.verdict])}</p>"
    both = ""
    if result.with_left_out is not None:
        both = f"<p>Counting what you left out: {escape(result.with_left_out.sentence_in(result.shown))}</p>"
    between = [result.shown.text(f.message) for f in result.findings if f.code in CANNOT_TELL and not long_apart(f)]
    return Fragment(text + both + "<h3>What this cannot tell</h3>" + listed((*between, *LIMITS)).html)


def colophon(result: Result) -> Fragment:
    """Return the glossary, and what made the page, so that it can be made again."""
    return Fragment(
        glossary(result.shown).html + f'<p class="pb-facts">Made by pullbook {escape(result.version)} from inputs '
        f"{escape(result.inputs_sha256[:16])}. pullbook run also writes "
        "the figures: results.json and runs.csv.</p>"
    )
