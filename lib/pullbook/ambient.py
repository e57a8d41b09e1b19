"""What the weather does to a charge temperature, and how that knowledge joins the data.

At constant cooler effectiveness the rise over the inlet grows in proportion to the absolute inlet temperature; lower
air flow on hot days works against it. So the slope is partly known before any data, and mixed estimation joins the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pullbook.air import KELVIN
from pullbook.outcomes import Outcome

SHARE_OF_PROPORTIONAL = 0.6
SHARE_UNCERTAINTY = 0.35


@dataclass(frozen=True)
class Prior:
    """What is known of a slope before the data: mean, standard uncertainty and where from."""

    mean: float
    standard_uncertainty: float
    source: str


def ambient_slope(outcome: Outcome, *, rise_k: float, inlet_c: float) -> Prior | None:
    """Return the physical slope of an outcome on the inlet temperature, in its unit per kelvin.

    Parameters
    ----------
    outcome : Outcome
    rise_k : float
        Usual rise of the charge over the inlet temperature.
    inlet_c : float
        Usual inlet temperature.

    Returns
    -------
    Prior or None
        None where physics says nothing definite; then no correction is made.

    Notes
    -----
    With ``T2 = T1 (1 + x)`` (adiabatic compression) and ``T3 = T2 - e (T2 - T1)``, the rise is ``T1 x (1 - e)``: slope
    rise / T1. Lower air flow in warm air raises the effectiveness; 0.6 +- 0.35 of the proportional slope covers both.
    """
    if outcome.ambient == "none" or not np.isfinite([rise_k, inlet_c]).all():
        return None
    proportional = max(rise_k, 0.0) / (inlet_c + KELVIN)
    mean = SHARE_OF_PROPORTIONAL * proportional + (1.0 if outcome.ambient == "charge" else 0.0)
    return Prior(mean, max(SHARE_UNCERTAINTY * proportional, 1e-6), "physics of compressor and cooler")


def pressure_slope(outcome: Outcome, *, rise_k: float) -> Prior | None:
    """Return the physical slope of an outcome on the logarithm of the compression heating, in kelvin.

    The rise is proportional to ``pr**((g-1)/g) - 1`` at constant effectiveness; a higher air flow lowers the
    effectiveness and works with it, heat stored in the cooler against it.
    """
    if outcome.ambient == "none" or not np.isfinite(rise_k) or rise_k <= 0:
        return None
    return Prior(rise_k, SHARE_UNCERTAINTY * rise_k, "physics of the compressor")


@dataclass(frozen=True)
class MixedFit:
    """A linear fit that joins data and prior knowledge.

    Parameters
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    data_weights : ndarray, shape (p, n)
        ``coefficients = data_weights @ y + prior_weights @ prior_means``: what each datum contributes.
    prior_weights : ndarray, shape (p, q)
    residuals : ndarray, shape (n,)
    residual_maker : ndarray, shape (n, n)
        Residuals are this times the data (plus a constant); its trace counts the degrees of freedom left.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    data_weights: np.ndarray
    prior_weights: np.ndarray
    residuals: np.ndarray
    residual_maker: np.ndarray


def mixed_fit(
    design: np.ndarray, y: np.ndarray, covariance: np.ndarray, priors: Sequence[tuple[int, Prior]]
) -> MixedFit:
    """Fit by generalised least squares with prior knowledge of some coefficients.

    Parameters
    ----------
    design : ndarray, shape (n, p)
    y : ndarray, shape (n,)
    covariance : ndarray, shape (n, n)
        Of the data.
    priors : sequence of (int, Prior)
        Which coefficient, and what is known of it.

    References
    ----------
    H. Theil and A. S. Goldberger, "On pure and mixed statistical estimation in economics", International Economic
    Review 2 (1961) 65-78.
    """
    count, rows = len(y), len(y) + len(priors)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    stacked = np.zeros((rows, design.shape[1]))
    stacked[:count] = whiten @ design
    means = np.zeros(len(priors))
    for row, (column, prior) in enumerate(priors):
        stacked[count + row, column] = 1.0 / prior.standard_uncertainty
        means[row] = prior.mean / prior.standard_uncertainty
    # Orthogonal triangles keep the digits that normal equations would lose.
    q, r = np.linalg.qr(stacked)
    solve = np.linalg.solve(r, q.T)
    data_weights = solve[:, :count] @ whiten
    sharpness = np.array([1.0 / prior.standard_uncertainty for _, prior in priors])
    coefficients = solve @ np.concatenate([whiten @ y, means])
    inverse_r = np.linalg.inv(r)
    return MixedFit(
        coefficients=coefficients,
        covariance=inverse_r @ inverse_r.T,
        data_weights=data_weights,
        prior_weights=solve[:, count:] * sharpness,
        residuals=y - design @ coefficients,
        residual_maker=np.eye(count) - design @ data_weights,
    )
