"""Pulls that a person marked by hand: in the place of what was refused, told as such, refused where they cannot be."""

from __future__ import annotations

import pytest

from pullbook.errors import LogError
from pullbook.runs.find import find_runs
from pullbook.settings.experiment import Marked, Protocol, ends_of, stretch_named
from runs.test_find import make_log, pedal

# Full load from 30 to 45 s reaches 90 km/h of 110: too short. From 90 to 100 s it gains a little at part throttle.
SPEED = [(0.0, 40.0), (30.0, 40.0), (45.0, 90.0), (88.0, 55.0), (100.0, 75.0), (120.0, 65.0)]
PROTOCOL = Protocol(cruise_kmh=90, pull_from_kmh=40, pull_to_kmh=110)
LOG = make_log({"vehicle_speed": SPEED, "accelerator_position": pedal((30, 45))})


def marked(*ends: tuple[float, float], why: str = "the bridge"):
    return find_runs(LOG, PROTOCOL, marks=[Marked(a, b, why) for a, b in ends])


def test_a_mark_takes_the_place_and_number_of_the_candidate_that_it_covers():
    refused = find_runs(LOG, PROTOCOL).pulls[0]
    assert not refused.included
    run = marked((29.5, 45.5)).pulls[0]
    assert (run.number, run.start_s, run.end_s, run.included, run.marked) == (1, 29.5, 45.5, True, "the bridge")
    assert run.undetected == refused.reason
    assert (run.start_kmh, run.end_kmh) == (pytest.approx(40, abs=1), pytest.approx(90, abs=2))


def test_where_nothing_was_seen_it_says_how_far_from_full_load_that_was():
    runs = marked((90.0, 100.0))
    run = next(run for run in runs.pulls if run.marked)
    assert run.undetected.startswith("no full load: pedal at ")
    assert run.number == 2


def test_of_each_mark_a_finding_tells_and_warns_where_full_load_was_not_held():
    found = {f.evidence["run"]: f for f in marked((30.0, 45.0), (90.0, 100.0)).findings if f.code == "marked-by-hand"}
    assert {run: f.severity for run, f in found.items()} == {"pull 1": "note", "pull 2": "warning"}
    assert "the bridge" in found["pull 1"].message
    assert "lifted at" in found["pull 1"].message


@pytest.mark.parametrize(
    ("ends", "said"),
    [((115.0, 200.0), "outside the log"), ((31.0, 31.9), "was logged 1 times"), ((2.0, 9.0), "A pull gains 10 km/h")],
)
def test_what_cannot_be_marked_is_refused(ends, said):
    with pytest.raises(LogError, match=said):
        marked(ends)


def test_a_mark_over_a_pull_that_counts_is_refused_and_beside_it_is_not():
    easy = Protocol(cruise_kmh=90, pull_from_kmh=40, pull_to_kmh=85)
    pull = find_runs(LOG, easy).pulls[0]
    assert pull.included
    with pytest.raises(LogError, match="overlaps pull 1"):
        find_runs(LOG, easy, marks=[Marked(40.0, 60.0, "why")])
    beside = find_runs(LOG, easy, marks=[Marked(90.0, 100.0, "why")])
    assert [run.included for run in beside.pulls] == [True, True]


def test_a_stretch_is_named_by_its_ends():
    assert stretch_named(312.46, 327.0) == "312.5-327"
    assert ends_of("312.5-327") == (312.5, 327.0)
