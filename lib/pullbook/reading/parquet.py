"""A Parquet file as a frame of numbers and texts, after its table of contents shows that it is no larger than a log.

Runs of one value and packed pages make gigabytes of a few kilobytes. How many rows there are, how wide, and how long
each page is once unpacked all stand in the file, so that is looked at first; texts are read as numbers into a list of
the different ones, and written out only if they fit.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from pullbook.errors import LogError
from pullbook.reading.source import MAX_BYTES

if TYPE_CHECKING:
    import pandas as pd

MAX_WIDTH = 64  # bytes of a value whose width is fixed
HEADER_BYTES = 65_536  # of a page, more than any has
MAX_DEPTH = 16  # structures and lists inside one another; a table of contents has ten
MAX_FOOTER_BYTES = 20_000_000


def read_frame(path: Path, *, max_columns: int, max_cells: int) -> pd.DataFrame:
    """Read a Parquet file.

    Parameters
    ----------
    path : Path
    max_columns, max_cells : int
        As for any log.

    Returns
    -------
    DataFrame
        A column for each of the file's; an index that pandas stored without a name is left out.

    Raises
    ------
    LogError
        When it is damaged, empty, or larger than a log may be.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    name = path.name
    try:
        with pq.ParquetFile(path) as file:
            with path.open("rb") as stream:
                groups = _row_groups(stream)
                _check_shape(file, groups, name, max_columns=max_columns, max_cells=max_cells)
                total = 0
                for size in _page_sizes(stream, groups):
                    total += size
                    if total > MAX_BYTES:
                        raise _too_large(name, "bytes once unpacked")
            columns = map(file.schema.column, range(len(file.schema)))
            texts = [column.path for column in columns if column.physical_type == "BYTE_ARRAY"]
        with pq.ParquetFile(path, read_dictionary=texts) as file:
            table = file.read()
        kept = [k for k in range(table.num_columns) if not _is_row_number(table.field(k))]
        kept.sort(key=lambda k: not _is_index(table.field(k)))  # times that pandas kept as the index come first
        held = [_written_out(table.column(k), name) for k in kept]
        plain = pa.Table.from_arrays(held, names=[str(k) for k in kept])
        frame: pd.DataFrame = plain.to_pandas(ignore_metadata=True)
        frame.columns = ["Time" if _is_index(field) else field.name for field in map(table.field, kept)]
    except LogError:
        raise
    except Exception as error:  # anything that a damaged file makes the reader raise
        said = " ".join(str(error).split())[:200] or type(error).__name__
        raise LogError(f"{name}: the file is damaged ({said}). Copy or export it again.") from None
    return frame


def _check_shape(file: Any, groups: Sequence[_Fields], name: str, *, max_columns: int, max_cells: int) -> None:
    rows, columns = file.metadata.num_rows, len(file.schema)
    rows = max(rows, sum(group.get(3, 0) for group in groups))
    if rows < 1 or not 1 <= columns <= max_columns or rows * columns > max_cells:
        raise LogError(
            f"{name}: {rows:,} rows and {columns:,} columns. Allowed: 1 row or more, at most {max_columns:,} columns "
            f"and {max_cells:,} cells. Export just this drive."
        )
    for k in range(columns):
        column = file.schema.column(k)
        if column.max_repetition_level or column.max_definition_level > 1:
            raise LogError(
                f"{name}: the column {column.path[:60]!r} holds lists. Allowed: one value a row. Export it as CSV."
            )
        if column.physical_type == "FIXED_LEN_BYTE_ARRAY" and column.length > MAX_WIDTH:
            raise _too_large(name, f"bytes: each value of {column.path[:60]!r} takes {column.length:,}")


def _too_large(name: str, what: str) -> LogError:
    return LogError(
        f"{name}: larger than {MAX_BYTES:,} {what}. That is the limit for a log. Cut it down to this drive."
    )


def _written_out(column: Any, name: str) -> Any:
    """Turn a column of numbers into a list of texts into the texts, unless they would be too long."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not pa.types.is_dictionary(column.type):
        return column
    total = 0
    for chunk in column.chunks:
        lengths = pc.take(pc.binary_length(chunk.dictionary), chunk.indices)
        total += pc.sum(pc.cast(lengths, pa.int64())).as_py() or 0
    if total > MAX_BYTES:
        raise _too_large(name, "bytes once its texts are expanded")
    return pa.chunked_array([chunk.dictionary_decode() for chunk in column.chunks], type=column.type.value_type)


def _is_index(field: Any) -> bool:
    """Recognise an index without a name, as pandas stores it."""
    return str(field.name).startswith("__index_level_")


def _is_row_number(field: Any) -> bool:
    """Recognise an index that pandas only made up: it has no name, and holds no time."""
    import pyarrow as pa

    return _is_index(field) and not pa.types.is_temporal(field.type)


# --- what stands where, by the file's own word -----------------------------------------------------------------------
# Apache Thrift's compact protocol, as parquet.thrift has it (both published by the Apache Software Foundation); fields
# go by their numbers there. pyarrow's own look at the table of contents ends the process where that is damaged.

_Fields = dict[int, Any]


def _row_groups(stream: IO[bytes]) -> list[_Fields]:
    """Return the row groups of the table of contents (FileMetaData, field 4)."""
    stream.seek(-8, os.SEEK_END)
    length = int.from_bytes(stream.read(4), "little")
    if length > MAX_FOOTER_BYTES:
        raise ValueError("its table of contents is too long for a log")
    stream.seek(-8 - length, os.SEEK_END)
    groups = _Compact(stream.read(length)).structure().get(4, [])
    return list(groups)


def _page_sizes(stream: IO[bytes], groups: Sequence[_Fields]) -> Iterator[int]:
    """Yield the size that each page claims to have once it is unpacked, at least that in the file."""
    for group in groups:
        for chunk in group[1]:  # RowGroup.columns
            column = chunk[3]  # ColumnChunk.meta_data
            # ColumnMetaData: where data pages and the dictionary begin, and how far they reach in the file.
            position = min(start for start in (column[9], column.get(11, 0)) if start > 0)
            end = position + column[7]
            while position < end:
                stream.seek(position)
                head = _Compact(stream.read(HEADER_BYTES))
                fields = head.structure()
                unpacked, packed = fields[2], fields[3]  # PageHeader
                if unpacked < 0 or packed < 0:
                    raise ValueError("a page with a negative size")
                yield max(unpacked, packed)
                position += head.place + packed


class _Compact:
    """Bytes in the compact protocol, read from left to right."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        self.place = 0

    def structure(self, depth: int = 0) -> _Fields:
        """Return a structure's whole numbers, texts, lists and structures, by the numbers of their fields."""
        if depth > MAX_DEPTH:
            raise ValueError("structures nested too deeply")
        found: _Fields = {}
        number = 0
        while (first := self._byte()) != 0:
            number = number + (first >> 4) if first >> 4 else self._signed()
            found[number] = None if first & 15 in (1, 2) else self._value(first & 15, depth)  # true and false
        return found

    def _value(self, kind: int, depth: int) -> Any:
        if kind in (4, 5, 6):
            return self._signed()
        if kind in (9, 10):
            if depth > MAX_DEPTH:
                raise ValueError("lists nested too deeply")
            first = self._byte()
            count = first >> 4 if first >> 4 != 15 else self._number()
            if count > len(self._content):
                raise ValueError("a list without an end")
            return [self._value(first & 15, depth + 1) for _ in range(count)]
        if kind == 12:
            return self.structure(depth + 1)
        length = self._number() if kind == 8 else {1: 1, 2: 1, 3: 1, 7: 8}[kind]
        self.place += length
        if self.place > len(self._content):
            raise ValueError("a text without an end")
        return None  # nobody needs it

    def _byte(self) -> int:
        value = self._content[self.place]
        self.place += 1
        return value

    def _number(self) -> int:
        value = shift = 0
        while (part := self._byte()) & 128:
            value |= (part & 127) << shift
            shift += 7
            if shift > 63:
                raise ValueError("a number of more than 64 bits")
        return value | part << shift

    def _signed(self) -> int:
        value = self._number()
        return (value >> 1) ^ -(value & 1)
