"""My fields against the others, and the setups side by side in each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.analysis.fields import FieldEffects
from trialkit.analysis.grades import Grade, grade
from trialkit.quantities import Scale, decimals, lower_first, number, scales, upper_first
from trialkit.report.fragments import Fragment, figure, marked_table, paragraph, section
from trialkit.report.terms import TERMS
from trialkit.report.wording import change, counted, of_difference, p_is

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor
    from trialkit.report.grower import GrowerPage

PER_CENT = Scale("%", 1.0)


def in_short(page: GrowerPage) -> str:
    """The effect in my fields in one line, for the headline."""
    if not page.others and len(page.mine) == 1:
        return "The trial ran on this field alone: all figures here are its own."
    rows = _own_rows(page)
    if rows.empty:
        return f"{page.whose(True)}: not measured with both setups."
    parts = [f"{page.letters.fields[field]}: {words}" for field, words in rows.items()]
    words = upper_first("; ".join(parts))
    if not isinstance(page.effects, FieldEffects):
        return f"{words} (measured)."
    return (
        f"{words}. A field's figure is the model's, drawn towards all fields together: "
        f"{_every(page)}."
    )


def _own_rows(page: GrowerPage) -> pd.Series:
    """What the decision's level does in each of my fields, in words."""
    out = {}
    words = TERMS[page.response]
    if isinstance(page.effects, FieldEffects):
        rows = page.effects.fields
        rows = rows[rows["level"].eq(page.found.level)].set_index("field")
        for field in (f for f in page.mine if f in rows.index):
            row = rows.loc[field]
            value, low, high = (_per_cent(row[c]) for c in ("shrunken", "low", "high"))
            out[field] = change(value, low, high, PER_CENT, words.smaller, words.larger)
    else:
        rows = _measured(page)
        own = _difference_scales(page)[0]
        for field in (f for f in page.mine if f in rows.index):
            row = rows.loc[field]
            value, low, high = (float(row[c]) for c in ("difference", "low", "high"))
            if np.isfinite([low, high]).all():
                out[field] = change(value, low, high, own, *words.by_amount)
            else:
                side = words.by_amount[value >= 0]
                out[field] = f"{number(abs(value) * own.factor, 2)} {own.unit} {side}, one pair"
    return pd.Series(out, dtype=object)


def my_fields(page: GrowerPage) -> Fragment:
    """The effect in each of my fields and in the others."""
    title = "My fields against the others" if page.others else "Field by field"
    label = page.letters.text(page.found.label)
    reference = page.letters.text(lower_first(page.found.reference_label))
    if not page.others and len(page.mine) == 1:
        return section(
            "fields", title,
            paragraph(
                f"{page.whose(True)} was the trial's only field, so there is no other to compare "
                "it with, and nothing here tells how a second field would answer."
            ),
            paragraph(page.letters.text(str(page.effects)), "quiet"),
        )  # fmt: skip
    effects = page.effects if isinstance(page.effects, FieldEffects) else None
    rows = _measured(page)
    words = [paragraph(f"{upper_first(label)} against {reference}, field by field.", "extent")]
    words += [paragraph(page.letters.text(text)) for text in _told(page, effects)]
    if not page.letters.agreed and page.others:
        words.append(paragraph("Fields of other growers go by letters.", "quiet"))
    if effects is None:
        words.append(paragraph(page.letters.text(str(page.effects)), "quiet"))
    if rows.empty and effects is None:
        return section("fields", title, *words)
    picture = plots.own_fields(
        page.result, page.found.level, factor=page.found.factor, mine=page.mine,
        effects=effects, field_names=page.letters.fields, system=page.config.units,
    )  # fmt: skip
    caption = (
        f"Diamonds and bold: {page.whose()}. Rings: the others. Bar: {page.percent} interval. "
        "Wide diamond: all fields together."
    )
    if effects is not None:
        caption += " Cross: the field's own strips alone."
    return section(
        "fields", title, *words, picture=figure(picture, caption), below=_table(page, effects, rows)
    )


def _told(page: GrowerPage, effects: FieldEffects | None) -> list[str]:
    """How fields differ, and what that means for mine."""
    words = TERMS[page.response]
    if effects is None:
        return [
            "Each bar is a field's own pairs alone; few pairs make long bars. Where the bars of "
            "two fields overlap widely, the trial has not shown that they differ."
        ]
    row = effects.pooled.set_index("level").loc[page.found.level]
    out = [f"All fields together: {_every(page)}."]
    # A standard deviation has no side: its test alone grades whether fields differ.
    verdict = grade(float(row["sd_p"]), 1.0, 1.0)
    if verdict is not Grade.OPEN:
        most = int(effects.fields["n_pairs"].max())
        signs = {Grade.CLEAR: "clear signs", Grade.GOOD: "signs"}.get(verdict, "weak signs")
        out.append(
            f"There are {signs} (p {p_is(float(row['sd_p']))}) that the effect differs between "
            f"fields; with {counted(most, 'pair')} a field no single field's figure is sure."
        )
    else:
        out.append(
            "The trial cannot tell the effect in one field from that in another, which is not the "
            "same as being equal; the model's figures therefore lie close together."
        )
    if np.isfinite([row["predicted_low"], row["predicted_high"]]).all():
        low, high = (_per_cent(row[f"predicted_{end}"]) for end in ("low", "high"))
        middle = _per_cent(row["estimate"])
        text = change(middle, low, high, PER_CENT, words.smaller, words.larger)
        out.append(f"In a further field like these: {text}.")
    reference = lower_first(page.found.reference_label)
    out.append(
        f"Per cent are of the mean with {reference} over all fields. A field's figure by the model "
        "is drawn towards that of all fields, the more so the less its own strips say."
    )
    return out


def _every(page: GrowerPage) -> str:
    """The mean effect over all fields, in the headline's words."""
    return page.findings(page.response)[0].percent


def _table(page: GrowerPage, effects: FieldEffects | None, rows: pd.DataFrame) -> str:
    units = _difference_scales(page)
    head = ["field", "pairs", *(f"measured in this field, {s.unit}" for s in units)]
    by_model = pd.DataFrame()
    if effects is not None:
        by_model = effects.fields[effects.fields["level"].eq(page.found.level)].set_index("field")
        head += ["measured, % of all fields' mean", "by the model, drawn to the mean, %"]
    out, marks = [], []
    for field in [*page.mine, *page.others]:
        if field not in rows.index and field not in by_model.index:
            continue
        cells = [page.letters.fields[field]]
        row = rows.loc[field] if field in rows.index else None
        cells.append("" if row is None else str(int(row["n_pairs"])))
        for scale in units:
            cells.append("" if row is None else _signed(row, ("difference", "low", "high"), scale))
        if field in by_model.index:
            found = by_model.loc[field]
            for names in (("raw", "raw_low", "raw_high"), ("shrunken", "low", "high")):
                as_percent = pd.Series({n: _per_cent(found[n]) for n in names})
                cells.append(_signed(as_percent, names, PER_CENT))
        out.append(cells)
        marks.append(field in page.mine and bool(page.others))
    caption = (
        f"{page.result.title}: {page.letters.text(page.found.label)} minus "
        f"{page.letters.text(lower_first(page.found.reference_label))}, with {page.percent} "
        "intervals; below zero is less"
    )
    return marked_table(caption, head, out, marks)


def side_by_side(page: GrowerPage) -> Fragment:
    """Measured means of every setup in every field."""
    title = "The setups side by side"
    factors = [page.factor, *(f for f in page.result.design.factors if f.name != page.factor.name)]
    words = [
        paragraph(
            "What was measured, as it lay on the ground: plain means over strips. The headline is "
            "adjusted for what else differed between strips, so it need not be their exact "
            "difference."
        )
    ]
    pictures, below = [], []
    for factor in factors:
        plot = plots.setups_by_field(
            page.result, factor.name, mine=page.mine, field_names=page.letters.fields,
            system=page.config.units,
        )  # fmt: skip
        caption = f"{factor.label}: large marks are means, small ones below them single strips."
        pictures.append(figure(plot, page.letters.text(caption)))
        below.append(_means_table(page, factor))
    first, *rest = pictures
    more = "".join(rest)
    if more:
        more = f'<div class="figures-beside">{more}</div>'
    return section(
        "setups", title, *words, below[0], picture=first, below=more + "".join(below[1:])
    )


def _means_table(page: GrowerPage, factor: SetupFactor) -> str:
    result = page.result
    own, *others = scales(result.unit, page.config.units)
    labels = dict(zip(factor.levels, factor.level_labels, strict=True))
    strips = result.by_strip.dropna(subset=["value"])
    grouped = strips.groupby(["field", factor.name], observed=True)["value"]
    means, counts = grouped.mean(), grouped.size()
    levels = [level for level in factor.levels if level in set(strips[factor.name])]
    # Digits by the scatter of single strips about their means.
    spread = float((strips["value"] - grouped.transform("mean")).std(ddof=0))
    rows, marks, strips_in = [], [], set()
    for field in [*page.mine, *page.others]:
        cells = [page.letters.fields[field]]
        for level in levels:
            if (field, level) not in means.index:
                cells.append("not run")
                continue
            value, n = float(means.loc[field, level]), int(counts.loc[field, level])
            half = 2 * spread / np.sqrt(n)
            shown = [
                number(value * s.factor, max(decimals(half * s.factor), 0)) for s in (own, *others)
            ]
            cells.append(f"{shown[0]} ({shown[1]})" if others else shown[0])
            strips_in.add(n)
        rows.append(cells)
        marks.append(field in page.mine and bool(page.others))
    other = f", in brackets {others[0].unit}" if others else ""
    least, most = min(strips_in), max(strips_in)
    over = counted(most, "strip") if least == most else f"{least} to {most} strips"
    caption = page.letters.text(
        f"{result.title} by {lower_first(factor.label)}, {own.unit}{other}; means of {over}"
    )
    head = ["field", *(page.letters.text(labels[level]) for level in levels)]
    return marked_table(caption, head, rows, marks)


def _measured(page: GrowerPage) -> pd.DataFrame:
    table = page.result.by_field
    rows = table[table["factor"].eq(page.found.factor) & table["level"].eq(page.found.level)]
    return rows.set_index("field")


def _difference_scales(page: GrowerPage) -> tuple[Scale, ...]:
    return of_difference(page.result.unit, page.config.units)


def _per_cent(log_ratio: float) -> float:
    return float(100 * np.expm1(float(log_ratio)))


def _signed(row: pd.Series, names: tuple[str, str, str], scale: Scale) -> str:
    """A change with its sign and interval; one pair leaves no interval."""
    value, low, high = (float(row[n]) * scale.factor for n in names)
    if not np.isfinite(value):
        return ""
    known = bool(np.isfinite([low, high]).all())
    places = decimals((high - low) / 2) if known else (0 if scale.unit == "%" else 2)
    places = max(places, 0)

    def text(v: float) -> str:
        shown = number(v, places)
        return f"+{shown}" if v > 0 and float(shown.replace(",", "")) else shown

    return f"{text(value)} ({text(low)} to {text(high)})" if known else f"{text(value)} (one pair)"
