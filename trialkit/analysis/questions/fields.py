"""How the effect of a setup differs from field to field.

On the model's scale (log ratio, log odds ratio) the effect of a level against the reference is
``mu + delta_f`` in field f, ``delta_f`` normal with standard deviation ``tau``. `raw` effects come
from a field's own pairs alone; `shrunken` ones are the model's predictions ``mu + delta_f``, drawn
the nearer to ``mu`` the less a field says. The share of fields with an effect in the direction of
the estimated ``mu`` is ``Phi(+-mu / tau)`` (Mathur & VanderWeele 2019, Stat. Med. 38:1336-1342).
Few fields hardly tell ``tau``, so that share, its interval and that of the effect in the next field
are those over what is not known of ``mu`` and ``tau`` (`trialkit.analysis.averaged`).

Measured by ``tests/calibration/next_field.py``, in percent (standard errors to 1.3), the effect's
standard deviation 0.2 between fields of three pairs: 95 % intervals for the next field hold it in
99 of three fields, 98 of four, 96 of six. By t with fields - 2 df (Higgins, Thompson &
Spiegelhalter 2009, J. R. Stat. Soc. A 172:137-159) it would be 100, nearly three times as wide, 98
and 91. With a standard deviation of 0.5 four fields hold it in 92 (by t 94).

For header loss the scale is that of the counts behind the header, the loss before harvest
included: a ratio of the header's own loss is further from one (`ResponseAnalysis.contrasts`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.averaged import averaged
from trialkit.analysis.comparisons import link_se_df
from trialkit.analysis.design import Design
from trialkit.analysis.judges import Judge
from trialkit.analysis.predictions import UnitInformation, unit_information
from trialkit.analysis.result import ResponseResult
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.mixed import MixedFit
from trialkit.words import fields as words

LEAST = 0.01
"""Below this share of the reference an end of an interval is told as this."""
ROUNDING = 1e-12
SAME = ("same_direction", "same_direction_low", "same_direction_high")


@dataclass(frozen=True, slots=True)
class FieldEffects:
    """Effects of one setup factor in each field, all on the model's log scale.

    Attributes
    ----------
    response, title : str
    factor, label : str
        Name of the setup factor and its words.
    reference, reference_label : str
    link : str
        "log": effects are logarithms of ratios; "logit": of odds ratios.
    fields : DataFrame
        One row per level and field: ``level, label, field``; ``raw, raw_se, raw_low, raw_high``
        (mean over `n_pairs` pairs, interval by t; missing where the field has no pair of both, the
        interval where it has one); ``shrunken, se, low, high``: the model's prediction, its
        conditional standard error (variances known), interval by t with the df of the mean effect.
    pooled : DataFrame
        One row per level: ``level, label, estimate, se, df, low, high`` (mean effect over fields);
        ``sd, sd_low, sd_high`` (of the effect between fields, profile interval), ``sd_statistic,
        sd_p`` (likelihood-ratio test that it is zero); ``same_direction`` (expected share of
        fields, by the model) with its ``_low`` and ``_high``; ``predicted_low,
        predicted_high`` (the effect in the next field); ``n_fields``.
    level : float
        Confidence level of all intervals.
    """

    response: str
    title: str
    factor: str
    label: str
    reference: str
    reference_label: str
    link: str
    fields: pd.DataFrame
    pooled: pd.DataFrame
    level: float

    def _repr_html_(self) -> str:
        what = "ratio" if self.link == "log" else "odds ratio"
        shown = self.pooled[["label", "estimate", "low", "high", "predicted_low", "predicted_high",
                             *SAME, "sd", "sd_low", "sd_high", "n_fields"]]  # fmt: skip
        ratios = {"estimate": "ratio", "low": "ratio_low", "high": "ratio_high"}
        shown = shown.rename(columns=ratios)
        effects = [*ratios.values(), "predicted_low", "predicted_high"]
        return card(
            words.heading(self.title, self.label, what, self.reference_label),
            [words.in_brackets(self.level)],
            table(
                shown.assign(**{name: np.exp(shown[name]) for name in effects}),
                names=words.columns(what),
            ),
        )


def field_effects(
    result: ResponseResult, factor: str | None = None, *, level: float = 0.95
) -> FieldEffects:
    """Effects of a setup factor field by field, and what they say of the next field.

    Parameters
    ----------
    result : ResponseAnalysis
        Of a trial on three fields or more, whose model lets the factor's effect differ.
    factor : str, optional
        Name of a setup factor; the first whose effect differs between fields by default.
    level : float
        Confidence level, above 0 and below 1.

    Raises
    ------
    DesignError
        When the factor is not in the model, or its effect is the same in every field there; for
        a difference between zones, which has no effect on the model's scale.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    design, fit = result.design, result.fit
    if result.reading.zones:
        raise DesignError(
            f"{result.title} is a difference between zones, and the model's scale is that of the "
            "counts in each zone: no ratio of it holds in a field. Its measured differences, field "
            "by field, stand in by_field."
        )
    if factor is not None and factor not in design.names:
        raise DesignError(f"{factor!r} is no setup factor here; there are {design.names}.")
    if not design.slope_factors or (factor or design.slope_factors[0]) not in design.slope_factors:
        raise DesignError(
            "The model has the same effect in every field: it takes three fields or more, each "
            "with several strips of a setup, to tell how an effect differs between fields."
        )
    name = factor or design.slope_factors[0]
    setup = next(f for f in design.factors if f.name == name)
    labels = design.labels(name)
    reference, *others = design.levels[name]
    contrasts = level_contrasts(fit, name, design.names, design.covariates)
    turns = slope_turns(fit, "field", name)
    found = unit_information(fit, ["field"])
    names = found.labels["field"]["field"].astype(str).to_list()
    spread = _spread(fit, name, level)
    rows, pooled = [], []
    for other in others:
        row, turn = contrasts[other] - contrasts[reference], turns[other] - turns[reference]
        mean = pooled_effect(fit, row, turn, "field", result.judges[name], level)
        length = float(np.linalg.norm(turn))
        mean |= _next_field(found, fit, name, row, turn, mean, _within(design, name), level)
        mean |= {"sd_low": length * spread["low"], "sd_high": length * spread["high"],
                 "sd_statistic": spread["statistic"], "sd_p": spread["p"]}  # fmt: skip
        pooled.append({"level": other, "label": labels[other], **mean, "n_fields": len(names)})
        units = np.einsum("fg,k->fgk", np.eye(len(names)), turn)
        estimate, se = found.linear(np.tile(row, (len(names), 1)), {"field": units})
        half = stats.t.ppf(0.5 + level / 2, mean["df"]) * se
        own = raw_effects(fit, name, other, reference, ["field"], ["pair"], level)
        table = pd.DataFrame(
            {"level": other, "label": labels[other], "field": names, "shrunken": estimate,
             "se": se, "low": estimate - half, "high": estimate + half}
        )  # fmt: skip
        rows.append(table.merge(own, on="field", how="left"))
    fields = pd.concat(rows, ignore_index=True)
    fields["n_pairs"] = fields["n_pairs"].fillna(0).astype(int)
    order = ["level", "label", "field", "raw", "raw_se", "raw_low", "raw_high", "n_pairs",
             "shrunken", "se", "low", "high"]  # fmt: skip
    summary = pd.DataFrame(pooled)
    summary = summary[
        ["level", "label", "estimate", "se", "df", "low", "high", "sd", "sd_low", "sd_high",
         "sd_statistic", "sd_p", *SAME, "predicted_low", "predicted_high", "n_fields"]
    ]  # fmt: skip
    return FieldEffects(
        result.response, result.title, name, setup.label, reference, labels[reference],
        str(fit.family.link), fields[order], summary, level,
    )  # fmt: skip


def of_the_response(effects: FieldEffects, result: ResponseResult) -> FieldEffects:
    """Ratios of the response itself, what is taken off every mean taken off: of header loss those
    of the header's own loss, at its mean over all fields.

    A ratio r of counts of which ``o`` lay there before is ``1 + (r - 1)(m + o)/m`` of the rest,
    with m the reference's adjusted mean. The mean effect becomes the ratio of
    `ResponseAnalysis.contrasts`, so that one effect is one figure.

    What a field's own pairs say becomes their measured difference (`ResponseAnalysis.by_field`)
    over m, so that kg/ha and per cent of one field are one quantity.

    Standard errors, which stay on the counts' scale, are missing.

    Parameters
    ----------
    effects : FieldEffects
        Of link "log".
    result : ResponseAnalysis
        The one they are of.

    Raises
    ------
    DesignError
        Where a ratio is not known, or the rest comes to nothing.
    """
    off = float(result.reading.taken_off.value)
    means = result.means.set_index(["factor", "level"])["estimate"]
    base = float(means.loc[(effects.factor, effects.reference)])
    told = result.contrasts[result.contrasts["factor"] == effects.factor].set_index("level")
    ratios = np.log(told.loc[effects.pooled["level"], ["ratio", "ratio_low", "ratio_high"]])
    if not base > 0 or not np.isfinite(ratios.to_numpy(dtype=float)).all():
        raise DesignError(
            "A mean is too near zero to carry a ratio; measured differences stand here."
        )

    def turned(logs: pd.DataFrame) -> np.ndarray:
        rest = 1 + np.expm1(logs.to_numpy(dtype=float)) * (base + off) / base
        return np.log(np.maximum(rest, LEAST))  # missing stays missing

    columns = ["shrunken", "low", "high"]
    fields, pooled = effects.fields.copy(), effects.pooled.copy()
    fields[columns] = turned(fields[columns])
    own = result.by_field[result.by_field["factor"] == effects.factor].set_index(["level", "field"])
    at = pd.MultiIndex.from_frame(fields[["level", "field"]])
    measured = own.reindex(at)[["difference", "low", "high"]].to_numpy(dtype=float)
    fields[["raw", "raw_low", "raw_high"]] = np.log(np.maximum(1 + measured / base, LEAST))
    pooled[["predicted_low", "predicted_high"]] = turned(pooled[["predicted_low",
                                                                 "predicted_high"]])  # fmt: skip
    pooled[["estimate", "low", "high"]] = ratios.to_numpy(dtype=float)
    fields[["raw_se", "se"]] = pooled["se"] = np.nan
    if (fields["shrunken"] <= np.log(LEAST)).any():
        raise DesignError(
            "In a field the response comes to nothing; measured differences stand here."
        )
    return replace(effects, fields=fields, pooled=pooled)


def level_contrasts(
    fit: MixedFit, factor: str, factors: list[str], covariates: tuple[str, ...] = ()
) -> dict[str, np.ndarray]:
    """Linear function of the fixed effects for each level, other factors balanced."""
    grid, rows = fit.reference_grid(factors, dict.fromkeys(covariates, 0.0))
    own = grid[factor].astype(str)
    return {level: rows[(own == level).to_numpy()].mean(axis=0) for level in own.unique()}


def slope_turns(fit: MixedFit, level: str, factor: str) -> dict[str, np.ndarray]:
    """Values of a level's random columns that belong to each level of `factor`."""
    columns = fit.model.slopes[fit.model.chain.names.index(level)]
    codes = [c.codes if c.variable == factor and c.codes else {} for c in columns]
    return {
        str(name): np.array([code.get(name, 0.0) for code in codes])
        for name in fit.fixed_part.levels[factor]
    }


def pooled_effect(
    fit: MixedFit, row: np.ndarray, turn: np.ndarray, level_name: str, judge: Judge, level: float
) -> dict[str, float]:
    """Mean effect and its spread between the units of a level."""
    mu = float(row @ fit.fixed_effects.to_numpy())
    se, df = (float(found[0]) for found in link_se_df(fit, row[None, :], judge))
    half = stats.t.ppf(0.5 + level / 2, df) * se
    cov = fit.covariances[fit.model.chain.names.index(level_name)]
    tau = float(np.sqrt(max(turn @ cov @ turn, 0.0)))
    return {"estimate": mu, "se": se, "df": df, "low": mu - half, "high": mu + half, "sd": tau}


def _within(design: Design, factor: str) -> int:
    """Degrees of freedom of the variances within fields."""
    strips = design.strips
    fields, pairs = (strips[u].nunique() for u in ("field", "pair"))
    return max(len(strips) - pairs - fields * (len(design.levels[factor]) - 1), 1)


def _next_field(
    found: UnitInformation, fit: MixedFit, factor: str, row: np.ndarray, turn: np.ndarray,
    mean: dict[str, float], df: int, level: float,
) -> dict[str, float]:  # fmt: skip
    """Interval of the effect in the next field, and the share of fields whose effect has the sign
    of the mean effect, over what is not known."""
    columns = fit.model.slopes[fit.model.chain.names.index("field")]
    own = {"field": np.array([c.variable == factor for c in columns])}
    single = np.sqrt(len(found.labels["field"])) * mean["se"]
    over = averaged(found, own, row[None], {}, {"field": turn[None]}, single, df, level)
    shares = (over.positive, over.share_low, over.share_high)
    return same_direction([float(s[0]) for s in shares], mean["estimate"]) | {
        "predicted_low": float(over.low[0]), "predicted_high": float(over.high[0])
    }  # fmt: skip


def same_direction(positive: list[float], mean: float) -> dict[str, float]:
    """Expected share of units above zero and its interval, as those with the sign of the mean."""
    expected, low, high = positive
    ends = (expected, low, high) if mean > 0 else (1 - expected, 1 - high, 1 - low)
    return dict(zip(SAME, ends, strict=True))


def _spread(fit: MixedFit, factor: str, level: float) -> dict[str, float]:
    """Profile interval of the slopes' standard deviation and the test that it is zero."""
    row = fit.variance_intervals(level, ("field", factor)).iloc[0]
    test = fit.variance_test("field", factor)
    return {"low": float(row["low"]), "high": float(row["high"]),
            "statistic": float(test["statistic"]), "p": float(test["p"])}  # fmt: skip


def raw_effects(
    fit: MixedFit, factor: str, level: str, reference: str, unit: list[str], pair: list[str],
    confidence: float,
) -> pd.DataFrame:  # fmt: skip
    """Effect of a level in every unit, mean over its pairs, from totals (or means) alone.

    Where a total is zero (or all of its trials), half a count is added on either side of the pair
    (Haldane 1956, Ann. Hum. Genet. 20:309-311).
    """
    model = fit.model
    table = fit.rows[[*unit, *pair, factor]].astype(str)
    table["y"] = model.original_order(fit.y)
    link = fit.family.link
    logit = link == "logit"
    table["size"] = model.original_order(model.size if logit else np.exp(model.offset))
    table = table[table[factor].isin([level, reference])]
    total = table.groupby([*unit, *pair, factor])[["y", "size"]].sum().unstack(factor).dropna()
    y, size = total["y"], total["size"]
    if link == "identity":
        effect = y / size
    else:
        edge = y.eq(0) | (y.eq(size) & logit)
        add = 0.5 * edge.any(axis=1).to_numpy()[:, None]
        rest = (size - y) + add if logit else size
        effect = np.log((y + add) / rest)
    grouped = (effect[level] - effect[reference]).groupby(level=unit)
    out = grouped.agg(raw="mean", sd="std", n_pairs="size")
    # Pairs that agree to the last digit, as two of no count, say nothing of their spread.
    sd = out.pop("sd")
    out["raw_se"] = sd.where(sd > ROUNDING * (1.0 + out["raw"].abs())) / np.sqrt(out["n_pairs"])
    df = (out["n_pairs"] - 1).where(out["n_pairs"] > 1)
    half = stats.t.ppf(0.5 + confidence / 2, df) * out["raw_se"]
    return out.assign(raw_low=out["raw"] - half, raw_high=out["raw"] + half).reset_index()
