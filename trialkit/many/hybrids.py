"""Variances of hybrids crossed with trials, where there are many of both.

The engine holds a column for every hybrid, whose number times itself is kept for every strip. Where
that grows large the variances are estimated here instead, by restricted likelihood of the working
response (`trialkit.analysis.predictions`): the variances within fields stand at their estimates,
those of trials, fields and hybrids move. A field has one hybrid, so that its cross-products with
the fields' own effects are those with its hybrid's; fields are eliminated first, then trials, each
of which touches its own hybrids alone, and what is left is a system of the hybrids.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, sparse

from trialkit.analysis.predictions import UnitInformation
from trialkit.errors import ModelError
from trialkit.mixed import MixedFit
from trialkit.mixed.condensed import condense

MOST = 3000
"""Columns of hybrids in the last system."""


@dataclass(frozen=True, slots=True)
class Found:
    """The restricted log-likelihood at its best (constants left out) and variances there.

    Attributes
    ----------
    loglik : float
    mean, effect : float
        Variances between trials and fields together, of the mean and of the effect (of an
        orthonormal contrast), as `MixedFit.variances` has them.
    """

    loglik: float
    mean: float
    effect: float


class Hybrids:
    """The working model of a fit with hybrids added.

    Parameters
    ----------
    fit : MixedFit
        Without hybrids.
    found : UnitInformation
        Its trials and fields.
    hybrid : ndarray of int, shape (units,)
        Hybrid of every unit of the finest level in `found`.
    factors : sequence of str
        Setup factors whose effect differs between the units.

    Raises
    ------
    ModelError
        When there are too many hybrids.
    """

    def __init__(
        self, fit: MixedFit, found: UnitInformation, hybrid: np.ndarray, factors: Sequence[str]
    ) -> None:
        self.found, self.hybrid, self.n = found, hybrid, int(hybrid.max()) + 1
        names = fit.model.chain.names
        self.fine = list(reversed(found.widths))
        # What every random column belongs to: the mean (0), or a factor's effect (1, 2, ...).
        kinds = {None: 0} | {name: i for i, name in enumerate(factors, start=1)}
        self.kinds = [
            np.array([kinds[c.variable] for c in fit.model.slopes[names.index(u)]])
            for u in self.fine
        ]
        self.k = len(self.kinds[0])
        if self.n * self.k > MOST:
            raise ModelError(f"there are {self.n:,} hybrids, more than are told apart here.")
        self.levels = {factor: len(fit.fixed_part.levels[factor]) for factor in factors}
        # A parameter for each level of units and kind, then for hybrids and for each factor.
        self.own = [(i, int(kind)) for i, own in enumerate(self.kinds) for kind in np.unique(own)]
        start = []
        for i, kind in self.own:
            diagonal = np.diag(found.covariances[self.fine[i]])[self.kinds[i] == kind]
            start.append(np.sqrt(diagonal.mean()))
        self.start = np.array(start)
        # Fields' own columns twice: for their own effects and for their hybrid's.
        m = found._cross.shape[1]
        twice = np.r_[: self.k, :m]
        self.cross = np.ascontiguousarray(found._cross[:, twice][:, :, twice])
        self._pair()

    @property
    def told_of_effects(self) -> bool:
        """Whether the effect of every factor differs between the finest units."""
        return set(range(len(self.levels) + 1)) <= set(self.kinds[0].tolist())

    def _pair(self) -> None:
        """Trials and the hybrids in each: pairs, numbered within the trial."""
        above = self.found._above[0]
        self.top = len(self.fine) == 1
        trial = np.zeros(len(above), int) if self.top else above
        code, self.of_unit = np.unique(trial * self.n + self.hybrid, return_inverse=True)
        self.pair_trial, self.pair_hybrid = code // self.n, code % self.n

    def best(self, hybrids: int) -> Found:
        """Best fit without hybrids (0), with their variance in the mean (1), in the effects (2)."""
        extra = {0: 0, 1: 1, 2: 1 + len(self.levels)}[hybrids]
        start = np.maximum(np.r_[self.start, np.full(extra, 0.5 * self.start.mean())], 0.02)

        def worse(sd: np.ndarray) -> float:
            return -self.loglik(sd, extra)

        done = optimize.minimize(
            worse, start, method="L-BFGS-B", bounds=[(0.0, None)] * len(start),
            options={"ftol": 1e-11, "gtol": 1e-5, "maxiter": 100},
        )  # fmt: skip
        if not np.isfinite(done.fun):
            raise ModelError("the variances of hybrids have no best value.")
        variance = done.x**2
        mean = sum(v for v, (_, kind) in zip(variance, self.own, strict=False) if kind == 0)
        effect = sum(v for v, (_, kind) in zip(variance, self.own, strict=False) if kind > 0)
        return Found(-float(done.fun), float(mean), float(effect))

    def loglik(self, sd: np.ndarray, extra: int) -> float:
        """Restricted log-likelihood at standard deviations: of units, then of hybrids."""
        halves = [np.zeros(len(own)) for own in self.kinds]
        for value, (i, kind) in zip(sd, self.own, strict=False):
            halves[i][self.kinds[i] == kind] = value
        of_hybrid = np.zeros(self.k)
        if extra:
            of_hybrid[self.kinds[0] == 0] = sd[len(self.own)] ** 2
        for j, levels in enumerate(list(self.levels.values())[: max(extra - 1, 0)], start=1):
            # One effect of a hybrid for every level is a mean and orthonormal contrasts.
            variance = sd[len(self.own) + j] ** 2
            of_hybrid[self.kinds[0] == 0] += variance / levels
            of_hybrid[self.kinds[0] == j] += variance
        log_det = np.zeros(1)
        k, units = self.k, len(self.hybrid)
        m = self.cross.shape[1] - k
        pairs = np.zeros((1, len(self.pair_trial), m, m))
        condense(self.cross[None], np.diag(halves[0])[None], self.of_unit,
                 np.empty((1, units, k, k)), pairs, log_det)  # fmt: skip
        system, rest = self._over_trials(pairs[0], None if self.top else halves[1], log_det)
        return self._last(system, rest, np.sqrt(np.tile(of_hybrid, self.n)), log_det)

    def _over_trials(
        self, pairs: np.ndarray, half: np.ndarray | None, log_det: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Trials eliminated: the system of hybrids (with X and y beside), and that of X and y."""
        k, n = self.k, self.n
        t = 0 if half is None else len(half)
        q = pairs.shape[1] - k - t
        system = np.zeros((n * k, n * k + q))
        block = np.arange(k)
        rows = (self.pair_hybrid[:, None] * k + block)[:, :, None]
        np.add.at(system, (rows, rows.swapaxes(1, 2)), pairs[:, :k, :k])
        np.add.at(system, (rows, n * k + np.arange(q)[None, None]), pairs[:, :k, k + t :])
        if half is None:
            return system, pairs[:, k:, k:].sum(axis=0)
        trials = int(self.pair_trial.max()) + 1
        add = sparse.csr_array((np.ones(len(pairs)), (self.pair_trial, np.arange(len(pairs)))),
                               shape=(trials, len(pairs)))  # fmt: skip
        own = (add @ pairs[:, k:, k:].reshape(len(pairs), -1)).reshape(trials, t + q, t + q)
        a = np.empty((1, trials, t, t))
        left = np.zeros((1, 1, q, q))
        condense(np.ascontiguousarray(own)[None], np.diag(half)[None],
                 np.zeros(trials, dtype=np.int64), a, left, log_det)  # fmt: skip
        a = a[0]
        # What a trial takes from its hybrids: between any two of them, and with X and y.
        to = pairs[:, :k, k : k + t] @ a[self.pair_trial]
        system_xy = to @ own[self.pair_trial][:, :t, t:]
        np.add.at(system, (rows, n * k + np.arange(q)[None, None]), -system_xy)
        first, second = self._both()
        taken = to[first] @ pairs[second, :k, k : k + t].swapaxes(1, 2)
        left_rows = (self.pair_hybrid[first][:, None] * k + block)[:, :, None]
        columns = (self.pair_hybrid[second][:, None] * k + block)[:, None]
        np.add.at(system, (left_rows, columns), -taken)
        return system, left[0, 0]

    def _both(self) -> tuple[np.ndarray, np.ndarray]:
        """Every two pairs of one trial, each with itself too."""
        size = np.bincount(self.pair_trial)
        start = np.cumsum(size) - size
        many = size[self.pair_trial]
        first = np.repeat(np.arange(len(self.pair_trial)), many)
        place = np.arange(len(first)) - np.repeat(np.cumsum(many) - many, many)
        return first, start[self.pair_trial[first]] + place

    def _last(
        self, system: np.ndarray, rest: np.ndarray, half: np.ndarray, log_det: np.ndarray
    ) -> float:
        n, p = len(half), len(rest) - 1
        if half.any():
            inner = np.eye(n) + half[:, None] * system[:, :n] * half
            root = np.linalg.cholesky(inner)
            log_det = log_det + 2.0 * np.log(np.diag(root)).sum()
            passed = np.linalg.solve(root, half[:, None] * system[:, n:])
            rest = rest - passed.T @ passed
        x, y = rest[:p, :p], rest[:p, p]
        left = rest[p, p] - y @ np.linalg.solve(x, y)
        return float(-0.5 * (log_det[0] + np.linalg.slogdet(x)[1] + left))
