"""The picture of a vehicle's history: the state before and after each service, and what each service changed.

Above, the states at the same conditions with their intervals, and dotted what happened between two services. Below, on
the same scale, each service's change as its own experiment found it. Services stand where their dates put them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from pullbook.quantities import US
from pullbook.records.history import History, Service, Span
from pullbook.report import canvas
from pullbook.report.answer_picture import LEAST_SPAN
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
from pullbook.report.own_units import Distance
from pullbook.settings.experiment import PHASES
from pullbook.statistics.estimate import conditions_of
from pullbook.text import adds_up, decimals, in_brackets, number, percent, sentence_case, signed, typeset, unit_suffix

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDE, NARROW = (920, 470), (358, 416)  # [px]
ASIDE = 0.55  # of the text's size: how far before and after stand from the service's own place


def picture(history: History) -> Drawing:
    """Return the picture of a history for its page."""
    where, conditions = _heading(history), conditions_of(history.slopes)
    at = f"corrected to the same {conditions}" if conditions else "as measured"
    return drawn(
        lambda figure, inks, size: _draw(figure, history, inks, size),
        caption=(
            f"Above: the state before and after each service, {at}. Below, on the same scale: "
            f"what each service changed, by its own experiment.{'' if _exact(history) else ' Figures are rounded.'}"
        ),
        description=describe(history),
        columns=(
            "service",
            where,
            *(f"{name}{in_brackets(history.level_unit)}" for name in ("before", "after")),
            *(f"{name}{in_brackets(history.unit)}" for name in ("change", "low", "high")),
        ),
        rows=[
            (
                s.number,
                _place_told(history, s),
                *(round(state.value, decimals(state.u)) for state in (s.before, s.after)),
                *(round(value, _digits(s)) for value in (s.change, s.low, s.high)),
            )
            for s in history.services
        ],
        wide=WIDE,
        narrow=NARROW,
    )


def distance_of(history: History) -> Distance:
    """Return the unit that distances are shown in."""
    return Distance(miles=history.shown == US)


def _exact(history: History) -> bool:
    """Say whether what lies between two services adds up as it is written."""
    return all(
        adds_up(first.after.value, second.before.value, span.drift.value, decimals(span.drift.u))
        for span, (first, second) in zip(history.spans, pairwise(history.services), strict=True)
    )


def describe(history: History) -> str:
    """Say in words what the picture shows."""
    level_unit = unit_suffix(history.level_unit)
    told = [
        f"service {s.number}: {number(s.before.value, decimals(s.before.u))} before, "
        f"{number(s.after.value, decimals(s.after.u))}{level_unit} after"
        for s in history.services
    ]
    between = [_drift(history, span) for span in history.spans]
    return f"{sentence_case(history.label)}. {sentence_case('; '.join(told))}. Between services: {'; '.join(between)}."


def places(history: History) -> list[float]:
    """Return where the services stand across: days, km, or their numbers."""
    if history.axis == "date":
        return [float(s.date.toordinal()) for s in history.services if s.date is not None]
    if history.axis == "odometer":
        return [_odometer(history, s) for s in history.services]
    return [float(s.number) for s in history.services]


def _heading(history: History) -> str:
    odometer = f"odometer [{distance_of(history).unit}]"
    return {"date": "date of the service", "odometer": odometer, "order": "service, in the order given"}[history.axis]


def _odometer(history: History, service: Service) -> float:
    """Return the reading at a service in the unit shown."""
    return (service.odometer_km or 0.0) / distance_of(history).km


def _place_told(history: History, service: Service) -> object:
    if history.axis == "date" and service.date is not None:
        return service.date.isoformat()
    return round(_odometer(history, service)) if history.axis == "odometer" else service.number


def _digits(service: Service) -> int:
    return decimals((service.high - service.low) / 4)


def _change_told(history: History, service: Service) -> str:
    return typeset(f"{signed(service.change, _digits(service))}{unit_suffix(history.unit)}")


def _drift(history: History, span: Span) -> str:
    drift = f"{signed(span.drift.value, decimals(span.drift.u))}{unit_suffix(history.unit)}"
    if not span.distance_km:
        return drift
    return f"{drift} in {distance_of(history).text(span.distance_km)}"


# --- drawing -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Scale:
    """One end of a scale and the other."""

    low: float
    high: float

    @property
    def span(self) -> float:
        return self.high - self.low


def scales(history: History) -> tuple[_Scale, _Scale]:
    """Return the scale of the states and that of the changes; all intervals fit, and neither blows scatter up."""
    services = history.services
    states = [end for s in services for state in (s.before, s.after) for end in (state.low, state.high)]
    worthwhile = max(s.worthwhile for s in services)
    changes = [0.0, -worthwhile, worthwhile, *(end for s in services for end in (s.low, s.high))]
    return _padded(states, LEAST_SPAN * worthwhile), _padded(changes, LEAST_SPAN * worthwhile)


def _padded(shown: Sequence[float], least: float) -> _Scale:
    low, high = min(shown), max(shown)
    short = max(0.0, least - (high - low))
    pad = 0.06 * max(high - low, least)
    return _Scale(low - short / 2 - pad, high + short / 2 + pad)


def _draw(figure: Figure, history: History, inks: canvas.Inks, size: tuple[int, int]) -> None:
    text, (width, height) = TEXT, size
    narrow = width < 36 * text
    head = text * (4.7 if narrow else 3.3)
    foot, left, between = 3.4 * text, 3.1 * text, 2.2 * text
    above, below = scales(history)
    tall = height - head - foot - between
    tall_above = tall * above.span / (above.span + below.span)
    across = width - left
    states = axes_at(figure, (left, head, across, tall_above), inks, text=text)
    changes = axes_at(figure, (left, head + tall_above + between, across, tall - tall_above), inks, text=text)
    for axes, scale in ((states, above), (changes, below)):
        axes.set_ylim(scale.low, scale.high)
        ticks = scale_ticks(axes, text=text)
        sign = "+" if axes is changes else ""
        labels = [typeset(f"{tick:{sign}.{places_of(ticks)}f}") if tick else "0" for tick in ticks]
        axes.set_yticks(ticks, labels)
        axes.yaxis.grid(True, color=inks["line"], linewidth=0.8)
        axes.set_axisbelow(True)
    x = _across(history, across, text)
    _draw_states(states, history, inks, x=x, text=text)
    _draw_changes(changes, history, inks, x=x, text=text)
    _name_services(changes, history, inks, x=x, text=text)
    label = sentence_case(history.label) + in_brackets(history.level_unit)
    write(figure, 0, 0.1 * text, label, inks, text=text, weight="bold")
    better = "less is better" if history.lower_is_better else "more is better"
    changed = f"Change with the service{in_brackets(history.unit)}, {better}"
    write(figure, 0, head + tall_above + 0.45 * text, changed, inks, text=text, weight="bold")
    key = [
        ("before", "before"), ("after", "after the service"), ("interval", f"{percent(history.levels.level)} interval"),
        ("dotted", "between services"), ("small", "too small to matter"),
    ]  # fmt: skip
    write_key(figure, key, inks, left=0, top=(HEAD_LINE + 0.1) * text, width=width, text=text)


def _across(history: History, width: float, text: float) -> list[float]:
    """Return where each service stands [px], with room for its figures on both sides."""
    at = places(history)
    room = 0.9 * text + max(
        *(
            canvas.text_width(number(state.value, decimals(state.u)), size=text, bold=True) + ASIDE * text
            for s in history.services
            for state in (s.before, s.after)
        ),
        *(canvas.text_width(_change_told(history, s), size=text, bold=True) for s in history.services),
    )
    span = (at[-1] - at[0]) or 1.0
    return [room + (place - at[0]) / span * (width - 2 * room) for place in at]


def _narrowest(x: Sequence[float]) -> float:
    return min(b - a for a, b in pairwise(x))


def _draw_states(axes: Axes, history: History, inks: canvas.Inks, *, x: Sequence[float], text: float) -> None:
    aside = {"before": -ASIDE * text, "after": ASIDE * text}
    services = history.services
    beside = max(
        canvas.text_width(number(s.before.value, decimals(s.before.u)), size=text, bold=True) for s in services
    )
    labelled = _narrowest(x) > beside + (2 * ASIDE + 0.8) * text
    # A figure keeps off the dotted line that comes to its mark, or goes from it.
    rising = [second.before.value > first.after.value for first, second in pairwise(services)]
    below = {"before": [False, *(not up for up in rising)], "after": [*rising, True]}
    for k, (place, s) in enumerate(zip(x, services, strict=True)):
        axes.plot(
            [place + aside["before"], place + aside["after"]], [s.before.value, s.after.value], color=inks["soft"],
            linewidth=1, zorder=2,
        )  # fmt: skip
        for phase in PHASES:
            state, at = (s.before if phase == "before" else s.after), place + aside[phase]
            axes.vlines(at, state.low, state.high, color=inks[phase], linewidth=2, zorder=3)
            axes.plot([at], [state.value], marker=MARKS[phase], markersize=0.7 * text, color=inks[phase], zorder=4)
            if labelled:
                axes.annotate(
                    number(state.value, decimals(state.u)), (at, state.value),
                    xytext=(math.copysign(0.55 * text, aside[phase]), (-0.15 if below[phase][k] else 0.15) * text),
                    textcoords="offset points", ha="right" if phase == "before" else "left",
                    va="top" if below[phase][k] else "bottom", size=text, weight="bold", color=inks[phase], zorder=6,
                )  # fmt: skip
    said = _drifts_that_fit(history, x, text)
    for k, (a, b) in enumerate(pairwise(x)):
        ends = (a + aside["after"], b + aside["before"])
        heights = (services[k].after.value, services[k + 1].before.value)
        axes.plot(ends, heights, color=inks["soft"], linewidth=1.6, linestyle=(0, (1.5, 2.5)), zorder=2)
        if said:
            axes.text(
                sum(ends) / 2 + (-0.3 if rising[k] else 0.3) * text, sum(heights) / 2, said[k],
                ha="right" if rising[k] else "left", va="bottom", size=0.92 * text, color=inks["ink"], zorder=6,
            )  # fmt: skip


def _drifts_that_fit(history: History, x: Sequence[float], text: float) -> list[str]:
    """Return what to write beside the dotted lines: with the distance if all have room, without it, or nothing."""
    whole = [typeset(_drift(history, span)) for span in history.spans]
    for form in (whole, [said.partition(" in ")[0] for said in whole]):
        if max(canvas.text_width(said, size=0.92 * text) for said in form) < _narrowest(x) / 2 - (ASIDE + 0.8) * text:
            return form
    return []


def _draw_changes(axes: Axes, history: History, inks: canvas.Inks, *, x: Sequence[float], text: float) -> None:
    worthwhile = history.services[-1].worthwhile
    axes.axhspan(-worthwhile, worthwhile, facecolor=inks["line"], alpha=0.55, linewidth=0, zorder=0)
    axes.axhline(0, color=inks["soft"], linewidth=1.2, zorder=1)
    for place, s in zip(x, history.services, strict=True):
        said = _change_told(history, s)
        wide = canvas.text_width(said, size=text, bold=True) + 0.7 * text
        axes.vlines(place, s.low, s.high, color=inks["ink"], linewidth=2.4, zorder=3)
        axes.plot([place], [s.change], marker="s", markersize=0.75 * text, color=inks["ink"], zorder=4)
        if wide < _narrowest(x):
            axes.text(
                place + 0.7 * text, s.change, said, va="center", size=text, weight="bold", color=inks["ink"], zorder=6
            )


def _name_services(axes: Axes, history: History, inks: canvas.Inks, *, x: Sequence[float], text: float) -> None:
    small = 0.9 * text
    forms = [[f"service {s.number}\n{_place_told(history, s)}" for s in history.services]]
    if history.axis == "odometer":
        far = distance_of(history)
        forms = [[f"service {s.number}\n{far.text(s.odometer_km or 0.0)}" for s in history.services]]
    if history.axis == "order":
        forms = [[f"service {s.number}" for s in history.services]]
    forms.append([f"{s.number}\n{s.date:%Y-%m}" if s.date else str(s.number) for s in history.services])
    forms.append([str(s.number) for s in history.services])
    room = _narrowest(x) - 0.6 * text

    def wide(label: str) -> float:
        return max(canvas.text_width(line, size=small) for line in label.split("\n"))

    shown = next((form for form in forms if max(map(wide, form)) < room), forms[-1])
    for place, label in zip(x, shown, strict=True):
        most = axes.get_xlim()[1] - wide(label) / 2
        axes.annotate(
            label, (min(place, most), 0), xycoords=("data", "axes fraction"), xytext=(0, -0.5 * text),
            textcoords="offset points", ha="center", va="top", size=small, color=inks["soft"], linespacing=1.3,
        )  # fmt: skip
