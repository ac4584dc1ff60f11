"""Whether the answer hangs on the choice of model, from the rows of other models' answers."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.questions.apart import side
from trialkit.analysis.questions.other_models import CHOSEN, OTHER, WARNING
from trialkit.analysis.result import ResponseResult
from trialkit.facts import Note

# A difference of AIC from which one model is said to be better supported; below it little is
# said by it (Burnham & Anderson 2002, Model Selection and Multimodel Inference, p. 70).
BETTER = 2.0
# From this on the weaker one has essentially no support (the same page).
REFUSED = 10.0
# An interval without overdispersion that is not narrower than this is not worth a sentence.
NARROWER = 0.9
# Differences this small a part of half an interval are what is left of rounding.
ROUNDING = 1e-9


def findings(
    table: pd.DataFrame, result: ResponseResult, level: float, unable: pd.Series
) -> tuple[Note, ...]:
    """Contrast by contrast, whether other models say otherwise; then what AIC leans to.

    Parameters
    ----------
    table : DataFrame
        Of `alternatives.Alternatives`.
    result : ResponseAnalysis
    level : float
        Confidence level.
    unable : Series of bool
        Rows of tests that could not have told the setups apart, whatever was found.
    """
    several = len(table.drop_duplicates(["factor", "level"])) > 1
    labels = {name: result.design.labels(name) for name in result.design.names}
    out = []
    for (factor, _), rows in table.groupby(["factor", "level"], sort=False):
        row = rows.iloc[0]
        lead = {"label": "", "reference": ""}
        if several:
            lead = {"label": row["label"], "reference": labels[str(factor)][row["reference"]]}
        own = _of_contrast(rows, level, unable[rows.index])
        own |= {"unit": own["unit"] and result.unit, "system": result.design.units}
        out.append(Note("alternatives.of_contrast", {**lead, **own}))
    return (*out, *_of_aic(table))


def _of_aic(table: pd.DataFrame) -> list[Note]:
    """Where an alternative is better supported than the chosen model."""
    aic = table[table["same_rows"]].drop_duplicates("model").set_index("model")
    chosen = aic.loc[aic["role"] == CHOSEN, "aic"].iloc[0]
    others = aic.loc[aic["role"] == OTHER, "aic"].dropna()
    if others.empty or not others.min() < chosen - BETTER:
        return []
    values = {"model": str(others.idxmin()), "by": float(chosen - others.min())}
    return [Note("alternatives.better_supported", values)]


def _of_contrast(rows: pd.DataFrame, level: float, unable: pd.Series) -> dict:
    """Values of `words.alternatives.of_contrast`; `unit` is empty where ratios are compared."""
    chosen = rows[rows["role"] == CHOSEN].iloc[0]
    others = rows[(rows["role"] == OTHER) & rows["p"].notna()]
    # A test that could not reach 1 - level whatever the data cannot contradict.
    able = others[~unable[others.index]]
    verdict = side(chosen, level)
    differing = able[[side(row, level) != verdict for _, row in able.iterrows()]]
    heard = rows.loc[[chosen.name, *able.index]]
    inside = differing["difference"].between(chosen["difference_low"], chosen["difference_high"])
    # Ratios where the chosen model, the first row, has one.
    what = "ratio" if np.isfinite(heard["ratio"].iloc[0]) else "difference"
    spread, p = heard[what].dropna(), heard["p_adjusted"]
    if what == "difference":
        half = float(chosen["difference_high"] - chosen["difference_low"]) / 2
        spread = spread.where(spread.abs() > ROUNDING * half, 0.0)
    naive, refused = None, False
    warning = rows[rows["role"] == WARNING]
    if len(warning):
        plain = warning.iloc[0]
        own, narrow = (
            float(row["difference_high"] - row["difference_low"]) for row in (chosen, plain)
        )
        naive = narrow / own if narrow < NARROWER * own else None
        refused = bool(plain["aic"] - chosen["aic"] > REFUSED)
    return {
        "side": verdict, "level": level, "others": len(able),
        "differing": tuple(differing["model"]), "inside": bool(inside.all()),
        "low": float(spread.min()), "high": float(spread.max()),
        "unit": "" if what == "ratio" else what, "p_low": float(p.min()),
        "p_high": float(p.max()), "unable": int(unable[others.index].sum()),
        "failed": int(((rows["role"] == OTHER) & rows["p"].isna()).sum()), "naive": naive,
        "refused": refused,
    }  # fmt: skip
