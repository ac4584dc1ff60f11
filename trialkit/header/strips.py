"""The gap each strip was run with as measured on the header, not as set: a covariate."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.errors import DesignError
from trialkit.header.limits import HeaderLimits
from trialkit.header.plates import plate_gaps
from trialkit.trial import Trial
from trialkit.words import header as words

_COLUMNS = ["strip", "header", "gap_set", "gap_measured", "gap_sd", "gap_narrowest", "gap_widest",
            "crooked_rows", "rows", "note"]  # fmt: skip
_Pair = tuple[float, float]


def headers_of(trial: Trial) -> pd.Series:
    """Header of every strip, index as ``trial.strips``: named there, else the only one checked."""
    named = trial.strips["header"].copy()
    checked = trial.header_check["header"].unique()
    return named.fillna(checked[0]) if len(checked) == 1 else named


def checked_settings(checked: pd.DataFrame) -> _Pair | None:
    """Front and rear setting (mm) one header was measured at, as its rows say.

    Parameters
    ----------
    checked : DataFrame
        Rows of ``header_check`` of one header; not every row need name the setting.

    Returns
    -------
    (float, float) or None
        None where no row names any; an end that none names is missing.

    Raises
    ------
    DesignError
        Where its rows name several: a header is measured at one setting.
    """
    found = []
    for end in ("set_front", "set_rear"):
        known = checked[end].dropna().unique() if end in checked else np.array([])
        # Readings in inches come back from mm with the last bit changed.
        if len(known) and known.max() - known.min() > 0.01:
            raise DesignError(f"its rows name several settings in {end}")
        found.append(float(known[0]) if len(known) else np.nan)
    return None if np.isnan(found).all() else (found[0], found[1])


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
        Front and rear setting (mm) at which the header was measured, by default what
        ``set_front`` and ``set_rear`` of its rows say. Needed where the strips of a header have
        several gaps; one end alone will do where the strips name it, since both move together.
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
            unnamed = pd.isna(header)
            out.loc[own.index, "note"] = (
                words.strip_names_none() if unnamed else words.header_not_checked()
            )
            continue
        rows = plate_gaps(checks[header], limits)
        gap = rows["gap"].dropna()
        values = {"gap_sd": gap.std(), "crooked_rows": int(rows["crooked"].sum()), "rows": len(gap)}
        for column, value in values.items():
            out.loc[own.index, column] = value
        try:
            at = _setting(checked_at, str(header), checks[header])
        except DesignError as error:
            out.loc[own.index, "note"] = words.setting_unclear(str(error))
            continue
        settings = strips.loc[own.index, ["gap_front", "gap_rear"]].astype(float)
        if at is None and own["gap_set"].nunique() > 1:
            out.loc[own.index, "note"] = words.setting_needed()
            continue
        shift = pd.Series(0.0, index=own.index)
        if at is not None and settings.notna().any(axis=None):
            moved = settings - list(at)
            ends = [end for end in moved if moved[end].notna().any()]
            shift = moved[ends].mean(axis=1, skipna=False)
            out.loc[own.index[shift.isna()], "note"] = words.strip_without_gap()
        for column, value in (
            ("gap_measured", gap.mean()), ("gap_narrowest", gap.min()), ("gap_widest", gap.max()),
        ):  # fmt: skip
            out.loc[own.index, column] = value + shift
    return out[_COLUMNS]


def _setting(
    given: _Pair | Mapping[str, _Pair] | None, header: str, checked: pd.DataFrame
) -> _Pair | None:
    at = given.get(header) if isinstance(given, Mapping) else given
    return checked_settings(checked) if at is None else at
