"""Coverage study: how often does the interval hold the truth, and how often is a verdict wrong?

Run by ``make study``. Experiments are drawn session by session (no logs, so that thousands take minutes): a day
effect, a place-in-sequence effect, single pulls, sensors in 1 °C steps, weather and its true slope. The analysis
sees only the measures table that it would see in earnest. Seeds are fixed; the table in
DEVELOPERS.md is this program's output.
"""

from __future__ import annotations

import argparse
import math
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pullbook.settings.experiment import Experiment, Service, Session
from pullbook.statistics.comparison import compare
from pullbook.statistics.covariates import log_heating
from pullbook.statistics.robustness import welch

SEED = 20260401
SESSIONS = (1, 2, 3, 5)
DAY_SD_K = (0.5, 1.0, 1.5)
EFFECTS_K = (0.0, -1.0, -2.0, -4.0)
SPREADS_K = (0.0, 5.0, 10.0, 15.0)
ALLOWANCE_K = 1.0
WORTHWHILE_K = 2.0
PULLS = 5
PULL_SD_K = 0.7
PLACE_K = np.array([0.0, 0.5, 0.8, 0.9, 1.0])  # later pulls start hotter
RISE_K = 35.0
PRESSURE_RATIO = 2.1
BOOST_SD = (0.0, 0.01, 0.02, 0.03)


@dataclass(frozen=True)
class Draw:
    """One experiment's outcome, reduced to what the table needs."""

    covered: bool
    half: float
    known_half: float
    wrong_sign: bool
    wrong_none: bool
    resolved: bool
    naive_covered: bool
    naive_wrong_sign: bool


def draw_measures(
    rng: np.random.Generator,
    *,
    sessions: int,
    day_sd_k: float,
    effect_k: float,
    spread_k: float,
    boost_sd: float = 0.0,
    boost_logged: bool = True,
) -> tuple[pd.DataFrame, Experiment]:
    """Draw the measures table of one experiment; ``boost_sd`` is the share by which boost differs between days."""
    # The truth about the weather's share: anything from none to fully proportional, as physics allows.
    slope = rng.uniform(0.0, 1.2) * RISE_K / 288.0
    # How the rise follows the compression heating: in proportion, give or take what the cooler's stored heat does.
    follows = rng.uniform(0.4, 1.3)
    rows, listed = [], []
    for phase in ("before", "after"):
        for k in range(sessions):
            inlet = 12.0 + (spread_k if phase == "after" else 0.0) + rng.uniform(-2, 2)
            ratio = PRESSURE_RATIO * (1 + boost_sd * rng.standard_normal())
            heat = RISE_K * follows * (log_heating(ratio) - log_heating(PRESSURE_RATIO))
            day = day_sd_k * rng.standard_normal() + float(heat)
            mean = RISE_K + (effect_k if phase == "after" else 0.0) + slope * (inlet - 12.0 - spread_k / 2) + day
            rise = mean + PLACE_K[:PULLS] + PULL_SD_K * rng.standard_normal(PULLS)
            seen_inlet = np.round(inlet + 0.2 * rng.standard_normal(PULLS))
            charge = np.round(inlet + rise)
            name = f"{phase}-{k + 1}"
            listed.append(Session(name=name, phase=phase, log=f"{name}.csv"))
            rows.append(
                pd.DataFrame(
                    {
                        "session": name, "phase": phase, "kind": "pull", "number": np.arange(1, PULLS + 1),
                        "included": True, "left_out": False, "reason": "", "peak_rise": charge - seen_inlet,
                        "peak_charge": charge, "inlet_at_peak": seen_inlet, "charge_step": 1.0, "inlet_step": 1.0,
                        "pressure_ratio": ratio if boost_logged else np.nan,
                        "peak_manifold_pressure": np.nan, "time_to_boost": np.nan,
                    }
                )
            )  # fmt: skip
    experiment = Experiment(
        title="study",
        service=Service(what="study"),
        worthwhile_change=WORTHWHILE_K,
        planned_sessions=sessions,  # as planned: without a plan, a fourth session a side would be paid for
        sessions=tuple(listed),
    )
    return pd.concat(rows, ignore_index=True), experiment


def known_half_width(*, sessions: int, day_sd_k: float, spread_k: float) -> float:
    """Half-width that an analyst would give who knows every variance, and the slope as well as physics does."""
    session_variance = day_sd_k**2 + PULL_SD_K**2 / PULLS + 1 / 12 / PULLS + 1 / 12
    slope_u = 0.35 * RISE_K / 288.0
    return 1.959964 * math.sqrt(2 * session_variance / sessions + (slope_u * spread_k) ** 2)


def one(rng: np.random.Generator, *, sessions: int, day_sd_k: float) -> Draw:
    """Draw and judge one experiment."""
    effect, spread = float(rng.choice(EFFECTS_K)), float(rng.choice(SPREADS_K))
    frame, experiment = draw_measures(rng, sessions=sessions, day_sd_k=day_sd_k, effect_k=effect, spread_k=spread)
    c = compare(frame, experiment)
    rises = [frame.loc[frame["phase"] == phase, "peak_rise"].to_numpy(float) for phase in ("before", "after")]
    _, naive_low, naive_high = welch(*rises)
    return Draw(
        covered=c.low <= effect <= c.high,
        half=(c.high - c.low) / 2,
        known_half=known_half_width(sessions=sessions, day_sd_k=day_sd_k, spread_k=spread),
        wrong_sign=(c.high < 0 <= effect) or (c.low > 0 >= effect),
        wrong_none=c.verdict == "no-worthwhile-change" and abs(effect) > WORTHWHILE_K,
        resolved=c.verdict != "not-resolved",
        naive_covered=naive_low <= effect <= naive_high,
        naive_wrong_sign=(naive_high < 0 <= effect) or (naive_low > 0 >= effect),
    )


def cell(task: tuple[int, float, int]) -> str:
    """Judge one cell of the table and return its row."""
    sessions, day_sd_k, count = task
    rng = np.random.default_rng([SEED, sessions, round(10 * day_sd_k)])
    draws = [one(rng, sessions=sessions, day_sd_k=day_sd_k) for _ in range(count)]

    def share(name: str) -> float:
        return float(np.mean([getattr(d, name) for d in draws]))

    ratio = float(np.mean([d.half for d in draws]) / np.mean([d.known_half for d in draws]))
    wrong = share("wrong_sign") + share("wrong_none")
    half = float(np.mean([d.half for d in draws]))
    return (
        f"| {sessions} | {day_sd_k:.1f} | {share('covered'):.3f} | {half:.2f} | {ratio:.2f} "
        f"| {wrong:.3f} | {share('resolved'):.2f} | {share('naive_covered'):.3f} | {share('naive_wrong_sign'):.3f} |"
    )


def boost_cell(task: tuple[int, float, int]) -> str:
    """Judge what bringing sessions to common boost is worth: the same draws with the boost logged and not."""
    sessions, boost_sd, count = task
    told = []
    for logged in (True, False):
        rng = np.random.default_rng([SEED, sessions, round(1000 * boost_sd), 7])
        covered, halves = [], []
        for _ in range(count):
            effect, spread = float(rng.choice(EFFECTS_K)), float(rng.choice(SPREADS_K))
            frame, experiment = draw_measures(
                rng, sessions=sessions, day_sd_k=1.0, effect_k=effect, spread_k=spread,
                boost_sd=boost_sd, boost_logged=logged,
            )  # fmt: skip
            c = compare(frame, experiment)
            covered.append(c.low <= effect <= c.high)
            halves.append((c.high - c.low) / 2)
        told.append(f"{np.mean(covered):.3f} | {np.mean(halves):.2f}")
    return f"| {sessions} | {boost_sd:.0%} | {told[0]} | {told[1]} |"


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=600, help="experiments a cell")
    count = parser.parse_args(arguments).count
    print(f"{count} experiments a cell, seed {SEED}, allowance {ALLOWANCE_K} K, {PULLS} pulls a session")
    print("| sessions a side | day-to-day SD, K | coverage | half-width, K | against known variances | wrong verdicts "
          "| resolved | coverage pull by pull | wrong sign pull by pull |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|")
    tasks = [(sessions, sd, count) for sessions in SESSIONS for sd in DAY_SD_K]
    with ProcessPoolExecutor() as pool:
        for row in pool.map(cell, tasks):
            print(row, flush=True)
        print(f"\nboost that differs between days, {count // 4} experiments a cell, day-to-day SD 1.0 K besides")
        print("| sessions a side | SD of boost | coverage, brought to common boost | half-width, K | coverage, not | "
              "half-width, K |")  # fmt: skip
        print("|---|---|---|---|---|---|")
        for row in pool.map(boost_cell, [(sessions, sd, count // 4) for sessions in (1, 3) for sd in BOOST_SD]):
            print(row, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
