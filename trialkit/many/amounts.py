"""Effects over many trials in the response's own unit, as `trialkit.facts.Comparison`s.

The model's effects are ratios of counts, odds ratios or differences (`TrialsCompared.link`). Counts
behind the header hold the loss before harvest too, which no setup changes: a ratio of all that lies
there, less one, times what lies there with the reference is therefore the difference in what the
header lost. All that is told in a unit is such a difference, at the mean over fields of what was
measured with the reference (each field once), which is taken as it was measured: its interval is
that of the ratio. The share told beside it is that difference over what the header lost with the
reference, so that it means what it means on the pages of one trial.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.analysis.estimates import holm
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.facts import UNKNOWN, Comparison, Ends, Estimate, Grade
from trialkit.intake.level_names import labels_of
from trialkit.many.matching import factor_name, normalised

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.many.result import TrialsCompared

@dataclass(frozen=True, slots=True)
class Level:
    """What was measured with the reference of a factor: mean over fields, in the response's unit.

    Attributes
    ----------
    on_ground, value : float
        Before the loss before harvest is taken off, and after; equal in other responses.
    """

    on_ground: float
    value: float


def labels(compared: TrialsCompared, factor: str) -> tuple[str, dict[str, str]]:
    """Words for a factor and its levels: those of the newest trial that uses them.

    Trials that called them otherwise (`TrialsCompared.aliases`) are asked last.
    """
    known: dict[str, str] = {}
    title = ""
    newest = compared.trials.sort_values("season", ascending=False, kind="stable")["trial"]
    for own_names in (True, False):
        for trial in newest:
            for setup in compared.settings[trial].setups if trial in compared.settings else ():
                if factor_name(setup.name, compared.aliases) != factor:
                    continue
                title = title or setup.label
                for name, label in zip(setup.levels, setup.level_labels, strict=True):
                    common = normalised(name, compared.aliases)
                    if own_names and common != normalised(name, {}):
                        continue
                    known.setdefault(common, label)
    levels = list(compared.factors[factor])
    plain = labels_of(factor.replace("_", " "), levels)
    return title or factor.replace("_", " "), {
        level: known.get(level, label) for level, label in zip(levels, plain, strict=True)
    }


def with_reference(compared: TrialsCompared, factor: str) -> pd.DataFrame:
    """What was measured with the reference in every field: ``trial, field, on_ground, value``."""
    strips = compared.strips
    own = strips[strips[factor].astype(str) == compared.factors[factor][0]]
    return own.groupby(["trial", "field"], sort=False)[["on_ground", "value"]].mean().reset_index()


def reference_level(compared: TrialsCompared, factor: str) -> Level:
    """The mean of `with_reference` over fields, each of which counts once."""
    means = with_reference(compared, factor)[["on_ground", "value"]].mean()
    return Level(float(means["on_ground"]), float(means["value"]))


def difference(compared: TrialsCompared, effect: np.ndarray, base: np.ndarray) -> np.ndarray:
    """Effects on the model's scale as differences in the unit, where `base` lies there with the
    reference; arrays that broadcast."""
    effect, base = np.asarray(effect, dtype=float), np.asarray(base, dtype=float)
    if compared.link == "identity":
        return effect + 0.0 * base
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        if compared.link == "log":
            return np.asarray(base * np.expm1(effect))
        whole = 100.0 if compared.unit == "%" else 1.0
        share = base / whole
        odds = np.exp(effect) * share / (1.0 - share)
        return np.asarray(whole * (odds / (1.0 + odds) - share))


def comparisons(
    compared: TrialsCompared, bought: tuple[str, str] | None = None
) -> list[Comparison]:
    """Every level of every factor against its reference, mean over the trials."""
    spec = SPECIFICATIONS[compared.response]
    out = []
    for row in compared.effects.to_dict("records"):
        factor, level, reference = (str(row[c]) for c in ("factor", "level", "reference"))
        base = reference_level(compared, factor)
        effect = np.array([row["estimate"], row["low"], row["high"]], dtype=float)
        found = Ends(*map(float, difference(compared, effect, np.array(base.on_ground))))
        ratio = UNKNOWN
        if spec.ratios and compared.link != "identity" and base.value > 0:
            ratio = Ends(*(1.0 + v / base.value for v in found))
            if min(ratio) <= 0:  # more was saved than the header lost: no share of it
                ratio = UNKNOWN
        called = labels(compared, factor)[1]
        out.append(Comparison(
            compared.response, compared.unit, spec.better, factor, level, reference, called[level],
            called[reference], found, ratio, float(row["p"]), float(row["p_adjusted"]),
            float(row["df"]), mean=Estimate(base.value + found.value, float("nan")),
            reference_mean=Estimate(base.value, float("nan")), confidence=compared.level,
            bought=(factor, level) == bought, n_trials=int(row["n_trials"]),
            most=Grade(row["at_most"]) if row.get("at_most") else None,
        ))  # fmt: skip
    return out


def one_family(found: Mapping[str, Sequence[Comparison]], primary: str) -> dict[
    str, list[Comparison]
]:  # fmt: skip
    """Comparisons by response with the p-values that may be told: those of all responses but the
    primary one are a family (`trialkit.analysis.family`)."""
    out = {primary: list(found[primary])}
    others = [c for name, own in found.items() if name != primary for c in own]
    p = np.array([c.p for c in others], dtype=float)
    adjusted = np.full(len(p), np.nan)
    known = np.isfinite(p)
    if known.any():
        adjusted[known] = holm(p[known])
    for own, value in zip(others, adjusted, strict=True):
        held = replace(own, p_adjusted=float(value), primary=False)
        out.setdefault(own.response, []).append(held)
    return out


def by_field(compared: TrialsCompared, factor: str, level: str) -> pd.DataFrame:
    """The effect in every field in the response's unit, at what lay there with the reference.

    Returns
    -------
    DataFrame
        The keys and places of `TrialsCompared.by_field`, ``n_pairs, reference`` (measured),
        ``raw, raw_low, raw_high`` (its own pairs), ``value, low, high`` (by the model, missing
        where effects are taken to be alike), ``apart``: whether the interval of its own pairs
        leaves the mean effect out.
    """
    rows = compared.by_field
    rows = rows[rows["factor"].eq(factor) & rows["level"].eq(level)].drop(columns="reference")
    effects = compared.effects
    mean = effects.loc[effects["factor"].eq(factor) & effects["level"].eq(level), "estimate"]
    keys = ["trial", "field"]
    base = with_reference(compared, factor).rename(columns={"value": "reference"})
    rows = rows.merge(base, on=keys, how="left")
    for place in ("latitude", "longitude"):
        if place not in rows:
            rows[place] = np.nan
    out = rows[["trial", "field", "grower", "season", "latitude", "longitude", "n_pairs",
                "reference"]].copy()  # fmt: skip
    out["apart"] = (rows["raw_low"] > float(mean.iloc[0])) | (
        rows["raw_high"] < float(mean.iloc[0])
    )
    own_effects = compared.effects_vary
    names = {"raw": "raw", "raw_low": "raw_low", "raw_high": "raw_high",
             "value": "shrunken", "low": "low", "high": "high"}  # fmt: skip
    for name, column in names.items():
        known = column in rows and (own_effects or name.startswith("raw"))
        own = rows[column].to_numpy(float) if known else np.full(len(rows), np.nan)
        out[name] = difference(compared, own, rows["on_ground"].to_numpy(float))
    return out


def by_trial(compared: TrialsCompared, factor: str, level: str) -> pd.DataFrame:
    """What every trial shows by its own pairs alone, in the response's unit, at what lay there with
    the reference: ``trial, season, raw, raw_low, raw_high, n_pairs, p, evidence``."""
    rows = compared.by_trial
    rows = rows[rows["factor"].eq(factor) & rows["level"].eq(level)].drop(columns="reference")
    base = with_reference(compared, factor).groupby("trial")["on_ground"].mean()
    at = rows["trial"].map(base).to_numpy(float)
    seasons = compared.trials.set_index("trial")["season"]
    out = rows[["trial", "n_pairs", "p", "evidence"]].assign(season=rows["trial"].map(seasons))
    for name in ("raw", "raw_low", "raw_high"):
        out[name] = difference(compared, rows[name].to_numpy(float), at)
    return out.sort_values(["season", "trial"], kind="stable").reset_index(drop=True)


def next_field(compared: TrialsCompared, factor: str, level: str) -> Ends:
    """What a field of the next trial may show, at the mean of the reference; not numbers where
    that is not known."""
    rows = compared.effects
    row = rows[rows["factor"].eq(factor) & rows["level"].eq(level)].iloc[0]
    ends = row[["estimate", "predicted_low", "predicted_high"]].to_numpy(dtype=float)
    if not np.isfinite(ends).all():
        return UNKNOWN
    base = reference_level(compared, factor).on_ground
    return Ends(*map(float, difference(compared, ends, np.array(base))))


def newest(compared: TrialsCompared, trials: Sequence[str] | None = None) -> TrialConfig | None:
    """Settings of the newest trial that gives a price of grain; where none does, of the newest.

    Parameters
    ----------
    compared : TrialsCompared
    trials : sequence of str, optional
        Those to choose from, such as one grower's own.
    """
    table = compared.trials
    if trials is not None:
        table = table[table["trial"].isin(list(trials))]
    order = table.sort_values("season", ascending=False, kind="stable")["trial"]
    known = [compared.settings[name] for name in order if name in compared.settings]
    priced = (config for config in known if config.price_per_t)
    return next(priced, known[0] if known else None)
