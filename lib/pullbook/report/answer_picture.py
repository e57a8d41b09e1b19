"""The one picture that answers, after Gardner and Altman (BMJ 1986;292:746): the same on the page, the card and paper.

Left, every run that counts: hollow as it was measured, filled at common conditions, a thin line between the two, so
that one sees the weather being taken out; each phase's mean with its band. Right, on the same scale, the difference
with its interval, the zero line and the band that is too small to matter. Everything comes from the result alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape as escape_html
from typing import TYPE_CHECKING

import numpy as np

from pullbook.analysis.result import Result
from pullbook.quantities import METRIC
from pullbook.report import canvas
from pullbook.report.drawing import (
    HEAD_LINE,
    MARKS,
    TEXT,
    Drawing,
    axes_at,
    drawn,
    places_of,
    scale_ticks,
    write,
    write_key,
)
from pullbook.report.html import run_key
from pullbook.report.in_units import comparison_in
from pullbook.settings.experiment import PHASES, Phase
from pullbook.statistics.comparison import Comparison
from pullbook.statistics.estimate import conditions_of
from pullbook.statistics.uncertainty import coverage_factor
from pullbook.text import (
    adds_up,
    counted,
    decimals,
    in_brackets,
    number,
    percent,
    sentence_case,
    signed,
    typeset,
    unit_suffix,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LEAST_SPAN = 3.0  # the axis is at least so many worthwhile changes long: scatter is not blown up to look like an effect


@dataclass(frozen=True, kw_only=True, eq=False)
class SessionMarks:
    """The runs of a session as they are drawn.

    Attributes
    ----------
    name : str
    phase : {"before", "after"}
    measured, common : ndarray, shape (runs,)
        Each run as it was, and at common conditions, in the outcome's unit.
    runs : tuple of str
        What each run is known by (`pullbook.report.html.run_key`).
    """

    name: str
    phase: Phase
    measured: np.ndarray
    common: np.ndarray
    runs: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """What the picture shows.

    Attributes
    ----------
    sessions : tuple of SessionMarks
    means, bands : mapping of phase to float
        Mean of each phase, and the half-width of its band at the level of the interval; NaN where nothing is compared.
    comparison : Comparison
        For the change and what is said beside it.
    corrected : bool
        Whether anything was taken out.
    """

    sessions: tuple[SessionMarks, ...]
    means: Mapping[Phase, float]
    bands: Mapping[Phase, float]
    comparison: Comparison
    corrected: bool

    def of(self, phase: Phase) -> list[SessionMarks]:
        """Return the sessions of a phase."""
        return [session for session in self.sessions if session.phase == phase]


def answer_of(result: Result) -> Answer:
    """Gather what the picture shows from a result."""
    c = comparison_in(result.comparison, result.shown)
    sessions = tuple(
        SessionMarks(
            name=figure.session,
            phase=figure.phase,
            measured=runs,
            common=runs + figure.normalised - figure.mean,
            runs=_runs_of(result, figure.session),
        )
        for figure, runs in zip(c.sessions, c.data.single_runs, strict=True)
    )
    return Answer(
        sessions=sessions,
        means={"before": c.before.mean, "after": c.after.mean},
        bands={phase: _half_band(c, phase) for phase in PHASES},
        comparison=c,
        corrected=any(abs(s.normalised - s.mean) > 1e-9 for s in c.sessions),
    )


def _runs_of(result: Result, session: str) -> tuple[str, ...]:
    """Return the runs of a session that the outcome is compared by, in the order of the table."""
    outcome, rows = result.experiment.outcome_spec, result.measures
    mine = rows[(rows["session"] == session) & (rows["kind"] == outcome.kind) & rows["included"]]
    return tuple(run_key(session, f"{outcome.kind} {k}") for k in mine.loc[mine[outcome.name].notna(), "number"])


def _half_band(c: Comparison, phase: Phase) -> float:
    """Return the half-width of a phase mean's band: runs, readings and days, as in the interval of the change."""
    if c.estimate is None:
        return math.nan
    weights = np.array([p == phase for p in c.data.phases], dtype=float) / c.data.count(phase)
    variance = float(weights @ c.data.known @ weights) + c.day_sd**2 * float(weights @ c.data.shared_days @ weights)
    return math.sqrt(variance) * coverage_factor(c.level, c.dof)


def picture(result: Result) -> Drawing:
    """Return the answering picture for a page: a wide drawing and one for a phone, of which the style shows one."""
    answer = answer_of(result)
    columns, rows = _numbers(answer)
    drawing = drawn(
        lambda figure, inks, size: draw(figure, answer, inks, box=(0, 0, *size), text=TEXT),
        caption=caption(answer),
        description=describe(answer),
        columns=columns,
        rows=rows,
    )
    html = drawing.html
    for k, session in enumerate(answer.sessions):
        html = html.replace(f'data-pb-runs="{k}"', f'data-pb-runs="{escape_html("|".join(session.runs))}"')
    return replace(drawing, html=html)


def describe(answer: Answer) -> str:
    """Say in words what the picture shows."""
    c = answer.comparison
    level_unit, unit, digits = unit_suffix(c.spec.unit), unit_suffix(c.unit), _digits(answer)
    text = (
        f"{sentence_case(c.label)}: mean {number(c.before.mean, digits)}{level_unit} before, "
        f"{number(c.after.mean, digits)}{level_unit} after."
    )
    if not c.comparable:
        return f"{text} The phases can't be compared, so no difference is shown."
    return (
        f"{text} Difference {signed(c.change, digits)}{unit}, {percent(c.level)} interval "
        f"{signed(c.low, digits)} to {signed(c.high, digits)}{unit}. Within "
        f"±{METRIC.brief(c.worthwhile, c.unit)} is too small to matter."
    )


def caption(answer: Answer) -> str:
    """Say how to read the picture."""
    c = answer.comparison
    kind = c.spec.kind
    if not c.comparable:
        return f"Every {kind} that counts, as measured. The phases can't be compared, so no difference is drawn."
    exact = adds_up(answer.means["before"], answer.means["after"], c.change, _digits(answer))
    right = f"Right: the difference of the means, on the same scale.{'' if exact else ' Figures are rounded.'}"
    if not answer.corrected:
        return f"Left: every {kind} that counts, as measured. {right}"
    return f"Left: every {kind} that counts. Filled marks are corrected to the same {conditions_of(c.slopes)}. {right}"


def _numbers(answer: Answer) -> tuple[tuple[str, ...], tuple[tuple[object, ...], ...]]:
    c, digits = answer.comparison, _digits(answer)
    unit = in_brackets(c.spec.unit)
    columns = ("session", "phase", c.spec.kind, f"{c.label}, as measured{unit}", f"{c.label}, same conditions{unit}")
    rows: list[tuple[object, ...]] = [
        (s.name, s.phase, k, round(float(measured), digits), round(float(common), digits))
        for s in answer.sessions
        for k, (measured, common) in enumerate(zip(s.measured, s.common, strict=True), start=1)
    ]
    return columns, tuple(rows)


def _digits(answer: Answer) -> int:
    c = answer.comparison
    return decimals(c.standard_uncertainty) if c.comparable else max(1, decimals(c.data.repeatability_sd))


# --- drawing -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a session's runs stand across the left part [px]."""

    session: SessionMarks
    middle: float
    width: float


def draw(
    figure: Figure, answer: Answer, inks: canvas.Inks, *, box: tuple[float, float, float, float], text: float
) -> None:
    """Draw the picture into part of a figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    answer : Answer
    inks : mapping of str to str
        A colour for each of `INKS`.
    box : tuple of float
        Left, top, width and height of the part [px], from the figure's upper left corner.
    text : float
        Size of the text [px].
    """
    left, top, width, height = box
    narrow = width < 36 * text
    ticks = 3.1 * text
    head = text * (4.4 if narrow else 2.9)
    foot = text * (4.9 if narrow else 3.4)
    tall = height - head - foot
    right_ticks = 3.1 * text
    split = width * (0.6 if narrow else 0.68)

    low, high = _span(answer, room=1.7 * text / tall)
    runs = axes_at(figure, (left + ticks, top + head, split - ticks, tall), inks, text=text)
    runs.set_ylim(low, high)
    change = axes_at(figure, (left + split, top + head, width - split - right_ticks, tall), inks, text=text)
    change.set_ylim(low, high)
    _draw_runs(runs, answer, inks, text=text, narrow=narrow)
    if answer.comparison.comparable:
        _draw_change(change, answer, inks, text=text, narrow=narrow)
    else:
        change.set_yticks([])
        change.text(
            change.get_xlim()[1] / 2, (low + high) / 2, "no difference:\nthese phases\ncannot be\ncompared",
            ha="center", va="center", size=text, color=inks["soft"], linespacing=1.4,
        )  # fmt: skip
    _draw_head(figure, answer, inks, box=box, text=text, split=split, narrow=narrow)


def _span(answer: Answer, *, room: float) -> tuple[float, float]:
    """Return the ends of the scale: all that is drawn fits, and no less than `LEAST_SPAN` worthwhile changes."""
    c = answer.comparison
    held = [np.concatenate([s.measured, s.common]) for s in answer.sessions]
    shown = [*np.concatenate(held).tolist(), *answer.means.values()]
    for phase in PHASES:
        if math.isfinite(answer.bands[phase]):
            shown += [answer.means[phase] - answer.bands[phase], answer.means[phase] + answer.bands[phase]]
    if c.comparable:
        zero = answer.means["before"]
        shown += [zero + c.low, zero + c.high, zero - c.worthwhile, zero + c.worthwhile]
    low, high = min(shown), max(shown)
    short = max(0.0, LEAST_SPAN * c.worthwhile - (high - low))
    low, high = low - short / 2, high + short / 2
    pad = max(0.05, room) * (high - low or 1.0)
    return low - pad, high + pad


def _places(answer: Answer, width: float, labels: float) -> list[_Place]:
    """Return where each session stands: as wide as its share, with room beside each phase for its mean's figure."""
    slot = (width - 2 * labels) / len(answer.sessions)
    places, x = [], 0.0
    for phase in PHASES:
        for session in answer.of(phase):
            places.append(_Place(session=session, middle=x + slot / 2, width=slot))
            x += slot
        x += labels
    return places


def _draw_runs(axes: Axes, answer: Answer, inks: canvas.Inks, *, text: float, narrow: bool) -> None:
    c, digits = answer.comparison, _digits(answer)
    width = axes.get_xlim()[1]
    said = {phase: f"{number(answer.means[phase], digits)}{unit_suffix(c.spec.unit)}" for phase in PHASES}
    beside = max(canvas.text_width(label, size=text, bold=True) for label in said.values()) + 1.1 * text
    labels = 0.7 * text if narrow else beside
    places = _places(answer, width, labels)
    ticks = scale_ticks(axes, text=text)
    axes.set_yticks(ticks)
    axes.set_yticklabels([typeset(f"{tick:.{places_of(ticks)}f}") for tick in ticks])
    axes.yaxis.grid(True, color=inks["line"], linewidth=0.8)
    axes.set_axisbelow(True)
    most = max(len(s.common) for s in answer.sessions)
    size = max(0.45 * text, min(0.62 * text, 0.8 * places[0].width / most))
    for phase in PHASES:
        mine = [place for place in places if place.session.phase == phase]
        start, end = mine[0].middle - mine[0].width / 2, mine[-1].middle + mine[-1].width / 2
        mean, band = answer.means[phase], answer.bands[phase]
        colour = inks[phase]
        if math.isfinite(band):
            axes.fill_between([start, end], mean - band, mean + band, color=colour, alpha=0.16, linewidth=0, zorder=1)
        axes.plot([start, end], [mean, mean], color=colour, linewidth=2.2, zorder=4, solid_capstyle="butt")
        if c.comparable:  # on to the right part, where the difference of the two is drawn
            axes.plot([end, width], [mean, mean], color=colour, linewidth=1, linestyle=(0, (2, 2)), zorder=2)
        if not narrow:
            axes.text(
                end + 0.4 * text, mean, said[phase], size=text, weight="bold", color=colour, va="bottom", zorder=6,
            )  # fmt: skip
        for place in mine:
            known = f"runs-{answer.sessions.index(place.session)}"
            _draw_session(axes, place, inks, size=size, corrected=answer.corrected, text=text, known=known)
    _name_sessions(axes, answer, places, inks, text=text, said=said if narrow else {})


def _draw_session(
    axes: Axes, place: _Place, inks: canvas.Inks, *, size: float, corrected: bool, text: float, known: str
) -> None:
    session = place.session
    count = len(session.common)
    reach = min(0.38 * place.width, 0.55 * size * (count - 1) + 0.5 * text * (count > 1))
    x = place.middle + (np.linspace(-reach, reach, count) if count > 1 else np.zeros(1))
    colour, mark = inks[session.phase], MARKS[session.phase]
    size = size if mark == "o" else 0.86 * size  # a square on its corner looks larger
    if corrected:
        axes.vlines(x, session.measured, session.common, color=inks["soft"], linewidth=0.8, zorder=3)
        axes.plot(
            x, session.measured, linestyle="none", marker=mark, markersize=size, markerfacecolor=inks["paper"],
            markeredgecolor=colour, markeredgewidth=1.0, zorder=4, gid=known,
        )  # fmt: skip
    axes.plot(
        x, session.common, linestyle="none", marker=mark, markersize=0.75 * size if corrected else size,
        markerfacecolor=colour, markeredgecolor=inks["paper"], markeredgewidth=0.6, zorder=5, gid=known,
    )  # fmt: skip


def _name_sessions(
    axes: Axes, answer: Answer, places: Sequence[_Place], inks: canvas.Inks, *, text: float, said: Mapping[Phase, str]
) -> None:
    """Write the sessions' names below them where there is room for all, their numbers otherwise; means if given."""
    small = 0.85 * text
    names = [typeset(place.session.name) for place in places]
    fits = all(
        canvas.text_width(name, size=small) < place.width - 0.5 * text
        for name, place in zip(names, places, strict=True)
    )
    place_in = {phase: [s.name for s in answer.of(phase)] for phase in PHASES}
    widest = canvas.text_width(str(max(map(len, place_in.values()))), size=small) + 0.4 * text
    every = math.ceil(widest / places[0].width)  # as many of the numbers as there is room for
    for name, place in zip(names, places, strict=True):
        before_it = place_in[place.session.phase].index(place.session.name)
        if not fits and before_it % every:
            continue
        shown = name if fits else str(before_it + 1)
        axes.annotate(
            shown, (place.middle, 0), xycoords=("data", "axes fraction"), xytext=(0, -0.5 * text),
            textcoords="offset points", ha="center", va="top", size=small, color=inks["soft"],
        )  # fmt: skip
    for phase in PHASES:
        mine = [place for place in places if place.session.phase == phase]
        summary = answer.comparison.before if phase == "before" else answer.comparison.after
        left, right = mine[0].middle - mine[0].width / 2, mine[-1].middle + mine[-1].width / 2
        told = f"{phase}: {counted(summary.pulls, answer.comparison.spec.kind)}"
        if said:
            told = f"{phase}\n{said[phase]}"
        axes.annotate(
            told, ((left + right) / 2, 0), xycoords=("data", "axes fraction"), xytext=(0, -1.9 * text),
            textcoords="offset points", ha="center", va="top", size=text, weight="bold", color=inks[phase],
        )  # fmt: skip


def _draw_change(axes: Axes, answer: Answer, inks: canvas.Inks, *, text: float, narrow: bool) -> None:
    c, digits = answer.comparison, _digits(answer)
    width, zero = axes.get_xlim()[1], answer.means["before"]
    low, high = axes.get_ylim()
    ticks = scale_ticks(axes, text=text, offset=zero)
    axes.yaxis.tick_right()
    axes.tick_params(length=0)
    axes.set_yticks([zero + tick for tick in ticks])
    axes.set_yticklabels([typeset(f"{tick:+.{places_of(ticks)}f}") if tick else "0" for tick in ticks])
    axes.axhspan(zero - c.worthwhile, zero + c.worthwhile, facecolor=inks["line"], alpha=0.55, linewidth=0, zorder=0)
    axes.plot([0, width], [zero, zero], color=inks["before"], linewidth=1.2, zorder=2)
    x = 0.24 * width
    middle, ends = zero + c.change, (zero + c.low, zero + c.high)
    axes.plot([0, x], [middle, middle], color=inks["after"], linewidth=1, linestyle=(0, (2, 2)), zorder=2)
    axes.vlines(x, *ends, color=inks["ink"], linewidth=2.6, zorder=4)
    axes.hlines(ends, x - 0.4 * text, x + 0.4 * text, color=inks["ink"], linewidth=1.8, zorder=4)
    axes.plot([x], [middle], marker="s", markersize=0.85 * text, color=inks["ink"], linestyle="none", zorder=5)
    beside = x + 0.85 * text
    scale = axes.bbox.height / (high - low)
    apart = [abs(end - middle) * scale > 1.75 * text for end in ends]
    unit = unit_suffix(c.unit)
    if narrow:
        axes.annotate(
            f"difference\n{_better(c)}", (0.5, 0), xycoords="axes fraction", xytext=(0, -1.9 * text),
            textcoords="offset points", ha="center", va="top", size=text, weight="bold", color=inks["ink"],
        )  # fmt: skip
    said = typeset(f"{signed(c.change, digits)}{unit}")
    large = 1.25 * text  # unless it would run into the figures of the scale
    if beside + canvas.text_width(said, size=large, bold=True) > width:
        large = text
    axes.text(beside, middle, said, size=large, weight="bold", va="center", color=inks["ink"], zorder=6)
    for end, value, clear, side in zip(ends, (c.low, c.high), apart, (-1, 1), strict=True):
        at = end if clear else middle + side * 1.5 * text / scale
        axes.text(
            beside, at, typeset(signed(value, digits)), size=text, va="center", color=inks["ink"], zorder=6,
        )  # fmt: skip


def _draw_head(
    figure: Figure,
    answer: Answer,
    inks: canvas.Inks,
    *,
    box: tuple[float, float, float, float],
    text: float,
    split: float,
    narrow: bool,
) -> None:
    """Write what each part shows, and the key to its marks."""
    c = answer.comparison
    left, top, width, _ = box
    label = sentence_case(c.label) + in_brackets(c.spec.unit)
    write(figure, left, top + 0.1 * text, label, inks, text=text, weight="bold")
    if c.comparable and not narrow:
        said = f"Difference{in_brackets(c.unit)}, {_better(c)}"
        write(figure, left + split, top + 0.1 * text, said, inks, text=text, weight="bold")
    write_key(figure, _key(answer), inks, left=left, top=top + (HEAD_LINE + 0.1) * text, width=width, text=text)


def _better(c: Comparison) -> str:
    return "less is better" if c.lower_is_better else "more is better"


def _key(answer: Answer) -> list[tuple[str, str]]:
    c = answer.comparison
    key = []
    if answer.corrected:
        key += [("hollow", "as measured"), ("filled", "at the same conditions")]
    if not c.comparable:
        return key
    return [
        *key,
        ("band", f"mean, {percent(c.level)} band"),
        ("small", f"too small to matter (±{METRIC.brief(c.worthwhile, c.unit)})"),
    ]
