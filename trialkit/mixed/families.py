"""Response distributions: log-density and its derivatives in predictor and dispersion.

======================  ======  ==========================================================
poisson                 log     variance ``mu``
negative_binomial       log     variance ``mu + mu^2 / size``
gamma                   log     variance ``mu^2 / shape``
binomial                logit   ``y`` successes of ``n`` trials
beta_binomial           logit   success probability varies by a beta law of the same mean and
                                precision ``a + b``
======================  ======  ==========================================================

Weights are the observed information. The dispersion parameter enters as ``phi``, the logarithm
of size, shape or precision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, gammaln

from trialkit.errors import ModelError
from trialkit.mixed.compiled import entry

# Those with a dispersion parameter come last.
GAUSSIAN, POISSON, BINOMIAL, NEGATIVE_BINOMIAL, GAMMA, BETA_BINOMIAL = 0, 1, 2, 3, 4, 5


@dataclass(frozen=True, slots=True)
class Family:
    """One response distribution with its link.

    ``dispersed`` families have a dispersion parameter of their own to estimate.
    """

    code: int
    name: str
    link: str
    dispersed: bool = False

    def inverse_link(self, eta: np.ndarray) -> np.ndarray:
        """Linear predictor to mean (a proportion under the logit link)."""
        if self.link == "log":
            return np.exp(eta)
        return expit(eta) if self.link == "logit" else np.asarray(eta)

    @property
    def counts(self) -> bool:
        """Whether responses are whole numbers from zero up."""
        return self.code not in (GAUSSIAN, GAMMA)

    def log_constant(self, y: np.ndarray, size: np.ndarray, prior: np.ndarray) -> float:
        """The part of the log-likelihood free of parameters, summed over rows by prior weight."""
        if self.code in (POISSON, NEGATIVE_BINOMIAL):
            return -float(prior @ gammaln(y + 1.0))
        if self.link == "logit":
            return float(prior @ (gammaln(size + 1) - gammaln(y + 1) - gammaln(size - y + 1)))
        return -float(prior @ np.log(y))

    def shape_sums(self, y: np.ndarray, mean: np.ndarray) -> np.ndarray:
        """Sums over rows of what :meth:`start_shape` reads, shape (2,)."""
        if self.code == NEGATIVE_BINOMIAL:
            return np.array([((y - mean) ** 2 - mean).sum(), (mean**2).sum()])
        return np.array([((y / mean - 1.0) ** 2).sum() if self.code == GAMMA else 0.0, len(y)])

    def start_shape(self, sums: np.ndarray) -> float:
        """A rough ``phi`` from responses and means fitted without random effects."""
        extra = float(sums[0] / sums[1])
        if self.code == NEGATIVE_BINOMIAL:
            return math.log(min(max(1.0 / max(extra, 1e-3), 0.2), 100.0))
        if self.code == GAMMA:
            return -math.log(max(extra, 1e-3))
        return math.log(20.0)


FAMILIES = {
    "gaussian": Family(GAUSSIAN, "gaussian", "identity"),
    "poisson": Family(POISSON, "poisson", "log"),
    "negative_binomial": Family(NEGATIVE_BINOMIAL, "negative_binomial", "log", dispersed=True),
    "binomial": Family(BINOMIAL, "binomial", "logit"),
    "beta_binomial": Family(BETA_BINOMIAL, "beta_binomial", "logit", dispersed=True),
    "gamma": Family(GAMMA, "gamma", "log", dispersed=True),
}


def get_family(name: str) -> Family:
    """Look a family up by name; the error lists the allowed names."""
    try:
        return FAMILIES[name]
    except KeyError:
        allowed = ", ".join(FAMILIES)
        raise ModelError(f"family {name!r} is not known; choose one of {allowed}.") from None


@entry
def polygamma_steps(a, n):
    """Differences over ``a`` to ``a + n`` of log-gamma and its first three derivatives.

    For whole ``n`` up to 50 by the recurrence, else by the asymptotic series (Abramowitz & Stegun
    1964, 6.1.40, 6.3.18, 6.4.11 to 6.4.13) after shifting the argument above 12.
    """
    d0 = 0.0
    d1 = 0.0
    d2 = 0.0
    d3 = 0.0
    if n <= 50.0 and n == math.floor(n):
        for j in range(int(n)):
            t = 1.0 / (a + j)
            d0 -= math.log(t)
            d1 += t
            d2 -= t * t
            d3 += 2.0 * t * t * t
        return d0, d1, d2, d3
    for end in range(2):
        x = a + n * end
        sign = 2.0 * end - 1.0
        while x < 12.0:
            t = 1.0 / x
            d0 += sign * math.log(t)
            d1 -= sign * t
            d2 += sign * t * t
            d3 -= sign * 2.0 * t * t * t
            x += 1.0
        t = 1.0 / x
        t2 = t * t
        d0 += sign * (
            (x - 0.5) * math.log(x)
            - x
            + t * (1 / 12 - t2 * (1 / 360 - t2 * (1 / 1260 - t2 * (1 / 1680 - t2 / 1188))))
        )
        d1 += sign * (
            math.log(x)
            - 0.5 * t
            - t2 * (1 / 12 - t2 * (1 / 120 - t2 * (1 / 252 - t2 * (1 / 240 - t2 / 132))))
        )
        d2 += sign * (
            t
            + 0.5 * t2
            + t * t2 * (1 / 6 - t2 * (1 / 30 - t2 * (1 / 42 - t2 * (1 / 30 - t2 * 5 / 66))))
        )
        d3 += sign * (
            -t2
            - t * t2
            - t2 * t2 * (1 / 2 - t2 * (1 / 6 - t2 * (1 / 6 - t2 * (3 / 10 - t2 * 5 / 6))))
        )
    return d0, d1, d2, d3


@entry
def row_terms(code, y, eta, size, phi):
    """Log-density (less its constant), score, weight and slope of the weight of one row."""
    if code == POISSON:
        mu = math.exp(min(eta, 700.0))
        return y * eta - mu, y - mu, mu, mu
    if code == NEGATIVE_BINOMIAL:
        k = math.exp(phi)
        mu = math.exp(min(eta, 700.0))
        p = mu / (k + mu)
        w = (y + k) * p * (1.0 - p)
        steps = polygamma_steps(k, y)
        ll = steps[0] - (k + y) * math.log1p(mu / k) + y * (eta - phi)
        return ll, k * (y - mu) / (k + mu), w, w * (1.0 - 2.0 * p)
    if code == GAMMA:
        nu = math.exp(phi)
        ratio = y * math.exp(-max(eta, -700.0))
        ll = nu * (math.log(nu * ratio) - ratio) - math.lgamma(nu)
        return ll, nu * (ratio - 1.0), nu * ratio, -nu * ratio
    # By the smaller tail, so that neither a share nor its complement loses digits.
    tail = math.exp(-abs(eta))
    large, small = 1.0 / (1.0 + tail), tail / (1.0 + tail)
    p, rest = (large, small) if eta > 0.0 else (small, large)
    log1p_exp = max(eta, 0.0) + math.log1p(tail)
    q = p * rest
    if code == BINOMIAL:
        w = size * q
        return y * eta - size * log1p_exp, y - size * p, w, w * (1.0 - 2.0 * p)
    s = math.exp(phi)
    lean = 1.0 - 2.0 * p
    up = polygamma_steps(s * p, y)
    down = polygamma_steps(s * rest, size - y)
    both = polygamma_steps(s, size)
    d = up[1] - down[1]
    e = up[2] + down[2]
    slope_e = s * q * (up[3] - down[3])
    w = -s * q * lean * d - s * s * q * q * e
    w3 = -s * ((q * lean * lean - 2.0 * q * q) * d + q * lean * s * q * e) - s * s * (
        2.0 * q * q * lean * e + q * q * slope_e
    )
    return up[0] + down[0] - both[0], s * q * d, w, w3


@entry
def shape_terms(code, y, eta, size, phi):
    """Derivatives in ``phi`` of log-density, score and weight of one row."""
    if code == NEGATIVE_BINOMIAL:
        k = math.exp(phi)
        mu = math.exp(min(eta, 700.0))
        p = mu / (k + mu)
        steps = polygamma_steps(k, y)
        dp = -p / (k + mu)
        d_ll = steps[1] - math.log1p(mu / k) + (mu - y) / (k + mu)
        d_w = p * (1.0 - p) + (y + k) * (1.0 - 2.0 * p) * dp
        return k * d_ll, k * p * (y - mu) / (k + mu), k * d_w
    if code == GAMMA:
        nu = math.exp(phi)
        ratio = y * math.exp(-max(eta, -700.0))
        # polygamma_steps(1, nu - 1) is digamma(nu) + Euler's constant.
        digamma = polygamma_steps(1.0, nu - 1.0)[1] - 0.57721566490153286
        d_ll = math.log(nu * ratio) + 1.0 - ratio - digamma
        return nu * d_ll, nu * (ratio - 1.0), nu * ratio
    s = math.exp(phi)
    # By the smaller tail, so that neither a share nor its complement loses digits.
    tail = math.exp(-abs(eta))
    large, small = 1.0 / (1.0 + tail), tail / (1.0 + tail)
    p, rest = (large, small) if eta > 0.0 else (small, large)
    q = p * rest
    lean = 1.0 - 2.0 * p
    up = polygamma_steps(s * p, y)
    down = polygamma_steps(s * rest, size - y)
    both = polygamma_steps(s, size)
    d = up[1] - down[1]
    e = up[2] + down[2]
    ds_d = p * up[2] - rest * down[2]
    ds_e = p * up[3] + rest * down[3]
    d_ll = p * up[1] + rest * down[1] - both[1]
    d_r = q * d + s * q * ds_d
    d_w = -q * lean * (d + s * ds_d) - 2.0 * s * q * q * e - s * s * q * q * ds_e
    return s * d_ll, s * d_r, s * d_w
