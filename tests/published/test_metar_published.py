"""METAR and pressure reduction against published reports, values and formulas."""

import pytest

from pullbook.reading.metar import HPA_PER_INHG, icao_station_hpa, smithsonian_station_hpa, weather_from_metar

REPORTS = [
    # ICAO Annex 3, example of a METAR (text from memory).
    ("METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018", 17, 16, 1018, 4),
    # United States ASOS guide and FMH-1, example (from memory): the T group in the remarks has tenths.
    (
        "METAR KABC 121755Z AUTO 21016G24KT 180V240 1SM R11/P6000FT -RA BR BKN015 OVC025 06/04 A2990 RMK AO2 "
        "SLP125 T00640036",
        6.4,
        3.6,
        1012.53,
        8.2311,
    ),
    # Reports in the tests of the CRAN package pmetar, with its expected pressures (read).
    ("EPWA 281830Z 18009KT 140V200 9999 SCT037 03/M01 Q1008 NOSIG", 3, -1, 1008, 4.63),
    ("CYUL 281800Z 13008KT 30SM BKN240 01/M06 A3005", 1, -6, 1017.61, 4.1156),
    ("KDCA 281752Z 14012KT 10SM 14/12 A2978 RMK AO2 P0002 T01390122", 13.9, 12.2, 1008.47, 6.1733),
]


@pytest.mark.parametrize(("report", "temperature_c", "dew_point_c", "hpa", "wind_ms"), REPORTS)
def test_report(report: str, temperature_c: float, dew_point_c: float, hpa: float, wind_ms: float) -> None:
    weather = weather_from_metar(report)
    assert weather.temperature_c == pytest.approx(temperature_c, abs=1e-9)
    assert weather.dew_point_c == pytest.approx(dew_point_c, abs=1e-9)
    # 0.02 hPa: the published pressures have two decimals.
    assert weather.pressure_kpa == pytest.approx(hpa / 10, abs=0.002)
    # Knots of exactly 1852 m an hour; 0.001 m/s covers factors rounded to four digits.
    assert weather.wind_ms == pytest.approx(wind_ms, abs=0.001)


@pytest.mark.parametrize(
    ("altimeter_hpa", "altitude_m", "expected"),
    [
        # MetPy, tests/calc/test_basic.py, after Smithsonian Meteorological Tables (1951), p. 269 (read; two re-run).
        (29.8 * HPA_PER_INHG, 500, 950.96498),
        (1000, 2000, 784.262996),
        (1005, 1500, 838.651657),
        (1010, 1000, 896.037821),
        (1013, 500, 954.639265),
    ],
)
def test_smithsonian(altimeter_hpa: float, altitude_m: float, expected: float) -> None:
    # 1e-3 hPa: the inch of mercury is known to seven digits.
    assert smithsonian_station_hpa(altimeter_hpa=altimeter_hpa, altitude_m=altitude_m) == pytest.approx(
        expected, abs=1e-3
    )


@pytest.mark.parametrize(
    ("qnh_hpa", "altitude_m", "expected"),
    [(1013.25, 500, 954.608), (1018, 100, 1005.999), (1030, 300, 993.999)],
)
def test_icao(qnh_hpa: float, altitude_m: float, expected: float) -> None:
    # p = p0 ((QNH / p0)^n - L h / T0)^(1/n), n = 0.190263, ICAO standard atmosphere, recomputed from that formula.
    # 0.01 hPa: n is rounded to six digits.
    assert icao_station_hpa(qnh_hpa=qnh_hpa, altitude_m=altitude_m) == pytest.approx(expected, abs=0.01)


def test_icao_leaves_sea_level_unchanged_and_smithsonian_adds_its_term() -> None:
    assert icao_station_hpa(qnh_hpa=1020, altitude_m=0) == pytest.approx(1020, abs=1e-9)
    # The two forms differ by the 0.3 mb term at sea level: a stated trap, not an error.
    assert smithsonian_station_hpa(altimeter_hpa=1020, altitude_m=0) == pytest.approx(1020.3, abs=1e-9)


@pytest.mark.parametrize(("temperature", "dew_point", "percent"), [("17", "16", 93.84), ("25", "12", 44.30)])
def test_relative_humidity(temperature: str, dew_point: str, percent: float) -> None:
    # MetPy 1.7.1 (run). 0.1 %: the two use different formulas of the saturation pressure.
    weather = weather_from_metar(f"EPWA 281830Z 18009KT {temperature}/{dew_point} Q1008")
    assert weather.humidity == pytest.approx(percent / 100, abs=0.001)
