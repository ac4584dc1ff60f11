"""Response distributions: log-density, and its first three derivatives in the linear predictor.

Every family here uses its canonical link, so the observed and the expected information agree and
the third derivative is the slope of the weight. Poisson: log link, mean ``exp(eta)``. Binomial:
logit link, ``y`` successes of ``size`` trials.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.special import expit, gammaln

from trialkit.errors import ModelError

GAUSSIAN, POISSON, BINOMIAL = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Family:
    """One response distribution with its link."""

    code: int
    name: str
    link: str

    def inverse_link(self, eta: np.ndarray) -> np.ndarray:
        """Linear predictor to mean (proportion for binomial)."""
        if self.code == POISSON:
            return np.exp(eta)
        return expit(eta) if self.code == BINOMIAL else np.asarray(eta)

    def log_constant(self, y: np.ndarray, size: np.ndarray) -> float:
        """The part of the log-likelihood free of parameters, summed over rows."""
        if self.code == POISSON:
            return float(-gammaln(y + 1.0).sum())
        if self.code == BINOMIAL:
            return float((gammaln(size + 1) - gammaln(y + 1) - gammaln(size - y + 1)).sum())
        return 0.0


FAMILIES = {
    "gaussian": Family(GAUSSIAN, "gaussian", "identity"),
    "poisson": Family(POISSON, "poisson", "log"),
    "binomial": Family(BINOMIAL, "binomial", "logit"),
}


def get_family(name: str) -> Family:
    """Look a family up by name; the error lists the allowed names."""
    try:
        return FAMILIES[name]
    except KeyError:
        allowed = ", ".join(FAMILIES)
        raise ModelError(f"family {name!r} is not known; choose one of {allowed}.") from None


@njit(cache=True, inline="always")
def row_terms(code, y, eta, size):
    """Log-density (less its constant), score, weight and slope of the weight of one row."""
    if code == 1:  # POISSON
        mu = math.exp(min(eta, 700.0))
        return y * eta - mu, y - mu, mu, mu
    if eta > 0.0:
        tail = math.exp(-eta)
        p = 1.0 / (1.0 + tail)
        log1p_exp = eta + math.log1p(tail)
    else:
        tail = math.exp(eta)
        p = tail / (1.0 + tail)
        log1p_exp = math.log1p(tail)
    w = size * p * (1.0 - p)
    return y * eta - size * log1p_exp, y - size * p, w, w * (1.0 - 2.0 * p)
