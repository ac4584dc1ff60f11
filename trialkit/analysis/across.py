"""One model of header loss over many trials.

Counts of the header zone are Poisson with the frame's area as exposure; trial, field, pair, strip
and frame have normal effects wherever they have several units, and a setup's effect varies between
trials and between the fields of a trial where there are at least three of them. Effects are on the
log scale of those counts, the loss before harvest included.

What might explain the spread is tried on the totals of the strips, which lose nothing by it:
moisture, speed and hybrid are alike in all frames of a strip. Each is added twice, to the loss and
then to the setup's effect, by maximum likelihood, and judged by the likelihood ratio and by the
variance between fields that it takes away. Hybrids are a crossed random factor.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.fields import level_contrasts, pooled_effect, raw_effects, slope_turns
from trialkit.analysis.predictions import UnitPredictions, unit_predictions
from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed

UNITS = ("trial", "field")
ENOUGH = 3
VARIABLES = {"moisture": "grain moisture", "speed_measured": "measured ground speed",
             "hybrid": "hybrid"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class AcrossTrials:
    """The model over all trials and what it says; tables as `trialkit.comparison` describes."""

    fit: MixedFit
    effects: pd.DataFrame
    by_field: pd.DataFrame
    growers: pd.DataFrame
    explained: pd.DataFrame
    notes: tuple[str, ...]


def across_trials(
    frames: pd.DataFrame,
    factors: Mapping[str, Sequence[str]],
    level: float,
    progress: Callable[[str], None],
) -> AcrossTrials:
    """Fit the model over all trials.

    Parameters
    ----------
    frames : DataFrame
        One row a header-zone frame: ``trial, field, pair, strip`` (labels unique over all
        trials), ``place, grower, season, hybrid, moisture, speed_measured, area, loose_kernels``
        and the factors.
    factors : mapping of str to sequence of str
        Levels, reference first.
    """
    data = frames.copy()
    for name, levels in factors.items():
        data[name] = pd.Categorical(data[name], categories=list(levels))
    data["frame"] = np.arange(len(data))
    names = list(factors)
    notes: list[str] = []
    nested, sloped = _layout(data, names)
    fixed = " + ".join(names)
    progress(f"Fitting one model to {len(data):,} frames")
    fit = _fit(data, fixed, [*nested, "frame"], {u: names for u in sloped}, "reml", notes)
    kept = [u for u in UNITS if u in nested]
    progress("Predicting every field")
    found = unit_predictions(fit, kept) if kept else None
    places = data.drop_duplicates("field")[["trial", "field", "place", "grower", "season"]]
    effects, by_field, growers = _answers(fit, found, data, places, factors, level)
    totals = _totals(data, names)
    explained = _explained(totals, names, nested, sloped, notes, progress)
    notes += [f"{n[:1].upper()}{n[1:].rstrip('.')}." for n in fit.notes]
    return AcrossTrials(fit, effects, by_field, growers, explained, tuple(dict.fromkeys(notes)))


def _layout(data: pd.DataFrame, names: list[str]) -> tuple[list[str], list[str]]:
    """Levels that split their parents, coarse to fine; those whose units differ in the effect."""
    nested: list[str] = []
    finer = len(data)
    for unit in ("strip", "pair", "field", "trial"):
        count = data[unit].nunique()
        if 1 < count < finer:
            nested.insert(0, unit)
            finer = count
    strips = data.drop_duplicates("strip")
    sloped, coarser = [], 0
    for unit in (u for u in UNITS if u in nested):
        count = strips[unit].nunique()
        repeated = all(strips.groupby([unit, n], observed=True).ngroups < len(strips)
                       for n in names)  # fmt: skip
        if count - coarser >= ENOUGH and repeated:
            sloped.append(unit)
        coarser = count
    return nested, sloped


def _fit(
    data: pd.DataFrame, fixed: str, nested: list[str], slopes: Mapping[str, list[str]],
    method: str, notes: list[str], crossed: Sequence[str] = (),
) -> MixedFit:  # fmt: skip
    """The model, or where no optimum is found the one with the same effects everywhere."""
    how: dict[str, Any] = {"response": "loose_kernels", "fixed": fixed, "nested": nested,
                           "family": "poisson", "exposure": "area", "method": method,
                           "crossed": list(crossed)}  # fmt: skip
    try:
        return fit_mixed(
            data, slopes=slopes, covariance=dict.fromkeys(slopes, "exchangeable"), **how
        )
    except ModelError as error:
        if not slopes or method == "ml":
            raise
        notes.append(
            "The model with effects that differ between trials and fields could not be fitted; "
            f"effects are taken to be the same everywhere. ({error})"
        )
        return fit_mixed(data, **how)


def _answers(
    fit: MixedFit, found: UnitPredictions | None, data: pd.DataFrame, places: pd.DataFrame,
    factors: Mapping[str, Sequence[str]], level: float,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:  # fmt: skip
    kept = list(found.effects) if found else []
    # Unit of every field at each kept level, as rows of its unit matrix.
    member = {
        u: np.equal.outer(places[u].to_numpy(str), found.labels[u][u].to_numpy(str)).astype(float)
        for u in kept
        if found
    }
    growers = _own_and_rest(places)
    most = data["strip"].nunique()
    effects, fields, compared = [], [], []
    # The loss itself: intercepts alone, the mean over setups.
    if found is not None and len(growers):
        first = {u: np.eye(found.effects[u].shape[1])[0] for u in kept}
        compared.append(_compare_growers(found, member, growers, first, most, level, "loss", ""))
    for name, levels in factors.items():
        reference, *others = levels
        contrasts = level_contrasts(fit, name, list(factors))
        for other in others:
            row = contrasts[other] - contrasts[reference]
            turns = {u: _turn(fit, u, name, other, reference) for u in kept}
            mean = _pooled(fit, row, turns, most - len(levels), data["trial"].nunique(), level)
            key = {"factor": name, "level": other, "reference": reference}
            effects.append(key | mean)
            own = raw_effects(fit, name, other, reference, ["field"], ["pair"], level)
            table = places.merge(own, on="field", how="left")
            if found is not None:
                units = {u: member[u][:, :, None] * turns[u] for u in kept}
                estimate, se = found.linear(np.tile(row, (len(places), 1)), units)
                half = stats.t.ppf(0.5 + level / 2, mean["df"]) * se
                table = table.assign(shrunken=estimate, se=se, low=estimate - half,
                                     high=estimate + half)  # fmt: skip
                if len(growers):
                    compared.append(
                        _compare_growers(found, member, growers, turns, most, level, name, other)
                    )
            for column, value in reversed(key.items()):
                table.insert(0, column, value)
            fields.append(table)
    by_field = pd.concat(fields, ignore_index=True)
    by_field["field"] = by_field.pop("place")
    grower_table = pd.concat(compared, ignore_index=True) if compared else pd.DataFrame()
    return pd.DataFrame(effects), by_field, grower_table


def _turn(fit: MixedFit, unit: str, factor: str, level: str, reference: str) -> np.ndarray:
    turns = slope_turns(fit, unit, factor)
    return turns[level] - turns[reference]


def _pooled(
    fit: MixedFit, row: np.ndarray, turns: Mapping[str, np.ndarray], most: int, n: int,
    level: float,
) -> dict[str, float]:  # fmt: skip
    """Mean effect, its spread between trials and between fields, and the next trial's field."""
    finest = fit.model.chain.names[0]
    none = np.zeros(fit.model.z[0].shape[1])
    out = pooled_effect(fit, row, none, finest, most, n, level)
    variance = {
        u: float(turn @ fit.covariances[fit.model.chain.names.index(u)] @ turn)
        for u, turn in turns.items()
    }
    out |= {f"sd_{u}": float(np.sqrt(max(variance.get(u, 0.0), 0.0))) for u in UNITS}
    tau = np.sqrt(max(sum(variance.values()), 0.0))
    wide = np.inf
    if n > 2:
        wide = stats.t.ppf(0.5 + level / 2, n - 2) * np.sqrt(tau**2 + out["se"] ** 2)
    mu = out["estimate"]
    del out["sd"]
    out["same_direction"] = float(stats.norm.cdf(abs(mu) / tau)) if tau > 0 else 1.0
    return out | {"predicted_low": mu - wide, "predicted_high": mu + wide, "n_trials": n}


def _own_and_rest(places: pd.DataFrame) -> dict[str, np.ndarray]:
    """Weights over fields of every grower's own mean less that of the others' fields."""
    known = places["grower"].notna().to_numpy()
    out = {}
    for name in sorted(places["grower"].dropna().unique()):
        own = places["grower"].eq(name).to_numpy(dtype=bool, na_value=False)
        rest = known & ~own
        if rest.any():
            out[str(name)] = own / own.sum() - rest / rest.sum()
    return out


def _compare_growers(
    found: UnitPredictions, member: Mapping[str, np.ndarray], growers: Mapping[str, np.ndarray],
    turns: Mapping[str, np.ndarray], most: int, level: float, factor: str, other: str,
) -> pd.DataFrame:  # fmt: skip
    """Own fields against the others', by the predicted effects of fields and trials."""
    over = np.array(list(growers.values()))
    units = {u: (over @ member[u])[:, :, None] * turns[u] for u in member}
    difference, se = found.linear(np.zeros((len(over), len(found.fixed))), units)
    half = stats.norm.ppf(0.5 + level / 2) * se
    return pd.DataFrame(
        {"grower": list(growers), "factor": factor, "level": other,
         "n_fields": (over > 0).sum(axis=1), "n_other_fields": (over < 0).sum(axis=1),
         "difference": difference, "se": se, "low": difference - half, "high": difference + half}
    )  # fmt: skip


def _totals(data: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """One row per strip: kernels and area added up."""
    first = ["trial", "field", "pair", "hybrid", "moisture", "speed_measured", *names]
    how = dict.fromkeys(first, "first") | {"loose_kernels": "sum", "area": "sum"}
    return data.groupby("strip", sort=False).agg(how).reset_index()


def _explained(
    totals: pd.DataFrame, names: list[str], nested: list[str], sloped: list[str],
    notes: list[str], progress: Callable[[str], None],
) -> pd.DataFrame:  # fmt: skip
    nested = [u for u in nested if u != "strip"] + ["strip"]
    base = " + ".join(names)
    rows: list[dict[str, Any]] = []
    fits: dict[int, MixedFit] = {}
    for variable, words in VARIABLES.items():
        known = totals[totals[variable].notna()].copy()
        reason = _unfit(known, totals, variable)
        if reason:
            notes.append(f"{words[:1].upper()}{words[1:]} is not tried: {reason}.")
            continue
        progress(f"Asking what {words} explains")
        slopes = {u: names for u in sloped}
        crossed: list[list[str]] = [[], [], []]
        fixed = [base, base, base]
        if variable == "hybrid":
            for name in names:
                known[f"hybrid_{name}"] = (
                    known["hybrid"].astype(str) + "\0" + known[name].astype(str)
                )
            crossed = [[], ["hybrid"], ["hybrid", *(f"hybrid_{name}" for name in names)]]
        else:
            known[variable] -= known[variable].mean()
            fixed[1] = f"{base} + {variable}"
            fixed[2] = " + ".join([fixed[1], *(f"{name}:{variable}" for name in names)])
        try:
            if len(known) not in fits:
                fits[len(known)] = _fit(known, base, nested, slopes, "ml", notes)
            chain = [fits[len(known)]]
            for formula, own in zip(fixed[1:], crossed[1:], strict=True):
                chain.append(_fit(known, formula, nested, slopes, "ml", notes, own))
            for part, before, after in zip(("loss", "effect"), chain, chain[1:], strict=False):
                rows.append({"variable": variable, "part": part, "n_strips": len(known),
                             **_gain(before, after, part)})  # fmt: skip
        except ModelError as error:
            notes.append(f"{words[:1].upper()}{words[1:]} cannot be tried: {error}")
    columns = ["variable", "part", "n_strips", "statistic", "df", "p", "null", "sd_before",
               "sd_after", "reduction"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _unfit(known: pd.DataFrame, totals: pd.DataFrame, variable: str) -> str:
    """Why a variable cannot explain anything here, or nothing."""
    fields = known["field"].nunique()
    if fields < ENOUGH:
        return f"it was recorded on {len(known)} of {len(totals)} strips, in {fields} fields"
    different = known[variable].nunique()
    if different < (ENOUGH if variable == "hybrid" else 2):
        return f"it has {different} value{'s' * (different != 1)} only"
    if variable == "hybrid" and different >= fields:
        return "every field has its own hybrid"
    return ""


def _gain(before: MixedFit, after: MixedFit, part: str) -> dict[str, Any]:
    """Likelihood ratio, and the variance between trials and fields left."""
    test = before.compare(after).loc["larger"]
    sds = []
    for fit in (before, after):
        table = fit.variances
        between = table[table["level"].isin(UNITS)]
        intercept = between["term"].eq("Intercept")
        # Differences of two levels have twice the variance of an orthonormal contrast.
        own = between[intercept] if part == "loss" else between[~intercept]
        sds.append(float(np.sqrt((1.0 if part == "loss" else 2.0) * own["variance"].sum())))
    reduction = 1.0 - (sds[1] / sds[0]) ** 2 if sds[0] > 0 else np.nan
    return {"statistic": float(test["statistic"]), "df": float(test["df"]), "p": float(test["p"]),
            "null": test["null"], "sd_before": sds[0], "sd_after": sds[1],
            "reduction": reduction}  # fmt: skip
