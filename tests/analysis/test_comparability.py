"""Was it like for like?"""

import numpy as np
import pytest

from helpers.tables_of_runs import experiment_of, runs_table
from pullbook.analysis.comparability import like_for_like
from pullbook.settings.experiment import Experiment, Service, Session
from pullbook.statistics.comparison import compare

PLAIN = [(f"{p}-1", p, [40.0, 41], 15.0) for p in ("before", "after")]


def by_name(table, experiment=None):
    return {c.name: c for c in like_for_like(table, experiment or experiment_of(table))}


def weather(**after) -> Experiment:
    usual = {"ambient_c": 18.0, "pressure_hpa": 1005.0, "wind_ms": 1.0}
    sessions = (
        Session(name="before-1", phase="before", log="b.csv", **usual),
        Session(name="after-1", phase="after", log="a.csv", **{**usual, **after}),
    )
    return Experiment(title="t", service=Service(what="s"), sessions=sessions)


def test_alike_is_not_flagged() -> None:
    found = by_name(runs_table(PLAIN), weather())
    assert not [c.name for c in found.values() if c.flagged]


def test_each_limit_flags() -> None:
    table = runs_table(PLAIN)
    after = table["phase"] == "after"
    for column, change in (
        ("inlet_at_peak", 6.0), ("start_charge", 4.0), ("peak_coolant", -6.0), ("start_speed", 4.0),
        ("end_speed", -4.0), ("duration", 2.0), ("peak_manifold_pressure", -8.0),
    ):  # fmt: skip
        moved = table.copy()
        moved.loc[after, column] += change
        flagged = [c for c in like_for_like(moved, experiment_of(moved)) if c.flagged]
        assert len(flagged) == 1, column
        assert flagged[0].note


def test_density_outside_the_road_test_window_is_flagged() -> None:
    # UN R83 family: within 7.5 % of 100 kPa, 293.2 K. Cold and high pressure is denser than that.
    assert by_name(runs_table(PLAIN), weather(ambient_c=-5.0, pressure_hpa=1030.0))["air density"].flagged
    assert not by_name(runs_table(PLAIN), weather(ambient_c=20.0))["air density"].flagged


def test_wind_over_three_metres_a_second_is_flagged() -> None:
    assert by_name(runs_table(PLAIN), weather(wind_ms=3.5))["wind"].flagged


def test_what_was_not_noted_is_said() -> None:
    found = by_name(runs_table(PLAIN))
    assert found["wind"].note == "not given"
    assert np.isnan(found["wind"].before)
    table = runs_table(PLAIN)
    table["peak_coolant"] = np.nan
    assert by_name(table)["peak coolant temperature"].note == "not logged"


def moved(column: str, change: float, **settings):
    table = runs_table(PLAIN)
    table["barometric"] = 101.325
    table.loc[table["phase"] == "after", column] += change
    experiment = experiment_of(table, **settings)
    return like_for_like(table, experiment, compare(table, experiment).slopes)


def effect_of(conditions, name: str) -> tuple[float, str]:
    (found,) = [c for c in conditions if c.name == name]
    return found.could_move, found.basis


def test_a_warmer_inlet_could_have_moved_the_rise_by_the_slope_that_was_used() -> None:
    table = runs_table(PLAIN)
    table.loc[table["phase"] == "after", "inlet_at_peak"] += 10.0
    experiment = experiment_of(table)
    slope = compare(table, experiment).slopes[0].value
    found, basis = effect_of(
        like_for_like(table, experiment, compare(table, experiment).slopes), "inlet temperature at the peak"
    )
    assert found == pytest.approx(10.0 * slope)
    assert 0.5 < found < 1.2  # 0.6 * 40 K / 293 K per kelvin
    assert basis == "corrected"


def test_lower_boost_is_worth_what_the_lost_compression_is() -> None:
    found, basis = effect_of(moved("peak_manifold_pressure", -10.0), "peak manifold pressure")
    # Of first order: 40.5 K, times 1.57 (slope of ln(r**(2/7) - 1) on ln r at a ratio of 2.02), times ln(200 / 210).
    assert found == pytest.approx(40.5 * 1.57 * np.log(200 / 210), rel=0.05)
    assert basis == "corrected"  # at equal boost, whatever changed it


def test_a_little_less_boost_is_allowed_for() -> None:
    found, basis = effect_of(moved("peak_manifold_pressure", -2.0), "peak manifold pressure")
    assert found == pytest.approx(40.5 * 1.57 * np.log(208 / 210), rel=0.05)
    assert basis == "corrected"


def test_heat_left_over_fades_as_the_cooler_recovers() -> None:
    found, basis = effect_of(moved("start_charge", 6.0), "charge temperature at the start")
    assert found == pytest.approx(6.0 * np.exp(-16.0 / 12.0))
    assert "left at the peak" in basis
    table = runs_table(PLAIN)
    table["recovery_time"] = np.nan
    table.loc[table["phase"] == "after", "start_charge"] += 6.0
    found, basis = effect_of(like_for_like(table, experiment_of(table)), "charge temperature at the start")
    assert found == 6.0
    assert basis.startswith("at most")


def test_a_longer_pull_adds_at_most_the_mean_climb() -> None:
    climb = 55.5 - 20.0  # peak charge less charge at the start, of the table
    longer, _ = effect_of(moved("duration", 1.6), "length of a pull")
    assert longer == pytest.approx(climb * 1.6 / 16.8)
    faster_out, _ = effect_of(moved("end_speed", 7.0), "exit speed")
    faster_in, _ = effect_of(moved("start_speed", 7.0), "entry speed")
    assert faster_out > 0 > faster_in


def test_where_nothing_is_known_it_says_so() -> None:
    for name in ("peak coolant temperature", "wind"):
        found, basis = effect_of(moved("peak_coolant", -6.0), name)
        assert np.isnan(found)
        assert basis == "not known"
    for condition in moved("inlet_at_peak", 10.0, outcome="recovery_time"):
        assert np.isnan(condition.could_move)
        assert condition.basis == "not known"


def test_the_road_direction_is_compared_round_the_compass() -> None:
    table = runs_table(PLAIN)
    assert "road direction" not in by_name(table)
    table["heading"] = np.where(table["phase"] == "after", 10.0, 350.0)
    found = by_name(table)["road direction"]
    assert (round(found.before), round(found.after)) == (350, 10)
    assert not found.flagged
    table["heading"] = np.where(table["phase"] == "after", 190.0, 350.0)
    assert by_name(table)["road direction"].flagged
    table["heading"] = np.where(table["number"] == 1, 350.0, 170.0)  # there and back
    found = by_name(table)["road direction"]
    assert not found.flagged
    assert found.note == "driven in more than one direction"
