"""Tables of figures that a person wrote down: what is read, and what is refused in words that help."""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.errors import LogError
from pullbook.reading.figures import finest_step, is_figures, read_figures
from pullbook.reading.logs import read_drive, read_kept

PLAIN = "kind,number,inlet [°C],charge [°C]\npull,1,14,58\npull,2,14,60\ncruise,1,13,21\n"


@pytest.fixture
def read(tmp_path):
    def read(text: str, encoding: str = "utf-8"):
        path = tmp_path / "evening.csv"
        path.write_bytes(text.encode(encoding))
        return read_figures(path)

    return read


def test_a_plain_table(read):
    figures, findings = read(PLAIN)
    assert figures.rows["kind"].tolist() == ["pull", "pull", "cruise"]
    assert figures.rows["charge_air_temperature"].tolist() == [58, 60, 21]
    assert figures.kept["charge_air_temperature"].step == 1.0
    assert [f.code for f in findings] == ["figures-step"]


def test_a_german_table_with_a_row_of_units(read):
    figures, _ = read(
        "Art;Nr.;Ansaugluft;Ladeluft;Ladeluft Anfang;Kühlmittel;Ladedruck\n"
        ";;°C;°C;°C;°C;bar abs\n"
        "pull;1;14,5;61,0;22,0;88;2,12\npull;2;14,0;62,5;23,0;89;2,14\n"
    )
    row = figures.rows.iloc[0]
    assert row["intake_air_temperature"] == 14.5
    assert row["start_charge"] == 22.0
    assert row["intake_manifold_pressure"] == pytest.approx(212.0)
    assert figures.kept["charge_air_temperature"].step == 0.5
    assert not figures.gauge


def test_us_units_absolute_with_the_offset_and_steps_without(read):
    figures, _ = read(
        "kind,number,inlet [°F],charge [°F],charge step [°F],boost [psi gauge],40-60 mph [s],start speed [mph]\n"
        "pull,1,59,140,1.8,16.0,5.4,25\npull,2,60,142,1.8,16.2,5.5,25\n"
    )
    row = figures.rows.iloc[0]
    assert row["intake_air_temperature"] == pytest.approx(15.0)
    assert row["charge_air_temperature"] == pytest.approx(60.0)
    assert figures.kept["charge_air_temperature"].step == pytest.approx(1.0)  # a difference: no offset
    assert figures.kept["charge_air_temperature"].stated
    assert figures.kept["intake_air_temperature"].step == pytest.approx(5 / 9)
    assert figures.gauge
    assert row["intake_manifold_pressure"] == pytest.approx(16.0 * 6.894757)
    assert row["elapsed_s 64.37-96.56"] == 5.4
    assert row["start_speed"] == pytest.approx(25 * 1.609344)


@pytest.mark.parametrize(
    "header",
    ["Charge (°C)", "peak charge [°C]", "max charge temp °C", "CAC out [°C]", "Charge air temperature [degC]"],
)
def test_what_people_call_the_charge(read, header):
    figures, _ = read(PLAIN.replace("charge [°C]", header))
    assert figures.kept["charge_air_temperature"].column == header


@pytest.mark.parametrize("header", ["Inlet [°C]", "IAT (°C)", "intake air at peak [°C]", "Ansaugluft [°C]"])
def test_what_people_call_the_inlet(read, header):
    figures, _ = read(PLAIN.replace("inlet [°C]", header))
    assert figures.kept["intake_air_temperature"].column == header


def test_kind_and_number_in_one_cell_and_a_blank_line(read):
    figures, _ = read("run,inlet [°C],charge [°C]\nPull 1,14,58\nPull 2,14,60\n\nCruise 1,13,21\n")
    assert figures.rows["number"].tolist() == [1, 2, 1]


def test_a_column_nobody_asked_for_is_named(read):
    _, findings = read("kind,number,inlet [°C],charge [°C],remarks\npull,1,14,58,tractor\npull,2,14,60,\n")
    (unused,) = [f for f in findings if f.code == "figures-column-unused"]
    assert unused.evidence["columns"] == ["remarks"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ["no figures", "kind,number"]),
        ("kind,number,inlet [°C],charge [°C]\n", ["no figures", "one row a run"]),
        ("number,inlet [°C],charge [°C]\n1,14,58\n2,14,60\n", ["no column says pull or cruise", "log: in place"]),
        (PLAIN.replace("charge [°C]", "charge"), ["'charge'", "names no unit", "'charge [°C]'"]),
        (PLAIN.replace("inlet [°C]", "remarks"), ["inlet temperature", "Add a column 'inlet [°C]'"]),
        (PLAIN.replace("charge [°C]", "volts"), ["charge air temperature", "Add a column 'charge [°C]'"]),
        (PLAIN.replace("pull,2", "pull,1"), ["pull 1 is there 2 times", "session of its own"]),
        (PLAIN.replace("pull,2", "pul,2"), ["row 2", "'pul'", "pull or cruise"]),
        (PLAIN.replace("pull,2", "pull,2.5"), ["row 2", "whole number"]),
        (PLAIN.replace("pull,2,14,60", "pull,2,14,about 60"), ["row 2", "'about 60'", "no number"]),
        (PLAIN.replace("pull,2,14,60", "pull,2,14,600"), ["row 2", "600 °C", "unit in the header"]),
        (PLAIN.replace("inlet [°C],charge [°C]", "charge [°C],inlet [°C]"), ["colder than the air", "swapped"]),
        (
            "kind,number,inlet [°C],charge [°C],boost [bar]\npull,1,14,58,1.2\npull,2,14,60,1.2\n",
            ["'boost [bar]'", "bar gauge", "bar abs"],
        ),
        (
            "kind,number,inlet [°C],charge [°C],60-90 [s]\npull,1,14,58,5.2\npull,2,14,60,5.2\n",
            ["unit for its speeds", "60-90 km/h [s]"],
        ),
        (
            "kind,number,inlet [°C],charge [°C],CAC out [°C]\npull,1,14,58,58\npull,2,14,60,60\n",
            ["both hold the charge air temperature", "Remove one"],
        ),
        (
            "kind,number,inlet [°C],charge [°C],charge step [°C]\npull,1,14,58,1\npull,2,14,60,2\n",
            ["one step above 0"],
        ),
        ("kind,inlet [°C],charge [°C]\npull,14,58\npull,14,60\n", ["Add a column 'number'"]),
        (
            "kind,number,inlet [°C],charge [°C]\n" + "".join(f"pull,{k},14,58\n" for k in range(1, 10_001)),
            ["10,000 rows", "1000 at most", "log: in place"],
        ),
    ],
)
def test_each_fault_is_named_with_its_remedy(read, text, said):
    with pytest.raises(LogError) as refusal:
        read(text)
    message = str(refusal.value)
    assert message.startswith("evening.csv")
    assert [words for words in said if words not in message] == []
    assert "/" not in message.split("evening.csv")[0]


def test_a_gauge_pressure_without_the_air_outside_is_told(tmp_path):
    path = tmp_path / "evening.csv"
    path.write_text("kind,number,inlet [°C],charge [°C],boost [psi gauge]\npull,1,14,58,16\npull,2,14,60,16\n")
    assert "barometer-assumed" in {f.code for f in read_kept(path).findings}
    assert "barometer-assumed" not in {f.code for f in read_kept(path, barometric_kpa=95.0).findings}


def test_figures_and_logs_are_told_apart(tmp_path, fresh):
    path = tmp_path / "evening.csv"
    path.write_text(PLAIN)
    assert is_figures(path)
    assert read_drive(path).figures is not None
    log = next((fresh("two_evenings") / "logs").iterdir())
    assert not is_figures(log)
    assert read_drive(log).figures is None


def test_the_step_by_the_digits():
    assert finest_step(np.array([50.0, 60.0, 70.0])) == 1.0  # tens by chance, whole degrees as written
    assert finest_step(np.array([61.25, np.nan])) == 0.05
