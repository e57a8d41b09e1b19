"""The air outside from a METAR: what is missing is said, what is no report is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullbook import PullbookError
from pullbook.reading.metar import weather_from_metar

REPORT = "METAR EPWA 281830Z 18009KT 9999 SCT037 03/M01 Q1008 NOSIG="


def test_altitude_lowers_the_pressure_and_its_absence_is_told() -> None:
    sea = weather_from_metar(REPORT)
    high = weather_from_metar(REPORT, altitude_m=500)
    assert [finding.code for finding in sea.findings] == ["pressure-at-sea-level"]
    assert not high.findings
    assert sea.pressure_kpa == 100.8
    assert 94.5 < high.pressure_kpa < 95.5
    assert high.station == "EPWA"


def test_a_group_and_q_group_are_reduced_each_its_own_way() -> None:
    q = weather_from_metar("KABC 121755Z 21016KT 06/04 Q1013", altitude_m=500)
    a = weather_from_metar("KABC 121755Z 21016KT 06/04 A2991", altitude_m=500)
    assert q.pressure_kpa == pytest.approx(a.pressure_kpa, abs=0.05)
    assert q.pressure_kpa != a.pressure_kpa


def test_what_is_missing_is_none_and_told() -> None:
    dry = weather_from_metar("EPWA 281830Z 18009KT 9999 Q1008", altitude_m=100)
    assert (dry.temperature_c, dry.dew_point_c, dry.humidity) == (None, None, None)
    assert [finding.code for finding in dry.findings] == ["metar-without-temperature"]
    airless = weather_from_metar("EPWA 281830Z 9999 03/M01")
    assert (airless.pressure_kpa, airless.wind_ms) == (None, None)
    assert [finding.code for finding in airless.findings] == ["metar-without-pressure"]


@pytest.mark.parametrize(
    "text",
    ["", "sunny, about 15 degrees", "EPWA", "METAR EPWA 281830Z", "EPWA 991830Z 18009KT", REPORT * 100],
    ids=lambda text: text[:20],
)
def test_no_report(text: str) -> None:
    with pytest.raises(PullbookError, match=r"METAR EPWA .*ambient_c"):
        weather_from_metar(text)


def test_impossible_figures_are_refused() -> None:
    with pytest.raises(PullbookError, match=r"Q0200 .*200 hPa.*850 to 1090 hPa"):
        weather_from_metar("EPWA 281830Z 18009KT 03/M01 Q0200")
    with pytest.raises(PullbookError, match=r"altitude_m .*9000.*-500 to 5000 m"):
        weather_from_metar(REPORT, altitude_m=9000)


groups = st.sampled_from(
    [
        "METAR",
        "EPWA",
        "281830Z",
        "18009KT",
        "/////KT",
        "9999",
        "M05/M10",
        "03/M01",
        "99/99",
        "Q1008",
        "A2992",
        "Q////",
        "RMK",
        "T00640036",
        "=",
        "TEMPO",
    ]
)


@given(st.one_of(st.lists(groups, max_size=14).map(" ".join), st.text(max_size=80)))
def test_any_text_gives_weather_or_a_refusal(text: str) -> None:
    try:
        weather = weather_from_metar(text, altitude_m=300)
    except PullbookError as refusal:
        said = str(refusal)
    else:
        assert weather.temperature_c is not None or weather.pressure_kpa is not None
        assert weather.humidity is None or 0 <= weather.humidity <= 1
        return
    assert said.startswith("metar: ")
