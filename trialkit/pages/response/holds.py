"""Does a response's model hold, what does its answer rest on, and what do other models say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from trialkit import plots
from trialkit.analysis.questions.checks import ModelCheck
from trialkit.errors import DesignError
from trialkit.pages.cells import figures, p_value, ratio_of, span_of, with_interval
from trialkit.pages.elements import (
    Abreast,
    Element,
    Folded,
    Heading,
    Table,
    bullets,
    figure,
    screen,
    table,
)
from trialkit.pages.response.asked import SEED, SIMULATED, Asked
from trialkit.pages.response.estimates import all_pairs, at_same, contrasts, means, variances
from trialkit.pages.response.model import model
from trialkit.quantities import lower_first, number, upper_first
from trialkit.words import response as words

UNITS_DRAWN = 40  # of a figure that one page holds


def diagnostics(asked: Asked, level: int = 3) -> Iterable[Element]:
    """Does the model hold, and what does the answer rest on."""
    check = asked.check
    yield asked.heading("diagnostics", words.TITLES["diagnostics"], level)
    yield asked.sentence(check.verdict)
    yield _checks(asked, check)
    yield asked.sentence(words.simulated(SIMULATED, SEED))
    yield from _pictures(asked, check)


def _checks(asked: Asked, check: ModelCheck) -> Table:
    rows = [
        [_check_name(asked, str(r.check)), figures(r.observed), figures(r.expected),
         p_value(r.p), p_value(r.p_adjusted)]
        for r in check.checks.itertuples()
    ]  # fmt: skip
    head = ["check", "observed", "expected", "p", "p, Holm"]
    return table(words.checks(asked.result.title), head, rows)


def _check_name(asked: Asked, name: str) -> str:
    kind, _, rest = name.partition(", ")
    if kind == "pair apart" and rest:
        factor, _, level = rest.partition(" ")
        if level in asked.labels.get(factor, {}):
            return f"pair apart, {lower_first(asked.label(factor, level))}"
    return name.replace("_", " ")


def _pictures(asked: Asked, check: ModelCheck) -> Iterable[Element]:
    plot = plots.residual_quantiles(check)
    shape: list[Element] = [figure(plot, plot.summary)]
    try:
        plot = plots.effect_quantiles(check)
        shape.append(figure(plot, plot.summary))
    except DesignError as error:
        shape.append(asked.sentence(error))
    yield Abreast(tuple(shape))
    rests: list[Element] = []
    for row in check.full.to_dict("records"):
        shown, told = moved_most(check, row)
        try:
            plot = plots.influence(
                replace(shown, influence=asked.letters.strips(shown.influence)), row["factor"],
                row["level"], field_names=asked.letters.fields,
            )
        except DesignError as error:
            rests.append(asked.sentence(f"{asked.against(row)}: {error}"))
            continue
        rests.append(figure(plot, f"{asked.against(row)}. {told}{plot.summary}"))
    yield Heading(words.rests_on_title(), 4)
    yield asked.sentence(words.rests_on())
    yield Abreast(tuple(rests))


def moved_most(check: ModelCheck, row: Any) -> tuple[ModelCheck, str]:
    """A check with no more units than a page can hold, those that move a contrast most."""
    table = check.influence
    if table.empty:
        return check, ""
    own = table[table["factor"].eq(row["factor"]) & table["level"].eq(row["level"])]
    if len(own) <= UNITS_DRAWN:
        return check, ""
    moved = (own["difference"] - row["difference"]).abs().nlargest(UNITS_DRAWN)
    told = words.units_drawn(UNITS_DRAWN, len(own))
    return replace(check, influence=own.loc[sorted(moved.index)]), told


# ---------------------------------------------------------------- other models
def sensitivity(asked: Asked, level: int = 3) -> Iterable[Element]:
    """The same question asked of other models."""
    found = asked.alternatives
    own = asked.differences[0]
    yield asked.heading("sensitivity", words.TITLES["sensitivity"], level)
    yield asked.sentence(hangs_on_the_model(asked))
    remarks: dict[str, dict[str, list[str]]] = {}  # of a model: what, of which comparisons
    for _, rows in found.table.groupby(["factor", "level", "reference"], sort=False):
        cells = []
        against = asked.against(rows.iloc[0])
        for row in rows.to_dict("records"):
            aic = number(row["aic"], 1) if row["same_rows"] and row["aic"] == row["aic"] else ""
            told = [ratio_of(row), with_interval(span_of(row, "difference", own)),
                    p_value(row["p_adjusted"]), aic]  # fmt: skip
            cells.append([f"{row['model']}{words.ROLES.get(row['role'], '')}", *told])
            if why := str(row["reason"] or row["remark"]):
                remarks.setdefault(row["model"], {}).setdefault(why, []).append(against)
        caption = words.by_other_models(asked.result.title, against)
        yield table(caption, ["model", "ratio", own.unit, "p, Holm", "AIC"], cells)
    if remarks:
        told = [words.remarked(name, own_remarks) for name, own_remarks in remarks.items()]
        yield bullets(map(asked.letters.text, told))
    yield asked.sentence(words.aic(found.compared), "record")


def hangs_on_the_model(asked: Asked) -> str:
    """Whether the answer does, held against this model by itself where others are counted too."""
    found = asked.alternatives.conclusion
    return found if asked.result.primary else f"{found} {words.adjusted_alone()}"


# ---------------------------------------------------------------- a response in brief
def brief(asked: Asked) -> Iterable[Element]:
    """The response inside an element that unfolds; on paper its estimates and verdict alone."""
    title = f"{upper_first(asked.result.title)}, {asked.scales[0].unit}"
    yield Folded(
        Heading(title, 3, asked.key),
        (
            means(asked),
            *contrasts(asked),
            asked.sentence(asked.brief_check.verdict),
            screen(
                *at_same(asked),
                *all_pairs(asked),
                asked.sentence(hangs_on_the_model(asked)),
                *model(asked, 4),
                *variances(asked, 4),
            ),
        ),
        "response",
    )
