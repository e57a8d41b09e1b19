"""The words and tables of a vehicle's history: fragments of HTML for the notebook."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import plotly.graph_objects as go

from pullbook.records.history import History, Rate, experiment_folders, read_history
from pullbook.records.ledger import Since, day_of, read_ledger, since
from pullbook.report.figures import COLOUR, HATCH, MARKER, QUIET, Picture, brought_to, layout
from pullbook.report.html import Fragment, escape, listed, table
from pullbook.report.in_units import estimated_in, history_in
from pullbook.statistics.joint_fit import Estimated, Share, share_of
from pullbook.statistics.verdict import VERDICT_WORDS
from pullbook.text import counted, decimals, in_brackets, percent, sentence_case, unit_suffix

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
    """Return the first thing on the page: how many services helped, and what is lost between them."""
    rate = history.rate("1000 km") or history.rate("year")
    lines = [*((_lost(history, rate),) if rate else ()), *_last_span(history)]
    word, state = _word(history, rate.estimated if rate else history.spans[-1].drift)
    said = "".join(f'<p class="pb-sentence">{escape(line)}</p>' for line in lines)
    aside = "".join(f'<p class="pb-note">{escape(finding.message)}</p>' for finding in history.findings)
    facts = f"{history.vehicle}. {counted(len(history.services), 'service')}. {ORDERED[history.axis]}"
    return Fragment(
        f'<section class="pb-answer pb-{state}"><h1>Over the years: {escape(history.label)}</h1>'
        f'<p class="pb-verdict">{escape(word)}</p>{said}{aside}<p class="pb-facts">{escape(facts)}</p></section>'
    )


def _word(history: History, drift: Estimated) -> tuple[str, str]:
    helped = sum(s.verdict.startswith("improved") for s in history.services)
    said = f"{helped} of {counted(len(history.services), 'service')} helped"
    if not drift.resolved:
        between = ", what happened in between is not resolved"
    else:
        between = ", but it got worse in between" if drift.value * history.worse > 0 else ", and it improved in between"
    return f"{said}{between}", "improved" if helped else "not-resolved"


def _lost(history: History, rate: Rate) -> str:
    e, unit = rate.estimated, f"{_unit(history)} per {_per(history, rate)}"
    if not e.resolved:
        return (
            f"Between services the true change could be anywhere from {_signed(e.low, e)} to "
            f"{_signed(e.high, e)}{unit} ({percent(history.levels.level)}). Not shown is never the same as "
            "none."
        )
    return f"Between services it {'rose' if e.value > 0 else 'fell'} by {_size(e)}{unit} ({_inside(history, e)})."


def _last_span(history: History) -> list[str]:
    span = history.spans[-1]
    lost = span.share_lost
    far = f" over {_far(history, span.distance_km)}" if span.distance_km else ""
    if lost is None:
        return [
            f"Nobody can say how much of the gain of service {span.number} was lost by service "
            f"{span.number + 1}, because that gain is not resolved."
        ]
    if lost.low < 0 and lost.high > 1:
        return [
            f"Nobody can say how much of the gain of service {span.number} was lost{far} by service "
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
    return history.shown.unit("km")


def _far(history: History, km: float) -> str:
    """Return a distance with its unit."""
    return f"{history.shown.value(km, 'km'):,.0f} {_far_unit(history)}"


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
            f"{history.shown.value(s.odometer_km, 'km'):,.0f}" if s.odometer_km is not None else None,
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
            f"{history.shown.value(span.distance_km, 'km'):,.0f}" if span.distance_km is not None else None,
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
    return table(headings, rows, words_from=5, caption="Between services: before one, against after the one before it")


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
    lines = [(line.source, line.kind, f"{line.standard_uncertainty:.2g}") for line in first.estimated.budget]
    made_of = table(
        ("source", "kind", f"standard uncertainty [{history.unit} per {_per(history, first)}]"),
        lines,
        numbers_from=2,
        caption=f"Where the uncertainty of the first rate comes from ({first.what})",
    )
    shown = table(("drift", "unit", "rate", "interval", "resolved?"), rows, words_from=4, caption="Rates")
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
    """Answer when it is worth doing again, in plain words, and say what the drives cannot know.

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
        What one service takes, by the person's own figures; nought if that does not matter.
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
            _went(history),
            _half_gone(history),
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
            f"What the last service (no. {last}) gained is not known. It could be anything from "
            f"{_signed(gained.low, gained)} to {_signed(gained.high, gained)}{_unit(history)}."
        )
    done = "gained" if gained.value > 0 else "made it worse by"
    return f"The last service (no. {last}) {done} {_size(gained)}{_unit(history)} ({_inside(history, gained)})."


def _went(history: History) -> str:
    rate = history.rate("1000 km") or history.rate("year")
    if rate is None:
        return "How fast a gain is lost is not known: the services have no dates or odometer readings."
    per = _per(history, rate)
    lost = _estimate(history, history.worse * rate.contrast, per_distance=rate.per == "1000 km")
    between = f"{_signed(lost.low, lost)} to {_signed(lost.high, lost)}{_unit(history)}"
    if not lost.resolved:
        return (
            f"How fast it is lost is not known. It could be anything from {between} per {per}. That is not the "
            "same as none."
        )
    way = "It is lost at" if lost.value > 0 else "It does not go, it grows: by"
    return f"{way} {_size(lost)}{_unit(history)} per {per} ({_inside(history, lost)}), if the rate is steady."


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
        f"Half of it is gone after about {_thousands(value)} {unit} ({percent(history.levels.level)} "
        f"interval {_thousands(low)} to {_thousands(high)} {unit}), if it goes on as before."
    )


def _thousands(thousands: float) -> str:
    return f"{1000 * float(f'{thousands:.2g}'):,.0f}"


def _driven_since(history: History, ledger: str, *, item: str, today: str) -> list[str]:
    """Say how far the last service lies back by the ledger, and what that may have cost of its gain."""
    if not ledger:
        return ["The distance since then is not known: you gave no ledger."]
    book = read_ledger(ledger)
    if item:
        what = since(book, item, today=day_of(today))
        far_km, other = what.distance_km, _other_service(history, what)
        far = f" and {_far(history, far_km)}" if far_km is not None else ""
        lines = [f"{sentence_case(what.item)}: last on {what.last}, {counted(what.days, 'day')}{far} ago.", *other]
    else:
        last = history.services[-1].odometer_km
        now = book.odometer_km
        far_km = now - last if now is not None and last is not None and now >= last else None
        lines = (
            [f"By the ledger, you have driven {_far(history, far_km)} since the last service."]
            if far_km is not None
            else []
        )
    rate = history.rate("1000 km")
    if far_km is None or rate is None:
        return [
            *lines,
            "The ledger or the experiments have no odometer readings, so nobody can say what was lost since.",
        ]
    return [*lines, *_lost_since(history, rate, far_km)]


def _takes(*, cost: float, hours: float, currency: str) -> list[str]:
    """Say what another one takes, where that was given."""
    takes = [f"{cost:,g} {currency}".rstrip()] * (cost > 0) + [f"{hours:g} h"] * (hours > 0)
    if not takes:
        return []
    return [f"By your own figures, the next one takes {' and '.join(takes)}."]


def _other_service(history: History, what: Since) -> list[str]:
    last = history.services[-1].date
    if last is None or abs((what.last - last).days) <= 1:
        return []
    return [
        f"The last service in this history was on {last}, but the ledger has {what.last}. The lines below "
        "take the gain of the one and the distance since the other."
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
        return [*lines, "What share of the last gain that is, nobody can say: that gain is not resolved."]
    return [
        *lines,
        (f"That is {_whole(share.value)} ({_whole(share.low)} to {_whole(share.high)}) of {of}."),
    ]


def limits() -> Fragment:
    """Return what a history cannot tell."""
    return listed(LIMITS)


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


def history_changes(history: History) -> Picture:
    """Show what each service changed, with its interval, over the years."""
    places, title, kind = _places(history)
    services = history.services
    figure = go.Figure()
    worthwhile, digits = services[-1].worthwhile, decimals(services[-1].after.u)
    figure.add_hrect(y0=-worthwhile, y1=worthwhile, fillcolor=HATCH, line_width=0, layer="below")
    figure.add_hline(y=0, line={"color": QUIET, "width": 1})
    figure.add_scatter(
        x=places,
        y=[s.change for s in services],
        error_y=_reach([(s.change, s.low, s.high) for s in services], "#222"),
        mode="markers+text",
        text=[str(s.number) for s in services],
        textposition="middle right",
        marker={"color": "#222", "size": 11, "symbol": "square"},
        customdata=[f"service {s.number}" for s in services],
        hovertemplate=f"%{{customdata}}: %{{y:+.{digits}f}}{unit_suffix(history.unit)}<extra></extra>",
        showlegend=False,
    )
    figure.update_xaxes(title=title, type=kind)
    better = "lower is better" if history.lower_is_better else "higher is better"
    figure.update_yaxes(title=f"change after the service{in_brackets(history.unit)}<br>({better})")
    text = (
        f"What each service changed, with its {percent(history.levels.level)} interval. The grey band, "
        f"±{worthwhile:g}{unit_suffix(history.unit)}, is too small to matter to you."
    )
    return layout(
        figure,
        caption=text,
        description=text,
        height=320,
        columns=["service", title, *(f"{name}{in_brackets(history.unit)}" for name in ("change", "low", "high"))],
        rows=[
            (s.number, place, *(round(value, digits) for value in (s.change, s.low, s.high)))
            for s, place in zip(services, places, strict=True)
        ],
    )


def history_levels(history: History) -> Picture:
    """Show the state before and after each service at the same conditions, and what lies between services."""
    services = history.services
    figure = go.Figure()
    at = {phase: _places(history, shift=shift) for phase, shift in (("before", -0.012), ("after", 0.012))}
    x, y = [], []
    for k, (first, second) in enumerate(pairwise(services)):
        x += [at["after"][0][k], at["before"][0][k + 1], None]
        y += [first.after.value, second.before.value, None]
    figure.add_scatter(
        x=x, y=y, mode="lines", name="between services", hoverinfo="skip",
        line={"color": QUIET, "width": 2, "dash": "dot"},
    )  # fmt: skip
    for phase in ("before", "after"):
        states: list[Estimated] = [getattr(s, phase) for s in services]
        digits = decimals(states[0].u)
        figure.add_scatter(
            x=at[phase][0],
            y=[e.value for e in states],
            error_y=_reach([(e.value, e.low, e.high) for e in states], COLOUR[phase]),
            mode="markers",
            name=f"{phase} the service",
            marker={"color": COLOUR[phase], "symbol": MARKER[phase], "size": 11},
            customdata=[f"service {s.number}, {phase}" for s in services],
            hovertemplate=f"%{{customdata}}: %{{y:.{digits}f}}{unit_suffix(history.level_unit)}<extra></extra>",
        )
    _, title, kind = at["before"]
    figure.update_xaxes(title=title, type=kind)
    figure.update_yaxes(title=f"{sentence_case(history.label)}{in_brackets(history.level_unit)}")
    brought = brought_to(history.slopes)
    text = (
        f"The state before and after each service, {brought}, with its {percent(history.levels.level)} "
        "interval. The two are drawn slightly apart. Dotted: what happened between services."
    )
    return layout(
        figure,
        caption=text,
        description=text,
        height=400,
        columns=[
            "service",
            title,
            "phase",
            *(f"{n}{in_brackets(history.level_unit)}" for n in ("state", "low", "high")),
        ],
        rows=[
            (s.number, place, phase, *(round(value, decimals(e.u)) for value in (e.value, e.low, e.high)))
            for s, place in zip(services, _places(history)[0], strict=True)
            for phase, e in (("before", s.before), ("after", s.after))
        ],
    )


def _places(history: History, *, shift: float = 0.0) -> tuple[list[Any], str, str]:
    """Return where the services stand, the axis's title and type; ``shift`` as a share of the whole axis."""
    if history.axis == "date":
        days = [s.date for s in history.services if s.date is not None]
        aside = dt.timedelta(days=round(shift * (days[-1] - days[0]).days))
        return [(day + aside).isoformat() for day in days], "date of the service", "date"
    if history.axis == "odometer":
        readings = [history.shown.value(s.odometer_km or 0.0, "km") for s in history.services]
        title = f"odometer [{_far_unit(history)}]"
        return [far + shift * (readings[-1] - readings[0]) for far in readings], title, "linear"
    numbers = [s.number for s in history.services]
    return [n + shift * (numbers[-1] - numbers[0]) for n in numbers], "service, in the order given", "linear"


def _reach(rows: Sequence[tuple[float, float, float]], colour: str) -> dict[str, Any]:
    return {
        "type": "data", "symmetric": False, "array": [high - value for value, _, high in rows],
        "arrayminus": [value - low for value, low, _ in rows], "thickness": 1.8, "width": 6, "color": colour,
    }  # fmt: skip
