"""Raw answers decoded against the published scalings of SAE J1979 (ISO 15031-5)."""

import pytest

from pullbook.reading.j1979 import SCALINGS, decode

# Source of every row, unless said: J1979-DA (OCT2011) as transcribed in public tables of its parameters, and the
# source of
# a general-purpose open-source network protocol analyser (packet dissector for these messages); both read, the
# standard's own text not. Exact: the scalings are ratios of small whole numbers, so no tolerance but for the binary
# fraction of 100 / 255.
PUBLISHED = [
    ("05 00", "Engine coolant temperature", -40),
    ("05 28", "Engine coolant temperature", 0),
    ("05 7B", "Engine coolant temperature", 83),
    ("05 FF", "Engine coolant temperature", 215),
    ("0F 28", "Intake air temperature", 0),
    ("46 28", "Ambient air temperature", 0),
    ("5C 7B", "Engine oil temperature", 83),
    ("0B 00", "Intake manifold absolute pressure", 0),
    ("0B FF", "Intake manifold absolute pressure", 255),
    ("33 65", "Barometric pressure", 101),
    ("0C 1A F8", "Engine speed", 1726),
    ("0C FF FF", "Engine speed", 16_383.75),
    ("0D FF", "Vehicle speed", 255),
    ("10 FF FF", "Mass air flow", 655.35),
    ("04 80", "Engine load", 50.196078431372548),
    ("04 FF", "Engine load", 100),
    ("11 80", "Throttle position", 50.196078431372548),
    ("43 FF FF", "Absolute load", 25_700),
    ("0E 00", "Ignition timing advance", -64),
    ("0E FF", "Ignition timing advance", 63.5),
    ("3C 00 00", "Catalyst temperature", -40),
    ("3C FF FF", "Catalyst temperature", 6513.5),
    ("42 FF FF", "Control module voltage", 65.535),
]


@pytest.mark.parametrize(("answer", "signal", "expected"), PUBLISHED)
def test_scaling(answer: str, signal: str, expected: float) -> None:
    answers = decode([f"12.345 41 {answer}"])
    assert answers.signals == [signal]
    assert answers.numbers[0] == pytest.approx(expected, abs=1e-9)


def test_one_degree_and_0_392_percent_steps() -> None:
    # Resolution: 1 degC per bit, 100 / 255 % per bit; same sources.
    assert SCALINGS[0x05].value([1]) - SCALINGS[0x05].value([0]) == 1
    assert SCALINGS[0x04].value([1]) - SCALINGS[0x04].value([0]) == pytest.approx(0.39216, abs=1e-5)


def test_charge_air_cooler_temperature_leaves_absent_sensors_out() -> None:
    # Name and length of five bytes: J1979-DA in public tables. The order of bytes and bits is FROM MEMORY and not
    # verified; see the comment in pullbook.reading.j1979.
    answers = decode(["1.0 41 77 01 5A 00 00 00"])
    assert answers.signals == ["Charge air cooler temperature"]
    assert answers.numbers == [50]
    assert [finding.code for finding in answers.findings] == ["cooler-bytes-unverified"]
