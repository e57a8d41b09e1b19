"""The bytes of a log: opened, unpacked, bounded, decoded and cleaned, as whole lines of UTF-8.

Everything a damaged or hostile file can do to memory or time is stopped here, before any layout is looked for.
"""

from __future__ import annotations

import codecs
import gzip
import os
import stat
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from pullbook.errors import LogError
from pullbook.reading.vocabulary import known_words

HEAD_BYTES = 131_072
BLOCK_BYTES = 4_000_000
MAX_BYTES = 1_000_000_000  # unpacked; a day of twenty signals at 10 Hz is a tenth of it
MAX_LINE_BYTES = 1_000_000

# How files start that are no text at all (the formats' own published signatures).
_SIGNATURES = (
    (b"PK\x03\x04", "a spreadsheet or ZIP archive"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet format"),
    (b"%PDF", "a PDF document"),
    (b"SQLite format 3", "a database"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
)
GZIP_SIGNATURE = b"\x1f\x8b"
PARQUET_SIGNATURE = b"PAR1\x15"  # and the first byte of a page header: a text may begin with a column PAR1
WESTERN_EASTERN_CYRILLIC = ("cp1252", "cp1250", "cp1251")


class Content:
    """What a file holds, unpacked.

    Attributes
    ----------
    cut_off : bool
        A gzip file ended before its end: what was read is whole, but not all.
    whole_lines : bool
        The file is being written to, so a line counts only once its end is there.
    """

    def __init__(self, stream: IO[bytes], *, packed: bool, whole_lines: bool = False) -> None:
        self._stream, self._known = stream, os.fstat(stream.fileno())
        self.whole_lines = whole_lines
        self._read = gzip.GzipFile(fileobj=stream, mode="rb").read1 if packed else stream.read
        self.cut_off = False

    @property
    def changed(self) -> bool:
        """Whether something has written to the file since it was opened."""
        now = os.fstat(self._stream.fileno())
        return (now.st_size, now.st_mtime_ns) != (self._known.st_size, self._known.st_mtime_ns)

    def read(self, size: int) -> bytes:
        """Return so many bytes, fewer only at the end."""
        parts = []
        try:
            while size > 0 and (part := self._read(size)):
                parts.append(part)
                size -= len(part)
        except EOFError:
            self.cut_off = True
        return b"".join(parts)


@contextmanager
def opened(path: Path, *, whole_lines: bool = False) -> Iterator[Content]:
    """Open a log, unpacking gzip by its signature; faults of the file become refusals.

    Parameters
    ----------
    path : Path
    whole_lines : bool
        As for `Content`.

    Yields
    ------
    Content

    Raises
    ------
    LogError
        When the file is missing, a folder, too large, not text, or damaged.
    """
    name = path.name
    try:
        check_ordinary(path)
        with path.open("rb") as stream:
            size = path.stat().st_size
            start = stream.read(16)
            stream.seek(0)
            if size > MAX_BYTES:
                raise _too_large(name)
            if kind := next((kind for mark, kind in _SIGNATURES if start.startswith(mark)), None):
                raise LogError(f"{name}: this is {kind}, not a text log. Allowed: text with columns. Export it as CSV.")
            packed = start.startswith(GZIP_SIGNATURE)
            yield Content(stream, packed=packed, whole_lines=whole_lines)
    except FileNotFoundError:
        raise LogError(f"{name}: no such file. Check the name.") from None
    except IsADirectoryError:
        raise LogError(f"{name}: this is a folder, not a log. Give the file.") from None
    except PermissionError:
        raise LogError(f"{name}: you have no permission to read it. Allow reading it.") from None
    except (OSError, zlib.error) as error:
        raise LogError(f"{name}: the file is damaged ({error}). Copy or export it again.") from None


def check_ordinary(path: Path) -> None:
    """Refuse what is not an ordinary file: a named pipe would be waited for for ever, and a device never ends.

    Raises
    ------
    LogError
        When it is neither an ordinary file nor a folder.
    OSError
        When it is not there.
    """
    kind = path.stat().st_mode
    if not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
        raise LogError(f"{path.name}: not an ordinary file but a pipe or a device. Give the log as a file.")


def blocks(raw: Content, name: str) -> Iterator[bytes]:
    r"""Yield the log as blocks of whole lines, in UTF-8, without NUL bytes, each line ended by ``\n``.

    Parameters
    ----------
    raw : Content
    name : str
        File name, for messages.

    Yields
    ------
    bytes
        Whole lines.

    Raises
    ------
    LogError
        When more than `MAX_BYTES` come out, or a line is longer than `MAX_LINE_BYTES`.

    Notes
    -----
    The first block holds at most `HEAD_BYTES`. The very last line comes as it is found, without a line end if it has
    none: it may have been cut off. Where the file itself was, it is left out.
    """
    total = 0
    carry = half = b""
    decode: Callable[[bytes], bytes] | None = None
    size = HEAD_BYTES
    while piece := raw.read(size):
        total += len(piece)
        if total > MAX_BYTES:
            raise _too_large(name)
        if decode is None:
            decode = _decoder(encoding_of(piece))
            text = decode(piece).removeprefix(codecs.BOM_UTF8)
        else:
            text = half + decode(piece)
        half = b""
        if b"\r" in text:
            # A line end may be cut in two between blocks.
            half = b"\r" if text.endswith(b"\r") else b""
            text = text.removesuffix(b"\r").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        cut = text.rfind(b"\n") + 1
        lines = b"".join((carry, memoryview(text)[:cut])) if cut else b""
        carry = text[cut:] if cut else carry + text
        if len(carry) > MAX_LINE_BYTES:
            raise LogError(
                f"{name}: the line near byte {total - len(carry):,} is longer than {MAX_LINE_BYTES:,} bytes. That is "
                "the limit for a line. Is this a text log? Export it again."
            )
        size = BLOCK_BYTES
        yield lines
    carry += half
    if carry.strip() and not (raw.cut_off or raw.whole_lines):
        yield carry


def encoding_of(head: bytes) -> str:
    """Guess the encoding from the first bytes: a mark, the pattern of UTF-16, valid UTF-8, else the code of most words.

    Parameters
    ----------
    head : bytes
        The beginning of a file.

    Returns
    -------
    {"utf-8", "utf-16-le", "utf-16-be", "cp1250", "cp1251", "cp1252"}
    """
    for mark, name in ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if head.startswith(mark):
            return name
    sample = head[:4096]
    even, odd = sample[::2].count(0), sample[1::2].count(0)
    # Plain text in UTF-16 has a NUL in nearly every second byte, and none in the others.
    if max(even, odd) > 0.3 * len(sample) / 2 and min(even, odd) < 0.05 * len(sample) / 2:
        return "utf-16-le" if odd > even else "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        sample = head[:8192]
        return max(WESTERN_EASTERN_CYRILLIC, key=lambda code: known_words(sample.decode(code, errors="replace")))
    return "utf-8"


def _decoder(encoding: str) -> Callable[[bytes], bytes]:
    if encoding == "utf-8":
        return lambda piece: piece.replace(b"\0", b"")
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    return lambda piece: decoder.decode(piece).replace("\0", "").encode("utf-8", errors="replace")


def _too_large(name: str) -> LogError:
    return LogError(f"{name}: larger than {MAX_BYTES:,} bytes. That is the limit for a log. Cut it down to this drive.")
