"""Parquet files made to break: how large one is stands in it, and is looked at before anything is unpacked."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pullbook.errors import LogError
from pullbook.reading import parquet
from pullbook.reading.logs import read_log
from pullbook.reading.parquet import _Compact, read_frame
from pullbook.reading.tables import MAX_CELLS, read_table

pa = pytest.importorskip("pyarrow", reason="needs the extra parquet: .ci/run, make oldest and make newest have it")
pq = pytest.importorskip("pyarrow.parquet")


def refusal(path: Path) -> str:
    with pytest.raises(LogError) as caught:
        read_table(path)
    assert len(str(caught.value)) < 500
    return str(caught.value)


def peak_mb() -> float:
    return float(pa.default_memory_pool().max_memory()) / 1e6


# --- larger than they look ---------------------------------------------------------------------------------------


def test_one_long_text_in_many_rows_is_refused_before_it_is_written_out(tmp_path):
    """A file of a few kilobytes that makes 12 GB."""
    texts = pa.DictionaryArray.from_arrays(pa.array(np.zeros(12_000, dtype=np.int32)), pa.array(["x" * 1_000_000]))
    table = pa.table({"Time": np.arange(12_000.0), "Note": texts})
    path = tmp_path / "bomb.parquet"
    pq.write_table(table, path, compression="zstd", dictionary_pagesize_limit=10_000_000)
    assert path.stat().st_size < 200_000
    before = peak_mb()
    assert re.search(r"[\d,]{9,} bytes\b.*texts", refusal(path))
    assert peak_mb() < before + 300


def test_long_packed_texts_are_refused_before_they_are_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr(parquet, "MAX_BYTES", 20_000_000)
    path = tmp_path / "bomb.parquet"
    texts = [chr(97 + k) * 1_000_000 for k in range(26)]
    pq.write_table(pa.table({"Time": np.arange(26.0), "Note": texts}), path, compression="zstd", use_dictionary=False)
    assert path.stat().st_size < 100_000
    monkeypatch.setattr(pq.ParquetFile, "read", lambda *_, **__: pytest.fail("it was unpacked"))
    assert re.search(r"20,000,000 bytes\b.*unpacked", refusal(path))


def test_many_rows_of_one_value_are_refused_before_they_are_written_out(tmp_path, monkeypatch):
    path = tmp_path / "bomb.parquet"
    pq.write_table(pa.table({str(k): np.zeros(1_000_000) for k in range(11)}), path)
    assert path.stat().st_size < 300_000
    monkeypatch.setattr(pq.ParquetFile, "read", lambda *_, **__: pytest.fail("it was unpacked"))
    with pytest.raises(LogError, match=r"1,000,000 rows and 11 columns.*10,000,000 cells"):
        read_frame(path, max_columns=2000, max_cells=10_000_000)


def test_wide_values_are_refused(tmp_path):
    path = tmp_path / "wide.parquet"
    wide = pa.array([b"x" * 1000] * 50, type=pa.binary(1000))
    pq.write_table(pa.table({"Time": np.arange(50.0), "Blob": wide}), path)
    assert re.search("'Blob' .*1,000", refusal(path))


@pytest.mark.parametrize("kind", ["list", "struct of lists", "map"])
def test_columns_that_hold_lists_are_refused(tmp_path, kind):
    values, types = {
        "list": ([[1.0, 2.0]], pa.list_(pa.float64())),
        "struct of lists": ([{"a": [1.0]}], pa.struct([("a", pa.list_(pa.float64()))])),
        "map": ([[("a", 1.0)]], pa.map_(pa.string(), pa.float64())),
    }[kind]
    path = tmp_path / "nested.parquet"
    pq.write_table(pa.table({"Time": np.arange(20.0), "Nested": pa.array(values * 20, type=types)}), path)
    assert "holds lists" in refusal(path)


# --- each page's own size ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("compression", ["zstd", "snappy", "none"])
@pytest.mark.parametrize("version", ["1.0", "2.0"])
def test_the_sizes_of_the_pages_are_those_of_the_table_of_contents(tmp_path, compression, version):
    path = tmp_path / "log.parquet"
    rng = np.random.default_rng(1)
    table = pa.table({"a": rng.normal(size=40_000), "b": [f"text {k % 9}" for k in range(40_000)]})
    pq.write_table(table, path, compression=compression, data_page_version=version, data_page_size=8_000)
    metadata = pq.ParquetFile(path).metadata
    total = sum(metadata.row_group(0).column(k).total_uncompressed_size for k in range(2))
    with path.open("rb") as stream:
        sizes = list(parquet._page_sizes(stream, parquet._row_groups(stream)))
    assert len(sizes) > 10
    assert 0.9 * total < sum(sizes) <= total  # the table counts the pages' headers too


def zigzag(value: int) -> bytes:
    value, out = 2 * value, b""
    while value > 127:
        out, value = out + bytes([value & 127 | 128]), value >> 7
    return out + bytes([value])


def test_the_head_of_a_page_is_read_by_hand():
    """Apache Thrift's compact protocol: a field's number and kind in one byte, whole numbers as zigzag varints."""
    inside = b"\x15\x04" + b"\x18\x03abc" + b"\x11" + b"\x19\x25\x02\x04" + b"\x17" + b"\0" * 8 + b"\0"
    head = b"\x15\x00" + b"\x15" + zigzag(2_000_000_000) + b"\x15" + zigzag(1234) + b"\x2c" + inside + b"\x00tail"
    read = _Compact(head)
    found = read.structure()
    assert {k: found[k] for k in (1, 2, 3)} == {1: 0, 2: 2_000_000_000, 3: 1234}
    assert found[5] == {1: 2, 2: None, 3: None, 4: [1, 2], 5: None}
    assert head[read.place :] == b"tail"


@pytest.mark.parametrize("head", [b"\x1c" * 100, b"\x15", b"\x18\xff\xff\xff\xff\x0f", b"\x15\xff" * 3, b"\x1d\x00"])
def test_a_damaged_head_of_a_page_is_no_endless_one(head):
    with pytest.raises((ValueError, LookupError)):
        _Compact(head).structure()


# --- damaged -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("metadata", ["", "[]", "{", '{"index_columns": [1]}', '{"columns": 3}', "\\u0000", "9" * 5000])
def test_what_pandas_wrote_about_itself_does_not_matter(tmp_path, metadata):
    path = tmp_path / "log.parquet"
    table = pa.table({"Time [s]": np.arange(50.0), "Speed [km/h]": np.arange(50.0)})
    pq.write_table(table.replace_schema_metadata({"pandas": metadata}), path)
    assert len(read_log(path).need("vehicle_speed").time_s) == 50


def test_damaged_files_are_refused_and_never_a_fault(tmp_path):
    path = tmp_path / "log.parquet"
    numbers = np.arange(300.0)
    pd.DataFrame({"Time [s]": numbers, "Speed [km/h]": numbers, "Note": ["a", "b", "c"] * 100}).to_parquet(path)
    whole = path.read_bytes()
    rng = np.random.default_rng(5)
    refusals = []
    for _ in range(300):
        damaged = bytearray(whole)
        for place in rng.integers(4, len(whole) - 4, int(rng.integers(1, 6))):
            damaged[place] = int(rng.integers(0, 256))
        path.write_bytes(bytes(damaged))
        try:
            read_log(path)
        except LogError as refusal:
            refusals.append(str(refusal))
    assert 0 < len(refusals) < 300
    assert max(map(len, refusals)) < 2000


@pytest.mark.parametrize(
    ("frame", "said"),
    [
        (pd.DataFrame({"Time": np.zeros(0)}), "0 rows and 1 columns"),
        (pd.DataFrame(np.zeros((1, 3000)), columns=[str(k) for k in range(3000)]), "1 rows and 3,000 columns"),
    ],
)
def test_a_file_that_holds_no_drive_is_refused(tmp_path, frame, said):
    frame.to_parquet(tmp_path / "log.parquet")
    assert said in refusal(tmp_path / "log.parquet")


# --- what is read ------------------------------------------------------------------------------------------------


def test_an_index_of_times_is_a_column_and_one_of_row_numbers_is_none(tmp_path):
    path = tmp_path / "log.parquet"
    stamps = pd.date_range("2026-03-14 10:00", periods=50, freq="s")
    speeds = pd.DataFrame({"Speed [km/h]": np.arange(50.0)})
    speeds.set_index(stamps).to_parquet(path)
    assert read_log(path).start == stamps[0].to_pydatetime()
    speeds.assign(Time=np.arange(50.0))[::2].to_parquet(path)
    assert read_frame(path, max_columns=9, max_cells=MAX_CELLS).columns.tolist() == ["Speed [km/h]", "Time"]


def test_what_stands_about_pandas_is_plain_text_and_read_by_nobody(tmp_path):
    """Nothing that a file says of its types is turned into code."""
    path = tmp_path / "log.parquet"
    says = {"ARROW:extension:name": "arrow.py_extension_type", "ARROW:extension:metadata": "cos\nsystem\n(S'true'\ntR."}
    schema = pa.schema([pa.field("Time", pa.float64(), metadata=says), pa.field("Speed [km/h]", pa.float64())])
    table = pa.Table.from_arrays([pa.array(np.arange(50.0))] * 2, schema=schema)
    pq.write_table(table.replace_schema_metadata({"pandas": json.dumps({"columns": []})}), path)
    try:
        frame = read_frame(path, max_columns=9, max_cells=MAX_CELLS)
    except LogError:  # pyarrow itself refuses it, up to some version
        return
    assert frame["Time"].dtype == float


def test_a_time_stored_as_a_duration(tmp_path):
    path = tmp_path / "log.parquet"
    since = pd.to_timedelta(np.arange(40) * 500, unit="ms")
    pd.DataFrame({"time": since, "Speed [km/h]": np.arange(40.0)}).to_parquet(path)
    np.testing.assert_allclose(read_log(path).need("vehicle_speed").time_s, np.arange(40) / 2)
