"""The fit of unknown variances: against scipy's search, and by hand where a hand can."""

import numpy as np
import pytest
from scipy.optimize import minimize

from tuninglib.statistics.mixed_model import Component, fit_mixed


@pytest.mark.parametrize(
    ("data", "known", "start"),
    [
        # A step as long as the slope says would leave no variance at all, or overshoot.
        ([0.0, 4.6, 1.9, 3.1], [0.0, 0.0, 0.0, 0.0], (1.0, 10.0)),
        ([1.9, -0.1, 0.0, -0.1, 1.0, 0.7], [0.01, 0.001, 1.0, 0.1, 0.001, 1.0], (0.01, 1.0)),
        ([-6.7, 0.1, -5.6, 0.1], [0.001, 1.0, 0.1, 1.0], (10.0, 1.0)),
    ],
)
def test_variances_are_those_of_greatest_restricted_likelihood(data, known, start):
    """One mean, read by two who scatter unlike."""
    data, known = np.array(data), np.array(known)
    second = np.arange(data.size) >= data.size / 2
    parts = [Component(np.diag(which * 1.0), one)
             for which, one in zip((~second, second), start, strict=True)]  # fmt: skip
    fit = fit_mixed(data, np.ones((data.size, 1)), np.diag(known), parts)

    def less_likely(log):
        weight = 1 / (known + np.exp(np.where(second, log[1], log[0])))
        mean = weight @ data / weight.sum()
        squares = weight @ (data - mean) ** 2
        return (np.log(weight.sum()) - np.log(weight).sum() + squares) / 2, mean

    best = min(
        (
            minimize(lambda log: less_likely(log)[0], begin, method="Nelder-Mead",
                     options={"xatol": 1e-9, "fatol": 1e-13})
            for begin in np.ndindex(3, 3)
        ),
        key=lambda found: found.fun,
    )  # fmt: skip
    assert fit.variances == pytest.approx(np.exp(best.x), rel=2e-3)
    assert fit.coefficients[0] == pytest.approx(less_likely(best.x)[1], rel=1e-3)


def test_how_well_a_variance_is_known_is_twice_its_square_over_the_degrees_of_freedom():
    """Of 1, 2, 6 the variance is 7 on two degrees of freedom: its own variance is 2 · 7² / 2."""
    data, ones, none = np.array([1.0, 2.0, 6.0]), np.ones((3, 1)), np.zeros((3, 3))
    fit = fit_mixed(data, ones, none, [Component(np.eye(3), start=1.0)])
    assert fit.variance_covariance == pytest.approx(np.array([[49.0]]))
    assert fit.weights == pytest.approx(np.full((1, 3), 1 / 3))
    # Stated to be 7 with four degrees of freedom, it is 2 · 7² / 6.
    fit = fit_mixed(data, ones, none, [Component(np.eye(3), start=7.0, prior_dof=4.0)])
    assert fit.variances == pytest.approx([7.0])
    assert fit.variance_covariance == pytest.approx(np.array([[98 / 6]]))
