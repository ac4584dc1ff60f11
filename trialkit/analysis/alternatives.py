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

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests

from trialkit.analysis import simpler
from trialkit.analysis.design import Design
from trialkit.analysis.estimates import estimate_factors
from trialkit.analysis.result import ResponseAnalysis
from trialkit.analysis.simpler import ANSWER
from trialkit.errors import DesignError, ModelError
from trialkit.mixed import MixedFit, fit_mixed

KEYS = ["factor", "level", "reference", "label"]
CHOSEN, WARNING, OTHER = "chosen", "warning", "alternative"
FAMILIES = {
    "header_loss": {
        "chosen": "Poisson with frame effect",
        "mixed": ("negative_binomial", "Negative binomial, no frame effect"),
        "plain": ("poisson", "Poisson without overdispersion"),
    },
    "kernel_damage": {
        "chosen": "Binomial with sample effect",
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
        Header loss or kernel damage.
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
    words = FAMILIES[result.response]
    naive = dataclasses.replace(result.design, strata=dict.fromkeys(result.design.names, np.inf))
    family, name = words["mixed"]
    plain, plain_name = words["plain"]
    rows = [
        _mixed(result, words["chosen"], CHOSEN, lambda: result.fit, result.design, level),
        _mixed(result, name, OTHER, lambda: _other_family(result, family), result.design, level),
    ]
    if result.response == "kernel_damage":
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
    return Alternatives(table, _conclusion(table, level), result.title, result.unit, level)


# ---------------------------------------------------------------- models of the counts
def _fit(result: ResponseAnalysis, family: str, nested: list[str], method: str = "reml") -> MixedFit:
    design = result.design
    counts = result.response == "header_loss"
    slopes = {"field": list(design.slope_factors)} if "field" in nested else {}
    slopes = {level: factors for level, factors in slopes.items() if factors and method == "reml"}
    return fit_mixed(
        result.data,
        response="loose_kernels" if counts else "kernels_damaged",
        fixed=design.formula,
        nested=nested,
        slopes=slopes or None,
        covariance={"field": "exchangeable"} if slopes else None,
        family=family,
        exposure="area" if counts else None,
        trials=None if counts else "kernels_examined",
        method=method,
    )


def _other_family(result: ResponseAnalysis, family: str) -> MixedFit:
    return _fit(result, family, list(result.design.nested))


def _strips_only(result: ResponseAnalysis) -> MixedFit:
    if "strip" not in result.design.nested:
        raise ModelError(
            "one sample a strip: the sample effect of the chosen model is the strip's effect."
        )
    return _fit(result, "binomial", list(result.design.nested))


def _plain(result: ResponseAnalysis, family: str) -> MixedFit:
    blocks = [name for name in result.design.nested if name in ("field", "pair")]
    return _fit(result, family, blocks, method="ml")


def _mixed(
    result: ResponseAnalysis, model: str, role: str, fit: Callable[[], MixedFit], design: Design,
    level: float, remark: str = "",
) -> pd.DataFrame:  # fmt: skip
    try:
        fitted = fit()
        _, table, notes = estimate_factors(fitted, design, result.scale, result.offset, level)
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
            out.loc[known.index, "p_adjusted"] = multipletests(known, method="holm")[1]
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
def _conclusion(table: pd.DataFrame, level: float) -> str:
    several = len(table.drop_duplicates(["factor", "level"])) > 1
    return " ".join(
        _of_contrast(rows, level, several)
        for _, rows in table.groupby(["factor", "level"], sort=False)
    )


def _of_contrast(rows: pd.DataFrame, level: float, several: bool) -> str:
    """Does the answer to one contrast hang on the model? Below 1 - level it is told apart."""
    alpha = 1 - level
    chosen = rows[rows["role"] == CHOSEN].iloc[0]
    others = rows[(rows["role"] == OTHER) & rows["p"].notna()]
    failed = int(((rows["role"] == OTHER) & rows["p"].isna()).sum())
    # A test that could not reach alpha whatever the data cannot contradict.
    able = others[~others["remark"].str.contains(simpler.UNABLE, regex=False)]
    lead = f"{chosen['label']} against {chosen['reference']}: " if several else ""
    verdict = _side(chosen, alpha)
    differing = [row["model"] for _, row in able.iterrows() if _side(row, alpha) != verdict]
    spread = ""
    if (ratios := pd.concat([rows[rows["role"] == CHOSEN], able])["ratio"].dropna()).size:
        p = [chosen["p_adjusted"], *able["p_adjusted"]]
        spread = f" (ratios {ratios.min():.2f} to {ratios.max():.2f}, p {min(p):.2g} to {max(p):.2g})"
    if able.empty:
        text = "no alternative could be fitted, so nothing can be said of the choice of model."
    elif differing:
        text = (
            f"the answer hangs on the choice of model. The chosen model {_words(verdict, level)}; "
            f"not so {_listed(differing)}{spread}."
        )
    else:
        text = (
            f"the answer does not hang on the choice of model: the chosen one and "
            f"{len(able)} {'other' if len(able) == 1 else 'others'} alike {_words(verdict, level, many=True)}"
            f"{spread}."
        )
    unable = len(others) - len(able)
    if unable:
        text += (
            f" The sign-flip test has too few pairs to tell anything apart at "
            f"{100 * level:g} % and is left out of this."
        )
    if failed:
        text += f" {failed} could not be fitted."
    warning = rows[rows["role"] == WARNING]
    if len(warning) and np.isfinite(warning.iloc[0]["difference_low"]):
        widths = [
            row["difference_high"] - row["difference_low"] for row in (chosen, warning.iloc[0])
        ]
        if widths[1] < 0.9 * widths[0]:
            text += (
                f" Without overdispersion the interval would be {widths[1] / widths[0]:.0%} as "
                "wide, which these counts do not bear out."
                if _supported(chosen, warning.iloc[0])
                else f" Without overdispersion the interval would be "
                f"{widths[1] / widths[0]:.0%} as wide."
            )
    return lead + text if lead else text[0].upper() + text[1:]


def _supported(chosen: pd.Series, plain: pd.Series) -> bool:
    """Whether AIC prefers the chosen model clearly (by 10: Burnham & Anderson 2002, p. 70)."""
    return bool(plain["aic"] - chosen["aic"] > 10)


def _side(row: pd.Series, alpha: float) -> int:
    """-1 or 1: the level is told apart, below or above its reference; 0: not told apart."""
    if not row["p_adjusted"] < alpha:
        return 0
    lower = row["difference"] < 0 if np.isfinite(row["difference"]) else row["ratio"] < 1
    return -1 if lower else 1


def _words(side: int, level: float, many: bool = False) -> str:
    s = "" if many else "s"
    if side == 0:
        return f"do{'' if many else 'es'} not tell the two apart at {100 * level:g} %"
    return f"put{s} it {'below' if side < 0 else 'above'} the reference at {100 * level:g} %"


def _listed(words: list[str]) -> str:
    low = [w[:1].lower() + w[1:] if w[:7] != "Poisson" else w for w in words]
    return low[0] if len(low) == 1 else f"{', '.join(low[:-1])} and {low[-1]}"
