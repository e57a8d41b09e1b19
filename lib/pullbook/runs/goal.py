"""How far a pull has to go: by the protocol, by what a speedometer may show, and by what the outcome needs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pullbook.settings.experiment import Protocol

if TYPE_CHECKING:
    from pullbook.runs.find import Run

START_SLACK_KMH = 5.0
END_SLACK_KMH = 3.0
# What a speedometer may show above the true speed: UN Regulation No. 39, 5.3, "0 <= V1 - V2 <= V2 / 10 + 4 km/h", and
# never below it (from memory). The driver lifts by it; most logs hold the true speed.
SPEEDOMETER_SHARE, SPEEDOMETER_OFFSET_KMH = 0.1, 4.0
SPREAD_KMH = 5.0  # a driver lifts within 2 or 3 km/h of the mark, and slow refreshes add as much again


def latest_start_kmh(protocol: Protocol, needed_kmh: Sequence[float] = ()) -> float:
    """Return the greatest speed at which a pull may start [km/h].

    Parameters
    ----------
    protocol : Protocol
    needed_kmh : sequence of float
        As for `needed_end_kmh`.
    """
    by_protocol = protocol.pull_from_kmh + START_SLACK_KMH
    # Once the boost is there, a time between two marks does not depend on what came before the first.
    return max(by_protocol, min(needed_kmh) - START_SLACK_KMH) if len(needed_kmh) > 1 else by_protocol


def needed_end_kmh(
    protocol: Protocol,
    reached_kmh: Sequence[float],
    needed_kmh: Sequence[float] = (),
    *,
    benefit_of_doubt: bool = True,
) -> float:
    """Return the speed that the pulls of one drive have to reach.

    Parameters
    ----------
    protocol : Protocol
    reached_kmh : sequence of float
        Road speed at the lift of each candidate that started in time [km/h].
    needed_kmh : sequence of float
        Speeds that the outcome needs to be passed (`pullbook.settings.outcomes.speeds_of`); none where it depends on
        where a pull ends, such as a peak.
    benefit_of_doubt : bool
        Whether the speedometer may be the reason for an early lift.

    Returns
    -------
    float
        [km/h]

    Notes
    -----
    An outcome between marks needs its marks and nothing else. Otherwise `END_SLACK_KMH` below the protocol's end is
    always enough. A driver who lifts at an indicated ``V1`` may be as slow as ``(V1 - 4) / 1.1``. The speedometer is
    the same in every pull, so the bar is `SPREAD_KMH` below the median of all lifts of the drive from that speed on. A
    pull that was lifted earlier than the others is refused; one alone has the benefit of the doubt.

    Examples
    --------
    Asked for 110 km/h, they all lifted at 104 or so, but one at 97: (110 - 3 - 4) / 1.1 = 93.6 is the least.

    >>> from pullbook.runs.goal import needed_end_kmh
    >>> from pullbook.settings.experiment import Protocol
    >>> needed_end_kmh(Protocol(pull_from_kmh=40, pull_to_kmh=110), [104.0, 103.0, 97.0, 105.0, 104.0])
    99.0
    >>> round(needed_end_kmh(Protocol(pull_from_kmh=40, pull_to_kmh=110), [97.0]), 1)
    93.6
    >>> needed_end_kmh(Protocol(pull_from_kmh=40, pull_to_kmh=110), [97.0], [60.0, 90.0])
    90.0
    """
    if len(needed_kmh):
        return float(max(needed_kmh))
    enough = protocol.pull_to_kmh - END_SLACK_KMH
    if not benefit_of_doubt:
        return float(enough)
    least = slowest_kmh(enough)
    lifts = [kmh for kmh in reached_kmh if kmh >= least]
    usual = float(np.median(lifts)) if lifts else enough
    return float(min(enough, max(least, usual - SPREAD_KMH)))


def least_gain_kmh(protocol: Protocol) -> float:
    """Return what a pull of a narrow protocol has to gain at least [km/h], however wrong the speedometer."""
    asked = protocol.pull_to_kmh - protocol.pull_from_kmh - START_SLACK_KMH - END_SLACK_KMH
    return asked / (1 + SPEEDOMETER_SHARE)


def slowest_kmh(shown_kmh: float) -> float:
    """Return the least true speed at which a speedometer may show another [km/h]."""
    return (shown_kmh - SPEEDOMETER_OFFSET_KMH) / (1 + SPEEDOMETER_SHARE)


RISE_AT_STEP_KMH = 5
RISE_AT_MARGIN_KMH = 3.0  # below the lowest end, so that a refresh lies on either side
RISE_AT_LEAST_GAIN_KMH = 30.0  # sooner, the charge has hardly begun to climb


def propose_rise_at(pulls: Sequence[Run], protocol: Protocol, *, step_kmh: float = RISE_AT_STEP_KMH) -> float | None:
    """Return the highest multiple of a step, usually 5 km/h, that every usable pull passes with a margin.

    Parameters
    ----------
    pulls : sequence of Run
        Of all drives; those that are not included have no part in it.
    protocol : Protocol
        Whose ``pull_to_kmh`` is the most that is proposed.
    step_kmh : float
        [km/h]

    Returns
    -------
    float or None
        For ``outcome: rise_at KMH`` [km/h]; None without a usable pull, or where no such speed lies 30 km/h above where
        every pull starts.

    Examples
    --------
    >>> from pullbook.runs.find import Run
    >>> from pullbook.runs.goal import propose_rise_at
    >>> from pullbook.settings.experiment import Protocol
    >>> ends = (111.0, 109.0, 113.0)
    >>> facts = {"kind": "pull", "start_s": 60.0, "end_s": 75.0, "start_kmh": 40.0, "included": True}
    >>> pulls = [Run(number=k, end_kmh=end, **facts) for k, end in enumerate(ends, start=1)]
    >>> propose_rise_at(pulls, Protocol())
    105.0
    """
    usable = [pull for pull in pulls if pull.included]
    if not usable:
        return None
    lowest = min(min(pull.end_kmh for pull in usable) - RISE_AT_MARGIN_KMH, protocol.pull_to_kmh)
    speed = float(step_kmh * (lowest // step_kmh))
    return speed if speed >= max(pull.start_kmh for pull in usable) + RISE_AT_LEAST_GAIN_KMH else None
