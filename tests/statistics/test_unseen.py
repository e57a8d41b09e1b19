"""What the budget cannot hold: each difference is told where it is, and only there."""

import numpy as np
import pytest

from pullbook.statistics.comparison import compare
from pullbook.statistics.covariates import INLET
from pullbook.statistics.session_means import INLET_APART
from pullbook.statistics.unseen import unseen_differences
from study.unlike import CASES, draw

LIKE = CASES[0]


def told(table, experiment) -> dict:
    found = unseen_differences(table, compare(table, experiment).data)
    return {finding.code: finding.evidence for finding in found}


@pytest.fixture
def drives():
    """Return measures and an experiment of two like drives a side, the air noted 3 K below the inlet."""
    table, experiment = draw(np.random.default_rng(1), LIKE, 2)
    table["start_rise"] = 2.0
    inlet = table.groupby("session")["inlet_at_peak"].mean()
    sessions = tuple(s.model_copy(update={"ambient_c": float(inlet[s.name]) - 3}) for s in experiment.sessions)
    return table, experiment.model_copy(update={"sessions": sessions})


def test_like_drives_are_told_nothing(drives) -> None:
    assert told(*drives) == {}


@pytest.mark.parametrize("outcome", ["peak_rise", "peak_charge"])
@pytest.mark.parametrize(("moved_k", "counted_k"), [(1.5, 0.0), (2.0, 3 * (2 - 3**0.5) / 2**0.5), (5.0, 5.0 / 2**0.5)])
def test_an_inlet_that_stands_apart_from_the_air_in_one_phase_widens_the_interval(
    drives, outcome, moved_k, counted_k
) -> None:
    """By hand: two notes a side explain 2 * 1.5 K / sqrt(3) * sqrt(1/2 + 1/2) = sqrt(3) K, and what lies beyond counts
    three times, until all of it does: nothing or all, equally likely.

    It counts as often as the inlet stands in the corrected figure: a rise holds it and is corrected by it; a charge
    temperature is corrected by it, about kelvin for kelvin.
    """
    table, experiment = drives
    experiment = experiment.model_copy(update={"outcome": outcome})
    sessions = tuple(
        s.model_copy(update={"ambient_c": s.ambient_c - moved_k * (s.phase == "after")}) for s in experiment.sessions
    )
    made = compare(table, experiment.model_copy(update={"sessions": sessions}))
    lines = {line.source: line.standard_uncertainty for line in made.budget}
    slope = next(s.value for s in made.slopes if s.name == INLET)
    times = slope + (outcome == "peak_rise")
    assert 0.9 < times < 1.2
    assert lines.get(INLET_APART, 0.0) == pytest.approx(counted_k * times, rel=0.05)
    assert ("unlike-drives" in {finding.code for finding in made.findings}) == (counted_k > 0)


def test_boost_that_nobody_logged(drives) -> None:
    table, experiment = drives
    unlogged = [
        name for name in ("hold_manifold_pressure", "peak_manifold_pressure", "pressure_ratio") if name in table
    ]
    assert "boost-unseen" in told(table.assign(**dict.fromkeys(unlogged, np.nan)), experiment)


@pytest.mark.parametrize("phases", [("before",), ("before", "after")])
def test_a_first_pull_with_the_heat_of_a_stop(drives, phases) -> None:
    table, experiment = drives
    first = ~table.duplicated("session") & table["phase"].isin(phases)
    table.loc[first, "start_rise"] = 14.0
    found = told(table, experiment)
    assert ("soaked-start" in found) == (len(phases) == 1)  # in both alike, its place in the sequence has it
    if len(phases) == 1:
        assert {session for session, _ in found["soaked-start"]["pulls"]} == {
            s.name for s in experiment.sessions if s.phase == "before"
        }
