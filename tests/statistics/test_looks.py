"""What looking again costs, from the numbers of sessions alone."""

import math

import numpy as np
import pytest

from helpers.tables_of_runs import experiment_of, runs_table
from pullbook.statistics.comparison import compare
from pullbook.statistics.looks import CALM, Looks
from pullbook.statistics.power import outlook
from study.looks import claims, priced, unpaid


@pytest.mark.parametrize(("before", "after", "planned", "charged"), [
    (1, 1, None, False), (3, 3, None, False), (2, 3, None, False), (4, 4, None, True), (3, 4, None, True),
    (5, 5, 5, False), (4, 5, 5, True), (6, 6, 5, True), (2, 2, 5, True), (2, 2, 3, False), (5, 5, 3, True),
])  # fmt: skip
def test_who_pays(before, after, planned, charged) -> None:
    looks = Looks(before=before, after=after, planned=planned)
    assert looks.charged is charged
    assert looks.each_level == pytest.approx(0.99 if charged else 0.95)
    assert ("99" in looks.sentence) is charged
    assert (f"You planned {planned} " in looks.sentence) is (planned is not None)


def test_the_price_is_in_the_interval_and_said() -> None:
    rises = [40.0, 41, 39]
    sessions = [(f"{p[0]}{k}", p, [r + 0.3 * k for r in rises], 15.0) for p in ("before", "after") for k in range(5)]
    table = runs_table(sessions)
    free, kept = compare(table, experiment_of(table)), compare(table, experiment_of(table, planned_sessions=5))
    assert free.high - free.low > 1.2 * (kept.high - kept.low)
    assert free.change == kept.change
    assert free.to_dict()["looks"]["charged"] is True
    assert [f.message for f in kept.findings if f.code == "looks"] == [kept.looks.sentence]
    assert free.level == kept.level == 0.95


def test_the_chance_of_a_clear_answer_rises_with_what_is_seen() -> None:
    chances = []
    for change in (0.3, 2.5, 3.5):
        rises = [40.0, 41, 39]
        table = runs_table([("b", "before", rises, 15), ("a", "after", [r - change for r in rises], 15)])
        chances.append(outlook(compare(table, experiment_of(table)), before=1, after=1).chance)
    assert 0 < chances[0] < chances[1] < chances[2] < 1


COUNT = 20_000
SD_OF_5_PERCENT = math.sqrt(0.05 * 0.95 / COUNT)  # 0.0015, of a share that is 0.05


@pytest.mark.parametrize("planned", [None, 4, 5, 8])
def test_driving_on_until_something_is_claimed(planned) -> None:
    """Drawn by the reduced model of `study.looks`: days calmer than allowed for, nothing changed, up to 8 a side."""
    paid, free = claims(
        np.random.default_rng(5), day_sd_k=CALM, count=COUNT, levels=[priced(planned), unpaid]
    )[:, -1]  # fmt: skip
    assert free > 0.05 + 10 * SD_OF_5_PERCENT  # 0.10: unpaid looks break what the interval promises
    assert paid < 0.05 + 2 * SD_OF_5_PERCENT
    assert paid < free - 10 * SD_OF_5_PERCENT


def test_days_as_restless_as_allowed_for_are_beyond_what_the_price_can_hold() -> None:
    """The free looks up to 3 a side spend more than 5 %; those that are paid for add little to it."""
    paid, free = claims(np.random.default_rng(6), day_sd_k=1.0, count=COUNT, levels=[priced(None), unpaid])
    assert paid[2] == free[2] > 0.05 + 5 * SD_OF_5_PERCENT
    assert paid[7] - paid[2] < 0.02 < 0.06 < free[7] - free[2]
