"""The boost check after a refit."""

import numpy as np
import pytest

from helpers.tables_of_runs import experiment_of, runs_table
from pullbook.statistics.comparison import compare

THREE = [(f"{p}-{k}", p, [40.0, 41, 40, 41], 15.0 + k) for p in ("before", "after") for k in (1, 2, 3)]


def test_steady_boost_gives_no_finding() -> None:
    table = runs_table(THREE)
    assert not [f for f in compare(table, experiment_of(table)).findings if f.code.startswith("boost")]


def test_lower_boost_comes_first_and_the_answer_is_at_equal_boost() -> None:
    """By physics the lost compression at 40.5 K is 40.5 ln(f(1.925) / f(2.122)), f(r) = r**(2/7) - 1, with k = 1.4."""
    table = runs_table(THREE, pressure_kpa={"before": 215.0, "after": 195.0})
    c = compare(table, experiment_of(table))
    assert c.findings[0].code == "boost-lower"
    assert "check hoses and clamps before driving hard again" in c.findings[0].message
    assert (c.findings[0].evidence["pulls_before"], c.findings[0].evidence["pulls_after"]) == (12, 12)
    lost = 40.5 * np.log((1.9245 ** (2 / 7) - 1) / (2.1219 ** (2 / 7) - 1))
    assert c.as_driven is not None
    assert c.as_driven.change == pytest.approx(0.0, abs=0.1)
    assert c.change == pytest.approx(-lost, rel=0.02)
    share = next(line for line in c.budget if line.source == "compression: correction")
    assert share.standard_uncertainty == pytest.approx(0.35 * abs(lost), rel=0.05)
    assert (c.high - c.low) > (c.as_driven.high - c.as_driven.low)


def test_one_pull_against_one_raises_no_alarm() -> None:
    single = [(f"{p}-1", p, [40.0], 15.0) for p in ("before", "after")]
    table = runs_table(single, pressure_kpa={"before": 215.0, "after": 180.0})
    assert not [f for f in compare(table, experiment_of(table)).findings if f.about_boost]


def test_higher_boost_is_told_but_no_leak_is_suspected() -> None:
    table = runs_table(THREE, pressure_kpa={"before": 195.0, "after": 215.0})
    finding = compare(table, experiment_of(table)).findings[0]
    assert finding.code == "boost-higher"
    assert "leak" not in finding.message


def test_slower_boost_is_a_finding() -> None:
    table = runs_table(THREE)
    table["time_to_boost"] = np.where(table["phase"] == "after", 4.0, 2.5) + 0.01 * table["number"]
    assert "boost-slower" in [f.code for f in compare(table, experiment_of(table)).findings]


def test_less_boost_at_the_same_engine_speed_is_a_finding_though_the_peak_holds() -> None:
    table = runs_table(THREE)
    table["pressure_at_speed"] = np.where(table["phase"] == "after", 190.0, 205.0) + 0.2 * table["number"]
    findings = compare(table, experiment_of(table)).findings
    assert findings[0].code == "boost-lower-at-speed"
    assert "check hoses and clamps before driving hard again" in findings[0].message
    table["pressure_at_speed"] = 205.0 + 0.2 * table["number"]
    assert not [f for f in compare(table, experiment_of(table)).findings if f.code.startswith("boost")]


def test_a_lower_peak_says_it_once() -> None:
    table = runs_table(THREE, pressure_kpa={"before": 215.0, "after": 195.0})
    table["pressure_at_speed"] = table["peak_manifold_pressure"] - 3
    codes = [f.code for f in compare(table, experiment_of(table)).findings]
    assert codes[0] == "boost-lower"
    assert "boost-lower-at-speed" not in codes


def test_less_air_at_the_same_point_is_a_finding_and_more_is_not() -> None:
    table = runs_table(THREE)
    for after, told in ((92.0, True), (104.0, False), (99.0, False)):
        table["flow_at_point"] = np.where(table["phase"] == "after", after, 100.0) + 0.2 * table["number"]
        codes = [f.code for f in compare(table, experiment_of(table)).findings]
        assert ("boost-less-air" in codes) == told


def test_without_a_pressure_channel_nothing_is_claimed() -> None:
    table = runs_table(THREE)
    for name in ("peak_manifold_pressure", "time_to_boost", "pressure_ratio"):
        table[name] = np.nan
    c = compare(table, experiment_of(table))
    assert not [f for f in c.findings if f.code.startswith("boost")]
    assert "compression" not in [s.name for s in c.slopes]


def test_a_small_difference_of_boost_is_brought_to_common_conditions() -> None:
    """One per cent of boost is within what days do; the rise is corrected for it with the physical slope."""
    table = runs_table(THREE, pressure_kpa={"before": 211.0, "after": 209.0})
    heating = np.log((table["pressure_ratio"] ** (2 / 7)) - 1)
    table["peak_rise"] = 40.0 * (1 + heating - heating.mean())
    c = compare(table, experiment_of(table))
    plain = table.groupby("phase")["peak_rise"].mean()
    assert abs(c.change) < 0.2 * abs(plain["after"] - plain["before"])


def test_a_lower_peak_that_is_itself_the_question_is_not_said_to_be_as_before() -> None:
    table = runs_table(THREE, pressure_kpa={"before": 215.0, "after": 195.0})
    table["pressure_at_speed"] = table["peak_manifold_pressure"] - 3
    c = compare(table, experiment_of(table, outcome="peak_manifold_pressure"))
    assert [f.code for f in c.findings if f.about_boost] == ["boost-lower"]
    assert "boost changed with the service" not in [line.source for line in c.budget]


def test_more_boost_is_no_alarm_where_more_boost_was_the_question() -> None:
    table = runs_table(THREE, pressure_kpa={"before": 180.0, "after": 215.0})
    asked = compare(table, experiment_of(table, outcome="peak_manifold_pressure"))
    assert asked.verdict == "improved"
    assert not [f for f in asked.findings if f.about_boost]
    other = compare(table, experiment_of(table))
    assert [f.code for f in other.findings if f.about_boost] == ["boost-higher"]
