"""Numbers and words as a person reads them."""

from __future__ import annotations

import math
import re
import shutil
import textwrap
from collections.abc import Sequence

WIDEST_TEXT = 100  # columns; longer lines are hard to read


def counted(count: int, noun: str) -> str:
    """Return a number with its noun, in the singular for one."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def shown_to_help(count: int, of: int) -> str:
    """Say how many services were shown to help: not shown is not the same as none.

    Examples
    --------
    >>> from pullbook.text import shown_to_help
    >>> shown_to_help(0, 2), shown_to_help(1, 2)
    ('None of 2 services was shown to help', '1 of 2 services was shown to help')
    """
    if count == 0:
        return f"None of {counted(of, 'service')} was shown to help"
    return f"{count} of {counted(of, 'service')} {'was' if count == 1 else 'were'} shown to help"


def percent(share: float) -> str:
    """Return a share in per cent with the digits it has.

    Examples
    --------
    >>> from pullbook.text import percent
    >>> percent(0.95), percent(0.995)
    ('95 %', '99.5 %')
    """
    return f"{round(100 * share, 6):g} %"


def in_ten(probability: float) -> str:
    """Say a probability as a person would, no finer than it was checked.

    Examples
    --------
    >>> from pullbook.text import in_ten
    >>> [in_ten(p) for p in (0.02, 0.31, 0.88, 0.97)]
    ['less than 1 in 20', 'about 3 in 10', 'about 9 in 10', 'more than 19 in 20']
    """
    if probability < 0.05:
        return "less than 1 in 20"
    if probability > 0.95:
        return "more than 19 in 20"
    return f"about {min(9, max(1, round(10 * probability)))} in 10"


def decimals(u: float) -> int:
    """Return the decimals to show beside a standard uncertainty: its first digit, or two if it starts with 1 or 2.

    Common practice, no source.

    Parameters
    ----------
    u : float
        Standard uncertainty.

    Returns
    -------
    int
        0 to 4.
    """
    if not math.isfinite(u) or u <= 0:
        return 1
    first = math.floor(math.log10(u))
    return min(4, max(0, -first if u / 10**first >= 3 else 1 - first))


def unit_suffix(unit: str) -> str:
    """Return a unit as written after a figure; nothing for a pure number."""
    return "" if unit == "1" else f" {unit}"


def difference_unit(unit: str) -> str:
    """Return the unit of a difference of two figures: K for temperatures in °C."""
    return "K" if unit == "°C" else unit


def in_brackets(unit: str) -> str:
    """Return a unit as written in a heading; nothing for a pure number."""
    return "" if unit == "1" else f" [{unit}]"


def typeset(text: str) -> str:
    """Return text with true minus signs."""
    return _HYPHEN_FOR_MINUS.sub("−", text)


def unbroken(text: str) -> str:
    r"""Return text in which no line breaks between a figure and its unit.

    Examples
    --------
    >>> from pullbook.text import unbroken
    >>> unbroken("fell by 6.3 K (95 % interval)")
    'fell by 6.3\xa0K (95\xa0% interval)'
    """
    return _GAP_BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)


_UNITS = "°C|°F|K|km/h|mph|kPa|psi|hPa|inHg|%|s|m/s|g/s|lb/min|kg/m³|lb/ft³|kW|hp|km|mi|rpm|ml"
_GAP_BEFORE_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))")
_HYPHEN_FOR_MINUS = re.compile(r"(?<![\w.)\]-])-(?=\d)")


def number(value: float, digits: int = 1) -> str:
    """Return a figure with so many decimals, a dash where it is not known."""
    return f"{value:.{digits}f}" if math.isfinite(value) else "–"


def signed(value: float, digits: int) -> str:
    """Return a figure with its sign and so many decimals; nought has none.

    Examples
    --------
    >>> from pullbook.text import signed
    >>> signed(0.3, 1), signed(-0.3, 1), signed(-0.03, 1)
    ('+0.3', '-0.3', '0.0')
    """
    return f"{value:+.{digits}f}" if round(value, digits) else f"{0:.{digits}f}"


def adds_up(before: float, after: float, difference: float, digits: int) -> bool:
    """Say whether a difference is that of its two figures once all three are rounded.

    Examples
    --------
    >>> from pullbook.text import adds_up
    >>> adds_up(43.4, 37.1, -6.3, 1), adds_up(20.04, 16.34, -3.70, 1), adds_up(19.96, 16.34, -3.62, 1)
    (True, True, False)
    """
    shown = [round(value, digits) for value in (before, after, difference)]
    return not all(map(math.isfinite, shown)) or abs(shown[1] - shown[0] - shown[2]) < 0.5 * 10.0**-digits


def enumerated(names: Sequence[str]) -> str:
    """Return names in a row, the last after an "and".

    Examples
    --------
    >>> from pullbook.text import enumerated
    >>> enumerated(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def budget_digits(u: float) -> int:
    """Return the decimals of a budget's lines, from what they make together: one more than beside the total."""
    return decimals(u) + 1


def budget_line(u: float, digits: int) -> str:
    """Return a line of a budget with so many decimals, saying so where it is too small for them.

    Examples
    --------
    >>> from pullbook.text import budget_line
    >>> budget_line(0.104, 2), budget_line(0.004, 2), budget_line(0.0, 2)
    ('0.10', 'under 0.01', '0.00')
    """
    least = 0.5 * 10.0**-digits
    return f"under {2 * least:.{digits}f}" if 0 < u < least else f"{u:.{digits}f}"


def budget_source(source: str) -> str:
    """Return the name of a line of the budget as a person would say it.

    Examples
    --------
    >>> from pullbook.text import budget_source
    >>> budget_source("inlet temperature: correction"), budget_source("inlet temperature: reading")
    ('correcting for inlet temperature', 'reading the inlet temperature')
    """
    name, _, what = source.partition(": ")
    return {"correction": f"correcting for {name}", "reading": f"reading the {name}"}.get(what, source)


def said_once(texts: Sequence[str]) -> list[str]:
    """Return texts without the sentences that an earlier one has.

    Examples
    --------
    >>> from pullbook.text import said_once
    >>> said_once(["It leaks. Check it.", "It hisses. Check it."])
    ['It leaks. Check it.', 'It hisses.']
    """
    said: set[str] = set()
    kept = []
    for text in texts:
        sentences = [s for s in re.split(r"(?<=[.!?)]) (?=[(A-Z])", text) if s not in said]
        said.update(sentences)
        kept.append(" ".join(sentences))
    return kept


def sentence_case(text: str) -> str:
    """Return text with a capital first letter."""
    return text[:1].upper() + text[1:]


def fold(text: str, *, indent: str = "  ") -> str:
    """Return a sentence in lines that fit the terminal, 80 columns where there is none; words and paths stay whole.

    Parameters
    ----------
    text : str
        Its own indent stays. After the first line, lines of YAML stay as they are: a reader copies them.
    indent : str
        Of the second line and those after it, beyond the first's.
    """
    first, *others = text.split("\n")
    own = first[: len(first) - len(first.lstrip())]
    lines = [_filled(first.lstrip(), own, own + indent)]
    for line in others:
        to_copy = line.startswith(" ") or re.fullmatch(r"\w+:", line)
        lines.append(own + indent + line if to_copy else _filled(line, own + indent, own + indent))
    return "\n".join(lines)


def _filled(text: str, first: str, others: str) -> str:
    return textwrap.fill(
        text,
        width=min(shutil.get_terminal_size((80, 24)).columns, WIDEST_TEXT),
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )


def readable(text: str) -> str:
    r"""Return text without what is not UTF-8, such as bytes of a path, which no table, page or notebook can hold.

    Examples
    --------
    >>> from pullbook.text import readable
    >>> readable("logs/\udce9t\u00e9.csv")
    'logs/?té.csv'
    """
    return text.encode("utf-8", "replace").decode()


def harmless(text: str) -> str:
    r"""Return text for a terminal, in which nothing but bold type, tabs and ends of lines steers it.

    A header of a log or a name of a file may hold any character, such as those that clear a screen or turn the
    direction of what follows.

    Examples
    --------
    >>> from pullbook.text import harmless
    >>> harmless("charge\x1b[2J \u202edegC")
    'charge\ufffd[2J \ufffddegC'
    """
    return _STEERS.sub("\N{REPLACEMENT CHARACTER}", text)


_STEERS = re.compile(r"\x1b(?!\[[01]m)|[\x00-\x08\x0b-\x1a\x1c-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
