"""At which grain moisture and ground speed the answer changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.analysis import crossing
from trialkit.analysis.at_levels import effects_at
from trialkit.analysis.curves import STANDS
from trialkit.analysis.grades import Grade, ends_of, grade
from trialkit.analysis.speed import COVARIATE
from trialkit.decide import best_speed, loss_curve
from trialkit.decide.capacity import EFFICIENCY
from trialkit.decide.words import amount, area_unit
from trialkit.errors import DesignError
from trialkit.plots.curves import in_unit
from trialkit.quantities import lower_first, number, upper_first
from trialkit.report.field_day_more import folded
from trialkit.report.fragments import Fragment, bullets, figure, paragraph, section, table
from trialkit.report.terms import TERMS
from trialkit.report.wording import change, of_difference, share_words

if TYPE_CHECKING:
    from trialkit.analysis.crossing import Crossing
    from trialkit.analysis.curves import EffectCurve
    from trialkit.decide import LossCurve, SpeedChoice
    from trialkit.report.grower import GrowerPage

ALONG = {"moisture": "Grain moisture", "speed_measured": "Ground speed"}
NOT_BY_LOT = (
    "{} was not set by lot (drawn at random): what went with it, such as hybrid, day or field, is "
    "part of this."
)


def conditions(page: GrowerPage) -> Fragment:
    """The effect along moisture and speed, and the speed at which loss and time cost least."""
    parts, untold = [], []
    for along, title in ALONG.items():
        if along == "speed_measured" and page.speed_factor is not None:
            parts += [f"<h3>{title}</h3>", *_at_speeds(page, page.speed_factor)]
            continue
        curve = page.curve(along)
        if isinstance(curve, str):
            untold.append(curve.removesuffix(STANDS).rstrip())
        else:
            parts += [f"<h3>{title}</h3>", _along(page, curve)]
    title = "The speed at which loss and time cost least"
    try:
        parts += [f"<h3>{title}</h3>", _cheapest(page)]
    except DesignError as error:
        untold.append(f"{title}: {lower_first(str(error))}")
    if untold:
        reasons = bullets([page.letters.text(reason) for reason in untold])
        parts.append(f"<h3>What this trial cannot tell</h3>{reasons}")
    return section("conditions", "When the answer changes", *parts)


def _along(page: GrowerPage, curve: EffectCurve) -> str:
    system = page.config.units
    unit = plots_unit(curve, system)
    ends = in_unit(curve.table["x"].to_numpy()[[0, -1]], curve.along_unit, unit)
    low, high = (number(float(x), 1) for x in ends)
    name = curve.along_label
    changes = grade(float(curve.interaction["p"]), 1.0, 1.0)
    words = [paragraph(f"{_told(changes, name)} between {low} and {high} {unit}.", "extent")]
    at = [
        f"at {text} {unit}: {_effect(page, curve.table.iloc[i])}"
        for text, i in ((low, 0), (high, -1))
    ]
    words.append(paragraph(page.letters.text(f"{upper_first('; '.join(at))}.")))
    found = _crossing(curve)
    if found is not None and changes is not Grade.OPEN:
        words.append(paragraph(_turns(curve, found, unit, page.percent)))
    words.append(paragraph(NOT_BY_LOT.format(upper_first(name))))
    record = [*curve.words, *([found.words] if found is not None else [])]
    words.append(
        folded("For the record: the test", paragraph(page.letters.text(" ".join(record)), "record"))
    )
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


def _at_speeds(page: GrowerPage, speed: str) -> list[str]:
    """The effect at each of the ground speeds that were set."""
    if speed == page.found.factor:
        return [paragraph("Ground speed is itself the setup that is compared here.")]
    result, found = page.result, page.found
    effects = effects_at(result, found.factor, found.level, speed, confidence=page.analysis.level)
    tests = result.term_tests
    name = next((t for t in (f"{found.factor}:{speed}", f"{speed}:{found.factor}")
                 if t in tests.index), None)  # fmt: skip
    words = []
    if name is not None:
        changes = grade(float(tests.loc[name, "p"]), 1.0, 1.0)
        words.append(paragraph(f"{_told(changes, 'ground speed')}.", "extent"))
    label = next(f.label for f in page.config.setups if f.name == speed)
    rows = [[str(row["label"]), _effect(page, row)] for _, row in effects.iterrows()]
    caption = (
        f"{upper_first(found.label)} against {lower_first(found.reference_label)}, {page.percent} "
        "intervals"
    )
    text = page.letters.text
    return [
        *words,
        table(text(caption), [text(label), text(page.result.title)],
              [[text(cell) for cell in row] for row in rows]),
    ]  # fmt: skip


def _told(changes: Grade, name: str) -> str:
    """How sure it is that the effect changes with something, by the grade of its test."""
    return {
        Grade.CLEAR: f"The effect clearly changes with {name}",
        Grade.GOOD: f"The effect changes with {name}",
        Grade.LEANING: f"The effect may change with {name}",
        Grade.OPEN: f"The trial cannot tell whether the effect changes with {name}",
    }[changes]


def plots_unit(curve: EffectCurve, system: str) -> str:
    """Unit of the covariate as the trial prints it."""
    return "mph" if system == "US" and curve.along_unit == "km/h" else curve.along_unit


def _effect(page: GrowerPage, row: pd.Series) -> str:
    if share := share_words(page.response, ends_of(row, "ratio")):
        return share
    shown = of_difference(page.result.unit, page.config.units, short=True)[0]
    return change(*ends_of(row, "difference"), shown, *TERMS[page.response].by_amount)


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
        return f"Over that whole range there is a difference (by the {percent} interval)."
    whole = found.open_low and found.open_high and len(found.intervals) == 1
    where = (
        f"The estimate turns from less to more, or back, at "
        f"{' and '.join(shown(v) for v in found.at)} {unit}"
        if found.at
        else "The estimate keeps its side over the whole range"
    )
    if whole:
        return f"{where}; no value in it can be ruled out as the turning point ({percent})."
    parts = [
        f"at {shown(a)} {unit}" if shown(a) == shown(b) else f"from {shown(a)} to {shown(b)} {unit}"
        for a, b in found.intervals
    ]
    return f"{where}; {' and '.join(parts)} no difference at all is still possible ({percent})."


def _cheapest(page: GrowerPage) -> str:
    """Best speeds for several costs of an hour.

    Raises
    ------
    DesignError
        Why there are none.
    """
    config = page.config
    if config.price_per_t is None:
        raise DesignError("The trial gives no price of grain.")
    curve = _loss_curve(page)
    unit = area_unit(config.units)[0]
    speed = "mph" if config.units == "US" else "km/h"
    choices = {cost: _choice(page, curve, cost) for cost in page.hour_costs}
    rows = []

    def shown(value: float) -> str:
        return number(float(in_unit(np.array([value]), "km/h", speed)[0]), 1)

    for cost, choice in choices.items():
        end = choice.end
        beyond = f", the {end} run" if end else ""
        spread = "not known beyond it" if end else ""
        rows.append([
            f"{config.currency} {amount(cost, 0)}", f"{shown(choice.best)}{beyond}",
            spread or f"{shown(choice.best_low)} to {shown(choice.best_high)}",
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
    if page.speed_factor is None:
        words.append(paragraph(NOT_BY_LOT.format("Ground speed")))
    example = "" if cost == config.hour_cost else ", an example"
    lead = paragraph(
        f"If an hour of combining costs {config.currency} {amount(cost, 0)}{example} (the table "
        f"has others), on a header {_width(page)} wide at "
        f"{number(100 * EFFICIENCY, 0)} % field efficiency:"
    )
    picture = figure(
        plots.cost_by_speed(middle), "Grain lost at the header, time, and both together."
    )
    return f'<div class="pair">{picture}<div class="words">{lead}{"".join(words)}{told}</div></div>'


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
    if "header_loss" not in page.analysis.responses:
        raise DesignError(page.analysis.skipped.get("header_loss", "Header loss was not analysed."))
    design = page.result.design
    if page.speed_factor is None and COVARIATE not in (*design.covariates, *design.measured_after):
        raise DesignError("It takes strips run at different ground speeds to tell.")
    return loss_curve(page.analysis, page.speed_factor)
