"""Where the one intake temperature sits, engines without boost, water-cooled charge, and suggestions that fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from helpers.odd_logs import rounded, write
from pullbook import read_log
from pullbook.reading.headers import parse_header
from pullbook.reading.logs import missing_channel
from pullbook.reading.sensor_place import engine_findings
from pullbook.reading.suggestions import suggested_channels
from pullbook.reading.units import guess_unit

BASE = {
    "Time (s)": lambda _, now: f"{now['t']:.2f}",
    "Speed (km/h)": rounded("vehicle_speed"),
    "MAP (kPa)": rounded("intake_manifold_pressure"),
}
RNG = np.random.default_rng(4)


def codes(*logs) -> dict[str, object]:
    return {f.code: f for f in engine_findings({f"before-{k}": log for k, log in enumerate(logs)})}


@pytest.mark.parametrize(
    ("channel", "looks"),
    [("charge_air_temperature", "after the cooler"), ("intake_air_temperature", "before the compressor")],
)
@pytest.mark.parametrize("ambient_c", [5.0, 30.0])
def test_the_one_intake_temperature_is_judged_by_what_it_does_under_boost(tmp_path, channel, looks, ambient_c) -> None:
    log = read_log(write(tmp_path / "a.csv", {**BASE, "IAT (°C)": rounded(channel)}, ambient_c=ambient_c))
    finding = codes(log)["which-intake-temperature"]
    assert finding.evidence["looks"] == looks
    assert finding.evidence["spells"] >= 4
    assert 'charge_air_temperature: {column: "IAT (°C)"}' in finding.message
    assert 'intake_air_temperature: {column: "IAT (°C)"}' in finding.message
    assert "ambient_c" in finding.message


def test_what_the_person_settled_is_not_asked_again(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", {**BASE, "IAT (°C)": rounded("charge_air_temperature")})
    log = read_log(path, channels={"charge_air_temperature": ("IAT (°C)", None)})
    assert log.get("intake_air_temperature") is None
    assert not codes(log)
    assert not engine_findings({"a": read_log(path)}, settled=["intake_air_temperature"])


def test_without_boost_the_place_stays_open(tmp_path: Path) -> None:
    def gentle(_, now):
        return round(min(now["intake_manifold_pressure"], 112.0))  # a turbo that was never asked for more

    columns = {**BASE, "MAP (kPa)": gentle, "IAT (°C)": rounded("charge_air_temperature")}
    finding = codes(read_log(write(tmp_path / "a.csv", columns)))["which-intake-temperature"]
    assert (finding.evidence["looks"], finding.evidence["spells"]) == ("unclear", 0)


def test_an_engine_that_never_makes_boost_is_named_with_what_can_be_asked(tmp_path: Path) -> None:
    def plain(_, now):
        return round(min(now["intake_manifold_pressure"], 100.0))

    log = read_log(
        write(tmp_path / "a.csv", {**BASE, "MAP (kPa)": plain, "IAT (°C)": rounded("intake_air_temperature")})
    )
    found = codes(log)
    assert set(found) == {"no-boost"}
    assert "peak_coolant" in found["no-boost"].message
    assert "elapsed_s" in found["no-boost"].message


def test_the_water_of_a_charge_cooler_is_no_charge_temperature(tmp_path: Path) -> None:
    columns = {
        **BASE,
        "Charge air temp (°C)": rounded("charge_air_temperature"),
        "IAT (°C)": rounded("intake_air_temperature"),
        "Intercooler water temp (°C)": rounded("engine_coolant_temperature", 1.0, 0.4),
    }
    log = read_log(write(tmp_path / "a.csv", columns))
    assert set(codes(log)) == {"water-cooled-charge"}
    assert log.need("charge_air_temperature").column == "Charge air temp (°C)"
    assert "engine_coolant_temperature" not in log.signals
    del columns["Charge air temp (°C)"]
    message = missing_channel(read_log(write(tmp_path / "b.csv", columns)), "charge_air_temperature")
    assert '{column: "Intercooler' not in message


def walk(low: float, high: float, turns: int, step: float = 1.0) -> np.ndarray:
    """Return a signal that goes up and down between two values so many times."""
    values = low + (high - low) * (1 - np.cos(np.linspace(0, turns * np.pi, 2000))) / 2
    return step * np.round(values / step)


@pytest.mark.parametrize(
    ("header", "values", "resolution", "first"),
    [
        ("Charge sensor [V]", walk(0.5, 4.5, 20, 0.02), 0.02, None),
        ("Charge sensor", walk(0.5, 4.5, 20, 0.02), 0.02, None),
        ("SOC [%]", walk(40, 80, 3), 1.0, None),
        ("State of charge [%]", walk(40, 80, 3), 1.0, None),
        ("Display 4 [%]", walk(40, 80, 3), 1.0, None),
        ("Right foot [%]", walk(14, 78, 40), 0.4, "accelerator_position"),
        ("Battery temp [°C]", walk(20, 45, 2), 1.0, None),
        ("Low temperature circuit water [°C]", walk(25, 60, 12), 1.0, "engine_coolant_temperature"),
        ("Charge cooler water [°C]", walk(25, 60, 12), 1.0, None),
        ("Air 2 [°C]", walk(25, 60, 12), 1.0, "intake_air_temperature"),
        ("Fuel level [%]", walk(50, 55, 4), 0.4, None),
        ("B+ 12", walk(11.8, 14.6, 9, 0.1), 0.1, None),
        ("Oil temperature sensor B [kPa]", walk(300, 400, 9), 1.0, None),
    ],
)
def test_only_what_fits_by_unit_and_values_is_suggested(header, values, resolution, first) -> None:
    found = suggested_channels(parse_header(header), values, resolution)
    assert (found[0] if found else None) == first


@pytest.mark.parametrize(
    ("channel", "values", "unit"),
    [
        ("engine_coolant_temperature", np.full(900, 89.0), "degC"),  # 89 °F is 32 °C: no warm engine
        ("engine_coolant_temperature", np.full(900, 192.0), "degF"),
        ("engine_coolant_temperature", np.linspace(50, 120, 900), "degF"),  # warming up, from 10 to 49 °C
        ("engine_oil_temperature", np.full(900, 98.0), "degC"),
        ("ambient_air_temperature", np.full(900, 20.0), "degC"),  # beside an inlet of 29 °C
        ("ambient_air_temperature", np.full(900, 68.0), "degF"),
        ("ambient_air_temperature", np.full(900, 45.0), "degF"),
        ("charge_air_temperature", walk(31, 58, 9), "degC"),
        ("charge_air_temperature", walk(90, 140, 9), "degF"),
    ],
)
def test_a_unitless_column_beside_fahrenheit_is_checked_against_what_it_can_be(channel, values, unit) -> None:
    assert guess_unit(channel, np.asarray(values, dtype=float), fahrenheit=True, air_c=29.4).name == unit


def test_coolant_of_89_in_a_log_of_fahrenheit(tmp_path: Path) -> None:
    columns = {
        **BASE,
        "IAT (°F)": rounded("intake_air_temperature", 1.0, 1.8, 32),
        "Charge air temp (°F)": rounded("charge_air_temperature", 1.0, 1.8, 32),
        "Coolant temp": lambda *_: 89,
    }
    log = read_log(write(tmp_path / "a.csv", columns))
    assert log.need("engine_coolant_temperature").unit == "degC"
    assert log.need("engine_coolant_temperature").values[0] == 89
    assert any("Coolant temp" in f.message and "degF" in f.message for f in log.findings if f.code == "unit-assumed")
