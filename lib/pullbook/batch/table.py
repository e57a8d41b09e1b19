"""The table of a batch: as CSV, as one HTML page, and in a few lines for the terminal."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from pullbook.batch.experiments import Row
from pullbook.batch.picture import intervals
from pullbook.quantities import Shown
from pullbook.report.html import STYLE, Fragment, cautions, escape, table, told
from pullbook.settings.files import LIBRARY
from pullbook.settings.outcomes import outcome_named
from pullbook.settings.privacy import defused
from pullbook.statistics.unseen import BOOST_UNSEEN
from pullbook.statistics.verdict import VERDICT_WORDS
from pullbook.text import counted, decimals, sentence_case, shown_to_help

PAGE_STYLE = LIBRARY / "workbook" / "page_template" / "page.css"

# The table has more columns than those of one experiment, and one of them holds a sentence.
WIDE = "main { max-width: 84rem; } .pb-table :is(td:first-child, td:nth-child(10)) { min-width: 11rem; }\n"
WIDE += "@media (max-width: 32rem) { .pb-table td:first-child { min-width: 7rem; } }\n"

COLUMNS = (
    "experiment", "folder", "service", "outcome", "before", "after", "change", "low", "high", "unit", "verdict",
    "warnings", "status", "message",
)  # fmt: skip

MOST_NAMED = 20
ALWAYS_TOLD = ("not-resolved", "worse", "refused")

BY_CHANCE = (
    "Each verdict is about one vehicle and one service. A 95 % interval misses the truth about 5 times in 100, so with "
    "many experiments some verdicts are wrong by chance. This count is no test of a service or a product: it also "
    "depends on which ones people tried, and which ones they kept."
)


def to_csv(rows: Iterable[Row]) -> str:
    """Return the table as CSV, a row an experiment; text that a spreadsheet would take for a formula is defused."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        cells = (
            row.title, row.folder, row.service, row.outcome, row.before, row.after, row.change, row.low, row.high,
            row.unit, row.verdict, " | ".join(f.message for f in row.warnings), row.status, row.message,
        )  # fmt: skip
        writer.writerow([defused(_one_line(cell)) for cell in cells])
    return stream.getvalue()


def _one_line(cell: object) -> object:
    return " ".join(cell.split()) if isinstance(cell, str) else cell


def found(folders: Sequence[Path]) -> str:
    """Say which experiments were found."""
    return f"Found {counted(len(folders), 'experiment')}: {_named([folder.name for folder in folders])}"


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def not_done_text(rows: Sequence[Row]) -> str:
    """Say what was refused or failed, for the terminal."""
    missing = [row for row in rows if row.status != "done"]
    causes = _by_message(missing)
    lines = [f"  {status}: {_named(folders)}: {message}" for status, folders, message in causes[:MOST_NAMED]]
    more = [f"  and {len(causes) - MOST_NAMED} more causes (all in batch.csv)"] if len(causes) > MOST_NAMED else []
    shared = f" ({counted(len(causes), 'cause')})" if len(causes) < len(missing) else ""
    head = f"{len(missing)} of {counted(len(rows), 'experiment')} not done{shared}. The rest is written"
    return "\n".join([head, *lines, *more])


def summary(rows: Sequence[Row]) -> str:
    """Say how many of the analysed services were shown to help enough to matter, and how the others ended."""
    done = [row.verdict for row in rows if row.status == "done"]
    states = Counter(row.status for row in rows)
    counts = Counter(done) | Counter({"refused": states["refused"], "failed": states["failed"]})
    words = VERDICT_WORDS | {"refused": "refused", "failed": "failed"}
    rest = [
        f"{counts[key] or 'none'} {word.lower().replace(', size unclear', ' (size unclear)')}"
        for key, word in words.items()
        if key != "improved" and (counts[key] or key in ALWAYS_TOLD)
    ]
    return f"{shown_to_help(counts['improved'], len(done))} enough to matter. The others: {', '.join(rest)}."


def page(rows: Sequence[Row]) -> str:
    """Return the whole page: the answer, the table, what to know of each, and the cautions; it needs no network."""
    style = STYLE.read_text(encoding="utf-8") + PAGE_STYLE.read_text(encoding="utf-8") + WIDE
    parts = (answer(rows), intervals(rows), experiments(rows), not_done(rows), warnings(rows), _before_you_act())
    body = "\n".join(part.html for part in parts)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{escape(counted(len(rows), 'experiment'))}</title>\n<style>{style}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def answer(rows: Sequence[Row]) -> Fragment:
    """Return the first thing on the page: a boost warning if there is one, and how many reached which verdict."""
    boost = [row.folder for row in rows if any(f.about_boost and f.code != BOOST_UNSEEN for f in row.warnings)]
    alert = (
        f'<p class="pb-alert" role="alert"><strong>First:</strong> Boost or air flow changed with the service in '
        f"{escape(_named(boost))}. Read the warnings below, and check hoses and clamps before you drive on.</p>"
        if boost
        else ""
    )
    head, _, rest = summary(rows).partition(". ")
    return Fragment(
        f'<section class="pb-answer"><h1>{counted(len(rows), "experiment")}, before against after</h1>{alert}'
        f'<p class="pb-verdict">{escape(head)}</p><p class="pb-sentence">{escape(sentence_case(rest))}</p>'
        f'<p class="pb-facts">{escape(BY_CHANCE)}</p></section>'
    )


def experiments(rows: Iterable[Row]) -> Fragment:
    """Return the table, a row an experiment."""
    headings = (
        "experiment", "verdict", "change", "low", "high", "before", "after", "unit of change", "outcome", "service",
        "folder", "warnings", "status",
    )  # fmt: skip
    lines = [
        (
            row.title or row.folder, VERDICT_WORDS.get(row.verdict, row.status.capitalize()), *_figures(row),
            Shown(row.units).unit(row.unit) or None, row.outcome.replace("_", " ") or None, row.service or None,
            row.folder, len(row.warnings) or None, row.status,
        )
        for row in rows
    ]  # fmt: skip
    return Fragment("<h2>The experiments</h2>" + table(headings, lines, numbers_from=2, words_from=7).html)


def _figures(row: Row) -> tuple[str | None, ...]:
    if row.low is None or row.high is None or row.change is None:
        return (None,) * 5
    shown, outcome = Shown(row.units), outcome_named(row.outcome)
    change, low, high = (shown.value(value, row.unit) for value in (row.change, row.low, row.high))
    digits = max(1, decimals((high - low) / 4))  # about the standard uncertainty
    of = outcome.unit if outcome else row.unit  # a level's unit: °C where that of a change is K
    means = tuple(
        None if value is None else f"{shown.value(value, of):.{digits}f}" for value in (row.before, row.after)
    )
    return (*(f"{value:+.{digits}f}" for value in (change, low, high)), *means)


def not_done(rows: Iterable[Row]) -> Fragment:
    """Return why experiments were refused or failed."""
    causes = _by_message([row for row in rows if row.status != "done"])
    return _noticed("Refused or failed", [(status, _named(folders), message) for status, folders, message in causes])


def _by_message(rows: Iterable[Row]) -> list[tuple[str, list[str], str]]:
    """Join the experiments that were not done for the same reason."""
    folders: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        folders.setdefault((row.status, row.message), []).append(row.folder)
    return [(status, names, message) for (status, message), names in folders.items()]


def warnings(rows: Iterable[Row]) -> Fragment:
    """Return what changes how a row should be read."""
    return _noticed(
        "Warnings", [("warning", row.folder, Shown(row.units).text(f.message)) for row in rows for f in row.warnings]
    )


def _noticed(heading: str, items: Sequence[tuple[str, str, str]]) -> Fragment:
    if not items:
        return Fragment("")
    lines = "".join(
        f'<li class="pb-{kind}"><strong>{kind}</strong> {escape(name)}: {told(message)}</li>'
        for kind, name, message in items
    )
    return Fragment(f'<h2>{heading}</h2><ul class="pb-findings">{lines}</ul>')


def _before_you_act() -> Fragment:
    return Fragment("<h2>Before you act on it</h2>" + cautions().html)
