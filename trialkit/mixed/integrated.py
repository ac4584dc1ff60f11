"""Comparisons that integrate over the standard deviation of their error.

Where a factor was set on a handful of units, the spread between those units (the error stratum) is
the largest unknown of a comparison, and its estimate is often zero. Instead of taking an estimate
as known and correcting degrees of freedom, the restricted likelihood is averaged over that one
standard deviation ``s`` under the weak prior ``1 / sqrt(1 + (s / scale)^2)``. It is flat below its
scale and falls as ``1 / s`` above it: for a large spread that is the prior under which intervals
are the classical ones; near zero, where ``1 / s`` has no integral, it is bounded. What the
stratum's blocks differ by is set wide, so that only comparisons within blocks count, and the other
parameters stay at their estimates.

With nodes ``s_j``, restricted log-likelihoods ``l_j``, estimates ``m_j`` and variances ``v_j`` of a
contrast, and weights ``p_j`` in proportion to (rule) x exp(l_j) x prior(s_j), the comparison is a
mixture of normals. It is told as the t distribution with the mixture's first two moments of
``log v``, as for a variance that is estimated with ``nu`` degrees of freedom::

    A = sum p log v,   B = sum p (log v - A)^2,   trigamma(nu / 2) = B
    se^2 = exp(A - log(nu / 2) + digamma(nu / 2)) + sum p (m - mean)^2

For Gaussian responses ``s`` is in units of the residual standard deviation, which is integrated
with its own ``d`` degrees of freedom: it adds ``log(d / 2) - digamma(d / 2)`` to the mean of
``log v`` and ``trigamma(d / 2)`` to its variance. For several contrasts together ``v`` is the
determinant of their covariance to the power ``1 / q``, which has one ``nu`` in balanced designs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from trialkit.errors import ModelError
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.problem import GaussianProblem, LaplaceProblem

# Gauss-Legendre on u in (0, 1); s = centre u / (1 - u).
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
U, W = (_NODES + 1) / 2, _WEIGHTS / 2
CENTRE = 0.25
# Blocks differ by this many times the largest of one, their estimate and the error's.
WIDE = 3.0
# Newton stops here: the mixture needs l_j to a millionth, not to the last digit.
LOOSE = 1e-9


@dataclass(frozen=True, slots=True)
class Integrated:
    """The fixed effects given each spread of the error, and how far each spread is believed.

    Attributes
    ----------
    sd : ndarray, shape (nodes,)
        Of what the error's units give a row, link scale (Gaussian: in residual sds).
    weight : ndarray, shape (nodes,)
        Sum to one.
    beta : ndarray, shape (nodes, terms)
    half : ndarray, shape (nodes, terms, terms)
        ``half @ half.T`` is the covariance of ``beta``.
    spare : float
        Degrees of freedom of the residual variance; infinite where there is none.
    """

    sd: np.ndarray
    weight: np.ndarray
    beta: np.ndarray
    half: np.ndarray
    spare: float

    def compare(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Estimates, standard errors and degrees of freedom of contrasts, each (rows,).

        Parameters
        ----------
        rows : ndarray, shape (rows, terms)
            Contrasts of what differs within the blocks.
        """
        found = self.beta @ rows.T
        log_v = np.log(((rows @ self.half) ** 2).sum(axis=2))
        estimate = self.weight @ found
        scale, df = self._matched(log_v)
        between = self.weight @ (found - estimate) ** 2
        return estimate, np.sqrt(scale + between), df

    def covariance(self, rows: np.ndarray) -> tuple[np.ndarray, float]:
        """Covariance of contrasts together, (rows, rows), and their common degrees of freedom."""
        sides = rows @ self.half
        each = sides @ sides.transpose(0, 2, 1)
        log_v = np.linalg.slogdet(each)[1] / len(rows)
        scale, df = self._matched(log_v[:, None])
        shape = np.einsum("j,jab->ab", self.weight, each / np.exp(log_v)[:, None, None])
        found = self.beta @ rows.T
        away = found - self.weight @ found
        between = np.einsum("j,ja,jb->ab", self.weight, away, away)
        return scale[0] * shape + between, float(df[0])

    def f_test(self, rows: np.ndarray, effect: np.ndarray | None = None) -> tuple[float, float]:
        """F statistic and denominator df of ``rows @ beta = 0``, or of the ``effect`` given."""
        cov, df = self.covariance(rows)
        if effect is None:
            effect = self.weight @ (self.beta @ rows.T)
        return float(effect @ np.linalg.solve(cov, effect)) / len(rows), df

    def _matched(self, log_v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Squared scale and degrees of freedom of the matched t; ``log_v`` is (nodes, rows)."""
        mean = self.weight @ log_v
        spread = self.weight @ (log_v - mean) ** 2
        if math.isfinite(self.spare):
            mean = mean + math.log(self.spare / 2) - special.digamma(self.spare / 2)
            spread = spread + special.polygamma(1, self.spare / 2)
        half = inverse_trigamma(spread)
        return np.exp(mean - np.log(half) + special.digamma(half)), 2.0 * half


def inverse_trigamma(x: np.ndarray) -> np.ndarray:
    """The ``y`` with trigamma(y) = x, by Newton on 1 / trigamma (Smyth 2004, appendix)."""
    x = np.maximum(np.asarray(x, dtype=float), 1e-7)
    y = 0.5 + 1.0 / x
    for _ in range(50):
        tri = special.polygamma(1, y)
        step = tri * (1.0 - tri / x) / special.polygamma(2, y)
        y = y + step
        if np.max(-step / y, initial=0.0) < 1e-12:
            break
    return y


def weak_prior(sd: np.ndarray, scale: float) -> np.ndarray:
    """Flat below the scale and as ``1 / sd`` above it; not integrable, its posterior is."""
    return (1.0 + (sd / scale) ** 2) ** -0.5


def integrate(
    fit: Fitted, level: str, variable: str | None = None, scale: float = 0.1
) -> Integrated:
    """Fixed effects of a restricted fit, integrated over the spread of one error stratum.

    Parameters
    ----------
    level : nested level the factor was set on.
    variable : factor whose effect varies between the units of ``level`` (its slope), else None.
    scale : scale of the prior, link scale (Gaussian: in units of the residual sd).

    Raises
    ------
    ModelError
        For a fit by maximum likelihood, a level or slope the model has not, or where the
        likelihood cannot be evaluated.
    """
    fit.needs_rows("integrate")
    if fit.method != "reml":
        raise ModelError('integrating over a spread needs method="reml"; refit that way.')
    model, problem, point = fit.model, fit.found.problem, fit.found.point
    error = parameter_of(fit, level, variable)
    blocks = _blocks(fit, level, variable)
    # Spread that the units give a row: a factor's contrasts are below one in every row.
    unit = model.theta_scale[error]
    sd = max(CENTRE, float(abs(point.theta[error])) / unit) * U / (1.0 - U)
    theta, beta = point.theta.copy(), point.beta
    for block in blocks:
        theta[block] = WIDE * max(1.0, np.abs(point.theta[[block, error]]).max())
    if isinstance(problem, LaplaceProblem):
        problem.u[:] = point.u
        problem.tolerance = LOOSE
    values = np.full(len(sd), -np.inf)
    betas: list[np.ndarray] = []
    halves: list[np.ndarray] = []
    for j, s in enumerate(sd):
        theta[error] = s * unit
        if isinstance(problem, GaussianProblem):
            at = problem.point(theta)
        else:
            at = problem.point(theta, beta, graded=False)
        if at is None:  # so far out that the mode is not found: no weight
            betas.append(betas[-1] if betas else np.zeros_like(beta))
            halves.append(halves[-1] if halves else np.eye(len(beta)))
            continue
        beta, values[j] = at.beta, at.value
        betas.append(model.to_original @ at.beta)
        halves.append(model.to_original @ np.linalg.inv(at.root) * at.sigma)
    if isinstance(problem, LaplaceProblem):
        problem.tolerance = problem.TIGHT
    if not np.isfinite(values).any():
        raise ModelError("the likelihood cannot be evaluated over the spread of the error.")
    log_weight = np.log(W / (1.0 - U) ** 2) + values + np.log(weak_prior(sd, scale))
    weight = np.exp(log_weight - log_weight.max())
    return Integrated(
        sd, weight / weight.sum(), np.array(betas), np.array(halves),
        float(problem.df) if isinstance(problem, GaussianProblem) else np.inf,
    )  # fmt: skip


def parameter_of(fit: Fitted, level: str, variable: str | None = None) -> int:
    """Parameter of a level's intercept, or of a variable's effect in it."""
    model = fit.model
    if level not in model.chain.names:
        raise ModelError(f"{level!r} is no level of this model; it has {model.chain.names}.")
    lev = model.chain.names.index(level)
    for j, column in enumerate(model.slopes[lev]):
        if column.variable == variable:
            at = (lev, j, j)
            return next(e.parameter for e in model.entries if (e.level, e.row, e.column) == at)
    raise ModelError(f"no effect of {variable!r} varies between the units of {level!r}.")


def _blocks(fit: Fitted, level: str, variable: str | None) -> list[int]:
    """Parameters of what the units' blocks differ by: the level itself, or the one above."""
    if variable is not None:
        return [parameter_of(fit, level)]
    names = fit.model.chain.names[: fit.model.chain.n_nested]
    above = names.index(level) + 1
    return [parameter_of(fit, names[above])] if above < len(names) else []
