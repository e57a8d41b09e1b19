"""Which column is which channel: many wordings, several languages, and what must not be taken."""

from typing import get_args

import numpy as np
import pytest

from pullbook.reading.channels import assign, closest_channels
from pullbook.reading.headers import parse_header
from pullbook.reading.suggestions import POSITIONS, USUAL
from pullbook.reading.units import CHANNELS, PLAUSIBLE, POSSIBLE, guess_unit, looks_gauge, parse_unit, unit_for
from pullbook.reading.vocabulary import english, mend_encoding
from pullbook.settings.experiment import Sensor

WORDINGS = {
    "vehicle_speed": "Скорость автомобиля, км/ч"
    "|Vehicle Speed|Speed (km/h)|VSS|speed_kmh|VehicleSpeed|GPS speed (mph)|Road speed [mph]"
    "|Geschwindigkeit|Fahrzeuggeschwindigkeit [km/h]|Vitesse véhicule (km/h)|Velocidad del vehículo|Velocità veicolo"
    "|Snelheid (km/h)|Voertuigsnelheid|Velocidade do veículo (km/h)|Prędkość pojazdu (km/h)|Rychlost vozidla"
    "|Fordonshastighet|Hastighed (km/t)|Speed (GPS) (km/h)|Vehicle speed/km/h"
    "|v_Fzg [km/h]|Vehicle speed {km/h}",
    "engine_speed": "Обороты двигателя, об/мин"
    "|Engine RPM|RPM|Engine speed|Drehzahl|Motordrehzahl [1/min]|Régime moteur (tr/min)"
    "|Revoluciones del motor|Giri motore|Toerental|Rotação do motor (rpm)|Prędkość obrotowa silnika (obr/min)"
    "|Otáčky motoru|Motorvarvtal|Motoromdrejninger|Engine speed (x1000 rpm)|n_Mot [1/min]|Engine speed (min⁻¹)",
    "intake_air_temperature": "Температура воздуха на впуске, °C"
    "|IAT|Intake air temp|Air intake temperature|IAT1 (°C)|Inlet temp|intakeAirTemp_C"
    "|Compressor inlet temperature|T_AIR_IN [°C]|Intake air temperature (°)"
    "|Ansauglufttemperatur|Ansaugluft-Temperatur [°C]|Température air admission"
    "|Température d'air d'admission (°C)|Temperatura del aire de admisión|Temperatura aria aspirata"
    "|Inlaatluchttemperatuur|Temperatura do ar de admissão|Temperatura powietrza dolotowego"
    "|Teplota nasávaného vzduchu|Insugningsluftens temperatur|Indsugningsluft temperatur",
    "charge_air_temperature": "Температура наддувочного воздуха"
    "|Charge air temp|CAC out|CACT|CAC temp|Intercooler outlet temp|Post-intercooler temp"
    "|Intake manifold temperature|Manifold air temp|Boost temp|Ladelufttemperatur|Ladeluft-Temperatur nach Kühler"
    "|Température d'air de suralimentation|Temperatura aire de sobrealimentación|Temperatura aria sovralimentazione"
    "|Laadluchttemperatuur|Temperatura do ar após intercooler|Temperatura powietrza doładowującego za intercoolerem"
    "|Teplota plnicího vzduchu za chladičem|T_LL [°C]|Laddluftens temperatur efter laddluftkylare",
    "compressor_outlet_temperature": "Температура наддувочного воздуха до охладителя"
    "|Compressor outlet temp|Intercooler inlet temp|Charge air temp before cooler"
    "|Turbo outlet temp|Ladelufttemperatur vor Kühler|Temperatura powietrza doładowującego przed chłodnicą",
    "engine_coolant_temperature": "Температура охлаждающей жидкости, °С"
    "|ECT|Coolant temp|Water temp|Engine Coolant Temperature|Coolant|Kühlmitteltemperatur"
    "|Kuehlmitteltemperatur|Kühlwassertemperatur|Température liquide de refroidissement|Température d'eau"
    "|Temperatura del refrigerante|Temperatura liquido di raffreddamento|Temperatura acqua|Koelvloeistoftemperatuur"
    "|Temperatura płynu chłodzącego|Teplota chladicí kapaliny|Kylvätsketemperatur|Kølevæsketemperatur",
    "ambient_air_temperature": "Температура окружающего воздуха"
    "|Ambient temp|Outside temperature|AAT|T_Ambient [degC]|Außentemperatur"
    "|Umgebungstemperatur"
    "|Température extérieure|Temperatura ambiente|Temperatura esterna|Buitentemperatuur",
    "engine_oil_temperature": "Температура масла"
    "|Oil temp|EOT|Öltemperatur|Température huile|Temperatura aceite|Temperatura olio"
    "|Olietemperatuur",
    "exhaust_gas_temperature": "EGT|Exhaust gas temperature bank 1|Abgastemperatur",
    "intake_manifold_pressure": "Давление во впускном коллекторе, кПа"
    "|MAP|Boost|Boost pressure|Intake manifold absolute pressure (kPa)|Boost psi gauge"
    "|Ladedruck|Ladedruck Ist|Saugrohrdruck|Pression de suralimentation|Pression turbo|Presión del turbo"
    "|Presión de sobrealimentación|Pressione sovralimentazione|Laaddruk",
    "barometric_pressure": "Baro|Barometric pressure|Atmospheric pressure|Ambient pressure|Luftdruck"
    "|Pression atmosphérique|Presión atmosférica|Pressione atmosferica|Luchtdruk",
    "air_mass_flow": "MAF|Mass air flow rate|Air flow (g/s)|Luftmasse [g/s]|Luftmassenstrom|Débit massique d'air"
    "|Portata aria massa|Luchtmassa",
    "accelerator_position": "Положение педали газа, %"
    "|Accelerator pedal position D|Accelerator Pedal Position F|APP|Pedal|Throttle pedal"
    "|Gaspedal|Gaspedalstellung [%]|Fahrpedal|Pédale d'accélérateur|Posición del pedal acelerador"
    "|Posizione pedale acceleratore|Gaspedaal",
    "throttle_position": "Throttle|TPS|Throttle position|Drosselklappenstellung|Position papillon|Posición mariposa"
    "|Posizione farfalla",
    "engine_load": "Load|Calculated engine load|Absolute load|Motorlast|Charge moteur (%)|Carga del motor|Carico motore"
    "|Motorbelasting",
    "latitude": "lat|Latitude",
    "longitude": "lon|Longitude",
    "altitude": "Altitude (m)|GPS altitude|Höhe",
}
NOT_A_READING = (
    "Desired boost|Boost target|Commanded boost pressure|Ladedruck Soll|Ladedruck (Sollwert)|Ladelufttemperatur Soll"
    "|Consigne pression turbo|Commanded throttle actuator|Target idle speed|Cruise set speed|Speed limiter"
    "|Boost air temp (modelled)|MAP voltage (V)|ECT sensor voltage [V]|Boost control duty (%)|Charge status"
)
ELSEWHERE = (
    "Air temperature|Temperature|Fuel temperature|Catalyst temperature|Cabin temp|EGR temp|EGR mass flow|Brake pedal"
    "|Turbine speed|Turbocharger speed|Transmission output speed|Wind speed|Fan speed|Battery temperature"
    "|Charge air cooler coolant temperature|Radiator outlet coolant temp|Transmission oil temp|Engine oil pressure"
    "|Fuel rail pressure|Exhaust manifold pressure|Turbo inlet pressure|Cylinder head temp|Air mass (mg/stroke)"
    "|Engine RPM time (s)|Coolant temperature timestamp|Coolant temperature (x10 °C)|Boost pressure (0.1 kPa)"
    "|Teplota plnicího vzduchu před chladičem|Speed (GPS)"
    "|Vehicle speed (yd/s)|n_LL [1/min]|n_Turbo [1/min]"
    "|IAT2|Intake Air Temperature 2|T2|P1|Gear|Long term fuel trim|Lateral accel|Charge current (A)|Fuel level"
)


def channel_of(header: str) -> str | None:
    return next(iter(assign([parse_header(header)], {}).column), None)


def test_every_channel_has_wordings() -> None:
    assert set(WORDINGS) == set(CHANNELS)


@pytest.mark.parametrize(("channel", "wordings"), WORDINGS.items())
def test_wordings(channel: str, wordings: str) -> None:
    assert {header: channel_of(header) for header in wordings.split("|")} == dict.fromkeys(wordings.split("|"), channel)


@pytest.mark.parametrize("wordings", [NOT_A_READING, ELSEWHERE])
def test_what_must_not_be_taken(wordings: str) -> None:
    assert {header for header in wordings.split("|") if channel_of(header)} == set()


def test_wheel_speed_comes_before_position_speed() -> None:
    headers = [parse_header(text) for text in ("GPS speed [km/h]", "Vehicle speed [km/h]")]
    found = assign(headers, {})
    assert found.column["vehicle_speed"] == "Vehicle speed [km/h]"
    assert not found.rivals
    assert [header.text for header in found.unknown] == ["GPS speed [km/h]"]


def test_a_unit_behind_an_underscore_stays_whole() -> None:
    header = parse_header("IntakeManifoldPressure_kPa")
    assert channel_of(header.text) == "intake_manifold_pressure"
    assert header.unit == "kPa"


def test_what_stands_in_brackets_before_the_unit_is_a_word() -> None:
    found = assign([parse_header(text) for text in ("Speed (GPS) (km/h)", "Speed (OBD) (km/h)")], {})
    assert found.column == {"vehicle_speed": "Speed (OBD) (km/h)"}


def test_equal_columns_are_named_as_rivals() -> None:
    headers = [parse_header(f"Accelerator pedal position {letter} [%]") for letter in "DE"]
    found = assign(headers, {})
    assert found.column["accelerator_position"].endswith("D [%]")
    assert found.rivals["accelerator_position"] == ("Accelerator pedal position E [%]",)


def test_the_units_dimension_decides() -> None:
    assert channel_of("Boost [°C]") is None
    assert channel_of("Intake manifold [kPa] pressure") == "intake_manifold_pressure"
    assert channel_of("Charge air [°C] temp") == "charge_air_temperature"


def test_chosen_columns_win_over_words() -> None:
    headers = [parse_header(text) for text in ("T2", "Charge air temp [C]")]
    found = assign(headers, {"charge_air_temperature": ("T2", "degF")})
    assert found.column == {"charge_air_temperature": "T2"}
    assert found.unit["charge_air_temperature"].name == "degF"
    assert found.rivals == {"charge_air_temperature": ("Charge air temp [C]",)}


@pytest.mark.parametrize(
    ("text", "channel", "raw", "expected"),
    [
        # Factors: NIST SP 811 (2008), appendix B, from memory; each is exact or has the digits shown.
        ("degF", "charge_air_temperature", 212, 100),
        ("K", "charge_air_temperature", 300, 26.85),
        ("psi", "intake_manifold_pressure", 14.6959, 101.325),
        ("bar", "intake_manifold_pressure", 2, 200),
        ("mbar", "intake_manifold_pressure", 950, 95),
        ("inHg", "barometric_pressure", 29.92, 101.32),
        ("mph", "vehicle_speed", 60, 96.56064),
        ("x1000 rpm", "engine_speed", 2.5, 2500),
        ("m/s", "vehicle_speed", 10, 36),
        ("kts", "vehicle_speed", 10, 18.52),
        ("ft/s", "vehicle_speed", 10, 10.9728),
        ("1/s", "engine_speed", 40, 2400),
        ("kg/h", "air_mass_flow", 36, 10),
        ("lb/min", "air_mass_flow", 10, 75.59873),
        ("ft", "altitude", 1000, 304.8),
    ],
)
def test_units(text: str, channel: str, raw: float, expected: float) -> None:
    unit = unit_for(text, channel)
    assert unit is not None
    assert unit.scale * raw + unit.offset == pytest.approx(expected, abs=2e-3)


def test_gauge_and_absolute() -> None:
    assert [
        unit_for(text, "intake_manifold_pressure").gauge
        for text in ("psig", "bar gauge", "kPa rel", "psia", "bar abs", "kPa")
    ] == [True, True, True, False, False, False]
    assert parse_unit("furlongs") == ()
    assert looks_gauge(np.array([0.0, 1, 80, 120]))
    assert not looks_gauge(np.array([0.0, 0, 80, 120]))
    assert not looks_gauge(np.array([30.0, 95, 180]))
    assert not looks_gauge(np.array([np.nan]))


@pytest.mark.parametrize(
    ("channel", "values", "unit"),
    [
        ("engine_coolant_temperature", [20, 88, 92], "degC"),
        ("engine_coolant_temperature", [70, 190, 201], "degF"),
        ("engine_coolant_temperature", [290, 361], "K"),
        ("intake_air_temperature", [285, 320], "K"),
        ("intake_air_temperature", [60, 150], "degC"),
        ("intake_manifold_pressure", [30, 101, 210], "kPa"),
        ("intake_manifold_pressure", [300, 1010, 2100], "hPa"),
        ("intake_manifold_pressure", [0.3, 1.01, 2.1], "bar"),
        ("intake_manifold_pressure", [-0.7, 0, 1.1], "bar"),
        ("intake_manifold_pressure", [14.4, 14.7, 31], "psi"),
        ("intake_manifold_pressure", [-10, 0, 17], "psi"),
        ("barometric_pressure", [29], "kPa"),
        ("barometric_pressure", [14.6], "psi"),
        ("vehicle_speed", [0, 130], "km/h"),
        ("vehicle_speed", [np.nan], "km/h"),
    ],
)
def test_unit_guesses(channel: str, values: list[float], unit: str) -> None:
    assert guess_unit(channel, np.array(values, dtype=float)).name == unit


def test_other_temperatures_decide_a_doubtful_one() -> None:
    mild = np.array([60.0, 75.0])
    assert guess_unit("intake_air_temperature", mild).name == "degC"
    assert guess_unit("intake_air_temperature", mild, fahrenheit=True).name == "degF"


def test_candidates_for_an_unknown_column() -> None:
    near = closest_channels(parse_header("Air temperature [C]"))
    assert set(near) <= {c for c, (dimension, _) in CHANNELS.items() if dimension == "temperature"}
    assert "intake_air_temperature" in near


def test_words() -> None:
    assert english(["Ladelufttemperatur"]) == {"charge", "air", "temperature"}
    assert english(["IAT2"]) == {"intake", "air", "temperature", "2"}
    assert english(["Zündwinkel"]) == {"zundwinkel"}
    assert mend_encoding("Temp [Â°C]") == "Temp [°C]"
    assert mend_encoding("KÃ¼hlmittel") == "Kühlmittel"
    assert mend_encoding("Â° Ω") == "° Ω"


def test_a_new_channel_is_named_wherever_a_channel_has_to_be() -> None:
    """What the How-to of DEVELOPERS.md lists; a pedal or a load is no sensor that somebody refits."""
    places = {channel for channel, (dimension, _) in CHANNELS.items() if dimension in ("angle", "length")}
    pedals = {channel for channel, (dimension, _) in CHANNELS.items() if dimension == "percentage"}
    assert PLAUSIBLE.keys() == CHANNELS.keys()
    assert {dimension for dimension, _ in CHANNELS.values()} == POSSIBLE.keys()
    assert set(POSITIONS) == places
    assert USUAL.keys() == CHANNELS.keys() - places
    assert set(get_args(Sensor)) == CHANNELS.keys() - places - pedals
