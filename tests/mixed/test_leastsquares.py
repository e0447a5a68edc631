"""Least squares of plots against certified values and statsmodels."""

import numpy as np
import pytest
import statsmodels.api as sm

from trialkit.mixed.leastsquares import LeastSquares

# National Institute of Standards and Technology, Statistical Reference Datasets: Longley, certified
# estimates, their standard deviations, and the residual sum of squares on 9 degrees of freedom.
LONGLEY = np.array([
    [-3482258.63459582, 890420.383607373], [15.0618722713733, 84.9149257747669],
    [-0.0358191792925910, 0.0334910077722432], [-2.02022980381683, 0.488399681651699],
    [-1.03322686717359, 0.214274163161675], [-0.0511041056535807, 0.226073200069370],
    [1829.15146461355, 455.478499142212]])
LONGLEY_RSS, LONGLEY_F = 836424.055505915, 330.285339234588


def longley():
    data = sm.datasets.longley.load()
    return np.column_stack([np.ones(16), data.exog.to_numpy()]), data.endog.to_numpy()


def test_longley_has_its_certified_values():
    x, y = longley()
    fit = LeastSquares(x, y)
    assert (fit.rank, fit.df) == (7, 9)
    assert fit.estimate == pytest.approx(LONGLEY[:, 0], rel=1e-6)
    assert np.sqrt(np.diagonal(fit.covariance)) == pytest.approx(LONGLEY[:, 1], rel=1e-6)
    assert fit.rss == pytest.approx(LONGLEY_RSS, rel=1e-9)
    assert fit.f_over(LeastSquares(x[:, :1], y)) == (pytest.approx(LONGLEY_F, rel=1e-8), 6)


def test_what_a_layout_leaves_estimable_is_as_in_statsmodels():
    """Varieties and blocks, both whole: differences, their errors, and each plot left out."""
    rng = np.random.default_rng(5)
    x = np.hstack([np.kron(np.ones((4, 1)), np.eye(3)), np.kron(np.eye(4), np.ones((3, 1)))])
    y = rng.normal(size=12)
    fit, peer = LeastSquares(x, y), sm.OLS(y, x).fit()
    step = np.array([1.0, -1.0, 0, 0, 0, 0, 0])
    assert (fit.rank, fit.df) == (6, 6)
    assert step @ fit.estimate == pytest.approx(step @ peer.params, rel=1e-10)
    assert step @ fit.covariance @ step == pytest.approx(step @ peer.cov_params() @ step, rel=1e-10)
    slow = [step @ sm.OLS(np.delete(y, k), np.delete(x, k, axis=0)).fit().params
            for k in range(12)]
    assert fit.left_out(step) == pytest.approx(slow, rel=1e-9)


def test_no_plot_left_over_gives_no_error():
    fit = LeastSquares(np.eye(3), np.arange(3.0))
    assert fit.df == 0
    assert np.isnan(fit.covariance).all()
    assert np.isnan(fit.f_over(LeastSquares(np.ones((3, 1)), np.arange(3.0)))[0])
    assert np.isnan(fit.left_out(np.array([1.0, -1.0, 0.0]))).all()
