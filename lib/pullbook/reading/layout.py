"""How the text of a log is laid out, judged by its first lines: delimiter, decimal mark, header and units row."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from pullbook.errors import LogError
from pullbook.reading.units import parse_unit
from pullbook.reading.vocabulary import mend_encoding

MAX_COLUMNS = 2_000
LONGEST_HEADER = 390  # characters; experiment.yaml can name one of up to 400
DELIMITERS = (";", "\t", "|", ",")
OTHER_ROWS = 20  # of data with another delimiter are no preamble
MISSING = (
    "--", "---", "----", "-", "N/A", "n/a", "n.a.", "NA", "NODATA", "NoData", "nodata", "NO DATA", "No data", "no data",
    "null", "NULL", "None", "nan", "NaN", "?", "*", "ERR", "ERROR", "Error", "inf", "-inf", "#N/A",
)  # fmt: skip

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_CLOCK = re.compile(
    r"\d{1,4}([:/.-]\d{1,2}){1,2}([T ]\d{1,2}:\d{2}(:\d{2})?)?([.,]\d+)?\s?(Z|[AaPp][Mm]|[+-]\d{2}:?\d{2})?", re.ASCII
)
_NUMBER_WITH_UNIT = re.compile(r"[+-]?\d+([.,]\d+)?\s?([^\d\s.,:;][^\d,;:]{0,9})")
_THOUSANDS = re.compile(r'"[+-]?[1-9]\d{0,2}(,\d{3})+"')
_POINT = re.compile(r"[+-]?\d+\.\d+")
_QUOTED_DECIMAL_COMMA = re.compile(r'"[+-]?\d+(?:,\d+)+"')
_Cells = Callable[[int], list[str]]  # a line's number to its cells


@dataclass(frozen=True)
class Layout:
    """How the text is laid out. Line numbers count from 0.

    Attributes
    ----------
    delimiter, decimal : str
        Between cells, and in numbers.
    header_line, units_line : int or None
        None where there is no such line.
    data_line : int
        The first line of numbers.
    headers, units : tuple of str
        A header for each column; units are empty without a line of them.
    preamble : tuple of str
        The lines above the header.
    rows_above : int
        Of another, narrower table above this one, such as a summary.
    """

    delimiter: str
    decimal: str
    header_line: int | None
    units_line: int | None
    data_line: int
    headers: tuple[str, ...]
    units: tuple[str, ...]
    preamble: tuple[str, ...] = ()
    rows_above: int = 0


def find_layout(lines: Sequence[str], name: str) -> Layout:
    """Decide the layout from the first lines of a log.

    Parameters
    ----------
    lines : sequence of str
        The beginning of the file.
    name : str
        File name, for messages.

    Returns
    -------
    Layout

    Raises
    ------
    LogError
        When no table of numbers begins in these lines.
    """
    delimiter = _delimiter(lines)

    @cache
    def cells(line: int) -> list[str]:  # of the thousands of lines given, some hundreds decide
        return _split(lines[line], delimiter)

    data_line = _first_data_line(cells, lines)
    if data_line is None:
        shown = next(line for line in lines if line.strip()).strip()[:60]
        raise LogError(
            f"{name}: no table of numbers in the first {len(lines)} lines (it starts: {shown!r}). Allowed: a header "
            "line, then rows of numbers, separated by comma, semicolon, tab or |. Export the log as CSV."
        )
    data_line, rows_above = _below_a_narrower_table(cells, lines, data_line, name)
    latest = range(max(data_line, len(lines) - 200), len(lines))
    decimal = _decimal([lines[k] for k in latest], [cells(k) for k in latest], delimiter)
    sampled = [cells(k) for k in range(data_line, min(data_line + 400, len(lines))) if len(cells(k)) > 1]
    width = Counter(map(len, sampled)).most_common(1)[0][0]
    header_line, units_line = _header_lines(cells, data_line)
    _refuse_another_table(lines[: data_line if header_line is None else header_line], delimiter, width, name)
    headers = _headers(cells, header_line, units_line)
    filled = int(np.median([_filled_width(row) for row in sampled]))
    if header_line is not None and filled > len(cells(header_line)):
        if filled - 1 != len(headers) or not _counts_up([row[0] for row in sampled]):
            raise _too_few_headers(name, data_line, filled, len(headers), delimiter)
        headers.insert(0, "")  # only the row number at the front has no name
    while headers and not headers[-1]:
        headers.pop()
    headers += [""] * (max(width if header_line is None else 0, min(filled, width)) - len(headers))
    if len(headers) > MAX_COLUMNS:
        raise LogError(f"{name}: {len(headers)} columns. The limit is {MAX_COLUMNS}. Log fewer signals.")
    units = cells(units_line) if units_line is not None else []
    return Layout(
        delimiter=delimiter,
        decimal=decimal,
        header_line=header_line,
        units_line=units_line,
        data_line=data_line,
        headers=tuple(distinct([mend_encoding(header) for header in headers])),
        units=tuple(mend_encoding(unit) for unit in units),
        preamble=tuple(lines[:header_line]) if header_line else (),
        rows_above=rows_above,
    )


def _headers(cells: _Cells, header_line: int | None, units_line: int | None) -> list[str]:
    """Return the cells of the header, those of a line above it put before them if they alone part the columns."""
    if header_line is None:
        return []
    headers = list(cells(header_line))
    top = min(header_line, header_line if units_line is None else units_line)
    over = cells(top - 1) if top else []
    named = [header for header in headers if header]
    if len(set(named)) == len(named) or len(over) != len(headers) or not all(over) or any(map(_is_value, over)):
        return headers
    both = [f"{above} {header}".strip() for above, header in zip(over, headers, strict=True)]
    return both if len(set(both)) == len(both) else headers


def _counts_up(first_cells: Sequence[str]) -> bool:
    """Say whether a column only numbers the rows."""
    numbers = [int(cell) for cell in first_cells if cell.isascii() and cell.isdigit() and len(cell) < 10]
    return 1 < len(numbers) == len(first_cells) and bool((np.diff(numbers) == 1).all())


def _too_few_headers(name: str, data_line: int, cells: int, headers: int, delimiter: str) -> LogError:
    found = f"{name}, line {data_line + 1}: {cells} cells under {headers} headers."
    if delimiter == "," and cells >= 1.5 * headers:
        return LogError(
            f"{found} Decimal commas look just like the commas between cells. Export with semicolons or with decimal "
            "points."
        )
    return LogError(f"{found} Which column has no name can't be known. Give every column a name in the header.")


def _below_a_narrower_table(cells: _Cells, lines: Sequence[str], data_line: int, name: str) -> tuple[int, int]:
    """Pass over a small table above the log's own, such as a summary of the trip.

    Returns
    -------
    data_line : int
        The first line of numbers of the log itself.
    rows : int
        Of the table above it.

    Raises
    ------
    LogError
        When the narrower table is too long to be a mere summary.
    """
    own = len(cells(data_line))
    nearby = range(data_line, min(data_line + 400, len(lines)))
    widths = Counter(len(cells(k)) for k in nearby if len(cells(k)) > 1)
    usual = widths.most_common(1)[0][0]
    least = own if _header_lines(cells, data_line)[0] is None else own + 1  # under a header of its own a table goes on
    for k in nearby if usual >= least else ():
        named = [cell for cell in cells(k) if cell]
        if len(named) >= max(usual - 1, least) and not any(map(_is_value, named)):
            below = _first_data_line(cells, lines, start=k + 1)
            if below is None or len(cells(below)) < least:
                continue
            rows = sum(_is_data(cells(n)) for n in range(data_line, k))
            if rows >= OTHER_ROWS:
                raise LogError(
                    f"{name}: two tables, one of {own} columns from line {data_line + 1} on, and one of {usual} from "
                    f"line {k + 1} on. Save each as a file of its own."
                )
            return below, rows
    return data_line, 0


def _refuse_another_table(above: Sequence[str], delimiter: str, width: int, name: str) -> None:
    """Refuse a log whose delimiter changes on the way: what stands above would be lost as if it were no data."""
    for other in DELIMITERS:
        rows = [] if other == delimiter else [k for k, line in enumerate(above) if line.count(other) >= width - 1 > 1]
        data = [k for k in rows if _is_data(_split(above[k], other))]
        if len(data) >= OTHER_ROWS:
            raise LogError(
                f"{name}: its cells are separated by {other!r} from line {data[0] + 1} to {data[-1] + 1}, and by "
                f"{delimiter!r} below. Save the two parts as two files, and give both: log: [first.csv, second.csv]."
            )


def unit_in_cell(cell: str) -> str | None:
    """Return the unit written behind a number in a cell, such as ``°F`` in ``68 °F``; None without one."""
    match = _NUMBER_WITH_UNIT.fullmatch(cell.strip())
    said = match[2].strip() if match else ""
    return said if said and parse_unit(said) else None


def is_number(cell: str) -> bool:
    """Say whether a cell is a plain number, with either decimal mark."""
    return bool(_NUMBER.fullmatch(cell.strip()))


def _split(line: str, delimiter: str) -> list[str]:
    if '"' in line and len(line) < csv.field_size_limit():  # a quote may open a cell that is longer than any is
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    return [cell.strip() for cell in line.split(delimiter)]


def _delimiter(lines: Sequence[str]) -> str:
    """Choose the delimiter that splits most lines, preferring those that cannot be a decimal mark."""
    sample = [line for line in lines if line.strip()][-300:]
    for delimiter in DELIMITERS:
        if sum(delimiter in line for line in sample) >= 0.8 * len(sample):
            return delimiter
    return max(DELIMITERS, key=lambda delimiter: sum(delimiter in line for line in sample))


def _decimal(lines: Sequence[str], rows: Sequence[Sequence[str]], delimiter: str) -> str:
    if delimiter == ",":
        # Only quotes can tell a decimal comma from a delimiter; and beside decimal points it parts thousands.
        quoted = [number for line in lines for number in _QUOTED_DECIMAL_COMMA.findall(line)]
        thousands = all(map(_THOUSANDS.fullmatch, quoted)) and any(
            _POINT.fullmatch(cell) for row in rows for cell in row
        )
        return "," if quoted and not thousands else "."
    cells = [cell for row in rows for cell in row]
    commas = sum(bool(re.fullmatch(r"[+-]?(\d{1,3}\.)*\d+,\d+([eE]\+?\d+|\s?[^\d.,:]{1,9})?", cell)) for cell in cells)
    dots = sum(bool(re.fullmatch(r"[+-]?\d+\.\d+(\s?[^\d.,:]{1,9})?", cell)) for cell in cells)
    return "," if commas > dots else "."


def _filled_width(row: Sequence[str]) -> int:
    return max((k + 1 for k, cell in enumerate(row) if cell), default=0)


def _is_data(row: Sequence[str]) -> bool:
    """A row of data: at least two filled cells or columns, and at least one number or time per text cell."""
    filled = [cell for cell in row if cell and cell not in MISSING]
    values = [cell for cell in filled if _is_value(cell)]
    return len(row) >= 2 and bool(values) and (_is_value(filled[0]) or len(values) >= len(filled) / 2)


def _is_value(cell: str) -> bool:
    return bool(_NUMBER.fullmatch(cell) or _CLOCK.fullmatch(cell) or _NUMBER_WITH_UNIT.fullmatch(cell))


def _first_data_line(cells: _Cells, lines: Sequence[str], *, start: int = 0) -> int | None:
    """Find where a steady run of data rows begins."""

    @cache
    def good(line: int) -> bool:
        return _is_data(cells(line))

    for k in range(start, len(lines)):
        following = [good(n) for n in range(k, min(k + 6, len(lines))) if lines[n].strip()]
        if good(k) and sum(following) >= max(1, len(following) - 1):
            width = len(cells(k))
            nearby = [len(cells(n)) for n in range(k + 1, min(k + 6, len(lines))) if len(cells(n)) > 1]
            if not nearby or width >= np.median(nearby) - 1:
                return k
    return None


def _header_lines(cells: _Cells, data_line: int) -> tuple[int | None, int | None]:
    """Return the line of headers and that of units, which may stand below the headers or above them."""
    above = [k for k in range(data_line - 1, -1, -1) if any(cells(k))]
    width = len(cells(data_line))
    above = [k for k in above[:3] if len(cells(k)) >= 0.5 * width and len(cells(k)) > 1]
    same = len(above) > 1 and len({cell for cell in cells(above[0]) if cell}) <= sum(map(bool, cells(above[0]))) / 2
    if same and not _is_units(cells(above[0])):
        above = above[1:]  # a row that says the same nearly everywhere, as "float", names no column
    if not above:
        return None, None
    first, second = above[0], above[1] if len(above) > 1 else None
    if second is None or any(any(cells(k)) for k in range(second + 1, first)):  # blank lines between are passed over
        return first, None
    if _is_units(cells(first)):
        return second, first
    return first, second if _is_units(cells(second)) else None


def _is_units(row: Sequence[str]) -> bool:
    """A row of units: most filled cells are units, none is longer than a unit would be."""
    filled = [mend_encoding(cell) for cell in row if cell]
    known = sum(
        bool(parse_unit(cell)) or cell.lower().strip("[]()") in ("s", "ms", "sec", "-", "hh:mm:ss") for cell in filled
    )
    return bool(filled) and known >= 0.6 * len(filled)


def distinct(headers: Sequence[str]) -> list[str]:
    """Number headers that come more than once, name those that are blank, and cut those that nobody could name."""
    seen: Counter[str] = Counter()
    out = []
    for k, header in enumerate(headers):
        plain = header or f"column {k + 1}"
        if len(plain) > LONGEST_HEADER:
            plain = plain[:LONGEST_HEADER] + "..."
        seen[plain] += 1
        out.append(plain if seen[plain] == 1 else f"{plain} ({seen[plain]})")
    return out
