"""What all static pictures of the pages share: their inks, two sizes, a caption, and the numbers behind them.

A static picture is there before any script runs, and on paper. It is drawn wide and narrow; the style shows one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pullbook.report import canvas
from pullbook.report.html import escape

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NUMBERS_MIME = "application/vnd.pullbook.numbers+json"
ON_PAPER = {
    "ink": "#1c2126",
    "soft": "#59636e",
    "line": "#d5d9de",
    "paper": "#ffffff",
    "before": "#0072b2",
    "after": "#d55e00",
}
INKS = canvas.styled(ON_PAPER)
MARKS = {"before": "o", "after": "D"}
WIDE, NARROW = (920, 400), (358, 440)  # width and height [px]
TEXT = 13.0  # [px]
HEAD_LINE = 1.35  # text sizes from one line above a picture to the next


@dataclass(frozen=True, eq=False)
class Drawing:
    """A picture drawn already, in the page's letters and colours: nothing has to run to show it.

    Attributes
    ----------
    html : str
        A ``figure``; every text from outside is escaped.
    columns : tuple of str
        Headings of the numbers behind it, with their units.
    rows : tuple of tuple of object
        These numbers, rounded as they are shown.
    description : str
        In words.
    """

    html: str
    columns: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]
    description: str

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, Any]:
        return {
            "text/html": self.html,
            "text/plain": self.description,
            NUMBERS_MIME: {"columns": list(self.columns), "rows": [list(row) for row in self.rows]},
        }


def drawn(
    draw: Callable[[Figure, canvas.Inks, tuple[int, int]], None],
    *,
    caption: str,
    description: str,
    columns: Sequence[str],
    rows: Sequence[Sequence[object]],
    wide: tuple[int, int] = WIDE,
    narrow: tuple[int, int] = NARROW,
) -> Drawing:
    """Draw a picture for a page, wide and for a phone.

    Parameters
    ----------
    draw : callable
        Draws on a figure, in the inks and for the width and height [px] that it is given.
    caption, description : str
        What stands below it, and what it shows for those who cannot see it; escaped here.
    columns : sequence of str
        Headings of the numbers behind it, with their units.
    rows : sequence of sequence of object
        These numbers, rounded as they are shown.
    wide, narrow : tuple of int
        Width and height [px].
    """
    drawings = "".join(
        f'<div class="pb-{name}">'
        + canvas.to_svg(
            lambda figure, inks, size=size: draw(figure, inks, size),  # type: ignore[misc]
            width=size[0],
            height=size[1],
            inks=INKS,
            key=name,
        )
        + "</div>"
        for name, size in (("wide", wide), ("narrow", narrow))
    )
    html = (
        f'<figure class="pb-answer-picture"><div role="img" aria-label="{escape(description)}">{drawings}</div>'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )
    return Drawing(html, tuple(columns), tuple(tuple(row) for row in rows), description)


# --- parts of a picture ------------------------------------------------------------------------------------------


def axes_at(figure: Figure, box: tuple[float, float, float, float], inks: canvas.Inks, *, text: float) -> Axes:
    """Return bare axes in a part of a figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    box : tuple of float
        Left, top, width and height of the part [px], from the figure's upper left corner.
    inks : mapping of str to str
    text : float
        Size of the text [px].

    Returns
    -------
    matplotlib.axes.Axes
        Without ticks across; its horizontal scale counts pixels until it is set otherwise.
    """
    left, top, width, height = box
    whole_w, whole_h = figure.bbox.width, figure.bbox.height
    made = figure.add_axes((left / whole_w, 1 - (top + height) / whole_h, width / whole_w, height / whole_h))
    made.patch.set_visible(False)
    for side in made.spines.values():
        side.set_visible(False)
    made.set_xlim(0, width)
    made.set_xticks([])
    made.tick_params(length=0, labelsize=text * 0.92, labelcolor=inks["soft"], pad=0.4 * text)
    return made


def write(figure: Figure, x: float, y: float, said: str, inks: canvas.Inks, *, text: float, **how: Any) -> None:
    """Write a text into a figure, its upper left corner so many pixels from the figure's."""
    at = (x / figure.bbox.width, 1 - y / figure.bbox.height)
    figure.text(*at, said, va="top", **{"size": text, "color": inks["ink"], **how})


def scale_ticks(axes: Axes, *, text: float, offset: float = 0.0) -> list[float]:
    """Return round values of the upright scale, as many as their figures have room for."""
    from matplotlib.ticker import MaxNLocator

    low, high = (end - offset for end in axes.get_ylim())
    count = max(3, int(axes.bbox.height / (2.6 * text)))
    found = MaxNLocator(nbins=count, steps=[1, 2, 5, 10]).tick_values(low, high)
    return [float(round(tick, 9)) for tick in found if low <= tick <= high]


def places_of(ticks: Sequence[float]) -> int:
    """Return how many decimals a scale's figures need."""
    return max(len(f"{tick:g}".partition(".")[2]) for tick in ticks)


def write_key(
    figure: Figure,
    key: Sequence[tuple[str, str]],
    inks: canvas.Inks,
    *,
    left: float,
    top: float,
    width: float,
    text: float,
) -> None:
    """Write the key to a picture's marks, in as many lines as it takes.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    key : sequence of (str, str)
        Each mark with its words: ``hollow``, ``filled``, ``before``, ``after``, ``interval``, ``line``, ``dotted``,
        ``dashed``, ``band`` or ``small``.
    inks : mapping of str to str
    left, top, width : float
        Where there is room for it [px].
    text : float
        Size of the text [px].
    """
    x, line = 0.0, 0
    for mark, said in key:
        wide = canvas.text_width(said, size=0.9 * text) + 2.6 * text
        if x and x + wide > width:
            x, line = 0.0, line + 1
        y = top + line * HEAD_LINE * text
        _draw_mark(figure, inks, mark, x=left + x, y=y + 0.48 * text, text=text)
        write(figure, left + x + 1.5 * text, y, said, inks, text=0.9 * text, color=inks["soft"])
        x += wide


def _draw_mark(figure: Figure, inks: canvas.Inks, mark: str, *, x: float, y: float, text: float) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    whole_w, whole_h = figure.bbox.width, figure.bbox.height
    middle, ends, level = (x + 0.65 * text) / whole_w, [x / whole_w, (x + 1.25 * text) / whole_w], 1 - y / whole_h

    def add(across: list[float], up: list[float], **how: Any) -> None:
        figure.add_artist(Line2D(across, up, **how))

    match mark:
        case "hollow" | "filled":
            add(
                [middle], [level], linestyle="none", marker="o", markeredgecolor=inks["ink"], markeredgewidth=1,
                markersize=(0.66 if mark == "hollow" else 0.5) * text,
                markerfacecolor=inks["paper"] if mark == "hollow" else inks["ink"],
            )  # fmt: skip
        case "before" | "after":
            add([middle], [level], linestyle="none", marker=MARKS[mark], markersize=0.66 * text, color=inks[mark])
        case "interval":
            add([middle] * 2, [level - 0.5 * text / whole_h, level + 0.5 * text / whole_h], color=inks["ink"], lw=2)
        case "line":
            add(ends, [level] * 2, color=inks["before"], linewidth=2.4)
        case "dotted" | "dashed":
            dashes = (0, (1, 1.7)) if mark == "dotted" else (0, (3, 1.6))
            add(ends, [level] * 2, color=inks["soft"], linestyle=dashes, linewidth=2)
        case _:
            colour, alpha = (inks["before"], 0.2) if mark == "band" else (inks["line"], 0.75)
            corner = (x / whole_w, 1 - (y + 0.42 * text) / whole_h)
            figure.add_artist(
                Rectangle(corner, 1.25 * text / whole_w, 0.84 * text / whole_h, facecolor=colour, alpha=alpha, lw=0)
            )
            if mark == "band":
                add(ends, [level] * 2, color=colour, linewidth=2)
