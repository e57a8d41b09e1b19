"""Reading logs: whatever their layout and damage, the values and times that were measured, or a clear message."""

import gzip
import itertools
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from pullbook import PullbookError, read_log
from pullbook.errors import LogError
from pullbook.reading.logs import Log, missing_channel, period_of, resolution_of
from pullbook.reading.spikes import spikes
from pullbook.simulate import LOGGED, Cooler, Cruise, Idle, Pull, Trace, Vehicle, Weather, drive, record

STEP = {"accelerator_position": 0.1}  # of the simulated sensors; 1 for the others
MARKS = [(",", "."), (";", ","), (";", "."), ("\t", ","), ("|", ".")]


@cache
def trace() -> Trace:
    return drive(
        vehicle=Vehicle(),
        cooler=Cooler(),
        weather=Weather(ambient_c=15.0),
        script=(Idle(duration_s=5), Cruise(speed_kmh=60, duration_s=30), Pull(from_kmh=40, to_kmh=110)),
        rng=None,
    )


def text(**style) -> str:
    return record(trace(), rng=np.random.default_rng(5), **style)


def read(tmp_path: Path, content: str | bytes, name: str = "log.csv", **given) -> Log:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_log(path, **given)


def codes(log: Log) -> set[str]:
    return {finding.code for finding in log.findings}


def assert_true(log: Log, *, polled: bool, lost_rows: int = 0) -> None:
    """Every value must be what the simulated sensor measured at the time the reader gives it.

    Tolerance: half the sensor's step, what the signal moves in 2 ms (stamps have milliseconds, rounded twice), and the
    rounding of numbers in other units. Where rows are lost, a value may first be seen one row later.
    """
    plain = text(layout="held" if polled else "sweep", time_format="seconds")
    first_s = float(plain.splitlines()[1].split(",")[0])
    for channel in LOGGED:
        signal = log.need(channel)
        truth = trace().channels[channel]
        steepest = np.abs(np.gradient(truth, trace().time_s)).max()
        expected = np.interp(signal.time_s + first_s, trace().time_s, truth)
        slack = STEP.get(channel, 1.0) / 2 + (0.16 if lost_rows else 0.002) * steepest + 0.06
        assert np.abs(signal.values - expected).max() < slack, channel
        assert signal.period_s == pytest.approx(1.0, rel=0.03), channel
        assert abs(len(signal.values) - trace().time_s[-1]) <= 3 + lost_rows, channel


@pytest.mark.parametrize("layout", ["sweep", "held", "sparse", "long"])
@pytest.mark.parametrize("time_format", ["seconds", "milliseconds", "clock", "iso"])
def test_layouts(tmp_path: Path, layout: str, time_format: str) -> None:
    for (delimiter, decimal), header, imperial in itertools.product(MARKS, ["plain", "short"], [False, True]):
        content = text(
            layout=layout,
            time_format=time_format,
            delimiter=delimiter,
            decimal=decimal,
            header=header,
            imperial=imperial,
        )
        assert_true(read(tmp_path, content), polled=layout != "sweep")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_encodings(tmp_path: Path, encoding: str, newline: str) -> None:
    for layout in ("held", "long"):
        content = text(layout=layout).replace("\n", newline).encode(encoding)
        assert_true(read(tmp_path, content), polled=True)
        assert_true(read(tmp_path, gzip.compress(content), "log.csv.gz"), polled=True)


def test_double_encoded_degree_sign(tmp_path: Path) -> None:
    log = read(tmp_path, text().replace("°", "Â°"))
    assert log.need("charge_air_temperature").column == "Charge air temperature [°C]"
    assert_true(log, polled=True)


def lines() -> list[str]:
    return text(layout="held").splitlines()


def headed(*above: str) -> str:
    return "\n".join([*above, *lines()])


def with_units_row() -> str:
    head, *rows = lines()
    names = [cell.split(" [")[0] for cell in head.split(",")]
    units = ["s", *(cell.split("[")[1].strip("]") for cell in head.split(",")[1:])]
    return "\n".join([",".join(names), ",".join(units), *rows])


def header_again() -> str:
    head, *rows = lines()
    return "\n".join([head, *rows[:400], head, *rows[400:]])


DAMAGES = {
    "preamble": headed("Data log of a drive", "Vehicle: van, blue", "Rate,10", ""),
    "units row": with_units_row(),
    "header again": header_again(),
    "trailing delimiters": "\n".join(line + "," for line in lines()),
    "trailing delimiters in rows only": "\n".join([lines()[0], *(line + "," for line in lines()[1:])]),
    "short rows": "\n".join(
        ",".join(line.split(",")[:5]) if k in (77, 303) else line for k, line in enumerate(lines())
    ),
    "long rows": "\n".join(line + ",1,2,3" if k in (77, 303) else line for k, line in enumerate(lines())),
    "joined rows": "\n".join(line + lines()[k + 1] if k == 200 else line for k, line in enumerate(lines()) if k != 201),
    "NUL bytes": "\n".join(line + "\0\0" if k % 50 == 0 else line for k, line in enumerate(lines())),
    "truncated": "\n".join(lines())[:-20],
    "placeholder": "\n".join(
        line.rpartition(",")[0] + "," + ("--", "N/A", "NODATA", "", "n.a.")[k % 5] if k and k % 60 == 0 else line
        for k, line in enumerate(lines())
    ),
    "stray quote": "\n".join(line + '"' if k == 250 else line for k, line in enumerate(lines())),
    "quoted": "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in lines()),
    "blank lines": "\n\n".join(lines()),
    "spaces": "\n".join(", ".join(line.split(",")) for line in lines()),
    "stray stamp": "\n".join("23:59:59.000" + line[12:] if k == 500 else line for k, line in enumerate(lines())),
    "lagging stamp": "\n".join("09:30:01.000" + line[12:] if k == 500 else line for k, line in enumerate(lines())),
    "swapped rows": "\n".join([*lines()[:500], lines()[501], lines()[500], *lines()[502:]]),
    "words in cells": "\n".join(
        line.rpartition(",")[0] + ",sensor fault" if k == 333 else line for k, line in enumerate(lines())
    ),
}


WHOLE = ("preamble", "units row", "header again", "trailing delimiters", "NUL bytes", "quoted", "blank lines", "spaces")


@pytest.mark.parametrize("damage", DAMAGES)
def test_damage(tmp_path: Path, damage: str) -> None:
    assert_true(read(tmp_path, DAMAGES[damage]), polled=True, lost_rows=2 * (damage not in WHOLE))


def test_damage_is_told(tmp_path: Path) -> None:
    told = {
        "header again": "header-repeated",
        "long rows": "rows-damaged",
        "joined rows": "rows-damaged",
        "truncated": "last-line-cut",
        "stray stamp": "clock-backward",
        "lagging stamp": "clock-backward",
        "swapped rows": "clock-backward",
        "words in cells": "cells-unreadable",
    }
    for damage, code in told.items():
        assert code in codes(read(tmp_path, DAMAGES[damage])), damage
    assert not codes(read(tmp_path, "\n".join(lines()) + "\n"))


@pytest.mark.parametrize("change", ["another order", "a column less"])
def test_a_header_that_comes_again_otherwise_is_refused(tmp_path: Path, change: str) -> None:
    def changed(line: str) -> str:
        cells = line.split(",")
        return ",".join([*cells[:-2], cells[-1], cells[-2]] if change == "another order" else cells[:-1])

    head, *rows = lines()
    content = [head, *rows[:400], changed(head), *map(changed, rows[400:])]
    with pytest.raises(LogError, match=r"header is repeated.*log: \["):
        read(tmp_path, "\n".join(content))


def test_one_reading_that_no_car_makes_is_set_aside_and_told(tmp_path: Path) -> None:
    place = next(k for k, header in enumerate(lines()[0].split(",")) if header.startswith("Charge"))
    rows = [line.split(",") for line in text(layout="sweep").splitlines()]
    rows[len(rows) // 2][place] = "120"
    log = read(tmp_path, "\n".join(map(",".join, rows)))
    told = next(finding for finding in log.findings if finding.code == "spikes")
    assert (told.evidence["channel"], told.evidence["readings"]) == ("charge_air_temperature", 1)
    assert log.need("charge_air_temperature").values.max() < 100


@pytest.mark.parametrize("layout", ["cells", "long"])
def test_a_unit_that_changes_on_the_way_is_refused(tmp_path: Path, layout: str) -> None:
    cells = [(f"{40 + k % 9}", "°C" if k < 30 else "°F") for k in range(60)]
    if layout == "cells":
        content = ["Time,Vehicle speed,Charge air temp", *(f"{k},{k % 50},{v} {u}" for k, (v, u) in enumerate(cells))]
    else:
        content = ["time,signal,value,unit", *(f"{k},Charge air temp,{v},{u}" for k, (v, u) in enumerate(cells))]
        content += [f"{k},Vehicle speed,{k % 50},km/h" for k in range(60)]
    with pytest.raises(LogError, match="unit of 'Charge air temp' changes"):
        read(tmp_path, "\n".join(content))


def test_a_delimiter_that_changes_on_the_way_is_refused(tmp_path: Path) -> None:
    content = lines()
    half = len(content) // 2
    content = [*content[:half], *(line.replace(",", ";") for line in (content[0], *content[half:]))]
    with pytest.raises(LogError, match="separated by"):
        read(tmp_path, "\n".join(content))


def test_a_speed_without_a_unit_beside_fahrenheit_is_in_miles(tmp_path: Path) -> None:
    rows = [f"{k},{40 + k % 7},{180 + k % 5}" for k in range(60)]
    log = read(tmp_path, "\n".join(["Time,Vehicle speed,Coolant temp (F)", *rows]))
    assert log.need("vehicle_speed").unit == "mph"
    assert next(f for f in log.findings if f.code == "unit-assumed").severity == "warning"


def test_a_pedal_from_nought_to_one_is_a_fraction(tmp_path: Path) -> None:
    rows = [f"{k},{40 + k % 7},{k % 10 / 9:.2f}" for k in range(60)]
    pedal = read(tmp_path, "\n".join(["Time,Vehicle speed,Accelerator pedal", *rows])).need("accelerator_position")
    assert pedal.values.max() == 100


def test_damages_together(tmp_path: Path) -> None:
    content = DAMAGES["header again"].splitlines()
    content = ["Logged on the road", "", *(line + ";" for line in (line.replace(",", ";") for line in content))]
    content[300] += "\0"
    content[350] += "9;9;9"
    damaged = ("\r\n".join(content))[:-12].encode("utf-16")
    assert_true(read(tmp_path, gzip.compress(damaged), "log.txt.gz"), polled=True, lost_rows=2)


def test_gzip_cut_short_is_read_as_far_as_it_is_whole(tmp_path: Path) -> None:
    content = text(layout="held", time_format="seconds").encode()
    packed = gzip.compress(content, mtime=0)
    whole = read(tmp_path, packed, "log.csv.gz")
    for kept in (len(packed) // 2, len(packed) - 5):
        log = read(tmp_path, packed[:kept], "log.csv.gz")
        assert codes(log) == {"file-cut-short"}
        assert [finding.severity for finding in log.findings] == ["warning"]
        assert 0.3 * whole.duration_s < log.duration_s <= whole.duration_s
        for channel, signal in log.signals.items():
            true = whole.need(channel)
            until = signal.time_s[-1]
            # Near the cut a rarely moving signal's last repeats may be told differently.
            shared = true.time_s[true.time_s <= until - 2 * true.max_gap_s]
            np.testing.assert_array_equal(signal.at(shared), true.at(shared))
    rows = int(next(f.evidence["rows"] for f in log.findings))
    assert rows == content.count(b"\n") - 1  # only the check sum is missing


def test_gzip_that_does_not_check_is_refused(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(text(layout="held").encode(), mtime=0))
    packed[-8] ^= 1
    with pytest.raises(PullbookError, match=r"damaged.*CRC"):
        read(tmp_path, bytes(packed), "log.csv.gz")
    with pytest.raises(PullbookError, match="too early"):
        read(tmp_path, bytes(packed[:200]), "log.csv.gz")


def test_units_inside_cells(tmp_path: Path) -> None:
    rows = [
        "Time;Coolant temp;Vehicle speed;Boost",
        *(f"{k};{60 + k} C;{40 + k} km/h;1,{k} bar" for k in range(10, 50)),
    ]
    log = read(tmp_path, "\n".join(rows))
    assert log.need("engine_coolant_temperature").values[0] == 70
    assert log.need("vehicle_speed").values[-1] == 89
    assert log.need("intake_manifold_pressure").values[0] == pytest.approx(110)


def test_units_inside_cells_are_believed(tmp_path: Path) -> None:
    wide = ["Time,Inlet temp", *(f"{k},{68 + k % 2} °F" for k in range(20))]
    long = ["time,name,value", *(f"{k},{('RPM', 'Inlet temp')[k % 2]},{(900, '68 F')[k % 2]}" for k in range(40))]
    for rows in (wide, long):
        log = read(tmp_path, "\n".join(rows))
        assert log.need("intake_air_temperature").values[0] == pytest.approx(20)
        assert log.need("intake_air_temperature").unit == "degF"


def test_points_between_thousands(tmp_path: Path) -> None:
    rows = ["Zeit;Drehzahl [1/min]", *(f"{k};{('1.200,5', '900,0', '2.400,0')[k % 3]}" for k in range(30))]
    values = read(tmp_path, "\n".join(rows)).need("engine_speed").values
    assert values[:3].tolist() == [1200.5, 900, 2400]
    rows = ["Zeit;Drehzahl [1/min]", *(f"{k};1.{200 + k},5" for k in range(30))]
    assert read(tmp_path, "\n".join(rows)).need("engine_speed").values[:2].tolist() == [1200.5, 1201.5]


def test_a_recognised_column_without_numbers_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PullbookError, match="'Speed'"):
        read(tmp_path, "Time,Speed\n" + "".join(f"{k},fast\n" for k in range(9)))


def test_decimal_commas_in_quotes_between_commas(tmp_path: Path) -> None:
    rows = ['"Time","Speed [km/h]"', *(f'"{k},5","{40 + k},25"' for k in range(30))]
    log = read(tmp_path, "\n".join(rows))
    np.testing.assert_allclose(log.need("vehicle_speed").values, 40.25 + np.arange(30))
    assert log.duration_s == 29


def test_decimal_commas_between_bare_commas_are_refused(tmp_path: Path) -> None:
    rows = ["Time,Speed [km/h],Coolant temp [C]", *(f"{k},5,{40 + k},25,80,5" for k in range(30))]
    with pytest.raises(PullbookError, match=r"line 2\b.*\b6\b.*\b3\b.*semicolons"):
        read(tmp_path, "\n".join(rows))


def test_two_files_of_one_drive_are_one_log_with_a_gap(tmp_path: Path) -> None:
    head, *rows = text(layout="sweep", time_format="seconds").splitlines()
    log = read(tmp_path, "\n".join([head, *rows, head, *rows]))
    speed = log.need("vehicle_speed")
    assert {"header-repeated", "clock-backward"} <= codes(log)
    assert len(speed.values) == 2 * len(rows)
    gap = int(np.argmax(np.diff(speed.time_s)))
    assert np.isnan(speed.at(speed.time_s[gap] + 20)).all()


def test_a_reversed_log_is_turned_round(tmp_path: Path) -> None:
    head, *rows = text(layout="sweep", time_format="iso").splitlines()
    log = read(tmp_path, "\n".join([head, *rows[::-1]]))
    assert "rows-reversed" in codes(log)
    assert_true(log, polled=False)


def test_long_layout_one_signal_after_the_other(tmp_path: Path) -> None:
    head, *rows = text(layout="long", time_format="seconds").splitlines()
    log = read(tmp_path, "\n".join([head, *sorted(rows, key=lambda row: row.split(",")[1])]))
    assert_true(log, polled=True)


def test_gauge_and_absolute_pressure(tmp_path: Path) -> None:
    kpa = np.concatenate([np.full(50, 98.0), np.linspace(98, 220, 50)])
    for unit, scale, gauge in [
        ("bar", 100, 0),
        ("psi", 6.894757, 0),
        ("hPa", 0.1, 0),
        ("bar", 100, 98),
        ("psi", 6.894757, 98),
    ]:
        for named in (True, False):
            header = f"Boost [{unit}{' gauge' if gauge else ''}]" if named else "Boost pressure"
            rows = [f"Time,{header}", *(f"{k},{(p - gauge) / scale:.4f}" for k, p in enumerate(kpa))]
            log = read(tmp_path, "\n".join(rows), barometric_kpa=98.0)
            values = log.need("intake_manifold_pressure").values
            np.testing.assert_allclose(values, kpa, atol=0.01, err_msg=f"{unit} {gauge} {named}")
            assert ("unit-assumed" in codes(log)) is not named


def test_gauge_without_a_barometer_is_told(tmp_path: Path) -> None:
    rows = ["Time,Boost [psi gauge]", *(f"{k},{k / 4}" for k in range(60))]
    assert "barometer-assumed" in codes(read(tmp_path, "\n".join(rows)))


def test_temperatures_without_units_share_one(tmp_path: Path) -> None:
    rows = ["Time,Coolant temp,Intake air temp", *(f"{k},{180 + k % 3},{68 + k % 2}" for k in range(60))]
    log = read(tmp_path, "\n".join(rows))
    assert log.need("intake_air_temperature").unit == "degF"
    assert log.need("intake_air_temperature").values[0] == pytest.approx(20)


def test_chosen_column_wins(tmp_path: Path) -> None:
    rows = ["Time,T2,Charge air temp", *(f"{k},{100 + k},{20 + k}" for k in range(30))]
    log = read(tmp_path, "\n".join(rows), channels={"charge_air_temperature": ("T2", "degF")})
    assert log.need("charge_air_temperature").values[0] == pytest.approx((100 - 32) / 1.8)


@pytest.mark.parametrize(
    ("chosen", "told"),
    [
        ({"charge_temperature": ("T2", None)}, "charge_temperature.*vehicle_speed"),
        ({"charge_air_temperature": ("T2", "kPa")}, "'kPa'.*degC, degF, K"),
        (
            {"charge_air_temperature": ("T3", None)},
            "'T3'.*'T2'",
        ),
    ],
)
def test_wrong_choices_are_refused(tmp_path: Path, chosen: dict, told: str) -> None:
    with pytest.raises(PullbookError, match=told):
        read(tmp_path, "Time,T2\n1,2\n2,3\n3,4\n", channels=chosen)


def test_missing_channel_names_candidates_and_the_yaml(tmp_path: Path) -> None:
    log = read(tmp_path, "Time,Speed [km/h],Air temperature [C]\n" + "".join(f"{k},{k},{k}\n" for k in range(30)))
    message = missing_channel(log, "charge_air_temperature")
    assert 'channels:\n  charge_air_temperature: {column: "Air temperature [C]"}' in message


UNORDERED = b"Time,Speed\n" + b"".join(b"%d,3\n" % (k * 500 % 997) for k in range(900))


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("log.csv", b"", "empty"),
        ("log.csv", b"\n\n  \n", "empty"),
        ("log.csv", b"\0" * 5000, "empty"),
        ("log.csv", b"<html><body>hello</body></html>", "HTML, not a table"),
        ("log.csv", b"hello\nthis is\na letter\n", "table of numbers.*CSV"),
        ("log.csv", b"Time,Speed\n", "table of numbers"),
        ("log.csv", b"PK\x03\x04 and more", "ZIP.*CSV"),
        ("log.csv.gz", gzip.compress(b"Time,Speed [km/h]\n" * 99, mtime=0)[:-9], "too early"),
        ("log.csv", b"A,B\nx,9\ny,3\nz,4\n", "time column.*'A', 'B'.*rename"),
        ("log.csv", b"Time,B9\n1,2\n2,3\n3,4\n", "recognised"),
        ("log.csv", UNORDERED, r"line \d+: .*time.* Sort"),
        ("log.csv", b"Time,Speed\n1,2\n" + b"7" * 2_000_000, "byte .* 1,000,000 bytes"),
        ("log.csv", b"t" + b",7" * 3000 + b"\n" + b"1" + b",7" * 3000, r"\b3001\b.*\b2000\b"),
        ("log.parquet", b"PAR1 and more", "pyarrow|damaged"),
    ],
)  # fmt: skip
def test_refusals_say_what_where_and_the_remedy(tmp_path: Path, name: str, content: bytes, told: str) -> None:
    with pytest.raises(PullbookError, match=told) as refusal:
        read(tmp_path, content, name)
    assert str(refusal.value).startswith(name)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(PullbookError, match="no such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(PullbookError, match="folder"):
        read_log(tmp_path)


def test_too_large_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    with path.open("wb") as stream:
        stream.write(b"Time,Speed\n1,2\n")
        stream.truncate(2_000_000_000)  # sparse: takes no room
    with pytest.raises(PullbookError, match="1,000,000,000 bytes"):
        read_log(path)


def test_signal_keeps_to_its_gaps(tmp_path: Path) -> None:
    times = [*range(20), *range(60, 80)]
    log = read(tmp_path, "Time [s],Speed [km/h]\n" + "".join(f"{t},{t}\n" for t in times))
    speed = log.need("vehicle_speed")
    assert speed.at(10.5)[0] == pytest.approx(10.5)
    assert np.isnan(speed.at([-1.0, 40.0, 79.5])).all()
    assert speed.at(79.0)[0] == 79
    inside, values = speed.within(18, 61)
    assert inside.tolist() == [18, 19, 60, 61]
    assert values.tolist() == [18, 19, 60, 61]


def test_period_and_resolution() -> None:
    # Polled twice in a cycle of 8 rows of 0.1 s, at places 0 and 2: every 0.4 s on average, by hand.
    uneven = np.sort(np.concatenate([np.arange(0, 80, 0.8), np.arange(0.2, 80, 0.8)]))
    assert period_of(uneven) == pytest.approx(0.4)
    assert period_of(np.array([0.0, 2.0])) == 2
    assert np.isnan(period_of(np.array([1.0])))
    # 0.392 % (100 / 255) written with one decimal has steps of 0.3 and 0.4.
    assert resolution_of(np.round(np.arange(256) * 100 / 255, 1)) == pytest.approx(0.4, abs=0.11)
    assert resolution_of(np.array([5.0, 5.0])) == 0


def test_a_settled_column_may_be_told_in_either_form(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("Time,Speed [km/h],Probe 7\n" + "".join(f"{k},{40 + k},{20 + k % 9}\n" for k in range(60)))
    pair = read_log(path, channels={"charge_air_temperature": ("Probe 7", "degC")})
    mapping = read_log(path, channels={"charge_air_temperature": {"column": "Probe 7", "unit": "degC"}})
    for log in (pair, mapping):
        assert log.need("charge_air_temperature").column == "Probe 7"
    with pytest.raises(LogError, match=r"charge_air_temperature: .*column: "):
        read_log(path, channels={"charge_air_temperature": {"unit": "degC"}})


def test_a_pressure_that_is_said_to_be_absolute_is_left_as_it_is(tmp_path: Path) -> None:
    """An engine that idles at 10 kPa absolute looks like a gauge reading; the remedy that the finding names works."""
    rows = ["Time,Boost [kPa]", *(f"{k},{10 + k}" for k in range(100))]
    guessed = read(tmp_path, "\n".join(rows))
    [settled] = [f for f in guessed.findings if f.code == "barometer-assumed"]
    assert "unit: kPa gauge}" in settled.message
    assert "unit: kPa abs}" in settled.message
    told = read(tmp_path, "\n".join(rows), channels={"intake_manifold_pressure": ("Boost [kPa]", "kPa abs")})
    np.testing.assert_allclose(told.need("intake_manifold_pressure").values, 10 + np.arange(100))
    assert not codes(told) & {"pressure-read-as-gauge", "barometer-assumed", "unit-contradicted"}


def test_a_settled_unit_that_the_log_contradicts_is_told(tmp_path: Path) -> None:
    rows = ["Time,Ladelufttemperatur [°C]", *(f"{k},{30 + k / 10}" for k in range(100))]
    log = read(tmp_path, "\n".join(rows), channels={"charge_air_temperature": ("Ladelufttemperatur [°C]", "degF")})
    finding = next(f for f in log.findings if f.code == "unit-contradicted")
    assert all(unit in finding.message for unit in ("degC", "degF"))
    same = read(tmp_path, "\n".join(rows), channels={"charge_air_temperature": ("Ladelufttemperatur [°C]", "°C")})
    assert "unit-contradicted" not in codes(same)


def test_the_outside_pressure_is_the_logs_own_or_what_it_was_read_with(tmp_path: Path) -> None:
    rows = ["Time,Speed [km/h],Barometric pressure [kPa]", *(f"{k},{k},84.5" for k in range(60))]
    assert read(tmp_path, "\n".join(rows), barometric_kpa=99.0).outside_kpa == 84.5
    plain = "\n".join(row.rpartition(",")[0] for row in rows)
    assert read(tmp_path, plain, barometric_kpa=99.0).outside_kpa == 99.0
    assert read(tmp_path, plain).outside_kpa == 101.325  # ISO 2533, sea level


@pytest.mark.parametrize(
    "header", ["Fuel rail pressure (bar)", "Engine oil pressure (bar)", "Turbo inlet pressure (kPa)"]
)
def test_what_names_another_part_is_not_offered_as_a_channel(tmp_path: Path, header: str) -> None:
    log = read(tmp_path, "\n".join([f"Time,Speed [km/h],{header}", *(f"{k},{k},{k}" for k in range(60))]))
    finding = next(f for f in log.findings if f.code == "column-unrecognised")
    assert "channels:" not in finding.message


def with_cells(channel: str, cell: str, rows: slice) -> str:
    """Return a sweep a row, some cells of one column replaced."""
    table = [line.split(",") for line in text(layout="sweep").splitlines()]
    place = next(k for k, header in enumerate(table[0]) if header.startswith(channel))
    for row in table[1:][rows]:
        row[place] = cell
    return "\n".join(map(",".join, table))


@pytest.mark.parametrize("cell", ["-39", "255", "214"])
@pytest.mark.parametrize("rows", [slice(0, None, 9), slice(100, 150), slice(0, 20), slice(-20, None)])
def test_what_a_logger_writes_for_no_answer_is_no_reading(tmp_path: Path, cell: str, rows: slice) -> None:
    charge = read(tmp_path, with_cells("Charge air", cell, rows)).need("charge_air_temperature")
    assert 10 < charge.values.min() < charge.values.max() < 100


def test_a_value_between_two_blocks_of_no_answer_is_a_reading() -> None:
    coolant = np.full(300, 88.0)
    coolant[60:100] = coolant[140:180] = 0.0
    found = spikes("engine_coolant_temperature", np.arange(300.0), coolant)
    np.testing.assert_array_equal(found, coolant == 0)


def test_a_speed_that_stays_at_nought_is_a_stop() -> None:
    speed = np.concatenate([np.zeros(20), np.arange(0.0, 60, 5), np.zeros(1), np.arange(65.0, 0, -5), np.zeros(20)])
    found = spikes("vehicle_speed", np.arange(len(speed)), speed)
    assert np.flatnonzero(found).tolist() == [32]


def test_a_count_of_all_ones_is_no_engine_speed(tmp_path: Path) -> None:
    log = read(tmp_path, with_cells("Engine speed", "65535", slice(0, None, 9)))
    assert log.need("engine_speed").values.max() < 10_000
    assert "values-impossible" in codes(log)


def test_noughts_before_the_first_answer_make_no_gauge_of_a_pressure(tmp_path: Path) -> None:
    log = read(tmp_path, with_cells("Intake manifold", "0", slice(0, 40)))
    assert not log.gauge
    assert log.need("intake_manifold_pressure").values.min() > 20


def test_rows_of_one_signal_with_noughts_for_the_others_are_refused(tmp_path: Path) -> None:
    head, *rows = text(layout="sparse").splitlines()
    content = [head, *(",".join(cell or "0" for cell in row.split(",")) for row in rows)]
    with pytest.raises(LogError, match="0 for all the others"):
        read(tmp_path, "\n".join(content))


def test_a_packed_name_on_a_plain_file(tmp_path: Path) -> None:
    assert_true(read(tmp_path, text(layout="sweep"), "log.csv.gz"), polled=False)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("$GPRMC,180512.00,A,4830.0000,N,00906.0000,E,0.00,10.0,100326,,*3F\n" * 30, "this is NMEA"),
        ('<?xml version="1.0"?><gpx version="1.1"><trk></trk></gpx>', "track:"),
    ],
)
def test_positions_alone_are_no_log(tmp_path: Path, content: str, told: str) -> None:
    with pytest.raises(LogError, match=told):
        read(tmp_path, content)
