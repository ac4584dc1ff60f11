"""The rows a response's model saw, and the model as plain data, to fit it again elsewhere.

One row a measurement. Units of the nesting are numbered as the model tells them apart, whatever
their labels; random columns of factors (`trialkit.mixed.random_part`) stand as numbers, so that a
general statistics language states the same model without coding anything of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis.preharvest import rows_ahead, spread_model
from trialkit.errors import ModelError

if TYPE_CHECKING:
    from trialkit.analysis.asked import ResponseAnalysis
    from trialkit.mixed import MixedFit
    from trialkit.trial import Trial

RESULT, AHEAD = "result", "before harvest"
_PLACES = ("field", "pair", "main_strip", "strip", "zone")


@dataclass(frozen=True, slots=True)
class RandomTerm:
    """Independent normal effects of the units of a level, all of one variance.

    Attributes
    ----------
    unit : str
        Column that numbers the units.
    columns : tuple of str
        Columns the effects multiply, one effect each; none: an effect of the unit as such.
    variance : float
        As estimated, model's scale.
    """

    unit: str
    columns: tuple[str, ...]
    variance: float


@dataclass(frozen=True, slots=True)
class StatedModel:
    """A fitted model with its rows.

    Attributes
    ----------
    response : str
    part : {"result", "before harvest"}
        The response's own model, or that of what is taken off it after the fit.
    family : {"poisson", "binomial", "gaussian"}
    logarithm : bool
        Whether the values are logarithms (of shares by mass).
    y, size, offset : str
        Columns of the value or count, of the area or number examined, of the logarithm of the area.
    fixed : str
        Right-hand side of the fixed part.
    terms : tuple of str
        The same, term by term, without the intercept.
    factors : dict of str to tuple of str
        Levels by factor, reference first.
    random : tuple of RandomTerm
        Coarse to fine.
    title : str
        Of the response.
    scale, unit, taken_off : float, str, float or None
        Of the reported means: `unit` per unit of the model's mean, and what is taken off them.
    fit : MixedFit
    rows : DataFrame
        The columns above; ``response, part, row``, places of the row by name, ``unit_*``.
    """

    response: str
    part: str
    family: str
    logarithm: bool
    y: str
    size: str
    offset: str
    fixed: str
    terms: tuple[str, ...]
    factors: Mapping[str, tuple[str, ...]]
    random: tuple[RandomTerm, ...]
    title: str
    scale: float
    unit: str
    taken_off: float | None
    fit: MixedFit
    rows: pd.DataFrame

    @property
    def loglik_ml(self) -> float | None:
        """Log-likelihood of the fit by maximum likelihood; None where there is none."""
        try:
            return self.fit.n_parameters - self.fit.aic / 2
        except ModelError:
            return None


def stated_models(result: ResponseAnalysis, trial: Trial) -> list[StatedModel]:
    """The model of a response, and that of what is taken off its means where it has one.

    Parameters
    ----------
    trial : Trial
        As it was analysed (`TrialResult.used`).
    """
    spec = result.specification
    taken = frozenset(factor.name for factor in trial.config.setups)
    size = spec.law.get("exposure") or spec.law.get("trials", "")
    out = [_stated(result, RESULT, result.fit, result.data, size, taken)]
    if spec.offset:
        ahead = rows_ahead(spec, trial).assign(count=lambda rows: rows[spec.response])
        fit, _ = spread_model(ahead) if len(ahead) else (None, "")
        if fit is not None:
            out.append(_stated(result, AHEAD, fit, ahead, "area", taken))
    return out


def model_rows(models: Sequence[StatedModel]) -> pd.DataFrame:
    """The rows of several models, one below the other; what a model lacks is missing."""
    rows = pd.concat([model.rows for model in models], ignore_index=True)
    units = {name for model in models for name in (t.unit for t in model.random)}
    return rows.astype(dict.fromkeys(units & set(rows.columns), "Int64"))


def _stated(
    result: ResponseAnalysis, part: str, fit: MixedFit, data: pd.DataFrame, size: str,
    taken: frozenset[str],
) -> StatedModel:  # fmt: skip
    """A fit with the rows of `data` that it used; no column is named as one of `taken`."""
    model = fit.model

    def free(name: str) -> str:
        return name + "_" if name in taken else name

    used = fit.rows
    if len(used) < len(data):
        data = data.dropna(subset=[name for name in used if name in data])
    rows = pd.DataFrame({free("response"): result.response, free("part"): part}, data.index)
    rows[free("row")] = np.arange(1, len(data) + 1)
    y, sizes, offset = free("y"), "", ""
    rows[y] = used[model.response].to_numpy()
    if size:
        rows[sizes := free("size")] = used[size].to_numpy()
    if fit.family.link == "log":
        rows[offset := free("log_area")] = model.original_order(model.offset)
    for name in _PLACES:
        if name in data and data[name].notna().any():
            rows[name] = data[name].astype(object)
    for name in used:
        if name in model.part.levels:
            rows[name] = used[name].astype(str).to_numpy(dtype=object)
        elif name in model.part.centres:
            rows[name] = used[name].to_numpy()
    random: list[RandomTerm] = []
    for lev in reversed(range(model.chain.n_levels)):
        random += _terms_of_level(fit, lev, rows, free)
    terms = tuple(term for term in model.part.full_terms if term != "1")
    levels = {n: tuple(map(str, own)) for n, own in model.part.levels.items()}
    return StatedModel(
        result.response, part, fit.family.name, result.specification.family == "lognormal", y,
        sizes, offset, model.fixed, terms, levels, tuple(random), result.title, result.scale,
        result.unit, None if result.offset is None else result.offset.value, fit, rows,
    )  # fmt: skip


def _terms_of_level(
    fit: MixedFit, lev: int, rows: pd.DataFrame, free: Callable[[str], str]
) -> list[RandomTerm]:
    """A level's terms; its units and the columns they multiply are put beside the rows."""
    model = fit.model
    level = model.chain.names[lev]
    unit = free(f"unit_{level}")
    # In the order of the rows: the engine's own follows the names.
    rows[unit] = pd.factorize(model.original_order(model.row_units[lev]))[0] + 1
    groups: dict[int, list[str]] = {}
    variances: dict[int, float] = {}
    for j, column in enumerate(model.slopes[lev]):
        own = groups.setdefault(column.group, [])
        variances[column.group] = float(fit.covariances[lev][j, j])
        if column.variable is not None:
            own.append(free(f"{level}_{column.variable}_{len(own) + 1}"))
            rows[own[-1]] = model.original_order(model.z[lev][:, j])
    return [RandomTerm(unit, tuple(own), variances[group]) for group, own in groups.items()]
