"""The two responses: header loss from frame counts, kernel damage from tank samples."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit import units
from trialkit.analysis.design import Design, read_design
from trialkit.analysis.estimates import Offset, balanced_tests, estimate_factors
from trialkit.analysis.preharvest import preharvest_density
from trialkit.analysis.result import ResponseAnalysis
from trialkit.errors import DesignError, ModelError
from trialkit.mixed import MixedFit, fit_mixed

if TYPE_CHECKING:
    from trialkit.losses import Losses
    from trialkit.trial import Trial

# A count of zero has this one-sided 95 % Poisson limit: the "rule of three".
RULE_OF_THREE = -np.log(0.05)

LEVEL_WORDS = {
    "field": "field",
    "pair": "pair (block)",
    "main_strip": "main strip",
    "strip": "strip",
    "frame": "frame",
    "sample": "sample",
}


def header_loss(trial: Trial, losses: Losses, level: float) -> ResponseAnalysis:
    """Loose kernels lost at the header: Poisson mixed model of the header-zone counts.

    The header-zone density, averaged over the random effects, less the preharvest density from a
    model of its own, times the thousand-kernel mass.

    Raises
    ------
    DesignError
        When the trial has no header-zone frames, its design allows no comparison, or a setup's
        counts are all zero.
    """
    config = trial.config
    frames = trial.frames[trial.frames["zone"].eq("header")]
    if frames.empty:
        raise DesignError(
            "There are no frames from the header zone (ground the header crossed but the combine "
            "body did not), so header loss cannot be analysed."
        )
    design = _design(trial, frames)
    data = _join(frames, design, "frame")

    def limit(rows: pd.DataFrame) -> str:
        area = float(rows["area"].sum())
        most = units.kernels_per_m2_to_kg_ha(RULE_OF_THREE / area, config.thousand_kernel_mass)
        return (
            f"no loose kernel in {len(rows)} frames ({area:.1f} m2), which puts the loss below "
            f"{_two_digits(most)} kg/ha ({_two_digits(units.kg_ha_to_bu_ac(most))} bu/ac) at "
            "95 % if kernels lie at random"
        )

    design = _check_zeros(data, design, "loose_kernels", None, limit)
    fit, design = _fit(data, design, "frame", "loose_kernels", family="poisson", exposure="area")
    per_kernel = float(units.kernels_per_m2_to_kg_ha(1.0, config.thousand_kernel_mass))
    ahead = trial.frames[trial.frames["zone"].eq("preharvest")]
    offset, words = preharvest_density(ahead.merge(trial.strips, on="strip"), per_kernel)
    measured = losses.strips.query("source == 'header' and kind == 'kernels'")
    by_strip = _by_strip(design, measured.set_index("strip")["kg_ha"], data.groupby("strip").size())
    return _assemble(
        "header_loss",
        "Header loss",
        "kg/ha",
        data,
        design,
        fit,
        by_strip,
        level,
        per_kernel,
        offset,
        model=_words(
            fit,
            data,
            design,
            "frame",
            "counts of loose kernels: Poisson with log link, frame area as exposure",
        ),
        extra=words,
    )


def kernel_damage(trial: Trial, losses: Losses, level: float) -> ResponseAnalysis:
    """Share of damaged kernels in tank samples: binomial mixed model, in %.

    Raises
    ------
    DesignError
        When no sample gives kernels examined and damaged, the design allows no comparison, or a
        setup has no damaged kernel (or only damaged ones).
    """
    del losses
    columns = ["kernels_examined", "kernels_damaged"]
    counted = trial.grain.dropna(subset=columns)
    if counted.empty:
        raise DesignError(
            "No grain sample gives both kernels examined and kernels damaged, so kernel damage "
            "cannot be analysed."
        )
    design = _design(trial, counted)
    data = _join(counted, design, "sample").astype(dict.fromkeys(columns, int))

    def limit(rows: pd.DataFrame) -> str:
        total = int(rows["kernels_examined"].sum())
        return (
            f"no damaged kernel among {total:,} examined, which puts the share below "
            f"{100 * RULE_OF_THREE / total:.2f} % at 95 %"
        )

    design = _check_zeros(data, design, "kernels_damaged", "kernels_examined", limit)
    fit, design = _fit(
        data, design, "sample", "kernels_damaged", family="binomial", trials="kernels_examined"
    )
    sums = data.groupby("strip")[columns].sum()
    share = 100.0 * sums["kernels_damaged"] / sums["kernels_examined"]
    by_strip = _by_strip(design, share, data.groupby("strip").size())
    extra = []
    if left := len(trial.grain) - len(counted):
        extra.append(f"{left} grain samples without counted kernels take no part here.")
    return _assemble(
        "kernel_damage",
        "Damaged kernels",
        "%",
        data,
        design,
        fit,
        by_strip,
        level,
        100.0,
        None,
        model=_words(
            fit, data, design, "sample", "damaged among examined kernels: binomial with logit link"
        ),
        extra=extra,
    )


def _design(trial: Trial, measured: pd.DataFrame) -> Design:
    strips = trial.strips[trial.strips["strip"].isin(measured["strip"])]
    design = read_design(trial.config, strips, len(measured))
    unmeasured = len(trial.strips) - len(strips)
    if unmeasured:
        note = f"{unmeasured} of {len(trial.strips)} strips have no measurement of this response."
        design = dataclasses.replace(design, notes=(note, *design.notes))
    return design


def _join(measured: pd.DataFrame, design: Design, row: str) -> pd.DataFrame:
    """Measurements with their strip's columns; `row` becomes unique for the row-level effect."""
    data = measured.merge(design.strips, on="strip", validate="many_to_one")
    data[row] = [str(i) for i in range(len(data))]
    return design.categories(data)


def _check_zeros(data, design: Design, count: str, size: str | None, limit) -> Design:
    """Refuse factor levels without a single kernel; drop interactions with such a combination."""
    if data[count].sum() == 0:
        raise DesignError(
            f"There was {limit(data)}. No setup can be told from another: count "
            "more ground or more kernels."
        )
    for factor in design.factors:
        for name, rows in data.groupby(factor.name, observed=True):
            if rows[count].sum() == 0:
                raise DesignError(
                    f"Under {factor.label} {name} there was {limit(rows)}. A ratio to the other "
                    "setups has no finite estimate; compare the raw means, or count more."
                )
            if size is not None and rows[count].sum() == rows[size].sum():
                raise DesignError(
                    f"Under {factor.label} {name} every kernel examined was damaged; "
                    "a ratio to the other setups has no finite estimate."
                )
    kept = tuple(
        pair
        for pair in design.interactions
        if (data.groupby(list(pair), observed=True)[count].sum() > 0).all()
    )
    if kept == design.interactions:
        return design
    note = "Some combinations of setups have no count above zero; effects are taken to multiply."
    return dataclasses.replace(design, interactions=kept, notes=(*design.notes, note))


def _fit(
    data: pd.DataFrame, design: Design, row: str, response: str, **family: str
) -> tuple[MixedFit, Design]:
    """Fit the design's model, or where no optimum is found the one without its finer parts."""
    slopes = {"field": list(design.slope_factors)} if design.slope_factors else None
    try:
        fit = fit_mixed(
            data, response=response, fixed=design.formula, nested=[*design.nested, row],
            slopes=slopes, covariance={"field": "exchangeable"} if slopes else None, **family,
        )  # fmt: skip
    except ModelError:
        if not design.slope_factors and not design.interactions:
            raise
        note = (
            "The model with interactions, or with effects that differ between fields, could not be "
            "fitted to these counts; effects are taken to multiply and to be the same in every "
            "field."
        )
        simpler = dataclasses.replace(
            design, slope_factors=(), interactions=(), notes=(*design.notes, note)
        )
        return _fit(data, simpler, row, response, **family)
    return fit, design


def _words(fit: MixedFit, data: pd.DataFrame, design: Design, row: str, distribution: str) -> str:
    labels = {f.name: f.label for f in design.factors}
    fixed = [f.label for f in design.factors]
    fixed += [f"{labels[a]} by {labels[b]}" for a, b in design.interactions]
    fixed += [c.replace("_centred", "") for c in design.covariates]
    random = [LEVEL_WORDS[level] for level in (*design.nested, row)]
    if design.slope_factors:
        random.insert(1, "setup by field")
    return (
        f"{design.kind[0].upper()}{design.kind[1:]}, {len(data)} {row}s of "
        f"{data['strip'].nunique()} strips; {distribution}; fixed effects of "
        f"{', '.join(fixed)}; normal effects of {', '.join(random)}; restricted Laplace "
        f"likelihood, degrees of freedom by {fit.inference_method.title()}, at most those of the "
        f"layout ({', '.join(f'{f.label} {design.strata[f.name]}' for f in design.factors)})."
    )


def _why(design: Design, nested_row: str) -> str:
    parts = [
        "Setups are compared between strips of one block"
        if "pair" in design.nested
        else "Setups are compared between strips",
        f"; {nested_row}s are sub-samples of a strip, not replicates of a setup, and an "
        f"effect of each {nested_row} lets counts vary more than chance alone.",
    ]
    if "main_strip" in design.nested:
        hard = [f.label for f in design.factors if f.hard_to_change]
        parts.append(
            f" {', '.join(hard) or 'One factor'} changes between main strips only, so "
            "it is judged against the variation of main strips."
        )
    return " ".join(["".join(parts), *design.why])


def _by_strip(design: Design, value: pd.Series, n: pd.Series) -> pd.DataFrame:
    table = design.strips[["strip", "field", "pair", "main_strip", *design.names]].copy()
    setup = table[design.names].astype(str).agg(", ".join, axis=1)
    table.insert(4, "setup", setup)
    return table.assign(value=table["strip"].map(value), n=table["strip"].map(n).astype(int))


def _by_field(design: Design, by_strip: pd.DataFrame, level: float) -> pd.DataFrame:
    """Mean over pairs of the measured difference from the reference, field by field."""
    columns = [
        "field",
        "factor",
        "level",
        "reference",
        "label",
        "difference",
        "se",
        "df",
        "low",
        "high",
        "n_pairs",
    ]
    rows = []
    if by_strip["field"].nunique() > 1:
        for factor in design.factors:
            labels = dict(zip(factor.levels, factor.level_labels, strict=True))
            reference, *others = design.levels[factor.name]
            wide = by_strip.pivot_table(
                index=["field", "pair"], columns=factor.name, values="value", observed=True
            )
            for name in others:
                difference = (wide[name] - wide[reference]).dropna()
                for field, values in difference.groupby(level="field"):
                    n = len(values)
                    se = values.std() / np.sqrt(n) if n > 1 else np.nan
                    half = stats.t.ppf(0.5 + level / 2, n - 1) * se if n > 1 else np.nan
                    rows.append(
                        (
                            field,
                            factor.name,
                            name,
                            reference,
                            labels[name],
                            values.mean(),
                            se,
                            n - 1,
                            values.mean() - half,
                            values.mean() + half,
                            n,
                        )
                    )
    return pd.DataFrame(rows, columns=columns)


def _assemble(
    response: str, title: str, unit: str, data: pd.DataFrame, design: Design, fit: MixedFit,
    by_strip: pd.DataFrame, level: float, scale: float, offset: Offset | None, *, model: str,
    extra: list[str],
) -> ResponseAnalysis:  # fmt: skip
    means, contrasts, notes = estimate_factors(fit, design, scale, offset, level)
    by_field = _by_field(design, by_strip, level)
    if unit == "kg/ha":
        means = _with_bushels(means, ("estimate", "low", "high"))
        columns = ("difference", "difference_low", "difference_high")
        contrasts = _with_bushels(contrasts, columns)
        by_field = _with_bushels(by_field, ("difference", "low", "high"))
    return ResponseAnalysis(
        response=response, title=title, unit=unit, data=data, model=model, formula=design.formula,
        why=_why(design, "frame" if response == "header_loss" else "sample"), fit=fit,
        design=design, scale=scale, offset=offset, means=means, contrasts=contrasts,
        term_tests=balanced_tests(fit, design), variances=fit.variances,
        by_strip=by_strip, by_field=by_field,
        notes=(*design.notes, *extra, *notes, *(_sentence(note) for note in fit.notes)),
    )  # fmt: skip


def _two_digits(value: float) -> str:
    """A limit that may be far below one, never shown as zero: "0.0016", "1.9", "180"."""
    return f"{float(f'{value:.2g}'):g}"


def _with_bushels(table: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    return table.assign(**{f"{c}_bu_ac": units.kg_ha_to_bu_ac(table[c]) for c in columns})


def _sentence(note: str) -> str:
    return f"{note[:1].upper()}{note[1:].rstrip('.')}."
