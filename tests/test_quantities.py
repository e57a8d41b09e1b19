"""Units as typed and as shown: an offset for a temperature, none for a difference, everywhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullbook.quantities import _TYPED, _US, METRIC, US, odometer_typed, typed

# Definitions: 0 °C is 32 °F and 100 °C is 212 °F; a mile is 1.609344 km, a foot 0.3048 m, a pound 0.45359237 kg;
# 1 psi is 6.894757 kPa, 1 inHg 3.386389 kPa, 1 hp 745.6999 W (NIST SP 811, from memory).
SHOWN = [
    (100.0, "°C", 212.0, "°F"), (-40.0, "°C", -40.0, "°F"), (2.0, "K", 3.6, "°F"), (0.0, "K", 0.0, "°F"),
    (160.9344, "km/h", 100.0, "mph"), (6.894757, "kPa", 1.0, "psi"), (1013.25, "hPa", 29.921252, "inHg"),
    (4.4704, "m/s", 10.0, "mph"), (1.609344, "km", 1.0, "mi"), (0.3048, "m", 1.0, "ft"), (0.7456999, "kW", 1.0, "hp"),
    (7.5598728, "g/s", 1.0, "lb/min"), (16.018463, "kg/m³", 1.0, "lb/ft³"), (0.4, "K/K", 0.4, "°F/°F"),
    (1.0, "K/min", 1.8, "°F/min"), (1.0, "K per km/h", 2.8968192, "°F per mph"), (5.0, "s", 5.0, "s"),
    (3.0, "%", 3.0, "%"), (0.7, "1", 0.7, "1"), (10.0, "rpm per km/h", 16.09344, "rpm per mph"),
    (2.0, "K per 1000 km", 5.7936384, "°F per 1000 mi"), (68.94757, "kPa absolute", 10.0, "psi absolute"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "unit", "expected", "shown"), SHOWN)
def test_a_figure_in_us_units(value, unit, expected, shown):
    assert US.value(value, unit) == pytest.approx(expected, rel=1e-6, abs=1e-12)
    assert US.unit(unit) == shown
    assert METRIC.value(value, unit) == value
    assert METRIC.unit(unit) == unit


@pytest.mark.parametrize("text", ["61,250 miles", "61250 mi", "61 250 miles", "61'250 mi"])
def test_an_odometer_may_part_its_thousands(text):
    assert odometer_typed(text) == pytest.approx(61250 * 1.609344)


@pytest.mark.parametrize("text", ["61.250 miles", "61.250 km", "1.061.250 km"])
def test_a_point_that_may_part_thousands_is_refused(text):
    with pytest.raises(ValueError, match=r"may be (10)?61250 or"):
        odometer_typed(text)


def test_an_array_is_converted_and_not_touched():
    degrees = np.array([0.0, 100.0])
    assert US.value(degrees, "°C").tolist() == [32.0, 212.0]
    assert degrees.tolist() == [0.0, 100.0]


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        ("14 °C before, 2 K colder", "57 °F before, 3.6 °F colder"),
        ("20 ± 1 °C", "68.0 ± 1.8 °F"),
        ("-5 °C", "23 °F"),
        ("−20 °C", "−4 °F"),
        ("anywhere from -8.5 to +4.2 K", "anywhere from -15.3 to +7.6 °F"),
        ("40–110 km/h", "25–68 mph"),
        ("lifted at 98 km/h, before 110 km/h", "lifted at 61 mph, before 68 mph"),
        ("0.15 ± 0.02 K per km/h", "0.435 ± 0.058 °F per mph"),
        ("up to 1,200 m", "up to 3,937 ft"),
        ("the column 'Boost 5 kPa' you'd read as 5 kPa", "the column 'Boost 5 kPa' you'd read as 0.73 psi"),
        ("3 m/s², 5 %, 2 s, p = 0.05, 4 sessions", "3 m/s², 5 %, 2 s, p = 0.05, 4 sessions"),
        ("ambient_c: 14.0", "ambient_c: 14.0"),
        ("time from 64.37 to 96.56 km/h", "time from 40 to 60 mph"),
    ],
)
def test_a_sentence_in_us_units(metric, us):
    assert US.text(metric) == us
    assert METRIC.text(metric) == metric


@pytest.mark.parametrize(
    ("given", "unit", "value"),
    [
        ("45 mph", "km/h", 72.42), ("60 °F", "°C", 15.5555556), ("60F", "°C", 15.5555556),
        ("60 deg F", "°C", 15.5555556), ("3.6 °F", "K", 2.0), ("2 °C", "K", 2.0),
        ("293.15 K", "°C", 20.0), ("29.92 inHg", "hPa", 1013.2076),
        ("5000 ft", "m", 1524.0), ("10 mph", "m/s", 4.4704), ("90000 miles", "km", 144840.96), ("90", "km/h", 90.0),
        ("4,5", "km/h", None), ("45 psi", "km/h", None), ("fast", "km/h", None), ("", "km/h", None),
        ("3.6 °F", "1", None), (90, "km/h", 90), (None, "km/h", None), ([1], "km/h", [1]),
    ],
)  # fmt: skip
def test_a_typed_setting(given, unit, value):
    if value is None and isinstance(given, str):
        with pytest.raises(ValueError, match="given"):
            typed(given, unit)
    else:
        assert typed(given, unit) == (pytest.approx(value, rel=1e-6) if isinstance(value, float) else value)


@given(value=st.floats(-1000, 1000), unit=st.sampled_from([unit for unit in _US if unit in _TYPED]))
def test_what_is_shown_can_be_typed_again(value, unit):
    shown = US.unit(unit)
    assert typed(f"{US.value(value, unit)!r} {shown}", unit) == pytest.approx(value, rel=1e-3, abs=5e-3)
