"""Fields and seasons: setups side by side, the effect in each, the next one, where they lie."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.display import number
from trialkit.many import amounts
from trialkit.many.explained import ENOUGH
from trialkit.pages.compared import effect_words
from trialkit.pages.elements import Beside, Element, Sentence, Table, figure, table
from trialkit.pages.registry import part
from trialkit.pages.seasons.context import SeasonsContext
from trialkit.pages.wording import of_difference
from trialkit.plots.seasons import digits
from trialkit.quantities import Scale, decimals, scales, span, usual_places
from trialkit.words import comparisons
from trialkit.words import grower as grower_words
from trialkit.words import many as many_words
from trialkit.words import seasons as words
from trialkit.words import seasons_used as used_words
from trialkit.words.terms import terms

FEW = 12  # fields that stand in a sentence by name


# ---------------------------------------------------------------- in a line
def in_short(page: SeasonsContext) -> str:
    """How many comparisons went the same way, which did not, and my fields beside the others."""
    rows = page.fields
    mine = bool(page.own and page.others)
    rows = rows[rows["mine"]] if mine else rows
    rows = rows[np.isfinite(rows["raw"])]
    if rows.empty:
        return f"{words.no_own_pairs(page.own)} {against_rest(page)}".rstrip()
    less, alike = page.found.falls, rows["raw"].eq(0)
    same = rows["raw"].lt(0) if less else rows["raw"].gt(0)
    told = f"{words.same_way(less, int(same.sum()), len(rows), page.own)}. "
    told += words.other_way(_names(rows[~same & ~alike]), _names(rows[alike]))
    return f"{told} {against_rest(page)}".rstrip()


def against_rest(page: SeasonsContext) -> str:
    """My fields' own effect against the others' fields, by the model; "" where it is not known."""
    table = page.primary.growers
    if not page.letters.grower or table.empty:
        return ""
    found = page.found
    own = table[
        table["grower"].eq(page.letters.grower) & table["factor"].eq(found.factor)
        & table["level"].eq(found.level)
    ]  # fmt: skip
    if own.empty or not np.isfinite(own[["low", "high"]].to_numpy(float)).all():
        return ""
    value, low, high = own.iloc[0][["difference", "low", "high"]]
    told = effect_words(page.primary, value, low, high)
    return words.own_against_rest(told, low > 0 or high < 0)


def _names(rows: pd.DataFrame) -> list[str]:
    known = [words.named(r.name_, int(r.season)) for r in rows.rename(
        columns={"name": "name_"}).itertuples()]  # fmt: skip
    more = len(known) - FEW
    return known if more <= 0 else [*known[:FEW], f"{more} more"]


def next_in_short(page: SeasonsContext) -> str:
    """Where the next field may lie."""
    found = page.next_field
    if not found.known:
        return many_words.next_field_not_known(len(page.primary.trials))
    return words.one_more(_interval(page))


def _interval(page: SeasonsContext) -> str:
    found, own = page.next_field, of_difference(page.found.unit, page.system)[0]
    less, more = terms(page.response).by_amount
    return words.next_in_short(found.low, found.high, own, less, more, digits(page.fields, own))


# ---------------------------------------------------------------- parts
@part("fields", lambda page: words.TITLES["mine" if page.own and page.others else "fields"])
def by_field(page: SeasonsContext) -> Iterable[Element]:
    """The effect in every field, season by season, for every level."""
    yield from map(_forest, page.each)


def _forest(page: SeasonsContext) -> Beside:
    text, found = page.letters.text, page.found
    plot = plots.season_forest(
        page.fields, found, page.next_field, title=page.primary.title, system=page.system
    )
    modelled = bool(page.fields["value"].notna().any())
    mine = page.own and bool(page.others)
    caption = words.as_measured_only(mine)
    if modelled:
        caption = words.how_to_read(mine, page.next_field.known)
    told: list[Element] = [
        Sentence(text(f"{comparisons.against(found)}."), "extent"),
        Sentence(text(in_short(page))),
        *(Sentence(text(line)) for line in _spread(page)),
    ]
    if mine and not page.letters.agreed and found is page.verdict.first.primary:
        some = used_words.lettered_some() if page.letters.some_named else grower_words.lettered()
        told.append(Sentence(some, "quiet"))
    return Beside(figure(plot, caption), tuple(told))


def _spread(page: SeasonsContext) -> list[str]:
    """How much fields differ in what the setup does, and which stand out."""
    effect = page.effect
    if not page.primary.effects_vary:
        return [words.spread_unknown()]
    if len(page.primary.trials) < ENOUGH:
        return [words.spread_of_two()]
    sd = float(np.hypot(effect["sd_trial"], effect["sd_field"]))
    if not np.isfinite(sd) or page.primary.link != "log":
        return []
    if sd < 5e-4:
        return [words.alike()]
    apart = page.fields[page.fields["apart"]]
    told = words.fields_differ(words.spread_told(sd), _names(apart), page.primary.level)
    return [told, words.fields_apart(_apart(page, apart))] if len(apart) else [told]


def _apart(page: SeasonsContext, rows: pd.DataFrame) -> list[str]:
    """Fields whose own strips leave the mean out, with their range and the mean there."""
    own = of_difference(page.found.unit, page.system)[0]
    # Told apart by a hair's breadth at times: a digit more than usual.
    places = usual_places(rows["raw_low"], rows["raw_high"], own) + 1
    out = []
    for row in rows.head(FEW).to_dict("records"):
        shown = span(row["raw"], row["raw_low"], row["raw_high"], own, places)
        mean = number(row["mean"] * own.factor, places)
        out.append(words.field_apart(words.named(row["name"], int(row["season"])), shown.value,
                                     shown.interval, mean, own.unit))  # fmt: skip
    return out


@part("beside", words.TITLES["beside"])
def side_by_side(page: SeasonsContext) -> Iterable[Element]:
    """Every setup in every field as measured, and by season."""
    for own in page.each:
        yield _by_season(own)
    yield _setups(page)
    offset = bool(SPECIFICATIONS[page.response].offset)
    yield Sentence(words.setups_note(offset), "quiet")


def _setups(page: SeasonsContext) -> Table:
    found, means = page.primary, page.primary.side_by_side
    own, *others = scales(found.unit, page.system)
    names = {}
    called = {factor: amounts.labels(found, factor)[1] for factor in found.factors}
    for combination in product(*found.factors.values()):
        shown = [called[f][v] for f, v in zip(found.factors, combination, strict=True)]
        names[", ".join(combination)] = ", ".join(shown)
    setups = [c for c in names if c in means.columns]
    places = _places(found.strips, list(found.factors), own)
    rows, marks = [], []
    for row in page.fields.itertuples():
        at = means[means["trial"].eq(row.trial) & means["field"].eq(row.field)][setups].iloc[0]
        rows.append([str(page.fields.at[row.Index, "name"]), str(row.season),
                     *(_both(float(v), own, others, places) for v in at)])  # fmt: skip
        marks.append(bool(row.mine and page.others))
    head = ["field", "season", *(page.letters.text(names[c]) for c in setups)]
    caption = words.setups_caption(found.title, own.unit, others[0].unit if others else "")
    return Table(caption, tuple(head), tuple(map(tuple, rows)), tuple(marks), "cards")


def _places(strips: pd.DataFrame, factors: list[str], own: Scale, fields: float = 1.0) -> int:
    """Digits of a mean over so many fields, by the scatter of strips about the means of their setup
    in their field."""
    grouped = strips.groupby(["trial", "field", *factors], observed=True)["value"]
    spread = float((strips["value"] - grouped.transform("mean")).std(ddof=0))
    n = float(grouped.size().median())
    half = 2 * spread / np.sqrt(n * fields) * own.factor
    return max(decimals(half), 0) if half > 0 else 1


def _both(value: float, own: Scale, others: list[Scale], places: int) -> str:
    if not np.isfinite(value):
        return "not run"
    shown = number(value * own.factor, places)
    if not others:
        return shown
    ratio = others[0].factor / own.factor
    more = max(places - round(float(np.log10(ratio))), 0)
    return f"{shown} ({number(value * others[0].factor, more)})"


def _by_season(page: SeasonsContext) -> Table:
    """Means of two setups by season."""
    own = scales(page.found.unit, page.system)[0]
    strips, factor = page.measured, page.found.factor
    means = strips.groupby(["trial", "field", factor], observed=True)["measured"].mean().unstack()
    pairs = means[[page.found.reference, page.found.level]].dropna()
    # By own pairs, as the chart and the lines beside it have them.
    known = page.fields.set_index(["trial", "field"])[["season", "raw"]]
    pairs = pairs.join(known)
    each = float(pairs.groupby("season").size().median())  # fields behind a mean
    places = max(_places(page.primary.strips, list(page.primary.factors), own, each), 1)
    out = []
    for season, each in pairs.groupby("season"):
        base, level = (float(each[c].mean()) * own.factor
                       for c in (page.found.reference, page.found.level))  # fmt: skip
        less, of = int(each["raw"].lt(0).sum()), int(each["raw"].notna().sum())
        out.append([str(season), str(len(each)), number(base, places), number(level, places),
                    number(level - base, places), words.of_fields(less, of)])  # fmt: skip
    label, reference = page.found.label, page.found.reference_label
    head = words.season_head(page.letters.text(label), page.letters.text(reference), own.unit)
    return Table(words.season_caption(page.primary.title), tuple(head),
                 tuple(map(tuple, out)), (), "cards")  # fmt: skip


@part("next", words.TITLES["next"])
def next_field(page: SeasonsContext) -> Iterable[Element]:
    """What one more field may show, for every level."""
    if not page.next_field.known:
        yield Sentence(many_words.next_field_not_known(len(page.primary.trials)))
        return
    for own in page.each:
        if not own.next_field.known:
            continue
        effect = own.effect
        shares = (float(effect["same_direction_low"]), float(effect["same_direction_high"]))
        told = words.next_field(_interval(own), shares, page.percent)
        if len(page.each) > 1:
            told = f"{comparisons.against(own.found)}. {told}"
        yield Sentence(page.letters.text(told), "extent")
    yield Sentence(words.why_wider())


@part("map", words.TITLES["map"])
def places(page: SeasonsContext) -> Iterable[Element]:
    """A map of the fields whose places may be shown, drawn here."""
    rows = page.fields
    known = int(rows[["latitude", "longitude"]].notna().all(axis=1).sum())
    shown = page.letters.places_kept(rows)
    if shown.empty:
        return (Sentence(words.no_map(known)),)
    own = of_difference(page.found.unit, page.system)[0]
    plot = plots.field_map(shown, page.found, system=page.system, places=digits(rows, own))
    left = rows["ground"].nunique() - shown["ground"].nunique()
    return (figure(plot, words.map_caption(left)),)


@part("effects", words.TITLES["effects"])
def every_field(page: SeasonsContext) -> Iterable[Element]:
    """The effect in every field as a table, for every level: by its own pairs and by the model."""
    for view in page.each:
        own, fields = of_difference(view.found.unit, view.system)[0], view.fields
        modelled = bool(fields["value"].notna().any())
        ends = ("low", "high") if modelled else ("raw_low", "raw_high")
        places = usual_places(fields[ends[0]], fields[ends[1]], own)  # as in the chart
        rows = []
        for row in fields.to_dict("records"):
            base = number(row["on_ground"] * own.factor, places)
            rows.append([str(row["name"]), str(row["season"]), str(int(row["n_pairs"])), base,
                         signed(row, ("raw", "raw_low", "raw_high"), own, places),
                         signed(row, ("value", "low", "high"), own, places)])  # fmt: skip
        what = comparisons.against(view.found)
        caption = words.effects_caption(view.primary.title, what, view.percent, own.unit)
        head = words.effects_head(bool(SPECIFICATIONS[view.response].offset))
        yield table(page.letters.text(caption), head, rows, list(fields["mine"]))


def signed(row: dict, names: tuple[str, str, str], scale: Scale, places: int) -> str:
    """A difference with its interval as numbers; "" where it is not known."""
    value, low, high = (float(row[n]) for n in names)
    if not np.isfinite(value):
        return ""
    if not np.isfinite([low, high]).all():
        return words.one_pair(number(value * scale.factor, places))
    shown = span(value, low, high, scale, places)
    return f"{shown.value} ({shown.interval})"
