"""``pullbook add``: one more drive, beside the car; whether it is usable, another worth it, and the answer now.

Everything is decided before anything is written: the new logs are analysed where they lie, as if they were in the
experiment already. Then they are copied, and ``experiment.yaml`` gets its new lines last of all.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from pullbook.analysis.expected import expected_scatter
from pullbook.analysis.result import Result, analyse_experiment, measure_drives
from pullbook.analysis.sessions import Drive, cut_in_two, day_findings, missing_for_outcome, read_drives
from pullbook.analysis.usable import Usability, usability
from pullbook.commands.copies import copied, targets_for
from pullbook.commands.interview import Interview
from pullbook.commands.sensors import sensors_behind
from pullbook.errors import ComparisonError, ExperimentError, LogError
from pullbook.quantities import Shown
from pullbook.reading.figures import is_figures
from pullbook.reading.logs import read_drive
from pullbook.reading.source import opened
from pullbook.report.html import escape, listed, told
from pullbook.runs.operating_point import operating_point
from pullbook.settings.experiment import (
    FILE_NAME,
    PHASES,
    Experiment,
    Phase,
    Sensor,
    SensorWork,
    Session,
    accepted,
    parse_settings,
    read_settings,
)
from pullbook.settings.files import write_whole
from pullbook.settings.share import fit_to_share
from pullbook.settings.yaml_edit import Edit, with_edits, with_item
from pullbook.statistics.comparison import Comparison
from pullbook.statistics.gears import check_gears
from pullbook.statistics.looks import FREE_SESSIONS, Looks
from pullbook.statistics.power import MOST_SESSIONS, Outlook, expected_interval, outlook, power_of
from pullbook.text import counted, decimals, fold, percent, unit_suffix

CAUTION = (
    "Pull only on a closed road or a dynamometer, within the speed limit, with a passenger at the logger. "
    "Let hot parts cool. This is evidence, not a licence."
)
MOST_DOUBTS, MOST_ADVICE = 4, 3  # more do not fit one screen; `pullbook check` has them all
WORTH_IT = 0.2  # a smaller chance of a clear answer is not worth a drive; our own bar, no source
NOTE = "ambient_c: 14.0          # in the shade, if you noted it; pressure_hpa and wind_ms help too"


@dataclass(frozen=True, kw_only=True)
class Added:
    """What was done with the given logs.

    Attributes
    ----------
    folder : Path
    phase : {"before", "after"}
    drives : tuple of (str, Usability)
        A log each, with the file's name as given.
    doubts : tuple of tuple of str
        Of each drive, those of its log included.
    still_to_say : tuple of str
        What only the person knows and has not said yet.
    worth : str
        Whether another session is worth it.
    first : tuple of str
        What has to be read before the answer, such as that a hose may leak.
    answer : str
        What the answer is now.
    """

    folder: Path
    phase: Phase
    drives: tuple[tuple[str, Usability], ...]
    doubts: tuple[tuple[str, ...], ...]
    still_to_say: tuple[str, ...]
    worth: str
    first: tuple[str, ...]
    answer: str

    @property
    def doubtful(self) -> bool:
        """Whether any of the drives is."""
        return any(self.doubts)

    @property
    def advice(self) -> tuple[str, ...]:
        """What to do differently on the next drive, once each."""
        return tuple(dict.fromkeys(line for _, drive in self.drives for line in drive.advice))


def add_logs(
    folder: str | Path,
    logs: Sequence[str | Path],
    *,
    phase: Phase,
    sensors: Mapping[Sensor, SensorWork] | None = None,
    days: Sequence[dt.date | None] | None = None,
) -> Added:
    """Add drives to an experiment, a log each.

    Parameters
    ----------
    folder : path
        Of the experiment.
    logs : sequence of path
    phase : {"before", "after"}
    sensors : mapping, optional
        What was done to sensors during the service, by channel; written beside what stands there already.
    days : sequence of date or None, optional
        When each was driven, where its log does not say.

    Returns
    -------
    Added

    Raises
    ------
    PullbookError
        When the experiment or a log is refused, a log is in the experiment already, or holds no run that gives the
        figure asked about. The folder is then as it was.
    """
    folder = Path(folder)
    text = read_settings(folder)
    experiment = Experiment.from_settings(parse_settings(text), folder)
    sources = [Path(log) for log in logs]
    _refuse_known(experiment, sources)
    by_hand = [source for source in sources if is_figures(source)]
    targets = targets_for(folder, sources, figures=by_hand)
    names = _names(experiment, phase, len(sources))
    dated = list(days) if days is not None else [None] * len(sources)
    for name, source, target, day in zip(names, sources, targets, dated, strict=True):
        item = {"name": name, "phase": phase, "figures" if source in by_hand else "log": target}
        item |= {"date": day.isoformat()} if day else {}
        text = with_item(text, "sessions", item, notes=[NOTE])
    if sensors:
        text = with_edits(text, [Edit(("service", "sensors", channel), done) for channel, done in sensors.items()])
        service = experiment.service.model_copy(update={"sensors": {**experiment.service.sensors, **sensors}})
        experiment = experiment.model_copy(update={"service": service})
    trial = _trial(experiment, phase, names, sources, by_hand, dated)
    drives = read_drives(trial)
    result, comparison, judged = _judged(trial, drives, names)
    _refuse_unusable(trial, judged, sources)
    doubts = tuple(_doubts(drive, drives, experiment.shown) for drive in judged)
    with copied(folder, sources, targets):
        write_whole(folder / FILE_NAME, text)
    return Added(
        folder=folder,
        phase=phase,
        drives=tuple(zip((source.name for source in sources), judged, strict=True)),
        doubts=doubts,
        still_to_say=_still_to_say(
            experiment, phase, judged, [d.session.name for d in drives if d.session.name in names and d.driven is None]
        ),
        worth=_worth(trial, drives, comparison, judged),
        first=tuple(experiment.shown.text(f.message) for f in result.warnings if f.about_boost) if result else (),
        answer=comparison.sentence_in(experiment.shown) if comparison else _no_answer(trial),
    )


def ask_days(logs: Sequence[str | Path], given: str | None, interview: Interview) -> list[dt.date | None]:
    """Ask for the day of each drive whose log has no date; an option serves them all.

    Parameters
    ----------
    logs : sequence of path
    given : str or None
        The option.
    interview : Interview

    Raises
    ------
    PullbookError
        When a log is refused, or the day is none.
    """
    days: list[dt.date | None] = []
    for log in map(Path, logs):
        answer = None
        if given is not None or (interview.ask is not None and read_drive(log).start is None):
            answer = interview.answer(
                f"Day of {log.name}, such as 2026-03-14",
                option="--date",
                given=given,
                check=lambda text: accepted(Session, "date", text),
                proposal=None,
            )
        days.append(accepted(Session, "date", answer) if answer else None)
    return days


def sensors_to_ask(experiment: Experiment, phase: Phase) -> tuple[str, ...]:
    """Return the channels whose sensors have to be asked about: with the first drive after the service, once.

    Parameters
    ----------
    experiment : Experiment
        As it is before the drive is added.
    phase : {"before", "after"}
        Of the drive.
    """
    if phase == "before" or experiment.in_phase("after") or experiment.service.sensors:
        return ()
    return sensors_behind(experiment.outcome_spec.name)


def _refuse_known(experiment: Experiment, sources: Sequence[Path]) -> None:
    """Refuse a log that is in the experiment, packed or not and under any name, or is given twice."""
    known = {_content(path): f"session {s.name!r}" for s in experiment.sessions for path in experiment.log_paths(s)}
    for source in sources:
        digest = _content(source)
        if digest in known:
            raise ExperimentError(
                f"{source.name}: the same drive as {known[digest]}, value for value. Each drive counts once, "
                "so nothing was added"
            )
        known[digest] = source.name


def _content(path: Path) -> str:
    """Hash what a log holds, unpacked."""
    total = hashlib.sha256()
    with opened(path) as content:
        while part := content.read(1 << 20):
            total.update(part)
    return total.hexdigest()


def _names(experiment: Experiment, phase: Phase, count: int) -> list[str]:
    """Name new sessions after their phase, counting on from those that are there."""
    taken = {session.name for session in experiment.sessions}
    free = (f"{phase}-{k}" for k in range(len(experiment.in_phase(phase)) + 1, 10_000))
    return [name for _, name in zip(range(count), (n for n in free if n not in taken), strict=False)]


def _trial(
    experiment: Experiment,
    phase: Phase,
    names: Sequence[str],
    sources: Sequence[Path],
    by_hand: Sequence[Path],
    days: Sequence[dt.date | None],
) -> Experiment:
    """Return the experiment with the new sessions in it, their logs where they lie now."""
    added = [
        Session(name=name, phase=phase, log="not copied yet", date=day).model_copy(
            update={"log": None, "figures": str(source.resolve())}
            if source in by_hand
            else {"log": str(source.resolve())}
        )
        for name, source, day in zip(names, sources, days, strict=True)
    ]
    return experiment.model_copy(update={"sessions": (*experiment.sessions, *added)})


def _judged(
    trial: Experiment, drives: list[Drive], names: Sequence[str]
) -> tuple[Result | None, Comparison | None, list[Usability]]:
    """Judge the new drives. There is no result while one of the phases has no drive that counts."""
    result = None
    try:
        result = analyse_experiment(trial, drives=drives)
        measures = result.measures
    except ComparisonError:
        if missing := missing_for_outcome(trial, drives):
            raise LogError(missing[0]) from None
        measures, _ = measure_drives(trial, drives, operating_point((d.log, d.runs) for d in drives))
        measures = check_gears(measures, trial, trial.outcome_spec).keep(measures)
    judged = [usability(trial, drive, drives, measures) for drive in drives if drive.session.name in names]
    return result, result.comparison if result else None, judged


def _refuse_unusable(trial: Experiment, judged: Sequence[Usability], sources: Sequence[Path]) -> None:
    kind = trial.outcome_spec.kind
    for drive, source in zip(judged, sources, strict=True):
        if drive.counted or any("gear" in why for why in drive.why_not):
            continue
        protocol = trial.protocol
        wanted = (
            f"pulls from {protocol.pull_from_kmh:g} to {protocol.pull_to_kmh:g} km/h at full load"
            if kind == "pull"
            else f"a cruise at {protocol.cruise_kmh:g} km/h"
        )
        found = trial.shown.text("; ".join(drive.why_not)) or f"no {kind} was found"
        label = trial.shown.text(trial.outcome_spec.label)
        raise LogError(
            f"{source.name}: not usable, nothing was added. It has no {kind} that gives the {label}. That "
            f"takes {trial.shown.text(wanted)}. Found: {found}. Drive again, or correct the protocol in "
            f"{FILE_NAME} if you drove at other speeds."
        )


def _doubts(judged: Usability, drives: Sequence[Drive], shown: Shown) -> tuple[str, ...]:
    """Return what is doubtful about a drive: what was judged, and the warnings of its log."""
    (drive,) = [d for d in drives if d.session.name == judged.session]
    warnings = [
        shown.text(f.message)
        for f in (*drive.findings, *(f for f in cut_in_two(drives) if drive.session.name in f.evidence["sessions"]))
        if f.severity == "warning" and f.code != "refresh-slow"
    ]
    none = () if judged.counted else ("none of its runs is compared",)
    beside = [d for d in drives if d.session.phase == drive.session.phase]
    shared = [f for f in day_findings(beside) if drive.session.name in chain(*f.evidence["sessions"])]
    same = [shown.text(f.message) for f in shared if f.code == "same-day"]
    return (*_out_of_order(drive, drives), *none, *same, *judged.doubts, *warnings)


def _out_of_order(drive: Drive, drives: Sequence[Drive]) -> tuple[str, ...]:
    """Say so where a drive before the service is later than one after it, or the reverse, and how to undo it."""
    phase, day = drive.session.phase, drive.driven
    others = [d.driven for d in drives if d.session.phase != phase and d.driven is not None]
    if day is None or not others or not (day > min(others) if phase == "before" else day < max(others)):
        return ()
    other: Phase = "after" if phase == "before" else "before"
    return (
        f"driven on {day}, so it may belong {other} the service. If it does, change its phase and name in "
        f"{FILE_NAME}; to undo it, delete its lines there and its copy in logs",
    )


# --- is another worth it? ----------------------------------------------------------------------------------------


def _worth(trial: Experiment, drives: list[Drive], comparison: Comparison | None, judged: Sequence[Usability]) -> str:
    if comparison is None:
        return _worth_of_first(trial, drives, judged)
    estimate = comparison.estimate
    if estimate is None:
        return "No: more drives like these can't be compared. The answer says what would help."
    then = outlook(comparison, after=1)  # nobody can drive before the service any more
    if comparison.verdict != "not-resolved":
        return f"Not for the answer: that is clear. {_narrower(trial, comparison, then)}"
    one = f"one more session after the service has {_chance(then.chance)} of giving a clear answer"
    needed = comparison.after_needed
    if then.chance >= WORTH_IT:
        return f"Yes: {one}. Drive it on another day."
    if needed is None:
        return (
            f"Hardly: {one}. Even {MOST_SESSIONS} after it would not be enough: a larger effect or less scatter would."
        )
    later = f". With {needed} after it would be about an even chance" if needed > comparison.looks.after else ""
    return f"Hardly: {one}{later}."


def _narrower(trial: Experiment, comparison: Comparison, then: Outlook) -> str:
    """Say what one more session would make of the interval, and what keeps it from getting narrower."""
    half = (comparison.high - comparison.low) / 2
    shown, of = trial.shown, comparison.unit
    digits = decimals(shown.value(comparison.standard_uncertainty, of))
    now, later = (f"±{shown.value(width, of):.{digits}f}" for width in (half, then.half_width))
    unit = unit_suffix(shown.unit(of))
    if then.half_width < half and now != later:
        return f"One more would take it from {now} to about {later}{unit}."
    told = f"One more would not make the interval narrower: {now} now, about {later}{unit} then."
    looks = comparison.looks
    if looks.charged or not then.looks.charged:
        return told
    level = percent(then.looks.each_level)
    if looks.kept:
        planned = f"planned_sessions: {looks.planned}"
        return f"{told} Your plan ({planned}) is complete, and a look after it is judged at {level}."
    return (
        f"{told} Without planned_sessions in {FILE_NAME}, each look beyond {FREE_SESSIONS} sessions a side is judged "
        f"at {level}. It has to be set before the first drive."
    )


def _chance(chance: float) -> str:
    if chance < 0.05:
        return "a chance below 5 %"
    return f"about {5 * round(20 * chance)} chances in 100" if chance < 0.95 else "a chance above 95 %"


def _worth_of_first(trial: Experiment, drives: list[Drive], judged: Sequence[Usability]) -> str:
    """Say what the same number of sessions on the other side would give, where one side has none yet."""
    sides = {phase: len(trial.in_phase(phase)) for phase in PHASES}
    there: Phase = "before" if sides["before"] else "after"
    other: Phase = "after" if there == "before" else "before"
    if not any(drive.counted for drive in judged):
        return f"Yes: no drive from {other} the service counts yet."
    pulls = max(1, round(sum(drive.counted for drive in judged) / len(judged)))
    told, scatter = [], expected_scatter(trial, drives)
    for count in dict.fromkeys((max(1, sides[there]), max(1, sides[there]) + 1)):
        expected = expected_interval(sessions=count, pulls=pulls, scatter=scatter)
        power = power_of(
            change=trial.worthwhile_change,
            standard_uncertainty=expected.standard_uncertainty,
            dof=expected.dof,
            level=Looks(before=count, after=count, planned=trial.planned_sessions).each_level,
        )
        told.append(f"{count} a side {_chance(power)}")
    change = trial.shown.brief(trial.worthwhile_change, trial.outcome_spec.change_unit)
    return (
        f"Yes: with {told[0]} of seeing a change of {change}, with {told[-1]}. This assumes {scatter.source}. "
        f"Drive another day {there} the service now: later it is too late."
        if there == "before"
        else f"Yes: no drive from {other} the service counts yet."
    )


def _no_answer(trial: Experiment) -> str:
    sides = {phase: len(trial.in_phase(phase)) for phase in PHASES}
    missing = [phase for phase in PHASES if not sides[phase]]
    if missing:
        return f"None yet: there is no drive from {missing[0]} the service."
    return "None yet: no run counts in one of the phases."


def _still_to_say(
    experiment: Experiment, phase: Phase, judged: Sequence[Usability], undated: Sequence[str]
) -> tuple[str, ...]:
    said = [
        f"the weather of {drive.session}: {', '.join(drive.weather_missing)}"
        for drive in judged
        if drive.weather_missing
    ]
    said += [f"the day of {name}: put date: 2026-03-14 under it" for name in undated]
    if sensors_to_ask(experiment, phase):
        said.append(
            "did you refit, clean or replace a sensor during the service? If so, put it under service: "
            "sensors: {charge_air_temperature: refitted}"
        )
    return tuple(said)


# --- on a screen and on a phone ----------------------------------------------------------------------------------


def _headline(added: Added, k: int) -> str:
    name, drive = added.drives[k]
    doubts = added.doubts[k]
    state = f"usable, with {counted(len(doubts), 'doubt')}" if doubts else "usable"
    return f"{drive.session} (from {name}): {state}"


def screen(added: Added) -> list[str]:
    """Return what was found as lines that fit one screen of a terminal.

    Parameters
    ----------
    added : Added
    """
    lines = []
    for k, (_, drive) in enumerate(added.drives):
        lines.append(fold(_headline(added, k)))
        lines += [_row(fact.name, fact.found) for fact in drive.facts]
        doubts = added.doubts[k]
        lines += [fold(f"  ? {doubt}", indent="  ") for doubt in doubts[:MOST_DOUBTS]]
        if more := len(doubts) - MOST_DOUBTS:
            lines += [f"  ? and {more} more. pullbook check lists them all"] * (more > 0)
        lines.append("")
    advice = added.advice[:MOST_ADVICE]
    rows = [
        *(("First", line) for line in added.first),
        ("Next pull", " ".join(advice) or "just like this one"),
        *(("Still to note", line) for line in added.still_to_say),
        ("Another drive?", added.worth),
        ("Answer now", added.answer),
        ("Safety", CAUTION),
    ]
    return [*lines, *(_row(name, text) for name, text in rows)]


def _row(name: str, text: str) -> str:
    return fold(f"  {name:<15} {text}", indent=" " * 16)


STYLE = """
:root{color-scheme:light dark}
body{font:1rem/1.45 system-ui,sans-serif;margin:0 auto;padding:1rem;max-width:34rem;overflow-wrap:anywhere}
h1{font-size:1.25rem;margin:0 0 .6rem}
h2{font-size:1rem;margin:1.2rem 0 .2rem}
p,ul{margin:.2rem 0}
pre{overflow-x:auto;margin:.2rem 0;font-size:.85rem}
ul{padding-left:1.2rem}
dl{display:grid;grid-template-columns:5.6rem 1fr;gap:.2rem .6rem;margin:.4rem 0}
dt{opacity:.75}
dd{margin:0}
.said{border-left:5px solid;padding:.1rem 0 .1rem .7rem}
.small{font-size:.85rem;opacity:.8;margin-top:1.4rem}
"""


def page(added: Added) -> str:
    """Return the same as one small page for a phone: no script, nothing fetched, fit to share.

    Parameters
    ----------
    added : Added
    """
    parts = []
    for k, (_, drive) in enumerate(added.drives):
        facts = "".join(f"<dt>{escape(f.name)}</dt><dd>{escape(f.found)}</dd>" for f in drive.facts)
        parts.append(f"<h1>{escape(_headline(added, k))}</h1><dl>{facts}</dl>")
        if added.doubts[k]:
            doubts = "".join(f"<li>{told(doubt)}</li>" for doubt in added.doubts[k])
            parts.append(f"<h2>Doubts</h2><ul>{doubts}</ul>")
    if added.first:
        parts.append(f'<h2>First</h2><p class="said">{escape(" ".join(added.first))}</p>')
    parts.append(f"<h2>On the next pull</h2>{listed(added.advice or ('The same again, in every way.',)).html}")
    if added.still_to_say:
        parts.append(f"<h2>Still to note</h2>{listed(added.still_to_say).html}")
    parts.append(f"<h2>Another drive?</h2><p>{escape(added.worth)}</p>")
    parts.append(f'<h2>The answer now</h2><p class="said">{escape(added.answer)}</p>')
    parts.append(f'<p class="small">{escape(CAUTION)}</p>')
    html = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1"><title>This drive</title>'
        f"<style>{STYLE}</style></head><body>{''.join(parts)}</body></html>\n"
    )
    return fit_to_share({"drive.html": html.encode()})["drive.html"].decode()
