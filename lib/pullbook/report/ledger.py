"""The ledger's page: fragments of HTML for the notebook."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pullbook.errors import LedgerError
from pullbook.records.ledger import (
    Capture,
    Ledger,
    MeasuredEffect,
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
from pullbook.report.html import Fragment, escape, listed, table
from pullbook.text import percent


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
    """Return the rows as read, in km and ml, with what was noticed."""
    rows = [
        (
            e.date.isoformat(),
            e.item,
            f"{e.odometer_km:.0f}" if e.odometer_km is not None else None,
            f"{e.amount_ml:.0f}" if e.amount_ml is not None else None,
            e.note,
        )
        for e in book.ledger.entries
    ]
    shown = table(("date", "item", "odometer [km]", "amount [ml]", "note"), rows, numbers_from=9, caption="The ledger")
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
            f"<p>No capture of {escape(item)} over a known distance yet. The ledger has: {escape(had)}.</p>"
        )
    rate = capture_rate(found)
    known = math.isfinite(rate.high)
    span = (
        f" ({percent(rate.level)} interval {rate.low:.1f} to {rate.high:.1f})"
        if known
        else " (one capture: no interval)"
    )
    lines = [
        f"{rate.per_1000_km:.1f} ml in 1000 km{span}, from {rate.captures} captures over {rate.distance_km:.0f} km; "
        f"{rate.total_ml:.0f} ml in all.",
        trend(found).sentence,
    ]
    if capacity_ml > 0:
        usual, soonest = (round(km, -2) for km in full_in_km(rate, capacity_ml=capacity_ml))
        soon = f", as soon as {soonest:.0f} km" if math.isfinite(soonest) else ""
        if math.isfinite(usual):
            lines.append(
                f"An empty can of {capacity_ml:.0f} ml is full after about {usual:.0f} km{soon}. Empty it earlier."
            )
    if fitted_at_km > 0:
        amount, low, high = passed_earlier_ml(rate, fitted_at_km)
        within = f" ({low:.0f} to {high:.0f} ml)" if known else ""
        lines.append(
            f"If the rate was the same before, about {amount:.0f} ml{within} went into the intake over the first "
            f"{fitted_at_km:.0f} km. This is an extrapolation: nobody measured it."
        )
    return Fragment(listed(lines).html + _captures(found).html)


def _captures(found: Sequence[Capture]) -> Fragment:
    rows = [
        (f"{c.from_km:.0f}", f"{c.to_km:.0f}", f"{c.distance_km:.0f}", f"{c.amount_ml:.0f}", f"{c.per_1000_km:.1f}")
        for c in found
    ]
    headings = ("from [km]", "to [km]", "distance [km]", "amount [ml]", "ml in 1000 km")
    return table(headings, rows, numbers_from=0, caption="What was caught")


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
        return Fragment(f"<p>No service was named. The ledger has: {known}.</p>")
    what = since(book.ledger, item, today=book.today)
    lines = decision_lines(what=what, effect=_effect(results), cost=cost, hours=hours, currency=currency)
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
            f"results: given {results!r}; allowed: a results.json that pullbook wrote, or empty"
        ) from None
