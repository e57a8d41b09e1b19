"""The words and tables of a vehicle's history: fragments of HTML for the notebook."""

from __future__ import annotations

import math

import numpy as np

from pullbook.records.history import History, Rate, experiment_folders, read_history
from pullbook.records.ledger import Ledger, Since, day_of, read_ledger, since
from pullbook.report import history_picture
from pullbook.report.drawing import Drawing
from pullbook.report.glossary import glossary
from pullbook.report.history_picture import distance_of
from pullbook.report.html import Fragment, escape, listed, table
from pullbook.report.in_units import estimated_in, history_in
from pullbook.statistics.joint_fit import Estimated, Share, share_of
from pullbook.statistics.verdict import VERDICT_WORDS
from pullbook.text import (
    budget_digits,
    budget_line,
    budget_source,
    counted,
    decimals,
    in_brackets,
    percent,
    sentence_case,
    shown_to_help,
    unit_suffix,
)

ORDERED = {
    "date": "In order of date.",
    "odometer": "In order of odometer, because some services have no date.",
    "order": "In the order you gave, because some services have no date or odometer.",
}
LIMITS = (
    "If you replaced a sensor or the logger between two services, the chain breaks there. Start a new history.",
    "Two seasons differ even if nothing was changed: fuel, tyres, load, road. We allow for that with an "
    "assumed figure, which a few services can't check. Anything else you did to the vehicle in between "
    "counts as drift.",
    "A drift compares the sessions before one service with those after the service before it. Nobody "
    "measured whether it came evenly or all at once.",
    "One vehicle: this says nothing about any other.",
)


def open_history(folders: str, *, level: float, season_sd: float) -> History:
    """Read the experiments that a text names, one a line (`pullbook.records.history.experiment_folders`).

    Parameters
    ----------
    folders : str
    level : float
        Coverage of the intervals.
    season_sd : float
        In the outcome's unit; 0 for as much as days differ.

    Returns
    -------
    History
        In the units that the newest experiment is shown in.

    Raises
    ------
    PullbookError
        When a setting or an experiment is refused.
    """
    return history_in(read_history(experiment_folders(folders), level=level, season_sd=season_sd or None))


def answer(history: History) -> Fragment:
    """Return the first thing on the page: what was shown to help, what is lost between services, when half is gone."""
    rate = history.rate("1000 km") or history.rate("year")
    lines = [_lost(history, rate)] if rate else []
    if half_gone(history) is not None:
        lines.append(_half_gone(history))
    word, state = _word(history)
    said = "".join(f'<p class="pb-sentence">{escape(line)}</p>' for line in lines)
    aside = "".join(f'<p class="pb-note">{escape(message)}</p>' for message in _ranked(history)[:1])
    return Fragment(
        f'<section class="pb-answer pb-{state}"><h1>Over the years: {escape(history.label)}</h1>'
        f'<p class="pb-verdict">{escape(word)}</p>{said}{aside}</section>'
    )


def states(history: History) -> Drawing:
    """Show the state before and after each service, what lies between services, and what each service changed."""
    return history_picture.picture(history)


def _ranked(history: History) -> list[str]:
    """Return what was noticed, warnings first."""
    ranked = sorted(history.findings, key=lambda finding: finding.severity != "warning")
    return [finding.message for finding in ranked]


def noticed(history: History) -> Fragment:
    """Return whose history it is, and the warnings that the first screen has no room for."""
    facts = f"{history.vehicle}. {counted(len(history.services), 'service')}. {ORDERED[history.axis]}"
    others = "".join(f'<p class="pb-note">{escape(message)}</p>' for message in _ranked(history)[1:])
    return Fragment(f"<p>{escape(facts)}</p>{others}")


def _word(history: History) -> tuple[str, str]:
    helped = sum(s.verdict.startswith("improved") for s in history.services)
    return shown_to_help(helped, len(history.services)), "improved" if helped else "not-resolved"


def _lost(history: History, rate: Rate) -> str:
    e, unit = rate.estimated, f"{_unit(history)} per {_per(history, rate)}"
    if not e.resolved:
        return (
            f"What happened between services is not resolved. The true change could be anywhere from "
            f"{_signed(e.low, e)} to {_signed(e.high, e)}{unit} ({percent(history.levels.level)}). That is not the "
            "same as none."
        )
    way = "got worse" if e.value * history.worse > 0 else "improved"
    moved = "rose" if e.value > 0 else "fell"
    return f"Between services it {way}: it {moved} by {_size(e)}{unit} ({_inside(history, e)})."


def _last_span(history: History) -> list[str]:
    span = history.spans[-1]
    lost = span.share_lost
    far = f" over {_far(history, span.distance_km)}" if span.distance_km else ""
    if lost is None:
        return [
            f"How much of the gain of service {span.number} was lost by service {span.number + 1} is not known: "
            "that gain is not resolved."
        ]
    if lost.low < 0 and lost.high > 1:
        return [
            f"These drives don't show how much of the gain of service {span.number} was lost{far} by service "
            f"{span.number + 1}. It could be anything from none to all of it."
        ]
    ends = f"{percent(history.levels.level)} interval {_whole(lost.low)} to {_whole(lost.high)}"
    if lost.value > 1:
        share = f"More than the whole gain of service {span.number} ({_whole(lost.value)})"
    else:
        share = f"{_whole(lost.value)} of the gain of service {span.number}"
    return [f"{share} was lost{far} by service {span.number + 1} ({ends})."]


def _whole(share: float) -> str:
    return percent(round(share, 2))


def _per(history: History, rate: Rate) -> str:
    return f"1,000 {_far_unit(history)}" if rate.per == "1000 km" else rate.per


def _far_unit(history: History) -> str:
    return distance_of(history).unit


def _far(history: History, km: float) -> str:
    return distance_of(history).text(km)


def _estimate(history: History, contrast: np.ndarray, *, per_distance: bool = False) -> Estimated:
    """Return a difference of the states in the units shown."""
    unit = history.levels.data.outcome.change_unit
    return estimated_in(history.levels.estimate(contrast), history.shown, unit, per_distance=per_distance)


def services(history: History) -> Fragment:
    """Return each service with what its own experiment found."""
    digits = max(decimals((s.high - s.low) / 4) for s in history.services)
    rows = [
        (
            s.number,
            s.name,
            s.what,
            s.date.isoformat() if s.date else None,
            distance_of(history).number(s.odometer_km) if s.odometer_km is not None else None,
            f"{s.change:+.{digits}f}",
            f"{s.low:+.{digits}f} to {s.high:+.{digits}f}",
            VERDICT_WORDS[s.verdict],
        )
        for s in history.services
    ]
    unit = history.unit
    headings = (
        "service",
        "experiment",
        "what was done",
        "date",
        f"odometer [{_far_unit(history)}]",
        f"change{in_brackets(unit)}",
        "interval",
        "verdict",
    )
    return table(
        headings, rows, numbers_from=3, words_from=7, caption="What each service changed, from its own experiment"
    )


def spans(history: History) -> Fragment:
    """Return what happened between services: from after one to before the next."""
    rows = [
        (
            f"{span.number} to {span.number + 1}",
            f"{span.years:.1f}" if span.years is not None else None,
            distance_of(history).number(span.distance_km) if span.distance_km is not None else None,
            _signed(span.drift.value, span.drift),
            f"{_signed(span.drift.low, span.drift)} to {_signed(span.drift.high, span.drift)}",
            "resolved" if span.drift.resolved else "not resolved",
            (f"{_whole(span.share_lost.value)} ({_whole(span.share_lost.low)} to {_whole(span.share_lost.high)})")
            if span.share_lost
            else "unknown: the gain is not resolved",
        )
        for span in history.spans
    ]
    headings = (
        "services",
        "years",
        f"distance [{_far_unit(history)}]",
        f"drift{in_brackets(history.unit)}",
        "interval",
        "resolved?",
        "share of the gain lost",
    )
    shown = table(headings, rows, words_from=5, caption="Between services: before one, against after the one before it")
    lost = "".join(f"<p>{escape(line)}</p>" for line in _last_span(history))
    return Fragment(lost + shown.html)


def rates(history: History) -> Fragment:
    """Return the drifts per distance and time, with what the uncertainty of the first is made of."""
    if not history.rates:
        return Fragment("<p>No rate: the services have no dates or odometer readings, or they are all the same.</p>")
    rows = [
        (
            rate.what,
            f"{history.unit} per {_per(history, rate)}",
            _signed(rate.estimated.value, rate.estimated),
            f"{_signed(rate.estimated.low, rate.estimated)} to {_signed(rate.estimated.high, rate.estimated)}",
            "resolved" if rate.estimated.resolved else "not resolved",
        )
        for rate in history.rates
    ]
    first = history.rates[0]
    digits = budget_digits(first.estimated.u)
    lines = [
        (budget_source(line.source), line.kind, budget_line(line.standard_uncertainty, digits))
        for line in first.estimated.budget
    ]
    made_of = table(
        ("source", "kind", f"standard uncertainty [{history.unit} per {_per(history, first)}]"),
        lines,
        numbers_from=2,
        caption=f"Where the uncertainty of the first rate comes from ({first.what})",
    )
    headings = ("drift", "unit", "rate", "interval", "resolved?")
    shown = table(headings, rows, numbers_from=2, words_from=4, caption="Rates")
    return Fragment(shown.html + made_of.html)


def conditions(history: History) -> Fragment:
    """Say what all sessions were brought to, and the allowances that the intervals rest on."""
    levels, unit = history.levels, _unit(history)
    used = "; ".join(
        f"{s.name}: {s.value:.{decimals(s.u)}f} ± {s.u:.{decimals(s.u)}f} {s.unit}" for s in history.slopes
    )
    lines = (
        f"Slopes used for all services: {used}." if used else "No correction for conditions was made.",
        f"Days of one service differ by {_spread(history, math.sqrt(levels.day_variance)):.2g}{unit} (standard "
        f"deviation, {levels.day_dof:.0f} degrees of freedom: the assumed figure combined with the scatter of all "
        "sessions).",
        f"We assume that services differ by {_spread(history, levels.season_sd):.2g}{unit} (standard deviation) with "
        "nothing changed: fuel, tyres, load and road of the season (common practice, no source). Set season_sd if "
        "you know better.",
    )
    return listed(lines)


def again(
    history: History, ledger: str, *, item: str, today: str, cost: float = 0.0, hours: float = 0.0, currency: str = ""
) -> Fragment:
    """Answer when it is worth doing again, in plain words, and say what these drives cannot show.

    Parameters
    ----------
    history : History
    ledger : str
        Path of a ledger; empty for none.
    item : str
        The service, as the ledger names it; empty where the ledger is only asked how far the vehicle has gone.
    today : str
        YYYY-MM-DD; empty for the day it is.
    cost, hours : float
        What one service takes, by the person's own figures; zero if that does not matter.
    currency : str
        Of the cost.

    Raises
    ------
    LedgerError
        When the ledger or the day is refused.
    """
    return listed(
        (
            _gained(history),
            *_open_ends(history),
            *_driven_since(history, ledger, item=item, today=today),
            *_takes(cost=cost, hours=hours, currency=currency),
            "This is evidence, not advice. A drive today would measure what is only calculated here.",
        )
    )


def _gained(history: History) -> str:
    gained = _estimate(history, history.gain_of_last())
    last = len(history.services)
    if not gained.resolved:
        return (
            f"The gain of the last service (no. {last}) is not known. It could be anything from "
            f"{_signed(gained.low, gained)} to {_signed(gained.high, gained)}{_unit(history)}."
        )
    done = "gained" if gained.value > 0 else "made it worse by"
    return f"The last service (no. {last}) {done} {_size(gained)}{_unit(history)} ({_inside(history, gained)})."


def _open_ends(history: History) -> list[str]:
    """Say what the first screen leaves open: how fast it is lost, and when half is gone."""
    half = [] if half_gone(history) is not None else [_half_gone(history)]
    return [*_no_rate(history.rate("1000 km") or history.rate("year")), *half]


def _no_rate(rate: Rate | None) -> list[str]:
    if rate is None:
        return ["There is no rate: the services have no dates or odometer readings."]
    return [] if rate.estimated.resolved else ["How fast it is lost is not resolved."]


def half_gone(history: History) -> Share | None:
    """Return after how many thousand km half of the last gain is gone; None where the drives cannot know.

    Parameters
    ----------
    history : History

    Returns
    -------
    Share or None
        Its interval after Fieller (`pullbook.statistics.joint_fit.share_of`): the gain over twice the rate.
    """
    rate = history.rate("1000 km")
    gain = history.gain_of_last()
    if rate is None or history.levels.estimate(gain).value <= 0:
        return None
    lost = history.worse * rate.contrast
    if history.levels.estimate(lost).value <= 0:
        return None
    return share_of(history.levels, gain / 2, lost)


def _half_gone(history: History) -> str:
    half = half_gone(history)
    if half is None:
        if history.rate("1000 km") is None:
            return "When half of it is gone is not known: some services have no odometer reading."
        return "These drives can't say when half of it is gone: the gain or the rate is not resolved."
    value, low, high = (history.shown.value(x, "km") for x in (half.value, max(0.0, half.low), half.high))
    unit = _far_unit(history)
    return (
        f"Half of the last gain is gone after about {_thousands(value)} {unit} ({percent(history.levels.level)} "
        f"interval {_thousands(low)} to {_thousands(high)} {unit}), if it goes on as before."
    )


def _thousands(thousands: float) -> str:
    return f"{1000 * float(f'{thousands:.2g}'):,.0f}"


def _driven_since(history: History, ledger: str, *, item: str, today: str) -> list[str]:
    """Say how long ago the last service was by the ledger, and how much of its gain that may have cost."""
    if not ledger:
        return ["The distance since then is not known: you gave no ledger."]
    book, service = read_ledger(ledger), history.services[-1]
    if not item and service.odometer_km is None and book.of(service.what):
        item = service.what
    if item:
        what = since(book, item, today=day_of(today))
        far_km, other = what.distance_km, _other_service(history, what)
        far = f" and {_far(history, far_km)}" if far_km is not None else ""
        lines = [f"{sentence_case(what.item)}: last on {what.last}, {counted(what.days, 'day')}{far} ago.", *other]
    else:
        last, now = service.odometer_km, book.odometer_km
        far_km = now - last if now is not None and last is not None and now >= last else None
        lines = (
            [f"By the ledger, you have driven {_far(history, far_km)} since the last service."]
            if far_km is not None
            else []
        )
    rate = history.rate("1000 km")
    if far_km is None or rate is None:
        return [*lines, f"What was lost since is not known: {_why_not_since(history, book, item=item, rate=rate)}"]
    return [*lines, *_lost_since(history, rate, far_km)]


def _why_not_since(history: History, book: Ledger, *, item: str, rate: Rate | None) -> str:
    """Say what is missing for the distance since the last service, or for what it cost."""
    if rate is None:
        return "it takes two services with different odometer readings (odometer_km under service: in experiment.yaml)."
    if book.odometer_km is None:
        return "the ledger has no odometer readings."
    if item:
        return f"the ledger's rows of {item} have no odometer reading."
    service = history.services[-1]
    if service.odometer_km is not None:
        return f"the ledger's last odometer reading is before service {service.number}. Add a row with today's."
    named = ", ".join(repr(known) for known in book.items)
    return (
        f"no row in the ledger is called {service.what.lower()!r}, and service {service.number} has no odometer "
        f"reading. Name its row with -p item=NAME. The ledger has: {named}."
    )


def _takes(*, cost: float, hours: float, currency: str) -> list[str]:
    """Say what another one takes, where that was given."""
    takes = [f"costs {f'{cost:,g} {currency}'.rstrip()}"] * (cost > 0) + [f"takes {hours:g} h"] * (hours > 0)
    if not takes:
        return []
    return [f"By your own figures, the next one {' and '.join(takes)}."]


def _other_service(history: History, what: Since) -> list[str]:
    last = history.services[-1].date
    if last is None or abs((what.last - last).days) <= 1:
        return []
    return [
        f"The last service in this history was on {last}, but the ledger has {what.last}. The lines below "
        "use the gain of the first and the distance since the second."
    ]


def _lost_since(history: History, rate: Rate, distance_km: float) -> list[str]:
    gain = history.gain_of_last()
    lost = history.worse * distance_km / 1000 * rate.contrast
    reckoned, gained = _estimate(history, lost), _estimate(history, gain)
    lines = [
        f"At the rate so far, these {_far(history, distance_km)} cost "
        f"{_signed(reckoned.value, reckoned)}{_unit(history)} "
        f"({_signed(reckoned.low, reckoned)} to {_signed(reckoned.high, reckoned)}). "
        "That is an extrapolation: nobody measured it."
    ]
    share = share_of(history.levels, lost, gain) if gained.value > 0 else None
    of = f"the {_size(gained)}{_unit(history)} ({_inside(history, gained)}) that the last service gained"
    if share is None:
        return [*lines, "What share of the last gain that is can't be said: that gain is not resolved."]
    return [
        *lines,
        (f"That is {_whole(share.value)} ({_whole(share.low)} to {_whole(share.high)}) of {of}."),
    ]


def limits() -> Fragment:
    """Return what a history cannot tell."""
    return listed(LIMITS)


def words(history: History) -> Fragment:
    """Return the words that a reader may not know."""
    return glossary(history.shown, leave_out=("effectiveness", "worthwhile change"))


def _unit(history: History) -> str:
    return unit_suffix(history.unit)


def _spread(history: History, sd: float) -> float:
    """Return a standard deviation of the outcome in the units shown."""
    found: float = history.shown.value(sd, history.levels.data.outcome.change_unit)
    return found


def _signed(value: float, of: Estimated) -> str:
    return f"{value:+.{decimals(of.u)}f}"


def _size(of: Estimated) -> str:
    return f"{abs(of.value):.{decimals(of.u)}f}"


def _inside(history: History, of: Estimated) -> str:
    ends = sorted((of.low, of.high), key=abs)
    digits = decimals(of.u)
    low, high = (ends[0], ends[1]) if of.value > 0 else (-ends[0], -ends[1])
    return f"{percent(history.levels.level)} interval {low:.{digits}f} to {high:.{digits}f}"
