"""The catch can: how often is "full as soon as" beaten, and how often does a rate seem to rise that does not?

Run by ``make study``. Rates of single emptyings are drawn from a gamma distribution about one mean; the trend's exact
test goes by ranks, so that only their order matters. Not collected by pytest; `tests/records/test_ledger.py` draws
from it.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

import numpy as np

from pullbook.records.ledger import LEAST_FOR_TREND, TREND_LEVEL, Capture, capture_rate, full_in_km

SEED, MOST, UNPAID_LEVEL = 20261127, 16, 0.05


def beaten(rng: np.random.Generator, *, emptyings: int, share: float, count: int) -> float:
    """Return how often the next can is full sooner than the page says it may be, one filling in 40 being allowed.

    Parameters
    ----------
    rng : numpy.random.Generator
    emptyings : int
        So far.
    share : float
        Standard deviation of the rates, as a share of their mean.
    count : int
        Vehicles.
    """
    shape, sooner = share**-2, 0
    for _ in range(count):
        km, rates = rng.uniform(800, 2500, emptyings), 20 * rng.gamma(shape, 1 / shape, emptyings + 1)
        ends = np.concatenate([[0.0], np.cumsum(km)])
        found = [
            Capture(from_km=ends[k], to_km=ends[k + 1], amount_ml=rates[k] * km[k] / 1000) for k in range(emptyings)
        ]
        _, soonest = full_in_km(capture_rate(found), capacity_ml=50)
        sooner += 50_000 / rates[-1] < soonest
    return sooner / count


def least_score(n: int, level: float = TREND_LEVEL) -> int:
    """Return the least Kendall score (rises less falls over all pairs) of n captures that counts as a rise.

    The number of orders with so many falls is built up by the recursion of Kendall (1938): the n-th capture adds 0 to
    n - 1 falls, each as likely.
    """
    chances = np.ones(1)
    for k in range(2, n + 1):
        chances = np.convolve(chances, np.full(k, 1 / k))
    falls = np.flatnonzero(np.cumsum(chances) < level)
    return n * (n - 1) // 2 - 2 * int(falls.max()) if falls.size else n * n  # more than any order has


def rises_claimed(rates: np.ndarray, *, level: float = TREND_LEVEL) -> np.ndarray:
    """Say by which emptying a rise was claimed, looking at each from the fifth on.

    Parameters
    ----------
    rates : ndarray, shape (vehicles, emptyings)
    level : float

    Returns
    -------
    ndarray of bool, shape (vehicles, emptyings)
    """
    scores, claimed = np.zeros(len(rates), int), np.zeros(rates.shape, bool)
    for n in range(1, rates.shape[1] + 1):
        scores += np.sign(rates[:, [n - 1]] - rates[:, : n - 1]).sum(axis=1).astype(int)
        if n >= LEAST_FOR_TREND:
            claimed[:, n - 1] = scores >= least_score(n, level)
    return np.logical_or.accumulate(claimed, axis=1)


def tables(count: int) -> Iterator[str]:
    """Yield the lines of both tables."""
    yield f"{count} vehicles a row, {20 * count} for the rises, seed {SEED}"
    yield "| emptyings so far | full sooner than said, rates differ by 15 % | by 30 % | by 60 % |\n|---|---|---|---|"
    for emptyings in (2, 3, 5, 10):
        rng = np.random.default_rng([SEED, emptyings])
        cells = [f"{beaten(rng, emptyings=emptyings, share=s, count=count):.3f}" for s in (0.15, 0.3, 0.6)]
        yield f"| {emptyings} | {' | '.join(cells)} |"
    yield "\n| rate rises per emptying by | rise claimed by 5 emptyings | by 8 | by 16 | by 16, each look at 5 % |"
    yield "|---|---|---|---|---|"
    for rise in (0.0, 0.05, 0.1):
        rng = np.random.default_rng([SEED, 1])
        rates = rng.gamma(0.3**-2, 0.3**2, (20 * count, MOST)) * (1 + rise * np.arange(MOST))
        by, unpaid = rises_claimed(rates).mean(axis=0), rises_claimed(rates, level=UNPAID_LEVEL).mean(axis=0)
        yield f"| {100 * rise:.0f} % | {by[4]:.3f} | {by[7]:.3f} | {by[15]:.3f} | {unpaid[15]:.3f} |"


def main(arguments: list[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=4_000, help="vehicles a row")
    for line in tables(parser.parse_args(arguments).count):
        print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
