"""From lines to a table: where it begins, its header and units row, and numbers from cells."""

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pullbook import PullbookError, read_log
from pullbook.layout import find_layout, is_number
from pullbook.source import encoding_of
from pullbook.tables import read_table, to_numbers


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


def test_without_a_header_columns_are_numbered() -> None:
    layout = find_layout([f"{k},{k},{k}" for k in range(20)], "log.csv")
    assert layout.header_line is None
    assert layout.headers == ("column 1", "column 2", "column 3")


def test_headers_are_made_distinct() -> None:
    layout = find_layout(["Time,Temp,Temp,,Temp", *(f"{k},1,2,3,4" for k in range(9))], "log.csv")
    assert layout.headers == ("Time", "Temp", "Temp (2)", "column 4", "Temp (3)")


def test_numbers_from_cells() -> None:
    column = pd.Series(["82 C", " 7.5", "-3e2", "1.2.3", "12:30", "NODATA", None, "inf", "5 km/h", "x9"])
    values, unreadable = to_numbers(column, ".")
    np.testing.assert_array_equal(values, [82, 7.5, -300, np.nan, np.nan, np.nan, np.nan, np.nan, 5, np.nan])
    assert unreadable == 3
    values, unreadable = to_numbers(pd.Series(["1,5", "2", "-,5", "3,25 bar"]), ",")
    np.testing.assert_array_equal(values, [1.5, 2, np.nan, 3.25])
    assert unreadable == 1
    assert to_numbers(pd.Series([True, False]), ".")[0].tolist() == [1, 0]


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


def test_parquet_without_its_reader_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    path = tmp_path / "log.parquet"
    path.write_bytes(b"PAR1")
    with pytest.raises(PullbookError, match=r"needs the package pyarrow. Install it \(pip install pyarrow\)"):
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
