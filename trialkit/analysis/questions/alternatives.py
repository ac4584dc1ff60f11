"""The same question asked of other models: does the conclusion hang on the choice of model?

Beside the model the design called for stand the ones another analyst might have taken, on the same
data and design. The mixed models of the same rows are those of `other_models`, turned into means,
ratios and differences as the chosen one is (`estimates`); the simpler analyses are those of
`simpler`. Akaike's criterion is that of the maximum-likelihood fits (Laplace approximation where
the response is not Gaussian) and compares only models of the same rows, not those of strip totals;
models of a value and of its logarithm are compared on the scale of the value (`other_models`).

For counts the plain Poisson (binomial) model is there as a warning. It has blocks but neither strip
nor frame effects, so it takes every kernel for an independent witness, and normal quantiles for
its intervals; counts vary more than that, and its intervals are then too narrow (McCullagh &
Nelder 1989, Generalized Linear Models, section 4.5). It takes no part in the conclusion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.estimates import estimate_factors, holm
from trialkit.analysis.questions import simpler
from trialkit.analysis.questions.agreement import findings
from trialkit.analysis.questions.other_models import OTHER, OtherModel, other_models, same_rows
from trialkit.analysis.questions.simpler import ANSWER
from trialkit.analysis.result import ResponseResult
from trialkit.display import card, table
from trialkit.errors import DesignError, ModelError
from trialkit.facts import Note
from trialkit.words import alternatives as words
from trialkit.words import said

KEYS = ["factor", "level", "reference", "label"]


@dataclass(frozen=True, slots=True)
class Alternatives:
    """Answers of the chosen model and of others.

    Attributes
    ----------
    table : DataFrame
        One row per model and contrast: ``model``; ``role`` ("chosen", "alternative" or
        "warning"); ``factor, level, reference, label``; ``ratio`` and ``difference`` (level less
        reference, `unit`) with ``_low`` and ``_high``; ``df``; ``p``; ``p_adjusted`` by Holm
        within the factor; ``aic``; ``same_rows``, whether the row's AIC compares with the chosen
        model's; ``remark``; ``reason``, why there is no answer (else empty).
    findings : tuple of Note
        Whether the answer hangs on the choice of model (`conclusion` in words).
    title, unit : str
    level : float
        Confidence level of the intervals.
    compared : str
        What the models of one AIC describe, such as "counts of the same frames".
    """

    table: pd.DataFrame
    findings: tuple[Note, ...]
    title: str
    unit: str
    level: float
    compared: str

    @property
    def conclusion(self) -> str:
        """Whether the answer hangs on the choice of model."""
        return " ".join(said(self.findings))

    def _repr_html_(self) -> str:
        shown = self.table.drop(columns=["factor", "level", "reference", "same_rows"])
        shown["aic"] = shown["aic"].where(self.table["same_rows"])
        return card(
            words.heading(self.title, self.unit),
            [self.conclusion, words.about_aic(self.level, self.compared)],
            table(shown),
        )


def alternatives(result: ResponseResult, level: float = 0.95) -> Alternatives:
    """Put the chosen model beside its alternatives.

    Parameters
    ----------
    result : ResponseAnalysis
        Of any response.
    level : float
        Confidence level of the intervals.

    Returns
    -------
    Alternatives
        Models that cannot be fitted stand in the table with the reason.

    Raises
    ------
    ValueError
        If the level does not lie between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    rows = [_mixed(result, model, level) for model in other_models(result)]
    rows += [
        _simple(result, name, compute, level) for name, compute in simpler.analyses(result).items()
    ]
    table = pd.concat(rows, ignore_index=True)
    unable = table.pop("unable").astype(bool)
    return Alternatives(
        table, findings(table, result, level, unable), result.title, result.unit, level,
        same_rows(result),
    )  # fmt: skip


def _mixed(result: ResponseResult, model: OtherModel, level: float) -> pd.DataFrame:
    try:
        fitted = model.fit()
        _, table, notes = estimate_factors(
            fitted, model.design, model.reading, level, model.judged
        )
    except (ModelError, DesignError, np.linalg.LinAlgError) as error:
        return _rows(result, model.name, model.role, reason=str(error))
    remark = " ".join([model.remark, *said(notes)]).strip()
    aic = np.nan
    try:
        if model.compares:
            aic = fitted.aic + model.aic_shift
    except ModelError as error:
        remark = words.no_aic(remark, str(error))
    out = _rows(
        result, model.name, model.role, aic=aic, same=model.compares, remark=remark
    )  # fmt: skip
    for column in [*ANSWER, "p_adjusted"]:
        out[column] = table[column].to_numpy(dtype=float)
    return out


# ---------------------------------------------------------------- simpler analyses
def _simple(
    result: ResponseResult, model: str, compute: simpler.Compute, level: float
) -> pd.DataFrame:
    """A simpler analysis, contrast by contrast; each contrast may fail for its own reason."""
    out = _rows(result, model, OTHER)
    for i, row in out.iterrows():
        try:
            answer = compute(row["factor"], row["level"], row["reference"], level)
        except (ModelError, DesignError, np.linalg.LinAlgError) as error:
            out.loc[i, "reason"] = str(error)
            continue
        if not result.specification.ratios:
            answer |= dict.fromkeys(("ratio", "ratio_low", "ratio_high"), np.nan)
        out.loc[i, list(answer)] = pd.Series(answer)
    for _, at in out.groupby("factor").groups.items():
        known = out.loc[at, "p"].dropna()
        if len(known):
            out.loc[known.index, "p_adjusted"] = holm(known.to_numpy(dtype=float))
    return out


def _rows(
    result: ResponseResult, model: str, role: str, aic: float = np.nan, same: bool = False,
    remark: str = "", reason: str = "",
) -> pd.DataFrame:  # fmt: skip
    """One row a contrast, answers still missing."""
    out = result.contrasts[KEYS].reset_index(drop=True)
    out.insert(0, "model", model)
    out.insert(1, "role", role)
    out[[*ANSWER, "p_adjusted"]] = np.nan
    return out.assign(aic=aic, same_rows=same, remark=remark, reason=reason, unable=False)
