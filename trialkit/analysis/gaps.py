"""The gap each strip was run with as measured on its header, beside the gap it was set to."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from trialkit.header import strip_gaps
from trialkit.header.strips import headers_of

if TYPE_CHECKING:
    from trialkit.trial import Trial


def with_measured_gaps(trial: Trial) -> Trial:
    """The trial with its strips' measured gaps as columns; as it is without a header check.

    Columns of the strips: ``header`` filled in where one alone was checked; ``gap_measured`` (mm,
    mean of front and rear over the header's rows) and ``gap_sd`` (mm, between rows), see
    `trialkit.header.strip_gaps`; ``gap_note``, why one is missing; ``gap_adjusted``, the measured
    gap less what the setting of the strip's setup differs by from the mean of all (mm). The last
    is what a comparison can be adjusted for: a gap that is set with a setup is part of it, and
    what headers, set alike, read differently is not.
    """
    if trial.header_check.empty or "gap_measured" in trial.strips:
        return trial
    gaps = strip_gaps(trial)
    strips = trial.strips.assign(
        header=headers_of(trial), gap_measured=gaps["gap_measured"], gap_sd=gaps["gap_sd"],
        gap_note=gaps["note"],
    )  # fmt: skip
    setups = [factor.name for factor in trial.config.setups]
    set_to = gaps["gap_set"]
    own = set_to.groupby([strips[name] for name in setups]).transform("mean") if setups else set_to
    strips["gap_adjusted"] = strips["gap_measured"] - (own - set_to.mean()).fillna(0.0)
    return trial.with_tables(strips=strips)


def departures(strips: pd.DataFrame) -> pd.DataFrame:
    """How far the measured gap lies from the setting, header by header.

    Parameters
    ----------
    strips : DataFrame
        Of `with_measured_gaps`.

    Returns
    -------
    DataFrame
        One row per header whose strips' gaps are known as set and as measured: ``header, strips,
        gap_set, gap_measured, over`` (means, mm; measured less set) and ``gap_sd``, between rows.
    """
    known = strips.assign(
        gap_set=strips[["gap_front", "gap_rear"]].mean(axis=1, skipna=False)
    ).dropna(subset=["header", "gap_measured", "gap_set"])
    out = known.groupby("header", sort=False)[["gap_set", "gap_measured", "gap_sd"]].mean()
    out.insert(0, "strips", known.groupby("header", sort=False).size())
    out["over"] = out["gap_measured"] - out["gap_set"]
    return out.reset_index()
