"""From an experiment folder to a result: the one place where the steps are put in order."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook import __version__
from pullbook.analysis.between import time_between
from pullbook.analysis.comparability import Condition, like_for_like
from pullbook.analysis.earlier import earlier_scatter
from pullbook.analysis.secondary import SecondaryOutcome, secondary_outcomes
from pullbook.analysis.sensor_shift import sensor_doubts
from pullbook.analysis.sessions import (
    Drive,
    cut_in_two,
    day_findings,
    inlet_findings,
    missing_for_outcome,
    read_drives,
    surroundings_of,
    unchecked_findings,
)
from pullbook.analysis.undated import undated
from pullbook.errors import Finding, LogError
from pullbook.quantities import Shown
from pullbook.runs.columns import AT_SPEED, CRUISE_MEASURES, PULL_MEASURES
from pullbook.runs.find import Run
from pullbook.runs.kept import kept_measures, missing_figures
from pullbook.runs.measures import measure, missing_measures
from pullbook.runs.operating_point import OperatingPoint, operating_point
from pullbook.settings.experiment import Experiment
from pullbook.settings.files import RESULTS, write_whole
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.settings.outcomes import Outcome, elapsed_columns, speed_of, speeds_of
from pullbook.settings.privacy import defused
from pullbook.statistics.comparison import Comparison, compare
from pullbook.statistics.gears import GearCheck, check_gears
from pullbook.statistics.robustness import CrossChecks, cross_check
from pullbook.statistics.unlike import OBSTACLES
from pullbook.statistics.unseen import unseen_differences
from pullbook.text import percent

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """Everything that the page, the post and the JSON are made from.

    Attributes
    ----------
    experiment : Experiment
    drives : tuple of Drive
        In the order of the experiment's sessions.
    measures : pandas.DataFrame
        A row a run of all sessions.
    comparison : Comparison
    with_left_out : Comparison or None
        The same with the left-out runs counted, when any were.
    cross_checks : CrossChecks
        The same change by other routes.
    conditions : tuple of Condition
    secondary_outcomes : tuple of SecondaryOutcome
        What else the engine felt.
    point : OperatingPoint or None
        Where boost and air flow at one engine speed were taken.
    findings : tuple of Finding
        On the comparison; a boost warning comes first.
    inputs_sha256 : str
        Of settings and logs, 64 hex digits.
    version : str
        Of the library.
    """

    experiment: Experiment
    drives: tuple[Drive, ...]
    measures: pd.DataFrame
    comparison: Comparison
    with_left_out: Comparison | None
    cross_checks: CrossChecks
    conditions: tuple[Condition, ...]
    secondary_outcomes: tuple[SecondaryOutcome, ...]
    point: OperatingPoint | None
    findings: tuple[Finding, ...]
    inputs_sha256: str
    version: str = field(default=__version__)

    @property
    def shown(self) -> Shown:
        """The units of all that is shown; the figures here stay as they are."""
        return self.experiment.shown

    @property
    def sentence(self) -> str:
        """The verdict's sentence in the units shown."""
        return self.comparison.sentence_in(self.shown)

    @property
    def warnings(self) -> tuple[Finding, ...]:
        """Findings on the comparison that change how it should be read; what the sentence says already left out."""
        return tuple(f for f in self.findings if f.severity == "warning" and f.code not in OBSTACLES)

    def to_dict(self) -> dict[str, Any]:
        """Return the results as plain JSON types."""
        plain: dict[str, Any] = _jsonable(
            {
                "schema": SCHEMA,
                "pullbook_version": self.version,
                "inputs_sha256": self.inputs_sha256,
                "sessions": {drive.session.name: _session_facts(drive) for drive in self.drives},
                "pulls": self._runs("pull", PULL_MEASURES),
                "cruises": self._runs("cruise", CRUISE_MEASURES),
                "comparison": self.comparison.to_dict(),
                "with_left_out": self.with_left_out.to_dict() if self.with_left_out else None,
                "other_routes": [vars(route) for route in self.cross_checks.routes],
                "checks": [vars(check) for check in self.cross_checks.checks],
                "like_for_like": [vars(condition) for condition in self.conditions],
                "other_figures": [vars(figure) for figure in self.secondary_outcomes],
                "operating_point": vars(self.point) if self.point else None,
                "findings": [finding.to_dict() for finding in self.findings],
            }
        )
        return plain

    def to_json(self) -> str:
        """Return the results as JSON text, stable for the same inputs."""
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def to_csv(self) -> str:
        """Return the runs as CSV, a row a run, the outcome before the other figures.

        Text that a spreadsheet would take for a formula is defused.
        """
        facts = list(self.measures.columns[: list(self.measures).index("end_speed") + 1])
        own = [c for end in AT_SPEED if (c := f"{self.experiment.outcome}{end}") in self.measures]
        frame = self.measures[list(dict.fromkeys([*facts, *own, *self.measures]))]
        frame = frame.drop(columns=[c for c in frame if frame[c].isna().all()])
        texts = frame.select_dtypes(exclude="number").columns
        frame = frame.assign(**{str(c): frame[c].map(defused) for c in texts})
        return str(frame.to_csv(index=False, lineterminator="\n"))

    def save(self, folder: str | Path) -> None:
        """Write ``results.json`` and ``runs.csv`` into a folder that exists."""
        write_whole(Path(folder) / RESULTS, self.to_json())
        write_whole(Path(folder) / "runs.csv", self.to_csv())

    def _runs(self, kind: str, names: tuple[str, ...]) -> list[dict[str, Any]]:
        elapsed = elapsed_columns(self.measures)
        if speed_of(self.experiment.outcome) is not None and kind == "pull":
            names = (*names, *(f"{self.experiment.outcome}{end}" for end in AT_SPEED))
        facts = ["session", "number", "start_s", "end_s", "included", "reason", "start_speed", "end_speed"]
        out = []
        for row in self.measures[self.measures["kind"] == kind].to_dict(orient="records"):
            entry = {name: row[name] for name in (*facts, *names)}
            if kind == "pull":
                entry["marked_by_hand"] = row["marked"] if isinstance(row["marked"], str) else ""
                entry["elapsed_s"] = {c.removeprefix("elapsed_s "): row[c] for c in elapsed}
                entry["elapsed_s_uncertainty"] = {c.removeprefix("elapsed_s "): row[f"{c}_u"] for c in elapsed}
            out.append(entry)
        return out


def analyse(folder: str | Path, *, level: float = 0.95, relative_dates: bool = False) -> Result:
    """Analyse an experiment folder.

    Parameters
    ----------
    folder : path
        Holds ``experiment.yaml`` and the logs.
    level : float
        Coverage of the interval, above 0.5 and below 1.
    relative_dates : bool
        Hold no absolute date: days from the service instead.

    Returns
    -------
    Result

    Raises
    ------
    PullbookError
        When no honest figure is possible; the message says what was found, what is allowed and the remedy.
    """
    return analyse_experiment(Experiment.load(folder), level=level, relative_dates=relative_dates)


def analyse_experiment(
    experiment: Experiment,
    *,
    level: float = 0.95,
    relative_dates: bool = False,
    drives: Sequence[Drive] | None = None,
) -> Result:
    """Analyse an experiment that is already loaded; settings may have been changed since.

    Parameters
    ----------
    experiment : Experiment
    level, relative_dates
        As for `analyse`.
    drives : sequence of Drive, optional
        When they have been found already, for this experiment fit to share.

    Raises
    ------
    PullbookError
        As for `analyse`.
    """
    inputs = inputs_sha256(experiment)
    drives = read_drives(experiment) if drives is None else list(drives)
    apart, cut = time_between(drives), cut_in_two(drives)
    today = [(drive.session, drive.log) for drive in drives]
    if relative_dates:
        experiment, drives = undated(experiment, drives)
    experiment = experiment.model_copy(update={"sessions": tuple(drive.session for drive in drives)})
    for text in missing_for_outcome(experiment, drives):
        raise LogError(text)
    point = operating_point((drive.log, drive.runs) for drive in drives)
    measures, drives = measure_drives(experiment, drives, point)
    earlier = earlier_scatter(experiment, table_of_runs, today=today)
    comparison = compare(measures, experiment, level=level, earlier=earlier)
    checks = cross_check(comparison)
    left_out = bool(measures["left_out"].any())
    with_left_out = (
        compare(measures, experiment, level=level, with_left_out=True, earlier=earlier) if left_out else None
    )
    gears = check_gears(measures, experiment, experiment.outcome_spec)
    drives = _without(drives, measures, gears)
    measures = gears.keep(measures)
    return Result(
        experiment=experiment,
        drives=tuple(drives),
        measures=measures,
        comparison=comparison,
        with_left_out=with_left_out,
        cross_checks=checks,
        conditions=like_for_like(measures, experiment, comparison.slopes, comparison.data),
        secondary_outcomes=secondary_outcomes(
            measures, experiment, idles=[(d.session.name, idle) for d in drives for idle in d.idles], level=level
        ),
        point=point,
        findings=(
            *(finding for finding in comparison.findings if finding.about_boost),
            *sensor_doubts(drives, measures, comparison),
            *(finding for finding in comparison.findings if not finding.about_boost),
            *cut,
            *day_findings(drives),
            *unseen_differences(measures, comparison.data),
            apart,
            *_low_level(level),
            *inlet_findings(drives),
            *unchecked_findings(drives),
            *checks.findings,
        ),
        inputs_sha256=inputs,
    )


def _without(drives: Sequence[Drive], measures: pd.DataFrame, gears: GearCheck) -> list[Drive]:
    """Return the drives with the runs of other gears kept out, each with its reason."""
    reasons: dict[str, dict[str, str]] = {}
    for place, reason in (gears.reasons or {}).items():
        row = measures.iloc[place]
        reasons.setdefault(str(row["session"]), {})[f"{row['kind']} {row['number']}"] = reason

    def judged(run: Run, of_session: dict[str, str]) -> Run:
        reason = of_session.get(run.name)
        return replace(run, included=False, left_out=False, reason=reason) if reason else run

    found = []
    for drive in drives:
        of_session = reasons.get(drive.session.name, {})
        runs = replace(
            drive.runs,
            pulls=tuple(judged(run, of_session) for run in drive.runs.pulls),
            cruises=tuple(judged(run, of_session) for run in drive.runs.cruises),
        )
        found.append(replace(drive, runs=runs) if of_session else drive)
    return found


def measure_drives(
    experiment: Experiment, drives: Sequence[Drive], point: OperatingPoint | None
) -> tuple[pd.DataFrame, list[Drive]]:
    """Measure the runs of all drives.

    Parameters
    ----------
    experiment : Experiment
    drives : sequence of Drive
    point : OperatingPoint or None
        From `pullbook.runs.operating_point`.

    Returns
    -------
    pandas.DataFrame
        A row a run, with the columns ``session``, ``phase`` and, where a date is known, ``day``: days from the first.
    list of Drive
        With a finding for each figure that their logs do not give.
    """
    import pandas as pd

    speeds = speeds_of(experiment.outcome)
    marks = sorted({*experiment.protocol.marks, *(speeds if len(speeds) == 2 else ())})
    protocol = experiment.protocol.model_copy(update={"marks_kmh": tuple(marks)})
    dated = any(drive.day is not None for drive in drives)
    frames, told = [], []
    for drive in drives:
        outside = surroundings_of(drive.session, drive.inlet)
        if drive.log.figures is not None:
            frame = kept_measures(drive.log, drive.runs, outside, marks)
            missing = missing_figures(frame)
        else:
            frame = measure(
                drive.log,
                drive.runs,
                protocol=protocol,
                vehicle=experiment.vehicle,
                surroundings=outside,
                point=point,
                outcome=experiment.outcome,
            )
            missing = missing_measures(frame, drive.log, experiment.outcome)
        frame.attrs = {}  # units would be copied at every step from here on
        frame.insert(0, "session", drive.session.name)
        frame.insert(1, "phase", drive.session.phase)
        if dated:
            frame.insert(2, "day", "" if drive.day is None else f"day {drive.day + 1}")
        frames.append(frame)
        noticed = (*missing, *_marked_for_nothing(frame, experiment.outcome_spec))
        told.append(replace(drive, findings=(*drive.findings, *noticed)))
    table = pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)
    if any(drive.log.figures is not None for drive in drives):
        # A person keeps the peak of the pressure, a log gives what it held: all sessions take the peak.
        table["pressure_ratio"] = table["peak_manifold_pressure"] / table["barometric"]
    return table, told


def _marked_for_nothing(frame: pd.DataFrame, outcome: Outcome) -> list[Finding]:
    """Say which pulls marked by hand have no figure to be compared."""
    if outcome.kind != "pull" or outcome.name not in frame:
        return []
    without = frame[frame["marked"].notna() & frame["included"] & frame[outcome.name].isna()]
    return [
        Finding(
            code="marked-without-figure",
            severity="warning",
            message=(
                f"pull {number}, which you marked by hand, has no {outcome.label}, so it adds nothing to the answer."
            ),
            evidence={"run": f"pull {number}"},
        )
        for number in without["number"]
    ]


def table_of_runs(experiment: Experiment, drives: list[Drive]) -> pd.DataFrame:
    """Measure the runs of an experiment's drives, a row a run, at the operating point they share.

    Parameters
    ----------
    experiment : Experiment
    drives : list of Drive

    Returns
    -------
    pandas.DataFrame
    """
    return measure_drives(experiment, drives, operating_point((drive.log, drive.runs) for drive in drives))[0]


def _low_level(level: float) -> tuple[Finding, ...]:
    if level >= 0.95:
        return ()
    message = (
        f"You asked for an interval at {percent(level)}. It misses the truth in {percent(1 - level)} of such "
        f"experiments. The words of the verdict are meant for {percent(0.95)}."
    )
    return (Finding(code="level-low", severity="warning", message=message, evidence={"level": level}),)


def _session_facts(drive: Drive) -> dict[str, Any]:
    return {
        "phase": drive.session.phase,
        "log": drive.session.log,
        **({"figures": drive.session.figures} if drive.session.figures else {}),
        "duration_s": drive.log.duration_s,
        "full_load_from": drive.runs.full_load_from,
        "idles": [vars(idle) for idle in drive.idles],
        "channels": {
            name: {
                "column": source.column,
                "unit": source.unit,
                "period_s": signal.period_s if (signal := drive.log.get(name)) else None,
                "resolution": source.resolution,
            }
            for name, source in drive.log.sources.items()
        },
        "findings": [finding.to_dict() for finding in drive.findings],
    }


def _jsonable(value: Any) -> Any:
    """Turn a figure that is not known into null, and NumPy types into plain ones."""
    if isinstance(value, Mapping):
        return {str(key): _jsonable(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_jsonable(item) for item in value]
    if hasattr(value, "item") and not isinstance(value, (str, bytes)):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
