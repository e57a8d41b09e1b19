"""What is posted: a short text for forums, as Markdown and as BBCode, and one picture that needs no text.

Text of the person or of a log is scrubbed (`pullbook.settings.privacy`) and escaped for each form here: what is
drawn into a picture cannot be taken out of it later.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pullbook.analysis.result import Result
from pullbook.report import answer_picture, canvas
from pullbook.report.drawing import ON_PAPER
from pullbook.report.in_units import comparison_in
from pullbook.report.sections import worth
from pullbook.settings.experiment import described
from pullbook.settings.files import write_whole
from pullbook.settings.privacy import renamed, scrub, shared_names
from pullbook.statistics.comparison import Comparison
from pullbook.statistics.verdict import VERDICT_WORDS
from pullbook.text import counted, decimals, said_once, sentence_case, signed, typeset, unbroken, unit_suffix

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CARD_SIZE = (1200, 675)
MOST_LEFT_OUT = 4
MOST_CAUTIONS = 3


@dataclass(frozen=True, kw_only=True)
class Post:
    """What a post says, before it takes a form. Every text is scrubbed, and nothing is said twice.

    Attributes
    ----------
    title, verdict, sentence : str
    alerts : tuple of str
        Warnings that come before the answer.
    facts : tuple of str
        What was done to what, how often it was driven, what came out at common conditions, what it is worth.
    cautions : tuple of str
        How else to read it.
    left_out : tuple of str
        Runs left out by hand, each with its reason.
    limits, made_by : str
    """

    title: str
    verdict: str
    sentence: str
    alerts: tuple[str, ...]
    facts: tuple[str, ...]
    cautions: tuple[str, ...]
    left_out: tuple[str, ...]
    limits: str
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

    out = [
        f"{drive.session.name}, {run.name}: {run.reason.removeprefix('left out: ')}"
        for drive in result.drives
        for run in drive.runs.all
        if run.left_out
    ]
    marked = [
        f"{drive.session.name}, {run.name} was not detected but marked by hand: {run.marked}."
        for drive in result.drives
        for run in drive.runs.pulls
        if run.marked and run.included
    ]
    more = len(out) - MOST_LEFT_OUT
    say = result.shown.text
    unlike = [say(f"{condition.name}: {condition.note}") for condition in result.conditions if condition.flagged]
    cautions = [*(say(f.message) for f in result.warnings if not f.about_boost), *unlike]
    return Post(
        title=clean(experiment.title),
        verdict=VERDICT_WORDS[c.verdict],
        sentence=clean(sentence_case(result.sentence.partition(": ")[2].replace("matters to you", "matters to me"))),
        alerts=tuple(filter(None, said_once([clean(say(f.message)) for f in result.findings if f.about_boost]))),
        facts=tuple(clean(text) for text in (*_facts(result), worth(result), *marked[:MOST_LEFT_OUT]) if text),
        cautions=tuple(clean(text) for text in cautions[:MOST_CAUTIONS]),
        left_out=tuple(
            clean(text)
            for text in (
                *out[:MOST_LEFT_OUT],
                *([f"and {more} more"] if more > 0 else []),
                *(
                    [_counted_again(comparison_in(result.with_left_out, result.shown))]
                    if result.with_left_out is not None
                    else []
                ),
            )
        ),
        limits="One vehicle, one service. The driver knew which drives came after it.",
        made_by=f"Made with pullbook {result.version}.",
    )


def _facts(result: Result) -> tuple[str, ...]:
    experiment, c = result.experiment, comparison_in(result.comparison, result.shown)
    digits, unit = decimals(c.standard_uncertainty), unit_suffix(c.spec.unit)
    where = "at the same conditions" if c.slopes else "as measured"
    told = (experiment.vehicle.description, experiment.service.what)
    return (
        " ".join(f"{sentence_case(text)}." for text in told if described(text)),
        f"{sentence_case(counted(c.before.pulls, c.spec.kind))} in {counted(c.before.sessions, 'session')} "
        f"before, {c.after.pulls} in {c.after.sessions} after. Mean {c.before.mean:.{digits}f}{unit} before, "
        f"{c.after.mean:.{digits}f}{unit} after, {where}.",
    )


def _counted_again(c: Comparison) -> str:
    """Say what the answer would be with nothing left out."""
    word = VERDICT_WORDS[c.verdict].lower()
    if not c.comparable:
        return f"with nothing left out: {word}"
    digits, unit = decimals(c.standard_uncertainty), unit_suffix(c.unit)
    ends = f"{signed(c.low, digits)} to {signed(c.high, digits)}{unit}"
    return f"with nothing left out: {word}, {signed(c.change, digits)}{unit} ({ends})"


# --- text ----------------------------------------------------------------------------------------------------


def markdown(post: Post) -> str:
    """Return the post as Markdown; text that somebody wrote cannot become markup."""
    return _text(
        post,
        picture=f"![{_escape_markdown(post.title)}: {post.verdict.lower()}](card.png)",
        escape=_escape_markdown,
        strong=lambda text: f"**{text}**",
        item=lambda text: f"- {text}",
        bullets=lambda items: items,
    )


def bbcode(post: Post) -> str:
    """Return the post as BBCode; square brackets that somebody wrote become round ones."""
    return _text(
        post,
        picture="(Attach card.png here.)",  # a forum shows no file that was not uploaded to it
        escape=lambda text: text.replace("[", "(").replace("]", ")"),
        strong=lambda text: f"[b]{text}[/b]",
        item=lambda text: f"[*]{text}",
        bullets=lambda items: ["[list]", *items, "[/list]"],
    )


def _text(
    post: Post,
    *,
    picture: str,
    escape: Callable[[str], str],
    strong: Callable[[str], str],
    item: Callable[[str], str],
    bullets: Callable[[list[str]], list[str]],
) -> str:
    lines = [picture, "", strong(escape(post.title)), ""]
    for k, alert in enumerate(post.alerts):
        lines += [f"{strong('Also:' if k else 'First:')} {escape(alert)}", ""]
    lines += [f"{strong(post.verdict)}. {escape(post.sentence)}", ""]
    for fact in post.facts:
        lines += [escape(fact), ""]
    for heading, texts in (("Cautions", post.cautions), ("Left out by hand", post.left_out)):
        if texts:
            lines += [strong(heading), "", *bullets([item(escape(text)) for text in texts]), ""]
    lines.append(f"{escape(post.limits)} {escape(post.made_by)}")
    return "\n".join(lines) + "\n"


def _escape_markdown(text: str) -> str:
    """Escape what Markdown or the HTML inside it would take for markup."""
    plain = re.sub(r"([\\`*_{}\[\]#|~])", r"\\\1", text)
    return plain.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


# --- picture -------------------------------------------------------------------------------------------------

_WORD_INK = {"improved": "#00694a", "worse": "#a02c00", "not-resolved": "#765400"}
_EDGE, _TEXT = 44, 19.0  # margin and size of the picture's text [px]


def card(result: Result, post: Post) -> bytes:
    """Return one picture that stands alone, 1200 x 675 PNG without metadata."""
    ink = next((colour for word, colour in _WORD_INK.items() if result.comparison.verdict.startswith(word)), "")
    inks = ON_PAPER | ({"word": ink} if ink else {"word": ON_PAPER["ink"]})
    answer = answer_picture.answer_of(result)

    def draw(figure: Figure, inks: canvas.Inks) -> None:
        _write_card(figure, post, answer, inks)

    return canvas.to_png(draw, width=CARD_SIZE[0], height=CARD_SIZE[1], inks=inks)


def _write_card(figure: Figure, post: Post, answer: answer_picture.Answer, inks: canvas.Inks) -> None:
    from matplotlib.patches import Rectangle

    width, height = CARD_SIZE
    figure.patch.set_facecolor(inks["paper"])
    figure.add_artist(Rectangle((0, 0), 14 / width, 1, color=inks["word"], linewidth=0))
    y = _paragraph(figure, post.title, y=26, size=24, ink=inks["soft"], most=1)
    y = _paragraph(figure, post.verdict, y=y + 2, size=54, ink=inks["word"], most=1, bold=True)
    if post.alerts:  # an alarm stands beside the answer, never in its place
        y = _paragraph(figure, f"First: {post.alerts[0]}", y=y + 2, size=20, ink=_WORD_INK["worse"], most=3, bold=True)
    y = _paragraph(figure, post.sentence, y=y + 4, size=22 if post.alerts else 25, ink=inks["ink"], most=3)
    top = y + 14
    answer_picture.draw(
        figure, answer, inks, box=(_EDGE, top, width - 2 * _EDGE, height - top - 36), text=_TEXT
    )  # fmt: skip
    _paragraph(figure, post.made_by, y=height - 34, size=16, ink=inks["soft"], most=1)


def _paragraph(figure: Figure, text: str, *, y: float, size: float, ink: str, most: int, bold: bool = False) -> float:
    """Draw wrapped text and return where it ends; what is too long for its lines is cut with an ellipsis."""
    width, height = CARD_SIZE
    lines = _wrapped(canvas.drawable(unbroken(text)), size=size, bold=bold, room=width - 2 * _EDGE)
    if len(lines) > most:
        lines = lines[:most]
        while canvas.text_width(lines[-1] + "…", size=size, bold=bold) > width - 2 * _EDGE:
            lines[-1] = lines[-1][:-1]
        lines[-1] = lines[-1].rstrip() + "…"
    for line in lines:
        figure.text(
            _EDGE / width, 1 - y / height, line, size=size, color=ink, va="top", weight="bold" if bold else "normal"
        )
        y += 1.28 * size
    return y


def _wrapped(text: str, *, size: float, bold: bool, room: float) -> list[str]:
    """Break text into lines that fit; a word longer than a line is broken too."""
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if canvas.text_width(longer, size=size, bold=bold) <= room:
            lines[-1] = longer
            continue
        lines.append("")
        for letter in word:
            if canvas.text_width(lines[-1] + letter, size=size, bold=bold) > room:
                lines.append("")
            lines[-1] += letter
    return [line for line in lines if line]
