"""A small part of ``make audit``, the same each time."""

import pytest

from audit.canaries import canaries
from audit.fuzz import fuzz, kinds
from audit.kills import full_disks, kills


@pytest.mark.parametrize("kind", ["logs", "metar", "ledger", "gpx", "yaml"])
def test_damaged_files_are_read_or_refused(kind, tmp_path) -> None:
    outcome = fuzz(kind, 60, seed=7, keep=tmp_path)
    assert outcome.faults == []
    assert outcome.counts["read"] > 0
    assert outcome.counts["refused"] > 0
    assert kind in kinds()


def test_the_fuzzer_counts_what_is_no_refusal_as_a_fault(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("audit.fuzz.kinds", lambda: {"logs": ((b"a\n1\n",), ".csv", lambda path, content: 1 / 0)})
    outcome = fuzz("logs", 5, seed=7, keep=tmp_path)
    assert outcome.counts == {"fault: ZeroDivisionError": 5}
    assert len(list(tmp_path.iterdir())) == len(outcome.faults) == 5


def test_runs_killed_at_random_accesses_to_files_are_mended_by_the_next(tmp_path) -> None:
    ended = kills(12, seed=7, work=tmp_path)
    assert not [how for how in ended if how.startswith("WRONG")], ended
    assert ended["killed"] >= 6


def test_a_full_disk_leaves_what_was_there(tmp_path) -> None:
    ended = full_disks(6, seed=7, work=tmp_path)
    assert not [how for how in ended if how.startswith("WRONG")], ended


def test_nothing_in_a_folder_is_executed(tmp_path) -> None:
    ended = canaries(work=tmp_path, commands=("check", "plan"))
    assert not [how for how in ended if how.startswith("WRONG")], ended
    assert ended["planted"] > 20
