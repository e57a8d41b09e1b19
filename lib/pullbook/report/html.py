"""Pieces of HTML that notebooks and pages are put together from, and how figures and texts are written in them.

All text that comes from a log or from ``experiment.yaml`` passes through `escape` here, and nowhere else into HTML.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape as escape_html
from pathlib import Path

from pullbook.text import typeset

STYLE = Path(__file__).with_name("style.css")
CAUTIONS = (
    "Full-load acceleration belongs on a closed road or a dynamometer. Keep to speed limits; a passenger logs.",
    "Let hot parts cool before touching them. Charge pipes, turbocharger and cooler burn.",
    "Use solvents outdoors or well ventilated, with gloves and eye protection and no ignition source near; their "
    "vapours are heavier than air, and some burn. Let every part dry fully before refitting: what is left in a cooler "
    "is drawn into the engine.",
    "After a refit, check every hose and clamp, then drive gently first.",
    "Emission parts and their settings are protected by law in many countries: find out what yours allows.",
    "When unsure, ask a qualified technician. This page states evidence; it is no licence to drive or modify anything.",
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
    """
    numbers = range(numbers_from, words_from)
    head = "".join(f'<th scope="col"{_side(k, numbers)}>{escape(heading)}</th>' for k, heading in enumerate(headings))
    body = "".join(
        "<tr>" + "".join(f"<td{_side(k, numbers)}>{escape(_shown(cell))}</td>" for k, cell in enumerate(row)) + "</tr>"
        for row in rows
    )
    title = f"<caption>{escape(caption)}</caption>" if caption else ""
    return Fragment(
        f'<div class="pb-scroll"><table class="pb-table">{title}<thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


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
