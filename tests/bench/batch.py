"""Many experiments at once, measured: seconds, memory, bytes, what a second processor gives. Run by ``make bench``.

Also what `pullbook.analyse` takes against bare reading of the same logs, in a warm process. Not collected by pytest.
"""

from __future__ import annotations

import argparse
import math
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, fields
from pathlib import Path
from statistics import median

import pandas as pd

import pullbook
from pullbook import simulate
from pullbook.settings.experiment import Experiment
from pullbook.simulate.recorder import LogStyle

SAMPLES = Path(__file__).parents[2] / "sample_runs"
COUNTS = (1, 100, 1_000, 2_000)
MOST_ALONE = 1_000  # beyond, one worker alone would take minutes to show the same once more
TURNS = 5


# --- many experiments --------------------------------------------------------------------------------------------


def make_experiments(folder: Path, count: int) -> None:
    """Write experiments that differ by their titles; the logs are links to one copy, which reading does not notice."""
    source = SAMPLES / "two_evenings"
    settings = (source / "experiment.yaml").read_text(encoding="utf-8")
    for k in range(count):
        one = folder / f"van-{k:04d}"
        (one / "logs").mkdir(parents=True)
        (one / "experiment.yaml").write_text(settings.replace("Two evenings", f"{k}: two evenings"), encoding="utf-8")
        for log in (source / "logs").iterdir():
            try:
                os.link(log, one / "logs" / log.name)
            except OSError:  # another disk
                shutil.copyfile(log, one / "logs" / log.name)


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One batch: seconds by the clock and of all processors, peaks in bytes, bytes written."""

    seconds: float
    processor_s: float
    parent: int
    worker: int
    overview: int
    results: int


def batch(folder: Path, out: Path, workers: int) -> Measured:
    """Run a batch and measure it; the peak of a worker is that of the largest."""
    command = [sys.executable, "-m", "pullbook.commands.cli", "batch", str(folder), "--out", str(out), "--quiet"]
    peaks: dict[int, int] = {}
    spent, start = _processor_s(), time.perf_counter()
    process = subprocess.Popen([*command, "--workers", str(workers)], stdout=subprocess.DEVNULL)
    while process.poll() is None:
        for pid in (process.pid, *_children(process.pid)):
            peaks[pid] = max(peaks.get(pid, 0), _peak_bytes(pid))
        time.sleep(0.05)
    taken = time.perf_counter() - start
    if process.returncode:
        raise RuntimeError(f"{command} ended with {process.returncode}")
    parent = peaks.pop(process.pid)
    return Measured(
        seconds=taken,
        processor_s=_processor_s() - spent,
        parent=parent,
        worker=max(peaks.values(), default=0),
        overview=sum(path.stat().st_size for path in out.iterdir() if path.is_file()),
        results=sum(path.stat().st_size for path in (out / "results").rglob("*") if path.is_file()),
    )


def _processor_s() -> float:
    """Return the seconds of processors that all children so far took, theirs included."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _children(pid: int) -> list[int]:
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def _peak_bytes(pid: int) -> int:
    try:
        found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    except OSError:  # it has ended
        return 0
    return 1024 * int(found[1]) if found else 0


def many(counts: list[int]) -> None:
    """Print the table: one worker against two, and once more with everything done."""
    print(f"{'experiments':>11s} {'1 worker s':>10s} {'2 workers s':>11s} {'a piece s':>9s} {'processor s':>11s} "
          f"{'efficiency':>10s} {'again s':>8s} {'parent MB':>9s} {'worker MB':>9s} {'overview kB':>11s} "
          f"{'results kB':>10s}")  # fmt: skip
    for count in counts:
        with tempfile.TemporaryDirectory() as temporary:
            work = Path(temporary)
            make_experiments(work / "many", count)
            alone = batch(work / "many", work / "one", 1).seconds if count <= MOST_ALONE else math.nan
            both = batch(work / "many", work / "two", 2)
            again = batch(work / "many", work / "two", 2)
            print(f"{count:11,d} {alone:10.1f} {both.seconds:11.1f} {both.seconds / count:9.3f} "
                  f"{both.processor_s / count:11.3f} {alone / both.seconds / 2:10.2f} {again.seconds:8.1f} "
                  f"{both.parent / 1e6:9.0f} {both.worker / 1e6:9.0f} {both.overview / 1e3:11,.0f} "
                  f"{both.results / 1e3:10,.0f}", flush=True)  # fmt: skip


# --- analysis against bare reading -------------------------------------------------------------------------------


class LongDrive(simulate.Scenario):
    """The placebo's vehicle with most of an hour on the road before the pulls."""

    def script(self, rng: object) -> tuple[simulate.Manoeuvre, ...]:
        """Return the manoeuvres of one session."""
        first = super().script(rng)  # type: ignore[arg-type]
        return (*first[:2], simulate.Cruise(speed_kmh=75.0, duration_s=2900.0), *first[2:])


def hour_at_10_hz(folder: Path) -> Path:
    """Write six drives of about an hour, every signal ten times a second."""
    placebo = simulate.SCENARIOS["nothing_done"]
    settings = {field.name: getattr(placebo, field.name) for field in fields(placebo)}
    settings["style"] = LogStyle(layout="sweep", period_s=0.1, time_format="seconds")
    return simulate.write_experiment(folder, LongDrive(**settings), seed=3)


def against_reading(folder: Path) -> None:
    """Print how long the analysis takes beside `pandas.read_csv` of its logs."""
    experiment = Experiment.load(folder)
    logs = [path for session in experiment.sessions for path in experiment.log_paths(session)]
    rows = sum(len(pd.read_csv(log)) for log in logs)
    pullbook.analyse(folder)  # imports and caches
    taken: list[tuple[float, float]] = []
    for _ in range(TURNS):  # in turn, so that both meet the same load
        start = time.perf_counter()
        for log in logs:
            pd.read_csv(log)
        read = time.perf_counter()
        pullbook.analyse(folder)
        taken.append((read - start, time.perf_counter() - read))
    bare, full = (median(column) for column in zip(*taken, strict=True))
    print(f"{folder.name:16s} {len(logs)} logs, {rows:8,d} rows   read_csv {bare:6.3f} s   analyse {full:6.3f} s   "
          f"ratio {full / bare:5.1f} (at most 3)", flush=True)  # fmt: skip


def main() -> None:
    """Run both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--counts", type=int, nargs="*", default=COUNTS, help="how many experiments, in turn")
    parser.add_argument("--many-only", action="store_true", help="leave out the analysis against bare reading")
    asked = parser.parse_args()
    if not asked.many_only:
        against_reading(SAMPLES / "fin_wash")
        with tempfile.TemporaryDirectory() as temporary:
            against_reading(hour_at_10_hz(Path(temporary) / "hour_at_10_hz"))
    many(list(asked.counts))


if __name__ == "__main__":
    main()
