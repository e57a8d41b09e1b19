"""Headers: a column's heading taken apart into English words and the text of its unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pullbook.reading.units import parse_unit
from pullbook.reading.vocabulary import english, mend_encoding, tokens

_BRACKETS = re.compile(r"[\[({<]([^\[\](){}<>]*)[\])}>]")

# "x10 °C", "0.1 kPa", "°C * 10": nobody can say whether the number was multiplied or has to be.
_SCALED = re.compile(r"[x×*]?\s*\d+(?:[.,]\d+)?\s*[x×*]?\s*(\D+)|(\D+?)\s*[x×*/]\s*\d+")

# "rad/s", "gal/min": a unit, whether or not it is known; one that is not fits no channel.
_PER = re.compile(r"\w{1,5}\s?/\s?(s|sec|min|h|hr|hour|m|km|mi|cm2|in2|rev|str)", re.IGNORECASE)
_DEGREES = ("°", "deg", "degree", "degrees")
# Letters of formulas, as in "T_ansaug [°C]" or "p man (kPa)", by the dimension of the unit that they need beside them.
_SYMBOLS = {"temperature": ("t", "temperature"), "pressure": ("p", "pressure"), "rotation": ("n", "engine rotation"),
            "speed": ("v", "speed")}  # fmt: skip


@dataclass(frozen=True)
class Header:
    """A column's header taken apart.

    Attributes
    ----------
    text : str
        As it stands.
    words : frozenset of str
        Spelt out in English.
    unit : str or None
        Text of its unit, if one is given.
    """

    text: str
    words: frozenset[str]
    unit: str | None


@lru_cache(maxsize=1024)  # the logs of an experiment mostly have the same headers
def parse_header(text: str, *, units_row: str | None = None) -> Header:
    """Take a header apart.

    Parameters
    ----------
    text : str
        The header as it stands.
    units_row : str, optional
        What a separate row of units says of this column.

    Returns
    -------
    Header

    Examples
    --------
    >>> from pullbook.reading.headers import parse_header
    >>> header = parse_header("IAT (°C)")
    >>> sorted(header.words), header.unit
    (['air', 'intake', 'temperature'], '°C')
    """
    mended = mend_encoding(text)
    unit = units_row.strip() if units_row and parse_unit(units_row) else None
    units = [match for match in _BRACKETS.finditer(mended) if _is_unit(match[1])]
    if units:  # the last one; what stands in brackets before it is a word, as in "Speed (GPS) (km/h)"
        unit = units[-1][1].strip()
        mended = mended[: units[-1].start()] + " " + mended[units[-1].end() :]
    words = tokens(mended)
    if unit is None:
        unit, words = _unit_suffix(words)
    meant = english(_symbol_spelt(words, unit))
    if unit is not None and unit.strip("[](){}<> ") in _DEGREES and "temperature" in meant:
        unit = None  # of which scale is not said
    return Header(text=text, words=meant, unit=unit)


def _symbol_spelt(words: list[str], unit: str | None) -> list[str]:
    """Spell out a letter of a formula at the start, where the unit is one of what it means."""
    for dimension in (known.dimension for known in parse_unit(unit or "")):
        letter, word = _SYMBOLS.get(dimension, ("", ""))
        if len(words) > 1 and words[0].lower() == letter:
            return [*word.split(), *words[1:]]
    return words


def _is_unit(text: str) -> bool:
    """Say whether a text in brackets is a unit; also one behind a number, which fits no channel unless it is known."""
    return bool(
        parse_unit(text)
        or _PER.fullmatch(text.strip())
        or ((scaled := _SCALED.fullmatch(text.strip())) and parse_unit(scaled[1] or scaled[2]))
    )


def _unit_suffix(words: list[str]) -> tuple[str | None, list[str]]:
    """Split a unit off the end: ``coolant_temp_c``, ``Boost psi gauge``, ``speed km/h``; ``RPM`` stays a word too."""
    for length in (2, 1):
        tail = " ".join(words[-length:])
        rest = words[:-length]
        if len(words) >= length and parse_unit(tail):
            if tail.lower() == "rpm":
                return tail, words
            # A lone letter is a unit only after a word that has it: position F is no temperature.
            lone = len(tail) == 1 and tail.isalpha() and not english(rest) & {"temperature", "altitude"}
            if rest and not lone:
                return tail, rest
    return None, words
