"""What explains how trials and fields differ: moisture, speed, hybrid and season.

Counts are added up by strip, which loses nothing here: all four are alike in all rows of a strip.
Each variable is added twice, to the mean, then to the setup's effect. A slope in moisture or speed
is judged by the F test of Kenward and Roger, hybrids and seasons (crossed random factors; over very
many strips by `trialkit.many.hybrids`) by the restricted likelihood ratio, whose null
distribution for one variance at its bound is half a chi-square of one df and half a point at zero
(Self & Liang 1987, JASA 82:605-610). The spread taken away is read from the restricted fits before
and after. All tests of a table are one family (Holm): none was named beforehand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.estimates import holm
from trialkit.analysis.predictions import unit_information
from trialkit.errors import ModelError
from trialkit.many.hybrids import Hybrids
from trialkit.mixed import MixedFit
from trialkit.mixed.hypotheses import term_rows
from trialkit.mixed.variance_inference import mixture_name, mixture_p
from trialkit.words import explained as words

if TYPE_CHECKING:
    from trialkit.analysis.specifications import Specification

UNITS = ("trial", "field")
ENOUGH = 3
MANY = 2e6
"""Numbers that hybrids' cross-products by strip may have in the engine."""
VARIABLES = {"moisture": "grain moisture", "speed_measured": "measured ground speed",
             "hybrid": "hybrid", "season": "season"}  # fmt: skip
CROSSED = ("hybrid", "season")
COLUMNS = ("variable", "part", "n_strips", "slope", "slope_low", "slope_high", "statistic", "df",
           "den_df", "p", "p_adjusted", "test", "sd_before", "sd_after", "reduction")  # fmt: skip

Fitter = Callable[..., MixedFit]


def explained(
    data: pd.DataFrame, spec: Specification, names: Sequence[str], nested: Sequence[str],
    sloped: Sequence[str], fit: Fitter, level: float, progress: Callable[[str], None],
) -> tuple[pd.DataFrame, list[str]]:  # fmt: skip
    """Try every variable that was recorded well enough.

    Parameters
    ----------
    data : DataFrame
        Rows of the model.
    names : sequence of str
        Setup factors.
    nested, sloped : sequence of str
        Levels of the model, the row's own left out, and those with slopes.
    fit : callable
        Takes ``(data, fixed, nested, slopes, crossed)``; returns the restricted fit.

    Returns
    -------
    table : DataFrame
        As `trialkit.many.TrialsCompared.explained` describes it.
    notes : list of str
    """
    rows: list[dict[str, Any]] = []
    notes: list[str] = []
    counted = spec.link if spec.law["family"] != "gaussian" else ""
    if counted:
        data = _totals(data, spec, names)
        nested = [*(u for u in nested if u != "strip"), "strip"]
    slopes = {u: list(names) for u in sloped}
    base = " + ".join(names)
    known_fits: dict[bytes, MixedFit] = {}
    for variable, label in VARIABLES.items():
        if variable == spec.response or (variable == "season" and data[variable].nunique() == 1):
            continue
        known = data[data[variable].notna()].copy()
        reason = _unfit(known, data, variable)
        if reason:
            notes.append(words.not_tried(label, reason))
            continue
        progress(words.asking(label))
        key = known.index.to_numpy().tobytes()
        strips = known["strip"].nunique()
        try:
            if key not in known_fits:
                known_fits[key] = fit(known, base, nested, slopes, [])
            steps = _slope
            if variable in CROSSED:
                several = _many(known, names, variable) and _of_fields(
                    known, known_fits[key], variable
                )
                steps = _crossed_by_fields if several else _crossed
                notes += [words.by_working_response(variable)] * several
            for row in steps(known_fits[key], known, variable, base, names, nested, slopes, fit,
                             level):  # fmt: skip
                rows.append({"variable": variable, "n_strips": strips, **row})
        except ModelError as error:
            notes.append(words.cannot_be_tried(label, str(error)))
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    known = table["p"].notna()
    table.loc[known, "p_adjusted"] = holm(table.loc[known, "p"].to_numpy(float))
    return table, notes


def _totals(data: pd.DataFrame, spec: Specification, names: Sequence[str]) -> pd.DataFrame:
    """One row per strip: counts and their size added up."""
    first = ["trial", "field", "pair", *VARIABLES, *names]
    how: dict[Any, Any] = dict.fromkeys(first, "first")
    how |= {spec.response: "sum", str(spec.size): "sum"}
    return data.groupby("strip", sort=False, observed=True).agg(how).reset_index()


def _unfit(known: pd.DataFrame, data: pd.DataFrame, variable: str) -> str:
    """Why a variable cannot explain anything here, or nothing."""
    fields = known["field"].nunique()
    if fields < ENOUGH:
        strips = known["strip"].nunique()
        return words.few_fields(strips, data["strip"].nunique(), fields)
    different = known[variable].nunique()
    if different < (ENOUGH if variable in CROSSED else 2):
        return words.few_values(different)
    if variable in CROSSED and different >= fields:
        return words.own_in_every_field(variable)
    return ""


def _slope(
    before: MixedFit, known: pd.DataFrame, variable: str, base: str, names: Sequence[str],
    nested: Sequence[str], slopes: Mapping[str, list[str]], fit: Fitter, level: float,
) -> list[dict[str, Any]]:  # fmt: skip
    """A slope in the mean, then slopes of the setup's effect."""
    known = known.assign(**{variable: known[variable] - known[variable].mean()})
    terms = [variable], [f"{name}:{variable}" for name in names]
    fixed, rows = base, []
    for part, added in zip(("mean", "effect"), terms, strict=True):
        fixed = " + ".join([fixed, *added])
        after = fit(known, fixed, nested, slopes, [])
        tested = np.vstack([term_rows(after.fixed_part, term) for term in added])
        if not len(tested):
            raise ModelError(f"{variable!r} cannot be told from what is in the model already.")
        f, den = after.inference.f_test(tested, after.fixed_effects.to_numpy())
        q = len(tested)
        p = stats.chi2.sf(f * q, q) if np.isinf(den) else stats.f.sf(f, q, den)
        row = {"part": part, "statistic": f, "df": float(q), "den_df": den, "p": float(p),
               "test": "F"}  # fmt: skip
        if q == 1:
            found = after.linear(tested, level).iloc[0]
            row |= {"slope": found["estimate"], "slope_low": found["low"],
                    "slope_high": found["high"]}  # fmt: skip
        rows.append(row | _spread(before, after, part))
        before = after
    return rows


def _crossed(
    before: MixedFit, known: pd.DataFrame, variable: str, base: str, names: Sequence[str],
    nested: Sequence[str], slopes: Mapping[str, list[str]], fit: Fitter, level: float,
) -> list[dict[str, Any]]:  # fmt: skip
    """A variance of hybrids (seasons) in the mean, then in the setup's effect."""
    del level
    for name in names:
        known[f"{variable}_{name}"] = known[variable].astype(str) + "\0" + known[name].astype(str)
    rows = []
    crossed: list[str] = []
    for part, added in (("mean", [variable]), ("effect", [f"{variable}_{name}" for name in names])):
        crossed = [*crossed, *added]
        after = fit(known, base, nested, slopes, crossed)
        statistic, more = max(2.0 * (after.loglik - before.loglik), 0.0), len(added)
        rows.append({"part": part, "statistic": statistic, "df": float(more),
                     "p": mixture_p(statistic, more), "test": mixture_name(more),
                     **_spread(before, after, part)})  # fmt: skip
        before = after
    return rows


def _many(known: pd.DataFrame, names: Sequence[str], variable: str) -> bool:
    """Whether a column for every hybrid (season), and for it at every level, would take much
    memory."""
    columns = known[variable].nunique() * (1 + sum(known[name].nunique() for name in names))
    return known["strip"].nunique() * columns**2 > MANY


def _of_fields(known: pd.DataFrame, fit: MixedFit, variable: str) -> bool:
    """Whether every field has one hybrid (season), and fields are units of the model."""
    alone = known.groupby("field", observed=True)[variable].nunique().max() == 1
    return bool(alone) and "field" in fit.model.chain.names


def _crossed_by_fields(
    before: MixedFit, known: pd.DataFrame, variable: str, base: str, names: Sequence[str],
    nested: Sequence[str], slopes: Mapping[str, list[str]], fit: Fitter, level: float,
) -> list[dict[str, Any]]:  # fmt: skip
    """As `_crossed`, of very many strips."""
    del base, nested, slopes, fit, level
    found = unit_information(before, [u for u in UNITS if u in before.model.chain.names])
    own = known.drop_duplicates("field").set_index(known["field"].drop_duplicates().astype(str))
    fields = found.labels["field"]["field"].astype(str)
    model = Hybrids(before, found, pd.factorize(own[variable].reindex(fields))[0], names)
    rows, last = [], model.best(0)
    for i, part in enumerate(("mean", "effect")[: 1 + model.told_of_effects], start=1):
        now, more = model.best(i), 1 if part == "mean" else len(names)
        statistic = max(2.0 * (now.loglik - last.loglik), 0.0)
        sds = [np.sqrt(f.mean if part == "mean" else 2.0 * f.effect) for f in (last, now)]
        rows.append({"part": part, "statistic": statistic, "df": float(more),
                     "p": mixture_p(statistic, more), "test": mixture_name(more),
                     **_taken_away(*sds)})  # fmt: skip
        last = now
    return rows


def _spread(before: MixedFit, after: MixedFit, part: str) -> dict[str, float]:
    """Standard deviation between trials and fields, before and after, and the share taken away."""
    sds = []
    for fit in (before, after):
        table = fit.variances
        between = table[table["level"].isin(UNITS)]
        intercept = between["term"].eq("Intercept")
        # Differences of two levels have twice the variance of an orthonormal contrast.
        own = between[intercept] if part == "mean" else between[~intercept]
        sds.append(float(np.sqrt((1.0 if part == "mean" else 2.0) * own["variance"].sum())))
    return _taken_away(*sds)


def _taken_away(before: float, after: float) -> dict[str, float]:
    reduction = 1.0 - (after / before) ** 2 if before > 0 else np.nan
    return {"sd_before": before, "sd_after": after, "reduction": reduction}
