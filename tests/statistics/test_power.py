"""Plans from the same formula as the comparison, and checked by drawing experiments."""

import math
import re
import shutil

import numpy as np
import pytest

from helpers.samples import SAMPLES
from helpers.tables_of_runs import drawn_sessions, experiment_of, runs_table
from pullbook.analysis.planned import PlanRequest, plan_request
from pullbook.errors import PullbookError
from pullbook.report.plan import plan_text
from pullbook.settings.experiment import Protocol
from pullbook.statistics.allowance import Allowance, day_scatter, with_earlier
from pullbook.statistics.comparison import compare
from pullbook.statistics.power import (
    USUAL_STEP_U_K,
    Scatter,
    chance_of_clear_answer,
    detectable_change,
    fewest_sessions,
    plan,
    plans,
    power_of,
    scatter_of,
)


def drawn_table(rng, *, sessions, day_sd_k, **drawn):
    """Draw a table in steps of 1 K, whose rounding shifts a session as a whole."""
    shifted = float(np.hypot(day_sd_k, USUAL_STEP_U_K))
    return runs_table(drawn_sessions(rng, count=sessions, day_sd_k=shifted, pull_sd_k=0.6, **drawn), step=1.0)


@pytest.fixture(scope="module")
def calm_past():
    """Three earlier experiments of three sessions a side, whose days differ by 0.5 K."""
    rng, past = np.random.default_rng(12), []
    for _ in range(3):
        c = compare(table := drawn_table(rng, sessions=3, day_sd_k=0.5), experiment_of(table))
        past.append(day_scatter(c.data, c.covariates, name="earlier", usual_sd=1.0))
    return past


@pytest.mark.parametrize("helped", [False, True], ids=["alone", "with earlier"])
@pytest.mark.parametrize("sessions", [1, 2, 3])
def test_what_a_plan_promises_is_what_is_then_obtained(sessions, helped, calm_past) -> None:
    """Drawn: vehicles whose days differ by what the plan counts on."""
    earlier = calm_past if helped else []
    allowance, _ = with_earlier(Allowance(sd=1.0), earlier)
    assert allowance.sd < 0.8 or not helped
    scatter = Scatter(day_sd=allowance.sd, day_dof=allowance.dof, pull_sd=0.6)
    promised = plan(sessions=sessions, pulls=5, scatter=scatter, protocol=Protocol()).half_width
    rng, obtained = np.random.default_rng(11), []
    for _ in range(30):
        table = drawn_table(rng, sessions=sessions, day_sd_k=allowance.sd)
        c = compare(table, experiment_of(table, planned_sessions=sessions), earlier=earlier)
        obtained.append((c.high - c.low) / 2)
    # The slope on the weather, which a plan does not know, adds a little.
    assert promised == pytest.approx(np.mean(obtained), rel=0.1)


def test_the_safe_change_is_told_four_times_out_of_five() -> None:
    scatter = Scatter(day_sd=1.0, pull_sd=0.6)
    safe = plan(sessions=3, pulls=5, scatter=scatter, protocol=Protocol()).safe_change
    rng = np.random.default_rng(12)
    told = 0
    for _ in range(100):
        table = drawn_table(rng, sessions=3, day_sd_k=1.0, change_k=-safe)
        c = compare(table, experiment_of(table))
        told += c.high < 0
    # 0.8 with a standard deviation of 0.04 over 100; the slope on the weather takes a little.
    assert told / 100 == pytest.approx(0.8, abs=0.12)


def test_power_and_detectable_change_are_inverse() -> None:
    change = detectable_change(standard_uncertainty=0.7, dof=8.0)
    assert power_of(change=change, standard_uncertainty=0.7, dof=8.0) == pytest.approx(0.8, abs=1e-9)


def test_days_count_more_than_pulls() -> None:
    grid = {(p.sessions, p.pulls): p for p in plans(scatter=Scatter(), protocol=Protocol())}
    assert grid[(4, 3)].safe_change < grid[(2, 8)].safe_change
    assert grid[(4, 3)].pulls_in_all < grid[(2, 8)].pulls_in_all


def test_the_fewest_sessions_are_the_fewest() -> None:
    found = fewest_sessions(worthwhile_change=2.0, scatter=Scatter(), protocol=Protocol())
    assert found is not None
    assert found.safe_change <= 2.0
    assert plan(sessions=found.sessions - 1, pulls=5, scatter=Scatter(), protocol=Protocol()).safe_change > 2.0
    assert fewest_sessions(worthwhile_change=0.01, scatter=Scatter(), protocol=Protocol()) is None


def test_scatter_is_taken_from_an_experiment() -> None:
    table = runs_table(drawn_sessions(np.random.default_rng(13), count=6, day_sd_k=0.3), step=1.0)
    c = compare(table, experiment_of(table))
    scatter = scatter_of(c)
    assert scatter.day_sd == c.day_sd < 1.0
    assert scatter.resolution_u == pytest.approx(np.sqrt(2 / 12), rel=1e-2)


def test_the_sheet_begins_with_the_cautions() -> None:
    lines = plan_text(plan_request(None, change=3.0, pulls=4))
    assert lines[0].startswith("First, safety")
    assert any("closed road or a dynamometer" in line for line in lines[:8])
    assert "4 pulls in all" in " ".join(" ".join(lines).split())
    assert plan_request(None, change=3.0, pulls=4).fewest is not None


def test_before_the_service_a_plan_goes_by_the_drives_so_far(tmp_path) -> None:
    """The drives after it are still to come, and how many it takes is the question."""
    folder = shutil.copytree(SAMPLES / "fin_wash", tmp_path / "e", ignore=shutil.ignore_patterns("rendered*"))
    settings = folder / "experiment.yaml"
    both = plan_request(folder, pulls=3).scatter
    text = settings.read_text(encoding="utf-8")
    head, first, *others = re.split(r"(?m)^(?=  - name: )", text)
    text = head + first + "".join(o for o in others if "phase: before" in o)

    def asked(outcome: str) -> PlanRequest:
        settings.write_text(text.replace("peak_rise", outcome), encoding="utf-8")
        return plan_request(folder, pulls=3)

    wish = asked("peak_rise")
    assert (wish.change, wish.unit, wish.scatter.day_dof) == (2.0, "K", 4.0)
    assert wish.scatter.pull_sd == pytest.approx(both.pull_sd, rel=0.5)  # half of the same pulls
    assert wish.scatter.resolution_u == pytest.approx(both.resolution_u, rel=0.05)
    assert "drives so far" in wish.scatter.source
    seconds = asked("time_to_boost")  # 5 % of it between days, joined with three sessions' own scatter
    assert seconds.unit == "s"
    assert 0.01 < seconds.scatter.day_sd < 0.2
    assert "the pedal" in seconds.scatter.source
    nothing = asked("rise_at 160")  # in K, so the usual figures do
    assert nothing.scatter == Scatter()
    with pytest.raises(PullbookError, match="A plan in s needs a drive"):
        asked("elapsed_s 150-160")


def test_a_plan_tells_small_changes_apart_and_names_the_sessions_that_do() -> None:
    lines = plan_text(plan_request(None, change=1.2, pulls=5))
    fewest = plan_request(None, change=1.2).fewest
    assert fewest is not None
    assert fewest.sessions > 8  # beyond the usual table
    assert any(line.split()[:1] == [str(fewest.sessions)] for line in lines)


def test_the_chance_of_a_clear_answer_is_how_often_one_more_session_gives_it():
    """Known variances, any true change: of those said to have about this chance, so many become clear."""
    rng = np.random.default_rng(11)
    u, worthwhile, dof = 1.0, 2.0, 1e6
    shrinks_to = math.sqrt(2 / 3)
    truth = rng.uniform(-8, 8, 6_000)
    now = truth + rng.normal(0, u, truth.size)
    # The same mean with half as much again of evidence: the new part alone has u * sqrt(2).
    then = (2 * now + truth + rng.normal(0, u * math.sqrt(2), truth.size)) / 3
    half = 1.959964 * u
    clear = (np.abs(then) > half * shrinks_to) | (np.abs(then) < worthwhile - half * shrinks_to)
    inner = np.abs(now) < 4  # far from the ends of what was drawn
    said = np.array(
        [
            chance_of_clear_answer(
                change=c,
                half_width=half * shrinks_to,
                standard_uncertainty=u,
                dof=dof,
                worthwhile=worthwhile,
                shrinks_to=shrinks_to,
            )
            for c in now[inner]
        ]
    )
    for low, high in ((0.0, 0.35), (0.35, 0.7), (0.7, 1.01)):
        part = (said >= low) & (said < high)
        sd = math.sqrt(0.25 / part.sum())
        assert clear[inner][part].mean() == pytest.approx(said[part].mean(), abs=3 * sd)
