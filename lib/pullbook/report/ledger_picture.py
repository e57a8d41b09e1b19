"""The picture of what is caught: the can filling over the distance, and when it is full at this rate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pullbook.records.ledger import Capture, Rate, full_in_km
from pullbook.report import canvas
from pullbook.report.drawing import HEAD_LINE, TEXT, Drawing, axes_at, drawn, scale_ticks, write, write_key
from pullbook.report.own_units import Amount, Distance
from pullbook.text import percent, sentence_case, typeset

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDE, NARROW = (920, 360), (358, 380)  # [px]


@dataclass(frozen=True, kw_only=True)
class Filling:
    """What the picture shows.

    Attributes
    ----------
    item : str
        What is caught.
    found : tuple of Capture
    rate : Rate
    capacity_ml : float
        Of the can; zero where it is not known.
    far : Distance
    much : Amount
    """

    item: str
    found: tuple[Capture, ...]
    rate: Rate
    capacity_ml: float
    far: Distance
    much: Amount

    @property
    def full_km(self) -> float:
        """Odometer when the can is full at the mean rate; NaN where that is not known [km]."""
        return self._full()[0]

    @property
    def soonest_km(self) -> float:
        """Odometer when it may be full at the soonest; NaN where that is not known [km]."""
        return self._full()[1]

    def _full(self) -> tuple[float, float]:
        if not self.capacity_ml > 0:
            return math.nan, math.nan
        last = self.found[-1].to_km
        usual, soonest = full_in_km(self.rate, capacity_ml=self.capacity_ml)
        return last + usual, last + soonest


def picture(filling: Filling) -> Drawing:
    """Return the picture for the ledger's page."""
    far, much = filling.far, filling.much
    full = "" if math.isnan(filling.full_km) else " Dashed: the next filling, at the mean rate."
    return drawn(
        lambda figure, inks, size: _draw(figure, filling, inks, size),
        caption=(
            f"{sentence_case(filling.item)}: what it held at each emptying. The straight lines in between are assumed."
            f"{full}"
        ),
        description=describe(filling),
        columns=(
            f"from [{far.unit}]",
            f"to [{far.unit}]",
            f"amount [{much.unit}]",
            f"{much.unit} per 1,000 {far.unit}",
        ),
        rows=[
            (
                round(c.from_km / far.km),
                round(c.to_km / far.km),
                round(c.amount_ml / much.ml, 1),
                round(c.per_1000_km * far.km / much.ml, 2),
            )
            for c in filling.found
        ],
        wide=WIDE,
        narrow=NARROW,
    )


def describe(filling: Filling) -> str:
    """Say in words what the picture shows."""
    far = filling.far
    amounts = ", ".join(f"{filling.much.text(c.amount_ml)} at {far.text(c.to_km)}" for c in filling.found)
    full = (
        ""
        if math.isnan(filling.full_km)
        else f" The {filling.much.text(filling.capacity_ml)} can is full at about {far.text(filling.full_km, 3)}."
    )
    return f"{sentence_case(filling.item)}, emptied: {amounts}. {_mean(filling)}.{full}"


def _mean(filling: Filling) -> str:
    far, much = filling.far, filling.much
    return f"mean rate, {filling.rate.per_1000_km * far.km / much.ml:.1f} {much.unit} per 1,000 {far.unit}"


# --- drawing -----------------------------------------------------------------------------------------------------


def _draw(figure: Figure, filling: Filling, inks: canvas.Inks, size: tuple[int, int]) -> None:
    text, (width, height) = TEXT, size
    known = math.isfinite(filling.full_km)
    narrow = width < 36 * text
    km = filling.far.km
    start, last = filling.found[0].from_km / km, filling.found[-1].to_km / km
    end = filling.full_km / km if known else last
    head, foot, left = text * (6.1 if narrow and known else 3.2), 3.3 * text, 3.3 * text
    right = canvas.text_width(f"{end:,.0f}", size=text) / 2  # a tick may stand at the very end
    axes = axes_at(figure, (left, head, width - left - right, height - head - foot), inks, text=text)
    axes.set_xlim(start, start + (end - start) * (1.02 if known else 1.0))
    top = max(filling.capacity_ml if known else 0.0, *(c.amount_ml for c in filling.found)) / filling.much.ml or 1.0
    axes.set_ylim(0, top + 2.2 * text * top / axes.bbox.height)
    ticks = scale_ticks(axes, text=text)
    axes.set_yticks(ticks, [f"{tick:,.0f}" if tick == int(tick) else f"{tick:g}" for tick in ticks])
    axes.yaxis.grid(True, color=inks["line"], linewidth=0.8)
    axes.set_axisbelow(True)
    axes.axhline(0, color=inks["soft"], linewidth=1)
    _distance_ticks(axes, text=text)
    _draw_fillings(axes, filling, inks, text=text)
    if known:
        _draw_next(axes, filling, inks, last=last, text=text)
    write(figure, 0, 0.1 * text, f"{sentence_case(filling.item)} [{filling.much.unit}]", inks, text=text, weight="bold")
    axes.annotate(
        f"odometer [{filling.far.unit}]", (0.5, 0), xycoords="axes fraction", xytext=(0, -2.0 * text),
        textcoords="offset points", ha="center", va="top", size=0.92 * text, color=inks["soft"],
    )  # fmt: skip
    key = [("band", "held until emptied")]
    if known:
        key.append(("dashed", _mean(filling)))
    if math.isfinite(filling.soonest_km):
        key.append(("small", f"the next filling, at most ({percent(filling.rate.level)})"))
    write_key(figure, key, inks, left=0, top=(HEAD_LINE + 0.1) * text, width=width, text=text)


def _distance_ticks(axes: Axes, *, text: float) -> None:
    from matplotlib.ticker import MaxNLocator

    low, high = axes.get_xlim()
    room = canvas.text_width(f"{high:,.0f}", size=0.92 * text) + 1.5 * text
    found = MaxNLocator(nbins=max(2, int(axes.bbox.width / room)), steps=[1, 2, 5, 10]).tick_values(low, high)
    ticks = [float(tick) for tick in found if low <= tick <= high]
    axes.set_xticks(ticks, [f"{tick:,.0f}" for tick in ticks])


def _draw_fillings(axes: Axes, filling: Filling, inks: canvas.Inks, *, text: float) -> None:
    km, colour = filling.far.km, inks["before"]
    low, high = axes.get_xlim()
    narrowest = min(c.distance_km / km for c in filling.found) * axes.bbox.width / (high - low)
    much = filling.much
    widest = max((much.number(c.amount_ml) for c in filling.found), key=len)
    unit = next((u for u in (f" {much.unit}", "") if canvas.text_width(widest + u, size=text) < narrowest), None)
    for c in filling.found:
        ends = [c.from_km / km, c.to_km / km]
        held = c.amount_ml / much.ml
        axes.fill_between(ends, [0, held], color=colour, alpha=0.2, linewidth=0, zorder=2)
        axes.plot([*ends, ends[1]], [0, held, 0], color=colour, linewidth=1.6, zorder=3)
        if unit is not None:
            axes.annotate(
                f"{much.number(c.amount_ml)}{unit}", (ends[1], held), xytext=(0.15 * text, 0.25 * text),
                textcoords="offset points", ha="right", va="bottom", size=text, weight="bold", color=colour, zorder=6,
            )  # fmt: skip


def _draw_next(axes: Axes, filling: Filling, inks: canvas.Inks, *, last: float, text: float) -> None:
    km, capacity = filling.far.km, filling.capacity_ml / filling.much.ml
    full, soonest = filling.full_km / km, filling.soonest_km / km
    if math.isfinite(soonest):
        axes.fill([last, soonest, full], [0, capacity, capacity], color=inks["line"], alpha=0.75, linewidth=0, zorder=1)
    axes.plot([last, full], [0, capacity], color=inks["soft"], linewidth=2, linestyle=(0, (5, 3)), zorder=3)
    axes.axhline(capacity, color=inks["ink"], linewidth=1.4, zorder=3)
    axes.plot([full], [capacity], marker="o", markersize=0.7 * text, color=inks["ink"], zorder=5)
    said = typeset(f"{filling.much.text(filling.capacity_ml)}: full at about {filling.far.text(filling.full_km, 3)}")
    axes.annotate(
        said, (1, capacity), xycoords=("axes fraction", "data"), xytext=(0, 0.4 * text), textcoords="offset points",
        ha="right", va="bottom", size=text, weight="bold", color=inks["ink"], zorder=6,
    )  # fmt: skip
