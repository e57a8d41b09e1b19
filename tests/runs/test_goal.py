"""How far a pull has to go, and from where: numbers worked by hand from the rule."""

from __future__ import annotations

import pytest

from pullbook.runs.goal import latest_start_kmh, least_gain_kmh, needed_end_kmh, slowest_kmh
from pullbook.settings.experiment import Protocol
from pullbook.simulate import Speedometer

PROTOCOL = Protocol(pull_from_kmh=40, pull_to_kmh=110)


@pytest.mark.parametrize(
    ("reached", "needed"),
    [
        ([97.0], 93.636),  # (107 - 4) / 1.1 = 93.636: one alone has the benefit of the doubt
        ([108.0, 109.0, 97.0], 103.0),  # 5 below the middle one
        ([125.0, 126.0, 124.0], 107.0),  # whoever goes on beyond does not raise the bar
        ([104.0, 104.0, 104.0, 125.0], 99.0),  # nor does one of them who does
        ([108.0, 108.0, 60.0, 70.0, 80.0], 103.0),  # what was lifted far too early says nothing
    ],
)
def test_the_end_is_judged_by_the_drive(reached: list[float], needed: float) -> None:
    assert needed_end_kmh(PROTOCOL, reached) == pytest.approx(needed, abs=1e-3)


@pytest.mark.parametrize(
    ("marks", "start", "end"),
    [((), 45.0, 93.636), ((60.0, 90.0), 55.0, 90.0), ((100.0,), 45.0, 100.0), ((45.0, 120.0), 45.0, 120.0)],
)
def test_an_outcome_between_marks_needs_its_marks(marks: tuple[float, ...], start: float, end: float) -> None:
    assert latest_start_kmh(PROTOCOL, marks) == start
    assert needed_end_kmh(PROTOCOL, [97.0], marks) == pytest.approx(end, abs=1e-3)


def test_a_narrow_protocol_has_to_be_gained() -> None:
    # 127 to 150: 23 km/h less 5 and 3, by a speedometer that shows a tenth too much.
    assert least_gain_kmh(Protocol(pull_from_kmh=127, pull_to_kmh=150)) == pytest.approx(15 / 1.1)


def test_the_least_speed_is_that_of_the_highest_reading_speedometer_allowed() -> None:
    highest = Speedometer(share=0.1, offset_kmh=4.0)  # the simulation's own copy of the regulation
    assert slowest_kmh(110.0) == pytest.approx(highest.true_kmh(110.0))
    assert 1.1 * slowest_kmh(110.0) + 4.0 == pytest.approx(110.0)
