"""What is noticed about a log: each finding appears for its fault, and not without it."""

from dataclasses import replace

import numpy as np
import pytest

from pullbook.errors import Finding
from pullbook.reading.logs import Log, Signal
from pullbook.reading.quality import doubtful_ambient, inspect
from pullbook.settings.experiment import Protocol

TIME = np.arange(0.0, 1200.0, 1.0)
PLAIN = {
    "vehicle_speed": ("km/h", 70 + 40 * np.sin(TIME / 60)),
    "engine_speed": ("rpm", 2000 + 1100 * np.sin(TIME / 60)),
    "intake_air_temperature": ("degC", 20 + 2 * np.sin(TIME / 300)),
    "charge_air_temperature": ("degC", 40 + 9 * np.sin(TIME / 90)),
    "engine_coolant_temperature": ("degC", 88 + np.sin(TIME / 100)),
    "intake_manifold_pressure": ("kPa", 140 + 60 * np.sin(TIME / 60)),
}


def log_of(time_s: np.ndarray = TIME, resolution: float = 0.1, **changed: tuple[str, np.ndarray]) -> Log:
    signals = {
        channel: Signal(
            channel=channel,
            column=channel.upper(),
            unit=unit,
            time_s=time_s,
            values=np.asarray(values, dtype=float),
            period_s=float(np.median(np.diff(time_s))),
            resolution=resolution,
        )
        for channel, (unit, values) in {**PLAIN, **changed}.items()
    }
    return Log(name="log.csv", start=None, duration_s=float(time_s[-1]), signals=signals)


def found(log: Log, protocol: Protocol | None = None) -> dict[str, Finding]:
    return {finding.code: finding for finding in inspect(log, protocol or Protocol())}


def changed(channel: str, where: slice | np.ndarray, value: float) -> dict[str, tuple[str, np.ndarray]]:
    unit, values = PLAIN[channel]
    values = values.copy()
    values[where] = value
    return {channel: (unit, values)}


def test_a_plain_log_has_no_finding() -> None:
    assert found(log_of()) == {}


def test_the_readers_findings_come_first() -> None:
    told = Finding(code="told", severity="note", message="by the reader")
    assert inspect(replace(log_of(), findings=(told,)), Protocol())[0] is told


def test_refresh_too_slow_for_the_pulls() -> None:
    slow = log_of(TIME * 4)
    told = found(slow)["refresh-slow"]
    # 40 to 110 km/h at 4 km/h a second takes 17.5 s, 4.4 refreshes of 4 s, by hand.
    assert told.evidence["refreshes_in_pull"] == 4.4
    assert "refresh-slow" not in found(slow, Protocol(pull_from_kmh=20, pull_to_kmh=160))


def test_steps_of_the_sensor() -> None:
    assert found(log_of(resolution=1.0))["resolution-step"].evidence["step_k"] == 1.0


def test_saturated_pressure() -> None:
    told = found(log_of(**changed("intake_manifold_pressure", slice(100, 110), 255.0)))
    assert told["pressure-saturated"].evidence["refreshes"] == 10
    higher = changed("intake_manifold_pressure", slice(100, 110), 255.0)
    higher["intake_manifold_pressure"][1][200] = 270
    assert "pressure-saturated" not in found(log_of(**higher))


def test_open_circuit() -> None:
    told = found(log_of(**changed("charge_air_temperature", slice(0, 400), -40.0)))
    assert told["open-circuit"].evidence == {"channels": ["charge_air_temperature"], "shares": [0.3333]}


def test_frozen_signal() -> None:
    told = found(log_of(**changed("charge_air_temperature", slice(None), 31.0)))
    assert told["signal-frozen"].evidence["values"] == [31]
    parked = changed("charge_air_temperature", slice(None), 31.0)
    parked["vehicle_speed"] = ("km/h", np.zeros(len(TIME)))
    assert "signal-frozen" not in found(log_of(**parked))


def test_a_charge_that_hangs_while_the_boost_comes_and_goes() -> None:
    told = found(log_of(**changed("charge_air_temperature", slice(300, 500), 31.0)))
    assert told["signal-hung"].evidence == {"channel": "charge_air_temperature", "start_s": 300, "end_s": 499}
    steady = changed("charge_air_temperature", slice(300, 500), 31.0) | changed(
        "intake_manifold_pressure", slice(300, 500), 120.0
    )
    assert "signal-hung" not in found(log_of(**steady))


@pytest.mark.parametrize(
    ("channel", "jump"), [("engine_coolant_temperature", 40), ("charge_air_temperature", 120), ("vehicle_speed", 200)]
)
def test_impossible_jump(channel: str, jump: float) -> None:
    told = found(log_of(**changed(channel, slice(600, None), jump)))
    assert told["impossible-jump"].evidence["channel"] == channel
    assert told["impossible-jump"].evidence["at_s"] == 600


def test_an_inlet_cooling_after_a_stop_is_no_jump() -> None:
    hot = changed("intake_air_temperature", slice(500, 600), 110.0)
    assert "impossible-jump" in found(log_of(**hot))
    stopped = {**hot, **changed("engine_speed", slice(490, 600), 0.0)}
    told = found(log_of(**stopped))
    assert "impossible-jump" not in told
    assert told["inlet-heated"].evidence["highest_c"] == 110
    assert told["engine-stopped"].evidence["share"] == pytest.approx(110 / 1200, abs=1e-4)


@pytest.mark.parametrize("seen_by", ["engine", "vehicle", "pause"])
def test_a_hot_inlet_of_a_stopped_engine_is_named_as_such(seen_by: str) -> None:
    values = changed("intake_air_temperature", slice(500, 600), 110.0)
    time_s = TIME.copy()
    if seen_by == "engine":
        values |= changed("engine_speed", slice(495, 600), 0.0)
    else:
        values |= changed("vehicle_speed", slice(495, 600), 0.0)
    if seen_by == "pause":
        time_s[560:] += 300
    log = log_of(time_s, **values)
    if seen_by != "engine":
        log = replace(log, signals={name: s for name, s in log.signals.items() if name != "engine_speed"})
    told = found(log)
    assert "impossible-jump" not in {code for code in told if "inlet" in told[code].message}
    assert told["inlet-heated"].evidence["highest_c"] == 110


def test_one_cause_is_one_finding_however_many_signals_share_it() -> None:
    frozen = changed("charge_air_temperature", slice(None), 31.0) | changed("intake_air_temperature", slice(None), 9.0)
    told = [f for f in inspect(log_of(TIME * 4, **frozen), Protocol()) if f.code in ("refresh-slow", "signal-frozen")]
    assert sorted(f.code for f in told) == ["refresh-slow", "signal-frozen"]
    slow = next(f for f in told if f.code == "refresh-slow")
    assert {"vehicle_speed", "charge_air_temperature"} <= set(slow.evidence["channels"])


def test_gaps() -> None:
    told = found(log_of(np.where(TIME < 600, TIME, TIME + 30)))
    assert told["gaps"].evidence == {"gaps": 1, "longest_s": 31.0, "at_s": 599.0}


def doubted(log: Log) -> list[str]:
    return [finding.evidence["channel"] for finding in inspect(log, Protocol()) if finding.code == "unit-doubtful"]


def test_impossible_values() -> None:
    told = found(log_of(**changed("engine_coolant_temperature", slice(None), 190.0)))
    assert told["unit-doubtful"].evidence["share"] == 1


def test_celsius_read_as_fahrenheit() -> None:
    raw = PLAIN["engine_coolant_temperature"][1]
    assert doubted(log_of(engine_coolant_temperature=("degF", (raw - 32) / 1.8))) == ["engine_coolant_temperature"]
    assert doubted(log_of(engine_coolant_temperature=("degF", raw))) == []


def test_absolute_pressure_read_as_gauge_and_the_reverse() -> None:
    raw = PLAIN["intake_manifold_pressure"][1]
    assert doubted(log_of(intake_manifold_pressure=("psi gauge", raw + 101))) == ["intake_manifold_pressure"]
    assert doubted(log_of(intake_manifold_pressure=("psi", raw / 6.9 + 15))) == ["intake_manifold_pressure"]


def test_miles_and_kilometres_by_the_gears() -> None:
    # 2000 rpm at 70 km/h is 35 km/h at 1000 rpm; ten times as much, or a third, is no road vehicle.
    speed = PLAIN["vehicle_speed"][1]
    assert doubted(log_of(vehicle_speed=("km/h", speed * 2.5))) == ["vehicle_speed"]
    assert doubted(log_of(vehicle_speed=("km/h", speed * 1.2))) == []


@pytest.mark.parametrize(
    ("unit", "factor", "doubt"),
    [("km/h", 1.0, []), ("km/h", 1 / 1.609344, ["vehicle_speed"]), ("mph", 1.609344, ["vehicle_speed"])],
)
def test_miles_and_kilometres_by_the_positions(unit: str, factor: float, doubt: list[str]) -> None:
    # Due north: one degree is 111.195 km on a sphere of 6371.009 km.
    metres = np.concatenate([[0], np.cumsum(PLAIN["vehicle_speed"][1][1:] / 3.6)])
    north = {"latitude": ("°", 50 + metres / 111_195), "longitude": ("°", np.full(len(TIME), 8.0))}
    assert doubted(log_of(vehicle_speed=(unit, PLAIN["vehicle_speed"][1] * factor), **north)) == doubt


def test_a_charge_that_stays_colder_than_the_air_going_in_is_doubtful() -> None:
    cold = log_of(charge_air_temperature=("degF", -12 + np.sin(TIME / 90)))
    assert found(cold)["unit-doubtful"].evidence["hottest_c"] < found(cold)["unit-doubtful"].evidence["inlet_c"]
    assert "unit-doubtful" not in found(log_of())


@pytest.mark.parametrize(("noted_c", "told"), [(48.0, True), (20.0, False), (0.0, False), (-10.0, True), (None, False)])
def test_air_noted_far_from_what_went_in_is_doubtful(noted_c: float | None, told: bool) -> None:
    """48 was meant in °F, and -10 °C was 14 °C called °F; the inlet shows 18 to 22 °C."""
    assert [f.code for f in doubtful_ambient(log_of(), noted_c)] == ["ambient-doubtful"] * told
