"""Runs that a person would agree with: pulls, cruises, their reasons and their edges."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from pullbook.errors import LogError
from pullbook.reading.logs import Log, Signal, read_log
from pullbook.runs.find import Run, Runs, _largest_free, _median, find_runs
from pullbook.runs.full_load import local_slope, pedal_travel
from pullbook.settings.experiment import Protocol
from pullbook.simulate import Cooler, Cruise, Idle, PartThrottle, Pull, Vehicle, Weather, drive, record
from study import runs as study_runs

REST, END = 14.1, 78.0  # per cent: a pedal channel seldom spans 0 to 100
PROTOCOL = Protocol(cruise_kmh=90, pull_from_kmh=40, pull_to_kmh=110)
STEPS = {"vehicle_speed": 1.0, "accelerator_position": 0.4, "engine_load": 0.4, "intake_manifold_pressure": 1.0}
Corners = list[tuple[float, float]]


def make_log(
    corners: dict[str, Corners], *, period_s: float = 1.0, offset_s: float = 0.0, gap: tuple[float, float] | None = None
) -> Log:
    """Sample piecewise straight channels, each at its own moments, in the steps of their sensors."""
    signals = {}
    for place, (channel, points) in enumerate(corners.items()):
        at, value = np.array(points, dtype=float).T
        t = np.arange(offset_s + place * period_s / len(corners), at[-1], period_s)
        if gap is not None:
            t = t[(t < gap[0]) | (t > gap[1])]
        step = STEPS[channel]
        v = np.round(np.interp(t, at, value) / step) * step
        signals[channel] = Signal(
            channel=channel, column=channel, unit="", time_s=t, values=v, period_s=period_s, resolution=step
        )
    return Log(name="made.csv", start=None, duration_s=max(s.time_s[-1] for s in signals.values()), signals=signals)


def pedal(*presses: tuple[float, float], share: float = 1.0, until_s: float = 120.0) -> Corners:
    """Return a pedal pressed from one moment to another, within 0.2 s."""
    points: Corners = [(0.0, 20.0)]
    for start_s, end_s in presses:
        down = REST + share * (END - REST)
        points += [(start_s - 0.1, 20.0), (start_s + 0.1, down), (end_s - 0.1, down), (end_s + 0.1, REST)]
    return [*points, (until_s, 20.0)]


def ramp(start_s: float, end_s: float, from_kmh: float, to_kmh: float, *, until_s: float = 120.0) -> Corners:
    """Return a speed that is held, rises, and falls slowly afterwards."""
    return [(0.0, from_kmh), (start_s, from_kmh), (end_s, to_kmh), (until_s, to_kmh - 0.5 * (until_s - end_s))]


def only(runs: tuple[Run, ...]) -> Run:
    assert len(runs) == 1, runs
    return runs[0]


def reasons(runs: tuple[Run, ...]) -> list[str]:
    return [run.reason for run in runs]


def spans(runs: tuple[Run, ...], shift_s: float = 0.0) -> list[tuple[float, float, bool]]:
    return [(run.start_s + shift_s, run.end_s + shift_s, run.included) for run in runs]


# --- pulls by the pedal -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("period_s", [0.3, 0.7, 1.0, 1.3])
@pytest.mark.parametrize("offset_s", [0.0, 0.11, 0.23])
@pytest.mark.parametrize("from_kmh", [0.0, 40.0])
def test_a_pull_is_found_with_its_edges(period_s: float, offset_s: float, from_kmh: float) -> None:
    log = make_log(
        {"vehicle_speed": ramp(30, 45, from_kmh, 111), "accelerator_position": pedal((30, 45))},
        period_s=period_s,
        offset_s=offset_s,
    )
    runs = find_runs(log, PROTOCOL)
    pull = only(runs.pulls)
    assert pull.included
    assert pull.reason == ""
    assert runs.full_load_from == "accelerator_position"
    # Halfway between the refreshes on both sides: half a period, and 0.1 s for the pedal's own way.
    assert abs(pull.start_s - 30) <= period_s / 2 + 0.1
    assert abs(pull.end_s - 45) <= period_s / 2 + 0.1
    # The speed there, between two refreshes in whole km/h; it rises by (111 - from) / 15 a second.
    slope = (111 - from_kmh) / 15
    assert abs(pull.start_kmh - from_kmh) <= slope * period_s + 0.5
    assert abs(pull.end_kmh - 111) <= slope * period_s + 0.5


def test_three_pulls_have_their_own_edges() -> None:
    times = [(10, 24), (50, 64), (90, 104)]
    speed = [(0.0, 40.0)] + [corner for a, b in times for corner in ((a, 40.0), (b, 112.0), (b + 20, 40.0))]
    pulls = find_runs(make_log({"vehicle_speed": speed, "accelerator_position": pedal(*times)}), PROTOCOL).pulls
    assert [run.included for run in pulls] == [True] * 3
    for run, (start_s, end_s) in zip(pulls, times, strict=True):
        assert abs(run.start_s - start_s) <= 0.6  # half a refresh, and 0.1 s for the pedal's own way
        assert abs(run.end_s - end_s) <= 0.6


@pytest.mark.parametrize("offset_s", np.arange(0.0, 1.3, 0.13).tolist())
def test_a_pull_that_starts_at_the_limit_is_not_refused_for_slow_refreshes(offset_s: float) -> None:
    # From 44 km/h at 6.8 km/h a second: half a refresh late it is above the 45 that are allowed. The refresh before the
    # pull shows where it began.
    load = [(0, 25), (29.9, 25), (30.1, 99), (39.9, 99), (40.1, 0), (120, 25)]
    corners = {"vehicle_speed": ramp(30, 40, 44, 112), "accelerator_position": pedal((30, 40)), "engine_load": load}
    assert only(find_runs(make_log(corners, period_s=1.3, offset_s=offset_s), PROTOCOL).pulls).included


@pytest.mark.parametrize("period_s", [0.3, 0.7, 1.0, 1.3])
@pytest.mark.parametrize("lift_s", [0.5, 1.0, 1.5])
@pytest.mark.parametrize("offset_s", np.arange(0.0, 1.3, 0.13).tolist())
def test_a_gear_change_does_not_end_a_pull(period_s: float, lift_s: float, offset_s: float) -> None:
    log = make_log(
        {
            "vehicle_speed": [(0, 40), (30, 40), (38, 75), (38 + lift_s, 75), (48, 112), (120, 80)],
            "accelerator_position": pedal((30, 38), (38 + lift_s, 48)),
        },
        period_s=period_s,
        offset_s=offset_s,
    )
    assert only(find_runs(log, PROTOCOL).pulls).included


@pytest.mark.parametrize("offset_s", [0.0, 0.11, 0.23])
def test_two_seconds_are_no_gear_change(offset_s: float) -> None:
    log = make_log(
        {
            "vehicle_speed": [(0, 40), (30, 40), (38, 75), (40, 74), (50, 112), (120, 80)],
            "accelerator_position": pedal((30, 38), (40, 50)),
        },
        period_s=0.3,
        offset_s=offset_s,
    )
    assert len(find_runs(log, PROTOCOL).pulls) == 2


@pytest.mark.parametrize("period_s", [0.3, 0.7, 1.0])
def test_a_long_lift_ends_it(period_s: float) -> None:
    log = make_log(
        {
            "vehicle_speed": [(0, 40), (30, 40), (38, 75), (42, 73), (52, 112), (120, 80)],
            "accelerator_position": pedal((30, 38), (42, 52)),
        },
        period_s=period_s,
    )
    first, second = find_runs(log, PROTOCOL).pulls
    assert first.reason.startswith("lifted at 7")
    assert second.reason.startswith("started at 7")
    assert (first.name, second.name) == ("pull 1", "pull 2")


@pytest.mark.parametrize(
    ("speed", "reason"),
    [
        (ramp(30, 40, 40, 55), "lifted at 55 km/h"),
        # A speedometer may show 107 km/h, which are enough, at (107 - 4) / 1.1 = 93.6, and a gain of 62 km/h, from 45
        # to 107, where it was 62 / 1.1 = 56.4.
        (ramp(30, 40, 30, 92), "lifted at 92 km/h"),
        (ramp(30, 40, 30, 95), ""),
        (ramp(30, 40, 40, 95), "lifted at 95 km/h"),
        (ramp(30, 40, 40, 98), ""),
        (ramp(30, 40, 40, 108), ""),
        (ramp(30, 40, 20, 108), ""),
        (ramp(30, 40, 45, 112), ""),
        (ramp(30, 40, 55, 112), "55 km/h"),
        (ramp(30, 40, 40, 42), "no speed gained"),
        (
            [(0, 10), (30, 10), (31, 50), (32.5, 50), (34, 20), (40, 112), (120, 80)],
            "fell by 30 km/h",
        ),
    ],
)
def test_each_candidate_has_its_reason(speed: Corners, reason: str) -> None:
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((30, 40))}, period_s=0.5)
    pull = only(find_runs(log, PROTOCOL).pulls)
    assert reason in pull.reason
    assert bool(pull.reason) == bool(reason)
    assert pull.included == (not reason)


@pytest.mark.parametrize(
    ("speed", "reason"),
    [
        # The limits, from either side by one step of the sensor, 1 km/h: 5 km/h gained,
        (ramp(30, 50, 40, 44), "no speed gained"),
        (ramp(30, 50, 40, 46), "46 km/h"),
        # 6 km/h lost on the way,
        ([(0, 30), (30, 30), (36, 60), (36.5, 55), (50, 112), (120, 80)], ""),
        ([(0, 30), (30, 30), (36, 60), (36.5, 53), (50, 112), (120, 80)], "fell by 7 km/h"),
        # and 2 km/h gained in 10 s.
        ([(0, 30), (30, 30), (33, 44), (45, 45), (50, 112), (120, 80)], "10 s"),
        ([(0, 30), (30, 30), (33, 44), (45, 48), (50, 112), (120, 80)], ""),
    ],
)
def test_the_limits_of_a_pull(speed: Corners, reason: str) -> None:
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((30, 50))}, period_s=0.5)
    pull = only(find_runs(log, PROTOCOL).pulls)
    assert reason in pull.reason
    assert bool(pull.reason) == bool(reason)
    assert pull.included == (not reason)


@pytest.mark.parametrize(("to_kmh", "codes"), [(128, []), (132, ["pull-overruns"])])
def test_20_km_h_beyond_the_goal_are_far(to_kmh: float, codes: list[str]) -> None:
    log = make_log({"vehicle_speed": ramp(30, 50, 40, to_kmh), "accelerator_position": pedal((30, 50))}, period_s=0.5)
    assert [finding.code for finding in find_runs(log, PROTOCOL).findings] == codes


@pytest.mark.parametrize(("seconds", "count"), [(2.8, 0), (3.2, 1)])
def test_full_load_for_three_seconds_is_a_candidate(seconds: float, count: int) -> None:
    end_s = 30 + seconds
    log = make_log({"vehicle_speed": ramp(30, end_s, 60, 72), "accelerator_position": pedal((30, end_s))}, period_s=0.1)
    assert len(find_runs(log, PROTOCOL).pulls) == count


def test_full_load_held_at_one_speed_before_is_not_one_acceleration() -> None:
    speed = [(0, 30), (20, 30), (24, 44), (40, 44), (55, 112), (120, 80)]
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((20, 55))})
    assert only(find_runs(log, PROTOCOL).pulls).reason.endswith("for 10 s at full load")


def test_standing_still_on_the_way_is_seen_though_the_pull_only_just_reaches_its_goal() -> None:
    # 107 km/h are enough for 110 less 3.
    speed = [(0, 30), (20, 30), (24, 44), (40, 44), (55, 107), (120, 80)]
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((20, 55))})
    assert only(find_runs(log, PROTOCOL).pulls).reason.endswith("for 10 s at full load")


def test_full_load_held_beyond_the_goal_counts_and_is_said() -> None:
    speed = [(0, 40), (20, 40), (40, 150), (80, 150), (120, 80)]
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((20, 80))})
    runs = find_runs(log, PROTOCOL)
    assert only(runs.pulls).included
    assert [finding.code for finding in runs.findings] == ["pull-overruns"]
    assert runs.findings[0].evidence == {"end_kmh": {"pull 1": 150.0}}
    assert runs.findings[0].severity == "note"
    assert "far beyond 110 km/h in pull 1 (150 km/h)" in runs.findings[0].message


def test_a_kick_down_in_traffic_is_not_even_a_candidate() -> None:
    log = make_log({"vehicle_speed": ramp(30, 32, 60, 72), "accelerator_position": pedal((30, 32))}, period_s=0.5)
    assert find_runs(log, PROTOCOL).pulls == ()


def test_a_quick_car_may_pull_for_less_than_a_kick_down() -> None:
    log = make_log({"vehicle_speed": ramp(30, 32.5, 50, 72), "accelerator_position": pedal((30, 32.5))}, period_s=0.3)
    assert only(find_runs(log, Protocol(pull_from_kmh=50, pull_to_kmh=70)).pulls).included


@pytest.mark.parametrize("channel", ["vehicle_speed", "accelerator_position"])
def test_a_gap_is_never_bridged(channel: str) -> None:
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((30, 50))}
    whole = make_log(corners)
    broken = make_log(corners, gap=(37.0, 43.0))
    runs = find_runs(replace(whole, signals={**whole.signals, channel: broken.signals[channel]}), PROTOCOL)
    assert not any(run.included for run in runs.pulls)
    if channel == "vehicle_speed":
        assert "gap" in only(runs.pulls).reason
    else:
        assert [reason.split(" ")[0] for reason in reasons(runs.pulls)] == ["no", "started"]
        first, second = runs.pulls
        # What was seen, and no half of the gap besides: from one refresh before it and one after.
        assert 36 <= first.end_s <= 37
        assert 43 <= second.start_s <= 44


@pytest.mark.parametrize("gap", [(28.0, 35.0), (45.0, 53.0)])
def test_a_pull_whose_beginning_or_end_the_speed_does_not_show_is_refused(gap: tuple[float, float]) -> None:
    # A refresh a second: the first in the pull is at 36 s, or the last at 44 s, six seconds from its beginning or end.
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((30, 50))}
    whole, broken = make_log(corners), make_log(corners, gap=gap)
    signals = {**whole.signals, "vehicle_speed": broken.signals["vehicle_speed"]}
    assert "gap of 6.0 s" in only(find_runs(replace(whole, signals=signals), PROTOCOL).pulls).reason


# --- what full load is --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.5, 0.6, 0.7, 0.8])
def test_a_log_without_full_load_has_no_pull(share: float) -> None:
    log = make_log({"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((30, 50), share=share)})
    runs = find_runs(log, PROTOCOL)
    near = only(runs.pulls)
    assert not near.included
    assert re.fullmatch(rf"part throttle: pedal at {REST + share * (END - REST):.0f} %.* 70 %", near.reason)
    assert [finding.code for finding in runs.findings] == ["no-full-load"]
    assert runs.findings[0].message.startswith("Part throttle")  # in the words of the reason


@pytest.mark.parametrize(
    ("speed", "share", "count"),
    [
        # 123 to 153 km/h at 71 %, after a kick-down to 85 % elsewhere: full load begins at 14.1 + 0.85 * 71 = 74.5 %.
        (ramp(30, 40, 123, 153), 0.89, 1),
        # 15 km/h gained are asked for of one so near to full load,
        (ramp(30, 35, 123, 136), 0.89, 0),
        # and 0.85 of the way there: 14.1 + 0.85 * 60.4 = 65.4 %.
        (ramp(30, 40, 123, 153), 0.82, 1),
        (ramp(30, 40, 123, 153), 0.78, 0),
        (ramp(30, 50, 40, 110), 0.6, 0),
    ],
)
def test_a_near_miss_is_a_candidate(speed: Corners, share: float, count: int) -> None:
    press = pedal((30, 40), share=share, until_s=200.0)[:-1]
    kick_down = [(149.9, 20.0), (150.1, 85.1), (152.0, 85.1), (152.1, 20.0), (200.0, 20.0)]
    boost: Corners = [(0, 101), (30, 101), (31, 225), (40, 225), (41, 101), (200, 101)]
    corners = {
        "vehicle_speed": [*speed[:-1], (150, 60), (152, 66), (200, 60)],
        "accelerator_position": [*press, *kick_down],
        "intake_manifold_pressure": boost,
    }
    runs = find_runs(make_log(corners, period_s=0.5), PROTOCOL)
    assert len(runs.pulls) == count
    for run in runs.pulls:
        percent = REST + share * (END - REST)
        assert re.fullmatch(rf"part throttle: pedal at {percent:.0f} %.* 75 % .*225 kPa\)", run.reason)
        assert (run.start_kmh, run.end_kmh) == pytest.approx((speed[1][1], speed[2][1]), abs=3.0)  # a refresh


@pytest.mark.parametrize(
    ("speed", "share", "count"),
    [
        # Half of 40 to 110 km/h, at half of the way to the 70 % that full load needs, 14.1 + 0.5 * 55.9 = 42 %.
        (ramp(30, 50, 60, 100), 0.5, 1),
        (ramp(30, 50, 60, 90), 0.5, 0),
        (ramp(30, 50, 120, 160), 0.5, 0),
        (ramp(30, 50, 60, 100), 0.4, 0),
    ],
)
def test_in_a_drive_without_full_load_its_pulls_at_half_load_are_candidates(
    speed: Corners, share: float, count: int
) -> None:
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((30, 50), share=share)}, period_s=0.5)
    assert len(find_runs(log, PROTOCOL).pulls) == count


def test_pressing_on_to_full_load_is_one_acceleration() -> None:
    speed = [(0, 40), (30, 40), (36, 60), (50, 112), (120, 80)]
    pressed = [(0, 20), (29.9, 20), (30.1, 52), (35.9, 52), (36.1, END), (50, END), (50.1, REST), (120, 20)]
    log = make_log({"vehicle_speed": speed, "accelerator_position": pressed}, period_s=0.5)
    assert only(find_runs(log, PROTOCOL).pulls).reason == "started at 60 km/h, above 45 km/h"


def test_a_pedal_that_ends_low_counts_if_the_load_agrees() -> None:
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((30, 50), share=0.75)}
    load = [(0, 25), (30, 25), (30.2, 99), (50, 99), (50.2, 0), (120, 25)]
    assert only(find_runs(make_log({**corners, "engine_load": load}), PROTOCOL).pulls).included


def test_the_travel_is_that_of_the_experiment() -> None:
    low = make_log({"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((30, 50), share=0.9)})
    high = make_log({"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((30, 50), share=1.12)})
    travel = pedal_travel([low, high])
    assert travel == pytest.approx((REST, REST + 1.12 * (END - REST)), abs=0.4)
    assert only(find_runs(low, PROTOCOL).pulls).included
    assert only(find_runs(low, PROTOCOL, travel=travel).pulls).reason.startswith("part throttle")


def test_one_stray_reading_does_not_set_the_travel() -> None:
    log = make_log({"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((30, 50))})
    log.need("accelerator_position").values[5] = 100.0
    assert pedal_travel([log]) == pytest.approx((REST, END), abs=0.4)


def test_a_dead_pedal_channel_tells_nothing() -> None:
    load = [(0, 25), (30, 25), (30.2, 99), (50, 99), (50.2, 0), (120, 25)]
    dead = [(0.0, REST), (120.0, REST)]
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": dead, "engine_load": load}
    runs = find_runs(make_log(corners), PROTOCOL)
    assert runs.full_load_from == "engine_load"
    assert only(runs.pulls).included


def test_a_load_that_stays_low_is_no_full_load_whatever_the_pressure() -> None:
    load = [(0, 25), (30, 25), (30.2, 66), (50, 66), (50.2, 0), (120, 25)]
    boost = [(0, 100), (30, 100), (31, 170), (50, 170), (51, 100), (120, 100)]
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "engine_load": load, "intake_manifold_pressure": boost}
    runs = find_runs(make_log(corners), PROTOCOL)
    assert only(runs.pulls).reason.startswith("part throttle: engine load at 66 %")
    assert [finding.code for finding in runs.findings] == ["no-full-load"]


@pytest.mark.parametrize(
    ("channel", "points"),
    [
        ("engine_load", [(0, 25), (30, 25), (30.2, 55), (32, 98), (50, 98), (50.2, 0), (120, 25)]),
        ("intake_manifold_pressure", [(0, 105), (30, 105), (32, 210), (50, 215), (50.5, 100), (120, 105)]),
        (None, []),
    ],
)
def test_without_a_pedal(channel: str | None, points: Corners) -> None:
    speed = [(0, 40), (30, 40), (50, 112), (60, 90), (80, 90), (95, 100), (120, 80)]  # and a gentle acceleration
    corners = {"vehicle_speed": speed} | ({channel: points} if channel else {})
    runs = find_runs(make_log(corners, period_s=0.8), PROTOCOL)
    pull = only(tuple(run for run in runs.pulls if run.included))
    assert runs.full_load_from == (channel or "acceleration")
    # One refresh of the signal that tells.
    assert abs(pull.start_s - 30) <= 0.8
    assert abs(pull.end_s - 50) <= 0.8
    judged = [finding.evidence["by"] for finding in runs.findings if finding.code == "full-load-judged"]
    assert judged == {"engine_load": [], "intake_manifold_pressure": ["manifold pressure"]}.get(
        channel or "", ["acceleration"]
    )


@pytest.mark.parametrize(("period_s", "offset_s"), [(0.4, 0.0), (0.4, 0.3), (0.8, 0.0), (0.8, 0.3), (1.0, 0.0)])
def test_boost_that_comes_late_does_not_make_the_pull_late(period_s: float, offset_s: float) -> None:
    """At low engine speed the boost takes six seconds; the pull began when the speed began to rise."""
    boost = [(0, 105), (30, 105), (33, 125), (36, 210), (50, 215), (50.5, 100), (120, 105)]
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "intake_manifold_pressure": boost}
    pull = only(find_runs(make_log(corners, period_s=period_s, offset_s=offset_s), PROTOCOL).pulls)
    assert pull.included
    assert abs(pull.start_s - 30) <= period_s  # one refresh of the signal that tells
    assert abs(pull.end_s - 50) <= period_s


@pytest.mark.parametrize("offset_s", np.arange(0.0, 1.2, 0.13).tolist())
def test_a_quick_pull_by_the_boost_begins_with_its_rise(offset_s: float) -> None:
    # 40 to 112 km/h in 6 s, polled every 1.2 s; before, the driver settles at a low and slowly rising pressure.
    boost = [(0, 60), (26, 60), (30, 72), (33, 205), (36, 210), (36.4, 60), (120, 60)]
    corners = {"vehicle_speed": ramp(30, 36, 40, 112), "intake_manifold_pressure": boost}
    pull = only(find_runs(make_log(corners, period_s=1.2, offset_s=offset_s), PROTOCOL).pulls)
    assert pull.reason == ""
    assert abs(pull.start_s - 30) <= 1.2  # one refresh
    assert abs(pull.start_kmh - 40) <= 12 * 0.6 + 0.5  # 12 km/h a second, half a refresh


def test_a_pedal_floored_while_the_speed_is_rising_already_dates_the_pull_itself() -> None:
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "accelerator_position": pedal((35, 50))}
    pull = only(find_runs(make_log(corners, period_s=0.5), PROTOCOL).pulls)
    assert abs(pull.start_s - 35) <= 0.25 + 0.1
    assert pull.reason == "started at 58 km/h, above 45 km/h"  # 40 + 18 km/h, in 5 of the 20 s that take 72


def test_two_pulls_in_one_rise_of_the_speed_do_not_overlap() -> None:
    """The driver eases off for five seconds in which the car still gains speed, and the boost tells of it."""
    boost = [(0, 105), (30, 105), (31, 200), (36, 210), (36.3, 120), (41, 120), (42, 210), (50, 210), (50.5, 100)]
    corners = {"vehicle_speed": ramp(30, 50, 40, 112), "intake_manifold_pressure": [*boost, (120, 100)]}
    first, second = find_runs(make_log(corners, period_s=0.5), PROTOCOL).pulls
    assert abs(first.start_s - 30) <= 0.5
    assert abs(first.end_s - 36) <= 0.5
    assert second.start_s >= first.end_s


@pytest.mark.parametrize("offset_s", np.arange(0.0, 1.0, 0.13).tolist())
def test_by_the_speed_alone_an_edge_is_dated_between_two_refreshes(offset_s: float) -> None:
    speed = [(0, 40), (30.4, 40), (50.6, 112), (60, 90), (80, 90), (95, 100), (120, 80)]
    runs = find_runs(make_log({"vehicle_speed": speed}, offset_s=offset_s), PROTOCOL)
    pull = only(tuple(run for run in runs.pulls if run.included))
    # Two lines through five refreshes in whole km/h at 3.6 km/h a second: a third of a refresh. Halfway between two
    # refreshes it would be off by up to three quarters, the window of the acceleration included.
    assert abs(pull.start_s - 30.4) <= 0.3
    assert abs(pull.end_s - 50.6) <= 0.3


def test_a_last_gear_too_short_for_the_boost_to_come_back_belongs_to_the_pull() -> None:
    speed = [(0, 40), (30, 40), (48, 104), (49, 104), (50.5, 110), (120, 80)]
    load = [(0, 25), (30, 25), (30.2, 55), (32, 98), (48, 98), (48.1, 0), (49, 0), (49.1, 55), (50.5, 75), (50.6, 0)]
    log = make_log({"vehicle_speed": speed, "engine_load": [*load, (120, 25)]}, period_s=0.4)
    pull = only(find_runs(log, PROTOCOL).pulls)
    assert pull.included
    assert abs(pull.end_s - 50.5) <= 0.4


@pytest.mark.parametrize("offset_s", np.arange(0.0, 0.9, 0.13).tolist())
def test_a_kick_down_does_not_end_the_build_up_of_a_load(offset_s: float) -> None:
    # Floored at 30; the gearbox changes down from 30.9 to 31.6, and what the load had built up falls away meanwhile.
    load = [(0, 10), (29.9, 10), (30.2, 60), (30.9, 66), (31, 0), (31.6, 0), (31.9, 90), (33, 98), (42, 98), (42.2, 0)]
    corners = {"vehicle_speed": [(0, 42), (30, 42), (32, 48), (42, 112), (120, 80)], "engine_load": [*load, (120, 10)]}
    pull = only(find_runs(make_log(corners, period_s=0.9, offset_s=offset_s), PROTOCOL).pulls)
    assert abs(pull.start_s - 30) <= 0.9
    assert pull.reason == ""


def test_the_boost_that_comes_back_after_a_gear_change_is_no_longer_lift() -> None:
    # The clutch is in for 1.2 s; in the next gear the load climbs for 3 s, and the car hardly gains speed at first.
    load = [(0, 10), (30, 10), (30.2, 98), (50, 98), (50.2, 0), (51.2, 0), (51.4, 55), (54.4, 98), (58, 98), (58.2, 0)]
    speed = [(0, 40), (30, 40), (50, 104), (51.4, 103), (53, 103.4), (58, 112), (120, 90)]
    log = make_log({"vehicle_speed": speed, "engine_load": [*load, (120, 10)]}, period_s=0.3)
    pull = only(find_runs(log, PROTOCOL).pulls)
    assert pull.reason == ""
    assert abs(pull.end_s - 58) <= 0.3


def test_easing_the_pedal_ends_a_pull() -> None:
    speed = [(0, 40), (30, 40), (42, 90), (54, 112), (120, 80)]
    load = [(0, 25), (30, 25), (30.2, 55), (32, 98), (42, 98), (42.2, 60), (54, 60), (54.2, 0), (120, 25)]
    pull = only(find_runs(make_log({"vehicle_speed": speed, "engine_load": load}, period_s=0.4), PROTOCOL).pulls)
    assert pull.reason == "lifted at 90 km/h"


def test_rolling_downhill_is_no_pull() -> None:
    # Out of gear on a grade of 5 %, with an ordinary car's resistance: the hardest acceleration this log shows.
    speed, moving, t = [(0.0, 40.0)], 40 / 3.6, 20.0
    while moving < 112 / 3.6:
        speed.append((t, 3.6 * moving))
        t, moving = t + 1.0, moving + 0.05 * 9.81 - 0.11 - 2.8e-4 * moving**2
    log = make_log({"vehicle_speed": [*speed, (t + 20, 40), (t + 100, 40)]})
    assert not any(run.included for run in find_runs(log, PROTOCOL).pulls)


def test_a_log_without_speed_is_refused() -> None:
    log = make_log({"accelerator_position": pedal((30, 50))})
    with pytest.raises(LogError, match="vehicle speed"):
        find_runs(log, PROTOCOL)


# --- cruises ------------------------------------------------------------------------------------------------------


def cruise_log(speed: Corners, load: Corners | None = None, *, period_s: float = 1.0) -> Log:
    light: Corners = [(0.0, 30.0), (speed[-1][0], 30.0)]
    return make_log({"vehicle_speed": speed, "engine_load": load or light}, period_s=period_s)


def held(kmh: float, duration_s: float) -> Corners:
    """Return a speed reached and left by 20 km/h in 10 s."""
    return [(0, kmh - 20), (10, kmh), (10 + duration_s, kmh), (20 + duration_s, kmh - 20), (60 + duration_s, kmh - 30)]


def test_a_cruise_begins_when_the_speed_has_settled() -> None:
    cruise = only(find_runs(cruise_log(held(90, 40)), PROTOCOL).cruises)
    assert cruise.included
    # The ramp takes 0.75 s for the 1.5 km/h that are within 1 km/h of the median after rounding.
    assert -1.75 <= cruise.start_s - 10 <= 1.0
    assert -1.0 <= cruise.end_s - 50 <= 1.75


@pytest.mark.parametrize(("duration_s", "count"), [(10, 0), (16, 0), (22, 1), (300, 1)])
def test_a_cruise_lasts_20_s(duration_s: float, count: int) -> None:
    assert len(find_runs(cruise_log(held(90, duration_s)), PROTOCOL).cruises) == count


@pytest.mark.parametrize(("kmh", "count"), [(84, 0), (85, 1), (95, 1), (96, 0)])
def test_a_cruise_keeps_near_the_speed_asked_for(kmh: float, count: int) -> None:
    assert len(find_runs(cruise_log(held(kmh, 40)), PROTOCOL).cruises) == count


@pytest.mark.parametrize(("ripple_kmh", "count"), [(1.0, 1), (2.0, 1), (4.0, 0)])
def test_ripple(ripple_kmh: float, count: int) -> None:
    t = np.arange(0.0, 60.0, 0.5)
    speed = list(zip(t.tolist(), (90 + ripple_kmh * np.sin(2 * np.pi * t / 8)).tolist(), strict=True))
    cruises = find_runs(cruise_log(speed), PROTOCOL).cruises
    assert len(cruises) == count


@pytest.mark.parametrize("seed", range(5))
def test_every_cruise_keeps_the_definition(seed: int) -> None:
    rng = np.random.default_rng(seed)
    v = np.round(90 + np.cumsum(rng.normal(0, 0.4, 20_000)) % 12 - 6)
    t = np.cumsum(rng.uniform(0.9, 1.1, v.size))
    speed = Signal(channel="vehicle_speed", column="v", unit="km/h", time_s=t, values=v, period_s=1.0, resolution=1.0)
    log = Log(name="walk.csv", start=None, duration_s=t[-1], signals={"vehicle_speed": speed})
    cruises = find_runs(log, PROTOCOL).cruises
    assert len(cruises) > 20
    last_s = -1.0
    for run in cruises:
        _, inside = speed.within(run.start_s, run.end_s)
        median = np.median(inside)
        assert np.abs(inside - median).max() <= PROTOCOL.cruise_ripple_kmh + 0.25 + 0.1  # half a level, and rounding
        assert abs(median - PROTOCOL.cruise_kmh) <= 5 + 0.25
        assert run.end_s - run.start_s >= PROTOCOL.cruise_min_s
        assert run.start_s > last_s
        last_s = run.end_s


def test_a_gap_splits_a_cruise() -> None:
    log = make_log({"vehicle_speed": held(90, 80)}, gap=(45.0, 52.0))
    first, second = find_runs(log, PROTOCOL).cruises
    assert first.end_s <= 45
    assert second.start_s >= 52
    assert (first.name, second.name) == ("cruise 1", "cruise 2")
    assert {first.start_kmh, first.end_kmh, second.start_kmh, second.end_kmh} <= {89.0, 90.0}  # 89: still settling


def test_a_bump_splits_a_cruise() -> None:
    speed = [(0, 90), (30, 90), (33, 97), (36, 90), (70, 90), (80, 70)]
    assert len(find_runs(cruise_log(speed), PROTOCOL).cruises) == 2


def test_a_stretch_that_two_speeds_share_goes_to_the_longer_and_the_other_keeps_its_rest() -> None:
    """90 km/h for 70 s, 91 for 20 s, 92 for 40 s.

    About 90 the speed stays for 90 s (91 is within 1 km/h of it), about 92 for 60 s, of which 20 are taken. About 91 it
    stays for all 130 s, but their median is 90.
    """
    speed = [(0, 70), (10, 90), (80, 90), (80.1, 91), (100, 91), (100.1, 92), (140, 92), (150, 112)]
    first, second = find_runs(cruise_log(speed), PROTOCOL).cruises
    # One refresh, and half a second for the ramps of 2 km/h a second.
    assert (first.start_s, first.end_s) == (pytest.approx(10, abs=1.5), pytest.approx(100, abs=1.5))
    assert (second.start_s, second.end_s) == (pytest.approx(100, abs=1.5), pytest.approx(140, abs=1.5))
    assert second.start_s > first.end_s


@pytest.mark.parametrize("count", [1, 2, 5, 6])
def test_the_quick_median_is_numpys(count: int) -> None:
    values = np.random.default_rng(count).normal(90, 3, count)
    assert _median(values) == np.median(values)


@pytest.mark.parametrize(("taken", "rest"), [((10, 20), (21, 60)), ((40, 50), (0, 39)), ((0, 9), (10, 60))])
def test_the_rest_is_the_larger_part(taken: tuple[int, int], rest: tuple[int, int]) -> None:
    assert _largest_free([taken], 0, 60) == rest


def test_a_cruise_in_which_the_pedal_was_not_logged_is_one() -> None:
    """The logger lost the pedal after the pull: nothing speaks against a light load."""
    speed = [(0, 40), (5, 40), (20, 112), (30, 60), (40, 90), (100, 90), (110, 60)]
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((5, 20))})
    pedal_signal = log.need("accelerator_position")
    early = pedal_signal.time_s < 35
    lost = replace(pedal_signal, time_s=pedal_signal.time_s[early], values=pedal_signal.values[early])
    runs = find_runs(replace(log, signals={**log.signals, "accelerator_position": lost}), PROTOCOL)
    assert only(runs.pulls).included
    assert runs.full_load_from == "accelerator_position"
    assert only(runs.cruises).included


def test_a_cruise_lasts_to_its_last_settled_refresh() -> None:
    # The log ends in it: its last refresh, at 49 s, counts.
    assert only(find_runs(cruise_log([(0, 70), (10, 90), (50, 90)]), PROTOCOL).cruises).end_s == 49.0


@pytest.mark.parametrize(
    ("channel", "load", "reason"),
    [
        # The stated limits: pedal at 75 % and swinging by 30, pressure swinging by 45 kPa and above seven tenths of the
        # greatest boost. The tenth at either end does not count, so the two levels are held for half of the time each.
        ("accelerator_position", [(0, 20), (30, 20), (31, 49), (60, 49)], ""),
        ("accelerator_position", [(0, 20), (30, 20), (31, 50.8), (60, 50.8)], "position swings by 31"),
        ("intake_manifold_pressure", [(0, 110), (30, 110), (31, 154), (60, 154)], ""),
        (
            "intake_manifold_pressure",
            [(0, 110), (30, 110), (31, 156), (60, 156)],
            "pressure swings by 46",
        ),
        # 101.325 kPa outside and 220 at most: light up to 101.3 + 0.7 * 118.7 = 184.4 kPa.
        ("intake_manifold_pressure", [(0, 182), (60, 182)], ""),
        ("intake_manifold_pressure", [(0, 187), (60, 187)], "pressure at 187"),
    ],
)
def test_a_light_load_by_pedal_or_pressure(channel: str, load: Corners, reason: str) -> None:
    # A pull after it shows what the most is.
    speed = [(0, 90), (60, 90), (61, 60), (70, 40), (90, 112), (91, 110), (120, 60)]
    corners = {"vehicle_speed": speed, "accelerator_position": pedal((70, 90))}
    full = {"accelerator_position": 78.0, "intake_manifold_pressure": 220.0}[channel]
    corners[channel] = [*load, (61, 20), (69.9, 20), (70.1, full), (90, full), (90.2, 20), (120, 20)]
    cruise = only(find_runs(make_log(corners, period_s=0.5), PROTOCOL).cruises)
    assert reason in cruise.reason
    assert bool(cruise.reason) == bool(reason)
    assert cruise.included == (not reason)


@pytest.mark.parametrize(
    ("load", "reason"),
    [
        ([(0, 20), (30, 20), (32, 40), (60, 40)], ""),
        ([(0, 15), (30, 15), (32, 70), (60, 70)], "load swings by 55"),
        ([(0, 25.2), (30, 25.2), (32, 70), (60, 70)], ""),  # by 44.8, where 45 are allowed
        ([(0, 24.4), (30, 24.4), (32, 70), (60, 70)], "load swings by 46"),
        ([(0, 100), (3, 100), (3.1, 75.6), (60, 75.6)], "load at 76"),
        ([(0, 100), (3, 100), (3.1, 82), (60, 82)], "load at 82"),
        ([(0, 100), (60, 100)], "full load"),
    ],
)
def test_the_load_of_a_cruise_is_light_and_steady(load: Corners, reason: str) -> None:
    cruise = only(find_runs(cruise_log([(0, 90), (60, 90)], load), PROTOCOL).cruises)
    assert reason in cruise.reason
    assert bool(cruise.reason) == bool(reason)
    assert cruise.included == (not reason)


# --- all of it ----------------------------------------------------------------------------------------------------


def test_leaving_out() -> None:
    log = make_log({"vehicle_speed": ramp(30, 45, 40, 111), "accelerator_position": pedal((30, 45))})
    runs = find_runs(log, PROTOCOL).leave_out({"pull 1": "braked for a tractor", "pull 7": "typing error"})
    pull = only(runs.pulls)
    assert (pull.included, pull.left_out) == (False, True)
    assert pull.reason.endswith("braked for a tractor")
    [finding] = runs.findings
    assert (finding.code, finding.severity, finding.evidence) == ("leave-out-unknown", "warning", {"named": "pull 7"})
    assert "'pull 7'" in finding.message


def test_a_cruise_can_be_left_out_too() -> None:
    runs = find_runs(cruise_log(held(90, 40)), PROTOCOL).leave_out({"cruise 1": "behind a lorry"})
    assert not only(runs.cruises).included
    assert only(runs.cruises).reason.endswith("behind a lorry")
    assert "leave-out-unknown" not in [finding.code for finding in runs.findings]


@cache
def simulated() -> Log:
    rng = np.random.default_rng(77)
    script: list[Idle | Cruise | Pull | PartThrottle] = [Idle(duration_s=10)]
    for k in range(4):
        script += [Cruise(speed_kmh=90, duration_s=40), Pull(from_kmh=40, to_kmh=110, gear_change=k % 2 == 0)]
        script += [Cruise(speed_kmh=60, duration_s=20), PartThrottle(from_kmh=40, to_kmh=100, pedal_percent=60)]
    trace = drive(vehicle=Vehicle(), cooler=Cooler(), weather=Weather(ambient_c=12), script=script, rng=rng)
    return read_text(record(trace, rng=rng, period_s=0.7, layout="long"))


def read_text(text: str) -> Log:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_text(text, encoding="utf-8")
        return read_log(path)


def cut(log: Log, from_s: float, to_s: float) -> Log:
    """Return a part of a log, its clock beginning anew, as if the logger had been stopped and started."""

    def part(signal: Signal) -> Signal:
        inside = (signal.time_s >= from_s) & (signal.time_s < to_s)
        return replace(signal, time_s=signal.time_s[inside] - from_s, values=signal.values[inside])

    signals = {name: part(signal) for name, signal in log.signals.items()}
    return replace(log, duration_s=to_s - from_s, signals=signals)


def test_the_same_input_gives_the_same_runs() -> None:
    assert find_runs(simulated(), PROTOCOL) == find_runs(simulated(), PROTOCOL)


@pytest.mark.parametrize("share", np.linspace(0.05, 0.95, 19).tolist())
def test_two_halves_hold_the_runs_of_the_whole_but_the_one_cut(share: float) -> None:
    log = simulated()
    travel = pedal_travel([log])
    at_s = share * log.duration_s
    whole = find_runs(log, PROTOCOL, travel=travel)
    halves: list[tuple[float, Runs]] = [
        (start_s, find_runs(cut(log, start_s, end_s), PROTOCOL, travel=travel))
        for start_s, end_s in ((0.0, at_s), (at_s, log.duration_s + 1))
    ]
    kinds: list[Callable[[Runs], tuple[Run, ...]]] = [lambda runs: runs.pulls, lambda runs: runs.cruises]
    for of in kinds:
        # A run that touches the cut may differ; one period, since its edge lies between two refreshes.
        uncut = [s for s in spans(of(whole)) if s[1] < at_s - 1.4 or s[0] > at_s + 1.4]
        found = [s for start_s, runs in halves for s in spans(of(runs), start_s)]
        found = [s for s in found if s[1] < at_s - 1.4 or s[0] > at_s + 1.4]
        matched = [s for s in found if any(np.allclose(s, other, atol=1e-6) for other in uncut)]
        assert len(matched) == len(uncut)
        assert len(found) - len(matched) <= 2  # what is left of the one run that was cut


@pytest.mark.parametrize(
    ("marks", "to_kmh", "reason"),
    [
        ((60.0, 90.0), 92, ""),
        ((60.0, 90.0), 86, "lifted at 86 km/h, before 90 km/h"),
        ((100.0,), 103, ""),
        ((100.0,), 97, "lifted at 97 km/h, before 100 km/h"),
    ],
)
def test_what_the_outcome_needs_is_enough(marks: tuple[float, ...], to_kmh: float, reason: str) -> None:
    log = make_log({"vehicle_speed": ramp(30, 40, 40, to_kmh), "accelerator_position": pedal((30, 40))}, period_s=0.5)
    assert only(find_runs(log, PROTOCOL, needed_kmh=marks).pulls).reason == reason


def test_a_pull_lifted_earlier_than_the_others_is_refused() -> None:
    """Three end at 106 km/h, as by a speedometer that shows 110; one at 98, which alone would have counted."""
    points, presses = [(0.0, 40.0)], []
    for start_s, to_kmh in ((30, 106), (100, 98), (170, 106), (240, 106)):
        points += [(start_s, 40), (start_s + 15, to_kmh), (start_s + 40, 40)]
        presses.append((start_s, start_s + 15))
    log = make_log({"vehicle_speed": points, "accelerator_position": pedal(*presses, until_s=300.0)}, period_s=0.5)
    assert reasons(find_runs(log, PROTOCOL).pulls) == ["", "lifted at 98 km/h, earlier than most of this drive", "", ""]


@pytest.mark.parametrize("period_s", [0.3, 0.9, 1.3])
def test_a_standing_start_by_the_boost_begins_when_the_car_leaves(period_s: float) -> None:
    # The boost is there 2.5 s after the car left, at 25 km/h.
    boost = [(0, 101), (32, 110), (32.5, 200), (45, 210), (45.3, 101), (120, 101)]
    corners = {"vehicle_speed": ramp(30, 45, 0, 102, until_s=400), "intake_manifold_pressure": boost}
    corners["vehicle_speed"] = [*corners["vehicle_speed"][:-1], (80, 0), (120, 0)]
    pull = only(find_runs(make_log(corners, period_s=period_s), Protocol(pull_from_kmh=0, pull_to_kmh=100)).pulls)
    assert pull.included
    assert abs(pull.start_s - 30) <= period_s
    assert pull.start_kmh <= 5


def test_letting_the_clutch_in_belongs_to_a_standing_start_by_the_pedal() -> None:
    # Floored 1.5 s after leaving, at 10 km/h; 0 to 100 km/h is what was asked for.
    corners = {"vehicle_speed": [(0, 0), (30, 0), (45, 102), (80, 0)], "accelerator_position": pedal((31.5, 45))}
    log = make_log(corners, period_s=0.4)
    pull = only(find_runs(log, Protocol(pull_from_kmh=0, pull_to_kmh=100)).pulls)
    assert pull.included
    assert abs(pull.start_s - 30) <= 0.4
    # Asked for from 40 km/h, the pedal itself is the start.
    assert abs(only(find_runs(log, PROTOCOL).pulls).start_s - 31.5) <= 0.3


def test_rolling_slowly_is_no_standing_start() -> None:
    speed = [(0, 0), (20, 0), (22, 13), (30, 13), (43, 102), (80, 0)]
    log = make_log({"vehicle_speed": speed, "accelerator_position": pedal((30, 43))}, period_s=0.4)
    pull = only(find_runs(log, Protocol(pull_from_kmh=0, pull_to_kmh=100)).pulls)
    assert pull.reason == "started at 13 km/h, above 5 km/h"


@pytest.mark.parametrize(
    ("case", "count"), [("standing-pressure", 16), ("speedometer-0.9s", 16), ("speedometer-1.3s", 16)]
)
def test_simulated_sessions_of_a_kind(case: str, count: int) -> None:
    """A smaller `tests/study/runs.py`: of about 60 pulls one may be missed, and one found that is none.

    Where 99 in 100 are right, two or more of 60 are wrong in 12 of 100 draws; the seeds are fixed, so that these either
    always pass or never.
    """
    score = study_runs.study(range(4100, 4100 + count), study_runs.CASES[case])["pull: all"]
    assert score.true >= 50
    assert score.true - score.matched <= 1
    assert score.found - score.matched <= 1
    assert score.lifted >= 5
    assert score.lifted_found <= 1


def test_simulated_sessions() -> None:
    """A smaller `tests/study/runs.py`, with bars a little lower for the smaller number of runs."""
    scores = study_runs.study(range(4000, 4024))
    for kind in ("pull", "cruise"):
        score = scores[f"{kind}: all"]
        assert score.true >= 20
        assert score.recall >= 0.97
        assert score.precision >= 0.97
        middle, high = np.quantile(score.edge_errors, [0.5, 0.95])
        assert middle <= 1.0
        assert high <= 2.0


def test_local_slope_holds_after_days_of_driving() -> None:
    t = 1e6 + np.arange(40_000) * 0.9
    y = 50 + np.sin(t / 40)
    signal = Signal(channel="vehicle_speed", column="v", unit="", time_s=t, values=y, period_s=0.9, resolution=0.0)
    slope = local_slope(signal, width_s=3.0)
    # A line through three points h apart misses the slope by h^2 / 6 times the third derivative: 0.9^2 / 6 / 40^3.
    assert np.abs(slope - np.cos(t / 40) / 40)[1:-1].max() < 1.1 * 0.81 / 6 / 40**3
    assert np.isnan(local_slope(signal, width_s=1.0)).all()


def test_a_lift_inside_one_of_several_pulls_is_told() -> None:
    """Three pulls, 60 s apart; in the second the pedal is up for a second."""
    presses = [(10.0, 24.0), (70.0, 77.0), (78.0, 84.0), (130.0, 144.0)]
    speed = [
        (0.0, 40.0),
        *((t, v) for s in (10, 70, 130) for t, v in ((s, 40.0), (s + 14, 112.0), (s + 40, 40.0))),
        (200.0, 40.0),
    ]
    corners = {"vehicle_speed": speed, "accelerator_position": pedal(*presses, until_s=200.0)}
    runs = find_runs(make_log(corners, period_s=0.2), PROTOCOL)
    assert reasons(runs.pulls) == ["", "", ""]
    finding = next(f for f in runs.findings if f.code == "lift-inside")
    assert list(finding.evidence["lift_s"]) == ["pull 2"]
    assert finding.evidence["lift_s"]["pull 2"] == pytest.approx(1.0, abs=0.5)  # two refreshes
    shifting = [(10.0, 17.0), (18.0, 24.0), (70.0, 77.0), (78.0, 84.0), (130.0, 137.0), (138.0, 144.0)]
    corners["accelerator_position"] = pedal(*shifting, until_s=200.0)
    every = find_runs(make_log(corners, period_s=0.2), PROTOCOL)
    assert len(every.pulls) == 3
    assert "lift-inside" not in {f.code for f in every.findings}  # they change gear in each


# --- a speed that lags --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lag_s", [0.0, 0.7, 1.4])
@pytest.mark.parametrize("period_s", [0.3, 1.0, 1.5])
def test_a_speed_that_lags_shows_where_a_pull_begins_and_ends(lag_s: float, period_s: float) -> None:
    # Slowed to 40, floored at once, lifted at 111; the speed shows all of it too late.
    speed = [(0.0, 90.0), (18.0, 90.0), (30.0, 40.0), (42.0, 111.0), (60.0, 95.0), (120.0, 95.0)]
    late = [(t + lag_s, v) for t, v in speed]
    corners = {"vehicle_speed": [(0.0, 90.0), *late[1:]], "accelerator_position": pedal((30, 42))}
    pull = only(find_runs(make_log(corners, period_s=period_s), PROTOCOL).pulls)
    assert pull.reason == ""
    # A corner between two refreshes: half a refresh of the slope there, and half the sensor's step.
    assert abs(pull.start_kmh - 40) <= 71 / 12 * period_s / 2 + 0.5
    assert abs(pull.end_kmh - 111) <= 71 / 12 * period_s / 2 + 0.5


def test_a_speed_that_rises_on_after_the_lift_for_long_is_no_lag() -> None:
    # Full load to 80, then on gently to 100: it was lifted at 80.
    speed = [(0.0, 40.0), (30.0, 40.0), (37.0, 80.0), (57.0, 100.0), (120.0, 100.0)]
    runs = find_runs(
        make_log({"vehicle_speed": speed, "accelerator_position": pedal((30, 37))}, period_s=0.3), PROTOCOL
    )
    assert only(runs.pulls).reason == "lifted at 80 km/h"


# --- blank cells of the pedal --------------------------------------------------------------------------------------


def with_blanks(from_s: float, count: int, *, rolls: bool = False, speed_too: bool = False, jitter: float = 0.0) -> Log:
    """Return a log at 1 Hz with a pull of 4 km/h a second from 20 s on, some cells of the pedal blank.

    Where the car ``rolls``, the driver lifts for as long as the cells are blank, and then goes on.
    """
    t = np.arange(0.0, 80.0)
    until_s = from_s + count
    corners = [(0, 40), (20, 40), (38, 112), (80, 60)]
    if rolls:
        there = 40 + 4 * (from_s - 20)
        corners = [(0, 40), (20, 40), (from_s, there), (until_s, there - 2), (until_s + 20, there + 78), (80, 60)]
    kmh = np.interp(t, *np.array(corners, dtype=float).T)
    floored = np.interp(
        t, *np.array([(19.4, 12), (19.6, 100), (corners[-2][0] + 0.4, 100), (corners[-2][0] + 0.6, 12)]).T
    )
    stamps = t + jitter * np.where(t < until_s, -0.5, 0.5)
    logged = (t < from_s) | (t >= until_s)
    all_rows = np.ones(len(t), dtype=bool)
    signals = {}
    for channel, values, rows in (
        ("vehicle_speed", kmh, logged if speed_too else all_rows),
        ("accelerator_position", floored, logged),
    ):
        signals[channel] = Signal(channel=channel, column=channel, unit="", time_s=stamps[rows],
                                  values=np.round(values[rows]), period_s=1.0, resolution=1.0)  # fmt: skip
    return Log(name="made.csv", start=None, duration_s=79.0, signals=signals)


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("jitter", [0.0, 0.2, 0.4])
def test_a_blank_pedal_is_no_lift(count, jitter):
    pull = only(find_runs(with_blanks(28, count, jitter=jitter), PROTOCOL).pulls)
    assert (pull.included, pull.reason) == (True, "")


@pytest.mark.parametrize("jitter", [0.0, 0.4])
def test_a_lift_that_hides_in_two_blanks_ends_the_pull(jitter):
    assert not any(pull.included for pull in find_runs(with_blanks(28, 2, rolls=True, jitter=jitter), PROTOCOL).pulls)


@pytest.mark.parametrize("speed_too", [False, True])
def test_longer_blanks_are_called_what_they_are(speed_too):
    pulls = find_runs(with_blanks(28, 4, speed_too=speed_too), PROTOCOL).pulls
    assert not any(pull.included for pull in pulls)
    assert pulls[0].reason == "no pedal reading for 5 s from 68 km/h on"


def test_two_blanks_in_pedal_and_speed_are_not_bridged():
    assert not any(p.included for p in find_runs(with_blanks(28, 2, speed_too=True, jitter=0.4), PROTOCOL).pulls)
