"""How well are runs found? Simulated sessions with known truth, decoys included; not collected by pytest.

Run ``python -m study.runs [CASE] [FIRST LAST] [-v]`` (a case by its name, default all; seeds, default 5000 5199; -v
explains each session that is not perfect). Every session is written as a log and read back, so reading it is part of
what is tested.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from pullbook.reading.logs import read_log
from pullbook.runs.find import Run, Runs, find_runs
from pullbook.runs.full_load import pedal_travel
from pullbook.settings.experiment import Protocol
from pullbook.simulate import (
    PEDAL_END_PERCENT,
    PEDAL_REST_PERCENT,
    SCENARIOS,
    STEP_S,
    Brake,
    Cooler,
    Cruise,
    Idle,
    Layout,
    Manoeuvre,
    PartThrottle,
    Pull,
    Speedometer,
    StandingStart,
    TimeFormat,
    Trace,
    TrueRun,
    Weather,
    drive,
    record,
)

VEHICLES = tuple({s.vehicle.description: s.vehicle for s in SCENARIOS.values()}.values())
LAYOUTS: tuple[Layout, ...] = ("sweep", "held", "sparse", "long")
TIMES: tuple[TimeFormat, ...] = ("seconds", "milliseconds", "clock", "iso")
PROTOCOL = Protocol(cruise_kmh=90, pull_from_kmh=40, pull_to_kmh=110)
TEMPERATURES = ("intake_air_temperature", "charge_air_temperature", "engine_coolant_temperature")
TOLD_BY = {
    "pedal": ("accelerator_position", "intake_manifold_pressure"),
    "load": ("engine_load", "intake_manifold_pressure"),
    "pressure": ("intake_manifold_pressure",),
    "acceleration": (),
}
# Without pedal or load a part load near full load looks like full load uphill or in a higher gear, so these logs are
# tried with part loads up to here only (per cent of the pedal's travel).
MOST_PART_LOAD = {"pedal": 80.0, "load": 80.0, "pressure": 75.0, "acceleration": 60.0}
Script = tuple[Manoeuvre, ...]


@dataclass(frozen=True, kw_only=True)
class Case:
    """What is driven, and what of it is logged: `told_by` in turn, one signal refreshed every `period_s`."""

    script: Callable[[np.random.Generator, str], Script]
    protocol: Protocol = PROTOCOL
    told_by: tuple[str, ...] = tuple(TOLD_BY)
    period_s: tuple[float, float] = (0.3, 1.3)
    reads_high: bool = False
    always_rpm: bool = False
    wheel_spin: bool = True


@dataclass(frozen=True, kw_only=True)
class Drive:
    """One simulated session: its log as text, what tells full load, and the truth; `lifted` are early lifts."""

    told_by: str
    period_s: float
    layout: str
    text: str
    pulls: tuple[TrueRun, ...]
    lifted: tuple[TrueRun, ...]
    cruises: tuple[TrueRun, ...]


# --- decoys the simulator's own manoeuvres do not cover -----------------------------------------------------------


def spliced(trace: Trace, pieces: list[tuple[float, float, float]]) -> Trace:
    """Append a kinematic piece to a trace that ends at standstill; its temperatures stay as they are.

    Each piece is (duration s, speed at its end km/h, pedal 0 to 1). Load and pressure follow the pedal at once.
    """
    ends = np.cumsum([0.0, *(piece[0] for piece in pieces)])
    n = round(ends[-1] / STEP_S)
    t = STEP_S * np.arange(1, n + 1)
    speed = np.interp(t, ends, [0.0, *(piece[1] for piece in pieces)])
    pedal = np.array([piece[2] for piece in pieces])[np.searchsorted(ends[1:], t - 1e-9).clip(0, len(pieces) - 1)]
    top_kpa = trace.channels["intake_manifold_pressure"].max()
    added = {
        "vehicle_speed": speed,
        "engine_speed": np.maximum(800.0, 32.0 * speed),
        "accelerator_position": PEDAL_REST_PERCENT + (PEDAL_END_PERCENT - PEDAL_REST_PERCENT) * pedal,
        "engine_load": 15.0 + 85.0 * pedal,
        "intake_manifold_pressure": 100.0 + (top_kpa - 100.0) * pedal**1.3,
    }
    channels = {
        name: np.concatenate([values, added.get(name, np.full(n, values[-1]))])
        for name, values in trace.channels.items()
    }
    return replace(trace, time_s=np.concatenate([trace.time_s, trace.time_s[-1] + t]), channels=channels)


def stop_and_go(rng: np.random.Generator) -> list[tuple[float, float, float]]:
    """Traffic: short starts, kick-downs of 1 s to 2.5 s that gain 5 km/h to 15 km/h, and stops."""
    pieces: list[tuple[float, float, float]] = []
    for _ in range(int(rng.integers(2, 5))):
        speed = float(rng.uniform(25, 60))
        pieces += [(speed / 5.0, speed, 0.35), (float(rng.uniform(5, 15)), speed, 0.15)]
        kick_s = float(rng.uniform(1.0, 2.5))
        pieces += [(kick_s, speed + 6.0 * kick_s, 1.0), (3.0, speed, 0.0), (speed / 9.0, 0.0, 0.0)]
        pieces += [(float(rng.uniform(3, 10)), 0.0, 0.0)]
    return pieces


# Rolls from 45 to 112 km/h at 0.33 m/s2 on a hill with the pedal at rest.
DOWNHILL = [(12.0, 45.0, 0.4), (6.0, 45.0, 0.12), (56.0, 112.0, 0.0), (13.0, 0.0, 0.0), (4.0, 0.0, 0.0)]
# The driven wheels spin up to 50 km/h, grip at 18 km/h, and a full-load acceleration follows.
WHEEL_SPIN = [
    (5.0, 0.0, 0.0), (1.5, 50.0, 1.0), (1.5, 50.0, 1.0), (1.0, 18.0, 1.0), (16.0, 112.0, 1.0),
    (4.0, 104.0, 0.0), (13.0, 0.0, 0.0), (4.0, 0.0, 0.0),
]  # fmt: skip


# --- a session ----------------------------------------------------------------------------------------------------


def script(rng: np.random.Generator, told_by: str) -> Script:
    """Return cruises, complete pulls of every kind and decoys, in a random order."""
    most = MOST_PART_LOAD[told_by]
    parts: list[tuple[Manoeuvre, ...]] = [(Cruise(speed_kmh=float(rng.uniform(86.5, 93.5)), duration_s=40.0),)]
    for _ in range(int(rng.integers(3, 6))):
        start_kmh = 2.0 if rng.random() < 0.3 else float(rng.uniform(20.0, 40.0))
        parts.append((Pull(from_kmh=start_kmh, to_kmh=110.0, gear_change=rng.random() < 0.4),))
    decoys: list[tuple[Manoeuvre, ...]] = [
        (PartThrottle(from_kmh=40.0, to_kmh=110.0, pedal_percent=float(rng.uniform(40.0, most))),),
        (PartThrottle(from_kmh=50.0, to_kmh=95.0, pedal_percent=float(rng.uniform(40.0, most))),),
        (Pull(from_kmh=40.0, to_kmh=110.0, lift_at_kmh=float(rng.uniform(55.0, 100.0))),),
        (Pull(from_kmh=float(rng.uniform(52.0, 75.0)), to_kmh=112.0),),
        (Cruise(speed_kmh=float(rng.choice([72.0, 80.0, 100.0])), duration_s=40.0),),
        (Cruise(speed_kmh=90.0, duration_s=5.0), Brake(to_kmh=50.0)),
        (Brake(to_kmh=0.0), Idle(duration_s=15.0)),
    ]
    return in_any_order(rng, parts, decoys)


def in_any_order(rng: np.random.Generator, parts: list[Script], decoys: list[Script]) -> Script:
    """Shuffle the parts with three to five of the decoys, and drive on calmly after each."""
    parts = parts + [decoys[k] for k in rng.permutation(len(decoys))[: int(rng.integers(3, 6))]]
    whole: list[Manoeuvre] = [Idle(duration_s=8.0)]
    for k in rng.permutation(len(parts)):
        whole += [*parts[k], Cruise(speed_kmh=60.0, duration_s=float(rng.uniform(15.0, 40.0)))]
    return (*whole, Brake(to_kmh=0.0), Idle(duration_s=5.0))


def standing_starts(rng: np.random.Generator, told_by: str) -> Script:
    """Return standing starts to 100 km/h, with gentle ones, early lifts and rolling starts among them."""
    most = min(70.0, MOST_PART_LOAD[told_by])
    parts: list[Script] = [(Cruise(speed_kmh=float(rng.uniform(86.5, 93.5)), duration_s=40.0),)]
    parts += [(StandingStart(to_kmh=100.0),)] * int(rng.integers(3, 6))
    decoys: list[Script] = [
        (StandingStart(to_kmh=100.0, pedal_percent=float(rng.uniform(30.0, most))),),
        (StandingStart(to_kmh=60.0, pedal_percent=float(rng.uniform(30.0, most))),),
        (StandingStart(to_kmh=100.0, lift_at_kmh=float(rng.uniform(45.0, 90.0))),),
        (Pull(from_kmh=float(rng.uniform(14.0, 40.0)), to_kmh=100.0, gear_change=True),),
        (Cruise(speed_kmh=float(rng.choice([72.0, 80.0, 100.0])), duration_s=40.0),),
        (Brake(to_kmh=0.0), Idle(duration_s=15.0)),
    ]
    return in_any_order(rng, parts, decoys)


def by_the_speedometer(rng: np.random.Generator, told_by: str) -> Script:
    """Return pulls from 40 to 110 km/h as the speedometer shows them, early lifts and part throttle among them."""
    parts: list[Script] = [(Cruise(speed_kmh=float(rng.uniform(86.5, 93.5)), duration_s=40.0),)]
    for _ in range(int(rng.integers(3, 6))):
        start_kmh = float(rng.uniform(24.0, 42.0))
        parts.append((Pull(from_kmh=start_kmh, to_kmh=110.0, gear_change=rng.random() < 0.4),))
    decoys: list[Script] = [
        (PartThrottle(from_kmh=40.0, to_kmh=110.0, pedal_percent=float(rng.uniform(40.0, MOST_PART_LOAD[told_by]))),),
        *((Pull(from_kmh=40.0, to_kmh=110.0, lift_at_kmh=float(rng.uniform(55.0, 103.0))),) for _ in range(2)),
        (Pull(from_kmh=float(rng.uniform(61.0, 75.0)), to_kmh=112.0),),
        (Cruise(speed_kmh=float(rng.choice([72.0, 80.0, 100.0])), duration_s=40.0),),
    ]
    return in_any_order(rng, parts, decoys)


def half_hearted(rng: np.random.Generator) -> tuple[Manoeuvre, ...]:
    """Return a session without any full load: 40 % to 65 % of the pedal's travel at most."""
    whole: list[Manoeuvre] = [Idle(duration_s=8.0), Cruise(speed_kmh=90.0, duration_s=40.0)]
    for _ in range(4):
        whole += [PartThrottle(from_kmh=40.0, to_kmh=110.0, pedal_percent=float(rng.uniform(40.0, 65.0)))]
        whole += [Cruise(speed_kmh=60.0, duration_s=20.0)]
    return (*whole, Brake(to_kmh=0.0), Idle(duration_s=5.0))


CASES = {
    "mixed": Case(script=script),
    "standing-pressure": Case(
        script=standing_starts,
        protocol=Protocol(cruise_kmh=90, pull_from_kmh=0, pull_to_kmh=100),
        told_by=("pressure",),
        always_rpm=True,
        wheel_spin=False,
    ),
    "standing-others": Case(
        script=standing_starts,
        protocol=Protocol(cruise_kmh=90, pull_from_kmh=0, pull_to_kmh=100),
        told_by=("pedal", "load", "acceleration"),
        wheel_spin=False,
    ),
    "speedometer-0.9s": Case(script=by_the_speedometer, period_s=(0.9, 0.9), reads_high=True, wheel_spin=False),
    "speedometer-1.3s": Case(script=by_the_speedometer, period_s=(1.3, 1.3), reads_high=True, wheel_spin=False),
    "true-1.3s": Case(script=by_the_speedometer, period_s=(1.3, 1.3), wheel_spin=False),
}  # fmt: skip


def driven(rng: np.random.Generator, told_by: str, case: Case, *, has_none: bool) -> Trace:
    """Drive a random script; one in which the simulated driver cannot settle (about 1 in 100) is drawn again."""
    for _ in range(5):
        try:
            return drive(
                vehicle=VEHICLES[int(rng.integers(len(VEHICLES)))],
                cooler=Cooler(),
                weather=Weather(ambient_c=float(rng.uniform(-5, 30))),
                script=half_hearted(rng) if has_none else case.script(rng, told_by),
                rng=rng,
                speedometer=drawn_speedometer(rng) if case.reads_high else None,
            )
        except ValueError as reason:
            if "did not settle" not in str(reason):
                raise
    raise RuntimeError("five scripts in a row could not be driven")


def drawn_speedometer(rng: np.random.Generator) -> Speedometer:
    """Draw one from all that UN R39 allows."""
    return Speedometer(share=float(rng.uniform(0.0, 0.1)), offset_kmh=float(rng.uniform(0.0, 4.0)))


def session(seed: int, case: Case = CASES["mixed"]) -> Drive:
    """Return the simulated session of a seed."""
    rng = np.random.default_rng([seed, 11])
    told_by = case.told_by[seed % len(case.told_by)]
    has_none = told_by in ("pedal", "load") and rng.random() < 0.1
    trace = driven(rng, told_by, case, has_none=has_none)
    if rng.random() < 0.5 and not has_none:
        trace = spliced(trace, stop_and_go(rng))
    if rng.random() < 0.3:
        trace = spliced(trace, DOWNHILL)
    if rng.random() < 0.25 and not has_none and case.wheel_spin:
        trace = spliced(trace, WHEEL_SPIN)
    others = [
        c for c in ("engine_speed", *TEMPERATURES) if rng.random() < 0.8 or (case.always_rpm and c == "engine_speed")
    ]
    tells = TOLD_BY[told_by][: int(rng.integers(1, 3))]
    channels = [str(c) for c in rng.permutation(["vehicle_speed", *tells, *others])]
    layout = LAYOUTS[(seed // 4) % 4]
    period_s = float(rng.uniform(*case.period_s))
    text = record(
        trace,
        rng=rng,
        channels=channels,
        period_s=period_s,
        layout=layout,
        time_format=TIMES[int(rng.integers(4))],
        imperial=rng.random() < 0.2,
        header="short" if rng.random() < 0.3 else "plain",
    )
    origin_s = first_stamp_s(text)
    runs = [replace(r, start_s=r.start_s - origin_s, end_s=r.end_s - origin_s) for r in trace.runs]
    begun = tuple(r for r in runs if r.kind == "pull" and r.speed_kmh <= case.protocol.pull_from_kmh + 5.0)
    cruises = tuple(
        replace(s, start_s=s.start_s - origin_s, end_s=s.end_s - origin_s)
        for s in (as_shown(trace, r) for r in trace.runs if r.kind == "cruise")
        if abs(s.speed_kmh - 90.0) <= 5.0
    )
    return Drive(
        told_by=told_by,
        period_s=period_s,
        layout=layout,
        text=text,
        pulls=tuple(r for r in begun if r.complete),
        lifted=tuple(r for r in begun if not r.complete),
        cruises=cruises,
    )


def as_shown(trace: Trace, run: TrueRun) -> TrueRun:
    """Widen a cruise to all of the stretch in which the sensor, in whole km/h, stays within 1 km/h of its median.

    The simulated driver counts from when he has been settled for two seconds; the definition does not ask for that.
    """
    shown = np.round(trace.channels["vehicle_speed"])
    first, last = np.searchsorted(trace.time_s, (run.start_s, run.end_s))
    far = np.flatnonzero(np.abs(shown - np.median(shown[first:last])) > 1.0)
    before, after = np.searchsorted(far, (first + (last - first) // 2,) * 2)
    start_s = trace.time_s[far[before - 1] + 1]
    return replace(run, start_s=float(start_s), end_s=float(trace.time_s[far[after] - 1]))


def first_stamp_s(text: str) -> float:
    """Return the log's first stamp on the clock of the trace, which begins at 09:30 where the log shows a clock."""
    heading, row = text.splitlines()[:2]
    stamp = row.split(",")[0]
    if ":" in stamp:
        hour, minute, second = stamp[-12:].split(":")
        return 3600.0 * (int(hour) - 9) + 60.0 * (int(minute) - 30) + float(second)
    return float(stamp) / (1000.0 if "[ms]" in heading else 1.0)


def found(drive: Drive, folder: Path, protocol: Protocol) -> tuple[Runs, float]:
    """Write the log, read it back and find its runs; also return the period of the signal that tells full load."""
    path = folder / "log.csv"
    path.write_text(drive.text, encoding="utf-8")
    log = read_log(path)
    runs = find_runs(log, protocol, travel=pedal_travel([log]))
    teller = log.get(runs.full_load_from) or log.need("vehicle_speed")
    return runs, teller.period_s


# --- scores -------------------------------------------------------------------------------------------------------


@dataclass
class Score:
    """Counts and edge errors of one kind of run in one group of sessions."""

    true: int = 0
    found: int = 0
    matched: int = 0
    lifted: int = 0
    lifted_found: int = 0
    start_periods: list[float] = field(default_factory=list)
    end_periods: list[float] = field(default_factory=list)

    def add(self, truth: tuple[TrueRun, ...], runs: list[Run], period_s: float) -> None:
        """Match by overlap of more than half of the longer of both."""
        self.true += len(truth)
        self.found += len(runs)
        for true in truth:
            for run in runs:
                shared = min(true.end_s, run.end_s) - max(true.start_s, run.start_s)
                if shared > 0.5 * max(true.end_s - true.start_s, run.end_s - run.start_s):
                    self.matched += 1
                    self.start_periods.append((run.start_s - true.start_s) / period_s)
                    self.end_periods.append((run.end_s - true.end_s) / period_s)

    def add_lifted(self, truth: tuple[TrueRun, ...], runs: list[Run]) -> None:
        """Count early lifts, and those of them that were taken for complete."""
        self.lifted += len(truth)
        self.lifted_found += sum(
            any(min(true.end_s, run.end_s) > max(true.start_s, run.start_s) for run in runs) for true in truth
        )

    @property
    def recall(self) -> float:
        return self.matched / self.true

    @property
    def precision(self) -> float:
        return self.matched / self.found if self.found else float("nan")

    @property
    def edge_errors(self) -> np.ndarray:
        """Unsigned errors of starts and ends, in refresh periods."""
        return np.abs([*self.start_periods, *self.end_periods])

    def row(self, name: str) -> str:
        if not self.matched:
            return f"{name:26s} {self.true:5d} {self.found:5d}"
        middle, high = np.quantile(self.edge_errors, [0.5, 0.95])
        start, end = (np.quantile(np.abs(e), [0.5, 0.95]) for e in (self.start_periods, self.end_periods))
        return (
            f"{name:26s} {self.true:5d} {self.found:5d} {self.recall:7.4f} {self.precision:9.4f}"
            f" {middle:7.2f} {high:6.2f}   {start[0]:5.2f} {start[1]:5.2f}   {end[0]:5.2f} {end[1]:5.2f}"
            f"   {self.lifted_found} of {self.lifted}"
        )


def study(seeds: range, case: Case = CASES["mixed"], *, verbose: bool = False) -> dict[str, Score]:
    """Score every session, by kind of run, by what tells full load and by layout."""
    scores: dict[str, Score] = {}
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            drive = session(seed, case)
            runs, period_s = found(drive, Path(folder), case.protocol)
            for kind, truth, all_runs in (("pull", drive.pulls, runs.pulls), ("cruise", drive.cruises, runs.cruises)):
                included = [run for run in all_runs if run.included]
                groups = ["all", f"told by {drive.told_by}", f"layout {drive.layout}"]
                groups.append(f"period {'below' if drive.period_s < 0.8 else 'above'} 0.8 s")
                before = scores.setdefault(f"{kind}: all", Score()).matched
                for group in groups:
                    scores.setdefault(f"{kind}: {group}", Score()).add(truth, included, period_s)
                    if kind == "pull":
                        scores[f"pull: {group}"].add_lifted(drive.lifted, included)
                if verbose and not (len(truth) == len(included) == scores[f"{kind}: all"].matched - before):
                    _explain(seed, drive, kind, truth, all_runs)
    return scores


def _explain(seed: int, drive: Drive, kind: str, truth: tuple[TrueRun, ...], runs: tuple[Run, ...]) -> None:
    print(f"seed {seed}: {kind}, told by {drive.told_by}, {drive.layout}, {drive.period_s:.2f} s")
    for true in truth:
        print(f"    true  {true.start_s:7.1f} {true.end_s:7.1f} from {true.speed_kmh:.0f}")
    for run in runs:
        print(
            f"    found {run.start_s:7.1f} {run.end_s:7.1f} {run.start_kmh:.0f}-{run.end_kmh:.0f}"
            f" {run.reason or 'included'}"
        )


def main(arguments: list[str]) -> None:
    """Print a table a case."""
    verbose = "-v" in arguments
    given = [int(a) for a in arguments if a.isdigit()] or [5000, 5199]
    names = [a for a in arguments if a in CASES] or list(CASES)
    for name in names:
        scores = study(range(given[0], given[-1] + 1), CASES[name], verbose=verbose)
        print(
            f"{name}: seeds {given[0]} to {given[-1]}; edge errors in refresh periods (median, 95 %): both, start, end;"
        )
        print("early lifts taken for complete pulls")
        print(f"{'':26s}  true found  recall precision  median   95 %")
        for group in sorted(scores):
            print(scores[group].row(group))
        print(flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
