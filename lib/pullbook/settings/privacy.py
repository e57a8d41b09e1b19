r"""Take out of a text what a shared result must never carry: position, VIN, registration, names, paths, serials.

Patterns can only find what looks like such a thing; a registration number without a word before it looks like any
other word. The README says so. A text is searched as a person would read it: with escapes undone (entities, percent
signs, ``\u``, backslashes, base64, hexadecimal), without characters that nobody sees, and with letters, figures and
signs that look alike taken for the plain ones. Every pattern takes time in proportion to the length of the text: what
repeats is bounded, or begins only where a mark of its own stands.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import getpass
import html
import re
import socket
import unicodedata
from collections.abc import Iterable, Iterator
from functools import cache, lru_cache

from pullbook.settings.files import LIBRARY
from pullbook.text import typeset

REMOVED = "(removed)"

# A word's edges; an underscore is one, for names of files and columns are put together with it.
_START, _END = r"(?<![^\W_])", r"(?![^\W_])"
_TO = r"[\s:=#_.\"'(\[-]{1,4}"
_NUMBERS = r"(?=[A-Z _.-]{0,9}\d)[A-Z0-9]{1,8}(?:[ _.-]?[A-Z0-9]{1,5}){0,3}"  # with a digit, or it is a word
_PLATE = (
    r"registration(?:[ _-]?plate)?|registered|reg|(?:number|licen[cs]e)[ _-]?(?:plate|tag)"
    r"|licen[cs]e(?=[ _-](?:number|no))|kennzeichen|nummernschild|kenteken"
    r"|immatriculation|plaque|matr[ií]cula|targa|rejestracja|nummerplade"
)
_NUMBER_WORD = r"(?:[ _-]?(?:number|no|nr|mark))?"
_SIGN = r"[-+−]?"
_DEGREES = rf"{_SIGN}\d{{1,3}}(?:\.\d{{3,15}}|,\d{{4,15}})"  # three decimals after a comma are thousands
_FINE = rf"{_SIGN}\d{{1,3}}[.,]\d{{4,15}}"
_MARK = r"(?:\s?(?:°|deg(?:rees?)?(?![a-z])))"
_SIDE = r"[NSEW]"
_CAPITAL = r"(?-i:[NSEW])"
_BEHIND = rf"(?:[\s_]{{0,3}}{_CAPITAL}{_END}|[nsew]{_END})?"  # a small one with a space before it is a second
_COMPONENT = r"[^\s\\/:*?\"<>|,;']{1,40}"
_INSIDE = rf"(?:{_COMPONENT}(?: {_COMPONENT}){{0,2}}[\\/]){{0,5}}[^\s,;\"'<>|]{{0,200}}"  # blanks in six folders
_NEVER = re.compile(r"(?!)")
_ROOTS = (
    "home|users|root|mnt|media|run/media|tmp|var|opt|private|volumes|data|srv|storage|sdcard|work|etc|net|usr|export"
    "|cygdrive|applications|scratch|workspaces?"
)
_AT, _DOT = r"(?:@|\s?[(\[{]\s?at\s?[)\]}]\s?)", r"(?:\.|\s?[(\[{]\s?dot\s?[)\]}]\s?)"
_PATTERNS: dict[str, re.Pattern[str]] = {
    "position": re.compile(
        # A pair of decimal degrees, sides before, behind or not at all.
        rf"(?<![\d.,])(?:{_START}{_SIDE}\s?)?{_DEGREES}{_MARK}?{_BEHIND}[\s,;/_|]{{1,6}}"
        rf"(?:{_START}{_SIDE}\s?)?{_DEGREES}(?![\d.]){_MARK}?{_BEHIND}"
        # Four decimals or more are a position with anything short between, or with nothing before a sign.
        rf"|(?<![\d.,]){_FINE}(?:[^\d<>]{{0,13}}(?=[-+−])|[^\d<>]{{1,14}}){_FINE}(?![\d.]){_MARK}?{_BEHIND}"
        # One, with its side before it or a degree sign; or with its word.
        rf"|{_START}{_SIDE}[ _]?\d{{1,3}}[.,]\d{{4,15}}|(?<!\d)\d{{1,3}}[.,]\d{{4,15}}{_MARK}\s?{_SIDE}{_END}"
        # Degrees and minutes, with their signs, with letters, or with a blank and a side.
        rf"|(?:{_START}{_SIDE}\s?)?(?<!\d)\d{{1,3}}\s?°\s?\d{{1,2}}(?:[.,]\d{{1,9}})?\s?['′’](?:\s?\d{{1,2}}"
        rf"(?:[.,]\d{{1,9}})?\s?[\"″”])?(?:\s?{_SIDE}{_END})?"
        rf"|(?<!\d)\d{{1,3}}\s?d(?:eg(?:rees?)?)?\s?\d{{1,2}}(?:[.,]\d{{1,9}})?\s?(?:m(?:in(?:utes?)?)?|')"
        rf"(?:\s?\d{{1,2}}(?:[.,]\d{{1,9}})?\s?(?:s(?:ec(?:onds?)?)?|\"))?\s?{_SIDE}{_END}"
        rf"|{_START}{_CAPITAL}\s?\d{{1,3}}\s\d{{2}}[.,]\d{{2,9}}(?!\d)"
        rf"|(?<![\d.,])\d{{1,3}}\s\d{{2}}[.,]\d{{2,9}}\s?{_CAPITAL}{_END}"
        # As receivers send it (NMEA 0183), and codes of a place: open location code, geohash, UTM.
        rf"|(?<!\d)\d{{4}}\.\d{{3,8}},\s?[NS],\s?\d{{4,5}}\.\d{{2,8}},\s?[EW]{_END}"
        rf"|{_START}(?=\d{{0,8}}[CFGHJMPQRVWX])[2-9CFGHJMPQRVWX]{{8}}\+[2-9CFGHJMPQRVWX]{{2,3}}{_END}"
        rf"|(?<!\d)\d{{1,2}}(?-i:[C-HJ-NP-X])\s\d{{6}}\s\d{{7}}(?!\d)",
        re.IGNORECASE,
    ),
    "position by its word": re.compile(
        rf"{_START}(?:(?:lat|latitude|lon|lng|longitude)[\s:=_°\"'(]{{0,6}}{_SIGN}\d{{1,3}}[.,]\d{{1,15}}"
        rf"|(?:long|breite|breitengrad|länge|laenge|längengrad|breedtegraad|lengtegraad|latitud|longitud"
        rf"|latitudine|longitudine)[\s:=_°\"'(]{{1,6}}{_FINE}"
        r"|geohash[\s:=_]{1,4}[0-9b-hjkmnp-z]{5,12}(?![^\W_]))",
        re.IGNORECASE,
    ),
    "registration": re.compile(
        rf"{_START}(?:(?:{_PLATE}){_NUMBER_WORD}{_TO}(?:(?:is|was|as|ist)\s)?|plate\s?[:=#_][\s_]{{0,3}})"
        rf"(?P<own>{_NUMBERS}){_END}"
        # After "plate" alone, only what is written like one: capitals and figures, five or more.
        rf"|{_START}plate\s(?P<written>(?-i:(?=[A-Z -]{{0,6}}\d)(?=[\d -]{{0,6}}[A-Z])(?=(?:[ -]?[A-Z\d]){{5}})"
        rf"[A-Z\d]{{1,8}}(?:[ -][A-Z\d]{{1,5}}){{0,2}})){_END}",
        re.IGNORECASE,
    ),
    "serial number": re.compile(
        rf"{_START}(?:(?:ser(?:ial|\.)?(?:[ _-]?(?:number|no|nr))|serial|seriennummer|s/n|imei){_TO}"
        rf"|sn[:=#_][\s_]{{0,3}}|(?-i:SN)\s)(?=[A-Z-]{{0,20}}\d)(?P<own>[A-Z0-9][A-Z0-9-]{{3,40}})"
        # What is left of a vehicle's, with its word; and the address of a device.
        rf"|{_START}(?:VIN|(?-i:FIN)|(?:chassis|frame|engine|vehicle identification)[ _-]?(?:number|no|nr)"
        rf"|fahrgestellnummer|motornummer){_TO}(?:(?:is|ends? (?:in|with|on))\s)?"
        rf"(?P<part>(?=(?:[A-Z-]{{0,16}}\d){{2}})[A-Z0-9][A-Z0-9-]{{4,40}})"
        rf"|{_START}(?:[0-9a-f]{{2}}[:-]){{5}}[0-9a-f]{{2}}{_END}",
        re.IGNORECASE,
    ),
    "mail address": re.compile(
        rf"(?:[\w.+-]{{1,64}}|\"[^\"\s@][^\"@\n]{{0,62}}\")(?:@[\w-]{{1,63}}(?:\.[\w-]{{1,63}}){{1,8}}"
        rf"|{_AT}[\w-]{{1,63}}(?:{_DOT}[\w-]{{1,63}}){{0,7}}{_DOT}[^\W\d_]{{2,24}}{_END}"
        rf"|\sat\s[\w-]{{1,63}}\sdot\s[^\W\d_]{{2,24}}{_END})|[\w.+-]{{1,64}}@localhost{_END}",
        re.IGNORECASE,
    ),
    "file path": re.compile(
        rf"(?<![A-Za-z0-9/])(?:file:/{{1,3}}|~/|/(?:{_ROOTS})/)[^\s,;:\"'<>|]{{0,400}}"
        rf"|{_START}[A-Z]:[\\/]{_INSIDE}|\\\\{_COMPONENT}\\{_INSIDE}"
        # Shares and other systems' addresses, folders by a variable, folders above.
        rf"|{_START}(?:smb|cifs|nfs|afp|s?ftp|ssh|content)://[^\s,;\"'<>|]{{1,400}}"
        rf"|(?<![\w:/<.])//[\w-][\w.-]{{0,60}}/[\w.-][^\s,;:\"'<>|]{{0,400}}"
        rf"|(?:%[a-z]{{3,30}}%|\$(?-i:[A-Z_]{{3,30}})|\$\{{(?-i:[A-Z_]{{3,30}})\}})[\\/]{_INSIDE}"
        rf"|(?<![\w.])(?:\.\.[\\/]){{2,40}}[\w.-][^\s,;:\"'<>|]{{0,400}}",
        re.IGNORECASE,
    ),
}
# What every match of a pattern holds, in small letters, and how far from there it reaches at most [characters].
_HINTS: dict[str, tuple[re.Pattern[str], tuple[str, ...], int]] = {
    "position": (
        re.compile(r"[.,]\d{3}|\d(?:\s?d(?:eg|\s?\d)|\s\d\d[.,]\d)|\+[2-9cfghjmpqrvwx]{2}|\s\d{6}\s\d{7}"),
        ("°",),
        80,
    ),
    "position by its word": (_NEVER, ("lat", "lon", "lng", "breit", "breed", "läng", "laeng", "lengte", "geohash"), 60),
    "registration": (
        _NEVER,
        ("reg", "plate", "tag", "licen", "kennz", "nummer", "kenteken", "imma", "plaque", "matr", "targa", "rejes"),
        80,
    ),
    "serial number": (
        re.compile(r"[0-9a-f]{2}[:-][0-9a-f]{2}[:-][0-9a-f]{2}[:-]"),
        ("ser", "s/n", "sn", "imei", "vin", "fin", "chassis", "frame", "engine", "vehicle", "nummer"),
        120,
    ),
    "mail address": (_NEVER, ("@", "at)", "at]", "at}", "at )", "at ]", "at }", "dot"), 1000),
    "file path": (
        re.compile(rf"/(?:{_ROOTS})/"),
        ("file:", "~/", ":\\", ":/", "\\\\", "//", "../..", "..\\..", "%", "$"),
        1400,
    ),
}
# Names of months in English, German, French, Spanish, Italian, Dutch, Portuguese and Polish; a month only by a number.
_MONTH = (
    r"(?:jan|january|januar|janvier|enero|gennaio|januari|janeiro|stycznia"
    r"|feb|february|februar|février|fevrier|febrero|febbraio|februari|fevereiro|lutego"
    r"|mar|march|märz|maerz|mars|marzo|maart|março|marca|apr|april|avril|abril|aprile|kwietnia"
    r"|may|mai|mayo|maggio|mei|maio|maja|jun|june|juni|juin|junio|giugno|junho|czerwca"
    r"|jul|july|juli|juillet|julio|luglio|julho|lipca|aug|august|août|aout|agosto|augustus|sierpnia"
    r"|sep|sept|september|septembre|septiembre|settembre|setembro|września"
    r"|oct|october|okt|oktober|octobre|octubre|ottobre|outubro|października"
    r"|nov|november|novembre|noviembre|novembro|listopada"
    r"|dec|december|dez|dezember|décembre|decembre|diciembre|dicembre|dezembro|grudnia)(?![^\W\d_])\.?"
)
_DAY, _CLOCK = r"(?:0?[1-9]|[12]\d|3[01])", r"(?:[T_ -]?\d{2}[:.h-]?\d{2}(?:[:.-]?\d{2}(?:\.\d{1,9})?)?Z?(?!\d))?"
_MONTH_NUMBER, _YEAR = r"(?:0?[1-9]|1[0-2])", r"(?:19|20)\d{2}"
DATE = re.compile(
    rf"(?<!\d){_YEAR}(?P<sep>[-/._ ]){_MONTH_NUMBER}(?P=sep){_DAY}(?!\d){_CLOCK}"
    rf"|(?<!\d){_DAY}(?P<mid>[-/_]|\. ?){_MONTH_NUMBER}(?P=mid)(?:{_YEAR}|\d{{2}})(?!\d)"
    rf"|(?<!\d){_MONTH_NUMBER}(?P<us>[-/]){_DAY}(?P=us)(?:{_YEAR}|\d{{2}})(?!\d)"
    # Eight or six digits in a row, as in names of files: year first, or day first.
    rf"|(?<!\d)(?:{_YEAR}|\d{{2}})(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?!\d){_CLOCK}"
    rf"|(?<!\d)(?:0[1-9]|[12]\d|3[01])(?:0[1-9]|1[0-2]){_YEAR}(?!\d)"
    # A week of a year (ISO 8601), and the order of East Asia.
    rf"|(?<!\d){_YEAR}-?W\d{{2}}(?:-?[1-7])?(?!\d)|{_YEAR}年\s?{_MONTH_NUMBER}月(?:\s?{_DAY}日)?"
    rf"|(?<!\d){_DAY}(?:st|nd|rd|th|er|\.)?[ _-]?(?:of |de |di )?(?<![a-z]){_MONTH}"
    rf"(?:[ _,-]{{0,4}}(?:de )?{_YEAR})?(?!\d)"
    rf"|(?<![^\W\d_]){_MONTH}[ _-]?(?:{_DAY}(?:st|nd|rd|th)?(?:,? {_YEAR})?|{_YEAR})(?!\d)",
    re.IGNORECASE,
)
_COMMON_NAMES = {
    "root", "user", "admin", "guest", "home", "localhost", "jovyan", "runner", "ubuntu", "debian", "main", "test",
}  # fmt: skip


# --- identification numbers of vehicles --------------------------------------------------------------------------

_VIN_WORD = re.compile(r"(?<![^\W_])(?:VIN|FIN)?([A-HJ-NPR-Z0-9]{17})(?![^\W_])", re.IGNORECASE)
_VIN_IN_WORD = re.compile(
    r"(?<![A-Z0-9])([A-HJ-NPR-Z0-9]{13}\d{4})(?![A-Z0-9])"
)  # small letters are an edge to capitals
_GAP = r"[ \t._/:,;'\"()|-]"  # up to two between the groups of a number that is written in groups
_VIN_IN_GROUPS = re.compile(
    rf"(?<![A-Za-z0-9])(?=((?:[A-HJ-NPR-Za-hj-npr-z0-9]{_GAP}{{0,2}}+){{13}}\d(?:{_GAP}{{0,2}}+\d){{3}})(?![A-Za-z0-9]))"
)
_GAPS = re.compile(rf"{_GAP}+")
_VALUES = dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ0123456789", [*range(1, 9), *range(1, 6), 7, 9, *range(2, 10), *range(10)], strict=True)
)
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_ENOUGH_DIGITS = 5


def has_check_digit(vin: str) -> bool:
    """Say whether the ninth of seventeen characters is the check digit of the others (49 CFR 565.15, tables III to V).

    Examples
    --------
    The standard's own way: the weighted sum modulo 11, ten written as X.

    >>> from pullbook.settings.privacy import has_check_digit
    >>> has_check_digit("1M8GDM9AXKP042788"), has_check_digit("1M8GDM9A1KP042788")
    (True, False)
    """
    rest = sum(_VALUES[c] * weight for c, weight in zip(vin.upper(), _WEIGHTS, strict=True)) % 11
    return vin[8].upper() == "0123456789X"[rest]


def is_vin(word: str) -> bool:
    """Say whether a word is built like a vehicle identification number.

    Seventeen characters without I, O and Q, with a letter, and one of: the last four are digits, as ISO 3779 has it
    for every maker; five digits or more; a check digit that is right, which only North America and China ask for. So
    no number that follows the standard gets through, and words of seventeen letters do.
    """
    digits = sum(c.isdigit() for c in word)
    if len(word) != 17 or digits in (0, 17) or not all(c in _VALUES for c in word.upper()):
        return False
    return word[-4:].isdigit() or digits >= _ENOUGH_DIGITS or has_check_digit(word)


def _vins(text: str) -> Iterator[tuple[int, int]]:
    """Yield where such numbers stand, in one piece or in groups."""
    for match in (*_VIN_WORD.finditer(text), *_VIN_IN_WORD.finditer(text)):
        if is_vin(match[1]):
            yield match.span()
    for match in _VIN_IN_GROUPS.finditer(text):
        groups, gaps = _GAPS.split(match[1]), _GAPS.findall(match[1])
        if gaps and len(set(gaps)) <= 2 and _in_groups(groups):
            yield match.span(1)


def _in_groups(groups: list[str]) -> bool:
    """Say whether groups make up such a number; ordinary words and dates beside each other do not."""
    whole = "".join(groups)
    ordinary = any(len(g) >= 4 and g.isalpha() and re.search("[aeiouy]", g, re.IGNORECASE) for g in groups)
    letters = sum(c.isalpha() for c in whole)
    mixed = whole.isupper() or any(g.isalnum() and not g.isalpha() and not g.isdigit() for g in groups)
    single = all(len(g) == 1 for g in groups)
    return is_vin(whole) and whole[-4:].isdigit() and letters >= 3 and not ordinary and (mixed or single)


# --- escapes -----------------------------------------------------------------------------------------------------

_ESCAPE = re.compile(
    r"&(?:#\d{1,7}|#x[0-9a-f]{1,6}|[a-z][a-z0-9]{1,30});|\\{1,8}u[0-9a-f]{4}|\\{1,8}x[0-9a-f]{2}|(?:%[0-9a-f]{2}){1,400}"
    r"|\\[*_#|~`.()\[\]{}-]|[\0\u00ad\u0300-\u036f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u202a-\u202e\u2060-\u206f\u3164"
    r"\ufe00-\ufe0f\ufeff\uffa0\U000e0000-\U000e0fff]",  # what nobody sees; a null is every other byte of UTF-16
    re.IGNORECASE,
)
_FOREIGN = re.compile(r"[^\0-\x7f]")
_ALIKE = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеіјорсухѕԁһΑΒΕΖΗΙΚΜΝΟΡΤΥΧο−–—‐‑‒∕⁄’“‘”′″º˚·‧٫。،、",
    "ABESIJKMHOPCTYXaeijopcyxsdhABEZHIKMNOPTYXo------//'\"'\"'\"°°....,,",
)
_BASE64 = re.compile(r"(?<![A-Za-z0-9+/_=-])[A-Za-z0-9+/_-]{8,4000}={0,2}(?![A-Za-z0-9+/_=-])")
_HEXADECIMAL = re.compile(r"(?<![0-9A-Za-z])(?:[0-9a-f]{2}){6,1000}(?![0-9A-Za-z])", re.IGNORECASE)
_NESTED = 3  # a text in base64 may be written in base64
_ROUNDS = 4  # an escape may be written with escapes

Spans = list[tuple[int, int]]


def as_read(text: str) -> tuple[str, Spans | None]:
    """Return a text as a person would read it, and for each character where it stood; None where all stayed in place.

    Escapes are undone, what nobody sees is left out, and what looks alike is the plain character.
    """
    spans: Spans | None = None
    text = _folded(text)
    for _ in range(_ROUNDS):
        pieces: list[str] = []
        at: Spans = []
        done = 0
        for match in _ESCAPE.finditer(text):
            plain, each = _plain(match[0])
            pieces += [text[done : match.start()], plain]
            at += [(k, k + 1) for k in range(done, match.start())]
            if each:  # so that only what must go goes
                at += [(match.start() + each * k, match.start() + each * (k + 1)) for k in range(len(plain))]
            else:
                at += [match.span()] * len(plain)
            done = match.end()
        if not pieces:
            break
        at += [(k, k + 1) for k in range(done, len(text))]
        text = _folded("".join([*pieces, text[done:]]))
        spans = at if spans is None else [(spans[a][0], spans[b - 1][1]) for a, b in at]
    return text, spans


def _folded(text: str) -> str:
    """Return a text with each character as the plain one that it looks like; it is as long as before."""
    return text if text.isascii() else _FOREIGN.sub(lambda found: _looks_like(found[0]), text)


@cache
def _looks_like(character: str) -> str:
    alike = character.translate(_ALIKE)
    if alike == character and unicodedata.category(character) == "Nd":  # of any writing
        return str(unicodedata.decimal(character))
    plain = unicodedata.normalize("NFKC", alike)
    plain = plain.translate(_ALIKE) if len(plain) == 1 else alike
    return " " if plain.isspace() and plain != "\n" else plain


def _plain(escape: str) -> tuple[str, int]:
    """Return what an escape says, and how long the escape of each character is if they are alike."""
    if escape[0] not in "\\&%":  # nobody sees it
        return "", 0
    if escape.startswith("&"):
        return html.unescape(escape), 0
    if escape.startswith("%"):
        raw = bytes.fromhex(escape.replace("%", ""))
        return raw.decode("utf-8", "replace"), 3 if raw.isascii() else 0
    letters = escape.lstrip("\\")
    if letters[:1] in "uUxX" and len(letters) > 2:  # its backslash may have been escaped itself
        return chr(int(letters[1:], 16)), 0
    return escape[1:], 0


def _coded(text: str) -> Iterator[tuple[int, int, str]]:
    """Yield words that are base64 or hexadecimal of readable text, with that text."""
    for match in _BASE64.finditer(text):
        word = match[0].rstrip("=").replace("-", "+").replace("_", "/")
        with contextlib.suppress(binascii.Error, UnicodeDecodeError):
            yield from _readable(match, base64.b64decode(word + "=" * (-len(word) % 4)))
    for match in _HEXADECIMAL.finditer(text):
        with contextlib.suppress(UnicodeDecodeError):
            yield from _readable(match, bytes.fromhex(match[0]))


def _readable(match: re.Match[str], raw: bytes) -> Iterator[tuple[int, int, str]]:
    plain = raw.replace(b"\0", b"").decode("utf-8")
    if plain and plain.isprintable():
        yield (*match.span(), plain)


# --- finding and replacing -----------------------------------------------------------------------------------------


def find(text: str, *, within: int = _NESTED) -> list[tuple[int, int, str]]:
    """Find what must not be shared.

    Parameters
    ----------
    text : str
    within : int
        Look so many times into base64 and hexadecimal too.

    Returns
    -------
    list of (start, end, found)
        In order, none overlapping; ``found`` as it reads without escapes.
    """
    plain, spans = as_read(text)
    hits = [(a, b, plain[a:b]) for a, b in _vins(plain)]
    small = plain.lower()
    hits += [_hit(match) for name in _PATTERNS for match in _searched(name, plain, small)]
    hits += [_hit(match) for pattern in _own_names() for match in pattern.finditer(plain)]
    found = spans_in(spans, hits)
    if within:
        for start, end, inner in _coded(text):
            found += [(start, end, secret) for _, _, secret in find(inner, within=within - 1)[:1]]
    return _apart(found)


def spans_in(spans: Spans | None, hits: Iterable[tuple[int, int, str]]) -> list[tuple[int, int, str]]:
    """Return finds in a text that was read (`as_read`) with their places in the text as written, none overlapping."""
    return _apart([(*((spans[a][0], spans[b - 1][1]) if spans else (a, b)), found) for a, b, found in hits if a < b])


def _searched(name: str, text: str, small: str) -> Iterator[re.Match[str]]:
    """Yield every match of a pattern; where it has a hint, it is tried around the hints alone."""
    pattern = _PATTERNS[name]
    if name not in _HINTS or len(small) != len(text):
        yield from pattern.finditer(text)
        return
    hint, words, reach = _HINTS[name]
    first, last = 0, -reach
    places = [match.start() for match in hint.finditer(small)]
    for word in words:
        at = small.find(word)
        while at >= 0:
            places.append(at)
            at = small.find(word, at + 1)
    for at in sorted(places):
        if at - reach > last:
            if last > 0:
                yield from pattern.finditer(text, first, last)
            first = max(0, at - reach)
        last = at + reach
    if last > 0:
        yield from pattern.finditer(text, first, last)


def _hit(match: re.Match[str]) -> tuple[int, int, str]:
    """Return where a pattern matched, without the word that introduces it."""
    if match.lastgroup is None:
        return (*match.span(), match[0])
    own = match[match.lastgroup]
    if any(c.isupper() for c in own):  # then the small words behind it are ordinary ones
        own = re.sub(r"(?:[ _][a-z]{1,5})+$", "", own)
    return match.start(), match.start(match.lastgroup) + len(own), own


def _apart(found: list[tuple[int, int, str]]) -> list[tuple[int, int, str]]:
    """Join what overlaps."""
    joined: list[tuple[int, int, str]] = []
    for start, end, secret in sorted(found):
        if joined and start < joined[-1][1]:
            first, last, known = joined[-1]
            joined[-1] = (first, max(last, end), max(known, secret, key=len))
        else:
            joined.append((start, end, secret))
    return joined


def without(text: str, found: Iterable[tuple[int, int, str]]) -> str:
    """Return a text with what was found in it replaced by ``(removed)``."""
    pieces, done = [], 0
    for start, end, _ in found:
        pieces += [text[done:start], REMOVED]
        done = end
    return "".join([*pieces, text[done:]])


def scrub(text: str, *, dates: bool = False) -> str:
    """Replace what must not be shared by ``(removed)``.

    Parameters
    ----------
    text : str
    dates : bool
        Take out absolute dates as well.

    Returns
    -------
    str

    Examples
    --------
    >>> from pullbook.settings.privacy import scrub
    >>> scrub("Washed at 52.12345, 4.56789 (registration AB 123 C) on 2026-06-01", dates=True)
    'Washed at (removed) ((removed)) on (removed)'
    """
    text = without(text, find(text))
    return undated_text(text) if dates else text


def undated_text(text: str) -> str:
    """Replace absolute dates by ``(removed)``."""
    plain, spans = as_read(text)
    return without(text, spans_in(spans, [(*match.span(), match[0]) for match in DATE.finditer(plain)]))


def shared_names(names: Iterable[str]) -> dict[str, str]:
    """Return what sessions are called in what is shared, for those whose names must not be.

    Parameters
    ----------
    names : iterable of str
        All of them, in the experiment's order.

    Returns
    -------
    dict
        From a name that has to go to ``session 3``, by its place; no two are called the same.

    Examples
    --------
    >>> from pullbook.settings.privacy import shared_names
    >>> shared_names(["before-1", "ZZX9ZZ7HZ8H000123 wet"])
    {'ZZX9ZZ7HZ8H000123 wet': 'session 2'}
    """
    given = list(names)
    found: dict[str, str] = {}
    for place, name in enumerate(given, start=1):
        if find(name):
            new = f"session {place}"
            while new in given or new in found.values():
                new += " again"
            found[name] = new
    return found


def renamed(text: str, names: dict[str, str]) -> str:
    """Return a text with sessions called as in `shared_names`, wherever they are named."""
    for name in sorted(names, key=len, reverse=True):
        for written in dict.fromkeys((name, typeset(name))):
            text = text.replace(written, names[name])
    return text


def defused(value: object) -> object:
    """Return a cell for a CSV, with a quote before what a spreadsheet would take for a formula and work out.

    Examples
    --------
    >>> from pullbook.settings.privacy import defused
    >>> defused("=1+1"), defused("1+1"), defused(-1.5)
    ("'=1+1", '1+1', -1.5)
    """
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


@lru_cache(maxsize=1)
def _own_names() -> tuple[re.Pattern[str], ...]:
    """Match the user's and the machine's names, unless they are ordinary words or words of the pages themselves."""
    names = [name for name in dict.fromkeys(_machine_names()) if len(name) >= 3 and name.lower() not in _COMMON_NAMES]
    if not names:
        return ()
    ours = _own_words()
    return tuple(
        re.compile(rf"{_START}{re.escape(name)}{_END}", re.IGNORECASE) for name in names if name.lower() not in ours
    )


def _own_words() -> frozenset[str]:
    """Return every word that pullbook's pages may hold by themselves, markup included."""
    notebooks = [*(LIBRARY.parents[1] / "notebooks").glob("*.ipynb"), *(LIBRARY / "notebooks").glob("*.ipynb")]
    parts = [path for path in LIBRARY.rglob("*") if path.suffix in {".py", ".css", ".js", ".j2"}]
    text = " ".join(path.read_text(encoding="utf-8") for path in (*parts, *notebooks)).lower()
    return frozenset(re.findall(r"[^\W_]+", text))


def _machine_names() -> Iterable[str]:
    with contextlib.suppress(OSError, KeyError, ImportError):  # a user without a name leaks none
        yield getpass.getuser()
    yield socket.gethostname()
    yield socket.gethostname().partition(".")[0]
