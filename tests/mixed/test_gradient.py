"""The criterion and its gradient against computations that share no code with the engine."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, gammaln
from scipy.stats import multivariate_normal

from trialkit.mixed.families import FAMILIES, get_family
from trialkit.mixed.model import Model, build_model

# Central differences of a value known to about 1e-12 with steps of 1e-5.
GRADIENT = 2e-6

DESIGNS: dict[str, dict[str, Any]] = {
    "intercepts": {},
    "unstructured slope": {"slopes": {"pair": ["speed"]}},
    "independent slope": {"slopes": {"pair": ["speed"]}, "covariance": {"pair": "independent"}},
    "exchangeable setups": {"slopes": {"pair": ["setup"]}, "covariance": {"pair": "exchangeable"}},
    "crossed": {"crossed": ["hybrid"], "slopes": {"pair": ["speed"]}},
    "crossed only": {"nested": [], "crossed": ["hybrid", "driver"]},
    "prior weights": {"weights": "weight"},
}


def trial_frame() -> pd.DataFrame:
    """Unbalanced rows in no order; strip labels repeat in every pair."""
    rng = np.random.default_rng(20)
    frame = pd.DataFrame(
        [(p, s, f) for p in range(5) for s in "abc" for f in range(4)],
        columns=["pair", "strip", "frame"],
    )
    frame["setup"] = frame["strip"].map({"a": "narrow", "b": "usual", "c": "wide"})
    frame["speed"] = rng.normal(7, 1, len(frame))
    frame["area"] = rng.uniform(0.5, 1.5, len(frame))
    level = 1.2 + 0.5 * (frame["setup"] == "wide") + rng.normal(0, 0.4, 5)[frame["pair"]]
    frame["poisson"] = rng.poisson(frame["area"] * np.exp(level))
    frame["gaussian"] = level + rng.normal(0, 0.5, len(frame))
    frame["trials"] = rng.integers(5, 30, len(frame))
    frame["binomial"] = rng.binomial(frame["trials"], expit(level - 2))
    frame["gamma"] = np.exp(level) * rng.gamma(4, 1 / 4, len(frame))
    frame["negative_binomial"] = rng.poisson(frame["area"] * frame["gamma"])
    uneven = rng.beta(6 * expit(level - 2), 6 * expit(2 - level))
    frame["beta_binomial"] = rng.binomial(frame["trials"], uneven)
    frame["hybrid"] = rng.choice(list("HKLM"), len(frame))
    frame["driver"] = rng.choice(list("xyz"), len(frame))
    frame["weight"] = rng.choice([0.5, 1.0, 3.0], len(frame))
    return frame.sample(frac=0.9, random_state=3)


def model_of(family: str, design: str, frame: pd.DataFrame | None = None) -> Model:
    usual = {"nested": ["pair", "strip"], "slopes": {}, "covariance": {}, "crossed": []}
    return build_model(
        trial_frame() if frame is None else frame,
        response=family, fixed="setup + speed", family=get_family(family),
        exposure="area" if get_family(family).link == "log" else None,
        trials="trials" if get_family(family).link == "logit" else None,
        **{"weights": None, **usual, **DESIGNS[design]},
    )  # fmt: skip


def responses(model: Model) -> NDArray:
    return model.frame[model.response].to_numpy(dtype=float)[model.chain.order]


def random_columns(model: Model, theta: NDArray) -> NDArray:
    """Dense ``Z Lambda``, shape (rows, random effects)."""
    layout, _ = model.layout(with_fixed=True)
    blocks = []
    for z, units, lam in zip(model.z, model.row_units, layout.lambdas(theta), strict=True):
        member = np.eye(int(units.max()) + 1)[units]
        blocks += [member * column[:, None] for column in (z @ lam).T]
    return np.hstack(blocks)


@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("family", FAMILIES)
def test_gradient_is_the_slope_of_the_value(family: str, restricted: bool, design: str) -> None:
    model = model_of(family, design)
    y = responses(model)
    k, p = len(model.scale), model.x.shape[1]
    at = 0.5 * model.scale * np.random.default_rng(4).uniform(0.5, 1.5, k)
    if family == "gaussian":
        gauss = model.gaussian(y, restricted)
        point = gauss.point
    else:
        laplace = model.laplace(y, restricted)
        laplace.tolerance = laplace.TIGHT
        if restricted:
            point = lambda v: laplace.point(v, np.zeros(p))  # noqa: E731
        else:
            at = np.r_[at, 1.0, 0.2 * np.ones(p - 1)]
            point = lambda v: laplace.point(v[:k], v[k:])  # noqa: E731
    numeric = []
    for j in range(len(at)):
        h = 1e-5 * max(1.0, abs(at[j]))
        up, down = at.copy(), at.copy()
        up[j] += h
        down[j] -= h
        numeric.append((point(up).value - point(down).value) / (2 * h))
    grad = point(at).grad
    np.testing.assert_allclose(grad, numeric, rtol=GRADIENT, atol=GRADIENT * np.abs(grad).max())


@pytest.mark.parametrize("design", DESIGNS)
def test_gaussian_value_is_the_multivariate_normal_density(design: str) -> None:
    model = model_of("gaussian", design)
    y = responses(model)
    theta = 0.7 * model.theta_scale
    point = model.gaussian(y, reml=False).point(theta)
    zl = random_columns(model, theta)
    v = point.sigma**2 * (np.diag(1 / model.weight) + zl @ zl.T)
    dense = multivariate_normal(model.x @ point.beta, v).logpdf(y)
    assert point.value == pytest.approx(dense, abs=1e-9)
    # The restricted likelihood integrates the fixed effects out (Harville 1974, eq. 2.3).
    reml = model.gaussian(y, reml=True).point(theta)
    v = reml.sigma**2 * (np.diag(1 / model.weight) + zl @ zl.T)
    info = model.x.T @ np.linalg.solve(v, model.x)
    dense = multivariate_normal(model.x @ reml.beta, v).logpdf(y)
    dense += 0.5 * len(info) * np.log(2 * np.pi) - 0.5 * np.linalg.slogdet(info)[1]
    assert reml.value == pytest.approx(dense, abs=1e-9)


@pytest.mark.parametrize("family", ["poisson", "binomial"])
@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("restricted", [True, False])
def test_laplace_value_is_the_dense_laplace_approximation(
    family: str, restricted: bool, design: str
) -> None:
    model = model_of(family, design)
    y, n = responses(model), len(model.x)
    theta = 0.6 * model.theta_scale
    beta = np.r_[0.8, np.full(model.x.shape[1] - 1, 0.1)]
    zl = random_columns(model, theta)
    columns = np.hstack([zl, model.x]) if restricted else zl
    offset = model.offset + (0.0 if restricted else model.x @ beta)
    penalty = np.r_[np.ones(zl.shape[1]), np.zeros(columns.shape[1] - zl.shape[1])]
    g = model.weight
    if family == "poisson":
        constant = -g @ gammaln(y + 1)
        terms = lambda e: (y * e - np.exp(e), y - np.exp(e), np.exp(e))  # noqa: E731
    else:
        m = model.size
        constant = g @ (gammaln(m + 1) - gammaln(y + 1) - gammaln(m - y + 1))
        terms = lambda e: (  # noqa: E731
            y * e - m * np.logaddexp(0, e), y - m * expit(e), m * expit(e) * expit(-e)
        )  # fmt: skip

    def negative(u: NDArray) -> tuple[float, NDArray]:
        value, score, _ = terms(offset + columns @ u)
        return 0.5 * float(penalty @ u**2) - g @ value, penalty * u - columns.T @ (g * score)

    def curvature(u: NDArray) -> NDArray:
        weight = g * terms(offset + columns @ u)[2]
        return np.diag(penalty) + (columns * weight[:, None]).T @ columns

    found = minimize(
        negative, np.zeros(columns.shape[1]), jac=True, hess=curvature, method="trust-exact",
        options={"gtol": 1e-9},
    )  # fmt: skip
    mode = found.x
    for _ in range(3):
        mode = mode - np.linalg.solve(curvature(mode), negative(mode)[1])
    dense = constant - negative(mode)[0] - 0.5 * np.linalg.slogdet(curvature(mode))[1]
    dense += 0.5 * np.log(2 * np.pi) * (model.x.shape[1] if restricted else 0)
    laplace = model.laplace(y, restricted)
    laplace.tolerance = laplace.TIGHT
    assert n == len(y)
    assert laplace.point(theta, beta).value == pytest.approx(dense, abs=1e-8)
