"""Measures of runs, on logs made by hand whose answers are known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from helpers.samples import SAMPLE_NAMES
from pullbook.reading.logs import Log, Signal
from pullbook.reading.units import CHANNELS
from pullbook.runs import columns, measures
from pullbook.runs.columns import NEEDS
from pullbook.runs.find import Run, Runs
from pullbook.runs.measures import Surroundings, elapsed, measure, missing_measures, way_to
from pullbook.settings.experiment import Protocol, Vehicle
from pullbook.settings.outcomes import OUTCOMES, outcome_named


def signal(channel: str, time_s: np.ndarray, values: np.ndarray, *, resolution: float = 0.0) -> Signal:
    return Signal(
        channel=channel,
        column=channel,
        unit="",
        time_s=np.asarray(time_s, dtype=float),
        values=np.asarray(values, dtype=float),
        period_s=float(np.median(np.diff(time_s))),
        resolution=resolution,
    )


def log_of(*signals: Signal) -> Log:
    end = max(float(s.time_s[-1]) for s in signals)
    return Log(name="by hand", start=None, duration_s=end, signals={s.channel: s for s in signals})


def pull(start_s: float, end_s: float, number: int = 1) -> Run:
    return Run(kind="pull", number=number, start_s=start_s, end_s=end_s, start_kmh=40, end_kmh=110, included=True)


def runs_of(*found: Run) -> Runs:
    return Runs(
        pulls=tuple(r for r in found if r.kind == "pull"),
        cruises=tuple(r for r in found if r.kind == "cruise"),
        full_load_from="accelerator_position",
    )


T = np.arange(0.0, 120.0, 0.5)
SPEED = signal("vehicle_speed", T, np.interp(T, [0, 30, 50, 120], [40, 40, 120, 120]), resolution=1.0)


def one(log: Log, *found: Run, **settings):
    return measure(log, runs_of(*(found or (pull(30.0, 50.0),))), **settings).iloc[0]


def test_the_way_to_a_speed_has_its_time_and_the_climb_at_its_end() -> None:
    # 4 km/h a second from 40 km/h at 30 s: 100 km/h at 45 s. The charge gains 1 K/s, and 2 K/s over the last 10 s.
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 35, 45, 120], [20, 20, 25, 45, 45]))
    inlet = signal("intake_air_temperature", T, np.full(len(T), 15.0))
    row = one(log_of(SPEED, charge, inlet), outcome="rise_at 100")
    assert row["rise_at 100"] == pytest.approx(30.0)
    assert (row["rise_at 100_s"], row["rise_at 100_climb"]) == pytest.approx((15.0, 2.0))
    # Two refreshes in the last third are no line: what was gained over the whole way, 25 K in 15 s.
    coarse = signal("charge_air_temperature", T[::8], charge.values[::8])
    seconds, climb = way_to(log_of(SPEED, coarse), pull(30.0, 50.0), 100.0)
    assert (seconds, climb) == pytest.approx((15.0, (coarse.at(45.0)[0] - coarse.at(30.0)[0]) / 15.0))
    assert np.isnan(way_to(log_of(SPEED, charge), pull(30.0, 50.0), 130.0)).all()


def test_the_peak_is_sought_a_little_past_the_lift_and_the_inlet_taken_at_that_moment() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 53, 70, 120], [20, 20, 60, 30, 25]))
    inlet = signal("intake_air_temperature", T, 10 + T / 10)
    row = one(log_of(SPEED, charge, inlet))
    assert row["peak_charge"] == 60.0
    assert row["inlet_at_peak"] == pytest.approx(15.3)
    assert row["peak_rise"] == pytest.approx(44.7)
    assert row["start_charge"] == 20.0


def test_a_peak_too_long_after_the_lift_is_not_the_pulls() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 50, 80, 120], [20, 20, 50, 90, 25]))
    row = one(log_of(SPEED, charge, signal("intake_air_temperature", T, 0 * T + 10)))
    assert row["peak_charge"] == pytest.approx(50 + 40 / 30 * 5)


def test_the_next_pull_ends_the_search() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 50, 52, 120], [20, 20, 50, 70, 90]))
    row = one(log_of(SPEED, charge), pull(30.0, 50.0), pull(51.0, 60.0, number=2))
    assert row["peak_charge"] == pytest.approx(60.0)


def test_a_flat_top_takes_the_mean_inlet_over_it() -> None:
    charge = signal("charge_air_temperature", T, np.where((T >= 45) & (T <= 50), 60.0, 30.0), resolution=1.0)
    row = one(log_of(SPEED, charge, signal("intake_air_temperature", T, T / 10)))
    assert row["inlet_at_peak"] == pytest.approx(4.75)


def test_nothing_is_measured_across_a_gap() -> None:
    hole = (T < 38) | (T > 46)
    charge = signal("charge_air_temperature", T[hole], 0 * T[hole] + 30)
    log = log_of(SPEED, charge, signal("intake_air_temperature", T, 0 * T + 10))
    frame = measure(log, runs_of(pull(30.0, 50.0)))
    assert np.isnan(frame.loc[0, "peak_rise"])
    messages = [f.message for f in missing_measures(frame, log)]
    assert any("peak_rise" in m and "gap" in m for m in messages)


def test_without_a_charge_sensor_the_reason_names_it() -> None:
    frame = measure(log_of(SPEED), runs_of(pull(30.0, 50.0)))
    found = missing_measures(frame, log_of(SPEED))
    assert any("peak_rise" in f.message and "no charge air temperature" in f.message for f in found)
    assert frame["peak_rise"].isna().all()


def test_without_an_inlet_sensor_the_noted_temperature_serves() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 50, 120], [20, 60, 25]))
    row = one(log_of(SPEED, charge), surroundings=Surroundings(ambient_c=12.0))
    assert row["peak_rise"] == pytest.approx(48.0)
    assert np.isnan(one(log_of(SPEED, charge))["peak_rise"])


def test_boost_and_the_time_to_it() -> None:
    pressure = signal(
        "intake_manifold_pressure", T, np.interp(T, [0, 30, 34, 50, 51, 120], [100, 100, 200, 200, 100, 100])
    )
    row = one(log_of(SPEED, pressure), surroundings=Surroundings(pressure_kpa=100.0))
    assert row["peak_manifold_pressure"] == 200.0
    assert row["time_to_boost"] == pytest.approx(3.6)  # 90 % of the way from 100 to 200 kPa over 4 s
    assert row["pressure_ratio"] == pytest.approx(2.0, abs=0.01)


def test_an_early_boost_gives_no_time_to_it() -> None:
    row = one(log_of(SPEED, signal("intake_manifold_pressure", T, 0 * T + 200)))
    assert np.isnan(row["time_to_boost"])


@pytest.mark.parametrize("tau", [6.0, 12.0, 25.0])
def test_the_recovery_time_constant_is_recovered_from_degree_steps(tau) -> None:
    after = np.clip(T - 50, 0, None)
    curve = np.where(T < 50, np.interp(T, [0, 30, 50], [25, 25, 65]), 25 + 40 * np.exp(-after / tau))
    charge = signal("charge_air_temperature", T, np.round(curve), resolution=1.0)
    row = one(log_of(SPEED, charge))
    assert 0 < row["recovery_time_u"] < 0.1 * tau
    assert row["recovery_time"] == pytest.approx(tau, abs=3 * row["recovery_time_u"])


def test_too_short_a_rest_gives_no_recovery_time() -> None:
    curve = np.where(T < 50, 60.0, 25 + 35 * np.exp(-np.clip(T - 50, 0, None) / 12))
    log = log_of(SPEED, signal("charge_air_temperature", T, curve))
    assert np.isnan(one(log, pull(30.0, 50.0), pull(60.0, 75.0, number=2))["recovery_time"])


def test_elapsed_time_on_an_even_acceleration_is_exact() -> None:
    time, uncertainty = elapsed(SPEED, pull(30.0, 50.0), 50.0, 100.0)
    assert time == pytest.approx(12.5)  # 4 km/h per second
    assert uncertainty == pytest.approx(np.sqrt(2) * (1 / np.sqrt(12)) / 4)


def test_a_mark_that_is_not_crossed_has_no_time() -> None:
    assert np.isnan(elapsed(SPEED, pull(30.0, 50.0), 50.0, 130.0)[0])


def test_elapsed_time_holds_the_truth_within_its_uncertainty() -> None:
    """Whole km/h, polled every 1.1 s at any phase: the error over its standard uncertainty is of order one."""
    rng = np.random.default_rng(5)
    scores = []
    for _ in range(300):
        t = np.arange(rng.uniform(0, 1.1), 60, 1.1) + rng.uniform(-0.05, 0.05)
        truth = 40 + 5 * np.clip(t - 20, 0, 20) - 0.08 * np.clip(t - 20, 0, 20) ** 2
        speed = signal("vehicle_speed", t, np.round(truth), resolution=1.0)
        time, u = elapsed(speed, pull(20.0, 40.0), 50.0, 90.0)
        roots = [(5 - np.sqrt(25 - 4 * 0.08 * (v - 40))) / 0.16 for v in (50, 90)]
        scores.append((time - (roots[1] - roots[0])) / u)
    assert np.mean(np.abs(scores) < 2) > 0.93
    assert np.std(scores) == pytest.approx(1.0, abs=0.35)


def test_a_measured_compressor_outlet_is_used_before_an_estimate() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 50, 120], [20, 20, 50, 25]))
    inlet = signal("intake_air_temperature", T, 0 * T + 20)
    pressure = signal(
        "intake_manifold_pressure", T, np.interp(T, [0, 30, 34, 50, 51, 120], [100, 100, 200, 200, 100, 100])
    )
    outlet = signal("compressor_outlet_temperature", T, np.interp(T, [0, 30, 50, 120], [40, 40, 120, 40]))
    estimated = one(log_of(SPEED, charge, inlet, pressure))
    measured = one(log_of(SPEED, charge, inlet, pressure, outlet))
    assert measured["compressor_outlet"] == 120.0
    assert measured["effectiveness"] == pytest.approx((120 - 50) / (120 - 20))
    # 20 °C; 197 kPa held and 8 lost in the cooler over 101.3 less 4 before the compressor: ratio 2.11, efficiency 0.70.
    assert estimated["compressor_outlet"] == pytest.approx(121, abs=3)
    assert (measured["outlet_estimated"], estimated["outlet_estimated"]) == (0.0, 1.0)
    assert measured["compressor_outlet_u"] == 0.0  # no step in this log
    # The efficiency leaves 0.05 / 0.70 of the heating, the pressure losses a further 3 %.
    assert estimated["compressor_outlet_u"] == pytest.approx(101 * np.hypot(0.0714, 0.034), rel=0.05)
    poor = one(log_of(SPEED, charge, inlet, pressure), vehicle=Vehicle(compressor_efficiency=0.6))
    assert poor["compressor_outlet"] > estimated["compressor_outlet"] + 10


def test_the_effectiveness_carries_the_uncertainty_of_the_estimated_outlet() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 50, 120], [20, 20, 50, 25]), resolution=1.0)
    inlet = signal("intake_air_temperature", T, 0 * T + 20, resolution=1.0)
    pressure = signal(
        "intake_manifold_pressure", T, np.interp(T, [0, 30, 34, 50, 51, 120], [100, 100, 200, 200, 100, 100])
    )
    row = one(log_of(SPEED, charge, inlet, pressure))
    # Hand arithmetic of first order: what the cooler leaves, times the relative uncertainty of the heating.
    from_outlet = (1 - row["effectiveness"]) * row["compressor_outlet_u"] / (row["compressor_outlet"] - 20)
    assert row["effectiveness_u"] == pytest.approx(from_outlet, rel=0.05)  # the sensor steps add little
    assert row["effectiveness_u"] > from_outlet
    assert row["effectiveness_step"] == pytest.approx(np.sqrt(2) / (row["compressor_outlet"] - 20))


def test_heat_is_rejected_only_where_air_flow_is_logged() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 50, 120], [20, 20, 50, 25]))
    inlet = signal("intake_air_temperature", T, 0 * T + 20)
    outlet = signal("compressor_outlet_temperature", T, np.interp(T, [0, 30, 50, 120], [40, 40, 120, 40]))
    flow = signal("air_mass_flow", T, np.interp(T, [0, 30, 50, 51, 120], [20, 20, 100, 20, 20]))
    without = measure(log_of(SPEED, charge, inlet, outlet), runs_of(pull(30.0, 50.0)))
    assert np.isnan(without.loc[0, "heat_rejected"])
    # 100 g/s, 120 to 50 °C, 1.01 kJ/(kg K).
    assert one(log_of(SPEED, charge, inlet, outlet, flow))["heat_rejected"] == pytest.approx(0.1 * 1.01 * 70, rel=0.005)
    (told,) = [
        f for f in missing_measures(without, log_of(SPEED, charge, inlet, outlet)) if "heat_rejected" in f.message
    ]
    assert "no air mass flow" in told.message


def test_the_state_of_the_cooler_before_a_pull_is_told_against_the_inlet() -> None:
    charge = signal("charge_air_temperature", T, np.interp(T, [0, 30, 50, 120], [32, 28, 50, 25]))
    row = one(log_of(SPEED, charge, signal("intake_air_temperature", T, 0 * T + 20)))
    assert row["start_rise"] == pytest.approx(8.0)


def test_heat_soak_is_the_cruise_after_the_pulls_against_that_before() -> None:
    def cruise(number: int, start_s: float, end_s: float) -> Run:
        return Run(
            kind="cruise", number=number, start_s=start_s, end_s=end_s, start_kmh=90, end_kmh=90, included=True
        )  # fmt: skip

    charge = signal("charge_air_temperature", T, np.where(T < 60, 24.0, 31.0))
    log = log_of(SPEED, charge, signal("intake_air_temperature", T, 0 * T + 20))
    frame = measure(log, runs_of(cruise(1, 0, 25), pull(30.0, 50.0), cruise(2, 80, 110)))
    assert frame.loc[frame["number"] == 2, "soak_rise"].item() == pytest.approx(7.0)
    assert frame.loc[(frame["kind"] == "cruise") & (frame["number"] == 1), "soak_rise"].isna().all()
    only_after = measure(log, runs_of(pull(30.0, 50.0), cruise(1, 80, 110)))
    assert only_after["soak_rise"].isna().all()
    assert any("before the first pull" in f.message for f in missing_measures(only_after, log))


@pytest.mark.parametrize(("north", "east", "degrees"), [(1, 0, 0), (0, 1, 90), (-1, 0, 180), (0, -1, 270), (1, 1, 45)])
def test_the_direction_of_a_pull_is_a_compass_direction(north, east, degrees) -> None:
    along = (T - 30) * 20 / 111_000  # 20 m/s; a degree of latitude is 111 km
    latitude = signal("latitude", T, 50 + north * along)
    longitude = signal("longitude", T, 8 + east * along / np.cos(np.radians(50)))
    row = one(log_of(SPEED, latitude, longitude))
    assert row["heading"] == pytest.approx(degrees, abs=0.1)
    assert np.isnan(one(log_of(SPEED))["heading"])


def test_means_of_a_cruise() -> None:
    cruise = Run(kind="cruise", number=1, start_s=60.0, end_s=100.0, start_kmh=120, end_kmh=120, included=True)
    charge = signal("charge_air_temperature", T, np.where(T < 80, 30.0, 40.0))
    row = measure(log_of(SPEED, charge, signal("intake_air_temperature", T, 0 * T + 15)), runs_of(cruise)).iloc[0]
    assert row["mean_charge"] == pytest.approx(35.0, abs=0.2)
    assert row["mean_rise"] == pytest.approx(20.0, abs=0.2)
    assert row["mean_speed"] == pytest.approx(120.0)


def test_marks_follow_the_protocol() -> None:
    frame = measure(log_of(SPEED), runs_of(pull(30.0, 50.0)), protocol=Protocol(marks_kmh=(60, 90, 110)))
    names = [c for c in frame if c.startswith("elapsed_s") and not c.endswith("_u")]
    assert names == ["elapsed_s 60-90", "elapsed_s 60-110", "elapsed_s 90-110"]
    assert frame.loc[0, "elapsed_s 60-90"] == pytest.approx(7.5)


def test_refused_runs_are_measured_too() -> None:
    refused = Run(
        kind="pull",
        number=1,
        start_s=30.0,
        end_s=50.0,
        start_kmh=40,
        end_kmh=80,
        included=False,
        reason="lifted at 80 km/h",
    )
    row = one(log_of(SPEED), refused)
    assert row["reason"] == "lifted at 80 km/h"
    assert row["duration"] == 20.0


def test_no_runs_give_an_empty_table_with_all_columns() -> None:
    frame = measure(log_of(SPEED), runs_of())
    assert frame.empty
    assert {"kind", "peak_rise", "mean_rise", "left_out"} <= set(frame.columns)


def test_the_rest_before_a_pull_is_told() -> None:
    frame = measure(log_of(SPEED), runs_of(pull(30.0, 50.0), pull(80.0, 95.0, number=2)))
    assert np.isnan(frame.loc[0, "rest_before"])
    assert frame.loc[1, "rest_before"] == 30.0


EVERY_OUTCOME = (*OUTCOMES.values(), outcome_named("rise_at 100"), outcome_named("elapsed_s 60-90"))


def test_an_outcome_rests_on_what_it_is_measured_with() -> None:
    """Or a sensor that was replaced, or measured nothing, would go unnoticed."""
    for outcome in EVERY_OUTCOME:
        assert set(NEEDS.get(outcome.name, ())) <= set(outcome.channels), outcome.name
        assert set(outcome.channels) <= set(outcome.sensors) <= CHANNELS.keys(), outcome.name
        if outcome.name in NEEDS and outcome.name != "mean_inlet":  # whose own channel may be either inlet
            assert NEEDS[outcome.name][0] in outcome.channels, outcome.name


def test_the_steps_of_an_outcome_are_columns_of_the_table() -> None:
    """Or `check` would end in a KeyError, as it once did for a newcomer."""
    steps = set(columns.STEPS) | {name for name in columns.PULL_FACTS if name.endswith("_step")}
    for outcome in EVERY_OUTCOME:
        assert set(outcome.steps) <= steps <= set(columns.columns_of()), outcome.name
        of_sensors = {columns.STEPS[name] for name in outcome.steps if columns.STEPS.get(name)}
        assert of_sensors <= set(outcome.channels), outcome.name
    assert {channel for channel in columns.STEPS.values() if channel} <= CHANNELS.keys()


def test_what_a_log_has_no_channel_for_stands_in_one_note_and_the_outcome_on_its_own() -> None:
    frame = measure(log_of(SPEED), runs_of(pull(30.0, 50.0)))
    found = missing_measures(frame, log_of(SPEED), "peak_coolant")
    absent = [f for f in found if f.code == measures.CHANNEL_ABSENT]
    assert len(absent) == 1
    assert {"air_mass_flow", "engine_speed"} <= set(absent[0].evidence["channels"])
    assert "peak_coolant" not in absent[0].evidence["measures"]
    assert [f.evidence["measures"] for f in found if f.code == "measure-missing" and "coolant" in f.message] == [
        ["peak_coolant"]
    ]


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_what_is_measured_has_a_column_and_what_is_missing_a_reason(name, result_of) -> None:
    """A measure that is computed but not named would be dropped silently; one without needs be told a wrong reason."""
    protocol = Protocol()
    elapsed = {f"elapsed_s {a:g}-{b:g}{u}" for a, b in itertools.combinations(protocol.marks, 2) for u in ("", "_u")}
    for drive in result_of(name).drives:
        outside = Surroundings()
        for run in drive.runs.pulls:
            figures = measures._pull(drive.log, run, np.inf, protocol.marks, 0.7, outside)
            assert figures.keys() <= {*columns.PULL_MEASURES, *columns.PULL_FACTS, *columns.STEPS, *elapsed}
        for run in drive.runs.cruises:
            assert measures._cruise(drive.log, run, outside).keys() <= {*columns.CRUISE_MEASURES, *columns.STEPS}
    needing_speed_alone = {"duration", "rest_before", "mean_speed"}
    named = {m for m in (*columns.PULL_MEASURES, *columns.CRUISE_MEASURES) if not m.endswith("_u")}
    assert named - needing_speed_alone == columns.NEEDS.keys()


@pytest.mark.parametrize("offset_s", [0.0, 0.25, 0.5, 0.75])
def test_a_time_from_rest_begins_when_the_car_leaves(offset_s: float) -> None:
    """Leaves at 10 s with 8 km/h a second, refreshed once a second: 100 km/h is 12.5 s later."""
    t = offset_s + np.arange(0.0, 30.0)
    values = np.round(np.clip(8.0 * (t - 10.0), 0.0, 112.0))
    speed = Signal(
        channel="vehicle_speed", column="v", unit="km/h", time_s=t, values=values, period_s=1.0, resolution=1.0
    )
    run = Run(kind="pull", number=1, start_s=10.0, end_s=24.0, start_kmh=0.0, end_kmh=112.0, included=True)
    seconds, u = measures.elapsed(speed, run, 0.0, 100.0)
    assert seconds == pytest.approx(12.5, abs=0.2)  # whole km/h at both ends, at 8 km/h a second
    assert u == pytest.approx(np.hypot(1 / np.sqrt(12), 1 / np.sqrt(12) / 8), abs=0.01)


def test_every_figure_of_the_table_has_its_unit() -> None:
    frame = measure(log_of(SPEED), runs_of(pull(30.0, 50.0)), outcome="rise_at 60")
    words = {"kind", "number", "included", "reason", "left_out", "marked"}
    assert frame.attrs["units"].keys() == set(frame.columns) - words
    assert frame.attrs["units"]["pressure_ratio"] == "1"
    assert frame.attrs["units"]["rise_at 60_u"] == "K"
    assert columns.unit_of("peak_coolant") == "°C"
