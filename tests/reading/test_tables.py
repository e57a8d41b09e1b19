"""From lines to a table: where it begins, its header and units row, and numbers from cells."""

import gzip
import importlib.util
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pullbook import PullbookError, read_log
from pullbook.errors import LogError
from pullbook.reading import tables
from pullbook.reading.layout import find_layout, is_number
from pullbook.reading.source import encoding_of
from pullbook.reading.tables import read_table, to_numbers


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_header_units_row_and_preamble(delimiter: str) -> None:
    lines = [
        "Logged on the road",
        "Rate,10",
        "",
        "Time;Speed;Boost",
        "s;km/h;kPa",
        *(f"{k};{k};{k}" for k in range(20)),
    ]
    layout = find_layout([line.replace(";", delimiter) for line in lines], "log.csv")
    assert (layout.delimiter, layout.header_line, layout.units_line, layout.data_line) == (delimiter, 3, 4, 5)
    assert layout.headers == ("Time", "Speed", "Boost")
    assert layout.units == ("s", "km/h", "kPa")


@pytest.mark.parametrize("times", [[f"{k}" for k in range(20)], [f"{k / 2:.1f}".replace(".", ",") for k in range(20)]])
def test_a_bar_between_cells_wins_over_the_comma_in_their_decimals(times) -> None:
    lines = ["Time|Speed|Charge", *(f"{time}|{k},5|{k + 20},0" for k, time in enumerate(times))]
    assert find_layout(lines, "log.csv").delimiter == "|"


@pytest.mark.parametrize(
    ("above", "header", "units"),
    [
        ("Time,Speed,Charge temp\ns,mph,°F\n", 0, 1),
        ("Time,Speed,Charge temp\n\ns,mph,°F\n", 0, 2),
        ("Time,Speed,Charge temp\n\ns,mph,°F\n\n", 0, 2),
        ("s,mph,°F\nTime,Speed,Charge temp\n", 1, 0),
        ("Logged on a drive,,\nTime,Speed,Charge temp\n", 1, None),
    ],
)
def test_units_stand_below_the_headers_or_above_with_blank_lines_between(above, header, units) -> None:
    lines = [*above.splitlines(), *(f"{k}.0,40,68" for k in range(20))]
    layout = find_layout(lines, "log.csv")
    assert (layout.header_line, layout.units_line) == (header, units)
    assert layout.headers == ("Time", "Speed", "Charge temp")
    assert layout.units == (() if units is None else ("s", "mph", "°F"))


def test_a_row_that_says_the_same_everywhere_is_no_header() -> None:
    lines = ["Time,Speed,Boost", "s,km/h,kPa", "ECU,ECU,ECU", *(f"{k},{k},{k}" for k in range(20))]
    layout = find_layout(lines, "log.csv")
    assert (layout.headers, layout.units) == (("Time", "Speed", "Boost"), ("s", "km/h", "kPa"))


def test_polish_letters_of_windows() -> None:
    assert encoding_of("Temperatura płynu chłodzącego (°C)\n".encode("cp1250")) == "cp1250"
    assert encoding_of("Débit d'air (m³/h);Température (°C)\n".encode("cp1252")) == "cp1252"
    assert encoding_of("Teplota chladicí kapaliny;Otáčky motoru\n".encode("cp1250")) == "cp1250"
    assert encoding_of("Скорость, км/ч;Обороты двигателя, об/мин\n".encode("cp1251")) == "cp1251"


def test_without_a_header_columns_are_numbered() -> None:
    layout = find_layout([f"{k},{k},{k}" for k in range(20)], "log.csv")
    assert layout.header_line is None
    assert layout.headers == ("column 1", "column 2", "column 3")


def test_headers_are_made_distinct() -> None:
    layout = find_layout(["Time,Temp,Temp,,Temp", *(f"{k},1,2,3,4" for k in range(9))], "log.csv")
    assert layout.headers == ("Time", "Temp", "Temp (2)", "column 4", "Temp (3)")


def test_a_header_nobody_could_name_is_cut(tmp_path: Path) -> None:
    rows = "".join(f"{k}.0,{60 + k % 20}\n" for k in range(120))
    path = tmp_path / "log.csv"
    path.write_text(f"Time (s),Vehicle speed (km/h),{'x' * 100_000}\n" + rows.replace("\n", ",1\n"), encoding="utf-8")
    assert [len(column) for column in read_log(path).unknown_columns] == [393]


def test_numbers_from_cells() -> None:
    column = pd.Series(["82 C", " 7.5", "-3e2", "1.2.3", "12:30", "NODATA", None, "inf", "5 km/h", "x9"])
    values, unreadable = to_numbers(column, ".")
    np.testing.assert_array_equal(values, [82, 7.5, -300, np.nan, np.nan, np.nan, np.nan, np.nan, 5, np.nan])
    assert unreadable == 3
    values, unreadable = to_numbers(pd.Series(["1,5", "2", "-,5", "3,25 bar"]), ",")
    np.testing.assert_array_equal(values, [1.5, 2, np.nan, 3.25])
    assert unreadable == 1
    assert to_numbers(pd.Series([True, False]), ".")[0].tolist() == [1, 0]


def test_thousands() -> None:
    assert to_numbers(pd.Series(["3,594", "830", "1,234.5", "12,34"]), ".")[0].tolist()[:3] == [3594, 830, 1234.5]
    assert to_numbers(pd.Series(["3.594", "830", "1.200"]), ",")[0].tolist() == [3594, 830, 1200]
    assert to_numbers(pd.Series(["0.875", "1.013", "1"]), ",")[0].tolist() == [0.875, 1.013, 1]
    lines = ["Time,RPM,Speed", *(f'{k / 10},"{2000 + k:,}",{k}' for k in range(20))]
    assert find_layout(lines, "log.csv").decimal == "."
    lines = ["Time,RPM,Speed", *(f'"{k},125",{2000 + k},{k}' for k in range(20))]
    assert find_layout(lines, "log.csv").decimal == ","


def test_plain_numbers() -> None:
    assert all(map(is_number, ["1", "-2.5", "+3,25", ".5", "1e-3", " 4 "]))
    assert not any(map(is_number, ["", "-", "1.2.3", "12:30", "5 km", "٣"]))


def test_damage_in_one_block_leaves_the_others_numbers(tmp_path: Path) -> None:
    # 2.5 MB in blocks of 1 MB: a word in the middle one.
    rows = [f"{k},{k % 1000},{k % 77}" for k in range(200_000)]
    rows[100_000] = "100000,fault,5"
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time [s],Speed [km/h],Boost [kPa]", *rows, ""]))
    table = read_table(path)
    assert len(table) == 200_000
    assert [pd.api.types.is_numeric_dtype(piece) for piece in table.columns[1]].count(False) == 1
    assert len(table.columns[0]) == len(table.columns[2]) == 1
    values, unreadable = table.numbers(1)
    assert unreadable == 1
    np.testing.assert_array_equal(np.delete(values, 100_000), np.delete(np.arange(200_000) % 1000, 100_000))
    assert table.numbers(0)[0].tolist() == list(range(200_000))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be", "cp1252"])
def test_encoding_is_told_without_a_mark(encoding: str) -> None:
    text = "Time;Kühlmittel °C\n" + "1;82\n" * 50
    assert encoding_of(text.encode(encoding)) == encoding
    assert encoding_of(b"Time,Speed\0\n1,2\n" * 40) == "utf-8"


def test_more_blocks_than_threads_stay_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "WORKERS", 1)
    path = tmp_path / "log.csv"  # 4 MB in blocks of 1 MB
    path.write_text(
        "\n".join(["Time [s],Speed [km/h],Boost [kPa]", *(f"{k},{k % 1000},{k % 77}" for k in range(300_000))])
    )
    assert path.stat().st_size > 3 << 20
    assert read_table(path).numbers(0)[0].tolist() == list(range(300_000))


def test_a_number_beyond_all_numbers_is_a_missing_one(tmp_path: Path) -> None:
    """1e999 is infinite to the parser; in a mean it would be infinite to the person."""
    path = tmp_path / "log.csv"
    path.write_text("Time [s],Speed [km/h]\n" + "\n".join(f"{k},{'1e999' if k == 7 else k}" for k in range(30)) + "\n")
    values, _ = read_table(path).numbers(1)
    np.testing.assert_array_equal(values, [k if k != 7 else np.nan for k in range(30)])


def test_quotes_in_odd_places_do_not_swallow_the_rest(tmp_path: Path) -> None:
    """Two in a line, so that it looks whole; but the second opens a cell that never ends."""
    path = tmp_path / "log.csv"
    rows = [f"{k},{k},{k}" for k in range(30)]
    rows[28] = '28,28","28'
    path.write_text("\n".join(["Time [s],Speed [km/h],Boost [kPa]", *rows, ""]))
    table = read_table(path)
    assert [table.numbers(column)[0].tolist() for column in range(3)] == [[float(k) for k in range(30)]] * 3


def test_more_cells_than_a_drive_can_have_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MAX_CELLS", 50)
    path = tmp_path / "log.csv"
    path.write_text("Time [s],Speed [km/h]\n" + "\n".join(f"{k},{k}" for k in range(30)) + "\n")
    with pytest.raises(PullbookError, match=r"log\.csv: .*\b50 cells"):
        read_table(path)


def test_a_packed_log_of_which_a_few_rows_are_left_is_refused(tmp_path: Path) -> None:
    packed = gzip.compress(("Time [s],Speed [km/h]\n" + "".join(f"{k},{k}\n" for k in range(9))).encode(), mtime=0)
    path = tmp_path / "log.csv.gz"
    path.write_bytes(packed[:-5])  # all nine rows are there; the check sum behind them is cut
    with pytest.raises(PullbookError, match=r"log\.csv\.gz: .*too early"):
        read_table(path)


def test_parquet_under_another_name_is_told_as_such(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The magic, a page header (Thrift compact protocol: its first field, an i32, begins with 0x15) and binary data in
    # which line ends occur; from memory of the format's description.
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    path = tmp_path / "log.csv"
    path.write_bytes(b"PAR1\x15\x04\x15" + bytes(range(256)) * 20 + b"PAR1")
    with pytest.raises(PullbookError, match=r"log\.csv: .*pyarrow"):
        read_table(path)
    path.write_text("PAR1,Time [s]\n" + "".join(f"{k},{k}\n" for k in range(20)))
    assert read_table(path).layout.headers == ("PAR1", "Time [s]")


@pytest.fixture
def parquet_reader(monkeypatch: pytest.MonkeyPatch) -> Callable[[pd.DataFrame], None]:
    """Stand for the optional reader, so that what is done with its answer is tested where it is not installed."""

    def answers(answer: pd.DataFrame) -> None:
        monkeypatch.setattr(importlib.util, "find_spec", lambda name: object())
        monkeypatch.setattr("pullbook.reading.parquet.read_frame", lambda path, **limits: answer.copy())

    return answers


def test_columns_of_parquet_are_named_as_in_a_text(tmp_path: Path, parquet_reader: Callable[..., None]) -> None:
    (tmp_path / "log.parquet").write_bytes(b"PAR1")
    frame = pd.DataFrame([[0.0, 1.0, 2.0], [0.5, 3.0, 4.0]], columns=[" Time [s] ", "Temp", "Temp"], index=[7, 9])
    parquet_reader(frame)
    table = read_table(tmp_path / "log.parquet")
    assert table.layout.headers == ("Time [s]", "Temp", "Temp (2)")
    assert [table.numbers(k)[0].tolist() for k in range(3)] == [[0.0, 0.5], [1.0, 3.0], [2.0, 4.0]]


def test_parquet_without_its_reader_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    path = tmp_path / "log.parquet"
    path.write_bytes(b"PAR1")
    with pytest.raises(PullbookError, match=r"\(pip install pyarrow\)"):
        read_log(path)


def test_parquet_is_read(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow", reason="needs the extra parquet: .ci/run, make oldest and make newest have it")
    path = tmp_path / "log.parquet"
    stamps = pd.date_range("2026-03-14 10:00", periods=50, freq="500ms")
    frame = pd.DataFrame({"Time": stamps, "Speed [km/h]": np.arange(50.0), "IAT [°F]": np.full(50, 68.0)})
    frame.to_parquet(path)
    log = read_log(path)
    assert log.start == stamps[0].to_pydatetime()
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, 0.5 * np.arange(50))
    np.testing.assert_allclose(log.need("intake_air_temperature").at(0), 20)
    path.write_bytes(b"PAR1 and more")
    with pytest.raises(PullbookError, match="is damaged"):
        read_log(path)


# --- another table above, and what is no table -----------------------------------------------------------------------

DRIVE = "Time (s),Vehicle speed (km/h),Engine speed (rpm),Charge (degC),Boost (kPa)\n" + "".join(
    f"{k / 2:.1f},{60 + k % 40},{2000 + k},{40 + k % 9},{120 + k % 30}\n" for k in range(300)
)


@pytest.mark.parametrize("between", ["", "\n"])
@pytest.mark.parametrize("delimiter", [",", ";"])
def test_a_small_table_above_the_log_is_passed_over_and_told(tmp_path, between, delimiter):
    trips = "Trip,Distance\n" + "".join(f"{k},{1.5 * k}\n" for k in range(1, 9))
    path = tmp_path / "drive.csv"
    path.write_text((trips + between + DRIVE).replace(",", delimiter))
    table = read_table(path)
    assert len(table) == 300
    assert table.layout.headers[1] == "Vehicle speed (km/h)"
    (told,) = [f for f in table.findings if f.code == "table-above"]
    assert told.evidence["rows"] == 8


def test_two_long_tables_are_refused_as_two(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_text("Trip,Distance\n" + "".join(f"{k},{1.5 * k}\n" for k in range(40)) + DRIVE)
    with pytest.raises(LogError, match="two tables, one of 2 columns from line 2 on, and one of 5 from line 42"):
        read_table(path)


def test_decimal_commas_are_still_called_that(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_text("Time (s),Speed (km/h)\n" + "".join(f"{k},5,{60 + k % 20},1\n" for k in range(100)))
    with pytest.raises(LogError, match="Decimal commas"):
        read_table(path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[" + ", ".join(f'{{"t": {k}, "speed": {k}}}' for k in range(9000)) + "]", "JSON"),
        ('{"time": [1, 2, 3], "speed": [3, 4, 5]}', "JSON"),
        ("<?xml version='1.0'?><log>" + "<r t='1'/>" * 20_000 + "</log>", "XML"),
        (",".join(map(str, range(40_000))), "40000 columns"),
    ],
)
def test_a_file_of_one_long_line_is_called_what_it_is(tmp_path, text, said):
    path = tmp_path / "drive.csv"
    path.write_text(text)
    with pytest.raises(LogError, match=said):
        read_table(path)


def test_a_preamble_in_brackets_is_no_json(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_text("[Log data]\n" + DRIVE)
    assert len(read_table(path)) == 300


@pytest.mark.parametrize("mark", [" ", "\u00a0", "\u202f", "'", "’"])
def test_marks_between_thousands_and_the_true_minus(mark: str) -> None:
    cells = pd.Series([f"1{mark}234", f"1{mark}234{mark}567.5", "980", "−3.5", f"12{mark}34"])
    values, unreadable = to_numbers(cells, ".")
    np.testing.assert_array_equal(values, [1234, 1234567.5, 980, -3.5, np.nan])
    assert unreadable == 1


def numbers(count: int = 40) -> list[str]:
    return [f"{k / 2},{40 + k % 9},{900 + k}" for k in range(count)]


def log_text(*head: str, rows: list[str]) -> str:
    return "\n".join([*head, *rows]) + "\n"


HEAD = "Time [s],Speed [km/h],RPM"


def test_a_longer_line_at_the_start_of_a_block_lets_no_others_in(tmp_path: Path, monkeypatch) -> None:
    path = tmp_path / "log.csv"
    rows = numbers(2000)
    for k in range(1500, 1900):
        rows[k] = rows[k].replace(",", ",,", 1)
    monkeypatch.setattr("pullbook.reading.source.BLOCK_BYTES", 500)
    monkeypatch.setattr("pullbook.reading.source.HEAD_BYTES", 2000)
    path.write_text(log_text(HEAD, rows=rows))
    log = read_log(path)
    assert len(log.need("engine_speed").values) == 1600
    assert next(f for f in log.findings if f.code == "rows-damaged").evidence["lines"] == 400


def test_a_table_that_grows_wider_on_the_way_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(log_text(HEAD, rows=[row if k < 20 else f"{row},1" for k, row in enumerate(numbers())]))
    with pytest.raises(PullbookError, match="20 of 40 lines have more cells"):
        read_log(path)


def test_a_header_without_a_name_for_the_row_number(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(log_text(HEAD, rows=[f"{k + 1},{row}" for k, row in enumerate(numbers())]))
    np.testing.assert_array_equal(read_log(path).need("engine_speed").values, 900 + np.arange(40))


def test_a_header_with_a_name_too_few_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(log_text(HEAD, rows=[f"{row},{k % 7}" for k, row in enumerate(numbers())]))
    with pytest.raises(PullbookError, match="4 cells under 3 headers"):
        read_log(path)


@pytest.mark.parametrize(
    "head",
    [
        ['"Time\n[s]","Speed\n[km/h]",RPM'],
        ["Gain,1.0,2.0", "Offset,0.5,0.25", "", HEAD],
        ["Clock,Vehicle,Engine", "Time [s],Speed,Speed"],
    ],
    ids=["line ends in headers", "numbers above", "two lines"],
)
def test_headers_in_odd_places(tmp_path: Path, head: list[str]) -> None:
    path = tmp_path / "log.csv"
    path.write_text(log_text(*head, rows=numbers()))
    assert set(read_log(path).signals) == {"vehicle_speed", "engine_speed"}


def test_a_longer_row_among_the_first_is_no_end_of_the_header(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = numbers()
    rows[2] += ",a,b,c"
    path.write_text(log_text(HEAD, rows=rows))
    assert len(read_log(path).need("engine_speed").values) == 39
