"""The answering picture: every run, the weather being taken out, the difference, all of it the result's own."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from helpers.samples import SAMPLE_NAMES
from pullbook.analysis.result import Result, analyse_experiment
from pullbook.report import answer_picture, canvas
from pullbook.report.answer_picture import LEAST_SPAN, answer_of
from pullbook.report.drawing import Drawing


@pytest.fixture(scope="module")
def one_a_side(result_of) -> Result:
    experiment = result_of("fin_wash").experiment
    kept = tuple(s for s in experiment.sessions if s.name in ("before-1", "after-1"))
    return analyse_experiment(experiment.model_copy(update={"sessions": kept}))


@pytest.fixture(scope="module")
def refused(result_of) -> Result:
    experiment = result_of("fin_wash").experiment
    service = experiment.service.model_copy(update={"sensors": {"charge_air_temperature": "replaced"}})
    return analyse_experiment(experiment.model_copy(update={"service": service}))


def texts(drawing: Drawing, which: str) -> list[str]:
    """Return the words in the wide or the narrow drawing."""
    part = re.search(rf'<div class="pb-{which}">(<svg.*?</svg>)', drawing.html, flags=re.DOTALL)[1]
    return [e.text for e in ET.fromstring(part).iter("{http://www.w3.org/2000/svg}text")]


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_every_run_that_counts_is_there_as_measured_and_at_common_conditions(result_of, name):
    result = result_of(name)
    answer = answer_of(result)
    rows = result.measures[result.measures["included"]]
    shown = rows[rows[result.comparison.outcome].notna()][result.comparison.outcome]
    assert sorted(np.concatenate([s.measured for s in answer.sessions])) == pytest.approx(sorted(shown))
    for session, figure in zip(answer.sessions, result.comparison.sessions, strict=True):
        assert session.common - session.measured == pytest.approx(figure.normalised - figure.mean)


def test_the_scale_is_at_least_three_worthwhile_changes_and_holds_everything(result_of, one_a_side):
    for result in (result_of("fin_wash"), result_of("nothing_done"), one_a_side):
        c = result.comparison
        for worthwhile in (c.worthwhile, 40.0):
            answer = answer_of(dataclasses.replace(result, comparison=dataclasses.replace(c, worthwhile=worthwhile)))
            low, high = answer_picture._span(answer, room=0.05)
            assert high - low >= LEAST_SPAN * worthwhile
            assert low < c.before.mean + c.low < c.before.mean + c.high < high
            assert all(low < value < high for s in answer.sessions for value in (*s.measured, *s.common))


def test_the_bands_of_both_means_make_up_the_interval_but_for_the_conditions(result_of):
    answer = answer_of(result_of("fin_wash"))
    half = (answer.comparison.high - answer.comparison.low) / 2
    assert 0.9 * half < np.hypot(answer.bands["before"], answer.bands["after"]) <= half


@pytest.mark.parametrize("which", ["wide", "narrow"])
def test_the_numbers_stand_beside_the_marks_in_either_drawing(result_of, which):
    said = texts(answer_picture.picture(result_of("fin_wash")), which)
    assert {"−6.3 K", "−4.6", "−7.9"} <= set(said)
    assert any("43.4 K" in text for text in said)
    assert any("37.1 K" in text for text in said)
    assert any("less is better" in text for text in said)
    assert "too small to matter (±2 K)" in said


def test_phases_that_cannot_be_compared_show_their_runs_and_no_difference(refused):
    drawing = answer_picture.picture(refused)
    assert "can't be compared" in drawing.description
    assert "nan" not in drawing.html.lower()
    assert any("no difference" in text for text in texts(drawing, "wide"))
    assert all(row[3] == row[4] for row in drawing.rows)


def test_a_session_a_side_or_a_run_a_session_is_drawn(one_a_side):
    lonely = dataclasses.replace(
        one_a_side.comparison.data, single_runs=tuple(runs[:1] for runs in one_a_side.comparison.data.single_runs)
    )
    result = dataclasses.replace(one_a_side, comparison=dataclasses.replace(one_a_side.comparison, data=lonely))
    for shown, count in ((one_a_side, 10), (result, 2)):
        assert len(answer_picture.picture(shown).rows) == count


def test_the_numbers_behind_it_are_rounded_as_shown_with_units_in_the_headings(result_of):
    drawing = answer_picture.picture(result_of("fin_wash"))
    assert drawing.columns[:3] == ("session", "phase", "pull")
    assert all(column.endswith("[K]") for column in drawing.columns[3:])
    assert len(drawing.rows) == 30
    assert all(round(value, 1) == value for row in drawing.rows for value in row[3:])


def test_the_drawing_takes_its_colours_from_the_page_and_holds_no_style_of_its_own(result_of):
    html = answer_picture.picture(result_of("fin_wash")).html
    assert set(re.findall(r"(?<!, )#[0-9a-f]{6}\b", html)) <= {"#ffffff"}
    assert "var(--pb-before" in html
    for tag in ("<style", "<script", "<metadata", "clip-path", "url("):
        assert tag not in html
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids))


def test_the_same_result_gives_the_same_drawing(result_of):
    first, second = (answer_picture.picture(result_of("two_evenings")).html for _ in range(2))
    assert first == second


def test_a_hostile_unit_of_text_stays_text(result_of):
    result = result_of("fin_wash")
    spec = dataclasses.replace(result.comparison.spec, label='<script>x</script> $a$ "q"')
    drawing = answer_picture.picture(
        dataclasses.replace(result, comparison=dataclasses.replace(result.comparison, spec=spec))
    )
    assert "<script" not in drawing.html
    assert any("$a$" in text for text in texts(drawing, "wide"))


def test_letters_are_measured_and_what_the_font_lacks_is_a_question_mark():
    assert canvas.drawable("Größe, Ładowarka, café −6 °C ± ≤") == "Größe, Ładowarka, café −6 °C ± ≤"
    assert canvas.drawable("漢") == "?"
    assert canvas.text_width("iii", size=10) < canvas.text_width("MMM", size=10)
    assert canvas.text_width("MM", size=20) == pytest.approx(2 * canvas.text_width("MM", size=10))
