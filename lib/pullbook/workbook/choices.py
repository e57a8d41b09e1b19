"""What a person chooses by hand: runs left out, the protocol, the question.

Choices are tried on logs that were read once, and reach ``experiment.yaml`` only when they are saved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook.analysis.result import Result, analyse_experiment
from pullbook.analysis.sessions import Drive, found_drives, left_out, read_logs
from pullbook.errors import ExperimentError, PullbookError
from pullbook.runs.find import Run, Runs
from pullbook.settings.experiment import (
    FILE_NAME,
    PHASES,
    Experiment,
    Protocol,
    Session,
    ends_of,
    parse_settings,
    read_settings,
    stretch_named,
)
from pullbook.settings.files import write_whole
from pullbook.settings.outcomes import OUTCOMES, Outcome, elapsed_columns, outcome_named, speeds_of
from pullbook.settings.yaml_edit import Edit, Place, Value, put, with_edits
from pullbook.text import in_brackets
from pullbook.workbook.execute import exclusive

if TYPE_CHECKING:
    from pullbook.analysis.sessions import Reading

NO_REASON = "no reason given yet"
QUESTION = ("question", "outcome", "worthwhile_change", "day_to_day_sd")
IN_ITS_UNIT = ("worthwhile_change", "day_to_day_sd")  # settings that mean nothing for another outcome


class Choices:
    """An experiment under change.

    Parameters
    ----------
    folder : path
        The experiment.
    level : float
        Coverage of the intervals.
    relative_dates : bool
        Days from the service instead of every date.

    Attributes
    ----------
    experiment : Experiment
        As chosen now.
    saved : Experiment
        As it stands in the file.
    readings : list of Reading
        The logs as they were read, once.
    drives : tuple of Drive
        With the runs that the choices give; empty where a log does not even allow that.
    result : Result or None
        What the choices give; None where no honest figure is possible.
    refusal : str
        Why there is no result.
    saved_result : Result or None
        What the file gives.
    change_asked : bool
        Whether the outcome was changed and nobody has said yet what change of it matters; then there is no result.
    lost : tuple of str
        Runs whose leaving out ended because the last change of the protocol finds them no more.

    Raises
    ------
    PullbookError
        When the settings or a log are refused.
    """

    def __init__(self, folder: str | Path, *, level: float = 0.95, relative_dates: bool = False) -> None:
        self._text = read_settings(Path(folder))
        self.saved = Experiment.from_settings(parse_settings(self._text), Path(folder))
        self._options: dict[str, Any] = {"level": level, "relative_dates": relative_dates}
        self.readings: list[Reading] = read_logs(self.saved)
        self._found: tuple[object, list[Drive]] = (None, [])
        self._own: dict[str, dict[str, Value]] = {}  # the settings of each outcome, in its unit
        self.change_asked = False
        self._try(self.saved)
        self.saved_result = self.result

    def leave_out(self, session: str, run: str, reason: str) -> None:
        """Leave a run out.

        Parameters
        ----------
        session, run : str
            Names, such as ``before-1`` and ``pull 3``.
        reason : str
            Why; while it is empty the choice can be tried, but not saved.

        Raises
        ------
        ExperimentError
            When the reason cannot be written into the file.
        """
        self.set_left_out(session, {**self._named(session).leave_out, run: reason.strip() or NO_REASON})

    def take_back(self, session: str, run: str) -> None:
        """Count a run again that was left out; names as for `leave_out`."""
        kept = {name: reason for name, reason in self._named(session).leave_out.items() if name != run}
        self.set_left_out(session, kept)

    def leave_out_session(self, session: str, reason: str) -> None:
        """Leave out every run of a session that counts, and give those that lack a reason this one."""
        told = reason.strip() or NO_REASON
        reasons = self._named(session).leave_out
        more = {r.name: told for r in self.runs(session) if r.included or reasons.get(r.name) == NO_REASON}
        self.set_left_out(session, {**reasons, **more})

    def take_back_session(self, session: str) -> None:
        """Count every run of a session again that was left out."""
        self.set_left_out(session, {})

    def mark(self, session: str, start_s: float, end_s: float, reason: str) -> None:
        """Count a pull that detection had not counted.

        Parameters
        ----------
        session : str
        start_s, end_s : float
            Seconds since the log's first stamp; kept to a tenth.
        reason : str
            Why it counts.

        Raises
        ------
        PullbookError
            When there is no such session or no reason, or the stretch lies outside the log or over another pull; the
            choices stay as they were.
        """
        if not reason.strip():
            raise ExperimentError("Give a reason. The page shows it beside the pull.")
        marks = self._named(session).marked_pulls
        self._mark(session, {**marks, stretch_named(start_s, end_s): reason.strip()})

    def unmark(self, session: str, run: str) -> None:
        """Take back that a pull was marked by hand; names as for `leave_out`."""
        marked = next(r for r in self.runs(session) if r.name == run)
        gone = stretch_named(marked.start_s, marked.end_s)
        named = self._named(session)
        kept = {name: reason for name, reason in named.marked_pulls.items() if stretch_named(*ends_of(name)) != gone}
        self._mark(session, kept)

    def _mark(self, session: str, marks: Mapping[str, str]) -> None:
        self.set(("sessions", self.experiment.sessions.index(self._named(session)), "marked_pulls"), dict(marks))

    def set(self, place: Place, value: Value) -> None:
        """Change a setting.

        Parameters
        ----------
        place : tuple
            ``("protocol", name)``, a name in `QUESTION`, or ``("sessions", k, "leave_out")`` or ``"marked_pulls"``.
        value : str, float, sequence of float, mapping or None
            None for the default.

        Raises
        ------
        ExperimentError
            When the value is not allowed; the choices stay as they were.
        """
        settings = self.experiment.model_dump(exclude_none=True, exclude_unset=True)  # a default is nobody's choice
        put(settings, Edit(place, value))
        if place == ("outcome",):
            self._ask_about(settings)
            return
        changed = Experiment.from_settings(settings, self.experiment.folder)
        self.change_asked = self.change_asked and place != ("worthwhile_change",)
        if changed.protocol == self.experiment.protocol and place[-1] != "marked_pulls":
            self._try(changed)
        else:
            self._try(*self._carried_over(changed))

    def _ask_about(self, settings: dict[str, Any]) -> None:
        """Ask about another outcome; the settings of the last one, in its unit, are kept for when it comes back."""
        now, name = self.experiment, settings["outcome"]
        own = {key: settings[key] for key in IN_ITS_UNIT if key in settings}
        if not self.change_asked:
            self._own[now.outcome] = own
        known = self._own.get(name)
        for key in IN_ITS_UNIT:
            settings.pop(key, None)
        # The settings need some change to be valid; until the person gives one there is no result.
        settings |= {"worthwhile_change": now.worthwhile_change} if known is None else known
        if name == self.saved.outcome:
            settings["question"] = self.saved.question
        changed = Experiment.from_settings({k: v for k, v in settings.items() if v is not None}, now.folder)
        if name != self.saved.outcome and self.saved.question is not None:
            changed = changed.model_copy(update={"question": question_of(changed)})
        self.change_asked = known is None
        self._try(changed)

    def offered(self) -> dict[str, Outcome]:
        """Return the outcomes that these logs can give, by name; where nothing could be measured, all there are."""
        result = self.result or self.saved_result
        found: dict[str, Outcome] = {}
        if result is None:
            found = dict(OUTCOMES)
        else:
            frame = result.measures[result.measures["included"]]
            names = [*OUTCOMES, *elapsed_columns(frame)]
            for outcome in filter(None, map(outcome_named, names)):
                if outcome.name in frame:
                    rows = frame.loc[(frame["kind"] == outcome.kind) & frame[outcome.name].notna(), "phase"]
                    if set(rows) == set(PHASES):
                        found[outcome.name] = outcome
            pulls = frame[frame["kind"] == "pull"]
            if "peak_rise" in found:
                passed = outcome_named(f"rise_at {int(pulls['end_speed'].min() // 10 * 10)}")
                found |= {passed.name: passed} if passed else {}
        asked = self.experiment.outcome_spec
        return found | {asked.name: asked}

    def runs(self, session: str) -> tuple[Run, ...]:
        """Return a session's pulls, then its cruises, candidates that are refused included."""
        return next((drive.runs.all for drive in self.drives if drive.session.name == session), ())

    def edits(self) -> list[Edit]:
        """Return what differs from the file, as edits of it."""
        old, new = self.saved, self.experiment
        names: list[Place] = [(name,) for name in QUESTION if not (self.change_asked and name in IN_ITS_UNIT)]
        names += [("protocol", name) for name in Protocol.model_fields]
        found = [Edit(place, after) for place in names if _asked(old, place) != (after := _asked(new, place))]
        for k, (before, now) in enumerate(zip(old.sessions, new.sessions, strict=True)):
            found += _edits(("sessions", k, "leave_out"), before.leave_out, now.leave_out)
            found += _edits(("sessions", k, "marked_pulls"), before.marked_pulls, now.marked_pulls)
        return found

    def without_reason(self) -> list[str]:
        """Name the runs that are left out without a reason, such as ``pull 3 of before-1``."""
        return [
            f"{run} of {session.name}"
            for session in self.experiment.sessions
            for run, reason in session.leave_out.items()
            if reason == NO_REASON
        ]

    def save(self) -> None:
        """Write the choices into ``experiment.yaml``; comments and everything else in it stay.

        Raises
        ------
        ExperimentError
            When a reason is missing, when the file was changed meanwhile, when it would be refused as it
            would then stand, or when it cannot be written. The file is then as it was.
        """
        if self.change_asked:
            raise ExperimentError(f"Not saved. {self.refusal}")
        if missing := self.without_reason():
            raise ExperimentError(f"Not saved: give a reason for leaving out {', '.join(missing)}.")
        folder = self.experiment.folder
        with exclusive(folder.resolve() / FILE_NAME):  # of two pages that save at once, one is refused
            if read_settings(folder) != self._text:
                raise ExperimentError(
                    f"Not saved: {FILE_NAME} has changed outside this page since it was read. Press 'Read "
                    "the file again'. Your choices stay."
                )
            text = with_edits(self._text, self.edits())
            try:
                Experiment.from_settings(parse_settings(text), folder)
            except ExperimentError as refusal:
                raise ExperimentError(f"Not saved: {refusal}") from None
            write_whole(folder / FILE_NAME, text)
        self._text, self.saved, self.saved_result = text, self.experiment, self.result

    def revert(self) -> None:
        """Go back to what the file says."""
        self.change_asked = False
        self._try(self.saved)

    def reread(self) -> Choices:
        """Read the file again, with what was chosen and not saved on top of it.

        Raises
        ------
        PullbookError
            When the file or a log is refused now, or does not fit the choices any more.
        """
        fresh = Choices(self.saved.folder, **self._options)
        now = {session.name: k for k, session in enumerate(fresh.saved.sessions)}
        edits = []
        for edit in [] if self.change_asked else self.edits():
            place = edit.place
            if place[0] == "sessions":
                name = self.saved.sessions[int(place[1])].name
                if name not in now:
                    continue
                place = ("sessions", now[name], *place[2:])
            edits.append(Edit(place, edit.value))
        if edits:
            settings = parse_settings(with_edits(fresh._text, edits))
            fresh._try(Experiment.from_settings(settings, fresh.saved.folder))
        return fresh

    def _named(self, session: str) -> Session:
        for found in self.experiment.sessions:
            if found.name == session:
                return found
        names = ", ".join(s.name for s in self.experiment.sessions)
        raise ExperimentError(f"given {session!r}. The sessions are {names}.")

    def set_left_out(self, session: str, reasons: Mapping[str, str]) -> None:
        """Leave out these runs of a session and no others; names and reasons as for `leave_out`."""
        k = self.experiment.sessions.index(self._named(session))
        self.set(("sessions", k, "leave_out"), dict(reasons))

    def _carried_over(self, changed: Experiment) -> tuple[Experiment, list[str]]:
        """Give the runs that are left out the numbers that they have under another protocol."""
        drives = self._drives_of(changed)
        sessions, lost = [], []
        for session, old, new in zip(changed.sessions, self.drives, drives, strict=True):
            kept, gone = carried_over(session.leave_out, old.runs, new.runs)
            sessions.append(session.model_copy(update={"leave_out": kept}))
            lost += [f"{run} of {session.name}" for run in gone]
        return changed.model_copy(update={"sessions": tuple(sessions)}), lost

    def _drives_of(self, experiment: Experiment) -> list[Drive]:
        """Find runs anew only where what finds them has changed."""
        marks = tuple(session.marks for session in experiment.sessions)
        asked = (experiment.protocol, speeds_of(experiment.outcome), marks)
        if self._found[0] != asked:
            self._found = asked, found_drives(experiment, self.readings)
        return left_out(experiment, self._found[1])

    def _try(self, experiment: Experiment, lost: Sequence[str] = ()) -> None:
        """Analyse. A refused choice keeps its runs, so that it can be corrected."""
        self.experiment = experiment
        self.lost = tuple(lost)
        self.drives: tuple[Drive, ...] = ()
        self.result: Result | None = None
        self.refusal = ""
        try:
            self.drives = tuple(self._drives_of(experiment))
            if self.change_asked:
                self.refusal = _which_change(experiment)
            else:
                self.result = analyse_experiment(experiment, drives=self.drives, **self._options)
        except PullbookError as refusal:
            self.refusal = str(refusal)


def _edits(place: Place, before: Mapping[str, str], now: Mapping[str, str]) -> list[Edit]:
    """Return what turns one mapping of the file into another, key by key."""
    if before and not now:
        return [Edit(place, None)]
    names = [name for name in {**before, **now} if before.get(name) != now.get(name)]
    return [Edit((*place, name), now.get(name)) for name in names]


def question_of(experiment: Experiment) -> str:
    """Return the question that an experiment asks, from its outcome."""
    return f"{experiment.service.what}: did it change the {experiment.outcome_spec.label}?"


def _which_change(experiment: Experiment) -> str:
    outcome = experiment.outcome_spec
    return (
        f"You now ask about the {experiment.shown.text(outcome.label)}. Give the smallest change that matters to "
        f"you{in_brackets(experiment.shown.unit(outcome.change_unit))}. Without it there is no verdict."
    )


def carried_over(reasons: Mapping[str, str], old: Runs, new: Runs) -> tuple[dict[str, str], list[str]]:
    """Find runs again after a change of protocol, which numbers them anew.

    Parameters
    ----------
    reasons : mapping
        The runs left out, by their old names, with the reason for each.
    old, new : Runs
        Of the same log, before and after the change.

    Returns
    -------
    dict
        The reasons by the new names: of the runs of the same kind that share more than half of the shorter one's time;
        runs without times keep theirs.
    list of str
        Old names that fit no new run.
    """
    kept: dict[str, str] = {}
    lost: list[str] = []
    for name, reason in reasons.items():
        before = next((run for run in old.all if run.name == name), None)
        matches = [run.name for run in new.all if before is not None and _is_same(before, run)]
        kept |= dict.fromkeys(matches, reason)
        if not matches:
            lost.append(name)
    return kept, lost


def _is_same(a: Run, b: Run) -> bool:
    if not (a.timed and b.timed):
        return a.name == b.name
    shared_s = min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
    return a.kind == b.kind and shared_s > 0.5 * min(a.end_s - a.start_s, b.end_s - b.start_s)


def _asked(experiment: Experiment, place: Place) -> Value:
    """Return a setting; None for a worthwhile change nobody gave: its default is meant in K and fits no other unit."""
    if place == ("worthwhile_change",) and "worthwhile_change" not in experiment.model_fields_set:
        return None
    return value_at(experiment, place)


def value_at(experiment: Experiment, place: Place) -> Value:
    """Return a setting by its place, such as ``("protocol", "cruise_kmh")``."""
    value: object = experiment
    for part in place:
        value = getattr(value, str(part))
    return value  # type: ignore[return-value]
