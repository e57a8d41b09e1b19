"""Figures in place of logs, all the way: the invented main sample, its runs written down by hand."""

from __future__ import annotations

import json
import shutil

import pytest

from helpers.samples import copy_sample
from helpers.written_down import in_place_of_logs, written_down
from pullbook.analysis.planned import plan_request
from pullbook.analysis.result import analyse
from pullbook.analysis.sessions import UNCHECKED_FIGURES
from pullbook.commands.add import add_logs
from pullbook.commands.check import check_text
from pullbook.commands.new import draft_experiment
from pullbook.errors import ExperimentError, LogError
from pullbook.report import figures, sections
from pullbook.settings.experiment import Experiment
from pullbook.workbook.board import board_of
from pullbook.workbook.choices import Choices
from pullbook.workbook.run import run_workbook

TRUE_CHANGE_K = -7.6  # of the sample, at equal boost


@pytest.fixture(scope="module")
def logged(result_of):
    return result_of("fin_wash")


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory, logged):
    """Return the main sample with figures in place of every log."""
    folder = copy_sample("fin_wash", tmp_path_factory.mktemp("kept") / "van")
    in_place_of_logs(folder, logged.measures, [drive.session.name for drive in logged.drives])
    shutil.rmtree(folder / "logs")
    return folder


@pytest.fixture(scope="module")
def result(by_hand):
    return analyse(by_hand)


def test_the_answer_is_that_of_the_logs(result, logged):
    ours, theirs = result.comparison, logged.comparison
    assert ours.verdict == theirs.verdict == "improved"
    # Rounding to whole degrees and the peak of the boost in place of what was held: a few tenths of a kelvin.
    assert ours.change == pytest.approx(theirs.change, abs=0.6)
    assert ours.low <= TRUE_CHANGE_K <= ours.high
    assert ours.before.pulls == theirs.before.pulls


def test_what_no_log_shows_is_said_first(result):
    (told,) = [f for f in result.findings if f.code == UNCHECKED_FIGURES]
    assert told.severity == "warning"
    assert told in result.warnings
    assert told.evidence["unchecked"] == ["full load", "gear", "how often the sensors were read"]
    for page in (sections.meaning(result), sections.conclusion(result)):
        assert "by hand, and we take them as given" in page.html
    assert "gear-not-read" in {f.code for f in result.findings}


def test_nothing_is_made_up(result):
    plain = result.to_dict()
    pull = plain["pulls"][0]
    assert pull["start_s"] is None
    assert pull["effectiveness"] is None
    session = plain["sessions"]["before-1"]
    assert (session["log"], session["figures"], session["duration_s"]) == (None, "figures/before-1.csv", None)
    assert session["channels"]["charge_air_temperature"]["resolution"] == 1.0
    assert session["channels"]["charge_air_temperature"]["period_s"] is None


def test_pictures_of_logs_are_left_out(result):
    assert figures.drives(result) is None
    assert figures.charge_over_time(result) is None
    assert "nan" not in (sections.drives(result).html + sections.runs(result).html + sections.cruises(result).html)


def test_check_and_plan_take_it(by_hand):
    told = "\n".join(check_text(by_hand))
    assert "figures written down, no log" in told
    assert "nan" not in told
    assert "by hand, and we take them as given" in " ".join(told.split())
    assert plan_request(by_hand) is not None


def test_runs_are_chosen_as_of_a_log(by_hand):
    choices = Choices(by_hand)
    choices.leave_out("before-1", "pull 2", "a tractor")
    assert choices.result.comparison.before.pulls == choices.saved_result.comparison.before.pulls - 1
    choices.set(("protocol", "pull_to_kmh"), 100.0)
    assert not choices.lost


def test_a_log_and_figures_in_one_experiment(tmp_path, logged):
    folder = copy_sample("fin_wash", tmp_path / "van")
    names = [drive.session.name for drive in logged.drives if drive.session.phase == "before"]
    in_place_of_logs(folder, logged.measures, names)
    mixed = analyse(folder)
    assert mixed.comparison.verdict == "improved"
    assert mixed.comparison.change == pytest.approx(logged.comparison.change, abs=0.8)
    (told,) = [f for f in mixed.findings if f.code == UNCHECKED_FIGURES]
    assert told.evidence["sessions"] == names
    assert not any(f.about_boost for f in mixed.findings)
    assert figures.drives(mixed) is not None


def test_earlier_figures_narrow_the_answer(tmp_path, by_hand, fresh):
    today = fresh("fin_wash")
    shutil.copytree(by_hand, today.parent / "by-hand")
    alone = analyse(today).comparison
    path = today / "experiment.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "\nearlier: [../by-hand]\n", encoding="utf-8")
    assert analyse(today).comparison.allowance.dof > alone.allowance.dof


def test_an_outcome_that_figures_cannot_hold(by_hand, tmp_path):
    folder = tmp_path / "van"
    shutil.copytree(by_hand, folder)
    path = folder / "experiment.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("outcome: peak_rise", "outcome: rise_at 100"), encoding="utf-8")
    with pytest.raises(LogError) as refusal:
        analyse(folder)
    assert "hold no charge temperature above inlet at 100 km/h" in str(refusal.value)
    assert "peak_rise" in str(refusal.value)


def test_the_page_says_it_and_draws_no_log(by_hand, tmp_path):
    run = run_workbook(by_hand, tmp_path / "out", progress=False)
    page = (run.folder / "workbook.html").read_text(encoding="utf-8")
    assert page.count("by hand, and we take them as given") >= 2
    assert "No log can check full load, gear" in page
    assert "Dark: pulls that count" not in page
    assert ">nan" not in page


# --- new and add -------------------------------------------------------------------------------------------------


@pytest.fixture
def tables(tmp_path, logged):
    found = {}
    for name, session in (("before", "before-1"), ("after", "after-1"), ("more", "after-2")):
        found[name] = tmp_path / f"{name}.csv"
        found[name].write_text(written_down(logged.measures, session), encoding="utf-8")
    return found


def test_new_takes_two_tables_and_their_names(tmp_path, tables):
    told = "\n".join(
        draft_experiment(tmp_path / "van", before=(), after=(), figures=[tables["after"], tables["before"]])
    )
    experiment = Experiment.load(tmp_path / "van")
    assert [(s.name, s.figures) for s in experiment.sessions] == [
        ("before-1", "figures/before.csv"),
        ("after-1", "figures/after.csv"),
    ]
    assert experiment.outcome == "peak_rise"
    assert "2 tables of figures" in told
    assert "written down" in told
    assert analyse(tmp_path / "van").comparison.verdict in ("improved", "improved-size-unclear")


def test_new_and_add_take_tables_beside_logs(tmp_path, tables, fresh):
    log = next((fresh("fin_wash") / "logs").glob("after-1*"))
    draft_experiment(tmp_path / "van", before=[tables["before"]], after=[log])
    added = add_logs(tmp_path / "van", [tables["more"]], phase="after")
    assert added.doubtful
    assert any("written down by hand" in doubt for doubt in added.doubts[0])
    sessions = Experiment.load(tmp_path / "van").sessions
    assert [bool(s.figures) for s in sessions] == [True, False, True]
    with pytest.raises(ExperimentError, match="same drive"):
        add_logs(tmp_path / "van", [tables["more"]], phase="after")


def test_new_wants_two_tables(tmp_path, tables):
    with pytest.raises(ExperimentError, match="two, before and after"):
        draft_experiment(tmp_path / "van", before=(), after=(), figures=list(tables.values()))
    assert not (tmp_path / "van").exists()


# --- settings ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "figures: figures/before-1.csv",
            "figures: figures/before-1.csv\n    log: figures/before-2.csv",
            "beside figures",
        ),
        ("figures: figures/before-1.csv", "figures: ../before-1.csv", "outside the experiment"),
        ("figures: figures/before-1.csv", "figures: figures/linked.csv", "outside the experiment"),
        ("figures: figures/before-1.csv", "figures: figures/before-1.xlsx", "Save the table as CSV"),
        ("figures: figures/before-1.csv", "figures: figures/none.csv", "no such file"),
        ("figures: figures/before-1.csv", "figures: figures/before-2.csv", "2 times"),
        ("    figures: figures/before-1.csv\n", "", "session 'before-1', log: missing"),
        ("figures: figures/before-1.csv", "log: figures/before-1.csv", "write figures: in place of log:"),
        ("figures: figures/before-1.csv", "figures: figures/log.csv", "write log: in place of figures:"),
    ],
)
def test_what_a_person_may_write_wrongly(by_hand, tmp_path, fresh, old, new, said):
    folder = tmp_path / "van"
    shutil.copytree(by_hand, folder)
    (tmp_path / "before-1.csv").write_text("elsewhere", encoding="utf-8")
    (folder / "figures" / "linked.csv").symlink_to(tmp_path / "before-1.csv")
    shutil.copy(next((fresh("two_evenings") / "logs").glob("*.csv")), folder / "figures" / "log.csv")
    path = folder / "experiment.yaml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises((ExperimentError, LogError)) as refusal:
        analyse(folder)
    assert said in str(refusal.value)
    assert str(tmp_path) not in str(refusal.value)


def test_the_board_shows_them_without_times_and_nothing_is_marked_among_them(by_hand):
    choices = Choices(by_hand)
    board = json.loads(board_of(choices, trouble={}, gear="").json)
    session = board["sessions"][0]
    assert (session["length"], session["counts"]) == (0, 5)
    assert not any(run["timed"] for run in session["runs"])
    assert session["runs"][0]["said"].startswith("before-1, pull 1: 4")
    with pytest.raises(LogError, match="no log"):
        choices.mark("before-1", 10, 20, "why")
