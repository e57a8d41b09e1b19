"""The drives of an experiment, with their weather from a METAR and their track."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from pullbook.analysis.result import analyse
from pullbook.analysis.sessions import fill_weather, read_drives, settling_lines, surroundings_of
from pullbook.errors import ExperimentError, LogError
from pullbook.reading.logs import read_log
from pullbook.settings.experiment import Experiment, Session

SAMPLES = Path(__file__).parents[2] / "sample_runs"
METAR = "METAR EPWA 281830Z 18009KT 9999 SCT037 12/07 Q1008"


def session(**settings) -> Session:
    return Session(name="a", phase="before", log="a.csv", **settings)


def test_a_report_fills_in_what_the_session_does_not_say() -> None:
    told, findings = fill_weather(session(metar=METAR), altitude_m=300.0)
    assert told.ambient_c == 12.0
    assert told.wind_ms == pytest.approx(9 * 1852 / 3600, abs=1e-3)  # 9 knots
    # ICAO standard atmosphere: 1008 hPa at sea level is 972.6 hPa at 300 m.
    assert told.pressure_hpa == pytest.approx(972.6, abs=0.1)
    # Magnus form: the vapour pressure at 7 °C over that at 12 °C is 0.714.
    assert told.humidity_pct == pytest.approx(71.4, abs=0.5)
    assert not findings


def test_what_the_session_says_wins() -> None:
    told, _ = fill_weather(session(metar=METAR, ambient_c=15.5, pressure_hpa=990.0), altitude_m=300.0)
    assert (told.ambient_c, told.pressure_hpa) == (15.5, 990.0)
    assert surroundings_of(told).pressure_kpa == 99.0


def test_without_an_altitude_the_sea_level_is_told() -> None:
    _, findings = fill_weather(session(metar=METAR), altitude_m=None)
    assert [f.code for f in findings] == ["pressure-at-sea-level"]


def test_no_report_changes_nothing() -> None:
    plain = session()
    assert fill_weather(plain, altitude_m=None) == (plain, ())


def test_a_known_altitude_gives_the_pressure_of_the_standard_atmosphere() -> None:
    """ISO 2533, table: 898.746 hPa at 1000 m (geopotential)."""
    told, (finding,) = fill_weather(session(altitude_m=1000.0), altitude_m=1000.0)
    assert told.pressure_hpa == pytest.approx(898.746, abs=0.01)
    assert finding.code == "pressure-by-altitude"
    given = session(altitude_m=1000.0, pressure_hpa=905.0)
    assert fill_weather(given, altitude_m=1000.0) == (given, ())
    assert fill_weather(session(), altitude_m=12_000.0) == (session(), ())  # a receiver without a fix


def test_a_gauge_pressure_counts_from_the_pressure_at_the_logged_altitude(folder) -> None:
    """ISO 2533, table: 845.560 hPa at 1500 m (geopotential)."""
    for log in (folder / "logs").iterdir():
        header, *rows = log.read_text(encoding="utf-8").splitlines()
        header = header.replace("Intake manifold pressure [kPa]", "Boost pressure [kPa gauge]") + ";Altitude [m]"
        log.write_text("\n".join([header, *(f"{row};1500" for row in rows)]), encoding="utf-8")
    settings = folder / "experiment.yaml"
    given = [line for line in settings.read_text(encoding="utf-8").splitlines() if "pressure_hpa" not in line]
    settings.write_text("\n".join(given), encoding="utf-8")
    for drive in read_drives(Experiment.load(folder)):
        assert "pressure-by-altitude" in {finding.code for finding in drive.findings}
        plain = read_log(folder / drive.session.log, barometric_kpa=0.0)
        added = drive.log.need("intake_manifold_pressure").values - plain.need("intake_manifold_pressure").values
        assert added == pytest.approx(84.556, abs=0.001)


def test_a_text_that_is_no_report_is_refused() -> None:
    with pytest.raises(ExperimentError, match="metar"):
        fill_weather(session(metar="a fine day"), altitude_m=0.0)


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(SAMPLES / "two_evenings", tmp_path / "e", ignore=shutil.ignore_patterns("rendered"))
    return tmp_path / "e"


def test_the_weather_of_a_report_reaches_the_drives(folder) -> None:
    text = (folder / "experiment.yaml").read_text()
    lines = [line for line in text.splitlines() if "pressure_hpa" not in line]
    at = next(k for k, line in enumerate(lines) if "log:" in line) + 1
    lines[at:at] = [f"    metar: {METAR}", "    altitude_m: 300"]
    (folder / "experiment.yaml").write_text("\n".join(lines))
    drives = read_drives(Experiment.load(folder))
    assert drives[0].session.pressure_hpa == pytest.approx(972.6, abs=0.1)
    assert drives[1].session.pressure_hpa is None


@pytest.mark.parametrize(
    ("track", "said"),
    [("../a.gpx", "outside"), ("logs/a.kml", r"ending in \.gpx"), ("logs/none.gpx", "no such file")],
)
def test_a_track_has_to_lie_in_the_folder(folder, track, said) -> None:
    text = (folder / "experiment.yaml").read_text().replace("    ambient_c", f"    track: {track}\n    ambient_c", 1)
    (folder / "experiment.yaml").write_text(text)
    (folder.parent / "a.gpx").write_text("x")
    with pytest.raises(ExperimentError, match=said):
        Experiment.load(folder)


def relabelled(folder: Path, session_log: str, old: str, new: str) -> None:
    path = folder / "logs" / session_log
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")


INLET, ODD = "Intake air temperature [°C]", "Probe 3"


def test_two_references_for_the_inlet_are_never_mixed(folder) -> None:
    """A sensor in the engine bay reads warmer than the shade: one log without it takes it from all."""
    relabelled(folder, "after-1.csv", INLET, ODD)
    result = analyse(folder)
    assert {drive.inlet for drive in result.drives} == {"noted"}
    finding = next(f for f in result.findings if f.code == "inlet-reference")
    assert finding.severity == "warning"
    assert "Only before-1" in finding.message
    noted = {s.name: s.ambient_c for s in result.experiment.sessions}
    for row in result.measures[result.measures["kind"] == "pull"].to_dict(orient="records"):
        assert row["inlet_at_peak"] == noted[row["session"]]


def test_a_shared_outside_sensor_counts_with_its_own_step(folder) -> None:
    """One log lacks the inlet sensor and both have the outside one, in steps of 0.5 K: 0.5 / sqrt(12) = 0.144 K."""
    for name, celsius in (("before-1.csv", 14.0), ("after-1.csv", 12.5)):
        path = folder / "logs" / name
        header, *rows = path.read_text(encoding="utf-8").splitlines()
        outside = [celsius + 0.5 * (k * 3 // len(rows)) for k in range(len(rows))]
        lines = [f"{header};Ambient air temperature [°C]"]
        lines += [f"{row};{warm:.1f}".replace(".", ",") for row, warm in zip(rows, outside, strict=True)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    relabelled(folder, "after-1.csv", INLET, ODD)
    result = analyse(folder)
    assert {drive.inlet for drive in result.drives} == {"ambient_air_temperature"}
    assert result.measures["inlet_step"].to_numpy() == pytest.approx(0.5)
    assert result.comparison.data.inlet_u == pytest.approx(0.5 / 12**0.5)


def test_without_any_common_reference_the_rise_is_refused(folder) -> None:
    relabelled(folder, "after-1.csv", INLET, ODD)
    text = (folder / "experiment.yaml").read_text().splitlines()
    (folder / "experiment.yaml").write_text("\n".join(line for line in text if "ambient_c" not in line))
    with pytest.raises(LogError, match="same reference in all sessions"):
        analyse(folder)


@pytest.mark.parametrize("column", ['"Probe 3"', '["Probe 3", "Probe 4"]'])
def test_a_column_that_only_some_logs_name_so_can_be_settled(folder, column) -> None:
    relabelled(folder, "after-1.csv", INLET, ODD)
    settled = f"channels:\n  intake_air_temperature: {{column: {column}, unit: degC}}\n"
    with (folder / "experiment.yaml").open("a") as stream:
        stream.write(settled)
    drives = read_drives(Experiment.load(folder))
    assert [drive.log.need("intake_air_temperature").column for drive in drives] == [INLET, ODD]


def test_a_settled_column_that_no_log_has_is_refused(folder) -> None:
    with (folder / "experiment.yaml").open("a") as stream:
        stream.write("channels:\n  intake_air_temperature: {column: Probe 9, unit: degC}\n")
    with pytest.raises(LogError, match="'Probe 9'"):
        read_drives(Experiment.load(folder))


def test_what_check_prints_to_settle_columns_is_yaml_that_settles_them(folder) -> None:
    relabelled(folder, "after-1.csv", INLET, ODD)
    relabelled(folder, "before-1.csv", "Accelerator position [%]", "Right foot [%]")
    lines = settling_lines(read_drives(Experiment.load(folder)))
    block = YAML(typ="safe").load("\n".join(["channels:", *lines]))
    assert {"Probe 3", "Right foot [%]"} <= {
        name
        for c in block["channels"].values()
        for name in ([c["column"]] if isinstance(c["column"], str) else c["column"])
    }


def test_a_time_as_outcome_brings_its_own_marks(folder) -> None:
    text = (folder / "experiment.yaml").read_text()
    text = text.replace("outcome: peak_rise", "outcome: elapsed_s 60-90").replace("change: 2.0", "change: 0.2")
    (folder / "experiment.yaml").write_text(text)
    assert analyse(folder).comparison.unit == "s"


def test_a_worthwhile_change_left_in_kelvin_is_noticed(folder) -> None:
    text = (folder / "experiment.yaml").read_text().replace("outcome: peak_rise", "outcome: time_to_boost")
    (folder / "experiment.yaml").write_text(text)
    assert "worthwhile-large" in [f.code for f in analyse(folder).findings]


def test_a_logged_barometer_tells_the_pressure_of_a_session_that_does_not(folder) -> None:
    for log in (folder / "logs").iterdir():
        header, *rows = log.read_text(encoding="utf-8").splitlines()
        lines = [f"{header};Barometric pressure [kPa]", *(f"{row};97" for row in rows)]
        log.write_text("\n".join(lines), encoding="utf-8")
    settings = folder / "experiment.yaml"
    given = [line for line in settings.read_text(encoding="utf-8").splitlines() if "pressure_hpa" not in line]
    settings.write_text("\n".join(given), encoding="utf-8")
    assert [d.session.pressure_hpa for d in read_drives(Experiment.load(folder))] == [970.0, 970.0]


def test_a_log_without_the_channel_of_the_question_is_named(folder) -> None:
    relabelled(folder, "after-1.csv", "Engine coolant temperature [°C]", "Kessel T1 [°C]")
    settings = folder / "experiment.yaml"
    text = settings.read_text(encoding="utf-8").replace("outcome: peak_rise", "outcome: mean_coolant")
    settings.write_text(text, encoding="utf-8")
    with pytest.raises(LogError, match=r"after-1: .*engine coolant temperature.*Kessel"):
        analyse(folder)


def refilled(folder: Path, start: str, value) -> None:
    """Replace the cells of a column in the log of the last session."""
    log = sorted((folder / "logs").iterdir())[0]  # after-1
    header, *rows = (line.split(";") for line in log.read_text(encoding="utf-8").splitlines())
    place = next(k for k, text in enumerate(header) if text.startswith(start))
    for row in rows:
        row[place] = value(row[place])
    log.write_text("\n".join(map(";".join, [header, *rows])), encoding="utf-8")


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("Charge air", lambda cell: "215", "charge air temperature"),
        ("Charge air", lambda cell: "-40", "-40"),
        ("Intake air", lambda cell: f"{float(cell.replace(',', '.') or 'nan') * 1.8 + 32:.0f}", "degC.* inlet air"),
    ],
)
def test_a_sensor_that_measured_nothing_gives_no_answer(folder, column, value, said) -> None:
    refilled(folder, column, value)
    with pytest.raises(LogError, match=rf"^after-1: .*{said}.*can't answer"):
        analyse(folder)


def test_a_broken_wire_in_between_is_set_aside(folder) -> None:
    count = iter(range(100_000))
    refilled(folder, "Charge air", lambda cell: "-40" if next(count) % 10 < 3 and cell else cell)
    log = read_log(sorted((folder / "logs").iterdir())[0])
    assert log.need("charge_air_temperature").values.min() > -20
    assert "open-circuit" in {finding.code for finding in log.findings}


def test_a_barometer_goes_before_an_altitude() -> None:
    told, findings = fill_weather(session(altitude_m=1000.0), altitude_m=1000.0, logged_kpa=91.2)
    assert told.pressure_hpa == pytest.approx(912.0)
    assert not findings
