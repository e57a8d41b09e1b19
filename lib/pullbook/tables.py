"""From the bytes of a text log to a table: encoding, preamble, header, units row, delimiter and decimal mark.

Only the head of the file is looked at to decide the layout; the rest is read by pandas' C parser.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import re
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

import numpy as np
import pandas as pd

from pullbook.channels import mend_encoding, parse_unit
from pullbook.errors import LogError

HEAD_BYTES = 131_072
DELIMITERS = (";", "\t", ",", "|")
MISSING = (
    "--", "---", "-", "N/A", "n/a", "NA", "NODATA", "NO DATA", "no data", "null", "NULL", "None", "nan", "NaN", "?", "*",
)  # fmt: skip

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_CLOCK = re.compile(
    r"\d{1,4}([:/.-]\d{1,2}){1,2}([T ]\d{1,2}:\d{2}(:\d{2})?)?([.,]\d+)?(Z|[+-]\d{2}:?\d{2})?", re.ASCII
)


@dataclass(frozen=True)
class Layout:
    """How the text is laid out. Line numbers count from 0."""

    encoding: str
    delimiter: str
    decimal: str
    header_line: int | None
    units_line: int | None
    data_line: int
    headers: tuple[str, ...]
    units: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """A log as a table: one column per header (raw values, numbers where all are numbers)."""

    layout: Layout
    frame: pd.DataFrame


def read_table(path: Path) -> Table:
    """Read a delimited text log.

    Parameters
    ----------
    path : Path
        ``.csv``, ``.tsv`` or ``.txt``, also ``.gz``.

    Returns
    -------
    Table

    Raises
    ------
    LogError
        When the file is missing, empty, or no table can be found in it.
    """
    layout = find_layout(_head(path), path.name)
    width = len(layout.headers)
    try:
        with _opened(path) as stream:
            frame = pd.read_csv(
                stream,
                sep=layout.delimiter,
                decimal=layout.decimal,
                header=None,
                names=list(range(width)),
                # usecols makes the C parser forgive rows that are too long.
                usecols=list(range(width)),
                index_col=False,
                skiprows=layout.data_line,
                skipinitialspace=True,
                na_values=list(MISSING),
                encoding=layout.encoding,
                encoding_errors="replace",
                on_bad_lines="skip",
                quoting=csv.QUOTE_MINIMAL if layout.delimiter == "," else csv.QUOTE_NONE,
                low_memory=False,
            )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        raise LogError(f"{path.name}: cannot be read as a table ({error}). Export it again as CSV.") from None
    except (OSError, EOFError, zlib.error) as error:
        raise LogError(f"{path.name}: the file is damaged ({error}). Copy or export it again.") from None
    if frame.empty:
        raise LogError(f"{path.name}: has a header but no rows of data. Was the logger started?")
    return Table(layout=layout, frame=frame)


def find_layout(head: bytes, name: str) -> Layout:
    """Decide the layout from the first bytes of a log.

    Parameters
    ----------
    head : bytes
        The beginning of the (uncompressed) file.
    name : str
        File name, for messages.
    """
    encoding = _encoding(head)
    text = head.decode(encoding, errors="replace").replace("\x00", "").removeprefix("\ufeff")
    lines = text.splitlines()
    if len(head) >= HEAD_BYTES:
        lines = lines[:-1]
    if not any(line.strip() for line in lines):
        raise LogError(f"{name}: is empty. Export the log again.")
    delimiter = _delimiter(lines)
    rows = [_split(line, delimiter) for line in lines]
    decimal = _decimal(rows, delimiter)
    data_line = _first_data_line(rows, lines)
    if data_line is None:
        raise LogError(
            f"{name}: no table of numbers found in its first {len(lines)} lines. Allowed: a header line and then "
            "rows of numbers, separated by comma, semicolon or tab. Export the log as CSV."
        )
    width = Counter(len(row) for row in rows[data_line : data_line + 400] if len(row) > 1).most_common(1)[0][0]
    header_line, units_line = _header_lines(rows, data_line)
    headers = list(rows[header_line]) if header_line is not None else []
    while len(headers) > width and not headers[-1].strip():
        headers.pop()
    headers += [f"column {k + 1}" for k in range(len(headers), width)] if header_line is None else []
    units = rows[units_line] if units_line is not None else []
    return Layout(
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        header_line=header_line,
        units_line=units_line,
        data_line=data_line,
        headers=tuple(_distinct([mend_encoding(h.strip()) for h in headers])),
        units=tuple(mend_encoding(u.strip()) for u in units),
    )


def to_numbers(column: pd.Series, decimal: str) -> tuple[np.ndarray, int]:
    """Turn a raw column into floats; units inside cells ("82 C") are dropped.

    Returns
    -------
    values : ndarray of float, shape (rows,)
        NaN where a cell is blank or unreadable.
    unreadable : int
        Cells with text that is no number.
    """
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return column.to_numpy(dtype=float, na_value=np.nan), 0
    text = column.astype("string").str.strip()
    if decimal == ",":
        text = text.str.replace(",", ".", regex=False)
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    rest = np.isnan(values) & text.notna().to_numpy() & (text != "").to_numpy(dtype=bool, na_value=False)
    if rest.any():
        inside = text[rest].str.extract(r"^([+-]?\d+(?:\.\d+)?)\s*[^\d\s.:][^\d:]{0,11}$", expand=False)
        values[rest] = pd.to_numeric(inside, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    unreadable = int((np.isnan(values) & rest).sum())
    values[~np.isfinite(values)] = np.nan
    return values, unreadable


def is_number(cell: str) -> bool:
    """Tell whether a cell is a plain number, with either decimal mark."""
    return bool(_NUMBER.fullmatch(cell.strip()))


def _opened(path: Path) -> IO[bytes]:
    if path.name.lower().endswith(".gz"):
        return cast("IO[bytes]", gzip.open(path, "rb"))
    return path.open("rb")


def _head(path: Path) -> bytes:
    try:
        with _opened(path) as stream:
            return stream.read(HEAD_BYTES)
    except FileNotFoundError:
        raise LogError(f"{path.name}: no such file. Check the name.") from None
    except IsADirectoryError:
        raise LogError(f"{path.name}: is a folder, not a log. Give the file.") from None
    except (OSError, EOFError, zlib.error) as error:
        raise LogError(f"{path.name}: the file is damaged ({error}). Copy or export it again.") from None


def _encoding(head: bytes) -> str:
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return name
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _split(line: str, delimiter: str) -> list[str]:
    if '"' in line:
        return [cell.strip() for cell in next(csv.reader(io.StringIO(line), delimiter=delimiter), [])]
    return [cell.strip() for cell in line.split(delimiter)]


def _delimiter(lines: Sequence[str]) -> str:
    """Choose the delimiter that splits most lines, preferring those that cannot be a decimal mark."""
    sample = [line for line in lines if line.strip()][-300:]
    for delimiter in DELIMITERS:
        counts = [line.count(delimiter) for line in sample]
        if sum(count > 0 for count in counts) >= 0.8 * len(sample):
            return delimiter
    return ","


def _decimal(rows: Sequence[Sequence[str]], delimiter: str) -> str:
    if delimiter == ",":
        return "."
    cells = [cell for row in rows[-200:] for cell in row]
    commas = sum(bool(re.fullmatch(r"[+-]?\d+,\d+", cell)) for cell in cells)
    dots = sum(bool(re.fullmatch(r"[+-]?\d+\.\d+", cell)) for cell in cells)
    return "," if commas > dots else "."


def _is_data(row: Sequence[str]) -> bool:
    """A row of data: at least two filled cells or columns, and at least one number or time per text cell."""
    filled = [cell for cell in row if cell and cell not in MISSING]
    values = [cell for cell in filled if _is_value(cell)]
    return len(row) >= 2 and bool(values) and (_is_value(filled[0]) or len(values) >= len(filled) / 2)


def _is_value(cell: str) -> bool:
    return is_number(cell) or bool(_CLOCK.fullmatch(cell)) or bool(re.fullmatch(r"[+-]?\d+([.,]\d+)?\s?\D{1,6}", cell))


def _first_data_line(rows: Sequence[Sequence[str]], lines: Sequence[str]) -> int | None:
    """Find where a steady run of data rows begins."""
    known: dict[int, bool] = {}

    def good(k: int) -> bool:
        if k not in known:
            known[k] = _is_data(rows[k])
        return known[k]

    for k in range(len(rows)):
        following = [good(n) for n in range(k, min(k + 6, len(rows))) if lines[n].strip()]
        if good(k) and sum(following) >= max(1, len(following) - 1):
            width = len(rows[k])
            nearby = [len(row) for row in rows[k + 1 : k + 6] if len(row) > 1]
            if not nearby or width >= max(nearby) - 1:
                return k
    return None


def _header_lines(rows: Sequence[Sequence[str]], data_line: int) -> tuple[int | None, int | None]:
    above = [k for k in range(data_line - 1, -1, -1) if any(rows[k])]
    width = len(rows[data_line])
    above = [k for k in above[:3] if len(rows[k]) >= 0.5 * width and len(rows[k]) > 1]
    if not above:
        return None, None
    first = above[0]
    if len(above) > 1 and above[1] == first - 1 and _is_units(rows[first]):
        return above[1], first
    return first, None


def _is_units(row: Sequence[str]) -> bool:
    """A row of units: most filled cells are units, none is longer than a unit would be."""
    filled = [mend_encoding(cell) for cell in row if cell]
    known = sum(
        bool(parse_unit(cell)) or cell.lower().strip("[]()") in ("s", "ms", "sec", "-", "hh:mm:ss") for cell in filled
    )
    return bool(filled) and known >= 0.6 * len(filled)


def _distinct(headers: Sequence[str]) -> list[str]:
    seen: Counter[str] = Counter()
    out = []
    for k, header in enumerate(headers):
        plain = header or f"column {k + 1}"
        seen[plain] += 1
        out.append(plain if seen[plain] == 1 else f"{plain} ({seen[plain]})")
    return out
