"""Draft an experiment from logs: copy them, recognise what they hold, ask or propose the rest, say what is needed."""

from __future__ import annotations

import os
import re
import shlex
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pullbook.analysis.same_drive import refuse_copies
from pullbook.analysis.sessions import same_day, settling_lines
from pullbook.commands.check import time_text
from pullbook.commands.copies import copied, reserved, targets_for
from pullbook.commands.draft import draft_text
from pullbook.commands.guess import Guess, fuel_seen, guess_protocol
from pullbook.commands.interview import Interview
from pullbook.commands.questions import (
    Answers,
    Drawn,
    Given,
    answers,
    date_order,
    order_shown,
    started,
    with_days,
)
from pullbook.errors import ExperimentError, Finding, LogError
from pullbook.quantities import Shown
from pullbook.reading.logs import Log, read_drive, read_kept
from pullbook.reading.sensor_place import engine_findings
from pullbook.settings.experiment import (
    FILE_NAME,
    LOG_SUFFIXES,
    UNDESCRIBED,
    Experiment,
    Phase,
    experiments_beside,
    fuel_meant,
    parse_settings,
)
from pullbook.settings.files import write_whole
from pullbook.settings.fingerprint import log_digests
from pullbook.text import counted, fold

NOBODY = Interview()
MOST_REASONS = 3  # more do not help anybody decide


def draft_experiment(
    folder: str | Path,
    *,
    before: Sequence[str | Path],
    after: Sequence[str | Path],
    figures: Sequence[str | Path] = (),
    given: Given | None = None,
    interview: Interview = NOBODY,
    propose: bool = False,
) -> list[str]:
    """Write a draft ``experiment.yaml`` with copies of the logs that are not in the folder yet.

    Parameters
    ----------
    folder : path
        Made if need be; must not hold an ``experiment.yaml`` yet.
    before, after : sequence of path
        Logs of the two phases, or folders of them; either may be empty. The logs of a folder are taken in the order of
        their dates, or of their names where one has no date.
    figures : sequence of path
        Two tables of figures in place of logs, the one from before first; ``before`` and ``after`` may hold more.
    given : Given, optional
        Answers given as options.
    interview : Interview
        Asks for the others; by default nobody is asked, and what is proposed is taken.
    propose : bool
        Take also what the logs only suggest: where the intake sensor sits, and that this is the vehicle of the
        experiments beside it. A person who is asked sees both as proposals.

    Returns
    -------
    list of str
        What was recognised and what is still needed, as lines for a person.

    Raises
    ------
    PullbookError
        When a log or an answer is refused, or the folder already holds an experiment; nothing is written then.
    """
    folder = Path(folder)
    if os.path.lexists(folder / FILE_NAME):
        raise ExperimentError(f"{folder}: already holds {FILE_NAME}. Give another folder, or edit that one")
    if figures:
        first, last = _both_phases(figures)
        before, after = [first, *before], [last, *after]
    if not before and not after:
        raise ExperimentError("no logs given. Name them after --before and --after")
    given = given or Given()
    skipped: list[str] = []
    found = [*_found("before", before, skipped), *_found("after", after, skipped)]
    day_first = date_order([one.phase for one in found], [one.log for one in found], given.date_order, interview)
    found, orders = _in_order(found, day_first)
    sources, drives = [one.path for one in found], _drawn(found, day_first)
    log_digests(dict(zip((drive.name for drive in drives), sources, strict=True)))  # refuses a log given twice
    refuse_copies({drive.name: drive.log for drive in drives})
    by_hand = {one.path for one in found if one.log.figures is not None}
    guess = guess_protocol([drive.log for drive in drives])
    interview.begin([f"{drive.name}: {drive.log.name}{f', {drive.day}' if drive.day else ''}" for drive in drives])
    logs = [drive.log for drive in drives]
    day_first = order_shown(logs, day_first)
    drives = with_days(drives, given, interview, day_first)
    logged = {drive.name: drive.log for drive in drives if drive.log.figures is None}
    engine = engine_findings(logged) if logged else ()
    beside = experiments_beside(folder)
    propose = propose or interview.ask is not None
    earlier: tuple[str, ...] = ()
    sibling = _shared_vehicle(beside, drives, given)
    said = answers(
        drives,
        guess,
        engine,
        given,
        interview,
        sibling=sibling.vehicle if sibling else None,
        propose=propose,
        title=folder.resolve().name,
        day_first=day_first,
    )
    with reserved(folder):
        targets = targets_for(folder, sources, figures=by_hand)
        with copied(folder, sources, targets):
            text = draft_text(guess, drives, targets, said)
            experiment = Experiment.from_settings(parse_settings(text), folder)
            if beside:
                from pullbook.analysis.expected import earlier_beside  # the statistics take a second to load

                earlier = earlier_beside(experiment, {drive.name: drive.log for drive in drives})
            text = draft_text(guess, drives, targets, said, earlier)
            Experiment.from_settings(parse_settings(text), folder)  # what is written can be read
            write_whole(folder / FILE_NAME, text)
    taken = sibling if sibling and propose and said.vehicle == sibling.vehicle.description else None
    told = _told(folder, drives, guess, engine, said, earlier)
    notes = [f"Vehicle: as in ../{taken.folder.name}."] if taken and given.vehicle is None else []
    return [told[0], *(fold(line) for line in (*orders, *skipped, *notes)), *told[1:]]


# --- which logs --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Found:
    phase: Phase
    path: Path
    log: Log
    group: int  # of the logs that one folder holds
    folder: str = ""  # its name


def _found(phase: Phase, given: Sequence[str | Path], skipped: list[str]) -> list[_Found]:
    """Read the logs that were named, and those of the folders that were named; text in a folder may be notes."""
    found = []
    for group, path in enumerate(map(Path, given)):
        if not path.is_dir():
            found.append(_Found(phase, path, read_drive(path), group))
            continue
        logs = []
        for one in _logs_in(path):
            try:
                logs.append(_Found(phase, one, read_drive(one), group, path.name))
            except LogError as refusal:
                if one.suffix.lower() != ".txt":
                    raise
                skipped.append(f"Skipped {one.name} in {path.name}: {str(refusal).removeprefix(f'{one.name}: ')}")
        if not logs:
            raise ExperimentError(f"{path}: no log in this folder. {' '.join(skipped)}")
        found += logs
    return found


def _both_phases(figures: Sequence[str | Path]) -> tuple[Path, Path]:
    """Decide which of two tables is from before: the first, unless their names say the other."""
    if len(figures) != 2:
        raise ExperimentError(
            f"--figures: given {counted(len(figures), 'table')}. Allowed are two, before and after. For more drives "
            "name a table each after --before and --after, which take figures as well as logs"
        )
    first, last = map(Path, figures)
    for path in (first, last):
        read_kept(path)  # refuses what is no table of figures
    turned = "after" in first.stem.lower() and "before" in last.stem.lower()
    return (last, first) if turned else (first, last)


def _logs_in(folder: Path) -> list[Path]:
    logs = [
        path
        for path in sorted(folder.iterdir(), key=lambda path: _natural(path.name))
        if path.is_file()
        and not path.name.startswith(".")
        and path.name.lower().removesuffix(".gz").endswith(LOG_SUFFIXES)
    ]
    if not logs:
        raise ExperimentError(f"{folder}: no log in this folder. Allowed are files ending in {', '.join(LOG_SUFFIXES)}")
    return logs


def _natural(name: str) -> list[tuple[int, str]]:
    """Sort drive-10 after drive-9."""
    return [(int(part), "") if part.isdecimal() else (0, part.lower()) for part in re.split(r"(\d+)", name)]


def _in_order(found: Sequence[_Found], day_first: bool | None) -> tuple[list[_Found], list[str]]:
    """Put the logs of each folder in the order of their dates, where all of them have one; and say so."""
    ordered: list[_Found] = []
    said = []
    for key in dict.fromkeys((one.phase, one.group) for one in found):
        group = [one for one in found if (one.phase, one.group) == key]
        starts = {one.path: start for one in group if (start := started(one.log, day_first)) is not None}
        dated = len(starts) == len(group)
        ordered += sorted(group, key=lambda one: starts[one.path]) if dated else group
        if group[0].folder and len(group) > 1:
            by = "by date" if dated else "by name, because not all of them have a date"
            said.append(f"{counted(len(group), 'log')} of {group[0].folder}, {by}.")
    return ordered, said


def _drawn(found: Sequence[_Found], day_first: bool | None) -> list[Drawn]:
    drives = []
    for k, one in enumerate(found):
        number = sum(other.phase == one.phase for other in found[: k + 1])
        start = started(one.log, day_first)
        drives.append(
            Drawn(
                name=f"{one.phase}-{number}",
                phase=one.phase,
                log=one.log,
                day=start.date() if start else None,
                says_date=one.log.time.month_first is not None,
            )
        )
    return drives


def _shared_vehicle(beside: Sequence[Experiment], drives: Sequence[Drawn], given: Given) -> Experiment | None:
    """Return one of the experiments beside this one, if they agree on the vehicle and nothing contradicts it."""
    vehicles = {(e.vehicle.description, e.vehicle.fuel): e for e in beside}
    only = next(iter(vehicles.values())) if len(vehicles) == 1 else None
    if only is None or only.vehicle.description == UNDESCRIBED:
        return None
    seen, reason = fuel_seen([drive.log for drive in drives])
    fuel = fuel_meant(given.fuel) if given.fuel else seen if reason else only.vehicle.fuel
    return only if fuel == only.vehicle.fuel else None


# --- what is said ------------------------------------------------------------------------------------------------


def _speeds(guess: Guess) -> list[str]:
    """Say which speeds the logs show, and which are only a start."""
    protocol = guess.protocol
    cruise, start = f"{protocol.cruise_kmh:g}", f"{protocol.pull_from_kmh:g} to {protocol.pull_to_kmh:g} km/h"
    near = f" The nearest is {guess.part_throttle}." if guess.part_throttle else ""
    if guess.written and not guess.pulls:
        return [
            f"{counted(guess.written, 'pull')} written down. No log shows their speeds, so {start} and a cruise at "
            f"{cruise} km/h are only {'what the tables say' if guess.told_speeds else 'a first guess'}."
        ]
    return [
        f"Cruise found at {cruise} km/h."
        if guess.cruise
        else f"No steady stretch found. {cruise} km/h is only a first guess.",
        f"{counted(guess.pulls, 'pull')} found, {start}.{_which_count(guess)}"
        if guess.pulls
        else f"No pulls found. {start} is only a first guess.{near}",
    ]


def _which_count(guess: Guess) -> str:
    """Say how many of the pulls found will count and why the others do not; nothing where all do."""
    if not guess.why_not:
        return ""
    reasons = Counter(guess.why_not).most_common()
    why = "; ".join(f"{reason}{f' ({count} times)' if count > 1 else ''}" for reason, count in reasons[:MOST_REASONS])
    more = len(reasons) - MOST_REASONS
    more_words = f"; and {more} more, see pullbook check" if more > 0 else ""
    return f" {guess.counting} of them count. The others do not: {why}{more_words}."


def _told(
    folder: Path,
    drives: Sequence[Drawn],
    guess: Guess,
    engine: Sequence[Finding],
    said: Answers,
    earlier: Sequence[str],
) -> list[str]:
    names, logs = [drive.name for drive in drives], [drive.log for drive in drives]
    kept = sum(log.figures is not None for log in logs)
    what = [counted(n, noun) for n, noun in ((len(logs) - kept, "log"), (kept, "table")) if n]
    lines = [f"Wrote {folder / FILE_NAME} with {' and '.join(what)}{' of figures' if kept else ''}."]
    for name, log in zip(names, logs, strict=True):
        if log.figures is None:
            lines.append(f"{name}: {log.name}, {log.duration_s / 60:.1f} min")
            lines.append(fold(f"  time: {time_text(log)}"))
        else:
            lines.append(f"{name}: {log.name}, {counted(len(log.figures.rows), 'run')} written down")
        lines += [fold(f"  {channel}: {source.column!r} [{source.unit}]") for channel, source in log.sources.items()]
        lines += [fold(f"  not recognised: {column!r}{_could_be(log, column)}") for column in log.unknown_columns]
    shown = Shown(said.units)
    lines += [fold(shown.text(line)) for line in _speeds(guess)]
    lines += [fold(f"{f.severity}: {f.message}") for f in same_day((d.phase, d.name, d.day) for d in drives)]
    if earlier:
        lines.append(
            fold(
                f"Other experiments of this vehicle, whose days count too: {', '.join(earlier)}. If it is another "
                f"vehicle, delete earlier: in {FILE_NAME}."
            )
        )
    lines.append(fold(f"Outcome: {said.outcome}. {said.why_outcome}".rstrip()))
    if said.sensor is None:
        lines += [fold(f"{finding.severity}: {finding.message}") for finding in engine]
    # With the sensor's place settled, only a rise from before the compressor can still lack a channel.
    rise = said.outcome.startswith(("peak_rise", "rise_at"))
    may_lack = said.sensor is None or (said.sensor == "before" and rise)
    needs = []
    for channel in ("vehicle_speed", "charge_air_temperature", "intake_air_temperature") if may_lack else ():
        lacking = [n for n, log in zip(names, logs, strict=True) if log.figures is None and log.get(channel) is None]
        if lacking:
            needs.append(f"{channel.replace('_', ' ')} in {', '.join(lacking)}")
    if needs and (columns := settling_lines(logs)):
        lines += [
            (
                "These columns could be channels, going by unit and values. Put the ones that are right into "
                f"{FILE_NAME}:"
            )
        ]
        lines += ["channels:", *columns]
    if needs:
        lines.append(
            fold(
                f"The usual question, peak_rise, still needs: {'; '.join(needs)}. Name the column under "
                f"'channels:' in {FILE_NAME}, or ask another question there (outcome:)."
            )
        )
    open_ones = [what for what, text in (("vehicle", said.vehicle), ("service", said.service)) if text == UNDESCRIBED]
    lines += [
        f"Next: describe the {' and the '.join(open_ones)} in {FILE_NAME}, then:" if open_ones else "Next:",
        f"  pullbook check {shlex.quote(str(folder))}",
    ]
    return lines


def _could_be(log: Log, column: str) -> str:
    """Say which channels a column could be by its unit and values; nothing where none fits."""
    for finding in log.findings:
        if (
            finding.code == "column-unrecognised"
            and finding.evidence["column"] == column
            and finding.evidence["closest"]
        ):
            return f" (going by unit and values, it could be {' or '.join(finding.evidence['closest'][:2])})"
    return ""
