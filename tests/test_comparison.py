"""The comparison, from a table of runs to the verdict."""

import dataclasses
import json
import math

import numpy as np
import pytest

from pullbook.comparison import compare
from pullbook.errors import ComparisonError
from pullbook.uncertainty import combined, coverage_factor, effective_dof
from tables_of_runs import drawn_sessions, experiment_of, runs_table

PLAIN = [
    ("before-1", "before", [44.0, 45, 44, 46, 45], 14.0),
    ("before-2", "before", [43.0, 44, 45, 44, 44], 18.0),
    ("after-1", "after", [37.0, 38, 38, 37, 38], 15.0),
    ("after-2", "after", [38.0, 38, 37, 38, 39], 17.0),
]


def test_the_budget_adds_up_to_the_interval() -> None:
    table = runs_table(PLAIN, step=1.0)
    c = compare(table, experiment_of(table))
    assert combined(c.budget) == pytest.approx(c.standard_uncertainty)
    assert effective_dof(c.budget) == pytest.approx(c.dof)
    assert (c.high - c.low) / 2 == pytest.approx(coverage_factor(0.95, c.dof) * c.standard_uncertainty)
    assert c.after.mean - c.before.mean == pytest.approx(c.change)


def test_a_wider_level_gives_a_wider_interval_about_the_same_change() -> None:
    table = runs_table(PLAIN)
    usual, wide = (compare(table, experiment_of(table), level=level) for level in (0.95, 0.99))
    assert wide.change == usual.change
    assert wide.low < usual.low < usual.high < wide.high


@pytest.mark.parametrize("level", [0.5, 1.0, 95.0, -1.0])
def test_a_level_out_of_range_is_refused(level) -> None:
    table = runs_table(PLAIN)
    with pytest.raises(ComparisonError, match=r"0\.5 and below 1"):
        compare(table, experiment_of(table), level=level)


def test_session_is_the_unit_more_pulls_of_one_day_hardly_narrow() -> None:
    few = runs_table([("b", "before", [40.0, 41, 39], 15), ("a", "after", [39.0, 40, 38], 15)])
    many = runs_table([("b", "before", [40.0, 41, 39] * 20, 15), ("a", "after", [39.0, 40, 38] * 20, 15)])
    half = [(c.high - c.low) / 2 for c in (compare(t, experiment_of(t)) for t in (few, many))]
    assert half[1] > 0.75 * half[0]  # pull by pull it would shrink by a factor of 4.5


def test_one_session_a_side_rests_on_the_allowance_and_says_so() -> None:
    table = runs_table([("b", "before", [40.0, 41, 39], 15), ("a", "after", [39.0, 40, 38], 15)])
    c = compare(table, experiment_of(table))
    assert "one-session" in [f.code for f in c.findings]
    assert c.day_sd == pytest.approx(1.0)  # the stated allowance, untouched by any data
    assert c.day_dof == pytest.approx(4.0)
    assert c.verdict == "not-resolved"
    assert "More pulls on the same day would not help" in next(f.message for f in c.findings if f.code == "one-session")
    assert f"about {c.sessions_needed} sessions a side" in c.sentence


def test_a_given_allowance_is_used() -> None:
    table = runs_table([("b", "before", [40.0, 41, 39], 15), ("a", "after", [39.0, 40, 38], 15)])
    narrow, wide = (compare(table, experiment_of(table, day_to_day_sd=sd)) for sd in (0.5, 2.0))
    assert wide.high - wide.low > 2 * (narrow.high - narrow.low)
    assert "allowance-assumed" not in [f.code for f in narrow.findings]


def test_unequal_numbers_of_pulls_and_sessions() -> None:
    table = runs_table([*PLAIN, ("after-3", "after", [37.0, 38], 16.0), ("after-4", "after", [38.0], 16.0)])
    c = compare(table, experiment_of(table))
    assert (c.before.sessions, c.before.pulls, c.after.sessions, c.after.pulls) == (2, 10, 4, 13)
    assert c.change == pytest.approx(-6.7, abs=0.5)


def test_later_pulls_that_start_hotter_do_not_tilt_the_result() -> None:
    """One side drove more pulls; each later pull is a kelvin hotter: the fitted place takes that out."""
    hotter = np.arange(8) * 1.0
    table = runs_table(
        [
            ("b1", "before", 40 + hotter, 15), ("b2", "before", 40 + hotter, 15),
            ("a1", "after", 40 + hotter[:3], 15), ("a2", "after", 40 + hotter[:3], 15),
        ]
    )  # fmt: skip
    c = compare(table, experiment_of(table))
    assert c.change == pytest.approx(0.0, abs=1e-9)
    plain = table.groupby("phase")["peak_rise"].mean()
    assert plain["after"] - plain["before"] == pytest.approx(-2.5)


def test_weather_that_does_not_overlap_is_a_finding() -> None:
    table = runs_table([(n, p, r, t + 15.0 * (p == "after")) for n, p, r, t in PLAIN])
    c = compare(table, experiment_of(table))
    finding = next(f for f in c.findings if f.code == "ambient-no-overlap")
    assert finding.evidence["gap_k"] == pytest.approx(12.0)


def test_charge_temperature_as_the_outcome_moves_with_the_inlet() -> None:
    shifted = [(n, p, r, t + 12.0 * (p == "after")) for n, p, r, t in PLAIN]
    table = runs_table(shifted)
    rise = compare(table, experiment_of(table))
    charge = compare(table, experiment_of(table, outcome="peak_charge"))
    assert charge.change == pytest.approx(rise.change, abs=0.05)
    assert charge.unit == "K"


def test_higher_is_better_for_pressure() -> None:
    table = runs_table(PLAIN)
    table["peak_manifold_pressure"] = np.where(table["phase"] == "after", 230.0, 200.0)
    c = compare(table, experiment_of(table, outcome="peak_manifold_pressure", worthwhile_change=5.0))
    assert c.verdict == "improved"
    assert c.unit == "kPa"


def test_times_can_be_the_outcome() -> None:
    table = runs_table(PLAIN)
    table["elapsed_s 60-90"] = np.where(table["phase"] == "after", 6.0, 8.0) + 0.01 * table["number"]
    table["elapsed_s 60-90 u"] = 0.1
    c = compare(table, experiment_of(table, outcome="elapsed_s 60-90", worthwhile_change=0.5))
    assert c.change == pytest.approx(-2.0, abs=0.01)
    assert c.unit == "s"
    assert c.verdict == "improved"


def test_an_outcome_that_was_not_measured_is_refused() -> None:
    table = runs_table(PLAIN)
    with pytest.raises(ComparisonError, match="marks_kmh"):
        compare(table, experiment_of(table, outcome="elapsed_s 61-92"))


def test_a_phase_without_runs_is_refused_with_the_reasons() -> None:
    table = runs_table(PLAIN)
    after = table["phase"] == "after"
    table.loc[after, ["included", "reason"]] = [False, "lifted at 55 km/h"]
    with pytest.raises(ComparisonError, match="lifted at 55 km/h"):
        compare(table, experiment_of(table))


def test_a_phase_without_sessions_is_refused() -> None:
    table = runs_table(PLAIN[:2])
    with pytest.raises(ComparisonError, match="'after'"):
        compare(table, experiment_of(table))


def test_what_was_left_out_can_be_counted_again() -> None:
    table = runs_table(PLAIN)
    wild = (table["session"] == "before-1") & (table["number"] == 1)
    table.loc[wild, "peak_rise"] = 60.0
    table.loc[wild, ["included", "left_out", "reason"]] = [False, True, "left out: braked"]
    without, with_it = (compare(table, experiment_of(table), with_left_out=w) for w in (False, True))
    assert with_it.before.pulls == without.before.pulls + 1
    assert with_it.change < without.change - 0.5


def test_the_result_is_frozen_plain_json_and_the_same_each_time() -> None:
    table = runs_table(PLAIN)
    first, second = (compare(table, experiment_of(table)) for _ in range(2))
    assert json.dumps(first.to_dict(), allow_nan=False) == json.dumps(second.to_dict(), allow_nan=False)
    with pytest.raises(dataclasses.FrozenInstanceError):
        first.change = 0.0
    assert set(first.to_dict()) >= {
        "outcome", "unit", "before", "after", "change", "low", "high", "level", "dof", "standard_uncertainty", "budget",
        "method", "verdict", "sentence",
    }  # fmt: skip
    assert set(first.to_dict()["before"]) == {"mean", "sessions", "pulls"}
    assert all(set(line) == {"source", "kind", "standard_uncertainty", "dof"} for line in first.to_dict()["budget"])


def test_the_table_is_not_touched() -> None:
    table = runs_table(PLAIN)
    copy = table.copy(deep=True)
    compare(table, experiment_of(table))
    assert table.equals(copy)


def test_scatter_between_sessions_widens_and_calm_narrows() -> None:
    rng = np.random.default_rng(7)
    calm = runs_table(drawn_sessions(rng, count=5, day_sd_k=0.1))
    wild = runs_table(drawn_sessions(rng, count=5, day_sd_k=3.0))
    sds = [compare(t, experiment_of(t)).day_sd for t in (calm, wild)]
    assert sds[0] < 1.0 < sds[1]


def test_infinite_degrees_of_freedom_are_null_in_json() -> None:
    table = runs_table(PLAIN, step=1.0)
    lines = compare(table, experiment_of(table)).to_dict()["budget"]
    step = next(line for line in lines if line["source"] == "sensor step")
    assert step["dof"] is None
    assert step["standard_uncertainty"] == pytest.approx(math.sqrt(2 / 12))  # two sensors, two sessions a side
