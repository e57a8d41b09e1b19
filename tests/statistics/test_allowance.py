"""How much days differ: the default, and the vehicle's earlier experiments joined with it."""

import numpy as np
import pytest

from helpers.tables_of_runs import drawn_sessions, experiment_of, runs_table
from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.allowance import Allowance, DayScatter, day_scatter, with_earlier
from pullbook.statistics.comparison import compare


def part(sd: float, dof: float = 4.0, name: str = "earlier") -> DayScatter:
    return DayScatter(name=name, squares=sd**2 * dof, explained=0.0, dof=dof)


def test_every_outcome_says_where_its_allowance_comes_from() -> None:
    assert all(outcome.allowance_source for outcome in OUTCOMES.values())
    assert "10.35097/1130" in OUTCOMES["mean_rise"].allowance_source


@pytest.mark.parametrize(("sd", "joined"), [(0.4, (4 + 12 * 0.16) / 16), (1.3, (4 + 12 * 1.69) / 16)])
def test_a_calmer_and_a_more_restless_vehicle(sd, joined) -> None:
    """By hand: 1 K with 4 degrees of freedom, and three experiments of 4 each."""
    found, doubts = with_earlier(Allowance(sd=1.0), [part(sd)] * 3)
    assert (found.sd**2, found.dof, doubts) == (pytest.approx(joined), 16.0, ())
    assert "3 earlier experiments" in found.source


def test_a_scatter_that_stands_out_counts_alone() -> None:
    found, doubts = with_earlier(Allowance(sd=1.0), [part(0.3), part(0.3), part(4.0, name="the lorry")])
    assert [f.code for f in doubts] == ["earlier-differ"]
    assert "the lorry" in doubts[0].message
    assert found.sd**2 == pytest.approx((4 + 64) / 8)


def test_earlier_drives_calmer_than_todays_are_set_aside() -> None:
    found, doubts = with_earlier(Allowance(sd=1.0), [part(0.3)] * 3, own=part(3.5, name="these sessions"))
    assert [f.code for f in doubts] == ["earlier-set-aside"]
    assert (found.sd, found.dof) == (1.0, 4.0)


def test_one_session_a_phase_tells_nothing() -> None:
    found, doubts = with_earlier(Allowance(sd=1.0), [part(0.0, dof=0.0)])
    assert (found.dof, [f.code for f in doubts]) == (4.0, ["earlier-too-few"])


def test_what_runs_explain_is_not_counted_as_days() -> None:
    """Drawn: days of 0.5 K beside pulls of 0.6 K; the mean over 60 experiments of six sessions has an error of 6 %."""
    rng, squares, dof = np.random.default_rng(3), 0.0, 0.0
    for _ in range(60):
        table = runs_table(drawn_sessions(rng, count=3, day_sd_k=0.5), step=0.1)
        found = compare(table, experiment_of(table))
        one = day_scatter(found.data, found.covariates, name="drawn", usual_sd=1.0)
        squares, dof = squares + one.squares - one.explained, dof + one.dof
    assert np.sqrt(squares / dof) == pytest.approx(0.5, abs=0.1)


def test_a_comparison_uses_them_and_says_so() -> None:
    rises = [40.0, 41, 39]
    table = runs_table([("b", "before", rises, 15), ("a", "after", [r - 3 for r in rises], 15)])
    alone = compare(table, experiment_of(table))
    helped = compare(table, experiment_of(table), earlier=[part(0.6)] * 3)
    assert helped.high - helped.low < 0.75 * (alone.high - alone.low)
    assert helped.to_dict()["allowance"]["dof"] == 16.0
    assert "3 earlier experiments" in next(f for f in helped.findings if f.code == "allowance").message
