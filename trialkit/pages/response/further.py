"""What only some designs allow: fields, curves, surfaces, scores, and the power attained.

Where a design does not allow an answer the reason stands in its place, in a sentence.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from trialkit import plots
from trialkit.analysis import ordinal_model
from trialkit.analysis.questions.fields import SAME
from trialkit.display import freedom, significant
from trialkit.errors import DesignError
from trialkit.pages.cells import figures, p_value
from trialkit.pages.elements import (
    Abreast,
    Element,
    Figure,
    Sentence,
    bullets,
    figure,
    screen,
    table,
)
from trialkit.pages.response.asked import REFUSED, Asked, without_zeros
from trialkit.quantities import Scale, lower_first, number
from trialkit.words import response as words

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.analysis.questions.fields import FieldEffects
    from trialkit.analysis.questions.power_attained import PowerAttained
    from trialkit.pages.letters import Letters

_SCALES = {"log": "ratio", "logit": "odds ratio"}


def fields(asked: Asked, level: int = 3) -> Iterable[Element]:
    """Effects field by field and what they say of the next field."""
    yield asked.heading("fields", words.TITLES["fields"], level)
    design = asked.result.design
    for name in design.slope_factors or design.names[:1]:
        try:
            found = asked.result.field_effects(name)
        except REFUSED as error:
            yield asked.sentence(error)
            continue
        plot = plots.field_forest(found, field_names=asked.letters.fields)
        yield figure(plot, plot.summary)
        rows = [_field_row(asked, found, row) for row in found.pooled.to_dict("records")]
        caption = words.over_fields(
            asked.result.title, int(found.pooled["n_fields"].iloc[0]), asked.percent, found.link
        )
        head = words.fields_head(_SCALES.get(found.link, "difference"))
        yield table(caption, head, rows)


def _field_row(asked: Asked, found: FieldEffects, row: dict[str, Any]) -> list[str]:
    shown = math.exp if found.link in _SCALES else float
    mean, low, high, least, most = (
        number(shown(row[c]), 2)
        for c in ("estimate", "low", "high", "predicted_low", "predicted_high")
    )
    known = math.isfinite(row["sd_low"]) and math.isfinite(row["sd_high"])
    ends = f" ({figures(row['sd_low'])} to {figures(row['sd_high'])})" if known else ""
    return [asked.label(found.factor, row["level"]), f"{mean} ({low} to {high})",
            f"{least} to {most}", f"{figures(row['sd'])}{ends}", p_value(row["sd_p"]),
            words.same_way(*(row[c] for c in SAME))]  # fmt: skip


def along(asked: Asked, level: int = 3) -> Iterable[Element]:
    """The comparison best told apart along moisture and speed."""
    yield asked.heading("along", words.TITLES["along"], level)
    contrasts = asked.result.contrasts
    row = contrasts.loc[contrasts["p_adjusted"].fillna(1.0).idxmin()]
    drawn: list[Figure] = []
    refused: list[str] = []
    over = words.ALONG | (words.OF_HEADERS if _several_gaps(asked) else {})
    for covariate, what in over.items():
        try:
            curve = asked.result.effect_along(covariate, factor=row["factor"], level=row["level"])
        except REFUSED as error:
            refused.append(words.refused_along(what, str(error)))
            continue
        # Where every mean is too near zero for a ratio the difference is drawn.
        shown = "difference" if curve.table["ratio"].isna().all() else None
        plot = plots.effect_along(curve, shown=shown, system=asked.system)
        said = [asked.letters.text(t) for t in curve.words]
        drawn.append(figure(plot, " ".join([*said, *asked.noted(curve)])))
    if drawn and len(contrasts) > 1:
        yield asked.sentence(words.drawn_for(asked.against(row)), "screen")
    if drawn:
        yield Abreast(tuple(drawn))
    yield from map(asked.sentence, dict.fromkeys(refused))


def _several_gaps(asked: Asked) -> bool:
    """Whether several headers ran the strips and the gap of every strip is known as measured."""
    strips = asked.result.design.strips
    if "gap_measured" not in strips or strips["header"].nunique() < 2:
        return False
    return bool(strips["gap_measured"].notna().all())


def surface(asked: Asked, level: int = 3) -> Iterable[Element]:
    """The response over stripper-plate gap and ground speed."""
    yield asked.heading("surface", words.TITLES["surface"], level)
    try:
        gap = "gap_measured" if _several_gaps(asked) else "gap"
        found = asked.result.surface((gap, "speed"))
    except REFUSED as error:
        yield asked.sentence(error)
        return
    plot = plots.loss_surface(found, system=asked.system)
    best, *told = (asked.letters.text(t) for t in found.words)
    yield figure(plot, best)
    yield bullets([*told, *asked.noted(found)])


# ---------------------------------------------------------------- power
def power(asked: Asked, level: int = 3) -> Iterable[Element]:
    """What the trial could tell, and what it would take to tell more."""
    yield asked.heading("power", words.TITLES["power"], level)
    noted: dict[str, None] = {}  # once, whichever comparisons it is about
    for row in asked.result.contrasts.to_dict("records"):
        try:
            found = asked.result.power(row["factor"], row["level"])
        except REFUSED as error:
            yield asked.sentence(error)
            continue
        shares = [(r.source, float(r.share)) for r in found.variance.itertuples()]
        yield asked.sentence(words.could_tell(found.sentence, shares))
        noted |= dict.fromkeys(asked.noted(found))
        yield from _needed(asked, found, lower_first(asked.against(row)))
    yield from map(Sentence, noted)
    yield asked.sentence(words.precision_attained(), "record")


def _needed(asked: Asked, found: PowerAttained, against: str) -> Iterable[Element]:
    """What it would take, on a screen."""
    columns = {
        column: told
        for column, told in words.effort_columns(asked.result.specification.row).items()
        if found.needed[column].notna().any()
    }
    rows = [
        [aim(found, r["aim"], r["value"], asked.scales[0]), *(_many(r[c]) for c in columns)]
        for r in found.needed.to_dict("records")
    ]
    if rows and columns:
        caption = words.would_take(asked.result.title, against, found.power)
        yield screen(table(caption, ["aim", *columns.values()], rows))


def aim(found: PowerAttained, name: str, value: float, own: Scale) -> str:
    """What is aimed at, in words; a difference in the trial's own unit."""
    amount = significant(value * own.factor)
    if name == "half-width":
        ratio = found.scale == "ratio"
        return words.aim_interval(
            words.aim_factor(f"{value:g}") if ratio else f"within ±{amount} {own.unit}"
        )
    if name == "detectable ratio":
        return words.aim_ratio(f"{value:g}")
    return words.aim_difference(amount, own.unit)


def _many(value: float) -> str:
    return number(value, 0) if math.isfinite(value) else words.not_reached()


# ---------------------------------------------------------------- scores
def scores(analysis: TrialAnalysis, letters: Letters) -> Iterable[Element]:
    """Scores by their order, or why there are none."""
    try:
        model = ordinal_model(analysis)
    except DesignError as error:
        yield Sentence(letters.text(error))
        return
    if model.model:
        yield Sentence(letters.text(model.model))
    said = [*map(letters.text, model.words), *without_zeros(model.notes, letters)]
    yield bullets(text.replace("(p_rank)", "(p, ranks)") for text in said)
    if not model.table.empty:
        yield _odds(analysis, model, letters)
    drawn = []
    for factor in dict.fromkeys(model.probabilities["factor"]):
        plot = plots.score_shares(model, factor)
        drawn.append(figure(plot, plot.summary or words.score_shares()))
    if drawn:
        yield Abreast(tuple(drawn))


def _odds(analysis: TrialAnalysis, model: Any, letters: Letters) -> Element:
    labels = {
        f.name: dict(zip(f.levels, f.level_labels, strict=True))
        for f in analysis.responses[model.response].design.factors
    }
    rows = []
    for row in model.table.to_dict("records"):
        value, low, high = (f"{row[f'odds_ratio{end}']:.3g}" for end in ("", "_low", "_high"))
        reference = lower_first(labels[row["factor"]][row["reference"]])
        rows.append([letters.text(f"{row['label']} against {reference}"),
                     f"{value} ({low} to {high})", freedom(row["df"], 0),
                     p_value(row["p"]), p_value(row["p_adjusted"]),
                     p_value(row["p_rank"])])  # fmt: skip
    head = ["comparison", "odds ratio", "df", "p", "p, Holm", "p, ranks"]
    return table(words.odds_caption(), head, rows)
