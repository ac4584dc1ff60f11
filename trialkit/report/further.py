"""What only some designs allow: fields, curves, surfaces, scores, and the power attained.

Where a design does not allow an answer the reason stands in its place, in a sentence.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trialkit import plots
from trialkit.analysis import ordinal_model
from trialkit.analysis.fields import SAME
from trialkit.display import freedom
from trialkit.errors import DesignError, ModelError
from trialkit.quantities import Scale, lower_first, number
from trialkit.report.cells import figures, p_value
from trialkit.report.detail import ZERO_VARIANCE
from trialkit.report.fragments import bullets, figure, paragraph, table

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.analysis.power import PowerAttained
    from trialkit.report.detail import Detail
    from trialkit.report.letters import Letters

ALONG = {"moisture": "grain moisture", "speed_measured": "ground speed"}
OF_HEADERS = {"gap_measured": "the gap measured on the header"}
REFUSED = (DesignError, ModelError)


def fields(detail: Detail, level: int = 3) -> str:
    """Effects field by field and what they say of the next field."""
    parts = [detail.heading("fields", "Field by field", level)]
    design = detail.result.design
    names = design.slope_factors or design.names[:1]
    for name in names:
        try:
            found = detail.result.field_effects(name)
        except REFUSED as error:
            parts.append(detail.text(error))
            continue
        plot = plots.field_forest(found, field_names=detail.letters.fields)
        parts.append(figure(plot, plot.summary))
        shown = math.exp if found.link in ("log", "logit") else float
        what = {"log": "ratio", "logit": "odds ratio"}.get(found.link, "difference")
        rows = []
        for row in found.pooled.to_dict("records"):
            mean, low, high, least, most = (
                number(shown(row[c]), 2)
                for c in ("estimate", "low", "high", "predicted_low", "predicted_high")
            )
            known = math.isfinite(row["sd_low"]) and math.isfinite(row["sd_high"])
            ends = f" ({figures(row['sd_low'])} to {figures(row['sd_high'])})" if known else ""
            sd = f"{figures(row['sd'])}{ends}"
            rows.append([detail.label(found.factor, row["level"]), f"{mean} ({low} to {high})",
                         f"{least} to {most}", sd, p_value(row["sd_p"]),
                         _share(*(row[c] for c in SAME))])  # fmt: skip
        head = ["setup", f"mean {what}", "next field", "sd between fields", "p of no spread",
                "fields the same way"]  # fmt: skip
        caption = (
            f"{detail.result.title}: effects over {found.pooled['n_fields'].iloc[0]} fields "
            f"({detail.percent} intervals; sd on the {found.link} scale)"
        )
        parts.append(table(caption, head, rows))
    return "".join(parts)


def along(detail: Detail, level: int = 3) -> str:
    """The comparison best told apart along moisture and speed."""
    parts = [detail.heading("along", "Along moisture and speed", level)]
    contrasts = detail.result.contrasts
    row = contrasts.loc[contrasts["p_adjusted"].fillna(1.0).idxmin()]
    drawn, refused = [], []
    for covariate, words in (ALONG | (OF_HEADERS if _several_gaps(detail) else {})).items():
        try:
            curve = detail.result.effect_along(covariate, factor=row["factor"], level=row["level"])
        except REFUSED as error:
            refused.append(f"Along {words}: {error}")
            continue
        # Where every mean is too near zero for a ratio the difference is drawn.
        shown = "difference" if curve.table["ratio"].isna().all() else None
        plot = plots.effect_along(curve, shown=shown, system=detail.system)
        said = [detail.letters.text(t) for t in curve.words]
        drawn.append(figure(plot, " ".join([*said, *detail.notes(curve.notes)])))
    if drawn and len(contrasts) > 1:
        parts.append(
            detail.text(
                f"Shown for {detail.against(row)}, the comparison with the smallest p; "
                "effect_along(covariate, factor=..., level=...) gives the others.",
                "screen",
            )
        )
    parts.append(f'<div class="figures">{"".join(drawn)}</div>' if drawn else "")
    parts += [detail.text(text) for text in dict.fromkeys(refused)]
    return "".join(parts)


def _several_gaps(detail: Detail) -> bool:
    """Whether several headers ran the strips and the gap of every strip is known as measured."""
    strips = detail.result.design.strips
    if "gap_measured" not in strips or strips["header"].nunique() < 2:
        return False
    return bool(strips["gap_measured"].notna().all())


def surface(detail: Detail, level: int = 3) -> str:
    """The response over stripper-plate gap and ground speed."""
    parts = [detail.heading("surface", "Over gap and speed", level)]
    try:
        gap = "gap_measured" if _several_gaps(detail) else "gap"
        found = detail.result.surface((gap, "speed"))
    except REFUSED as error:
        return "".join([*parts, detail.text(error)])
    plot = plots.loss_surface(found, system=detail.system)
    best, *words = (detail.letters.text(t) for t in found.words)
    parts.append(figure(plot, best))
    parts.append(bullets([*words, *detail.notes(found.notes)]))
    return "".join(parts)


def power(detail: Detail, level: int = 3) -> str:
    """What the trial could tell, and what it would take to tell more."""
    parts = [detail.heading("power", "What this trial could tell", level)]
    noted: dict[str, None] = {}  # once, whichever comparisons it is about
    for row in detail.result.contrasts.to_dict("records"):
        try:
            found = detail.result.power(row["factor"], row["level"])
        except REFUSED as error:
            parts.append(detail.text(error))
            continue
        shares = ", ".join(f"{r.source} {100 * r.share:.0f} %" for r in found.variance.itertuples())
        parts.append(
            detail.text(
                f"{found.sentence} Share of each source in the comparison's variance: {shares}."
            )
        )
        noted |= dict.fromkeys(detail.notes(found.notes))
        needed = found.needed
        columns = [
            c for c in ("pairs", "pairs_twice_the_rows", "fields") if needed[c].notna().any()
        ]
        words = {
            "pairs": "pairs in the same fields",
            "pairs_twice_the_rows": f"pairs, twice the {detail.result.specification.row}s",
            "fields": "fields like these",
        }
        rows = [
            [_aim(found, r["aim"], r["value"], detail.scales[0]), *(_many(r[c]) for c in columns)]
            for r in needed.to_dict("records")
        ]
        caption = (
            f"{detail.result.title}, {lower_first(detail.against(row))}: what it would take "
            f"({100 * found.power:g} % power)"
        )
        if rows and columns:
            needs = table(caption, ["aim", *(words[c] for c in columns)], rows)
            parts.append(f'<div class="screen">{needs}</div>')
    parts += [paragraph(note) for note in noted]
    parts.append(
        detail.text(
            "This is the precision attained, from the variation found and not from the effect "
            "found: power at the effect found is the p-value in other clothes (Hoenig and Heisey "
            "2001).",
            "record",
        )
    )
    return "".join(parts)


def _share(part: float, low: float, high: float) -> str:
    return f"{100 * part:.0f} % ({100 * low:.0f} to {100 * high:.0f})"


def _aim(found: PowerAttained, aim: str, value: float, own: Scale) -> str:
    """What is aimed at, in words; a difference in the trial's own unit."""
    if aim == "half-width":
        reach = f"within a factor of {value:g}" if found.scale == "ratio" else (
            f"within ±{value * own.factor:.3g} {own.unit}")  # fmt: skip
        return f"interval {reach}"
    if aim == "detectable ratio":
        return f"a true ratio of {value:g} told apart"
    return f"a true difference of {value * own.factor:.3g} {own.unit} told apart"


def _many(value: float) -> str:
    return number(value, 0) if math.isfinite(value) else "not reached"


def scores(analysis: TrialAnalysis, letters: Letters) -> str:
    """Scores by their order, or why there are none."""
    try:
        model = ordinal_model(analysis)
    except DesignError as error:
        return paragraph(letters.text(error))
    parts = [paragraph(letters.text(model.model))] if model.model else []
    notes = [note for note in model.notes if not note.startswith(ZERO_VARIANCE)]
    said = [text.replace("(p_rank)", "(p, ranks)") for text in (*model.words, *notes)]
    parts.append(bullets([letters.text(text) for text in said]))
    if not model.table.empty:
        rows = []
        labels = {
            f.name: dict(zip(f.levels, f.level_labels, strict=True))
            for f in analysis.responses[model.response].design.factors
        }
        for row in model.table.to_dict("records"):
            value, low, high = (f"{row[f'odds_ratio{end}']:.3g}" for end in ("", "_low", "_high"))
            reference = lower_first(labels[row["factor"]][row["reference"]])
            rows.append([letters.text(f"{row['label']} against {reference}"),
                         f"{value} ({low} to {high})", freedom(row["df"], 0),
                         p_value(row["p"]), p_value(row["p_adjusted"]),
                         p_value(row["p_rank"])])  # fmt: skip
        parts.append(table("Odds of a higher score", ["comparison", "odds ratio", "df", "p",
                                                      "p, Holm", "p, ranks"], rows))  # fmt: skip
    drawn = []
    for factor in dict.fromkeys(model.probabilities["factor"]):
        plot = plots.score_shares(model, factor)
        drawn.append(figure(plot, plot.summary or "Shares read (above) and modelled (below)."))
    return "".join([*parts, f'<div class="figures">{"".join(drawn)}</div>'])
