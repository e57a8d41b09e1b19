"""The picture of a batch: every experiment's interval on one axis, in its own worthwhile changes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pullbook.batch.experiments import Row
from pullbook.report import canvas
from pullbook.report.html import Fragment, escape
from pullbook.settings.outcomes import outcome_named
from pullbook.statistics.verdict import VERDICT_WORDS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INKS = canvas.styled({
    "ink": "#1c2126", "soft": "#59636e", "line": "#d5d9de", "good": "#00694a", "bad": "#a02c00", "open": "#765400",
    "even": "#3c4855", "link": "#00548c",
})  # fmt: skip
# Colour is never the only mark: verdicts differ in shape, and stand in words beside the interval.
MARKS = {
    "improved": ("good", "^"), "improved-size-unclear": ("good", "2"), "no-worthwhile-change": ("even", "s"),
    "not-resolved": ("open", "o"), "worse-size-unclear": ("bad", "1"), "worse": ("bad", "v"),
}  # fmt: skip
WIDTH, LINE, TEXT = 920, 30, 13.0  # [px]
NAMES, WORDS = 270, 190  # room for the names and the verdicts beside the axis [px]
NARROW, NARROW_LINE = 358, 50  # on a phone, where they stand above each interval [px]
REACH = 6.0  # worthwhile changes; a longer interval ends in an arrow


def intervals(rows: Sequence[Row]) -> Fragment:
    """Return every interval on one axis, better to the right, its name linked to its page where there is one."""
    shown = [(row, *ends) for row in rows if (ends := _ends(row)) is not None]
    if not shown:
        return Fragment("")
    label = "Every experiment's interval on one axis, better to the right; the table has the numbers"
    said = (
        "Each line is one experiment's interval, in its own worthwhile changes. Right of 0 is better. Between −1 and 1 "
        "is too small to matter."
    )
    if len(shown) < len(rows):
        said += " What has no interval is in the table alone."
    drawings = "".join(f'<div class="pb-{name}">{_drawing(shown, name, label)}</div>' for name in ("wide", "narrow"))
    return Fragment(f'<figure class="pb-answer-picture">{drawings}<figcaption>{escape(said)}</figcaption></figure>')


def _drawing(shown: Sequence[tuple[Row, float, float, float]], name: str, label: str) -> str:
    narrow = name == "narrow"
    width, line = (NARROW, NARROW_LINE) if narrow else (WIDTH, LINE)
    height = line * len(shown) + 64

    def draw(figure: Figure, inks: canvas.Inks) -> None:
        _draw(figure, inks, shown, narrow=narrow)

    drawn = canvas.to_svg(draw, width=width, height=height, inks=INKS, key=f"batch-{name}")
    return drawn.replace('aria-hidden="true" focusable="false"', f'role="group" aria-label="{label}"', 1)


def _ends(row: Row) -> tuple[float, float, float] | None:
    """Return change and interval in worthwhile changes, higher is better; None without an interval."""
    outcome = outcome_named(row.outcome)
    if outcome is None or row.change is None or row.low is None or row.high is None or not row.worthwhile:
        return None
    sign = -1.0 if outcome.lower_is_better else 1.0
    low, high = sorted((sign * row.low / row.worthwhile, sign * row.high / row.worthwhile))
    return sign * row.change / row.worthwhile, low, high


def _draw(figure: Figure, inks: canvas.Inks, shown: Sequence[tuple[Row, float, float, float]], *, narrow: bool) -> None:
    count, width, height = len(shown), figure.bbox.width, figure.bbox.height
    line, left, right = (NARROW_LINE, 14, 14) if narrow else (LINE, NAMES, WORDS)
    words_at = width - 8 if narrow else width - WORDS + 12
    up = 0.25 * line if narrow else 0.0  # how far a name stands above its interval
    reach = min(REACH, max(2.0, math.ceil(max(abs(end) for _, *ends in shown for end in ends))))
    axes = figure.add_axes((left / width, 56 / height, (width - left - right) / width, line * count / height))
    axes.set_xlim(-reach, reach)
    axes.set_ylim(count - 0.5, -0.5)
    axes.axvspan(-1, 1, color=inks["line"], alpha=0.5, linewidth=0)
    axes.axvline(0, color=inks["soft"], linewidth=1)
    for k, (row, change, low, high) in enumerate(shown):
        ink, mark = MARKS[row.verdict]
        at = k + up / line
        within = [min(max(end, -reach), reach) for end in (low, high)]
        axes.plot(within, [at, at], color=inks[ink], linewidth=2.5, solid_capstyle="butt")
        for beyond, edge, arrow in ((low < -reach, -reach, "<"), (high > reach, reach, ">")):
            if beyond:
                axes.plot([edge], [at], marker=arrow, markersize=8, color=inks[ink], linestyle="none", clip_on=False)
        if abs(change) <= reach:
            axes.plot([change], [at], marker=mark, markersize=10, color=inks[ink], linestyle="none")
        words = VERDICT_WORDS[row.verdict]
        room = words_at - canvas.text_width(words, size=TEXT, bold=True) - 20 if narrow else NAMES - 16
        name = canvas.drawable(row.title or row.folder)
        while canvas.text_width(name, size=TEXT) > room:
            name = name.rstrip("…")[:-1] + "…"
        y = 1 - (8 + line * (k + 0.5) - up) / height
        figure.text(
            4 / width, y, name, size=TEXT, color=inks["link" if row.page else "ink"], va="center", url=row.page or None
        )
        figure.text(
            words_at / width, y, words, size=TEXT, color=inks[ink], va="center", weight="bold",
            ha="right" if narrow else "left",
        )  # fmt: skip
    axes.tick_params(axis="x", length=0, labelsize=TEXT, labelcolor=inks["soft"])
    ticks = [float(k) for k in range(-int(reach), int(reach) + 1)]
    axes.set_xticks(ticks, [f"{tick:+.0f}".replace("-", "−") if tick else "0" for tick in ticks])
    axes.set_yticks([])
    axes.set_xlabel("worse  ←  worthwhile changes  →  better", size=TEXT, color=inks["soft"])
    axes.patch.set_visible(False)
    for spine in axes.spines.values():
        spine.set_visible(False)
