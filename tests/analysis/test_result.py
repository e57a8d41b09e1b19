"""From folder to result: what is kept, what is refused, and the files in which it is given on."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math

import pytest

from helpers.samples import SAMPLE_NAMES, contents
from pullbook import __version__, analyse
from pullbook.analysis.result import Result
from pullbook.analysis.sessions import missing_for_outcome, read_drives
from pullbook.errors import ComparisonError, ExperimentError, LogError
from pullbook.settings.experiment import Experiment

VERDICTS = {  # what each sample was made to show, told in its read-me
    "fin_wash": {"improved"},
    "two_evenings": {"not-resolved"},
    "nothing_done": {"no-worthwhile-change", "not-resolved"},
    "loose_clamp": {"not-resolved"},  # the boost fell: cooler for the wrong reason, so no benefit may be claimed
}


@pytest.fixture(params=SAMPLE_NAMES)
def result(request: pytest.FixtureRequest, result_of) -> Result:
    return result_of(request.param)


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_each_sample_gets_the_verdict_it_was_made_for(result_of, name):
    assert result_of(name).comparison.verdict in VERDICTS[name]


def test_boost_that_fell_is_told_first(result_of):
    assert result_of("loose_clamp").findings[0].code.startswith("boost-")
    assert result_of("loose_clamp").warnings[0] is result_of("loose_clamp").findings[0]
    assert not any(f.code.startswith("boost-") for f in result_of("fin_wash").findings)


def test_the_same_folder_gives_the_same_bytes(result_of, fresh):
    assert analyse(fresh("two_evenings")).to_json() == result_of("two_evenings").to_json()


def test_analysing_changes_no_file(fresh):
    folder = fresh("two_evenings")
    before = contents(folder)
    analyse(folder)
    assert contents(folder) == before


def test_results_have_no_nan_and_keep_their_digits(result):
    def never(name: str) -> None:
        raise AssertionError(f"{name} is no JSON")

    found = json.loads(result.to_json(), parse_constant=never)
    assert (found["schema"], found["pullbook_version"]) == (1, __version__)
    assert found["comparison"]["change"] == result.comparison.change  # not rounded
    assert list(found["sessions"]) == [s.name for s in result.experiment.sessions]
    assert len(found["pulls"]) + len(found["cruises"]) == len(result.measures)


def test_a_figure_that_cannot_be_had_is_null_with_a_finding_that_says_why(result):
    found = json.loads(result.to_json())
    for kind in ("pulls", "cruises"):
        names = found[kind][0].keys() - {"elapsed_s", "elapsed_s_uncertainty", "reason"}
        never = {name for name in names if all(run[name] is None for run in found[kind])}
        said = " ".join(f["message"] for s in found["sessions"].values() for f in s["findings"])
        assert [name for name in sorted(never) if name not in said] == []


def test_the_table_of_runs_is_a_plain_csv(result):
    rows = list(csv.DictReader(io.StringIO(result.to_csv())))
    assert len(rows) == len(result.measures)
    assert {"session", "phase", "kind", "number", "included", "reason"} <= rows[0].keys()
    rises = [float(row["peak_rise"]) for row in rows if row["kind"] == "pull" and row["included"] == "True"]
    frame = result.measures[(result.measures["kind"] == "pull") & result.measures["included"]]
    assert rises == pytest.approx(list(frame["peak_rise"]))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_text_that_a_spreadsheet_would_run_is_defused(result_of, text):
    result = result_of("two_evenings")
    frame = result.measures.copy()
    frame["reason"] = text
    rows = list(csv.DictReader(io.StringIO(dataclasses.replace(result, measures=frame).to_csv())))
    assert {row["reason"] for row in rows} == {f"'{text}"}


def test_a_left_out_run_is_shown_with_its_reason_and_both_results_are_given(fresh, result_of):
    folder = fresh("two_evenings")
    settings = folder / "experiment.yaml"
    entry = "    log: logs/before-1.csv\n"
    text = settings.read_text(encoding="utf-8").replace(entry, f"{entry}    leave_out: {{pull 2: braked}}\n")
    settings.write_text(text, encoding="utf-8")
    result = analyse(folder)
    (row,) = [p for p in result.to_dict()["pulls"] if not p["included"]]
    assert (row["session"], row["number"]) == ("before-1", 2)
    assert "braked" in row["reason"]
    assert result.comparison.before.pulls == 4
    assert result.with_left_out is not None
    assert result.with_left_out.before.pulls == 5
    assert result.with_left_out.change == pytest.approx(result_of("two_evenings").comparison.change)
    assert result_of("two_evenings").with_left_out is None


def test_a_log_dated_before_the_service_cannot_come_after_it(fresh):
    folder = fresh("two_evenings")
    log = folder / "logs" / "after-1.csv"
    lines = log.read_text(encoding="utf-8").splitlines()
    # A day before the service of 2026-04-11, written into stamps that had the clock time alone.
    log.write_text("\n".join([lines[0], *(f"2026-04-10 {line}" for line in lines[1:])]), encoding="utf-8")
    with pytest.raises(ExperimentError, match="'after', but its log begins on 2026-04-10, before the service"):
        analyse(folder)


def test_the_column_that_is_lacking_is_asked_for(fresh):
    folder = fresh("two_evenings")
    log = folder / "logs" / "before-1.csv"
    log.write_text(log.read_text(encoding="utf-8").replace("Charge air temperature", "Mystery"), encoding="utf-8")
    with pytest.raises(LogError, match="charge") as caught:
        analyse(folder)
    assert "Mystery" in str(caught.value)
    experiment = Experiment.load(folder)
    assert missing_for_outcome(experiment, read_drives(experiment)) == [str(caught.value)]


@pytest.mark.parametrize("level", [0.5, 1.0, -1, math.nan])
def test_a_level_out_of_bounds_is_refused(fresh, level):
    with pytest.raises(ComparisonError, match="level"):
        analyse(fresh("two_evenings"), level=level)


def test_a_higher_level_gives_a_wider_interval_about_the_same_change(fresh, result_of):
    wide, usual = analyse(fresh("two_evenings"), level=0.99).comparison, result_of("two_evenings").comparison
    assert wide.change == usual.change
    assert wide.low < usual.low < usual.high < wide.high


def test_an_interval_below_95_per_cent_is_a_warning(fresh):
    folder = fresh("two_evenings")
    (warning,) = [f for f in analyse(folder, level=0.6).findings if f.code == "level-low"]
    assert "40 %" in warning.message
    assert warning.severity == "warning"
    assert not [f for f in analyse(folder).findings if f.code == "level-low"]
