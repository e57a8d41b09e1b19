"""Which column is the time: the one that behaves like time, in the unit it names, with the date of its place."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from helpers.odd_logs import clock, moments, rounded, speed_and_charge, write
from pullbook import read_log
from pullbook.errors import LogError, PullbookError

TRUE_S = moments()[-1]["t"]


def minutes(_, now):
    return int(now["t"] // 60) + 312


def seconds(_, now):
    return f"{now['t']:.2f}"


CODES = "Time since trouble codes cleared"


@pytest.mark.parametrize(
    "columns",
    [
        {CODES: minutes, "Time (s)": seconds},
        {CODES + " [min]": minutes, "Tiem": seconds},
        {CODES: minutes, "Elapsd": seconds},
        {CODES: minutes, "EngineRunTime": seconds},
        {CODES: minutes, "Laufzeit": seconds},
        {CODES: minutes, "x": seconds},  # no name at all, but it rises as time does and the speed agrees
        {"Time": minutes, "millis": lambda _, now: round(1000 * now["t"])},
        {"Run time of the engine": lambda _, now: int(now["t"]), "Time": seconds},
        {"Time": lambda k, _: k // 600, "Elapsed time [ms]": lambda _, now: round(1000 * now["t"])},
        {"Distance [m]": lambda _, now: f"{25 * now['t']:.1f}", "Zeit": seconds},
        {"Row": lambda k, _: k, "Tme": seconds},
    ],
    ids=lambda columns: " / ".join(columns),
)
def test_the_column_that_behaves_like_time_wins(tmp_path: Path, columns) -> None:
    log = read_log(write(tmp_path / "log.csv", {**columns, **speed_and_charge()}))
    assert log.duration_s == pytest.approx(TRUE_S, abs=0.02)
    assert log.time.columns == (list(columns)[-1],)


@pytest.mark.parametrize("header", [CODES, CODES + " [min]", "Minutes run (min)"])
def test_a_counter_of_minutes_alone_is_read_as_minutes(tmp_path: Path, header: str) -> None:
    log = read_log(write(tmp_path / "log.csv", {header: minutes, **speed_and_charge()}))
    assert log.duration_s == pytest.approx(TRUE_S, abs=60)
    assert log.time.unit == "minutes"


@pytest.mark.parametrize(
    ("header", "scale", "first", "unit"),
    [
        ("time_us", 1e6, 1.2e9, "microseconds"),
        ("Time (ms)", 1e3, 1.05e9, "milliseconds"),
        ("Time", 1e6, 1.2e9, "microseconds"),  # as seconds since 1970 each row would last days
        ("Timestamp [ns]", 1e9, 5e12, "nanoseconds"),
        ("Zeit in Sekunden", 1.0, 1.5e4, "seconds"),
        ("Time [h]", 1 / 3600, 2.0, "hours"),
        ("Time", 1 / 60, 3.0, "minutes"),  # decimals, which as seconds would make the car jump
        ("Time", 1 / 86_400, 0.4, "days"),  # a spreadsheet's fraction of a day
    ],
)
def test_a_unit_in_the_header_beats_a_guess_and_the_speed_a_missing_one(tmp_path, header, scale, first, unit) -> None:
    columns = {header: lambda _, now: f"{first + scale * now['t']:.9f}", **speed_and_charge()}
    log = read_log(write(tmp_path / "log.csv", columns))
    assert log.duration_s == pytest.approx(TRUE_S, abs=0.01)
    assert log.time.unit == unit
    assert log.start is None


def test_a_unit_that_cannot_be_is_doubted(tmp_path: Path) -> None:
    columns = {"Time (s)": lambda _, now: round(1000 * now["t"]), **speed_and_charge()}
    (doubt,) = [f for f in read_log(write(tmp_path / "log.csv", columns)).findings if f.code == "time-unit-doubtful"]
    assert doubt.severity == "warning"
    assert doubt.evidence["column"] == "Time (s)"


def test_a_spreadsheets_days_hold_the_date(tmp_path: Path) -> None:
    # 46101 days after 1899-12-30 is 2026-03-20 (counted with the standard library).
    zero = (dt.date(2026, 3, 20) - dt.date(1899, 12, 30)).days
    columns = {"Time": lambda _, now: f"{zero + 10 / 24 + now['t'] / 86_400:.9f}", **speed_and_charge()}
    log = read_log(write(tmp_path / "log.csv", columns))
    assert zero == 46101
    assert log.duration_s == pytest.approx(TRUE_S, abs=0.01)
    assert log.start is not None
    assert abs(log.start - dt.datetime(2026, 3, 20, 10)) < dt.timedelta(seconds=1)


def test_a_clock_without_hours_counts_over_the_hour(tmp_path: Path) -> None:
    start = dt.datetime(2026, 3, 20, 10, 57)
    columns = {"Time": lambda _, now: clock(now["t"], "%M:%S.%f", start)[:7], **speed_and_charge()}
    log = read_log(write(tmp_path / "log.csv", columns))
    assert log.duration_s == pytest.approx(TRUE_S, abs=0.2)
    assert "clock-backward" not in {f.code for f in log.findings}


@pytest.mark.parametrize(
    ("stamp", "delimiter"),
    [("1.77401E+12", ","), ("1,77401E+12", ";"), ("1.77401E+09", ",")],
)
def test_digits_lost_in_a_spreadsheet_are_named(tmp_path: Path, stamp: str, delimiter: str) -> None:
    columns = {"timestamp": lambda *_: stamp, **speed_and_charge()}
    if "," in stamp:
        columns["Accelerator position [%]"] = lambda _, now: f"{now['accelerator_position']:.1f}".replace(".", ",")
    path = write(tmp_path / "log.csv", columns, delimiter=delimiter)
    with pytest.raises(LogError, match=r"'timestamp' .*digits.*spreadsheet"):
        read_log(path)


def test_a_row_number_is_no_time(tmp_path: Path) -> None:
    path = write(tmp_path / "log.csv", {"Sample": lambda k, _: k, **speed_and_charge()})
    with pytest.raises(LogError, match=r"'Sample' .*rows"):
        read_log(path)


def test_the_date_comes_from_the_column_that_has_one(tmp_path: Path) -> None:
    columns = {"Device time": lambda _, now: clock(now["t"], "%Y-%m-%d %H:%M:%S"), "Elapsed (s)": seconds}
    log = read_log(write(tmp_path / "log.csv", {**columns, **speed_and_charge()}, every_s=0.1))
    assert log.time.columns == ("Elapsed (s)",)
    assert log.start == dt.datetime(2026, 3, 20, 10)


EARLY = dt.datetime(2026, 3, 20, 8)


@pytest.mark.parametrize(
    ("pattern", "utc"),
    [
        ("%Y-%m-%dT%H:%M:%S.%f+10:00", False),
        ("%Y-%m-%d %H:%M:%S-0800", False),
        ("%Y-%m-%d %H:%M:%S CEST", False),
        ("%d/%m/%Y %H:%M:%S", False),
        ("%m/%d/%Y %I:%M:%S %p", False),
        ("%d-%b-%Y %H:%M:%S.%f", False),
        ("%a %b %d %H:%M:%S GMT+10:00 %Y", False),
        ("%d.%m.%y %H:%M:%S", False),
        ("%Y-%m-%dT%H:%M:%SZ", True),
    ],
)
def test_dates_are_those_of_the_place(tmp_path: Path, pattern: str, utc: bool) -> None:
    columns = {"Time": lambda _, now: clock(now["t"], pattern, EARLY), **speed_and_charge()}
    log = read_log(write(tmp_path / "log.csv", columns))
    assert log.start == EARLY
    assert log.time.utc is utc
    assert log.duration_s == pytest.approx(TRUE_S, abs=1)


def test_fractions_that_come_and_go_are_read(tmp_path: Path) -> None:
    columns = {
        "Time": lambda _, now: clock(now["t"], "%d.%m.%Y %H:%M:%S" + ("" if now["t"] % 1 == 0 else ".%f")),
        **speed_and_charge(),
    }
    log = read_log(write(tmp_path / "log.csv", columns))
    assert not [f for f in log.findings if f.code == "rows-unreadable"]
    assert log.duration_s == pytest.approx(TRUE_S, abs=0.01)


@pytest.mark.parametrize(
    ("first", "pattern", "day_first", "month"),
    [
        (dt.datetime(2026, 4, 3, 10), "%d/%m/%Y %H:%M:%S", None, 4),
        (dt.datetime(2026, 4, 3, 10), "%d.%m.%Y %H:%M:%S", True, 4),
        (dt.datetime(2026, 4, 3, 23, 58), "%d/%m/%Y %H:%M:%S", True, 4),  # at midnight the first number goes on
        (dt.datetime(2026, 4, 3, 23, 58), "%m/%d/%Y %H:%M:%S", False, 4),
        (dt.datetime(2026, 4, 13, 10), "%m/%d/%Y %H:%M:%S", False, 4),
    ],
)
def test_a_log_says_whether_the_day_or_the_month_comes_first(tmp_path, first, pattern, day_first, month) -> None:
    columns = {"Time": lambda _, now: clock(now["t"], pattern, first), **speed_and_charge()}
    log = read_log(write(tmp_path / "log.csv", columns))
    assert log.time.day_first is day_first
    assert log.start is not None
    assert log.start.month == month
    assert (log.time.month_first is not None) == (day_first is None)
    assert log.duration_s == pytest.approx(TRUE_S, abs=1)


def test_the_fourth_of_april_is_the_same_either_way(tmp_path: Path) -> None:
    columns = {"Time": lambda _, now: clock(now["t"], "%m/%d/%Y %H:%M:%S", dt.datetime(2026, 4, 4, 10))}
    log = read_log(write(tmp_path / "log.csv", {**columns, **speed_and_charge()}))
    assert log.start == dt.datetime(2026, 4, 4, 10)
    assert (log.time.day_first, log.time.month_first) == (None, None)


def test_every_refusal_is_a_refusal(tmp_path: Path) -> None:
    path = write(tmp_path / "log.csv", {"a": rounded("vehicle_speed"), "b": rounded("charge_air_temperature")})
    with pytest.raises(PullbookError, match=r"time column .*'a', 'b'"):
        read_log(path)
