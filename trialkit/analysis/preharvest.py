"""What lies on the ground before harvest, taken off what lies behind the header."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis.reading import Offset
from trialkit.errors import ModelError
from trialkit.facts import Note
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.responses.fate import REMARKS

if TYPE_CHECKING:
    from trialkit.responses.record import Response
    from trialkit.trial import Trial

# Fewer strips say too little of the variation between them to model it.
MODEL_STRIPS = 4
# Above this variance on the log scale the model's mean is over e^2 = 7 times its typical value:
# a handful of counts can be fitted so, but only their pooled rate is held by them.
LARGEST_SPREAD = 4.0


def preharvest_density(
    rows: pd.DataFrame, count: str, row: str, loss: str, scale: float, unit: str, system: str = "SI"
) -> tuple[Offset, list[Note]]:
    """Mean preharvest loss of the trial and how it was found.

    Parameters
    ----------
    rows : DataFrame
        Preharvest frames or ear searches with their strip's ``field``; ``area`` (m2).
    count : str
        Column of what was counted.
    row, loss : str
        What a row is called, and the loss it is taken off.
    scale : float
        `unit` that one kernel or ear per m2 makes.
    system : {"US", "SI"}
        Of sentences.

    Returns
    -------
    offset : Offset
        In `unit`. From a Poisson mixed model (field, strip, row) where there are at least
        four strips with anything found among them and the model's mean is held by the counts;
        else total count over total area, with the standard error between strips or, for one
        strip, between rows, and never less than the Poisson error of the count (at least one).
    notes : list of Note
    """
    if rows.empty:
        return Offset(), [Note("model.no_preharvest", {"row": row, "loss": loss})]
    rows = rows.assign(count=rows[count])
    fit, pooled = spread_model(rows)
    offset = _pooled(rows, scale) if fit is None else _from_fit(fit, scale)
    values = {
        "rows": len(rows), "row": row, "value": offset.value,
        "se": float(np.sqrt(offset.variance)), "unit": unit, "system": system, "pooled": pooled,
    }  # fmt: skip
    return offset, [Note("model.preharvest_taken_off", values)]


def rows_ahead(spec: Response, trial: Trial) -> pd.DataFrame:
    """Rows of the zone that is taken off a response, with their strip's columns."""
    table = trial.tables[spec.table]
    strips = trial.strips.drop(columns=list(REMARKS), errors="ignore")
    return table[table["zone"].eq(spec.offset)].merge(strips, on="strip")


def spread_model(rows: pd.DataFrame) -> tuple[MixedFit | None, str]:
    """The model of the rows' ``count``; None, and what is in its way ("" where that is plain),
    where the pooled rate stands for it."""
    if rows["strip"].nunique() < MODEL_STRIPS or rows["count"].sum() <= 0:
        return None, ""
    try:
        fit = _fit(rows)
    except ModelError as error:
        return None, str(error)
    if float(fit.variances["variance"].sum()) > LARGEST_SPREAD:
        return None, "so few"
    return fit, ""


def _fit(rows: pd.DataFrame) -> MixedFit:
    data = rows.assign(row=[str(i) for i in range(len(rows))])
    nested = ["row"]
    if rows["strip"].nunique() < len(rows):
        nested.insert(0, "strip")
    if 1 < rows["field"].nunique() < rows["strip"].nunique():
        nested.insert(0, "field")
    return fit_mixed(data, "count", "1", nested, family="poisson", exposure="area")


def _from_fit(fit: MixedFit, scale: float) -> Offset:
    row = fit.coefficients.iloc[0]
    spread = float(fit.variances["variance"].sum())
    value = scale * float(np.exp(row["estimate"] + spread / 2))
    return Offset(value, (value * float(row["se"])) ** 2, float(row["df"]))


def _pooled(rows: pd.DataFrame, scale: float) -> Offset:
    rows = rows.assign(row=range(len(rows)))
    sums = rows.groupby("strip" if rows["strip"].nunique() > 1 else "row")[["count", "area"]].sum()
    count, area = float(sums["count"].sum()), float(sums["area"].sum())
    rate = count / area
    n = len(sums)
    residual = sums["count"] - rate * sums["area"]
    between = float((residual**2).sum()) / area**2 * n / (n - 1) if n > 1 else 0.0
    variance = max(between, max(count, 1.0) / area**2)
    return Offset(rate * scale, variance * scale**2, n - 1 if n > 1 else np.inf)
