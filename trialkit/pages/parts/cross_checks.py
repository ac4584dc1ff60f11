"""The primary answer beside the same question asked in other ways, and what would change it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Literal

import pandas as pd

from trialkit.analysis.family import comparisons
from trialkit.analysis.questions.apart import side
from trialkit.display import freedom, p_text
from trialkit.errors import DesignError
from trialkit.facts import Grade, grade
from trialkit.pages import advice, second_answer
from trialkit.pages.cells import ratio_of, span_of, with_interval
from trialkit.pages.context import Context
from trialkit.pages.elements import Element, Marked, Sentence, Words, bullets, table
from trialkit.pages.parts.responses import every_asked, pieces
from trialkit.pages.registry import part
from trialkit.pages.response.asked import REFUSED, Asked
from trialkit.pages.response.holds import hangs_on_the_model
from trialkit.quantities import Scale, lower_first, number, places_in
from trialkit.words import comparisons as told_words
from trialkit.words import field_day
from trialkit.words import referee as words
from trialkit.words.margins import margin_words

SHOWN = 6  # comparisons that the first pages hold
OTHER = "alternative"


def primary(page: Context) -> Asked:
    """The primary response, its costly questions answered with those of all others."""
    pieces(page, page.analysis.primary)
    return every_asked(page)[page.analysis.primary]


@part("result", words.answer_title())
def result(page: Context) -> Iterable[Element]:
    """Model, classical test, other models, second answer and refits in one table; the checks."""
    asked = primary(page)
    contrasts = asked.result.contrasts
    own = asked.differences[0]
    ratios = bool(contrasts["ratio"].notna().any())
    rows: list[list[Words]] = []
    for row in contrasts.head(SHOWN).to_dict("records"):
        rows += _answers(asked, row, own, ratios)
    title, within = asked.result.title, asked.result.adjusted_within
    caption = words.result_caption(title, asked.percent, within)
    yield table(caption, words.result_head(own.unit, ratios), rows)
    if len(contrasts) > SHOWN:
        yield Sentence(words.more_comparisons(len(contrasts) - SHOWN))
    yield asked.sentence(asked.check.verdict)
    results = page.analysis.responses.values()
    others = {lower_first(r.title): comparisons(r) for r in results if not r.primary}
    if others:
        said = told_words.in_lines(others, page.config.units)
        yield Sentence((Marked(words.besides_title()), " ", page.letters.text(" ".join(said))))


def _answers(
    asked: Asked, row: Mapping[str, Any], own: Scale, ratios: bool
) -> Iterable[list[Words]]:
    """Lines of one comparison, the model's own first."""
    graded = next(c for c in comparisons(asked.result)
                  if (c.factor, c.level) == (row["factor"], row["level"]))  # fmt: skip

    def line(
        name: Words, difference: str = "", ratio: str = "", df: str = "", p: str = "",
        adjusted: str = "", evidence: str = "",
    ) -> list[Words]:  # fmt: skip
        return [name, difference, *([ratio] if ratios else []), df, p, adjusted, evidence]

    def exact(name: Words, given: Mapping[str, Any], grade_of: Grade | None) -> list[Words]:
        return line(
            name, with_interval(span_of(given, "difference", own)), ratio_of(given),
            freedom(given["df"]), p_text(given["p"]), p_text(given["p_adjusted"]),
            "" if grade_of is None else words.GRADES[grade_of],
        )  # fmt: skip

    by_model = (Marked(asked.against(row)), f", {words.by_the_model()}")
    yield exact(by_model, row, graded.graded_by(row["p_adjusted"]))
    p, adjusted = (float(row.get(c, math.nan)) for c in ("p_classical", "p_classical_adjusted"))
    if math.isfinite(p):
        yield line(
            str(row["classical"]), df=freedom(row["df_classical"], 0), p=p_text(p),
            adjusted=p_text(adjusted), evidence=words.GRADES[graded.graded_by(adjusted)],
        )  # fmt: skip
    if math.isfinite(float(row.get("p_rank", math.nan))):
        yield line(words.by_ranks(int(row["n_blocks"])), p=p_text(row["p_rank"]))
    second = asked.result.at_same
    if second is not None and not second.contrasts.empty:
        for then in _same(second.contrasts, row).to_dict("records"):
            yield exact(second.title, then, _graded(then, graded.primary))
    half = (row["difference_high"] - row["difference_low"]) / 2 * own.factor
    for name, found in (
        (words.by_others, _others(asked, row)), (words.without_units, _refits(asked, row)),
    ):  # fmt: skip
        if len(found):
            yield line(name(len(found)), *_range(found, own, half, graded.primary))


def _same(table: pd.DataFrame, row: Mapping[str, Any]) -> pd.DataFrame:
    """Rows of a table on the comparison of a row."""
    return table[table["factor"].eq(row["factor"]) & table["level"].eq(row["level"])]


def _others(asked: Asked, row: Mapping[str, Any]) -> pd.DataFrame:
    found = _same(asked.alternatives.table, row)
    return found[found["role"].eq(OTHER) & found["p"].notna()]


def _refits(asked: Asked, row: Mapping[str, Any]) -> pd.DataFrame:
    table = asked.check.influence
    if table.empty:
        return table
    found = _same(table, row)
    return found[found["difference"].notna()]


def _range(found: pd.DataFrame, own: Scale, half: float, primary: bool) -> tuple[str, ...]:
    """Least and most of several answers: difference, ratio, df, p, adjusted p, evidence."""
    places = places_in(own, half)

    def ends(values: pd.Series, tell: Any) -> str:
        known = values.dropna()
        if known.empty:
            return ""
        return " to ".join(dict.fromkeys(tell(float(v)) for v in (known.min(), known.max())))

    grades = {_graded(row, primary) for row in found.to_dict("records")}
    least, *_, most = sorted([*grades] * 2, key=lambda g: g.strength)
    return (
        ends(found["difference"] * own.factor, lambda v: number(v, places)),
        ends(found["ratio"], lambda v: number(v, 2)),
        ends(found["df"], freedom),
        ends(found["p"], p_text),
        ends(found["p_adjusted"], p_text),
        words.between_grades(least, most),
    )


def _graded(row: Mapping[Any, Any], primary: bool) -> Grade:
    """How far the evidence of one answer goes."""
    low, high = (float(row[f"difference_{end}"]) for end in ("low", "high"))
    if math.isnan(low) and math.isnan(high):  # a test without an interval
        low = high = 1.0
    found = grade(float(row["p_adjusted"]), low, high)
    return Grade.OPEN if found is Grade.LEANING and not primary else found


# ---------------------------------------------------------------- what would change it
@part("change", words.change_title())
def would_change(page: Context) -> Iterable[Element]:
    """Influence, other models, the second answer, and what a next trial would need."""
    asked = primary(page)
    contrasts = asked.result.contrasts.head(SHOWN).to_dict("records")
    items = [line for row in contrasts for line in _influence(asked, row)]
    items = items or [words.none_left_out()]
    items += _models(asked, contrasts)
    items += second_answer.apart(asked.result, page.config.units)
    items += _needed(page, asked)
    fields = page.used.strips["field"].nunique()
    items.append(field_day.one_season(page.config.season, fields))
    return (bullets(map(page.letters.text, dict.fromkeys(items))),)


def _models(asked: Asked, contrasts: list[dict[Any, Any]]) -> Iterable[str]:
    """Other models that put a setup elsewhere; of one comparison alone in full."""
    if len(contrasts) == 1:
        yield hangs_on_the_model(asked)
        return
    alike, aside = [], False
    for row in contrasts:
        where = side(pd.Series(row), asked.result.level)
        others = _others(asked, row)
        # A test of so few pairs that it gives no interval has no small p, whatever is found.
        able = others["difference_low"].notna()
        aside |= not able.all()
        others = others[able].to_dict("records")
        if differing := [
            (str(r["model"]), float(r["p_adjusted"]))
            for r in others
            if side(pd.Series(r), asked.result.level) != where
        ]:  # fmt: skip
            yield words.models_differ(asked.against(row), where, asked.percent, differing)
        elif others:
            alike.append(asked.against(row))
    if alike:
        yield words.models_alike(alike, asked.percent, aside)


def _influence(asked: Asked, row: Mapping[str, Any]) -> Iterable[str]:
    """The unit without which a comparison moves most, and those that change its evidence."""
    found = _refits(asked, row)
    if found.empty:
        return
    primary, own = asked.result.primary, asked.differences[0]
    before = _graded(row, primary)
    most = found.loc[(found["difference"] - row["difference"]).abs().idxmax()].to_dict()
    yield words.moves_most(
        asked.against(row), _unit(asked, most),
        f"{with_interval(span_of(most, 'difference', own))} {own.unit}", ratio_of(most),
        float(most["p_adjusted"]), before, _graded(most, primary),
    )  # fmt: skip
    changed: dict[Grade, list[str]] = {}
    for other in found.to_dict("records"):
        after = _graded(other, primary)
        if after is not before and _unit(asked, other) != _unit(asked, most):
            changed.setdefault(after, []).append(_unit(asked, other))
    for after, units in changed.items():
        yield words.others_change(asked.against(row), before, after, units)


def _unit(asked: Asked, row: Mapping[Any, Any]) -> str:
    field = asked.letters.fields.get(str(row["field"]), str(row["field"]))
    if row["unit"] == "field":
        return field
    return words.pair_named(asked.block, asked.letters.pair(row["pair"], row["field"]), field)


def _needed(page: Context, asked: Asked) -> Iterable[str]:
    """What the trial could tell and what a next one would need, of the comparison least known, or
    of the first that stayed open, of which the advice tells it too."""
    strips = page.used.strips
    pairs, fields = strips.groupby(["field", "pair"]).ngroups, strips["field"].nunique()
    known = []
    for row in asked.result.contrasts.head(SHOWN).to_dict("records"):
        try:
            power = asked.result.power(row["factor"], row["level"])
        except REFUSED:
            continue
        known.append((_graded(row, asked.result.primary) is Grade.OPEN, power))
    if not known:
        return
    _, found = max(known, key=lambda one: (one[0], one[1].half_width_difference))
    yield found.sentence
    if needs := advice.needed(found, pairs, fields, asked.block, page.config.units):
        yield needs


# ---------------------------------------------------------------- margins
@part("margins", words.margins_title())
def margins(page: Context) -> Iterable[Element]:
    """Was more shown to be no more than the margin stated, or the least margin that is shown."""
    stated = dict(page.config.model.margins)
    rows: list[list[Words]] = []
    answers = []
    for name, asked in every_asked(page).items():
        spec = asked.result.specification
        taken_in = spec.table == "residue" and spec.better == "lower"
        if name not in stated and not taken_in:
            continue
        for factor in asked.result.design.names:
            for own in _held(asked, factor, stated.get(name)):
                rows.append(own[0])
                answers += own[1:]
    if not rows:
        yield Sentence(words.nothing_for_margins())
        return
    yield from (Sentence(page.letters.text(said)) for said in answers)
    wide = len(words.MARGINS_HEAD) if stated else 3
    yield table(words.margins_caption(0.95), words.MARGINS_HEAD[:wide], [r[:wide] for r in rows])
    yield Sentence(words.about_margins(bool(stated)))


def _held(asked: Asked, factor: str, stated: float | None) -> Iterable[list[Any]]:
    """A row for every comparison of a factor, and the answer in words where a margin was stated."""
    result, own = asked.result, asked.differences[0]
    ratio = bool(result.contrasts.loc[result.contrasts["factor"].eq(factor), "ratio"].notna().all())
    scale: Literal["ratio", "difference"] = "ratio" if ratio else "difference"
    try:
        found = result.no_more_than(
            stated or (2.0 if ratio else 1.0), scale=scale, factor=factor
        )
    except (DesignError, ValueError) as error:
        yield [[result.title, "", "", "", str(error)]]
        return
    for row in found.table.to_dict("records"):
        places = places_in(own, (row["high"] - row["low"]) / 2 * own.factor)
        shown = [
            words.times(v) if ratio
            else words.apart(number(abs(v) * own.factor, places), own.unit, v < 0)
            for v in (row["estimate"], row["high"], *([] if stated is None else [stated]))
        ]  # fmt: skip
        name = f"{result.title}: {lower_first(asked.against(row))}"
        cells = [name, *shown]
        cells += [words.no_margin(), ""] if stated is None else [words.ANSWERS[row["verdict"]]]
        if stated is None:
            yield [cells]
            continue
        yield [cells, margin_words(
            result.response, row, asked.labels[factor][row["reference"]], found.margin,
            scale=scale, unit=result.unit, system=asked.system, confidence=found.confidence,
        )]  # fmt: skip


