"""The air outside from a METAR, the hourly report of the nearest aerodrome, as text.

Temperature and dew point as reported; station pressure from the altimeter setting: a Q group by the ICAO standard
atmosphere, an A group by the Smithsonian form, which each group is made with.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass

from pullbook.errors import ExperimentError, Finding
from pullbook.physics.air import saturation_vapour_pressure_pa

HPA_PER_INHG = 33.86389  # 1 inch of mercury at 0 °C; NIST SP 811 (2008), appendix B.8 (from memory)
LOWEST_M, HIGHEST_M = -500.0, 5000.0
SETTINGS_HPA = (850.0, 1090.0)  # what has been seen at sea level, and a little more

# ICAO standard atmosphere (Doc 7488, ISO 2533): sea-level temperature and pressure, lapse rate, and n = R * lapse
# rate / g.
_T0_K = 288.15
_P0_HPA = 1013.25
_LAPSE_K_M = 0.0065
_N = 0.190263

# Smithsonian Meteorological Tables (1951), p. 269: a base of 288 K, and 0.3 mb added.
_SMITHSONIAN_T0_K = 288.0
_SMITHSONIAN_N = 8.314462618 / 0.02896546 * _LAPSE_K_M / 9.80665  # R (CODATA 2018) / M of dry air (CIPM-2007) * L / g
_SMITHSONIAN_TERM_HPA = 0.3
_LONGEST = 2000  # characters; reports have a few hundred, and the reader of a longer text slows down without end


@dataclass(frozen=True, kw_only=True)
class Weather:
    """The air outside; None where the report does not say.

    Attributes
    ----------
    station : str or None
        Four letters of the aerodrome.
    temperature_c, dew_point_c : float or None
        [°C]
    pressure_kpa : float or None
        At the altitude given [kPa]; at sea level if none was given (then a finding says so).
    wind_ms : float or None
        Mean wind [m/s].
    humidity : float or None
        Relative humidity, 0 to 1.
    findings : tuple of Finding
    """

    station: str | None
    temperature_c: float | None
    dew_point_c: float | None
    pressure_kpa: float | None
    wind_ms: float | None
    humidity: float | None
    findings: tuple[Finding, ...]


def weather_from_metar(text: str, *, altitude_m: float | None = None) -> Weather:
    """Read a METAR.

    Parameters
    ----------
    text : str
        One report, such as ``METAR EPWA 281830Z 18009KT 9999 SCT037 03/M01 Q1008``.
    altitude_m : float, optional
        Where the drive was [m above sea level]; -500 to 5000.

    Returns
    -------
    Weather

    Raises
    ------
    ExperimentError
        When the text is no METAR, holds neither temperature nor pressure, or the altitude is outside its bounds.

    Notes
    -----
    Temperatures are reported to the whole °C (tenths in the remarks of some countries, then those are taken); QNH to
    the whole hPa, rounded down (WMO-No. 306, FM 15, from memory).

    Examples
    --------
    A report and what the tests of a published reader of METARs expect of it: 3 and -1 °C, 4.63 m/s, 1008 hPa.

    >>> from pullbook.reading.metar import weather_from_metar
    >>> weather = weather_from_metar("EPWA 281830Z 18009KT 140V200 9999 SCT037 03/M01 Q1008 NOSIG", altitude_m=0)
    >>> weather.temperature_c, weather.dew_point_c, round(weather.wind_ms, 2), round(weather.pressure_kpa, 2)
    (3.0, -1.0, 4.63, 100.8)
    """
    from metar.Metar import Metar, ParserError  # only where a report was given

    if altitude_m is not None and not -500 <= altitude_m <= 5000:
        raise ExperimentError(f"altitude_m is {altitude_m:g} m. Allowed: -500 to 5000 m")
    if len(text) > _LONGEST:
        raise _no_metar(text, f"{len(text)} characters, where one report has at most {_LONGEST}")
    report = " ".join(text.split()).rstrip("=")
    try:
        # Not strict: groups that are not known must not hide those that are. It warns of them all the same.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            parsed = Metar(report, strict=False)
    except (ParserError, ValueError, TypeError, AttributeError, KeyError, IndexError) as error:
        raise _no_metar(report, str(error)) from None
    temperature = parsed.temp.value("C") if parsed.temp else None
    dew_point = parsed.dewpt.value("C") if parsed.dewpt else None
    pressure_hpa, findings = _station_pressure(report, altitude_m)
    if temperature is None and pressure_hpa is None:
        raise _no_metar(report, "no temperature and no pressure found")
    if temperature is None:
        findings.append(_missing("metar-without-temperature", "temperature", "ambient_c"))
    return Weather(
        station=parsed.station_id,
        temperature_c=temperature,
        dew_point_c=dew_point,
        pressure_kpa=None if pressure_hpa is None else pressure_hpa / 10,
        wind_ms=parsed.wind_speed.value("MPS") if parsed.wind_speed else None,
        humidity=None if temperature is None or dew_point is None else _humidity(temperature, dew_point),
        findings=tuple(findings),
    )


def icao_station_hpa(*, qnh_hpa: float, altitude_m: float) -> float:
    """Return the pressure at a place from the QNH there.

    Parameters
    ----------
    qnh_hpa : float
        Altimeter setting [hPa].
    altitude_m : float
        Above sea level [m].

    Returns
    -------
    float
        Pressure there [hPa].

    Notes
    -----
    The inverse of how a QNH is made: up in the ICAO standard atmosphere (Doc 7488, ISO 2533) from sea level with that
    pressure.
    """
    return float(((qnh_hpa / _P0_HPA) ** _N - _LAPSE_K_M * altitude_m / _T0_K) ** (1 / _N) * _P0_HPA)


def smithsonian_station_hpa(*, altimeter_hpa: float, altitude_m: float) -> float:
    """Return the pressure at a place from the altimeter setting of an A group.

    Parameters
    ----------
    altimeter_hpa : float
        Altimeter setting [hPa].
    altitude_m : float
        Above sea level [m].

    Returns
    -------
    float
        Pressure there [hPa].

    References
    ----------
    Smithsonian Meteorological Tables (1951), p. 269, with the term of 0.3 mb.

    Examples
    --------
    The general-purpose meteorological library MetPy has 784.263 hPa in its tests.

    >>> from pullbook.reading.metar import smithsonian_station_hpa
    >>> round(smithsonian_station_hpa(altimeter_hpa=1000, altitude_m=2000), 2)
    784.26
    """
    n = _SMITHSONIAN_N
    lowered = altimeter_hpa**n - _P0_HPA**n * _LAPSE_K_M * altitude_m / _SMITHSONIAN_T0_K
    return float(lowered ** (1 / n) + _SMITHSONIAN_TERM_HPA)


def _station_pressure(report: str, altitude_m: float | None) -> tuple[float | None, list[Finding]]:
    body = report.split(" RMK")[0]
    if group := re.search(r"\bQ(\d{4})\b", body):
        setting = float(group[1])
    elif group := re.search(r"\bA(\d{4})\b", body):
        setting = float(group[1]) / 100 * HPA_PER_INHG
    else:
        return None, [_missing("metar-without-pressure", "pressure", "pressure_hpa")]
    low, high = SETTINGS_HPA
    if not low <= setting <= high:
        raise ExperimentError(
            f"metar: the group {group[0]} means {setting:.0f} hPa. Allowed: {low:g} to {high:g} hPa. Check the text."
        )
    if altitude_m is None:
        return setting, [_altitude_missing()]
    if group[0].startswith("Q"):
        return icao_station_hpa(qnh_hpa=setting, altitude_m=altitude_m), []
    return smithsonian_station_hpa(altimeter_hpa=setting, altitude_m=altitude_m), []


def _humidity(temperature_c: float, dew_point_c: float) -> float:
    """Return relative humidity, 0 to 1: the vapour pressure at the dew point over that at the temperature."""
    ratio = saturation_vapour_pressure_pa(temperature_c=dew_point_c) / saturation_vapour_pressure_pa(
        temperature_c=temperature_c
    )
    return min(1.0, float(ratio))


def _no_metar(report: str, why: str) -> ExperimentError:
    return ExperimentError(
        f"metar: {report[:60]!r} cannot be read ({' '.join(why.split())[:120]}). Allowed: one report such as "
        "'METAR EPWA 281830Z 18009KT 9999 SCT037 03/M01 Q1008'. Copy it whole, or give ambient_c and pressure_hpa."
    )


def _altitude_missing() -> Finding:
    return Finding(
        code="pressure-at-sea-level",
        severity="warning",
        message=(
            "The report's pressure is for sea level, and your altitude is not known. Pressure falls by about 1.2 kPa "
            "every 100 m. If you drove well above sea level, give altitude_m or pressure_hpa for the session."
        ),
    )


def _missing(code: str, what: str, key: str) -> Finding:
    return Finding(
        code=code,
        severity="note",
        message=f"The report gives no {what}. If you know it, give {key} for the session.",
    )
