"""Earlier experiments of the vehicle: folders beside the experiment's own, measured as today's."""

import shutil

import pytest

from helpers.samples import SAMPLES
from pullbook.analysis.result import analyse
from pullbook.errors import ExperimentError
from pullbook.settings.experiment import Experiment
from pullbook.settings.fingerprint import inputs_sha256


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
        path.write_text("\n".join(x for x in lines if "displacement_l" not in x) + "\n", encoding="utf-8")


def test_they_narrow_the_answer_and_count_as_inputs(garage) -> None:
    mend_vehicle(garage)
    alone = analyse(garage / "today")
    ask(garage, "../earlier")
    helped = analyse(garage / "today")
    assert helped.comparison.change == pytest.approx(alone.comparison.change)
    assert helped.comparison.allowance.dof > alone.comparison.allowance.dof + 3
    assert "earlier experiment" in helped.comparison.allowance.source
    assert "fin_wash" not in helped.comparison.allowance.source
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
