"""Pictures of a result. Each is a plotly figure whose numbers come from the result alone.

Every figure carries ``layout.meta`` with a caption, a description for those who cannot see it, and the numbers behind
it: whole, or as names of columns where they lie in its traces (`series`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Literal

import numpy as np
import plotly.graph_objects as go

from pullbook.analysis.result import Result
from pullbook.analysis.sessions import Drive
from pullbook.quantities import METRIC, Shown
from pullbook.reading.logs import Signal
from pullbook.reading.units import CHANNELS
from pullbook.report import answer_picture
from pullbook.report.drawing import Drawing
from pullbook.report.html import run_key
from pullbook.report.in_units import comparison_in, to_draw
from pullbook.runs.find import Run
from pullbook.runs.measures import inlet_signal
from pullbook.statistics.comparison import Comparison
from pullbook.statistics.uncertainty import combined
from pullbook.text import (
    budget_digits,
    budget_line,
    budget_source,
    counted,
    decimals,
    in_brackets,
    percent,
    sentence_case,
    unit_suffix,
)

# Okabe and Ito's colours for every kind of colour vision; the markers differ too, for grey prints.
COLOUR = {"before": "#0072B2", "after": "#D55E00"}
MARKER = {"before": "circle", "after": "diamond"}
QUIET = "#7f7f7f"
PLOTLY_MIME = "application/vnd.plotly.v1+json"
HATCH = "rgba(127,127,127,0.25)"

MOST_BARS = 6  # of the budget; the rest is small, and added up
Over = Literal["time", "speed"]


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure that a notebook stores as its JSON alone (plotly's own display loads far more than that).

    Attributes
    ----------
    figure : plotly.graph_objects.Figure
    """

    figure: go.Figure

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, Any]:
        # Without plotly's toolbar: one of its buttons sends the picture to a server.
        plain = {**self.figure.to_plotly_json(), "config": {"displayModeBar": False}}
        return {PLOTLY_MIME: plain, "text/plain": plain["layout"]["meta"]["description"]}


def layout(
    figure: go.Figure,
    *,
    caption: str,
    description: str,
    height: int,
    columns: Sequence[str],
    rows: Sequence[Sequence[object]] | None = None,
) -> Picture:
    """Return a figure as a picture of the page.

    Parameters
    ----------
    figure : plotly.graph_objects.Figure
    caption, description : str
        What stands below it, and what it shows for those who cannot see it.
    height : int
        [px]
    columns : sequence of str
        Headings of the numbers behind it, with their units.
    rows : sequence of sequence of object, optional
        These numbers, rounded as they are shown; without them they are the points of the traces (`series`).
    """
    told: dict[str, Any] = {"caption": caption, "description": description}
    if rows is None:
        told["columns"] = list(columns)
    else:
        told["numbers"] = {"columns": list(columns), "rows": [list(row) for row in rows]}
    figure.update_layout(
        meta=told,
        height=height,
        margin={"l": 64, "r": 16, "t": 16, "b": 56},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": "system-ui, sans-serif", "size": 13, "color": "#444"},
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0},
        template="none",
        dragmode=figure.layout.dragmode or False,
    )
    figure.update_xaxes(gridcolor="rgba(127,127,127,0.25)", zeroline=False, ticks="outside", automargin=True)
    figure.update_yaxes(gridcolor="rgba(127,127,127,0.25)", zeroline=False, automargin=True)
    return Picture(figure)


def series(*names: Sequence[str]) -> dict[str, list[list[str]]]:
    """Name what comes before x and y of a trace's points: once, or once for each part between its breaks."""
    return {"rows": [list(name) for name in names]}


def answer(result: Result) -> Drawing:
    """Show what answers: every run that counts with the weather taken out, and the difference with its interval."""
    return answer_picture.picture(result)


def other_routes(result: Result) -> Picture | None:
    """Show the change by every route, the main one first; nothing where there is none."""
    result = to_draw(result)
    c = result.comparison
    if not c.comparable:
        return None
    rows = [("this result", c.change, c.low, c.high, True)]
    if c.as_driven is not None:
        rows.append(("as driven", c.as_driven.change, c.as_driven.low, c.as_driven.high, True))
    rows += [(r.name, r.change, r.low, r.high, r.valid) for r in result.cross_checks.routes]
    if result.with_left_out is not None:
        w = result.with_left_out
        rows.append(("counting what you left out", w.change, w.low, w.high, True))
    return _forest(rows, c, height=80 + 34 * len(rows), legend=False)


def with_and_without(result: Result, saved: Comparison | None) -> Picture | None:
    """Show the change as chosen by hand, with what was left out, and as saved where that differs; None without one.

    Parameters
    ----------
    result : Result
        As chosen.
    saved : Comparison or None
        As the file gives it.
    """
    differs = saved is not None and saved != result.comparison
    saved = comparison_in(saved, result.shown) if saved is not None else None
    result = to_draw(result)
    c = result.comparison
    if not c.comparable:
        return None
    rows = [("as chosen now", c.change, c.low, c.high, True)]
    if result.with_left_out is not None and result.with_left_out.comparable:
        w = result.with_left_out
        rows.append(("with nothing left out", w.change, w.low, w.high, True))
    if saved is not None and saved.comparable and saved.outcome == c.outcome and differs:
        rows.append(("as saved in the file", saved.change, saved.low, saved.high, True))
    picture = _forest(rows, c, height=120 + 40 * len(rows), legend=True)
    picture.figure.update_xaxes(title=f"change{in_brackets(c.unit)}")  # it stands in half a page's width
    return picture


def _forest(
    rows: Sequence[tuple[str, float, float, float, bool]], c: Comparison, *, height: int, legend: bool
) -> Picture:
    digits, unit = decimals(c.standard_uncertainty), unit_suffix(c.unit)
    figure = go.Figure()
    figure.add_vrect(x0=-c.worthwhile, x1=c.worthwhile, fillcolor=HATCH, line_width=0, layer="below")
    figure.add_vline(x=0, line={"color": QUIET, "width": 1})
    names = [_wrapped(name) for name, *_ in rows]
    for k, (name, value, low, high, valid) in enumerate(rows):
        colour = ("#222" if k == 0 else "#555") if valid else QUIET
        figure.add_scatter(
            x=[value],
            y=[names[k]],
            mode="markers",
            marker={"color": colour, "size": 13 if k == 0 else 10, "symbol": "square" if valid else "x-thin-open"},
            error_x={
                "type": "data", "symmetric": False, "array": [high - value], "arrayminus": [value - low],
                "thickness": 3 if k == 0 else 1.8, "width": 7, "color": colour,
            },
            name=name,
            showlegend=False,
            hovertemplate=f"{value:+.{digits}f} ({low:+.{digits}f} to {high:+.{digits}f}){unit}<extra></extra>",
        )  # fmt: skip
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1], showgrid=False, visible=len(rows) > 1)
    better = "left is better" if c.lower_is_better else "right is better"
    figure.update_xaxes(title=f"change after the service{in_brackets(c.unit)} ({better})")
    reach = max(c.worthwhile, *(max(abs(low), abs(high)) for _, _, low, high, _ in rows[:2]), 1e-9)
    edge = 1.15 * max(reach, 1.2 * c.worthwhile)
    figure.update_xaxes(range=[-edge, edge])
    for side, mark in ((-1, "◂"), (1, "▸")):  # what goes on beyond the picture says so
        for name, (_, _, *ends, _) in zip(names, rows, strict=True):
            if max(side * end for end in ends) > edge:
                figure.add_annotation(x=side * edge, y=name, text=mark, showarrow=False, font={"size": 16})
    text = (
        f"Change {c.change:+.{digits}f}{unit}, {percent(c.level)} interval {c.low:+.{digits}f} to "
        f"{c.high:+.{digits}f}{unit}. The grey band, ±{METRIC.brief(c.worthwhile, c.unit)}, is too small to matter to "
        "you."
    )
    return layout(
        figure,
        caption=text if legend else "The same change calculated in other ways.",
        description=text,
        height=height,
        columns=["route", *(f"{name}{in_brackets(c.unit)}" for name in ("change", "low", "high"))],
        rows=[(name, *(round(value, digits) for value in ends)) for name, *ends, _ in rows],
    )


def _wrapped(text: str, width: int = 22) -> str:
    import textwrap

    return "<br>".join(textwrap.wrap(text, width))


def drives(result: Result) -> Picture | None:
    """Show each logged drive: speed, pedal, charge and inlet temperature, its runs shaded, refused candidates hatched.

    None where no drive was logged.
    """
    logged = [drive for drive in result.drives if drive.log.signals]
    count = len(logged)
    if not logged:
        return None
    degree = result.shown.unit("°C")
    return layout(
        _drives(logged, result.shown),
        caption=(
            "Dark: pulls that count. Light: cruises. Hatched: not counted. Drag to zoom, double-click to go back."
            + ("" if count <= FEW_DRIVES else f" Left scale: {result.shown.unit('km/h')} and %. Right: {degree}.")
        ),
        description=(
            f"Speed, pedal, charge and inlet temperature over time in {counted(count, 'drive')}, the runs shaded."
        ),
        height=80 + (72 if count <= FEW_DRIVES else 56) * count,
        columns=DRIVE_COLUMNS,
    )


FEW_DRIVES = 8  # more are drawn lower, so that the picture stays in sight
MOST_LETTERS = 10  # of a session's name beside its drive
DRIVE_COLUMNS = ("session", "signal", "unit", "time since the log began [s]", "value")


def _drives(drives: Sequence[Drive], shown: Shown) -> go.Figure:
    from plotly.subplots import make_subplots

    count = len(drives)
    figure = make_subplots(
        rows=count,
        cols=1,
        shared_xaxes=True,  # one scale of time for all
        vertical_spacing=min(0.04, 0.25 / count),
        specs=[[{"secondary_y": True}]] * count,
    )
    shapes: list[dict[str, Any]] = []
    few = count <= FEW_DRIVES
    for k, drive in enumerate(drives, start=1):
        for channel, name, line, right in DRIVE_LINES:
            signal = drive.log.get(channel)
            if signal is not None:
                unit = CHANNELS[channel][1]
                time_s, values = _broken_at_gaps(signal, shown.value(signal.values, unit))
                figure.add_scatter(
                    x=time_s,
                    y=values,
                    mode="lines",
                    line=line,
                    row=k,
                    col=1,
                    secondary_y=right,
                    name=name,
                    meta=series((drive.session.name, name, shown.unit(unit))),
                    legendgroup=name,
                    showlegend=k == 1,
                    hovertemplate=f"{name}: %{{y:.0f}} at %{{x:.0f}} s<extra>{drive.session.name}</extra>",
                )
        _hatch_refused(figure, drive, k, shown)
        shapes += _shades(drive, k)
        left = _brief(drive.session.name) + (f"<br>[{shown.unit('km/h')}, %]" if few else "")
        figure.update_yaxes(title_text=left, row=k, col=1, title_font_size=11, secondary_y=False)
        figure.update_yaxes(
            title_text=f"[{shown.unit('°C')}]" if few else "", row=k, col=1, title_font_size=11, secondary_y=True,
            showgrid=False, tickmode="auto", nticks=5, range=_degrees(drives, shown),
        )  # fmt: skip
    figure.update_layout(shapes=shapes, dragmode="zoom")
    figure.update_xaxes(title_text="time since the log began [s]", row=count, col=1)
    return figure


def _brief(name: str) -> str:
    """Return a session's name as far as there is room for it beside its drive."""
    return name if len(name) <= MOST_LETTERS else name[: MOST_LETTERS - 1] + "…"


def _broken_at_gaps(signal: Signal, values: np.ndarray) -> tuple[list[float], list[float | None]]:
    """Return times and values of a line to draw, with a break in each gap of the signal.

    Of refreshes that repeat one value the first and the last draw the same line.
    """
    time_s, values = signal.time_s, np.round(values, 1)
    gaps = np.flatnonzero(np.diff(time_s) > signal.max_gap_s)
    middles = (time_s[gaps] + time_s[gaps + 1]) / 2
    x = np.round(np.insert(time_s, gaps + 1, middles), 1)
    y = np.insert(values, gaps + 1, np.nan)
    bends = np.ones(len(y), dtype=bool)
    bends[1:-1] = (y[1:-1] != y[:-2]) | (y[1:-1] != y[2:])
    return x[bends].tolist(), [None if np.isnan(value) else value for value in y[bends].tolist()]


def _degrees(drives: Sequence[Drive], shown: Shown) -> list[float] | None:
    """Return one temperature scale for all drives, None where no temperature is logged."""
    channels = [channel for channel, _, _, right in DRIVE_LINES if right]
    held = [s for d in drives for c in channels if (s := d.log.get(c)) is not None]
    if not held:
        return None
    ends = min(float(np.min(s.values)) for s in held) - 2, max(float(np.max(s.values)) for s in held) + 2
    return [shown.value(end, "°C") for end in ends]


# Channel, words, line, and whether its scale is the right-hand one.
DRIVE_LINES: tuple[tuple[str, str, dict[str, Any], bool], ...] = (
    ("vehicle_speed", "speed", {"color": "#444", "width": 1.2}, False),
    ("accelerator_position", "pedal", {"color": QUIET, "width": 0.7}, False),
    ("charge_air_temperature", "charge temperature", {"color": "#CC79A7", "width": 1.6}, True),
    ("intake_air_temperature", "inlet temperature", {"color": "#009E73", "width": 1.2, "dash": "dot"}, True),
)


def _hatch_refused(figure: go.Figure, drive: Drive, row: int, shown: Shown) -> None:
    """Hatch the candidates that do not count; the reason shows where the pointer rests."""
    speed = drive.log.need("vehicle_speed")
    top = shown.value(float(np.max(speed.values)), "km/h")
    for run in (run for run in drive.runs.all if not run.included):
        figure.add_scatter(
            x=[run.start_s, run.start_s, run.end_s, run.end_s],
            y=[0, top, top, 0],
            mode="none",
            fill="toself",
            fillpattern={"shape": "/", "fgcolor": QUIET, "bgcolor": "rgba(0,0,0,0)", "size": 6, "solidity": 0.25},
            hoveron="fills",
            text=escape(f"{run.name}: {run.reason if run.left_out else shown.text(run.reason)}"),
            hoverinfo="text",
            showlegend=False,
            row=row,
            col=1,
            secondary_y=False,
        )


def _shades(drive: Drive, row: int) -> list[dict[str, Any]]:
    across, up = ("" if n == 1 else str(n) for n in (row, 2 * row - 1))  # each drive has two vertical axes
    colour = COLOUR[drive.session.phase]
    return [
        {
            "type": "rect", "name": run_key(drive.session.name, run.name),
            "xref": f"x{across}", "yref": f"y{up} domain", "x0": run.start_s, "x1": run.end_s,
            "y0": 0, "y1": 1, "layer": "below", "fillcolor": colour if run.included else "rgba(0,0,0,0)",
            "opacity": (0.55 if run.kind == "pull" else 0.2) if run.included else 0.6,
            "line": {"width": 0} if run.included else {"width": 1, "dash": "dot", "color": QUIET},
        }
        for run in drive.runs.all
    ]  # fmt: skip


def charge_over_time(result: Result) -> Picture | None:
    """Lay the charge temperature of the pulls over each other, against the time since full load."""
    return _overlaid(result, "charge_air_temperature", over="time")


def pressure_over_time(result: Result) -> Picture | None:
    """Lay the manifold pressure of the pulls over each other; None where no log holds it."""
    return _overlaid(result, "intake_manifold_pressure", over="time")


def rise_over_speed(result: Result) -> Picture | None:
    """Lay the rise of the pulls over each other, against road speed; None where no log holds both temperatures."""
    return _overlaid(result, "rise", over="speed")


def _overlaid(result: Result, channel: str, *, over: Over) -> Picture | None:
    held = any(_holds(drive, channel) for drive in result.drives)
    return pulls_overlaid(result, channel, over=over) if held else None


def _holds(drive: Drive, channel: str) -> bool:
    if channel == "rise":
        return drive.log.get("charge_air_temperature") is not None and inlet_signal(drive.log, drive.inlet) is not None
    return drive.log.get(channel) is not None


def _values_at(drive: Drive, channel: str, moments: np.ndarray) -> np.ndarray:
    inlet = inlet_signal(drive.log, drive.inlet)
    if channel == "rise" and inlet is not None:
        rise: np.ndarray = drive.log.need("charge_air_temperature").at(moments) - inlet.at(moments)
        return rise
    return drive.log.need(channel).at(moments)


def pulls_overlaid(result: Result, channel: str = "charge_air_temperature", *, over: Over = "time") -> Picture:
    """Show one signal of every pull over the time since full load or the road speed.

    Single pulls are thin, the mean of each session is thick.

    Parameters
    ----------
    result : Result
    channel : {"charge_air_temperature", "intake_manifold_pressure", "rise"}
        ``rise`` is the charge temperature above the inlet's.
    over : {"time", "speed"}
    """
    label, unit = {
        "charge_air_temperature": ("charge temperature", "°C"),
        "intake_manifold_pressure": ("manifold pressure", "kPa absolute"),
        "rise": ("charge temperature above inlet", "K"),
    }[channel]
    figure = go.Figure()
    units = result.shown
    for drive in result.drives:
        pulls = [run for run in drive.runs.pulls if run.included]
        if not _holds(drive, channel) or not pulls:
            continue
        grid, curves = _curves(drive, pulls, channel, over)
        curves = units.value(curves, unit)
        _overlay(figure, drive, pulls, grid if over == "time" else units.value(grid, "km/h"), curves)
    if over == "time":
        figure.add_vline(x=0, line={"color": QUIET, "width": 1, "dash": "dot"})
    across = "time since full load [s]" if over == "time" else f"road speed [{units.unit('km/h')}]"
    up = f"{label}{in_brackets(units.unit(unit))}"
    figure.update_xaxes(title=across)
    figure.update_yaxes(title=sentence_case(up))
    key = " Thin: pulls that count. Thick: session means." if channel == "charge_air_temperature" else ""
    against = "time since full load" if over == "time" else "road speed"
    return layout(
        figure,
        caption=f"{sentence_case(label)} against {against}.{key}",
        description=f"{sentence_case(label)} against {against}, before and after the service.",
        height=320,
        columns=("session", "run", across, up),
    )


def _curves(drive: Drive, pulls: Sequence[Run], channel: str, over: Over) -> tuple[np.ndarray, np.ndarray]:
    """Return a grid [s since full load, or km/h], shape (n,), and a signal of each pull on it, shape (pulls, n)."""
    if over == "time":
        grid = np.arange(-3.0, float(np.median([run.end_s - run.start_s for run in pulls])) + 10, 0.5)
        times = [run.start_s + grid for run in pulls]
    else:
        grid = np.arange(min(run.start_kmh for run in pulls), max(run.end_kmh for run in pulls), 2.0)
        times = [_times_at(drive.log.need("vehicle_speed"), run, grid) for run in pulls]
    return grid, np.array([_values_at(drive, channel, moments) for moments in times])


def _overlay(figure: go.Figure, drive: Drive, pulls: Sequence[Run], grid: np.ndarray, curves: np.ndarray) -> None:
    """Draw the curves of a drive's pulls, thin, and their mean, thick."""
    phase = drive.session.phase
    # One line for all thin curves, broken between them.
    figure.add_scatter(
        x=[*grid.tolist(), None] * len(pulls),
        y=[y for curve in curves for y in (*_nulls(curve), None)],
        mode="lines",
        line={"color": COLOUR[phase], "width": 0.8},
        opacity=0.35,
        meta=series(*((drive.session.name, run.name) for run in pulls)),
        showlegend=False,
        hoverinfo="skip",
    )
    enough = np.isfinite(curves).sum(axis=0) > len(pulls) / 2
    mean = np.full(len(grid), np.nan)
    mean[enough] = np.nanmean(curves[:, enough], axis=0)
    figure.add_scatter(
        x=grid.tolist(),
        y=_nulls(mean),
        mode="lines",
        line={"color": COLOUR[phase], "width": 3, "dash": "solid" if phase == "before" else "dash"},
        name=phase,
        meta=series((drive.session.name, "mean")),
        legendgroup=phase,
        showlegend=all(trace.name != phase for trace in figure.data),
        hovertemplate=f"{drive.session.name}, mean: %{{y:.1f}}<extra></extra>",
    )


def _times_at(speed: Signal, run: Run, grid_kmh: np.ndarray) -> np.ndarray:
    """Return when a pull first reaches each speed, NaN for speeds outside it."""
    times, values = speed.within(run.start_s, run.end_s)
    if not values.size:
        return np.full(len(grid_kmh), np.nan)
    reached: np.ndarray = np.interp(grid_kmh, np.maximum.accumulate(values), times, left=np.nan, right=np.nan)
    return reached


def _rounded(value: float, digits: int) -> float | None:
    return round(value, digits) if np.isfinite(value) else None


def _nulls(values: np.ndarray) -> list[float | None]:
    return [round(float(v), 2) if np.isfinite(v) else None for v in values]


def against_inlet(result: Result) -> Picture:
    """Show session means against the inlet temperature, with the slope that was used and its uncertainty."""
    c = to_draw(result).comparison
    outcome, degree = c.spec, result.shown.unit("°C")
    figure = go.Figure()
    inlets = np.array([s.inlet_c for s in c.sessions])
    slope = next((s for s in c.slopes if s.name == "inlet temperature"), None)
    for phase, summary in (("before", c.before), ("after", c.after)):
        means = [s for s in c.sessions if s.phase == phase]
        figure.add_scatter(
            x=[s.inlet_c for s in means],
            y=[s.mean for s in means],
            mode="markers",
            name=f"{phase}: as measured",
            marker={"color": COLOUR[phase], "symbol": MARKER[phase], "size": 11},
            customdata=[s.session for s in means],
            hovertemplate="%{customdata}: %{y:.1f} at %{x:.1f} " + degree + "<extra></extra>",
        )
        if slope is not None:
            x = np.linspace(inlets.min() - 1, inlets.max() + 1, 25)
            middle = summary.mean + slope.value * (x - inlets.mean())
            spread = slope.u * np.abs(x - inlets.mean())
            figure.add_scatter(
                x=[*x, *x[::-1]],
                y=[*(middle + spread), *(middle - spread)[::-1]],
                fill="toself",
                mode="none",
                fillcolor=COLOUR[phase],
                opacity=0.18,
                showlegend=False,
                hoverinfo="skip",
            )
            figure.add_scatter(
                x=x.tolist(), y=middle.tolist(), mode="lines", showlegend=False, hoverinfo="skip",
                line={"color": COLOUR[phase], "width": 2, "dash": "solid" if phase == "before" else "dash"},
            )  # fmt: skip
    figure.update_xaxes(title=f"inlet temperature{' at the peak' if outcome.kind == 'pull' else ''} [{degree}]")
    figure.update_yaxes(title=f"{sentence_case(outcome.label)}{in_brackets(outcome.unit)}")
    text = "Session means against inlet temperature."
    if slope is not None:
        text += (
            f" The lines have the slope used, {slope.value:.2f} ± {slope.u:.2f} {slope.unit}. Physics alone "
            f"says {slope.prior:.2f} ± {slope.prior_u:.2f}. The change is the distance between them."
        )
    return layout(
        figure,
        caption=text,
        description=text,
        height=320,
        columns=(
            "session",
            "phase",
            f"inlet temperature [{degree}]",
            f"{outcome.label}, mean{in_brackets(outcome.unit)}",
        ),
        rows=[(s.session, s.phase, _rounded(s.inlet_c, 1), _rounded(s.mean, 1)) for s in c.sessions],
    )


def budget(result: Result) -> Picture | None:
    """Show what the uncertainty is made of; nothing where there is none."""
    c = to_draw(result).comparison
    if not c.comparable:
        return None
    lines = sorted(c.budget, key=lambda line: line.standard_uncertainty)
    shown = [(budget_source(line.source), line.standard_uncertainty) for line in lines[-MOST_BARS:]]
    if smaller := lines[:-MOST_BARS]:
        shown.insert(0, (counted(len(smaller), "smaller line") + " together", combined(smaller)))
    digits = budget_digits(c.standard_uncertainty)
    figure = go.Figure()
    figure.add_bar(
        x=[u for _, u in shown],
        y=[_wrapped(source, 24) for source, _ in shown],
        orientation="h",
        marker={"color": "#009E73"},
        text=[budget_line(u, digits) for _, u in shown],
        textposition="auto",
        hoverinfo="skip",
    )
    figure.update_xaxes(title=f"standard uncertainty of the change{in_brackets(c.unit)}", rangemode="tozero")
    text = (
        f"What makes the answer uncertain. The largest part: {shown[-1][0]}. All together (root of the sum of "
        f"squares): {budget_line(c.standard_uncertainty, digits)}{unit_suffix(c.unit)}."
    )
    return layout(
        figure,
        caption=text,
        description=text,
        height=84 + 30 * len(shown),
        columns=("source", f"standard uncertainty{in_brackets(c.unit)}"),
        rows=[(budget_source(line.source), round(line.standard_uncertainty, digits)) for line in reversed(lines)],
    )
