"""The comparison, from a table of runs to the verdict."""

import dataclasses
import json
import math

import numpy as np
import pytest

from helpers.tables_of_runs import drawn_sessions, experiment_of, runs_table
from pullbook.errors import ComparisonError
from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.comparison import compare
from pullbook.statistics.session_means import session_means
from pullbook.statistics.uncertainty import combined, coverage_factor, effective_dof

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
    assert "you have 1 before and 1 after" in c.sentence
    found = {f.code: f for f in c.findings}
    assert found["one-session"].severity == "warning"
    assert found["one-session"].evidence == {"before": 1, "after": 1}
    # Two days of standard deviation 1.0 differ by sqrt(2).
    assert "1.4 K" in found["one-session"].message
    assert found["allowance"].severity == "note"
    assert found["allowance"].evidence == c.to_dict()["allowance"]
    assert (c.allowance.sd, c.allowance.dof) == (1.0, 4.0)
    assert " 1 K " in found["allowance"].message
    assert "10.35097/1130" in found["allowance"].message


def test_how_much_two_days_differ_follows_the_allowance() -> None:
    table = runs_table([("b", "before", [40.0, 41, 39], 15), ("a", "after", [39.0, 40, 38], 15)])
    finding = next(
        f for f in compare(table, experiment_of(table, day_to_day_sd=2.0)).findings if f.code == "one-session"
    )
    assert "2.8 K" in finding.message  # 2.0 sqrt(2)


def test_one_session_on_one_side_only_is_said_as_it_is() -> None:
    table = runs_table([*PLAIN[:2], PLAIN[2]])
    finding = next(f for f in compare(table, experiment_of(table)).findings if f.code == "one-session")
    assert finding.evidence == {"before": 2, "after": 1}


def test_two_sessions_a_side_are_not_said_to_be_one() -> None:
    table = runs_table(PLAIN)
    assert "one-session" not in [f.code for f in compare(table, experiment_of(table)).findings]


def test_both_sides_are_counted_when_more_sessions_are_asked_for() -> None:
    unresolved = [("b1", "before", [40.0, 41, 39], 15), ("b2", "before", [40.0, 41, 39], 15)]
    after = [(f"a{k}", "after", [39.0, 40, 38], 15) for k in range(3)]
    for sessions in ([*unresolved, *after], [(n, {"before": "after", "after": "before"}[p], r, t)
                                             for n, p, r, t in (*unresolved, *after)]):  # fmt: skip
        table = runs_table(sessions)
        c = compare(table, experiment_of(table))
        assert f"you have {c.looks.before} before and {c.looks.after} after" in c.sentence


def test_sessions_needed_follow_the_level_and_the_sensors_step() -> None:
    sessions = [("b", "before", [40.0, 41, 39], 15), ("a", "after", [37.5, 38.5, 36.5], 15)]
    table = runs_table(sessions)
    usual = compare(table, experiment_of(table))
    strict = compare(table, experiment_of(table), level=0.99)
    coarse_table = runs_table(sessions, step=5.0)
    coarse = compare(coarse_table, experiment_of(coarse_table))
    assert {usual.verdict, strict.verdict, coarse.verdict} == {"not-resolved"}
    assert strict.sessions_needed > usual.sessions_needed
    assert coarse.sessions_needed > usual.sessions_needed


def test_what_is_resolved_needs_no_more_sessions() -> None:
    table = runs_table([(n, p, np.array(r) - 8 * (p == "after"), t) for n, p, r, t in PLAIN])
    c = compare(table, experiment_of(table))
    assert c.verdict == "improved"
    assert c.sessions_needed is None


def test_a_given_allowance_is_used() -> None:
    table = runs_table([("b", "before", [40.0, 41, 39], 15), ("a", "after", [39.0, 40, 38], 15)])
    narrow, wide = (compare(table, experiment_of(table, day_to_day_sd=sd)) for sd in (0.5, 2.0))
    assert wide.high - wide.low > 2 * (narrow.high - narrow.low)
    assert "day_to_day_sd" in narrow.allowance.source


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
    # PLAIN: 14 and 18 °C before, 15 and 17 + 15 °C after; from 18 to 30 °C.
    assert finding.evidence == {"gap_k": 12.0, "before_c": [14.0, 18.0], "after_c": [30.0, 32.0]}
    assert finding.severity == "warning"
    assert "12 K apart" in finding.message


def test_weather_three_kelvin_apart_still_meets() -> None:
    for apart_k, told in ((3.0, False), (3.5, True)):
        table = runs_table([(n, p, r, 15.0 + apart_k * (p == "after")) for n, p, r, _ in PLAIN])
        codes = [f.code for f in compare(table, experiment_of(table)).findings]
        assert ("ambient-no-overlap" in codes) == told


def test_weather_is_no_finding_for_an_outcome_that_it_does_not_touch() -> None:
    table = runs_table([(n, p, r, t + 15.0 * (p == "after")) for n, p, r, t in PLAIN])
    c = compare(table, experiment_of(table, outcome="peak_manifold_pressure"))
    assert "ambient-no-overlap" not in [f.code for f in c.findings]


def test_without_an_inlet_temperature_nothing_is_said_of_the_weather() -> None:
    table = runs_table(PLAIN)
    table["inlet_at_peak"] = np.nan
    c = compare(table, experiment_of(table, outcome="peak_charge"))
    assert "ambient-no-overlap" not in [f.code for f in c.findings]
    assert "inlet temperature" not in [s.name for s in c.slopes]


def test_a_worthwhile_change_in_the_wrong_unit_is_asked_about() -> None:
    """Two hundred kPa is 2 bar: who writes 50 for 50 mbar, or leaves the default of kelvins, is asked."""
    table = runs_table(PLAIN)
    table["peak_manifold_pressure"] = 200.0 + 0.1 * table["number"]
    for worthwhile, told in ((50.0, True), (5.0, False)):
        settings = {"outcome": "peak_manifold_pressure", "worthwhile_change": worthwhile}
        found = [f for f in compare(table, experiment_of(table, **settings)).findings if f.code == "worthwhile-large"]
        assert bool(found) == told
    table["peak_manifold_pressure"] = 200.0
    found = compare(table, experiment_of(table, outcome="peak_manifold_pressure", worthwhile_change=40.5)).findings
    finding = next(f for f in found if f.code == "worthwhile-large")
    assert finding.severity == "warning"
    assert finding.evidence == {"worthwhile": 40.5, "mean": pytest.approx(200.0)}
    assert all(told in finding.message for told in ("worthwhile_change", "40.5 kPa", " 200 kPa"))
    # Not for a difference of temperatures, which is small beside nothing in particular.
    rise = compare(runs_table(PLAIN), experiment_of(table, worthwhile_change=30.0)).findings
    assert "worthwhile-large" not in [f.code for f in rise]


def test_too_few_runs_to_allow_for_their_place_is_said() -> None:
    """Two sessions of two and three runs: session and place take 4 of 5, one is left, two are asked for."""
    table = runs_table([("b", "before", [40.0, 41, 42], 15), ("a", "after", [39.0, 40], 15)])
    found = [f for f in compare(table, experiment_of(table)).findings if f.code == "place-not-fitted"]
    assert [f.severity for f in found] == ["note"]
    three = runs_table([("b", "before", [40.0, 41], 15), ("a", "after", [39.0], 15)])
    c = compare(three, experiment_of(three))
    assert "place-not-fitted" in [f.code for f in c.findings]
    # 40 and 41 lie 0.5 about their mean: a variance of 0.5 with the one degree of freedom that there is.
    assert c.repeatability_sd == pytest.approx(math.sqrt(0.5))
    assert c.budget[0].dof == 1.0
    # With one run each there is nothing to tell places by, nor later pulls; nothing is said.
    single = runs_table([("b", "before", [40.0], 15), ("a", "after", [39.0], 15)])
    assert "place-not-fitted" not in [f.code for f in compare(single, experiment_of(single)).findings]
    enough = runs_table(PLAIN)
    assert "place-not-fitted" not in [f.code for f in compare(enough, experiment_of(enough)).findings]


def test_a_result_says_what_was_asked_and_how_it_was_answered() -> None:
    table = runs_table(PLAIN)
    c = compare(table, experiment_of(table, worthwhile_change=1.5), level=0.9)
    assert (c.outcome, c.unit, c.label) == ("peak_rise", "K", "peak charge temperature above inlet")
    assert (c.lower_is_better, c.worthwhile, c.level) == (True, 1.5, 0.9)
    for part in ("two-way fit", "inlet temperature", "compression", "mixed estimation", "scatter", "JCGM 100:2008"):
        assert part in c.method
    # 12 degrees of freedom: 20 runs less 4 sessions less 4 further places.
    assert c.repeatability_sd == pytest.approx(math.sqrt(residual_square(PLAIN) / 12))


def residual_square(sessions) -> float:
    """Return the sum of squares that is left of a full table beside its rows and columns: y - row - column + all."""
    y = np.array([rises for _, _, rises, _ in sessions])
    return float(np.sum((y - y.mean(axis=1, keepdims=True) - y.mean(axis=0) + y.mean()) ** 2))


def coolant_table(sessions, *, step: float = 1.0):
    """Make a table whose outcome is the coolant: nothing is known of the weather's share, so none is taken out."""
    table = runs_table(sessions)
    table["peak_coolant"] = table["peak_rise"]
    table["coolant_step"] = step
    return table


def test_a_comparison_worked_by_hand() -> None:
    """Two sessions a side, two runs each: session means 81, 85, 77.5, 80.5.

    Runs: the second is hotter by 2, 2, 3, 1, on average 2; that leaves 0, 0, ±0.5, ±0.5, a sum of squares of 1 with
    8 - 4 - 1 = 3 degrees of freedom. A session mean of two runs has the variance 1/3 / 2 = 1/6 from it, and 1/12 from
    the step of 1 K (JCGM 100:2008, F.2.2.1).
    Days: the means lie ±2 and ±1.5 about those of their phase, a sum of squares of 12.5, of which runs and step explain
    2 (1/6 + 1/12) = 0.5. With the allowance of 1 K and its 4 degrees of freedom: (4 + 12) / (4 + 2) = 8/3.
    """
    sides = [
        ("b1", "before", [80.0, 82], 15), ("b2", "before", [84.0, 86], 15),
        ("a1", "after", [76.0, 79], 15), ("a2", "after", [80.0, 81], 15),
    ]  # fmt: skip
    table = coolant_table(sides)
    table["inlet_at_peak"] = np.nan  # so that nothing is taken out
    c = compare(table, experiment_of(table, outcome="peak_coolant", day_to_day_sd=1.0))
    assert (c.before.mean, c.after.mean, c.change) == pytest.approx((83.0, 79.0, -4.0))
    assert c.repeatability_sd == pytest.approx(math.sqrt(1 / 3))
    assert (c.day_sd, c.day_dof) == pytest.approx((math.sqrt(8 / 3), 6.0))
    # The change is half the sum of two means less half the sum of two: each source counts once.
    assert [(line.source, line.kind, line.dof) for line in c.budget] == [
        ("scatter between runs", "A", 3.0),
        ("day to day", "A and B", pytest.approx(6.0)),
        ("sensor step", "B", math.inf),
    ]
    assert [line.standard_uncertainty for line in c.budget] == pytest.approx(
        [math.sqrt(x) for x in (1 / 6, 8 / 3, 1 / 12)]
    )
    u = math.sqrt(1 / 6 + 8 / 3 + 1 / 12)
    dof = u**4 / ((1 / 6) ** 2 / 3 + (8 / 3) ** 2 / 6)
    assert (c.standard_uncertainty, c.dof) == pytest.approx((u, dof))
    assert "as measured" in c.method
    assert "mixed estimation" not in c.method
    assert [(s.session, s.phase, s.runs) for s in c.sessions] == [
        ("b1", "before", 2), ("b2", "before", 2), ("a1", "after", 2), ("a2", "after", 2),
    ]  # fmt: skip
    assert [s.mean for s in c.sessions] == pytest.approx([81.0, 85.0, 77.5, 80.5])
    assert [s.normalised for s in c.sessions] == [s.mean for s in c.sessions]


@pytest.mark.parametrize(("outcome", "given", "allowed"), [
    ("peak_coolant", None, 2.0),  # kelvins
    ("peak_coolant", 3.0, 3.0),
    ("peak_manifold_pressure", None, 4.0),  # 2 % of 200 kPa
    ("peak_manifold_pressure", 3.0, 3.0),
])  # fmt: skip
def test_with_one_session_a_side_the_day_to_day_figure_is_the_allowance(outcome, given, allowed) -> None:
    table = coolant_table([("b", "before", [80.0, 80], 15), ("a", "after", [80.0, 80], 15)], step=0.0)
    table["peak_manifold_pressure"] = 200.0
    settings = {"day_to_day_sd": given} if given else {}
    c = compare(table, experiment_of(table, outcome=outcome, **settings))
    assert c.day_sd == pytest.approx(allowed)
    # Two days' difference: the square root of two times that.
    line = next(line for line in c.budget if line.source == "day to day")
    assert line.standard_uncertainty == pytest.approx(math.sqrt(2) * allowed)


@pytest.mark.parametrize(("step", "u"), [(0.5, 0.5 / math.sqrt(12)), (0.0, 0.58), (math.nan, 0.58)])
def test_how_well_the_inlet_was_read_counts_by_its_slope(step: float, u: float) -> None:
    """A logged temperature is good to its step; one that was written down, which has none, to ±1 K: 1 / sqrt(3)."""
    same_weather = [(n, p, r, {"1": 14.0, "2": 18.0}[n[-1]]) for n, p, r, _ in PLAIN]
    table = runs_table(same_weather)
    table["inlet_step"] = step
    c = compare(table, experiment_of(table))
    line = next(line for line in c.budget if line.source == "inlet temperature: reading")
    # The same weather on both sides: each session has the weight 1/2, four times 1/4 under the root. The rise holds the
    # reading once, and the correction for it once more.
    assert line.standard_uncertainty == pytest.approx((1 + c.slopes[0].value) * u)
    assert (line.kind, line.dof) == ("B", math.inf)


def test_every_source_of_the_budget_has_its_name_and_kind() -> None:
    """Type A from these drives' scatter, B from other knowledge (JCGM 100:2008, 2.3.2 and 2.3.3)."""
    table = runs_table(PLAIN, step=1.0)
    assert [(line.source, line.kind) for line in compare(table, experiment_of(table)).budget] == [
        ("scatter between runs", "A"),
        ("day to day", "A and B"),
        ("sensor step", "B"),
        ("inlet temperature: correction", "B"),
        ("compression: correction", "B"),
        *((f"{name}: correction", "B") for name in ("entry speed", "end speed", "length at equal speeds")),
        ("inlet temperature: reading", "B"),
    ]


def estimated_table(estimated):
    """Make a table with an effectiveness from compressor outlets of 120 °C ± 5 K, inlets at 20 °C."""
    table = runs_table([(n, p, r, 20.0) for n, p, r, _ in PLAIN])
    table["effectiveness"] = np.where(table["phase"] == "after", 0.70, 0.60)
    table["compressor_outlet"], table["compressor_outlet_u"] = 120.0, 5.0
    table["outlet_estimated"] = estimated(table)
    return table


def test_what_all_sessions_share_through_an_estimated_outlet_widens_the_change() -> None:
    table = estimated_table(lambda t: True)
    c = compare(table, experiment_of(table, outcome="effectiveness", worthwhile_change=0.05))
    line = next(line for line in c.budget if line.source == "estimated compressor outlet")
    # 5 K of the 100 K that the compressor adds: five per cent of the difference, 0.10.
    assert (line.kind, line.dof) == ("B", math.inf)
    assert line.standard_uncertainty == pytest.approx(0.05 * 0.10)


@pytest.mark.parametrize("outcome", ["effectiveness", "peak_rise"])
def test_nothing_is_added_for_an_outlet_that_was_measured_or_plays_no_part(outcome: str) -> None:
    table = estimated_table(lambda t: outcome == "peak_rise")
    tables = [table, table.drop(columns="outlet_estimated")]
    for each in tables:
        c = compare(each, experiment_of(each, outcome=outcome, worthwhile_change=0.05))
        assert "estimated compressor outlet" not in [line.source for line in c.budget]


def test_an_outlet_measured_on_some_days_and_estimated_on_others_is_refused() -> None:
    table = estimated_table(lambda t: t["phase"] == "after")
    with pytest.raises(ComparisonError, match="measured in some sessions and estimated in others"):
        compare(table, experiment_of(table, outcome="effectiveness", worthwhile_change=0.05))


def test_a_cruise_is_brought_to_its_own_weather_and_to_no_boost() -> None:
    table = runs_table(PLAIN)
    table["kind"] = "cruise"
    table["mean_rise"], table["mean_inlet"] = table["peak_rise"] / 4, table["inlet_at_peak"] + 5
    table["mean_rise"] = table["mean_rise"].mean()
    c = compare(table, experiment_of(table, outcome="mean_rise"))
    # 0.6 of rise over absolute inlet temperature (pullbook.statistics.priors), of the cruise: 16 + 5 °C on average.
    assert [(s.name, s.prior) for s in c.slopes] == [
        ("inlet temperature", pytest.approx(0.6 * table["mean_rise"][0] / (21.0 + 273.15)))
    ]
    assert [s.inlet_c for s in c.sessions] == [19.0, 23.0, 20.0, 22.0]


@pytest.mark.parametrize(
    ("kpa", "names"), [(150.0, ["inlet temperature", "compression"]), (100.0, ["inlet temperature"])]
)
def test_compression_counts_from_a_little_boost_up(kpa: float, names: list[str]) -> None:
    table = runs_table(PLAIN, pressure_kpa={"before": kpa, "after": kpa})
    assert [s.name for s in compare(table, experiment_of(table)).slopes][: len(names)] == names
    assert ("compression" in [s.name for s in compare(table, experiment_of(table)).slopes]) == ("compression" in names)


def test_conditions_that_were_not_logged_are_not_allowed_for() -> None:
    table = runs_table(PLAIN).drop(columns=["inlet_at_peak", "pressure_ratio", "inlet_step", "duration", "end_speed"])
    table = table.drop(columns=["start_speed"])
    c = compare(table, experiment_of(table))
    assert c.slopes == ()
    assert "as measured" in c.method
    assert all(math.isnan(s.inlet_c) and math.isnan(s.pressure_ratio) for s in c.sessions)
    # Without a rise physics has no slope for the charge temperature either.
    table = runs_table(PLAIN)
    table["peak_rise"] = np.nan
    slopes = [s.name for s in compare(table, experiment_of(table, outcome="peak_charge")).slopes]
    assert not {"inlet temperature", "compression"} & set(slopes)


def test_places_that_before_and_after_do_not_share_cannot_be_told_from_the_service() -> None:
    """The first three pulls count before, the next three after: later pulls' heat and the service look the same."""
    table = runs_table([(n, p, r[:3], t) for n, p, r, t in PLAIN])
    table.loc[table["phase"] == "after", "number"] += 3
    c = compare(table, experiment_of(table))
    assert "place-not-fitted" in [f.code for f in c.findings]
    plain = table.groupby("session")["peak_rise"].mean()
    assert [s.mean for s in c.sessions] == pytest.approx([plain[s.session] for s in c.sessions])


def test_two_sessions_of_three_runs_are_enough_to_allow_for_the_place() -> None:
    # 6 runs less 2 sessions less 2 further places leave 2, as many as are asked for.
    table = runs_table([("b", "before", [40.0, 41, 42], 15), ("a", "after", [39.0, 40.5, 41], 15)])
    c = compare(table, experiment_of(table))
    assert "place-not-fitted" not in [f.code for f in c.findings]
    assert c.budget[0].dof == 2.0


def test_the_single_runs_go_with_their_session() -> None:
    table = runs_table(PLAIN)
    data = session_means(table, experiment_of(table), OUTCOMES["peak_rise"], with_left_out=False)
    assert [runs.tolist() for runs in data.single_runs] == [rises for _, _, rises, _ in PLAIN]


def test_what_the_day_to_day_figure_rests_on_is_said() -> None:
    sides = [("b1", "before", [80.0, 82], 15), ("a1", "after", [76.0, 79], 15), ("a2", "after", [80.0, 81], 15)]
    for sessions, kind, method in (
        (sides[:2], "B", "alone"),
        (sides, "A and B", "combined with the scatter between sessions"),
    ):
        table = coolant_table(sessions)
        c = compare(table, experiment_of(table, outcome="peak_coolant"))
        assert next(line.kind for line in c.budget if line.source == "day to day") == kind
        assert f", assumed day-to-day scatter {method}, " in c.method


def test_one_run_a_session_is_given_the_usual_scatter() -> None:
    """A plan assumes 0.8 K for a single pull; a difference of two has the square root of two times that."""
    table = coolant_table([("b", "before", [80.0], 15), ("a", "after", [76.0], 15)])
    line = compare(table, experiment_of(table, outcome="peak_coolant")).budget[0]
    assert (line.source, line.dof) == ("scatter between runs", 4.0)
    assert line.standard_uncertainty == pytest.approx(0.8 * math.sqrt(2))


def test_sessions_are_shown_as_they_were_and_at_common_conditions() -> None:
    """The slope on the inlet temperature takes its share from each mean, kelvin by kelvin from the average inlet."""
    table = runs_table(PLAIN)
    c = compare(table, experiment_of(table))
    inlet, compression, *_ = c.slopes
    assert (inlet.name, inlet.unit) == ("inlet temperature", "K/K")
    assert (compression.name, compression.unit) == ("compression", "K per ln")
    # PLAIN's rises have a mean of 41.1 K at 16 °C; the shares are those of pullbook.statistics.priors.
    rise = np.mean([np.mean(rises) for _, _, rises, _ in PLAIN])
    assert (inlet.prior, inlet.prior_u) == pytest.approx((0.6 * rise / 289.15, 0.35 * rise / 289.15))
    # One pressure ratio throughout tells nothing of its slope: what was known stays.
    assert (compression.prior, compression.prior_u) == pytest.approx((rise, 0.35 * rise))
    assert (compression.value, compression.u) == pytest.approx((compression.prior, compression.prior_u))
    for figure, (name, phase, rises, inlet_c) in zip(c.sessions, PLAIN, strict=True):
        assert (figure.session, figure.phase, figure.runs) == (name, phase, len(rises))
        assert (figure.inlet_c, figure.pressure_ratio) == pytest.approx((inlet_c, 210.0 / 101.325))
        assert figure.mean == pytest.approx(np.mean(rises))
        assert figure.normalised == pytest.approx(figure.mean - inlet.value * (inlet_c - 16.0))


def test_boost_is_checked_with_what_was_left_out_where_that_is_counted() -> None:
    """A leak that shows only in the pulls that were left out is seen when these are counted again."""
    table = runs_table([(f"{p}-{k}", p, [40.0, 41, 40, 41], 15.0 + k) for p in ("before", "after") for k in (1, 2, 3)])
    weak = (table["phase"] == "after") & (table["number"] > 1)
    table.loc[weak, "peak_manifold_pressure"] = 180.0
    table.loc[weak, ["included", "left_out", "reason"]] = [False, True, "left out: felt weak"]
    without, with_it = (compare(table, experiment_of(table), with_left_out=w) for w in (False, True))
    assert "boost-lower" not in [f.code for f in without.findings]
    assert "boost-lower" in [f.code for f in with_it.findings]


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
    table["elapsed_s 60-90_u"] = 0.1
    c = compare(table, experiment_of(table, outcome="elapsed_s 60-90", worthwhile_change=0.5))
    assert c.change == pytest.approx(-2.0, abs=0.01)
    assert c.unit == "s"
    # Each session's times are good to 0.1 s, a standard uncertainty, no step; two sessions a side of weight 1/2 each.
    assert next(line for line in c.budget if line.source == "sensor step").standard_uncertainty == pytest.approx(0.1)
    assert c.verdict == "improved"


def test_an_outcome_that_was_not_measured_is_refused() -> None:
    table = runs_table(PLAIN)
    table["elapsed_s 60-90"] = 8.0
    table["elapsed_s 60-90_u"] = 0.1
    with pytest.raises(ComparisonError, match="marks_kmh") as refused:
        compare(table, experiment_of(table, outcome="elapsed_s 61-92"))
    # What can be asked for instead: figures, neither their uncertainties nor the sensors' steps.
    assert str(refused.value).endswith(
        " Available: peak_rise, peak_charge, peak_manifold_pressure, time_to_boost, peak_coolant, effectiveness, "
        "recovery_time, elapsed_s 60-90."
    )


def test_a_phase_without_runs_is_refused_with_the_reasons() -> None:
    table = runs_table(PLAIN)
    after = table["phase"] == "after"
    table.loc[after, ["included", "reason"]] = [False, "lifted at 55 km/h"]
    with pytest.raises(ComparisonError, match="lifted at 55 km/h") as refused:
        compare(table, experiment_of(table))
    # Six reasons tell what went wrong; sixty would not tell more.
    said = "; ".join(
        f"after-{k} pull {n}: lifted at 55 km/h" for k, n in ((1, 1), (1, 2), (1, 3), (1, 4), (1, 5), (2, 1))
    )
    assert str(refused.value).startswith("phase 'after': 10 pulls in 2 sessions")
    assert str(refused.value).endswith(f": {said}")


def test_a_phase_whose_runs_lack_the_outcome_is_refused_by_its_name() -> None:
    table = runs_table(PLAIN)
    table.loc[table["phase"] == "after", "peak_rise"] = np.nan
    with pytest.raises(ComparisonError, match=r"10 pulls in 2 sessions.*\(peak_rise\)"):
        compare(table, experiment_of(table))


def test_a_phase_without_pulls_is_asked_about_its_speeds() -> None:
    table = runs_table(PLAIN)
    table.loc[table["phase"] == "after", "kind"] = "cruise"
    with pytest.raises(ComparisonError, match=r"0 pulls in 2 sessions.*cruise_kmh, pull_from"):
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
    assert compare(table, experiment_of(table)) == without


def test_the_result_is_frozen_plain_json_and_the_same_each_time() -> None:
    table = runs_table(PLAIN)
    first, second = (compare(table, experiment_of(table)) for _ in range(2))
    assert json.dumps(first.to_dict(), allow_nan=False) == json.dumps(second.to_dict(), allow_nan=False)
    with pytest.raises(dataclasses.FrozenInstanceError):
        first.change = 0.0
    assert set(first.to_dict()) == {
        "outcome", "unit", "before", "after", "change", "low", "high", "level", "dof", "standard_uncertainty", "budget",
        "method", "verdict", "sentence", "remedy", "slopes", "session_means", "sessions_needed", "after_needed",
        "as_driven", "probability_better", "probability_worthwhile", "allowance", "looks",
    }  # fmt: skip
    assert first.to_dict()["dof"] == first.dof
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
    c = compare(table, experiment_of(table))
    sure = dataclasses.replace(c.estimate, dof=math.inf)
    assert dataclasses.replace(c, estimate=sure).to_dict()["dof"] is None
    lines = c.to_dict()["budget"]
    step = next(line for line in lines if line["source"] == "sensor step")
    assert step["dof"] is None
    assert step["standard_uncertainty"] == pytest.approx(math.sqrt(1 / 12))  # the charge's alone, two sessions a side
