"""A page in US units: no metric figure is left on it, and every figure is the metric one converted."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from pullbook.analysis.result import Result, analyse_experiment
from pullbook.quantities import US
from pullbook.report import figures, sections, sharing
from pullbook.report.answer_picture import answer_of
from pullbook.report.in_units import comparison_in, to_draw
from report.test_sections import rows_of, text_of

METRIC_UNIT = re.compile(r"°C|km/h|\bkPa\b|\bhPa\b|(?<=[\d\[ ])K\b(?!/)|\bg/s\b|kg/m³|(?<=\d )m/s\b|(?<=\d )km\b")
PARTS = (
    sections.answer, sections.meaning, sections.drives, sections.findings, sections.left_out, sections.runs,
    sections.pulls, sections.cruises, sections.phases, sections.secondary_outcomes, sections.routes, sections.checks,
    sections.budget, sections.like_for_like, sections.conclusion,
)  # fmt: skip
# Column of a table, its unit, whether it is an absolute temperature; a level converts with the offset, a rise without.
SCALES = {"K": (1.8, 0.0), "°C": (1.8, 32.0), "kPa": (1 / 6.894757, 0.0), "km/h": (1 / 1.609344, 0.0)}


@pytest.fixture(params=["fin_wash", "loose_clamp", "nothing_done"])
def both(request: pytest.FixtureRequest, result_of) -> tuple[Result, Result]:
    metric = result_of(request.param)
    return metric, replace(metric, experiment=metric.experiment.model_copy(update={"units": "us"}))


def test_no_metric_figure_is_left(both):
    _, us = both
    for part in PARTS:
        said = text_of(part(us))
        assert not (left := METRIC_UNIT.search(said)), (
            part.__name__,
            said[max(0, left.start() - 80) : left.end() + 20],
        )


@pytest.mark.parametrize("part", [sections.pulls, sections.cruises])
def test_each_column_is_converted_by_what_it_is(both, part):
    metric, us = (rows_of(part(result)) for result in both)
    seen = set()
    for k, heading in enumerate(metric[0]):
        unit = next(iter(re.findall(r"\[(.+)\]$", heading)), "")
        factor, offset = SCALES.get(unit, (1.0, 0.0))
        seen.add(unit)
        for row, converted in zip(metric[1:], us[1:], strict=True):
            first, second = (re.match(r"[−\d.]+", cells[k].replace("−", "-")) for cells in (row, converted))
            if k >= 3 and first and second:
                rounding = 0.06 * (1 + factor) if "." in first[0] else 0.51 * (1 + factor)
                assert float(second[0]) == pytest.approx(float(first[0]) * factor + offset, abs=rounding), heading
    assert {"K", "°C"} <= seen


def test_levels_have_an_offset_and_differences_none(both):
    metric, us = (rows_of(sections.phases(result)) for result in both)
    for row, converted in zip(metric[1:], us[1:], strict=True):
        assert converted[1] == "°F"
        offset = 32.0 if row[1] == "°C" else 0.0
        numbers, shown = ([float(cell.replace("−", "-")) for cell in cells[2:]] for cells in (row, converted))
        assert shown[0] == pytest.approx(1.8 * numbers[0] + offset, abs=0.2)
        assert shown[2] == pytest.approx(1.8 * numbers[2], abs=0.2)


def test_conditions_have_an_offset_and_their_differences_none(both):
    metric, us = (rows_of(sections.like_for_like(result)) for result in both)
    for row, converted in zip(metric[1:], us[1:], strict=True):
        factor, offset = SCALES.get(row[1], (1.0, 0.0))
        for k, with_offset in ((2, True), (3, True), (4, False)):
            if row[1] in SCALES and row[k] != "–":
                expected = float(row[k].replace("−", "-")) * factor + offset * with_offset
                assert float(converted[k].replace("−", "-")) == pytest.approx(expected, abs=0.06 * (1 + factor)), row


def test_the_verdict_is_said_from_the_same_figures(both):
    metric, us = both
    c = metric.comparison
    assert us.comparison.sentence == c.sentence  # what is stored
    assert us.to_dict()["comparison"] == metric.to_dict()["comparison"]
    said = us.sentence
    assert "°F" in said
    assert said.partition(":")[0] == c.sentence.partition(":")[0]
    size = re.search(r"by ([\d.]+) °F", said)
    assert size
    assert float(size[1]) == pytest.approx(abs(1.8 * c.change), abs=0.06 if "." in size[1] else 0.6)
    assert f"{1.8 * c.worthwhile:g} °F" in said or c.verdict == "not-resolved"


def test_pictures_and_posts_are_in_the_same_units(both):
    _, us = both
    post = sharing.markdown(sharing.compose(us))
    assert not METRIC_UNIT.search(post.replace("2.2 L", ""))
    for draw in (figures.answer, figures.other_routes, figures.budget, figures.drives, figures.charge_over_time,
                 figures.pressure_over_time, figures.rise_over_speed, figures.against_inlet):  # fmt: skip
        picture = draw(us)
        if isinstance(picture, figures.Picture):
            assert not METRIC_UNIT.search(picture.figure.to_json()), draw.__name__
        elif picture is not None:
            assert not METRIC_UNIT.search(f"{picture.description} {picture.html} {picture.columns}"), draw.__name__


def test_what_is_drawn_is_the_metric_figure_converted(both):
    metric, us = both
    c, drawn = metric.comparison, to_draw(us).comparison
    assert (drawn.change, drawn.low, drawn.high, drawn.standard_uncertainty) == pytest.approx(
        [1.8 * x for x in (c.change, c.low, c.high, c.standard_uncertainty)]
    )
    offset = 32 if c.spec.unit == "°C" else 0
    assert drawn.before.mean == pytest.approx(1.8 * c.before.mean + offset)
    assert answer_of(us).bands["before"] == pytest.approx(1.8 * answer_of(metric).bands["before"])
    assert [s.inlet_c for s in drawn.sessions] == pytest.approx([1.8 * s.inlet_c + 32 for s in c.sessions])
    assert to_draw(metric) is metric


def test_a_level_in_degrees_is_drawn_with_its_offset(result_of):
    metric = result_of("fin_wash").experiment.model_copy(update={"outcome": "peak_charge"})
    c = analyse_experiment(metric).comparison
    us = comparison_in(c, US)
    assert us.before.mean == pytest.approx(1.8 * c.before.mean + 32)
    assert us.change == pytest.approx(1.8 * c.change)
    assert (us.spec.unit, us.unit) == ("°F", "°F")
    assert us.data.single_runs[0] == pytest.approx(1.8 * c.data.single_runs[0] + 32)


def test_a_persons_own_words_stay(both):
    _, us = both
    run = replace(us.drives[0].runs.pulls[0], included=False, left_out=True, reason="left out: a tractor at 40 km/h")
    drive = replace(us.drives[0], runs=replace(us.drives[0].runs, pulls=(run,)))
    assert "a tractor at 40 km/h" in text_of(sections.left_out(replace(us, drives=(drive, *us.drives[1:]))))


def test_results_do_not_know_the_units_shown(both):
    metric, us = both
    assert us.to_json() == metric.to_json()
    assert us.to_csv() == metric.to_csv()
    assert US.system == us.experiment.units
