"""Sessions of one date count as one day, and the page, `check` and `new` say so; an unknown date is said, too."""

import dataclasses
import datetime as dt
import re
import shutil

import pytest

from helpers.samples import SAMPLES
from pullbook.analysis.result import analyse_experiment
from pullbook.analysis.sessions import day_findings, read_drives, same_day
from pullbook.commands.check import check_text
from pullbook.report import sections
from pullbook.settings.experiment import Experiment


@pytest.fixture(scope="module")
def drives():
    """Return the six drives of a sample whose logs have no date."""
    return read_drives(Experiment.load(SAMPLES / "fin_wash"))


def on(drives, *days):
    return [dataclasses.replace(drive, day=day) for drive, day in zip(drives, days, strict=True)]


def test_the_day_counts_from_the_first_dated_drive() -> None:
    experiment = Experiment.load(SAMPLES / "two_evenings")
    before, after = experiment.sessions
    dated = [before.model_copy(update={"date": dt.date(2026, 3, 1)}), after.model_copy(update={"date": None})]
    first, second = read_drives(experiment.model_copy(update={"sessions": tuple(dated)}))
    assert first.day == 0
    assert second.day == (second.driven - first.driven).days if second.driven else second.day is None
    assert day_findings([first, second]) == ()


def test_who_shares_a_day_is_named(drives) -> None:
    names = [drive.session.name for drive in drives]
    (finding,) = day_findings(on(drives, 0, 0, 3, 7, 8, 9))
    assert finding.severity == "warning"
    assert finding.evidence["sessions"] == [names[:2]]
    assert f"{names[0]} and {names[1]} were driven on the same day" in finding.message
    assert "count as one day" in finding.message
    assert day_findings(on(drives, 0, 1, 2, 0, 1, 2)) == ()  # before and after have their own


def test_an_unknown_date_is_a_note_where_the_phase_has_another_drive(drives) -> None:
    (finding,) = day_findings(on(drives, 0, 1, None, 7, 8, 9))
    assert (finding.code, finding.severity) == ("day-unknown", "note")
    assert finding.evidence["sessions"] == [drives[2].session.name]
    assert "date:" in finding.message
    assert drives[2].session.name in finding.message
    (finding,) = day_findings(drives)
    assert "any drive" in finding.message
    assert day_findings(on([drives[0], drives[-1]], None, None)) == ()
    assert same_day([("before", "a", None), ("before", "b", None)]) == ()


def test_the_page_says_it_and_the_interval_is_wider(drives) -> None:
    experiment = Experiment.load(SAMPLES / "fin_wash")
    plain = analyse_experiment(experiment, drives=drives)
    shared = analyse_experiment(experiment, drives=on(drives, 0, 0, 0, 9, 9, 9), relative_dates=True)
    assert "same-day" in [f.code for f in shared.warnings]
    assert "driven on the same day" in sections.meaning(shared).html
    wide, narrow = (r.comparison.high - r.comparison.low for r in (shared, plain))
    assert wide > 1.5 * narrow
    assert set(shared.measures["day"]) == {"day 1", "day 10"}
    assert sorted(set(re.findall(r"day \d+", shared.to_csv()))) == ["day 1", "day 10"]


def test_check_says_it(tmp_path) -> None:
    shutil.copytree(SAMPLES / "fin_wash", tmp_path / "van", ignore=shutil.ignore_patterns("rendered"))
    settings = tmp_path / "van" / "experiment.yaml"
    text = settings.read_text(encoding="utf-8")
    assert "date:" in text
    names = [s.name for s in Experiment.load(tmp_path / "van").in_phase("before")]
    with_dates = re.sub(r"^( *)(- )?phase: before$", r"\g<0>\n\1date: 2026-03-01", text, flags=re.MULTILINE)
    settings.write_text(with_dates, encoding="utf-8")
    said = " ".join(" ".join(check_text(tmp_path / "van")).split())
    assert f"{names[0]}, {names[1]} and {names[2]} were driven on the same day" in said
