"""Looking several times: published boundaries recomputed by numerical integration, and our levels put into the same.

The recursion is that of P. Armitage, C. K. McPherson and B. C. Rowe, "Repeated significance tests on accumulating
data", JRSS A 132 (1969) 235-244. All published numbers here are from memory.
"""

import math

import numpy as np
import pytest
from scipy.special import ndtr, ndtri, stdtrit

from pullbook.statistics.looks import Looks


def crossing(bounds: list[float], information: list[float]) -> np.ndarray:
    """Return how often a standardised sum has crossed its bounds by each look, nothing being there."""
    grid, density, spent = np.zeros(1), np.ones(1), []
    before, kept = 0.0, 1.0
    for bound, now in zip(bounds, information, strict=True):
        edge, step = bound * math.sqrt(now), math.sqrt(now - before)
        inside = ndtr((edge - grid) / step) - ndtr((-edge - grid) / step)
        spent.append(kept - float(density @ inside))
        fresh = np.linspace(-edge, edge, 801)
        width = np.full(801, fresh[1] - fresh[0])
        width[1::2] *= 4 / 3  # Simpson's rule
        width[2:-1:2] *= 2 / 3
        width[[0, -1]] /= 3
        move = np.exp(-(((fresh[:, None] - grid) / step) ** 2) / 2) / (step * math.sqrt(2 * math.pi))
        grid, density = fresh, (move @ density) * width
        before, kept = now, float(density.sum())
    return np.cumsum(spent)


def test_unpaid_looks_as_armitage_mcpherson_and_rowe_had_them() -> None:
    """Nominal 5 % at each of 1 to 5 looks: 0.050, 0.083, 0.107, 0.126, 0.142, to three digits."""
    found = crossing([1.959964] * 5, [1, 2, 3, 4, 5])
    assert found == pytest.approx([0.050, 0.083, 0.107, 0.126, 0.142], abs=6e-4)


@pytest.mark.parametrize(("looks", "constant"), [(2, 1.977), (3, 2.004), (4, 2.024), (5, 2.040)])
def test_obrien_and_fleming(looks: int, constant: float) -> None:
    """O'Brien and Fleming, Biometrics 35 (1979) 549-556: bounds constant * sqrt(K / k), 5 % two-sided in all.

    Constants to three decimals; one in the last moves the total by about 0.0001.
    """
    bounds = [constant * math.sqrt(looks / k) for k in range(1, looks + 1)]
    assert crossing(bounds, list(range(1, looks + 1)))[-1] == pytest.approx(0.05, abs=2e-4)


def test_lan_and_demets() -> None:
    """Lan and DeMets, Biometrika 70 (1983) 659-663: spending 4 - 4 Phi(z / sqrt(t)), z of 0.9875, at five looks.

    Bounds 4.877, 3.357, 2.680, 2.290, 2.031: each look spends what the function has more by then.
    """
    bounds = [4.877, 3.357, 2.680, 2.290, 2.031]
    shares = np.arange(1, 6) / 5
    spent = 4 - 4 * ndtr(ndtri(1 - 0.05 / 4) / np.sqrt(shares))
    assert crossing(bounds, list(shares)) == pytest.approx(spent, abs=2e-4)


@pytest.mark.parametrize("planned", [None, 5, 8])
def test_what_our_looks_spend_where_the_scatter_is_known(planned: int | None) -> None:
    """Up to 8 a side, the scatter between days being the allowance and known, as published boundaries have it.

    t has the degrees of freedom of the allowance and of the sessions, 2n + 2. The doubt of a scatter that is learnt
    from the same sessions comes on top: `tests/statistics/test_looks.py` draws it.
    """
    paid, unpaid = (
        [float(stdtrit(2 * n + 2, 0.5 + level(n) / 2)) for n in range(1, 9)]
        for level in (lambda n: Looks(before=n, after=n, planned=planned).each_level, lambda n: 0.95)
    )
    looks = [float(n) for n in range(1, 9)]
    assert crossing(paid, looks)[-1] < 0.05 < 0.08 < crossing(unpaid, looks)[-1]
