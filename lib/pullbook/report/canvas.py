"""Matplotlib as the pictures here use it: its figures and canvases alone, and no settings but its own defaults.

The part that keeps one global figure (``pyplot``) is never imported: nothing here reaches pictures of the person's own.
"""

from __future__ import annotations

import contextlib
import io
import logging
import os
import re
import zlib
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI = 72  # a point is a pixel: sizes of text and of the picture are in the same unit
FONT = "DejaVu Sans"  # comes with the library
_RULES = {
    "font.family": FONT,
    "text.parse_math": False,  # a dollar in a name is a dollar
    "svg.fonttype": "none",
    "svg.hashsalt": "pullbook",  # the same picture, the same bytes
    "path.simplify": False,
}
_COORDINATE = re.compile(r"-?\d+\.\d{2,}")
Inks = Mapping[str, str]


def styled(colours: Inks) -> Inks:
    """Return what the page's style calls each ink, so that one drawing serves light, dark and print."""
    return {name: f"var(--pb-{name}, {colour})" for name, colour in colours.items()}


def to_svg(draw: Callable[[Figure, Inks], None], *, width: int, height: int, inks: Mapping[str, str], key: str) -> str:
    """Return a drawing as SVG to stand in a page, its colours those of the page's style, its text text.

    Parameters
    ----------
    draw : callable
        Draws on a figure in the inks that it is given.
    width, height : int
        [px]
    inks : mapping of str to str
        The page's CSS value for each ink, such as ``var(--pb-ink)``.
    key : str
        Makes the names inside it different from those of other drawings of the page.
    """
    stand_ins = {name: f"#{0x010101 * (k + 1) + 0x20000 * k:06x}" for k, name in enumerate(inks)}
    text = _saved(draw, stand_ins, width=width, height=height, form="svg").decode("utf-8")
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>|<style[^>]*>.*?</style>|<!--.*?-->", "", text, flags=re.DOTALL)
    # Nothing is drawn outside its axes, so nothing has to be cut off there.
    text = re.sub(r' clip-path="[^"]*"|<clipPath.*?</clipPath>|<defs>\s*</defs>', "", text, flags=re.DOTALL)
    text = re.sub(r' id="runs-(\d+)"', r' data-pb-runs="\1"', text)
    referred = set(re.findall(r"#([\w-]+)", text))
    text = re.sub(r' id="([\w.-]+)"', lambda m: f' id="{key}-{m[1]}"' if m[1] in referred else "", text)
    text = re.sub(r"(url\(#|xlink:href=\"#|href=\"#)", rf"\g<1>{key}-", text)
    text = re.sub(r"<[^>]+>", lambda tag: _COORDINATE.sub(lambda m: f"{float(m[0]):.1f}", tag[0]), text)
    text = re.sub(rf"'?{FONT}'?(, ?[^;\"]+)?", "system-ui, sans-serif", text)
    for name, colour in stand_ins.items():
        text = text.replace(colour, inks[name])
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {width} {height}" aria-hidden="true" focusable="false">'
    )
    return re.sub(r"\s*\n\s*", "\n", head + text[text.index(">") + 1 :]).replace("\n</svg>\n", "</svg>")


def to_png(draw: Callable[[Figure, Inks], None], *, width: int, height: int, inks: Mapping[str, str]) -> bytes:
    """Return a drawing as a PNG without metadata.

    Parameters
    ----------
    draw : callable
        Draws on a figure in the inks that it is given.
    width, height : int
        [px]
    inks : mapping of str to str
        The colour of each ink.
    """
    return _saved(draw, dict(inks), width=width, height=height, form="png")


def _saved(draw: Callable[[Figure, Inks], None], inks: dict[str, str], *, width: int, height: int, form: str) -> bytes:
    with _quiet():
        _load()
        import matplotlib
        from matplotlib.figure import Figure

        rules: dict[Any, Any] = {key: value for key, value in matplotlib.rcParamsDefault.items() if key != "backend"}
        with matplotlib.rc_context(rules | _RULES):
            figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI)
            figure.patch.set_visible(form == "png")
            draw(figure, inks)
            stream = io.BytesIO()
            if form == "png":
                from matplotlib.backends.backend_agg import FigureCanvasAgg
                from PIL import Image

                canvas: Any = FigureCanvasAgg(figure)
                canvas.draw()
                # zlib's own strategy: a little smaller than with `optimize`, in a fifth of the time.
                Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB").save(
                    stream, format="PNG", compress_type=zlib.Z_DEFAULT_STRATEGY
                )
            else:
                from matplotlib.backends.backend_svg import FigureCanvasSVG

                canvas = FigureCanvasSVG(figure)
                canvas.print_svg(stream, metadata={"Date": None, "Creator": None, "Format": None})
    return stream.getvalue()


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Silence what matplotlib says about its caches: it names folders, and nobody asked."""
    logger = logging.getLogger("matplotlib")
    before = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(before)


@cache
def _load() -> None:
    """Import the library where its own defaults lie.

    It takes settings from a file in the working folder before any other, and that may be somebody's experiment; where
    it has been imported already, its settings are the person's, and `_saved` does without them.
    """
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise ImportError("matplotlib is not installed. Install pullbook again")
    try:
        here = Path.cwd()
    except OSError:  # the working folder is gone, and nothing can be read from it
        return
    os.chdir(Path(spec.origin).parent / "mpl-data")
    try:
        import_module("matplotlib")
    finally:
        os.chdir(here)


def text_width(text: str, *, size: float, bold: bool = False) -> float:
    """Return how wide a text is drawn.

    Parameters
    ----------
    text : str
    size : float
        Of the font [px].
    bold : bool
    """
    return size * sum(_advance(c, bold) for c in text)


def drawable(text: str) -> str:
    """Return text with a question mark for each letter that the font lacks, which would be drawn as a box."""
    return "".join(c if _has(c, bold=False) else "?" for c in text)


@cache
def _advance(letter: str, bold: bool) -> float:
    """Return the width of a letter of the font, in parts of its size; the usual one where it has none."""
    return _font(bold).load_char(ord(letter)).linearHoriAdvance / 65536 / 100 if _has(letter, bold=bold) else 0.65


def _has(letter: str, *, bold: bool) -> bool:
    return ord(letter) < 0x3000 and bool(_font(bold).get_char_index(ord(letter)))


@cache
def _font(bold: bool) -> Any:
    _load()
    from matplotlib import get_data_path
    from matplotlib.ft2font import FT2Font

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    font = FT2Font(str(Path(get_data_path(), "fonts", "ttf", name)))
    font.set_size(100, 72)
    return font
