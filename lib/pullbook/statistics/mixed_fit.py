"""Mixed estimation: generalised least squares that joins data with prior knowledge of a coefficient."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pullbook.statistics.priors import Prior


@dataclass(frozen=True)
class MixedFit:
    """A linear fit that joins data and prior knowledge: n data, p coefficients, q of them with prior knowledge.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        In the unit of the data per unit of the design's column.
    covariance : ndarray, shape (p, p)
        Of the coefficients.
    data_weights : ndarray, shape (p, n)
        ``coefficients = data_weights @ y + prior_weights @ prior_means``: what each datum contributes.
    prior_weights : ndarray, shape (p, q)
    residuals : ndarray, shape (n,)
        In the unit of the data.
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
        Of full rank, together with the priors.
    y : ndarray, shape (n,)
        Data.
    covariance : ndarray, shape (n, n)
        Of the data; positive definite.
    priors : sequence of (int, Prior)
        Which coefficient, and what is known of it; each coefficient once.

    Returns
    -------
    MixedFit

    Raises
    ------
    numpy.linalg.LinAlgError
        When ``covariance`` is not positive definite.

    References
    ----------
    H. Theil and A. S. Goldberger, "On pure and mixed statistical estimation in economics", International Economic
    Review 2 (1961) 65-78.

    Examples
    --------
    Two readings and what was known before, each with an uncertainty of 1: the mean of the three, its variance a third.

    >>> import numpy as np
    >>> from pullbook.statistics.mixed_fit import mixed_fit
    >>> from pullbook.statistics.priors import Prior
    >>> fit = mixed_fit(np.ones((2, 1)), np.array([11.0, 13.0]), np.eye(2), [(0, Prior(9.0, 1.0, "a guess"))])
    >>> print(fit.coefficients.round(6), fit.covariance.round(3))
    [11.] [[0.333]]
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
