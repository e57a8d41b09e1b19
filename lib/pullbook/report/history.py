"""The words and tables of a vehicle's history: fragments of HTML for the notebook."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import plotly.graph_objects as go

from pullbook.records.history import History, Rate, experiment_folders, read_history
from pullbook.records.ledger import Since, day_of, read_ledger, since
from pullbook.report.figures import COLOUR, HATCH, MARKER, QUIET, Picture, brought_to, layout
from pullbook.report.html import Fragment, escape, listed, table
from pullbook.statistics.joint_fit import Estimated, Share, share_of
from pullbook.statistics.verdict import VERDICT_WORDS
from pullbook.text import counted, decimals, in_brackets, percent, sentence_case, unit_suffix

ORDERED = {
    "date": "The services are in order of their dates.",
    "odometer": "The services are in order of the odometer, because not every one has a date.",
    "order": "The services are in the order given, because not every one has a date or an odometer.",
}
LIMITS = (
    "A sensor or logger that was replaced between two services breaks the chain there: begin a new history.",
    "What differs between two seasons with nothing changed (fuel, tyres, load, road) is allowed for by a stated "
    "figure, which a few services cannot check. Anything else that was done to the vehicle in between counts as drift.",
    "A drift is what the sessions before one service show against those after the one before it. How it went in "
    "between, evenly or at once, nobody measured.",
    "One vehicle: nothing here says how another one fares.",
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

    Raises
    ------
    PullbookError
        When a setting or an experiment is refused.
    """
    return read_history(experiment_folders(folders), level=level, season_sd=season_sd or None)


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
        between = "what came between is not resolved"
    else:
        between = "it got worse in between" if drift.value * history.worse > 0 else "it got better in between"
    return f"{said}; {between}", "improved" if helped else "not-resolved"


def _lost(history: History, rate: Rate) -> str:
    e, unit = rate.estimated, f"{_unit(history)} per {rate.per}"
    if not e.resolved:
        return (
            f"Between services anything from {_signed(e.low, e)} to {_signed(e.high, e)}{unit} fits "
            f"({percent(history.levels.level)} interval). Not shown is never the same as none."
        )
    return f"Between services it {'rose' if e.value > 0 else 'fell'} by {_size(e)}{unit} ({_inside(history, e)})."


def _last_span(history: History) -> list[str]:
    span = history.spans[-1]
    lost = span.share_lost
    far = f" over {span.distance_km:.0f} km" if span.distance_km else ""
    if lost is None:
        return [
            f"Which share of the gain of service {span.number} was lost by service {span.number + 1} is not told, for "
            "that gain is not resolved."
        ]
    if lost.low < 0 and lost.high > 1:
        return [
            f"How much of what service {span.number} gained was lost again{far} by service {span.number + 1} is not "
            "told: anything from none to all of it fits these drives."
        ]
    return [
        f"Of what service {span.number} gained, {_share(lost.value)} was lost again{far} by service {span.number + 1} "
        f"({percent(history.levels.level)} interval {lost.low:.0%} to {lost.high:.0%})."
    ]


def _share(lost: float) -> str:
    return f"all and more ({lost:.0%})" if lost > 1 else f"{lost:.0%}"


def services(history: History) -> Fragment:
    """Return each service with what its own experiment found."""
    digits = max(decimals((s.high - s.low) / 4) for s in history.services)
    rows = [
        (
            s.number,
            s.name,
            s.what,
            s.date.isoformat() if s.date else None,
            f"{s.odometer_km:.0f}" if s.odometer_km is not None else None,
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
        "odometer [km]",
        f"change{in_brackets(unit)}",
        "interval",
        "verdict",
    )
    return table(
        headings, rows, numbers_from=3, words_from=7, caption="What each service changed, by its own experiment"
    )


def spans(history: History) -> Fragment:
    """Return what happened between services: from after one to before the next."""
    rows = [
        (
            f"{span.number} to {span.number + 1}",
            f"{span.years:.1f}" if span.years is not None else None,
            f"{span.distance_km:.0f}" if span.distance_km is not None else None,
            _signed(span.drift.value, span.drift),
            f"{_signed(span.drift.low, span.drift)} to {_signed(span.drift.high, span.drift)}",
            "resolved" if span.drift.resolved else "not resolved",
            f"{span.share_lost.value:.0%} ({span.share_lost.low:.0%} to {span.share_lost.high:.0%})"
            if span.share_lost
            else "not told: the gain is not resolved",
        )
        for span in history.spans
    ]
    headings = (
        "services",
        "years",
        "distance [km]",
        f"drift{in_brackets(history.unit)}",
        "interval",
        "resolved?",
        "of the gain, lost",
    )
    return table(
        headings, rows, words_from=5, caption="Between services: the state before one against the state after the last"
    )


def rates(history: History) -> Fragment:
    """Return the drifts per distance and time, with what the uncertainty of the first is made of."""
    if not history.rates:
        return Fragment(
            "<p>No rate is told: the services have neither dates nor odometers, or they are all the same.</p>"
        )
    rows = [
        (
            rate.what,
            f"{history.unit} per {rate.per}",
            _signed(rate.estimated.value, rate.estimated),
            f"{_signed(rate.estimated.low, rate.estimated)} to {_signed(rate.estimated.high, rate.estimated)}",
            "resolved" if rate.estimated.resolved else "not resolved",
        )
        for rate in history.rates
    ]
    first = history.rates[0]
    lines = [(line.source, line.kind, f"{line.standard_uncertainty:.2g}") for line in first.estimated.budget]
    made_of = table(
        ("source", "kind", f"standard uncertainty [{history.unit} per {first.per}]"),
        lines,
        numbers_from=2,
        caption=f"What makes the first of them uncertain ({first.what})",
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
        f"Slopes used for all services alike: {used}." if used else "No correction for conditions was made.",
        f"Days of one service differ by {math.sqrt(levels.day_variance):.2g}{unit} (standard deviation, "
        f"{levels.day_dof:.0f} degrees of freedom: the allowance joined with the scatter of all sessions).",
        f"Services are allowed to differ by {levels.season_sd:.2g}{unit} (standard deviation) with nothing changed, "
        "for fuel, tyres, load and road of the season (common practice, no source); set season_sd if you know better.",
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
            "This is evidence and no advice: a drive in today's state would measure what is reckoned here.",
        )
    )


def _gained(history: History) -> str:
    gained = history.levels.estimate(history.gain_of_last())
    last = len(history.services)
    if not gained.resolved:
        return (
            f"What the last service (no. {last}) gained is not known: anything from {_signed(gained.low, gained)} to "
            f"{_signed(gained.high, gained)}{_unit(history)} fits."
        )
    done = "gained" if gained.value > 0 else "made it worse by"
    return f"The last service (no. {last}) {done} {_size(gained)}{_unit(history)} ({_inside(history, gained)})."


def _went(history: History) -> str:
    rate = history.rate("1000 km") or history.rate("year")
    if rate is None:
        return "How fast a gain goes is not known: the services have neither dates nor odometer readings."
    per = "1,000 km" if rate.per == "1000 km" else rate.per
    lost = history.levels.estimate(history.worse * rate.contrast)
    between = f"{_signed(lost.low, lost)} to {_signed(lost.high, lost)}{_unit(history)}"
    if not lost.resolved:
        return f"How fast it goes is not known: anything from {between} per {per} fits. That is not the same as none."
    way = "It goes at" if lost.value > 0 else "It does not go, it grows: by"
    return f"{way} {_size(lost)}{_unit(history)} per {per} ({_inside(history, lost)}), if it goes evenly."


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
            return "After how many km half of it is gone is not known: not every service has an odometer reading."
        return "After how many km half of it is gone cannot be known from these drives: gain or rate is not resolved."
    low = f"{_thousands(max(0.0, half.low))} to {_thousands(half.high)}"
    return (
        f"Half of it is gone after about {_thousands(half.value)} km ({percent(history.levels.level)} interval {low} "
        "km), if it goes evenly and as it went so far."
    )


def _thousands(thousand_km: float) -> str:
    return f"{1000 * float(f'{thousand_km:.2g}'):,.0f}"


def _driven_since(history: History, ledger: str, *, item: str, today: str) -> list[str]:
    """Say how far the last service lies back by the ledger, and what that may have cost of its gain."""
    if not ledger:
        return ["How far it has gone since is not known: no ledger was given."]
    book = read_ledger(ledger)
    if item:
        what = since(book, item, today=day_of(today))
        far_km, other = what.distance_km, _other_service(history, what)
        far = f" and {far_km:,.0f} km" if far_km is not None else ""
        lines = [f"{sentence_case(what.item)}: last on {what.last}, {counted(what.days, 'day')}{far} ago.", *other]
    else:
        last = history.services[-1].odometer_km
        now = book.odometer_km
        far_km = now - last if now is not None and last is not None and now >= last else None
        lines = [f"Since the last service it has gone {far_km:,.0f} km, by the ledger."] if far_km is not None else []
    rate = history.rate("1000 km")
    if far_km is None or rate is None:
        return [*lines, "The ledger or the experiments hold no odometer, so nothing is said of what was lost since."]
    return [*lines, *_lost_since(history, rate, far_km)]


def _takes(*, cost: float, hours: float, currency: str) -> list[str]:
    """Say what another one takes, where that was given."""
    takes = [f"{cost:,g} {currency}".rstrip()] * (cost > 0) + [f"{hours:g} h"] * (hours > 0)
    if not takes:
        return []
    return [f"Another one takes, by your own figures, {' and '.join(takes)}."]


def _other_service(history: History, what: Since) -> list[str]:
    last = history.services[-1].date
    if last is None or abs((what.last - last).days) <= 1:
        return []
    return [
        f"The last service in this history was on {last}, that in the ledger on {what.last}: what follows takes the "
        "gain of the one and the distance since the other."
    ]


def _lost_since(history: History, rate: Rate, distance_km: float) -> list[str]:
    gain = history.gain_of_last()
    lost = history.worse * distance_km / 1000 * rate.contrast
    reckoned, gained = history.levels.estimate(lost), history.levels.estimate(gain)
    lines = [
        f"At the rate so far, the state would be worse by {_signed(reckoned.value, reckoned)}"
        f"{_unit(history)} ({_signed(reckoned.low, reckoned)} to {_signed(reckoned.high, reckoned)}) after these "
        f"{distance_km:,.0f} km: an extrapolation, nobody measured it."
    ]
    share = share_of(history.levels, lost, gain) if gained.value > 0 else None
    of = f"the {_size(gained)}{_unit(history)} ({_inside(history, gained)}) that the last service gained"
    if share is None:
        return [*lines, "Which share of the last gain that is cannot be said, for that gain is not resolved."]
    return [*lines, f"That is {share.value:.0%} ({share.low:.0%} to {share.high:.0%}) of {of}."]


def limits() -> Fragment:
    """Return what a history cannot tell."""
    return listed(LIMITS)


def _unit(history: History) -> str:
    return unit_suffix(history.unit)


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
        f"The state before and after each service, {brought}, with its {percent(history.levels.level)} interval; "
        "before and after are drawn a little apart. Dotted: what happened between services."
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
        readings = [s.odometer_km or 0.0 for s in history.services]
        return [km + shift * (readings[-1] - readings[0]) for km in readings], "odometer [km]", "linear"
    numbers = [s.number for s in history.services]
    return [n + shift * (numbers[-1] - numbers[0]) for n in numbers], "service, in the order given", "linear"


def _reach(rows: Sequence[tuple[float, float, float]], colour: str) -> dict[str, Any]:
    return {
        "type": "data", "symmetric": False, "array": [high - value for value, _, high in rows],
        "arrayminus": [value - low for value, low, _ in rows], "thickness": 1.8, "width": 6, "color": colour,
    }  # fmt: skip
