"""Shape of the residuals and of the predicted unit effects, against simulated data.

Residuals are randomised quantile residuals (Dunn & Smyth 1996, J. Comput. Graph. Stat. 5:236-244):
``Phi^-1(u)`` with ``u`` uniform between ``P(Y < y)`` and ``P(Y <= y)``. Where the finest level has
one row per unit (overdispersion), the law of a row is the mixture over that effect,
``P(Y <= y) = int P(Y <= y | b) phi(b / s) / s db``, by the trapezoidal rule, and coarser units are
at their conditional modes: a residual about a row's own fitted effect could say nothing of the
law of the rows.

Fitted units lie nearer to their own data than true ones, so no table of a distribution applies:
statistics and bands are compared with those of data simulated from the fit, predicted anew with
the variances held (families with a dispersion parameter are refitted), as in `goodness`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from trialkit.display import card, table
from trialkit.mixed import notes
from trialkit.mixed.effects import linear_predictor, modes, unit_effects
from trialkit.mixed.fitted import Fitted
from trialkit.mixed.goodness import Check, Redrawn, given_variances, plotting_positions, redrawn
from trialkit.mixed.law import between, quantile_residuals
from trialkit.mixed.parallel import Progress

# Trapezoids reach this many standard deviations of the row effect; the tail left is 6e-7.
REACH = 5.0
NODES = (15, 401)


@dataclass(frozen=True, slots=True)
class ResidualShape:
    """Residuals, unit effects and how they compare with the model's own.

    Attributes
    ----------
    residuals : ndarray, shape (rows,), in the order of the rows of the fit.
    quantiles : DataFrame, one row a residual by size: ``row`` (position in the rows of the fit),
        ``theoretical`` (Blom's), ``residual``, and the pointwise simulated band ``low, high``.
    checks : dict of str to Check
        ``"residuals"``: Kolmogorov distance of the residuals from the standard normal law. A
        level's name: the largest size of its standardised effects (levels with a variance above
        zero, the row level left out). Effects are standardised by what the fit says of their
        spread over repetitions, ``sqrt(G - C)``, the same for observed and simulated ones.
    effects : DataFrame
        Those effects by size within level and term: ``level, unit`` (its labels joined), ``term,
        effect, standardised, theoretical`` and the pointwise simulated band ``low, high``.
    """

    residuals: np.ndarray
    quantiles: pd.DataFrame
    checks: dict[str, Check]
    effects: pd.DataFrame

    def _repr_html_(self) -> str:
        found = [check.summary for check in self.checks.values()]
        return card(
            notes.SHAPE_HEADING,
            [check.verdict for check in self.checks.values()],
            *([table(pd.concat(found))] if found else []),
        )


def row_quantile_residuals(fit: Fitted, rng: np.random.Generator) -> np.ndarray:
    """Randomised quantile residuals, mixed over a row-level effect; see the module.

    Returns
    -------
    ndarray, shape (rows,), in the order of the rows of the fit.
    """
    lev = _row_level(fit)
    if lev is None:
        return quantile_residuals(fit, rng)
    model = fit.model
    sd = float(np.sqrt(fit.covariances[lev][0, 0]))
    below, upto = _mixed_cdf(fit, linear_predictor(fit) - modes(fit, lev)[:, 0], sd)
    return model.original_order(between(below, upto, rng))


def residual_shape(
    fit: Fitted, n: int = 400, seed: int | np.random.Generator | None = None,
    band: float = 0.95, progress: Progress | None = None,
    drawn: Redrawn | None = None,
) -> ResidualShape:  # fmt: skip
    """Compare residuals and unit effects with those of ``n`` simulated data sets.

    Parameters
    ----------
    n : int
        Simulations, at least 20.
    seed : int or Generator, optional
    band : float
        Level of the pointwise band.
    progress : callable, optional
        Called with (simulations done, simulations in all).
    drawn : Redrawn, optional
        Data sets to compare with instead of ``n`` new ones, from `trialkit.mixed.goodness.redrawn`.

    Raises
    ------
    ModelError
        If n is too small, or more than half of the simulated data sets cannot be predicted.
    """
    fit.needs_rows("residual_shape")
    rng = np.random.default_rng(seed)
    drawn = drawn or redrawn(fit, n, rng, progress)
    own = fit if fit.family.dispersed else given_variances(fit, fit.y)
    marginal = _marginal_sds(own)
    residuals = row_quantile_residuals(own, rng)
    sorted_draws, distances = [], []
    effects: dict[int, list[np.ndarray]] = {lev: [] for lev in marginal}
    for again in drawn.fits:
        values = np.sort(row_quantile_residuals(again, rng))
        sorted_draws.append(values)
        distances.append(_kolmogorov(values))
        for lev, sd in marginal.items():
            effects[lev].append(np.sort(modes(again, lev) / sd, axis=0))
    failures = drawn.failures
    order = np.argsort(residuals, kind="stable")
    low, high = np.quantile(sorted_draws, [(1 - band) / 2, (1 + band) / 2], axis=0)
    quantiles = pd.DataFrame(
        {"row": order, "theoretical": plotting_positions(len(order)), "residual": residuals[order],
         "low": low, "high": high}
    )  # fmt: skip
    own_distance = _kolmogorov(residuals[order])
    checks = {"residuals": _check(notes.KOLMOGOROV, own_distance, np.array(distances), failures)}
    tables = []
    for lev, sd in marginal.items():
        name, draws = fit.model.chain.names[lev], np.array(effects[lev])
        standard = modes(own, lev) / sd
        largest = np.nanmax(np.abs(draws), axis=(1, 2))
        checks[name] = _check(
            notes.largest_effect(name), float(np.nanmax(np.abs(standard))),
            largest, failures,
        )  # fmt: skip
        tables.append(_effect_quantiles(fit, lev, modes(own, lev), standard, draws, band))
    columns = ["level", "unit", "term", "effect", "standardised", "theoretical", "low", "high"]
    table = pd.concat(tables[::-1], ignore_index=True) if tables else pd.DataFrame(columns=columns)
    return ResidualShape(residuals, quantiles, checks, table[columns])


def _effect_quantiles(
    fit: Fitted, lev: int, effect: np.ndarray, standard: np.ndarray, draws: np.ndarray,
    band: float,
) -> pd.DataFrame:  # fmt: skip
    labels = fit.model.unit_labels(lev).astype(str).agg(" ".join, axis=1).to_numpy()
    low, high = np.quantile(draws, [(1 - band) / 2, (1 + band) / 2], axis=0)
    tables = []
    for j, column in enumerate(fit.model.slopes[lev]):
        if np.isnan(standard[:, j]).any():
            continue
        order = np.argsort(standard[:, j])
        tables.append(
            pd.DataFrame(
                {"level": fit.model.chain.names[lev], "unit": labels[order], "term": column.name,
                 "effect": effect[order, j], "standardised": standard[order, j],
                 "theoretical": plotting_positions(len(order)),
                 "low": low[:, j], "high": high[:, j]}
            )
        )  # fmt: skip
    return pd.concat(tables, ignore_index=True)


def _row_level(fit: Fitted) -> int | None:
    """The finest level, if it is one normal effect a row of a family with none of its own."""
    chain = fit.model.chain
    alone = chain.n_nested > 0 and chain.counts[0] == fit.n_rows
    plain = fit.family.name in ("poisson", "binomial")
    return 0 if alone and plain and len(fit.model.slopes[0]) == 1 else None


def _mixed_cdf(fit: Fitted, eta: np.ndarray, sd: float) -> tuple[np.ndarray, np.ndarray]:
    """P(Y < y) and P(Y <= y) of every row, its own normal effect integrated (chain order)."""
    size, y = fit.model.size, fit.y
    # Nodes no further apart than the spread of the plain law on the link scale: as the rule for a
    # product of Gaussian curves, good to exp(-2 pi^2), 3e-9.
    mean = fit.family.inverse_link(eta)
    plain_sd = np.sqrt((size * mean * (1 - mean)) if fit.family.link == "logit" else mean)
    need = 2 * REACH * sd * float(plain_sd.max())
    nodes = int(np.clip(2 * np.ceil(need / 2) + 1, *NODES)) if sd > 0 else 1
    at = np.linspace(-REACH, REACH, nodes) if nodes > 1 else np.zeros(1)
    weight = np.exp(-(at**2) / 2)
    weight /= weight.sum()
    means = fit.family.inverse_link(eta[:, None] + sd * at)
    if fit.family.link == "logit":
        upto = special.bdtr(y[:, None], size[:, None].astype(int), means)
        choose = special.gammaln(size + 1) - special.gammaln(y + 1) - special.gammaln(size - y + 1)
        failures = (size - y)[:, None]
        mass = np.exp(
            choose[:, None] + special.xlogy(y[:, None], means) + special.xlog1py(failures, -means)
        )
    else:
        upto = special.pdtr(y[:, None], means)
        mass = np.exp(special.xlogy(y[:, None], means) - means - special.gammaln(y + 1)[:, None])
    return (upto - mass) @ weight, upto @ weight


def _marginal_sds(fit: Fitted) -> dict[int, np.ndarray]:
    """By level: sd over repetitions of each predicted effect, (units, columns); nan without one.

    It varies by ``G - C``: its variance component less its prediction variance (Searle, Casella &
    McCulloch 1992, Variance Components, chapter 7).
    """
    out = {}
    for lev in range(fit.model.chain.n_nested):
        variance = np.diag(fit.covariances[lev])
        if lev == _row_level(fit) or not variance.any():
            continue
        table = unit_effects(fit, fit.model.chain.names[lev]).iloc[:, -2 * len(variance) :]
        se = table.iloc[:, 1::2].to_numpy(dtype=float)
        marginal = np.sqrt(np.maximum(variance - se**2, 1e-12 * variance))
        out[lev] = np.where(variance > 0, marginal, np.nan)
    return out


def _kolmogorov(ordered: np.ndarray) -> float:
    u = stats.norm.cdf(ordered)
    step = np.arange(len(u) + 1) / len(u)
    return float(max((step[1:] - u).max(), (u - step[:-1]).max()))


def _check(what: str, observed: float, values: np.ndarray, failures: int) -> Check:
    """One-sided: only a statistic too large speaks against the model."""
    p = float((1 + (values >= observed).sum()) / (len(values) + 1))
    expected = float(values.mean())
    verdict = notes.statistic_found(what, observed, expected, p)
    return Check(what, observed, expected, observed / expected, p, values, failures, verdict)
