"""The four scenarios over many seeds: how often is the verdict right, and does the interval hold the truth?

Run by ``make study``. Not collected by pytest.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from pullbook.analysis.result import analyse
from pullbook.simulate import SCENARIOS, write_experiment
from pullbook.simulate.scenarios import Scenario, true_peak_rise
from test_samples import RIGHT

FIRST_SEED = 1000


def at_equal_boost(scenario: Scenario) -> float:
    """Return the true change with every hose tight [K]: the answer is given at equal boost."""
    return true_peak_rise(scenario, cooler=scenario.cooler_after) - true_peak_rise(
        scenario, cooler=scenario.cooler_before
    )


def judge(task: tuple[str, int]) -> tuple[str, bool, str]:
    """Write one experiment and analyse it: verdict, whether the truth is covered, first finding."""
    name, seed = task
    scenario = SCENARIOS[name]
    with tempfile.TemporaryDirectory() as folder:
        result = analyse(write_experiment(Path(folder) / name, scenario, seed=seed))
    c = result.comparison
    first = result.findings[0].code if result.findings else ""
    return c.verdict, c.low <= at_equal_boost(scenario) <= c.high, first


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=20, help="seeds a scenario")
    count = parser.parse_args(arguments).count
    print(f"{count} seeds a scenario, from {FIRST_SEED}")
    print("| scenario | true change, K | right verdict | truth in the interval | boost warning first | verdicts |")
    print("|---|---|---|---|---|---|")
    with ProcessPoolExecutor() as pool:
        for name, scenario in SCENARIOS.items():
            found = list(pool.map(judge, [(name, FIRST_SEED + k) for k in range(count)], chunksize=5))
            verdicts = Counter(verdict for verdict, _, _ in found)
            right = sum(n for verdict, n in verdicts.items() if verdict in RIGHT[name])
            told = ", ".join(f"{verdict} {n}" for verdict, n in verdicts.most_common())
            covered, leads = sum(c for _, c, _ in found), sum(f == "boost-lower" for _, _, f in found)
            print(
                f"| {name} | {at_equal_boost(scenario):+.1f} | {right} of {count} | {covered} of {count} "
                f"| {leads} of {count} | {told} |",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
