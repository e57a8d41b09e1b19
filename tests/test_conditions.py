"""Was it like for like?"""

import numpy as np

from pullbook.conditions import like_for_like
from pullbook.experiment import Experiment, Service, Session
from tables_of_runs import experiment_of, runs_table

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
