"""Narrower, and still honest: what earlier experiments give, what looking costs, and whether chances said are kept.

Run by ``python -m study.narrow``. Drawn as in `study.unlike`; days scatter by 0.75 K where the default allows 1 K. Not
collected by pytest.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

import numpy as np
import pandas as pd

from pullbook.settings.experiment import Experiment
from pullbook.statistics.allowance import day_scatter
from pullbook.statistics.comparison import compare
from study import unlike

SEED, DAY_SD_K, EFFECT_K = 20261126, 0.75, -4.6


def _draw(rng: np.random.Generator, outcome: str, sessions: int, effect_k: float) -> tuple[pd.DataFrame, Experiment]:
    unlike.DAY_SD_K = DAY_SD_K
    return unlike.draw(rng, unlike.Case(name="drawn", effect_k=effect_k, outcome=outcome), sessions)


def widths(count: int) -> Iterator[str]:
    """Yield half-width and coverage with and without three earlier experiments of three sessions a side."""
    yield "| outcome | sessions a side | coverage | half-width, K | with earlier: coverage | half-width, K |"
    yield "|---|---|---|---|---|---|"
    for outcome in ("peak_rise", "rise_at 100"):
        for sessions in (1, 2, 3):
            rng = np.random.default_rng([SEED, sessions])
            told: list[list[tuple[bool, float]]] = [[], []]
            for _ in range(count):
                past = [compare(*_draw(rng, outcome, 3, -3.0)) for _ in range(3)]
                earlier = [day_scatter(c.data, c.covariates, name="earlier", usual_sd=1.0) for c in past]
                table, experiment = _draw(rng, outcome, sessions, EFFECT_K)
                for place, known in enumerate(([], earlier)):
                    c = compare(table, experiment, earlier=known)
                    told[place].append((c.low <= EFFECT_K <= c.high, (c.high - c.low) / 2))
            cells = " | ".join(f"{np.mean([h for h, _ in t]):.3f} | {np.mean([w for _, w in t]):.2f}" for t in told)
            yield f"| {outcome} | {sessions} | {cells} |"


def looking(count: int) -> Iterator[str]:
    """Yield how often driving on to 8 a side claims a change that is not there."""
    yield "\n| planned_sessions | false claims by 3 | by 5 | by 8 a side | unpaid, by 8 |\n|---|---|---|---|---|"
    for planned in (None, 5):
        rng, claims, unpaid = np.random.default_rng([SEED, 8]), np.zeros((count, 8), bool), np.zeros((count, 8), bool)
        for k in range(count):
            table, experiment = _draw(rng, "peak_rise", 8, 0.0)
            for n in range(1, 9):
                kept = tuple(s for s in experiment.sessions if int(s.name.split("-")[1]) <= n)
                rows = table[table["session"].isin([s.name for s in kept])].reset_index(drop=True)
                for found, stated in ((claims, planned), (unpaid, n)):
                    c = compare(rows, experiment.model_copy(update={"sessions": kept, "planned_sessions": stated}))
                    found[k, n - 1] = c.low > 0 or c.high < 0
        by = np.logical_or.accumulate(claims, axis=1).mean(axis=0)
        yield f"| {planned} | {by[2]:.3f} | {by[4]:.3f} | {by[7]:.3f} | {unpaid.any(axis=1).mean():.3f} |"


def chances(count: int) -> Iterator[str]:
    """Yield how often a change was better than nothing, and than worthwhile, by the chance that was said."""
    yield "\n| chance said | better than nothing | cases | better than worthwhile | cases |\n|---|---|---|---|---|"
    rng, rows = np.random.default_rng([SEED, 9]), []
    for _ in range(count):
        effect = float(rng.uniform(-8, 8))
        c = compare(*_draw(rng, "peak_rise", int(rng.integers(1, 4)), effect))
        rows.append((c.probability_better, effect < 0, c.probability_worthwhile, effect < -2.0))
    said = np.array(rows, dtype=float)
    for low, high in ((0, 0.05), (0.05, 0.25), (0.25, 0.5), (0.5, 0.75), (0.75, 0.95), (0.95, 1.01)):
        cells = []
        for p, truth in ((0, 1), (2, 3)):
            part = (said[:, p] >= low) & (said[:, p] < high)
            share = f"{said[part, truth].mean():.2f}" if part.any() else "none"
            cells.append(f"{share} | {part.sum()}")
        yield f"| {low:.2f} to {min(high, 1):.2f} | {' | '.join(cells)} |"


def main(arguments: list[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=200, help="experiments a row")
    count = parser.parse_args(arguments).count
    print(f"{count} experiments a row, {5 * count} for the chances, seed {SEED}, day-to-day SD {DAY_SD_K} K")
    for part in (widths(count), looking(count // 2), chances(5 * count)):
        for line in part:
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
