"""The time axis: every form of a stamp, and every fault of a clock."""

from pathlib import Path

import numpy as np
import pytest

from pullbook import PullbookError, read_log
from pullbook.reading.logs import Log


def log_of(tmp_path: Path, stamps: list[str], header: str = "Time", delimiter: str = ";") -> Log:
    """Write a log whose speed counts its rows, and read it."""
    path = tmp_path / "log.csv"
    rows = [delimiter.join([header, "Speed [km/h]"]), *(f"{stamp}{delimiter}{k}" for k, stamp in enumerate(stamps))]
    path.write_text("\n".join(rows) + "\n")
    return read_log(path)


def codes(log: Log) -> set[str]:
    return {finding.code for finding in log.findings}


def clock(seconds: float, *, milliseconds: bool = True) -> str:
    whole = int(seconds) % 86_400
    tail = f".{round(1000 * (seconds % 1)):03d}" if milliseconds else ""
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}{tail}"


HALF = [0.5 * k for k in range(40)]
FORMS = {
    "seconds": ("Time [s]", [f"{t:.3f}" for t in HALF]),
    "decimal commas": ("Time (s)", [f"{100 + t:.3f}".replace(".", ",") for t in HALF]),
    "milliseconds": ("Time (ms)", [f"{1000 * t:.0f}" for t in HALF]),
    "millis": ("millis", [f"{1000 * t:.0f}" for t in HALF]),
    "milliseconds by their size": ("Timestamp", [f"{1000 * t:.0f}" for t in HALF]),
    "minutes": ("Elapsed (min)", [f"{t / 60:.6f}" for t in HALF]),
    "clock": ("Time", [clock(36_000 + t) for t in HALF]),
    "clock over midnight": ("Time", [clock(86_395 + t) for t in HALF]),
    "clock with a comma": ("Uhrzeit", [clock(36_000 + t).replace(".", ",") for t in HALF]),
    "clock without hours": ("Time", [f"{int(59 * 60 + t) // 60}:{(59 * 60 + t) % 60:04.1f}" for t in HALF[:20]]),
    "clock of one digit": ("Time", [f"9:5{int(t) // 60}:{t % 60:04.1f}" for t in HALF]),
    "morning and afternoon": (
        "Time",
        [
            f"{'11' if t < 10 else '12'}:{'59' if t < 10 else '00'}:{(50 + t) % 60:04.1f} {'AM' if t < 10 else 'PM'}"
            for t in HALF
        ],
    ),
    "ISO": ("Date and time", [f"2026-03-14T{clock(36_000 + t)}" for t in HALF]),
    "ISO with a zone": ("time", [f"2026-03-14T{clock(36_000 + t)}+02:00" for t in HALF]),
    "ISO with a space": ("time", [f"2026-03-14 {clock(36_000 + t)}" for t in HALF]),
    "day first": ("Zeit", [f"14.03.2026 {clock(36_000 + t)}" for t in HALF]),
    "day first with a comma": (
        "Zeit",
        [
            f"14.03.2026 {clock(36_000 + t)}".replace(".5", ",5")
            .replace(".0", ",0")
            .replace(",03,", ".03.")
            .replace(",03.", ".03.")
            for t in HALF
        ],
    ),
    "month first": ("time", [f"03/14/2026 {clock(36_000 + t)}" for t in HALF]),
    "epoch seconds": ("timestamp", [f"{1_773_480_000 + t:.1f}" for t in HALF]),
    "epoch milliseconds": ("timestamp", [f"{1_773_480_000_000 + 1000 * t:.0f}" for t in HALF]),
    "epoch microseconds": ("timestamp", [f"{1_773_480_000_000_000 + 1_000_000 * t:.0f}" for t in HALF]),
    "French": ("Temps", [f"{t:.1f}" for t in HALF]),
    "ticks": ("Tick (10 ms)", [f"{100 * t:.0f}" for t in HALF]),
    "seconds named in cells": ("Time", [f"{t:.1f} s" for t in HALF]),
    "clock with a colon before its milliseconds": ("Time", [clock(36_000 + t).replace(".", ":") for t in HALF]),
    "afternoon of a telephone": ("time", [f"3/14/26, 2:00:{int(t):02d}\u202fPM" for t in range(40)]),
    "afternoon with points": ("Time", [f"2:00:{t:04.1f} p.m." for t in HALF]),
    "ISO without marks": ("stamp", [f"20260314T{clock(36_000 + t).replace(':', '')}" for t in HALF]),
}


@pytest.mark.parametrize("form", FORMS)
def test_forms(tmp_path: Path, form: str) -> None:
    header, stamps = FORMS[form]
    log = log_of(tmp_path, stamps, header)
    speed = log.need("vehicle_speed")
    # 1 ms: stamps of minutes have six decimals, doubles of microseconds since 1970 a fraction of one.
    expected = range(40) if "telephone" in form else HALF[: len(stamps)]
    np.testing.assert_allclose(speed.time_s, expected, atol=1e-3)
    assert not codes(log) - {"time-unit-assumed"}
    dated = form.startswith(("ISO", "epoch", "day", "month", "afternoon of"))
    assert (log.start is not None) == dated
    if dated:
        assert (log.start.year, log.start.month, log.start.day) == (2026, 3, 14)


@pytest.mark.parametrize("date", ["", "20260314"])
def test_a_clock_without_marks(tmp_path: Path, date: str) -> None:
    true_s = np.arange(0.0, 300.0, 2.0)
    log = log_of(tmp_path, [date + clock(36_000 + t, milliseconds=False).replace(":", "") for t in true_s], "UTC time")
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, true_s)
    assert (log.start.isoformat() if log.start else None) == ("2026-03-14T10:00:00" if date else None)


def test_a_count_that_passes_sixty_is_no_clock(tmp_path: Path) -> None:
    log = log_of(tmp_path, [f"{t}" for t in range(100_000, 100_300, 2)], "Time [s]")
    assert log.duration_s == 298


@pytest.mark.parametrize(("header", "size"), [("Time (ms)", 2**16), ("millis", 2**32)])
def test_a_counter_that_begins_again_is_counted_on(tmp_path: Path, header: str, size: int) -> None:
    true_s = np.arange(0.0, 200.0, 0.5)
    log = log_of(tmp_path, [f"{(1000 * t + size - 30_000) % size:.0f}" for t in true_s], header)
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, true_s)
    assert "clock-backward" not in codes(log)


def own_times(*, named: bool, back: float = 0.0) -> str:
    signals = {"Speed [km/h]": 1, "Engine speed [rpm]": 2, "Boost [kPa]": 4}
    headers = [f"{name.split(' [')[0]} time [s],{name}" if named else f"Time [s],{name}" for name in signals]
    rows = [
        ",".join(f"{k * step / 4 - (back if k > 100 else 0)},{40 + k % 50}" for step in signals.values())
        for k in range(200)
    ]
    return "\n".join([",".join(headers), *rows])


@pytest.mark.parametrize("named", [False, True])
def test_signals_with_times_of_their_own_keep_them(tmp_path: Path, named: bool) -> None:
    path = tmp_path / "log.csv"
    path.write_text(own_times(named=named))
    signals = read_log(path).signals
    for channel, step in {"vehicle_speed": 1, "engine_speed": 2, "intake_manifold_pressure": 4}.items():
        np.testing.assert_allclose(signals[channel].time_s, np.arange(200) * step / 4)
        np.testing.assert_allclose(signals[channel].values, 40 + np.arange(200) % 50)


def test_signals_with_times_of_their_own_that_fall_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(own_times(named=False, back=20))
    with pytest.raises(PullbookError, match="times that drift apart"):
        read_log(path)


def test_times_that_count_something_else_are_no_reason_to_refuse(tmp_path: Path) -> None:
    rows = [f"{k},{k // 2},{k // 3},{k % 90},{900 + k},{80 + k % 9},{100 + k % 50}" for k in range(200)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time [s],Idle time [s],Trip time [s],Speed [km/h],RPM,ECT [C],MAP [kPa]", *rows]))
    assert read_log(path).duration_s == 199


@pytest.mark.parametrize("late", [10_000, 30])
def test_a_date_that_does_not_turn_with_its_clock(tmp_path: Path, late: int) -> None:
    path = tmp_path / "log.csv"
    rows = [f"2026-03-{14 + (k >= 20 + late)},{clock(86_390 + t)},{k}" for k, t in enumerate(0.5 * np.arange(100))]
    path.write_text("\n".join(["Date,Time,Speed [km/h]", *rows]))
    log = read_log(path)
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, 0.5 * np.arange(100), atol=1e-6)
    assert "clock-backward" not in codes(log)


def test_date_in_a_column_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"2026-03-{14 + (t >= 10)},{clock(86_390 + t)},{k}" for k, t in enumerate(HALF)]
    path.write_text("\n".join(["Date,Time,Speed [km/h]", *rows]))
    log = read_log(path)
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, HALF, atol=1e-6)
    assert log.start.isoformat() == "2026-03-14T23:59:50"


def test_whole_seconds_shared_by_several_rows_are_spread(tmp_path: Path) -> None:
    # Four rows a second; the log begins and ends in the middle of one.
    true_s = 0.5 + 0.25 * np.arange(100)
    log = log_of(tmp_path, [clock(36_000 + t, milliseconds=False) for t in true_s])
    assert "stamps-shared" in codes(log)
    np.testing.assert_allclose(np.diff(log.need("vehicle_speed").time_s), 0.25, atol=1e-9)


def test_rows_written_twice_are_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{k},{k}" for k in range(50) for _ in range(1 + (k in (7, 30)))]
    path.write_text("\n".join(["Time [s],Speed [km/h]", *rows]))
    log = read_log(path)
    assert codes(log) == {"stamps-doubled"}
    assert log.need("vehicle_speed").time_s.tolist() == list(range(50))


def test_two_rows_of_one_stamp_are_both_kept(tmp_path: Path) -> None:
    stamps = [f"{k - (k == 20)}" for k in range(50)]
    log = log_of(tmp_path, stamps, "Time [s]")
    speed = log.need("vehicle_speed")
    assert codes(log) == {"stamps-shared"}
    assert len(speed.values) == 50
    assert 19 < speed.time_s[20] < 21


@pytest.mark.parametrize(
    ("strays", "kept"), [({20: 9999.0}, 49), ({20: -50.0}, 49), ({20: 500.0, 21: 501.0}, 48), ({0: 99.0}, 49)]
)
def test_stray_stamps(tmp_path: Path, strays: dict[int, float], kept: int) -> None:
    log = log_of(tmp_path, [f"{strays.get(k, k)}" for k in range(50)], "Time [s]")
    speed = log.need("vehicle_speed")
    assert "clock-backward" in codes(log)
    assert len(speed.values) == kept
    assert np.ptp(speed.time_s - speed.values) < 1e-9


def test_a_clock_set_back_leaves_a_gap(tmp_path: Path) -> None:
    log = log_of(tmp_path, [clock(36_000 + k - 3600 * (k >= 25)) for k in range(50)])
    speed = log.need("vehicle_speed")
    assert "clock-backward" in codes(log)
    assert len(speed.values) == 50
    assert np.diff(speed.time_s)[24] == 60
    assert np.delete(np.diff(speed.time_s), 24) == pytest.approx(1)


def test_a_clock_set_on_by_days_leaves_a_gap(tmp_path: Path) -> None:
    stamps = [f"{'1970-01-01' if k < 20 else '2026-03-14'}T{clock(36_000 + k)}" for k in range(50)]
    log = log_of(tmp_path, stamps)
    assert "clock-forward" in codes(log)
    assert log.duration_s == 49 + 59
    assert log.start is None  # 1970 is no date but a clock that was never set


def test_unreadable_stamps_are_counted(tmp_path: Path) -> None:
    log = log_of(tmp_path, ["--" if k % 10 == 5 else f"{k}" for k in range(50)], "Time [s]")
    assert "rows-unreadable" in codes(log)
    assert len(log.need("vehicle_speed").values) == 45


def test_no_order_no_log(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(PullbookError, match=r"log\.csv, line \d+: .*\b\d+ more\b.*\b400\b"):
        log_of(tmp_path, [f"{t}" for t in rng.permutation(400)], "Time [s]")


def test_whole_minutes_are_no_seconds(tmp_path: Path) -> None:
    log = log_of(tmp_path, [f"10:{k // 60:02d}" for k in range(600)])
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, np.arange(600), atol=1e-6)
    assert "stamps-shared" in codes(log)


def test_one_stamp_for_all_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PullbookError, match=r"log\.csv: 'Time' .*same"):
        log_of(tmp_path, ["10:00:00"] * 50)


def test_boost_spool_time_is_no_clock(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Spool time [s],Time [s],Speed [km/h]\n" + "".join(f"{9 - k % 3},{k},{k}\n" for k in range(30)))
    assert read_log(path).duration_s == 29


def test_stamps_that_are_equal_once_counted_from_zero_are_told_apart(tmp_path):
    """Found by the property tests: -5.51e-240 and 0 differ, but not as seconds since -1."""
    path = tmp_path / "log.csv"
    path.write_text("Speed [km/h],Time\n0,-1\n0,-5.51e-240\n0,0\n")
    assert (np.diff(read_log(path).need("vehicle_speed").time_s) > 0).all()


@pytest.mark.parametrize("footer", ["5231 rows", "5231", "9999;;", "5231 rows;;"])
def test_a_count_of_rows_under_the_data_is_no_time(tmp_path, footer) -> None:
    rows = [f"{k / 4};{50 + k % 7};{20 + k % 3}" for k in range(400)]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["Time [s];Vehicle speed [km/h];Coolant temperature [C]", *rows, footer]) + "\n")
    log = read_log(path)
    assert log.duration_s == 399 / 4
    assert "footer-dropped" in {finding.code for finding in log.findings}


def test_a_last_row_in_its_time_is_kept_though_it_is_blank(tmp_path) -> None:
    rows = [f"{k / 4};{50 + k % 7}" for k in range(400)]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["Time [s];Vehicle speed [km/h]", *rows, "100;"]) + "\n")
    assert read_log(path).duration_s == 100.0


def test_a_reversed_log_begins_with_its_last_row(tmp_path: Path) -> None:
    log = log_of(tmp_path, [f"2026-03-14 {clock(36_000 + t)}" for t in HALF][::-1])
    assert (str(log.start), log.duration_s) == ("2026-03-14 10:00:00", 19.5)


@pytest.mark.parametrize("day", ["14-Mar-26", "14 March 2026", "Mar 14, 2026", "14/Mar/2026"])
@pytest.mark.parametrize("apart", [False, True])
def test_months_by_their_names(tmp_path: Path, day: str, apart: bool) -> None:
    stamps = [f"{day}{';' if apart else ' '}{clock(36_000 + t)}" for t in HALF]
    log = log_of(tmp_path, stamps, "Date;Time" if apart else "Time")
    assert (str(log.start), log.duration_s) == ("2026-03-14 10:00:00", 19.5)


def test_a_clock_of_twelve_hours_without_am_and_pm_goes_on_past_one(tmp_path: Path) -> None:
    log = log_of(tmp_path, [clock((12 * 3600 + 3590 + t - 3600) % 43_200 + 3600) for t in HALF])
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, HALF, atol=1e-6)
    assert "clock-backward" not in codes(log)


@pytest.mark.parametrize("dated", [False, True])
def test_hour_minute_and_second_in_columns_of_their_own(tmp_path: Path, dated: bool) -> None:
    stamps = [clock(36_000 + 7 * t).replace(":", ";") + (";2026;3;14" if dated else "") for t in HALF]
    log = log_of(tmp_path, stamps, "Hour;Minute;Second" + (";Year;Month;Day" if dated else ""))
    np.testing.assert_allclose(log.need("vehicle_speed").time_s, 7 * np.array(HALF), atol=1e-6)
    assert str(log.start) == ("2026-03-14 10:00:00" if dated else "None")
    assert not log.unknown_columns


@pytest.mark.parametrize("said", ["Sample rate: 2 Hz", "# interval = 0.5 s", "Abtastintervall [ms];500"])
@pytest.mark.parametrize("counted", [False, True])
def test_a_rate_above_the_header_stands_in_for_a_time(tmp_path: Path, said: str, counted: bool) -> None:
    rows = [f"{k};{40 + k % 50};{900 + k}" for k in range(7, 47) if not counted or k != 20]
    lines = [said, "Sample;Speed [km/h];RPM", *rows] if counted else [said, "Speed [km/h];RPM", *rows]
    path = tmp_path / "log.csv"
    path.write_text(
        "\n".join(
            lines
            if counted
            else [line.split(";", 1)[-1] if ";" in line and n > 1 else line for n, line in enumerate(lines)]
        )
    )
    log = read_log(path)
    assert log.duration_s == 19.5
    assert "time-from-rate" in codes(log)


def test_a_rate_without_its_unit_is_no_time(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Sample rate: 2", "Speed [km/h],RPM", *(f"{40 + k % 50},{900 + k}" for k in range(40))]))
    with pytest.raises(PullbookError, match="no time column"):
        read_log(path)
