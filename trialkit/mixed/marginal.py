"""Derivatives of the marginal precision and determinant of nested rows, in linear time.

Rows have the covariance ``V = R + sum_l Z_l Sigma_l Z_l'`` where level ``l`` groups them in units,
each with its own random effects. Levels are added one at a time, finest first. If
``F = D' V^-1 D`` is known within a unit for columns ``D`` that include the random columns ``z`` of
the next level, adding that level gives (Woodbury)

    F  <-  F - F_z K F_z',   K = Sigma (I + F_zz Sigma)^-1,   log|V| gains log|I + F_zz Sigma|,

and the sums of F over the units of a parent are where the parent starts. Nothing is divided by
Sigma, so a variance of zero is like any other. The subtraction costs digits only where units vary
vastly more than rows: at a ratio of standard deviations of a thousand, eight are left of the df of
a balanced layout. All of it is done on jets (:mod:`trialkit.mixed.jets`) in the parameters of
``Sigma``, for all units of a level at once.

Only the columns ``F_z`` of levels still to come are kept per unit; the part of ``F`` that belongs
to the fixed effects is summed over units by one matrix product a level. A level of one unit (a
crossed factor) has its columns beside the fixed effects and comes last, as one dense step.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.mixed import jets

# Numbers in F of a batch of coarsest units, all levels together: some 20 MB with what is made of
# them.
BATCH = 400_000


@dataclass(frozen=True, slots=True)
class Component:
    """One variance parameter ``s_r`` and how it enters ``V``.

    ``pairs`` lists the columns (a, b) of ``level`` whose products it multiplies; ``level`` -1 is
    the residual.
    """

    level: int
    pairs: tuple[tuple[int, int], ...]

    def slope(self, k: int) -> np.ndarray:
        """Derivative of the level's covariance in the parameter, shape (k, k)."""
        out = np.zeros((k, k))
        a, b = np.array(self.pairs).T
        out[a, b] = out[b, a] = 1.0
        return out


@dataclass(frozen=True, slots=True)
class _Level:
    """One level of many units on the way up.

    ``carried`` are the columns of F kept per unit on arrival, ``own`` the positions among them of
    the level's random columns and ``passed`` of those kept for the next level. ``sigma`` is the
    jet of the covariance in the parameters so far, shape (entries, k, k, 1); ``start`` the first
    row of each unit.
    """

    carried: list[int]
    own: list[int]
    passed: list[int]
    sigma: np.ndarray
    start: np.ndarray


def marginal_jets(
    x: np.ndarray, residual: np.ndarray, z: Sequence[np.ndarray], units: Sequence[np.ndarray],
    covariances: Sequence[np.ndarray], components: Sequence[Component],
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Jets of ``X' V^-1 X`` and of ``log|V|`` in the parameters of the random effects.

    Parameters
    ----------
    x : ndarray, shape (rows, terms)
    residual : ndarray, shape (rows,)
        Residual variances.
    z, units, covariances : per level (finest first) the random columns (rows, k), the unit of
        each row (rows of a unit together) and the covariance (k, k).
    components : the parameters, levels in increasing order.

    Returns
    -------
    information : ndarray, shape (entries, terms, terms)
    log_determinant : ndarray, shape (entries,)
        Its first entry, the value, is left at zero.
    """
    n = len(components)
    n_many = next((lev for lev, u in enumerate(units) if u[0] == u[-1]), len(units))
    columns, own, edges = _columns(x, z, n_many)
    n_wide = edges[-1]
    levels = _levels(own, [np.flatnonzero(np.diff(u, prepend=u[0] - 1)) for u in units[:n_many]],
                     covariances, components)  # fmt: skip
    total = np.zeros((jets.size(n), n_wide, n_wide))
    log_det = np.zeros(jets.size(n))
    for rows, starts in _batches(levels, len(columns), len(x)):
        data = np.array([c[rows] for c in columns])
        weighted = data / residual[rows]
        total[0] += weighted[:n_wide] @ data[:n_wide].T
        if levels:
            front = data[:, None] * weighted[None, levels[0].carried]
            _up(np.add.reduceat(front, starts[0], axis=-1)[None], levels, starts, total, log_det)

    # Levels of one unit, whose columns stand behind those of x: the last first.
    for lev in reversed(range(n_many, len(z))):
        lo, hi = edges[lev - n_many], edges[lev - n_many + 1]
        sigma = _sigma(covariances[lev], components, lev, n)
        m = jets.product(total[:, lo:hi, lo:hi], sigma, np.matmul)
        m[0] += np.eye(hi - lo)
        inverted = jets.inverse(m, np.linalg.inv(m[0]), np.matmul)
        log_det += jets.log_determinant(m, inverted)
        half = jets.product(
            total[:, :lo, lo:hi], jets.product(sigma, inverted, np.matmul), np.matmul
        )
        total = total[:, :lo, :lo] - jets.product(half, total[:, lo:hi, :lo], np.matmul)
    return total, log_det


def _columns(
    x: np.ndarray, z: Sequence[np.ndarray], n_many: int
) -> tuple[list[np.ndarray], list[list[int]], list[int]]:
    """Distinct columns: those of x, of levels of one unit, then of the other levels.

    Returns them with the positions of each of the first ``n_many`` levels' columns, and the edges
    of the columns of the levels of one unit.
    """
    columns = list(x.T)
    place = {c.tobytes(): j for j, c in enumerate(columns)}
    edges = [len(columns)]
    for values in z[n_many:]:
        columns += list(values.T)
        edges.append(len(columns))
    own: list[list[int]] = []
    for values in z[:n_many]:
        own.append([])
        for c in values.T:
            key = c.tobytes()
            if key not in place:
                place[key] = len(columns)
                columns.append(c)
            own[-1].append(place[key])
    return columns, own, edges


def _sigma(
    covariance: np.ndarray, components: Sequence[Component], level: int, n: int
) -> np.ndarray:
    slopes = {r: c.slope(len(covariance)) for r, c in enumerate(components) if c.level == level}
    return jets.linear(covariance, slopes, n)


def _levels(
    own: list[list[int]], starts: list[np.ndarray], covariances: Sequence[np.ndarray],
    components: Sequence[Component],
) -> list[_Level]:  # fmt: skip
    out = []
    carried = sorted({j for columns in own for j in columns})
    for lev, columns in enumerate(own):
        known = sum(c.level <= lev for c in components)
        sigma = _sigma(covariances[lev], components, lev, known)[..., None]
        later = sorted({j for columns in own[lev + 1 :] for j in columns})
        at = {j: i for i, j in enumerate(carried)}
        out.append(_Level(carried, [at[j] for j in columns], [at[j] for j in later], sigma,
                          starts[lev]))  # fmt: skip
        carried = later
    return out


def _batches(
    levels: list[_Level], n_columns: int, n_rows: int
) -> Iterator[tuple[slice, list[np.ndarray]]]:
    """Runs of whole coarsest units that fit in memory.

    With each come, per level, the first row (finest level) or first unit of the level below of
    every unit, counted within the run.
    """
    if not levels:
        width = max(1, BATCH // n_columns)
        for lo in range(0, n_rows, width):
            yield slice(lo, min(lo + width, n_rows)), []
        return
    top = np.r_[levels[-1].start, n_rows]
    # Numbers held per coarsest unit, by rows and by the units of each level.
    load = np.diff(top) * float(n_columns * len(levels[0].carried))
    for level in levels:
        per_unit = n_columns * len(level.carried) * len(level.sigma)
        load += per_unit * np.diff(np.searchsorted(level.start, top))
    batch = np.floor((np.cumsum(load) - load) / BATCH)
    cuts = np.r_[np.flatnonzero(np.diff(batch, prepend=-1.0)), len(load)]
    for a, b in zip(top[cuts[:-1]], top[cuts[1:]], strict=True):
        starts, below = [], None
        for level in levels:
            lo, hi = np.searchsorted(level.start, [a, b])
            mine = level.start[lo:hi]
            starts.append(mine - a if below is None else np.searchsorted(below, mine))
            below = mine
        yield slice(int(a), int(b)), starts


def _up(
    front: np.ndarray, levels: list[_Level], starts: list[np.ndarray], total: np.ndarray,
    log_det: np.ndarray,
) -> None:  # fmt: skip
    """Add one batch of units, level by level, to the sums over all units.

    ``front`` is the jet of F within the finest units, shape (entries, columns, carried, units).
    """
    n_wide = total.shape[1]
    for i, level in enumerate(levels):
        entries, k = len(level.sigma), len(level.own)
        if i:
            front = np.add.reduceat(front, starts[i], axis=-1)
        front = jets.extended(front, entries)
        f_z = front if k == front.shape[2] else front[:, :, level.own]
        own = [level.carried[j] for j in level.own]
        m = jets.product(f_z[:, own], level.sigma, _times)
        m[0] += np.eye(k)[:, :, None]
        inverted = jets.inverse(m, _inverses(m[0]), _times)
        log_det[:entries] += jets.log_determinant(m, inverted)
        half = jets.product(f_z, jets.product(level.sigma, inverted, _times), _times)
        flat = (entries, n_wide, -1)
        total[:entries] -= jets.product(
            half[:, :n_wide].reshape(flat), f_z[:, :n_wide].reshape(flat).swapaxes(1, 2), np.matmul
        )
        if i + 1 < len(levels):
            right = f_z[:, levels[i + 1].carried].swapaxes(1, 2)
            front = front[:, :, level.passed] - jets.product(half, right, _times)


def _times(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Matrix products (..., i, k, units) by (..., k, j, units), unit by unit."""
    out = a[..., :, 0, None, :] * b[..., None, 0, :, :]
    for t in range(1, a.shape[-2]):
        out += a[..., :, t, None, :] * b[..., None, t, :, :]
    return out


def _inverses(m: np.ndarray) -> np.ndarray:
    """Inverses of matrices (k, k, units)."""
    if len(m) == 1:
        return 1.0 / m
    return np.linalg.inv(m.transpose(2, 0, 1)).transpose(1, 2, 0)
