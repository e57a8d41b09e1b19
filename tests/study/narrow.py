"""Narrower, and still honest: what earlier experiments give, what looking costs, and whether chances said are kept.

Run by ``python -m study.narrow``. Drawn as in `study.unlike`, less its manifold pressure in kPa, of which only the
alarm of boost would speak; days scatter by 0.75 K where the default allows 1 K, unless a row says otherwise. "Alike"
is drawn as in `study.intervals` without a difference of weather or boost. Not collected by pytest.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from pullbook.settings.experiment import Experiment
from pullbook.statistics.allowance import Allowance, DayScatter, day_scatter, with_earlier
from pullbook.statistics.comparison import compare
from pullbook.statistics.covariates import covariates_of
from pullbook.statistics.estimate import estimate_change
from pullbook.statistics.looks import Looks
from pullbook.statistics.session_means import session_means
from pullbook.statistics.uncertainty import coverage_factor
from study import intervals, unlike

SEED, DAY_SD_K, EFFECT_K = 20261126, 0.75, -4.6


@dataclass(frozen=True, kw_only=True)
class Garage:
    """How much days differ for today's vehicle, and for those whose experiments are named as its earlier ones."""

    name: str
    outcome: str = "peak_rise"
    day_sd_k: float = DAY_SD_K
    earlier_sds_k: tuple[float, ...] = (DAY_SD_K,) * 3
    differ: float = 0.0  # how much each experiment's days differ from that: the standard deviation of the logarithm
    alike: bool = False


def _own(name: str, day_sd_k: float, **others: Any) -> Garage:
    return Garage(name=f"its own, {name}", day_sd_k=day_sd_k, earlier_sds_k=(day_sd_k,) * 3, **others)


GARAGES = (
    Garage(name="its own"),
    Garage(name="its own, rise_at 100", outcome="rise_at 100"),
    Garage(name="wrongly: three of a calmer one (0.3 K), today's 1 K", day_sd_k=1.0, earlier_sds_k=(0.3,) * 3),
    Garage(name="wrongly: the same, today's 1.5 K", day_sd_k=1.5, earlier_sds_k=(0.3,) * 3),
    Garage(name="wrongly: two calmer (0.3 K), one of 3 K", earlier_sds_k=(0.3, 0.3, 3.0)),
    Garage(name="wrongly: three of 2 K", earlier_sds_k=(2.0,) * 3),
    _own("days of 0.5 K", 0.5),
    _own("days of 0.5 K, rise_at 100", 0.5, outcome="rise_at 100"),
    _own("days of 0.5 K, drives alike", 0.5, alike=True),
    _own("days of 0.4 K, drives alike", 0.4, alike=True),
    _own("days of each test by a factor of e^±0.5 apart", DAY_SD_K, differ=0.5),
)


def _draw(
    rng: np.random.Generator,
    sessions: int,
    effect_k: float,
    *,
    garage: Garage = GARAGES[0],
    day_sd_k: float = DAY_SD_K,
) -> tuple[pd.DataFrame, Experiment]:
    if garage.differ:
        day_sd_k *= float(np.exp(garage.differ * rng.standard_normal()))
    if garage.alike:
        return intervals.draw_measures(rng, sessions=sessions, day_sd_k=day_sd_k, effect_k=effect_k, spread_k=0.0)
    case = unlike.Case(name="drawn", effect_k=effect_k, outcome=garage.outcome)
    table, experiment = unlike.draw(rng, case, sessions, day_sd_k=day_sd_k)
    return table.assign(peak_manifold_pressure=np.nan), experiment


def _earlier(rng: np.random.Generator, garage: Garage, day_sd_k: float) -> DayScatter:
    """Draw an earlier experiment of three sessions a side and take its scatter."""
    table, experiment = _draw(rng, 3, -3.0, garage=garage, day_sd_k=day_sd_k)
    data = session_means(table, experiment, experiment.outcome_spec, with_left_out=False)
    return day_scatter(data, covariates_of(data), name=f"{day_sd_k:g} K", usual_sd=1.0)


def width_row(task: tuple[Garage, int, int]) -> str:
    """Return half-width and coverage with and without three earlier experiments."""
    garage, sessions, count = task
    rng, doubted = np.random.default_rng([SEED, sessions, GARAGES.index(garage)]), 0
    told: list[list[tuple[bool, float]]] = [[], []]
    for _ in range(count):
        earlier = [_earlier(rng, garage, sd) for sd in garage.earlier_sds_k]
        drawn = _draw(rng, sessions, EFFECT_K, garage=garage, day_sd_k=garage.day_sd_k)
        for place, known in enumerate(([], earlier)):
            c = compare(*drawn, earlier=known)
            told[place].append((c.low <= EFFECT_K <= c.high, (c.high - c.low) / 2))
        doubted += any(f.code in ("earlier-differ", "earlier-set-aside") for f in c.findings)
    cells = " | ".join(f"{np.mean([h for h, _ in t]):.3f} | {np.mean([w for _, w in t]):.2f}" for t in told)
    return f"| {garage.name} | {sessions} | {cells} | {doubted / count:.2f} |"


FLOORS = (0.0, 0.75, 0.8, 0.9)  # of the default, below which earlier experiments might not take the allowance
MOST_DOF = 4.0  # of all earlier experiments, in one more row that has the floor of 0.8 too


def floor_column(task: tuple[float, float, int]) -> list[str]:
    """Return coverage and half-width with one session a side for allowances that are held up; not what is done."""
    earlier_sd_k, day_sd_k, count = task
    rng = np.random.default_rng([5, 1, round(100 * earlier_sd_k), round(100 * day_sd_k)])
    sets = [[_earlier(rng, GARAGES[0], earlier_sd_k) for _ in range(3)] for _ in range(count // 8)]
    told: list[list[tuple[bool, float]]] = [[] for _ in (*FLOORS, MOST_DOF)]
    for k in range(count):
        c = compare(*_draw(rng, 1, EFFECT_K, day_sd_k=day_sd_k))
        joined, _ = with_earlier(c.allowance, sets[k % len(sets)])
        for place, allowance in enumerate((*(_held_up(joined, f) for f in FLOORS), _held_up(_lighter(joined), 0.8))):
            e = estimate_change(c.data, covariates=c.covariates, allowance=allowance, level=0.95)
            told[place].append((e.low <= EFFECT_K <= e.high, (e.high - e.low) / 2))
    return [f"{np.mean([h for h, _ in t]):.3f}, {np.mean([w for _, w in t]):.2f}" for t in told]


def _held_up(joined: Allowance, floor: float) -> Allowance:
    return replace(joined, sd=max(joined.sd, floor)) if joined.alone else joined


def _lighter(joined: Allowance) -> Allowance:
    """Let earlier experiments that are calmer than the default weigh no more than `MOST_DOF`."""
    alone = joined.alone
    if alone is None or joined.dof <= alone.dof + MOST_DOF or joined.sd >= alone.sd:
        return joined
    theirs = (joined.dof * joined.sd**2 - alone.dof * alone.sd**2) / (joined.dof - alone.dof)
    dof = alone.dof + MOST_DOF
    return replace(joined, sd=float(np.sqrt((alone.dof * alone.sd**2 + MOST_DOF * theirs) / dof)), dof=dof)


def floors(count: int, pool: ProcessPoolExecutor) -> Iterator[str]:
    """Yield the lines of the table of floors."""
    yield "| allowance at least | three of 0.3 K, today's 1 K | 0.5 K, 1 K | its own, 0.5 K | its own, 0.75 K |"
    yield "|---|---|---|---|---|"
    cases = [(0.3, 1.0, count), (0.5, 1.0, count), (0.5, 0.5, count), (0.75, 0.75, count)]
    names = (*(f"{f:g}" for f in FLOORS), f"0.8, and {MOST_DOF:g} degrees of freedom")
    for name, *cells in zip(names, *pool.map(floor_column, cases), strict=True):
        yield f"| {name} | {' | '.join(cells)} |"


def looking_rows(task: tuple[float, int]) -> list[str]:
    """Return how often driving on to 8 a side claims a change that is not there, by way of pricing."""
    day_sd_k, count = task
    ways = {"unpaid": lambda n: 0.95} | {
        f"{planned or 'none'} stated": lambda n, p=planned: Looks(before=n, after=n, planned=p).each_level
        for planned in (None, 5)
    }
    rng, claims = np.random.default_rng([SEED, 8]), np.zeros((len(ways), count, 8), bool)
    for k in range(count):
        table, experiment = _draw(rng, 8, 0.0, day_sd_k=day_sd_k)
        for n in range(1, 9):
            kept = tuple(s for s in experiment.sessions if int(s.name.split("-")[1]) <= n)
            rows = table[table["session"].isin([s.name for s in kept])].reset_index(drop=True)
            c = compare(rows, experiment.model_copy(update={"sessions": kept}))
            # Only the factor of the interval hangs on the price.
            claims[:, k, n - 1] = [
                abs(c.change) > coverage_factor(level(n), c.dof) * c.standard_uncertainty for level in ways.values()
            ]
    by = np.logical_or.accumulate(claims, axis=2).mean(axis=1)
    return [
        f"| {day_sd_k:g} | {way} | {found[2]:.3f} | {found[4]:.3f} | {found[7]:.3f} |"
        for way, found in zip(ways, by, strict=True)
    ]


def chances(count: int) -> Iterator[str]:
    """Yield how often a change was better than nothing, and than worthwhile, by the chance that was said."""
    yield "\n| chance said | better than nothing | cases | better than worthwhile | cases |\n|---|---|---|---|---|"
    rng, rows = np.random.default_rng([SEED, 9]), []
    for _ in range(count):
        effect = float(rng.uniform(-8, 8))
        c = compare(*_draw(rng, int(rng.integers(1, 4)), effect))
        rows.append((c.probability_better, effect < 0, c.probability_worthwhile, effect < -2.0))
    said = np.array(rows, dtype=float)
    for low, high in ((0, 0.05), (0.05, 0.25), (0.25, 0.5), (0.5, 0.75), (0.75, 0.95), (0.95, 1.01)):
        cells = []
        for p, truth in ((0, 1), (2, 3)):
            part = (said[:, p] >= low) & (said[:, p] < high)
            share = f"{said[part, truth].mean():.2f}" if part.any() else "none"
            cells.append(f"{share} | {part.sum()}")
        yield f"| {low:.2f} to {min(high, 1):.2f} | {' | '.join(cells)} |"


def tables(count: int, pool: ProcessPoolExecutor) -> Iterator[str]:
    """Yield the lines of all tables."""
    yield f"{count} experiments a row, {5 * count} for the chances, seed {SEED}, day-to-day SD {DAY_SD_K} K"
    yield "| three earlier | sessions a side | coverage without | half-width, K | with | half-width, K | doubted |"
    yield "|---|---|---|---|---|---|---|"
    yield from pool.map(width_row, [(garage, sessions, count) for garage in GARAGES for sessions in (1, 2, 3)])
    yield "\n| days scatter by, K | planned_sessions | false claims by 3 | by 5 | by 8 a side |\n|---|---|---|---|---|"
    for rows in pool.map(looking_rows, [(sd, count) for sd in (0.75, 1.0)]):
        yield from rows
    yield from chances(5 * count)


def main(arguments: list[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=300, help="experiments a row")
    parser.add_argument("--floors", action="store_true", help="the table of floors instead")
    asked = parser.parse_args(arguments)
    with ProcessPoolExecutor() as pool:
        for line in (floors if asked.floors else tables)(asked.count, pool):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
