"""The regression laid open in the workbook: statsmodels gives the result's change and uncertainty, for every case."""

from __future__ import annotations

from math import sqrt

import pytest
from statsmodels.regression.linear_model import GLS

from helpers.samples import SAMPLES
from pullbook.analysis.result import Result, analyse_experiment
from pullbook.analysis.sessions import find_drives, read_logs
from pullbook.settings.experiment import Experiment
from pullbook.workbook import frames, regression

EVERY = sorted(str(p.parent.relative_to(SAMPLES)) for p in SAMPLES.rglob("experiment.yaml"))


@pytest.fixture(scope="module")
def read():
    experiment = Experiment.load(SAMPLES / "fin_wash")
    return experiment, read_logs(experiment)


def changed(read, **update) -> Result:
    experiment = read[0].model_copy(update=update)
    return analyse_experiment(experiment, drives=find_drives(experiment, read[1]))


def assert_agrees(result: Result) -> None:
    c = result.comparison
    assert regression.why_not(c) is None
    rows = regression.rows(c)
    fit = GLS(rows["figure"], rows.drop(columns="figure"), regression.covariance(c)).fit(cov_type="fixed scale")
    weights = fit.model.pinv_wexog[1] @ fit.model.cholsigmainv
    u = sqrt(weights @ regression.budget_covariance(c) @ weights)
    assert fit.params["after"] == pytest.approx(c.change, rel=1e-6, abs=1e-6 * u)
    assert u == pytest.approx(c.standard_uncertainty, rel=1e-6)
    # The slopes and their doubts are the fit's own, from the same weights.
    for slope in c.slopes:
        assert fit.params[slope.name] == pytest.approx(slope.value, rel=1e-6)
        assert fit.bse[slope.name] == pytest.approx(slope.u, rel=1e-6)


@pytest.mark.parametrize("name", EVERY)
def test_every_sample(name, result_of):
    assert_agrees(result_of(name))


@pytest.mark.parametrize(
    ("outcome", "worthwhile"), [("rise_at 100", 2.0), ("elapsed_s 60-90", 0.3), ("charge_density", 0.02),
                                ("effectiveness", 0.02), ("mean_coolant", 2.0)],
)  # fmt: skip
def test_other_outcomes(outcome, worthwhile, read):
    assert_agrees(changed(read, outcome=outcome, worthwhile_change=worthwhile))


def test_one_pull_a_session_and_an_allowance_of_the_persons(read):
    spoiled = {f"pull {k}": "spoiled" for k in range(2, 6)}
    sessions = tuple(s.model_copy(update={"leave_out": spoiled}) for s in read[0].sessions)
    result = changed(read, sessions=sessions, day_to_day_sd=0.4)
    assert set(result.comparison.data.runs) == {1}
    assert_agrees(result)


def test_where_nothing_is_compared_the_words_say_so(read):
    service = read[0].service.model_copy(update={"sensors": {"charge_air_temperature": "replaced"}})
    words = regression.why_not(changed(read, service=service).comparison)
    assert "No change was estimated" in words.html
    assert "replaced" in words.html


def test_frames_have_their_units_and_agree_with_the_result(result_of):
    result = result_of("fin_wash")
    pulls = frames.runs(result, "pull")
    assert list(pulls.index.names) == ["session", "kind", "number"]
    assert pulls.attrs["units"]["peak_rise"] == "K"
    assert "peak_rise [K]" in frames.with_units(pulls).columns
    measured = [name for name in pulls.select_dtypes("number") if not name.endswith(("_step", "effectiveness_u"))]
    unitless = {"effectiveness", "pressure_ratio", "outlet_estimated"}
    assert set(measured) - unitless <= set(pulls.attrs["units"])
    sessions = frames.sessions(result)
    assert sessions["mean"].tolist() == [s.mean for s in result.comparison.sessions]
    budget = frames.budget(result)
    assert sqrt((budget["standard_uncertainty"] ** 2).sum()) == pytest.approx(result.comparison.standard_uncertainty)
