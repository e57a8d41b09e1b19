"""Speed, memory and robustness of the reader, measured: ``python -m bench.reader [--rows N]``.

Not collected by pytest: a shared machine's timings would make it fail at random. Every time is the median of five, bare
and full reading taken in turn so that both meet the same load.
"""

from __future__ import annotations

import argparse
import gzip
import io
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from pullbook import read_log
from pullbook.runs.find import find_runs
from pullbook.settings.experiment import Protocol
from pullbook.simulate import Cooler, Cruise, Pull, Vehicle, Weather, drive, record

REPEATS = 5
MOST_FRAMES = 3.0  # the peak of memory, in sizes of the table as floats
COLUMNS = {
    "Vehicle speed [km/h]": (60, 40, 40.0, 1),
    "Engine speed [rpm]": (2200, 1200, 40.0, 0),
    "Accelerator position [%]": (45, 33, 7.0, 1),
    "Intake manifold pressure [kPa]": (140, 60, 9.0, 0),
    "Intake air temperature [°C]": (20, 3, 900.0, 1),
    "Charge air temperature [°C]": (40, 9, 90.0, 1),
    "Engine coolant temperature [°C]": (88, 2, 500.0, 0),
    "Ambient air temperature [°C]": (15, 2, 2000.0, 0),
    "Barometric pressure [kPa]": (100, 1, 3000.0, 0),
    "Air mass flow [g/s]": (60, 40, 9.0, 2),
    "Engine load [%]": (50, 40, 7.0, 1),
}


def frame_of(rows: int) -> pd.DataFrame:
    """Return invented signals, fresh in every row, 0.1 s apart."""
    rng = np.random.default_rng(1)
    time_s = 0.1 * np.arange(rows)
    columns = {"Time [s]": np.round(time_s, 3)}
    for name, (middle, swing, tau, digits) in COLUMNS.items():
        noise = rng.normal(0, 0.01 * swing, rows)
        columns[name] = np.round(middle + swing * np.sin(time_s / tau) + noise, digits)
    return pd.DataFrame(columns)


def polled(frame: pd.DataFrame, *, hold: bool) -> pd.DataFrame:
    """Keep one signal a row; hold the last values of the others, or leave them blank."""
    signals = frame.columns[1:]
    out = frame.copy()
    for k, name in enumerate(signals):
        out[name] = frame[name].where(np.arange(len(frame)) % len(signals) == k)
    return out.ffill() if hold else out


def in_turn(*tasks: Callable[[], object]) -> list[float]:
    """Return the median time of each task."""
    times: list[list[float]] = [[] for _ in tasks]
    for _ in range(REPEATS):
        for task, taken in zip(tasks, times, strict=True):
            start = time.perf_counter()
            task()
            taken.append(time.perf_counter() - start)
    return [statistics.median(taken) for taken in times]


def peak_bytes(path: Path) -> int:
    """Return by how much reading a log raises the peak of a fresh process, in bytes."""
    # The peak that the system keeps for a process is its own only after exec, so VmHWM and no rusage.
    code = (
        "import re, sys, tempfile; from pathlib import Path; from pullbook import read_log\n"
        "peak = lambda: 1024 * int(re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())[1])\n"
        "with tempfile.TemporaryDirectory() as folder:\n"
        "    small = Path(folder, 'small.csv'); small.write_text('Time,Speed\\n1,2\\n2,3\\n3,4\\n'); read_log(small)\n"
        "before = peak(); log = read_log(sys.argv[1]); print(peak() - before)"
    )
    return int(subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True).stdout)


def judged(figure: float, limit: float | None) -> str:
    """Return a limit and whether a figure keeps to it; blank without one."""
    return f"{'' if limit is None else f'{limit:g} ' + ('met' if figure <= limit else 'MISSED'):>15s}"


def measure(folder: Path, rows: int) -> None:
    """Print the table of ratios."""
    print(
        f"{'log':36s} {'bare s':>8s} {'read s':>8s} {'ratio':>6s} {'at most':>15s} {'peak/frame':>10s} {'at most':>15s}"
    )
    frame = frame_of(rows)
    clock = frame.assign(
        **{"Time [s]": pd.to_datetime(frame["Time [s]"], unit="s").dt.strftime("%H:%M:%S.%f").str[:-3]}
    )
    iso = frame.assign(
        **{"Time [s]": pd.to_datetime(frame["Time [s]"], unit="s").dt.strftime("2026-03-14T%H:%M:%S.%f").str[:-3]}
    )
    kinds = {
        "clean": (frame, 2.0),
        "held": (polled(frame, hold=True), 5.0),
        "sparse": (polled(frame, hold=False), 5.0),
        "clean, clock stamps": (clock.rename(columns={"Time [s]": "Time"}), None),
        "clean, ISO stamps": (iso.rename(columns={"Time [s]": "Time"}), None),
    }
    for name, (content, limit) in kinds.items():
        path = folder / f"{name.replace(', ', '-').replace(' ', '-')}.csv"
        content.to_csv(path, index=False)
        bare, full = in_turn(lambda p=path: pd.read_csv(p), lambda p=path: read_log(p))  # type: ignore[misc]
        peak = peak_bytes(path) / (rows * 12 * 8)
        print(
            f"{f'{name}, {rows:,} x 12':36s} {bare:8.3f} {full:8.3f} {full / bare:6.2f} {judged(full / bare, limit)} "
            f"{peak:10.2f} {judged(peak, MOST_FRAMES if limit else None)}"
        )
        if name == "clean":
            log = read_log(path)
            (runs,) = in_turn(lambda log=log: find_runs(log, Protocol()))  # type: ignore[misc]
            print(f"{'find_runs on it':36s} {bare:8.3f} {runs:8.3f} {runs / bare:6.2f} {judged(runs / bare, 0.5)}")
        path.unlink()


def many_pulls(rows: int) -> None:
    """Print how long the pulls of one drive, driven again and again, take to be found."""
    text = pd.DataFrame(np.random.default_rng(5).normal(50, 10, (rows, 12)).round(2)).to_csv(index=False)
    script = (Cruise(speed_kmh=90, duration_s=40), Pull(from_kmh=40, to_kmh=110), Cruise(speed_kmh=60, duration_s=20))
    trace = drive(vehicle=Vehicle(), cooler=Cooler(), weather=Weather(ambient_c=12.0), script=script, rng=None)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "log.csv")
        path.write_text(record(trace, rng=np.random.default_rng(77), period_s=0.7, layout="long"), encoding="utf-8")
        log = read_log(path)
    shown = {}
    for channel in ("vehicle_speed", "accelerator_position"):  # as many refreshes as the table has rows
        signal = log.need(channel)
        values = np.resize(signal.values, rows // 2)
        shown[channel] = replace(signal, time_s=0.7 * np.arange(len(values)), values=values)
    log = replace(log, signals=shown)
    bare, runs = in_turn(lambda: pd.read_csv(io.StringIO(text)), lambda: find_runs(log, Protocol()))
    print(f"{'find_runs, many pulls':36s} {bare:8.3f} {runs:8.3f} {runs / bare:6.2f} {judged(runs / bare, 1.0)}")


def growth(folder: Path) -> None:
    """Print the time a row for logs of three sizes."""
    print(f"{'rows':>10s} {'read s':>8s} {'us/row':>8s}")
    for rows in (100_000, 1_000_000, 5_000_000):
        path = folder / "growth.csv"
        frame_of(rows).to_csv(path, index=False)
        (taken,) = in_turn(lambda p=path: read_log(p))  # type: ignore[misc]
        print(f"{rows:10,d} {taken:8.3f} {1e6 * taken / rows:8.3f}")
        path.unlink()


def hostile(folder: Path) -> None:
    """Print how long files made to exhaust time or memory take to be refused."""
    path = folder / "hostile.csv"
    makers: dict[str, Callable[[], object]] = {
        "2 GB sparse": lambda: (path.touch(), os.truncate(path, 2_000_000_000)),
        "900 MB sparse": lambda: (path.touch(), os.truncate(path, 900_000_000)),
        "line of 100 MB": lambda: path.write_bytes(b"Time,Speed\n1,2\n2,3\n" + b"1," * 50_000_000),
        "gzip of 5 GB of rows": lambda: path.write_bytes(
            gzip.compress(b"Time,Speed\n") + gzip.compress(b"1,2\n2,3\n" * 1_250_000) * 500
        ),
    }
    for name, make in makers.items():
        make()
        start = time.perf_counter()
        try:
            read_log(path)
            said = "read"
        except Exception as refusal:
            said = f"{type(refusal).__name__}: {refusal}"
        print(f"{name}: {time.perf_counter() - start:.2f} s, {said[:110]}")
        path.unlink()


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000, help="rows of the measured logs; 0 leaves them out")
    parser.add_argument("--growth", action="store_true", help="also 100 thousand, 1 and 5 million rows")
    parser.add_argument("--hostile", action="store_true", help="also files made to exhaust time or memory")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if asked.rows:
            measure(Path(folder), asked.rows)
            many_pulls(200_000)
        if asked.growth:
            growth(Path(folder))
        if asked.hostile:
            hostile(Path(folder))


if __name__ == "__main__":
    main()
