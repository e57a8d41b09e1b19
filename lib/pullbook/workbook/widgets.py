"""The workbook's controls in JupyterLab: choose experiment, runs and settings, see what it does, save it.

A `Workbook` shows parts of a result in the cells of a notebook. Live, the parts follow what is chosen; otherwise they
are plain, as papermill needs them.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook.analysis.result import Result, analyse
from pullbook.errors import ExperimentError, PullbookError
from pullbook.report import figures, sections
from pullbook.report.html import Fragment, escape
from pullbook.settings.experiment import FILE_NAME, Experiment
from pullbook.settings.outcomes import outcome_named
from pullbook.text import counted, in_brackets, sentence_case, unit_suffix
from pullbook.workbook.boxes import from_box, in_box, titled
from pullbook.workbook.choices import IN_ITS_UNIT, NO_REASON, Choices, value_at
from pullbook.workbook.frames import with_units
from pullbook.workbook.screen import Screen

if TYPE_CHECKING:
    from pullbook.analysis.sessions import Drive
    from pullbook.quantities import Shown
    from pullbook.runs.find import Run
    from pullbook.settings.yaml_edit import Edit, Place

Part = Callable[[Result], object]

STYLE = Path(__file__).with_name("widgets.css")
MOST_NEARBY = 200
LEAST_BUTTON = 0.035  # of the timeline's width: what a finger or a pointer still finds
WAITING = Fragment('<p class="pb-note">Waiting for an answer. See the message where you choose the runs.</p>')
NOTHING = Fragment("")  # holds the place of what a result lacks, until another has it
SETTINGS: tuple[tuple[Place, str], ...] = (
    (("protocol", "cruise_kmh"), "Cruise at [km/h]"),
    (("protocol", "pull_from_kmh"), "Pulls from [km/h]"),
    (("protocol", "pull_to_kmh"), "Pulls to [km/h]"),
    (("protocol", "marks_kmh"), "Elapsed times between [km/h]"),
    (("protocol", "cruise_min_s"), "Shortest cruise [s]"),
    (("protocol", "cruise_ripple_kmh"), "Ripple of a cruise [km/h]"),
    (("protocol", "shift_lift_s"), "Longest gear change [s]"),
    (("worthwhile_change",), "Change that matters to you"),
    (("day_to_day_sd",), "Assumed scatter between days"),
)
SEVERAL: tuple[Place, ...] = (("protocol", "marks_kmh"),)


class Workbook:
    """An experiment and the parts of a notebook that show it.

    Parameters
    ----------
    experiment : path
        The experiment folder.
    level : float
        Coverage of the interval, above 0.5 and below 1.
    relative_dates : bool
        Show days from the service instead of dates.
    live : bool
        Follow what is chosen by `choose`. Then a refusal is shown in words; otherwise it is raised.

    Attributes
    ----------
    result : Result or None
        What the choices give now.
    refusal : str
        Why there is none.

    Raises
    ------
    PullbookError
        When the experiment is refused and the workbook is not live.
    """

    def __init__(
        self, experiment: str | Path, *, level: float = 0.95, relative_dates: bool = False, live: bool = True
    ) -> None:
        self._options: dict[str, Any] = {"level": level, "relative_dates": relative_dates}
        self.screen = Screen() if live else None
        self._shown: dict[str, Part] = {}
        self._followers: dict[str, str] = {}
        self._drawn: tuple[Result | None, str] | None = None
        self.result: Result | None = None
        self.refusal = ""
        self.choices: Choices | None = None
        self._opened: dict[Path, Choices] = {}
        if live:
            self.open(experiment)
        else:
            self.result = analyse(experiment, **self._options)

    def open(self, folder: str | Path) -> None:
        """Show another experiment, or the same one as its file is now; what was chosen there and not saved stays."""
        self.folder = Path(folder)
        place = self.folder.resolve()
        self.choices = None
        try:
            earlier = self._opened.get(place)
            self.choices = earlier.reread() if earlier else Choices(folder, **self._options)
            self._opened[place] = self.choices
        except PullbookError as refusal:
            self.refusal = str(refusal)
        self.take()
        self.draw()

    def show(self, *parts: Part) -> None:
        """Show parts of the result in this cell, each a function of the result; live, they change with the choices."""
        for part in parts:
            value = self._value(part)
            if self.screen is not None:
                name, place = self.screen.new_place(value)
                self._shown[name] = part
                _display(place)
            elif value is not NOTHING:
                _display(value)

    def follow(self, compute: Callable[[Result], Any]) -> Any:
        """Compute and show a value of the result, and live again whenever a choice changes it.

        To be put as a decorator before a function in a cell; its name is then what it returned last, such as
        a DataFrame or a fit, and later cells go on from there.

        Parameters
        ----------
        compute : function of Result
            May use what other followed functions gave, when they stand above it.

        Returns
        -------
        object
            What the function returned; None while the choices give no result.
        """
        if self.screen is None:
            value = compute(self.result)  # type: ignore[arg-type]
            _display(shown(value))
            return value

        def again(result: Result) -> object:
            try:
                compute.__globals__[compute.__name__] = value = compute(result)
            except Exception as fault:
                return Fragment(_trouble(f"This cell failed: {type(fault).__name__}: {fault}"))
            return shown(value)

        value = None if self.result is None else compute(self.result)
        name, place = self.screen.new_place(WAITING if self.result is None else shown(value))
        self._shown.pop(self._followers.get(compute.__name__, ""), None)  # the cell was run once before
        self._followers[compute.__name__] = name
        self._shown[name] = again
        _display(place)
        return value

    def choose(self) -> None:
        """Show the controls, or under papermill the runs as a table."""
        if self.screen is None:
            self.show(sections.runs)
            return
        bundle = dict(Controls(self).box._repr_mimebundle_())
        bundle["text/plain"] = "The controls need JupyterLab."
        if self.result is not None:  # what a viewer without the widgets' machinery shows
            bundle["text/html"] = sections.runs(self.result).html
        _display(bundle, raw=True)

    def take(self) -> None:
        """Take over what the choices give."""
        if self.choices is not None:
            self.result, self.refusal = self.choices.result, self.choices.refusal
        else:
            self.result = None

    def draw(self) -> None:
        """Show in every part what was taken over, once."""
        if self._drawn is not None and self._drawn[0] is self.result and self._drawn[1] == self.refusal:
            return
        self._drawn = self.result, self.refusal
        for name, part in self._shown.items():
            assert self.screen is not None
            self.screen.put(name, self._value(part))

    def _value(self, part: Part) -> object:
        value = WAITING if self.result is None else part(self.result)
        return NOTHING if value is None else value


def shown(value: object) -> object:
    """Return what a cell shows of a value: a frame with its units, the coefficients of a fit, anything else in words.

    Parameters
    ----------
    value : object
        With ``_repr_html_`` or not, or a fit of statsmodels.
    """
    import pandas as pd

    if isinstance(value, pd.DataFrame):
        return Fragment(f'<div class="pb-scroll">{with_units(value).to_html(max_rows=60, float_format=_figure)}</div>')
    if hasattr(value, "summary"):
        with warnings.catch_warnings():  # two sessions leave no degree of freedom to tables that are not shown
            warnings.simplefilter("ignore", RuntimeWarning)
            warnings.simplefilter("ignore", UserWarning)  # nor are a handful of rows enough for its tests
            return Fragment(value.summary().tables[1].as_html())  # the first table bears the date and the hour
    return value if hasattr(value, "_repr_html_") else Fragment(f"<pre>{escape(str(value))}</pre>")


def _figure(value: float) -> str:
    return f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"


class Controls:
    """The controls over a live workbook.

    Every control has a label, is reached by the keyboard, and has beside it the words of what it refuses.
    """

    def __init__(self, workbook: Workbook) -> None:
        import ipywidgets as w

        self._workbook = workbook
        screen = workbook.screen
        assert screen is not None  # there are controls in a live workbook alone
        self._screen = screen
        self._settling = False
        wide = w.Layout(width="98%", max_width="44rem")
        labels = {"description_width": "13rem"}

        self.experiment = w.Dropdown(description="Experiment", style=labels, layout=wide)
        self.other = w.Text(
            description="Another folder", placeholder="path of an experiment folder, then Enter",
            continuous_update=False, style=labels, layout=wide,
        )  # fmt: skip
        self.opening_trouble = w.HTML()

        self.outcome = w.Dropdown(description="What you ask", options=[], style=labels, layout=wide)
        self.outcome_trouble = w.HTML()
        self.settings = {
            place: w.Text(
                description=label,
                placeholder="such as 60, 90, 120; empty: chosen for you" if place in SEVERAL else "empty: the default",
                continuous_update=False,
                style=labels,
                layout=wide,
            )
            for place, label in SETTINGS
        }
        self.troubles = {place: w.HTML() for place in self.settings}

        self.session = w.Dropdown(description="Session", options=[], style=labels, layout=wide)
        self.whole = w.Checkbox(description="this session counts", indent=False)
        self.whole_reason = w.Text(
            description="Why not", placeholder="why you leave out the whole session", continuous_update=False,
            layout=w.Layout(width="24rem", display="none"),
        )  # fmt: skip
        self._timeline, timeline = screen.new_place(NOTHING)
        self._forest, forest = screen.new_place(NOTHING)
        self.picture = w.HTML(timeline.html)
        left, right = figures.TIMELINE_MARGINS
        self.strip = w.HBox(layout=w.Layout(width="100%", padding=f"0 {right}px 0 {left}px"))
        self.rows = w.VBox(layout=w.Layout(max_height="22rem", overflow="auto"))
        self.runs_trouble = w.HTML()
        self._rows: dict[str, _Row] = {}

        self.answer = w.HTML()
        self.forest = w.HTML(forest.html)
        self.save = w.Button(description=f"Save to {FILE_NAME}", button_style="primary", layout=w.Layout(width="auto"))
        self.back = w.Button(description="Back to what is saved", layout=w.Layout(width="auto"))
        self.again = w.Button(description="Read the file again", layout=w.Layout(width="auto"))
        self.status = w.HTML()
        self.unsaved = w.HTML()

        half = w.Layout(flex="1 1 22rem", min_width="18rem", margin="0 1rem 0 0")
        wrapped = w.Layout(flex_flow="row wrap")
        runs = w.VBox([self.runs_trouble, self.rows], layout=half)
        kept = [self.forest, w.HBox([self.save, self.back, self.again], layout=wrapped), self.status, self.unsaved]
        settings = {place: w.VBox([box, self.troubles[place]]) for place, box in self.settings.items()}
        asked = [settings.pop((name,)) for name in IN_ITS_UNIT]
        style = w.HTML(f"<style>{STYLE.read_text(encoding='utf-8')}</style>{screen.kernel_notice().html}")
        self.box = w.VBox(
            [
                style,
                self.answer,
                w.HTML(_heading("Runs: press one on the timeline, or tick it in the list")),
                w.HBox([self.session, self.whole, self.whole_reason], layout=wrapped),
                self.picture,
                self.strip,
                w.HBox([runs, w.VBox(kept, layout=half)], layout=wrapped),
                w.HTML(_heading("The question")),
                w.VBox([self.outcome, self.outcome_trouble, *asked]),
                w.HTML(_heading("How runs are found")),
                w.VBox(list(settings.values())),
                w.HTML(_heading("Another experiment")),
                w.VBox([self.experiment, self.other, self.opening_trouble]),
                screen.widget,
            ]
        )
        self.answer.add_class("pb-stays")
        self.box.add_class("pb-controls")
        self._observe()
        self._rebuild()

    # --- what a control does ------------------------------------------------------------------------------------

    def _observe(self) -> None:
        def on(widget: Any, act: Callable[[Any], None]) -> None:
            widget.observe(lambda change: None if self._settling else act(change["new"]), names="value")

        on(self.experiment, self._open)
        on(self.other, self._open)
        on(self.outcome, self._ask)
        for place, box in self.settings.items():
            on(box, partial(self._set, place))
        on(self.session, lambda _: self._show_session())
        on(self.whole, self._whole_session)
        on(self.whole_reason, lambda _: self._whole_session(False))
        self.save.on_click(lambda _: self._act(self.status, self._save, said="Saved."))
        self.back.on_click(lambda _: self._act(self.status, self._go_back, said="As saved again."))
        self.again.on_click(lambda _: self._open(str(self._workbook.folder)))

    def _open(self, folder: str | None) -> None:
        if not folder:
            return
        earlier = self._workbook.choices
        left = earlier.experiment.folder.resolve() if earlier and earlier.edits() else None
        self._workbook.open(Path(folder).expanduser())
        self._rebuild()
        if left is not None and left != self._workbook.folder.resolve():
            kept = f"Your choices in {left.name} are not saved. They stay while this notebook is open."
            self.opening_trouble.value += f'<p role="status">{escape(kept)}</p>'

    def _ask(self, outcome: str) -> None:
        for name in IN_ITS_UNIT:  # what was refused there was meant in another unit
            self.troubles[name,].value = ""
        self._act(self.outcome_trouble, lambda choices: choices.set(("outcome",), outcome))

    def _set(self, place: Place, text: str) -> None:
        def act(choices: Choices) -> None:
            choices.set(place, from_box(choices.experiment, place, _number(text, several=place in SEVERAL)))

        self._act(self.troubles[place], act)

    def _whole_session(self, counts: bool) -> None:
        name = self.session.value

        def act(choices: Choices) -> None:
            if counts:
                choices.take_back_session(name)
            else:
                choices.leave_out_session(name, self.whole_reason.value)

        self._act(self.runs_trouble, act)

    def _leave_out(self, run: str, counts: bool, reason: str) -> None:
        name = self.session.value

        def act(choices: Choices) -> None:
            if counts:
                choices.take_back(name, run)
            else:
                choices.leave_out(name, run, reason)

        self._act(self._rows[run].trouble, act)

    def _save(self, choices: Choices) -> None:
        if refused := [label for place, label in SETTINGS if self.troubles[place].value]:
            raise ExperimentError(f"Not saved: correct or empty these Settings: {', '.join(refused)}.")
        choices.save()

    def _go_back(self, choices: Choices) -> None:
        for trouble in self.troubles.values():
            trouble.value = ""
        choices.revert()

    def _act(self, trouble: Any, act: Callable[[Choices], None], *, said: str = "") -> None:
        """Do what was asked, say what was refused beside the control, and show what it gives."""
        choices = self._workbook.choices
        if choices is None:
            trouble.value = _trouble("Open an experiment first.")
            return
        self.status.value = ""
        try:
            act(choices)
            trouble.value = f'<p role="status">{escape(said)}</p>' if said else ""
        except PullbookError as refusal:
            trouble.value = _trouble(str(refusal))
        except Exception as fault:
            trouble.value = _trouble(f"A fault of the program: {type(fault).__name__}: {fault}")
        self._workbook.take()
        self._refresh()
        self._workbook.draw()

    # --- what the controls show ---------------------------------------------------------------------------------

    @contextmanager
    def _settle(self) -> Iterator[None]:
        """Set controls to what is so, without taking it for the person's doing."""
        before, self._settling = self._settling, True
        try:
            yield
        finally:
            self._settling = before

    def _rebuild(self) -> None:
        """Show another experiment in every control."""
        choices = self._workbook.choices
        refused = choices is None
        self.opening_trouble.value = _trouble(self._workbook.refusal) if refused else ""
        for control in (self.session, self.whole, self.outcome, *self.settings.values(), self.save, self.back):
            control.disabled = refused
        nearby = [(path.name, str(path)) for path in experiments_nearby(self._workbook.folder)]
        here = str(self._workbook.folder.resolve())
        with self._settle():
            self.experiment.options = nearby
            self.experiment.value = here if here in dict(nearby).values() else None
            names = [s.name for s in choices.experiment.sessions] if choices else []
            self.session.options = names
            self.session.value = names[0] if names else None
            self.status.value = ""
            for place, box in self.settings.items():
                box.value = self.troubles[place].value = ""
        self._show_session()

    def _show_session(self) -> None:
        """Show another session's runs."""
        import ipywidgets as w

        drive = self._drive()
        runs = drive.runs.all if drive else ()
        self._rows = {run.name: _Row(run, self._leave_out) for run in runs}
        self.rows.children = [row.box for row in self._rows.values()]
        self.strip.children = _on_a_line(w, drive, self._rows) if drive else ()
        with self._settle():
            self.whole_reason.value = ""
        self.runs_trouble.value = ""
        self._refresh()

    def _refresh(self) -> None:
        """Show what the choices give: settings, runs of the session, answer, and what is not saved yet."""
        choices = self._workbook.choices
        if choices is None:
            self.answer.value = self.unsaved.value = ""
            for picture in (self._forest, self._timeline):
                self._screen.put(picture, NOTHING)
            return
        self.answer.value = _answer(choices)  # first: what is sent after it does not keep it waiting
        drive = self._drive()
        runs = {run.name: run for run in drive.runs.all} if drive else {}
        if runs.keys() != self._rows.keys():  # another protocol finds other runs
            self._show_session()
            return
        with self._settle():
            shown = choices.experiment.shown
            self.outcome.options = [
                (_titled(shown.text(o.label), shown.unit(o.unit)), name) for name, o in choices.offered().items()
            ]
            self.outcome.value = choices.experiment.outcome
            unit = shown.unit(choices.experiment.outcome_spec.change_unit)
            for place, label in SETTINGS:
                self.settings[place].description = titled(choices.experiment, label)
            for setting in IN_ITS_UNIT:
                self.settings[setting,].description = _titled(dict(SETTINGS)[setting,], unit)
            self.settings["worthwhile_change",].placeholder = (
                f"needed{in_brackets(unit)}" if choices.change_asked else "empty: the default"
            )
            for place, box in self.settings.items():
                if not self.troubles[place].value:  # what was refused stays there to be corrected
                    box.value = _text_of(choices, place)
            reasons = next(s.leave_out for s in choices.experiment.sessions if s.name == self.session.value)
            for name, row in self._rows.items():
                row.settle(runs[name], reasons.get(name), self._figure_of(runs[name]), shown)
            self.whole.value = any(run.included for run in runs.values())
            self.whole_reason.layout.display = "none" if self.whole.value or not reasons else ""
        result, saved = choices.result, choices.saved_result
        forest = figures.with_and_without(result, saved.comparison if saved else None) if result else None
        self._screen.put(self._forest, forest or NOTHING)
        self._screen.put(
            self._timeline,
            figures.timeline(drive, choices.experiment.shown) if drive and drive.log.signals else NOTHING,
        )
        edits = choices.edits()
        self.save.disabled = self.back.disabled = not edits
        self.unsaved.value = _unsaved(choices, edits) if edits or choices.lost else ""

    def _drive(self) -> Drive | None:
        drives = self._workbook.choices.drives if self._workbook.choices else ()
        return next((drive for drive in drives if drive.session.name == self.session.value), None)

    def _figure_of(self, run: Run) -> str:
        """Return the outcome of a run with its unit, where it has one."""
        result = self._workbook.choices.result if self._workbook.choices else None
        if result is None:
            return ""
        outcome = result.experiment.outcome_spec
        if outcome.name not in result.measures or outcome.kind != run.kind:
            return ""
        frame = result.measures
        mine = (frame["session"] == self.session.value) & (frame["kind"] == run.kind) & (frame["number"] == run.number)
        values = frame.loc[mine, outcome.name].dropna()
        if values.empty:
            return ""
        return f"{result.shown.value(values.iloc[0], outcome.unit):.1f}{unit_suffix(result.shown.unit(outcome.unit))}"


class _Row:
    """A run in the list and on the timeline: two controls for one choice, and the reason."""

    def __init__(self, run: Run, leave_out: Callable[[str, bool, str], None]) -> None:
        import ipywidgets as w

        self.name = run.name
        self.tick = w.Checkbox(indent=False, layout=w.Layout(width="auto", min_width="20rem"))
        self.button = w.ToggleButton(description=str(run.number) if run.kind == "pull" else f"c{run.number}")
        self.reason = w.Text(
            description=f"Why not {run.name}", placeholder="reason, shown on the page", continuous_update=False,
            style={"description_width": "initial"}, layout=w.Layout(width="24rem", max_width="97%"),
        )  # fmt: skip
        self.why = w.HTML()
        self.trouble = w.HTML()
        whole = w.Layout(flex="0 0 auto", overflow="visible")  # a long list scrolls, its rows do not shrink
        self.box = w.VBox([w.HBox([self.tick, self.why], layout=whole), self.reason, self.trouble], layout=whole)
        self._settling = False
        self.tick.observe(lambda change: self._chosen(leave_out, change["new"]), names="value")
        self.button.observe(lambda change: self._chosen(leave_out, change["new"]), names="value")
        self.reason.observe(lambda _: self._chosen(leave_out, False), names="value")

    def _chosen(self, leave_out: Callable[[str, bool, str], None], counts: bool) -> None:
        if not self._settling:
            leave_out(self.name, counts, self.reason.value)

    def settle(self, run: Run, reason: str | None, figure: str, shown: Shown) -> None:
        """Show a run as it stands."""
        self._settling = True
        said = shown.text(_run_told(run))
        can = run.included or reason is not None
        for control in (self.tick, self.button):
            control.value, control.disabled = run.included, not can
        self.tick.description = f"{said}: {figure}" if figure else said
        state = "counts; press to leave it out" if run.included else "left out; press to count it again"
        self.button.tooltip = f"{said}: {state if can else run.reason}"
        self.why.value = (
            "" if can else f'<span class="pb-where">does not count: {escape(shown.text(run.reason))}</span>'
        )
        self.reason.layout.display = "none" if run.included or not can else ""
        self.reason.value = "" if reason in (None, NO_REASON) else reason
        if reason == NO_REASON:
            self.trouble.value = _trouble("Give a reason before you save.")
        elif run.included or reason:
            self.trouble.value = ""
        self._settling = False


def _run_told(run: Run) -> str:
    """Say where a run lies in its log; of one that a person wrote down there is nothing to say."""
    if not run.timed:
        return run.name
    minutes, seconds = divmod(round(run.start_s), 60)
    speeds = f"{run.start_kmh:.0f} to {run.end_kmh:.0f} km/h" if run.kind == "pull" else f"{run.start_kmh:.0f} km/h"
    return f"{run.name} at {minutes}:{seconds:02d}, {speeds}, {run.end_s - run.start_s:.0f} s"


def _display(value: object, **options: object) -> Any:
    from IPython import display

    return display.display(value, **options)  # type: ignore[no-untyped-call]


def experiments_nearby(folder: Path) -> list[Path]:
    """Return the experiment folders beside a folder, itself included, by name; at most `MOST_NEARBY`."""
    home = folder.resolve().parent
    if not home.is_dir():
        return []
    found = sorted(path for path in home.iterdir() if (path / FILE_NAME).is_file())
    return found[:MOST_NEARBY]


def _on_a_line(w: Any, drive: Drive, rows: dict[str, _Row]) -> list[Any]:
    """Return the runs' buttons under the picture of their drive, with what keeps them apart."""
    if not drive.log.signals:
        return [row.button for row in rows.values()]
    whole_s = max(drive.log.duration_s, 1e-9)
    least_s = whole_s * LEAST_BUTTON

    def share(length_s: float) -> Any:
        return w.Layout(flex=f"{max(length_s, 0) / whole_s:.5f} 1 0%", min_width="0", width="0")

    children: list[Any] = []
    at_s = 0.0
    for run in sorted(drive.runs.all, key=lambda run: run.start_s):
        middle_s, length_s = (run.start_s + run.end_s) / 2, max(run.end_s - run.start_s, least_s)
        start_s = max(at_s, middle_s - length_s / 2)
        button = rows[run.name].button
        button.layout = share(length_s)
        button.add_class(f"pb-{run.kind}")
        children += [w.Box(layout=share(start_s - at_s)), button]
        at_s = start_s + length_s
    return [*children, w.Box(layout=share(whole_s - at_s))]


def _number(text: str, *, several: bool) -> float | list[float] | None:
    """Read what was typed; nothing stands for the default."""
    parts = re.split(r"\s*[,;\s]\s*|(?<=\d)\s*[-–]\s*(?=\d)", text.strip()) if several else [text.strip()]
    if not any(parts):
        return None
    try:
        numbers = [float(part.replace(",", ".")) for part in parts]
    except ValueError:
        allowed = "speeds with commas between, such as 60, 90, 120" if several else "a number"
        raise ExperimentError(f"given {text!r}. Allowed: {allowed}") from None
    return numbers if several else numbers[0]


def _titled(label: str, unit: str) -> str:
    """Return words for a control, with their unit."""
    return f"{sentence_case(label)}{in_brackets(unit) if unit not in ('', '1') else ''}"


def _text_of(choices: Choices, place: Place) -> str:
    if choices.change_asked and place[0] in IN_ITS_UNIT:
        return ""
    value = in_box(choices.experiment, place, value_at(choices.experiment, place))
    return "" if value is None else _said(value)


def _answer(choices: Choices) -> str:
    question = choices.experiment.question
    asked = f'<p class="pb-question">{escape(question)}</p>' if question else ""
    if choices.change_asked:
        said = f'<p class="pb-sentence">{escape(choices.refusal)}</p>'
        return f'<div role="status"><section class="pb-answer pb-not-resolved">{asked}{said}</section></div>'
    if choices.result is None:
        return f'<div role="status">{_trouble("No answer with these choices. " + choices.refusal)}</div>'
    return f'<div role="status" aria-live="polite">{asked}{sections.answer(choices.result).html}</div>'


def _unsaved(choices: Choices, edits: list[Edit]) -> str:
    """Say what saving would write, and what a change of protocol has lost."""
    names = [session.name for session in choices.experiment.sessions]
    items = []
    for edit in edits:
        if edit.place[0] != "sessions":
            items.append(f"{titled(choices.experiment, _named(edit.place))}: {_said_of(edit, choices.experiment)}")
            continue
        session, run = names[int(edit.place[1])], edit.place[3] if len(edit.place) > 3 else "every run"
        items.append(f"{session}, {run} {f'left out: {edit.value}' if edit.value else 'counts again'}")
    lost = [f"{run} is not found with these settings, so it is no longer left out" for run in choices.lost]
    listed = "".join(f"<li>{escape(item)}</li>" for item in [*items, *lost])
    return f'<div role="status">{counted(len(edits), "change")} not saved yet:<ul>{listed}</ul></div>'


def _named(place: Place) -> str:
    """Return what a setting is called on its control."""
    others = {("outcome",): "What is asked", ("question",): "Your question in words"}
    return (dict(SETTINGS) | others).get(place, str(place[-1]))


def _said_of(edit: Edit, experiment: Experiment) -> str:
    outcome = outcome_named(str(edit.value)) if edit.place == ("outcome",) else None
    return experiment.shown.text(outcome.label) if outcome else _said(in_box(experiment, edit.place, edit.value))


def _said(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return ", ".join(f"{v:g}" for v in value)
    return "the default" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _trouble(words: str) -> str:
    told = words.removeprefix(f"{FILE_NAME}: ")  # the control stands beside it
    lines = "<br>".join(escape(line) for line in told.splitlines())
    return f'<p class="pb-trouble" role="alert">{lines}</p>'


def _heading(words: str) -> str:
    return f"<h3>{escape(words)}</h3>"
