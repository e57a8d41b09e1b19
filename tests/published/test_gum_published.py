"""Uncertainty against the worked examples of JCGM 100:2008 (GUM)."""

import numpy as np
import pytest

from pullbook.statistics.estimate import pooled_day_variance
from pullbook.statistics.mixed_fit import mixed_fit
from pullbook.statistics.session_means import two_way
from pullbook.statistics.uncertainty import BudgetLine, combined, coverage_factor, effective_dof, step_uncertainty

# H.1, end-gauge calibration, table H.1 [nm] with the degrees of freedom of H.1.6.
END_GAUGE = (
    BudgetLine("standard", "A", 25.0, 18),
    BudgetLine("observations", "A", 5.8, 24),
    BudgetLine("random effects of the comparator", "A", 3.9, 5),
    BudgetLine("systematic effects of the comparator", "B", 6.7, 8),
    BudgetLine("difference of expansion coefficients", "B", 2.887, 50),
    BudgetLine("difference of temperatures", "B", 16.599, 2),
)


def test_h1_combined_uncertainty() -> None:
    assert round(combined(END_GAUGE)) == 32  # H.1.4: u_c = 32 nm
    assert combined(END_GAUGE) ** 2 == pytest.approx(1002, abs=1.5)  # H.1.4: 1002 nm2


def test_h1_effective_degrees_of_freedom() -> None:
    # H.1.6: 16.7, cut to 16. The unrounded inputs above give 16.75.
    assert effective_dof(END_GAUGE) == pytest.approx(16.7, abs=0.06)


def test_h1_expanded_uncertainty() -> None:
    k = coverage_factor(0.99, 16)
    assert k == pytest.approx(2.92, abs=0.005)  # H.1.6: t_99(16) = 2.92
    assert k * combined(END_GAUGE) == pytest.approx(93, abs=0.6)  # H.1.6: U_99 = 93 nm


def test_g2_student_quantiles() -> None:
    # Table G.2, 95 %: degrees of freedom 1, 4, 10 and infinite.
    found = [coverage_factor(0.95, dof) for dof in (1, 4, 10, float("inf"))]
    np.testing.assert_allclose(found, [12.71, 2.78, 2.23, 1.960], atol=5e-3)


def test_f221_resolution_step() -> None:
    assert step_uncertainty(1.0) == pytest.approx(0.29, abs=2e-3)  # F.2.2.1: u = 0.29 of the step


def test_j1979_byte_as_a_step() -> None:
    # One byte, 1 °C per bit (SAE J1979 service 01 PID 05): 1 / sqrt(12).
    assert step_uncertainty(1.0) == pytest.approx(0.2886751, abs=1e-6)


# H.5, Zener voltage standard, table H.9: daily means (10 V plus microvolts), standard deviations of five readings.
DAILY_MEANS = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], dtype=float)
DAILY_SDS = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], dtype=float)
READINGS = 5


@pytest.fixture(scope="module")
def zener() -> tuple[np.ndarray, np.ndarray]:
    """Readings with exactly the printed means and standard deviations (the table prints no single readings)."""
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    pattern /= pattern.std(ddof=1)
    y = (DAILY_MEANS[:, None] + DAILY_SDS[:, None] * pattern).ravel()
    return y, np.repeat(np.arange(10), READINGS)


def test_h5_within_days(zener) -> None:
    y, days = zener
    means, _, sd, dof, _ = two_way(y, days, np.ones(50, dtype=int))
    np.testing.assert_allclose(means, DAILY_MEANS, atol=1e-9)
    assert sd == pytest.approx(85, abs=0.5)  # H.5.2.4: 85 uV
    assert dof == 40
    assert means.mean() == pytest.approx(97, abs=0.5)  # H.5.2: 10.000 097 V


def test_h5_between_days(zener) -> None:
    y, days = zener
    means, known, sd, _, _ = two_way(y, days, np.ones(50, dtype=int))
    fit = mixed_fit(np.ones((10, 1)), means, np.eye(10), [])
    assert np.sqrt(fit.residuals @ fit.residuals / 9) == pytest.approx(57, abs=0.5)  # H.5.2.3: 57 uV
    # H.5.2.5: F = 2.25 from the rounded standard deviations, 2.26 from these.
    assert READINGS * (fit.residuals @ fit.residuals / 9) / sd**2 == pytest.approx(2.25, abs=0.02)
    variance, dof = pooled_day_variance(fit.residuals, fit.residual_maker, known, allowance=0.0, allowance_dof=0.0)
    assert np.sqrt(variance) == pytest.approx(43, abs=0.5)  # H.5.2.6: s_B = 43 uV
    assert dof == pytest.approx(9)


def test_h5_uncertainty_of_the_mean(zener) -> None:
    y, days = zener
    means, known, _, _, _ = two_way(y, days, np.ones(50, dtype=int))
    first = mixed_fit(np.ones((10, 1)), means, np.eye(10), [])
    variance, _ = pooled_day_variance(first.residuals, first.residual_maker, known, allowance=0.0, allowance_dof=0.0)
    fit = mixed_fit(np.ones((10, 1)), means, variance * np.eye(10) + known, [])
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(18, abs=0.5)  # H.5.2.6: u = 18 uV
    ignoring = np.sqrt(np.mean(np.diag(known)) / 10)
    assert ignoring == pytest.approx(13, abs=1.2)  # H.5.2.6: 13 uV if the day effect is taken for none (12.0 here)


# H.3, calibration of a thermometer, table H.6: temperature [°C] and observed correction [°C].
THERMOMETER = np.array(
    [
        (21.521, -0.171), (22.012, -0.169), (22.512, -0.166), (23.003, -0.159), (23.507, -0.164), (23.999, -0.165),
        (24.513, -0.156), (25.002, -0.157), (25.503, -0.159), (26.010, -0.161), (26.511, -0.160),
    ]
)  # fmt: skip


def test_h3_correction_by_regression() -> None:
    t, b = THERMOMETER.T
    fit = mixed_fit(np.column_stack([np.ones(11), t - 20.0]), b, np.eye(11), [])
    s = np.sqrt(fit.residuals @ fit.residuals / np.trace(fit.residual_maker))
    u = s * np.sqrt(np.diag(fit.covariance))
    assert fit.coefficients[0] == pytest.approx(-0.1712, abs=5e-5)  # H.3.3: y1 and its uncertainty
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert fit.coefficients[1] == pytest.approx(0.00218, abs=5e-6)  # H.3.3: y2 and its uncertainty
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert s == pytest.approx(0.0035, abs=5e-5)
    correlation = fit.covariance[0, 1] / np.sqrt(fit.covariance[0, 0] * fit.covariance[1, 1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ fit.coefficients == pytest.approx(-0.1494, abs=5e-5)  # H.3.4: b(30 °C)
    assert s * np.sqrt(at_30 @ fit.covariance @ at_30) == pytest.approx(0.0041, abs=5e-5)
