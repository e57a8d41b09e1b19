"""The words that a reader may not know, and links to them from where a page first uses them."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

from pullbook.quantities import METRIC, Shown
from pullbook.report.html import Fragment, folded, in_text


@dataclass(frozen=True)
class Word:
    """A word of the glossary.

    Attributes
    ----------
    name, anchor : str
        As it is listed, and where a link to it leads.
    means : str
        What it means, in a sentence or two.
    used_as : str
        Regular expression of what is linked.
    """

    name: str
    anchor: str
    means: str
    used_as: str


WORDS = (
    Word(
        "effectiveness",
        "word-effectiveness",
        "How much of the possible cooling the cooler does: 1 would bring the charge down to inlet air.",
        r"\beffectiveness\b",
    ),
    Word(
        "session",
        "word-session",
        "One drive. Its pulls share the day, so sessions are what counts; those of one date count as one day.",
        r"\bsessions?\b",
    ),
    Word(
        "K and °C",
        "word-k",
        "Temperatures are in °C, differences in K. A difference of 1 K is one of 1 °C.",
        r"(?<=\d[ \N{NO-BREAK SPACE}])K\b",
    ),
    Word(
        "interval",
        "word-interval",
        "The range that holds the true change. At a level of 95 %, it misses it about once in twenty times.",
        r"\bintervals?\b",
    ),
    Word(
        "worthwhile change",
        "word-worthwhile",
        "The smallest change that matters to you. You set it as worthwhile_change.",
        r"(?<!No )\bworthwhile change\b|\bmatters to you\b|\byour ±?\d[\d.]*(?:[ \N{NO-BREAK SPACE}][^\s.,<]+)?|"
        r"\bchanges that matter\b",
    ),
)
NOT_IN = ("a", "button", "details", "h1", "h2", "h3", "nav", "pre", "svg", "th")


def glossary(shown: Shown = METRIC, *, leave_out: Collection[str] = ()) -> Fragment:
    """Return the words, folded; `linked` leads to them.

    Parameters
    ----------
    shown : Shown
        The units of the page: one in US units has no K to explain.
    leave_out : collection of str
        Names of words that the page does not use.
    """
    words = [w for w in WORDS if w.name not in leave_out and (shown == METRIC or w.anchor != "word-k")]
    terms = "".join(f'<dt id="{word.anchor}">{word.name}</dt><dd>{word.means}</dd>' for word in words)
    return folded("Words used on this page", f"<dl>{terms}</dl>")


def linked(html: str) -> str:
    """Link the first open use of each word of a page to its glossary; a page without one stays as it is.

    Parameters
    ----------
    html : str
        Of the page's main part, escaped already. Folds, pictures, headings and links are passed over.
    """
    wanted = [word for word in WORDS if f'id="{word.anchor}"' in html]

    def link(text: str) -> str:
        nonlocal wanted
        text, wanted = _linked_in(text, wanted)
        return text

    return in_text(html, link, not_in=NOT_IN)


def _linked_in(text: str, wanted: list[Word]) -> tuple[str, list[Word]]:
    """Link the words that stand in a text between two tags; return it, and the words still to find."""
    found = [(match, word) for word in wanted if (match := re.search(word.used_as, text))]
    for match, word in sorted(found, key=lambda pair: pair[0].start(), reverse=True):
        link = f'<a href="#{word.anchor}">{match[0]}</a>'
        text = text[: match.start()] + link + text[match.end() :]
    return text, [word for word in wanted if word not in {word for _, word in found}]
