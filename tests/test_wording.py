"""What a person reads, word by word: one kept text a page. Facts are held elsewhere, so that words stay free."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape, unescape
from pathlib import Path

import nbformat
import numpy as np
import pytest

from helpers.snapshots import assert_worded
from pullbook.analysis.planned import plan_request
from pullbook.batch import table as batch
from pullbook.batch.experiments import Row
from pullbook.report import html, sections
from pullbook.report.plan import plan_text
from pullbook.report.sharing import compose, markdown
from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.estimate import Estimate
from pullbook.statistics.verdict import sentence_of, verdict_of
from pullbook.workbook.run import workbook_path

PARTS = (
    sections.answer, sections.meaning, sections.drives, sections.findings, sections.left_out, sections.channels,
    sections.cruises, sections.phases, sections.pulls, sections.secondary_outcomes, sections.routes, sections.checks,
    sections.budget, sections.like_for_like, sections.service, sections.conclusion, sections.colophon,
)  # fmt: skip
INTERVALS = ((-5.0, -2.5), (-4.0, -0.5), (-1.2, 0.8), (-3.0, 1.0), (-3.02, 3.0), (0.5, 4.5), (2.5, 5.5))


def lines_of(fragment: html.Fragment) -> list[str]:
    """Return the text of a fragment, a line a paragraph, row or item."""
    text = re.sub(r"</(p|tr|li|h\d|caption|figcaption|div|summary)>", "\n", fragment.html)
    lines = [" ".join(unescape(re.sub(r"<[^>]+>", " ", line)).split()) for line in text.splitlines()]
    return [line for line in lines if line]


def once(lines: list[str]) -> list[str]:
    """Leave out lines that differ from the one before in their numbers alone: the rows of a table of figures."""
    return [line for line, before in zip(lines, ["", *lines], strict=False) if wordless(line) != wordless(before)]


def wordless(line: str) -> str:
    return re.sub(r"[\d.,±–−+-]+|\b(before|after)\b", "", line)


def test_the_workbook_page(result_of):
    told = []
    for name in ("fin_wash", "loose_clamp"):
        result = replace(result_of(name), inputs_sha256="0" * 64)
        told += [
            f"=== {name}",
            *(line for part in PARTS for line in [f"--- {part.__name__}", *once(lines_of(part(result)))]),
        ]
    assert_worded("workbook", "\n".join([*told, "--- cautions", *lines_of(html.cautions())]))


def test_the_sentences_of_the_verdict():
    told = []
    for outcome in ("peak_rise", "peak_manifold_pressure"):
        for low, high in INTERVALS:
            change = (low + high) / 2
            estimate = Estimate(
                change=change, before=40.0, after=40.0 + change, low=low, high=high, u=0.7, dof=6.0, budget=(),
                day_sd=1.0, day_dof=6.0, slopes=(), shift=np.zeros(2), method="",
            )  # fmt: skip
            verdict = verdict_of(low, high, 2.0, OUTCOMES[outcome].lower_is_better)
            told.append(
                sentence_of(
                    verdict,
                    OUTCOMES[outcome],
                    estimate,
                    worthwhile=2.0,
                    level=0.95,
                    what_would_tell="Another day would help",
                )
            )
    assert_worded("verdict", "\n".join(told))


@pytest.mark.parametrize("name", ["history", "ledger"])
def test_the_page_of_another_notebook(name, monkeypatch):
    """Its code cells run here, in order, and what they display is read."""
    path = workbook_path().with_name(f"{name}.ipynb")
    monkeypatch.chdir(path.parent)
    shown: list[object] = []
    names: dict[str, object] = {"display": lambda *parts: shown.extend(parts)}
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            exec(cell.source, names)
            names |= {"today": "2026-06-20"} if "parameters" in cell.metadata.get("tags", []) else {}
    told = []
    for part in shown:
        text = part.html if hasattr(part, "html") else escape(part._repr_mimebundle_()["text/plain"])
        if not text.startswith("<style"):
            told += ["---", *once(lines_of(html.Fragment(re.sub(r"(?s)<svg.*?</svg>", "", text))))]
    assert len(told) > 20
    assert_worded(name, "\n".join(told))


def test_a_batch(result_of):
    rows = []
    for name in ("fin_wash", "loose_clamp"):
        r = result_of(name)
        c = r.comparison
        rows.append(
            Row(
                folder=name, title=r.experiment.title, service=r.experiment.service.what,
                outcome=c.outcome, unit=c.unit, before=c.before.mean, after=c.after.mean, change=c.change, low=c.low,
                high=c.high, verdict=c.verdict, warnings=r.warnings,
            )
        )  # fmt: skip
    rows.append(Row(folder="third", status="refused", message="a.csv: no time column."))
    parts = (batch.answer, batch.experiments, batch.not_done, batch.warnings)
    told = [line for part in parts for line in [f"--- {part.__name__}", *lines_of(part(rows))]]
    assert_worded("batch", "\n".join([batch.found([Path("a"), Path("b")]), batch.not_done_text(rows), *told]))


def test_the_plan():
    assert_worded("plan", "\n".join(plan_text(plan_request(None, change=3.0, pulls=4))))


def test_the_post(result_of):
    assert_worded("post", markdown(compose(result_of("fin_wash"))))
