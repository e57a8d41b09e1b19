"""Pieces of HTML that notebooks and pages are put together from, and how figures and texts are written in them.

All text that comes from a log or from ``experiment.yaml`` passes through `escape` here, and nowhere else into HTML.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from html import escape as escape_html
from html import unescape as unescape_html
from itertools import chain, repeat
from pathlib import Path

from pullbook.text import typeset

MANY_COLUMNS = 9  # more are set smaller on paper
STYLE = Path(__file__).with_name("style.css")
CAUTIONS = (
    (
        "Full-load acceleration belongs on a closed road or a dynamometer. Keep to speed limits. A passenger "
        "runs the logger."
    ),
    "Let hot parts cool before touching them. Charge pipes, turbocharger and cooler burn.",
    "Use solvents outdoors or in good ventilation, with gloves and eye protection, away from anything that "
    "could ignite them. Their vapours are heavier than air, and some burn. Let every part dry fully before "
    "refitting: the engine draws in whatever is left.",
    "After a refit, check every hose and clamp, then drive gently first.",
    "The law protects emission parts and their settings in many countries. Find out what yours allows.",
    (
        "If you are unsure, ask a qualified technician. This page is evidence, not a licence to drive or modify "
        "anything."
    ),
)


@dataclass(frozen=True)
class Fragment:
    """A piece of HTML that a notebook shows.

    Attributes
    ----------
    html : str
        Every text from outside is escaped already.
    """

    html: str

    def _repr_html_(self) -> str:
        return self.html


def escape(text: str) -> str:
    """Return text fit for the page: with true minus signs, and no markup of its own.

    Examples
    --------
    >>> from pullbook.report.html import escape
    >>> escape("<b>-3 K</b> in AB's van")
    '&lt;b&gt;−3 K&lt;/b&gt; in AB&#x27;s van'
    """
    return escape_html(typeset(text))


def in_text(html: str, change: Callable[[str], str], *, not_in: Collection[str]) -> str:
    """Change the texts of a page between its tags.

    Parameters
    ----------
    html : str
        Escaped already.
    change : callable
        Takes a text and returns what stands in its place.
    not_in : collection of str
        Elements whose texts stay as they are.
    """
    pieces, inside = re.split(r"(<[^>]+>)", html), 0
    for k, piece in enumerate(pieces):
        if k % 2:
            tag = re.match(r"<(/?)([\w-]+)", piece)
            if tag and tag[2] in not_in:
                inside += -1 if tag[1] else 1
        elif not inside and piece.strip():
            pieces[k] = change(piece)
    return "".join(pieces)


def unbroken(html: str) -> str:
    r"""Keep each number of a page, escaped already, on one line with its unit and its uncertainty.

    Examples
    --------
    >>> from pullbook.report.html import unbroken
    >>> unbroken("<p>+0.3 ± 0.1 K of it</p>")
    '<p>+0.3\xa0±\xa00.1\xa0K of it</p>'
    """
    return in_text(html, lambda text: _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text), not_in=("pre", "svg", "th"))


_UNITS = "K|%|°C|°F|km/h|mph|km|miles|kPa|hPa|psi|ml|min|rpm|s|h"
_BEFORE_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/])|±)|(?<=±) (?=\d)")


def style() -> Fragment:
    """Return the report's style, for a notebook that is open in JupyterLab."""
    return Fragment(f"<style>{STYLE.read_text(encoding='utf-8')}</style>")


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    numbers_from: int = 1,
    words_from: int = 99,
    caption: str = "",
    runs: Sequence[str] = (),
) -> Fragment:
    """Return a table; every cell is escaped.

    Parameters
    ----------
    headings : sequence of str
    rows : iterable of sequence of object
        None and what is not finite are shown as a dash.
    numbers_from, words_from : int
        Columns from the one to before the other are set right.
    caption : str
        What a folded table is called; one without a caption stays open.
    runs : sequence of str
        Of which run each row is (`run_key`), so that it can be lit with it.
    """
    numbers = range(numbers_from, words_from)
    # With words at the end a row is too wide for a phone: there its cells stand one over the other.
    stacks = words_from < len(headings)
    labels = [f' data-label="{escape(heading)}"' if stacks else "" for heading in headings]
    head = "".join(_heading(heading, _side(k, numbers)) for k, heading in enumerate(headings))
    body = "".join(
        f"<tr{of}>"
        + "".join(f"<td{_side(k, numbers)}{labels[k]}>{escape(_shown(cell))}</td>" for k, cell in enumerate(row))
        + "</tr>"
        for row, of in zip(rows, chain((of_run(key) for key in runs), repeat("")), strict=False)
    )
    many = " pb-many" if len(headings) > MANY_COLUMNS else ""
    stack = " pb-stack" if stacks else ""
    whole = f'<table class="pb-table{many}{stack}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
    if not caption:
        return Fragment(_scrolled(whole, headings[0]))
    return folded(caption, _scrolled(whole, caption))


def run_key(session: str, run: str) -> str:
    """Return what a run is known by wherever it is shown, such as ``before-1/pull 3``."""
    return f"{session}/{run}"


def of_run(key: str) -> str:
    """Return the attribute that says of which run an element is."""
    return f' data-pb-run="{escape_html(key)}"'


def folded(summary: str, html: str) -> Fragment:
    """Return HTML, escaped already, folded under a line of text."""
    return Fragment(f"<details><summary>{escape(summary)}</summary>{html}</details>")


def _heading(heading: str, side: str) -> str:
    """Return a column's heading; one without words is no heading."""
    return f'<th scope="col"{side}>{escape(heading)}</th>' if heading else f"<td{side}></td>"


def _scrolled(whole: str, name: str) -> str:
    """Let a wide table scroll by itself, by keys too."""
    return f'<div class="pb-scroll" role="group" tabindex="0" aria-label="{escape(name)}">{whole}</div>'


def numbers_table(frame: str) -> str:
    """Return a DataFrame's own HTML, which a notebook stores, as a folded table of the page.

    Parameters
    ----------
    frame : str
        As pandas writes it; its texts are escaped already.
    """
    whole = re.sub(
        r"<style.*?</style>|<div>|</div>| border=\"1\"| style=\"text-align: right;\"", "", frame, flags=re.DOTALL
    )
    whole = whole.replace('class="dataframe"', 'class="pb-table pb-numbers-table"').replace("<th></th>", "<td></td>")
    names = [unescape_html(name) for name in re.findall(r"<th>([^<]+)</th>", whole.partition("</thead>")[0])]
    count = whole.partition("</thead>")[2].count("<tr>")
    words = f"Table: {', '.join(names[:3])}{', …' if len(names) > 3 else ''} ({count} rows)"
    size = re.search(r"<p>[^<]*</p>", whole)  # "5 rows × 3 columns" below one that pandas cut
    whole = whole.replace(size[0], "") if size else whole
    return folded(words, _scrolled(whole.strip(), words)).html


def _side(k: int, numbers: range) -> str:
    return ' class="pb-number"' if k in numbers else ""


def _shown(cell: object) -> str:
    if cell is None or (isinstance(cell, float) and not math.isfinite(cell)):
        return "–"
    return str(cell)


def listed(items: Iterable[str]) -> Fragment:
    """Return texts as a list; every one is escaped."""
    return Fragment("<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>")


def told(message: str) -> str:
    """Escape a message; lines after the first are YAML to copy."""
    first, _, rest = message.partition("\n")
    return escape(first) + (f"<pre>{escape(rest)}</pre>" if rest else "")


def cautions() -> Fragment:
    """Return the usual cautions."""
    return Fragment('<div class="pb-cautions">' + listed(CAUTIONS).html + "</div>")
