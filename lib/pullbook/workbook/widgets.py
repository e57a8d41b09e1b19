"""The workbook's controls in JupyterLab: choose experiment, runs and settings, see what it does, save it.

A `Workbook` shows parts of a result in the cells of a notebook. Live, the parts follow what is chosen; otherwise they
are plain, as papermill needs them.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook.analysis.result import Result, analyse
from pullbook.errors import ExperimentError, PullbookError
from pullbook.report import figures, sections
from pullbook.report.html import Fragment, escape, of_run, run_key
from pullbook.settings.experiment import FILE_NAME, Experiment
from pullbook.settings.outcomes import outcome_named
from pullbook.text import counted, in_brackets, sentence_case
from pullbook.workbook.board import board_of, choose_gear, lines_of, seconds_of
from pullbook.workbook.boxes import from_box, in_box, titled
from pullbook.workbook.choices import IN_ITS_UNIT, Choices, value_at
from pullbook.workbook.frames import INDEX, with_units
from pullbook.workbook.screen import Screen

if TYPE_CHECKING:
    import pandas as pd

    from pullbook.settings.yaml_edit import Edit, Place

Part = Callable[[Result], object]

STYLE = Path(__file__).with_name("widgets.css")
MOST_NEARBY = 200
MOST_ROWS = 60  # of a frame that are shown
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
        self.screen = Screen(self._act) if live else None
        self.controls: Controls | None = None
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
        self.controls = Controls(self)
        bundle = dict(self.controls.box._repr_mimebundle_())
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

    def _act(self, message: Mapping[str, Any]) -> None:
        if self.controls is not None:
            self.controls.told(message)

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
        html = with_units(value).to_html(max_rows=MOST_ROWS, float_format=_figure)
        return Fragment(f'<div class="pb-scroll">{_of_runs(value, html)}</div>')
    if hasattr(value, "summary"):
        with warnings.catch_warnings():  # two sessions leave no degree of freedom to tables that are not shown
            warnings.simplefilter("ignore", RuntimeWarning)
            warnings.simplefilter("ignore", UserWarning)  # nor are a handful of rows enough for its tests
            return Fragment(value.summary().tables[1].as_html())  # the first table bears the date and the hour
    return value if hasattr(value, "_repr_html_") else Fragment(f"<pre>{escape(str(value))}</pre>")


def _of_runs(frame: pd.DataFrame, html: str) -> str:
    """Say in each row of a table of runs which run it is of, so that it can be lit with it."""
    if list(frame.index.names) != INDEX or len(frame) > MOST_ROWS:
        return html
    keys = iter([of_run(run_key(session, f"{kind} {number}")) for session, kind, number in frame.index])
    head, _, body = html.partition("<tbody>")
    return head + "<tbody>" + re.sub("<tr>", lambda _: f"<tr{next(keys)}>", body)


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

        self._board, board = screen.new_place(NOTHING)
        self._forest, forest = screen.new_place(NOTHING)
        self.board = w.HTML(board.html)
        self._trouble: dict[str, str] = {}  # what was refused on the board, by where it stands
        self._gear = ""
        self._lines_of: object = None

        self.answer = w.HTML()
        self.forest = w.HTML(forest.html)
        self.save = w.Button(description=f"Save to {FILE_NAME}", button_style="primary", layout=w.Layout(width="auto"))
        self.back = w.Button(description="Back to what is saved", layout=w.Layout(width="auto"))
        self.again = w.Button(description="Read the file again", layout=w.Layout(width="auto"))
        self.status = w.HTML()
        self.unsaved = w.HTML()

        half = w.Layout(flex="1 1 22rem", min_width="18rem", margin="0 1rem 0 0")
        wrapped = w.Layout(flex_flow="row wrap")
        buttons = w.HBox([self.save, self.back, self.again], layout=wrapped)
        kept = w.VBox([buttons, self.status, self.unsaved], layout=half)
        settings = {place: w.VBox([box, self.troubles[place]]) for place, box in self.settings.items()}
        asked = [settings.pop((name,)) for name in IN_ITS_UNIT]
        style = w.HTML(f"<style>{STYLE.read_text(encoding='utf-8')}</style>{screen.kernel_notice().html}")
        self.box = w.VBox(
            [
                style,
                self.answer,
                w.HTML(_heading("The drives: press a run to leave it out, press it again to take that back")),
                self.board,
                w.HBox([w.VBox([self.forest], layout=half), kept], layout=wrapped),
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
        self.save.on_click(lambda _: self._act(_beside(self.status), self._save, said="Saved."))
        self.back.on_click(lambda _: self._act(_beside(self.status), self._go_back, said="As saved again."))
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
        self._act(_beside(self.outcome_trouble), lambda choices: choices.set(("outcome",), outcome))

    def _set(self, place: Place, text: str) -> None:
        def act(choices: Choices) -> None:
            choices.set(place, from_box(choices.experiment, place, _number(text, several=place in SEVERAL)))

        self._act(_beside(self.troubles[place]), act)

    def told(self, message: Mapping[str, Any]) -> None:
        """Do what was done on the board of drives.

        Parameters
        ----------
        message : mapping
            ``act`` is leave, take, reason, session, mark, unmark or gear; the rest is what it is about.
        """
        act, session, run, reason = (str(message.get(name, "")) for name in ("act", "session", "run", "reason"))

        def do(choices: Choices) -> None:
            if act in ("leave", "reason"):
                choices.leave_out(session, run, reason)
            elif act == "take":
                choices.take_back(session, run)
            elif act == "session" and message.get("counts"):
                choices.take_back_session(session)
            elif act == "session":
                choices.leave_out_session(session, reason)
            elif act == "mark":
                ends = [seconds_of(str(message.get(end, ""))) for end in ("start", "end")]
                choices.mark(session, ends[0], ends[1], reason)
            elif act == "unmark":
                choices.unmark(session, run)
            elif act == "gear":
                self._gear = str(message.get("gear", ""))
                choose_gear(choices, self._gear)

        self._trouble = {}
        place = str(message.get("at", session))
        self._act(lambda words: self._trouble.update({place: words} if words else {}), do)

    def _save(self, choices: Choices) -> None:
        if refused := [label for place, label in SETTINGS if self.troubles[place].value]:
            raise ExperimentError(f"Not saved: correct or empty these Settings: {', '.join(refused)}.")
        choices.save()

    def _go_back(self, choices: Choices) -> None:
        for trouble in self.troubles.values():
            trouble.value = ""
        choices.revert()

    def _act(self, refused: Callable[[str], None], act: Callable[[Choices], None], *, said: str = "") -> None:
        """Do what was asked, say in words what was refused, and show what it gives."""
        choices = self._workbook.choices
        if choices is None:
            refused("Open an experiment first.")
            return
        self.status.value = ""
        try:
            act(choices)
            refused("")
            self.status.value = f'<p role="status">{escape(said)}</p>' if said else ""
        except PullbookError as refusal:
            refused(str(refusal))
        except Exception as fault:
            refused(f"A fault of the program: {type(fault).__name__}: {fault}")
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
        for control in (self.outcome, *self.settings.values(), self.save, self.back):
            control.disabled = refused
        nearby = [(path.name, str(path)) for path in experiments_nearby(self._workbook.folder)]
        here = str(self._workbook.folder.resolve())
        with self._settle():
            self.experiment.options = nearby
            self.experiment.value = here if here in dict(nearby).values() else None
            self.status.value = ""
            for place, box in self.settings.items():
                box.value = self.troubles[place].value = ""
        self._trouble, self._gear = {}, ""
        self._refresh()

    def _refresh(self) -> None:
        """Show what the choices give: settings, runs of the session, answer, and what is not saved yet."""
        choices = self._workbook.choices
        if choices is None:
            self.answer.value = self.unsaved.value = ""
            for picture in (self._forest, self._board):
                self._screen.put(picture, NOTHING)
            return
        self.answer.value = _answer(choices)  # first: what is sent after it does not keep it waiting
        if self._lines_of is not choices.readings:
            self._lines_of = choices.readings
            self._screen.draw_lines(lines_of(choices))
        self._screen.put(self._board, board_of(choices, trouble=self._trouble, gear=self._gear))
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
        result, saved = choices.result, choices.saved_result
        forest = figures.with_and_without(result, saved.comparison if saved else None) if result else None
        self._screen.put(self._forest, forest or NOTHING)
        edits = choices.edits()
        self.save.disabled = self.back.disabled = not edits
        self.unsaved.value = _unsaved(choices, edits) if edits or choices.lost else ""


def _beside(control: Any) -> Callable[[str], None]:
    """Return what says beside a control why something was refused."""

    def say(words: str) -> None:
        control.value = _trouble(words) if words else ""

    return say


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
        if edit.place[2] == "marked_pulls":
            what = f"{run} s marked by hand: {edit.value}" if edit.value else "no longer marked by hand"
            items.append(f"{session}, {what}")
            continue
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
