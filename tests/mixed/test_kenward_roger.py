"""Kenward-Roger quantities against full matrices on random designs, and against exact tests.

The random designs take every turn of the nested elimination: unequal units, one to three levels,
crossed factors, slopes of every covariance, variances of zero and unequal residual variances. The
balanced designs have an exact F test (Scheffe 1959, The Analysis of Variance, chapters 4 and 8;
Cochran & Cox 1957, Experimental Designs, chapter 7), which Kenward-Roger's approximation must
reproduce where the variances are the exact REML estimates: those of the mean squares.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from test_kenward_roger_dense import kenward_roger as dense_kenward_roger

from trialkit.mixed import marginal
from trialkit.mixed.smallsample import Component, kenward_roger


# ---------------------------------------------------------------------- random designs
@dataclass
class Design:
    """Arguments of ``kenward_roger``, and V with its slopes written out."""

    x: np.ndarray
    residual: np.ndarray
    z: list[np.ndarray] = field(default_factory=list)
    units: list[np.ndarray] = field(default_factory=list)
    covariances: list[np.ndarray] = field(default_factory=list)
    components: list[Component] = field(default_factory=list)

    def variance_and_slopes(self) -> tuple[np.ndarray, list[np.ndarray]]:
        v = np.diag(self.residual)
        for z, unit, cov in zip(self.z, self.units, self.covariances, strict=True):
            v += (z @ cov @ z.T) * (unit[:, None] == unit)
        slopes = []
        for c in self.components:
            if c.level < 0:
                slopes.append(np.diag(self.residual))
                continue
            z, unit = self.z[c.level], self.units[c.level]
            g = np.zeros_like(v)
            for a, b in c.pairs:
                both = np.outer(z[:, a], z[:, b])
                g += both if a == b else both + both.T
            slopes.append(g * (unit[:, None] == unit))
        return v, slopes


def random_design(
    rng: np.random.Generator,
    kinds: list[str],
    crossed: list[int],
    zeros: bool,
    known_residual: bool,
) -> Design:
    """Nested levels (coarse to fine, a covariance structure each), crossed factors by labels."""
    unit = [np.arange(int(rng.integers(5, 9)))]
    for _ in kinds[1:]:
        unit.append(np.repeat(np.arange(len(unit[-1])), rng.integers(2, 5, len(unit[-1]))))
    parents = unit[1:]
    finest = np.repeat(np.arange(len(unit[-1])), rng.integers(2, 6, len(unit[-1])))
    of_row = [finest]
    for parent in reversed(parents):
        of_row.append(parent[of_row[-1]])
    n = len(finest)
    slope = rng.normal(2.0, 1.0, n)
    group = rng.integers(0, 3, n)
    x = np.column_stack([np.ones(n), slope, group == 1, rng.normal(size=n)])
    design = Design(x, rng.uniform(0.3, 3.0, n) if rng.random() < 0.7 else np.full(n, 1.7))
    for level, (kind, units) in enumerate(zip(reversed(kinds), of_row, strict=True)):
        one = np.ones(n)
        if kind == "exchangeable":
            helmert = np.array([[-1, 1, 0], [-1, -1, 2]]) / np.sqrt([[2], [6]])
            z = np.column_stack([one, *helmert[:, group]])
            groups = [((0, 0),), ((1, 1), (2, 2))]
        elif kind == "intercept":
            z, groups = one[:, None], [((0, 0),)]
        else:
            z = np.column_stack([one, slope])
            groups = [((0, 0),), ((1, 1),)]
            if kind == "unstructured":
                groups.insert(1, ((1, 0),))
        cov = np.zeros((z.shape[1], z.shape[1]))
        for pairs in groups:
            a, b = np.array(pairs).T
            cov[a, b] = rng.uniform(0.2, 2.0)
        if kind == "unstructured":
            half = np.tril(rng.normal(size=(2, 2)))
            cov = half @ half.T
        if zeros and rng.random() < 0.5:
            cov[-1, :] = cov[:, -1] = 0.0
            if kind == "exchangeable":
                cov[1, 1] = 0.0
        design.z.append(z)
        design.units.append(units)
        design.covariances.append(cov)
        design.components += [Component(level, pairs) for pairs in groups]
    for labels in crossed:
        level = len(design.z)
        design.z.append(np.eye(labels)[rng.integers(0, labels, n)])
        design.units.append(np.zeros(n, dtype=int))
        design.covariances.append(rng.uniform(0.2, 2.0) * np.eye(labels))
        design.components.append(Component(level, tuple((j, j) for j in range(labels))))
    if not known_residual:
        design.components.append(Component(-1, ()))
    return design


KINDS = st.sampled_from(["intercept", "unstructured", "independent", "exchangeable"])


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000),
    kinds=st.lists(KINDS, min_size=1, max_size=3),
    crossed=st.lists(st.integers(4, 9), max_size=2),
    zeros=st.booleans(),
    known_residual=st.booleans(),
    batch=st.sampled_from([marginal.BATCH, 1500]),
)
def test_random_designs(
    seed: int, kinds: list[str], crossed: list[int], zeros: bool, known_residual: bool, batch: int
) -> None:
    """Standard errors and df of full matrices, in one batch of units and in many."""
    design = random_design(np.random.default_rng(seed), kinds, crossed, zeros, known_residual)
    se, df = dense_kenward_roger(design.x, *design.variance_and_slopes())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(marginal, "BATCH", batch)
        ours = kenward_roger(**vars(design))
    # Differences up to 4e-12 were seen where the information has a condition of some thousands.
    np.testing.assert_allclose(np.sqrt(np.diag(ours.adjusted)), se, rtol=1e-10)
    np.testing.assert_allclose([ours.moments(row[None])[1] for row in np.eye(4)], df, rtol=1e-10)


def test_a_variance_the_data_tell_nothing_of_adds_no_uncertainty() -> None:
    """Slopes that the fixed part has for every unit: the answer without their variance."""
    design = random_design(np.random.default_rng(3), ["independent"], [], False, False)
    unit, slope = design.units[0], design.z[0][:, 1]
    own = (unit[:, None] == np.unique(unit)) * slope[:, None]
    design.x = np.column_stack([np.ones(len(unit)), own])
    ours = kenward_roger(**vars(design))
    (silent,) = (r for r, c in enumerate(design.components) if c.pairs == ((1, 1),))
    del design.components[silent]
    known = kenward_roger(**vars(design))
    np.testing.assert_allclose(ours.adjusted, known.adjusted, rtol=1e-9, atol=1e-12)
    row = np.eye(len(own.T) + 1)[:1]
    np.testing.assert_allclose(ours.df(row), known.df(row), rtol=1e-9)


# ---------------------------------------------------------------------- exact tests
def effect(y: np.ndarray, axes: tuple[int, ...]) -> np.ndarray:
    """Part of a complete layout due to the interaction of ``axes``, means of the others."""
    for axis in range(y.ndim):
        mean = y.mean(axis, keepdims=True) + np.zeros_like(y)
        y = y - mean if axis in axes else mean
    return y


def contrast_columns(shape: tuple[int, ...], axes: tuple[int, ...]) -> np.ndarray:
    """Orthogonal columns that span the interaction of ``axes``, shape (cells, df)."""
    out = np.ones((1, 1))
    for axis, n in enumerate(shape):
        helmert = np.tril(np.ones((n, n)), -1)[:, :-1] - np.diag(np.arange(n - 1, -1.0, -1))[:, :-1]
        out = np.kron(out, helmert if axis in axes else np.ones((n, 1)))
    return out


def subsets(factors: range) -> list[tuple[int, ...]]:
    return [t for k in range(len(factors) + 1) for t in itertools.combinations(factors, k)]


@pytest.mark.parametrize("ratio", [2.0, 100.0])
@pytest.mark.parametrize(
    "shape",
    [(6, 2), (4, 2), (5, 4), (6, 3, 4), (4, 2, 2), (3, 2, 3, 2), (4, 3, 2, 4)],
    ids=lambda shape: "x".join(map(str, shape)),
)  # fmt: skip
def test_balanced_blocks_and_split_plots(shape: tuple[int, ...], ratio: float) -> None:
    """Blocks, then a factor to every level of splitting: pairs, blocks, (split-)split-plots.

    Every error mean square is ``ratio`` times that of the next finer stratum.
    """
    rng = np.random.default_rng(sum(shape))
    splits = len(shape) - 1
    noise = rng.normal(size=shape)
    cells = noise.size
    fixed = subsets(range(1, splits + 1))
    y = sum(effect(noise, t) for t in fixed)
    # The error of stratum k: interactions with blocks of which factor k is the last.
    square, df = [], []
    for k in range(splits + 1):
        strata = [(0, *t) for t in fixed if max(t, default=0) == k]
        df.append(sum(int(np.prod([shape[a] - 1 for a in t])) for t in strata))
        square.append(ratio ** (splits - k))
        error = sum(effect(noise, t) for t in strata)
        y = y + error * np.sqrt(square[k] * df[k] / np.sum(error**2))
    size = [cells // int(np.prod(shape[: k + 1])) for k in range(splits + 1)]
    variances = [(square[k] - square[k + 1]) / size[k] for k in range(splits)]

    columns = [contrast_columns(shape, t) for t in fixed]
    x = np.concatenate(columns, axis=1)
    kr = kenward_roger(
        x,
        np.full(cells, square[-1]),
        [np.ones((cells, 1))] * splits,
        [np.arange(cells) // size[k] for k in reversed(range(splits))],
        [np.array([[variances[k]]]) for k in reversed(range(splits))],
        [*(Component(level, ((0, 0),)) for level in range(splits)), Component(-1, ())],
    )
    beta = np.linalg.lstsq(x, y.ravel(), rcond=None)[0]
    edges = np.cumsum([0, *(c.shape[1] for c in columns)])
    for t, lo, hi in zip(fixed, edges[:-1], edges[1:], strict=True):
        f, den_df = kr.f_test(np.eye(len(beta))[lo:hi], beta)
        k = max(t, default=0)
        # The mean is tested by blocks, every factor's effects in the stratum of its last factor.
        exact = np.sum(effect(y, t) ** 2) / (hi - lo) / square[k]
        np.testing.assert_allclose(f, exact, rtol=1e-9)
        np.testing.assert_allclose(den_df, df[k], rtol=1e-9)
        np.testing.assert_allclose(
            stats.f.sf(f, hi - lo, den_df), stats.f.sf(exact, hi - lo, df[k]), rtol=1e-8
        )


@pytest.mark.parametrize("t", [4, 7])
def test_latin_square(t: int) -> None:
    """Rows and columns as crossed random factors: the residual's (t - 1)(t - 2) df."""
    rng = np.random.default_rng(t)
    row, column = np.divmod(np.arange(t * t), t)
    treatment = np.eye(t)[(row + column) % t]
    parts = [np.eye(t)[row], np.eye(t)[column]]
    y = rng.normal(size=t * t) + parts[0] @ rng.normal(0, 5, t) + parts[1] @ rng.normal(0, 9, t)
    centred = y - y.mean()
    squares = [t * np.sum((m.T @ centred / t) ** 2) for m in (*parts, treatment)]
    df = (t - 1) * (t - 2)
    error = (centred @ centred - sum(squares)) / df
    variances = [(s / (t - 1) - error) / t for s in squares[:2]]
    assert min(variances) > 0
    pairs = tuple((j, j) for j in range(t))
    kr = kenward_roger(
        treatment, np.full(t * t, error), parts, [np.zeros(t * t, dtype=int)] * 2,
        [v * np.eye(t) for v in variances],
        [Component(0, pairs), Component(1, pairs), Component(-1, ())],
    )  # fmt: skip
    f, den_df = kr.f_test(np.eye(t)[1:] - np.eye(t)[0], treatment.T @ y / t)
    np.testing.assert_allclose(f, squares[2] / (t - 1) / error, rtol=1e-9)
    np.testing.assert_allclose(den_df, df, rtol=1e-9)
