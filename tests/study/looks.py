"""Driving on until something is claimed, nothing being there: how often, by the number of sessions and the price.

And how often the interval holds the truth where the weeks between the phases change something besides the service.

Run by ``python -m study.looks``. A reduced model of the comparison, in arrays, so that 50,000 vehicles take seconds:
session means with days, pulls and sensor steps, the allowance of 1 K joined by degrees of freedom as in
`pullbook.statistics.estimate.pooled_day_variance`, Student's t after Welch and Satterthwaite. No weather and no boost
are corrected, whose doubt widens the interval of the real comparison (`study.narrow` drives that one). Not collected
by pytest; `tests/statistics/test_looks.py` draws from it.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from scipy.special import stdtrit

from pullbook.statistics.allowance import DEFAULT_DOF
from pullbook.statistics.looks import FREE_SESSIONS, Looks

SEED, MOST = 20261126, 8
ALLOWANCE_K, PULL_SD_K, PULLS, STEP_VAR_K2 = 1.0, 0.7, 5, 2 / 12  # charge and inlet in steps of 1 K

Level = Callable[[int], float]


def unpaid(n: int) -> float:
    """Return the level of one who looks and does not pay."""
    return 0.95


def priced(planned: int | None) -> Level:
    """Return the levels that the comparison judges at."""
    return lambda n: Looks(before=n, after=n, planned=planned).each_level


def beyond_free(level: float) -> Level:
    """Return another price: free as far as ours is, beyond at a level of its own."""
    return lambda n: 0.95 if n <= FREE_SESSIONS else level


WAYS: dict[str, Level] = {
    "unpaid": unpaid,
    "no plan stated": priced(None),
    "4 planned": priced(4),
    "5 planned": priced(5),
    "8 planned": priced(8),
    "not ours: 98 % from the 4th on": beyond_free(0.98),
    "not ours: 99.5 % from the 4th on": beyond_free(0.995),
    "not ours: 99.9 % from the 4th on": beyond_free(0.999),
    "not ours: 98.6 % from the 1st on": lambda n: 0.986,
}


def drawn(rng: np.random.Generator, *, day_sd_k: float, count: int) -> Iterator[tuple[np.ndarray, ...]]:
    """Yield change, standard uncertainty and degrees of freedom of every vehicle, with 1, 2, ... sessions a side."""
    runs = PULL_SD_K**2 / PULLS
    known = runs + STEP_VAR_K2
    sides = rng.standard_normal((2, count, MOST)) * np.sqrt(day_sd_k**2 + known)
    for n in range(1, MOST + 1):
        seen = sides[:, :, :n]
        means = seen.mean(axis=2)
        squares = ((seen - means[:, :, None]) ** 2).sum(axis=(0, 2))
        dof = 2 * n - 2
        days = (DEFAULT_DOF * ALLOWANCE_K**2 + np.maximum(0.0, squares - dof * known)) / (DEFAULT_DOF + dof)
        u2 = (days + known) * 2 / n
        spread = (days * 2 / n) ** 2 / (DEFAULT_DOF + dof) + (runs * 2 / n) ** 2 / ((2 * n - 1) * (PULLS - 1))
        yield means[1] - means[0], np.sqrt(u2), u2**2 / spread


def claims(rng: np.random.Generator, *, day_sd_k: float, count: int, levels: Sequence[Level]) -> np.ndarray:
    """Return how often something was claimed by each number of sessions a side, a row a way of pricing."""
    made = np.zeros((len(levels), MOST, count), bool)
    for n, (change, u, dof) in enumerate(drawn(rng, day_sd_k=day_sd_k, count=count), start=1):
        at = [level(n) for level in levels]
        beyond = {each: np.abs(change) > stdtrit(dof, 0.5 + each / 2) * u for each in set(at)}
        made[:, n - 1] = [beyond[each] for each in at]
    return np.logical_or.accumulate(made, axis=1).mean(axis=2)


def table(count: int) -> Iterator[str]:
    """Yield the lines."""
    yield f"{count} vehicles a row, seed {SEED}, nothing changed, the allowance {ALLOWANCE_K:g} K"
    yield "| days scatter by, K | way | claims by 1 | by 3 | by 5 | by 8 a side | width at 4 a side |"
    yield "|---|---|---|---|---|---|---|"
    for day_sd_k in (0.5, 0.75, 0.8, 1.0):
        found = claims(np.random.default_rng(SEED), day_sd_k=day_sd_k, count=count, levels=list(WAYS.values()))
        for (way, level), by in zip(WAYS.items(), found, strict=True):
            wider = stdtrit(10, 0.5 + level(4) / 2) / stdtrit(10, 0.975)  # the allowance's 4, the sessions' 6
            cells = " | ".join(f"{by[n - 1]:.3f}" for n in (1, 3, 5, 8))
            yield f"| {day_sd_k:g} | {way} | {cells} | {wider:.2f} |"


def season(count: int) -> Iterator[str]:
    """Yield how often the interval holds no change, where the weeks between the phases change something as well."""
    yield "\n| the weeks between change, SD in K | interval holds the service's effect with 1 | 2 | 3 | 5 a side |"
    yield "|---|---|---|---|---|"
    told = (1, 2, 3, 5)
    for season_sd_k in (0.0, 0.5, 1.0, 2.0):
        rng = np.random.default_rng([SEED, 2])
        between = season_sd_k * np.sqrt(2) * rng.standard_normal(count)  # each phase has its own
        held = [
            float(np.mean(np.abs(change + between) < stdtrit(dof, 0.975) * u))
            for change, u, dof in drawn(rng, day_sd_k=0.75, count=count)
        ]
        yield f"| {season_sd_k:g} | {' | '.join(f'{held[n - 1]:.3f}' for n in told)} |"
    shared = 2 * ALLOWANCE_K**2  # as the history allows for it, once a phase
    wider = []
    for _, u, dof in drawn(np.random.default_rng([SEED, 2]), day_sd_k=0.75, count=count):
        u2 = u**2 + shared
        all_dof = u2**2 / (u**4 / dof + shared**2 / DEFAULT_DOF)
        wider.append(float(np.mean(stdtrit(all_dof, 0.975) * np.sqrt(u2)) / np.mean(stdtrit(dof, 0.975) * u)))
    yield f"With 1 K allowed for it the interval would be wider by {' | '.join(f'{wider[n - 1]:.2f}' for n in told)}"


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=50_000, help="vehicles a row")
    count = parser.parse_args(arguments).count
    for part in (table(count), season(count)):
        for line in part:
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
