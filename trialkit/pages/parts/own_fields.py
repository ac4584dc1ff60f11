"""My fields against the others, and the setups side by side in each."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.analysis.questions.fields import FieldEffects
from trialkit.facts import grade
from trialkit.pages.context import Context
from trialkit.pages.elements import Abreast, Beside, Element, Sentence, Table, figure, table
from trialkit.pages.registry import part
from trialkit.pages.wording import change, of_difference, p_is
from trialkit.quantities import Scale, decimals, lower_first, number, scales, upper_first
from trialkit.responses import RESPONSES
from trialkit.words import grower as words
from trialkit.words.terms import terms

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor

PER_CENT = Scale("%", 1.0)


def in_short(page: Context) -> str:
    """The effect in my fields in one line, for the headline."""
    if not page.others and len(page.mine) == 1:
        return words.own_alone()
    rows = _own_rows(page)
    if rows.empty:
        return words.not_measured(whose(page, capital=True))
    parts = [f"{page.letters.fields[field]}: {told}" for field, told in rows.items()]
    each = upper_first("; ".join(parts))
    if not isinstance(page.effects, FieldEffects):
        return words.own_measured(each)
    return words.own_modelled(each, _every(page))


def whose(page: Context, capital: bool = False) -> str:
    """ "my 2 fields", or the name of the only one."""
    return words.whose([page.letters.fields[f] for f in page.mine], capital)


def _own_rows(page: Context) -> pd.Series:
    """What the decision's level does in each of my fields, in words."""
    out = {}
    said = terms(page.response)
    if isinstance(page.effects, FieldEffects):
        rows = page.effects.fields
        rows = rows[rows["level"].eq(page.found.level)].set_index("field")
        for field in (f for f in page.mine if f in rows.index):
            row = rows.loc[field]
            value, low, high = (_per_cent(row[c]) for c in ("shrunken", "low", "high"))
            out[field] = change(value, low, high, PER_CENT, said.smaller, said.larger)
    else:
        rows = _measured(page)
        own = _difference_scales(page)[0]
        for field in (f for f in page.mine if f in rows.index):
            row = rows.loc[field]
            value, low, high = (float(row[c]) for c in ("difference", "low", "high"))
            if np.isfinite([low, high]).all():
                out[field] = change(value, low, high, own, *said.by_amount)
            else:
                side = said.by_amount[value >= 0]
                out[field] = f"{number(abs(value) * own.factor, 2)} {own.unit} {side}, one pair"
    return pd.Series(out, dtype=object)


@part("fields", lambda page: words.fields_title(bool(page.others)))
def my_fields(page: Context) -> Iterable[Element]:
    """The effect in each of my fields and in the others."""
    text = page.letters.text
    reference = text(lower_first(page.found.reference_label))
    effects = page.effects if isinstance(page.effects, FieldEffects) else None
    why_none = [Sentence(text(str(page.effects)), "quiet")] if effects is None else []
    if not page.others and len(page.mine) == 1:
        alone = words.only_field(whose(page, capital=True))
        return (Sentence(alone), Sentence(text(str(page.effects)), "quiet"))
    rows = _measured(page)
    told = [Sentence(words.field_by_field(text(page.found.label), reference), "extent")]
    told += [Sentence(text(line)) for line in _told(page, effects)]
    if not page.letters.agreed and page.others:
        told.append(Sentence(words.lettered(), "quiet"))
    told += why_none
    if rows.empty and effects is None:
        return told
    picture = plots.own_fields(
        page.result, page.found.level, factor=page.found.factor, mine=page.mine,
        effects=effects, field_names=page.letters.fields, system=page.config.units,
    )  # fmt: skip
    caption = words.fields_caption(whose(page), page.percent, effects is not None)
    return (Beside(figure(picture, caption), tuple(told)), _table(page, effects, rows))


def _told(page: Context, effects: FieldEffects | None) -> list[str]:
    """How fields differ, and what that means for mine."""
    if effects is None:
        return [words.few_pairs(), *_outside(page)]
    row = effects.pooled.set_index("level").loc[page.found.level]
    p = float(row["sd_p"])
    most = int(effects.fields["n_pairs"].max())
    # A standard deviation has no side: its test alone grades whether fields differ.
    out = [words.together(_every(page)), words.fields_differ(grade(p, 1.0, 1.0), p_is(p), most)]
    if np.isfinite([row["predicted_low"], row["predicted_high"]]).all():
        middle, *ends = (_per_cent(row[c]) for c in ("estimate", "predicted_low", "predicted_high"))
        own = terms(page.response)
        text = change(middle, ends[0], ends[1], PER_CENT, own.smaller, own.larger)
        out.append(words.further_field(text))
    out.append(words.drawn_together(lower_first(page.found.reference_label)))
    return out


def _outside(page: Context) -> list[str]:
    """Why the model's figure lies beyond every field's own, where it does."""
    own, table = _measured(page)["difference"].dropna(), page.result.contrasts
    found = page.found
    row = table[table["factor"].eq(found.factor) & table["level"].eq(found.level)].iloc[0]
    if own.empty or own.min() <= row["difference"] <= own.max():
        return []
    return [words.together_outside(RESPONSES[page.response].link == "log")]


def _every(page: Context) -> str:
    """The mean effect over all fields, in the headline's words."""
    return page.decided(page.response)[0].percent


def _table(page: Context, effects: FieldEffects | None, rows: pd.DataFrame) -> Table:
    units = _difference_scales(page)
    head = ["field", "pairs", *words.measured_heads([s.unit for s in units])]
    by_model = pd.DataFrame()
    if effects is not None:
        by_model = effects.fields[effects.fields["level"].eq(page.found.level)].set_index("field")
        head += words.modelled_heads()
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
    caption = words.differences_caption(
        page.result.title, page.letters.text(page.found.label),
        page.letters.text(lower_first(page.found.reference_label)), page.percent,
    )  # fmt: skip
    return table(caption, head, out, marks)


@part("setups", words.beside_title())
def side_by_side(page: Context) -> Iterable[Element]:
    """Measured means of every setup in every field."""
    own = next(f for f in page.config.setups if f.name == page.found.factor)
    factors = [own, *(f for f in page.result.design.factors if f.name != own.name)]
    pictures = []
    for factor in factors:
        plot = plots.setups_by_field(
            page.result, factor.name, mine=page.mine, field_names=page.letters.fields,
            system=page.config.units,
        )  # fmt: skip
        pictures.append(figure(plot, page.letters.text(words.marks(factor.spoken))))
    first, *more = (_means_table(page, factor) for factor in factors)
    yield Beside(pictures[0], (Sentence(words.as_it_lay()), first))
    if pictures[1:]:
        yield Abreast(tuple(pictures[1:]), "figures-beside")
    yield from more


def _means_table(page: Context, factor: SetupFactor) -> Table:
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
    caption = words.means_caption(
        result.title, factor.spoken, own.unit, others[0].unit if others else "", min(strips_in),
        max(strips_in),
    )  # fmt: skip
    head = ["field", *(page.letters.text(labels[level]) for level in levels)]
    return table(page.letters.text(caption), head, rows, marks)


def _measured(page: Context) -> pd.DataFrame:
    found = page.result.by_field
    rows = found[found["factor"].eq(page.found.factor) & found["level"].eq(page.found.level)]
    return rows.set_index("field")


def _difference_scales(page: Context) -> tuple[Scale, ...]:
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
