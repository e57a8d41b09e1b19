"""Earlier experiments of the vehicle: folders beside the experiment's own, measured as today's."""

import datetime as dt
import gzip
import re
import shutil

import pytest

from helpers.samples import SAMPLES
from pullbook.analysis.earlier import earlier_scatter
from pullbook.analysis.expected import earlier_beside, expected_scatter
from pullbook.analysis.planned import plan_request
from pullbook.analysis.result import analyse, table_of_runs
from pullbook.analysis.sessions import read_drives
from pullbook.errors import ExperimentError
from pullbook.reading.logs import Log
from pullbook.report import sections
from pullbook.report.plan import answer_text, earlier_text
from pullbook.settings.experiment import Experiment
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.statistics.allowance import COUNTS_ON
from pullbook.statistics.robustness import WITHOUT_EARLIER


@pytest.fixture
def garage(tmp_path):
    """Today's experiment of one evening a side, and an earlier one of three."""
    skip = shutil.ignore_patterns("rendered*")
    shutil.copytree(SAMPLES / "two_evenings", tmp_path / "today", ignore=skip)
    shutil.copytree(SAMPLES / "fin_wash", tmp_path / "earlier", ignore=skip)
    return tmp_path


def ask(garage, *names: str) -> Experiment:
    path = garage / "today" / "experiment.yaml"
    text = path.read_text(encoding="utf-8").split("\nearlier:")[0].rstrip()
    path.write_text(f"{text}\nearlier: [{', '.join(names)}]\n", encoding="utf-8")
    return Experiment.load(garage / "today")


def mend_vehicle(garage) -> None:
    """Let both be the same vehicle by their settings."""
    for name in ("today", "earlier"):
        path = garage / name / "experiment.yaml"
        lines = path.read_text(encoding="utf-8").replace("fuel: petrol", "fuel: diesel").splitlines()
        kept = ["  description: a van" if "  description:" in x else x for x in lines if "displacement_l" not in x]
        path.write_text("\n".join(kept) + "\n", encoding="utf-8")


def undrive(garage) -> None:
    """Take the drives after the service out of today's."""
    path = garage / "today" / "experiment.yaml"
    head, *sessions = re.split(r"(?m)^(?=  - name: )", path.read_text(encoding="utf-8"))
    path.write_text(head + "".join(x for x in sessions if "phase: before" in x), encoding="utf-8")


def test_they_narrow_the_answer_and_count_as_inputs(garage) -> None:
    mend_vehicle(garage)
    alone = analyse(garage / "today")
    ask(garage, "../earlier")
    helped = analyse(garage / "today")
    assert helped.comparison.change == pytest.approx(alone.comparison.change)
    assert helped.comparison.allowance.dof > alone.comparison.allowance.dof + 3
    assert "earlier experiment" in helped.comparison.allowance.source
    assert "fin_wash" not in helped.comparison.allowance.source
    said = {f.code: f.message for f in helped.findings}
    assert COUNTS_ON in said["allowance"]
    assert "more restless now" in said["one-session"]
    assert "more restless" not in {f.code: f.message for f in alone.findings}["one-session"]
    (without,) = (r for r in helped.cross_checks.routes if r.name == WITHOUT_EARLIER)
    assert (without.low, without.high) == pytest.approx((alone.comparison.low, alone.comparison.high))
    assert WITHOUT_EARLIER not in [r.name for r in alone.cross_checks.routes]
    assert COUNTS_ON in sections.budget(helped).html
    log = next((garage / "earlier" / "logs").iterdir())
    before = inputs_sha256(Experiment.load(garage / "today"))
    log.write_bytes(log.read_bytes() + b"\n")
    assert inputs_sha256(Experiment.load(garage / "today")) != before


@pytest.mark.parametrize(("name", "said"), [
    ("../nowhere", "holds no experiment.yaml"), ("../today", "itself"), (".", "itself"), ("logs", "beside this one"),
    ("../earlier/logs", "beside this one"), ("../linked", "beside this one"), ("/tmp", "beside this one"),
])  # fmt: skip
def test_anything_else_than_a_folder_beside_is_refused(garage, tmp_path_factory, name, said) -> None:
    far = shutil.copytree(garage / "earlier", tmp_path_factory.mktemp("far") / "e")
    (garage / "linked").symlink_to(far)
    with pytest.raises(ExperimentError, match=said):
        ask(garage, name)


def test_a_folder_given_twice_and_a_log_counted_twice_are_refused(garage) -> None:
    mend_vehicle(garage)
    with pytest.raises(ExperimentError, match="twice"):
        ask(garage, "../earlier", "../earlier/../earlier")
    shutil.copytree(garage / "earlier", garage / "copy")
    with pytest.raises(ExperimentError, match="byte for byte"):
        inputs_sha256(ask(garage, "../earlier", "../copy"))


def test_a_drive_of_an_earlier_one_saved_anew_among_todays_is_refused(garage) -> None:
    """Its bytes differ, so the hash of the inputs does not see it; it would count twice."""
    mend_vehicle(garage)
    theirs = next((garage / "earlier" / "logs").iterdir())
    rows = gzip.decompress(theirs.read_bytes()) if theirs.suffix == ".gz" else theirs.read_bytes()
    ours = garage / "today" / "logs" / "saved_anew.csv"
    ours.write_bytes(rows)
    experiment = ask(garage, "../earlier")
    first, *others = experiment.sessions
    experiment = experiment.model_copy(
        update={"sessions": (first.model_copy(update={"log": "logs/saved_anew.csv"}), *others)}
    )
    with pytest.raises(ExperimentError, match="hold the same drive"):
        expected_scatter(experiment, read_drives(experiment))
    assert earlier_beside(experiment, {d.session.name: d.log for d in read_drives(experiment)}) == ()


def test_a_drive_of_an_earlier_one_at_the_hour_of_todays_is_refused(garage) -> None:
    """One vehicle can't drive twice at once, here or there."""
    shutil.rmtree(garage / "earlier")
    shutil.copytree(SAMPLES / "loose_clamp", garage / "earlier", ignore=shutil.ignore_patterns("rendered*"))
    mend_vehicle(garage)
    experiment = ask(garage, "../earlier")
    theirs = read_drives(experiment.load_earlier()[0])[1]
    start = theirs.log.start + dt.timedelta(minutes=3)
    ours = Log(name="ours.csv", start=start, duration_s=600.0, signals={})
    session = experiment.sessions[0].model_copy(update={"date": start.date()})
    with pytest.raises(ExperimentError, match=r"overlap.*\.\./earlier|\.\./earlier.*overlap"):
        earlier_scatter(experiment, table_of_runs, today=[(session, ours)])
    other_day = session.model_copy(update={"date": start.date() + dt.timedelta(days=1)})
    assert earlier_scatter(experiment, table_of_runs, today=[(other_day, ours)])


def test_what_earlier_ones_name_as_theirs_is_not_followed(garage) -> None:
    path = garage / "earlier" / "experiment.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "\nearlier: [../gone]\n", encoding="utf-8")
    assert len(ask(garage, "../earlier").load_earlier()) == 1


def test_another_vehicle_is_refused(garage) -> None:
    mend_vehicle(garage)
    path = garage / "earlier" / "experiment.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("fuel: diesel", "fuel: petrol"), encoding="utf-8")
    ask(garage, "../earlier")
    with pytest.raises(ExperimentError, match="another vehicle"):
        analyse(garage / "today")


def test_a_plan_before_the_service_counts_on_them(garage) -> None:
    mend_vehicle(garage)
    undrive(garage)
    alone = plan_request(garage / "today")
    assert (alone.scatter.day_sd, alone.scatter.day_dof, alone.earlier) == (1.0, 4.0, ())  # one evening shows no days
    assert not alone.scatter.from_earlier
    assert alone.beside == ("../earlier",)
    (line,) = (x.strip() for x in earlier_text(alone) if "earlier: [" in x)
    assert line == "earlier: [../earlier]"
    ask(garage, "../earlier")
    helped = plan_request(garage / "today")
    assert helped.scatter == alone.scatter_with
    assert helped.scatter.day_dof > alone.scatter.day_dof + 3
    assert "1 earlier experiment" in helped.scatter.source
    assert helped.scatter.from_earlier
    assert COUNTS_ON in answer_text(helped)
    assert COUNTS_ON not in answer_text(alone)
    assert helped.fewest.sessions <= alone.fewest.sessions
    assert (helped.earlier, helped.beside, earlier_text(helped)) == (("../earlier",), (), [])


def test_what_lies_beside_and_is_no_earlier_test_of_this_vehicle_is_not_proposed(garage, tmp_path_factory) -> None:
    today = garage / "today"
    assert earlier_beside(Experiment.load(today), {}) == ()  # described otherwise
    mend_vehicle(garage)
    far = shutil.copytree(garage / "earlier", tmp_path_factory.mktemp("far") / "e")
    (garage / "linked").symlink_to(far)
    shutil.copytree(garage / "earlier", garage / "the same again")
    (garage / "broken").mkdir()
    (garage / "broken" / "experiment.yaml").write_text("title: [", encoding="utf-8")
    shutil.copytree(today, garage / "one evening a side", ignore=shutil.ignore_patterns("rendered*"))
    assert earlier_beside(Experiment.load(today), {}) == ("../earlier",)
    path = garage / "earlier" / "experiment.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("fuel: diesel", "fuel: petrol"), encoding="utf-8")
    assert earlier_beside(Experiment.load(today), {}) == ("../the same again",)


def test_a_drive_that_is_added_before_the_service_is_judged_with_them(garage) -> None:
    mend_vehicle(garage)
    undrive(garage)
    today = Experiment.load(garage / "today")
    drives = read_drives(today)
    usual = expected_scatter(today, drives)
    assert expected_scatter(ask(garage, "../earlier"), drives).day_dof > usual.day_dof == 4.0
