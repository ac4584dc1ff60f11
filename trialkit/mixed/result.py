"""MixedFit: what a fitted mixed model can tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.errors import ModelError
from trialkit.mixed import kernels, means
from trialkit.mixed.estimate import Estimate, estimate
from trialkit.mixed.families import Family
from trialkit.mixed.model import Model
from trialkit.mixed.problem import GaussianProblem, LaplaceProblem
from trialkit.mixed.smallsample import (
    Component,
    KenwardRoger,
    Satterthwaite,
    kenward_roger,
    satterthwaite,
)

# Largest block of rows tied together by the coarsest level for which the dense Kenward-Roger
# algebra is used; beyond it, Satterthwaite.
KENWARD_ROGER_ROWS = 1_500
METHODS = ("kenward-roger", "satterthwaite", "asymptotic")


@dataclass(frozen=True, slots=True)
class Asymptotic:
    """Normal-theory inference from the information matrix (maximum likelihood)."""

    adjusted: np.ndarray

    def moments(self, contrast: np.ndarray) -> tuple[float, float]:
        """No rescaling, infinite denominator df."""
        return 1.0, np.inf

    def f_test(self, contrast: np.ndarray, estimate: np.ndarray) -> tuple[float, float]:
        """Wald chi-square over its df, infinite denominator df."""
        effect = contrast @ estimate
        cov = contrast @ self.adjusted @ contrast.T
        return float(effect @ np.linalg.solve(cov, effect)) / len(contrast), np.inf


class MixedFit:
    """A fitted mixed model; made by :func:`trialkit.mixed.fit_mixed`.

    Standard errors, degrees of freedom and tests are worked out when first asked for.
    """

    def __init__(self, model: Model, found: Estimate, y: np.ndarray, reml: bool) -> None:
        self._model, self._found, self._y, self._reml = model, found, y, reml

    # ------------------------------------------------------------------ the fit itself
    @property
    def family(self) -> Family:
        """Response distribution and link."""
        return self._model.family

    @property
    def method(self) -> str:
        """``"reml"`` or ``"ml"``."""
        return "reml" if self._reml else "ml"

    @property
    def fixed_part(self) -> Any:
        """Columns, terms and factor levels of the fixed part."""
        return self._model.part

    @property
    def n_rows(self) -> int:
        """Rows used."""
        return len(self._y)

    @property
    def loglik(self) -> float:
        """Log-likelihood with every constant; the restricted one for ``method="reml"``."""
        point = self._found.point
        if not self._reml:
            return point.value
        # The restricted likelihood integrates over the user's coefficients, not the scaled ones.
        return point.value + float(np.log(np.abs(np.diag(self._model.to_original))).sum())

    @property
    def n_parameters(self) -> int:
        """Fixed effects, covariance parameters, and the residual variance where there is one."""
        return len(self._model.part.names) + self._model.n_theta + (self.family.name == "gaussian")

    @cached_property
    def aic(self) -> float:
        """Akaike's criterion of the maximum-likelihood fit (refitted for ``method="reml"``)."""
        full = self if not self._reml else self._again(self._y, reml=False)
        return -2.0 * full.loglik + 2.0 * self.n_parameters

    @property
    def converged(self) -> bool:
        """Always true for a fit that was returned; failure is an error."""
        return any(s.converged for s in self._found.searches) or not self._found.searches

    @property
    def singular(self) -> bool:
        """Whether a variance is estimated at zero (or a correlation at one)."""
        if self._found.zero.any():
            return True
        return any(np.linalg.matrix_rank(c, tol=1e-8 * max(np.trace(c), 1e-300)) < len(c)
                   for c in self._covariances)  # fmt: skip

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know of this fit: rows left out, zero variances, other optima."""
        out = [*self._model.notes, *self._found.notes]
        table = self.variances
        for _, row in table[table["variance"] == 0.0].iterrows():
            term = "" if row["term"] == "Intercept" else f" ({row['term']})"
            out.append(
                f"the variance between units of {row['level']!r}{term} is estimated at zero."
            )
        if self._reml and self.inference_method == "satterthwaite":
            out.append("degrees of freedom by Satterthwaite: too many rows are tied together.")
        return tuple(out)

    @property
    def searches(self) -> pd.DataFrame:
        """One row per search of the optimiser: value, scaled gradient, iterations, outcome."""
        return pd.DataFrame(
            [
                {"log_likelihood": -s.value, "gradient": s.gradient, "iterations": s.iterations,
                 "converged": s.converged, "reason": s.reason}
                for s in self._found.searches
            ]
        )  # fmt: skip

    @property
    def evaluations(self) -> int:
        """Gradient evaluations of the criterion kept."""
        return self._found.problem.evaluations

    # ------------------------------------------------------------------ estimates
    @property
    def fixed_effects(self) -> pd.Series:
        """Estimates by coefficient name."""
        beta = self._model.to_original @ self._found.point.beta
        return pd.Series(beta, index=list(self._model.part.names), name="estimate")

    @property
    def _covariances(self) -> list[np.ndarray]:
        """Covariance matrix of every level, finest first."""
        layout = self._found.problem.layout
        s2 = self._found.point.sigma**2
        return [s2 * lam @ lam.T for lam in layout.lambdas(self._found.point.theta)]

    @property
    def variances(self) -> pd.DataFrame:
        """Variance components, coarse to fine: level, term, variance, sd and correlations."""
        rows = []
        widest = max((len(c) for c in self._model.slopes), default=1)
        for name, columns, cov in reversed(
            list(zip(self._model.chain.names, self._model.slopes, self._covariances, strict=True))
        ):
            sd = np.sqrt(np.diag(cov))
            seen = set()
            for j, column in enumerate(columns):
                shared = self._model.covariances[name] == "exchangeable"
                if shared and column.group in seen:
                    continue
                seen.add(column.group)
                row = {"level": name, "term": column.name, "variance": cov[j, j], "sd": sd[j]}
                if self._model.covariances[name] == "unstructured":
                    for i in range(j):
                        both = sd[i] * sd[j]
                        row[f"corr_{i + 1}"] = cov[j, i] / both if both > 0 else np.nan
                rows.append(row)
        columns_out = ["level", "term", "variance", "sd"]
        columns_out += [f"corr_{i + 1}" for i in range(widest - 1)
                        if any(f"corr_{i + 1}" in r for r in rows)]  # fmt: skip
        return pd.DataFrame(rows, columns=columns_out)

    @property
    def dispersion(self) -> float:
        """Residual standard deviation (Gaussian); 1 for Poisson and binomial."""
        return self._found.point.sigma if self.family.name == "gaussian" else 1.0

    def random_variance(self, frame: pd.DataFrame) -> np.ndarray:
        """Variance of all random effects together in each row of ``frame`` (link scale)."""
        return self._model.random_variance(frame, self._covariances)

    # ------------------------------------------------------------------ inference
    @property
    def inference_method(self) -> str:
        """How standard errors and df are found by default."""
        if not self._reml:
            return "asymptotic"
        blocks = self._blocks()
        return "kenward-roger" if np.diff(blocks).max() <= KENWARD_ROGER_ROWS else "satterthwaite"

    @cached_property
    def inference(self) -> KenwardRoger | Satterthwaite | Asymptotic:
        """Covariance of the fixed effects and the df rule of the default method."""
        return self._inference(self.inference_method)

    def _inference(self, method: str) -> KenwardRoger | Satterthwaite | Asymptotic:
        if method not in METHODS:
            raise ModelError(f"method {method!r} is not known; choose one of {METHODS}.")
        if method == "kenward-roger":
            return self._kenward_roger
        if method == "satterthwaite":
            return self._satterthwaite
        return Asymptotic(self._information_covariance)

    @property
    def covariance(self) -> pd.DataFrame:
        """Covariance matrix of the fixed effects (Kenward-Roger adjusted for REML fits)."""
        names = list(self._model.part.names)
        return pd.DataFrame(self.inference.adjusted, index=names, columns=names)

    def _blocks(self) -> np.ndarray:
        """First rows of independent blocks, and the number of rows."""
        chain, n = self._model.chain, self.n_rows
        if chain.n_levels == 0:
            return np.r_[np.arange(0, n, 200), n]
        top = chain.unit[:, -1]
        return np.r_[chain.row_start[:-1][np.r_[True, top[1:] != top[:-1]]], n]

    @cached_property
    def _kenward_roger(self) -> KenwardRoger:
        self._need_reml("Kenward-Roger")
        model, point = self._model, self._found.point
        chain = model.chain
        per_unit = np.diff(chain.row_start)
        units = [np.repeat(chain.unit[:, lev], per_unit) for lev in range(chain.n_levels)]
        components = list(model.components)
        if self.family.name == "gaussian":
            residual = point.sigma**2 / model.weight
            components.append(Component(-1, ()))
        else:
            assert point.weight is not None
            residual = 1.0 / np.maximum(point.weight, 1e-10)
        kr = kenward_roger(
            model.x, residual, list(model.z), units, self._covariances, components, self._blocks()
        )
        t = model.to_original
        back = np.linalg.inv(t)
        return KenwardRoger(t @ kr.phi @ t.T, t @ kr.adjusted @ t.T, back.T @ kr.p @ back, kr.w)

    @cached_property
    def _satterthwaite(self) -> Satterthwaite:
        self._need_reml("Satterthwaite")
        problem, point, model = self._found.problem, self._found.point, self._model
        free = np.flatnonzero(~self._found.zero)
        gaussian = isinstance(problem, GaussianProblem)

        def at(parameters: np.ndarray):
            theta = point.theta.copy()
            theta[free] = parameters[: len(free)]
            if isinstance(problem, GaussianProblem):
                return problem.point(theta, sigma=float(parameters[-1]))
            return problem.point(theta, point.beta)

        def phi_at(parameters: np.ndarray) -> np.ndarray:
            found = at(parameters)
            root = np.linalg.inv(found.root) * found.sigma
            half = model.to_original @ root
            return half @ half.T

        def gradient(parameters: np.ndarray) -> np.ndarray:
            found = at(parameters)
            grad = found.grad[free]
            if gaussian:
                s = float(parameters[-1])
                grad = np.r_[grad, -problem.df / s + found.rss / s**3]
            return grad

        start = point.theta[free]
        scale = 1e-4 * np.maximum(np.abs(start), model.theta_scale[free])
        if gaussian:
            start = np.r_[start, point.sigma]
            scale = np.r_[scale, 1e-4 * point.sigma]
        return satterthwaite(phi_at, gradient, start, scale)

    def _need_reml(self, what: str) -> None:
        if not self._reml:
            raise ModelError(f'{what} degrees of freedom need method="reml"; refit that way.')

    @cached_property
    def _information_covariance(self) -> np.ndarray:
        """Covariance of the fixed effects from the full information matrix."""
        problem, point, model = self._found.problem, self._found.point, self._model
        t = model.to_original
        if isinstance(problem, GaussianProblem) or self._reml:
            # Fixed effects and variances are uncorrelated (Gaussian), or integrated apart.
            half = t @ np.linalg.inv(point.root) * point.sigma
            return half @ half.T
        free = np.flatnonzero(~self._found.zero)
        k = model.n_theta
        centre = np.r_[point.theta[free], point.beta]
        spread = np.sqrt(np.diag(np.linalg.inv((model.x * point.weight[:, None]).T @ model.x)))  # type: ignore[index]
        step = np.r_[1e-4 * model.theta_scale[free], 1e-3 * spread]

        def gradient(parameters: np.ndarray) -> np.ndarray:
            theta = point.theta.copy()
            theta[free] = parameters[: len(free)]
            found = problem.point(theta, parameters[len(free) :])
            return np.r_[found.grad[:k][free], found.grad[k:]]

        hessian = np.empty((len(centre), len(centre)))
        for j, h in enumerate(step):
            move = np.zeros(len(centre))
            move[j] = h
            hessian[j] = (gradient(centre + move) - gradient(centre - move)) / (2 * h)
        covariance = np.linalg.inv(-0.5 * (hessian + hessian.T))[len(free) :, len(free) :]
        return t @ covariance @ t.T

    @property
    def coefficients(self) -> pd.DataFrame:
        """Table by coefficient: estimate, se, df, statistic, p, and the 95 % interval."""
        names = list(self._model.part.names)
        table = self.linear(np.eye(len(names)))
        return table.set_index(pd.Index(names, name="term"))

    def term_tests(self, method: str | None = None) -> pd.DataFrame:
        """F test of every term's coefficients.

        Parameters
        ----------
        method : {"kenward-roger", "satterthwaite", "asymptotic"}, optional
            Default: the fit's own.

        Returns
        -------
        DataFrame by term: F, num_df, den_df, p.
        """
        inference = self.inference if method is None else self._inference(method)
        beta = self.fixed_effects.to_numpy()
        out = {}
        for term, columns in self._model.part.terms.items():
            if term == "1":
                continue
            f, df = inference.f_test(np.eye(len(beta))[columns], beta)
            q = len(columns)
            p = stats.chi2.sf(f * q, q) if np.isinf(df) else stats.f.sf(f, q, df)
            out[term] = {"F": f, "num_df": q, "den_df": df, "p": float(p)}
        table = pd.DataFrame.from_dict(out, orient="index", columns=["F", "num_df", "den_df", "p"])
        return table.rename_axis("term")

    def linear(self, rows: np.ndarray, level: float = 0.95) -> pd.DataFrame:
        """Linear functions of the fixed effects: estimate, se, df, statistic, p, low, high.

        Parameters
        ----------
        rows : ndarray, shape (functions, terms)
        """
        return means.linear_functions(self, rows, level)

    def reference_grid(
        self, by: str | Sequence[str], at: Mapping[str, Any] | None = None
    ) -> tuple[pd.DataFrame, np.ndarray]:
        """Combinations of factors and the linear functions of their adjusted means."""
        grid, rows, _ = means.reference_grid(self, by, at)
        return grid, rows

    def adjusted_means(
        self, by: str | Sequence[str], at: Mapping[str, Any] | None = None, level: float = 0.95
    ) -> pd.DataFrame:
        """Adjusted means: covariates at their mean, other factors balanced.

        Parameters
        ----------
        by : factor or list of factors of the fixed part.
        at : mapping, optional
            Values at which other variables are held.
        level : float
            Confidence level of the intervals.

        Returns
        -------
        DataFrame, one row a combination: the factors; estimate, se, df, low, high on the link
        scale; ``response`` with its interval for a typical unit (random effects zero);
        ``average`` with its interval over the random effects' distribution, whose variance is
        taken as known.
        """
        return means.adjusted_means(self, by, at, level)

    def contrasts(
        self, by: str, reference: Any = None, adjust: str = "none", level: float = 0.95,
        at: Mapping[str, Any] | None = None,
    ) -> pd.DataFrame:  # fmt: skip
        """Differences between adjusted means on the link scale, and ratios where it is a log.

        Parameters
        ----------
        by : factor of the fixed part.
        reference : level to compare with; None gives all pairs.
        adjust : {"none", "holm", "bonferroni"}
            Multiplicity adjustment of ``p_adjusted``.

        Returns
        -------
        DataFrame: level, reference, estimate, se, df, statistic, p, low, high, p_adjusted and,
        for log and logit links, ratio (odds ratio) with its interval.
        """
        return means.contrasts(self, by, reference, adjust, level, at)

    # ------------------------------------------------------------------ units and rows
    def unit_effects(self, level: str) -> pd.DataFrame:
        """Predicted effects of the units of one level, with their standard errors.

        Returns
        -------
        DataFrame, one row a unit: its labels coarse to fine, then per random column the
        conditional mode and ``_se``, the conditional standard deviation (fixed effects'
        uncertainty included for REML fits).
        """
        chain, layout = self._model.chain, self._found.problem.layout
        if level not in chain.names:
            raise ModelError(f"{level!r} is no nested level of this fit: {chain.names[::-1]}.")
        lev = chain.names.index(level)
        k, n = layout.widths[lev], chain.counts[lev]
        lam = layout.lambdas(self._found.point.theta)[lev]
        u0 = int(layout.u_off[lev])
        effects = self._found.point.u[u0 : u0 + n * k].reshape(n, k) @ lam.T
        start, blocks = self._unit_blocks()
        own = blocks[start[lev] : start[lev] + n * k * k].reshape(n, k, k)
        cov = lam @ own @ lam.T * self._found.point.sigma**2
        out = chain.labels[lev].copy()
        columns = self._model.slopes[lev]
        for j, column in enumerate(columns):
            name = column.name
            if sum(c.name == name for c in columns) > 1:
                name = f"{name}_{[c.name for c in columns[: j + 1]].count(name)}"
            out[name] = effects[:, j]
            out[f"{name}_se"] = np.sqrt(np.maximum(cov[:, j, j], 0.0))
        return out

    def _unit_blocks(self) -> tuple[np.ndarray, np.ndarray]:
        problem, point = self._found.problem, self._found.point
        layout, chain = problem.layout, self._model.chain
        # Factors are those of the last evaluation: make that the optimum.
        fac = self._factors()
        start = np.r_[0, np.cumsum([c * k * k for c, k in
                                    zip(chain.counts, layout.widths, strict=True)])]  # fmt: skip
        p = layout.n_root
        inverse = np.zeros((p, p))
        if p and self._reml:
            half = np.linalg.inv(point.root)
            inverse = half @ half.T
        out = np.empty(int(start[-1]))
        kernels.unit_blocks(
            chain.unit, chain.closes, layout.offs, layout.u_off, layout.fac_off, layout.m,
            fac, inverse, out, start[:-1].astype(np.int64),
        )  # fmt: skip
        return start, out

    def _factors(self) -> np.ndarray:
        problem, point = self._found.problem, self._found.point
        layout, chain = problem.layout, self._model.chain
        if isinstance(problem, LaplaceProblem):
            problem.point(point.theta, point.beta)
            return problem.fac
        fac = np.empty(layout.n_fac)
        kernels.eliminate_cross(
            problem.cross, chain.unit, chain.closes, layout.offs, layout.u_off, layout.fac_off,
            layout.ptr, layout.row, layout.values(point.theta), layout.m,
            np.zeros(layout.n_u), fac,
        )  # fmt: skip
        return fac

    def _unit_part(self) -> np.ndarray:
        """Random part of the linear predictor, rows in chain order."""
        chain, layout = self._model.chain, self._found.problem.layout
        eta = np.zeros(self.n_rows)
        per_unit = np.diff(chain.row_start)
        for lev, lam in enumerate(layout.lambdas(self._found.point.theta)):
            k, n = layout.widths[lev], chain.counts[lev]
            u0 = int(layout.u_off[lev])
            effects = self._found.point.u[u0 : u0 + n * k].reshape(n, k) @ lam.T
            of_row = np.repeat(chain.unit[:, lev], per_unit)
            eta += np.einsum("ij,ij->i", self._model.z[lev], effects[of_row])
        return eta

    def _original_order(self, values: np.ndarray) -> np.ndarray:
        out = np.empty_like(values)
        out[self._model.chain.order] = values
        return out

    def predict(
        self, newdata: pd.DataFrame | None = None, scale: str = "response",
        include_units: bool = True,
    ) -> np.ndarray:  # fmt: skip
        """Predicted values, shape (rows,).

        Parameters
        ----------
        newdata : DataFrame, optional
            Rows to predict for, with zero random effects and unit exposure; default: the rows
            fitted, in their original order, with their exposure.
        scale : {"response", "link"}
            Counts (per exposure), proportions, or the linear predictor.
        include_units : bool
            Add the predicted unit effects of the rows fitted.
        """
        if scale not in ("response", "link"):
            raise ModelError(f"scale {scale!r} is not known; choose 'response' or 'link'.")
        if newdata is not None:
            eta = self._model.part.matrix(newdata) @ self.fixed_effects.to_numpy()
        else:
            eta = self._model.offset + self._model.x @ self._found.point.beta
            if include_units:
                eta = eta + self._unit_part()
            eta = self._original_order(eta)
        return eta if scale == "link" else self.family.inverse_link(eta)

    def simulate(self, n: int = 1, seed: int | np.random.Generator | None = None) -> np.ndarray:
        """Draw new responses from the fitted model, new units included.

        Returns
        -------
        ndarray, shape (rows, n), rows in the order of :attr:`rows`.
        """
        rng = np.random.default_rng(seed)
        model, chain = self._model, self._model.chain
        per_unit = np.diff(chain.row_start)
        fixed = model.offset + model.x @ self._found.point.beta
        out = np.empty((self.n_rows, n))
        roots = [
            self._found.point.sigma * lam
            for lam in self._found.problem.layout.lambdas(self._found.point.theta)
        ]
        for draw in range(n):
            eta = fixed.copy()
            for lev, root in enumerate(roots):
                b = rng.standard_normal((chain.counts[lev], len(root))) @ root.T
                of_row = np.repeat(chain.unit[:, lev], per_unit)
                eta += np.einsum("ij,ij->i", model.z[lev], b[of_row])
            if self.family.name == "gaussian":
                y = eta + rng.standard_normal(len(eta)) * self.dispersion / np.sqrt(model.weight)
            elif self.family.name == "poisson":
                y = rng.poisson(np.exp(eta)).astype(float)
            else:
                y = rng.binomial(model.size.astype(int), self.family.inverse_link(eta)).astype(
                    float
                )
            out[:, draw] = self._original_order(y)
        return out

    def quantile_residuals(self, seed: int | np.random.Generator | None = None) -> np.ndarray:
        """Randomised quantile residuals given the unit effects, shape (rows,).

        Standard normal when the model holds (Dunn & Smyth 1996, J. Comput. Graph. Stat.
        5:236-244). Rows in the order of :attr:`rows`.
        """
        rng = np.random.default_rng(seed)
        model = self._model
        eta = model.offset + model.x @ self._found.point.beta + self._unit_part()
        if self.family.name == "gaussian":
            out = (self._y - eta) * np.sqrt(model.weight) / self.dispersion
            return self._original_order(out)
        mean = self.family.inverse_link(eta)
        law = (
            stats.poisson(mean) if self.family.name == "poisson" else stats.binom(model.size, mean)
        )
        below, upto = law.cdf(self._y - 1), law.cdf(self._y)
        u = below + rng.uniform(size=len(eta)) * (upto - below)
        return self._original_order(stats.norm.ppf(np.clip(u, 1e-12, 1 - 1e-12)))

    @property
    def rows(self) -> pd.DataFrame:
        """The rows used, in the order of the input."""
        return self._model.frame

    # ------------------------------------------------------------------ again
    def refit(self, values: np.ndarray) -> MixedFit:
        """Fit the same model to new responses, shape (rows,), rows in the order of :attr:`rows`.

        Raises
        ------
        ModelError
            If the number of values differs or they do not suit the family.
        """
        values = np.asarray(values, dtype=float)
        if values.shape != (self.n_rows,):
            raise ModelError(f"refit needs {self.n_rows} values, got shape {values.shape}.")
        ordered = values[self._model.chain.order]
        check_response(ordered, self._model)
        return self._again(ordered, self._reml)

    def _again(self, y: np.ndarray, reml: bool) -> MixedFit:
        found = estimate(self._model, y, reml, start=self._found.point.theta)
        return MixedFit(self._model, found, y, reml)

    # ------------------------------------------------------------------ views
    def _title(self) -> str:
        chain = self._model.chain
        levels = " > ".join(
            f"{n} ({c})" for n, c in reversed(list(zip(chain.names, chain.counts, strict=True)))
        )
        kind = "restricted" if self._reml else "maximum"
        return (
            f"{self.family.name} model of {self._model.response} ~ {self._model.fixed}"
            f"{', units ' + levels if levels else ''}; {self.n_rows} rows, {kind} likelihood "
            f"{self.loglik:.3f}, df {self.inference_method}"
        )

    def __repr__(self) -> str:
        parts = [self._title(), "", self.coefficients.round(4).to_string()]
        if len(self.variances):
            parts += ["", self.variances.round(5).to_string(index=False)]
        if self.family.name == "gaussian":
            parts += ["", f"residual sd {self.dispersion:.5g}"]
        return "\n".join([*parts, *(f"note: {n}" for n in self.notes)])

    def _repr_html_(self) -> str:
        out = [f"<p><b>{escape(self._title())}</b></p>", self.coefficients.round(4).to_html()]
        if len(self.variances):
            out.append(self.variances.round(5).to_html(index=False))
        if self.family.name == "gaussian":
            out.append(f"<p>Residual standard deviation {self.dispersion:.5g}</p>")
        out += [f"<p>Note: {escape(n)}</p>" for n in self.notes]
        return "".join(out)


def check_response(y: np.ndarray, model: Model) -> None:
    """Values must suit the family; see :func:`trialkit.mixed.fit_mixed`."""
    name, family = model.response, model.family.name
    if not np.isfinite(y).all():
        raise ModelError(f"{name!r} holds missing or infinite values.")
    if family == "gaussian":
        return
    if (y < 0).any() or (y != np.round(y)).any():
        raise ModelError(f"{name!r} must be whole numbers from zero up for family {family!r}.")
    if family == "binomial" and (y > model.size).any():
        raise ModelError(f"{name!r} exceeds its trials in {int((y > model.size).sum())} rows.")
