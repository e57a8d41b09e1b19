"""Choices made by hand: tried at once, saved on demand, and the same numbers from the file afterwards."""

from __future__ import annotations

import re

import pytest

from pullbook import analyse
from pullbook.errors import ExperimentError, PullbookError
from pullbook.runs.find import Run, Runs
from pullbook.workbook.board import choose_gear, gear_names
from pullbook.workbook.choices import NO_REASON, Choices, carried_over


@pytest.fixture
def choices(fresh):
    return Choices(fresh("two_evenings"))


def yaml_of(choices: Choices) -> str:
    return (choices.experiment.folder / "experiment.yaml").read_text(encoding="utf-8")


def test_an_untouched_experiment_gives_the_answer_of_the_file_and_has_nothing_to_save(choices):
    assert choices.result is not None
    assert choices.result.to_json() == analyse(choices.experiment.folder).to_json()
    assert choices.edits() == []
    before = yaml_of(choices)
    choices.save()
    assert yaml_of(choices) == before


def test_a_run_left_out_changes_the_answer_at_once_and_the_file_only_when_saved(choices):
    before, text = choices.result, yaml_of(choices)
    choices.leave_out("after-1", "pull 2", "a tractor")
    after = choices.result
    assert after.comparison.after.pulls == before.comparison.after.pulls - 1
    assert after.comparison.change != before.comparison.change
    assert after.with_left_out.change == pytest.approx(before.comparison.change)
    assert yaml_of(choices) == text
    choices.save()
    assert yaml_of(choices) == text + "    leave_out: {pull 2: a tractor}\n"
    again = analyse(choices.experiment.folder)
    assert again.to_json() == after.to_json()
    assert choices.edits() == []
    choices.take_back("after-1", "pull 2")
    choices.save()
    assert yaml_of(choices) == text


def test_a_missing_reason_can_be_tried_but_not_saved(choices):
    choices.leave_out("after-1", "pull 2", "  ")
    assert choices.result.comparison.after.pulls == choices.saved_result.comparison.after.pulls - 1
    assert choices.experiment.sessions[1].leave_out == {"pull 2": NO_REASON}
    with pytest.raises(ExperimentError, match="reason for leaving out pull 2 of after-1"):
        choices.save()
    choices.leave_out("after-1", "pull 2", "a tractor")
    choices.save()
    assert "a tractor" in yaml_of(choices)


def test_a_pull_marked_by_hand_reaches_the_file_and_renames_what_is_left_out(choices):
    text = yaml_of(choices)
    choices.leave_out("before-1", "pull 2", "a tractor")
    choices.mark("before-1", 8, 40, "left gently")
    session = choices.experiment.sessions[0]
    assert (session.marked_pulls, session.leave_out) == ({"8-40": "left gently"}, {"pull 3": "a tractor"})
    choices.save()
    assert yaml_of(choices) == text.replace(
        "  - name: after-1",
        '    leave_out: {pull 3: a tractor}\n    marked_pulls: {"8-40": left gently}\n  - name: after-1',
    )
    again = analyse(choices.experiment.folder)
    assert again.to_json() == choices.result.to_json()
    assert [pull["marked_by_hand"] for pull in again.to_dict()["pulls"][:2]] == ["left gently", ""]
    choices.unmark("before-1", "pull 1")
    choices.take_back("before-1", "pull 2")
    choices.save()
    assert yaml_of(choices) == text


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        (("nowhere", 8, 40, "why"), "The sessions are before-1, after-1"),
        (("before-1", 8, 40, " "), "Give a reason"),
        (("before-1", 8, 9, "why"), "at least 3 s after it starts"),
        (("before-1", 8, 90000, "why"), "outside the log"),
        (("before-1", 234, 245, "why"), "overlaps pull 2"),
    ],
)
def test_what_cannot_be_marked_changes_nothing_and_is_told(choices, mark, said):
    with pytest.raises(PullbookError, match=said):
        choices.mark(*mark)
    assert choices.edits() == []
    assert choices.result.to_json() == choices.saved_result.to_json()


def test_another_gear_is_left_out_and_taken_back_with_what_was_left_out_for_another_reason(choices):
    assert gear_names(choices) == []
    choices.leave_out("after-1", "pull 4", "a tractor")
    choices.mark("before-1", 8, 40, "left gently")
    gears = [name for name, _ in gear_names(choices)]
    assert len(gears) == 2
    choose_gear(choices, gears[0])
    lone = [run.name for run in choices.runs("before-1") if run.kind == "pull" and run.included]
    choose_gear(choices, gears[1])
    rest = [run.name for run in choices.runs("before-1") if run.kind == "pull" and run.included]
    assert sorted([lone, rest], key=len) == [["pull 1"], ["pull 2", "pull 3", "pull 4", "pull 5", "pull 6"]]
    choose_gear(choices, "")
    assert [session.leave_out for session in choices.experiment.sessions] == [{}, {"pull 4": "a tractor"}]


def test_a_session_is_left_out_run_by_run_and_a_refusal_says_so_in_words(choices):
    choices.leave_out_session("after-1", "wet road")
    assert choices.result is None
    assert "after" in choices.refusal
    assert all(not run.included for run in choices.runs("after-1"))
    assert any(run.included for run in choices.runs("before-1"))
    choices.take_back_session("after-1")
    assert choices.result.to_json() == choices.saved_result.to_json()


def test_a_setting_that_is_not_allowed_changes_nothing_and_is_told(choices):
    with pytest.raises(ExperimentError, match="pull_to_kmh must be at least 20 km/h higher"):
        choices.set(("protocol", "pull_to_kmh"), 50.0)
    with pytest.raises(ExperimentError, match="worthwhile_change: given -1"):
        choices.set(("worthwhile_change",), -1.0)
    assert choices.edits() == []
    assert choices.result.to_json() == choices.saved_result.to_json()


def test_settings_reach_the_file_and_a_rerun_gives_the_same_numbers(choices):
    choices.set(("protocol", "pull_to_kmh"), 100.0)
    choices.set(("protocol", "cruise_min_s"), 30.0)
    choices.set(("outcome",), "peak_charge")
    assert choices.result is None
    choices.set(("worthwhile_change",), 1.0)
    choices.set(("day_to_day_sd",), 1.5)
    assert [edit.place[-1] for edit in choices.edits()][-2:] == ["pull_to_kmh", "cruise_min_s"]
    choices.save()
    for line in ("pull_to_kmh: 100\n", "  cruise_min_s: 30\n", "outcome: peak_charge\n", "day_to_day_sd: 1.5\n"):
        assert line in yaml_of(choices)
    assert analyse(choices.experiment.folder).to_json() == choices.result.to_json()
    choices.set(("day_to_day_sd",), None)
    choices.save()
    assert "day_to_day_sd" not in yaml_of(choices)


@pytest.fixture
def undecided(fresh):
    """Return the choices of an experiment whose file gives no worthwhile change."""
    folder = fresh("two_evenings")
    path = folder / "experiment.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"^worthwhile_change.*\n", "", text, flags=re.M), encoding="utf-8")
    return Choices(folder)


def test_a_worthwhile_change_that_nobody_gave_is_never_saved(undecided):
    undecided.set(("day_to_day_sd",), 1.5)
    assert [edit.place for edit in undecided.edits()] == [("day_to_day_sd",)]
    undecided.save()
    assert "worthwhile_change" not in yaml_of(undecided)
    # The default of 2 is meant in K. In seconds it would be a guess, so it is asked for, and there is no verdict.
    undecided.set(("outcome",), "time_to_boost")
    assert undecided.result is None
    assert "matters to you [s]" in undecided.refusal
    with pytest.raises(ExperimentError, match="Not saved"):
        undecided.save()
    undecided.set(("outcome",), "peak_rise")
    assert undecided.edits() == []


@pytest.mark.parametrize("change", [0.3, 2.0])  # 2.0 is what the default would be in K
def test_a_worthwhile_change_that_was_given_makes_a_file_that_loads(undecided, change):
    undecided.set(("outcome",), "time_to_boost")
    undecided.set(("worthwhile_change",), change)
    undecided.save()
    loaded = Choices(undecided.experiment.folder)
    assert (loaded.saved.outcome, loaded.saved.worthwhile_change) == ("time_to_boost", change)
    assert undecided.edits() == loaded.edits() == []
    loaded.set(("outcome",), "peak_rise")
    loaded.set(("worthwhile_change",), None)
    loaded.save()
    assert "worthwhile_change" not in yaml_of(loaded)


def test_what_load_would_refuse_is_not_written(choices, monkeypatch):
    choices.set(("day_to_day_sd",), 1.5)
    text = yaml_of(choices)
    monkeypatch.setattr("pullbook.workbook.choices.with_edits", lambda text, edits: text + "typo: 1\n")
    with pytest.raises(ExperimentError, match=r"Not saved: .*unknown key"):
        choices.save()
    assert yaml_of(choices) == text


def test_going_back_restores_what_the_file_says(choices):
    choices.leave_out("after-1", "pull 1", "x")
    choices.set(("worthwhile_change",), 5.0)
    choices.revert()
    assert choices.edits() == []
    assert choices.result.to_json() == choices.saved_result.to_json()


def test_a_file_changed_meanwhile_is_not_written_over(choices):
    path = choices.experiment.folder / "experiment.yaml"
    path.write_text(yaml_of(choices) + "# a note\n", encoding="utf-8")
    choices.leave_out("after-1", "pull 2", "a tractor")
    with pytest.raises(ExperimentError, match="changed outside this page"):
        choices.save()
    assert yaml_of(choices).endswith("# a note\n")
    again = choices.reread()
    assert again.experiment.sessions[1].leave_out == {"pull 2": "a tractor"}
    assert again.saved.sessions[1].leave_out == {}
    again.save()
    assert yaml_of(choices).endswith("    leave_out: {pull 2: a tractor}\n# a note\n")


def test_choices_follow_a_session_that_moved_in_the_file_and_drop_one_that_is_gone(choices):
    choices.leave_out("after-1", "pull 2", "a tractor")
    choices.leave_out("before-1", "pull 1", "fog")
    choices.set(("worthwhile_change",), 3.0)
    path = choices.experiment.folder / "experiment.yaml"
    head, before, after = re.split(r"(?=  - name)", yaml_of(choices))
    path.write_text(head + after + before.replace("before-1\n", "first\n", 1), encoding="utf-8")
    again = choices.reread()
    assert [(s.name, s.leave_out) for s in again.experiment.sessions] == [
        ("after-1", {"pull 2": "a tractor"}),
        ("first", {}),
    ]
    assert again.experiment.worthwhile_change == 3.0


def test_a_reason_of_markup_is_kept_as_text(choices):
    reason = '<b>"dog"</b>: {x} # no'
    choices.leave_out("after-1", "pull 2", reason)
    choices.save()
    assert analyse(choices.experiment.folder).experiment.sessions[1].leave_out == {"pull 2": reason}
    with pytest.raises(ExperimentError, match="leave_out"):
        choices.leave_out("after-1", "pull 3", "a\x00b")


def run(kind: str, number: int, start_s: float, end_s: float) -> Run:
    return Run(kind=kind, number=number, start_s=start_s, end_s=end_s, start_kmh=40, end_kmh=110, included=True)


def test_left_out_runs_are_found_again_by_their_time_when_they_are_numbered_anew():
    old = Runs(pulls=tuple(run("pull", k, 100 * k, 100 * k + 12) for k in (1, 2, 3)), cruises=(), full_load_from="x")
    new = Runs(pulls=(run("pull", 1, 201, 212), run("pull", 2, 300, 311)), cruises=(run("cruise", 1, 100, 112),),
               full_load_from="x")  # fmt: skip
    kept, lost = carried_over({"pull 1": "fog", "pull 2": "dog", "pull 9": "?"}, old, new)
    assert kept == {"pull 1": "dog"}
    assert lost == ["pull 1", "pull 9"]


def test_a_change_of_protocol_keeps_the_same_drive_left_out(choices):
    cruises = [r for r in choices.runs("before-1") if r.kind == "cruise"]
    choices.leave_out("before-1", cruises[-1].name, "traffic")
    choices.set(("protocol", "cruise_kmh"), 130.0)
    assert choices.lost == (f"{cruises[-1].name} of before-1",)
    assert choices.experiment.sessions[0].leave_out == {}
