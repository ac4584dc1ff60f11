"""One partition's share of an evaluation: what its own top-level units add at the root.

Given the parameters, top-level units are independent: a criterion, its gradient and the
information are sums over them, and what couples them, the fixed effects, sits at the root. A share
does what :mod:`trialkit.mixed.criteria` does in one call, cut where the root is solved:

- Gaussian: units eliminated (front of the root, log-determinant); the solution at the root known,
  gradients.
- Laplace: the mode given the fixed effects (value, log-determinant, front, from which the root
  takes a Newton step of the profiled likelihood, so that each call is a function of the parameters
  alone); at the mode leverages, whose pull on the mode has to be solved through the root; the
  gradient's second half.

A share keeps what it worked out last, and works it out again where it is a new one: the process
that held it may have died between two calls.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from trialkit.mixed.compiled import entry
from trialkit.mixed.criteria import find_mode
from trialkit.mixed.gradients import gaussian_gradient, leverage_pass, mode_pass
from trialkit.mixed.kernels import back_solve, clear, eliminate, forward_solve
from trialkit.mixed.problem import GaussianProblem, LaplaceProblem


@entry
def _eliminated(cross, tree, levels, links, val, u, fac):
    """Log-determinant over the units and the root's front."""
    clear(u)
    logdet, _, front = eliminate(cross, tree, levels, links, val, u, fac)
    return logdet, front


@entry
def _gaussian_slopes(
    cross, tree, levels, links, val, entries, diagonal, u, beta, fac, block, s2, by_logdet, by_rss,
    informed, info,
):  # fmt: skip
    """The gradients of :func:`gaussian_gradient` once the root's solution is known."""
    back_solve(tree, levels, fac, beta, u)
    gaussian_gradient(
        cross, tree, levels, links, val, entries, diagonal, np.zeros(cross.shape[1] - 1), u, beta,
        fac, block, s2, by_logdet, by_rss, informed, info,
    )  # fmt: skip


@entry
def _mode(
    family, phi, obs, data, tree, levels, links, val, base, u, root, fac, cross, work, tolerance
):
    """:func:`find_mode` with the root held."""
    return find_mode(
        family, phi, obs, data, tree, levels, links, val, base, u, root, fac, cross, work,
        tolerance, True,
    )  # fmt: skip


@entry
def _follow(tree, levels, fac, step, u):
    """Move ``u`` with a step of the root, to first order."""
    moved = np.zeros(u.shape[0])
    back_solve(tree, levels, fac, step, moved)
    for j in range(u.shape[0]):
        u[j] += moved[j]


@entry
def _leverages(
    family, phi, obs, data, tree, levels, links, val, entries, diagonal, u, fac, block, cross,
    work, pulls, grad, informed, info, rhs,
):  # fmt: skip
    """First half of the Laplace gradient; ``rhs`` gets what reaches the root."""
    shape = leverage_pass(
        family, phi, obs, data, tree, levels, links, val, entries, diagonal, u, fac, block, cross,
        work, pulls, grad, informed, info,
    )  # fmt: skip
    forward_solve(pulls[0], tree, levels, links, val, fac, rhs)
    return shape


@entry
def _moved(
    family, tree, levels, links, val, entries, u, s_root, fac, cross, pulls, grad, outer
):  # fmt: skip
    """Second half of the Laplace gradient, the root's movement known. Returns that in phi."""
    s_u = np.zeros(u.shape[0])
    back_solve(tree, levels, fac, s_root, s_u)
    clear(outer)
    return mode_pass(
        family, tree, levels, links, val, entries, np.zeros(outer.shape[0]), u, s_u, s_root,
        cross, pulls, grad, outer,
    )  # fmt: skip


def _bytes(share: Any) -> int:
    """Memory of a share's arrays, by which a scheduler places what works on it."""
    names = ("fac", "cross", "data", "obs", "work", "pulls")
    held = [share.layout.tree, *(getattr(share, name) for name in names if hasattr(share, name))]
    return object.__sizeof__(share) + sum(a.nbytes for a in held)


class GaussianShare(GaussianProblem):
    """Cross-products of a partition's finest units, taken once."""

    at: bytes | None = None

    def __sizeof__(self) -> int:
        return _bytes(self)

    def eliminated(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """Log-determinant over the units and the front of the root, (terms + 1, terms + 1)."""
        lay = self.layout
        val, _ = lay.values(theta)
        self.u = np.empty(lay.n_u)
        found = _eliminated(self.cross, lay.tree, lay.levels, lay.links, val, self.u, self.fac)
        self.at = theta.tobytes()
        return found

    def slopes(
        self, theta: np.ndarray, beta: np.ndarray, block: np.ndarray, s2: float, informed: bool
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Gradients of ``log|H|`` and ``rss / s2``, and the information where it is asked for."""
        if self.at != theta.tobytes():
            self.eliminated(theta)
        lay, k = self.layout, len(theta)
        val, diagonal = lay.values(theta)
        by_logdet, by_rss, info = np.zeros(k), np.zeros(k), np.zeros((k, k))
        _gaussian_slopes(
            self.cross, lay.tree, lay.levels, lay.links, val, lay.links_entries, diagonal, self.u,
            beta, self.fac, block, s2, by_logdet, by_rss, informed, info,
        )  # fmt: skip
        return by_logdet, by_rss, info


class LaplaceShare(LaplaceProblem):
    """Rows of a partition and the mode of its random effects."""

    at: tuple[Any, ...] | None = None
    levered: tuple[Any, ...] | None = None

    def __sizeof__(self) -> int:
        return _bytes(self)

    def mode(
        self, theta: np.ndarray, beta: np.ndarray, tolerance: float, fresh: bool = False
    ) -> tuple[float, float, np.ndarray] | None:
        """Value, log-determinant over the units and front of the root at given fixed effects.

        ``fresh`` starts from the centre instead of the last mode; None where no mode is found.
        """
        lay = self.layout
        val, _ = lay.values(theta)
        held, root = self._root(beta)
        if fresh:
            self.u[:] = 0.0
        elif self.at is not None and self.at[0] == theta.tobytes() and self.levered is None:
            _follow(lay.tree, lay.levels, self.fac, root - self.at[2], self.u)
        self.levered = None
        for centred in (False, True):
            if centred:
                self.u[:] = 0.0
            found, value, logdet, front = _mode(
                self.family.code, self._phi(theta), self.obs, self.data, lay.tree, lay.levels,
                lay.links, val, held, self.u, root, self.fac, self.cross, self.work, tolerance,
            )  # fmt: skip
            self.evaluations += 1
            if found and np.isfinite(value):
                self.at = (theta.tobytes(), beta.tobytes(), root)
                return value, logdet, front
        self.at = None
        return None

    def leverages(
        self, theta: np.ndarray, beta: np.ndarray, tolerance: float, block: np.ndarray,
        informed: bool,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # fmt: skip
        """First half of the gradient, the pull on the root and the information."""
        if self.at is None or self.at[:2] != (theta.tobytes(), beta.tobytes()):
            self.mode(theta, beta, tolerance)
        lay, n = self.layout, self.layout.n_theta
        val, diagonal = lay.values(theta)
        grad, info = np.zeros(len(theta)), np.zeros((n, n))
        rhs = np.zeros(lay.n_root)
        shape = _leverages(
            self.family.code, self._phi(theta), self.obs, self.data, lay.tree, lay.levels,
            lay.links, val, lay.links_entries, diagonal, self.u, self.fac, block, self.cross,
            self.work, self.pulls, grad, informed, info, rhs,
        )  # fmt: skip
        if len(theta) > n:
            grad[n] += shape
        self.levered = self.at
        return grad, rhs, info

    def moved(
        self, theta: np.ndarray, beta: np.ndarray, tolerance: float, block: np.ndarray,
        s_root: np.ndarray,
    ) -> np.ndarray:  # fmt: skip
        """Second half of the gradient; where the fixed effects are parameters, theirs follows."""
        if self.levered is None or self.levered[:2] != (theta.tobytes(), beta.tobytes()):
            self.leverages(theta, beta, tolerance, block, False)
        lay, n = self.layout, self.layout.n_theta
        val, _ = lay.values(theta)
        grad, outer = np.zeros(len(theta)), np.zeros(self.data.shape[1])
        shape = _moved(
            self.family.code, lay.tree, lay.levels, lay.links, val, lay.links_entries, self.u,
            s_root, self.fac, self.cross, self.pulls, grad, outer,
        )  # fmt: skip
        if len(theta) > n:
            grad[n] += shape
        return grad if self.restricted else np.r_[grad, outer[lay.x_columns]]

    def whole(
        self, theta: np.ndarray, beta: np.ndarray, tolerance: float, fresh: bool, graded: bool,
        informed: bool,
    ) -> tuple[float, np.ndarray, np.ndarray] | None:  # fmt: skip
        """Value, gradient and information where the fixed effects are parameters: no root."""
        found = self.mode(theta, beta, tolerance, fresh)
        if found is None:
            return None
        value, logdet, _ = found
        n = self.layout.n_theta
        grad, info = np.zeros(len(theta) + len(beta)), np.zeros((n, n))
        if graded:
            none = np.zeros((0, 0))
            first, rhs, info = self.leverages(theta, beta, tolerance, none, informed)
            grad = self.moved(theta, beta, tolerance, none, rhs)
            grad[: len(theta)] += first
        return value - 0.5 * logdet, grad, info

    def _phi(self, theta: np.ndarray) -> float:
        return float(theta[-1]) if self.family.dispersed else 0.0

    def _root(self, beta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients of the distinct columns held outside the chain, and those at its root."""
        held = np.zeros(self.data.shape[1])
        if self.restricted:
            return held, beta.copy()
        np.add.at(held, self.layout.x_columns, beta)
        return held, np.zeros(0)
