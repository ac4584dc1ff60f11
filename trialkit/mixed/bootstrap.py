"""Parametric bootstrap: draw from the fitted model, fit again, look at the spread.

Every round draws from a seed sequence of its own, so results are the same for any number of jobs.
A round whose fit fails is counted and named with its reason; it is never replaced.

Intervals: percentile and basic (Davison & Hinkley 1997, Bootstrap Methods and their Application,
sections 5.2 and 5.3). Test: simulate under the hypothesis, compare the F statistic
(ibid., section 4.2; for mixed models Halekoh & Hojsgaard 2014, J. Stat. Softw. 59(9)).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg import qr

from trialkit.display import card, table
from trialkit.errors import ModelError
from trialkit.mixed.estimate import estimate
from trialkit.mixed.fitted import F, Fitted, refit
from trialkit.mixed.hypotheses import term_rows, upper_tail
from trialkit.mixed.inference import default_inference
from trialkit.mixed.law import simulate
from trialkit.mixed.model import standardise
from trialkit.mixed.notes import rounds_heading
from trialkit.mixed.parallel import Progress, in_batches, plain_reason, stop_run_off


@dataclass(frozen=True, slots=True)
class Bootstrap:
    """Estimates from data drawn from the fitted model.

    Attributes
    ----------
    estimates : Series by (part, term)
        The fit's own: ``fixed`` coefficients (link scale), ``variance`` and ``correlation`` by
        level, ``dispersion``, and ``statistic`` where one was asked for.
    draws : DataFrame
        One row a round that could be fitted (index: its number), columns as ``estimates``.
    failures : DataFrame
        round, reason: the rounds that could not be fitted.
    n : rounds asked for.
    """

    estimates: pd.Series
    draws: pd.DataFrame
    failures: pd.DataFrame
    n: int

    def intervals(self, level: float = 0.95, kind: str = "percentile") -> pd.DataFrame:
        """Bootstrap intervals by (part, term): estimate, low, high.

        Parameters
        ----------
        kind : {"percentile", "basic"}
            Quantiles of the draws, or those reflected at the estimate; reflected ends stay within
            the values a variance or correlation can take.

        Raises
        ------
        ModelError
            For an unknown kind or a level outside (0, 1).
        """
        if kind not in ("percentile", "basic"):
            raise ModelError(f"kind {kind!r} is not known; choose 'percentile' or 'basic'.")
        if not 0.0 < level < 1.0:
            raise ModelError(f"level must lie between 0 and 1, got {level}.")
        low = self.draws.quantile((1.0 - level) / 2.0)
        high = self.draws.quantile((1.0 + level) / 2.0)
        if kind == "basic":
            low, high = 2.0 * self.estimates - high, 2.0 * self.estimates - low
            part = self.estimates.index.get_level_values("part")
            floor = np.select([part == "variance", part == "correlation"], [0.0, -1.0], -np.inf)
            top = np.where(part == "correlation", 1.0, np.inf)
            low, high = low.clip(floor, top), high.clip(floor, top)
        return pd.DataFrame({"estimate": self.estimates, "low": low, "high": high})

    @property
    def summary(self) -> pd.DataFrame:
        """By (part, term): estimate, mean, bias, se (standard deviation of the draws), its Monte
        Carlo error, the 95 % percentile interval, and the draws behind them.

        A correlation has no value in a round whose variance is zero: ``draws`` is lower there.
        """
        count, se = self.draws.count(), self.draws.std()
        fourth = ((self.draws - self.draws.mean()) ** 4).mean()
        # Delta method for the standard deviation of a sample (Stuart & Ord 1994, chapter 10).
        error = np.sqrt((fourth - se**4).clip(lower=0.0) / count) / (2.0 * se)
        table = pd.DataFrame(
            {
                "estimate": self.estimates,
                "mean": self.draws.mean(),
                "bias": self.draws.mean() - self.estimates,
                "se": se,
                "se_error": error,
            }
        )
        return table.join(self.intervals()[["low", "high"]]).assign(draws=count)

    @property
    def _title(self) -> str:
        return rounds_heading("", self.n, len(self.failures))

    def __repr__(self) -> str:
        return f"{self._title}\n\n{self.summary.round(5).to_string()}"

    def _repr_html_(self) -> str:
        return card(self._title, [], table(self.summary))


@dataclass(frozen=True, slots=True)
class BootstrapTest:
    """A hypothesis on fixed effects against data drawn under it.

    Attributes
    ----------
    hypothesis : the term, or "contrast".
    statistic : F of the fit (for one row the squared t).
    num_df, p_f : its numerator df, and the p value from the F distribution.
    p : (1 + rounds with a statistic at least as large) / (1 + rounds fitted).
    exceedances : those rounds.
    draws : Series by round, the statistic under the hypothesis.
    failures : DataFrame of round, reason.
    n : rounds asked for.
    """

    hypothesis: str
    statistic: float
    num_df: int
    p_f: float
    p: float
    exceedances: int
    draws: pd.Series
    failures: pd.DataFrame
    n: int

    @property
    def p_error(self) -> float:
        """Monte Carlo standard error of ``p``."""
        return float(np.sqrt(self.p * (1.0 - self.p) / (len(self.draws) + 1)))

    @property
    def summary(self) -> pd.DataFrame:
        """One row: F, num_df, p by bootstrap with its error, p by the F distribution, rounds."""
        return pd.DataFrame(
            {"F": self.statistic, "num_df": self.num_df, "p": self.p, "p_error": self.p_error,
             "p_f": self.p_f, "exceedances": self.exceedances, "rounds": len(self.draws),
             "failures": len(self.failures)},
            index=pd.Index([self.hypothesis], name="hypothesis"),
        )  # fmt: skip

    @property
    def _title(self) -> str:
        return rounds_heading(self.hypothesis, self.n, len(self.failures))

    def __repr__(self) -> str:
        return f"{self._title}\n\n{self.summary.round(5).to_string()}"

    def _repr_html_(self) -> str:
        return card(self._title, [], table(self.summary))


def bootstrap(
    fit: F, n: int = 1000, seed: int | None = None, jobs: int = 1,
    statistic: Callable[[F], float | Mapping[str, float]] | None = None,
    progress: Progress | None = None, client: Any = None,
) -> Bootstrap:  # fmt: skip
    """Parametric bootstrap: draw from the fit, new units included, and fit again.

    Parameters
    ----------
    n : rounds.
    seed : whole number; the same seed gives the same rounds for any number of jobs or workers.
    jobs : processes.
    statistic : callable, optional
        Takes the fit of a round, returns a number or a mapping of names to numbers.
    progress : callable, optional
        Called with (rounds done, rounds in all).
    client : None, "local", str or dask.distributed.Client, optional
        Who refits instead: workers started on this machine, those of a scheduler's address, those
        of a client; needs ``trialkit[cluster]``.

    Returns
    -------
    Bootstrap : ``draws``, ``summary``, ``intervals(level, kind)``, ``failures``.

    Raises
    ------
    ModelError
        If fewer than two rounds can be fitted, or n or jobs is too small.
    ClusterError
        If the cluster that was asked for cannot do the work.
    """
    index, own = _estimates(fit, statistic)
    read = partial(_estimates, statistic=statistic)
    values, failures = _rounds(partial(_refits, fit, fit, read), n, seed, jobs, progress, client)
    for i, (names, _) in values.items():
        if names != index:
            raise ModelError(f"round {i}: the statistic gave other names than for the fit itself.")
    columns = pd.MultiIndex.from_tuples(index, names=["part", "term"])
    draws = pd.DataFrame(
        [v for _, v in values.values()], index=pd.Index(values, name="round"), columns=columns
    )
    return Bootstrap(pd.Series(own, index=columns, name="estimate"), draws, failures, n)


def bootstrap_test(
    fit: Fitted, hypothesis: str | np.ndarray, n: int = 1000, seed: int | None = None,
    jobs: int = 1, progress: Progress | None = None, client: Any = None,
) -> BootstrapTest:  # fmt: skip
    """Test of a term or contrasts against data drawn from the model fitted without them.

    Parameters
    ----------
    hypothesis : str or ndarray, shape (functions, terms)
        A term of the fixed part (tested as in ``term_tests``), or rows of coefficients that are
        jointly zero.
    n, seed, jobs, progress, client : as for :func:`bootstrap`.

    Returns
    -------
    BootstrapTest : statistic F, ``p = (1 + exceedances) / (1 + n - failures)``, draws.

    Raises
    ------
    ModelError
        If the term is unknown, or the rows do not suit the coefficients.
    """
    part = fit.fixed_part
    if isinstance(hypothesis, str):
        if hypothesis not in part.full_terms or hypothesis == "1":
            terms = [t for t in part.full_terms if t != "1"]
            raise ModelError(f"{hypothesis!r} is no term of the fixed part; it has {terms}.")
        name, rows = hypothesis, term_rows(part, hypothesis)
        if not len(rows):
            raise ModelError(
                f"nothing of {hypothesis!r} can be estimated (dropped: {', '.join(part.aliased)})."
            )
    else:
        name, rows = "contrast", np.atleast_2d(np.asarray(hypothesis, dtype=float))
    null = null_fit(fit, rows)
    read = partial(_f_test, rows=rows)
    own, den_df = _f_test(fit, rows)
    q = len(rows)
    work = partial(_refits, null, fit, read)
    values, failures = _rounds(work, n, seed, jobs, progress, client)
    draws = pd.Series({i: f for i, (f, _) in values.items()}, name="F").rename_axis("round")
    exceed = int((draws >= own).sum())
    p = (1 + exceed) / (1 + len(draws))
    p_f = upper_tail(own, q, den_df)
    return BootstrapTest(name, own, q, p_f, p, exceed, draws, failures, n)


def null_fit(fit: F, rows: np.ndarray) -> F:
    """The same model with the fixed effects held to ``rows @ beta = 0``, fitted to the same data.

    Good for simulating from; its fixed part has coefficients without names of their own.

    Raises
    ------
    ModelError
        If the rows do not fit the coefficients, depend on each other, or leave nothing.
    """
    model = fit.model
    names = model.part.names
    p = len(names)
    if rows.shape[1] != p or not np.isfinite(rows).all():
        raise ModelError(f"contrast rows need {p} finite columns, one for each of {list(names)}.")
    if np.linalg.matrix_rank(rows) < len(rows):
        raise ModelError("the contrast rows depend on each other; leave out the redundant ones.")
    if len(rows) >= p:
        raise ModelError("the hypothesis leaves no fixed effect to simulate from.")
    # Solve the hypothesis for its leading coefficients; the others stay as they are.
    order = qr(rows * np.linalg.norm(model.part.x, axis=0), mode="economic", pivoting=True)[2]
    solved, free = order[: len(rows)], np.sort(order[len(rows) :])
    basis = np.zeros((p, len(free)))
    basis[free, np.arange(len(free))] = 1.0
    basis[solved] = -np.linalg.solve(rows[:, solved], rows[:, free])
    x = model.part.x @ basis
    reduced = replace(
        model.part, x=x, names=tuple(f"free_{j + 1}" for j in range(len(free))), terms={}
    )
    scaled, back = standardise(x[model.chain.order])
    small = replace(model, part=reduced, x=scaled, to_original=back)
    return replace(fit, model=small, found=estimate(small, fit.y, fit.method == "reml"))


def _rounds(
    work: Callable[[Sequence[Any]], list[Any]], n: int, seed: int | None, jobs: int,
    progress: Progress | None, client: Any,
) -> tuple[dict[int, Any], pd.DataFrame]:  # fmt: skip
    """Results by round number, and the rounds that failed."""
    if n < 2:
        raise ModelError(f"a bootstrap needs at least 2 rounds, got {n}.")
    results = in_batches(work, np.random.SeedSequence(seed).spawn(n), jobs, progress, client)
    values = {i: r for i, r in enumerate(results, start=1) if not isinstance(r, str)}
    failed = [(i, r) for i, r in enumerate(results, start=1) if isinstance(r, str)]
    if len(values) < 2:
        raise ModelError(f"{len(failed)} of {n} bootstrap rounds failed; first: {failed[0][1]}")
    return values, pd.DataFrame(failed, columns=["round", "reason"])


def _refits(
    source: Fitted, fit: F, read: Callable[[F], Any],
    seeds: Sequence[np.random.SeedSequence],
) -> list[Any]:  # fmt: skip
    """What ``read`` sees in each refit, or why there was none."""
    out: list[Any] = []
    for seed in seeds:
        values = simulate(source, 1, np.random.default_rng(seed))[:, 0]
        try:
            again = refit(fit, values)
            stop_run_off(fit, again)
            out.append(read(again))
        except (ModelError, np.linalg.LinAlgError) as error:
            drawn = fit.model.columns | {fit.model.response: values}
            out.append(plain_reason(replace(fit.model, columns=drawn), error))
    return out


def _estimates(
    fit: F, statistic: Callable[[F], float | Mapping[str, float]] | None = None
) -> tuple[list[tuple[str, str]], np.ndarray]:
    """Names and values of everything estimated."""
    names = [("fixed", name) for name in fit.fixed_part.names]
    values = list(fit.fixed_effects.to_numpy())
    covariances = fit.covariances
    coarse_first = sorted(fit.model.components, key=lambda c: -c.level)
    # Variances before correlations.
    for component in sorted(coarse_first, key=lambda c: c.pairs[0][0] != c.pairs[0][1]):
        a, b = component.pairs[0]
        cov, columns = covariances[component.level], fit.model.slopes[component.level]
        level = fit.model.chain.names[component.level]
        label = level if columns[a].name == "Intercept" else f"{level}: {columns[a].name}"
        if a == b:
            names.append(("variance", label))
            values.append(cov[a, a])
        else:
            scale = np.sqrt(cov[a, a] * cov[b, b])
            names.append(("correlation", f"{label}, {columns[b].name}"))
            values.append(cov[a, b] / scale if scale > 0 else np.nan)
    if fit.family.name not in ("poisson", "binomial"):
        names.append(("dispersion", "dispersion"))
        values.append(fit.dispersion)
    if statistic is not None:
        given: Any = statistic(fit)
        given = {"statistic": given} if np.isscalar(given) else dict(given)
        names += [("statistic", str(k)) for k in given]
        values += [float(v) for v in given.values()]
    return names, np.array(values, dtype=float)


def _f_test(fit: Fitted, rows: np.ndarray) -> tuple[float, float]:
    """F of ``rows @ beta = 0`` and its denominator df."""
    return default_inference(fit).f_test(rows, fit.fixed_effects.to_numpy())
