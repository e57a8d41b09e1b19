"""Single values in experiment.yaml are changed; every other character stays."""

from __future__ import annotations

import copy
import difflib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from helpers.samples import SAMPLES
from pullbook.errors import ExperimentError
from pullbook.settings.experiment import parse_settings
from pullbook.settings.yaml_edit import Edit, with_edits, with_item

BLOCK = """# The van
title: "A van"        # shown first
protocol:
  cruise_kmh: 90      # steady
  pull_to_kmh: 110

# What is asked
outcome: peak_rise
sessions:
  - name: before-1
    phase: before
    log: a.csv
    leave_out:
      pull 2: "missed a gear"   # my fault
      pull 3: 'braked'
    # a note that stays
  - {name: after-1, phase: after, log: b.csv}   # in one line
  - name: after-2
    phase: after
    log: c.csv
    leave_out: {pull 1: "fog", cruise 2: rain}
"""


def changed_lines(before: str, after: str) -> list[str]:
    lines = difflib.ndiff(before.splitlines(), after.splitlines())
    return [line for line in lines if line[0] in "+-"]


@pytest.mark.parametrize(
    ("place", "value", "lines"),
    [
        (("protocol", "cruise_kmh"), 85.0, ["-   cruise_kmh: 90      # steady", "+   cruise_kmh: 85      # steady"]),
        (("protocol", "cruise_min_s"), 12.5, ["+   cruise_min_s: 12.5"]),
        (("protocol", "marks_kmh"), (50.0, 80.0), ["+   marks_kmh: [50, 80]"]),
        (("protocol", "pull_to_kmh"), None, ["-   pull_to_kmh: 110"]),
        (("outcome",), "elapsed_s 60-90", ["- outcome: peak_rise", '+ outcome: "elapsed_s 60-90"']),
        (("worthwhile_change",), 1.5, ["+ worthwhile_change: 1.5"]),
        (("sessions", 0, "leave_out", "pull 2"), None, ['-       pull 2: "missed a gear"   # my fault']),
        (("sessions", 0, "leave_out", "pull 3"), "dog", ["-       pull 3: 'braked'", "+       pull 3: dog"]),
        (("sessions", 0, "leave_out", "pull 4"), 'a "dog": #1', ['+       pull 4: "a \\"dog\\": #1"']),
        (("sessions", 0, "leave_out"), None,
         ["-     leave_out:", '-       pull 2: "missed a gear"   # my fault', "-       pull 3: 'braked'"]),
        (("sessions", 1, "leave_out", "pull 1"), "rain",
         ["-   - {name: after-1, phase: after, log: b.csv}   # in one line",
          "+   - {name: after-1, phase: after, log: b.csv, leave_out: {pull 1: rain}}   # in one line"]),
        (("sessions", 2, "leave_out", "pull 1"), None,
         ['-     leave_out: {pull 1: "fog", cruise 2: rain}', "+     leave_out: {cruise 2: rain}"]),
        (("sessions", 2, "leave_out", "cruise 2"), None,
         ['-     leave_out: {pull 1: "fog", cruise 2: rain}', '+     leave_out: {pull 1: "fog"}']),
        (("sessions", 2, "leave_out", "pull 4"), "Überholt",
         ['-     leave_out: {pull 1: "fog", cruise 2: rain}',
          '+     leave_out: {pull 1: "fog", cruise 2: rain, pull 4: "Überholt"}']),
    ],
)  # fmt: skip
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_one_value_changes_and_nothing_else(place, value, lines, newline):
    before = BLOCK.replace("\n", newline)
    after = with_edits(before, [Edit(place, value)])
    told = [line for line in changed_lines(before, after) if "? " not in line[:2]]
    assert sorted(told) == sorted(lines)
    assert after.count(newline) == after.count("\n")


def test_a_missing_mapping_is_made_and_a_last_line_without_an_end_gets_one():
    after = with_edits("title: x\nsessions: [{name: a}]", [Edit(("protocol", "cruise_kmh"), 80.0)])
    assert after == "title: x\nsessions: [{name: a}]\nprotocol: {cruise_kmh: 80}\n"


@pytest.mark.parametrize("empty", ["leave_out:", "leave_out: {}", "leave_out:   # nobody", "leave_out: ~"])
def test_an_empty_mapping_is_filled(empty):
    text = f"sessions:\n- name: a\n  {empty}\n  log: a.csv\n"
    after = with_edits(text, [Edit(("sessions", 0, "leave_out", "pull 1"), "fog")])
    assert parse_settings(after)["sessions"] == [{"name": "a", "leave_out": {"pull 1": "fog"}, "log": "a.csv"}]
    assert ("# nobody" in after) == ("# nobody" in empty)


def test_what_an_alias_shares_cannot_be_changed_alone_and_is_told():
    text = "sessions:\n- &one {name: a, leave_out: {pull 1: fog}}\n- *one\n"
    with pytest.raises(ExperimentError, match=r"(?s)nothing was saved.*sessions\.1\.leave_out\.pull 2: rain"):
        with_edits(text, [Edit(("sessions", 0, "leave_out", "pull 2"), "rain")])


def test_block_text_keeps_its_shape():
    text = "title: >\n  a long\n  title\n\n# next\noutcome: peak_rise\n"
    assert with_edits(text, [Edit(("title",), "short")]) == "title: short\n\n# next\noutcome: peak_rise\n"
    with_protocol = with_edits(text, [Edit(("worthwhile_change",), 3.0)])
    assert with_protocol == text + "worthwhile_change: 3\n"


def test_a_byte_order_mark_stays():
    assert with_edits("\ufefftitle: x\n", [Edit(("title",), "y")]) == "\ufefftitle: y\n"


def test_taking_out_what_is_not_there_changes_nothing():
    assert with_edits(BLOCK, [Edit(("sessions", 1, "leave_out", "pull 1"), None)]) == BLOCK
    assert with_edits(BLOCK, [Edit(("day_to_day_sd",), None)]) == BLOCK


TEXTS = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=30)
RUNS = st.sampled_from(["pull 1", "pull 2", "pull 12", "cruise 1"])
SAMPLE_TEXTS = [path.read_text(encoding="utf-8") for path in sorted(SAMPLES.glob("*/experiment.yaml"))] + [BLOCK]


@settings(max_examples=50)
@given(
    text=st.sampled_from(SAMPLE_TEXTS),
    edits=st.lists(
        st.one_of(
            st.builds(
                lambda k, run, why: Edit(("sessions", k, "leave_out", run), why),
                st.integers(0, 1), RUNS, st.none() | TEXTS,
            ),
            st.builds(
                lambda key, value: Edit(("protocol", key), value),
                st.sampled_from(["cruise_kmh", "pull_to_kmh", "shift_lift_s"]), st.floats(0, 300) | st.none(),
            ),
        ),
        max_size=6,
    ),
)  # fmt: skip
def test_any_edits_give_those_values_and_keep_every_comment(text, edits):
    wanted: Any = copy.deepcopy(parse_settings(text))
    after = with_edits(text, edits)
    for edit in edits:
        node = wanted
        for part in edit.place[:-1]:
            node = node.setdefault(part, {}) if isinstance(node, dict) else node[part]
        if edit.value is None:
            node.pop(edit.place[-1], None)
        else:
            node[edit.place[-1]] = edit.value
    got = parse_settings(after)
    for session in (*got["sessions"], *wanted["sessions"]):
        if not session.get("leave_out"):  # an empty mapping or none: the same
            session.pop("leave_out", None)
    for key, value in wanted["protocol"].items():
        assert got["protocol"][key] == value
    got.pop("protocol"), wanted.pop("protocol")
    assert got == wanted
    whole_comments = [line for line in text.splitlines() if line.lstrip().startswith("#")]
    assert [line for line in after.splitlines() if line in whole_comments] == whole_comments


# --- one more item in a list --------------------------------------------------------------------------------------

SESSIONS = "title: T\nsessions:\n"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("  - name: a\n    # cold\n# end\n", "  - name: a\n    # cold\n  - name: b-2\n    log: logs/b.csv\n# end\n"),
        ("- name: a\n  # cold\nunits: x\n", "- name: a\n  # cold\n- name: b-2\n  log: logs/b.csv\nunits: x\n"),
        ("  - {name: a}   # one line", "  - {name: a}   # one line\n  - name: b-2\n    log: logs/b.csv\n"),
        ("  [{name: a}]\n", "  [{name: a}, {name: b-2, log: logs/b.csv}]\n"),
        ("  [{name: a},\n  ]\n", "  [{name: a}, {name: b-2, log: logs/b.csv}]\n"),
        (
            "  - name: a\n    leave_out:\n      pull 1: |\n        two\n        lines\n\nunits: x\n",
            "  - name: a\n    leave_out:\n      pull 1: |\n        two\n        lines\n  - name: b-2\n"
            "    log: logs/b.csv\n\nunits: x\n",
        ),
    ],
)
def test_an_item_is_added_at_the_end_and_nothing_else_changes(before, after):
    assert with_item(SESSIONS + before, "sessions", {"name": "b-2", "log": "logs/b.csv"}) == SESSIONS + after


def test_an_item_keeps_the_line_ends_of_the_file():
    text = "sessions:\r\n  - name: a\r\n"
    assert with_item(text, "sessions", {"name": "b"}, notes=["cold"]) == text + "  - name: b\r\n    # cold\r\n"


def test_a_list_under_an_alias_is_not_added_to():
    text = "other: &s\n  - name: a\nsessions: *s\n"
    with pytest.raises(ExperimentError, match=r"Add this by hand"):
        with_item(text, "sessions", {"name": "b"})
