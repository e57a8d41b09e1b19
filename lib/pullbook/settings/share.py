"""Make finished files fit to share: the one place, and the last, where everything that is shared is scrubbed.

Files are taken apart as whoever reads them does it: JSON into its strings, a page into its scripts, figures and text, a
CSV into its cells; so figures beside each other are never taken for a position, and no escape hides a text. Whatever
was found anywhere is looked for everywhere, written without its spaces and signs too. Then the finished files are
searched once more, and refused if anything is left.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import struct
import zlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any

from pullbook.errors import PullbookError
from pullbook.settings.files import RESULTS
from pullbook.settings.privacy import as_read, find, renamed, shared_names, spans_in, without

Text = Callable[[str], str]

_SCRIPT = re.compile(r"(<script[^>]{0,200}>)(.*?)(</script>)", re.DOTALL)
_PLAIN_CHUNKS = {b"IHDR", b"IDAT", b"IEND", b"PLTE", b"tRNS"}
_PASSES = 3  # what stood on both sides of something that went may be something itself
_LEAST = 6  # letters and digits of something that is looked for by itself; shorter ones are other things as well
_PLAIN = {int, float, bool, type(None)}
_NUMBERS = {"f8", "f4", "i4", "u4", "i2", "u2", "i1", "u1", "u1c"}  # kinds of arrays in a figure


def fit_to_share(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """Take out of finished files what must not be shared.

    Parameters
    ----------
    files : mapping of str to bytes
        Content by name. Those that are shared together belong together here: what a session is called, and what is
        taken out, is then the same in all.

    Returns
    -------
    dict
        The same files; byte for byte those given where nothing had to go.

    Raises
    ------
    PullbookError
        When something is left that cannot be taken out. It names the file, and does not repeat what was found.
    """
    names = shared_names(json.loads(files[RESULTS])["sessions"]) if RESULTS in files else {}
    found: set[str] = set()
    search = cache(find)  # page and notebook hold the same texts, and each is looked at once more when it is done

    def clean(text: str) -> str:
        text = renamed(text, names)
        for _ in range(_PASSES):
            if not (hits := search(text)):
                break
            found.update(secret for _, _, secret in hits)
            text = without(text, hits)
        return text

    done = {name: _rewritten(name, content, clean) for name, content in files.items()}
    known = {squeezed for secret in found if _tells(squeezed := _squeezed(secret))}
    if known:
        loose = [_loosely(secret) for secret in known]
        done = {
            name: _rewritten(name, content, lambda text: _without_known(text, loose)) for name, content in done.items()
        }
    for name, content in done.items():
        if _left(name, content, known, names, search):
            raise PullbookError(
                f"{name}: something private in it could not be removed, so nothing was written. Check the names of "
                "sessions, logs and columns, or keep the page to yourself with: pullbook run --private"
            )
    return done


def pack(text: str) -> str:
    """Return a text as a page holds it for the browser to unpack: deflated (RFC 1950), in base64."""
    return base64.b64encode(zlib.compress(text.encode(), 9)).decode("ascii")


def unpack(packed: str) -> str:
    """Return a text that `pack` packed."""
    return zlib.decompress(base64.b64decode(packed)).decode()


@cache
def packed_library() -> str:
    """Return the library that draws a page's interactive pictures, packed."""
    from plotly.offline import get_plotlyjs

    return pack(str(get_plotlyjs()))


# --- taking files apart ------------------------------------------------------------------------------------------


def _rewritten(name: str, content: bytes, text: Text) -> bytes:
    """Return a file with a function applied to every text in it."""
    kind = name.rpartition(".")[2].lower()
    if kind == "png":
        _check_picture(name, content)
        return content
    written = content.decode("utf-8")
    if kind in ("json", "ipynb"):
        value = json.loads(written)
        changed = _walked(value, text, keys=kind == "json")
        if changed == value:
            return content
        return (json.dumps(changed, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
    if kind in ("html", "htm"):
        return _page(written, text).encode()
    if kind == "csv":
        return _table(written, text).encode()
    return text(written).encode()


def _walked(value: Any, text: Text, *, keys: bool) -> Any:
    """Copy plain JSON with every string changed; the keys of a figure and of a notebook are not a person's."""
    if isinstance(value, str):
        return text(value)
    if isinstance(value, list):
        if _PLAIN.issuperset(map(type, value)):
            return value  # the numbers of a picture
        if len(value) > 1 and all(isinstance(item, str) for item in value) and all("\n" in item for item in value[:-1]):
            return text("".join(value)).splitlines(keepends=True)  # a notebook's text, in lines
        return [_walked(item, text, keys=keys) for item in value]
    if isinstance(value, dict):
        if value.keys() >= {"dtype", "bdata"}:
            return _array(value, text)
        return {(text(key) if keys else key): _walked(item, text, keys=keys) for key, item in value.items()}
    return value


def _array(value: dict[str, Any], text: Text) -> dict[str, Any]:
    """Return an array of a figure as it is if it holds numbers; anything else in base64 is a text."""
    raw = base64.b64decode(str(value["bdata"]), validate=True)
    if value["dtype"] not in _NUMBERS:
        raise PullbookError(
            f"a figure holds an array of type {str(value['dtype'])[:20]!r}. That type cannot be searched"
        )
    plain = raw.replace(b"\0", b"")
    if (
        len(plain) >= _LEAST
        and plain.isascii()
        and plain.decode().isprintable()
        and text(plain.decode()) != plain.decode()
    ):
        return {**value, "bdata": ""}
    return value


def _page(page: str, text: Text) -> str:
    """Return a page with its text and its packed data changed; the drawing library stays as it is."""
    parts, done = [], 0
    for match in _SCRIPT.finditer(page):
        opening, script, closing = match.groups()
        parts.append(text(page[done : match.start()]))
        if "data-packed" not in opening:
            script = text(script)
        elif len(script) != len(packed_library()) or script != packed_library():
            value = json.loads(unpack(script))
            changed = _walked(value, text, keys=False)
            script = script if changed == value else pack(json.dumps(changed, allow_nan=False))
        parts += [opening, script, closing]
        done = match.end()
    return "".join([*parts, text(page[done:])])


def _table(table: str, text: Text) -> str:
    rows = list(csv.reader(io.StringIO(table, newline="")))
    changed = [[text(cell) for cell in row] for row in rows]
    if changed == rows:
        return table
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(changed)
    return stream.getvalue()


def _check_picture(name: str, content: bytes) -> None:
    """Refuse a PNG with anything in it but the picture; what is drawn was scrubbed before."""
    at = 8
    while at + 8 <= len(content):
        size, kind = struct.unpack(">I4s", content[at : at + 8])
        if kind not in _PLAIN_CHUNKS:
            raise PullbookError(f"{name}: it holds more than a picture ({kind!r}), so it is not fit to share")
        at += size + 12


# --- what was found once is looked for everywhere ----------------------------------------------------------------


def _squeezed(text: str) -> str:
    return "".join(c for c in as_read(text)[0].casefold() if c.isalnum())


def _tells(squeezed: str) -> bool:
    """Say whether a find is telling enough to be searched for without the word before it."""
    digits = sum(c.isdigit() for c in squeezed)
    mixed = 2 <= digits < len(squeezed) and len(squeezed) >= _LEAST
    return mixed or (digits == len(squeezed) and digits >= 9)


def _loosely(secret: str) -> re.Pattern[str]:
    """Return a pattern of what was found, squeezed, whatever stands between its letters."""
    letters = r"[\W_]{0,2}".join(map(re.escape, secret))
    return re.compile(rf"(?<![^\W_]){letters}(?![^\W_])", re.IGNORECASE)


def _without_known(text: str, known: Sequence[re.Pattern[str]]) -> str:
    """Return a text without what was found elsewhere."""
    plain, spans = as_read(text)
    return without(
        text, spans_in(spans, [(*match.span(), match[0]) for loose in known for match in loose.finditer(plain)])
    )


def _left(
    name: str, content: bytes, known: set[str], names: Mapping[str, str], search: Callable[[str], list[Any]]
) -> bool:
    """Say whether a finished file still holds a find: as written, or with the characters between left out."""
    seen: list[str] = []

    def look(text: str) -> str:
        seen.append(text)
        return text

    _rewritten(name, content, look)
    if any(search(text) or renamed(text, dict(names)) != text for text in seen):
        return True
    long = [secret for secret in known if len(secret) >= 10]
    run_together = [_squeezed(text) for text in seen] if long else []
    return any(secret in text for text in run_together for secret in long)
