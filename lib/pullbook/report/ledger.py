"""The ledger's page: fragments of HTML for the notebook."""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pullbook.errors import LedgerError
from pullbook.records.ledger import (
    LEAST_FOR_TREND,
    Ledger,
    Since,
    capture_rate,
    captures,
    day_of,
    not_counted,
    passed_earlier_ml,
    read_ledger,
    since,
    trend,
)
from pullbook.report import ledger_picture
from pullbook.report.drawing import Drawing
from pullbook.report.html import Fragment, escape, listed, table
from pullbook.report.ledger_picture import Filling
from pullbook.report.own_units import Amount, Distance
from pullbook.text import counted, in_brackets, percent, sentence_case

CONDENSATE = (
    "Catch-can condensate is oil, fuel and water. Keep it off your skin and away from anything that could ignite it. "
    "Hand it in with used oil."
)


@dataclass(frozen=True)
class MeasuredEffect:
    """What an experiment found of a service.

    Attributes
    ----------
    verdict, sentence : str
        Of its comparison.
    """

    verdict: str
    sentence: str


@dataclass(frozen=True, kw_only=True)
class Book:
    """A ledger, and what the person gave with it.

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


def filling_of(book: Book, *, item: str, capacity_ml: float) -> Filling | None:
    """Gather what a can caught; None where the ledger has no amount over a known distance.

    Parameters
    ----------
    book : Book
    item : str
        Such as ``catch can``.
    capacity_ml : float
        Of the can; zero if it does not matter.
    """
    found = captures(book.ledger, item)
    if not found:
        return None
    far, much = Distance(miles=book.ledger.in_miles), Amount(book.ledger.amounts_in(item))
    return Filling(item=item, found=found, rate=capture_rate(found), capacity_ml=capacity_ml, far=far, much=much)


def answer(book: Book, *, item: str, capacity_ml: float) -> Fragment:
    """Return the first thing on the page: the rate, when the can is full, whether the rate rises, and the caution.

    Parameters
    ----------
    book, item, capacity_ml
        As for `filling_of`.
    """
    filling = filling_of(book, item=item, capacity_ml=capacity_ml)
    if filling is None:
        had = ", ".join(book.ledger.items) or "nothing"
        head, others = "Nothing to show yet", [
            f"The ledger has no amount of {item} over a known distance yet. It has: {had}"
        ]  # fmt: skip
    else:
        head, *others = _in_short(filling)
    left = not_counted(book.ledger, item)
    warned = f'<p class="pb-note">{escape(left)}</p>' if left else ""
    return Fragment(
        f'<section class="pb-answer"><h1>Ledger: {escape(item)}</h1><p class="pb-verdict">{escape(head)}</p>'
        f'<p class="pb-sentence">{escape(". ".join(others))}.</p>{warned}<p class="pb-note">{escape(CONDENSATE)}</p>'
        "</section>"
    )


def picture(book: Book, *, item: str, capacity_ml: float) -> Drawing | None:
    """Show the can filling over the distance, and when it is full; nothing where nothing was caught.

    Parameters
    ----------
    book, item, capacity_ml
        As for `filling_of`.
    """
    filling = filling_of(book, item=item, capacity_ml=capacity_ml)
    return None if filling is None else ledger_picture.picture(filling)


def caught(book: Book, *, item: str, capacity_ml: float, fitted_at_km: float) -> Fragment:
    """Return what a catch can says besides: the interval of the rate, the total, what passed before it was fitted.

    Parameters
    ----------
    book, item, capacity_ml
        As for `filling_of`.
    fitted_at_km : float
        Distance that the engine ran without the can; zero if that does not matter.
    """
    filling = filling_of(book, item=item, capacity_ml=capacity_ml)
    if filling is None:
        return Fragment("<p>Nothing yet.</p>")
    rate, far, much = filling.rate, filling.far, filling.much
    known = math.isfinite(rate.high)
    usual_km = _usual_km(filling)
    span = (
        f"between {much.text(rate.low * usual_km / 1000)} and {much.text(rate.high * usual_km / 1000)} "
        f"({percent(rate.level)} interval)"
        if known
        else "one emptying can't show how much they differ"
    )
    lines = [
        f"Mean rate over {far.text(usual_km)}: {span}, from {counted(rate.captures, 'emptying')} over "
        f"{far.text(rate.distance_km)}. Total: {much.text(rate.total_ml)}.",
        trend(filling.found).sentence,
    ]
    if capacity_ml > 0 and known and rate.high > 0:
        lines.append(f"It may be full as soon as {far.text(filling.soonest_km, 2)}. Empty it earlier.")
    if fitted_at_km > 0:
        amount, low, high = passed_earlier_ml(rate, fitted_at_km)
        about, least, most = (much.text(_two_digits(x / much.ml) * much.ml) for x in (amount, low, high))
        within = f" ({least} to {most})" if known else ""
        lines.append(
            f"Before you fitted the can: at the same rate, about {about}{within} went "
            f"into the intake over the first {far.text(fitted_at_km)}. That is an extrapolation: nobody "
            "measured it."
        )
    return Fragment(listed(lines).html + _captures(filling).html)


def _usual_km(filling: Filling) -> float:
    return filling.far.round_one(float(np.median([c.distance_km for c in filling.found])))


def _two_digits(amount: float) -> float:
    """Round a figure that was calculated, not measured."""
    return float(f"{amount:.2g}")


def _in_short(filling: Filling) -> list[str]:
    """Say the rate, when the can is full and whether the rate rises, in plain words: a sentence each."""
    rate, found, far, much = filling.rate, filling.found, filling.far, filling.much
    usual_km = _usual_km(filling)
    parts = [f"About {much.text(rate.per_1000_km * usual_km / 1000)} every {far.text(usual_km)}"]
    if math.isfinite(filling.full_km):
        parts.append(f"The {much.text(filling.capacity_ml)} can is full at about {far.text(filling.full_km, 3)}")
    rises = trend(found)
    if rises.rising:
        parts.append("The rate is rising")
    elif len(found) < LEAST_FOR_TREND:
        parts.append("There are too few emptyings to see whether the rate is rising")
    else:
        parts.append("There is no sign that the rate is rising")
    return parts


def _captures(filling: Filling) -> Fragment:
    far, much = filling.far, filling.much
    rows = [
        (far.number(c.from_km), far.number(c.to_km), far.number(c.distance_km), much.number(c.amount_ml),
         f"{c.per_1000_km * far.km / much.ml:.1f}")
        for c in filling.found
    ]  # fmt: skip
    unit = in_brackets(far.unit)
    headings = (
        f"from{unit}",
        f"to{unit}",
        f"distance{unit}",
        f"amount [{much.unit}]",
        f"{much.unit} in 1,000 {far.unit}",
    )
    return table(headings, rows, numbers_from=0, caption="Each emptying")


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
        What one service takes, by the person's own figures; zero if that does not matter.
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
        far=Distance(miles=book.ledger.in_miles),
    )
    return listed(lines)


def decision_lines(
    *,
    what: Since,
    effect: MeasuredEffect | None,
    cost: float,
    hours: float,
    currency: str = "",
    far: Distance,
) -> list[str]:
    """Set out what is known for deciding whether to do a service again; no advice beyond the evidence.

    Parameters
    ----------
    what : Since
    effect : MeasuredEffect or None
        Of the last service, if it was measured.
    cost, hours : float
        What one service takes by the person's own figures, in ``currency`` and hours; zero if that does not matter.
    currency : str
        In words or as a sign.
    far : Distance
        The unit that the ledger is kept in.

    Returns
    -------
    list of str
        Sentences.
    """
    driven = f" and {far.text(what.distance_km)} ago by the last reading" if what.distance_km is not None else " ago"
    lines = [f"{sentence_case(what.item)}: last on {what.last}, {counted(what.days, 'day')}{driven}."]
    if what.usual_km is not None:
        usual = f"Usually every {far.text(what.usual_km)}." if what.times > 2 else ""
        lines.append(usual or f"The one before was {far.text(what.usual_km)} earlier.")
    time = "1 hour" if hours == 1 else f"{hours:g} hours"
    takes = [f"costs {f'{cost:g} {currency}'.rstrip()}"] * (cost > 0) + [f"takes {time}"] * (hours > 0)
    if takes:
        lines.append(f"By your own figures, doing it again {' and '.join(takes)}.")
    if effect is None:
        return [*lines, "Nobody measured its effect, so what doing it again would bring is not known."]
    lines.append(f"Last measured effect: {effect.sentence}")
    if effect.verdict in ("improved", "improved-size-unclear"):
        lines.append(
            "The next one can bring back at most what was lost since, and only a measurement can show how "
            "much that is. Drive a session today and compare it with those after the last service."
        )
    else:
        lines.append("The last one was not shown to help by an amount that matters. That does not prove it can't help.")
    return lines


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
