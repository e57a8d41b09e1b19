"""Pulls of different gears are never compared, and drives that cannot be are said so first."""

import json
import math

import numpy as np
import pytest

from helpers.tables_of_runs import experiment_of, runs_table
from pullbook.settings.experiment import Service
from pullbook.statistics.comparison import compare
from pullbook.statistics.gears import check_gears

THREE = [
    (f"{phase}-{k}", phase, [level, level + 0.6, level + 1.1], 15.0 + k)
    for phase, level in (("before", 41.0), ("after", 35.0))
    for k in (1, 2, 3)
]


def geared(before: float, after: float, *, tyre: float = 0.0):
    table = runs_table(THREE)
    rng = np.random.default_rng(3)
    ratio = np.where(table["phase"] == "after", after * (1 + tyre), before) * (
        1 + 0.004 * rng.standard_normal(len(table))
    )
    return table.assign(gear_rpm_per_kmh=ratio, gear_mean_rpm_per_kmh=ratio)


def test_another_gear_after_the_service_leaves_no_change_and_says_so_first() -> None:
    table = geared(36.8, 27.2)
    c = compare(table, experiment_of(table))
    assert c.verdict == "not-resolved"
    assert all(math.isnan(value) for value in (c.change, c.low, c.high, c.probability_better))
    assert c.findings[0].code == "gear-differs"
    assert c.findings[0].evidence["before_rpm_per_kmh"] == pytest.approx(36.8, abs=0.3)
    assert "gear" in c.sentence
    assert not [f for f in c.findings if f.about_boost]  # another gear, another boost: no leak


def test_worn_tyres_are_no_other_gear() -> None:
    table = geared(36.8, 36.8, tyre=0.02)
    c = compare(table, experiment_of(table))
    assert c.comparable
    assert not [f for f in c.findings if f.code.startswith("gear")]


def test_one_odd_pull_is_kept_out_with_its_reason() -> None:
    table = geared(36.8, 36.8)
    table.loc[1, ["gear_rpm_per_kmh", "gear_mean_rpm_per_kmh"]] = 50.0
    table.loc[1, "peak_rise"] = 70.0
    experiment = experiment_of(table)
    c = compare(table, experiment)
    assert c.before.pulls == 8
    kept = check_gears(table, experiment, experiment.outcome_spec).keep(table)
    assert not kept.loc[1, "included"]
    assert "50" in kept.loc[1, "reason"]
    assert "36.8" in kept.loc[1, "reason"]
    assert table.loc[1, "included"]  # the table that was given is not touched
    assert [f.evidence["runs"] for f in c.findings if f.code == "gear-odd"] == ["before-1 pull 2"]


@pytest.mark.parametrize(("after", "tyres"), [(27.2, False), (33.8, True)])
def test_a_step_too_small_for_a_gear_names_tyres_and_speed(after, tyres) -> None:
    message = compare(table := geared(36.8, after), experiment_of(table)).findings[0].message
    assert ("tyres" in message) == tyres
    assert ("You drove in different gears" in message) != tyres


def test_a_gear_that_both_phases_share_is_compared_and_the_other_kept_out() -> None:
    table = geared(36.8, 36.8)
    other = table["session"].isin(["before-3", "after-3"])
    table.loc[other, ["gear_rpm_per_kmh", "gear_mean_rpm_per_kmh"]] = 27.0
    c = compare(table, experiment_of(table))
    assert (c.before.sessions, c.after.sessions) == (2, 2)


def test_the_same_end_by_another_pattern_of_gears_is_not_compared() -> None:
    table = geared(36.8, 36.8)
    table.loc[table["phase"] == "after", "gear_mean_rpm_per_kmh"] = 41.0
    assert compare(table, experiment_of(table)).findings[0].code == "gear-differs"


@pytest.mark.parametrize("phases", [["before", "after"], ["after"]])
def test_a_gear_that_cannot_be_read_is_said_and_never_another(phases) -> None:
    table = geared(36.8, 36.8)
    table.loc[table["phase"].isin(phases), ["gear_rpm_per_kmh", "gear_mean_rpm_per_kmh"]] = np.nan
    c = compare(table, experiment_of(table))
    assert c.comparable
    assert c.before.pulls == c.after.pulls == 9
    assert [f.severity for f in c.findings if f.code == "gear-not-read"] == ["note"]


def test_what_cannot_be_compared_is_null_in_json() -> None:
    from pullbook.analysis.result import _jsonable

    table = geared(36.8, 27.2)
    plain = _jsonable(compare(table, experiment_of(table)).to_dict())
    assert [plain[name] for name in ("change", "low", "high", "probability_better")] == [None] * 4
    assert plain["verdict"] == "not-resolved"
    json.dumps(plain, allow_nan=False)


@pytest.mark.parametrize(("outcome", "sensor", "done", "comparable", "code"), [
    ("peak_rise", "charge_air_temperature", "refitted", True, "sensor-refitted"),
    ("peak_rise", "charge_air_temperature", "cleaned", False, "sensor-changed"),
    ("peak_rise", "charge_air_temperature", "replaced", False, "sensor-changed"),
    # Not measured with it, but the weather is taken out of it by that sensor, kelvin for kelvin.
    ("peak_charge", "intake_air_temperature", "replaced", False, "sensor-changed"),
    ("peak_charge", "engine_coolant_temperature", "replaced", True, "sensor-other"),
])  # fmt: skip
def test_a_sensor_that_was_cleaned_or_replaced_leaves_no_verdict(outcome, sensor, done, comparable, code) -> None:
    table = runs_table(THREE)
    table["peak_charge"] = table["peak_rise"] + 15.0
    service = Service(what="by hand", sensors={sensor: done})
    changed = {"service": service, "outcome": outcome}
    c = compare(table, experiment_of(table).model_copy(update=changed))
    assert c.comparable == comparable
    assert code in [f.code for f in c.findings]


def test_another_sensor_does_not_matter_and_one_of_pressure_ends_what_is_said_of_boost() -> None:
    table = runs_table(THREE, pressure_kpa={"before": 215.0, "after": 195.0})
    service = Service(what="by hand", sensors={"intake_manifold_pressure": "replaced"})
    c = compare(table, experiment_of(table).model_copy(update={"service": service}))
    assert c.comparable
    assert not [f for f in c.findings if f.about_boost]
    assert "compression" not in [s.name for s in c.slopes]
    assert c.as_driven is None
