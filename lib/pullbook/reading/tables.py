"""From the lines of a log to a table of numbers.

Only the head of the file is looked at to decide the layout (`pullbook.reading.layout`); the rest is read by pandas' C
parser, block by block, so that one damaged stretch does not turn a million numbers into text.
"""

from __future__ import annotations

import csv
import importlib.util
import itertools
import os
import re
import warnings
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

import numpy as np
import pandas as pd

from pullbook.errors import Finding, LogError
from pullbook.reading import j1979
from pullbook.reading.layout import MAX_COLUMNS, MISSING, Layout, distinct, find_layout
from pullbook.reading.source import HEAD_BYTES, PARQUET_SIGNATURE, Content, blocks, opened
from pullbook.reading.vocabulary import mend_encoding
from pullbook.text import counted

_S = TypeVar("_S")
_T = TypeVar("_T")

WORKERS = min(4, os.cpu_count() or 1)
LEAST_ROWS_LEFT = 10  # of a file that ends too early: with fewer there is no drive to speak of
ROWS_COUNTED = 200
MOST_DAMAGED = 0.25  # of the lines; where more are too long, the table changed on the way and is not merely damaged
LONG_ROWS = 100_000  # for shorter columns, starting threads takes longer than they save
HEADER_LINES = 60  # how far down headers with line ends inside may reach
LONGEST_CELL = 100  # characters that a number and its unit may take
MAX_CELLS = 100_000_000  # five million rows of twenty columns

_LEADING_NUMBER = r"^([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*(?:[^\d\s.:][^\d:]{0,11})?$"
_PARTED_BY_POINTS = r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+"
_PARTED_BY_COMMAS = r"\s*[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?\s*"
_THOUSANDS = r"^\s*[+-]?\d{1,3}\.\d{3},\d"
# 1 234 or 1'234; the spaces are the plain one, those that do not break, and the thin one.
_PARTED_BY_SPACES = r"^[+-]?[1-9]\d{0,2}(?:[ \u00a0\u2009\u202f'’]\d{3})+(?:[.,]\d*)?(?:\s?[^\d\s.:][^\d:]{0,11})?$"
_SPACE_WITHIN = r"(?<=\d)[ \u00a0\u2009\u202f'’](?=\d{3}(?!\d))"


@dataclass(frozen=True, eq=False)
class Table:
    """A log as a table.

    Attributes
    ----------
    layout : Layout
    columns : tuple of tuple of pandas.Series
        For each header a column: in one piece where all its cells are numbers, else in pieces of rows.
    findings : tuple of Finding
    """

    layout: Layout
    columns: tuple[tuple[pd.Series, ...], ...]
    findings: tuple[Finding, ...] = ()

    def __len__(self) -> int:
        """Count the rows."""
        return sum(map(len, self.columns[0]))

    def numbers(self, column: int) -> tuple[np.ndarray, int]:
        """Return a column as floats; see `to_numbers`.

        Parameters
        ----------
        column : int
            Counted from 0.

        Returns
        -------
        values : ndarray of float, shape (rows,)
            NaN where a cell is blank or unreadable.
        unreadable : int
            Cells with text that is no number.
        """
        parts = [to_numbers(piece, self.layout.decimal) for piece in self.columns[column]]
        values = parts[0][0] if len(parts) == 1 else np.concatenate([values for values, _ in parts])
        return values, sum(unreadable for _, unreadable in parts)

    def texts(self, column: int) -> pd.Series:
        """Return a column as text, blanks missing."""
        parts = [piece.astype("string").str.strip() for piece in self.columns[column]]
        return pd.concat(parts, ignore_index=True)

    def sample(self, column: int, size: int = 200) -> pd.Series:
        """Return the first filled cells of a column, ``size`` of them at most, all from one piece."""
        for piece in self.columns[column]:
            filled = piece.head(20 * size).dropna()
            filled = filled if len(filled) >= size else piece.dropna()
            if len(filled):
                return filled.head(size)
        return self.columns[column][0].head(0)

    def repeats(self, rows: np.ndarray, earlier: np.ndarray) -> np.ndarray:
        """Say which rows hold the very same cells as an earlier row.

        Parameters
        ----------
        rows, earlier : ndarray of int, shape (n,)
            Rows to be compared, pair by pair.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        same = np.ones(len(rows), dtype=bool)
        for pieces in self.columns:
            column = pieces[0] if len(pieces) == 1 else pd.concat(pieces, ignore_index=True)
            left, right = (column.iloc[at].reset_index(drop=True) for at in (rows, earlier))
            same &= ((left == right) | (left.isna() & right.isna())).to_numpy(dtype=bool)
        return same

    def is_numeric(self, column: int) -> bool:
        """Say whether every cell of a column is a number or blank."""
        return all(map(pd.api.types.is_numeric_dtype, self.columns[column]))


def read_table(path: Path) -> Table:
    """Read a log: delimited text, raw SAE J1979 answers as hex lines, or Parquet.

    Parameters
    ----------
    path : Path
        A text file, plain or gzip; Parquet where the optional reader is installed.

    Returns
    -------
    Table

    Raises
    ------
    LogError
        When the file is missing, empty, too large or damaged, or no table can be found in it.
    """
    table, changed = _read_once(path)
    if not changed:
        return table
    # Its last line may have been half written: once more, as far as lines are whole.
    table, _ = _read_once(path, whole_lines=True)
    return replace(table, findings=(*table.findings, _growing(len(table))))


def _read_once(path: Path, *, whole_lines: bool = False) -> tuple[Table, bool]:
    """Return the table, and whether the file was written to while it was read."""
    with opened(path, whole_lines=whole_lines) as raw:
        try:
            table = _read(raw, path)
        except LogError:
            if raw.cut_off:
                raise _too_little_left(path.name) from None
            raise
        if not raw.cut_off:
            return table, raw.changed
        if len(table) < LEAST_ROWS_LEFT:
            raise _too_little_left(path.name)
        return replace(table, findings=(*table.findings, _cut_short(len(table)))), raw.changed


def _read(raw: Content, path: Path) -> Table:
    if path.name.lower().endswith(".parquet"):
        return _read_parquet(path)
    source = blocks(raw, path.name)
    # A file may begin with line ends or filling, but not for long.
    first = next((block for block in itertools.islice(source, 8) if not block.isspace() and block), b"")
    if first.startswith(PARQUET_SIGNATURE):
        return _read_parquet(path)
    first = _with_headers_on_one_line(first)
    lines = first.decode("utf-8", errors="replace").split("\n")
    _refuse_markup(lines[0], path.name)
    if len(first) > HEAD_BYTES // 2 and len(lines) > 1:
        lines = lines[:-1]
    if not any(line.strip() for line in lines):
        raise LogError(f"{path.name}: the file is empty, or it starts with empty lines. Export the log again.")
    if j1979.looks_raw(lines):
        return _read_answers(itertools.chain([first], source), path.name)
    layout = find_layout(lines, path.name)
    return _read_delimited(first, source, layout, path.name)


def _with_headers_on_one_line(first: bytes) -> bytes:
    """Put a space for the line ends inside quoted headers; a quote that is not closed soon is a mark of inches."""
    lines = first.split(b"\n")
    odd = [k for k, line in enumerate(lines[:HEADER_LINES]) if line.count(b'"') % 2]
    if len(odd) < 2 or lines[odd[0]].lstrip(b'"')[:1].isdigit():
        return first
    start, end = odd[:2]
    return b"\n".join([*lines[:start], b" ".join(lines[start : end + 1]), *lines[end + 1 :]])


# A list or an object of JSON; a line such as "[Log data]" is none. A tag of XML or HTML.
_JSON = re.compile(r"\s*(?:\{\s*(?:\"|\}|$)|\[\s*(?:[\[{\"]|$))")
_NMEA = re.compile(r"\s*\$[A-Z]{4,5},")  # sentences of a satellite receiver
_XML = re.compile(r"\s*<[?!a-zA-Z]")


def _refuse_markup(line: str, name: str) -> None:
    """Refuse what begins as data for a program does: its rows are no lines."""
    what = "JSON" if _JSON.match(line) else "XML or HTML" if _XML.match(line) else "NMEA" if _NMEA.match(line) else ""
    if what:
        track = " A GPX track of a drive goes under its session, as track:." if "<gpx" in line[:1000].lower() else ""
        raise LogError(
            f"{name}: this is {what}, not a table. Allowed: a header line, then rows. Export the log as CSV.{track}"
        )


def _too_little_left(name: str) -> LogError:
    return LogError(f"{name}: the file ends too early, and too little is left to use. Copy or export it again.")


def _growing(rows: int) -> Finding:
    return Finding(
        code="log-growing",
        severity="warning",
        message=f"Something was still writing this log while pullbook read it. The {rows} complete rows were used. "
        "Stop the logger, then run this again.",
        evidence={"rows": rows},
    )


def _cut_short(rows: int) -> Finding:
    return Finding(
        code="file-cut-short",
        severity="warning",
        message=f"The file ends too early, as if a copy was interrupted. The first {rows} rows were read. The rest of "
        "the drive is missing. Copy the file again.",
        evidence={"rows": rows},
    )


def to_numbers(column: pd.Series, decimal: str) -> tuple[np.ndarray, int]:
    """Turn a raw column into floats; units inside cells ("82 C") are dropped.

    Parameters
    ----------
    column : pandas.Series
        Text or numbers.
    decimal : {".", ","}
        Mark of the log's decimals; with a comma, points that part thousands are taken out.

    Returns
    -------
    values : ndarray of float, shape (rows,)
        NaN where a cell is blank or unreadable.
    unreadable : int
        Cells with text that is no number.

    Examples
    --------
    >>> import pandas as pd
    >>> from pullbook.reading.tables import to_numbers
    >>> values, unreadable = to_numbers(pd.Series(["1.013,2 hPa", "-", "fault"]), decimal=",")
    >>> values.tolist(), unreadable
    ([1013.2, nan, nan], 1)
    """
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return column.to_numpy(dtype=float, na_value=np.nan), 0
    column = _without_thousands_points(column) if decimal == "," else _without_thousands_commas(column)
    try:
        values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan).copy()
    except (OverflowError, ValueError):  # a whole number of hundreds of digits is no reading
        texts = column.astype("string")
        column = texts.where(texts.str.len() <= LONGEST_CELL, "no number")
        values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan).copy()
    rest = np.isnan(values) & column.notna().to_numpy()
    text = column[rest].astype("string").str.strip(' "\t').str.replace("−", "-", regex=False)
    parted = text.str.match(_PARTED_BY_SPACES).fillna(value=False)
    if parted.any():
        text = text.mask(parted, text.str.replace(_SPACE_WITHIN, "", regex=True))
    if decimal == ",":
        text = text.str.replace(",", ".", regex=False)
    blank = text.isin(["", *MISSING]).to_numpy(dtype=bool)
    inside = text.str.extract(_LEADING_NUMBER, expand=False)
    values[rest] = pd.to_numeric(inside, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    rest[rest] = ~blank
    unreadable = int((np.isnan(values) & rest).sum())
    values[~np.isfinite(values)] = np.nan
    return values, unreadable


def in_threads(work: Callable[[_S], _T], items: Iterable[_S], *, rows: int) -> list[_T]:
    """Apply ``work`` to columns, several at a time: numpy works through long ones outside the interpreter's lock."""
    if rows < LONG_ROWS:
        return list(map(work, items))
    with ThreadPoolExecutor(WORKERS) as pool:
        return list(pool.map(work, items))


def _without_thousands_points(column: pd.Series) -> pd.Series:
    """Turn ``1.200,5`` into ``1200,5``, in all cells if one of them shows that points part thousands.

    So do ``1.200`` and ``800`` in one column, if no cell has a point elsewhere.
    """
    text = column.astype("string").str.strip()
    pointed = text[text.str.contains(".", regex=False).fillna(value=False)]
    plain = text.str.fullmatch(r"[1-9]\d{0,2}").fillna(value=False)
    parted = len(pointed) and plain.any() and bool(pointed.str.fullmatch(_PARTED_BY_POINTS).all())
    return text.str.replace(".", "", regex=False) if parted or text.str.contains(_THOUSANDS).any() else column


def _without_thousands_commas(column: pd.Series) -> pd.Series:
    """Turn ``1,200`` and ``1,200.5`` into ``1200`` and ``1200.5``, where points are the decimal mark."""
    text = column.astype("string")
    if not text.str.contains(",", regex=False).any():
        return column
    parted = text.str.fullmatch(_PARTED_BY_COMMAS).fillna(value=False)
    return text.mask(parted, text.str.replace(",", "", regex=False))


# --- reading -----------------------------------------------------------------------------------------------------


def _read_delimited(first: bytes, source: Iterator[bytes], layout: Layout, name: str) -> Table:
    delimiter = layout.delimiter.encode()
    lines = first.split(b"\n")
    body = b"\n".join(lines[layout.data_line :])
    # Rows may end in delimiters too many; a longer row than that is damaged and passed over.
    named = max(len(layout.headers), 0 if layout.header_line is None else _cells_in(lines[layout.header_line], layout))
    usual = Counter(_cells_in(line, layout) for line in lines[layout.data_line :][:ROWS_COUNTED]).most_common(1)[0][0]
    width = max(named + bool(re.search(re.escape(delimiter) + b" *(\n|$)", body)), usual)
    spaced = any(mark + b" " in first for mark in (delimiter, b'"'))
    parse = partial(_parse_block, layout=layout, named=named, width=width, spaced=spaced, name=name)
    tail = _Tail(delimiter)
    data = tail.watch(itertools.chain([body], source))
    frames = []
    repeats = cells = damaged = 0
    try:
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always")
            for frame, repeated, longer in _in_parallel(parse, data):
                cells += frame.size
                if cells > MAX_CELLS:
                    raise LogError(
                        f"{name}: more than {MAX_CELLS:,} cells. That is the limit for a log. Cut it down to this "
                        "drive."
                    )
                repeats += repeated
                damaged += longer
                if len(frame):
                    frames.append(frame)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError, OverflowError) as error:
        raise LogError(f"{name}: cannot be read as a table ({str(error)[:200]}). Export it again as CSV.") from None
    if not frames:
        raise LogError(f"{name}: a header, but no rows of data. Was the logger running?")
    damaged += sum(str(warning.message).count("Skipping line") for warning in told)
    rows = sum(map(len, frames))
    if damaged > MOST_DAMAGED * (rows + damaged):
        raise LogError(
            f"{name}: {damaged} of {rows + damaged} lines have more cells than the header, so which cell belongs to "
            "which column can't be known. Export the log again, or save the parts above and below the change as two "
            "files, and give both: log: [first.csv, second.csv]."
        )
    return Table(layout, _joined(frames), tuple(_damage(repeats, damaged, rows, tail.cut_off, layout.rows_above)))


def _joined(frames: list[pd.DataFrame]) -> tuple[tuple[pd.Series, ...], ...]:
    """Join the blocks' rows, column by column, where all blocks hold numbers."""

    def join(k: int) -> tuple[pd.Series, ...]:
        parts = tuple(frame[k] for frame in frames)
        if not all(map(pd.api.types.is_numeric_dtype, parts)):
            return parts
        values = np.concatenate(parts)
        if (infinite := np.isinf(values)).any():
            values[infinite] = np.nan
        return (pd.Series(values, copy=False),)

    return tuple(in_threads(join, range(frames[0].shape[1]), rows=sum(map(len, frames))))


def _in_parallel(parse: Callable[[bytes], _T], source: Iterator[bytes]) -> Iterator[_T]:
    """Apply ``parse`` to blocks, several at a time (the parser runs outside the interpreter's lock), in order."""
    with ThreadPoolExecutor(WORKERS) as pool:
        waiting: deque[Future[_T]] = deque()
        for block in source:
            waiting.append(pool.submit(parse, block))
            if len(waiting) > 2 * WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _parse_block(
    block: bytes, *, layout: Layout, named: int, width: int, spaced: bool, name: str
) -> tuple[pd.DataFrame, int, int]:
    """Parse whole lines; return their rows, how many lines repeated the header, and how many were too long.

    ``named`` cells have a place in the header, those up to ``width`` have to be blank.
    """
    block, longer = _without_long_start(block, layout, width)
    if not block or block.isspace():
        return pd.DataFrame(columns=range(width)), 0, longer
    parse = partial(_parse_text, layout=layout, width=width, spaced=spaced)
    try:
        frame = parse(_mend_quotes(block), quoting=csv.QUOTE_MINIMAL)
    except pd.errors.ParserError:
        # Quotes in odd places: the cells are read without any.
        frame = parse(block.replace(b'"', b""), quoting=csv.QUOTE_NONE)
    if (beyond := frame.iloc[:, named:].notna().any(axis=1)).any():
        frame, longer = frame[~beyond], longer + int(beyond.sum())
    repeated = _header_rows(frame, layout, name)
    return (frame[~repeated] if repeated.any() else frame), int(repeated.sum()), longer


def _without_long_start(block: bytes, layout: Layout, width: int) -> tuple[bytes, int]:
    """Take lines with too many cells off the start: with one of them first, pandas takes every line that is as long."""
    start = count = 0
    while start < len(block):
        end = block.find(b"\n", start)
        end = len(block) if end < 0 else end
        line = block[start:end]
        if line.strip() and _cells_in(line, layout) <= width:
            break
        start, count = end + 1, count + bool(line.strip())
    return (block[start:], count) if count else (block, 0)


def _cells_in(line: bytes, layout: Layout) -> int:
    if b'"' in line and len(line) < csv.field_size_limit():
        return len(next(csv.reader([line.decode("utf-8", errors="replace")], delimiter=layout.delimiter), []))
    return line.count(layout.delimiter.encode()) + 1


def _header_rows(frame: pd.DataFrame, layout: Layout, name: str) -> np.ndarray:
    """Say which rows say the header again; one that names the columns in another order cannot be passed over."""
    texts = [k for k in frame if not pd.api.types.is_numeric_dtype(frame[k])]
    if layout.header_line is None or len(texts) <= len(layout.headers) / 2:  # a row of words leaves no column numbers
        return np.zeros(len(frame), dtype=bool)
    named = frame[texts].isin(set(layout.headers)).to_numpy().sum(axis=1)
    first = (frame[0].astype("string").str.strip() == layout.headers[0]).to_numpy(dtype=bool, na_value=False)
    found: np.ndarray = first | (named > len(layout.headers) / 2)
    for row in frame[found].drop_duplicates().astype("string").fillna("").to_numpy():
        said = [mend_encoding(str(cell).strip()) for cell in row]
        if any(said[1:]) and distinct(said)[: len(layout.headers)] != list(layout.headers):
            raise LogError(
                f"{name}: the header is repeated, with other columns or in another order ({', '.join(said)[:120]!r}). "
                "Save the part above that line and the part below it as two files, and give both: "
                "log: [first.csv, second.csv]."
            )
    return found


def _parse_text(text: bytes, *, layout: Layout, width: int, spaced: bool, quoting: Literal[0, 3]) -> pd.DataFrame:
    return pd.read_csv(
        cast("Any", _Block(text)),
        sep=layout.delimiter,
        decimal=layout.decimal,
        header=None,
        names=list(range(width)),
        index_col=False,
        skipinitialspace=spaced,
        na_values=_missing_in(text),
        encoding_errors="replace",
        on_bad_lines="warn",
        quoting=quoting,
        low_memory=False,
    )


def _missing_in(text: bytes) -> list[str]:
    """Return the words for a missing value; those for infinity only where they stand: they slow down every number."""
    infinite = b"i" in text and b"inf" in text  # the first alone is looked for ten times faster
    return [word for word in MISSING if infinite or not word.endswith("inf")]


def _mend_quotes(block: bytes) -> bytes:
    """Take the quotes out of a line with an unpaired one, which would swallow everything up to the next."""
    if b'"' not in block:
        return block
    lines = block.split(b"\n")
    return b"\n".join(line if line.count(b'"') % 2 == 0 else line.replace(b'"', b"") for line in lines)


class _Block:
    """Bytes that the parser may read as they are; from a binary stream it would decode and encode them first."""

    def __init__(self, content: bytes) -> None:
        self._content = content

    def read(self, size: int = -1) -> bytes:
        """Return everything at once, then nothing."""
        content, self._content = self._content, b""
        return content

    def __iter__(self) -> Iterator[bytes]:
        return iter([self._content])


class _Tail:
    """Watches for a last line that was cut off, and leaves it out: its last number may lack digits."""

    def __init__(self, delimiter: bytes) -> None:
        self._delimiter = delimiter
        self.cut_off = False

    def watch(self, source: Iterator[bytes]) -> Iterator[bytes]:
        before = b""
        for block in source:
            text = block
            if text and not text.endswith(b"\n"):
                body, _, last = text.rpartition(b"\n")
                previous = (body or before).rstrip(b"\n").rpartition(b"\n")[2]
                if previous and last.count(self._delimiter) < previous.count(self._delimiter):
                    self.cut_off = True
                    text = body
            before = text or before
            yield text


def _damage(repeats: int, damaged: int, rows: int, cut_off: bool, above: int = 0) -> Iterator[Finding]:
    if above:
        yield Finding(
            code="table-above",
            severity="note",
            message=f"A smaller table of {counted(above, 'row')} above the log's own header was not used.",
            evidence={"rows": above},
        )
    if repeats:
        yield Finding(
            code="header-repeated",
            severity="note",
            message=(
                f"The header is repeated {counted(repeats, 'time')}. Logging was probably stopped and started again."
            ),
            evidence={"times": repeats},
        )
    if damaged:
        yield Finding(
            code="rows-damaged",
            severity="warning" if damaged > 0.01 * rows else "note",
            message=f"Skipped {counted(damaged, 'line')} with more cells than the header.",
            evidence={"lines": damaged, "of": rows + damaged},
        )
    if cut_off:
        yield Finding(code="last-line-cut", severity="note", message="The last line is cut off, so it was not used.")


def _read_answers(source: Iterator[bytes], name: str) -> Table:
    """Read raw answers as the long layout they are: time, signal, value, unit."""
    answers = j1979.decode(line for block in source for line in block.decode("utf-8", "replace").split("\n"))
    if len(answers.times) < 2:
        raise LogError(f"{name}: raw answers, but none from a signal that pullbook uses. {j1979.ALLOWED}")
    frame = pd.DataFrame(dict(enumerate((answers.times, answers.signals, answers.numbers, answers.units))))
    layout = Layout(
        delimiter=" ",
        decimal=".",
        header_line=None,
        units_line=None,
        data_line=0,
        headers=("Time", "Signal", "Value", "Unit"),
        units=(),
    )
    return Table(layout, _columns_of(frame), answers.findings)


def _read_parquet(path: Path) -> Table:
    if importlib.util.find_spec("pyarrow") is None:
        raise LogError(
            f"{path.name}: Parquet needs the package pyarrow. Install it (pip install pyarrow), or export the "
            "log as CSV."
        )
    from pullbook.reading.parquet import read_frame

    frame = read_frame(path, max_columns=MAX_COLUMNS, max_cells=MAX_CELLS)
    headers = tuple(distinct([mend_encoding(str(column).strip()) for column in frame.columns]))
    frame.columns = pd.RangeIndex(len(headers))
    for column in frame.select_dtypes("timedelta"):
        frame[column] = frame[column].dt.total_seconds()
    layout = Layout(
        delimiter="", decimal=".", header_line=None, units_line=None, data_line=0, headers=headers, units=()
    )
    return Table(layout, _columns_of(frame.reset_index(drop=True)))


def _columns_of(frame: pd.DataFrame) -> tuple[tuple[pd.Series, ...], ...]:
    return tuple((frame[k],) for k in frame)
