"""The sheet to take along: one page of paper for a drive, and on its back the service."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pullbook.analysis.usable import REST_S, words_for
from pullbook.quantities import METRIC, Shown
from pullbook.report.html import CAUTIONS, Fragment, escape, listed
from pullbook.settings.experiment import Protocol
from pullbook.statistics.power import WARM_UP_MIN
from pullbook.text import counted, sentence_case

STYLE = Path(__file__).with_name("sheet.css")
FROM_REST_KMH = 5.0  # a pull that begins below this begins from rest
FAST, SLOW = "every second or faster", "every 3 s will do"  # common practice, no source
FEWEST_ROWS, MOST_ROWS = 6, 8  # of the table of pulls: what fits the page
SLOW_CHANNELS = ("intake_air_temperature", "ambient_air_temperature", "engine_coolant_temperature")
# What else helps, the most useful first: the gear, a leak, full load, a warm engine.
HELPFUL = ("engine_speed", "intake_manifold_pressure", "accelerator_position", "engine_coolant_temperature")
# General practice, no source; what a vehicle's manual says comes first.
SERVICE = (
    "Let it go cold first, for hours if need be. Pipes, turbocharger and cooler burn long after the engine is off.",
    "Photograph every hose, clamp, plug and screw before you loosen it. Photograph oil and dirt as you find them.",
    "Disconnect as the manual says: electrical plugs first, then hoses. Cover every opening that leads to the engine.",
    "Drain the cooler into a clean measuring jug. Note amount and colour. Keep it off your skin. Hand it in "
    "with used oil.",
    "Solvent only outdoors or in very good ventilation: no flame, spark, heater or hot engine near. Its "
    "vapour is heavier than air, collects in pits and low corners, and some burns. Gloves, eye protection. "
    "Only what suits aluminium, plastic and seals.",
    "Waste: let nothing run into soil or drain. Collect solvent and rags in closed metal, and hand them in.",
    "Fins: soft brush, low pressure, from the clean side. Straighten, never force.",
    "Dry inside and out until nothing drips and you smell nothing: the engine draws in whatever is left.",
    "Seals: look at every one. Renew those that are hard, flat or cut, and those the manual says to.",
    "Sensors: note which you refitted, cleaned or replaced. A cleaned or replaced one breaks the comparison.",
    "Refit: torque screws and clamps to the maker's figures. Count tools and rags.",
    "Leak test at low pressure, only by someone who knows how: a hose that comes off under pressure injures.",
    "Start, idle, listen. Drive gently first. Then look at hoses and clamps again, engine off and cool.",
    "Read the first log for boost before you pull again. Lower or slower than before: stop and look for a leak.",
)
DEFERS = (
    "General practice, no source. The vehicle's manual and your local law come first. The law protects "
    "emission parts and their settings in many countries. If you are unsure, ask a qualified technician."
)


def approach(protocol: Protocol, *, first: bool) -> str:
    """Say how to get to the speed at which a pull begins.

    Parameters
    ----------
    protocol : Protocol
    first : bool
        Of the first pull, which follows the cruise; the others follow a pull.

    Examples
    --------
    >>> from pullbook.report.sheet import approach
    >>> from pullbook.settings.experiment import Protocol
    >>> approach(Protocol(cruise_kmh=124, pull_from_kmh=130, pull_to_kmh=180), first=True)
    'gain speed gently to just under 130 km/h'
    >>> approach(Protocol(cruise_kmh=90, pull_from_kmh=40), first=True)
    'slow to just under 40 km/h'
    """
    start = protocol.pull_from_kmh
    if start < FROM_REST_KMH:
        return "stop"
    if first and protocol.cruise_kmh < start:
        return f"gain speed gently to just under {start:g} km/h"
    return f"slow to just under {start:g} km/h"


def steps(protocol: Protocol, *, pulls: int, gear_rpm_per_kmh: float | None = None) -> tuple[str, ...]:
    """Return what to do on the road, in order.

    Parameters
    ----------
    protocol : Protocol
    pulls : int
    gear_rpm_per_kmh : float, optional
        Of the drives so far.
    """
    end = protocol.pull_to_kmh
    in_gear = "in one gear, the same on every day"
    if gear_rpm_per_kmh:
        rpm, kmh = gear_rpm_per_kmh * end, end
        in_gear = f"in the gear of the drives so far (about {round(rpm, -2):.0f} rpm at {kmh:g} km/h)"
    first, later = approach(protocol, first=True), approach(protocol, first=False)
    again = "do the same again" if first == later else f"{later} and do the same again"
    return (
        f"Warm up for at least {WARM_UP_MIN} minutes, until coolant and oil are steady. Start the logger.",
        f"Cruise: hold {protocol.cruise_kmh:g} km/h for a minute or more, on the level.",
        f"First pull: {first}, {in_gear}. Pedal to the floor in one go. Hold it until the dial shows more "
        f"than {end:g} km/h, then lift.",
        f"Rest: drive gently for {REST_S} seconds or more, always the same way.",
        f"Then {again}: {counted(pulls, 'pull')} in all, same road, same direction.",
        "If a pull is spoiled (traffic, a gear change), leave it in the log. Write down which, and why.",
        "Park. Stop the logger, then the engine. Look at the log before you leave: pullbook add.",
    )


def channels(needed: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Return what to log and how often, the fewest that answer the question first.

    Parameters
    ----------
    needed : sequence of str
        The channels that the question cannot do without.
    """
    wanted = (*needed, *(channel for channel in HELPFUL if channel not in needed))
    return tuple((words_for(channel), SLOW if channel in SLOW_CHANNELS else FAST) for channel in wanted)


def sheet(
    protocol: Protocol,
    *,
    needed: Sequence[str],
    sessions: int,
    pulls: int,
    gear_rpm_per_kmh: float | None = None,
    shown: Shown = METRIC,
) -> Fragment:
    """Return the sheet: cautions first, what to do, what to log, blanks to fill; and the service on its back.

    Parameters
    ----------
    protocol : Protocol
    needed : sequence of str
        Channels that the question cannot do without.
    sessions, pulls : int
        Sessions a side and pulls a session.
    gear_rpm_per_kmh : float, optional
        Of the drives so far.
    shown : Shown
        The units to say it in.
    """
    log = [f"{sentence_case(words)}: {rate}" for words, rate in channels(needed)]
    enough = "".join(f"<li>{escape(line)}</li>" for line in log[: len(needed)])
    more = "".join(f"<li>{escape(line)}</li>" for line in log[len(needed) :])
    on_the_road = steps(protocol, pulls=pulls, gear_rpm_per_kmh=gear_rpm_per_kmh)
    todo = "".join(f"<li>{escape(shown.text(line))}</li>" for line in on_the_road)
    count = min(max(pulls, FEWEST_ROWS), MOST_ROWS)
    blank_rows = "".join(f"<tr><td>{k}</td><td></td><td></td><td></td></tr>" for k in range(1, count + 1))
    plan = (
        f"{counted(sessions, 'session')} before the service and {sessions} after, on different days, in "
        "weather that overlaps. Change nothing else in between: tyres, load, fuel, repairs."
    )
    front = (
        f'<section class="pb-paper"><h2>One drive</h2>'
        f'<div class="pb-warn"><b>First, safety.</b>{listed(CAUTIONS).html}</div>'
        f'<div class="pb-blanks">{_blanks(FRONT)}</div>'
        f"<p>{escape(plan)}</p>"
        f'<div class="pb-two"><div><h3>On the road</h3><ol>{todo}</ol></div>'
        f"<div><h3>Log, the fewest first</h3><ol>{enough}</ol><p>These answer the question. If each of them is still "
        f'read as often, add:</p><ol start="{len(needed) + 1}">{more}</ol><p>A logger polls one signal at a time: '
        "the more, the slower. A passenger logs.</p></div></div>"
        '<table class="pb-fill"><thead><tr><th>pull</th><th>time</th><th>charge at start</th>'
        f"<th>remark (traffic, gear change, wind)</th></tr></thead><tbody>{blank_rows}</tbody></table></section>"
    )
    boxes = "".join(f"<li>{escape(line)}</li>" for line in SERVICE)
    written = [(name.format(ml=shown.unit("ml")), width) for name, width in BACK]
    back = (
        f'<section class="pb-paper pb-back"><h2>The service</h2><div class="pb-warn"><p>{escape(DEFERS)}</p></div>'
        f'<ol class="pb-boxes">{boxes}</ol><div class="pb-blanks">{_blanks(written)}</div></section>'
    )
    return Fragment(f"<style>{STYLE.read_text(encoding='utf-8')}</style>{front}{back}")


# Blanks to fill: what it is, and how much of the line it takes, in sixths.
FRONT = (
    ("before or after, which session", 2), ("date", 2), ("odometer", 2),
    ("tyre pressure, cold", 2), ("fuel", 2), ("load, people", 2),
    ("place and direction", 4), ("road: dry, damp, wet", 2),
    ("air in the shade", 1), ("air pressure or METAR", 3), ("wind", 2),
    ("coolant at the first pull", 2), ("charge, standing", 2), ("logger, file", 2),
)  # fmt: skip
BACK = (
    ("date", 2), ("odometer", 2), ("done by", 2),
    ("collected, {ml}", 2), ("what came out, colour", 4),
    ("dried for, h", 2), ("parts replaced", 4),
    ("sensors refitted, cleaned, replaced", 3), ("photos", 3),
    ("remarks", 6),
)  # fmt: skip


def _blanks(fields: Sequence[tuple[str, int]]) -> str:
    return "".join(f'<span style="grid-column:span {width}">{escape(name)}</span>' for name, width in fields)
