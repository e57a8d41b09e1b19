"""The ledger's page: fragments of HTML for the notebook."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import plotly.graph_objects as go

from pullbook.errors import LedgerError
from pullbook.records.ledger import (
    KM_PER_MILE,
    LEAST_FOR_TREND,
    Capture,
    Ledger,
    MeasuredEffect,
    Rate,
    capture_rate,
    captures,
    day_of,
    decision_lines,
    full_in_km,
    passed_earlier_ml,
    read_ledger,
    since,
    trend,
)
from pullbook.report.figures import COLOUR, QUIET, Picture, layout, series
from pullbook.report.html import Fragment, escape, listed, table
from pullbook.text import counted, in_brackets, percent


@dataclass(frozen=True, kw_only=True)
class Book:
    """A ledger and what the person told beside it.

    Attributes
    ----------
    ledger : Ledger
    today : date
    """

    ledger: Ledger
    today: dt.date


def open_ledger(path: str | Path, *, today: str = "") -> Book:
    """Read a ledger.

    Parameters
    ----------
    path : path
    today : str
        YYYY-MM-DD; empty for the day it is.

    Returns
    -------
    Book

    Raises
    ------
    LedgerError
        When the ledger or the day is refused.
    """
    return Book(ledger=read_ledger(path), today=day_of(today))


def entries(book: Book) -> Fragment:
    """Return the rows as they were entered, with what was noticed."""
    rows = [
        (
            e.date.isoformat(),
            e.item,
            e.odometer_as_given,
            e.amount_as_given,
            e.note,
        )
        for e in book.ledger.entries
    ]
    shown = table(("date", "item", "odometer", "amount", "note"), rows, numbers_from=9, caption="The ledger")
    noticed = [f.message for f in book.ledger.findings]
    return Fragment(shown.html + (listed(noticed).html if noticed else ""))


def caught(book: Book, *, item: str, capacity_ml: float, fitted_at_km: float) -> Fragment:
    """Return what a catch can says: rate, total, when it is full, what passed earlier, whether the rate rises.

    Parameters
    ----------
    book : Book
    item : str
        Such as ``catch can``.
    capacity_ml : float
        Of the can; nought if it does not matter.
    fitted_at_km : float
        Distance that the engine ran without the can; nought if that does not matter.
    """
    found = captures(book.ledger, item)
    if not found:
        had = ", ".join(book.ledger.items) or "nothing"
        return Fragment(
            f"<p>The ledger has no amount of {escape(item)} over a known distance yet. It has: {escape(had)}.</p>"
        )
    rate = capture_rate(found)
    known = math.isfinite(rate.high)
    far = _Distance(miles=book.ledger.in_miles)
    usual_km = far.round_one(float(np.median([capture.distance_km for capture in found])))
    head, *others = _in_short(rate, found, usual_km=usual_km, far=far, capacity_ml=capacity_ml)
    lines = []
    span = (
        f"between {_ml(rate.low * usual_km / 1000)} and {_ml(rate.high * usual_km / 1000)} ({percent(rate.level)} "
        "interval)"
        if known
        else "one emptying can't show how much they differ"
    )
    lines.append(
        f"Mean rate over {far.text(usual_km)}: {span}, from {counted(rate.captures, 'emptying')} over "
        f"{far.text(rate.distance_km)}. Total: {_ml(rate.total_ml)}."
    )
    lines.append(trend(found).sentence)
    if capacity_ml > 0 and known and rate.high > 0:
        soonest = found[-1].to_km + full_in_km(rate, capacity_ml=capacity_ml)[1]
        lines.append(f"It may be full as soon as {far.text(soonest, 2)}. Empty it earlier.")
    if fitted_at_km > 0:
        amount, low, high = passed_earlier_ml(rate, fitted_at_km)
        within = f" ({_ml(_two_digits(low))} to {_ml(_two_digits(high))})" if known else ""
        lines.append(
            f"Before you fitted the can: at the same rate, about {_ml(_two_digits(amount))}{within} went "
            f"into the intake over the first {far.text(fitted_at_km)}. That is an extrapolation: nobody "
            "measured it."
        )
    card = (
        f'<section class="pb-answer"><p class="pb-verdict">{escape(head)}</p>'
        f'<p class="pb-sentence">{escape(". ".join(others))}.</p></section>'
    )
    return Fragment(card + listed(lines).html + _captures(found, far).html)


@dataclass(frozen=True)
class _Distance:
    """Distances in the unit that the ledger was kept in."""

    miles: bool

    @property
    def unit(self) -> str:
        return "miles" if self.miles else "km"

    @property
    def km(self) -> float:
        """How many km one of the unit is."""
        return KM_PER_MILE if self.miles else 1.0

    def text(self, km: float, digits: int = 6) -> str:
        """Return a distance with its unit, to so many digits, its thousands grouped."""
        value = km / self.km
        if value > 0:
            value = round(value, min(0, digits - math.ceil(math.log10(value))) if digits < 6 else 0)
        return f"{value:,.0f} {self.unit}"

    def round_one(self, km: float) -> float:
        """Return the nearest of 1, 2 or 5 and noughts in the unit, in km: what a person would say."""
        value = max(km / self.km, 1.0)
        power = 10 ** math.floor(math.log10(value))
        nearest: float = min((step * power for step in (1, 2, 5, 10)), key=lambda near: abs(math.log(near / value)))
        return nearest * self.km


def _ml(amount: float) -> str:
    return f"{amount:,.0f} ml" if amount >= 10 or amount == 0 else f"{amount:.1f} ml"


def _two_digits(amount: float) -> float:
    """Round what was only reckoned."""
    return float(f"{amount:.2g}")


def _in_short(
    rate: Rate, found: Sequence[Capture], *, usual_km: float, far: _Distance, capacity_ml: float
) -> list[str]:
    """Say the rate, when the can is full and whether the rate rises, in plain words: a sentence each."""
    parts = [f"About {_ml(rate.per_1000_km * usual_km / 1000)} every {far.text(usual_km)}"]
    until, _ = full_in_km(rate, capacity_ml=capacity_ml) if capacity_ml > 0 else (math.nan, math.nan)
    if math.isfinite(until):
        parts.append(f"The {_ml(capacity_ml)} can is full at about {far.text(found[-1].to_km + until, 3)}")
    rises = trend(found)
    if rises.rising:
        parts.append("The rate is rising")
    elif len(found) < LEAST_FOR_TREND:
        parts.append("There are too few emptyings to see whether the rate is rising")
    else:
        parts.append("There is no sign that the rate is rising")
    return parts


def _captures(found: Sequence[Capture], far: _Distance) -> Fragment:
    def shown(km: float) -> str:
        return f"{km / far.km:,.0f}"

    rows = [
        (shown(c.from_km), shown(c.to_km), shown(c.distance_km), f"{c.amount_ml:.0f}",
         f"{c.per_1000_km * far.km:.1f}")
        for c in found
    ]  # fmt: skip
    unit = in_brackets(far.unit)
    headings = (f"from{unit}", f"to{unit}", f"distance{unit}", "amount [ml]", f"ml in 1,000 {far.unit}")
    return table(headings, rows, numbers_from=0, caption="What was caught")


def caught_over_distance(book: Book, *, item: str) -> Picture | None:
    """Show the rate of each emptying over the distance, with the mean; nothing where there is none.

    Parameters
    ----------
    book : Book
    item : str
        Such as ``catch can``.
    """
    found = captures(book.ledger, item)
    if not found:
        return None
    far = _Distance(miles=book.ledger.in_miles)
    mean = capture_rate(found).per_1000_km * far.km
    figure = go.Figure()
    figure.add_bar(
        x=[(c.from_km + c.to_km) / 2 / far.km for c in found],
        y=[c.per_1000_km * far.km for c in found],
        width=[0.94 * c.distance_km / far.km for c in found],
        marker={"color": COLOUR["before"]},
        meta=series("rate of each emptying"),
        customdata=[f"{c.amount_ml:.0f} ml in {far.text(c.distance_km)}" for c in found],
        hovertemplate="%{customdata}<extra></extra>",
        showlegend=False,
    )
    figure.add_hline(y=mean, line={"color": QUIET, "width": 2, "dash": "dot"})
    figure.update_xaxes(title=f"odometer [{far.unit}]")
    figure.update_yaxes(title=f"ml in 1,000 {far.unit}", rangemode="tozero")
    text = f"What was caught ({item}): one bar per emptying, as wide as its distance. Dotted: the mean, {mean:.1f} ml."
    return layout(
        figure,
        caption=text,
        description=text,
        height=300,
        columns=(f"from [{far.unit}]", f"to [{far.unit}]", "amount [ml]", f"ml in 1,000 {far.unit}"),
        rows=[
            (
                round(c.from_km / far.km),
                round(c.to_km / far.km),
                round(c.amount_ml, 1),
                round(c.per_1000_km * far.km, 2),
            )
            for c in found
        ],
    )


def decision(book: Book, *, item: str, results: str, cost: float, hours: float, currency: str) -> Fragment:
    """Return what is known for deciding whether to do a service again.

    Parameters
    ----------
    book : Book
    item : str
        The service, as the ledger names it; empty for none.
    results : str
        ``results.json`` of the experiment that measured the last one; empty if none did.
    cost, hours : float
        What one service takes, by the person's own figures; nought if that does not matter.
    currency : str
    """
    if not item:
        known = escape(", ".join(book.ledger.items) or "nothing")
        return Fragment(f"<p>You named no service. The ledger has: {known}.</p>")
    what = since(book.ledger, item, today=book.today)
    lines = decision_lines(
        what=what,
        effect=_effect(results),
        cost=cost,
        hours=hours,
        currency=currency,
        in_miles=book.ledger.in_miles,
    )
    return listed(lines)


def _effect(results: str) -> MeasuredEffect | None:
    if not results:
        return None
    try:
        if not Path(results).is_file():  # opening a named pipe would wait for ever
            raise ValueError(results)
        found = json.loads(Path(results).read_text(encoding="utf-8"))["comparison"]
        return MeasuredEffect(verdict=str(found["verdict"]), sentence=str(found["sentence"]))
    except (OSError, ValueError, KeyError, TypeError):
        raise LedgerError(
            f"results: given {results!r}. Allowed: a results.json that pullbook wrote, or empty"
        ) from None
