"""Take out of a text what a shared result must never carry: position, VIN, registration, names, paths, serials.

Patterns can only find what looks like such a thing; a registration number without a word before it looks like any
other word. The README says so.
"""

from __future__ import annotations

import contextlib
import getpass
import re
import socket
from collections.abc import Iterable
from functools import lru_cache

from pullbook.settings.experiment import Experiment

REMOVED = "(removed)"

_NUMBERS = r"(?=[A-Z -]{0,9}\d)[A-Z0-9][A-Z0-9 -]{1,10}[A-Z0-9]"  # with a digit, or it is a word
# Every repeat is bounded, or the last of its pattern: a header of a megabyte then takes a thousand times one of a
# kilobyte, not a million times. Blanks are told by up to four, as people write them.
_PATTERNS: dict[str, re.Pattern[str]] = {
    # ISO 3779: seventeen characters, no I, O or Q; at least one digit and one letter, or it is a word or a number.
    "vehicle identification number": re.compile(
        r"\b(?=[A-HJ-NPR-Z0-9]{0,16}\d)(?=[A-HJ-NPR-Z0-9]{0,16}[A-HJ-NPR-Z])[A-HJ-NPR-Z0-9]{17}\b", re.IGNORECASE
    ),
    "position": re.compile(
        r"[-+]?\d{1,3}\.\d{3,20}\s{0,4}°?\s{0,4}[NSEW]?\s{0,4}[,;/ ]\s{0,4}"
        r"[-+]?\d{1,3}\.\d{3,20}\s{0,4}°?\s{0,4}[NSEW]?\b"
        r"|\d{1,3}\s{0,4}°\s{0,4}\d{1,2}\s{0,4}['′]\s{0,4}(\d{1,2}(\.\d{1,20})?\s{0,4}[\"″]\s{0,4})?[NSEW]\b"
        r"|\b(lat|latitude|lon|lng|longitude)\b\s{0,4}[:=]?\s{0,4}[-+]?\d{1,3}\.\d+",
        re.IGNORECASE,
    ),
    "registration": re.compile(
        rf"\b(registration|reg|number plate|licen[cs]e plate)( number| no)?\b\.?\s{{0,4}}[:#=]?\s{{0,4}}{_NUMBERS}\b",
        re.IGNORECASE,
    ),
    "serial number": re.compile(r"\b(serial( number| no)?|s/n)\b\.?\s{0,4}[:#=]?\s{0,4}[A-Z0-9-]{4,}", re.IGNORECASE),
    "mail address": re.compile(
        r"[\w.+-]{1,64}@[\w-]{1,63}(\.[\w-]{1,63}){1,10}"  # no longer than RFC 5321, 4.5.3.1 and RFC 1035, 2.3.4 allow
    ),
    "file path": re.compile(
        r"(?<![\w:/])(file:/{1,4}|~/|/(home|users|root|mnt|media|tmp|var|opt|private|volumes|data)/)[^\s,;:\"'<>|]*"
        r"|\b[A-Z]:[\\/][^\s,;\"'<>|]*|\\\\[^\s\\]{1,255}\\[^\s,;\"'<>|]*",
        re.IGNORECASE,
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
    rf"|(?<!\d){_DAY}(?:st|nd|rd|th|er|\.)?[ _-]?(?:of |de |di )?(?<![a-z]){_MONTH}"
    rf"(?:[ _,-]{{0,4}}(?:de )?{_YEAR})?(?!\d)"
    rf"|(?<![^\W\d_]){_MONTH}[ _-]?(?:{_DAY}(?:st|nd|rd|th)?(?:,? {_YEAR})?|{_YEAR})(?!\d)",
    re.IGNORECASE,
)
_COMMON_NAMES = {
    "root", "user", "admin", "guest", "home", "localhost", "jovyan", "runner", "ubuntu", "debian", "main", "test",
}  # fmt: skip


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
    for pattern in (*_PATTERNS.values(), *_own_names()):
        text = pattern.sub(REMOVED, text)
    return DATE.sub(REMOVED, text) if dates else text


def fit_to_share(experiment: Experiment) -> Experiment:
    """Scrub every text that a person wrote into an experiment, so that nothing made from it has to be."""
    sessions = tuple(
        s.model_copy(update={"leave_out": {run: scrub(reason) for run, reason in s.leave_out.items()}})
        for s in experiment.sessions
    )
    return experiment.model_copy(
        update={
            "title": scrub(experiment.title),
            "question": scrub(experiment.question) if experiment.question else None,
            "vehicle": experiment.vehicle.model_copy(update={"description": scrub(experiment.vehicle.description)}),
            "service": experiment.service.model_copy(update={"what": scrub(experiment.service.what)}),
            "sessions": sessions,
        }
    )


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
    """Match the user's and the machine's names, unless they are ordinary words."""
    return tuple(
        re.compile(rf"\b{re.escape(name)}\b", re.IGNORECASE)
        for name in dict.fromkeys(_machine_names())
        if len(name) >= 3 and name.lower() not in _COMMON_NAMES
    )


def _machine_names() -> Iterable[str]:
    with contextlib.suppress(OSError, KeyError, ImportError):  # a user without a name leaks none
        yield getpass.getuser()
    yield socket.gethostname()
