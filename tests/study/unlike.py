"""Drives that are not alike: how often is something claimed when nothing changed, and at what price in width?

Run by ``make study``. The tables of measures are drawn directly, so that thousands take minutes, from a charge that
climbs exponentially with a time constant, a share of heat left over and a response to boost of its own in each
experiment: none of these is what the analysis assumes. Not collected by pytest.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pullbook.settings.experiment import Experiment, Service, Session
from pullbook.statistics.comparison import compare
from pullbook.statistics.robustness import cross_check

SEED = 20261125
DAY_SD_K, PULL_SD_K, RISE_K, INLET_C = 1.0, 0.6, 36.0, 15.0
RATIO, EXPONENT = 2.1, 0.2857
USUAL_END_KMH, USUAL_REST_S = 110.0, 70.0


@dataclass(frozen=True, kw_only=True)
class Phase:
    """How one phase was driven."""

    end_kmh: float = USUAL_END_KMH
    rest_s: tuple[float, float] = (45.0, 95.0)
    gear: float = 36.0
    gear_k: float = 0.0  # what another gear does to the peak
    inlet_c: float = INLET_C
    wind_ms: float = 1.5
    boost: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Case:
    """Two phases that differ in one respect; nothing was done to the cooler unless ``effect_k`` says so."""

    name: str
    before: Phase = Phase()
    after: Phase = Phase()
    effect_k: float = 0.0
    outcome: str = "peak_rise"
    boost_sd: float = 0.0
    pulls: int = 4
    worthwhile: float = 2.0


CASES = (
    Case(name="like for like"),
    Case(name="like for like, true change -4.6 K", effect_k=-4.6),
    Case(name="another gear after", after=Phase(gear=27.0, gear_k=-5.9)),
    Case(name="ends at 110, then at 125 km/h", after=Phase(end_kmh=125.0)),
    Case(name="the same, asked at 100 km/h", after=Phase(end_kmh=125.0), outcome="rise_at 100"),
    Case(name="rests of 30 s, then of 200 s", before=Phase(rest_s=(25, 35)), after=Phase(rest_s=(180, 220))),
    Case(name="wind of 0.5, then of 6 m/s", before=Phase(wind_ms=0.5), after=Phase(wind_ms=6.0)),
    Case(name="boost differs by 2 % between days", boost_sd=0.02),
    Case(name="7 % less boost after, 2 % between days", after=Phase(boost=0.93), boost_sd=0.02),
    Case(
        name="charge density, 15 K warmer after", after=Phase(inlet_c=30.0), outcome="charge_density", worthwhile=0.02
    ),
    Case(name="one pull a session", pulls=1),
)


def draw(
    rng: np.random.Generator, case: Case, sessions: int, *, day_sd_k: float = DAY_SD_K
) -> tuple[pd.DataFrame, Experiment]:
    """Draw the table of one experiment."""
    theta = rng.uniform(9.0, 30.0)  # of the climb [s]
    survives = rng.uniform(0.1, 0.9)  # of the heat at the start, in the peak
    follows = rng.uniform(0.5, 1.4)  # of the rise, with the heating
    slope = rng.uniform(0.0, 1.2) * RISE_K / (INLET_C + 273.15)
    tau = rng.uniform(8.0, 30.0)  # of the recovery [s]
    climb_all = RISE_K / (1 - np.exp(-_seconds(USUAL_END_KMH) / theta))
    rows, listed = [], []
    for name, phase in (("before", case.before), ("after", case.after)):
        for k in range(sessions):
            inlet = phase.inlet_c + rng.uniform(-3, 3)
            ratio = RATIO * phase.boost * (1 + case.boost_sd * rng.standard_normal())
            heat = follows * np.log(_heating(ratio) / _heating(RATIO))
            wind_k = RISE_K * rng.uniform(-0.3, 0.3) * 3.6 * phase.wind_ms / 80.0
            level = case.effect_k * (name == "after") + phase.gear_k + slope * (inlet - INLET_C) + wind_k
            day = day_sd_k * rng.standard_normal()
            session = f"{name}-{k + 1}"
            listed.append(Session(name=session, phase=name, log=f"{session}.csv", wind_ms=phase.wind_ms))
            for number in range(1, case.pulls + 1):
                rest = rng.uniform(*phase.rest_s) if number > 1 else np.inf
                end_kmh = phase.end_kmh + rng.uniform(-1.5, 1.5)
                seconds = _seconds(end_kmh)
                left = RISE_K * np.exp(-rest / tau)
                at = climb_all * (1 - np.exp(-seconds / theta))
                scatter = PULL_SD_K * rng.standard_normal()
                rise = at * (1 + heat) + level + day + survives * left + scatter
                charge, seen = np.round(inlet + rise), np.round(inlet + 0.2 * rng.standard_normal())
                at_100 = climb_all * (1 - np.exp(-_seconds(100.0) / theta)) * (1 + heat)
                marked = np.round(inlet + at_100 + level + day + survives * left + scatter) - seen
                start = np.round(inlet + left)
                kpa = 100.0 * ratio
                rows.append(
                    {
                        "session": session, "phase": name, "kind": "pull", "number": number, "included": True,
                        "left_out": False, "reason": "", "peak_rise": charge - seen, "peak_charge": charge,
                        "inlet_at_peak": seen, "charge_step": 1.0, "inlet_step": 1.0, "pressure_step": 1.0,
                        "pressure_ratio": ratio, "peak_manifold_pressure": np.round(kpa), "time_to_boost": np.nan,
                        "start_charge": start, "start_rise": start - seen, "start_speed": 40.0, "end_speed": end_kmh,
                        "duration": seconds + (late := 0.2 * rng.standard_normal()),
                        "end_climb": climb_all / theta * np.exp(-seconds / theta) * _pace(end_kmh)
                        + (rough := 0.03 * rng.standard_normal()),
                        "end_pace": _pace(end_kmh) * (1 + 0.05 * rng.standard_normal()),
                        "rest_before": rest if number > 1 else np.nan, "recovery_time": tau + rng.standard_normal(),
                        "gear_rpm_per_kmh": phase.gear * (1 + 0.004 * rng.standard_normal()),
                        "gear_mean_rpm_per_kmh": phase.gear * (1 + 0.004 * rng.standard_normal()),
                        "rise_at 100": marked, "rise_at 100_u": 0.1,
                        "rise_at 100_s": _seconds(100.0) + late,
                        "rise_at 100_climb": climb_all / theta * np.exp(-_seconds(100.0) / theta)
                        + rough / _pace(100.0),
                        "charge_density": kpa / (0.28705 * (charge + 273.15)),
                        "density_step": 1.2 / 300.0,
                    }
                )  # fmt: skip
    experiment = Experiment(
        title="study", service=Service(what="study"), worthwhile_change=case.worthwhile, outcome=case.outcome,
        sessions=tuple(listed),
    )  # fmt: skip
    return pd.DataFrame(rows), experiment


def _seconds(kmh: float | np.ndarray) -> float:
    """Return how long it takes from 40 km/h: the acceleration fades towards 220 km/h."""
    return float(180.0 / 7.5 * np.log(180.0 / (220.0 - kmh)))


def _pace(kmh: float) -> float:
    """Return the seconds that one more km/h takes at a speed."""
    return 180.0 / 7.5 / (220.0 - kmh)


def _heating(ratio: float) -> float:
    return float(ratio**EXPONENT - 1)


def rows_of(task: tuple[Case, int, int]) -> str:
    """Judge one case with so many sessions a side and return its row."""
    case, sessions, count = task
    rng = np.random.default_rng([SEED, sessions, CASES.index(case)])
    better, worse, held, halves, changes, alarms = 0, 0, 0, [], [], 0
    for _ in range(count):
        c = compare(*draw(rng, case, sessions))
        better += c.verdict.startswith("improved")
        worse += c.verdict.startswith("worse")
        alarms += any(f.about_boost for f in c.findings)
        if c.comparable:
            held += c.low <= case.effect_k <= c.high
            halves.append((c.high - c.low) / 2)
            changes.append(c.change)
    figures = (
        f"{np.mean(changes):+.2f} | {held / len(halves):.3f} | {np.mean(halves):.3g}"
        if halves
        else "none | none | none"
    )
    return (
        f"| {case.name} | {sessions} | {better / count:.3f} | {worse / count:.3f} | {figures} | {alarms / count:.3f} |"
    )


def placebo_row(task: tuple[int, int]) -> str:
    """Count how often before against before finds a change."""
    sessions, count = task
    rng = np.random.default_rng([SEED, sessions, 99])
    failed = 0
    for _ in range(count):
        checks = cross_check(compare(*draw(rng, CASES[0], sessions))).checks
        failed += any(check.name.startswith("placebo") and check.agrees is False for check in checks)
    return f"| {sessions} | {failed / count:.3f} |"


def table(count: int, pool: ProcessPoolExecutor) -> Iterator[str]:
    """Yield the lines of both tables."""
    yield f"{count} experiments a row, seed {SEED}, day-to-day SD {DAY_SD_K} K"
    yield "| case | sessions a side | improved | worse | mean change | coverage | half-width | boost alarm |"
    yield "|---|---|---|---|---|---|---|---|"
    yield from pool.map(rows_of, [(case, sessions, count) for case in CASES for sessions in (1, 2, 3)])
    yield "\n| sessions before | before against before finds a change |\n|---|---|"
    yield from pool.map(placebo_row, [(sessions, count // 4) for sessions in (3, 5, 8)])


def main(arguments: list[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=300, help="experiments a row")
    with ProcessPoolExecutor() as pool:
        for line in table(parser.parse_args(arguments).count, pool):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
