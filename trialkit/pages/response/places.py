"""Whether a response's answer holds with a trend along the field, or with neighbours alike."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from trialkit import plots
from trialkit.pages.cells import p_value, span_of, with_interval
from trialkit.pages.elements import Element, figure, screen, table
from trialkit.pages.response.asked import REFUSED, SEED, Asked
from trialkit.words import neighbours as words
from trialkit.words import response as titles


def neighbours(asked: Asked, level: int = 3) -> Iterable[Element]:
    """The check, its table and residuals by place; a sentence where places are not known."""
    yield asked.heading("neighbours", titles.TITLES["neighbours"], level)
    if asked.positions is None:
        yield asked.sentence(words.no_plan())
        return
    try:
        found = asked.result.neighbours(asked.positions, SEED)
        drawn = plots.residuals_by_place(
            found, field_names=asked.letters.fields, system=asked.system
        )
    except REFUSED as error:
        yield asked.sentence(error)
        return
    yield asked.sentence(words.about())
    for told in found.sentences:
        yield asked.sentence(told)
    yield figure(drawn, drawn.summary)
    tables = []
    for _, rows in found.answers.groupby(["factor", "level"], sort=False):
        cells = [[words.MODELS[row["model"]], _effect(asked, row), p_value(row["p_adjusted"])]
                 for row in rows.to_dict("records")]  # fmt: skip
        caption = words.answers_caption(asked.result.title, asked.against(rows.iloc[0]))
        tables.append(table(caption, list(words.HEAD), cells))
    yield screen(*tables)


def _effect(asked: Asked, row: dict[str, Any]) -> str:
    """An effect with its interval, a difference in the trial's own unit."""
    if row["reason"]:
        return str(row["reason"])
    if row["scale"] == "difference":
        own = {"difference": row["effect"], "difference_low": row["low"],
               "difference_high": row["high"]}  # fmt: skip
        unit = asked.differences[0]
        return f"{with_interval(span_of(own, 'difference', unit))} {unit.unit}"
    return words.with_scale(row["scale"], row["effect"], row["low"], row["high"])
