"""Densities against scipy's, and every derivative against differences of the one before."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit, gammaln, polygamma

from trialkit.mixed.families import FAMILIES, polygamma_steps, row_terms, shape_terms

# Central differences with steps of 1e-5 of values of order ten.
DERIVATIVE = 1e-8
ETAS = (-1.1, 0.7, 2.1)
PHIS = (-0.5, 1.2, 3.0)
Y = {"poisson": 7.0, "negative_binomial": 7.0, "gamma": 2.3, "binomial": 7.0, "beta_binomial": 7.0}
SIZE = 20.0


def log_density(name: str, y: float, eta: float, phi: float) -> float:
    mean, shape = np.exp(eta), np.exp(phi)
    p = expit(eta)
    if name == "poisson":
        return stats.poisson(mean).logpmf(y)
    if name == "negative_binomial":
        return stats.nbinom(shape, shape / (shape + mean)).logpmf(y)
    if name == "gamma":
        return stats.gamma(shape, scale=mean / shape).logpdf(y)
    if name == "binomial":
        return stats.binom(SIZE, p).logpmf(y)
    return stats.betabinom(SIZE, shape * p, shape * (1 - p)).logpmf(y)


@pytest.mark.parametrize("name", Y)
def test_log_density(name: str) -> None:
    family, y = FAMILIES[name], Y[name]
    constant = family.log_constant(np.array([y]), np.array([SIZE]), np.ones(1))
    for eta in ETAS:
        for phi in PHIS:
            ours = row_terms(family.code, y, eta, SIZE, phi)[0] + constant
            assert ours == pytest.approx(log_density(name, y, eta, phi), abs=1e-12)


@pytest.mark.parametrize("name", Y)
def test_derivatives(name: str) -> None:
    code, y, h = FAMILIES[name].code, Y[name], 1e-5
    for eta in ETAS:
        for phi in PHIS:
            up, down = (row_terms(code, y, eta + s * h, SIZE, phi) for s in (1, -1))
            _, score, weight, slope = row_terms(code, y, eta, SIZE, phi)
            numeric = (np.array(up) - np.array(down)) / (2 * h)
            np.testing.assert_allclose(
                [score, -weight, slope], numeric[:3], rtol=DERIVATIVE, atol=DERIVATIVE
            )
            if FAMILIES[name].dispersed:
                up, down = (row_terms(code, y, eta, SIZE, phi + s * h) for s in (1, -1))
                numeric = (np.array(up) - np.array(down)) / (2 * h)
                np.testing.assert_allclose(
                    shape_terms(code, y, eta, SIZE, phi), numeric[:3],
                    rtol=DERIVATIVE, atol=DERIVATIVE,
                )  # fmt: skip


@pytest.mark.parametrize(("a", "n"), [(0.3, 7), (2.5, 30), (1.7, 3.4), (20.0, 200), (0.05, 0.9)])
def test_steps_of_the_gamma_functions(a: float, n: float) -> None:
    expected = [gammaln(a + n) - gammaln(a)]
    expected += [polygamma(k, a + n) - polygamma(k, a) for k in range(3)]
    np.testing.assert_allclose(polygamma_steps(a, float(n)), expected, rtol=1e-13)
