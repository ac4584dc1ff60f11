"""Whether the answer hangs on the choice of model, in words that follow the rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis import simpler
from trialkit.analysis.apart import side
from trialkit.analysis.other_models import CHOSEN, OTHER, WARNING
from trialkit.analysis.reading import unit_words
from trialkit.analysis.result import ResponseAnalysis
from trialkit.quantities import Scale, lower_first, scales

# A difference of AIC from which one model is said to be better supported; below it little is
# said by it (Burnham & Anderson 2002, Model Selection and Multimodel Inference, p. 70).
BETTER = 2.0


def conclusion(table: pd.DataFrame, result: ResponseAnalysis, level: float) -> str:
    """Contrast by contrast, whether other models say otherwise; then what AIC leans to.

    Parameters
    ----------
    table : DataFrame
        Of `alternatives.Alternatives`.
    result : ResponseAnalysis
    level : float
        Confidence level.
    """
    several = len(table.drop_duplicates(["factor", "level"])) > 1
    factors = result.design.factors
    labels = {f.name: dict(zip(f.levels, f.level_labels, strict=True)) for f in factors}
    out = []
    for (factor, _), rows in table.groupby(["factor", "level"], sort=False):
        text = _of_contrast(rows, level, scales(result.unit, result.design.units)[0])
        row = rows.iloc[0]
        lead = f"{row['label']} against {lower_first(labels[str(factor)][row['reference']])}: "
        out.append(lead + text if several else text[0].upper() + text[1:])
    return " ".join([*out, *_of_aic(table)])


def _of_aic(table: pd.DataFrame) -> list[str]:
    """A sentence where an alternative is better supported than the chosen model."""
    aic = table[table["same_rows"]].drop_duplicates("model").set_index("model")
    chosen = aic.loc[aic["role"] == CHOSEN, "aic"].iloc[0]
    others = aic.loc[aic["role"] == OTHER, "aic"].dropna()
    if others.empty or not others.min() < chosen - BETTER:
        return []
    return [
        f"By AIC {_listed([str(others.idxmin())])} is better supported than the chosen model, by "
        f"{chosen - others.min():.1f}."
    ]


def _of_contrast(rows: pd.DataFrame, level: float, unit: Scale) -> str:
    chosen = rows[rows["role"] == CHOSEN].iloc[0]
    others = rows[(rows["role"] == OTHER) & rows["p"].notna()]
    # A test that could not reach 1 - level whatever the data cannot contradict.
    unable = others["remark"].str.contains(simpler.UNABLE, regex=False)
    able = others[~unable]
    verdict = side(chosen, level)
    differing = able[[side(row, level) != verdict for _, row in able.iterrows()]]
    heard = rows.loc[[chosen.name, *able.index]]
    if able.empty:
        text = "no alternative could be fitted, so nothing can be said of the choice of model."
    elif len(differing):
        text = (
            f"the answer hangs on the choice of model. The chosen model "
            f"{_words(verdict, level)}; not so {_listed(list(differing['model']))} "
            f"({_spread(heard, unit)})."
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
            f"alike {_words(verdict, level, many=True)} ({_spread(heard, unit)})."
        )
    if unable.any():
        tests, are = ("test has", "is") if unable.sum() == 1 else ("tests have", "are")
        text += (
            f" The sign-flip {tests} too few pairs to tell anything apart at {100 * level:g} % and "
            f"{are} left out of this."
        )
    if failed := int(((rows["role"] == OTHER) & rows["p"].isna()).sum()):
        text += f" {failed} could not be fitted."
    warning = rows[rows["role"] == WARNING]
    return text if warning.empty else text + _of_warning(chosen, warning.iloc[0])


def _spread(heard: pd.DataFrame, unit: Scale) -> str:
    """Ratios where the chosen model, the first row, has one; else differences in the trial's own
    unit; and p-values."""
    if np.isfinite(heard["ratio"].iloc[0]):
        ratios = heard["ratio"].dropna()
        what = "ratios " + _from_to(f"{ratios.min():.2f}", f"{ratios.max():.2f}")
    else:
        ends = unit.factor * heard["difference"].min(), unit.factor * heard["difference"].max()
        low, high = (f"{end:.3g}".replace("-", "\N{MINUS SIGN}") for end in ends)
        what = f"differences {_from_to(low, high)} {unit_words(unit.unit)}"
    p = heard["p_adjusted"]
    return f"{what}, p {_from_to(_p(p.min()), _p(p.max()))}"


def _from_to(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


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


def _words(where: int, level: float, many: bool = False) -> str:
    if where == 0:
        return f"do{'' if many else 'es'} not tell the two apart at {100 * level:g} %"
    over = "below" if where < 0 else "above"
    return f"put{'' if many else 's'} it {over} the reference at {100 * level:g} %"


def _p(value: float) -> str:
    return f"{value:.2g}" if value >= 0.001 else "below 0.001"


def _listed(words: list[str]) -> str:
    low = [
        word if word.startswith(("Poisson", "Gaussian")) else lower_first(word) for word in words
    ]
    return low[0] if len(low) == 1 else f"{', '.join(low[:-1])} and {low[-1]}"
