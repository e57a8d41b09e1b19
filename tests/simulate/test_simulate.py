"""The simulation: its physics against hand calculation, its bookkeeping against its own pedal, its logs."""

import ast
import csv
import dataclasses
import gzip
import io
import math
from datetime import datetime
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from ruamel.yaml import YAML

from pullbook import simulate
from pullbook.simulate import (
    LOGGED,
    SCENARIOS,
    STEP_S,
    Brake,
    Cooler,
    Cruise,
    Idle,
    PartThrottle,
    Pull,
    Trace,
    TrueRun,
    Vehicle,
    Weather,
    drive,
    drive_session,
    record,
    standard_script,
    true_change,
    true_peak_rise,
    true_peak_rises,
    write_experiment,
)
from pullbook.simulate.__main__ import main

VAN, COOLER, MILD = Vehicle(), Cooler(), Weather(ambient_c=15.0)
FULL_PEDAL = 14.1 + 0.9 * (78.0 - 14.1)


def drive_script(*script: simulate.Manoeuvre, seed: int | None = None, **changes) -> Trace:
    rng = None if seed is None else np.random.default_rng(seed)
    given = {"vehicle": VAN, "cooler": COOLER, "weather": MILD, **changes}
    return drive(**given, script=script, rng=rng)


def at(trace: Trace, channel: str, time_s: float) -> float:
    return float(np.interp(time_s, trace.time_s, trace.channels[channel]))


def pulls_of(trace: Trace) -> list[TrueRun]:
    return [run for run in trace.runs if run.kind == "pull"]


def one_pull(**changes) -> tuple[Trace, TrueRun]:
    trace = drive_script(Cruise(speed_kmh=60, duration_s=60), Pull(from_kmh=40, to_kmh=110), **changes)
    return trace, pulls_of(trace)[0]


@cache
def session(seed: int = 3) -> Trace:
    rng = np.random.default_rng(seed)
    return drive(vehicle=VAN, cooler=COOLER, weather=MILD, script=standard_script(rng=rng), rng=rng)


# Physics


def test_compression_by_hand():
    # By hand from the definition of adiabatic efficiency: 2^(0.4/1.4) = exp(0.285714 ln 2) = 1.219014;
    # 300 K (1 + 0.219014 / 0.7) = 393.863 K. Tolerance: six digits carried.
    outlet_k = simulate.compression_outlet_k(inlet_k=300.0, pressure_ratio=2.0, efficiency=0.7)
    assert outlet_k == pytest.approx(393.863, abs=1e-3)


def test_settled_cooler_balances_its_heat():
    """Held long enough, the core sits where the heat gained equals the heat lost (closed form)."""
    trace = drive_script(Cruise(speed_kmh=90, duration_s=600))
    end = trace.time_s[-1]
    outlet_c = at(trace, "compressor_outlet_temperature", end)
    gained_w_k = COOLER.eps_inside * 1005.0 * at(trace, "air_mass_flow", end) / 1000.0
    air_kmh = math.hypot(at(trace, "vehicle_speed", end), 3.6 * MILD.wind_ms)
    lost_w_k = COOLER.ua_standstill_w_k + COOLER.ua_per_kmh_w_k * air_kmh
    core_c = (gained_w_k * outlet_c + lost_w_k * MILD.ambient_c) / (gained_w_k + lost_w_k)
    expected_c = outlet_c - COOLER.eps_inside * (outlet_c - core_c)
    # 0.02 K: after 600 s every lag left is below e^-9 of some 20 K.
    assert at(trace, "charge_air_temperature", end) == pytest.approx(expected_c, abs=0.02)


def test_pull_gains_no_more_energy_than_the_engine_gives():
    trace, run = one_pull()
    low, high = (at(trace, "vehicle_speed", t) / 3.6 for t in (run.start_s, run.end_s))
    kinetic_j = 0.5 * VAN.mass_kg * (high**2 - low**2)
    most_j = 1000.0 * VAN.power_kw * (run.end_s - run.start_s)
    assert 0.4 * most_j < kinetic_j < 0.92 * most_j  # 8 % lost in the driveline; less than 40 % would be a crawl


def before_lag(trace: Trace, channel: str, time_s: float, lag_s: float) -> float:
    """What a first-order sensor was shown: its reading plus lag times slope (central difference)."""
    slope = (at(trace, channel, time_s + 0.1) - at(trace, channel, time_s - 0.1)) / 0.2
    return at(trace, channel, time_s) + lag_s * slope


def test_air_flow_is_swept_volume_times_density():
    trace, run = one_pull()
    t = run.end_s - 1.0
    charge_k = before_lag(trace, "charge_air_temperature", t, 2.0) + 273.15
    density = 1000.0 * at(trace, "intake_manifold_pressure", t) / (287.05 * charge_k)
    flow = 0.88 * 2.2e-3 * at(trace, "engine_speed", t) / 120.0 * density * 1000.0
    # 0.1 %: a time step of 2 K/s is 0.2 K of 330 K, and half of that is lost in the central difference.
    assert at(trace, "air_mass_flow", t) == pytest.approx(flow, rel=1e-3)


def test_compressor_outlet_follows_pressure_and_lag():
    trace, run = one_pull()
    t = run.end_s - 1.0
    share = (at(trace, "air_mass_flow", t) / 120.0) ** 2
    ratio = (at(trace, "intake_manifold_pressure", t) + 6.0 * share) / (MILD.pressure_kpa - 4.0 * share)
    inlet_k = before_lag(trace, "intake_air_temperature", t, 4.0) + 273.15
    expected_c = inlet_k * (1.0 + (ratio ** (2.0 / 7.0) - 1.0) / 0.7) - 273.15
    # 0.2 K: the model takes its pressure losses from the flow one step earlier, 0.5 % of 10 kPa.
    assert before_lag(trace, "compressor_outlet_temperature", t, 2.0) == pytest.approx(expected_c, abs=0.2)


def test_more_outside_conductance_is_cooler():
    clean = dataclasses.replace(COOLER, ua_per_kmh_w_k=2.0 * COOLER.ua_per_kmh_w_k)
    assert true_peak_rises(one_pull(cooler=clean)[0])[0] < true_peak_rises(one_pull()[0])[0] - 1.0


def test_oil_film_is_warmer():
    oily = dataclasses.replace(COOLER, eps_inside=COOLER.eps_inside - 0.05)
    assert true_peak_rises(one_pull(cooler=oily)[0])[0] > true_peak_rises(one_pull()[0])[0] + 1.0


def test_colder_air_gives_a_smaller_rise():
    """At constant effectiveness it goes as the absolute inlet temperature; denser air works against it."""
    cold, warm = (true_peak_rises(one_pull(weather=Weather(ambient_c=c))[0])[0] for c in (0.0, 30.0))
    assert 1.0 < warm / cold < 303.15 / 273.15


def test_leak_costs_its_share_of_gauge_boost_and_is_slower():
    (tight, run), (leaking, leak_run) = one_pull(), one_pull(leak=0.12)
    peak = {}
    for name, trace in (("tight", tight), ("leaking", leaking)):
        peak[name] = trace.channels["intake_manifold_pressure"].max() - MILD.pressure_kpa
    assert peak["leaking"] / peak["tight"] == pytest.approx(0.88, abs=0.005)  # both lags have died out by then
    rise = {}
    for name, trace, pull in (("tight", tight, run), ("leaking", leaking, leak_run)):
        gauge = trace.channels["intake_manifold_pressure"] - MILD.pressure_kpa
        reached = (trace.time_s > pull.start_s) & (gauge >= 0.9 * peak[name])
        rise[name] = trace.time_s[reached][0] - pull.start_s
    assert rise["leaking"] > rise["tight"] + 0.1


def test_pull_never_settles_and_remembers_its_start():
    trace, run = one_pull()
    warming = at(trace, "charge_air_temperature", run.end_s) - at(trace, "charge_air_temperature", run.end_s - 2.0)
    assert warming > 1.0
    cruise, pull = Cruise(speed_kmh=60, duration_s=60), Pull(from_kmh=40, to_kmh=110)
    rested = true_peak_rises(drive_script(cruise, pull, cruise, pull, cruise))
    rushed = true_peak_rises(drive_script(cruise, pull, pull, cruise))
    assert rushed[1] > rested[1] + 0.5


def test_engine_bay_warms_the_inlet_at_standstill():
    trace = drive_script(Cruise(speed_kmh=90, duration_s=200), Idle(duration_s=120))
    driven, stood = at(trace, "intake_air_temperature", 200.0), trace.channels["intake_air_temperature"][-1]
    assert driven - MILD.ambient_c < 5.0
    assert stood > driven + 5.0


@pytest.mark.parametrize("offset_k", [-2.0, 2.0])
def test_day_offset_moves_peak_rise_by_about_itself(offset_k):
    plain, shifted = (true_peak_rises(one_pull(day_offset_k=k)[0])[0] for k in (0.0, offset_k))
    # 15 %: the heating at the peak is not exactly the one the offset is defined at.
    assert shifted - plain == pytest.approx(offset_k, rel=0.15)


@pytest.mark.parametrize("name", SCENARIOS)
def test_sample_vehicles_are_plausible(name):
    scenario = SCENARIOS[name]
    trace = drive(
        vehicle=scenario.vehicle,
        cooler=scenario.cooler_before,
        weather=scenario.reference,
        script=scenario.script(None),
        rng=None,
    )
    assert len(pulls_of(trace)) == 5
    for run in pulls_of(trace):
        during = (trace.time_s >= run.start_s) & (trace.time_s <= run.end_s + 5.0)
        assert run.complete
        assert 14.0 <= run.end_s - run.start_s <= 22.0
        assert 200.0 <= trace.channels["intake_manifold_pressure"][during].max() <= 230.0
        assert 40.0 <= trace.channels["charge_air_temperature"][during].max() <= 70.0


# Truth


def test_pulls_are_dated_by_the_pedal():
    trace = session()
    pedal = trace.channels["accelerator_position"]
    for run in pulls_of(trace):
        first, last = round(run.start_s / STEP_S), round(run.end_s / STEP_S)
        assert (pedal[first:last] >= FULL_PEDAL).all()
        assert pedal[first - 1] < FULL_PEDAL
        assert pedal[last] < FULL_PEDAL
    # Every step at full load belongs to a pull.
    inside = sum(round((run.end_s - run.start_s) / STEP_S) for run in pulls_of(trace))
    assert inside == np.count_nonzero(pedal >= FULL_PEDAL)


def test_driver_scatter_stays_in_bounds_and_is_there():
    entries, exits = [], []
    for seed in range(3):
        trace = session(seed)
        for run in pulls_of(trace):
            entries.append(at(trace, "vehicle_speed", run.start_s))
            exits.append(at(trace, "vehicle_speed", run.end_s))
    # +-1.5 km/h asked, held within 0.8, and up to 2.5 gained while the pedal goes down.
    assert 37.7 <= min(entries) < max(entries) - 1.0 <= 43.8
    assert 108.0 <= min(exits) < max(exits) - 1.0 <= 112.5


def test_cruises_are_held():
    trace = session()
    cruises = [run for run in trace.runs if run.kind == "cruise"]
    assert len(cruises) == 6
    for run, speed in zip(cruises, [90.0] + 5 * [60.0], strict=True):
        held = trace.channels["vehicle_speed"][round(run.start_s / STEP_S) : round(run.end_s / STEP_S)]
        assert np.abs(held - speed).max() < 1.0
    assert cruises[0].end_s - cruises[0].start_s == pytest.approx(60.0)
    assert all(45.0 <= run.end_s - run.start_s <= 90.0 for run in cruises[1:])


def test_short_cruise_and_part_throttle_are_no_runs():
    trace = drive_script(
        Cruise(speed_kmh=80, duration_s=15),
        PartThrottle(from_kmh=50, to_kmh=90, pedal_percent=70),
        Brake(to_kmh=0),
    )
    assert trace.runs == ()
    assert trace.channels["accelerator_position"].max() == pytest.approx(14.1 + 0.7 * (78.0 - 14.1))
    assert trace.channels["vehicle_speed"].max() >= 90.0


def test_aborted_pull_is_not_complete():
    trace = drive_script(Pull(from_kmh=40, to_kmh=110, lift_at_kmh=55), Brake(to_kmh=0))
    (run,) = trace.runs
    assert not run.complete
    assert at(trace, "vehicle_speed", run.end_s) == pytest.approx(55.0, abs=1.5)
    assert true_peak_rises(trace) == []


@pytest.mark.parametrize("seed", range(5))
def test_gear_change_is_one_pull_with_a_short_gap(seed):
    trace = drive_script(Pull(from_kmh=40, to_kmh=110, gear_change=True), Cruise(speed_kmh=60, duration_s=5), seed=seed)
    (run,) = trace.runs
    first, last = round(run.start_s / STEP_S), round(run.end_s / STEP_S)
    off_s = STEP_S * np.count_nonzero(trace.channels["accelerator_position"][first:last] < FULL_PEDAL)
    assert run.complete
    assert 0.4 <= off_s <= 1.5  # 0.5 s to 1.4 s, and a step either way


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("fin_wash", -9.0, -6.5), ("two_evenings", -1.5, -0.5), ("loose_clamp", -6.0, -3.0)],
)
def test_true_changes_are_what_the_samples_are_for(name, low, high):
    assert low < true_change(SCENARIOS[name]) < high


def test_placebo_has_no_true_change():
    assert true_change(SCENARIOS["nothing_done"]) == 0.0


def test_most_of_the_loose_clamp_is_missing_boost():
    scenario = SCENARIOS["loose_clamp"]
    tight = true_peak_rise(scenario, cooler=scenario.cooler_after) - true_peak_rise(
        scenario, cooler=scenario.cooler_before
    )
    assert true_change(scenario) / 2.0 < tight < 0.0


def test_sessions_scatter_around_the_truth():
    scenario = SCENARIOS["nothing_done"]
    truth = true_peak_rise(scenario, cooler=scenario.cooler_before)
    rng = np.random.default_rng(11)
    drives = [drive_session(scenario, phase="before", weather=scenario.reference, rng=rng) for _ in range(20)]
    means = np.array([np.mean(true_peak_rises(trace)) for trace in drives])
    # 0.8 K a day and about 0.3 K left of five pulls: 0.85 K, and four standard errors of 20 sessions.
    assert means.mean() == pytest.approx(truth, abs=4.0 * 0.85 / math.sqrt(20))
    assert 0.5 < means.std(ddof=1) < 1.3


def test_pulls_of_a_session_repeat_within_a_kelvin():
    scenario = SCENARIOS["fin_wash"]
    rng = np.random.default_rng(12)
    drives = [drive_session(scenario, phase="before", weather=scenario.reference, rng=rng) for _ in range(20)]
    # The first pull follows the cruise and not a rest, which is no scatter.
    variances = [np.var(true_peak_rises(trace)[1:], ddof=1) for trace in drives]
    # 0.5 K to 1.0 K is what the model was asked for, an assumption. It has about 0.85 K (160 sessions), and
    # 20 sessions of 3 degrees of freedom know that within 9 %: three times that is allowed for.
    assert 0.5 < math.sqrt(np.mean(variances)) < 1.0 + 3 * 0.09 * 0.85


def test_gusts_touch_the_heat_and_not_the_motion(monkeypatch):
    gusty = session()
    monkeypatch.setattr(simulate.physics, "_GUST_SHARE", 0.0)
    rng = np.random.default_rng(3)
    still = drive(vehicle=VAN, cooler=COOLER, weather=MILD, script=standard_script(rng=rng), rng=rng)
    assert [run.start_s for run in still.runs] == [run.start_s for run in gusty.runs]
    assert np.std(np.subtract(true_peak_rises(gusty), true_peak_rises(still))) > 0.1


def test_nothing_is_shared_with_the_analysis():
    parts = sorted(Path(simulate.__file__).parent.glob("*.py"))
    assert len(parts) > 3
    modules = set()
    for node in (node for part in parts for node in ast.walk(ast.parse(part.read_text(encoding="utf-8")))):
        if isinstance(node, ast.Import):
            modules |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            modules.add(node.module)
    assert not [m for m in modules if m.startswith("pullbook") and not m.startswith("pullbook.simulate")]


# Logs


def log_rows(layout: str, *, seed: int = 5, **options) -> list[list[str]]:
    text = record(session(), rng=np.random.default_rng(seed), layout=layout, **options)
    return list(csv.reader(io.StringIO(text), delimiter=options.get("delimiter", ",")))


def test_sweep_measures_every_signal_at_its_row():
    heading, *rows = log_rows("sweep", time_format="seconds", period_s=0.5)
    assert heading[0] == "Time [s]"
    assert heading[6] == "Charge air temperature [°C]"
    times = np.array([float(row[0]) for row in rows])
    assert np.diff(times).min() >= 0.449  # 10 % jitter, and the stamp's millisecond
    assert np.diff(times).max() <= 0.551
    for column, channel in enumerate(LOGGED, 1):
        values = np.array([float(row[column]) for row in rows])
        true = np.interp(times, session().time_s, session().channels[channel])
        step = {"accelerator_position": 0.1}.get(channel, 1.0)
        # Half a step, and what the signal may move in the half millisecond the stamp was rounded by.
        slope = np.abs(np.diff(session().channels[channel])).max() / STEP_S
        assert np.abs(values - true).max() <= 0.5 * step + 0.0006 * slope


def test_held_refreshes_one_signal_a_row():
    _, *rows = log_rows("held")
    for number, (old, new) in enumerate(pairwise(rows), 1):
        changed = [i for i, (a, b) in enumerate(zip(old[1:], new[1:], strict=True)) if a != b]
        assert changed in ([], [number % len(LOGGED)])
    assert [sum(cell == "" for cell in row) for row in rows[:8]] == [6, 5, 4, 3, 2, 1, 0, 0]


def test_sparse_and_long_tell_the_same_as_held():
    _, *held = log_rows("held")
    _, *sparse = log_rows("sparse")
    long_heading, *long = log_rows("long")
    assert long_heading == ["time", "signal", "value", "unit"]
    for number, (h, s, lo) in enumerate(zip(held, sparse, long, strict=True)):
        turn = 1 + number % len(LOGGED)
        assert [cell != "" for cell in s[1:]] == [i == turn for i in range(1, len(LOGGED) + 1)]
        assert h[0] == s[0] == lo[0]
        assert h[turn] == s[turn] == lo[2]


def test_polling_refreshes_each_signal_once_a_period():
    _, *rows = log_rows("long", time_format="milliseconds", period_s=1.4)
    speed = np.array([float(row[0]) for row in rows if row[1] == "Vehicle speed"]) / 1000.0
    # Seven intervals of 200 ms, each off by up to 10 % (SD 5.8 %): their mean over a session is within 1 %.
    assert np.diff(speed).mean() == pytest.approx(1.4, rel=0.01)
    late_ms = np.diff([float(row[0]) for row in rows]) - 200.0
    assert np.abs(late_ms).max() <= 21.0  # 10 %, and the stamp's millisecond
    assert late_ms.std() == pytest.approx(20.0 / math.sqrt(3.0), rel=0.1)  # evenly drawn; n > 2000


def test_clock_passes_midnight_and_iso_keeps_the_date():
    late = datetime(2026, 3, 14, 23, 58)
    clock = [row[0] for row in log_rows("sweep", start=late)[1:]]
    assert clock[0].startswith("23:58:0")
    assert clock[-1].startswith("00:")
    iso = [datetime.fromisoformat(row[0]) for row in log_rows("sweep", start=late, time_format="iso")[1:]]
    assert iso == sorted(iso)
    assert [moment.time().isoformat(timespec="milliseconds") for moment in iso] == clock


def test_decimal_comma():
    heading, *rows = log_rows("sweep", delimiter=";", decimal=",", time_format="seconds")
    assert all(len(row) == len(heading) for row in rows)
    assert rows[0][0].count(",") == 1
    assert rows[0][3] == "14,1"


def test_imperial_is_the_same_log_in_other_units():
    channels = ("charge_air_temperature", "vehicle_speed", "intake_manifold_pressure", "barometric_pressure")
    _, *metric = log_rows("sweep", channels=channels)
    heading, *rows = log_rows("sweep", channels=channels, imperial=True)
    assert [name.split("[")[1] for name in heading[1:]] == ["°F]", "mph]", "psi gauge]", "psi]"]
    si, us = (np.array([row[1:] for row in table], dtype=float) for table in (metric, rows))
    # 1 psi = 6.894757 kPa, 1 mi = 1.609344 km: NIST SP 811 (2008), appendix B.8.
    # Tolerance: the decimals printed.
    np.testing.assert_allclose(us[:, 0], si[:, 0] * 9.0 / 5.0 + 32.0, atol=0.051)
    np.testing.assert_allclose(us[:, 1], si[:, 1] / 1.609344, atol=0.051)
    np.testing.assert_allclose(us[:, 2], (si[:, 2] - 100.8) / 6.894757, atol=0.0051)
    np.testing.assert_allclose(us[:, 3], si[:, 3] / 6.894757, atol=0.0051)


def test_headings_short_and_given():
    short = log_rows("sweep", header="short", names={"charge_air_temperature": "After cooler"})[0]
    assert short[1:4] == ["Speed [km/h]", "RPM [rpm]", "APP [%]"]
    assert short[6] == "After cooler"


@pytest.mark.parametrize(
    "options",
    [
        {"channels": ("charge_temperature",)},
        {"channels": ()},
        {"names": {"charge_temperature": "CAC"}},
        {"delimiter": ","} | {"decimal": ","},
        {"period_s": 0.0},
    ],
)
def test_impossible_logs_are_refused(options):
    with pytest.raises(ValueError, match=r"allowed|two different|above 0"):
        record(session(), rng=np.random.default_rng(1), **options)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Pull(from_kmh=110, to_kmh=40),
        lambda: Pull(from_kmh=40, to_kmh=110, lift_at_kmh=30),
        lambda: PartThrottle(from_kmh=40, to_kmh=80, pedal_percent=95),
        lambda: Cooler(eps_inside=1.2),
        lambda: Vehicle(pull_gear=0),
        lambda: drive_script(),
        lambda: drive_script(Idle(duration_s=1), leak=0.9),
        lambda: drive_script(Cruise(speed_kmh=400, duration_s=30)),
    ],
)
def test_impossible_drives_are_refused(make):
    with pytest.raises(ValueError, match=r"(?i)give|between|allowed|ask for"):
        make()


# Experiments


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_same_seed_same_bytes(tmp_path):
    scenario = SCENARIOS["two_evenings"]
    first, again, other = (
        bytes_of(write_experiment(tmp_path / name, scenario, seed=seed))
        for name, seed in (("first", 1), ("again", 1), ("other", 2))
    )
    assert first == again
    assert first["logs/before-1.csv"] != other["logs/before-1.csv"]


def test_samples_are_small_complete_and_say_they_are_invented(simulated_samples):
    files = bytes_of(simulated_samples)
    assert sum(map(len, files.values())) < 2_500_000
    misread = 0
    for name, scenario in SCENARIOS.items():
        assert "invented" in files[f"{name}/README.md"].decode().splitlines()[0]
        settings = YAML(typ="safe").load(files[f"{name}/experiment.yaml"].decode())
        assert settings["service"] == {"what": scenario.service, "date": scenario.service_date}
        assert settings["outcome"] == scenario.outcome
        assert len(settings["sessions"]) == len(scenario.before) + len(scenario.after)
        for entry, (session_name, phase, outing) in zip(settings["sessions"], scenario.sessions(), strict=True):
            assert (entry["name"], entry["phase"]) == (session_name, phase)
            assert entry["ambient_c"] == pytest.approx(outing.weather.ambient_c, abs=1.5)  # 4 x 0.3 K, half a step
            misread += entry["ambient_c"] != outing.weather.ambient_c
            assert entry["ambient_c"] * 2.0 == round(entry["ambient_c"] * 2.0)
            assert entry["pressure_hpa"] == pytest.approx(10.0 * outing.weather.pressure_kpa)
            data = files[f"{name}/{entry['log']}"]
            if scenario.compressed:
                assert data[4:8] == bytes(4)  # RFC 1952: the time stamp; zero, or no two writings are alike
            text = (gzip.decompress(data) if entry["log"].endswith(".gz") else data).decode()
            assert text.count("\n") > 1000
            assert (outing.start.date() > scenario.service_date) == (phase == "after")
    assert 0 < misread < 20  # the thermometer has its error


def test_command_line_without_a_folder_is_refused(capsys):
    assert main([]) == 2
    assert "FOLDER" in capsys.readouterr().err
