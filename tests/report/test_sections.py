"""The words and tables of the report: complete, escaped, and the same figures as the results."""

from __future__ import annotations

import dataclasses
import re
from html import escape, unescape

import pytest

from helpers.samples import HOSTILE, SAMPLE_NAMES
from pullbook.analysis.result import Result, analyse_experiment
from pullbook.errors import Finding
from pullbook.report import figures, html, sections
from pullbook.settings.experiment import Column, Notes
from pullbook.statistics.verdict import VERDICT_WORDS

PARTS = (
    sections.answer,
    sections.drives,
    sections.channels,
    sections.findings,
    sections.left_out,
    sections.pulls,
    sections.cruises,
    sections.phases,
    sections.routes,
    sections.budget,
    sections.like_for_like,
    sections.conclusion,
    sections.colophon,
)


@pytest.fixture(params=SAMPLE_NAMES)
def result(request: pytest.FixtureRequest, result_of) -> Result:
    return result_of(request.param)


def text_of(fragment: html.Fragment) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", fragment.html)).split())


def rows_of(fragment: html.Fragment) -> list[list[str]]:
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", fragment.html, flags=re.DOTALL)
    return [[unescape(cell) for cell in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row)] for row in rows]


def balanced(html: str) -> bool:
    """Whether every element that is opened is closed, in order."""
    stack: list[str] = []
    for closing, tag in re.findall(r"<(/?)([a-z0-9]+)[^>]*>", html):
        if not closing:
            stack.append(tag)
        elif not stack or stack.pop() != tag:
            return False
    return not stack


def with_finding(result: Result, *findings: Finding) -> Result:
    return dataclasses.replace(result, findings=findings)


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.__name__)
def test_every_part_is_whole_and_says_no_nan(result, part):
    fragment = part(result)
    assert balanced(fragment.html)
    assert len(text_of(fragment)) > 20 or part is sections.left_out  # which says nothing where all runs count
    assert not {"nan", "NaN", "inf", "-inf", "+inf", "None"} & set(text_of(fragment).split())
    assert fragment._repr_html_() == fragment.html


@pytest.mark.parametrize(
    ("outcome", "heading", "worthwhile"),
    [
        ("peak_coolant", "peak coolant temperature [°C]", 2.0),
        ("rise_at 90", "charge temperature above inlet at 90 km/h [K]", 2.0),
        ("elapsed_s 60-90", "time from 60 to 90 km/h [s]", 0.3),
        ("charge_density", "charge density [kg/m³]", 0.02),
        ("mean_inlet", "inlet [°C]", 2.0),
    ],
)
def test_the_figure_that_is_asked_about_comes_first_in_every_table(outcome, heading, worthwhile, result_of):
    """A table of fixed columns left out the very figure that the answer is made of."""
    experiment = result_of("two_evenings").experiment
    given = experiment.model_copy(update={"outcome": outcome, "worthwhile_change": worthwhile})
    result = analyse_experiment(given)
    kind = given.outcome_spec.kind
    part, facts = (sections.pulls, 2) if kind == "pull" else (sections.cruises, 3)
    headings, first, *_ = rows_of(part(result))
    assert headings[facts] == heading
    assert headings.count(heading) == 1
    measured = result.measures[(result.measures["kind"] == kind) & result.measures["included"]]
    shown = first[facts].split(" ± ")[0]
    assert float(shown) == pytest.approx(measured[outcome].iloc[0], abs=0.51 * 10 ** -len(shown.partition(".")[2]))
    if f"{outcome}_u" in measured:
        assert "±" in first[facts]
    assert rows_of(sections.phases(result))[1][0] == given.outcome_spec.label
    columns = result.to_csv().partition("\n")[0].split(",")
    assert columns[columns.index("end_speed") + 1] == outcome
    if kind == "pull" and not outcome.startswith("elapsed_s"):
        assert result.to_dict()["pulls"][0][outcome] is not None


def test_the_balance_check_finds_what_is_open():
    assert not balanced("<p><b>x</p>")
    assert not balanced("<p>x")


@pytest.mark.parametrize("cell", [HOSTILE, "a & b < c", '"quoted"'])
def test_tables_escape_every_cell_heading_and_caption(cell):
    shown = html.table((cell, "n"), [(cell, 1)], caption=cell).html
    assert shown.count(escape(cell)) == 4  # the caption twice: for the eye, and as the table's name
    assert cell not in shown
    assert balanced(shown)


def test_what_cannot_be_had_is_a_dash_in_a_table():
    rows = rows_of(html.table(("a", "b", "c"), [(None, float("nan"), 1.5)]))
    assert rows[1] == ["–", "–", "1.5"]


def test_the_answer_begins_with_the_verdict_in_words(result):
    html = sections.answer(result).html
    word = VERDICT_WORDS[result.comparison.verdict]
    assert f'<p class="pb-verdict">{word}</p>' in html
    assert f'class="pb-answer pb-{result.comparison.verdict}"' in html
    assert result.comparison.sentence.startswith(f"{word}: ")


def test_every_verdict_has_words_and_a_meaning():
    assert (
        set(VERDICT_WORDS)
        == set(sections.VERDICT_MEANS)
        == {"improved", "improved-size-unclear", "no-worthwhile-change", "not-resolved", "worse-size-unclear", "worse"}
    )
    for verdict in ("not-resolved", "no-worthwhile-change"):
        assert "no effect" in sections.VERDICT_MEANS[verdict]  # that it is not that


def test_a_boost_warning_comes_before_the_verdict_and_no_worth_is_claimed(result_of):
    html = sections.answer(result_of("loose_clamp")).html
    assert 0 < html.index("pb-alert") < html.index("pb-verdict")
    assert "First:" in html
    assert sections.worth(result_of("loose_clamp")) == ""
    assert html.count("check hoses and clamps") == 1
    noticed = sections.findings(result_of("loose_clamp")).html
    first, second = (f for f in result_of("loose_clamp").findings if f.about_boost)
    assert escape(second.message.partition(". ")[0]) in noticed
    assert escape(first.message.partition(". ")[0]) not in noticed  # it stands at the top
    assert "check hoses" not in sections.meaning(result_of("loose_clamp")).html
    said = sections.conclusion(result_of("loose_clamp")).html
    assert "boost warning at the top" in said
    assert "check hoses" not in said
    assert "pb-alert" not in sections.answer(result_of("fin_wash")).html


def test_what_it_is_worth_is_the_density_of_an_ideal_gas(result_of):
    result = result_of("fin_wash")
    text = sections.worth(result)
    rows = result.measures[result.measures["included"] & (result.measures["kind"] == "pull")]
    after_k = rows.loc[rows["phase"] == "after", "peak_charge"].mean() + 273.15
    change = result.comparison.change
    # Ideal gas at one pressure: density goes as 1/T, so after over before is (T - change) / T; to the printed digit.
    gain = 100 * ((after_k - change) / after_k - 1)
    assert f"{abs(change):.1f} K" in text
    assert f"{gain:.1f} %" in text
    assert "at most" in text


def test_nothing_is_worth_anything_where_nothing_is_shown(result_of):
    assert re.search(r"\d\.\d % thinner to \d+\.\d % denser", sections.worth(result_of("two_evenings")))  # either way


def test_every_run_is_in_one_of_the_tables(result):
    listed = len(rows_of(sections.pulls(result))) - 1
    assert listed == sum(run.included for drive in result.drives for run in drive.runs.pulls)
    dropped = sum(not run.included for drive in result.drives for run in drive.runs.all)
    assert max(len(rows_of(sections.left_out(result))) - 1, 0) == dropped


def test_the_pulls_table_shows_the_measures(result):
    rows = rows_of(sections.pulls(result))
    k = rows[0].index("rise [K]")
    frame = result.measures[(result.measures["kind"] == "pull") & result.measures["included"]]
    assert [float(row[k]) for row in rows[1:]] == pytest.approx(list(frame["peak_rise"]), abs=0.05)  # one decimal


def test_the_budget_table_adds_up(result):
    rows = rows_of(sections.budget(result))
    parts = [float(row[2].removeprefix("under ")) for row in rows[1:-1]]
    half = 0.5 * 10.0 ** -len(rows[-1][2].partition(".")[2])  # each entry is rounded to this, or under twice as much
    assert float(rows[-1][2]) == pytest.approx(sum(part**2 for part in parts) ** 0.5, abs=half * (len(parts) + 1))
    assert not any("e-" in row[2] for row in rows[1:])


def test_findings_are_sorted_told_once_and_escaped(result_of):
    same = Finding(code="x", severity="note", message=HOSTILE)
    result = with_finding(result_of("fin_wash"), same, Finding(code="y", severity="warning", message="On top."))
    alike = (
        Finding(code="z", severity="note", message="Alike."),
        Finding(code="w", severity="warning", message="Careful."),
    )
    drives = tuple(dataclasses.replace(d, findings=alike) for d in result.drives)
    html = sections.findings(dataclasses.replace(result, drives=drives)).html
    assert "On top." not in html  # it stands beside the answer
    assert html.index("Careful.") < html.index("Alike.")
    assert html.count("Alike.") == 1
    assert "all sessions" in html
    assert HOSTILE not in html
    assert escape(HOSTILE) in html
    nothing = dataclasses.replace(with_finding(result), drives=())
    assert sections.findings(nothing).html == "<p>Nothing to report.</p>"


def test_lines_of_yaml_in_a_finding_can_be_copied(result_of):
    finding = Finding(code="x", severity="note", message='Add:\nchannels:\n  a: {column: "<b>", unit: K}')
    html = sections.findings(with_finding(result_of("fin_wash"), finding)).html
    assert "<pre>channels:\n  a: {column: &quot;&lt;b&gt;&quot;, unit: K}</pre>" in html


def test_the_limits_and_cautions_are_all_there(result):
    text = text_of(sections.conclusion(result))
    assert all(limit in text for limit in sections.LIMITS)
    assert all(caution in text_of(html.cautions()) for caution in html.CAUTIONS)


def test_an_uncertainty_is_never_shown_as_nought() -> None:
    assert sections._plus_minus(7.21, 0.021, 1) == "7.21 ± 0.02"
    assert sections._plus_minus(7.21, 0.4, 1) == "7.2 ± 0.4"
    assert sections._plus_minus(7.21, 0.0, 1) == "7.2 ± 0.0"


def test_a_pure_number_is_shown_without_a_unit(result_of) -> None:
    experiment = result_of("fin_wash").experiment.model_copy(
        update={"outcome": "effectiveness", "worthwhile_change": 0.02}
    )
    result = analyse_experiment(experiment)
    shown = [part(result).html for part in (sections.answer, sections.routes, sections.budget, sections.checks)]
    for text in (*shown, figures.answer(result).description, " ".join(figures.answer(result).columns)):
        assert not re.search(r"\d 1\b|\[1\]", text.replace("of 1", "")), text


def test_the_colophon_promises_no_file_that_may_be_missing(result):
    """In JupyterLab, and under papermill without `out`, nothing is written beside the page."""
    text = sections.colophon(result).html
    assert "beside" not in text
    assert "pullbook run" in text


def test_what_was_found_during_the_service_is_shown_and_escaped(result_of):
    given = result_of("two_evenings")
    assert sections.service(given).html == ""
    notes = Notes(
        photos=("fins-1.jpg", HOSTILE), came_out=HOSTILE, collected_ml=40, drying_h=24, parts_replaced=("two seals",)
    )
    service = given.experiment.service.model_copy(
        update={"notes": notes, "sensors": {"charge_air_temperature": "refitted"}}
    )
    shown = dataclasses.replace(given, experiment=given.experiment.model_copy(update={"service": service}))
    fragment = sections.service(shown)
    assert "<script" not in fragment.html
    assert "<img" not in fragment.html
    text = text_of(fragment)
    for said in ("collected 40 ml", "dried for 24 h", "two seals", "charge air temperature sensor refitted", "fins-1"):
        assert said in text


def test_the_place_of_the_intake_sensors_is_said(result_of):
    result = result_of("fin_wash")
    said = text_of(sections.channels(result))
    assert "'Charge air temperature [°C]' to sit after the cooler" in said
    assert "'Intake air temperature [°C]' to sit before the compressor, going by the name" in said
    settled = {"charge_air_temperature": Column(column="Charge air temperature [°C]")}
    named = dataclasses.replace(result, experiment=result.experiment.model_copy(update={"channels": settled}))
    assert "sit after the cooler, as experiment.yaml says" in text_of(sections.channels(named))


def test_lines_that_settle_a_warning_stay_lines_wherever_it_stands(result_of):
    """They are YAML to copy: run together in a paragraph they would not be."""
    result = result_of("fin_wash")
    warning = Finding(code="x", severity="warning", message="Guessed. To settle it:\nchannels:\n  a: b", evidence={})
    told = dataclasses.replace(result, findings=(warning,))
    of_a_drive = [dataclasses.replace(drive, findings=(warning,)) for drive in result.drives]
    for part in (sections.meaning(told), sections.findings(dataclasses.replace(result, drives=tuple(of_a_drive)))):
        assert "<pre>channels:\n  a: b</pre>" in part.html
