"""One model over rows in partitions: agreed upon, searched for as sums, told without rows.

The search, the zeros and the other optima are those of :mod:`trialkit.mixed.estimate`; only the
criteria differ, see :mod:`trialkit.mixed.summed`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mapping import opened
from trialkit.mixed import notes
from trialkit.mixed.agreed import Agreed, agree
from trialkit.mixed.chain import empty_chain
from trialkit.mixed.crew import Crew, Here, OnCluster
from trialkit.mixed.estimate import (
    Optimum,
    Start,
    gaussian_optimum,
    laplace_optimum,
    mostly_alike,
    plain_fit,
    reproduced,
    varies,
)
from trialkit.mixed.inference import (
    LEAST_WEIGHT,
    directions,
    information_covariance,
    of_user,
    uncertain,
)
from trialkit.mixed.laid import (
    GaussianPart,
    LaplacePart,
    Told,
    gaussian_jets,
    left_of,
    squares_left,
    unit_factor,
)
from trialkit.mixed.levels import check_fixed_slopes, check_unlike, inside
from trialkit.mixed.model import Model, check_several
from trialkit.mixed.optimise import Search
from trialkit.mixed.partitions import Asked, sources_of
from trialkit.mixed.problem import ChainLayout, build_layout
from trialkit.mixed.result import MixedFit
from trialkit.mixed.separation import check_cell_sums, check_sides
from trialkit.mixed.smallsample import Asymptotic, KenwardRoger, from_jets, random_first
from trialkit.mixed.summed import SummedGaussian, SummedLaplace


@dataclass(frozen=True)
class RootModel(Model):
    """The design without its rows: ``x`` and ``z`` hold a few whose mean products are theirs.

    Attributes
    ----------
    rows : rows in all.
    """

    rows: int = 0

    @property
    def n(self) -> int:
        return self.rows

    @property
    def frame(self) -> pd.DataFrame:  # type: ignore[override]
        raise ModelError(notes.needs_rows("rows"))

    def layout(self, with_fixed: bool) -> tuple[ChainLayout, np.ndarray]:
        """The root's part of the layout: no units, no rows."""
        at, columns = len(self.x.T), []
        for own in self.slopes:
            columns.append(list(range(at, at + len(own))))
            at += len(own)
        x = range(len(self.x.T))
        laid = build_layout(self.chain, columns, x, at, self.entries, with_fixed)
        return laid, np.zeros((0, at))


def _refused(name: str) -> Any:
    def ask(self: PartitionedFit, *args: Any, **kwargs: Any) -> Any:
        raise ModelError(notes.needs_rows(name))

    ask.__doc__ = "Refused without rows."
    return ask


class PartitionedFit(MixedFit):
    """A fit of rows in partitions; made by :func:`trialkit.mixed.fit_mixed`.

    Answers what rests on the fixed effects, their covariance and the variances: coefficients,
    ``term_tests`` (Kenward-Roger, normal theory), adjusted means and contrasts (other factors
    balanced), equivalence, predictions for new data, log-likelihood. Questions to units and rows,
    refits, profile intervals and Satterthwaite's degrees of freedom are refused: they need rows,
    and a fit keeps none, nor anything on a cluster. Of ``y`` only the largest is there.
    """

    model: RootModel

    @property
    def n_rows(self) -> int:
        return self.model.n

    @property
    def aic(self) -> float:  # type: ignore[override]
        """Akaike's criterion of a maximum-likelihood fit."""
        if self.method != "ml":
            raise ModelError('a restricted fit of partitions has no AIC; fit with method="ml".')
        return -2.0 * self.loglik + 2.0 * self.n_parameters

    def needs_rows(self, question: str) -> None:
        raise ModelError(notes.needs_rows(question))

    def predict(
        self, newdata: pd.DataFrame | None = None, scale: str = "response",
        include_units: bool = True,
    ) -> np.ndarray:  # fmt: skip
        """Predicted values of new data, as :func:`trialkit.mixed.effects.predict`."""
        if newdata is None:
            raise ModelError(notes.needs_rows("predict without newdata"))
        return super().predict(newdata, scale, include_units)


for _name in (
    "variance_intervals", "variance_test", "intraclass_correlation", "compare", "quadrature",
    "unit_effects", "simulate", "quantile_residuals", "refit", "bootstrap", "bootstrap_test",
    "influence", "dispersion_check", "zero_check",
):  # fmt: skip
    setattr(PartitionedFit, _name, _refused(_name))


def fit_partitioned(given: Any, asked: Asked, method: str, client: Any = None) -> PartitionedFit:
    """Fit one model to partitions, see :func:`trialkit.mixed.fit_mixed`.

    Parameters
    ----------
    given : partitions as :func:`~trialkit.mixed.partitions.sources_of` takes them.
    client : as `trialkit.mapping.opened` takes it.
    """
    sources = sources_of(given)
    with opened(client) as workers:
        crew: Crew = Here(sources)
        if workers is not None:
            crew = OnCluster([s.narrowed(asked.columns) for s in sources], workers)
        try:
            agreed = agree(crew, asked)
            fit = _gaussian if asked.family.name == "gaussian" else _laplace
            return fit(crew, agreed, method)
        finally:
            crew.release()


def _gaussian(crew: Crew, agreed: Agreed, method: str) -> PartitionedFit:
    reml = method == "reml"
    crew.keep(GaussianPart, agreed, reml)
    told: list[Told] = crew.ask("tell")
    model = _root(crew, agreed, told)
    gram = np.sum([t.gram for t in told], axis=0)
    if not varies(gram):
        beta = np.linalg.lstsq(gram[:-1, :-1], gram[:-1, -1], rcond=None)[0]
        if sum(crew.each(squares_left, agreed, beta)) <= 1e-20 * float(gram[-1, -1]):
            raise ModelError(notes.NO_VARIATION)
    problem = SummedGaussian(
        model.layout(True)[0], crew, model.n, sum(t.log_weight for t in told), reml
    )
    found = gaussian_optimum(model, problem, _why(crew, agreed, told, model))
    point = found.point
    _check_spread(crew, agreed, told, point.sigma)
    fit = _fit(model, found, told, method)

    def jets(components: list[Any]) -> list[tuple[np.ndarray, np.ndarray]]:
        return crew.each(gaussian_jets, agreed, point.sigma**2, fit.covariances, components)

    return _with_inference(fit, jets, lambda: np.zeros((0, 0)))


def _laplace(crew: Crew, agreed: Agreed, method: str) -> PartitionedFit:
    crew.keep(LaplacePart, agreed)
    told: list[Told] = crew.ask("tell")
    model = _root(crew, agreed, told)
    family = model.family
    if family.link == "logit":
        check_several(family, max(t.most_trials for t in told) == 1.0)
    if family.counts:
        cells = {k: np.sum([t.cells[k] for t in told], axis=0) for k in told[0].cells}
        check_cell_sums(model.part, family, model.response, cells)
    start = _start(crew, model)
    constant = sum(t.constant for t in told)

    def problem(restricted: bool) -> SummedLaplace:
        return SummedLaplace(model.layout(restricted)[0], crew, family, constant, restricted)

    why = _why(crew, agreed, told, model)
    found = laplace_optimum(model, problem, method == "reml", start, why)
    at = found.point.theta, found.point.beta, SummedLaplace.TIGHT
    if not family.counts:
        _check_spread(crew, agreed, told, float(np.exp(-0.5 * found.point.theta[-1])))
    fit = _fit(model, found, told, method)

    def jets(components: list[Any]) -> list[tuple[np.ndarray, np.ndarray]]:
        return crew.ask("jets", *at, LEAST_WEIGHT, fit.covariances, components)

    def plain() -> np.ndarray:
        return np.sum(crew.ask("information", method == "reml", *at), axis=0)

    return _with_inference(fit, jets, plain)


def _root(crew: Crew, agreed: Agreed, told: list[Told]) -> RootModel:
    """The whole's design, its levels told apart."""
    coding, asked = agreed.coding, agreed.coding.asked
    counts = np.sum([t.counts for t in told], axis=0, dtype=int).tolist() if coding.nested else []
    said = [*agreed.notes, *_checked(crew, agreed, told, counts)]
    p = len(agreed.part.names)
    return RootModel(
        columns={}, response=asked.response, fixed=asked.fixed, family=asked.family,
        chain=empty_chain(coding.nested, counts), part=agreed.part, x=np.zeros((0, p)),
        to_original=agreed.to_original, slopes=coding.slopes, z=agreed.random,
        covariances=coding.covariances, entries=agreed.entries, theta_scale=agreed.theta_scale,
        components=agreed.components, size=np.array([max(t.most_trials for t in told)]),
        offset=np.zeros(0), weight=np.zeros(0), notes=tuple(said), rows=coding.rows,
    )  # fmt: skip


def _checked(crew: Crew, agreed: Agreed, told: list[Told], counts: list[int]) -> list[str]:
    """:func:`trialkit.mixed.levels.check_units` from sums; returns its notes."""
    coding, said = agreed.coding, []
    names = list(coding.covariances)
    check_unlike(names, counts)
    for lev, (name, many) in enumerate(zip(names, counts, strict=True)):
        columns = coding.slopes[lev]
        if coding.asked.family.name == "gaussian" and many * len(columns) >= coding.rows:
            raise ModelError(
                notes.one_row_each(name, many, len(columns), coding.rows, crossed=False)
            )
        within = {v for t in told for v in t.moves[lev]}
        for v in dict.fromkeys(c.variable for c in columns if c.variable is not None):
            if v not in within:
                said.append(notes.constant_within_units(v, name))
        if many <= len(agreed.part.names):
            x, own = _indicators(crew.each(unit_factor, agreed, lev), len(columns), many)
            if inside(own[:, :, 0], x):
                raise ModelError(notes.units_in_fixed(name, many))
            check_fixed_slopes(name, x, many, columns, own)
    return said


def _indicators(
    factors: list[tuple[int, np.ndarray]], k: int, many: int
) -> tuple[np.ndarray, np.ndarray]:
    """Fixed columns, and per unit of all partitions its random columns, (rows, units, k)."""
    p = factors[0][1].shape[1] - factors[0][0] * k
    xs, owns, at = [], [], 0
    for here, factor in factors:
        own = np.zeros((len(factor), many, k))
        own[:, at : at + here] = factor[:, p:].reshape(len(factor), here, k)
        xs.append(factor[:, :p])
        owns.append(own)
        at += here
    return np.vstack(xs), np.concatenate(owns)


def _start(crew: Crew, model: RootModel) -> Start:
    """Fixed effects without random effects, and a dispersion's start."""
    family, p = model.family, len(model.part.names)
    rows = np.vstack(crew.ask("started"))
    beta = np.linalg.lstsq(rows[:, :p], rows[:, p], rcond=None)[0]

    def sums(beta: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        info, score, least = zip(*crew.ask("weighted", beta), strict=True)
        return np.sum(info, axis=0), np.sum(score, axis=0), min(least)

    beta, unbounded = plain_fit(beta, sums, family.counts)
    if unbounded:
        _check_separation(crew, model)
    if not family.dispersed:
        return Start(beta, None)
    extra, same, ends = zip(*crew.ask("shape_sums", beta), strict=True)
    if not family.counts and all(same):
        raise ModelError(notes.NO_VARIATION)
    if family.link == "logit" and all(ends):
        raise ModelError(notes.all_at_ends(model.response, family.name))
    return Start(beta, family.start_shape(np.sum(extra, axis=0)))


def _check_separation(crew: Crew, model: RootModel) -> None:
    found = crew.ask("distinct")
    rows, count = np.vstack([r for r, _ in found]), np.concatenate([c for _, c in found])
    x = rows[:, 1:] @ np.linalg.inv(model.to_original)
    check_sides(model.part, model.response, x, rows[:, 0], count)


def _check_spread(crew: Crew, agreed: Agreed, told: list[Told], spread: float) -> None:
    """A residual spread of nothing is no estimate where the units leave no residual."""
    squares = sum(t.spread + t.rows * t.mean**2 for t in told)
    if spread**2 * agreed.coding.rows > 1e-10 * squares:
        return
    if because := _no_residual(crew, agreed, told):
        raise ModelError(because)


def _no_residual(crew: Crew, agreed: Agreed, told: list[Told]) -> str:
    """The sentence on a response that the finest units reproduce; empty where they do not."""
    rows, means = np.array([t.rows for t in told]), np.array([t.mean for t in told])
    total = sum(t.spread for t in told) + rows @ (means - rows @ means / rows.sum()) ** 2
    if not reproduced(np.vstack(crew.each(left_of, agreed)), float(total)):
        return ""
    coding = agreed.coding
    return notes.no_residual(coding.asked.response, next(iter(coding.covariances), ""))


def _why(
    crew: Crew, agreed: Agreed, told: list[Told], model: RootModel
) -> Callable[[list[Search]], str]:
    """Why no search converged, where the rows can tell, and what to try."""

    def why(searches: list[Search]) -> str:
        because = ""
        if not model.family.counts:
            because = _no_residual(crew, agreed, told)
        elif model.family.link == "logit" and model.chain.n_nested:
            because = mostly_alike(
                sum(crew.ask("alike")), model.chain.counts[0], model.chain.names[0]
            )
        return notes.did_not_converge(model.response, [s.reason for s in searches], because)

    return why


def _fit(model: RootModel, found: Optimum, told: list[Told], method: str) -> PartitionedFit:
    largest = np.array([max(t.largest for t in told)])
    return PartitionedFit(model, found, largest, method)


def _with_inference(
    fit: PartitionedFit, jets: Callable[[list[Any]], list[tuple[np.ndarray, np.ndarray]]],
    plain: Callable[[], np.ndarray],
) -> PartitionedFit:  # fmt: skip
    """The fit with every inference that needs rows worked out, and no partition held any more."""
    inferences: dict[str, Any] = {"asymptotic": Asymptotic(information_covariance(fit, plain))}
    if fit.method == "reml":
        whole = uncertain(fit, True)
        for with_zeros, name in ((True, "kenward-roger"), (False, "kenward-roger-nonzero")):
            components = uncertain(fit, with_zeros)
            along = None if with_zeros else directions(fit, components)
            if not with_zeros and components == whole and along is None:
                inferences[name] = inferences["kenward-roger"]
                continue
            inferences[name] = _kenward_roger(fit, jets, components, along)
    problem = fit.found.problem
    assert isinstance(problem, SummedGaussian | SummedLaplace)
    problem.crew = Here([])
    fit.inferences.update(inferences)
    return fit


def _kenward_roger(
    fit: PartitionedFit, jets: Callable[[list[Any]], list[tuple[np.ndarray, np.ndarray]]],
    components: list[Any], along: np.ndarray | None,
) -> KenwardRoger:  # fmt: skip
    found = jets([components[r] for r in random_first(components)])
    info, log_det = (np.sum(terms, axis=0) for terms in zip(*found, strict=True))
    kr = from_jets(info, log_det, fit.n_rows, fit.covariances, components, along)
    return of_user(kr, fit.model.to_original)
