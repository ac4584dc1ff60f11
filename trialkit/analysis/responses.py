"""One path for every response: rows, design, zeros, model, estimates.

What differs between responses stands in `specifications`, what a layout allows in `design`.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.analysis.asked import ResponseAnalysis
from trialkit.analysis.classical import with_classical
from trialkit.analysis.design import Design, read_design
from trialkit.analysis.estimates import Offset, balanced_tests, estimate_factors
from trialkit.analysis.gaps import with_measured_gaps
from trialkit.analysis.judges import PRIOR, judges
from trialkit.analysis.measured import table_by_field, table_by_strip, with_bushels
from trialkit.analysis.noted import of_the_engine
from trialkit.analysis.preharvest import preharvest_density, rows_ahead
from trialkit.analysis.ranks import rank_tests
from trialkit.analysis.specifications import reading_of
from trialkit.analysis.thin import with_setup
from trialkit.analysis.zeros import check_varies, check_zeros, log_shares
from trialkit.errors import DesignError, ModelError
from trialkit.facts import Note
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.integrated import Integrated
from trialkit.randomisation import EXACT_PAIRS
from trialkit.responses.fate import REMARKS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from trialkit.analysis.judges import Judge
    from trialkit.analysis.specifications import InUnit, Specification
    from trialkit.losses import Losses
    from trialkit.trial import Trial

# A model's mean this many times above or below the plain mean of the strips is not theirs.
FAR_OFF = 2.0


def analyse_response(
    spec: Specification, trial: Trial, losses: Losses, level: float
) -> ResponseAnalysis:
    """Analyse one response of a trial.

    Parameters
    ----------
    spec : Specification
    trial : Trial
    losses : Losses
        Of the same trial: measured values per strip.
    level : float
        Confidence level.

    Raises
    ------
    DesignError
        When there is nothing to analyse, the layout allows no comparison, or nothing was found
        under a setup; the message says what can still be said.
    ModelError
        When no model could be fitted.
    """
    measured = spec.rows(trial.tables)
    if measured.empty:
        raise DesignError(spec.absent)
    scale = spec.scale(measured, trial.tables, trial.config)
    design, data = _join(spec, trial, measured)
    design = check_zeros(data, design, spec, scale)
    readings = data
    notes = [_as_written(text) for text in scale.notes]
    if spec.family == "lognormal":
        data["value"], replaced = log_shares(data, spec)
        notes += replaced
    if spec.ordinal:
        data = _strip_means(data, design, spec.response)
    if _gaussian(spec):
        check_varies(data, design, spec)
    fit, design = _fit(spec, data, design)
    offset, taken_off = _offset(spec, trial, scale)
    reading = reading_of(spec, scale.value, offset)
    judged = judges(fit, design, bool(reading.zones))
    means, contrasts, of_ratios = estimate_factors(fit, design, reading, level, judged)
    if spec.ordinal:
        tests = rank_tests(readings, design, spec.response)
        contrasts = contrasts.merge(tests, on=["factor", "level"], validate="one_to_one")
        notes.append(_of_ranks(tests))
    by_strip = table_by_strip(
        design, _by_strip(spec, readings, losses, scale), readings.groupby("strip").size()
    )
    by_field = table_by_field(design, by_strip, level)
    if scale.unit == "kg/ha":
        means = with_bushels(means, ("estimate", "low", "high"))
        columns = ("difference", "difference_low", "difference_high")
        contrasts = with_bushels(contrasts, columns)
        by_field = with_bushels(by_field, ("difference", "low", "high"))
    notes += _below_zero(spec, means)
    notes += _far_off(spec, readings, design, means, scale, offset)
    notes += [*taken_off, *_left_out(spec, trial, measured)]
    notes += [_as_written(spec.remark)] if spec.remark else []
    return ResponseAnalysis(
        response=spec.name, title=spec.title, unit=scale.unit, specification=spec, data=data,
        described=_described(spec, fit, data, design, judged), formula=_formula(spec, design),
        reasons=(_compared_between(spec, design), *design.why), fit=fit, design=design,
        scale=scale.value, offset=offset,
        means=means, contrasts=with_classical(contrasts, spec, readings, design, by_strip),
        term_tests=balanced_tests(fit, design, judged), judges=judged,
        variances=fit.variances, by_strip=by_strip, by_field=by_field,
        notes=(*design.notes, *notes, *of_ratios, *_of_fit(spec, fit)),
        level=level,
    )  # fmt: skip


# ---------------------------------------------------------------- rows and design
def _join(spec: Specification, trial: Trial, measured: pd.DataFrame) -> tuple[Design, pd.DataFrame]:
    """The design of the strips measured, and the measurements with their strip's columns."""
    trial = with_measured_gaps(trial)
    strips = trial.strips.drop(columns=list(REMARKS), errors="ignore")
    strips = strips[strips["strip"].isin(measured["strip"])]
    unmeasured = trial.strips.loc[~trial.strips["strip"].isin(strips["strip"]), "strip"]
    notes: list[Note] = []
    if len(unmeasured):
        values = {"strips": tuple(map(str, unmeasured)), "of": len(trial.strips)}
        notes.append(Note("design.unmeasured", values))
    try:
        strips = with_setup(trial.config, strips, notes)
        measured = measured[measured["strip"].isin(strips["strip"])]
        rows = len(strips) if spec.ordinal else len(measured)
        design = read_design(trial.config, strips, rows, spec.row, spec.covariates)
    except DesignError as error:
        raise DesignError(f"{error} {spec.still}".rstrip()) from error
    design = dataclasses.replace(design, notes=(*notes, *design.notes))
    if spec.table == "strips":
        measured = measured[["strip"]].assign(value=measured[spec.response])
    data = measured.merge(design.strips, on="strip", validate="many_to_one")
    data[spec.row] = data["strip"] if spec.row == "strip" else [str(i) for i in range(len(data))]
    return design, design.categories(data)


def _strip_means(data: pd.DataFrame, design: Design, response: str) -> pd.DataFrame:
    """One row per strip: the mean of its readings as ``value``."""
    value = data.groupby("strip")[response].mean()
    strips = design.categories(design.strips)
    return strips.assign(value=strips["strip"].map(value))


def _left_out(spec: Specification, trial: Trial, measured: pd.DataFrame) -> list[Note]:
    left = len(spec.own(trial.tables)) - len(measured)
    if not (spec.lacking and left):
        return []
    return [Note("model.left_out", {"rows": left, "what": spec.lacking})]


def _as_written(text: str) -> Note:
    return Note("model.as_written", {"text": text})


# ---------------------------------------------------------------- the model
def _formula(spec: Specification, design: Design) -> str:
    """Right-hand side of the fixed part; zones, where compared, meet every setup effect."""
    if not spec.compared_zones:
        return design.formula
    crossed = [f"{a}:{b}" for a, b in design.interactions]
    setups = " + ".join([*design.names, *crossed])
    setups = f"({setups})" if len(design.names) > 1 else setups
    return " + ".join([f"{setups} * zone", *design.covariates])


def _nested(spec: Specification, data: pd.DataFrame, design: Design) -> list[str]:
    """Random levels coarse to fine, the row itself last where the family has no residual."""
    nested = [*design.nested]
    if spec.compared_zones and data.groupby(["strip", "zone"], observed=True).ngroups < len(data):
        nested.append("zone")
    return nested if _gaussian(spec) else [*nested, spec.row]


def _simpler(design: Design, what: str, family: str) -> Design | None:
    """The design without its finer fixed parts, then without pairs; None when neither is left."""
    if design.slope_factors or design.interactions:
        note = Note("model.without_interactions", {"what": what, "add": family == "normal"})
        return design.with_parts(
            slope_factors=(), interactions=(), notes=(*design.notes, note)
        )
    if "pair" not in design.nested or len(design.nested) == 1:
        return None
    # What pairs differ by then counts as variation of strips: intervals get wider, not narrower.
    note = Note("model.without_pairs", {"what": what})
    nested = tuple(level for level in design.nested if level != "pair")
    return dataclasses.replace(design, nested=nested, notes=(*design.notes, note))


def _slopes(spec: Specification, design: Design, by_zone: bool) -> dict[str, list[str]]:
    """What differs between fields, and in which zones rows vary.

    Between fields setup effects differ, and with them that of a compared zone. Rows of a zone
    that adds more sources of loss vary less on the logarithm: one variance for both would put the
    mean of the one too high and of the other too low (in simulated pairs, the processing loss
    2.9 % too high, 0.3 % with a variance each).
    """
    zone = ["zone"] if spec.compared_zones else []
    slopes = {"field": [*design.slope_factors, *zone]} if design.slope_factors else {}
    return slopes | ({spec.row: zone} if zone and by_zone else {})


def _gaussian(spec: Specification) -> bool:
    return spec.family in ("lognormal", "normal")


def _fit(
    spec: Specification, data: pd.DataFrame, design: Design, by_zone: bool = True
) -> tuple[MixedFit, Design]:
    """Fit the design's model, or where no optimum is found the one without its finer parts."""
    slopes = _slopes(spec, design, by_zone)
    kinds = {"field": "exchangeable", spec.row: "independent"}
    if spec.compared_zones:
        # The zone with the smallest variance first: an independent slope can only add to it.
        order = sorted(spec.zones, key=lambda zone: -spec.zones[zone])
        data["zone"] = pd.Categorical(data["zone"], categories=order)
    if spec.family == "binomial":
        data[[spec.response, spec.size]] = data[[spec.response, spec.size]].astype(int)
    try:
        fit = fit_mixed(
            data, fixed=_formula(spec, design), nested=_nested(spec, data, design),
            slopes=slopes or None, covariance={name: kinds[name] for name in slopes} or None,
            **spec.law,
        )  # fmt: skip
    except ModelError:
        if spec.compared_zones and by_zone:
            return _fit(spec, data, design, by_zone=False)
        simpler = _simpler(design, "values" if _gaussian(spec) else "counts", spec.family)
        if simpler is None:
            raise
        return _fit(spec, data, simpler)
    return fit, design


def _offset(spec: Specification, trial: Trial, scale: InUnit) -> tuple[Offset | None, list[Note]]:
    """What lay on the ground before, in the result's unit, from a model of its own."""
    if not spec.offset:
        return None, []
    ahead = rows_ahead(spec, trial)
    offset, notes = preharvest_density(
        ahead,
        spec.response,
        spec.row,
        spec.title.lower(),
        scale.value,
        scale.unit,
        trial.config.units,
    )
    measured = spec.rows(trial.tables)["strip"]
    fields = set(trial.strips.loc[trial.strips["strip"].isin(measured), "field"])
    without = sorted(fields - set(ahead["field"]))
    if without and len(ahead):
        values = {"fields": tuple(map(str, without)), "of": len(fields), "row": spec.row}
        notes.append(Note("model.fields_without_preharvest", values))
    return offset, notes


def _far_off(
    spec: Specification, data: pd.DataFrame, design: Design, means: pd.DataFrame, scale: InUnit,
    offset: Offset | None,
) -> list[Note]:  # fmt: skip
    """A note where the model's mean of a count is not that of the strips."""
    if spec.family != "poisson" or spec.compared_zones:
        return []
    sums = data.groupby("strip")[[spec.response, spec.size]].sum()
    strips = design.strips.set_index("strip")
    rate = scale.value * sums[spec.response] / sums[spec.size]
    away = offset.value if offset else 0.0
    far = []
    for row in means.to_dict("records"):
        own = strips.index[strips[row["factor"]].astype(str).eq(row["level"])]
        plain = float(rate[own].mean())
        if not 1 / FAR_OFF < (row["estimate"] + away) / plain < FAR_OFF:
            far.append((str(row["label"]), float(row["estimate"]), plain - away))
    if not far:
        return []
    values = {"means": tuple(far), "unit": scale.unit, "system": design.units}
    return [Note("model.far_from_strips", values)]


def _below_zero(spec: Specification, means: pd.DataFrame) -> list[Note]:
    """A note where a loss found as a difference of counts comes out negative."""
    below = means.loc[means["estimate"] < 0, "label"]
    if below.empty or not (spec.offset or spec.compared_zones):
        return []
    return [Note("model.below_zero", {"title": spec.title, "labels": tuple(below)})]


# ---------------------------------------------------------------- beside the model
def _by_strip(spec: Specification, data: pd.DataFrame, losses: Losses, scale: InUnit) -> pd.Series:
    """Measured value of every strip, in the result's unit."""
    if spec.source is not None:
        source, kind = spec.source
        own = losses.strips
        own = own[own["source"].eq(source) & own["kind"].eq(kind)]
        if len(own) and scale.unit == "kg/ha":
            return own.set_index("strip")["kg_ha"]
    if spec.size is None:
        value = data.groupby("strip")["value" if spec.table == "strips" else spec.response]
        return scale.value * value.mean()
    sums = data.groupby("strip")[[spec.response, spec.size]].sum()
    return scale.value * sums[spec.response] / sums[spec.size]


def _of_ranks(tests: pd.DataFrame) -> Note:
    blocks = int(tests["n_blocks"].min())
    if blocks < 2:
        return Note("model.ranks_tell_nothing", {"blocks": blocks})
    least = min(2.0 ** (1 - blocks), 1.0) if blocks <= EXACT_PAIRS else None
    return Note("model.ranks_compared", {"blocks": blocks, "least": least})


def _described(
    spec: Specification, fit: MixedFit, data: pd.DataFrame, design: Design,
    judged: Mapping[str, Judge],
) -> Note:  # fmt: skip
    """The model, for `words.model.in_words`."""
    labels = {f.name: f.label for f in design.factors}
    over = [f for f in design.factors if isinstance(judged[f.name], Integrated)]
    values = {
        "layout": design.layout.values, "rows": len(data), "row": spec.row,
        "strips": data["strip"].nunique(), "distribution": spec.distribution,
        "factors": tuple(labels.values()),
        "interactions": tuple((labels[a], labels[b]) for a, b in design.interactions),
        "covariates": design.covariates, "zones": bool(spec.compared_zones),
        "nested": tuple(_nested(spec, data, design)),
        "zone_variances": bool(fit.variances["level"].eq(spec.row).sum() > 1),
        "varies_by_field": bool(design.slope_factors), "gaussian": _gaussian(spec),
        "integrated": tuple((f.label, design.strata[f.name].units) for f in over),
        "prior": PRIOR.get(fit.family.link, 0.0), "method": fit.inference_method.title(),
        "bounded": tuple(
            (f.label, design.strata[f.name].df) for f in design.factors if f not in over
        ),
    }  # fmt: skip
    return Note("model.in_words", values)


def _compared_between(spec: Specification, design: Design) -> Note:
    blocks = design.strips.groupby(["field", "pair"])[design.names].nunique()
    main = None
    if "main_strip" in design.nested:
        main = tuple(f.label for f in design.factors if f.hard_to_change)
    values = {
        "row": spec.row, "gaussian": _gaussian(spec), "main": main,
        "in_blocks": bool("pair" in design.nested and blocks.max(axis=None) > 1),
    }  # fmt: skip
    return Note("model.compared_between", values)


def _of_fit(spec: Specification, fit: MixedFit) -> list[Note]:
    """The engine's notes; that a row alone tells no slope is what a variance by zone means."""
    known = f"unit of '{spec.row}': its slopes" if spec.compared_zones else ""
    kept = [note for note in fit.notes if not (known and known in note)]
    return list(of_the_engine(kept))
