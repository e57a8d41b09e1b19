"""What a person reads, word by word: one kept text a page. Facts are held elsewhere, so that words stay free."""

from __future__ import annotations

import re
from html import unescape

import numpy as np

from helpers.snapshots import assert_worded
from pullbook.analysis.planned import plan_request
from pullbook.report import html, sections
from pullbook.report.plan import plan_text
from pullbook.report.sharing import compose, markdown
from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.estimate import Estimate
from pullbook.statistics.verdict import sentence_of, verdict_of

PARTS = (
    sections.answer, sections.meaning, sections.findings, sections.left_out, sections.phases, sections.routes,
    sections.checks, sections.budget, sections.like_for_like, sections.secondary_outcomes, sections.conclusion,
)  # fmt: skip
INTERVALS = ((-5.0, -2.5), (-4.0, -0.5), (-1.2, 0.8), (-3.0, 1.0), (-3.02, 3.0), (0.5, 4.5), (2.5, 5.5))


def lines_of(fragment: html.Fragment) -> list[str]:
    """Return the text of a fragment, a line a paragraph, row or item."""
    text = re.sub(r"</(p|tr|li|h\d|caption|figcaption|div|summary)>", "\n", fragment.html)
    lines = [" ".join(unescape(re.sub(r"<[^>]+>", " ", line)).split()) for line in text.splitlines()]
    return [line for line in lines if line]


def test_the_workbook_page(result_of):
    told = []
    for name in ("fin_wash", "loose_clamp"):
        told += [
            f"=== {name}",
            *(line for part in PARTS for line in [f"--- {part.__name__}", *lines_of(part(result_of(name)))]),
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


def test_the_plan():
    assert_worded("plan", "\n".join(plan_text(plan_request(None, change=3.0, pulls=4))))


def test_the_post(result_of):
    assert_worded("post", markdown(compose(result_of("fin_wash"))))
