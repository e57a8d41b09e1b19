"""What is posted: a short text for forums, as Markdown and as BBCode, and one picture that stands alone.

Text of the person or of a log is scrubbed (`pullbook.settings.privacy`) and escaped for each form here: what is
drawn into a picture cannot be taken out of it later. It is drawn with Pillow, which needs no browser and no fonts.
"""

from __future__ import annotations

import io
import re
import textwrap
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pullbook.analysis.result import Result
from pullbook.report.sections import LIMITS, worth
from pullbook.settings.files import write_whole
from pullbook.settings.privacy import renamed, scrub, shared_names
from pullbook.statistics.verdict import VERDICT_WORDS
from pullbook.text import decimals, percent, sentence_case, typeset, unit_suffix

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont, ImageFont

CARD_SIZE = (1200, 675)
MOST_LEFT_OUT = 8


@dataclass(frozen=True, kw_only=True)
class Post:
    """What a post says, before it takes a form; every text is scrubbed.

    Attributes
    ----------
    title, question : str
    verdict, sentence, worth : str
    alerts, warnings : tuple of str
        Warnings that come first, and the others.
    rows : tuple of (str, str, str)
        What, before, after.
    conditions, left_out, limits : tuple of str
    made_by : str
    """

    title: str
    question: str
    verdict: str
    sentence: str
    alerts: tuple[str, ...]
    warnings: tuple[str, ...]
    worth: str
    rows: tuple[tuple[str, str, str], ...]
    conditions: tuple[str, ...]
    left_out: tuple[str, ...]
    limits: tuple[str, ...]
    made_by: str


def save_posts(result: Result, folder: str | Path) -> None:
    """Write ``post.md``, ``post.bbcode.txt`` and ``card.png`` into a folder that exists."""
    post = compose(result)
    write_whole(Path(folder) / "post.md", markdown(post))
    write_whole(Path(folder) / "post.bbcode.txt", bbcode(post))
    write_whole(Path(folder) / "card.png", card(result, post))


def compose(result: Result) -> Post:
    """Gather what a post says from a result, scrubbed."""
    experiment, c = result.experiment, result.comparison
    names = shared_names(session.name for session in experiment.sessions)

    def clean(text: str) -> str:
        return typeset(scrub(renamed(" ".join(text.split()), names)))

    digits = decimals(c.standard_uncertainty)
    unit = unit_suffix(result.experiment.outcome_spec.unit)
    inlet = next((x for x in result.conditions if x.name.startswith("inlet")), None)
    rows = [
        ("sessions", str(c.before.sessions), str(c.after.sessions)),
        ("runs that count", str(c.before.pulls), str(c.after.pulls)),
        (
            f"{c.label}, {'same conditions' if c.slopes else 'as measured'}",
            f"{c.before.mean:.{digits}f}{unit}",
            f"{c.after.mean:.{digits}f}{unit}",
        ),
    ]
    if inlet is not None and inlet.before == inlet.before and inlet.after == inlet.after:
        rows.append(("inlet temperature", f"{inlet.before:.0f} °C", f"{inlet.after:.0f} °C"))
    out = [
        f"{drive.session.name}, {run.name}: {run.reason.removeprefix('left out: ')}"
        for drive in result.drives
        for run in drive.runs.all
        if run.left_out
    ]
    if result.with_left_out is not None:
        said = result.with_left_out.sentence.replace("matters to you", "matters to me")
        out.insert(0, f"with what was left out counted: {said}")
    return Post(
        title=clean(f"{experiment.title} ({experiment.vehicle.description}; {experiment.service.what})"),
        question=clean(experiment.question or ""),
        verdict=VERDICT_WORDS[c.verdict],
        sentence=clean(c.sentence.partition(": ")[2].replace("matters to you", "matters to me")),
        alerts=tuple(clean(f.message) for f in result.findings if f.about_boost),
        warnings=tuple(clean(f.message) for f in result.warnings if not f.about_boost),
        worth=typeset(worth(result)),
        rows=tuple(rows),
        conditions=tuple(clean(f"{x.name}: {x.note}") for x in result.conditions if x.flagged),
        left_out=tuple(clean(text) for text in out[:MOST_LEFT_OUT])
        + ((f"and {len(out) - MOST_LEFT_OUT} more",) if len(out) > MOST_LEFT_OUT else ()),
        limits=(LIMITS[0], LIMITS[1], LIMITS[2]),
        made_by=f"Made with pullbook {result.version}; interval after JCGM 100:2008, the session is the unit.",
    )


# --- text ----------------------------------------------------------------------------------------------------


def markdown(post: Post) -> str:
    """Return the post as Markdown; text that somebody wrote cannot become markup."""
    return _text(
        post,
        escape=_escape_markdown,
        strong=lambda text: f"**{text}**",
        item=lambda text: f"- {text}",
        table=lambda rows: [
            "| | before | after |",
            "|---|---|---|",
            *(f"| {what} | {before} | {after} |" for what, before, after in rows),
        ],
        bullets=lambda items: items,
    )


def bbcode(post: Post) -> str:
    """Return the post as BBCode; square brackets that somebody wrote become round ones."""
    return _text(
        post,
        escape=lambda text: text.replace("[", "(").replace("]", ")"),
        strong=lambda text: f"[b]{text}[/b]",
        item=lambda text: f"[*]{text}",
        table=lambda rows: [f"{what}: {before} before, {after} after" for what, before, after in rows],
        bullets=lambda items: ["[list]", *items, "[/list]"],
    )


def _text(
    post: Post,
    *,
    escape: Callable[[str], str],
    strong: Callable[[str], str],
    item: Callable[[str], str],
    table: Callable[[Sequence[tuple[str, str, str]]], list[str]],
    bullets: Callable[[list[str]], list[str]],
) -> str:
    lines = [strong(escape(post.title)), ""]
    if post.question:
        lines += [escape(post.question), ""]
    for alert in post.alerts:
        lines += [f"{strong('First:')} {escape(alert)}", ""]
    lines += [f"{strong(post.verdict)}: {escape(post.sentence)}", ""]
    lines += [*table([(escape(a), escape(b), escape(c)) for a, b, c in post.rows]), ""]
    if post.worth:
        lines += [escape(post.worth), ""]
    for heading, texts in (
        ("Mind", post.warnings),
        ("Not alike before and after", post.conditions),
        ("Left out", post.left_out),
        ("What this cannot tell", post.limits),
    ):
        if texts:
            lines += [strong(heading), "", *bullets([item(escape(text)) for text in texts]), ""]
    lines.append(escape(post.made_by))
    return "\n".join(lines) + "\n"


def _escape_markdown(text: str) -> str:
    """Escape what Markdown or the HTML inside it would take for markup."""
    plain = re.sub(r"([\\`*_{}\[\]#|~])", r"\\\1", text)
    return plain.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


# --- picture -------------------------------------------------------------------------------------------------

_INK, _SOFT, _PAPER, _BAND = "#1c2126", "#59636e", "#ffffff", "#dfe2e5"
_WORD_INK = {"improved": "#00694a", "worse": "#a02c00", "not-resolved": "#765400"}


def card(result: Result, post: Post) -> bytes:
    """Return one picture that stands alone, 1200 x 675 PNG without metadata."""
    from PIL import Image, ImageDraw

    image = Image.new("RGB", CARD_SIZE, _PAPER)
    draw = ImageDraw.Draw(image)
    c = result.comparison
    ink = next((colour for word, colour in _WORD_INK.items() if c.verdict.startswith(word)), _INK)
    draw.rectangle((0, 0, 14, CARD_SIZE[1]), fill=ink)
    y = _paragraph(draw, post.title, y=34, size=28, ink=_SOFT, width=72, most=2)
    y = _paragraph(draw, post.verdict, y=y + 8, size=64, ink=ink, width=34, most=1)
    y = _paragraph(draw, sentence_case(post.sentence), y=y + 10, size=31, ink=_INK, width=68, most=5)
    below = post.alerts[0] if post.alerts else post.worth  # an alarm stands beside the answer, never in its place
    if below and y < 400:
        _paragraph(draw, below, y=y + 14, size=24, ink=_SOFT, width=88, most=3)
    if c.comparable:
        _interval_bar(draw, result, top=470)
    _paragraph(draw, post.made_by, y=634, size=19, ink=_SOFT, width=110, most=1)
    stream = io.BytesIO()
    image.save(stream, format="PNG")
    return stream.getvalue()


def _drawable(text: str) -> str:
    """Write text in the letters that the picture's font has: without accents, and with plain minus signs."""
    plain = unicodedata.normalize("NFKD", text.translate(_SPELT))
    return "".join(c if " " <= c <= "~" or c in "°±…·“”" else "?" for c in plain if not unicodedata.combining(c))


_SPELT = str.maketrans(
    {"−": "-", "–": "-", "—": "-", "’": "'", "‘": "'", "×": "x", "µ": "u", "ß": "ss", "ł": "l", "Ł": "L", "ø": "o",
     "Ø": "O", "æ": "ae", "Æ": "AE", "œ": "oe", "đ": "d", "≥": ">=", "≤": "<="}
)  # fmt: skip


def _font(size: int) -> FreeTypeFont | ImageFont:
    from PIL import ImageFont

    return ImageFont.load_default(size)


def _paragraph(draw: ImageDraw, text: str, *, y: float, size: int, ink: str, width: int, most: int) -> float:
    """Draw wrapped text and return where it ends."""
    lines = textwrap.wrap(_drawable(text), width)
    if len(lines) > most:
        lines = [*lines[: most - 1], textwrap.shorten(" ".join(lines[most - 1 :]), width, placeholder=" ...")]
    for line in lines:
        draw.text((48, y), line, font=_font(size), fill=ink)
        y += 1.28 * size
    return y


def _interval_bar(draw: ImageDraw, result: Result, *, top: int) -> None:
    c = result.comparison
    left, right = 90, CARD_SIZE[0] - 90
    reach = 1.2 * max(1.2 * c.worthwhile, abs(c.low), abs(c.high))

    def at(value: float) -> float:
        return left + (value + reach) / (2 * reach) * (right - left)

    draw.rectangle((at(-c.worthwhile), top, at(c.worthwhile), top + 90), fill=_BAND)
    draw.line((at(0), top, at(0), top + 90), fill=_SOFT, width=2)
    middle = top + 45
    draw.line((at(c.low), middle, at(c.high), middle), fill=_INK, width=7)
    for end in (c.low, c.high):
        draw.line((at(end), middle - 16, at(end), middle + 16), fill=_INK, width=5)
    draw.rectangle((at(c.change) - 11, middle - 11, at(c.change) + 11, middle + 11), fill=_INK)
    unit = unit_suffix(c.unit)
    digits = decimals(c.standard_uncertainty)
    for value in {c.low, c.high}:
        draw.text((at(value), top + 96), f"{value:+.{digits}f}", font=_font(22), fill=_INK, anchor="ma")
    side = "left" if c.lower_is_better else "right"
    told = f"change{unit and ' in' + unit}, {percent(c.level)} interval; {side} is better; grey: too small to matter"
    draw.text(((left + right) / 2, top + 128), _drawable(told), font=_font(20), fill=_SOFT, anchor="ma")
