"""The controls without a browser: what they show, what they do, and the plain workbook that papermill sees."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from plotly.utils import PlotlyJSONEncoder

from helpers.samples import HOSTILE, SAMPLES
from pullbook.errors import ExperimentError
from pullbook.report import figures, sections
from pullbook.workbook import frames, widgets
from pullbook.workbook.screen import Screen
from pullbook.workbook.widgets import Controls, Workbook, experiments_nearby


class Shown:
    """What a notebook shows now: plain values, and for the places of a live workbook what the browser was sent."""

    def __init__(self) -> None:
        self.displayed: list[Any] = []
        self.parts: dict[str, dict[str, str]] = {}
        self.sent = 0

    def display(self, value: object, *, raw: bool = False) -> None:
        self.displayed.append(value)

    def send(self, screen: Screen, parts: dict[str, dict[str, str]]) -> None:
        self.parts |= parts
        self.sent += len(parts)

    def html(self, k: int) -> str:
        """Return what stands in the k-th value."""
        return self.part(k)["html"]

    def part(self, k: int) -> dict[str, str]:
        name = re.search(r'data-pb-part="([^"]+)"', self.displayed[k].html)[1]
        return self.parts[name]


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> Shown:
    seen = Shown()
    monkeypatch.setattr(widgets, "_display", seen.display)
    monkeypatch.setattr(Screen, "_send", lambda screen, parts: seen.send(screen, parts))
    return seen


@pytest.fixture
def folder(fresh) -> Path:
    return fresh("two_evenings")


@pytest.fixture
def workbook(folder, shown) -> Workbook:
    return Workbook(folder)


@pytest.fixture
def controls(workbook) -> Controls:
    return Controls(workbook)


def press(controls: Controls, act: str, run: str = "", *, session: str = "before-1", **more: object) -> None:
    """Do on the board of drives what its script says was done."""
    controls.told({"act": act, "session": session, "run": run, **more})


def board(controls: Controls, shown: Shown) -> dict[str, Any]:
    """Return what the browser was sent of the drives."""
    return json.loads(shown.parts[controls._board]["board"])


def run_on(controls: Controls, shown: Shown, key: str) -> dict[str, Any]:
    return next(r for s in board(controls, shown)["sessions"] for r in s["runs"] if r["key"] == key)


def test_under_papermill_parts_are_plain_and_the_runs_are_a_table(folder, shown):
    workbook = Workbook(folder, live=False)
    workbook.show(sections.answer, lambda result: None, sections.budget)
    assert len(shown.displayed) == 2  # what a result does not have is not shown
    workbook.choose()
    assert "12 runs found: all count." in shown.displayed[-1].html
    assert shown.displayed[-1].html.count("<tr") == 13


def test_under_papermill_a_refusal_is_raised(tmp_path):
    with pytest.raises(ExperimentError, match="no such folder"):
        Workbook(tmp_path / "nowhere", live=False)


def test_live_parts_follow_the_choices_and_wait_where_there_is_no_answer(workbook, shown):
    workbook.show(sections.meaning, lambda result: None)
    assert "5 in 1 after." in shown.html(0)
    assert shown.html(1) == ""
    controls = Controls(workbook)
    press(controls, "leave", "pull 2", session="after-1")
    assert "4 in 1 after. You left out 1." in shown.html(0)
    press(controls, "session", session="after-1", counts=False)
    assert shown.html(0) == widgets.WAITING.html
    assert "No answer with these choices" in controls.answer.value
    press(controls, "session", session="after-1", counts=True)
    assert "5 in 1 after." in shown.html(0)


def test_what_a_viewer_without_the_widgets_shows_is_the_table(workbook, shown):
    workbook.choose()
    bundle = shown.displayed[-1]
    assert "application/vnd.jupyter.widget-view+json" in bundle
    assert "12 runs found" in bundle["text/html"]


def test_a_run_pressed_is_left_out_and_pressed_again_it_counts(controls, shown):
    run = run_on(controls, shown, "before-1/pull 2")
    assert run["said"].startswith("before-1, pull 2 at 3:54, 41 to 114 km/h, 15 s: 26.0 K")
    assert (run["state"], run["figure"]) == ("counts", 26)
    press(controls, "leave", "pull 2")
    run = run_on(controls, shown, "before-1/pull 2")
    assert (run["state"], run["needed"]) == ("left", True)  # a reason is asked for
    assert controls.save.disabled is False
    press(controls, "reason", "pull 2", reason="a tractor")
    run = run_on(controls, shown, "before-1/pull 2")
    assert (run["reason"], run["needed"]) == ("a tractor", False)
    assert "before-1, pull 2 left out: a tractor" in controls.unsaved.value
    press(controls, "take", "pull 2")
    assert run_on(controls, shown, "before-1/pull 2")["state"] == "counts"
    assert controls.save.disabled is True


def test_one_reason_serves_a_whole_session(controls, workbook, shown):
    press(controls, "session", counts=False, reason="")
    press(controls, "session", counts=False, reason="wet road")
    assert set(workbook.choices.experiment.sessions[0].leave_out.values()) == {"wet road"}
    session = board(controls, shown)["sessions"][0]
    assert (session["any"], session["counts"], session["reason"]) == (False, 0, "wet road")


def test_saving_writes_the_file_and_says_so(controls, folder):
    press(controls, "leave", "pull 2")
    controls.save.click()
    assert "give a reason for leaving out pull 2 of before-1" in controls.status.value
    press(controls, "reason", "pull 2", reason=HOSTILE)
    controls.save.click()
    assert "Saved." in controls.status.value
    assert "leave_out: {pull 2: " in (folder / "experiment.yaml").read_text(encoding="utf-8")
    for html in (controls.status.value, controls.answer.value, controls.unsaved.value):
        assert "<img" not in html
    press(controls, "take", "pull 2")
    controls.back.click()
    assert controls._workbook.choices.experiment.sessions[0].leave_out.keys() == {"pull 2"}


def test_a_pull_marked_by_hand_counts_and_is_taken_back(controls, workbook, shown):
    press(controls, "mark", start="0:08", end="40", reason=" ", at="mark")
    assert "Give a reason" in board(controls, shown)["trouble"]
    press(controls, "mark", start="eight", end="40", reason="gentle", at="mark")
    assert "such as 234, or 3:54" in board(controls, shown)["trouble"]
    press(controls, "mark", start="0:08", end="40", reason="gentle", at="mark")
    assert board(controls, shown)["trouble"] == ""
    run = run_on(controls, shown, "before-1/pull 1")
    assert (run["state"], run["start"], run["end"], run["marked"]) == ("marked", 8, 40, "gentle")
    assert run["why"].startswith("no full load: ")
    assert "before-1, 8-40 s marked by hand: gentle" in controls.unsaved.value
    assert "marked by hand: gentle" in sections.runs(workbook.result).html
    press(controls, "unmark", "pull 1")
    assert workbook.choices.edits() == []
    assert run_on(controls, shown, "before-1/pull 1")["state"] == "counts"


def test_what_is_refused_stands_at_its_drive(controls, workbook, shown):
    press(controls, "mark", start="8", end="99999", reason="x")
    troubles = [session["trouble"] for session in board(controls, shown)["sessions"]]
    assert "outside the log" in troubles[0]
    assert set(troubles[1:]) == {""}
    assert workbook.choices.edits() == []


def test_the_lines_of_the_drives_are_sent_once(controls, workbook, monkeypatch):
    sent: list[list[str]] = []
    monkeypatch.setattr(Screen, "_send_lines", lambda screen: sent.append([x.channel for x in screen._lines]))
    press(controls, "leave", "pull 2")
    assert sent == []
    workbook.open(workbook.folder)
    controls._rebuild()
    assert set(sent[0]) == {"vehicle_speed", "charge_air_temperature", "intake_manifold_pressure"}


def test_a_drive_without_a_gear_to_choose_offers_none(controls, shown):
    assert board(controls, shown)["gears"] == []


def test_settings_are_read_as_typed_and_refused_in_words(controls, workbook):
    box = controls.settings["worthwhile_change",]
    box.value = "1,5"
    assert workbook.choices.experiment.worthwhile_change == 1.5
    marks = controls.settings["protocol", "marks_kmh"]
    marks.value = "60, 80, 100"
    assert workbook.choices.experiment.protocol.marks_kmh == (60, 80, 100)
    marks.value = "80, 60"
    assert "marks_kmh must rise" in controls.troubles["protocol", "marks_kmh"].value
    assert marks.value == "80, 60"  # it stays there to be corrected
    marks.value = "60-90"
    assert workbook.choices.experiment.protocol.marks_kmh == (60, 90)
    marks.value = "60 to 90"
    assert "60, 90, 120" in controls.troubles["protocol", "marks_kmh"].value
    marks.value = ""
    assert workbook.choices.experiment.protocol.marks_kmh is None
    assert controls.troubles["protocol", "marks_kmh"].value == ""
    assert "1 change not saved yet:<ul><li>Change that matters to you: 1.5" in controls.unsaved.value


def test_another_protocol_shows_the_runs_that_it_finds(controls, shown):
    assert run_on(controls, shown, "before-1/cruise 1")
    controls.settings["protocol", "cruise_kmh"].value = "140"
    assert [run["name"] for run in board(controls, shown)["sessions"][0]["runs"]] == [f"pull {k}" for k in range(1, 6)]


def test_what_cannot_be_opened_is_told_and_unsaved_choices_are_named(controls, workbook, tmp_path, folder):
    press(controls, "leave", "pull 2")
    controls.other.value = str(tmp_path / "nowhere")
    assert "no such folder" in controls.opening_trouble.value
    assert "two_evenings are not saved" in controls.opening_trouble.value
    assert controls.save.disabled
    assert all(box.value == "" for box in controls.settings.values())
    controls.other.value = str(SAMPLES / "nothing_done")
    assert controls.opening_trouble.value == ""
    assert controls.experiment.value == str(SAMPLES / "nothing_done")
    assert workbook.result.experiment.title in controls.answer.value
    controls.other.value = str(folder)
    assert "pull 2 left out" in controls.unsaved.value


def test_a_file_changed_meanwhile_is_read_again_and_the_choices_stay(controls, workbook, folder):
    path = folder / "experiment.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("peak_rise", "peak_charge"), encoding="utf-8")
    press(controls, "leave", "pull 2")
    press(controls, "reason", "pull 2", reason="fog")
    controls.save.click()
    assert "Press &#x27;Read the file again&#x27;" in controls.status.value
    controls.again.click()
    assert controls.outcome.value == "peak_charge"
    assert workbook.choices.experiment.sessions[0].leave_out == {"pull 2": "fog"}
    controls.save.click()
    assert "Saved." in controls.status.value
    assert "pull 2: fog" in path.read_text(encoding="utf-8")


def test_nothing_is_saved_while_a_setting_is_refused(controls, folder):
    before = (folder / "experiment.yaml").read_text(encoding="utf-8")
    controls.settings["protocol", "cruise_kmh"].value = "-5"
    controls.settings["worthwhile_change",].value = "3"
    controls.save.click()
    assert "Cruise at [km/h]" in controls.status.value
    assert (folder / "experiment.yaml").read_text(encoding="utf-8") == before
    controls.back.click()
    assert controls.settings["protocol", "cruise_kmh"].value == "90"
    assert controls.settings["worthwhile_change",].value == "2"


def test_every_picture_shows_the_numbers_of_the_choice(workbook, shown):
    pictures = (figures.drives, figures.charge_over_time, figures.against_inlet,
                figures.other_routes, figures.budget)  # fmt: skip
    workbook.show(*pictures)
    controls = Controls(workbook)
    press(controls, "leave", "pull 2")
    for k, picture in enumerate(pictures):
        expected = json.loads(json.dumps(picture(workbook.result).figure.to_plotly_json(), cls=PlotlyJSONEncoder))
        assert json.loads(shown.part(k)["figure"]) == expected


def test_what_is_refused_draws_nothing_and_what_stays_the_same_is_not_drawn_again(workbook, shown):
    workbook.show(sections.answer, figures.drives, sections.channels)
    controls = Controls(workbook)
    before = shown.sent
    controls.settings["protocol", "pull_to_kmh"].value = "50"
    assert "at least 20 km/h higher" in controls.troubles["protocol", "pull_to_kmh"].value
    assert shown.sent == before
    channels, answer = shown.part(2), shown.part(0)
    press(controls, "leave", "pull 2")
    assert shown.part(2) is channels
    assert shown.part(0) != answer


def test_a_followed_function_gives_its_name_the_current_value(workbook, shown):
    names: dict[str, Any] = {"workbook": workbook, "frames": frames}
    exec("@workbook.follow\ndef pulls(result):\n    return frames.runs(result, 'pull')", names)
    pulls = names["pulls"]
    assert list(pulls.index.names) == ["session", "kind", "number"]
    assert pulls.attrs["units"]["peak_rise"] == "K"
    assert "<th>peak_rise [K]</th>" in shown.html(0)
    controls = Controls(workbook)
    press(controls, "leave", "pull 2")
    assert names["pulls"]["included"].sum() == pulls["included"].sum() - 1
    exec("@workbook.follow\ndef pulls(result):\n    return 1 / int(result.experiment.outcome == 'peak_rise')", names)
    controls.outcome.value = "peak_charge"
    controls.settings["worthwhile_change",].value = "2"
    assert "This cell failed: ZeroDivisionError" in shown.html(1)


def test_a_browser_that_asks_is_sent_everything(workbook, shown):
    workbook.show(sections.answer, figures.budget)
    shown.parts.clear()
    workbook.screen.widget._handle_custom_msg({"ask": "all"}, [])
    assert [set(part) for part in shown.parts.values()] == [{"html"}, {"figure", "caption"}]


def test_another_outcome_asks_for_the_change_that_matters_in_its_unit(controls, workbook, shown):
    workbook.show(sections.answer)
    offered = dict(controls.outcome.options)
    assert offered["Peak charge temperature [°C]"] == "peak_charge"
    assert "mean_coolant" in offered.values()
    assert "peak_air_mass_flow" not in offered.values()  # no such column in these logs
    worthwhile = controls.settings["worthwhile_change",]
    elapsed = next(name for name in offered.values() if name.startswith("elapsed_s"))
    controls.outcome.value = elapsed
    assert workbook.result is None
    assert shown.html(0) == widgets.WAITING.html
    assert "change that matters to you [s]" in controls.answer.value
    assert (worthwhile.value, worthwhile.description) == ("", "Change that matters to you [s]")
    controls.save.click()
    assert "Not saved." in controls.status.value
    worthwhile.value = "0.3"
    assert workbook.result.comparison.outcome == elapsed
    assert workbook.result.comparison.worthwhile == 0.3
    assert workbook.result.experiment.outcome_spec.label in workbook.result.experiment.question
    controls.outcome.value = "peak_rise"
    assert workbook.result.comparison.worthwhile == 2
    assert workbook.choices.edits() == []
    controls.outcome.value = elapsed
    assert workbook.result.comparison.worthwhile == 0.3


def test_a_workbook_that_cannot_be_opened_still_shows_its_controls(tmp_path, shown):
    workbook = Workbook(tmp_path / "nowhere")
    workbook.show(sections.answer)
    workbook.choose()
    assert shown.html(0) == widgets.WAITING.html
    assert "text/html" not in shown.displayed[1]


def test_a_fault_is_told_beside_the_control_and_breaks_nothing(controls, monkeypatch):
    monkeypatch.setattr(controls._workbook.choices, "set", lambda *_: 1 / 0)
    controls.settings["worthwhile_change",].value = "3"
    assert "A fault of the program: ZeroDivisionError" in controls.troubles["worthwhile_change",].value


def test_experiments_beside_are_found(fresh):
    a, b = fresh("two_evenings"), fresh("nothing_done")
    assert experiments_nearby(a) == [b.resolve(), a.resolve()]
    assert experiments_nearby(a / "no" / "such") == []
