"""Logs damaged or made to break: one bad cell costs that cell, never memory, time or the program."""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pytest

from helpers.samples import copy_sample
from pullbook import analyse
from pullbook.commands.check import check_text
from pullbook.commands.cli import main
from pullbook.errors import LogError
from pullbook.reading.gpx import read_track
from pullbook.reading.logs import read_log, with_outside_pressure
from pullbook.reading.quality import inspect
from pullbook.runs.find import find_runs
from pullbook.runs.full_load import _best
from pullbook.settings.experiment import Protocol


def drive(folder: Path, **changed: str) -> Path:
    """Write four minutes at 2 Hz, speed rising and falling; a keyword replaces a column's cell in row 200."""
    columns = {
        "Time (s)": lambda k: k / 2,
        "Vehicle speed (km/h)": lambda k: 60 + 40 * np.sin(k / 40),
        "Engine speed (rpm)": lambda k: 2000 + 1200 * np.sin(k / 40),
        "Charge air temperature (degC)": lambda k: 40 + 10 * np.sin(k / 90),
        "Intake manifold pressure (kPa)": lambda k: 120 + 20 * np.sin(k / 30),
    }
    rows = [[f"{value(k):.1f}" for value in columns.values()] for k in range(480)]
    for start, cell in changed.items():
        place = next(k for k, name in enumerate(columns) if name.lower().startswith(start.replace("_", " ")))
        rows[200][place] = cell
    path = folder / "drive.csv"
    path.write_text("\n".join([",".join(columns), *map(",".join, rows)]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("column", ["vehicle_speed", "engine_speed", "charge_air_temperature"])
@pytest.mark.parametrize("cell", ["900000000", "-900000000", "9" * 25, "9" * 400, "-" + "9" * 400, "1e308", "9" * 5000])
def test_one_cell_beyond_what_it_can_be_is_set_aside_and_told(tmp_path, column, cell):
    log = read_log(drive(tmp_path, **{column: cell}))
    signal = log.signals[column]
    assert len(signal.values) == 479
    assert np.abs(signal.values).max() < 4000
    find_runs(log, Protocol())
    if len(cell) > 300:
        return  # the parser makes infinity of it, which counts as blank
    told = [f for f in log.findings if f.code in ("values-impossible", "cells-unreadable")]
    assert [f.evidence["cells"] for f in told] == [1]
    assert told[0].severity == "note"


def test_absolute_zero_is_the_least_temperature(tmp_path):
    for cell, code in (("-273.1", "open-circuit"), ("-273.2", "values-impossible")):
        log = read_log(drive(tmp_path, charge_air_temperature=cell))
        assert len(log.signals["charge_air_temperature"].values) == 479
        assert [f.code for f in log.findings] == [code]


def test_the_best_effort_costs_what_the_log_holds_not_what_its_values_span():
    effort = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    near = _best(effort, np.array([0, 0, 1, 1, 7, 7]), 2)
    far = _best(effort, np.array([0, 0, 1, 1, 2**60, 2**60]), 2)
    assert near.tolist() == far.tolist() == [3.0, 3.0, 3.0, 3.0, 5.0, 5.0]


@pytest.mark.parametrize("value", ["18446744073709551616", "9" * 25, "9" * 400, "-" + "9" * 400])
def test_a_whole_number_too_large_in_a_long_layout_is_set_aside(tmp_path, value):
    rows = [
        f"{k / 2},Vehicle speed (km/h),{k % 90}\n{k / 2},Coolant temperature (degC),{k % 60 + 20}" for k in range(300)
    ]
    rows[100] = f"50.0,Vehicle speed (km/h),{value}\n50.0,Coolant temperature (degC),60"
    path = tmp_path / "long.csv"
    path.write_text("time,signal,value\n" + "\n".join(rows) + "\n", encoding="utf-8")
    log = read_log(path)
    assert len(log.signals["vehicle_speed"].values) == 299
    assert len(log.signals["engine_coolant_temperature"].values) == 300


def test_a_speed_with_a_single_reading_has_no_runs_and_is_no_fault(tmp_path):
    rows = [
        f"{k / 2},Engine speed (rpm),{1000 + k}\n{k / 2},Coolant temperature (degC),{k % 60 + 20}" for k in range(300)
    ]
    path = tmp_path / "long.csv"
    path.write_text("time,signal,value\n0.0,Vehicle speed (km/h),50\n" + "\n".join(rows) + "\n", encoding="utf-8")
    log = read_log(path)
    assert len(log.signals["vehicle_speed"].values) == 1
    assert find_runs(log, Protocol()).all == ()


def test_a_long_layout_has_no_more_signals_than_a_wide_one_has_columns(tmp_path):
    path = tmp_path / "long.csv"
    path.write_text("time,signal,value\n" + "".join(f"{k},s{k},{k}\n" for k in range(20_000)), encoding="utf-8")
    with pytest.raises(LogError, match=r"long\.csv: .*20000.*2000"):
        read_log(path)


@pytest.mark.parametrize("mark", [",", "."])
def test_numbers_too_large_with_either_decimal_mark(tmp_path, mark):
    rows = "".join(
        f"{k};Vehicle speed (km/h);{k % 90}{mark}5\n{k};Boost (kPa);{'9' * 400 if k == 7 else 120}\n" for k in range(99)
    )
    path = tmp_path / "long.csv"
    path.write_text("time;signal;value\n" + rows, encoding="utf-8")
    log = read_log(path)
    assert len(log.signals["vehicle_speed"].values) == 99
    assert len(log.signals["intake_manifold_pressure"].values) == 98


def test_a_standing_engine_with_many_jumps_is_looked_at_by_searching(tmp_path):
    """Every jump was compared with every standstill: a million of either took days."""
    rows = "".join(f"{k / 2},60,{(k % 2) * 900},{20 + (k % 2) * 60}\n" for k in range(40_000))
    path = tmp_path / "log.csv"
    head = "Time (s),Vehicle speed (km/h),Engine speed (rpm),Intake air temperature (degC)\n"
    path.write_text(head + rows, encoding="utf-8")
    codes = [finding.code for finding in inspect(read_log(path), Protocol())]
    assert "engine-stopped" in codes
    assert "impossible-jump" not in codes  # all of them soon after a stop


# --- pressures ---------------------------------------------------------------------------------------------------


def negative_pressures(folder: Path) -> Path:
    experiment = copy_sample("two_evenings", folder / "van")
    for log in (experiment / "logs").glob("*.csv"):
        head, *rows = (line.split(";") for line in log.read_text(encoding="utf-8").splitlines())
        place = next(k for k, cell in enumerate(head) if "manifold" in cell.lower())
        rows = [[*row[:place], f"-{row[place]}" if row[place] else "", *row[place + 1 :]] for row in rows]
        log.write_text("\n".join(";".join(row) for row in (head, *rows)) + "\n", encoding="utf-8")
    return experiment


def test_pressures_below_nought_are_told_by_check_and_leave_the_analysis_without_them(tmp_path):
    experiment = negative_pressures(tmp_path)
    assert any("kPa" in line and "under channels" in line for line in check_text(experiment))
    result = analyse(experiment)
    peaks = result.measures.get("peak_manifold_pressure")
    assert peaks is None or not (peaks <= 0).any()


def test_an_outside_pressure_given_later_makes_none_below_nought(tmp_path):
    path = drive(tmp_path)
    text = path.read_text(encoding="utf-8").replace("Intake manifold pressure (kPa)", "Boost pressure (kPa gauge)")
    lines = text.splitlines()
    for k in range(1, len(lines)):
        cells = lines[k].split(",")
        lines[k] = ",".join([*cells[:-1], f"{float(cells[-1]) - 180:.1f}"])
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    log = read_log(path)
    assert log.gauge
    moved = with_outside_pressure(log, 52.0)
    pressure = moved.get("intake_manifold_pressure")
    assert pressure is None or pressure.values.min() > 0
    assert any(f.code == "values-impossible" for f in moved.findings)


# --- what is no file ---------------------------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are POSIX's")
def test_a_named_pipe_is_refused_at_once(tmp_path, capsys):
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    assert main(["new", str(tmp_path / "van"), "--before", str(pipe)]) == 2
    assert re.search(r"pipe\.csv: .*pipe", capsys.readouterr().err)
    with pytest.raises(LogError, match="pipe or a device"):
        read_log(pipe)
    with pytest.raises(LogError, match="pipe or a device"):
        read_track(pipe)


def test_a_device_is_refused():
    with pytest.raises(LogError, match="pipe or a device"):
        read_log(os.devnull)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are POSIX's")
def test_a_named_pipe_is_no_results_of_an_earlier_service(tmp_path):
    from pullbook.errors import LedgerError
    from pullbook.report.ledger import _effect

    os.mkfifo(tmp_path / "results.json")
    with pytest.raises(LedgerError, match=r"Allowed: a results\.json"):
        _effect(str(tmp_path / "results.json"))


def test_a_quote_that_opens_a_cell_longer_than_any_is_no_fault(tmp_path):
    path = drive(tmp_path)
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([head, *rows[:5], '"' + "x" * 140_000, *rows[5:]]) + "\n", encoding="utf-8")
    assert len(read_log(path).signals["vehicle_speed"].values) >= 474
