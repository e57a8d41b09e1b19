"""The boxes of the controls in US units, and of drives whose figures were written down; the file stays metric."""

from __future__ import annotations

import pytest

from helpers.written_down import in_place_of_logs
from pullbook.settings.experiment import Experiment
from pullbook.workbook import widgets
from pullbook.workbook.screen import Screen
from pullbook.workbook.widgets import Controls, Workbook

CRUISE, CHANGE = ("protocol", "cruise_kmh"), ("worthwhile_change",)


@pytest.fixture(autouse=True)
def silent(monkeypatch):
    monkeypatch.setattr(widgets, "_display", lambda *_, **__: None)
    monkeypatch.setattr(Screen, "_send", lambda *_: None)


@pytest.fixture
def in_us(fresh) -> Controls:
    folder = fresh("two_evenings")
    path = folder / "experiment.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "\nunits: us\n", encoding="utf-8")
    return Controls(Workbook(folder))


def test_boxes_are_in_the_units_shown(in_us):
    experiment = in_us._workbook.choices.experiment
    assert in_us.settings[CRUISE].description == "Cruise at [mph]"
    assert float(in_us.settings[CRUISE].value) == pytest.approx(experiment.protocol.cruise_kmh / 1.609344, abs=0.01)
    assert in_us.settings[CHANGE].description == "Change that matters to you [°F]"
    assert float(in_us.settings[CHANGE].value) == pytest.approx(1.8 * experiment.worthwhile_change)  # no offset
    assert not in_us._workbook.choices.edits()
    assert "°F" in in_us.answer.value


def test_what_is_typed_in_mph_is_saved_in_metric(in_us):
    in_us.settings[CRUISE].value = "55"
    in_us.settings[("protocol", "marks_kmh")].value = "30, 60"
    in_us.settings[CHANGE].value = "5.4"
    choices = in_us._workbook.choices
    assert choices.experiment.protocol.cruise_kmh == 88.51
    assert choices.experiment.protocol.marks_kmh == (48.28, 96.56)
    assert choices.experiment.worthwhile_change == pytest.approx(3.0)
    assert "Cruise at [mph]: 55" in in_us.unsaved.value
    assert "Elapsed times between [mph]: 30, 60" in in_us.unsaved.value
    assert float(in_us.settings[CRUISE].value) == 55
    choices.save()
    assert Experiment.load(choices.experiment.folder).protocol.cruise_kmh == 88.51


def test_another_outcome_is_asked_for_in_its_unit_as_shown(in_us):
    in_us.outcome.value = "peak_coolant"
    assert "[°F]" in in_us.settings[CHANGE].description
    assert "needed [°F]" in in_us.settings[CHANGE].placeholder


def test_drives_without_a_log_have_controls_too(fresh, result_of):
    folder = fresh("two_evenings")
    measures = result_of("two_evenings").measures
    in_place_of_logs(folder, measures, list(dict.fromkeys(measures["session"])))
    controls = Controls(Workbook(folder))
    assert controls._workbook.result is not None
    controls._workbook.choices.leave_out("before-1", "pull 1", "by mistake")
    controls._refresh()
    assert "pull 1 left out: by mistake" in controls.unsaved.value
