"""How far before and after lie apart is said beside the interval, with or without dates."""

import dataclasses
import datetime as dt

import pytest

from helpers.samples import SAMPLES
from pullbook.analysis.between import long_apart, time_between
from pullbook.analysis.result import analyse_experiment
from pullbook.analysis.sessions import read_drives
from pullbook.report import sections
from pullbook.settings.experiment import Experiment

FIRST = dt.date(2026, 1, 10)


@pytest.fixture(scope="module")
def drives():
    return read_drives(Experiment.load(SAMPLES / "two_evenings"))


def driven(drives, *days):
    """Give the drives dates, in days from the first; None takes a date away."""
    dates = [None if n is None else FIRST + dt.timedelta(days=n) for n in days]
    return [
        dataclasses.replace(
            drive,
            session=drive.session.model_copy(update={"date": date}),
            log=dataclasses.replace(drive.log, start=None),
        )
        for drive, date in zip(drives, dates, strict=True)
    ]


@pytest.mark.parametrize(("days", "said", "long"), [
    ((0, 49), "about 7 weeks apart", True), ((0, 14), "about 2 weeks apart", True),
    ((0, 5), "about 5 days apart", False), ((0, 1), "about 1 day apart", False), ((0, 0), "on the same day", False),
    ((0, None), "between before and after", False),
])  # fmt: skip
def test_the_sentence_goes_by_the_dates(drives, days, said, long) -> None:
    finding = time_between(driven(drives, *days))
    assert said in finding.message
    assert all(word in finding.message for word in ("season", "fuel", "tyres", "does not hold"))
    assert long_apart(finding) is long
    assert finding.evidence["days"] == days[1]


@pytest.mark.parametrize("relative_dates", [False, True])
def test_it_stands_beside_the_answer_and_once(drives, relative_dates) -> None:
    experiment = Experiment.load(SAMPLES / "two_evenings")
    found = analyse_experiment(experiment, drives=driven(drives, 0, 49), relative_dates=relative_dates)
    assert "7 weeks apart" in sections.meaning(found).html
    assert "weeks apart" not in sections.conclusion(found).html
    found = analyse_experiment(experiment, drives=driven(drives, None, None), relative_dates=relative_dates)
    assert "does not hold" not in sections.meaning(found).html
    assert "changed between before and after" in sections.conclusion(found).html
