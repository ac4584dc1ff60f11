"""The gap each strip was run with as measured on the header, not as set: a covariate."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.header.limits import HeaderLimits
from trialkit.header.plates import plate_gaps
from trialkit.trial import Trial

_COLUMNS = ["strip", "header", "gap_set", "gap_measured", "gap_sd", "gap_narrowest", "gap_widest",
            "crooked_rows", "rows", "note"]  # fmt: skip
_Pair = tuple[float, float]


def headers_of(trial: Trial) -> pd.Series:
    """Header of every strip, index as ``trial.strips``: named there, else the only one checked."""
    named = trial.strips["header"].copy()
    checked = trial.header_check["header"].unique()
    return named.fillna(checked[0]) if len(checked) == 1 else named


def strip_gaps(
    trial: Trial,
    *,
    checked_at: _Pair | Mapping[str, _Pair] | None = None,
    limits: HeaderLimits | None = None,
) -> pd.DataFrame:
    """Mean and spread between rows of the gap of every strip, from the header's readings.

    A header is measured once, at one setting of its plates, and plates set from the cab move in all
    rows together. So where strips carry gaps of their own (``gap_front``, ``gap_rear``), a strip's
    gap is its setting plus what the header reads over the setting it was checked at; where they
    are all the same, or none is given, it is what the header reads.

    Parameters
    ----------
    trial : Trial
        With ``header_check``. Several headers are told apart by the column ``header`` of its
        strips; one header alone is every strip's.
    checked_at : (float, float), or mapping of header to such, optional
        Front and rear setting (mm) at which the header was measured. Needed where the strips of a
        header have several gaps.
    limits : HeaderLimits, optional

    Returns
    -------
    DataFrame
        One row per strip: ``gap_set`` and ``gap_measured`` (mm, mean of front and rear over the
        rows), ``gap_sd`` (between rows, mm), ``gap_narrowest, gap_widest`` (mm), ``crooked_rows``,
        ``rows`` measured, and a ``note`` where something is missing.

    Raises
    ------
    DesignError
        Without a header check.

    Notes
    -----
    Strips of one header share its spread, and in a trial with one header the spread tells nothing
    between strips. Where setups go with headers, what the spread does is part of the setup.
    """
    if trial.header_check.empty:
        raise DesignError("the trial has no header_check table, so no gap was measured.")
    limits = limits or HeaderLimits()
    strips = trial.strips
    out = pd.DataFrame({"strip": strips["strip"], "header": headers_of(trial)})
    out["gap_set"] = (strips["gap_front"] + strips["gap_rear"]) / 2
    for column in _COLUMNS[3:-1]:
        out[column] = np.nan
    out["note"] = ""
    checks = dict(tuple(trial.header_check.groupby("header", sort=False)))
    for header, own in out.groupby("header", dropna=False, sort=False):
        if header not in checks:
            words = (
                "the strip names no header" if pd.isna(header) else "this header was not checked"
            )
            out.loc[own.index, "note"] = words
            continue
        rows = plate_gaps(checks[header], limits)
        gap = rows["gap"].dropna()
        values = {"gap_sd": gap.std(), "crooked_rows": int(rows["crooked"].sum()), "rows": len(gap)}
        for column, value in values.items():
            out.loc[own.index, column] = value
        at = checked_at.get(str(header)) if isinstance(checked_at, Mapping) else checked_at
        settings = own["gap_set"]
        if settings.nunique() > 1 and at is None:
            out.loc[own.index, "note"] = (
                "strips of this header have several gaps: give the setting it was checked at"
            )
            continue
        shift = pd.Series(0.0, index=own.index)
        if at is not None and settings.notna().any():
            shift = settings - sum(at) / 2
            out.loc[own.index[settings.isna()], "note"] = "no gap is given for this strip"
        for column, value in (
            ("gap_measured", gap.mean()), ("gap_narrowest", gap.min()), ("gap_widest", gap.max()),
        ):  # fmt: skip
            out.loc[own.index, column] = value + shift
    return out[_COLUMNS]
