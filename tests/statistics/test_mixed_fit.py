"""What physics says of the weather, and mixed estimation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import block_diag
from statsmodels.regression.linear_model import GLS

from pullbook.settings.outcomes import OUTCOMES
from pullbook.statistics.mixed_fit import mixed_fit
from pullbook.statistics.priors import Prior, ambient_slope, pressure_slope


def test_the_proportional_slope_of_36_k_at_300_k() -> None:
    # A rise of 36 K at 300 K grows by 0.12 K for each kelvin of inlet at constant effectiveness (T1 x (1 - e)).
    prior = ambient_slope(OUTCOMES["peak_rise"], rise_k=36.0, inlet_c=26.85)
    assert prior is not None
    assert prior.mean == pytest.approx(0.6 * 0.12)
    assert prior.standard_uncertainty == pytest.approx(0.35 * 0.12)


def test_a_charge_temperature_moves_with_the_inlet_and_a_little_more() -> None:
    rise = ambient_slope(OUTCOMES["peak_rise"], rise_k=36.0, inlet_c=20.0)
    charge = ambient_slope(OUTCOMES["peak_charge"], rise_k=36.0, inlet_c=20.0)
    assert rise is not None
    assert charge is not None
    assert charge.mean == pytest.approx(1 + rise.mean)


def test_nothing_is_assumed_of_other_outcomes() -> None:
    assert ambient_slope(OUTCOMES["peak_air_mass_flow"], rise_k=36.0, inlet_c=20.0) is None
    assert pressure_slope(OUTCOMES["peak_coolant"], rise_k=36.0) is None
    assert pressure_slope(OUTCOMES["time_to_boost"], rise_k=36.0) is None
    assert ambient_slope(OUTCOMES["peak_rise"], rise_k=float("nan"), inlet_c=20.0) is None


def test_a_coolant_may_follow_the_air_or_not() -> None:
    """Not at all while its thermostat holds; kelvin for kelvin with the radiator at its limit."""
    prior = ambient_slope(OUTCOMES["mean_coolant"], rise_k=float("nan"), inlet_c=20.0)
    assert prior is not None
    for end in (0.0, 1.0):
        assert abs(end - prior.mean) <= 1.5 * prior.standard_uncertainty


def test_the_slope_on_compression_is_the_rise_itself() -> None:
    # The rise is proportional to f = pr^((g-1)/g) - 1 at constant effectiveness, so d rise / d ln f = rise; the stated
    # uncertainty is 0.35 of it.
    prior = pressure_slope(OUTCOMES["peak_rise"], rise_k=40.0)
    assert prior is not None
    assert (prior.mean, prior.standard_uncertainty) == (40.0, pytest.approx(14.0))
    small = pressure_slope(OUTCOMES["peak_rise"], rise_k=0.5)
    assert small is not None
    assert small.mean == 0.5


@pytest.mark.parametrize("rise_k", [0.0, -3.0, float("nan"), float("inf")])
def test_a_charge_that_is_not_warmed_says_nothing_of_compression(rise_k) -> None:
    assert pressure_slope(OUTCOMES["peak_rise"], rise_k=rise_k) is None


def test_a_charge_cooler_than_the_inlet_air_still_moves_with_it() -> None:
    """A cooler fed by water can do that: no rise to grow, but the charge goes with the inlet, kelvin by kelvin."""
    prior = ambient_slope(OUTCOMES["peak_charge"], rise_k=-4.0, inlet_c=30.0)
    assert prior is not None
    assert prior.mean == 1.0
    assert 0 < prior.standard_uncertainty < 1e-5  # known, but never so well that a fit divides by nothing


@given(st.integers(0, 10_000), st.floats(-2, 2), st.floats(0.05, 5))
def test_the_weights_rebuild_the_coefficients(seed, mean, spread) -> None:
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(7), rng.standard_normal((7, 2))])
    y = rng.standard_normal(7)
    root = rng.standard_normal((7, 7))
    fit = mixed_fit(design, y, root @ root.T + np.eye(7), [(2, Prior(mean, spread, ""))])
    np.testing.assert_allclose(fit.data_weights @ y + fit.prior_weights @ [mean], fit.coefficients, atol=1e-9)
    np.testing.assert_allclose(fit.residual_maker @ y - design @ fit.prior_weights @ [mean], fit.residuals, atol=1e-9)


@given(st.integers(0, 10_000), st.integers(1, 4), st.data())
def test_it_is_generalised_least_squares_on_the_rows_of_data_and_prior(seed, columns, data) -> None:
    """Theil and Goldberger's estimator is Aitken's on stacked rows: statsmodels, with the variances taken as known."""
    rng = np.random.default_rng(seed)
    rows = data.draw(st.integers(columns, 9), label="rows")
    known = data.draw(st.sets(st.integers(0, columns - 1)), label="coefficients with prior knowledge")
    priors = [(k, Prior(rng.normal(), 10 ** rng.uniform(-2, 2), "")) for k in sorted(known)]
    design, y = rng.standard_normal((rows, columns)), 40 + rng.standard_normal(rows)
    root = rng.standard_normal((rows, rows))
    covariance = root @ root.T + np.eye(rows)
    fit = mixed_fit(design, y, covariance, priors)

    stacked = np.vstack([design, *(np.eye(columns)[[k]] for k, _ in priors)])
    told = np.concatenate([y, [prior.mean for _, prior in priors]])
    sigma = block_diag(covariance, np.diag([prior.standard_uncertainty**2 for _, prior in priors]))
    reference = GLS(told, stacked, sigma=sigma).fit(cov_type="fixed scale")
    np.testing.assert_allclose(fit.coefficients, reference.params, rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(fit.covariance, reference.cov_params(), rtol=1e-7, atol=1e-9)


def test_covariance_is_what_the_weights_make_of_data_and_prior() -> None:
    rng = np.random.default_rng(3)
    design = np.column_stack([np.ones(6), np.arange(6.0)])
    known = np.diag(rng.uniform(0.5, 2, 6))
    fit = mixed_fit(design, rng.standard_normal(6), known, [(1, Prior(0.2, 0.3, ""))])
    made = fit.data_weights @ known @ fit.data_weights.T + fit.prior_weights @ [[0.09]] @ fit.prior_weights.T
    np.testing.assert_allclose(made, fit.covariance, atol=1e-12)
