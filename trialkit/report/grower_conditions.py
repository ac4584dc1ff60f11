"""At which grain moisture and ground speed the answer changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.analysis import crossing
from trialkit.decide import best_speed, loss_curve
from trialkit.decide.words import amount, area_unit
from trialkit.errors import DesignError
from trialkit.plots.curves import in_unit
from trialkit.quantities import Scale, number, scales, upper_first
from trialkit.report.fragments import Fragment, figure, paragraph, section, table
from trialkit.report.wording import Grade, change, grade

if TYPE_CHECKING:
    from trialkit.analysis.crossing import Crossing
    from trialkit.analysis.curves import EffectCurve
    from trialkit.decide import LossCurve, SpeedChoice
    from trialkit.report.grower import GrowerPage

ALONG = {"moisture": "Grain moisture", "speed_measured": "Ground speed"}
EFFICIENCY = 0.7
"""Share of field time at full width and speed, the middle of common practice."""


def conditions(page: GrowerPage) -> Fragment:
    """The effect along moisture and speed, and the speed at which loss and time cost least."""
    parts = []
    for along, title in ALONG.items():
        curve = page.curve(along)
        parts.append(f"<h3>{title}</h3>")
        if isinstance(curve, str):
            parts.append(paragraph(page.letters.text(curve)))
        else:
            parts.append(_along(page, curve))
    parts.append("<h3>The speed at which loss and time cost least</h3>")
    parts += _cheapest(page)
    return section("conditions", "When the answer changes", *parts)


def _along(page: GrowerPage, curve: EffectCurve) -> str:
    system = page.config.units
    unit = plots_unit(curve, system)
    ends = in_unit(curve.table["x"].to_numpy()[[0, -1]], curve.along_unit, unit)
    low, high = (number(float(x), 1) for x in ends)
    name = curve.along_label
    verdict = grade(float(curve.interaction["p"]), 1.0, 1.0)
    told = {
        Grade.CLEAR: f"The effect clearly changes with {name}",
        Grade.GOOD: f"The effect changes with {name}",
        Grade.LEANING: f"The effect may change with {name}",
        Grade.OPEN: f"The trial cannot tell that the effect changes with {name}",
    }[verdict]
    words = [paragraph(f"{told} between {low} and {high} {unit}.", "extent")]
    at = [
        f"at {text} {unit}: {_effect(page, curve.table.iloc[i])}"
        for text, i in ((low, 0), (high, -1))
    ]
    words.append(paragraph(page.letters.text(f"{upper_first('; '.join(at))}.")))
    found = _crossing(curve)
    if found is not None:
        words.append(paragraph(_turns(curve, found, unit, page.percent)))
    words.append(
        paragraph(
            f"{upper_first(name)} was not set by lot: what went with it, such as hybrid, day or "
            "field, is part of this."
        )
    )
    record = [*curve.words, *([found.words] if found is not None else [])]
    words.append(paragraph("For the record: " + page.letters.text(" ".join(record)), "record"))
    try:
        picture = plots.effect_along(curve, system=system)
    except DesignError:
        picture = plots.effect_along(curve, shown="difference", system=system)
    caption = (
        f"Line: the effect. Dark band: {page.percent} interval at one value. Pale band: for all "
        "values together. Below: the strips."
    )
    return (
        f'<div class="pair">{figure(picture, caption)}<div class="words">{"".join(words)}</div>'
        "</div>"
    )


def plots_unit(curve: EffectCurve, system: str) -> str:
    """Unit of the covariate as the trial prints it."""
    return "mph" if system == "US" and curve.along_unit == "km/h" else curve.along_unit


def _effect(page: GrowerPage, row: pd.Series) -> str:
    less = "less" if page.response == "header_loss" else "fewer"
    if np.isfinite([row["ratio"], row["ratio_low"], row["ratio_high"]]).all():
        values = (100 * (float(row[f"ratio{end}"]) - 1) for end in ("", "_low", "_high"))
        return change(*values, Scale("%", 1.0), less)
    own = scales(page.result.unit, page.config.units)[0]
    values = (float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
    return change(*values, Scale("points" if own.unit == "%" else own.unit, own.factor), less)


def _crossing(curve: EffectCurve) -> Crossing | None:
    for scale in ("ratio", "difference"):
        try:
            return crossing(curve, scale=scale)  # type: ignore[arg-type]
        except DesignError:
            continue
    return None


def _turns(curve: EffectCurve, found: Crossing, unit: str, percent: str) -> str:
    """Where the effect turns, in the reader's unit."""

    def shown(value: float) -> str:
        return number(float(in_unit(np.array([value]), curve.along_unit, unit)[0]), 1)

    if not found.intervals:
        return "Nowhere in that range is no effect at all within the interval."
    whole = found.open_low and found.open_high and len(found.intervals) == 1
    where = (
        f"The estimate turns from less to more, or back, at "
        f"{' and '.join(shown(v) for v in found.at)} {unit}"
        if found.at
        else "The estimate keeps its side over the whole range"
    )
    if whole:
        return f"{where}; no value in it can be ruled out as the turning point ({percent})."
    parts = [f"{shown(a)} to {shown(b)} {unit}" for a, b in found.intervals]
    return f"{where}; no effect at all is possible from {' and from '.join(parts)} ({percent})."


def _cheapest(page: GrowerPage) -> list[str]:
    """Best speeds for several costs of an hour, or why there are none."""
    config = page.config
    if config.price_per_t is None:
        return [paragraph("The trial gives no price of grain.")]
    try:
        curve = _loss_curve(page)
    except DesignError as error:
        return [paragraph(page.letters.text(str(error)))]
    unit, size = area_unit(config.units)
    speed = "mph" if config.units == "US" else "km/h"
    choices = {cost: _choice(page, curve, cost) for cost in page.hour_costs}
    rows = []

    def shown(value: float) -> str:
        return number(float(in_unit(np.array([value]), "km/h", speed)[0]), 1)

    for cost, choice in choices.items():
        rows.append([
            f"{config.currency} {amount(cost, 0)}", shown(choice.best),
            f"{shown(choice.best_low)} to {shown(choice.best_high)}",
            f"{shown(choice.flat_low)} to {shown(choice.flat_high)}",
        ])  # fmt: skip
    middle = choices[page.hour_costs[len(page.hour_costs) // 2]]
    cost = page.hour_costs[len(page.hour_costs) // 2]
    within = f"within {config.currency} 1 per {unit}"
    told = table(
        f"Ground speed at which grain lost and time together cost least, {speed}",
        ["an hour costs", "least at", f"{page.percent} interval", within], rows,
    )  # fmt: skip
    words = [paragraph(text) for text in middle.sentences[:-1]]
    lead = paragraph(
        f"If an hour of combining costs {config.currency} {amount(cost, 0)} (an example; see the "
        f"table for others), on a header {_width(page)} wide at "
        f"{number(100 * EFFICIENCY, 0)} % field efficiency:"
    )
    picture = figure(
        plots.cost_by_speed(middle), "Grain lost at the header, time, and both together."
    )
    return [
        f'<div class="pair">{picture}<div class="words">{lead}{"".join(words)}{told}</div></div>'
    ]


def _width(page: GrowerPage) -> str:
    metres = page.config.header.width
    return f"{number(metres / 0.3048, 0)} ft" if page.config.units == "US" else f"{metres:.3g} m"


def _choice(page: GrowerPage, curve: LossCurve, hour: float) -> SpeedChoice:
    config = page.config
    assert config.price_per_t is not None
    return best_speed(
        curve, price_per_t=config.price_per_t, cost_per_hour=hour, width=config.header.width,
        efficiency=EFFICIENCY, within=1.0 / area_unit(config.units)[1],
        level=page.analysis.level, currency=config.currency, system=config.units,
    )  # fmt: skip


def _loss_curve(page: GrowerPage) -> LossCurve:
    """Loss against speed: by the setup factor whose levels are speeds, else as measured."""
    design = page.result.design
    apart = {}
    for factor in design.factors:
        for column in ("speed_measured", "speed_set"):
            if column in design.strips and design.strips[column].notna().all():
                means = design.strips.groupby(factor.name, observed=True)[column].mean()
                apart[factor.name] = float(means.max() - means.min())
                break
    widest = max(apart, key=lambda name: apart[name], default=None)
    if widest is not None and apart[widest] >= 1.0:  # km/h, as for a curve along speed
        return loss_curve(page.analysis, widest)
    return loss_curve(page.analysis)
