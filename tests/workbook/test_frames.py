"""The frames that a notebook's cells go on computing with."""

from __future__ import annotations

import pytest

from helpers.samples import SAMPLES
from pullbook.errors import LogError
from pullbook.workbook import frames

LOGS = SAMPLES / "two_evenings" / "logs"


def test_logs_are_read_by_a_path_a_pattern_or_a_list_of_them():
    first, *_ = sorted(LOGS.iterdir())
    every = frames.read_logs(str(LOGS / "*"))
    assert list(every) == [path.name for path in sorted(LOGS.iterdir())]
    assert list(frames.read_logs([str(first), str(first)])) == [first.name]


@pytest.mark.parametrize("logs", [[3], 3, None, [None], [], "", ["nowhere/*.csv"], {"a": 1}, [["a.csv"]]])
def test_what_names_no_log_is_refused_in_plain_words(logs):
    with pytest.raises(LogError, match=r"^logs: "):
        frames.read_logs(logs)
