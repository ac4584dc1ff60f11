"""The same question asked of other models: does the conclusion hang on the choice of model?

Beside the model the design called for stand the ones another analyst might have taken, on the same
data and design. All mixed models of the counts are fitted and turned into means and ratios as the
chosen one is (`estimates`); the simpler analyses are those of `simpler`. Akaike's criterion is
that of the maximum-likelihood fits (Laplace approximation) and compares only models of the same
rows: those of the single counts, not those of strip totals.

The plain Poisson (binomial) model is there as a warning. It has blocks but neither strip nor frame
effects, so it takes every kernel for an independent witness, and normal quantiles for its
intervals; counts vary more than that, and its intervals are then too narrow (McCullagh & Nelder
1989, Generalized Linear Models, section 4.5). It takes no part in the conclusion.
"""

from __future__ import annotations

import dataclasses
import html
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.analysis import simpler
from trialkit.analysis.design import Design
from trialkit.analysis.estimates import estimate_factors, holm
from trialkit.analysis.refits import counted, fit_counts
from trialkit.analysis.result import ResponseAnalysis
from trialkit.analysis.simpler import ANSWER
from trialkit.errors import DesignError, ModelError
from trialkit.mixed import MixedFit

KEYS = ["factor", "level", "reference", "label"]
CHOSEN, WARNING, OTHER = "chosen", "warning", "alternative"
FAMILIES: dict[str, dict[str, tuple[str, str]]] = {
    "poisson": {
        "chosen": ("poisson", "Poisson with frame effect"),
        "mixed": ("negative_binomial", "Negative binomial, no frame effect"),
        "plain": ("poisson", "Poisson without overdispersion"),
    },
    "binomial": {
        "chosen": ("binomial", "Binomial with sample effect"),
        "mixed": ("beta_binomial", "Beta-binomial, no sample effect"),
        "plain": ("binomial", "Binomial without overdispersion"),
    },
}


@dataclass(frozen=True, slots=True)
class Alternatives:
    """Answers of the chosen model and of others.

    Attributes
    ----------
    table : DataFrame
        One row per model and contrast: ``model``; ``role`` ("chosen", "alternative" or
        "warning"); ``factor, level, reference, label``; ``ratio`` and ``difference`` (level less
        reference, `unit`) with ``_low`` and ``_high``; ``df``; ``p``; ``p_adjusted`` by Holm
        within the factor; ``aic``; ``same_counts``, whether the row's AIC compares with the chosen
        model's; ``remark``; ``reason``, why there is no answer (else empty).
    conclusion : str
        Whether the answer hangs on the choice of model, in words.
    title, unit : str
    level : float
        Confidence level of the intervals.
    """

    table: pd.DataFrame
    conclusion: str
    title: str
    unit: str
    level: float

    def _repr_html_(self) -> str:
        shown = self.table.drop(columns=["factor", "level", "reference", "same_counts"])
        shown["aic"] = shown["aic"].where(self.table["same_counts"])
        return (
            f"<p><b>{html.escape(self.title)}, {html.escape(self.unit)}: the same data by other "
            f"models</b></p><p>{html.escape(self.conclusion)}</p>"
            + shown.to_html(index=False, float_format="{:.3g}".format, na_rep="")
            + "<p>AIC is given for models of the single counts only; strip totals are other data. "
            "Smaller is better supported, and differences below 2 say little.</p>"
        )


def alternatives(result: ResponseAnalysis, level: float = 0.95) -> Alternatives:
    """Put the chosen model beside its alternatives.

    Parameters
    ----------
    result : ResponseAnalysis
        Of counts of one zone, such as header loss or kernel damage.
    level : float
        Confidence level of the intervals.

    Returns
    -------
    Alternatives
        Models that cannot be fitted stand in the table with the reason.

    Raises
    ------
    DesignError
        If the response's rows are not counts of one zone.
    ValueError
        If the level does not lie between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    counted(result)
    words = FAMILIES[result.specification.family]
    unlimited: dict[str, Any] = dict.fromkeys(result.design.names, np.inf)
    naive = dataclasses.replace(result.design, strata=unlimited)
    family, name = words["mixed"]
    plain, plain_name = words["plain"]
    rows = [
        _mixed(result, words["chosen"][1], CHOSEN, lambda: result.fit, result.design, level),
        _mixed(result, name, OTHER, lambda: _other_family(result, family), result.design, level),
    ]
    if result.specification.family == "binomial":
        rows.append(
            _mixed(result, "Binomial with strip effect only", OTHER,
                   lambda: _strips_only(result), result.design, level)
        )  # fmt: skip
    remark = "takes every kernel for an independent witness; intervals too narrow if they are not"
    rows.append(
        _mixed(result, plain_name, WARNING, lambda: _plain(result, plain), naive, level, remark)
    )
    rows += [
        _simple(result, name, compute, level) for name, compute in simpler.analyses(result).items()
    ]
    table = pd.concat(rows, ignore_index=True)
    return Alternatives(
        table, _conclusion(table, result.design, level), result.title, result.unit, level
    )


# ---------------------------------------------------------------- models of the counts
def _other_family(result: ResponseAnalysis, family: str) -> MixedFit:
    return fit_counts(result, family, result.design.nested)


def _strips_only(result: ResponseAnalysis) -> MixedFit:
    if "strip" not in result.design.nested:
        raise ModelError(
            "one sample a strip: the sample effect of the chosen model is the strip's effect."
        )
    return fit_counts(result, "binomial", result.design.nested)


def _plain(result: ResponseAnalysis, family: str) -> MixedFit:
    blocks = [name for name in result.design.nested if name in ("field", "pair")]
    return fit_counts(result, family, blocks, slopes=False, method="ml")


def _mixed(
    result: ResponseAnalysis, model: str, role: str, fit: Callable[[], MixedFit], design: Design,
    level: float, remark: str = "",
) -> pd.DataFrame:  # fmt: skip
    try:
        fitted = fit()
        _, table, notes = estimate_factors(fitted, design, result.reading, level)
    except (ModelError, DesignError, np.linalg.LinAlgError) as error:
        return _rows(result, model, role, reason=str(error))
    remark = " ".join([remark, *notes]).strip()
    try:
        aic = fitted.aic
    except ModelError as error:
        aic, remark = np.nan, f"{remark} No AIC: {error}".strip()
    out = _rows(result, model, role, aic=aic, same=True, remark=remark)
    for column in [*ANSWER, "p_adjusted"]:
        out[column] = table[column].to_numpy(dtype=float)
    return out


# ---------------------------------------------------------------- simpler analyses
def _simple(
    result: ResponseAnalysis, model: str, compute: simpler.Compute, level: float
) -> pd.DataFrame:
    """A simpler analysis, contrast by contrast; each contrast may fail for its own reason."""
    out = _rows(result, model, OTHER)
    for i, row in out.iterrows():
        try:
            answer = compute(row["factor"], row["level"], row["reference"], level)
        except (ModelError, DesignError, np.linalg.LinAlgError) as error:
            out.loc[i, "reason"] = str(error)
            continue
        out.loc[i, list(answer)] = pd.Series(answer)
    for _, at in out.groupby("factor").groups.items():
        known = out.loc[at, "p"].dropna()
        if len(known):
            out.loc[known.index, "p_adjusted"] = holm(known.to_numpy(dtype=float))
    return out


def _rows(
    result: ResponseAnalysis, model: str, role: str, aic: float = np.nan, same: bool = False,
    remark: str = "", reason: str = "",
) -> pd.DataFrame:  # fmt: skip
    """One row a contrast, answers still missing."""
    out = result.contrasts[KEYS].reset_index(drop=True)
    out.insert(0, "model", model)
    out.insert(1, "role", role)
    out[[*ANSWER, "p_adjusted"]] = np.nan
    return out.assign(aic=aic, same_counts=same, remark=remark, reason=reason)


# ---------------------------------------------------------------- words
def _conclusion(table: pd.DataFrame, design: Design, level: float) -> str:
    several = len(table.drop_duplicates(["factor", "level"])) > 1
    labels = {f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in design.factors}
    out = []
    for (factor, _), rows in table.groupby(["factor", "level"], sort=False):
        text = _of_contrast(rows, level)
        row = rows.iloc[0]
        lead = f"{row['label']} against {lower_first(labels[str(factor)][row['reference']])}: "
        out.append(lead + text if several else text[0].upper() + text[1:])
    return " ".join(out)


def _of_contrast(rows: pd.DataFrame, level: float) -> str:
    """Does the answer to one contrast hang on the model? Below 1 - level it is told apart."""
    alpha = 1 - level
    chosen = rows[rows["role"] == CHOSEN].iloc[0]
    others = rows[(rows["role"] == OTHER) & rows["p"].notna()]
    # A test that could not reach alpha whatever the data cannot contradict.
    able = others[~others["remark"].str.contains(simpler.UNABLE, regex=False)]
    verdict = _side(chosen, alpha)
    differing = able[[_side(row, alpha) != verdict for _, row in able.iterrows()]]
    heard = rows.loc[[chosen.name, *able.index]]
    spread = f"p {_p(heard['p_adjusted'].min())} to {_p(heard['p_adjusted'].max())}"
    if (ratios := heard["ratio"].dropna()).size:
        spread = f"ratios {ratios.min():.2f} to {ratios.max():.2f}, {spread}"
    if able.empty:
        text = "no alternative could be fitted, so nothing can be said of the choice of model."
    elif len(differing):
        text = (
            f"the answer hangs on the choice of model. The chosen model "
            f"{_words(verdict, level)}; not so {_listed(list(differing['model']))} ({spread})."
        )
        within = differing["difference"].between(
            chosen["difference_low"], chosen["difference_high"]
        )
        if within.all():
            text += (
                " Their estimates lie inside the chosen model's interval: they differ in how sure "
                "they are rather than in what they find."
            )
    else:
        others_too = f"{len(able)} {'other' if len(able) == 1 else 'others'}"
        text = (
            f"the answer does not hang on the choice of model: the chosen one and {others_too} "
            f"alike {_words(verdict, level, many=True)} ({spread})."
        )
    if len(others) > len(able):
        text += (
            f" The sign-flip test has too few pairs to tell anything apart at "
            f"{100 * level:g} % and is left out of this."
        )
    if failed := int(((rows["role"] == OTHER) & rows["p"].isna()).sum()):
        text += f" {failed} could not be fitted."
    return text + _of_warning(chosen, rows[rows["role"] == WARNING].iloc[0])


def _of_warning(chosen: pd.Series, plain: pd.Series) -> str:
    """How much narrower the interval would be, and whether AIC clearly (by 10) speaks against it.

    Burnham & Anderson 2002, Model Selection and Multimodel Inference, p. 70: such a model has
    essentially no support.
    """
    own, naive = (row["difference_high"] - row["difference_low"] for row in (chosen, plain))
    if not naive < 0.9 * own:
        return ""
    text = f" Without overdispersion the interval would be {100 * naive / own:.0f} % as wide"
    if plain["aic"] - chosen["aic"] > 10:
        return f"{text}, which these counts do not bear out."
    return f"{text}."


def _side(row: pd.Series, alpha: float) -> int:
    """-1 or 1: the level is told apart, below or above its reference; 0: not told apart."""
    return int(np.sign(row["difference"])) if row["p_adjusted"] < alpha else 0


def _words(side: int, level: float, many: bool = False) -> str:
    if side == 0:
        return f"do{'' if many else 'es'} not tell the two apart at {100 * level:g} %"
    where = "below" if side < 0 else "above"
    return f"put{'' if many else 's'} it {where} the reference at {100 * level:g} %"


def _p(value: float) -> str:
    return f"{value:.2g}" if value >= 0.001 else "below 0.001"


def _listed(words: list[str]) -> str:
    low = [word if word.startswith("Poisson") else lower_first(word) for word in words]
    return low[0] if len(low) == 1 else f"{', '.join(low[:-1])} and {low[-1]}"


def lower_first(text: str) -> str:
    """A label inside a sentence: "Wide gap" becomes "wide gap", "LP gap" stays."""
    return text[:1].lower() + text[1:] if text[1:2].islower() else text
